"""Corners of an outline, to be taken in hand and dragged. No Qt, no napari."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide.outlines import RegionOutline

__all__ = ["Grip", "Handles"]

Polygon = NDArray[np.float64]
Point = tuple[float, float]

#: A corner is hit from this far, a line from this far, in screen pixels: gloved hands.
_CORNER_PX, _LINE_PX = 16.0, 10.0


@dataclass(frozen=True, slots=True, eq=False)
class Grip:
    """What a press on an outline took hold of.

    Attributes
    ----------
    start
        Where it was pressed, photo pixels.
    before
        The outline's corners then, one just made among them.
    corner
        The corner that is held; None where the whole is.
    new
        Whether the corner was made by the press.
    """

    start: Point
    before: Polygon
    corner: int | None
    new: bool = False

    def ring(self, point: Point) -> Polygon:
        """The corners with the pointer at a place."""
        by = np.subtract(point, self.start)
        if self.corner is None:
            return np.asarray(self.before + by, np.float64)
        made = np.array(self.before)
        made[self.corner] += by
        return made


class Handles:
    """Which corner of the chosen outline is in hand."""

    def __init__(self) -> None:
        #: Number of the corner; None for the whole outline.
        self.corner: int | None = None

    def step(self, outline: RegionOutline, by: int) -> None:
        """Take the next corner."""
        count = len(outline.polygon)
        self.corner = (0 if by > 0 else count - 1) if self.corner is None else self.corner + by
        self.corner %= count

    def pushed(self, outline: RegionOutline, by: Point, size_px: tuple[int, int]) -> Polygon:
        """The corners with the one in hand moved."""
        ring = np.array(outline.polygon)
        if self.corner is not None and self.corner < len(ring):
            ring[self.corner] = np.clip(ring[self.corner] + by, 0.0, size_px)
        return ring

    def without(self, outline: RegionOutline, corner: int) -> Polygon | None:
        """The corners without one; None where too few would be left."""
        fewest = 5 if outline.kind == "chart" else 4
        if len(outline.polygon) < fewest or corner >= len(outline.polygon):
            return None
        return np.delete(outline.polygon, corner, axis=0)

    def grip(self, outline: RegionOutline, point: Point, *, zoom: float) -> Grip | None:
        """What lies at a place of an outline: a corner, its line, its inside.

        Parameters
        ----------
        zoom
            Screen pixels a photo pixel.
        """
        import shapely

        ring = outline.polygon
        away = np.hypot(*(ring - point).T) * zoom
        nearest = int(away.argmin())
        if away[nearest] <= _CORNER_PX:
            return Grip(point, ring, nearest)
        spot = shapely.Point(point)
        sides = shapely.linestrings(np.stack([ring, np.roll(ring, -1, axis=0)], axis=1))
        off = np.asarray(shapely.distance(sides, spot), np.float64) * zoom
        side = int(off.argmin())
        if off[side] <= _LINE_PX and outline.kind != "chart":
            return Grip(point, np.insert(ring, side + 1, point, axis=0), side + 1, new=True)
        inside = shapely.Polygon(ring, outline.holes).contains(spot)
        return Grip(point, ring, None) if inside else None
