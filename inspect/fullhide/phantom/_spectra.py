"""Reflectance spectra, lights and cameras on one grid of wavelengths.

Everything that needs a wavelength happens here, once per material; the picture itself is
made of mixtures of a few camera colours.  Data come from colour-science (CIE 1931 2 degree
observer, CIE illuminants, two measured camera sensitivity sets, measured chart patches).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .._colour_science import colour
from ..errors import FullhideError

__all__ = [
    "WAVELENGTHS",
    "chart_spectra",
    "chart_lab",
    "delta_e_2000",
    "in_camera_matrix",
    "lab_from_reflectance",
    "lab_from_xyz",
    "reflectance_from_lab",
    "response",
    "xyz_weights",
]

Array = NDArray[np.float64]

#: Nanometres: 380 to 780 in steps of 5, the CIE's abridged range.
WAVELENGTHS: Array = np.arange(380.0, 780.1, 5.0)
#: ICC profile connection space white, Y = 1.
WHITE_D50: Array = np.array([0.96422, 1.0, 0.82521])
#: No real surface is darker or lighter than this at any wavelength (our own bounds).
DARKEST, LIGHTEST = 0.005, 0.98
#: Own neutral names for colour-science's measured sensitivity sets.
SENSORS = {"camera-a": "Nikon 5100 (NPL)", "camera-b": "Sigma SDMerill (NPL)"}
EDITIONS = {
    "after-2014": "ColorChecker24 - After November 2014",
    "before-2014": "ColorChecker24 - Before November 2014",
}
# Bradford adaptation and sRGB primaries, from colour-science at first use.
_CIE_E, _CIE_K = 216.0 / 24389.0, 24389.0 / 27.0


def _on_grid(wavelengths: ArrayLike, values: ArrayLike) -> Array:
    """Linear interpolation to the grid, nothing outside the data's range."""
    v = np.asarray(values, dtype=np.float64)
    columns = v.reshape(len(v), -1)
    w = np.asarray(wavelengths, dtype=np.float64)
    out = np.stack([np.interp(WAVELENGTHS, w, c, left=0.0, right=0.0) for c in columns.T], axis=-1)
    return out.reshape(len(WAVELENGTHS), *v.shape[1:])


@cache
def illuminant(name: str) -> Array:
    """Relative power of a light known to colour-science by `name`, shape (81,)."""
    lights = colour().SDS_ILLUMINANTS
    if name not in lights:
        known = "D50, D65, A, FL2, FL11, LED-B3"
        raise FullhideError("scene", f"no light is called {name!r}", f"use for example {known}")
    sd = lights[name]
    return _on_grid(sd.wavelengths, sd.values)


@cache
def observer() -> Array:
    """CIE 1931 2 degree colour-matching functions, shape (81, 3)."""
    cmfs = colour().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return _on_grid(cmfs.wavelengths, cmfs.values)


@cache
def xyz_weights(light: str) -> Array:
    """Weights W, shape (81, 3), with reflectance @ W = XYZ under `light`, Y = 1 for white.

    Under D50 the columns are scaled (by less than 1e-4) so that the perfect white gives
    exactly the ICC white.
    """
    w = illuminant(light)[:, None] * observer()
    w = w / w[:, 1].sum()
    if light == "D50":
        w = w * (WHITE_D50 / w.sum(axis=0))
    return np.asarray(w, dtype=np.float64)


def lab_from_xyz(xyz: ArrayLike) -> Array:
    """CIE 1976 L*a*b* against the ICC D50 white; shape (..., 3)."""
    r = np.asarray(xyz, dtype=np.float64) / WHITE_D50
    f = np.where(r > _CIE_E, np.cbrt(r), (_CIE_K * r + 16.0) / 116.0)
    return np.stack(
        [
            116.0 * f[..., 1] - 16.0,
            500.0 * (f[..., 0] - f[..., 1]),
            200.0 * (f[..., 1] - f[..., 2]),
        ],
        axis=-1,
    )


def xyz_from_lab(lab: ArrayLike) -> Array:
    """Inverse of `lab_from_xyz`."""
    v = np.asarray(lab, dtype=np.float64)
    fy = (v[..., 0] + 16.0) / 116.0
    f = np.stack([fy + v[..., 1] / 500.0, fy, fy - v[..., 2] / 200.0], axis=-1)
    cubed = f**3
    return np.where(cubed > _CIE_E, cubed, (116.0 * f - 16.0) / _CIE_K) * WHITE_D50


def lab_from_reflectance(reflectance: ArrayLike) -> Array:
    """CIE 1976 L*a*b* under D50, 2 degree observer, of spectra of shape (..., 81)."""
    return lab_from_xyz(np.asarray(reflectance, dtype=np.float64) @ xyz_weights("D50"))


def delta_e_2000(lab: ArrayLike, reference: ArrayLike) -> Array:
    """CIEDE2000 by colour-science; shapes (..., 3), broadcast."""
    a = np.atleast_2d(np.asarray(lab, dtype=np.float64))
    b = np.broadcast_to(np.asarray(reference, dtype=np.float64), a.shape)
    return np.asarray(colour().delta_E(a, b, method="CIE 2000"), dtype=np.float64)


def reflectance_from_lab(lab: ArrayLike, *, like: ArrayLike | None = None) -> Array:
    """A smooth reflectance spectrum with exactly this colour.

    Parameters
    ----------
    lab
        CIE L*a*b*, D50, 2 degree observer.
    like
        A spectrum of shape (81,) whose shape to keep as far as possible.  Without it the
        result is the smooth sigmoid of a quadratic in wavelength.

    Returns
    -------
    ndarray, shape (81,)
        Reflectance, within 0.005 to 0.98, whose Lab agrees to better than 0.001.

    Raises
    ------
    FullhideError
        If no surface within these bounds has the colour.

    Notes
    -----
    The sigmoid of a polynomial is the model of Jakob, W. and Hanika, J., 2019, Computer
    Graphics Forum 38, 147-155.  colour-science's own fit of it takes seconds for a chart;
    three equations in three unknowns need a few Newton steps.
    """
    base = None if like is None else tuple(np.asarray(like, dtype=np.float64).tolist())
    return _recovered(tuple(float(v) for v in np.asarray(lab).ravel()), base).copy()


@cache
def _recovered(lab: tuple[float, ...], like: tuple[float, ...] | None) -> Array:
    target = np.array(lab)
    weights = xyz_weights("D50")
    # Held constant where neither eye nor camera sees much: no colour may run off there.
    t = (np.clip(WAVELENGTHS, 420.0, 690.0) - 555.0) / 175.0
    basis = np.stack([np.ones_like(t), t, t * t])
    start = np.zeros_like(t) if like is None else _logit(np.array(like))
    c = np.zeros(3)
    if like is None:
        c[0] = _logit(np.atleast_1d(xyz_from_lab(target)[1]))[0]
    spread = LIGHTEST - DARKEST

    def attempt(coefficients: Array) -> tuple[Array, Array, Array]:
        z = np.clip(start + coefficients @ basis, -60.0, 60.0)
        sigmoid = 1.0 / (1.0 + np.exp(-z))
        r = DARKEST + spread * sigmoid
        return r, spread * sigmoid * (1.0 - sigmoid), lab_from_xyz(r @ weights) - target

    r, slope, miss = attempt(c)
    for _ in range(200):
        if np.abs(miss).max() < 1e-6:
            break
        d_xyz = (basis * slope) @ weights
        xyz = r @ weights
        step = 1e-6
        d_lab = np.stack(
            [
                (lab_from_xyz(xyz + step * d) - lab_from_xyz(xyz - step * d)) / (2 * step)
                for d in d_xyz
            ],
            axis=-1,
        )
        move = np.linalg.lstsq(d_lab, -miss, rcond=None)[0]
        # Halve the step until it helps; far from the goal Newton overshoots.
        for halving in range(12):
            trial = attempt(c + move * 0.5**halving)
            if np.linalg.norm(trial[2]) < np.linalg.norm(miss):
                break
        else:
            break
        c = c + move * 0.5**halving
        r, slope, miss = trial
    if np.abs(miss).max() > 1e-3:
        raise FullhideError(
            "scene",
            f"no surface has the colour Lab {', '.join(f'{v:g}' for v in lab)}",
            "choose a colour nearer to grey",
        )
    r.setflags(write=False)
    return r


def _logit(r: Array) -> Array:
    p = np.clip((r - DARKEST) / (LIGHTEST - DARKEST), 1e-4, 1.0 - 1e-4)
    return np.asarray(np.log(p / (1.0 - p)), dtype=np.float64)


@cache
def _measured_patches() -> Array:
    """The 24 measured patch spectra of colour-science's averaged set, shape (24, 81)."""
    patches: Any = colour().SDS_COLOURCHECKERS["BabelColor Average"]
    rows = []
    for sd in patches.values():
        r = np.interp(WAVELENGTHS, sd.wavelengths, sd.values)
        rows.append(np.clip(r, DARKEST, LIGHTEST))
    return np.stack(rows)


@cache
def chart_lab(edition: str) -> Array:
    """Lab (D50) of the 24 patches, dark skin first, row by row; shape (24, 3)."""
    if edition == "measured":
        return lab_from_reflectance(_measured_patches())
    if edition not in EDITIONS:
        raise FullhideError(
            "scene", f"no chart edition {edition!r}", "use after-2014, before-2014 or measured"
        )
    chart = colour().CCS_COLOURCHECKERS[EDITIONS[edition]]
    xyy = np.array(list(chart.data.values()), dtype=np.float64)
    # The edition's Lab values were published; the xyY data hold them relative to their own
    # white, which differs from the ICC's in the fourth place.
    white = _xyz_from_xy(np.asarray(chart.illuminant, dtype=np.float64))
    return lab_from_xyz(_xyz_from_xy(xyy[:, :2]) * xyy[:, 2:] / white * WHITE_D50)


def _xyz_from_xy(xy: Array) -> Array:
    x, y = xy[..., 0], xy[..., 1]
    return np.stack([x / y, np.ones_like(x), (1.0 - x - y) / y], axis=-1)


@cache
def chart_spectra(edition: str) -> Array:
    """Patch spectra whose Lab is exactly the edition's, shape (24, 81).

    The measured spectra are bent as little as the edition asks, so that they keep the
    wiggles of real pigments.  Edition "measured" is the measured set itself.
    """
    measured = _measured_patches()
    if edition == "measured":
        return measured
    lab = chart_lab(edition)
    return np.stack([reflectance_from_lab(v, like=r) for v, r in zip(lab, measured, strict=True)])


@cache
def to_linear_srgb() -> Array:
    """Matrix from XYZ (D65 white, Y = 1) to linear sRGB, IEC 61966-2-1, by colour-science."""
    return np.asarray(colour().RGB_COLOURSPACES["sRGB"].matrix_XYZ_to_RGB, dtype=np.float64)


@cache
def _ideal_weights(light: str) -> Array:
    """Weights to linear sRGB of an observer adapted to `light` (Bradford), shape (81, 3)."""
    weights = xyz_weights(light)
    white = weights.sum(axis=0)
    d65 = np.linalg.inv(to_linear_srgb()) @ np.ones(3)
    adapt = colour().adaptation.matrix_chromatic_adaptation_VonKries(
        white, d65, transform="Bradford"
    )
    return np.asarray(weights @ (to_linear_srgb() @ adapt).T, dtype=np.float64)


@cache
def response(sensor: str, light: str) -> Array:
    """Weights C, shape (81, 3): reflectance @ C = white-balanced camera RGB, white = 1.

    `sensor` is "camera-a", "camera-b" or "ideal" (an observer that sees linear sRGB).
    """
    if sensor == "ideal":
        return _ideal_weights(light)
    if sensor not in SENSORS:
        raise FullhideError(
            "scene", f"no camera is called {sensor!r}", "use camera-a, camera-b or ideal"
        )
    data = colour().MSDS_CAMERA_SENSITIVITIES[SENSORS[sensor]]
    c = illuminant(light)[:, None] * _on_grid(data.wavelengths, data.values)
    return np.asarray(c / c.sum(axis=0), dtype=np.float64)


@cache
def balance_gains(sensor: str, light: str) -> Array:
    """How much white balance amplifies each channel, green = 1; all 1 for "ideal"."""
    if sensor == "ideal":
        return np.ones(3)
    data = colour().MSDS_CAMERA_SENSITIVITIES[SENSORS[sensor]]
    raw = illuminant(light) @ _on_grid(data.wavelengths, data.values)
    return np.asarray(raw[1] / raw, dtype=np.float64)


@cache
def from_linear_srgb(space: str) -> Array:
    """Matrix from linear sRGB to another linear RGB space with the same white (D65)."""
    spaces = colour().RGB_COLOURSPACES
    return np.asarray(
        spaces[space].matrix_XYZ_to_RGB @ np.linalg.inv(to_linear_srgb()), dtype=np.float64
    )


@cache
def in_camera_matrix(sensor: str, light: str) -> Array:
    """The camera's own 3x3 from balanced camera RGB to linear sRGB, white to white.

    Fitted by least squares over the measured chart spectra under the same light, as a
    camera's maker does it: good on average, exact for white only.
    """
    if sensor == "ideal":
        return np.eye(3)
    spectra = _measured_patches()
    rgb = spectra @ response(sensor, light)
    wanted = spectra @ _ideal_weights(light)
    # Rows must sum to 1: eliminate the last column, then solve freely.
    a = rgb[:, :2] - rgb[:, 2:]
    first = np.linalg.lstsq(a, wanted - rgb[:, 2:], rcond=None)[0].T
    return np.concatenate([first, 1.0 - first.sum(axis=1, keepdims=True)], axis=1)
