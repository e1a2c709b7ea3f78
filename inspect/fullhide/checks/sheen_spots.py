"""Places of another sheen within one panel: where top coat was missed, doubled or rubbed.

A place is told against its own surroundings, so it needs no reference part; and only where its
highlight can be told from shade, dye and noise. See `checks.sheen_places`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot
from fullhide.checks.sheen_places import Place, places_of
from fullhide.checks.sheen_words import sheen_even_reason, sheen_spot_reason
from fullhide.job import Limits
from fullhide.result import Measure, Verdict
from fullhide.shine_map import ShineMap
from fullhide.verdict import coverage_factor

__all__ = ["sheen_spots"]


def sheen_spots(
    maps: Sequence[ShineMap],
    *,
    shape: tuple[int, int],
    pale: bool,
    limits: Limits,
    airbag: bool,
) -> Outcome:
    """Places of a panel that are glossier or duller than what lies around them.

    Parameters
    ----------
    maps
        The panel's highlight as each photo of the view shows it, all on the same blocks; at
        least one.
    shape
        Of the panel's view, pixels.
    pale
        Whether a colour like the light's own may lie beneath the dye.
    limits
        With `sheen` set.
    airbag
        Whether an airbag may lie beneath, so that no work is advised.

    Returns
    -------
    Outcome
        Spots of the kinds ``glossy_spot`` and ``dull_spot``. Measures ``sheen_within``, how many
        times stronger or weaker a place of 15 mm has to be to be seen, None if not known; and of
        the largest place ``sheen_spot_at_least`` or ``sheen_spot_at_most``. Without a verdict
        where nothing stands out and the photo would not have shown a place of the limit.
    """
    limit = limits.sheen if limits.sheen is not None else float("inf")
    k = coverage_factor(limits.confidence)
    looks = [places_of(one, pale=pale, k=k) for one in maps]
    within = min(seen for _, seen in looks)
    side_mm = maps[0].side_mm
    told = [
        (place, place.verdict(limit), float(place.blocks.sum()) * side_mm**2)
        for place in _together([places for places, _ in looks])
    ]
    told.sort(key=lambda one: -one[2])
    verdict: Verdict | None = "pass" if within <= limit else None
    if told:
        verdict = "fail" if any(which == "fail" for _, which, _ in told) else "retake"
    return Outcome(
        check="sheen",
        verdict=verdict,
        reasons=_reasons(told, within, any(one.coloured for one in maps), limit, airbag),
        measures=_measures(told, within),
        spots=tuple(_spot(*one, maps[0].side_px) for one in told),
        labels=_labels([place for place, _, _ in told], maps[0].side_px, shape),
    )


def _together(looks: Sequence[Sequence[Place]]) -> list[Place]:
    """The places that any photo shows; one that several show as the surest of them tells it."""
    kept: list[Place] = []
    for place in (place for places in looks for place in places):
        mine = [
            i for i, other in enumerate(kept) if np.logical_and(other.blocks, place.blocks).any()
        ]
        if not mine:
            kept.append(place)
            continue
        first = kept[mine[0]]
        if first.glossy != place.glossy:  # glossier in one light, duller in another
            kept[mine[0]] = replace(first, end=1.0, sure=False)
        elif (place.sure, _apart(place)) > (first.sure, _apart(first)):
            kept[mine[0]] = place
    return kept


def _apart(place: Place) -> float:
    """How far from its surroundings a place surely is, 1 or more."""
    return place.end if place.glossy else 1.0 / max(place.end, 1e-9)


def _reasons(
    told: Sequence[tuple[Place, Verdict, float]],
    within: float,
    coloured: bool,
    limit: float,
    airbag: bool,
) -> tuple[str, ...]:
    if not told:
        return (sheen_even_reason(within, limit=limit, coloured=coloured),)
    reasons = []
    for glossy in (True, False):
        mine = [one for one in told if one[0].glossy == glossy]
        sure = [one for one in mine if one[1] == "fail"]
        for some in (sure, [one for one in mine if one[1] != "fail"]):
            if some:
                ends = [(place.end, size) for place, _, size in some]
                reasons.append(
                    sheen_spot_reason(
                        ends, glossy=glossy, limit=limit, sure=some is sure, airbag=airbag
                    )
                )
    return tuple(reasons)


def _measures(told: Sequence[tuple[Place, Verdict, float]], within: float) -> dict[str, Measure]:
    seen = within if np.isfinite(within) else None
    measures = {"sheen_within": Measure(value=seen, u=None, limit=None, unit="1")}
    if told:
        place = told[0][0]
        name = f"sheen_spot_at_{'least' if place.glossy else 'most'}"
        measures[name] = Measure(value=place.end, u=None, limit=None, unit="1")
    return measures


def _spot(place: Place, verdict: Verdict, size: float, side_px: int) -> Spot:
    rows, columns = np.nonzero(place.blocks)
    return Spot(
        kind="glossy_spot" if place.glossy else "dull_spot",
        under=None,
        area_mm2=size,
        area_u_mm2=0.0,
        delta_e=None,
        share=None,
        centre=((columns.mean() + 0.5) * side_px, (rows.mean() + 0.5) * side_px),
        verdict=verdict,
    )


def _labels(
    places: Sequence[Place], side_px: int, shape: tuple[int, int]
) -> NDArray[np.uint16] | None:
    """The places numbered from 1 in the view's pixels."""
    if not places:
        return None
    labels = np.zeros(shape, np.uint16)
    for number, place in enumerate(places, 1):
        grown = np.kron(place.blocks, np.ones((side_px, side_px), bool))
        rows, columns = min(shape[0], grown.shape[0]), min(shape[1], grown.shape[1])
        labels[:rows, :columns][grown[:rows, :columns]] = number
    return labels
