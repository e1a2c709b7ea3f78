"""The reflection model: shading, highlight and the share of a colour beneath.

In linear light a pixel of a dyed surface is ``s * ((1 - f) * n + f * u) + k * w`` with shading
``s``, finished colour ``n``, colour beneath ``u``, share ``f``, highlight ``k`` of the light's
colour ``w`` (the dichromatic model of Shafer, Color Res. Appl. 10 (1985) 210, with two body
colours). With ``n``, ``u``, ``w`` known, three channels give the three unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from fullhide.colour import WHITE_D50, delta_e00, xyz_to_lab

__all__ = [
    "Pair",
    "Solution",
    "Veil",
    "colour_pair",
    "condition_number",
    "mix_delta_e",
    "solve",
    "veil_over",
]

Array = NDArray[np.float32]
Vector = NDArray[np.float64]

#: How far a dye may be off the lightness asked for (L*) and, relative, off its hue; how much shine
#: lies over a dyed surface away from its highlights, of a white (our own allowances).
_DYE_OFF, _DYE_HUE, _VEIL = 2.0, 0.05, 0.04
#: Light on a surface over that on the chart that is thought of, and how far, as a logarithm, a
#: seam's valley lies in the shade (our own allowances).
_SHADING, _SHADE = (0.15, 3.0), 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A finished colour and one colour that may lie beneath it.

    Attributes
    ----------
    name
        Name of the colour beneath.
    finish, under, light
        XYZ(D50) of `n`, `u` and `w`, shape (3,).
    condition
        Condition number of the three colours as unit vectors, whitened by the noise.
    share_at_limit
        The share at which the mixture differs from the finish by the limit; infinite if even the
        bare colour beneath does not.
    veil
        XYZ(D50) of the shine that lies over the whole finish in the photo, shape (3,): a spot's
        contrast is the smaller for it, what a person sees of it from another side is not.
    doubt
        Relative standard uncertainty of the contrast by the veil's.
    bare
        How much of the named colour beneath shows where `under` does: below 1 for a thin film.
    """

    name: str
    finish: Vector
    under: Vector
    light: Vector
    condition: float
    share_at_limit: float
    veil: Vector = field(default_factory=lambda: np.zeros(3))
    doubt: float = 0.0
    bare: float = 1.0

    @property
    def seen(self) -> Vector:
        """XYZ(D50) of the finish with the veil over it."""
        return self.finish + self.veil

    @property
    def contrast(self) -> Vector:
        """Relative change of the three channels from finish to bare colour beneath, as seen."""
        return (self.under - self.finish) / self.seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Veil:
    """Shine that lies over a whole finish, XYZ(D50), and what its doubt does to a contrast."""

    light: Vector = field(default_factory=lambda: np.zeros(3))
    doubt: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """Maps of a solved surface, float32 (H, W): shading, share 0 to 1, highlight >= 0.

    `share_u` is the standard uncertainty of the share at shading 1 from the given noise.
    """

    shading: Array
    share: Array
    highlight: Array
    share_u: float


def misfit(
    seen: ArrayLike,
    colour: ArrayLike,
    *,
    light: ArrayLike = WHITE_D50,
    light_doubt: float,
    dim: bool,
) -> Vector:
    """How badly a surface of a colour explains what a photo shows, in whatever light it lies.

    Parameters
    ----------
    seen
        XYZ(D50) as the photo shows it, (..., 3).
    colour
        Of the surface, (3,).
    light, light_doubt
        As `veil_over` takes them.
    dim
        Whether the surface may lie in the shade, as a seam's valley does.

    Returns
    -------
    ndarray (...)
        Squared standard deviations, at the shading and shine that explain it best. Half the
        difference of two colours' is the logarithm of how much likelier one is.
    """
    g, n, w = (np.asarray(c, np.float64) for c in (seen, colour, light))
    g = np.maximum(g, 1e-6)
    off = _light_off(n, light_doubt)
    k = np.linspace(0.0, 0.95, 96) * (g / w).min(axis=-1)[..., None]
    noise = _DYE_HUE * g[..., None, :]
    left, own = (g[..., None, :] - k[..., None] * w) / noise, n / noise
    # The light is known far less well than hues are: the hue alone tells the shading.
    s = np.clip((left * own).sum(axis=-1) / np.square(own).sum(axis=-1), *_SHADING)
    cost = np.square(left - s[..., None] * own).sum(axis=-1) + np.square(k / _VEIL)
    darker = max(off, _SHADE) if dim else off
    cost += np.square(np.log(s) / np.where(s < 1.0, darker, off))
    return cast(Vector, cost.min(axis=-1))


def _light_off(colour: Vector, light_doubt: float) -> float:
    """Doubt of the light on a surface, that of how light its dye came out in it."""
    lightness = float(xyz_to_lab(colour)[0])
    return float(np.hypot(light_doubt, 3.0 * _DYE_OFF / (lightness + 16.0)))


def veil_over(
    seen: ArrayLike, finish: ArrayLike, *, light: ArrayLike = WHITE_D50, light_doubt: float
) -> tuple[float, Veil]:
    """Part what a finish looks like into its shading and the shine that lies over it.

    On a dark finish the broad reflection of a top coat can be half of what is seen. The seen
    colour is `s * finish + k * light`; a coloured finish tells both apart by its saturation, a
    grey or black one only by how well the amount of light is known.

    Parameters
    ----------
    seen, finish
        XYZ(D50) as the photo shows it and as it was asked for, shape (3,).
    light
        XYZ(D50) of the light.
    light_doubt
        Relative standard uncertainty of the light on the part against that on the chart.

    Returns
    -------
    shading, veil
        `s`, and the shine in units of it (`k * light / s`).

    Notes
    -----
    Bayes' rule on a grid of `k`, with `s` at its best. A dye that is `_DYE_OFF` lighter or darker
    than asked counts as doubt of the light.
    """
    g, n, w = (np.asarray(c, np.float64) for c in (seen, finish, light))
    off = _light_off(n, light_doubt)
    k = np.linspace(0.0, 0.95, 96) * float((g / w).min())
    left = (g - k[:, None] * w) / (_DYE_HUE * g)
    own = n / (_DYE_HUE * g)
    s = (left @ own + 1.0 / off**2) / (own @ own + 1.0 / off**2)
    cost = np.square(left - s[:, None] * own).sum(axis=1) + np.square((s - 1.0) / off)
    cost += np.square(k / _VEIL)
    weight = np.exp(-0.5 * (cost - cost.min()))
    weight /= weight.sum()
    # Part of the finish in what is seen: what a contrast is diluted to.
    part = s * n[1] / (s * n[1] + k * w[1])
    mean = float(weight @ part)
    doubt = float(np.sqrt(weight @ np.square(part - mean))) / mean
    shading = float(g[1] * mean / n[1])
    return shading, Veil(light=w * (g[1] * (1.0 - mean) / (w[1] * shading)), doubt=doubt)


def mix_delta_e(finish: ArrayLike, under: ArrayLike, share: ArrayLike) -> NDArray[np.float64]:
    """CIEDE2000 between a finish and its linear mixture with the colour beneath.

    Parameters
    ----------
    finish, under
        XYZ(D50), shape (3,).
    share
        Any shape, 0 to 1.

    Returns
    -------
    ndarray of float64
        Shape of `share`.
    """
    n, u = np.asarray(finish, np.float64), np.asarray(under, np.float64)
    f = np.asarray(share, np.float64)[..., None]
    return cast(NDArray[np.float64], delta_e00(xyz_to_lab(n), xyz_to_lab((1.0 - f) * n + f * u)))


def share_for(finish: ArrayLike, under: ArrayLike, delta_e: float) -> float:
    """Smallest share whose mixture differs from the finish by `delta_e`; inf if none does."""
    grid = np.linspace(0.0, 1.0, 513)
    reached = mix_delta_e(finish, under, grid)
    above = np.flatnonzero(reached >= delta_e)
    if not above.size:
        return float("inf")
    i = int(above[0])
    if i == 0:
        return 0.0
    low, high = reached[i - 1], reached[i]
    return float(grid[i - 1] + (grid[i] - grid[i - 1]) * (delta_e - low) / (high - low))


def condition_number(
    finish: ArrayLike,
    under: ArrayLike,
    light: ArrayLike = WHITE_D50,
    *,
    covariance: ArrayLike | None = None,
) -> float:
    """Condition number of finish, colour beneath and light as unit vectors.

    Parameters
    ----------
    finish, under, light
        XYZ(D50), shape (3,).
    covariance
        Noise covariance (3, 3) to whiten with; the identity if absent.
    """
    basis = np.stack([np.asarray(c, np.float64) for c in (finish, under, light)], axis=1)
    if covariance is not None:
        basis = _whitener(np.asarray(covariance, np.float64)) @ basis
    lengths = np.linalg.norm(basis, axis=0)
    if not np.all(lengths > 0):
        return float("inf")
    return float(np.linalg.cond(basis / lengths))


def colour_pair(
    name: str,
    finish: ArrayLike,
    under: ArrayLike,
    *,
    limit_delta_e: float,
    light: ArrayLike = WHITE_D50,
    covariance: ArrayLike | None = None,
    veil: Veil | None = None,
) -> Pair:
    """Return the pair of a finish and a colour beneath, XYZ(D50), with what follows from it."""
    over = Veil() if veil is None else veil
    return Pair(
        name=name,
        finish=np.maximum(np.asarray(finish, np.float64), 1e-4),
        under=np.maximum(np.asarray(under, np.float64), 1e-4),
        light=np.asarray(light, np.float64),
        condition=condition_number(finish, under, light, covariance=covariance),
        share_at_limit=share_for(finish, under, limit_delta_e),
        veil=over.light,
        doubt=over.doubt,
    )


def solve(xyz: NDArray[Any], *, pair: Pair, covariance: ArrayLike | None = None) -> Solution:
    """Shading, share beneath and highlight of every pixel, none of them negative.

    Parameters
    ----------
    xyz
        Shape (H, W, 3), float32, linear.
    pair
        The colours.
    covariance
        Noise covariance of a pixel in `xyz`, (3, 3); whitens the fit where a term is held at
        zero, and gives `share_u`. The identity times 1e-6 if absent.

    Returns
    -------
    Solution
        The least-squares solution under ``s >= 0``, ``0 <= f <= 1``, ``k >= 0``.

    Notes
    -----
    The exact solution is kept where it is feasible. Elsewhere the best of those with one
    or two terms held at zero is taken, which is the non-negative least-squares solution.
    """
    cov = np.eye(3) * 1e-6 if covariance is None else np.asarray(covariance, np.float64)
    white = _whitener(cov)
    basis = white @ np.stack([pair.finish, pair.under, pair.light], axis=1)
    data = cast(Array, cv2.transform(np.ascontiguousarray(xyz, np.float32), white))
    best = _fit(data, basis, (0, 1, 2))
    infeasible = (best < 0).any(axis=-1)
    if infeasible.any():
        rest = data[infeasible][:, None, :]
        best[infeasible] = _best_face(rest, basis)[:, 0, :]
    bare = best[..., 1]
    body = best[..., 0] + bare
    share = np.divide(bare, body, out=np.zeros_like(bare), where=body > 1e-6)
    inverse = np.linalg.pinv(basis)
    spread = float(np.sqrt((inverse[1] ** 2).sum()))
    return Solution(shading=body, share=share, highlight=best[..., 2], share_u=spread)


def _fit(data: Array, basis: Vector, terms: tuple[int, ...]) -> Array:
    """Unconstrained least squares on some of the three terms; the others are zero."""
    inverse = np.zeros((3, 3))
    inverse[list(terms)] = np.linalg.pinv(basis[:, terms])
    return cast(Array, cv2.transform(data, inverse))


def _best_face(data: Array, basis: Vector) -> Array:
    """Best feasible solution with at least one term at zero; data (N, 1, 3)."""
    best = np.maximum(_fit(data, basis, (0,)), 0.0)
    least = _misfit(data, basis, best)
    for terms in ((0, 1), (0, 2), (1, 2), (1,), (2,)):
        trial = _fit(data, basis, terms)
        cost = _misfit(data, basis, trial)
        better = (trial >= 0).all(axis=-1) & (cost < least)
        best[better], least[better] = trial[better], cost[better]
    return best


def _misfit(data: Array, basis: Vector, terms: Array) -> Array:
    residual = cv2.transform(terms, basis) - data
    return cast(Array, (residual**2).sum(axis=-1))


def _whitener(covariance: Vector) -> Vector:
    """Matrix W with W·C·Wᵀ = 1; a little of the trace keeps a flat covariance invertible."""
    floor = max(float(np.trace(covariance)) * 1e-9, 1e-18)
    return cast(Vector, np.linalg.inv(np.linalg.cholesky(covariance + floor * np.eye(3))))
