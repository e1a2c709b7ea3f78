"""What a drawdown over black and white tells of a tinter: Kubelka and Munk's two constants.

Kubelka, P., Journal of the Optical Society of America 38 (1948) 448-457, channel by channel in
linear light: what is absorbed (K) and scattered (S), both times the film's thickness. The surface
turns light back inside (Saunderson, J. Opt. Soc. Am. 32 (1942) 727, from memory), which mixing does
not see; so it is taken off first and put back last. Shine is no part of what is read.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from fullhide.colour import REC2020_TO_XYZ, lab_to_xyz, xyz_to_lab, xyz_to_rec2020

__all__ = ["channels_of", "hidden", "lab_of", "scattering", "two_constants"]

Array = NDArray[Any]

#: Turned back at the surface from outside, about that of lacquer in air.
_K1 = 0.04
#: Least and most that a channel can reflect below the surface.
_LOW, _HIGH = 1e-4, 0.9995
#: Least that goes through a film and back: below, nothing tells its thickness (own choice).
_LEAST_THROUGH = 1e-5


def channels_of(lab: Array, k2: Array | float) -> Array:
    """Linear red, green and blue below the surface, of CIE Lab; shape (..., 3).

    Parameters
    ----------
    k2
        Share that the surface turns back from inside, 0 to 1, broadcast with (..., 3).
    """
    outside = np.maximum(xyz_to_rec2020(lab_to_xyz(lab)), 0.0)
    inside = outside / ((1.0 - _K1) * (1.0 - k2) + k2 * outside)
    return np.clip(inside, _LOW, _HIGH)


def lab_of(channels: Array, k2: Array | float) -> Array:
    """CIE Lab of what is reflected below the surface, the inverse of `channels_of`."""
    outside = (1.0 - _K1) * (1.0 - k2) * channels / (1.0 - k2 * channels)
    return xyz_to_lab(outside @ REC2020_TO_XYZ.T)


def hidden(k_over_s: Array) -> Array:
    """Reflectance of a film that hides, of K over S, elementwise."""
    return cast(Array, 1.0 / (1.0 + k_over_s + np.sqrt(k_over_s * (k_over_s + 2.0))))


def two_constants(
    over_black: Array, over_white: Array, *, black: Array, white: Array
) -> tuple[Array, Array]:
    """K and S, each times the thickness, of one film over two grounds; elementwise.

    Parameters
    ----------
    over_black, over_white
        Reflectance of the film over each ground, 0 to 1.
    black, white
        Reflectance of the bare grounds.

    Notes
    -----
    Kubelka's two equations, solved for what the film reflects over nothing (R0) and lets through
    and back (T squared) instead of for a and b: a dye that only absorbs has no finite a.
    """
    far_b, far_w = over_black - black, over_white - white
    n = (1.0 + over_black * black) * far_w - (1.0 + over_white * white) * far_b
    d = (over_black + black) * far_w - (over_white + white) * far_b
    with np.errstate(divide="ignore", invalid="ignore"):
        by_black = d * far_b / ((1.0 + over_black * black) * d - 2.0 * n * black)
        by_white = d * far_w / ((1.0 + over_white * white) * d - 2.0 * n * white)
    # A film as bright as its ground tells nothing there: the other ground does.
    r0 = np.where(np.abs(far_b) > np.abs(far_w), by_black, by_white)
    r0 = np.clip(np.nan_to_num(r0, nan=0.0), 1e-6, _HIGH)
    through = (over_white - r0) * (1.0 - r0 * white) / white
    through = np.clip(through, _LEAST_THROUGH, (1.0 - r0) ** 2 * (1.0 - 1e-9))
    a = 0.5 * (1.0 + r0 * r0 - through) / r0
    b = np.sqrt(np.maximum(a * a - 1.0, 1e-12))
    s = np.arcsinh(b * r0 / np.sqrt(through)) / b
    return (a - 1.0) * s, s


def scattering(
    over_black: Array, over_white: Array, *, black: Array, white: Array, hides: Array
) -> Array:
    """S times the thickness of a film whose colour where it hides is known; elementwise.

    Parameters
    ----------
    over_black, over_white, black, white
        As `two_constants`.
    hides
        Reflectance of the same film where it hides.

    Notes
    -----
    Kubelka's film again: (R - h) / (R - 1/h) falls by exp(-2 b S X) from what the bare ground has.
    What black and white still differ by is all that is used: surer than both constants at once.
    """

    def left(r: Array) -> Array:
        return (r - hides) / (r - 1.0 / hides)

    b = 0.5 * (1.0 / hides - hides)
    through = (left(over_black) - left(over_white)) / (left(black) - left(white))
    return cast(Array, -0.5 * np.log(np.clip(through, _LEAST_THROUGH, 1.0 - 1e-4)) / b)
