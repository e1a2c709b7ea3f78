"""What a region looks like without spots: its finished colour, and the slow play of light on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50
from fullhide.region import RegionView

__all__ = ["Background", "background", "masked_blur"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Standard deviation of the smoothing that counts as slow, mm (our own choice: far wider than a
#: spot, narrower than a panel's roll).
SLOW_MM = 7.0
#: Seams: along and across.
ALONG_MM, ACROSS_MM = 9.0, 0.35
_COARSE_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Background:
    """The spot-free look of a region.

    Attributes
    ----------
    finish
        XYZ of the finished colour at the region's own middle brightness, (3,).
    ratio
        Pixel over background, less one, float32 (H, W, 3); 0 outside the judged pixels.
    level
        Background brightness over `finish`, float32 (H, W).
    judged
        Pixels that `ratio` holds for.
    """

    finish: Vector
    ratio: Array
    level: Array
    judged: Mask


def masked_blur(values: Array, weight: Array, sigma: tuple[float, float]) -> Array:
    """Gaussian mean of `values` over the pixels that `weight` admits.

    Parameters
    ----------
    values
        (H, W) or (H, W, 3), float32.
    weight
        (H, W), float32, 0 to 1.
    sigma
        Standard deviations along x and y, pixels.

    Returns
    -------
    ndarray
        Shape of `values`; 0 where nothing is admitted nearby.
    """
    spread = weight[..., None] if values.ndim == 3 else weight
    total = _blur(values * spread, sigma)
    mass = _blur(weight, sigma)
    mass = mass[..., None] if values.ndim == 3 else mass
    return cast(Array, np.divide(total, mass, out=np.zeros_like(total), where=mass > 1e-3))


def _blur(values: Array, sigma: tuple[float, float]) -> Array:
    """Gaussian blur; zero beyond the border, so that a mask's mass falls off there too."""
    if max(sigma) < 0.2:
        return values
    return cast(
        Array,
        cv2.GaussianBlur(
            values,
            (0, 0),
            sigmaX=max(sigma[0], 0.2),
            sigmaY=max(sigma[1], 0.2),
            borderType=cv2.BORDER_CONSTANT,
        ),
    )


def background(view: RegionView) -> Background:
    """Background of a panel or a straightened seam.

    Parameters
    ----------
    view
        The region; at least a few hundred judged pixels.

    Returns
    -------
    Background
        Panels: slow shading of the finished colour plus slow highlight of the light's colour,
        each non-negative, and a plane of drift of the light's colour. Seams: for every distance
        from the centre line its own colour, and shading that is slow along the seam.
    """
    return _seam(view) if view.is_seam else _panel(view)


def _panel(view: RegionView) -> Background:
    block = max(1, round(_COARSE_MM / view.mm_per_px))
    values, mass = _coarse(view.xyz, view.judged, block)
    good = mass > 0.5
    finish = _centre(values[good])
    sigma = SLOW_MM / (view.mm_per_px * block)
    slow = _robust_slow(values, mass, (sigma, sigma), finish)
    shading, shine, drift = _on_finish_and_light(slow, good, finish)
    smooth = shading[..., None] * finish.astype(np.float32) * (1.0 + drift)
    smooth += shine[..., None] * WHITE_D50.astype(np.float32)
    height, width = view.judged.shape
    smooth = _enlarged(smooth, block, (width, height))
    return _finished(view, smooth, finish)


def _coarse(xyz: Array, judged: Mask, block: int) -> tuple[Array, Array]:
    """Means over square blocks of the judged pixels, and the share judged."""
    weight = judged.astype(np.float32)
    if block == 1:
        return xyz, weight
    height, width = judged.shape
    size = (max(1, -(-width // block)), max(1, -(-height // block)))
    pad = (0, size[1] * block - height, 0, size[0] * block - width)
    total = cv2.copyMakeBorder(xyz * weight[..., None], *pad, cv2.BORDER_CONSTANT)
    weight = cast(Array, cv2.copyMakeBorder(weight, *pad, cv2.BORDER_CONSTANT))
    total = cv2.resize(total, size, interpolation=cv2.INTER_AREA)
    mass = cast(Array, cv2.resize(weight, size, interpolation=cv2.INTER_AREA))
    values = np.divide(
        total, mass[..., None], out=np.zeros_like(total), where=mass[..., None] > 1e-3
    )
    return values, mass


def _enlarged(coarse: Array, block: int, size: tuple[int, int]) -> Array:
    if block == 1:
        return coarse
    width, height = size
    large = cv2.resize(
        coarse, (coarse.shape[1] * block, coarse.shape[0] * block), interpolation=cv2.INTER_LINEAR
    )
    return cast(Array, large[:height, :width])


def _centre(values: Array) -> Vector:
    """Median colour, its three channels taken at one brightness."""
    rough = np.maximum(np.median(values, axis=0).astype(np.float64), 1e-5)
    bright = (values / rough.astype(np.float32)).mean(axis=1, keepdims=True)
    tint = np.median(values / np.maximum(bright, 1e-4), axis=0)
    return cast(Vector, np.maximum(tint.astype(np.float64) * float(np.median(bright)), 1e-5))


def _robust_slow(values: Array, mass: Array, sigma: tuple[float, float], finish: Vector) -> Array:
    """Slow part of an image, spots left out by three rounds of clipping."""
    weight = mass.copy()
    slow = masked_blur(values, weight, sigma)
    for _ in range(3):
        relative = ((values - slow) / finish.astype(np.float32))[mass > 0.5]
        spread = 1.4826 * np.median(np.abs(relative), axis=0) + 1e-6
        distance = np.abs((values - slow) / finish.astype(np.float32)) / spread
        weight = np.where(distance.max(axis=-1) > 3.0, np.float32(0.02), np.float32(1.0)) * mass
        weight = weight.astype(np.float32)
        slow = masked_blur(values, weight, sigma)
        # Once more on what is left: without it the mean leans wherever the light has a slope
        # and the region an edge.
        slow = slow + masked_blur(values - slow, weight, sigma)
    return slow


def _on_finish_and_light(slow: Array, good: Mask, finish: Vector) -> tuple[Array, Array, Array]:
    """Shading, highlight and a plane of colour drift of a slow image.

    The highlight's zero is the level most of the region has: an even sheen is part of its colour.
    """
    light = WHITE_D50
    scale = (slow / finish.astype(np.float32)).astype(np.float32)
    bright = scale.mean(axis=-1)
    tint = scale / np.maximum(bright, 1e-4)[..., None] - 1.0
    ramp = _plane(tint, good)
    # Direction in tint that a little highlight moves: towards the light's own colour.
    toward = light / finish
    toward = toward / toward.mean() - 1.0
    length = float(toward @ toward)
    if length < 1e-3:  # a neutral finish: shine cannot be told from shading, nor need it be
        return bright, np.zeros_like(bright), ramp
    along = ((tint - ramp) @ (toward / length).astype(np.float32)).astype(np.float32)
    along = np.clip(along, 0.0, 0.5) * (bright > 0)
    # bright * (1 + along*toward) = shading + k * light/finish
    k = along * bright / np.float32((light / finish).mean())
    return bright * (1.0 - along), k.astype(np.float32), ramp


def _plane(values: Array, good: Mask) -> Array:
    """Robust plane through each channel of an image, as an image."""
    rows, columns = np.indices(good.shape, dtype=np.float32)
    rows = rows / max(1, good.shape[0] - 1) - 0.5
    columns = columns / max(1, good.shape[1] - 1) - 0.5
    design = np.stack([np.ones_like(rows), columns, rows], axis=-1)
    a, y = design[good], values[good]
    keep = np.ones(len(a), bool)
    fit = np.zeros((3, y.shape[1]), np.float32)
    for _ in range(4):
        if keep.sum() < 12:
            break
        fit = np.linalg.lstsq(a[keep], y[keep], rcond=None)[0].astype(np.float32)
        left = np.abs(y - a @ fit)
        keep = (left <= 2.5 * (1.4826 * np.median(left, axis=0) + 1e-6)).all(axis=1)
    return cast(Array, (design @ fit).astype(np.float32))


def _seam(view: RegionView) -> Background:
    values, mass = view.xyz, view.judged.astype(np.float32)
    finish = _centre(values[view.judged])
    sigma = (ALONG_MM / view.mm_per_px, ACROSS_MM / view.mm_per_px)
    slow = _robust_slow(values, mass, sigma, finish)
    bright = (slow / finish.astype(np.float32)).mean(axis=-1)
    tint = slow / finish.astype(np.float32) / np.maximum(bright, 1e-4)[..., None]
    row_tint = np.ones((tint.shape[0], 1, 3), np.float32)
    for row in range(tint.shape[0]):
        there = view.judged[row]
        if there.sum() >= 8:
            row_tint[row, 0] = np.median(tint[row, there], axis=0)
    row_tint = _as_interreflection(row_tint, finish)
    smooth = bright[..., None] * row_tint * finish.astype(np.float32)
    return _finished(view, smooth, finish)


def _as_interreflection(row_tint: Array, finish: Vector) -> Array:
    """Keep of each row's tint what light bouncing in the valley can do.

    Each bounce multiplies the light by the surface's own colour, so that a valley's tint moves
    along the logarithm of the finish. Anything else there is colour that shows.
    """
    direction = np.log(finish / finish.mean())
    direction = direction - direction.mean()
    length = float(direction @ direction)
    if length < 1e-4:
        return np.ones_like(row_tint)
    logs = np.log(np.maximum(row_tint, 1e-3))
    strength = np.clip((logs @ direction) / length, -0.6, 1.5)
    bounced = np.exp(strength[..., None] * direction)
    return cast(Array, (bounced / bounced.mean(axis=-1, keepdims=True)).astype(np.float32))


def _finished(view: RegionView, smooth: Array, finish: Vector) -> Background:
    floor = np.float32(0.02) * finish.astype(np.float32)
    judged = view.judged & (smooth > floor).all(axis=-1)
    smooth = np.maximum(smooth, floor)
    ratio = view.xyz / smooth - np.float32(1.0)
    ratio *= judged[..., None]
    level = (smooth / finish.astype(np.float32)).mean(axis=-1)
    return Background(finish=finish, ratio=ratio, level=level, judged=judged)
