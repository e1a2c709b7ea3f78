"""Sheen: how strongly a panel glints beside an untouched reference in the same photo and light.

Only a ratio of two highlights under one lamp is told, never gloss units: gloss meters fix the
angles of lamp and eye, and no photo of a part tells these. A part that is bent shows its highlight
stronger on one side than on the other, so strengths are compared as a slow play of light over both
regions, alike but for one factor. How that play runs is not known; only what holds for every way
that is tried is told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome
from fullhide.job import Limits
from fullhide.result import Measure, Verdict
from fullhide.shine import Shine
from fullhide.verdict import coverage_factor

__all__ = ["Look", "Ratio", "ratio_of", "sheen", "sheen_unknown"]

Vector = NDArray[np.float64]
#: A panel, its references, and the doubt of the light between them.
Look = tuple[Shine, Sequence[Shine], float]

#: Fewest tiles of either region (our own choice).
_FEWEST = 6
#: So much of the tiles counts as independent: light and grain vary slowly (our own choice).
_FREE = 0.5
#: Ratios that are tried; one that runs into an end is known from one side only.
_WIDEST, _STEPS = 12.0, 161
#: What no slow play of light explains, of the whole; variance of noise over the grain's, for
#: brightness and for the light's own colour (our own choices); so much of a variance may noise be
#: off, since compression treats flat patches otherwise than grain (our own allowance).
_MISFIT, _NOISE, _COLOUR_NOISE, _NOISE_DOUBT = 0.6, 1.5, 0.5, 0.3
#: A word is told from this ratio on (our own choice).
_TOLD = 1.1
#: Skewness that cannot be read better than this tells nothing (our own choice).
_BLUNT = 0.3
#: Share burnt out from which the highlight's own top is missing (our own choice).
_BURNT = 0.01
_BURNT_WHY = (
    "sheen: the highlight is burnt out on {what}: take it again a stop darker, and name that photo "
    "under `also`"
)
_FAINT_WHY = (
    "sheen: no highlight stands out on {what}: move the lamp lower and to one side until the grain "
    "glints on both, take it again from the same place, and name that photo under `also`"
)
_APART_WHY = (
    "sheen: the panel and the reference lie too differently to the lamp to be compared: lay them "
    "close together, facing the same way, or move the lamp, and take it again"
)
_NEAR_WHY = (
    "whether it is within the limit of {limit:g} times cannot be told: lay both close together, "
    "move the lamp until both glint, take it again, and name that photo under `also`"
)
_MIXED_WHY = (
    "sheen: the panel's glints are {sharper} than the reference's, which their strength in this "
    "light does not go with: move the lamp until both glint more plainly, take it again, and name "
    "that photo under `also`"
)
_DISAGREE_WHY = (
    "sheen: the photos do not agree: lay the panel and the reference close together and take one "
    "photo in which both glint"
)
_GREY_WHY = (
    "sheen: shine cannot be told from shading on this colour in this photo: move the lamp until "
    "the grain glints plainly on both, in more light, take it again from the same place, and "
    "name that photo under `also`"
)
_NONE_WHY = (
    "sheen: no `reference` region lies in this photo: take the panel and an untouched part side by "
    "side in one photo"
)
_SMALL_WHY = "sheen: too little of {what} can be seen: take it again with more of it in the picture"
_CHART_WHY = (
    "sheen: the light's colour is not known: lay the 24-patch chart beside the part, fully "
    "visible, and take it again"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ratio:
    """Strength of a panel's highlight over the reference's; or, in `why`, what stands against it.

    `at_least` and `at_most` are each right at the confidence asked for. `sharper` is how much more
    the panel's brightness is skewed over the grain than the reference's, with its uncertainty:
    narrow highlights light few facets, and these brightly.
    """

    value: float = float("nan")
    at_least: float = 0.0
    at_most: float = float("inf")
    sharper: tuple[float, float] = (0.0, float("inf"))
    why: str = ""


def sheen(looks: Sequence[Look], *, limits: Limits) -> Outcome:
    """Compare a panel's highlight with the reference's.

    Parameters
    ----------
    looks
        The panel and the reference regions as each photo of the view shows them, with the relative
        doubt of its light's ratio between two places.
    limits
        With `sheen` set: how many times stronger or weaker the panel's highlight may be.

    Returns
    -------
    Outcome
        Measures ``sheen_ratio``, ``sheen_at_least``, ``sheen_at_most`` and ``sheen_sharper``;
        only the first of them, and that None, where not judged.
    """
    found = [_of_look(*look, limits=limits) for look in looks]
    known = [ratio for ratio in found if not ratio.why]
    if not known:
        return sheen_unknown(found[0].why if found else _NONE_WHY, limits=limits)
    limit = _limit(limits)
    decided = [ratio for ratio in known if _verdict(ratio, limit) != "retake"]
    best = min(decided or known, key=lambda ratio: ratio.at_most / max(ratio.at_least, 1e-9))
    if max(r.at_least for r in known) > min(r.at_most for r in known):
        return sheen_unknown(_DISAGREE_WHY, limits=limits)
    verdict = _verdict(best, limit)
    return Outcome(
        check="sheen",
        verdict=verdict,
        reasons=(_told(best, limit, verdict),),
        measures=_measures(best, limit, limits.confidence),
    )


def sheen_unknown(why: str = "", *, limits: Limits, calibrated: bool = True) -> Outcome:
    """Outcome of a sheen that nothing can be said of: without a reference if nothing else."""
    said = why or (_NONE_WHY if calibrated else _CHART_WHY)
    nothing = Measure(value=None, u=None, limit=_limit(limits), unit="1")
    return Outcome(
        check="sheen", verdict="retake", reasons=(said,), measures={"sheen_ratio": nothing}
    )


def _limit(limits: Limits) -> float:
    return limits.sheen if limits.sheen is not None else float("inf")


def _verdict(ratio: Ratio, limit: float) -> Verdict:
    if ratio.at_least >= limit or ratio.at_most <= 1.0 / limit:
        return "fail"
    return "pass" if 1.0 / limit <= ratio.at_least and ratio.at_most <= limit else "retake"


def _told(ratio: Ratio, limit: float, verdict: Verdict) -> str:
    if verdict == "pass":
        return "sheen like the reference"
    near = _NEAR_WHY.format(limit=limit) if verdict == "retake" else ""
    glossier = ratio.at_least >= _TOLD
    if not glossier and ratio.at_most > 1.0 / _TOLD:
        return f"sheen: {near}"
    word, sure, end = ("glossier", "at least", ratio.at_least)
    if not glossier:
        word, sure, end = ("duller", "at most", ratio.at_most)
    told = (
        f"{word} than the reference: its highlight is surely {sure} {end:.2g} times as strong in "
        "this light"
    )
    return f"{told}; {near}" if near else f"{told} (the limit is {limit:g} times either way)"


def _measures(ratio: Ratio, limit: float, confidence: float) -> dict[str, Measure]:
    found = {"sheen_at_least": ratio.at_least, "sheen_at_most": ratio.at_most}
    measures = {
        name: Measure(value=end if np.isfinite(end) else None, u=None, limit=None, unit="1")
        for name, end in found.items()
    }
    u = (ratio.at_most - ratio.at_least) / (2.0 * coverage_factor(confidence))
    value = Measure(
        value=ratio.value if np.isfinite(ratio.value) else None,
        u=u if np.isfinite(u) else None,
        limit=limit,
        unit="1",
    )
    more, doubt = ratio.sharper
    measures["sheen_sharper"] = Measure(value=more, u=doubt, limit=None, unit="1")
    return {"sheen_ratio": value, **measures}


def _of_look(
    panel: Shine, references: Sequence[Shine], light_doubt: float, *, limits: Limits
) -> Ratio:
    """One photo's ratio."""
    reference = _together(references)
    if reference is None:
        return Ratio(why=_NONE_WHY)
    for what, one in (("the panel", panel), ("the reference", reference)):
        if one.burnt > _BURNT:
            return Ratio(why=_BURNT_WHY.format(what=what))
        if len(one.play) < _FEWEST:
            return Ratio(why=_SMALL_WHY.format(what=what))
        if one.noisy > _NOISE:
            return Ratio(why=_FAINT_WHY.format(what=what))
    return ratio_of(panel, reference, confidence=limits.confidence, light_doubt=light_doubt)


def _together(shines: Sequence[Shine]) -> Shine | None:
    if not shines:
        return None
    return Shine(
        places=np.concatenate([shine.places for shine in shines]),
        shared=np.concatenate([shine.shared for shine in shines]),
        whole=np.concatenate([shine.whole for shine in shines]),
        peaks=np.concatenate([shine.peaks for shine in shines]),
        noise=max((shine.noise for shine in shines), key=lambda noise: noise[1]),
        burnt=max(shine.burnt for shine in shines),
    )


def ratio_of(panel: Shine, reference: Shine, *, confidence: float, light_doubt: float) -> Ratio:
    """Ratio of two highlights under one lamp, whichever way its light runs over the part.

    Notes
    -----
    Two readings. Brightness plays over grain by shading and shine together, and shading is the
    same on both: so the highlights differ by more than the plays do, and the ratio of the plays
    bounds theirs from the near side. Of the play, the part with the light's own colour over the
    rest tells the highlight's strength by itself, free of how deep the grain is, where colour tells
    the two apart well enough. Like each other are only panels that both readings find so.
    """
    k = coverage_factor(confidence)
    ways = _ways(np.concatenate([panel.places, reference.places]))
    mine = np.arange(len(ways[0])) < len(panel.places)
    play = np.concatenate([panel.play, reference.play])
    if not play.any():
        return Ratio(why=_FAINT_WHY.format(what="either of the two"))
    plays = [_profile(way, play, np.ones_like(play), mine, k) for way in ways]
    if plays[-1].misfit > _MISFIT:
        return Ratio(why=_APART_WHY)
    # A variance that is off by so much moves a standard deviation by half of it.
    noise = 0.5 * _NOISE_DOUBT * float(np.hypot(panel.noisy, reference.noisy))
    doubt = float(np.exp(k * np.hypot(light_doubt, noise)))
    low, high = min(p.low for p in plays) / doubt, max(p.high for p in plays) * doubt
    parts = _by_colour(panel, reference, ways[:2], mine, k)
    least, most = 0.0, float("inf")
    if parts:
        least, most = min(low, *(p.low for p in parts)), max(high, *(p.high for p in parts))
    middle = [p.best for p in (parts or plays)]
    value = float(np.exp(np.mean(np.log(middle))))
    if low > 1.0:
        least = low
    elif high < 1.0:
        most = high
    elif not parts:
        return Ratio(why=_GREY_WHY)
    sharper = _sharper(panel, reference)
    found = Ratio(
        value=float(np.clip(value, least, most)), at_least=least, at_most=most, sharper=sharper
    )
    return _agreeing(found, k)


def _sharper(panel: Shine, reference: Shine) -> tuple[float, float]:
    """Skewness of the panel's brightness less the reference's, and its standard uncertainty."""
    middles, errors = [], []
    for one in (panel, reference):
        floor = 0.2 * max(float(np.median(one.whole)), 1e-12)
        skew = one.peaks / np.maximum(one.whole, floor) ** 1.5
        middles.append(float(np.median(skew)))
        errors.append(float(skew.std()) / np.sqrt(_FREE * len(skew)))
    return middles[0] - middles[1], float(np.hypot(*errors))


def _agreeing(found: Ratio, k: float) -> Ratio:
    """The ratio where the form of the glints bears it out; a reason against it where not.

    Stronger highlights skew brightness more and weaker ones less. A lobe that is narrower, or
    broader, can be weaker in the one light and stronger in another.
    """
    more, u = found.sharper
    sharper, broader = more > k * u, more < -k * u
    glossier, duller = found.at_least >= _TOLD, found.at_most <= 1.0 / _TOLD
    if (duller and sharper) or (glossier and broader):
        return Ratio(why=_MIXED_WHY.format(sharper="sharper" if sharper else "broader"))
    if (sharper or broader or k * u > _BLUNT) and not (glossier or duller):
        # Not known to be alike, whatever the strengths are.
        return replace(found, at_least=0.0, at_most=float("inf"))
    return found


def _ways(places: Vector) -> tuple[Vector, Vector, Vector]:
    """How light may run over places: alike, a plane, a second-degree surface, (N, terms)."""
    off = places - places.mean(axis=0)
    x, y = (off / max(float(np.abs(off).max()), 1.0)).T
    whole = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    return whole[:, :1], whole[:, :3], whole


def _by_colour(
    panel: Shine, reference: Shine, ways: Sequence[Vector], mine: NDArray[np.bool_], k: float
) -> list[_Fit]:
    """Ratios of shine to shading on the panel over the reference's; empty if noise hides them."""
    for one in (panel, reference):
        shine, play = float(one.shared.sum()), float(one.whole.sum())
        if not 0.0 < shine < play or abs(one.noise[0]) * len(one.shared) > _COLOUR_NOISE * shine:
            return []
    shared = np.concatenate([panel.shared, reference.shared])
    whole = np.concatenate([panel.whole, reference.whole])
    scale = np.sqrt(np.maximum(whole, 0.2 * float(np.median(whole))))
    return [_profile(way, shared / scale, (whole - shared) / scale, mine, k) for way in ways]


@dataclass(frozen=True, slots=True)
class _Fit:
    """A ratio, between which values it lies, and what is left over the mean strength."""

    best: float
    low: float
    high: float
    misfit: float


def _profile(way: Vector, values: Vector, of: Vector, mine: NDArray[np.bool_], k: float) -> _Fit:
    """Least squares of ``values = ratio on the panel * way * of``.

    The ends are those of the profile of the sum of squares: an F test for one more parameter, its
    quantile from the normal distribution.
    """
    tried = np.exp(np.linspace(-np.log(_WIDEST), np.log(_WIDEST), _STEPS))
    # The normal equations of every ratio at once, from those of the panel and of the rest.
    design = way * of[:, None]
    panel, rest = design[mine], design[~mine]
    squares = tried[:, None, None] ** 2 * (panel.T @ panel) + rest.T @ rest
    products = tried[:, None] * (panel.T @ values[mine]) + rest.T @ values[~mine]
    inverse = np.linalg.pinv(squares, rcond=1e-10, hermitian=True)
    told = np.einsum("ij,ijk,ik->i", products, inverse, products)
    left = np.maximum(float(values @ values) - told, 0.0)
    free = max(3.0, _FREE * len(values) - way.shape[1] - 1)
    best = int(left.argmin())
    fair = np.flatnonzero(left <= left[best] * (1.0 + k * k / free))
    return _Fit(
        best=float(tried[best]),
        low=float(tried[fair[0]]) if fair[0] > 0 else 0.0,
        high=float(tried[fair[-1]]) if fair[-1] < _STEPS - 1 else float("inf"),
        misfit=float(np.sqrt(left[best] / len(values)) / max(float(np.abs(values).mean()), 1e-12)),
    )
