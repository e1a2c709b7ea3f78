"""Thread that the shop declared: where it lies in a seam, and the seam seen without it."""

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
from fullhide.region import grown

__all__ = ["without_thread"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: So far beside thread its holes and their shade lie, mm (common practice, no source).
_HOLE_MM = 0.6
#: Thread covers more than this of its pixels (our own choice).
_PLAINLY = 0.25
_SQUARE = np.ones((2, 2), np.uint8)
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
        As `levels` makes them, of the surface beside thread only, on a background that does not
        know it: what could hide between stitches is not a matter of the stitches' own
        play of colour. Under them nothing can be seen, by eye neither.
    """
    thread = _sewn(look)
    if not thread.any() or _left(look, thread) < _LEFT:
        return ()
    # Its holes and their shade, by a background that the thread itself has not spoilt.
    near = grown(thread, _HOLE_MM, mm_per_px=look.view.mm_per_px)
    # Half a spot of the limit, and no more of one, could lie in the rim that is left out with it.
    rim = float(np.sqrt(look.limits.show_through_mm2 / np.pi))
    first = _beside(look, grown(thread, rim / 2.0, mm_per_px=look.view.mm_per_px))
    holes = _explained(first, near & first.ground.judged, ~near, ())
    holes = cv2.morphologyEx(holes.astype(np.uint8), cv2.MORPH_OPEN, _SQUARE) > 0
    out_of_sight = grown(thread | holes, rim, mm_per_px=look.view.mm_per_px)
    if _left(look, out_of_sight) < _LEFT:
        return ()
    last = _beside(look, out_of_sight)
    view, ground = last.view, last.ground
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


def _sewn(look: Look) -> Mask:
    """Pixels (H, W) of a seam that are plainly declared thread.

    Nothing that a colour beneath explains is among them. Thread of nearly such a colour is none.
    """
    threads = unlike_threads(look)
    if not threads or not look.pairs or not look.view.is_seam:
        return np.zeros(look.ground.judged.shape, bool)
    plain = _explained(look, look.ground.judged, ~look.ground.bare, threads)
    return cv2.morphologyEx(plain.astype(np.uint8), cv2.MORPH_OPEN, _SQUARE) > 0


def _left(look: Look, thread: Mask) -> float:
    """Share of the judged pixels beside thread."""
    return float((look.view.judged & ~thread).sum()) / max(1, int(look.view.judged.sum()))


def _beside(look: Look, thread: Mask) -> Look:
    """The look at what lies beside thread."""
    view = replace(look.view, judged=look.view.judged & ~thread)
    beneath = [pair.under for pair in look.pairs]
    return replace(look, view=view, ground=background(view, beneath=beneath))


def _explained(look: Look, where: Mask, calm: Mask, threads: Sequence[Vector]) -> Mask:
    """Pixels that stand out and are no colour beneath; of `threads`, if any are given."""
    found = np.zeros(where.shape, bool)
    fine, _ = fine_ratio(look)
    quiet = look.ground.judged & calm
    white = np.linalg.inv(covariance_of(fine, quiet if quiet.any() else look.ground.judged))
    off = cast(Array, (cv2.transform(fine, white.astype(np.float32)) * fine).sum(axis=-1))
    at = np.nonzero(where & (off > STANDS_OUT))
    if not at[0].size:
        return found
    own, other = costs(fine[at].astype(np.float64), look, threads, shading=THREAD_SHADING)
    least = own.min(axis=0)
    found[at] = least > REFUTED
    if threads:
        found[at] &= (other < PLAUSIBLE) & (other < CLEARLY * least)
        found &= _amount(fine, threads) > _PLAINLY
    return found


def _amount(fine: Array, threads: Sequence[Vector]) -> Array:
    """How much of a thread's change of colour a pixel shows, by least squares, of the most."""
    weights = np.stack([contrast / (contrast @ contrast) for contrast in threads])
    parts = cast(Array, cv2.transform(fine, weights.astype(np.float32)))
    return np.asarray(parts.reshape(*fine.shape[:2], -1).max(axis=-1), np.float32)
