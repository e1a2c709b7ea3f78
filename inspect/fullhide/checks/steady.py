"""What stays when the lamp moves is a colour; what changes is light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot

__all__ = ["steady"]

#: A spot of which this share changed with the lamp is no sure one (our own choice).
CHANGED_SHARE = 0.25


def steady(outcome: Outcome, changed: NDArray[np.bool_]) -> Outcome:
    """An outcome whose sure spots look alike in all photos.

    Parameters
    ----------
    outcome
        Of a check on several photos together.
    changed
        Pixels of the view where the photos contradict one another.

    Returns
    -------
    Outcome
        A spot that changed is in doubt, never gone: shine may lie over a colour in one of them.
    """
    if outcome.labels is None or not outcome.spots or not changed.any():
        return outcome
    labels = outcome.labels
    spots = tuple(
        _doubted(spot, changed[labels == number]) for number, spot in enumerate(outcome.spots, 1)
    )
    sure = any(spot.verdict == "fail" for spot in spots)
    verdict = "retake" if outcome.verdict == "fail" and not sure else outcome.verdict
    return replace(outcome, spots=spots, verdict=verdict)


def _doubted(spot: Spot, changed: NDArray[np.bool_]) -> Spot:
    if spot.verdict != "fail" or not changed.size or changed.mean() < CHANGED_SHARE:
        return spot
    return replace(spot, verdict="retake")
