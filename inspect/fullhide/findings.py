"""What the checks found, told: findings in the photo's pixels, and sentences."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.checks.outcome import Outcome, Spot
from fullhide.quality import EDGE_CHECKS
from fullhide.region import RegionView
from fullhide.result import Finding, Verdict, k_l_of

__all__ = ["findings_of", "reasons_of", "unseen_boxes"]

Labels = NDArray[np.uint16]
Box = tuple[int, int, int, int]


def reasons_of(
    outcome: Outcome, verdict: Verdict | None, *, scaled: bool, flat: bool, airbag: bool
) -> list[str]:
    """Sentences on one check.

    Parameters
    ----------
    outcome
        What the check found.
    verdict
        What it came to; None where it does not apply.
    scaled, flat
        Whether the photo's scale and its light are known.
    airbag
        Whether the region may hold an airbag, so that no work on it is advised.
    """
    reasons = list(outcome.reasons)
    if verdict is None:
        return reasons
    if outcome.check == "sheen":  # it tells of itself
        return reasons
    if outcome.check in EDGE_CHECKS:
        return _of_edge(outcome, verdict, scaled, airbag) + reasons
    if outcome.check in ("show_through", "thin_coat"):
        return reasons + _of_spots(outcome, scaled, airbag)
    if verdict == "pass" or outcome.verdict == "pass" or not outcome.measures:
        return reasons
    if "odd_patch" in outcome.flags:  # the flag says what is the matter
        return reasons
    measure = next(iter(outcome.measures.values()))
    if measure.value is None or measure.limit is None:
        return reasons
    if outcome.check == "evenness":
        told = wording.evenness_reason(measure.value, measure.limit, verdict=verdict, flat=flat)
    else:
        told = wording.match_reason(
            measure.value,
            measure.limit,
            verdict=verdict,
            reference=outcome.reference,
            k_l=k_l_of(measure.unit),
        )
    return [told, *reasons]


def _of_edge(outcome: Outcome, verdict: Verdict, scaled: bool, airbag: bool) -> list[str]:
    """One sentence for each kind of fault at a masked line."""
    reasons = []
    for kind in dict.fromkeys(spot.kind for spot in outcome.spots):
        mine = [spot for spot in outcome.spots if spot.kind == kind and spot.verdict != "pass"]
        sure = [spot for spot in mine if spot.verdict == "fail"]
        told = [
            (s.under, s.depth_mm if scaled else None, s.along_mm if scaled else None)
            for s in sure or mine
        ]
        if told:
            reasons.append(wording.edge_reason(kind, told, sure=bool(sure), airbag=airbag))
    straight = outcome.measures.get("edge_straightness")
    if straight is not None and scaled and straight.value is not None:
        value, limit = straight.value, straight.limit or 0.0
        if verdict != "pass" and value > limit - 2.0 * (straight.u or 0.0):
            sure_of_it = value > limit + 2.0 * (straight.u or 0.0)
            reasons.append(wording.straight_reason(value, limit, sure=sure_of_it, airbag=airbag))
    return reasons


def _of_spots(outcome: Outcome, scaled: bool, airbag: bool) -> list[str]:
    """One sentence for each colour beneath."""
    reasons = []
    for name in dict.fromkeys(spot.under for spot in outcome.spots):
        mine = [spot for spot in outcome.spots if spot.under == name and spot.verdict != "pass"]
        if not mine:
            continue
        sure = any(spot.verdict == "fail" for spot in mine)
        areas = [spot.area_mm2 if scaled else None for spot in mine]
        if outcome.check == "thin_coat":
            reasons.append(wording.thin_reason(name or "", areas, sure=sure, airbag=airbag))
        else:
            along = [spot.along_mm if scaled else None for spot in mine]
            told = list(zip(areas, along, strict=True))
            reasons.append(wording.spots_reason(name or "", told, sure=sure, airbag=airbag))
    return reasons


def findings_of(
    outcomes: Sequence[Outcome], view: RegionView, *, scaled: bool
) -> tuple[tuple[Finding, ...], Labels | None]:
    """Findings of a region, largest first, and their label map in the pixels of its box.

    Parameters
    ----------
    outcomes
        Of the region's checks; where two label a pixel, the first has it.
    view
        The region.
    scaled
        Whether areas are known in mm².
    """
    sources = [o for o in outcomes if o.spots and o.labels is not None]
    if not sources:
        return (), None
    spots = [spot for outcome in sources for spot in outcome.spots]
    order = sorted(range(len(spots)), key=lambda i: -spots[i].area_mm2)
    ids = np.zeros(len(spots), np.uint16)
    ids[order] = np.arange(1, len(spots) + 1)
    together = np.zeros(view.judged.shape, np.uint16)
    starts = accumulate((len(o.spots) for o in sources), initial=0)
    for outcome, start in zip(sources, starts, strict=False):
        if outcome.labels is not None:
            table = np.concatenate([[0], ids[start : start + len(outcome.spots)]])
            mine = table.astype(np.uint16)[outcome.labels]
            np.copyto(together, mine, where=together == 0)
    labels = view.to_photo(together)
    return tuple(_finding(spots[i], int(ids[i]), labels, view, scaled) for i in order), labels


def _finding(spot: Spot, number: int, labels: Labels, view: RegionView, scaled: bool) -> Finding:
    x0, y0 = view.box[:2]
    rows, columns = np.nonzero(labels == number)
    if rows.size:
        centre = (float(columns.mean()) + 0.5 + x0, float(rows.mean()) + 0.5 + y0)
        box = (
            int(columns.min()) + x0,
            int(rows.min()) + y0,
            int(columns.max()) + 1 + x0,
            int(rows.max()) + 1 + y0,
        )
    else:  # thinner than a photo pixel of the straightened band
        centre = view.point(spot.centre)
        box = (int(centre[0]), int(centre[1]), int(centre[0]) + 1, int(centre[1]) + 1)
    return Finding(
        id=number,
        kind=spot.kind,
        under=spot.under,
        area_mm2=spot.area_mm2 if scaled else None,
        delta_e=spot.delta_e,
        share=spot.share,
        centre_px=centre,
        box_px=box,
        along_seam_mm=spot.along_mm if scaled else None,
        depth_mm=spot.depth_mm if scaled else None,
    )


def unseen_boxes(
    outcomes: Sequence[Outcome], view: RegionView
) -> tuple[tuple[Box, ...], tuple[float, float] | None]:
    """Boxes of the places that could hide a spot, in the photo, the largest first.

    Returns
    -------
    boxes, along_mm
        And the largest one's stretch along a seam; None on a panel.
    """
    labels = next((o.unseen for o in outcomes if o.unseen is not None), None)
    if labels is None:
        return (), None
    x0, y0 = view.box[:2]
    photo = view.to_photo(labels)
    found: list[tuple[int, int, Box]] = []
    for number in range(1, int(labels.max()) + 1):
        rows, columns = np.nonzero(photo == number)
        if rows.size:
            left, top = int(columns.min()) + x0, int(rows.min()) + y0
            box = (left, top, int(columns.max()) + 1 + x0, int(rows.max()) + 1 + y0)
            found.append((int(rows.size), number, box))
    found.sort(key=lambda place: -place[0])
    along = None
    if view.is_seam and found:
        columns = np.nonzero((labels == found[0][1]).any(axis=0))[0]
        along = (columns.min() * view.mm_per_px, (columns.max() + 1) * view.mm_per_px)
    return tuple(box for _, _, box in found), along
