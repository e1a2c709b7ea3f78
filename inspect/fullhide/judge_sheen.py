"""One panel's sheen: against a reference in the same photo, and within itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.match import Patch
from fullhide.checks.outcome import Outcome
from fullhide.checks.sheen import sheen, sheen_unknown
from fullhide.checks.sheen_spots import sheen_spots
from fullhide.job import Job
from fullhide.region import RegionView, grown
from fullhide.scene import Scene, Seen
from fullhide.shine_map import shine_map

__all__ = ["judge_sheen"]

Mask = NDArray[np.bool_]

#: Chroma up to which a colour beneath is like the light's own, and from which lightness it adds to
#: the dye as a highlight does (our own choices).
_PALE_CHROMA, _PALE_FROM_L = 12.0, 60.0
#: What was found keeps its surroundings to this distance out of the map of the highlight, mm.
_CLEAR_MM = 2.0


def judge_sheen(
    scene: Scene,
    view: RegionView,
    judged: Mask,
    outcomes: Sequence[Outcome],
    *,
    job: Job,
    reference: object,
    seen: Seen | None,
    airbag: bool,
) -> list[Outcome]:
    """Compare a panel's highlight with a reference's, and look for places of another sheen.

    Without a scale no places are looked for, since what is narrow and what slow is not known.

    Parameters
    ----------
    scene
        The photo.
    view
        The panel's pixels in it, and in no other photo: several together are of no one light.
    judged
        Those of them that show the bare finish.
    outcomes
        What was found on the panel so far: none of it is another sheen.
    job
        Its limits, with `sheen` set, and the colours beneath.
    reference
        A `Patch` where a reference region lies in the photo.
    seen
        The further photos of the view.
    airbag
        Whether the region may hold an airbag, so that no work on it is advised.
    """
    limits = job.limits
    if scene.flats is None:
        return [sheen_unknown(limits=limits, calibrated=False)]
    against = sheen_unknown(limits=limits)
    if isinstance(reference, Patch):
        first = scene.shines(view)[0], reference.shines, scene.field.doubt
        against = sheen([first, *(seen.looks if seen else ())], limits=limits)
    bare = judged & view.judged & ~_taken(outcomes, view)
    if not view.scaled or not bare.any():
        return [against]
    maps = [shine_map(view, bare, flats=scene.flats)]
    for other, flats in seen.lit if seen else ():
        both = bare & other.judged
        if both.any():
            maps.append(shine_map(other, both, flats=flats))
    within = sheen_spots(
        maps, shape=view.judged.shape, pale=_pale(job), limits=limits, airbag=airbag
    )
    # What fails is told first.
    return [within, against] if within.verdict == "fail" else [against, within]


def _pale(job: Job) -> bool:
    """Whether a pale grey or white may lie beneath; so it may where nothing beneath is named."""
    return not job.under or any(
        under.lab[0] >= _PALE_FROM_L and np.hypot(*under.lab[1:]) <= _PALE_CHROMA
        for under in job.under
    )


def _taken(outcomes: Sequence[Outcome], view: RegionView) -> Mask:
    """Pixels of what was found, and those beside them."""
    found = np.zeros(view.judged.shape, np.uint8)
    for outcome in outcomes:
        if outcome.labels is not None:
            found |= (outcome.labels > 0).astype(np.uint8)
    return grown(found, _CLEAR_MM, mm_per_px=view.mm_per_px)
