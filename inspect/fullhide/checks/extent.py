"""How far a spot reaches: its outline, and its area at any level, the photo's blur taken out."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Extent", "extent_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Pixels of a spot's top that its height is first taken from (our own choice).
_TOP_PX = 12
_QUARTERS = 2.0 * NormalDist().inv_cdf(0.75)

#: Standard deviation of a pixel's own square; a width is never taken back below this part.
_PIXEL_SD = 0.29
_NARROWEST = 0.8


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
    half_area_px
        Area at half the share, the blur's widening of a narrow spot taken back.
    edge_px
        Standard deviation of the spot's own edge, as if it were an edge blurred by a Gaussian;
        0 for a hard edge.
    seen_px
        The same as seen, with the blur.
    kept
        `half_area_px` over the area of `mask`: below 1 where blur made a narrow spot wider.
    """

    mask: Mask
    window: tuple[slice, slice]
    halo: Mask
    share: float
    half_area_px: float
    edge_px: float
    seen_px: float = 0.0
    kept: float = 1.0

    def _reach_px(self, level: float, height: float) -> float:
        """How far beyond its half-way line a spot's share is at least `level`."""
        part = min(max(level / height, 1e-3), 1 - 1e-3)
        return -NormalDist().inv_cdf(part) * self.edge_px

    def outline(self, share: Array, level: float, *, free: Mask, doubt: float = 0.0) -> Mask:
        """Where the spot's own share, without the blur, may be at least `level`; bool, its window.

        Parameters
        ----------
        share, free
            The maps that the spot was found in, (H, W).
        level
            Share; at or above the spot's own it is the half-way line that counts.
        doubt
            Part by which any share in the map may truly be higher.
        """
        sure = 1.0 - doubt
        part = 0.5
        if level * sure < self.share and self.seen_px > 0:
            # The blurred edge has this height where the spot's own edge has the level.
            reach_px = self._reach_px(level * sure, self.share)
            part = NormalDist().cdf(-reach_px / self.seen_px)
        local = np.minimum(share[self.window], np.float32(1.0))
        may = local >= min(part, 0.5 * sure) * self.share
        return self.mask | _connected(may & free[self.window], self.mask)

    def area_px(self, level: float, *, share: float | None = None) -> float:
        """Area where the share is at least `level`, for a spot of the given or own share."""
        height = self.share if share is None else share
        if height <= 0 or level >= height:
            return 0.0
        reach = self._reach_px(level, height)
        radius = np.sqrt(self.half_area_px / np.pi)
        return float(np.pi * max(radius + reach, 0.0) ** 2)


def extent_of(
    share: Array, seed: Mask, place: tuple[slice, slice], *, free: Mask, blur_px: float
) -> Extent:
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
        body = _connected((local >= 0.5 * height) & room, core)
        if not body.any():
            break
        inner = cv2.erode(body.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        height = float(np.mean(local[inner]) if inner.sum() >= 4 else np.quantile(local[body], 0.7))
    body = _connected((local >= 0.5 * height) & room, core)
    half = float(body.sum())
    sharpened = half * _sharpening(body, blur_px)
    wide = float(_connected((local >= 0.25 * height) & room, body).sum()) if half else 0.0
    narrow = float((body & (local >= 0.75 * height)).sum())
    seen = (np.sqrt(wide / np.pi) - np.sqrt(narrow / np.pi)) / _QUARTERS
    edge = float(np.sqrt(max(0.0, seen**2 - blur_px**2)))
    fringe = _connected((local >= 0.125 * height) & room, body) if half else body
    # No farther than blur carries it: a neighbour's spot may begin there.
    near = 2 * int(3 + 2 * blur_px) + 1
    around = cv2.dilate(body.astype(np.uint8), np.ones((near, near), np.uint8)).astype(bool)
    halo = cv2.dilate((fringe & around).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    halo |= body
    return Extent(
        mask=body,
        window=window,
        halo=halo,
        share=height,
        half_area_px=sharpened,
        kept=sharpened / half if half else 1.0,
        edge_px=edge,
        seen_px=float(seen),
    )


def _sharpening(body: Mask, blur_px: float) -> float:
    """Area of a blurred spot before the blur, over its area at half height.

    The full width at half height of a Gaussian is 2.355 standard deviations. That of a strip
    blurred by it is about the root of the sum of cubes: 1.25 widths of a strip as wide as the
    Gaussian (from the error function), one width of a strip far wider.
    """
    if not body.any():
        return 1.0
    framed = np.pad(body.astype(np.uint8), 1)
    width = max(1.0, 2.0 * float(cv2.distanceTransform(framed, cv2.DIST_L2, 5).max()) - 1.0)
    length = max(width, float(body.sum()) / width)
    blur = 2.355 * float(np.hypot(blur_px, _PIXEL_SD))
    part = 1.0
    for side in (width, length):
        part *= max(1.0 - (blur / side) ** 3, _NARROWEST**3) ** (1.0 / 3.0)
    return part


def _connected(mask: Mask, seed: Mask) -> Mask:
    """Parts of a mask that touch the seed."""
    _, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    kept = np.unique(labels[seed & mask])
    return np.isin(labels, kept[kept > 0])
