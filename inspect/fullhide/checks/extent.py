"""How far a spot reaches: its outline, and its area at any level, the photo's blur taken out."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.blurred import MIDDLE, Flat, unblurred

__all__ = ["Extent", "connected", "extent_of", "height_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]

#: Pixels of a spot's top that its height is first taken from (our own choice).
_TOP_PX = 12

#: Standard deviation of a pixel's own square.
_PIXEL_SD = 0.29
#: An edge counts as soft in full from this part above the blur on, and less below it: as much is
#: noise of the edge's own width (our own choice).
_SOFTER = 0.2
#: A soft spot taken for a flat one, blurred, is at most so strong (our own choice).
_STRONGEST = 2.0
#: A spot is drawn this many times finer to measure it, in up to so many pixels (our own choice).
_FINER, _LARGE = 3, 40_000
#: Levels about a level that its outline's length is taken from, over it (our own choice).
_BAND = 0.4
#: Where the middle of a spot begins, over its greatest depth.
_INNERMOST = 1.0 - MIDDLE


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """A spot without the blur: a flat one whose edges are as soft as its own.

    `beside` is what the spot's area as seen is beside that of the flat one as blurred, at some
    levels: its outline may be no strip's.
    """

    flat: Flat
    share: float
    edge: float
    beside: tuple[tuple[float, float], ...]

    def area(self, level: float, share: float) -> float:
        """Area where the share is at least `level`, of the spot at the given share."""
        if min(share, self.share) <= 0 or level >= share:
            return 0.0
        at = level / share * self.share
        levels, more = zip(*self.beside, strict=True)
        return max(0.0, self.flat.area_at(at, self.edge) + float(np.interp(at, levels, more)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Extent:
    """A spot's outline.

    Attributes
    ----------
    mask, window
        Pixels at half the spot's share or more, in a window of the map.
    halo
        The mask and the fringe around it, down to an eighth of the share, as far as blur carries.
    share
        Mean share over the spot's inner part.
    half_area_px, rim_px
        Area at half the spot's own share, and the length of its outline, without the blur.
    edge_px
        Standard deviation of the spot's own edge, as if it were an edge blurred by a Gaussian;
        0 for a hard edge.
    seen_px
        The same as seen, with the blur.
    kept
        What blur left of the height of the middle of a narrow, hard spot.
    own
        The spot without the blur.
    """

    mask: Mask
    window: Window
    halo: Mask
    share: float
    half_area_px: float
    rim_px: float
    edge_px: float
    seen_px: float = 0.0
    kept: float = 1.0
    own: Own = field(repr=False)

    def _reach_px(self, level: float, height: float) -> float:
        """How far beyond its half-way line a spot's share is at least `level`."""
        part = min(max(level / height, 1e-3), 1 - 1e-3)
        return -NormalDist().inv_cdf(part) * self.edge_px

    def outline(
        self, share: Array, level: float, *, free: Mask, doubt: float = 0.0, beyond_px: float = 0.0
    ) -> Mask:
        """Where the spot's own share, without the blur, may be at least `level`; bool, its window.

        Parameters
        ----------
        share, free
            The maps that the spot was found in, (H, W).
        level
            Share; at or above the spot's own it is the half-way line that counts.
        doubt
            Part by which any share in the map may truly be higher.
        beyond_px
            So far out the outline may truly lie.
        """
        sure = 1.0 - doubt
        part = 0.5
        if self.seen_px > 0:
            # The blurred edge has this height where the spot's own edge has the level.
            reach_px = beyond_px
            if level * sure < self.share:
                reach_px += self._reach_px(level * sure, self.share)
            part = NormalDist().cdf(-reach_px / self.seen_px)
        local = np.minimum(share[self.window], np.float32(1.0))
        may = local >= min(part, 0.5 * sure) * self.share
        return self.mask | connected(may & free[self.window], self.mask)

    def area_px(self, level: float, *, share: float | None = None) -> float:
        """Area where the share is at least `level`, for a spot of the given or own share."""
        return self.own.area(level, self.own.share if share is None else share)


def extent_of(share: Array, seed: Mask, place: Window, *, free: Mask, blur_px: float) -> Extent:
    """Grow a spot from its seed to half its height.

    Parameters
    ----------
    share
        Share beneath, (H, W).
    seed, place
        Pixels that stand out, in a window of the map.
    free
        Pixels that may belong to the spot, (H, W).
    blur_px
        Standard deviation of the photo's and the map's blur together.
    """
    local, room, body, height, window = _grown(share, seed, place, free, blur_px)
    # No farther than blur carries it: a neighbour's spot may begin there.
    near = 2 * int(3 + 2 * blur_px) + 1
    around = cv2.dilate(body.astype(np.uint8), np.ones((near, near), np.uint8)).astype(bool)
    fringe = connected((local >= 0.125 * height) & room, body) if body.any() else body
    halo = cv2.dilate((fringe & around).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    own, seen, kept = _before_blur(local, body, around & room, height, blur_px)
    return Extent(
        mask=body,
        window=window,
        halo=halo | body,
        share=height,
        half_area_px=own.area(0.5, 1.0),
        rim_px=own.flat.perimeter,
        kept=kept,
        edge_px=own.edge,
        seen_px=seen,
        own=own,
    )


def height_of(
    share: Array, seed: Mask, place: Window, *, free: Mask, blur_px: float
) -> tuple[float, Window]:
    """The `share` and `window` of the extent alone, see `extent_of`."""
    _, _, _, height, window = _grown(share, seed, place, free, blur_px)
    return height, window


def _grown(
    share: Array, seed: Mask, place: Window, free: Mask, blur_px: float
) -> tuple[Array, Mask, Mask, float, Window]:
    """The map and what is free about a seed, the spot's pixels there, its share, the window."""
    pad = int(6 + 2 * max(seed.shape) + 4 * blur_px)
    top, left = max(0, place[0].start - pad), max(0, place[1].start - pad)
    window = (
        slice(top, min(share.shape[0], place[0].stop + pad)),
        slice(left, min(share.shape[1], place[1].stop + pad)),
    )
    # No share is over 1; where the ground is dark, noise and shine say otherwise.
    local, room = np.minimum(share[window], np.float32(1.0)), free[window]
    core = np.zeros(local.shape, bool)
    core[
        place[0].start - top : place[0].stop - top, place[1].start - left : place[1].stop - left
    ] = seed
    if (core & room).any():
        core &= room
    # From the top down: a strong spot's seed reaches far beyond the spot.
    values = np.sort(local[core])[::-1]
    height = float(values[: max(4, min(len(values) // 4, _TOP_PX))].mean())
    for _ in range(2):
        body = connected((local >= 0.5 * height) & room, core)
        if not body.any():
            break
        inner = cv2.erode(body.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        height = float(np.mean(local[inner]) if inner.sum() >= 4 else np.quantile(local[body], 0.7))
    body = connected((local >= 0.5 * height) & room, core)
    return local, room, body, height, window


def _before_blur(
    local: Array, body: Mask, room: Mask, height: float, blur_px: float
) -> tuple[Own, float, float]:
    """The spot without the blur, its edge as seen, and what blur left of its height."""
    blur = float(np.hypot(blur_px, _PIXEL_SD))
    levels = (0.25 * height, 0.5 * height, 0.75 * height)
    if not body.any() or height <= 0:
        none = Flat(0.0, 0.0, max(height, 0.0))
        return Own(flat=none, share=none.share, edge=0.0, beside=((0.0, 0.0),)), blur, 1.0
    measured = [_inside(local, body, room, level) for level in levels]
    areas, (_, rim, middle) = [each[0] for each in measured], measured[1]
    flat = unblurred(areas[1], rim, level=levels[1], middle=middle, blur=blur)
    # How far the levels lie apart, over how far they would if the spot were hard.
    hard = flat.area_at(levels[0], blur) - flat.area_at(levels[2], blur)
    wider = (areas[0] - areas[2]) / hard if hard > 0 else 1.0
    if wider <= 1.0:
        kept = flat.peak(blur, within=MIDDLE * flat.half_width) / flat.share
        return Own(flat=flat, share=flat.share, edge=0.0, beside=((0.0, 0.0),)), blur, kept
    edge = blur * min((wider - 1.0) / _SOFTER, 1.0) * float(np.sqrt(wider**2 - 1.0))
    seen = float(np.hypot(edge, blur))
    flat = unblurred(areas[1], rim, level=levels[1], middle=middle, blur=seen, most=_STRONGEST)
    inner = MIDDLE * flat.half_width
    share = middle * flat.peak(edge, within=inner) / flat.peak(seen, within=inner)
    # The softer the edge beside the blur, the nearer is what is seen to the spot itself.
    part = (edge / seen) ** 2
    beside = tuple(
        (level, part * (area - flat.area_at(level, seen)))
        for level, area in zip(levels, areas, strict=True)
    )
    return Own(flat=flat, share=share, edge=edge, beside=beside), seen, 1.0


def _inside(local: Array, body: Mask, room: Mask, level: float) -> tuple[float, float, float]:
    """Area inside a level, the length of its outline and the share in its middle.

    To a part of a pixel. The length is the weighted mean of that of the levels about it: the slope
    summed between them (coarea formula).
    """
    own = connected((local >= level) & room, body)
    own |= cv2.dilate(body.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & room
    rows, columns = np.nonzero(own.any(axis=1))[0], np.nonzero(own.any(axis=0))[0]
    cut = (
        slice(max(0, rows[0] - 3), rows[-1] + 4),
        slice(max(0, columns[0] - 3), columns[-1] + 4),
    )
    values, inside = local[cut], own[cut].astype(np.uint8)
    fine = _FINER if values.size < _LARGE else 1
    if fine > 1:
        size = (values.shape[1] * fine, values.shape[0] * fine)
        values = cast(Array, cv2.resize(values, size, interpolation=cv2.INTER_CUBIC))
        mine = cv2.resize(inside, size, interpolation=cv2.INTER_NEAREST) > 0
    else:
        mine = inside > 0
    across = cv2.Scharr(values, cv2.CV_32F, 1, 0, scale=1.0 / 32.0)
    down = cv2.Scharr(values, cv2.CV_32F, 0, 1, scale=1.0 / 32.0)
    slope, over = np.hypot(across, down)[mine], values[mine] - np.float32(level)
    # A cell on the line counts by how much of it lies inside.
    part = np.clip(over / np.maximum(slope, np.float32(1e-9)) + np.float32(0.5), 0.0, 1.0)
    band = np.float32(_BAND * level)
    weight = np.maximum(np.float32(1.0) - np.abs(over) / band, np.float32(0.0))
    rim = float((weight * slope).sum(dtype=np.float64)) / float(band)
    inner = np.pad((values >= level) & mine, 1).astype(np.uint8)
    depth = cv2.distanceTransform(inner, cv2.DIST_L2, 5)[1:-1, 1:-1]
    middle = float(values[mine & (depth >= _INNERMOST * float(depth.max()))].mean())
    return float(part.sum(dtype=np.float64)) / fine**2, rim / fine, middle


def connected(mask: Mask, seed: Mask) -> Mask:
    """Parts of a mask that touch the seed."""
    _, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    kept = np.unique(labels[seed & mask])
    return np.isin(labels, kept[kept > 0])
