"""Outlines as napari's shapes and back.

napari counts from pixel centres and rows first, outlines from pixel corners and x first.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEATURES", "rows_columns", "xy"]

Points = NDArray[np.float64]

#: Columns of the outlines' table, with the value of a shape that napari has just added.
FEATURES: dict[str, Any] = {"place": -1, "label": ""}


def rows_columns(points: Points) -> Points:
    """Points (N, 2) of an outline as napari has them."""
    return np.asarray(points, np.float64)[:, ::-1] - 0.5


def xy(points: Any) -> Points:
    """Points (N, 2) of napari as an outline has them."""
    return np.asarray(points, np.float64)[:, -2:][:, ::-1] + 0.5
