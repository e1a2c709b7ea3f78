"""One masked line with what its checks share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.edge_trace import Trace
from fullhide.colour import xyz_to_lab
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.result import Measure, Verdict
from fullhide.verdict import decide

__all__ = ["ENDS", "OWN_COLOUR", "SOFT", "Line", "Named", "decided", "labs_of"]

Vector = NDArray[np.float64]

#: A fault's stretch ends where it is this part of the limit (our own choice).
ENDS = 0.4
#: A line is soft from this width on, over the limit (our own choice).
SOFT = 0.8
#: A colour of the job is one of the two themselves when it is this near, ΔE00 (our own choice).
OWN_COLOUR = 6.0


@dataclass(frozen=True, slots=True)
class Named:
    """A colour of the job: its name, and XYZ(D50)."""

    name: str
    xyz: Vector


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A line as found, limits, and what the colours to its left and right are called."""

    view: RegionView
    found: Trace
    limits: Limits
    limit: float
    k: float
    scale_doubt: float
    names: tuple[str, str]

    def along(self, start: int, end: int) -> tuple[float, float]:
        """Columns as mm from the line's start."""
        return start * self.view.mm_per_px, end * self.view.mm_per_px

    def rows(self, mm: Vector) -> Vector:
        """Rows of places so many mm below the line's course."""
        return np.asarray(mm / self.view.mm_per_px + 0.5 * self.view.inside.shape[0], np.float64)


def labs_of(found: Trace) -> tuple[Vector, Vector]:
    """Lab of the colours to the left and right of the line."""
    first, second = (np.median(xyz, axis=0) for xyz in (found.sides.first, found.sides.second))
    return np.asarray(xyz_to_lab(first), float), np.asarray(xyz_to_lab(second), float)


def decided(measure: Measure, k: float) -> Verdict:
    """The verdict on a measure against its own limit."""
    if measure.value is None or measure.u is None or measure.limit is None:
        return "retake"
    return decide(measure.value, measure.u, measure.limit, k=k)
