"""Pigments of another kind: spectra that look alike in one light and not in another."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import FullhideError
from . import _spectra

__all__ = ["delta_e_in", "metamer"]

Array = NDArray[np.float64]

#: Shortest and longest wave of the difference, nm: pigments have no finer structure (our own).
_WAVES_NM = (70.0, 260.0)
_TRIES, _WAVES = 60, 8


def delta_e_in(light: str, one: ArrayLike, other: ArrayLike) -> float:
    """CIEDE2000 of two spectra, (81,) each, in a light, against that light's own white."""
    weights = _spectra.xyz_weights(light)
    white = weights.sum(axis=0) / _spectra.WHITE_D50
    labs = [_spectra.lab_from_xyz(np.asarray(r, float) @ weights / white) for r in (one, other)]
    return float(_spectra.delta_e_2000(*labs)[0])


def metamer(
    reflectance: ArrayLike,
    *,
    alike_in: str = "D50",
    differs_in: str = "A",
    delta_e: float = 6.0,
    sensor: str = "",
    seed: int = 0,
) -> Array:
    """A spectrum of the same colour in one light and of another colour in another.

    Parameters
    ----------
    reflectance
        Spectrum to go from, (81,).
    alike_in, differs_in
        Lights by their names in colour-science.
    delta_e
        CIEDE2000 in the second light.
    sensor
        A camera that is to see no difference in the first light either; empty = only the CIE 1931
        2 degree observer.
    seed
        Of the difference's shape.

    Returns
    -------
    ndarray, (81,)

    Raises
    ------
    FullhideError
        If no such spectrum was found within what surfaces reflect.

    Notes
    -----
    A metameric black, the part of a stimulus that the observer's weights do not see, is added:
    the null space of the weights (Wyszecki, Farbe 2 (1953) 39; Cohen and Kappauf, Am. J. Psychol.
    95 (1982) 537; from memory).
    """
    base = np.asarray(reflectance, dtype=np.float64)
    seen = _spectra.xyz_weights(alike_in)
    if sensor:
        seen = np.concatenate([seen, _spectra.response(sensor, alike_in)], axis=1)
    q = np.linalg.qr(seen)[0]
    rng = np.random.default_rng([seed, 81])
    for _ in range(_TRIES):
        waves = rng.uniform(*_WAVES_NM, _WAVES)
        phases = 2.0 * np.pi * (_spectra.WAVELENGTHS[:, None] / waves + rng.random(_WAVES))
        shape = np.cos(phases) @ rng.normal(size=_WAVES)
        black = shape - q @ (q.T @ shape)
        for sign in (1.0, -1.0):
            made = _scaled(base, sign * black, differs_in, delta_e)
            if made is not None:
                return made
    raise FullhideError(
        "scene",
        f"no surface is {delta_e:g} off in {differs_in} and alike in {alike_in}",
        "ask for a smaller delta_e or a lighter colour",
    )


def _scaled(base: Array, black: Array, light: str, delta_e: float) -> Array | None:
    """So much of the black that the difference is as asked; None where no surface has it."""
    room = np.where(black > 0, _spectra.LIGHTEST - base, base - _spectra.DARKEST)
    most = float((room / np.maximum(np.abs(black), 1e-12)).min())
    if delta_e_in(light, base + most * black, base) < delta_e:
        return None
    low, high = 0.0, most
    for _ in range(40):
        middle = 0.5 * (low + high)
        if delta_e_in(light, base + middle * black, base) < delta_e:
            low = middle
        else:
            high = middle
    return base + high * black
