"""The decision rule: pass and fail only where the measurement proves it, retake in between."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import NormalDist

from fullhide.result import Measure, Verdict

__all__ = [
    "JUDGED_SHARE",
    "combine",
    "conformance_probability",
    "coverage_factor",
    "decide",
    "furthest_ratio",
]

#: A pass needs this share of the region judged (our own choice).
JUDGED_SHARE = 0.97


def coverage_factor(confidence: float) -> float:
    """One-sided normal factor k of a confidence level, 1.645 at 0.95."""
    return NormalDist().inv_cdf(confidence)


def decide(value: float, u: float, limit: float, *, k: float) -> Verdict:
    """Guarded decision against an upper limit.

    Parameters
    ----------
    value, u, limit
        The measured value, its standard uncertainty and the limit, in one unit.
    k
        Coverage factor, see `coverage_factor`.

    Returns
    -------
    str
        ``"pass"`` if ``value <= limit - k*u``, ``"fail"`` if ``value >= limit + k*u``, otherwise
        ``"retake"``: neither is proven.

    Notes
    -----
    Guarded acceptance and rejection of JCGM 106:2012; ISO 14253-1:2017 gives the same zones.
    """
    if u == 0.0 and value == limit:
        return "pass"  # on the limit, and exactly known: within tolerance
    if value <= limit - k * u:
        return "pass"
    if value >= limit + k * u:
        return "fail"
    return "retake"


def furthest_ratio(at_least: Measure | None, at_most: Measure | None) -> float | None:
    """How many times apart two strengths may be, whichever is the greater; None if not known."""
    values = [end.value for end in (at_least, at_most) if end is not None and end.value is not None]
    if len(values) < 2:
        return None
    return max(max(values), 1.0 / max(min(values), 1e-9))


def combine(verdicts: Iterable[Verdict | None]) -> Verdict:
    """One verdict of several: a fail outweighs a retake, a retake a pass; nothing is a retake."""
    known = {verdict for verdict in verdicts if verdict is not None}
    if "fail" in known:
        return "fail"
    if known == {"pass"}:
        return "pass"
    return "retake"


def conformance_probability(
    value: float, u: float, *, lower: float = float("-inf"), upper: float = float("inf")
) -> float:
    """Probability that the measurand lies within [`lower`, `upper`], normal distribution.

    JCGM 106:2012, section 7.
    """
    normal = NormalDist(value, u)
    return normal.cdf(upper) - normal.cdf(lower)
