"""Where a place lies along and across a bowed way, in millimetres."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .scene import Point

__all__ = ["left_of", "path_coordinates"]

F32 = NDArray[np.float32]


def left_of(start_mm: Point, end_mm: Point) -> tuple[float, float]:
    """Unit vector to the left of start -> end as seen in the photo."""
    (x0, y0), (x1, y1) = start_mm, end_mm
    length = float(np.hypot(x1 - x0, y1 - y0))
    return (y1 - y0) / length, -(x1 - x0) / length


def path_coordinates(
    start_mm: Point, end_mm: Point, bow_mm: float, x_mm: F32, y_mm: F32
) -> tuple[F32, F32]:
    """Position along a way and signed distance from it (left positive), in mm.

    The way is a parabola over the straight line from start to end; the distance is the
    offset from it divided by its local steepness, right to first order near the way.
    """
    (x0, y0), (x1, y1) = start_mm, end_mm
    length = float(np.hypot(x1 - x0, y1 - y0))
    nx, ny = left_of(start_mm, end_mm)
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    dx, dy = x_mm - np.float32(x0), y_mm - np.float32(y0)
    u = dx * np.float32(ux) + dy * np.float32(uy)
    v = dx * np.float32(nx) + dy * np.float32(ny)
    if bow_mm == 0.0:
        return u, v
    t = u / np.float32(length)
    rise = np.float32(4 * bow_mm) * t * (1 - t)
    steep = np.float32(4 * bow_mm / length) * (1 - 2 * t)
    return u, np.asarray((v - rise) / np.sqrt(1 + steep * steep), dtype=np.float32)
