"""Match: a dyed panel beside an untouched reference part in the same photo.

A colour difference is never negative, so noise alone makes one: near zero it is biased upwards and
not normal. What lies behind the reading is therefore stated as an interval, and the verdict rests
on the interval's ends, not on the reading and its standard uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from math import erf, pi, sqrt
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.background import Background
from fullhide.checks.grade import grey_scale_grade
from fullhide.checks.outcome import Outcome
from fullhide.checks.placed import placed
from fullhide.colour import WHITE_D50, delta_e00, delta_e00_gradient, xyz_to_lab
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.result import Matched, Measure, Verdict
from fullhide.shine import Shine
from fullhide.smoothing import times
from fullhide.verdict import coverage_factor

__all__ = [
    "BESIDE",
    "Difference",
    "Patch",
    "VEIL_DOUBT",
    "by_veil",
    "difference",
    "lab_slope",
    "level_covariance",
    "match",
    "match_unit",
    "matched",
    "mean_patch",
    "patch_of",
]

Vector = NDArray[np.float64]

#: Doubt of the two colours' difference within one photo, channel by channel: relative, and in parts
#: of a white (the chart's fit, the camera's rendering, coding); and of the shine that lies over
#: both, of a white: it washes out a dark pair's difference (our own allowances, from rendered
#: pairs).
RATIO_DOUBT, LEVEL_DOUBT, VEIL_DOUBT = 0.002, 0.0007, 0.015
#: X and Y are sums of nearly the same of a camera's channels, so they err together; Z errs by
#: itself (our own allowance, from rendered pairs).
_TOGETHER = np.array([[1.0, 0.75, 0.0], [0.75, 1.0, 0.0], [0.0, 0.0, 1.0]])
#: Tiles across and down that a region's own spread is taken from, and the fewest that tell.
_TILES, _FEWEST_TILES = 6, 6
#: So many of them count as independent: shading is slow (our own choice).
_FREE = 6
#: So many pixels are enough for the tiles' means.
_ENOUGH = 60_000
_DRAWS = 512
_STEPS = 17
BESIDE = Matched(kind="beside")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """A region's colour.

    Attributes
    ----------
    xyz
        XYZ(D50), shape (3,).
    scatter
        Covariance (3, 3) of the logarithms of `xyz` that grain, noise and unevenness leave.
    shines
        The highlight on it, where sheen was asked for; empty if not.
    """

    xyz: Vector
    scatter: Vector = field(default_factory=lambda: np.zeros((3, 3)))
    shines: tuple[Shine, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """CIEDE2000 between two colours, and between which values the true one lies."""

    value: float
    u: float
    at_least: float
    at_most: float


def patch_of(view: RegionView, ground: Background) -> Patch:
    """Colour of a region, with what its parts' spread leaves of doubt."""
    every = max(1, int(np.sqrt(ground.judged.size / _ENOUGH)))
    judged = ground.judged[::every, ::every].astype(np.float32)
    xyz = np.ascontiguousarray(view.xyz[::every, ::every])
    rows, columns = judged.shape
    tiles = (min(_TILES, columns), min(_TILES, rows))
    mass = cv2.resize(judged, tiles, interpolation=cv2.INTER_AREA)
    total = cv2.resize(times(xyz, judged), tiles, interpolation=cv2.INTER_AREA)
    full = mass > min(0.5, 0.5 * float(mass.max()))
    means = total[full] / mass[full][:, None]
    if means.shape[0] < _FEWEST_TILES:
        return Patch(xyz=ground.finish)
    logs = np.log(np.maximum(means.astype(np.float64), 1e-5))
    return Patch(xyz=ground.finish, scatter=np.cov(logs.T) / min(_FREE, len(logs)))


def mean_patch(patches: Sequence[Patch]) -> Patch:
    """The colour of several regions together; how far they lie apart counts as doubt."""
    xyz = np.mean([patch.xyz for patch in patches], axis=0)
    scatter = np.sum([patch.scatter for patch in patches], axis=0) / len(patches) ** 2
    if len(patches) > 1:
        off = np.log(np.stack([patch.xyz for patch in patches]) / xyz)
        scatter = scatter + off.T @ off / (len(patches) * (len(patches) - 1))
    return Patch(xyz=xyz, scatter=scatter, shines=tuple(s for p in patches for s in p.shines))


def match(finish: Patch, reference: Patch, *, light_doubt: float, limits: Limits) -> Outcome:
    """Difference between a panel's and a reference's colour.

    Parameters
    ----------
    finish, reference
        The two, from one photo.
    light_doubt
        Relative doubt of the light's ratio between two places.
    limits
        The job's limits.

    Returns
    -------
    Outcome
        Measures ``match_delta_e``, CIEDE2000 with the limits' kL; ``match_at_least`` and
        ``match_at_most``, each right at the limits' confidence; and the panel less the reference in
        the coordinates of CIE 1976 (ISO/CIE 11664-4): ``match_dL``, ``match_da``, ``match_db``,
        ``match_dC`` and ``match_dH``, this positive where the hue angle is larger; ``match_grade``
        by `grade.grey_scale_grade`, which no verdict rests on.
    """
    return matched(finish, reference, _covariance(finish, reference, light_doubt), limits=limits)


def matched(
    finish: Patch,
    reference: Patch,
    covariance: Vector,
    *,
    limits: Limits,
    against: Matched = BESIDE,
) -> Outcome:
    """Outcome of a match whose difference in Lab has this covariance, (3, 3).

    Parameters and result as `match`; `against` says what the reference is.

    Notes
    -----
    Grain raises the eye's tolerance for lightness between parts about twofold, hence kL = 2 if
    nobody says otherwise (Montag and Berns; Huertas, Melgosa and Hita, J. Opt. Soc. Am. A 23 (2006)
    2067).
    """
    lab, target = xyz_to_lab(finish.xyz), xyz_to_lab(reference.xyz)
    k_l, unit = limits.match_k_l, match_unit(limits)
    found = difference(lab, target, covariance, confidence=limits.confidence, k_l=k_l)
    parts, parts_u = _parts(lab, target, covariance)
    measures = {
        "match_delta_e": Measure(
            value=found.value, u=found.u, limit=limits.match_delta_e, unit=unit
        ),
        "match_at_least": Measure(value=found.at_least, u=None, limit=None, unit=unit),
        "match_at_most": Measure(value=found.at_most, u=None, limit=None, unit=unit),
    }
    for name, value, u in zip(("dL", "da", "db", "dC", "dH"), parts, parts_u, strict=True):
        measures[f"match_{name}"] = Measure(
            value=float(value), u=float(u), limit=None, unit="CIE 1976, D50"
        )
    measures |= placed(lab, covariance)
    grade = grey_scale_grade(lab, target)
    drawn = grey_scale_grade(lab + _draws() @ _root(covariance).T, target)
    measures["match_grade"] = Measure(
        value=float(grade),
        u=float(np.sqrt(np.square(drawn - grade).mean())),
        limit=None,
        unit="ISO 105-A05, from memory",
    )
    verdict: Verdict = "retake"
    if found.at_most <= limits.match_delta_e:
        verdict = "pass"
    elif found.at_least >= limits.match_delta_e:
        verdict = "fail"
    k = coverage_factor(limits.confidence)
    told = wording.difference_reason(
        parts[:3].tolist(), parts_u[:3].tolist(), k=k, reference=against, k_l=k_l
    )
    return Outcome(
        check="match", verdict=verdict, reasons=(told,), measures=measures, reference=against
    )


def match_unit(limits: Limits) -> str:
    """Unit of a match's difference."""
    return f"ΔE00, kL {limits.match_k_l:g}"


def difference(
    lab: Vector, target: Vector, covariance: Vector, *, confidence: float, k_l: float = 2.0
) -> Difference:
    """CIEDE2000 of `lab` against `target`, and what the true one may be.

    Parameters
    ----------
    lab, target
        CIE Lab, shape (3,).
    covariance
        Of their difference, shape (3, 3).
    confidence
        Of either end of the interval by itself.
    k_l
        Parametric factor of lightness.

    Returns
    -------
    Difference
        `u` is the covariance carried along the reading's direction, along the noise's longest axis
        where there is no difference to read.

    Notes
    -----
    From below a true difference is ruled out where a reading at least as large has less than
    1 - confidence of probability: so two equal colours are told apart no oftener than that, however
    noisy the photo. Probabilities by draws from the covariance (JCGM 101:2008), the same ones every
    time, with the true difference in the direction of the reading. From above the interval ends at
    the largest difference within the ellipsoid about the reading whose shadow on any one axis
    holds that axis' true value at the confidence: the noise's bias only makes that safer.
    """
    k = coverage_factor(confidence)
    value = float(delta_e00(target, lab, k_l=k_l))
    sizes, axes = np.linalg.eigh(covariance)
    root = axes * np.sqrt(np.maximum(sizes, 0.0))
    longest = root[:, 2]
    if float(sizes[2]) <= 1e-12:
        return Difference(value=value, u=0.0, at_least=value, at_most=value)
    draws = _draws()
    sphere = draws / np.linalg.norm(draws, axis=1, keepdims=True)
    rim = delta_e00(target, lab + k * sphere @ root.T, k_l=k_l)
    at_most = max(value, float(rim.max()))
    along = lab - target if value > 1e-6 else longest
    # The slope's own kink at zero is stepped round: one standard deviation off along the reading.
    way = along / np.sqrt(along @ np.linalg.pinv(covariance, hermitian=True) @ along)
    slope = delta_e00_gradient(
        target, target + max(1.0, float(along @ way) / float(way @ way)) * way, k_l=k_l
    )
    u = float(np.sqrt(slope @ covariance @ slope))
    steps = target + np.linspace(0.0, 1.0, _STEPS)[:, None] * along
    true = delta_e00(target, steps, k_l=k_l)
    read = delta_e00(target, steps[:, None, :] + draws @ root.T, k_l=k_l)
    # Of a reading at most this large; it falls as the true difference grows.
    smaller = np.minimum.accumulate((read <= value).mean(axis=1))
    at_least = _crossing(true, smaller, confidence) if smaller[0] > confidence else 0.0
    return Difference(value=value, u=u, at_least=min(at_least, value), at_most=at_most)


def _crossing(true: Vector, falling: Vector, level: float) -> float:
    """Where a falling probability comes down to a level."""
    i = int(np.argmax(falling <= level)) if (falling <= level).any() else len(falling) - 1
    if i == 0:
        return float(true[0])
    high, low = falling[i - 1], falling[i]
    part = (high - level) / (high - low) if high > low else 1.0
    return float(true[i - 1] + min(part, 1.0) * (true[i] - true[i - 1]))


def level_covariance(patch: Patch, light_doubt: float, veil_doubt: float) -> Vector:
    """Covariance (3, 3) in Lab of one colour by itself: light, spread, coding and shine."""
    slope = lab_slope(patch.xyz)
    level = WHITE_D50 / patch.xyz
    each = np.hypot(RATIO_DOUBT, LEVEL_DOUBT * level)
    ratio = light_doubt**2 * np.ones((3, 3)) + patch.scatter + np.outer(each, each) * _TOGETHER
    veil = veil_doubt * by_veil(patch)
    return cast(Vector, slope @ ratio @ slope.T + np.outer(veil, veil))


def _covariance(finish: Patch, reference: Patch, light_doubt: float) -> Vector:
    """Covariance of the difference in Lab."""
    slope = lab_slope(finish.xyz)
    against = lab_slope(reference.xyz)
    level = WHITE_D50 / finish.xyz
    ratio = light_doubt**2 * np.ones((3, 3)) + finish.scatter
    each = np.hypot(RATIO_DOUBT, LEVEL_DOUBT * level)
    ratio += np.outer(each, each) * _TOGETHER
    veil = VEIL_DOUBT * (by_veil(finish) - by_veil(reference))
    parts: Vector = slope @ ratio @ slope.T + against @ reference.scatter @ against.T
    return parts + np.outer(veil, veil)


def by_veil(patch: Patch) -> Vector:
    """Change of Lab, (3,), with shine over a colour, of a white."""
    change: Vector = lab_slope(patch.xyz) @ (WHITE_D50 / patch.xyz)
    return change


def lab_slope(xyz: Vector) -> Vector:
    """Change of Lab with the logarithms of XYZ, (3, 3)."""
    step = 1e-4
    up = xyz_to_lab(xyz * np.exp(step * np.eye(3)))
    down = xyz_to_lab(xyz * np.exp(-step * np.eye(3)))
    return cast(Vector, ((up - down) / (2.0 * step)).T)


def _parts(lab: Vector, target: Vector, covariance: Vector) -> tuple[Vector, Vector]:
    """ΔL, Δa, Δb, ΔC and ΔH of CIE 1976, and their standard uncertainties."""
    drawn = lab + _draws() @ _root(covariance).T
    parts = _lch_parts(lab, target)
    off = _lch_parts(drawn, target) - parts
    u = np.sqrt(np.square(off).mean(axis=0))
    u[:3] = np.sqrt(np.diag(covariance))
    return parts, u


def _root(covariance: Vector) -> Vector:
    return np.asarray(np.linalg.cholesky(covariance + 1e-12 * np.eye(3)), np.float64)


def _lch_parts(lab: Vector, target: Vector) -> Vector:
    """The five differences of colours (..., 3) from one, shape (..., 5)."""
    along = lab - target
    one, two = np.hypot(target[1], target[2]), np.hypot(lab[..., 1], lab[..., 2])
    turn = np.arctan2(lab[..., 2], lab[..., 1]) - np.arctan2(target[2], target[1])
    hue = 2.0 * np.sqrt(one * two) * np.sin(0.5 * (np.mod(turn + np.pi, 2.0 * np.pi) - np.pi))
    return cast(Vector, np.concatenate([along, np.stack([two - one, hue], axis=-1)], axis=-1))


@cache
def _draws() -> Vector:
    """Standard normal triples, the same every time: even in length and over the sphere."""
    radii = np.linspace(0.0, 6.0, 2401)
    inside = np.array([erf(r / sqrt(2.0)) for r in radii])
    inside -= sqrt(2.0 / pi) * radii * np.exp(-0.5 * radii**2)  # chi of three degrees
    order = np.arange(_DRAWS) + 0.5
    lengths = np.interp(order / _DRAWS, inside, radii)
    height = 1.0 - 2.0 * order / _DRAWS
    turn = pi * (1.0 + sqrt(5.0)) * order
    flat = np.sqrt(1.0 - height**2)
    sphere = np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
    draws: Vector = sphere * np.random.default_rng(20).permutation(lengths)[:, None]
    draws.setflags(write=False)
    return draws
