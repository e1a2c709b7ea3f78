"""Outlines as napari's shapes and back.

napari counts from pixel centres and rows first, outlines from pixel corners and x first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide.outline_edit import free_name
from fullhide.outlines import RegionOutline

__all__ = ["FEATURES", "as_outlines", "rows_columns", "xy"]

Points = NDArray[np.float64]

#: Columns of the outlines' table, with the value of a shape that napari has just added.
FEATURES: dict[str, Any] = {"place": -1, "label": ""}


def rows_columns(points: Points) -> Points:
    """Points (N, 2) of an outline as napari has them."""
    return np.asarray(points, np.float64)[:, ::-1] - 0.5


def xy(points: Any) -> Points:
    """Points (N, 2) of napari as an outline has them."""
    return np.asarray(points, np.float64)[:, -2:][:, ::-1] + 0.5


def as_outlines(
    shapes: Sequence[Any],
    types: Sequence[str],
    places: Iterable[int],
    *,
    drawn: Sequence[RegionOutline],
    photo: str,
    kind: str,
) -> tuple[RegionOutline, ...]:
    """The outlines that napari's shapes stand for now.

    Parameters
    ----------
    shapes, types
        As the layer holds them.
    places
        For each the place of its outline among `drawn`; -1 for a new one.
    drawn
        The photo's outlines before.
    photo, kind
        What new ones belong to and are.
    """
    made: list[RegionOutline] = []
    taken = {outline.name for outline in drawn}
    for points, shape, place in zip(shapes, types, places, strict=True):
        polygon = xy(_corners(np.asarray(points, np.float64), shape))
        if len(polygon) < 3:
            continue
        if 0 <= place < len(drawn):
            outline = drawn[place]
            same = np.allclose(polygon, outline.polygon, rtol=0, atol=1e-3)
            made.append(outline if same else replace(outline, polygon=polygon))
        else:
            name = kind if kind in ("ignore", "chart") else free_name(kind, taken)
            taken.add(name)
            made.append(RegionOutline(photo=photo, name=name, kind=kind, polygon=polygon))
    return tuple(made)


def _corners(points: Points, shape: str) -> Points:
    """A polygon's points; an ellipse, which napari gives by its box, as a polygon."""
    if shape != "ellipse" or len(points) != 4:
        return points
    middle, a, b = points.mean(axis=0), points[1] - points[0], points[3] - points[0]
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)[:, None]
    return np.asarray(middle + 0.5 * np.cos(angle) * a + 0.5 * np.sin(angle) * b, np.float64)
