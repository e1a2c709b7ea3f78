"""Match: a dyed panel against a reference part in another photo of the job.

Within one photo most of what is not known of the colours is the same on both sides and drops out.
Between two photos less does: each has its own chart fit, and its own light between the chart and
the part. What both fits leave of the chart alike, and the shine over both parts, drop out of like
colours; the rest enters in full.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.chart import ColourFit
from fullhide.checks.match import (
    VEIL_DOUBT,
    Patch,
    by_veil,
    level_covariance,
    match_unit,
    matched,
)
from fullhide.checks.outcome import Outcome
from fullhide.colour import WHITE_D50, lab_to_xyz, xyz_to_lab
from fullhide.job import Limits, TypedReference
from fullhide.result import Matched, Measure

__all__ = [
    "LEVEL_APART",
    "MATCH_APART",
    "VEIL_LEFT",
    "Calibrated",
    "Reference",
    "covariance_apart",
    "covariance_of",
    "match_apart",
    "match_typed",
    "without_veil",
]

Vector = NDArray[np.float64]

#: What flags of quality may forbid of it.
MATCH_APART = ("match", "match_apart")
#: Relative doubt of the light's level on a part against that on its chart, by what is known of the
#: light: the part lies higher and bends (our own allowances, from rendered pairs).
LEVEL_APART = {"grey board": 0.03, "neutral surround": 0.05, "none": 0.09}
#: Of a difference between two photos much of that drops out. The same doubt then; that of what
#: more shine lies over one than over the other, of a white; and how much of what two charts' fits
#: leave of patches they leave of leather, whose spectra are smoother. Our own allowances, from 136
#: rendered pairs (likelihood's best: 0 and 0.025, 0.004, 0.4), taken wider.
_LEVEL_BETWEEN = {"grey board": 0.012, "neutral surround": 0.02, "none": 0.035}
_VEIL_BETWEEN = 0.005
_LEFT_BY_FITS = 0.6
#: Shine that lies over a part beside its own colour, of a white, what of it is in doubt, and how
#: much of a dark colour is its own at least. Own allowances: 105 rendered photos (seeds 301, 302)
#: say 0.016 and 0.005; wider and lower here, so that a surface without any is within the doubt.
_VEIL_USUAL, VEIL_LEFT, _MOST_VEIL = 0.012, 0.009, 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibrated:
    """A region's colour by its own photo's chart.

    Attributes
    ----------
    patch
        The colour.
    fit
        That chart's fit: what it leaves on the chart's own patches tells how far to trust it.
    light
        Where the evenness of the light is known from, as `light.FlatField.source`.
    """

    patch: Patch
    fit: ColourFit
    light: str

    @property
    def u_lab(self) -> Vector:
        """Standard uncertainty of L*, a* and b* that the fit leaves near the colour, (3,)."""
        return self.fit.u_lab(xyz_to_lab(self.patch.xyz))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reference:
    """A reference part that another photo of the job shows by itself.

    Attributes
    ----------
    file
        That photo.
    colour
        None where the photo cannot tell it.
    problem
        Why not; empty where it can.
    beside
        Names of regions of this part that some photo shows beside a reference: that settles them.
    """

    file: str
    colour: Calibrated | None
    problem: str = ""
    beside: frozenset[str] = field(default_factory=frozenset)


def match_apart(
    finish: Calibrated | None, reference: Reference, *, doubts: Sequence[str], limits: Limits
) -> Outcome:
    """Difference between a panel's colour and that of a reference in another photo.

    Parameters
    ----------
    finish
        The panel's colour; None where its photo has no chart.
    reference
        The other.
    doubts
        What is the matter with the panel's photo that forbids the comparison, in words.
    limits
        The job's limits.

    Returns
    -------
    Outcome
        Measures as `match.match`. A retake, without a reading, where either colour cannot be told.
    """
    against = Matched(kind="photo", name=reference.file)
    problem = "; ".join(doubts) or reference.problem
    if finish is None or reference.colour is None or problem:
        settle = "take the part and the reference in one photo, side by side, with the chart"
        return _not_compared(against, problem, settle, limits)
    return matched(
        finish.patch,
        reference.colour.patch,
        covariance_apart(finish, reference.colour),
        limits=limits,
        against=against,
    )


def match_typed(
    finish: Calibrated | None, reference: TypedReference, *, doubts: Sequence[str], limits: Limits
) -> Outcome:
    """Difference between a panel's colour by its chart and a colour that no photo shows.

    Parameters and result as `match_apart`. Nothing drops out: the light's level and all that the
    chart's fit leaves count in full, and the reference's own uncertainty with them. What shine
    usually lies over a part, which no instrument sees, is taken off the panel's colour first.
    """
    against = Matched(kind="typed", name=reference.name)
    if finish is None or doubts:
        settle = "take the part again with the chart in the same light"
        return _not_compared(against, "; ".join(doubts), settle, limits)
    bare = without_veil(finish.patch)
    level = level_covariance(bare, LEVEL_APART[finish.light], VEIL_LEFT)
    return matched(
        bare,
        Patch(xyz=lab_to_xyz(reference.lab)),
        level + np.diag(finish.u_lab**2) + reference.u**2 * np.eye(3),
        limits=limits,
        against=against,
    )


def without_veil(patch: Patch) -> Patch:
    """A colour without the shine that usually lies over it."""
    xyz = np.maximum(patch.xyz - _VEIL_USUAL * WHITE_D50, _MOST_VEIL * patch.xyz)
    return replace(patch, xyz=xyz)


def _not_compared(against: Matched, problem: str, settle: str, limits: Limits) -> Outcome:
    """A retake without a reading."""
    told = (
        f"the colour cannot be compared with {wording.reference_words(against)} "
        f"({problem or 'no chart was found'}): {settle}"
    )
    nothing = Measure(value=None, u=None, limit=limits.match_delta_e, unit=match_unit(limits))
    return Outcome(
        check="match",
        verdict="retake",
        reasons=(told,),
        measures={"match_delta_e": nothing},
        reference=against,
    )


def covariance_apart(one: Calibrated, other: Calibrated) -> Vector:
    """Covariance (3, 3) of the difference in Lab of two colours from different photos.

    For each photo: one common factor for the light's level, and what the regions' own spread and
    the coding leave. For both: what the two charts' fits leave of the patches near the colours. Of
    one camera in one light they err alike, and of like colours much of that drops out.
    """
    light = [
        level_covariance(seen.patch, _LEVEL_BETWEEN[seen.light], _VEIL_BETWEEN)
        for seen in (one, other)
    ]
    labs = (xyz_to_lab(seen.patch.xyz) for seen in (one, other))
    # Most of the shine lies over both alike: of like colours it drops out.
    veil = VEIL_DOUBT * (by_veil(one.patch) - by_veil(other.patch))
    left = _LEFT_BY_FITS * one.fit.u_lab_against(other.fit, *labs)
    return np.asarray(sum(light) + np.outer(veil, veil) + np.diag(left**2))


def covariance_of(seen: Calibrated) -> Vector:
    """What of a colour is in doubt in Lab, (3, 3), by its own photo alone."""
    level = level_covariance(seen.patch, LEVEL_APART[seen.light], VEIL_DOUBT)
    return np.asarray(level + np.diag(seen.u_lab**2))
