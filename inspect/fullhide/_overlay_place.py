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

    def place(
        self,
        size: tuple[float, float],
        *,
        near: Mask,
        cover: NDArray[np.float32],
        pull: float,
        block: Mask | None = None,
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
            1 where the straight line between label and thing must not pass.

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
        free = _sums(self.taken, wide, high) == 0
        cost = _sums(cover, wide, high) / (wide * high)
        cost += pull * self.cell * np.asarray(nearest)[: rows - high + 1, : columns - wide + 1]
        # Among equals the upper one: people look there first.
        cost += np.linspace(0, 0.02, cost.shape[0])[:, None]
        cost[~free] = np.inf
        return self._best(cost, (wide, high), near, block)

    def _best(
        self, cost: NDArray[Any], box: tuple[int, int], near: Mask, block: Mask | None
    ) -> Point | None:
        flat = cost.ravel()
        count = int(np.isfinite(flat).sum())
        if count == 0:
            return None
        order = np.argsort(flat, kind="stable")[:count]
        best = np.unravel_index(int(order[0]), cost.shape)
        if block is not None:
            # Spread the tries: neighbours share their line's fate.
            tries = np.unique(np.geomspace(1, count, _TRIES).astype(int) - 1)
            edge = np.argwhere(near)[:, ::-1]
            for index in order[tries]:
                y, x = np.unravel_index(int(index), cost.shape)
                middle = np.array([x + box[0] / 2, y + box[1] / 2])
                target = edge[np.argmin(((edge - middle) ** 2).sum(axis=1))] + 0.5
                if not _crosses(block, middle, target):
                    best = (y, x)
                    break
        return float(best[1] * self.cell), float(best[0] * self.cell)


def _sums(grid: NDArray[Any], wide: int, high: int) -> NDArray[np.float64]:
    """Sum of `grid` under a box at every place that it fits."""
    whole = cv2.integral(grid, sdepth=cv2.CV_64F)
    return np.asarray(
        whole[high:, wide:] - whole[:-high, wide:] - whole[high:, :-wide] + whole[:-high, :-wide]
    )


def _crosses(block: Mask, start: NDArray[Any], end: NDArray[Any]) -> bool:
    count = int(np.abs(end - start).max()) * 2 + 2
    x, y = np.linspace(start, end, count).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < block.shape[1]) & (y < block.shape[0])
    return bool(block[y[inside], x[inside]].any())
