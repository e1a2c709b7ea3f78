"""What a retake asks for: the places to look at, and the photos that would settle it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fullhide import wording
from fullhide.checks.outcome import Outcome
from fullhide.findings import Box, unseen_boxes
from fullhide.quality import FLAGS, blocking
from fullhide.region import RegionView

__all__ = ["Asked", "asked"]

#: A further photo is asked for from at least this much nearer, and no nearer than a telephone's
#: lens and a steady hand allow, mm a pixel (our own choices).
_NEARER, _NEAREST_MM = 0.5, 0.04
#: Of the nearness that noise alone would ask for (our own allowance).
_SURE = 0.65
#: Part of a seam lies in the dark that gets, over so many mm across, less than this of the light on
#: the rest of it (our own choices).
_ACROSS_MM, _DARK = 1.0, 0.6
#: Doubts that a nearer photo in better light settles.
_NEARER_SETTLES = ("colours_inseparable", "grain_hides")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Sentences; how near the next photo has to be, mm a pixel; boxes that could hide a spot."""

    reasons: tuple[str, ...] = ()
    mm_per_px: float | None = None
    unseen: tuple[Box, ...] = ()


def asked(
    outcomes: Sequence[Outcome],
    view: RegionView,
    *,
    doubts: Sequence[str],
    flags: Sequence[str],
    mm_per_px: float | None,
    longer_px: int,
    looks: int,
    airbag: bool,
) -> Asked:
    """Say what would settle a retake.

    Parameters
    ----------
    outcomes, view
        The region's checks.
    doubts
        Flags that led to the retake.
    flags
        All of the region's.
    mm_per_px, longer_px
        The photo's scale, None if unknown, and its longer side.
    looks
        Photos that the region was judged from.
    airbag
        Whether the region may hold an airbag, so that no work on it is advised.
    """
    boxes, along = unseen_boxes(outcomes, view)
    reasons = []
    if boxes:
        stretch = along if mm_per_px is not None else None
        reasons.append(wording.unseen_reason(len(boxes), stretch, airbag=airbag))
    helps = _light_helps(outcomes, flags)
    near = _nearer(outcomes, mm_per_px) if helps and mm_per_px is not None else None
    told = doubts if near is None else [name for name in doubts if name not in _NEARER_SETTLES]
    reasons.extend(wording.flag_reasons(told))
    if near is not None:
        why = [FLAGS[name].says for name in _NEARER_SETTLES if name in doubts]
        dark = not airbag and _in_the_dark(view)  # nobody is to pull at an airbag's seam
        how = wording.nearer_reason(near, longer_px, places=bool(boxes), dark=dark)
        reasons.append(": ".join([*why[:1], how]))
    elif helps and looks == 1:
        reasons.append(wording.SECOND_PHOTO)
    return Asked(reasons=tuple(reasons), mm_per_px=near, unseen=boxes)


def _light_helps(outcomes: Sequence[Outcome], flags: Sequence[str]) -> bool:
    """Whether another photo, nearer or the lamp moved, could settle what this one leaves open."""
    show = [o for o in outcomes if o.check == "show_through"]
    if blocking(flags, "show_through") or not any(o.measures for o in show):
        return False
    return "clipped" in flags or any(o.verdict == "retake" for o in show)


def _in_the_dark(view: RegionView) -> bool:
    """Whether a seam has a part along it that gets far less light than the rest."""
    if not view.is_seam:
        return False
    counts = view.judged.sum(axis=1)
    well = counts > 0.5 * counts.max()
    light = np.where(view.judged, view.xyz[..., 1], np.float32(0.0)).sum(axis=1)
    rows = light[well] / counts[well]
    across = max(1, round(_ACROSS_MM / view.mm_per_px))
    if len(rows) < 3 * across:
        return False
    dark = np.convolve(rows, np.ones(across) / across, "valid").min()
    return bool(dark < _DARK * np.median(rows))


def _nearer(outcomes: Sequence[Outcome], mm_per_px: float) -> float | None:
    """How near the next photo has to be, mm a pixel; None where nearness is not the matter."""
    rooms = [o.headroom for o in outcomes if o.check == "show_through" and o.headroom is not None]
    if not rooms or mm_per_px <= _NEAREST_MM:
        return None
    return max(mm_per_px * min(_NEARER, _SURE * min(rooms)), _NEAREST_MM)
