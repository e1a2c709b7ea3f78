"""A place that two checks found is told of once, and where it belongs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot
from fullhide.job import Limits
from fullhide.result import Verdict
from fullhide.surface import Pair
from fullhide.verdict import combine, coverage_factor
from fullhide.visibility import visible_delta_e

__all__ = ["without_double"]

Labels = NDArray[np.uint16]

#: A spot in a thin coat is bare where it shows this much more of the colour beneath, and covers
#: at most this share of the coat (our own choices).
_BARER, _PART = 0.25, 0.5


def without_double(
    show: Outcome, thin: Outcome, *, pairs: Sequence[Pair], mm_per_px: float, limits: Limits
) -> tuple[Outcome, Outcome]:
    """Both outcomes with every place in the one that it belongs to.

    A spot stays if it shows much more of the colour beneath than the thin coat around it. A thin
    coat that light could have made by its soft look is sure where show-through was. A bare place
    that only the look for thin coats found is show-through.

    Parameters
    ----------
    show, thin
        Outcomes of show-through and of thin coats.
    pairs
        The colours beneath.
    mm_per_px
        Scale of the labels.
    limits
        The job's limits.
    """
    if not thin.spots or thin.labels is None or show.labels is None:
        return show, thin
    kept, coats = _apart(show, thin)
    bare = [i for i, coat in enumerate(coats) if coat.kind == "show_through"]
    rest = [i for i in range(len(coats)) if i not in bare]
    coated = _picked(thin.labels, rest)
    labels = _picked(show.labels, kept)
    moved = _picked(thin.labels, bare)
    added = (moved > 0) & (labels == 0)
    labels[added] = moved[added] + np.uint16(len(kept))
    spots = (*(show.spots[i] for i in kept), *(coats[i] for i in bare))
    left = tuple(coats[i] for i in rest)
    if spots != show.spots:
        show = _of_these(
            show, spots, labels, limits, _seen(spots, labels, pairs, mm_per_px, limits)
        )
    sure = replace(
        thin,
        spots=left,
        labels=coated,
        verdict=combine(["pass", *(coat.verdict for coat in left)]),
        flags=thin.flags if any(coat.verdict == "retake" for coat in coats) else (),
    )
    return show, sure


def _apart(show: Outcome, thin: Outcome) -> tuple[list[int], list[Spot]]:
    """Which spots are no part of a thin coat, and the coats, sure where a spot was."""
    kept, coats = [], list(thin.spots)
    for i, spot in enumerate(show.spots):
        over = np.zeros(0) if thin.labels is None else thin.labels[show.labels == i + 1]
        inside = over[over > 0]
        at = int(np.bincount(inside).argmax()) - 1 if inside.size else -1
        if inside.size and (2 * inside.size > over.size or _within(inside, at, spot, thin)):
            barer = not spot.film and (spot.share or 0.0) - (coats[at].share or 0.0) > _BARER
            if not barer or spot.area_mm2 > _PART * coats[at].area_mm2:
                if spot.verdict == "fail" and spot.area_mm2 > 0.25 * coats[at].area_mm2:
                    coats[at] = replace(coats[at], verdict="fail")
                continue
        kept.append(i)
    return kept, coats


def _within(inside: NDArray[Any], at: int, spot: Spot, thin: Outcome) -> bool:
    """Whether a coat, half a bare spot's area or more, lies for the most part under its mark."""
    size = 0 if thin.labels is None else int((thin.labels == at + 1).sum())
    large = spot.area_mm2 > 2 * thin.spots[at].area_mm2
    return 2 * int((inside == at + 1).sum()) > size and (spot.film or not large)


def _picked(labels: Labels, which: Sequence[int]) -> Labels:
    """The labels of these places only, counted anew from 1."""
    table = np.zeros(int(labels.max()) + 2, np.uint16)
    table[np.asarray(which, int) + 1] = np.arange(1, len(which) + 1)
    return table[labels]


def _seen(
    spots: Sequence[Spot], labels: Labels, pairs: Sequence[Pair], mm_per_px: float, limits: Limits
) -> float:
    """What a person sees of the spot that stands out most: outlines filled with their shares."""
    named = {pair.name: pair for pair in pairs}
    seen = [0.0]
    for number, spot in enumerate(spots, 1):
        pair = named.get(spot.under or "")
        rows, columns = np.nonzero(labels == number)
        if pair is None or not rows.size:
            continue
        box = np.s_[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
        seen.append(
            visible_delta_e(
                (labels[box] == number) * np.float32(spot.share or 0.0),
                pair.finish,
                pair.under,
                mm_per_px=mm_per_px,
                distance_mm=limits.viewing_distance_mm,
            )
        )
    return max(seen)


def _of_these(
    show: Outcome, spots: tuple[Spot, ...], labels: Labels, limits: Limits, seen: float
) -> Outcome:
    """The outcome of show-through with other spots."""
    k = coverage_factor(limits.confidence)
    hidden = float("inf") if show.detectable_mm2 is None else show.detectable_mm2
    largest = max((s for s in spots if s.reaches), key=lambda s: s.area_mm2, default=None)
    value, u = (0.0, hidden / k) if largest is None else (largest.area_mm2, largest.area_u_mm2)
    own: Verdict = "pass" if hidden <= limits.show_through_mm2 else "retake"
    if "something_else" in show.flags:
        own = "retake"
    measure = show.measures["show_through_mm2"]
    measures = {
        **show.measures,
        "show_through_mm2": replace(measure, value=value, u=u if np.isfinite(u) else None),
    }
    if visible := show.measures.get("visible_delta_e"):
        measures["visible_delta_e"] = replace(visible, value=seen if spots else None)
    return replace(
        show,
        spots=spots,
        labels=labels,
        verdict=combine([own, *(spot.verdict for spot in spots)]),
        measures=measures,
    )
