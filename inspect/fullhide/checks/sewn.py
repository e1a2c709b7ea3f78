"""Thread and piping that the shop declared: where they lie, and the region seen without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import background
from fullhide.checks.explained import (
    CLEARLY,
    PLAUSIBLE,
    REFUTED,
    STANDS_OUT,
    THREAD_SHADING,
    Look,
    costs,
    fine_ratio,
    unlike_threads,
)
from fullhide.checks.levels import Level, covariance_of, levels
from fullhide.region import RegionView

__all__ = ["sewn", "without_thread"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: So far beside thread its holes and their shade lie, mm (common practice, no source); and so far
#: beside all of these the picture still blends them into the surface, mm (our own choice).
_HOLE_MM, _RIM_MM = 1.0, 0.3
#: Share of a place's surroundings between stitches that must be judged, and of the region that
#: must be left for it to be seen without them (our own choices).
_BETWEEN, _LEFT = 0.5, 0.5


def without_thread(look: Look) -> tuple[Level, ...]:
    """The region smoothed as if it had no thread; empty where none is plainly seen.

    Parameters
    ----------
    look
        The region as it is.

    Returns
    -------
    tuple of Level
        As `levels` makes them, of the surface beside thread and piping only, on a background that
        does not know them: what could hide between stitches is not a matter of the stitches' own
        play of colour. Under them nothing can be seen, by eye neither.
    """
    view = look.view
    thread = sewn(look)
    if not thread.any():
        return ()
    beside = view.judged & ~_grown(thread, _RIM_MM, view)
    if beside.sum() < _LEFT * view.judged.sum():
        return ()
    ground = background(replace(view, judged=beside), beneath=[pair.under for pair in look.pairs])
    return levels(
        ground.ratio,
        ground.weight,
        ground.judged,
        bare=ground.bare,
        mm_per_px=view.mm_per_px,
        limit_mm2=look.limits.show_through_mm2,
        seam=view.is_seam,
        blur_mm=look.blur_mm,
        coding=view.coding,
        whole=_BETWEEN,
    )


def sewn(look: Look) -> Mask:
    """Pixels (H, W) that are plainly declared thread, or its holes, shade and rims.

    Nothing that a colour beneath explains is among them. Thread of nearly such a colour is none.
    """
    ground = look.ground
    threads = unlike_threads(look)
    if not threads or not look.pairs:
        return np.zeros(ground.judged.shape, bool)
    fine, _ = fine_ratio(look)
    calm = ground.judged & ~ground.bare
    plain = _explained(fine, ground.judged, calm, threads, look)
    plain = cv2.morphologyEx(plain.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0
    if not plain.any():
        return np.asarray(plain)
    near = ground.judged & _grown(plain, _HOLE_MM, look.view)
    rest, _ = fine_ratio(look, np.where(plain, np.float32(0.0), ground.weight))
    return np.asarray(plain | _explained(rest, near & ~plain, calm & ~near, (), look))


def _explained(fine: Array, where: Mask, calm: Mask, threads: Sequence[Vector], look: Look) -> Mask:
    """Pixels that stand out and are no colour beneath; of `threads`, if any are given."""
    found = np.zeros(where.shape, bool)
    white = np.linalg.inv(covariance_of(fine, calm if calm.any() else where)).astype(np.float32)
    off = cast(Array, (cv2.transform(fine, white) * fine).sum(axis=-1))
    at = np.nonzero(where & (off > STANDS_OUT))
    if not at[0].size:
        return found
    own, other = costs(fine[at].astype(np.float64), look, threads, shading=THREAD_SHADING)
    least = own.min(axis=0)
    found[at] = least > REFUTED
    if threads:
        found[at] &= (other < PLAUSIBLE) & (other < CLEARLY * least)
    return found


def _grown(mask: Mask, by_mm: float, view: RegionView) -> Mask:
    width = 2 * int(np.ceil(by_mm / view.mm_per_px)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)
