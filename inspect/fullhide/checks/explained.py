"""What explains a change of colour: a colour beneath, thread, less light or more, a glint."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide.background import Background
from fullhide.checks.levels import Level
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.smoothing import masked_blur
from fullhide.surface import Pair

__all__ = [
    "CLEARLY",
    "PLAUSIBLE",
    "REFUTED",
    "STANDS_OUT",
    "THREAD_SHADING",
    "Look",
    "costs",
    "deviates",
    "fine_ratio",
    "unlike_threads",
]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: A place is no spot if its colour lies this far from any share of a colour beneath, near to what
#: thread, shadow or shine does, and so many times nearer to that. Squared standard deviations; the
#: first two are the 0.998 and 0.97 points of chi-square with 2 degrees of freedom
#: (scipy.stats.chi2.ppf).
REFUTED, PLAUSIBLE, CLEARLY = 12.4, 7.0, 0.25
#: Squared standard deviations from which on a pixel stands out (0.99 point of chi-square with 3
#: degrees of freedom, scipy.stats.chi2.ppf).
STANDS_OUT = 11.3
#: CIEDE2000 from which on thread is not mistaken for a colour beneath (our own choice).
_UNLIKE = 20.0
#: Relative standard deviation of the light on thread and piping (our own allowance).
THREAD_SHADING = 0.25
#: Smoothing of the map that spots are outlined on, over the radius of the limit's disc.
_FINE_OVER_RADIUS = 0.35


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """Everything that measuring a spot needs."""

    view: RegionView
    ground: Background
    stack: Sequence[Level]
    pairs: Sequence[Pair]
    allowed: Sequence[Pair]
    limits: Limits
    blur_mm: float
    scale_doubt: float
    k: float


def fine_ratio(look: Look) -> tuple[Array, float]:
    """The region's ratios smoothed a little, float32 (H, W, 3); the standard deviation, pixels."""
    radius = float(np.sqrt(look.limits.show_through_mm2 / np.pi))
    sigma = _FINE_OVER_RADIUS * radius / look.view.mm_per_px
    return masked_blur(look.ground.ratio, look.ground.weight, (sigma, sigma)), sigma


def unlike_threads(look: Look) -> list[Vector]:
    """Contrasts of the declared threads that no colour beneath resembles."""
    if not look.pairs:
        return [thread.contrast for thread in look.allowed]
    bare = np.stack([xyz_to_lab(pair.under) for pair in look.pairs])
    return [
        thread.contrast
        for thread in look.allowed
        if delta_e00(np.broadcast_to(xyz_to_lab(thread.under), bare.shape), bare).min() > _UNLIKE
    ]


def deviates(pixels: Vector, covariance: Vector) -> Mask:
    """Pixels (N, 3) that stand out from a play of colour."""
    white = np.linalg.solve(covariance, pixels.T)
    return np.asarray((pixels.T * white).sum(axis=0) > STANDS_OUT)


def costs(
    pixels: Vector, look: Look, allowed: Sequence[Vector], *, shading: float = 0.0
) -> tuple[Vector, Vector]:
    """What colours beneath, each (P, N), and what may be seen, (N,), leave unexplained.

    `shading` is that of thread and piping, which stand out of the surface.
    """
    own = np.stack([_unexplained(pixels, pair.contrast, look) for pair in look.pairs])
    if not allowed:
        return own, np.full(len(pixels), np.inf)
    threads = len(look.allowed)
    other = np.stack(
        [
            _unexplained(pixels, contrast, look, shading=shading if i < threads else 0.0)
            for i, contrast in enumerate(allowed)
        ]
    )
    return own, other.min(axis=0)


def _unexplained(pixels: Vector, contrast: Vector, look: Look, *, shading: float = 0.0) -> Vector:
    """What no amount of a change of colour explains of ratios (N, 3), squared deviations."""
    own = (0.02 + 0.05 * np.abs(pixels)) ** 2
    noise = look.stack[0].covariance + own[:, :, None] * np.eye(3)
    lit = shading * (1.0 + pixels)
    inverse = np.linalg.inv(noise + lit[:, :, None] * lit[:, None, :])
    weights = inverse @ contrast
    share = (weights * pixels).sum(axis=1) / (weights @ contrast)
    left = pixels - np.clip(share, 0.0, 1.1)[:, None] * contrast
    return np.asarray(np.einsum("ni,nij,nj->n", left, inverse, left), np.float64)
