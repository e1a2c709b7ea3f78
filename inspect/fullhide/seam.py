"""The centre line of a seam's band, and where a pixel lies along and across it."""

from __future__ import annotations

from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["centre_line", "normals", "seam_coordinates", "valley"]

Box = tuple[int, int, int, int]
Polygon = NDArray[np.float64]

#: A band that fills this much of its tightest rectangle is straight (our own choice).
_STRAIGHT = 0.92
_RASTER_PX = 360  # longer side of the raster that a curved band's middle is searched on


def centre_line(polygon: Polygon, *, step_px: float) -> tuple[Polygon, float]:
    """Centre line of a long narrow outline.

    Parameters
    ----------
    polygon
        The band's outline, photo pixels, (N, 2).
    step_px
        Distance between points of the line, photo pixels.

    Returns
    -------
    line, half_px
        Points (M, 2), from the end nearest to the outline's first corner, and half the band's
        greatest width.
    """
    (centre, size, angle) = cv2.minAreaRect(polygon.astype(np.float32))
    area = float(cv2.contourArea(polygon.astype(np.float32)))
    longest, shortest = max(size), min(size)
    if area >= _STRAIGHT * longest * shortest or longest < 2.0 * shortest:
        turn = np.radians(angle if size[0] >= size[1] else angle + 90.0)
        reach = 0.5 * longest * np.array([np.cos(turn), np.sin(turn)])
        ends = np.stack([np.asarray(centre) - reach, np.asarray(centre) + reach])
        half = 0.5 * shortest
    else:
        ends, half = _curved(polygon)
    line = _resampled(ends, step_px)
    first = polygon[0]
    if np.linalg.norm(line[-1] - first) < np.linalg.norm(line[0] - first):
        line = line[::-1]
    return np.ascontiguousarray(line), float(half)


def normals(line: Polygon) -> Polygon:
    """Unit vectors across a line, (N, 2), to the right of its direction as drawn (y down)."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    return np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)


def valley(bright: NDArray[np.float32], *, mm_per_px: float) -> NDArray[np.float64]:
    """Where the valley runs in a straightened band.

    Parameters
    ----------
    bright
        Brightness (H, W), x along the band.
    mm_per_px
        Size of a pixel.

    Returns
    -------
    ndarray of float64
        For every column the valley's distance from the band's middle, in pixels, changing slowly;
        zeros where no valley is much darker than its banks.
    """
    height, whole = bright.shape
    middle = 0.5 * (height - 1)
    step = max(1, round(0.5 / mm_per_px))
    width = max(3, whole // step)
    smooth = cv2.GaussianBlur(
        cv2.resize(bright, (width, height), interpolation=cv2.INTER_AREA),
        (0, 0),
        sigmaX=max(0.5, 1.5 / (mm_per_px * step)),
        sigmaY=max(0.5, 0.25 / mm_per_px),
    )
    relative = smooth / np.maximum(np.median(smooth, axis=0), 1e-6)
    usual = float(np.median(relative.min(axis=0)))
    if usual > 0.85:
        return np.zeros(whole)
    # A colour that shows may be darker than the valley, or paler than its banks: neither may draw
    # the line or push it off.
    relative = np.clip(relative, usual, 1.0)
    # The rim costs a little, so that a band's edge does not pass for a valley.
    rim = 0.15 * (np.abs(np.arange(height) - middle) / max(middle, 1.0)) ** 2
    path = _cheapest_way(relative + rim[:, None].astype(np.float32)) - middle
    sigma = max(1.0, 4.0 / (mm_per_px * step))
    reach = int(3 * sigma)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    path = np.convolve(np.pad(path, reach, mode="edge"), kernel / kernel.sum(), mode="valid")
    at = (np.arange(whole) + 0.5) * width / whole - 0.5
    return np.asarray(np.interp(at, np.arange(width), path))


def _cheapest_way(cost: NDArray[np.floating]) -> NDArray[np.float64]:
    """Rows of the cheapest path from the left to the right that climbs a pixel a column at most."""
    height, width = cost.shape
    came = np.zeros((height, width), np.int8)
    ways = np.full((3, height), np.inf)
    best = cost[:, 0].astype(np.float64)
    for x in range(1, width):
        ways[0, 1:], ways[1], ways[2, :-1] = best[:-1] + 0.02, best, best[1:] + 0.02
        choice = ways.argmin(axis=0)
        came[:, x] = choice - 1
        best = ways[choice, np.arange(height)] + cost[:, x]
    row = int(best.argmin())
    path = np.empty(width)
    for x in range(width - 1, -1, -1):
        path[x] = row
        row += int(came[row, x])
    return path


def _curved(polygon: Polygon) -> tuple[Polygon, float]:
    """Path through the middle of a bent band, ends carried on to the outline."""
    from skimage.graph import MCP_Geometric

    low = polygon.min(axis=0)
    scale = max(1.0, float((polygon.max(axis=0) - low).max()) / _RASTER_PX)
    size = np.ceil((polygon.max(axis=0) - low) / scale).astype(int) + 5
    mask = np.zeros((size[1], size[0]), np.uint8)
    points = (polygon - low) / scale + 2.0
    cv2.fillPoly(mask, [np.round((points - 0.5) * 256).astype(np.int32)], 1, shift=8)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    half = float(depth.max())
    # The two ends: the farthest pixel from any, then the farthest from that one.
    flat = np.where(mask > 0, 1.0, np.inf)
    start = tuple(int(i) for i in np.unravel_index(int(depth.argmax()), depth.shape))
    for _ in range(2):
        costs = MCP_Geometric(flat).find_costs([start])[0]
        costs[~np.isfinite(costs)] = -1.0
        other, start = (
            start,
            tuple(int(i) for i in np.unravel_index(int(costs.argmax()), costs.shape)),
        )
    middle = MCP_Geometric(np.where(mask > 0, (half / np.maximum(depth, 0.5)) ** 3, np.inf))
    middle.find_costs([other])
    path = np.array(middle.traceback(start), dtype=np.float64)[:, ::-1] + 0.5
    # Near its ends the path runs into a corner: drop that, smooth, and carry on straight.
    gone = min(int(1.5 * half) + 1, max(0, len(path) // 2 - 3))
    path = path[gone : len(path) - gone]
    path = _smoothed(path, sigma=max(1.0, half))
    reach = 3.0 * half
    span = min(len(path) - 1, int(2 * half) + 1)
    ahead = path[-1] - path[-1 - span]
    behind = path[0] - path[span]
    path = np.concatenate(
        [
            _to_edge(path[0], behind, mask, reach)[None],
            path,
            _to_edge(path[-1], ahead, mask, reach)[None],
        ]
    )
    return (path - 2.0) * scale + low, half * scale


def _to_edge(point: Polygon, direction: Polygon, mask: NDArray[np.uint8], reach: float) -> Polygon:
    """Last point of the mask from `point` on in `direction`."""
    step = direction / max(float(np.linalg.norm(direction)), 1e-9)
    tries = point + np.arange(0.0, reach, 0.5)[:, None] * step
    rows = np.clip(tries[:, 1].astype(int), 0, mask.shape[0] - 1)
    columns = np.clip(tries[:, 0].astype(int), 0, mask.shape[1] - 1)
    out = np.flatnonzero(mask[rows, columns] == 0)
    return cast(Polygon, tries[max(0, int(out[0]) - 1)] if out.size else tries[-1])


def _smoothed(path: Polygon, *, sigma: float) -> Polygon:
    reach = int(3 * sigma) + 1
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    # Mirrored through the end points, so that the ends stay where they are.
    before = 2 * path[0] - path[1 : reach + 1][::-1]
    after = 2 * path[-1] - path[-reach - 1 : -1][::-1]
    long = np.concatenate([before, path, after])
    return np.stack([np.convolve(long[:, i], kernel, mode="same") for i in (0, 1)], axis=1)[
        len(before) : len(before) + len(path)
    ]


def _resampled(points: Polygon, step: float) -> Polygon:
    """Points at equal steps along a polyline, the first and last half a step from its ends."""
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    count = max(3, int(lengths[-1] / step))
    at = (np.arange(count) + 0.5) * lengths[-1] / count
    return np.stack([np.interp(at, lengths, points[:, i]) for i in (0, 1)], axis=1)


def seam_coordinates(
    line: Polygon, box: Box, *, reach_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Place of every pixel of a box along and across a centre line.

    Parameters
    ----------
    line
        Centre line, photo pixels, (N, 2).
    box
        Box in the photo.
    reach_px
        Pixels farther from the line than this get -1 along.

    Returns
    -------
    along, across
        float32, shape of the box: index into `line` (fractional) and signed distance in photo
        pixels, positive to the right of the line's direction as drawn (y down).
    """
    x0, y0, x1, y1 = box
    zero = np.full((y1 - y0, x1 - x0), 255, np.uint8)
    cells = np.floor(line - (x0, y0)).astype(int)
    cells[:, 0] = np.clip(cells[:, 0], 0, x1 - x0 - 1)
    cells[:, 1] = np.clip(cells[:, 1], 0, y1 - y0 - 1)
    zero[cells[:, 1], cells[:, 0]] = 0
    index = np.zeros(zero.shape, np.int32)
    index[cells[:, 1], cells[:, 0]] = np.arange(len(line))
    distance, labels = cv2.distanceTransformWithLabels(
        zero, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    # Each zero pixel has a label of its own: turn labels into places along the line.
    table = np.zeros(int(labels.max()) + 1, np.int32)
    table[labels[cells[:, 1], cells[:, 0]]] = index[cells[:, 1], cells[:, 0]]
    near = table[labels]
    tangent = np.gradient(line, axis=0)
    step = np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-9)
    tangent /= step
    rows, columns = np.indices(zero.shape, dtype=np.float32)
    dx = columns + np.float32(x0 + 0.5) - line[near, 0].astype(np.float32)
    dy = rows + np.float32(y0 + 0.5) - line[near, 1].astype(np.float32)
    tx, ty = tangent[near, 0].astype(np.float32), tangent[near, 1].astype(np.float32)
    along = near + (dx * tx + dy * ty) / step[near, 0].astype(np.float32)
    across = dy * tx - dx * ty
    along[distance > reach_px] = -1.0
    return along.astype(np.float32), across.astype(np.float32)
