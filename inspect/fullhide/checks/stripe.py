"""A seam left undyed along most of its length: nothing beside the gap tells what it should be.

The other checks hold a place against its neighbours along the seam. Here each row of the
straightened seam, as a whole, is held against the finish and the colours beneath themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.result import Measure
from fullhide.surface import misfit, mix_delta_e

__all__ = ["whole_stripe"]

Vector = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: By so much less a colour beneath has to misfit than the finish, and how badly it may misfit at
#: most, squared standard deviations (our own choices).
_SURELY, _FITS = 9.0, 9.0
#: A stripe is as wide as this, mm, and its rows get this part of the seam's light, less by as much
#: as the colour is darker, but this part of all: below, noise and bounced light are most of it
#: (our own choices).
_WIDE_MM, _LIT, _LEAST = 0.6, 0.35, 0.12
#: Light in a valley bounced so many times more off its own colour, and the spread of that (our own
#: allowances).
_BOUNCES, _BOUNCED = (0.0, 0.3, 0.6, 0.9, 1.2), 0.6
#: Places along the seam are looked at so long, mm; relative doubt of the area (our own choices).
_PLACE_MM, _AREA_DOUBT = 2.0, 0.25
_SHARES = np.linspace(0.3, 1.0, 15)


@dataclass(frozen=True, slots=True)
class _Light:
    """What is known of the light."""

    doubt: float

    def off(self, seen: Vector, colour: Vector) -> Vector:
        """Misfit of a colour in a valley, light bouncing in it, (...)."""
        costs = [
            misfit(seen, colour * (colour / colour.max()) ** n, light_doubt=self.doubt, dim=True)
            + (n / _BOUNCED) ** 2
            for n in _BOUNCES
        ]
        return np.asarray(np.min(costs, axis=0), np.float64)


def whole_stripe(
    view: RegionView,
    judged: Mask,
    *,
    finish: Vector,
    beneath: Sequence[tuple[str, Vector]],
    light_doubt: float,
    limits: Limits,
) -> Outcome | None:
    """Find rows of a seam that show a colour beneath along most of it.

    Parameters
    ----------
    view, judged
        The straightened seam of a calibrated photo, and its pixels that count.
    finish, beneath
        XYZ(D50) of the finish asked for, and name and XYZ of the colours beneath.
    light_doubt
        As `surface.misfit` takes it.
    limits
        The job's.

    Returns
    -------
    Outcome or None
        Fail with one spot; None if there is no such stripe.
    """
    counts = judged.sum(axis=1)
    rows = np.flatnonzero(counts > 0.5 * counts.max())
    if not rows.size or not beneath:
        return None
    light = _Light(light_doubt)
    seen = np.stack([np.median(view.xyz[row][judged[row]], axis=0) for row in rows])
    own = light.off(seen, finish)
    found: Outcome | None = None
    for name, colour in beneath:
        other = light.off(seen, colour)
        dark = max(_LIT * min(1.0, float(colour[1] / finish[1])), _LEAST)
        lit = seen[:, 1] >= dark * np.median(seen[:, 1])
        bare = lit & (own - other > _SURELY) & (other < _FITS)
        stripe = np.zeros(len(judged), bool)
        stripe[rows[_long(bare, max(2, round(_WIDE_MM / view.mm_per_px)))]] = True
        if not stripe.any():
            continue
        where = _along(view, judged & stripe[:, None], finish, colour, light)
        area = float(where.sum()) * view.mm_per_px**2
        if area > limits.show_through_mm2 and (found is None or area > found.spots[0].area_mm2):
            found = _told(view, where, name, area, finish, colour, light)
            size = Measure(
                value=area, u=_AREA_DOUBT * area, limit=limits.show_through_mm2, unit="mm²"
            )
            found = replace(found, measures={"show_through_mm2": size})
    return found


def _long(bare: Mask, least: int) -> Mask:
    """Those that stand in unbroken runs of at least so many."""
    kept = np.zeros_like(bare)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bare, [False]]).astype(np.int8)))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        kept[start:end] = end - start >= least
    return kept


def _along(view: RegionView, stripe: Mask, finish: Vector, colour: Vector, light: _Light) -> Mask:
    """Pixels of a stripe in those places along the seam where the colour beneath fits better."""
    length = max(1, round(_PLACE_MM / view.mm_per_px))
    where = stripe.copy()
    for start in range(0, stripe.shape[1], length):
        place = slice(start, start + length)
        pixels = view.xyz[:, place][stripe[:, place]]
        if len(pixels):
            middle = np.median(pixels, axis=0).astype(np.float64)
            if light.off(middle, colour) >= light.off(middle, finish):
                where[:, place] = False
    return where


def _told(
    view: RegionView,
    where: Mask,
    name: str,
    area: float,
    finish: Vector,
    colour: Vector,
    light: _Light,
) -> Outcome:
    seen = np.median(view.xyz[where], axis=0).astype(np.float64)
    costs = [float(light.off(seen, (1.0 - f) * finish + f * colour)) for f in _SHARES]
    share = float(_SHARES[int(np.argmin(costs))])
    rows, columns = np.nonzero(where)
    spot = Spot(
        kind="show_through",
        under=name,
        area_mm2=area,
        area_u_mm2=_AREA_DOUBT * area,
        delta_e=float(mix_delta_e(finish, colour, share)),
        share=share,
        centre=(float(columns.mean()) + 0.5, float(rows.mean()) + 0.5),
        along_mm=(
            float(columns.min()) * view.mm_per_px,
            float(columns.max() + 1) * view.mm_per_px,
        ),
    )
    return Outcome(
        check="show_through",
        verdict="fail",
        spots=(spot,),
        labels=where.astype(np.uint16),
    )
