"""Leather grain as a periodic tile of slopes and creases, made once and laid anywhere.

The tile is a cellular (Worley) pattern on a jittered grid, bent by smooth noise, domed and
wrinkled.  It is our own picture of grain, not a measured one; sizes and depths are in
millimetres so that the scale of a photo matters.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["GRAINS", "GrainTile", "grain_tile"]

F32 = NDArray[np.float32]

#: Kind -> pebble size in mm, height in mm, depth of crease shading, wrinkle height in mm.
GRAINS: dict[str, tuple[float, float, float, float]] = {
    "coarse": (2.4, 0.30, 0.30, 0.030),
    "fine": (1.1, 0.10, 0.22, 0.016),
    "smooth": (0.7, 0.018, 0.06, 0.010),
}
_CELLS, _TEXELS = 64, 16  # cells across the tile, texels across a cell


@dataclass(frozen=True, slots=True)
class GrainTile:
    """A periodic square of grain.

    Attributes
    ----------
    texel_mm
        Size of one texel after the filtering for the photo's scale.
    maps
        float32, (N, N, 3): slope to the right, slope downwards (dz/dx, dz/dy), occlusion
        in creases (0 on top to 1 in the bottom).
    lost_slope2
        Mean squared slope (per axis) that the filtering removed: grain finer than a
        pixel, which widens the highlight instead.
    """

    texel_mm: float
    maps: F32
    lost_slope2: float


@lru_cache(maxsize=8)
def grain_tile(kind: str, seed: int, mm_per_px: float) -> GrainTile:
    """The tile of a grain kind, filtered for pixels of `mm_per_px`."""
    size_mm, height_mm, crease, wrinkle_mm = GRAINS[kind]
    height, depth = _heights(seed)
    rng = np.random.default_rng([seed, 2])
    n = height.shape[0]
    wrinkles = _noise(rng, n, 5.0) + np.float32(0.35) * _noise(rng, n, 1.8)
    height = np.asarray(height_mm * height + wrinkle_mm * wrinkles, dtype=np.float32)
    texel = size_mm / _TEXELS
    gx = (np.roll(height, -1, 1) - np.roll(height, 1, 1)) / np.float32(2 * texel)
    gy = (np.roll(height, -1, 0) - np.roll(height, 1, 0)) / np.float32(2 * texel)
    maps = np.dstack([gx, gy, np.float32(crease) * depth]).astype(np.float32)
    before = float(np.mean(gx * gx + gy * gy)) / 2
    # A pixel averages what falls on it: a box of one pixel is close to this Gaussian.
    sigma = 0.35 * mm_per_px / texel
    if sigma > 0.3:
        maps = _wrapped_blur(maps, sigma)
    after = float(np.mean(maps[..., 0] ** 2 + maps[..., 1] ** 2)) / 2
    maps.setflags(write=False)
    return GrainTile(texel, maps, max(0.0, before - after))


@lru_cache(maxsize=4)
def _heights(seed: int) -> tuple[F32, F32]:
    """Height of the pebbles, 0 to about 1, and how deep in a crease, 0 to 1."""
    n = _CELLS * _TEXELS
    rng = np.random.default_rng([seed, 1])
    bend = 0.9 * _TEXELS / 3.0
    y, x = np.mgrid[0:n, 0:n].astype(np.float32)
    x = x + np.float32(bend) * _noise(rng, n, _TEXELS * 0.55)
    y = y + np.float32(bend) * _noise(rng, n, _TEXELS * 0.55)
    first, second, which = _two_nearest(rng, x / _TEXELS, y / _TEXELS)
    gap = second - first
    valley = np.exp(-((gap / np.float32(0.16)) ** 2))
    dome = np.float32(1.0) - np.float32(0.55) * first * first
    # Pebbles stand at different heights, and creases run deep here and shallow there.
    tall = np.float32(0.75) + np.float32(0.5) * rng.random(which.max() + 1, dtype=np.float32)
    deep = np.clip(0.65 + 0.45 * _noise(rng, n, _TEXELS * 2.5), 0.1, 1.4).astype(np.float32)
    valley = valley * deep
    height = (tall[which] * dome * (np.float32(1) - np.float32(0.8) * valley)).astype(np.float32)
    height = _wrapped_blur(height, 1.3)
    valley = np.clip(_wrapped_blur(valley, 1.3), 0.0, 1.0)
    return height, valley


def _two_nearest(rng: np.random.Generator, x: F32, y: F32) -> tuple[F32, F32, NDArray[np.int32]]:
    """Distances to the nearest and second nearest cell centre, and the nearest's number."""
    jitter = (0.5 + 0.42 * (2 * rng.random((_CELLS, _CELLS, 2)) - 1)).astype(np.float32)
    cx, cy = np.floor(x).astype(np.int32), np.floor(y).astype(np.int32)
    fx, fy = x - cx, y - cy
    first = np.full(x.shape, 9.0, np.float32)
    second = first.copy()
    which = np.zeros(x.shape, np.int32)
    for oy in (-1, 0, 1):
        for ox in (-1, 0, 1):
            number = ((cy + oy) % _CELLS) * _CELLS + (cx + ox) % _CELLS
            dx = jitter[..., 0].ravel()[number] + np.float32(ox) - fx
            dy = jitter[..., 1].ravel()[number] + np.float32(oy) - fy
            # Skin is stretched one way: cells a little longer than wide.
            d = np.sqrt(dx * dx + np.float32(1.25) * dy * dy)
            nearer = d < first
            second = np.where(nearer, first, np.minimum(second, d))
            which = np.where(nearer, number, which)
            first = np.minimum(first, d)
    return first, second, which


def _noise(rng: np.random.Generator, n: int, sigma: float) -> F32:
    """Periodic smooth noise of unit variance."""
    # Far coarser than a texel: make it small and enlarge it.
    step = max(1, int(sigma // 3))
    while n % step:
        step -= 1
    small = rng.standard_normal((n // step, n // step), dtype=np.float32)
    small = _wrapped_blur(small, sigma / step)
    small /= small.std()
    if step == 1:
        return small
    pad = 2
    wide = cv2.copyMakeBorder(small, pad, pad, pad, pad, cv2.BORDER_WRAP)
    big = cv2.resize(wide, None, fx=step, fy=step, interpolation=cv2.INTER_CUBIC)
    return np.ascontiguousarray(big[pad * step :, pad * step :][:n, :n])


def _wrapped_blur(image: F32, sigma: float) -> F32:
    pad = int(4 * sigma) + 2
    n = image.shape[0]
    pad = min(pad, n)
    wide = cv2.copyMakeBorder(image, pad, pad, pad, pad, cv2.BORDER_WRAP)
    blurred = cv2.GaussianBlur(wide, (0, 0), sigma)
    return np.ascontiguousarray(blurred[pad : pad + n, pad : pad + n]).astype(
        np.float32, copy=False
    )
