"""How sharp the part itself is, wherever the chart lies: by the strongest edges on it.

The chart may be sharp and the part not. An edge's gradient, smoothed a little and twice as much,
tells its blur: the narrower the edge, the more the further smoothing takes from it. Noise, and
what JPEG makes of it, is told by the chart's own patches, where there is no edge.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.chart import ChartReading
from fullhide.photo import Photo

__all__ = ["part_blur_px", "photo_blur_px"]

Array = NDArray[np.float32]
Polygon = NDArray[np.float64]

#: Smoothings to look with, over the blur that is too much; the first that sees edges counts.
_LOOKS = (0.35, 0.7, 1.2)
#: Energy of an edge over the noise's, pixels of edges that are enough, how much blur over its own
#: smoothing a look can tell, and which of the edges counts: the sharper quarter (our own choices).
_OVER_NOISE = 60.0
_ENOUGH = 40
_REACH = 2.0
_SHARPER = 25.0
_RIM, _INSIDE = 12, 5
_ALIKE = 5
_QUIET = 10.0
_TILE_PX = (96, 320)
_TILE_IN_BLURS = 46.0
_CHART_MARGIN = 1.25


def part_blur_px(
    photo: Photo, *, polygons: Sequence[Polygon], reading: ChartReading, limit_px: float
) -> float | None:
    """Standard deviation of the blur of the part's sharper edges, pixels.

    Parameters
    ----------
    photo
        The photo.
    polygons
        The part's outlines.
    reading
        Its chart: its patches tell the noise.
    limit_px
        The blur that is too much, pixels.

    Returns
    -------
    float or None
        None where no edge on the part stands out from the noise, or without a chart.
    """
    if not polygons or not reading.found:
        return None
    green = _green(photo)
    middle = reading.corners_px.mean(axis=0)
    board = middle + _CHART_MARGIN * (reading.corners_px - middle)
    tiles = _tiles(polygons, green, board, _side(limit_px))
    return _blur(tiles, limit_px, lambda sigma: _noise(green, reading, sigma))


def photo_blur_px(photo: Photo, *, limit_px: float) -> float | None:
    """The same of the sharper edges anywhere in a photo without a chart.

    Quiet tiles tell the noise. None where no edge stands out.
    """
    green = _green(photo)
    height, width = green.shape
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64)
    tiles = _tiles([0.9 * frame + 0.05 * frame[2]], green, np.zeros((3, 2)), _side(limit_px))

    def noise(sigma: float) -> Polygon:
        energies = []
        for tile, _ in tiles:
            dx, dy = _gradient(tile, sigma)
            energies.append(float(np.mean(dx * dx + dy * dy)))
        return np.array([[0.0, np.percentile(energies, _QUIET)]])

    return _blur(tiles, limit_px, noise)


def _green(photo: Photo) -> NDArray[np.uint8]:
    green = photo.encoded[..., 1]
    return np.asarray(green >> 8 if green.dtype == np.uint16 else green, np.uint8)


def _side(limit_px: float) -> int:
    return int(np.clip(_TILE_IN_BLURS * limit_px, *_TILE_PX))


def _blur(
    tiles: Sequence[tuple[Array, NDArray[np.bool_]]],
    limit_px: float,
    noise_at: Callable[[float], Polygon | None],
) -> float | None:
    """Blur of the sharper edges by the first look that sees enough of them."""
    most: float | None = None
    for look in _LOOKS:
        sigma = max(1.0, look * limit_px)
        noise = noise_at(sigma)
        if noise is None:
            return None
        found = np.concatenate(
            [_edges(tile, free, sigma, _at_level(noise, tile)) for tile, free in tiles]
        )
        if len(found) < _ENOUGH:
            continue
        blur = float(np.percentile(found, _SHARPER))
        # A later look that sees less than an earlier one sees the grain's noise.
        most = blur if most is None else max(most, blur)
        if blur <= _REACH * sigma:
            break
    return most


def _tiles(
    polygons: Sequence[Polygon], green: NDArray[np.uint8], board: Polygon, side: int
) -> list[tuple[Array, NDArray[np.bool_]]]:
    """Tiles along the rims and inside, and where each is free of the chart."""
    height, width = green.shape
    side = min(side, height, width)
    widest = max(polygons, key=lambda p: float(np.prod(np.ptp(p, axis=0))))
    low, high = widest.min(axis=0), widest.max(axis=0)
    steps = (np.arange(_INSIDE) + 0.5) / _INSIDE
    places = [low + (high - low) * (x, y) for x in steps for y in steps]
    places += list(_around(widest, _RIM))
    out = []
    for place in places:
        x0 = int(np.clip(place[0] - side / 2, 0, width - side))
        y0 = int(np.clip(place[1] - side / 2, 0, height - side))
        free = np.ones((side, side), np.uint8)
        cv2.fillConvexPoly(free, np.round(board - (x0, y0)).astype(np.int32), 0)
        tile = green[y0 : y0 + side, x0 : x0 + side].astype(np.float32)
        out.append((tile, free.astype(bool)))
    return out


def _around(polygon: Polygon, count: int) -> Polygon:
    """Points evenly spread along an outline."""
    closed = np.vstack([polygon, polygon[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = (np.arange(count) + 0.5) / count * length[-1]
    return np.column_stack([np.interp(at, length, closed[:, i]) for i in (0, 1)])


def _gradient(tile: Array, sigma: float) -> tuple[Array, Array]:
    smooth = cv2.GaussianBlur(tile, (0, 0), sigma)
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    return np.asarray(dx, np.float32), np.asarray(dy, np.float32)


def _noise(green: NDArray[np.uint8], reading: ChartReading, sigma: float) -> Polygon | None:
    """Level and mean square gradient inside each of the chart's patches, (N, 2).

    None where they are too small.
    """
    half = int(0.2 * reading.width_px / 6)
    if half < 4:
        return None
    height, width = green.shape
    found = []
    for x, y in reading.centres_px.astype(int):
        if half <= x < width - half and half <= y < height - half:
            patch = green[y - half : y + half, x - half : x + half].astype(np.float32)
            dx, dy = _gradient(patch, sigma)
            found.append((float(patch.mean()), float(np.mean(dx * dx + dy * dy))))
    return np.array(found) if len(found) >= 12 else None


def _at_level(noise: Polygon, tile: Array) -> float:
    """Noise of the patches nearest to a tile in brightness: codes are noisier in the dark."""
    off = np.abs(noise[:, 0] - float(np.median(tile)))
    return max(float(np.median(noise[np.argsort(off)[:_ALIKE], 1])), 1e-4)


def _edges(tile: Array, free: NDArray[np.bool_], sigma: float, noise: float) -> Array:
    """Blur at each pixel of the edges that stand out, pixels."""
    dx, dy = _gradient(tile, sigma)
    energy = dx * dx + dy * dy
    strong = free & (energy > _OVER_NOISE * noise)
    rim = int(4 * sigma)
    strong[:rim] = strong[-rim:] = False
    strong[:, :rim] = strong[:, -rim:] = False
    if not strong.any():
        return np.zeros(0, np.float32)
    # The ridge of an edge: highest among its neighbours across it.
    flat = np.abs(dx) > np.abs(dy)
    beside = np.maximum(np.roll(energy, 1, 1), np.roll(energy, -1, 1))
    above = np.maximum(np.roll(energy, 1, 0), np.roll(energy, -1, 0))
    strong &= energy >= np.where(flat, beside, above)
    wx, wy = _gradient(tile, 2.0 * sigma)
    wide = (wx * wx + wy * wy)[strong]
    ratio = np.maximum((energy[strong] - noise) / np.maximum(wide, 1e-6), 1.001)
    square = (4.0 - ratio) / (ratio - 1.0) * sigma**2
    return np.sqrt(np.maximum(square, 0.01)).astype(np.float32)
