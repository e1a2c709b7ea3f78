"""Banding: stripes of a period and a direction, as a spray gun leaves them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.texture import Texture
from fullhide.robust import polynomial

__all__ = ["Bands", "find_bands"]

Array = NDArray[np.float32]
Vector = NDArray[np.float64]

#: Periods that are looked for, mm: a gun's fan is some centimetres wide.
SHORTEST_MM = 12.0
#: At least this many periods must lie in view (our own choices, as are those below): a slow
#: change that does not come again is light, or the shape of the part.
_FEWEST_PERIODS = 1.95
#: Stripes hold this share of the play that noise does not explain, more where they are few, and
#: this many times as much as any other wave of about their length.
_SHARE, _SHARE_OF_FEW, _FEW, _OVER_OTHERS = 0.3, 0.6, 3.0, 3.0
#: ... and swing by at least this much to either side, ΔE00, and this many times their noise.
_SWING, _SURE = 0.4, 6.0
_FEWEST_BLOCKS = 100
#: Few stripes must explain more than a single one: that explains at most this share of theirs.
_SINGLE = 0.93
#: Blocks that a wave is first placed by.
_SAMPLES = 1500
_WAYS = [np.array([x, y]) for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0) if x or y]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bands:
    """Stripes across a panel.

    Attributes
    ----------
    period_mm
        From one stripe to the next.
    period_u_mm
        Its standard uncertainty.
    direction_deg
        Which way a stripe runs, 0 to 180: 0 from left to right, 90 upwards.
    direction_u_deg
        Its standard uncertainty.
    swing
        ΔE00 from the middle colour to that of a stripe.
    """

    period_mm: float
    period_u_mm: float
    direction_deg: float
    direction_u_deg: float
    swing: float


def find_bands(look: Texture) -> Bands | None:
    """The strongest stripes of a panel; None if it has none.

    Parameters
    ----------
    look
        The panel's blocks, the light's second-degree play taken out.

    Notes
    -----
    A wave stands out in the two-dimensional spectrum of the blocks, each axis in units of its
    noise. Wave vector and amplitude are then fitted by least squares together with what light
    may do (a second-degree surface), so that few periods do not pull it.
    """
    good = look.good
    if good.sum() < _FEWEST_BLOCKS:
        return None
    values = _evened(look)
    rows, columns = np.nonzero(good)
    places = np.stack([columns, rows], axis=1).astype(np.float64) * look.side_mm
    # A wave's direction is pinned by its phase over the whole panel.
    extent = np.ptp(places, axis=0) + look.side_mm
    start = _peak(values, good, look.side_mm, extent)
    if start is None:
        return None
    samples = values[good].astype(np.float64)
    base = polynomial(good.shape, 2)[good].astype(np.float64)
    few = slice(None, None, 1 + len(samples) // _SAMPLES)
    wave = _refined(start, samples[few], places[few], base[few], 0.5 / extent)
    return _told(look, wave, samples, places, base, extent)


def _evened(look: Texture) -> Array:
    """Changes with noise and grain equally strong on every axis, spots cut down."""
    change = look.change[look.good].astype(np.float64)
    # A little of the play itself beside the noise: no axis counts without bound.
    spread = np.cov(change.T)
    floor = look.noise / 4.0 + 0.02 * np.trace(spread) * np.eye(3) + 1e-6 * np.eye(3)
    values, vectors = np.linalg.eigh(floor)
    white = cast(Array, (look.change @ (vectors / np.sqrt(values))).astype(np.float32))
    length = np.sqrt(np.square(white).sum(axis=-1))
    wide = 3.0 * float(np.quantile(length[look.good], 0.9))
    white *= np.minimum(1.0, wide / np.maximum(length, 1e-6))[..., None]
    white -= white[look.good].mean(axis=0)
    white[~look.good] = 0.0
    return white


def _peak(values: Array, good: NDArray[np.bool_], side: float, extent: Vector) -> Vector | None:
    """Rough wave vector, cycles per mm, of the strongest wave; None if others are as strong."""
    shape = [cv2.getOptimalDFTSize(4 * n) for n in good.shape]
    window = _window(good)
    spectrum = np.zeros(shape, np.float32)
    for axis in range(3):
        padded = np.zeros(shape, np.float32)
        part = values[..., axis] - float((values[..., axis] * window).sum() / window.sum())
        padded[: good.shape[0], : good.shape[1]] = part * window
        pair = cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT, nonzeroRows=good.shape[0])
        spectrum += np.square(pair).sum(axis=-1)
    fy = np.fft.fftfreq(shape[0], side)[:, None]
    fx = np.fft.rfftfreq(shape[1], side)[None]
    half = spectrum[:, : fx.shape[1]]
    radius = np.hypot(fx, fy)
    periods = np.abs(fx) * extent[0] + np.abs(fy) * extent[1]
    allowed = (periods >= _FEWEST_PERIODS) & (radius <= 1.0 / SHORTEST_MM)
    if not allowed.any():
        return None
    found = np.where(allowed, half, 0.0)
    row, column = np.unravel_index(int(found.argmax()), found.shape)
    wave = np.array([fx[0, column], fy[row, 0]])
    # Other waves of about the same length, beyond the main lobe of this one.
    length = float(np.hypot(*wave))
    alike = allowed & (radius > 0.6 * length) & (radius < 1.6 * length)
    off = np.minimum(_apart(fx, fy, wave, extent), _apart(fx, fy, -wave, extent))
    others = half[alike & (off > 2.0)]
    if others.size and float(others.max()) * _OVER_OTHERS > float(found[row, column]):
        return None
    return wave


def _apart(fx: NDArray[Any], fy: NDArray[Any], wave: Vector, extent: Vector) -> Vector:
    """Distance from a wave vector in periods over the panel."""
    return cast(Vector, np.hypot((fx - wave[0]) * extent[0], (fy - wave[1]) * extent[1]))


def _window(good: NDArray[np.bool_]) -> Array:
    """Weights that fall off towards the panel's rim, whatever its outline."""
    inside = cv2.copyMakeBorder(good.astype(np.uint8), 1, 1, 1, 1, cv2.BORDER_CONSTANT)
    inside = cv2.morphologyEx(inside, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5)[1:-1, 1:-1]
    reach = 0.5 * float(depth.max())
    weight = np.sin(0.5 * np.pi * np.minimum(depth / max(reach, 1e-6), 1.0)) ** 2
    return cast(Array, (weight * good).astype(np.float32))


def _design(wave: Vector, places: Vector, base: Vector) -> Vector:
    turn = 2.0 * np.pi * (places @ wave)
    return np.column_stack([base, np.cos(turn), np.sin(turn)])


def _solved(design: Vector, samples: Vector) -> tuple[Vector, float]:
    """Least squares, and the sum of squares that it explains."""
    gram, right = design.T @ design, design.T @ samples
    gram += 1e-9 * len(design) * np.eye(len(gram))
    found = cast(Vector, np.linalg.solve(gram, right))
    return found, float((right * found).sum())


def _refined(start: Vector, samples: Vector, places: Vector, base: Vector, step: Vector) -> Vector:
    """Wave vector of the best fit near a start, by shrinking crosses of nine."""
    best, most = start, _solved(_design(start, places, base), samples)[1]
    for _ in range(8):
        centre = best
        for way in _WAYS:
            trial = centre + step * way
            gained = _solved(_design(trial, places, base), samples)[1]
            if gained > most:
                best, most = trial, gained
        if best is centre:
            step = 0.5 * step
    return best


def _told(
    look: Texture, wave: Vector, samples: Vector, places: Vector, base: Vector, extent: Vector
) -> Bands | None:
    """The stripes of a fitted wave, or None if they are too faint or not alone."""
    design = _design(wave, places, base)
    gained = _solved(design, samples)[1] - _solved(base, samples)[1]
    rest = float(np.square(samples).sum()) - _solved(base, samples)[1]
    noise = len(samples) * float(np.trace(_white_noise(look)))
    share = gained / max(rest - min(noise, 0.9 * rest), 1e-9)
    periods = float(np.abs(wave) @ extent)
    if periods < _FEW and _single(wave, samples, places, base) > _SINGLE * gained:
        return None
    change = look.change[look.good].astype(np.float64)
    found, _ = _solved(design, change)
    # Half the swing: the longer half axis of what cosine and sine make along the axes.
    _, size, ways = np.linalg.svd(found[-2:])
    swing = float(look.delta_e(size[0] * ways[0]))
    spread = float(np.sqrt(np.square(change - design @ found).sum() / len(change)))
    # Grain is alike over a few blocks: as many samples count once.
    swing_u = spread * float(np.sqrt(2.0 / (len(change) / 6.0)))
    length = float(np.hypot(*wave))
    if (
        share < (_SHARE_OF_FEW if periods < _FEW else _SHARE)
        or swing < max(_SWING, _SURE * swing_u)
        or periods < _FEWEST_PERIODS
        or length > 1.0 / SHORTEST_MM
    ):
        return None
    # Cramer and Rao's bound of a wave vector over an extent L: sqrt(6)/pi of one over the
    # signal's part of the noise and L, each component.
    wave_u = np.sqrt(6.0) / np.pi * (swing_u / swing) / extent
    along = wave / length
    period_u = float(np.hypot(*(along * wave_u))) / length**2
    turn_u = float(np.hypot(along[1] * wave_u[0], along[0] * wave_u[1])) / length
    # The wave follows (x, y) with y downwards; the stripes run across it.
    direction = np.degrees(np.arctan2(-wave[1], wave[0])) + 90.0
    return Bands(
        period_mm=1.0 / length,
        period_u_mm=max(period_u, 0.005 / length),
        direction_deg=float(direction % 180.0),
        direction_u_deg=max(float(np.degrees(turn_u)), 0.3),
        swing=swing,
    )


def _single(wave: Vector, samples: Vector, places: Vector, base: Vector) -> float:
    """Sum of squares that one broad stripe across the same way explains at most."""
    few = slice(None, None, 1 + len(samples) // _SAMPLES)
    along = places[few] @ wave
    alone = _solved(base[few], samples[few])[1]
    most = alone
    for middle in np.linspace(along.min(), along.max(), 13):
        for width in (0.2, 0.3, 0.45):
            hump = np.exp(-(((along - middle) / width) ** 2))
            design = np.column_stack([base[few], hump])
            most = max(most, _solved(design, samples[few])[1])
    return (most - alone) * len(samples) / len(samples[few])


def _white_noise(look: Texture) -> Vector:
    """Covariance of the noise after `_evened`."""
    change = look.change[look.good].astype(np.float64)
    floor = look.noise / 4.0 + 0.02 * np.trace(np.cov(change.T)) * np.eye(3) + 1e-6 * np.eye(3)
    values, vectors = np.linalg.eigh(floor)
    white = vectors / np.sqrt(values)
    return cast(Vector, white.T @ look.noise @ white)
