"""A seam from two clicks: the way between them that follows the valley."""

from __future__ import annotations

from typing import NamedTuple, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.photo import Photo
from fullhide.seam import normals, valley

__all__ = ["SeamPath", "seam_band", "seam_path"]

Polygon = NDArray[np.float64]
Array = NDArray[np.float32]
Point = tuple[float, float]

#: Longer side of the picture that the way is first looked for in, pixels.
_COARSE_PX = 320
#: Beside the straight line this part of its length, and at least so many mm, is looked at.
_BESIDE, _BESIDE_MM = 0.35, 15.0
#: A click may lie so far beside the valley (our own choice).
_CLICK_MM = 4.0
#: Standard deviation of what counts as the valley's surroundings, mm.
_AROUND_MM = 6.0
#: What a step over plain surface costs, over one along a plain valley.
_DEAR = 12.0
#: The rims of a seam are looked for so far on either side of its darkest line, mm; a part between
#: them that looks like plain surface is no wider than this, mm; and what differs from plain surface
#: by less than this is none of it (our own choices, tried on rendered seams).
_RIM_MM, _FLOOR_MM, _DIFFERS = 9.0, 4.0, 0.035
#: Stretches that the rims are looked for in, mm.
_STRETCH_MM = 30.0
#: Nothing is a valley where hardly a pixel is darker than its surroundings by this (own choice).
_FLAT = 0.01
#: Stands in for the scale where nothing gives it.
_USUAL_MM_PER_PX = 0.2
#: A band's corners may lie so far off its smooth rim, pixels.
_TOLERANCE_PX = 0.4


class SeamPath(NamedTuple):
    """The middle of a seam.

    Attributes
    ----------
    line
        Points (N, 2) in photo pixels.
    width_px
        Width from rim to rim, photo pixels; None where no rims are to be seen.
    """

    line: Polygon
    width_px: float | None


def seam_path(photo: Photo, start: Point, end: Point, *, mm_per_px: float | None) -> SeamPath:
    """Least-cost path from one place to another along a seam's valley.

    Parameters
    ----------
    photo
        The photo.
    start, end
        Two places in it, photo pixels; each may lie a little beside the valley.
    mm_per_px
        The photo's scale; 0.2 is taken where it is not known.

    Returns
    -------
    SeamPath
        From `start` on, in steps of at most half a millimetre; the straight line where no valley
        is to be seen.

    Notes
    -----
    A closed seam is darkest in its middle. One held open is darkest at the wall that lies in
    shadow, so the middle between the two rims is taken.
    """
    scale = mm_per_px or _USUAL_MM_PER_PX
    ends = np.array([start, end], np.float64)
    ends = np.clip(ends, 0.5, np.array(photo.size_px) - 0.5)
    length = float(np.linalg.norm(ends[1] - ends[0]))
    if length * scale < 2.0:
        return SeamPath(ends, None)
    rough = _coarse(photo, ends, scale, length)
    return _on_the_valley(photo, rough, scale)


def seam_band(path: Polygon, *, width_px: float, size_px: tuple[int, int]) -> Polygon:
    """Outline of a band along a path, its first corner at the path's start.

    Parameters
    ----------
    path
        Points (N, 2), photo pixels.
    width_px
        Width of the band.
    size_px
        The photo's size; the band ends at its edges.

    Returns
    -------
    ndarray of float64
        Corners (M, 2), at least 3; empty where nothing of the band lies in the photo.
    """
    import shapely

    line = shapely.LineString(path)
    whole = line.buffer(0.5 * width_px, cap_style="flat", join_style="round")
    band = whole.intersection(shapely.box(0, 0, *size_px)).simplify(_TOLERANCE_PX)
    parts = [part for part in getattr(band, "geoms", [band]) if part.geom_type == "Polygon"]
    largest = max(parts, key=lambda part: part.area, default=None)
    if largest is None or largest.is_empty:
        return np.zeros((0, 2))
    ring = np.asarray(largest.exterior.coords, np.float64)[:-1]
    first = int(np.argmin(np.linalg.norm(ring - path[0], axis=1)))
    return np.roll(ring, -first, axis=0)


def _green(photo: Photo, low: NDArray[np.int_], high: NDArray[np.int_]) -> Array:
    """Codes of the middle channel of a box: for finding what is darker, coded is good enough."""
    crop = photo.encoded[low[1] : high[1], low[0] : high[0], 1]
    return np.asarray(crop, np.float32) / np.float32(np.iinfo(photo.encoded.dtype).max)


def _coarse(photo: Photo, ends: Polygon, scale: float, length: float) -> Polygon:
    """Way over a small picture of the surroundings."""
    from skimage.graph import MCP_Geometric

    pad = max(_BESIDE * length, _BESIDE_MM / scale)
    low = np.maximum(np.floor(ends.min(axis=0) - pad), 0).astype(int)
    high = np.minimum(np.ceil(ends.max(axis=0) + pad), photo.size_px).astype(int)
    step = max(1.0, float((high - low).max()) / _COARSE_PX, 0.5 / scale)
    size = tuple(max(2, int(side)) for side in np.round((high - low) / step))
    # Every n-th pixel first: the small picture needs no more.
    every = max(1, int(step / 4))
    crop = photo.encoded[low[1] : high[1] : every, low[0] : high[0] : every, 1]
    dark = cv2.resize(np.asarray(crop, np.float32), size, interpolation=cv2.INTER_AREA)
    mm = step * scale
    dark = cv2.GaussianBlur(np.asarray(dark, np.float32), (0, 0), max(0.6, 0.6 / mm))
    around = cv2.GaussianBlur(dark, (0, 0), max(2.0, _AROUND_MM / mm))
    relative = cast(Array, dark / np.maximum(around, 1e-6))
    depth = np.clip(1.0 - relative, 0.0, None)
    plain = float(np.quantile(depth, 0.97))
    if plain < _FLAT:
        return _even(ends, step)
    cost = 1.0 + _DEAR * (1.0 - np.minimum(depth / plain, 1.0)) ** 2
    cells = np.clip(((ends - low) / step).astype(int), 0, np.array(size) - 1)
    way = MCP_Geometric(cost.astype(np.float64))
    way.find_costs([tuple(cells[0, ::-1])], [tuple(cells[1, ::-1])])
    found = np.array(way.traceback(tuple(cells[1, ::-1])), np.float64)[:, ::-1]
    found = (found + 0.5) * step + low
    found[0], found[-1] = ends
    even = _even(found, step)
    cut = int(np.ceil(1.5 * _CLICK_MM / mm))
    if len(even) > 6 * cut:
        even = _straight_ends(even, cut)
    return _even(_smooth(even, sigma=max(1.0, 2.0 / mm)), max(1.0, 0.5 / scale))


def _straight_ends(path: Polygon, cut: int) -> Polygon:
    """The path with its ends, where it came from beside the valley, carried on straight."""
    for _ in range(2):
        body = path[cut:]
        ahead = body[0] - body[min(2 * cut, len(body) - 1)]
        ahead /= max(float(np.linalg.norm(ahead)), 1e-9)
        # As far as the click reaches along the seam.
        far = max(0.0, float((path[0] - body[0]) @ ahead))
        path = np.concatenate([(body[0] + far * ahead)[None], body])[::-1]
    return path


def _on_the_valley(photo: Photo, path: Polygon, scale: float) -> SeamPath:
    """The path moved across, by a few millimetres, to the middle of the seam."""
    step = max(1.0, 0.25 / scale)
    mm = step * scale
    line = _even(path, step)
    straight = _band(photo, line, step, _CLICK_MM / mm)
    line = line + (valley(straight, mm_per_px=mm) * step)[:, None] * normals(line)
    straight = _band(photo, line, step, (_RIM_MM + 6.0) / mm)
    count = max(1, round(len(line) * mm / _STRETCH_MM))
    parts = np.array_split(np.arange(len(line)), count)
    rims = [_rims(straight[:, part], mm) for part in parts]
    known = [i for i, rim in enumerate(rims) if rim is not None]
    width = None
    if known:
        lows, highs = np.array([rims[i] for i in known], np.float64).T
        middles = _steady(0.5 * (lows + highs))
        at = np.interp(np.arange(len(line)), [parts[i].mean() for i in known], middles)
        line = line + (at / scale)[:, None] * normals(line)
        width = float(np.median(highs - lows)) / scale
    return SeamPath(np.clip(line, 0.0, np.array(photo.size_px, np.float64)), width)


def _band(photo: Photo, line: Polygon, step: float, reach: float) -> Array:
    """Straightened surroundings of a line, x along it, of so many steps on either side."""
    offsets = np.arange(-int(reach), int(reach) + 1) * step
    room = reach * step + 2
    low = np.maximum(np.floor(line.min(axis=0) - room), 0).astype(int)
    high = np.minimum(np.ceil(line.max(axis=0) + room), photo.size_px).astype(int)
    green = _green(photo, low, high)
    if step >= 2:
        green = np.asarray(cv2.blur(green, (int(step), int(step))), np.float32)
    grid = line[None] + offsets[:, None, None] * normals(line)[None] - low - 0.5
    grid = grid.astype(np.float32)
    return np.asarray(
        cv2.remap(
            green, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ),
        np.float32,
    )


def _rims(straight: Array, mm: float) -> tuple[float, float] | None:
    """Where a stretch begins and ends to differ from the plain surface beside it, mm across."""
    profile = np.median(straight, axis=1)
    profile = np.convolve(np.pad(profile, 1, mode="edge"), np.full(3, 1 / 3), mode="valid")
    plain = np.median(profile)
    off = np.abs(profile / max(float(plain), 1e-6) - 1.0)
    limit = max(_DIFFERS, 4.0 * float(np.median(off)))
    middle = len(profile) // 2
    differs = (np.abs(np.arange(len(profile)) - middle) * mm <= _RIM_MM) & (off > limit)
    rows = np.flatnonzero(differs)
    if not rows.size:
        return None
    # From the darkest line out, over plain-looking parts no wider than a seam's floor.
    nearest = int(np.argmin(np.abs(rows - middle)))
    low = high = nearest
    reach = _FLOOR_MM / mm
    while low > 0 and rows[low] - rows[low - 1] <= reach:
        low -= 1
    while high + 1 < len(rows) and rows[high + 1] - rows[high] <= reach:
        high += 1
    return (rows[low] - middle - 0.5) * mm, (rows[high] - middle + 0.5) * mm


def _steady(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each value by the median of itself and its neighbours."""
    if len(values) < 3:
        return np.full_like(values, np.median(values))
    padded = np.concatenate([values[1:2], values, values[-2:-1]])
    near = np.stack([padded[:-2], padded[1:-1], padded[2:]])
    return np.asarray(np.median(near, axis=0), np.float64)


def _even(path: Polygon, step: float) -> Polygon:
    """Points at equal steps along a path, both ends among them."""
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.linspace(0.0, lengths[-1], max(3, int(np.ceil(lengths[-1] / step)) + 1))
    return np.stack([np.interp(at, lengths, path[:, i]) for i in (0, 1)], axis=1)


def _smooth(path: Polygon, *, sigma: float) -> Polygon:
    """The path without the grid's stairs; its ends stay."""
    reach = int(3 * sigma) + 1
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    if len(path) <= reach + 1:
        return path
    before = 2 * path[0] - path[1 : reach + 1][::-1]
    after = 2 * path[-1] - path[-reach - 1 : -1][::-1]
    long = np.concatenate([before, path, after])
    smooth = [np.convolve(long[:, i], kernel, mode="valid") for i in (0, 1)]
    return np.stack(smooth, axis=1)
