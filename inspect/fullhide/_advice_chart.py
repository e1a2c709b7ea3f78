"""Shade on the chart: patches that are darker together on one side of a straight line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fullhide.chart import ChartReading, ChartSpec
from fullhide.colour import lab_to_xyz, xyz_to_rec2020

__all__ = ["chart_shade"]

F64 = NDArray[np.float64]

#: Luminance of working linear RGB (Rec. ITU-R BT.2020).
LUMA: F64 = np.array([0.2627, 0.6780, 0.0593])
_ANGLES = np.deg2rad(np.arange(0.0, 180.0, 22.5))
_FEWEST = 4  # patches on either side of the shadow's edge
#: Standard errors of the step, and what a step must leave of what a slope leaves (our own choices).
_SURE = 10.0
_BETTER = 0.5
_PLACES: F64 = np.stack(np.meshgrid(np.arange(6) - 2.5, np.arange(4) - 1.5), axis=-1).reshape(-1, 2)


def chart_shade(reading: ChartReading, spec: ChartSpec) -> float:
    """Share of the light that is missing on the darker side of the chart, 0 to 1.

    Parameters
    ----------
    reading, spec
        A chart found, and its values.

    Returns
    -------
    float
        0 where no edge of a shadow is told apart from a slow fall of the light.
    """
    if not reading.found:
        return 0.0
    seen = np.log(np.maximum(reading.patches @ LUMA, 1e-5))
    given = np.log(np.maximum(xyz_to_rec2020(lab_to_xyz(spec.lab)) @ LUMA, 1e-4))
    keep = np.ones(24, bool)
    keep[list(reading.bad)] = len(reading.bad) > _FEWEST
    tone = given - given.mean()
    # The camera's tone curve is taken out with the step, not before.
    base = np.column_stack([np.ones(24), tone, tone**2])
    slope = _fit(np.column_stack([base, _PLACES]), seen - given, keep)[0]
    step, error, left = 0.0, 1.0, float("inf")
    for angle in _ANGLES:
        along = np.round(_PLACES @ (np.cos(angle), np.sin(angle)), 6)
        for edge in np.unique(along)[1:]:
            side = (along >= edge).astype(np.float64)
            if not _FEWEST <= side[keep].sum() <= keep.sum() - _FEWEST:
                continue
            rest, height, doubt = _fit(np.column_stack([base, side]), seen - given, keep)
            if rest < left:
                step, error, left = height, doubt, rest
    if abs(step) < _SURE * error or left > _BETTER * slope:
        return 0.0
    return float(-np.expm1(-abs(step)))


def _fit(design: F64, values: F64, keep: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Sum of squares left, and the last term with its standard error."""
    part = design[keep]
    found, *_ = np.linalg.lstsq(part, values[keep], rcond=None)
    off = values[keep] - part @ found
    rest = float(off @ off)
    spread = rest / max(1, len(off) - part.shape[1])
    doubt = np.sqrt(spread * np.linalg.pinv(part.T @ part)[-1, -1])
    return rest, float(found[-1]), max(float(doubt), 1e-6)
