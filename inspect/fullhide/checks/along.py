"""From where to where along a seam a gap reaches."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.extent import Extent, connected

__all__ = ["along_seam"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: A gap ends where less than this shows across it, mm; how many times fainter stretches are joined
#: to it (our own choices).
_ACROSS_MM, _FAINTER = 0.5, 2


def along_seam(
    extent: Extent, share: Array, level: float, *, free: Mask, mm_per_px: float
) -> tuple[float, float]:
    """Begin and end of the stretch of which at least `level` shows, mm from the view's left.

    Beside a plain gap a fainter one is part of it, each to half of its own height.

    Parameters
    ----------
    extent
        The gap's plainest part.
    share, free
        Share beneath, and the pixels that count, (H, W); x runs along the seam.
    level
        Share at the limit.
    mm_per_px
        Of the map.
    """
    local, room = np.minimum(share[extent.window], np.float32(1.0)), free[extent.window]
    side = max(2, round(_ACROSS_MM / mm_per_px))
    gap = extent.outline(share, level, free=free)
    for _ in range(_FAINTER):
        more = _farther(local, gap, (local >= level) & room, side, fringe_px=extent.seen_px)
        if more is None:
            break
        gap = more
    columns = np.nonzero((_wide(gap, side) | extent.mask).any(axis=0))[0]
    left = extent.window[1].start
    return float(left + columns.min()) * mm_per_px, float(left + columns.max() + 1) * mm_per_px


def _farther(local: Array, gap: Mask, may: Mask, side: int, *, fringe_px: float) -> Mask | None:
    """A gap with what hangs together with it beyond its own fringe; None if nothing does."""
    fringe = 2 * int(np.ceil(2.0 * fringe_px)) + 1
    known = cv2.dilate(gap.astype(np.uint8), np.ones((fringe, fringe), np.uint8)) > 0
    beyond = _wide(may & ~known, side)
    if not beyond.any():
        return None
    high = local >= 0.5 * np.quantile(local[beyond], 0.75)
    whole = connected(_wide((may & high) | gap, side) | gap, gap)
    return whole if (whole & ~gap).any() else None


def _wide(mask: Mask, side: int) -> Mask:
    """Parts of a mask that a square fits into."""
    kernel = np.ones((side, side), np.uint8)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)
