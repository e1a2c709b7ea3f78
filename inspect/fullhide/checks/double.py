"""A place that two checks found is told of once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot
from fullhide.job import Limits
from fullhide.result import Verdict
from fullhide.verdict import combine, coverage_factor

__all__ = ["without_double"]

#: A spot in a thin coat is bare where it shows this much more of the colour beneath, and covers
#: at most this share of the coat (our own choices).
_BARER, _PART = 0.25, 0.5


def without_double(show: Outcome, thin: Outcome, *, limits: Limits) -> tuple[Outcome, Outcome]:
    """Both outcomes without the spots of show-through that are part of a thin coat.

    A spot stays if it shows much more of the colour beneath than the thin coat around it. A thin
    coat that light could have made by its soft look is sure where show-through was.
    """
    if not thin.spots or thin.labels is None or not show.spots or show.labels is None:
        return show, thin
    kept = []
    coats = list(thin.spots)
    for number, spot in enumerate(show.spots, 1):
        over = thin.labels[show.labels == number]
        inside = over[over > 0]
        if 2 * inside.size > over.size:
            at = int(np.bincount(inside).argmax()) - 1
            barer = (spot.share or 0.0) - (coats[at].share or 0.0) > _BARER
            if not barer or spot.area_mm2 > _PART * coats[at].area_mm2:
                if spot.verdict == "fail" and spot.area_mm2 > 0.25 * coats[at].area_mm2:
                    coats[at] = replace(coats[at], verdict="fail")
                continue
        kept.append(number)
    table = np.zeros(len(show.spots) + 1, np.uint16)
    table[kept] = np.arange(1, len(kept) + 1)
    spots = tuple(show.spots[number - 1] for number in kept)
    sure = replace(
        thin,
        spots=tuple(coats),
        verdict=combine(["pass", *(coat.verdict for coat in coats)]),
        flags=thin.flags if any(coat.verdict == "retake" for coat in coats) else (),
    )
    return _of_these(show, spots, table[show.labels], limits), sure


def _of_these(
    show: Outcome, spots: tuple[Spot, ...], labels: NDArray[np.uint16], limits: Limits
) -> Outcome:
    """The outcome of show-through with fewer spots."""
    k = coverage_factor(limits.confidence)
    hidden = float("inf") if show.detectable_mm2 is None else show.detectable_mm2
    largest = max((s for s in spots if s.reaches), key=lambda s: s.area_mm2, default=None)
    value, u = (0.0, hidden / k) if largest is None else (largest.area_mm2, largest.area_u_mm2)
    own: Verdict = "pass" if hidden <= limits.show_through_mm2 else "retake"
    measure = show.measures["show_through_mm2"]
    measures = {
        **show.measures,
        "show_through_mm2": replace(measure, value=value, u=u if np.isfinite(u) else None),
    }
    if not spots:  # what a person sees of a spot goes with the spots
        measures.pop("visible_delta_e", None)
    return replace(
        show,
        spots=spots,
        labels=labels,
        verdict=combine([own, *(spot.verdict for spot in spots)]),
        measures=measures,
    )
