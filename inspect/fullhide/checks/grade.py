"""Grey-scale grade of a change in colour, as textile people rate it: 5 no change, 1 a large one."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray

__all__ = ["grey_scale_grade"]

Vector = NDArray[np.float64]


def grey_scale_grade(lab: Vector, original: Vector) -> Vector:
    """Grade GSc of a colour against the original, 5 down to 1.

    Parameters
    ----------
    lab
        CIE Lab, (..., 3).
    original
        CIE Lab, (3,).

    Returns
    -------
    (...) float64

    Notes
    -----
    ISO 105-A05:1996. The grade's formula, the mean hue and x were seen in public source files; D
    and the factors 20 and 10 are from memory and not checked against the standard. The
    standard's CIELAB is for D65 and 10 degrees, ours for D50 and 2 degrees.
    """
    c_t, c_o = np.hypot(lab[..., 1], lab[..., 2]), np.hypot(original[1], original[2])
    h_t = np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0
    h_o = np.degrees(np.arctan2(original[2], original[1])) % 360.0
    half_turn = np.deg2rad(h_t - h_o) / 2.0
    far = np.abs(h_t - h_o) > 180.0
    # 2 sqrt(C C) sin(Δh / 2) has the square of ΔE² - ΔL² - ΔC²; past half a turn its sign turns.
    d_h = 2.0 * np.sqrt(c_t * c_o) * np.sin(half_turn) * np.where(far, -1.0, 1.0)
    d_l, d_c = lab[..., 0] - original[0], c_t - c_o
    middle = 0.5 * (c_t + c_o)
    total = h_t + h_o
    hue = 0.5 * total + np.where(far, np.where(total < 360.0, 180.0, -180.0), 0.0)
    off = np.abs(hue - 280.0)
    x = (np.where(off <= 180.0, off, 360.0 - off) / 30.0) ** 2
    turned = d_c * middle * np.exp(-x) / 100.0  # D
    d_cf = (d_c - turned) / (1.0 + (20.0 * middle / 1000.0) ** 2)
    d_hf = (d_h - turned) / (1.0 + (10.0 * middle / 1000.0) ** 2)
    d_ef = np.sqrt(d_l**2 + d_cf**2 + d_hf**2)
    small = 5.0 - d_ef / 1.7
    large = 5.0 - np.log2(np.maximum(d_ef, 0.85) / 0.85)
    return cast(Vector, np.maximum(np.where(d_ef <= 3.4, small, large), 1.0))
