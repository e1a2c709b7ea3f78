"""Match: a dyed panel beside an untouched reference part in the same photo."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome
from fullhide.colour import delta_e00, delta_e00_gradient, xyz_to_lab
from fullhide.job import Limits
from fullhide.result import Measure
from fullhide.verdict import coverage_factor, decide

__all__ = ["match"]

Vector = NDArray[np.float64]

#: Grain raises the eye's tolerance for lightness between parts about twofold, hence kL = 2
#: (Montag and Berns; Huertas, Melgosa and Hita, J. Opt. Soc. Am. A 23 (2006) 2067).
K_L = 2.0
#: Doubt of a colour within one photo beside the light's: fit, gloss and grain (our own allowance,
#: ΔE00).
WITHIN_PHOTO_DOUBT = 0.35


def match(finish: Vector, reference: Vector, *, light_doubt: float, limits: Limits) -> Outcome:
    """Difference between a panel's and a reference's colour.

    Parameters
    ----------
    finish, reference
        XYZ(D50) of the two, from one photo, shape (3,).
    light_doubt
        Relative doubt of the light's ratio between two places.
    limits
        The job's limits.

    Returns
    -------
    Outcome
        Measure ``match_delta_e``: CIEDE2000 with kL = 2.
    """
    lab, target = xyz_to_lab(finish), xyz_to_lab(reference)
    value = float(delta_e00(target, lab, k_l=K_L))
    slope = delta_e00_gradient(target, lab, k_l=K_L)
    brighter = xyz_to_lab(finish * (1.0 + light_doubt)) - lab
    u = float(np.hypot(abs(float(slope @ brighter)), WITHIN_PHOTO_DOUBT))
    limit = limits.match_delta_e
    verdict = decide(value, u, limit, k=coverage_factor(limits.confidence))
    return Outcome(
        check="match",
        verdict=verdict,
        measures={"match_delta_e": Measure(value=value, u=u, limit=limit, unit="ΔE00, kL 2")},
    )
