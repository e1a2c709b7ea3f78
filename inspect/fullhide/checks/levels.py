"""A region's ratios smoothed for spots of several sizes, and their joint covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.region import Patch
from fullhide.robust import covariance
from fullhide.smoothing import masked_blur, times
from fullhide.surface import Pair

__all__ = ["WHOLE", "Level", "covariance_of", "levels", "near", "sampled"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Gaussian of the filter over the radius of the spot it is made for (near the optimum for a disc).
KERNEL_OVER_RADIUS = 0.6
#: Share of a place's surroundings that must be judged (our own choice); the middle of a spot that
#: lies inside the outline has more.
WHOLE = 0.8
_SAMPLE = 10_000
_JOINT_SAMPLE = 6_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """A region's smoothed ratios at one spot size.

    Attributes
    ----------
    area_mm2
        The spot size the level is made for.
    step
        View pixels a pixel of this level.
    sigma_px, mm_per_px
        The smoothing in this level's pixels, and their size.
    ratio, judged
        Smoothed ratios (h, w, 3) and the pixels they hold for.
    covariance
        Of the smoothed ratios, spots left out, (3, 3).
    seam
        Whether x runs along a seam.
    calm
        Judged pixels that are plainly of no colour beneath: by these the clutter is told.
    wider
        The levels made for larger spots: what they see around a place tells its background.
    joint
        Covariance of this level's and the wider ones' ratios, (3n, 3n); None = of this level
        alone.
    coded
        The part of it that comes from the steps of the file's coding; None = none.
    blur_mm
        Standard deviation of the photo's own blur.
    """

    area_mm2: float
    step: int
    sigma_px: float
    mm_per_px: float
    ratio: Array
    judged: Mask
    covariance: Vector
    seam: bool
    calm: Mask
    wider: tuple[Level, ...] = ()
    joint: Vector | None = None
    coded: Vector | None = None
    blur_mm: float = 0.0

    def response(self, area_mm2: NDArray[np.float64] | float, *, blur_mm: float) -> Vector:
        """Part of its height that a disc reaches at its middle, on this and each wider level.

        A disc of radius r under a Gaussian reaches 1 - exp(-r²/2σ²).
        """
        sigmas = [level.sigma_px * level.mm_per_px for level in (self, *self.wider)]
        spread = np.square(sigmas) + blur_mm**2
        ratio = np.asarray(area_mm2, np.float64)[..., None] / (2.0 * np.pi * spread)
        return np.asarray(-np.expm1(-ratio), np.float64)

    def weights(self, pair: Pair) -> Vector:
        """Filter over this and the wider levels, (levels, 3), of unit noise."""
        template = np.outer(self.response(self.area_mm2, blur_mm=self.blur_mm), pair.contrast)
        joint = self.covariance if self.joint is None else self.joint
        found = np.linalg.solve(joint, template.ravel())
        return cast(Vector, (found / np.sqrt(template.ravel() @ found)).reshape(-1, 3))

    def height(
        self, pair: Pair, area_mm2: NDArray[np.float64] | float, *, blur_mm: float
    ) -> Vector:
        """Filter output at the middle of a disc of the bare colour beneath."""
        parts = self.weights(pair) @ pair.contrast
        return np.asarray(self.response(area_mm2, blur_mm=blur_mm) @ parts, np.float64)


def levels(
    ratio: Array,
    weight: Array,
    judged: Mask,
    *,
    bare: Mask | None = None,
    mm_per_px: float,
    limit_mm2: float,
    seam: bool,
    blur_mm: float = 0.0,
    coding: Sequence[Patch] = (),
    count: int = 3,
    whole: float = WHOLE,
) -> tuple[Level, ...]:
    """Smooth a region's ratios for spots of the limit's area and 4, 16, ... times that.

    Parameters
    ----------
    ratio, weight, judged
        As in `background.Background`.
    bare
        Pixels that are plainly of a colour beneath; None = none.
    mm_per_px
        Of the view.
    limit_mm2
        Smallest area that counts.
    seam
        Whether the view is a straightened seam.
    blur_mm
        Standard deviation of the photo's own blur.
    coding
        What a step of the file's coding does to the colour.
    count
        Number of levels.
    whole
        Share of a place's surroundings that must be judged.
    """
    made: list[Level] = []
    there = judged.astype(np.float32)
    spoilt = np.zeros_like(judged) if bare is None else bare
    radius_mm = float(np.sqrt(limit_mm2 / np.pi))
    step, area = 1, limit_mm2
    for _ in range(count):
        scale = mm_per_px * step
        sigma = KERNEL_OVER_RADIUS * radius_mm / scale
        smooth = masked_blur(ratio, weight, (sigma, sigma))
        # A place whose surroundings are cut off by a rim is noisier than the rest.
        around = cv2.GaussianBlur(there, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        mask = (there > 0.5) & (around >= whole)
        calm = mask & ~near(spoilt, mask.shape, 1.5 * sigma)
        made.append(
            Level(
                area_mm2=area,
                step=step,
                sigma_px=sigma,
                mm_per_px=scale,
                ratio=smooth,
                judged=mask,
                calm=calm if 4 * calm.sum() > mask.sum() else mask,
                covariance=np.eye(3),
                seam=seam,
                blur_mm=blur_mm,
            )
        )
        if min(ratio.shape[:2]) < 6:
            break
        ratio, weight, there = _halved(ratio, weight, there)
        step, area, radius_mm = 2 * step, 4.0 * area, 2.0 * radius_mm
    coded = _coded(made, coding)
    joint = _joint(made[0], made[1:]) + coded
    return tuple(
        replace(
            level,
            wider=tuple(made[i + 1 :]),
            joint=joint[3 * i :, 3 * i :],
            coded=coded[3 * i :, 3 * i :],
            covariance=joint[3 * i : 3 * i + 3, 3 * i : 3 * i + 3],
        )
        for i, level in enumerate(made)
    )


def _coded(made: Sequence[Level], coding: Sequence[Patch]) -> Vector:
    """Joint covariance of what rounding does to the levels, block by block.

    Where the surface is calmer than a step, the data do not show it: whole blocks have one colour,
    and the few that fall to the next step stand out as patches. Uniform over a step, each block
    for itself: wherever their grid lies, two places at a distance x have 1 - x/B in common each
    way, B the block's side; Gaussians over both leave the mean of that over their difference.
    """
    total = np.zeros((3 * len(made), 3 * len(made)))
    sigmas = np.array([level.sigma_px * level.mm_per_px for level in made])
    apart = np.sqrt(np.square(sigmas)[:, None] + np.square(sigmas)[None])
    for patch in coding:
        side = float(np.sqrt(patch.area_mm2)) / apart
        within = np.vectorize(NormalDist().cdf)(side) * 2.0 - 1.0
        beyond = np.sqrt(2.0 / np.pi) / side * -np.expm1(-0.5 * np.square(side))
        own = np.outer(patch.change, patch.change) / 12.0
        total += np.kron(np.square(within - beyond), own)
    return total


def near(mask: Mask, shape: tuple[int, ...], reach_px: float) -> Mask:
    """A mask carried to another size and grown."""
    if not mask.any():
        return np.zeros(shape, bool)
    size = (shape[1], shape[0])
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    width = 2 * int(np.ceil(reach_px)) + 1
    return cv2.dilate((small > 0.2).astype(np.uint8), np.ones((width, width), np.uint8)) > 0


def _joint(level: Level, wider: Sequence[Level]) -> Vector:
    """Joint covariance of the finest level's ratios and the wider ones', (3n, 3n)."""
    rows, columns = _thinned(level.judged, _JOINT_SAMPLE)
    there = level.calm[::rows, ::columns]
    y = np.arange(0, level.judged.shape[0], rows, dtype=np.float32)[:, None]
    x = np.arange(0, level.judged.shape[1], columns, dtype=np.float32)[None]
    channels = [level.ratio[::rows, ::columns][there]]
    for other in wider:
        k = np.float32(level.step / other.step)
        at_x = np.broadcast_to((x + np.float32(0.5)) * k - np.float32(0.5), there.shape)
        at_y = np.broadcast_to((y + np.float32(0.5)) * k - np.float32(0.5), there.shape)
        seen = cv2.remap(other.ratio, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        channels.append(cast(Array, seen)[there])
    return covariance(np.ascontiguousarray(np.concatenate(channels, axis=1).T))


def _halved(ratio: Array, weight: Array, there: Array) -> tuple[Array, Array, Array]:
    """All three at half the size, the ratio by its weighted mean."""
    height, width = weight.shape
    size = ((width + 1) // 2, (height + 1) // 2)

    def half(image: Array) -> Array:
        even = cv2.copyMakeBorder(image, 0, height % 2, 0, width % 2, cv2.BORDER_CONSTANT)
        return cast(Array, cv2.resize(even, size, interpolation=cv2.INTER_AREA))

    mass = half(weight)
    total = half(times(ratio, weight))
    return times(total, np.reciprocal(np.maximum(mass, np.float32(1e-3)))), mass, half(there)


def sampled(judged: Mask, *images: Array, count: int) -> list[Array]:
    """Values of images at evenly spread judged pixels, some `count` of them."""
    rows, columns = _thinned(judged, count)
    mask = judged[::rows, ::columns]
    return [image[::rows, ::columns][mask] for image in images]


def _thinned(judged: Mask, count: int) -> tuple[int, int]:
    """Steps down and across that leave some `count` pixels."""
    step = max(1, int(np.sqrt(judged.size / count)))
    # A whole number of pixels apart in both ways; seams are too low to be thinned across.
    rows = 1 if judged.shape[0] < 200 else step
    return rows, step if rows > 1 else max(1, judged.size // count)


def covariance_of(ratio: Array, judged: Mask) -> Vector:
    """Robust covariance (3, 3) of an image's channels: far-off pixels are clipped in rounds."""
    values = sampled(judged, ratio, count=_SAMPLE)[0]
    return covariance(np.ascontiguousarray(values.T))
