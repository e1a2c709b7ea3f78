"""Light and lens: how evenly the light falls, and how sharp the photo is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.photo import Photo
from fullhide.robust import fit, polynomial

__all__ = ["FlatField", "board_field", "edge_blur_px", "surround_field"]

Box = tuple[int, int, int, int]
Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

_GRID = 96  # longer side of the map that light is described on
#: Doubt of the light's evenness that is left, relative, by what it was taken from (our own
#: allowances).
BOARD_DOUBT, SURROUND_DOUBT, NO_FIELD_DOUBT = 0.005, 0.015, 0.04


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FlatField:
    """How much light falls where.

    Attributes
    ----------
    grid
        Relative light, float32 (h, w), over the whole photo.
    size_px
        Size of the photo it is for.
    source
        ``"grey board"``, ``"neutral surround"`` or ``"none"``.
    doubt
        Standard uncertainty of the light's ratio between two places, relative.
    """

    grid: Array
    size_px: tuple[int, int]
    source: str
    doubt: float

    @property
    def spread(self) -> float:
        """Brightest place over darkest."""
        return float(self.grid.max() / max(float(self.grid.min()), 1e-6))

    def over(self, box: Box, shape: tuple[int, int]) -> Array:
        """Relative light over a box, float32 of the given shape."""
        width, height = self.size_px
        rows, columns = shape
        x0, y0, x1, y1 = box
        across = (np.arange(columns) + 0.5) / columns * (x1 - x0) + x0
        down = (np.arange(rows) + 0.5) / rows * (y1 - y0) + y0
        map_x = (across * self.grid.shape[1] / width - 0.5).astype(np.float32)
        map_y = (down * self.grid.shape[0] / height - 0.5).astype(np.float32)
        return cast(
            Array,
            cv2.remap(
                self.grid,
                np.broadcast_to(map_x, shape).copy(),
                np.broadcast_to(map_y[:, None], shape).copy(),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            ),
        )

    def at(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Relative light at points (N, 2)."""
        width, height = self.size_px
        where = points_px * (self.grid.shape[1] / width, self.grid.shape[0] / height) - 0.5
        found = cv2.remap(
            self.grid,
            where[:, 0].astype(np.float32)[None],
            where[:, 1].astype(np.float32)[None],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return cast(NDArray[np.float64], np.asarray(found, np.float64).ravel())

    def relative_to(self, points_px: NDArray[np.float64]) -> FlatField:
        """The same field, 1 on average at `points_px`: there the colours were calibrated."""
        level = float(self.at(points_px).mean())
        return FlatField(
            grid=(self.grid / np.float32(max(level, 1e-6))).astype(np.float32),
            size_px=self.size_px,
            source=self.source,
            doubt=self.doubt,
        )


def no_field(size_px: tuple[int, int]) -> FlatField:
    """Nothing is known of the light's evenness."""
    return FlatField(
        grid=np.ones((2, 2), np.float32), size_px=size_px, source="none", doubt=NO_FIELD_DOUBT
    )


def board_field(board: Photo, *, size_px: tuple[int, int]) -> FlatField:
    """Flat field from a photo of a plain grey board.

    Parameters
    ----------
    board
        A photo that the board fills, taken in the same light from the same place.
    size_px
        Size of the photo that the field is for.

    Returns
    -------
    FlatField
        Second-degree surface through the logarithm of the board's light, plus its slow rest.
    """
    small = _small_light(board)
    good = small > 1e-4
    surface = _log_surface(small, good)
    rest = np.log(np.maximum(small, 1e-5)) - surface
    rest = np.clip(rest, -0.3, 0.3).astype(np.float32)
    # Dust and print on the board are small; the light's own shape is not.
    slow = cv2.GaussianBlur(cv2.medianBlur(rest, 5), (0, 0), _GRID / 16)
    return FlatField(
        grid=np.exp(surface + slow).astype(np.float32),
        size_px=size_px,
        source="grey board",
        doubt=BOARD_DOUBT,
    )


def _small_light(photo: Photo) -> Array:
    """Mean of the linear channels on a small grid."""
    width, height = photo.size_px
    scale = _GRID / max(width, height)
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    # Join in two steps: a cheap one on codes (near enough for a smooth board), one in light.
    middle = photo.reduced((size[0] * 8, size[1] * 8))
    light = cv2.LUT(middle, photo.curve[None]).mean(axis=-1, dtype=np.float32)
    return cast(Array, cv2.resize(light, size, interpolation=cv2.INTER_AREA))


def _log_surface(light: Array, good: Mask) -> Array:
    """Robust second-degree surface through the logarithm of light."""
    terms = polynomial(light.shape, 2)
    logs = np.log(np.maximum(light[good], 1e-6))
    found = fit(terms[good], logs[None], rounds=5, floor=0.003, fewest=24)
    return cast(Array, (terms @ found[:, 0]).astype(np.float32))


def surround_field(photo: Photo, *, taken: Mask, neutral: NDArray[np.float64]) -> FlatField:
    """Flat field from a plain neutral surround, if there is one.

    Parameters
    ----------
    photo
        The photo.
    taken
        Small mask over the photo (any size): regions, chart and what else is no surround.
    neutral
        Working linear RGB of a neutral in this light, (3,): its tint is what a neutral has.

    Returns
    -------
    FlatField
        With source ``"none"`` unless one grey surface surrounds the regions on most sides and a
        smooth surface describes it within a few per cent.
    """
    size = photo.size_px
    width, height = size
    scale = _GRID / max(size)
    small_size = (max(8, round(width * scale)), max(8, round(height * scale)))
    codes = photo.reduced(small_size)
    linear = cv2.transform(cv2.LUT(codes, photo.curve[None]), photo.matrix.astype(np.float32))
    free = cv2.resize(taken.astype(np.uint8), small_size, interpolation=cv2.INTER_AREA) == 0
    free = cv2.erode(free.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    tint = linear / np.maximum(neutral, 1e-6).astype(np.float32)
    bright = tint.mean(axis=-1)
    off = np.abs(tint / np.maximum(bright, 1e-5)[..., None] - 1.0).max(axis=-1)
    grey = (
        free
        & (off < 0.06)
        & (bright > 0.02)
        & (codes.max(axis=-1) < 0.98 * np.iinfo(codes.dtype).max)
    )
    if grey.sum() < 0.08 * grey.size:
        return no_field(size)
    middle = float(np.median(bright[grey]))
    grey &= (bright > 0.4 * middle) & (bright < 2.5 * middle)
    half_h, half_w = grey.shape[0] // 2, grey.shape[1] // 2
    quarters = [
        grey[:half_h, :half_w],
        grey[:half_h, half_w:],
        grey[half_h:, :half_w],
        grey[half_h:, half_w:],
    ]
    if sum(q.sum() > 0.05 * q.size for q in quarters) < 3:
        return no_field(size)
    surface = _log_surface(bright.astype(np.float32), grey)
    left = np.abs(np.log(np.maximum(bright[grey], 1e-6)) - surface[grey])
    if float(np.quantile(left, 0.8)) > 0.05:
        return no_field(size)
    doubt = max(SURROUND_DOUBT, float(np.median(left)))
    return FlatField(
        grid=np.exp(surface).astype(np.float32),
        size_px=size,
        source="neutral surround",
        doubt=doubt,
    )


def edge_blur_px(grey: Array) -> float | None:
    """Standard deviation of the blur of a picture's edges, pixels.

    Parameters
    ----------
    grey
        Linear light, float32 (H, W), with strong edges (a chart, a part's rim).

    Returns
    -------
    float or None
        None if there is no edge to tell by.

    Notes
    -----
    The energy of the gradient of a step edge of blur s, blurred by r more, goes as
    1/sqrt(s² + r²); two r give s. Noise adds n²/(4 pi r^4), n from the picture's finest detail,
    which is taken off. Steps closer than 2r cancel, so r grows only as far as it must.
    """
    if min(grey.shape) < 24:
        return None
    checker = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6
    noise = 1.4826 * float(np.median(np.abs(cv2.filter2D(grey, -1, checker))))
    blur, least = None, _SHARPEST_PX
    for less, more, most in _BLUR_STEPS:
        if 8 * more > min(grey.shape):
            break
        rim = int(3 * more) + 1
        sharp, noise_sharp = _edge_energy(grey, less, noise, rim)
        soft, noise_soft = _edge_energy(grey, more, noise, rim)
        if sharp < 10 * noise_sharp or soft < 10 * noise_soft or soft <= 0:
            continue  # more noise than edges at this fineness
        ratio = (sharp / soft) ** 2
        if ratio <= 1.0:
            continue
        square = (more**2 - ratio * less**2) / (ratio - 1.0) - _DIFFERENCE_PX2
        blur = float(np.sqrt(max(square, least**2)))
        if blur <= most:
            break
        least = most
    return blur


#: Two further blurs, pixels, and the blur up to which they tell well (from rendered charts).
_BLUR_STEPS = (
    (1.0, 2.0, 1.5),
    (1.5, 3.0, 2.8),
    (2.0, 4.0, 4.5),
    (3.0, 6.0, 8.0),
    (6.0, 12.0, 99.0),
)
_SHARPEST_PX = 0.3
#: Variance that a central difference adds of itself, pixels².
_DIFFERENCE_PX2 = 1.0 / 3.0


def _edge_energy(grey: Array, sigma: float, noise: float, rim: int) -> tuple[float, float]:
    """Mean square gradient of a blurred picture less the noise's part, and that part."""
    smooth = cv2.GaussianBlur(grey, (0, 0), sigma)
    dx = 0.5 * (smooth[rim:-rim, rim + 1 : -rim + 1] - smooth[rim:-rim, rim - 1 : -rim - 1])
    dy = 0.5 * (smooth[rim + 1 : -rim + 1, rim:-rim] - smooth[rim - 1 : -rim - 1, rim:-rim])
    part = noise**2 / (4.0 * np.pi * sigma**4)
    return float(np.mean(dx * dx) + np.mean(dy * dy)) - part, part
