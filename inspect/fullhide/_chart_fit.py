"""From a camera's linear RGB to CIE XYZ: fits on the chart's patches, and their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import REC2020_TO_XYZ, WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab

__all__ = ["ColourFit", "Tone", "fit_patches", "uncalibrated", "white_only"]

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
Terms: TypeAlias = Literal["linear 3x3", "root-polynomial degree 2"]

GREY_ROW = slice(18, 24)
# A richer model must lower the leave-one-out residual by this much to be believed: own choice.
_CLEAR_GAIN = 0.10
_CLEAR_GAIN_DELTA_E = 0.10
_MIN_PATCHES_ROOT = 14  # 6 coefficients a channel on fewer patches is guessing: own choice
_FEWEST_SHARED = 12  # patches, for two fits to be compared patch by patch: own choice
_NEAR_LAB = 20.0  # Lab distance over which residuals count as "near" in u_lab: own choice


@dataclass(frozen=True, slots=True)
class Tone:
    """A camera's remaining tone curve, channel by channel, learnt from the grey row.

    Maps x to w * ((x - b) / (w - b)) ** g, so the white patch w stays where it is; monotone.

    Attributes
    ----------
    black, white, gamma
        (3,) float64 each: b and w in working linear light, g without unit.
    """

    black: F64
    white: F64
    gamma: F64

    def apply(self, linear: F32) -> F32:
        """The curve on (..., 3) float32; values below b become 0."""
        span = (self.white - self.black).astype(np.float32)
        x = np.maximum((linear - self.black.astype(np.float32)) / span, np.float32(0.0))
        if np.any(self.gamma != 1.0):
            for c in range(3):
                x[..., c] = cv2.pow(np.ascontiguousarray(x[..., c]), float(self.gamma[c])).reshape(
                    x.shape[:-1]
                )
        return np.asarray(x * self.white.astype(np.float32), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class ColourFit:
    """How working linear RGB becomes XYZ (D50), and how well.

    Attributes
    ----------
    method
        "linear 3x3", "root-polynomial degree 2", "paper white" or "uncalibrated".
    matrix
        (3, 3) or (3, 6) float64: coefficients of R, G, B (, √RG, √RB, √GB) for X, Y, Z.
    tone
        Curve applied first, or None.
    residual_delta_e, residual_max_delta_e
        Mean and largest leave-one-out CIEDE2000 over the patches used; None without a chart.
    others
        The leave-one-out means of every model tried, by name.
    used
        (24,) bool: patches that took part.
    lab, residual_lab
        (n, 3) reference Lab of the patches used and their leave-one-out residuals.
    """

    method: str
    matrix: F64
    tone: Tone | None = None
    residual_delta_e: float | None = None
    residual_max_delta_e: float | None = None
    others: dict[str, float] = field(default_factory=dict)
    used: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(24, bool))
    lab: F64 = field(default_factory=lambda: np.zeros((0, 3)))
    residual_lab: F64 = field(default_factory=lambda: np.zeros((0, 3)))

    def apply(self, linear: F32) -> F32:
        """XYZ (D50, Y = 1 for the perfect white) of working linear RGB.

        Parameters
        ----------
        linear
            (..., 3) float32, linear Rec.2020.

        Returns
        -------
        (..., 3) float32; may lie outside the gamut of real surfaces, never clipped.
        """
        shape = linear.shape
        x = np.ascontiguousarray(linear, dtype=np.float32)
        if self.tone is not None:
            x = self.tone.apply(x)
        if x.size == 0:
            return x.copy()
        flat = x.reshape(1, -1, 3) if x.ndim != 3 else x
        if self.matrix.shape[1] == 3:
            out = cv2.transform(flat, self.matrix)
        else:
            out = _root_transform(flat, self.matrix)
        return np.asarray(out, dtype=np.float32).reshape(shape)

    def u_lab(self, lab: F64) -> F64:
        """Standard uncertainty of L*, a*, b* of an absolute colour near `lab`.

        Root mean square of the leave-one-out residuals, patches near in Lab counting most
        (Gaussian of 20 Lab units, own choice, on top of a tenth for every patch).

        Parameters
        ----------
        lab
            (3,) CIE Lab, D50.

        Returns
        -------
        (3,) float64; NaN where no chart was used, because then nothing is known.
        """
        weight = _near(self.lab, lab)
        if weight.size == 0:
            return np.full(3, np.nan)
        return np.asarray(np.sqrt(weight @ self.residual_lab**2))

    def u_lab_against(self, other: ColourFit, mine: F64, its: F64) -> F64:
        """Standard uncertainty that two photos' fits leave of the difference of two colours.

        As `u_lab`. Of colours that are alike, the residuals' differences patch by patch: what both
        fits leave alike drops out. Of colours 20 apart in Lab three fifths do, further off nothing
        (Gaussian, own choice).

        Parameters
        ----------
        other
            The other photo's fit.
        mine, its
            (3,) CIE Lab, D50, of the two colours, each from its own photo.

        Returns
        -------
        (3,) float64: of L*, a*, b*; both fits' own where they share less than 12 patches (our own
        choice), NaN where either has no chart.
        """
        own = self.u_lab(mine) ** 2 + other.u_lab(its) ** 2
        both = self.used & other.used
        if np.count_nonzero(both) < _FEWEST_SHARED:
            return np.asarray(np.sqrt(own))
        here, there = both[self.used], both[other.used]
        weight = _near(self.lab[here], 0.5 * (mine + its))
        left = weight @ (self.residual_lab[here] - other.residual_lab[there]) ** 2
        alike = np.exp(-0.5 * np.sum((mine - its) ** 2) / _NEAR_LAB**2)
        return np.asarray(np.sqrt(alike * left + (1.0 - alike) * own))

    def u_delta_e(self, lab: F64) -> float:
        """Standard uncertainty of an absolute colour near `lab` as one CIEDE2000 figure."""
        weight = _near(self.lab, lab)
        if weight.size == 0:
            return float("nan")
        error = delta_e00(self.lab + self.residual_lab, self.lab)
        return float(np.sqrt(weight @ error**2))


def _near(patches: F64, lab: F64) -> F64:
    """Weights of patches (n, 3) by how near they lie to a colour; they sum to 1."""
    gap = np.sum((patches - np.asarray(lab, float)) ** 2, axis=-1)
    weight = 0.1 + np.exp(-0.5 * gap / _NEAR_LAB**2)
    return np.asarray(weight / weight.sum()) if weight.size else weight


def _root_transform(x: F32, matrix: F64) -> F32:
    """Root-polynomial of degree 2 on (h, w, 3) float32, by whole planes."""
    out = cv2.transform(x, np.ascontiguousarray(matrix[:, :3]))
    planes = cv2.split(cv2.threshold(x, 0.0, 0.0, cv2.THRESH_TOZERO)[1])
    roots = [cv2.sqrt(cv2.multiply(planes[i], planes[j])) for i, j in ((0, 1), (0, 2), (1, 2))]
    return np.asarray(cv2.add(out, cv2.transform(cv2.merge(roots), matrix[:, 3:].copy())))


def uncalibrated() -> ColourFit:
    """Working linear to XYZ (D50) by the colour space alone, for photos without a chart."""
    return ColourFit(method="uncalibrated", matrix=np.array(REC2020_TO_XYZ))


def white_only(white: F64, paper: F64) -> ColourFit:
    """Working linear to XYZ (D50) with only a white known: (3,) as seen, (3,) as it is.

    Each channel is scaled by itself (von Kries, in the working space); colours stay as far off as
    the camera's rendering is.
    """
    gain = paper / np.maximum(white, 1e-4)
    return ColourFit(method="paper white", matrix=np.array(REC2020_TO_XYZ) * gain)


def expand(rgb: F64, terms: Terms) -> F64:
    """Features of (n, 3) linear RGB: R, G, B or R, G, B, √RG, √RB, √GB (Finlayson et al. 2015)."""
    if terms == "linear 3x3":
        return rgb
    r, g, b = np.maximum(rgb, 0.0).T
    return np.column_stack([rgb, np.sqrt(r * g), np.sqrt(r * b), np.sqrt(g * b)])


def perceptual_weights(lab: F64) -> F64:
    """(n, 3, 3) maps from a small XYZ error to (ΔL/SL, ΔC/SC, ΔH/SH) of CIEDE2000, near `lab`."""
    xyz = lab_to_xyz(lab)
    t = xyz / WHITE_D50
    slope = np.where(t > (6 / 29) ** 3, np.cbrt(t) ** -2 / 3.0, (29 / 6) ** 2 / 3.0) / WHITE_D50
    jac = np.zeros((len(lab), 3, 3))
    jac[:, 0, 1] = 116.0 * slope[:, 1]
    jac[:, 1, 0], jac[:, 1, 1] = 500.0 * slope[:, 0], -500.0 * slope[:, 1]
    jac[:, 2, 1], jac[:, 2, 2] = 200.0 * slope[:, 1], -200.0 * slope[:, 2]
    chroma, hue = np.hypot(lab[:, 1], lab[:, 2]), np.arctan2(lab[:, 2], lab[:, 1])
    turn = np.zeros_like(jac)
    d50 = (lab[:, 0] - 50.0) ** 2
    turn[:, 0, 0] = 1.0 / (1.0 + 0.015 * d50 / np.sqrt(20.0 + d50))
    turn[:, 1, 1] = np.cos(hue) / (1.0 + 0.045 * chroma)
    turn[:, 1, 2] = np.sin(hue) / (1.0 + 0.045 * chroma)
    turn[:, 2, 1] = -np.sin(hue) / (1.0 + 0.015 * chroma)
    turn[:, 2, 2] = np.cos(hue) / (1.0 + 0.015 * chroma)
    return turn @ jac


def solve(features: F64, xyz: F64, weights: F64) -> tuple[F64, F64]:
    """Weighted least squares of XYZ on the features, with closed-form leave-one-out predictions.

    Parameters
    ----------
    features
        (n, p); `xyz` (n, 3); `weights` (n, 3, 3) from `perceptual_weights`.

    Returns
    -------
    matrix (3, p) and (n, 3) XYZ of each patch predicted by the fit on all others.
    """
    n, p = features.shape
    # Rows of one patch: W_i (I3 ⊗ f_i), acting on the stacked rows of the matrix.
    design = np.einsum("nij,nk->nijk", weights, features).reshape(n, 3, 3 * p)
    target = np.einsum("nij,nj->ni", weights, xyz)
    flat = design.reshape(3 * n, 3 * p)
    inverse = np.linalg.pinv(flat.T @ flat, hermitian=True)
    theta = inverse @ (flat.T @ target.ravel())
    error = target - (design @ theta)
    hat = design @ inverse @ design.transpose(0, 2, 1)
    left_out = np.linalg.solve(np.eye(3) - np.minimum(hat, 1.0 - 1e-9), error[..., None])[..., 0]
    predicted = xyz - np.linalg.solve(weights, left_out[..., None])[..., 0]
    return theta.reshape(3, p), predicted


def fit_tone(grey: F64, y: F64) -> Tone | None:
    """Black level and gamma of each channel from grey patches; None if they do not behave.

    Parameters
    ----------
    grey
        (m, 3) working linear of grey patches, lightest first; `y` (m,) their luminance.
    """
    if len(grey) < 4 or np.any(np.diff(grey, axis=0) >= 0) or np.any(grey <= 0):
        return None
    white, target = grey[0], np.cbrt(y / y[0])[:, None]
    black, gamma, limit = np.zeros(3), np.ones(3), 0.9 * grey[-1]
    for _ in range(12):  # Gauss-Newton in a cube-root scale, close to lightness
        base = np.maximum((grey - black) / (white - black), 1e-6)
        value = base ** (gamma / 3.0)
        by_black = (base - 1.0) / (white - black) * value / base * gamma / 3.0
        by_gamma = value * np.log(base) / 3.0
        error = target - value
        bb, bg, gg = ((u * v).sum(axis=0) for u, v in _pairs(by_black, by_gamma))
        eb, eg = (by_black * error).sum(axis=0), (by_gamma * error).sum(axis=0)
        det = np.maximum(bb * gg - bg * bg, 1e-12)
        black = np.clip(black + (gg * eb - bg * eg) / det, -limit, limit)
        gamma = np.clip(gamma + (bb * eg - bg * eb) / det, 0.4, 2.5)
    return Tone(black, white.copy(), gamma)


def _pairs(a: F64, b: F64) -> tuple[tuple[F64, F64], ...]:
    return (a, a), (a, b), (b, b)


class _Model(NamedTuple):
    """One way to fit: its coefficients and every patch as predicted by a fit on the others."""

    terms: Terms
    matrix: F64
    tone: Tone | None
    predicted: F64
    loo: float

    @property
    def name(self) -> str:
        return self.terms + (" with tone curve" if self.tone is not None else "")


def _plain(rgb: F64, lab: F64, terms: Terms) -> _Model:
    matrix, predicted = solve(expand(rgb, terms), lab_to_xyz(lab), perceptual_weights(lab))
    return _Model(terms, matrix, None, predicted, _mean_error(predicted, lab))


def _toned(rgb: F64, lab: F64, grey: NDArray[np.bool_], terms: Terms) -> _Model | None:
    """Fit with a tone curve; each grey patch's prediction uses a curve learnt without it."""
    xyz, weights = lab_to_xyz(lab), perceptual_weights(lab)

    def fitted(keep: NDArray[np.bool_]) -> tuple[Tone, F64, F64] | None:
        tone = fit_tone(rgb[keep], xyz[keep, 1])
        if tone is None:
            return None
        bent = tone.apply(rgb.astype(np.float32)).astype(np.float64)
        return (tone, *solve(expand(bent, terms), xyz, weights))

    whole = fitted(grey)
    if whole is None:
        return None
    predicted = whole[2].copy()
    for i in np.flatnonzero(grey):
        without = grey.copy()
        without[i] = False
        part = fitted(without)
        if part is None:
            return None
        predicted[i] = part[2][i]
    return _Model(terms, whole[1], whole[0], predicted, _mean_error(predicted, lab))


def _mean_error(xyz: F64, lab: F64) -> float:
    return float(delta_e00(xyz_to_lab(xyz), lab).mean())


def _choose(plain: list[_Model], toned: list[_Model]) -> _Model:
    """The lowest leave-one-out residual, but a tone curve only where it gains clearly."""
    simple = min(plain, key=lambda m: m.loo)
    if not toned:
        return simple
    bent = min(toned, key=lambda m: m.loo)
    gain = max(_CLEAR_GAIN_DELTA_E, _CLEAR_GAIN * simple.loo)
    return bent if bent.loo < simple.loo - gain else simple


def fit_patches(rgb: F64, lab: F64, *, used: NDArray[np.bool_]) -> ColourFit:
    """The model with the lowest leave-one-out residual.

    Parameters
    ----------
    rgb
        (24, 3) working linear means of the patches.
    lab
        (24, 3) reference Lab, D50.
    used
        (24,) bool: patches to fit on; at least 8.

    Returns
    -------
    ColourFit with `residual_delta_e` set.
    """
    x, ref = np.asarray(rgb, float)[used], np.asarray(lab, float)[used]
    names: tuple[Terms, ...] = ("linear 3x3", "root-polynomial degree 2")
    if used.sum() < _MIN_PATCHES_ROOT:
        names = names[:1]
    grey = np.zeros(24, bool)
    grey[GREY_ROW] = True
    plain = [_plain(x, ref, terms) for terms in names]
    tried = [_toned(x, ref, grey[used], terms) for terms in names]
    toned = [model for model in tried if model is not None]
    best = _choose(plain, toned)
    error = delta_e00(xyz_to_lab(best.predicted), ref)
    return ColourFit(
        method=best.terms,
        matrix=best.matrix,
        tone=best.tone,
        residual_delta_e=float(error.mean()),
        residual_max_delta_e=float(error.max()),
        others={model.name: model.loo for model in plain + toned},
        used=used.copy(),
        lab=ref,
        residual_lab=xyz_to_lab(best.predicted) - ref,
    )
