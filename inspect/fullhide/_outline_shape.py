"""Box and area of an outline, worked out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from fullhide.outlines import RegionOutline

__all__ = ["OutlineShape", "shape_of"]


@dataclass(frozen=True, slots=True)
class OutlineShape:
    """Box (x0, y0, x1, y1) in pixels and area in square pixels, holes taken off."""

    box: tuple[float, float, float, float]
    area_px: float


@lru_cache(maxsize=4096)
def shape_of(outline: RegionOutline) -> OutlineShape:
    """The shape of an outline; outlines are compared by identity."""
    ring = outline.polygon.tolist()
    xs, ys = [x for x, _ in ring], [y for _, y in ring]
    area = _area(ring) - sum(_area(hole.tolist()) for hole in outline.holes)
    return OutlineShape((min(xs), min(ys), max(xs), max(ys)), area)


def _area(ring: Sequence[Sequence[float]]) -> float:
    """Area of a ring, square pixels (the shoelace formula)."""
    following = (*ring[1:], ring[0])
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, following, strict=True))) / 2.0
