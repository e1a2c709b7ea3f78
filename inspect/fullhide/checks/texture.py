"""The slow look of a panel in small blocks, freed from what the light does to it.

Light does two things to a dyed surface: it scales the colour (falloff, the roll of a cushion) and
adds its own colour (shine). Both are smooth. Blocks are written in three axes, in units of
CIEDE2000 about the finish: lightness as light scales it, what shine adds beside that, and the
colour that no light can make.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50, delta_e00, xyz_to_lab
from fullhide.robust import fit, polynomial
from fullhide.smoothing import times

__all__ = ["Axes", "Texture", "axes_of", "joined", "noise_of", "pooled", "texture"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Side of the small blocks, mm: four of them make the smallest block of the evenness check.
FINE_MM = 2.5
#: JPEG joins colour over this many photo pixels: smaller blocks share their noise. Up to this
#: size blocks grow with it, mm (our own choice).
_JPEG_PX, _LARGEST_MM = 16.0, 4.0
#: The noise of neighbouring blocks is a little alike all the same; of their mean it is larger by
#: this, in variance (from rendered photos at quality 85 to 98).
_ALIKE = 1.08
#: A block counts where this share of it is judged (our own choice).
_FILLED = 0.6
_FEWEST = 24
#: Light varies over this length or more, mm: lamps are far away, and cushions roll gently
#: (our own choice). The Gaussian halves waves of about this length.
LIGHT_MM = 60.0
_LIGHT_SIGMA_MM = LIGHT_MM / 5.3
#: A finish whose tint shine changes less than this, ΔE for a doubling of the light by shine, is
#: as good as neutral: shine only lightens it.
_NEUTRAL = 1.5
#: Up to this lift shine is read off its tint well enough to be taken from lightness.
_LIFTED = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Axes:
    """Three axes of a small relative change of XYZ about a finish, in units of CIEDE2000.

    Attributes
    ----------
    to
        Matrix (3, 3) from a relative change of XYZ to lightness, shine and colour.
    back
        Its inverse.
    lift
        How much shine changes the first axis for a change of one along the second.
    shines
        Whether the second axis is shine's; where the finish is neutral, it is colour.
    """

    to: Vector
    back: Vector
    lift: float
    shines: bool


def axes_of(finish: Vector) -> Axes:
    """Axes about a finished colour, XYZ(D50), shape (3,).

    Notes
    -----
    CIEDE2000 is locally a quadratic form; it is read off by steps of one per cent. The first axis
    is that of an equal relative change, the second is what light of the light's colour adds
    beside it, the third is at a right angle to both.
    """
    root = _local_root(finish)
    equal = root @ np.ones(3)
    toward = WHITE_D50 / finish
    toward = root @ (toward / toward.mean())
    first = equal / np.linalg.norm(equal)
    beside = toward - first * float(first @ toward)
    length = float(np.linalg.norm(beside))
    # Any axis beside the first where shine only lightens.
    second = beside / length if length > 1e-6 else np.linalg.svd(first[None])[2][1]
    turn = np.stack([first, second, np.cross(first, second)])
    to = turn @ root
    return Axes(
        to=to,
        back=cast(Vector, np.linalg.inv(to)),
        lift=float(first @ toward) / max(length, 1e-6),
        shines=length > _NEUTRAL,
    )


def _local_root(finish: Vector) -> Vector:
    """Symmetric root of the quadratic form of CIEDE2000 in relative changes of XYZ."""
    middle, step, small = xyz_to_lab(finish), 0.05, 1e-4

    def squared(change: Vector) -> float:
        moved = np.stack([middle + step * change, middle - step * change])
        return float(np.square(delta_e00(middle, moved)).mean()) / step**2

    unit = np.eye(3)
    form = np.diag([squared(unit[i]) for i in range(3)])
    for i, j in ((0, 1), (0, 2), (1, 2)):
        apart = squared(unit[i] + unit[j]) - squared(unit[i] - unit[j])
        form[i, j] = form[j, i] = 0.25 * apart
    steps = np.eye(3) * small
    slope = (xyz_to_lab(finish * (1.0 + steps)) - xyz_to_lab(finish * (1.0 - steps))) / (2 * small)
    values, vectors = np.linalg.eigh(slope @ form @ slope.T)
    values = np.sqrt(np.maximum(values, 1e-6 * values.max()))
    return cast(Vector, (vectors * values) @ vectors.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Texture:
    """A panel's small blocks without the light's smooth play.

    Attributes
    ----------
    change
        Change of every block against the panel's middle colour along the `Axes`, float32
        (h, w, 3), ΔE00; 0 where a block is not filled.
    light
        The smooth play that was taken out, in the same units.
    good
        Filled blocks, bool (h, w).
    side_mm, side_px
        Side of a block, mm and view pixels.
    axes, finish
        The axes and the finish they are about.
    noise
        Covariance of one block's change by grain and noise, (3, 3).
    squares
        Number of squares of four blocks that `noise` rests on.
    """

    change: Array
    light: Array
    good: Mask
    side_mm: float
    side_px: int
    axes: Axes
    finish: Vector
    noise: Vector
    squares: int

    def along_axes(self, xyz: Array) -> Array:
        """Change of colours XYZ(D50), (H, W, 3), against the finish along the axes."""
        scaled = self.axes.to / self.finish
        shift = -self.axes.to.sum(axis=1)
        both = np.concatenate([scaled, shift[:, None]], axis=1).astype(np.float32)
        return cast(Array, cv2.transform(np.ascontiguousarray(xyz), both))

    def delta_e(self, change: Vector) -> NDArray[np.float64]:
        """CIEDE2000 of changes along the axes, (..., 3), against the finish."""
        moved = np.maximum(1.0 + np.asarray(change, np.float64) @ self.axes.back.T, 1e-3)
        return delta_e00(xyz_to_lab(self.finish), xyz_to_lab(self.finish * moved))

    def beyond_light(self, *, flat: bool) -> Array:
        """The change that light cannot have made, as `change`.

        Lightness counts where a flat field was there, else only what varies faster than light
        does. Of shine, which no flat field holds, only that counts in any case.
        """
        light = np.zeros(3, bool)
        light[0] = not flat
        light[1] = self.axes.shines
        sigma = _LIGHT_SIGMA_MM / self.side_mm
        left = self.change.copy()
        mass = self.good.astype(np.float32)
        for axis in np.flatnonzero(light):
            left[..., axis] -= _smooth(left[..., axis], mass, sigma)
        for axis in np.flatnonzero(~light):
            if axis > 0:  # a drift of colour from side to side: light of two colours does that
                left[..., axis] -= _fitted(left[..., axis], self.good, 1)
        left[~self.good] = 0.0
        return left


def texture(
    xyz: Array,
    judged: Mask,
    *,
    finish: Vector,
    mm_per_px: float,
    factor: float = 1.0,
    flat: bool = False,
) -> Texture:
    """Blocks of a panel, the light's smooth play taken out.

    Parameters
    ----------
    xyz, judged
        The panel's pixels, (H, W, 3) and (H, W).
    finish
        XYZ of its middle colour.
    mm_per_px
        Scale of the pixels.
    factor
        Photo pixels a pixel.
    flat
        Whether a flat field was divided out.

    Returns
    -------
    Texture

    Notes
    -----
    A second-degree surface of lightness and of shine is taken out. With a flat field the fall of
    light is gone already, and slopes of a rolled panel shade by a plane: only that and what shine
    lifts are taken from lightness, so that slow dye stays.
    """
    wanted = max(FINE_MM, min(_LARGEST_MM, _JPEG_PX / factor * mm_per_px))
    side = max(1, round(wanted / mm_per_px))
    axes = axes_of(finish)
    colours, good = joined(xyz, judged, side)
    relative = colours / finish.astype(np.float32) - np.float32(1.0)
    whole = np.asarray(relative @ axes.to.T.astype(np.float32), np.float32)
    unlit = whole.copy()
    change = unlit
    if good.sum() >= _FEWEST:
        if axes.shines:
            shine = _fitted(whole[..., 1], good, 2)
            unlit[..., 1] -= shine
            if flat and axes.lift < _LIFTED:
                unlit[..., 0] -= np.float32(axes.lift) * shine
        else:
            unlit[..., 1] -= _fitted(whole[..., 1], good, 0)
        shaded = 1 if flat and axes.shines and axes.lift < _LIFTED else 2
        unlit[..., 0] -= _fitted(np.ascontiguousarray(unlit[..., 0]), good, shaded)
        unlit[..., 2] -= _fitted(whole[..., 2], good, 0)
        # In more light the same difference of dye is a larger change.
        level = 1.0 + (whole[..., 0] - unlit[..., 0]) / float(axes.to[0].sum())
        change = times(unlit, np.reciprocal(np.clip(level, 0.3, 3.0).astype(np.float32)))
    change = times(change, good.astype(np.float32))
    noise, squares = noise_of(change, good)
    return Texture(
        change=change,
        light=np.asarray(whole - unlit, np.float32),
        good=good,
        side_mm=side * mm_per_px,
        side_px=side,
        axes=axes,
        finish=finish,
        noise=noise,
        squares=squares,
    )


def joined(xyz: Array, judged: Mask, side: int) -> tuple[Array, Mask]:
    """Mean XYZ of square blocks, and which of them are judged for the most part."""
    height, width = (judged.shape[0] // side) * side, (judged.shape[1] // side) * side
    if not height or not width:
        return np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), bool)
    inside = judged[:height, :width].view(np.uint8)
    size = (width // side, height // side)
    held = cv2.copyTo(xyz[:height, :width], inside)
    total = cv2.resize(held, size, interpolation=cv2.INTER_AREA)
    mass = cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    means = times(cast(Array, total), np.reciprocal(np.maximum(mass, np.float32(1e-3))))
    return means, np.asarray(mass) > _FILLED


def pooled(change: Array, good: Mask, across: int) -> tuple[Array, Mask]:
    """Means over every square of `across` by `across` blocks, one for each place it can have."""
    if across == 1:
        return change, good
    rows, columns = good.shape[0] - across + 1, good.shape[1] - across + 1
    if rows < 1 or columns < 1:
        return np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), bool)
    mass = good.astype(np.float32)
    kernel = (across, across)
    corner = (0, 0)  # the square's first block stands for it
    total = cv2.boxFilter(times(change, mass), -1, kernel, anchor=corner)[:rows, :columns]
    filled = cv2.boxFilter(mass, -1, kernel, anchor=corner)[:rows, :columns]
    means = total / np.maximum(filled, np.float32(1e-3))[..., None]
    return cast(Array, means), np.asarray(filled) > _FILLED


def noise_of(change: Array, good: Mask) -> tuple[Vector, int]:
    """Covariance of a block's change by grain and noise, and the number of squares it rests on.

    The blocks of a square differ crosswise, (a + d - b - c) / 2, by their noise alone where the
    surface varies slowly: slopes fall out. Its covariance is that of one block.
    """
    rows, columns = good.shape[0] // 2 * 2, good.shape[1] // 2 * 2
    if not rows or not columns:
        return np.zeros((3, 3)), 0
    square = change[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2, 3)
    full = good[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2).all(axis=(1, 3))
    a, b = square[:, 0, :, 0][full], square[:, 0, :, 1][full]
    c, d = square[:, 1, :, 0][full], square[:, 1, :, 1][full]
    cross = 0.5 * (a + d - b - c)
    if len(cross) < _FEWEST // 2:
        return np.zeros((3, 3)), 0
    # Far-off squares are the edges of spots, not noise.
    length = np.square(cross).sum(axis=1)
    cross = cross[length <= 9.0 * np.quantile(length, 0.68)].astype(np.float64)
    return cast(Vector, _ALIKE * cross.T @ cross / len(cross)), len(cross)


def _fitted(values: Array, good: Mask, degree: int) -> Array:
    """Robust surface of a degree through an image."""
    terms = polynomial(values.shape, degree)
    found = fit(terms[good], values[good][None], times=3.0, floor=1e-3)
    return cast(Array, (terms @ found[:, 0]).astype(np.float32))


def _smooth(values: Array, mass: Array, sigma: float) -> Array:
    """Gaussian mean over the blocks that count; leans nowhere at the rim."""

    def blur(image: Array) -> Array:
        return cast(Array, cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT))

    near = np.maximum(blur(mass), np.float32(1e-3))
    slow = cast(Array, blur(values * mass) / near)
    return cast(Array, slow + blur(cast(Array, (values - slow) * mass)) / near)
