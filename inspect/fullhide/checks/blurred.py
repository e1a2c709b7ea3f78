"""What blur makes of a flat spot, and back: area, perimeter and height before the blur.

A spot is taken for a strip with round ends, all at one share, blurred by a Gaussian; a round spot
is one without the strip. Its ends together are a disc. Lengths are in the caller's unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

__all__ = ["MIDDLE", "Flat", "unblurred"]

Vector = NDArray[np.float64]

#: Half widths tabled, in standard deviations of the blur; from the last on an edge is straight.
_STEP, _WIDEST = 0.25, 12.0
#: A half width is never taken back below this part of the blur (our own choice).
_NARROWEST = 0.8
#: The middle of a spot that its height is measured on, over its half width as seen (our own
#: choice).
MIDDLE = 0.4
#: Halvings of the range that a half width is looked for in: to a few thousandths of the blur.
_ROUNDS = 14


@dataclass(frozen=True, slots=True)
class Flat:
    """A flat spot: half width, length of its straight part, and share."""

    half_width: float
    straight: float
    share: float

    @property
    def area(self) -> float:
        """Its area."""
        return float(np.pi * self.half_width**2 + 2.0 * self.half_width * self.straight)

    @property
    def perimeter(self) -> float:
        """The length of its outline."""
        return float(2.0 * np.pi * self.half_width + 2.0 * self.straight)

    def area_at(self, level: float, blur: float) -> float:
        """Area where the share is at least `level` once the spot is blurred."""
        part = level / self.share
        if blur <= 0 or part <= 0:
            return self.area if part < 1 else 0.0
        disc, strip = _reach(self.half_width / blur, part)
        return float(np.pi * (disc * blur) ** 2 + 2.0 * strip * blur * self.straight)

    def peak(self, blur: float, *, within: float = 0.0) -> float:
        """Mean share over the middle as far as `within` from its axis, once it is blurred."""
        if blur <= 0:
            return self.share
        disc, strip = _profiles(self.half_width / blur)
        inner = _places() <= within / blur
        weights = _places() * inner  # rings of the round ends
        middle = float(disc @ weights / weights.sum()) if weights.any() else float(disc[0])
        along = float(strip[inner].mean())
        ends = np.pi * self.half_width**2 / self.area
        return self.share * float(ends * middle + (1.0 - ends) * along)


def unblurred(
    area: float, perimeter: float, *, level: float, middle: float, blur: float, most: float = 1.0
) -> Flat:
    """The flat spot that looks so.

    Parameters
    ----------
    area, perimeter
        Inside the line where the blurred spot's share is `level`.
    middle
        Mean share over the middle of it.
    blur
        Standard deviation.
    most
        No share is taken to be higher.
    """
    half, straight = _half_width(area, perimeter)
    if blur <= 0:
        return Flat(half, straight, middle)

    def of(width: float) -> Flat:
        """The spot of a half width whose middle has this share once it is blurred."""
        loss = Flat(width, straight, 1.0).peak(blur, within=MIDDLE * half)
        return Flat(width, straight, max(min(middle / loss, most), middle))

    low, high = _NARROWEST * blur, 1.5 * half + 2.0 * blur
    for _ in range(_ROUNDS):
        width = 0.5 * (low + high)
        if of(width).area_at(level, blur) < area:
            low = width
        else:
            high = width
    return of(0.5 * (low + high))


def _half_width(area: float, perimeter: float) -> tuple[float, float]:
    """Half width and straight part of the strip with round ends of this area and perimeter."""
    left = perimeter**2 - 4.0 * np.pi * area
    if left <= 0:
        return float(np.sqrt(area / np.pi)), 0.0
    half = (perimeter - float(np.sqrt(left))) / (2.0 * np.pi)
    return half, max(0.0, 0.5 * perimeter - np.pi * half)


def _reach(half: float, part: float) -> tuple[float, float]:
    """How far from the axis a blurred disc and strip have this part of their share, in blurs."""
    if half >= _WIDEST:
        straight = half - NormalDist().inv_cdf(min(max(part, 1e-6), 1.0 - 1e-6))
        return max(0.0, straight - 0.5 / half), max(0.0, straight)
    disc, strip = _profiles(half)
    places = _places()
    return (
        float(np.interp(-part, -disc, places, left=0.0)),
        float(np.interp(-part, -strip, places, left=0.0)),
    )


def _profiles(half: float) -> tuple[Vector, Vector]:
    """Blurred disc and strip of a half width, at `_places`."""
    discs, strips = _tables()
    row = min(max(half / _STEP, 0.0), len(discs) - 1.0)
    low = min(int(row), len(discs) - 2)
    part = row - low
    return (
        (1.0 - part) * discs[low] + part * discs[low + 1],
        (1.0 - part) * strips[low] + part * strips[low + 1],
    )


@cache
def _places() -> Vector:
    return np.linspace(0.0, _WIDEST + 4.0, 161)


@cache
def _tables() -> tuple[Vector, Vector]:
    """Blurred discs and strips, a row for each half width.

    A disc: over its rings, exp(-(x² + r²) / 2) I0(x r) r dr; a strip: two edges.
    """
    x = _places()
    halves = np.arange(0.0, _WIDEST + 0.5 * _STEP, _STEP)
    rings = (np.arange(240) + 0.5) * (_WIDEST / 240)
    at, ring = x[:, None], rings[None]
    density = np.exp(-0.5 * (at**2 + ring**2)) * np.i0(at * ring) * ring * (_WIDEST / 240)
    inside = np.concatenate([np.zeros((len(x), 1)), np.cumsum(density, axis=1)], axis=1)
    edges = np.arange(241) * (_WIDEST / 240)
    discs = np.stack([[np.interp(h, edges, row) for row in inside] for h in halves])
    cdf = np.vectorize(NormalDist().cdf)
    strips = cdf(halves[:, None] - x) - cdf(-halves[:, None] - x)
    return discs, strips
