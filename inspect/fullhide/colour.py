"""Per-pixel colour kernels: XYZ(D50) to CIE Lab, and CIEDE2000, fast and true to the formulas.

OpenCV's own Lab loses up to several ΔE00 on dark colours; these kernels stay in linear light and
follow the defining equations, in the precision of their input.
"""

from __future__ import annotations

from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "REC2020_TO_XYZ",
    "WHITE_D50",
    "delta_e00",
    "delta_e00_gradient",
    "lab_to_xyz",
    "xyz_to_lab",
    "xyz_to_rec2020",
    "xyz_to_srgb8",
]

#: CIE XYZ of the D50 white, Y = 1 (the ICC profile connection space; ISO 15076-1).
WHITE_D50: NDArray[np.float64] = np.array([0.96422, 1.0, 0.82521])

#: Linear Rec.2020 RGB (D65 white) to XYZ(D50), linear Bradford adaptation. Primaries: Rec. ITU-R
#: BT.2020; checked against colour-science in the tests.
REC2020_TO_XYZ: NDArray[np.float64] = np.array(
    [
        [0.67345893, 0.16566089, 0.12510018],
        [0.27903329, 0.67533791, 0.04562880],
        [-0.00193136, 0.02997940, 0.79716196],
    ]
)

_EPSILON = 216.0 / 24389.0  # CIE 15:2018, the join of the two branches
_KAPPA = 24389.0 / 27.0


def xyz_to_lab(xyz: NDArray[Any]) -> NDArray[Any]:
    """CIE Lab of XYZ(D50) values.

    Parameters
    ----------
    xyz
        Shape (..., 3), float32 or float64, Y = 1 for the perfect white. Negative values (noise
        around black) follow the linear branch.

    Returns
    -------
    ndarray
        Lab, same shape and precision (float64 unless float32 came in).

    Notes
    -----
    CIE 15:2018, section 8.2.1.
    """
    xyz = np.asarray(xyz)
    if xyz.dtype != np.float32:
        xyz = xyz.astype(np.float64, copy=False)
    shape = xyz.shape
    scale = np.diag(1.0 / WHITE_D50)
    mix = np.array([[0, 116, 0, -16], [500, -500, 0, 0], [0, 200, -200, 0]], dtype=np.float64)
    t: NDArray[Any] = np.asarray(cv2.transform(np.ascontiguousarray(xyz).reshape(-1, 1, 3), scale))
    # OpenCV's root is several times as fast as NumPy's, and exact to a few steps of its type.
    root = cv2.pow(t, 1.0 / 3.0)
    dark = t <= t.dtype.type(_EPSILON)
    if dark.any():
        line = t * t.dtype.type(_KAPPA / 116.0) + t.dtype.type(16.0 / 116.0)
        np.copyto(root, line, where=dark)
    return cast(NDArray[Any], cv2.transform(root, mix).reshape(shape))


def lab_to_xyz(lab: ArrayLike) -> NDArray[np.float64]:
    """XYZ(D50) of CIE Lab values, in float64; the inverse of `xyz_to_lab`.

    Parameters
    ----------
    lab
        Shape (..., 3).

    Returns
    -------
    ndarray of float64
        Same shape; Y = 1 for the perfect white.
    """
    lab = np.asarray(lab, dtype=np.float64)
    fy = (lab[..., 0] + 16.0) / 116.0
    f = np.stack([fy + lab[..., 1] / 500.0, fy, fy - lab[..., 2] / 200.0], axis=-1)
    t = np.where(f**3 > _EPSILON, f**3, (116.0 * f - 16.0) / _KAPPA)
    return cast(NDArray[np.float64], t * WHITE_D50)


def xyz_to_rec2020(xyz: ArrayLike) -> NDArray[np.float64]:
    """Working linear RGB of XYZ(D50), shape (..., 3), float64."""
    return cast(
        NDArray[np.float64], np.asarray(xyz, dtype=np.float64) @ np.linalg.inv(REC2020_TO_XYZ).T
    )


_XYZ_TO_SRGB = np.array(
    [
        [3.13425994, -1.61719782, -0.49068516],
        [-0.97875507, 1.91613505, 0.03344623],
        [0.07194227, -0.22895821, 1.40520599],
    ]
)


def xyz_to_srgb8(xyz: ArrayLike) -> NDArray[np.uint8]:
    """Display colour (sRGB, 8 bits, clipped) of XYZ(D50), for marks and pages only."""
    linear = np.clip(np.asarray(xyz, dtype=np.float64) @ _XYZ_TO_SRGB.T, 0.0, 1.0)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return cast(NDArray[np.uint8], np.round(coded * 255.0).astype(np.uint8))


def in_srgb(xyz: ArrayLike) -> NDArray[np.bool_]:
    """Whether a screen of sRGB can show XYZ(D50), to half a code of 8 bits; (..., 3) to (...)."""
    linear = np.asarray(xyz, dtype=np.float64) @ _XYZ_TO_SRGB.T
    # The curve's slope is 12.92 at the dark end and 1.055 / 2.4 at the light one.
    held = (linear >= -0.5 / (255.0 * 12.92)) & (linear <= 1.0 + 0.5 * 2.4 / (255.0 * 1.055))
    return cast(NDArray[np.bool_], held.all(axis=-1))


def delta_e00(lab_1: ArrayLike, lab_2: ArrayLike, *, k_l: float = 1.0) -> NDArray[Any]:
    """CIEDE2000 colour difference.

    Parameters
    ----------
    lab_1, lab_2
        Shapes (..., 3) that broadcast. Computed in float32 if both are float32, else in float64.
    k_l
        Lightness weight: 1 for spots on one panel, 2 for grained part against grained part.

    Returns
    -------
    ndarray
        Shape of the broadcast without its last axis.

    Notes
    -----
    ISO/CIE 11664-6; worked through after Sharma, Wu and Dalal, Color Res. Appl. 30 (2005) 21-30.
    """
    one, two = np.asarray(lab_1), np.asarray(lab_2)
    kind = np.float32 if one.dtype == two.dtype == np.float32 else np.float64
    one, two = one.astype(kind, copy=False), two.astype(kind, copy=False)
    l1, a1, b1 = (one[..., i] for i in range(3))
    l2, a2, b2 = (two[..., i] for i in range(3))

    c7 = (0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2))) ** 7
    g = 0.5 * (1.0 - np.sqrt(c7 / (c7 + kind(25.0**7))))
    a1, a2 = a1 * (1.0 + g), a2 * (1.0 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.arctan2(b1, a1), np.arctan2(b2, a2)
    grey = c1 * c2 == 0.0

    pi = kind(np.pi)
    dh = h2 - h1
    dh = np.where(dh > pi, dh - 2 * pi, np.where(dh < -pi, dh + 2 * pi, dh))
    dh = np.where(grey, kind(0.0), dh)
    # The mean hue lies on the short way round; for greys it is the sum (Sharma et al., eq. 14).
    h1, h2 = np.where(h1 < 0, h1 + 2 * pi, h1), np.where(h2 < 0, h2 + 2 * pi, h2)
    total, apart = h1 + h2, np.abs(h1 - h2)
    mean = np.where(total < 2 * pi, 0.5 * total + pi, 0.5 * total - pi)
    mean = np.where(grey, total, np.where(apart <= pi, 0.5 * total, mean))

    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2.0 * np.sqrt(c1 * c2) * np.sin(0.5 * dh)
    l_mean, c_mean = 0.5 * (l1 + l2) - 50.0, 0.5 * (c1 + c2)
    t = (
        1.0
        - 0.17 * np.cos(mean - np.radians(30.0))
        + 0.24 * np.cos(2.0 * mean)
        + 0.32 * np.cos(3.0 * mean + np.radians(6.0))
        - 0.20 * np.cos(4.0 * mean - np.radians(63.0))
    )
    s_l = k_l * (1.0 + 0.015 * l_mean**2 / np.sqrt(20.0 + l_mean**2))
    s_c = 1.0 + 0.045 * c_mean
    s_h = 1.0 + 0.015 * c_mean * t
    c7 = c_mean**7
    r_c = 2.0 * np.sqrt(c7 / (c7 + kind(25.0**7)))
    angle = np.radians(60.0) * np.exp(-(((np.degrees(mean) - 275.0) / 25.0) ** 2))
    l_term, c_term, h_term = d_l / s_l, d_c / s_c, d_h / s_h
    squared = l_term**2 + c_term**2 + h_term**2 - np.sin(angle) * r_c * c_term * h_term
    return cast(NDArray[Any], np.sqrt(np.maximum(squared, 0.0)).astype(kind, copy=False))


def delta_e00_gradient(
    lab_1: ArrayLike, lab_2: ArrayLike, *, k_l: float = 1.0
) -> NDArray[np.float64]:
    """Slope of CIEDE2000 with `lab_2`, shape (3,), by central differences of 0.01.

    Used to carry a covariance of Lab through to a standard uncertainty of the difference.
    """
    two = np.asarray(lab_2, dtype=np.float64)
    step = 0.01 * np.eye(3)
    return cast(
        NDArray[np.float64],
        (delta_e00(lab_1, two + step, k_l=k_l) - delta_e00(lab_1, two - step, k_l=k_l)) / 0.02,
    )
