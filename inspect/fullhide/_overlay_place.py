"""Where labels go: near what they name, never on a finding or on one another."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Room"]

Box = tuple[float, float, float, float]
Point = tuple[float, float]
Mask = NDArray[np.uint8]

# How many of the best places are tried for a free line to them.
_TRIES = 160


class Room:
    """A coarse grid over the picture that knows what is taken and what had better stay seen.

    Parameters
    ----------
    size
        Width and height of the picture in pixels.
    cell
        Side of a grid cell in pixels.
    """

    def __init__(self, size: tuple[int, int], cell: float) -> None:
        self.size = size
        self.cell = cell
        shape = (int(size[1] // cell), int(size[0] // cell))
        #: 1 where nothing may be put.
        self.taken: Mask = np.zeros(shape, np.uint8)
        # Labels keep off the edge.
        self.taken[[0, -1]] = 1
        self.taken[:, [0, -1]] = 1

    def mask(self, polygons: list[NDArray[np.float64]]) -> Mask:
        """1 inside polygons of picture pixels, even-odd, so that holes stay free."""
        drawn = np.zeros(self.taken.shape, np.uint8)
        scaled = [np.rint(p / self.cell - 0.5).astype(np.int32) for p in polygons]
        if scaled:
            cv2.fillPoly(drawn, scaled, 1)
        return drawn

    def take(self, box: Box) -> None:
        """Nothing else may be put on `box`."""
        x0, y0, x1, y1 = (v / self.cell for v in box)
        rows = slice(max(0, int(np.floor(y0))), max(0, int(np.ceil(y1))))
        self.taken[rows, max(0, int(np.floor(x0))) : max(0, int(np.ceil(x1)))] = 1

    def take_line(self, start: NDArray[Any], end: NDArray[Any]) -> None:
        """Nothing else may be put on the line between two points of the picture."""
        x, y = _cells(start / self.cell, end / self.cell, self.taken.shape)
        self.taken[y, x] = 1

    def clear(self, start: NDArray[Any], end: NDArray[Any], block: Mask) -> bool:
        """Whether the line between two points of the picture misses every blocked cell."""
        x, y = _cells(start / self.cell, end / self.cell, block.shape)
        return not bool(block[y, x].any())

    def place(
        self,
        size: tuple[float, float],
        *,
        near: Mask,
        cover: NDArray[np.float32],
        pull: float,
        block: Mask,
        reach: float = np.inf,
        strict: bool = False,
    ) -> Point | None:
        """Best place for a label.

        Parameters
        ----------
        size
            Width and height in pixels, clearance included.
        near
            1 where the named thing is; the label stays as close as may be.
        cover
            What covering a whole label's worth of a cell costs.
        pull
            What a pixel of distance costs.
        block
            1 where the straight line between label and thing had better not pass.
        reach
            Largest distance in pixels.
        strict
            Rather no place at all than one without a free line.

        Returns
        -------
        Upper left corner in pixels; None if nothing is free.
        """
        wide, high = (int(np.ceil(v / self.cell)) for v in size)
        rows, columns = self.taken.shape
        if wide >= columns or high >= rows or not near.any():
            return None
        far = cv2.distanceTransform(1 - near, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        nearest = cv2.erode(far, np.ones((high, wide), np.uint8), anchor=(0, 0))
        away = self.cell * np.asarray(nearest)[: rows - high + 1, : columns - wide + 1]
        cost = _sums(cover, wide, high) / (wide * high) + pull * away
        # Among equals the upper one: people look there first.
        cost += np.linspace(0, 0.02, cost.shape[0])[:, None]
        cost[(_sums(self.taken, wide, high) > 0) | (away > reach)] = np.inf
        best = self._best(cost, (wide, high), near, block, strict)
        return None if best is None else (best[0] * self.cell, best[1] * self.cell)

    def _best(
        self, cost: NDArray[Any], box: tuple[int, int], near: Mask, block: Mask, strict: bool
    ) -> Point | None:
        """Column and row of the cheapest place with a free line; else of the cheapest."""
        flat = cost.ravel()
        count = int(np.isfinite(flat).sum())
        if count == 0:
            return None
        order = np.argsort(flat, kind="stable")[:count]
        # Spread the tries: neighbours share their line's fate.
        tries = np.unique(np.geomspace(1, count, _TRIES).astype(int) - 1)
        rim = near & ~np.asarray(cv2.erode(near, np.ones((3, 3), np.uint8)), np.uint8) & 1
        edge = np.argwhere(rim if np.any(rim) else near)[:, ::-1] + 0.5
        for index in order[tries]:
            y, x = np.unravel_index(int(index), cost.shape)
            low = np.array([x, y], np.float64)
            starts = np.clip(edge, low, low + box)
            k = int(np.argmin(((edge - starts) ** 2).sum(axis=1)))
            columns, rows = _cells(starts[k], edge[k], block.shape)
            if not block[rows, columns].any():
                return float(x), float(y)
        y, x = np.unravel_index(int(order[0]), cost.shape)
        return None if strict else (float(x), float(y))


def _sums(grid: NDArray[Any], wide: int, high: int) -> NDArray[np.float64]:
    """Sum of `grid` under a box at every place that it fits."""
    whole = cv2.integral(grid, sdepth=cv2.CV_64F)
    return np.asarray(
        whole[high:, wide:] - whole[:-high, wide:] - whole[high:, :-wide] + whole[:-high, :-wide]
    )


def _cells(
    start: NDArray[Any], end: NDArray[Any], shape: tuple[int, ...]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Columns and rows of the grid cells along a line."""
    count = int(np.abs(end - start).max()) * 2 + 2
    x, y = np.linspace(start, end, count).astype(np.intp).T
    inside = (x >= 0) & (y >= 0) & (x < shape[1]) & (y < shape[0])
    return x[inside], y[inside]
