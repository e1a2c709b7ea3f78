"""Dye films by Kubelka and Munk: what a film of given thickness makes of the colour beneath.

All functions work elementwise on linear reflectances (0 to 1), one value per wavelength
or per channel, and broadcast their arguments like NumPy.

References
----------
Kubelka, P. and Munk, F., 1931, Zeitschrift fuer technische Physik 12, 593-601; the
hyperbolic closed form is Kubelka, P., 1948, Journal of the Optical Society of America
38, 448-457.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["coats", "film_reflectance", "film_transmittance", "k_over_s", "r_infinity"]

Array = NDArray[np.float64]


def k_over_s(r_inf: ArrayLike) -> Array:
    """Absorption over scattering of a film that hides fully.

    Parameters
    ----------
    r_inf
        Reflectance of a film so thick that nothing shows through, in (0, 1].

    Returns
    -------
    ndarray
        K/S = (1 - Rinf)^2 / (2 Rinf), dimensionless.
    """
    r = _reflectance(r_inf, "r_inf", positive=True)
    return (1.0 - r) ** 2 / (2.0 * r)


def r_infinity(ratio: ArrayLike) -> Array:
    """Reflectance of a fully hiding film from its K/S (0 or more); inverse of `k_over_s`."""
    q = np.asarray(ratio, dtype=np.float64)
    if np.any(q < 0.0) or not np.all(np.isfinite(q)):
        raise ValueError("K/S must be finite and not negative")
    # 1 + q - sqrt(q^2 + 2q) written without the cancellation for large q.
    return 1.0 / (1.0 + q + np.sqrt(q * (q + 2.0)))


def film_reflectance(rg: ArrayLike, *, r_inf: ArrayLike, sx: ArrayLike) -> Array:
    """Reflectance of a film over a background.

    Parameters
    ----------
    rg
        Reflectance of the background, 0 to 1.
    r_inf
        Reflectance of the fully hiding film, in (0, 1].
    sx
        Scattering power S times thickness X, dimensionless, 0 or more.

    Returns
    -------
    ndarray
        R(X) = [1 - Rg (a - b coth bSX)] / [a - Rg + b coth bSX], with
        a = (1/Rinf + Rinf)/2 and b = (1/Rinf - Rinf)/2.
    """
    g = _reflectance(rg, "rg")
    r = _reflectance(r_inf, "r_inf", positive=True)
    x = _thickness(sx)
    # The closed form divided through by coth(bSX): finite at thickness 0 and, with
    # tanh(bSX)/b -> SX, at Rinf = 1 as well.
    a = 0.5 * (1.0 / r + r)
    b = 0.5 * (1.0 / r - r)
    t = _tanh_over(b, x)
    return (g * (1.0 - a * t) + t) / (1.0 + t * (a - g))


def film_transmittance(*, r_inf: ArrayLike, sx: ArrayLike) -> Array:
    """Transmittance of a film, T = b / (a sinh bSX + b cosh bSX); see `film_reflectance`."""
    r = _reflectance(r_inf, "r_inf", positive=True)
    x = _thickness(sx)
    a = 0.5 * (1.0 / r + r)
    b = 0.5 * (1.0 / r - r)
    # cosh overflows long after the film has become opaque.
    return 1.0 / (np.cosh(np.minimum(b * x, 700.0)) * (1.0 + a * _tanh_over(b, x)))


def coats(rg: ArrayLike, *, r_inf: ArrayLike, sx_per_coat: ArrayLike, number: int) -> Array:
    """Reflectance after each of several equal coats, laid one on the other.

    Parameters
    ----------
    rg, r_inf
        As in `film_reflectance`.
    sx_per_coat
        Scattering power times thickness of one coat.
    number
        How many coats, 0 or more.

    Returns
    -------
    ndarray, shape (number + 1, ...)
        Reflectance after 0, 1, ... `number` coats by the layer recursion
        R_n = R0 + T^2 R_(n-1) / (1 - R0 R_(n-1)).
    """
    if number < 0:
        raise ValueError("the number of coats cannot be negative")
    r0 = film_reflectance(0.0, r_inf=r_inf, sx=sx_per_coat)
    t2 = film_transmittance(r_inf=r_inf, sx=sx_per_coat) ** 2
    shape = np.broadcast_shapes(np.shape(rg), r0.shape)
    steps = np.empty((number + 1, *shape))
    steps[0] = _reflectance(rg, "rg")
    for n in range(number):
        steps[n + 1] = r0 + t2 * steps[n] / (1.0 - r0 * steps[n])
    return steps


def _tanh_over(b: Array, x: Array) -> Array:
    """tanh(b x) / b, and its limit x where b is 0."""
    safe = np.where(b > 0.0, b, 1.0)
    return np.where(b > 0.0, np.tanh(safe * x) / safe, x)


def _reflectance(value: ArrayLike, name: str, *, positive: bool = False) -> Array:
    r = np.asarray(value, dtype=np.float64)
    low = r <= 0.0 if positive else r < 0.0
    if np.any(low) or np.any(r > 1.0) or not np.all(np.isfinite(r)):
        bounds = "in (0, 1]" if positive else "from 0 to 1"
        raise ValueError(f"{name} must be a reflectance {bounds}")
    return r


def _thickness(sx: ArrayLike) -> Array:
    x = np.asarray(sx, dtype=np.float64)
    if np.any(x < 0.0) or not np.all(np.isfinite(x)):
        raise ValueError("sx must be finite and not negative")
    return x
