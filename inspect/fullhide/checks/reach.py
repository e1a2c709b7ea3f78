"""What a region could still hide: the smallest spot that is sure to be seen, and what lacks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.levels import Level
from fullhide.surface import Pair

__all__ = ["detectable_mm2", "headroom", "places", "reach", "sure_height", "unseen"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Areas = NDArray[np.float64]

#: Areas of discs that are tried, over the limit's.
_AREAS = np.geomspace(0.02, 64.0, 120)
#: Places nearer to one another than this are one; more of them, or a larger share of the region,
#: are no matter of single places (our own choices).
PLACES_APART_MM, MOST_PLACES, LARGEST_SHARE = 6.0, 8, 0.2
#: Standard deviations that a spot must bring to be excluded in noise (DEVELOPERS.md, the bound).
_ASKED = 4.6
#: For the integrals of `reach`: what a spot brings over the least, the normal distribution, of how
#: many places the spread is taken, and which parts of them stand for all.
_TIMES = np.geomspace(1.0, 30.0, 60)
_PHI_AT = np.linspace(-8.0, 8.0, 161)
_PHI = np.array([NormalDist().cdf(x) for x in _PHI_AT])
_SAMPLE = 2000
_PARTS = (np.arange(64) + 0.5) / 64


def detectable_mm2(
    found: Sequence[tuple[Level, float]], pair: Pair, *, blur_mm: float, k: float
) -> float:
    """Smallest spot at the limit's difference that the region is known not to hide.

    Parameters
    ----------
    found
        For each level: the level, and its greatest `reach`.
    pair
        The colours; its `share_at_limit` is what the spot shows.
    blur_mm
        Standard deviation of the photo's own blur.
    k
        The guard's coverage factor.

    Returns
    -------
    float
        mm²: it and every larger one, up to 64 times the limit, would be seen; else infinite.
    """
    if not found:
        return float("inf")
    areas = found[0][0].area_mm2 * _AREAS
    # The contrast's own doubt joins the guard's in quadrature, at the height that is asked for.
    doubt = float(np.hypot(1.0, _ASKED * pair.doubt)) - 1.0
    sure = pair.share_at_limit * max(0.05, 1.0 - k / _ASKED * doubt)

    parts = [sure / highest * (level.weights(pair) @ pair.contrast) for level, highest in found]

    def margin(area_mm2: NDArray[np.float64]) -> NDArray[np.float64]:
        over = [
            level.response(area_mm2, blur_mm=blur_mm) @ part
            for (level, _), part in zip(found, parts, strict=True)
        ]
        return np.asarray(np.max(over, axis=0) - 1.0, np.float64)

    # A filter that looks around a spot answers a wide one less: every larger size must be seen.
    unseen = np.flatnonzero(margin(areas) < 0.0)
    if not unseen.size:
        return float(areas[0])
    last = int(unseen[-1])
    if last == len(areas) - 1:
        return float("inf")
    low, high = float(areas[last]), float(areas[last + 1])
    for _ in range(16):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if margin(np.array([middle]))[0] >= 0.0 else (middle, high)
    return high


def headroom(
    found: Sequence[tuple[Level, float]], pair: Pair, *, blur_mm: float, k: float
) -> float:
    """What a spot of the limit brings over what it must to be seen for sure, at the least size.

    Parameters
    ----------
    found, pair, blur_mm, k
        As `detectable_mm2` takes them.

    Returns
    -------
    float
        1 or more: no spot of the limit or larger could hide. 0.5: the picture must tell colours
        apart twice as finely before that can be said.
    """
    if not found:
        return 0.0
    limit_mm2 = found[0][0].area_mm2
    areas = limit_mm2 * _AREAS[_AREAS >= 1.0]
    least = float(_margin(found, pair, blur_mm=blur_mm, k=k)(np.array([limit_mm2, *areas])).min())
    return max(0.0, least + 1.0)


def _margin(
    found: Sequence[tuple[Level, float]], pair: Pair, *, blur_mm: float, k: float
) -> Callable[[Areas], Areas]:
    """By how much the best level shows discs of given areas, over what could hide, less 1."""
    sure = _sure(pair, k)
    parts = [sure / highest * (level.weights(pair) @ pair.contrast) for level, highest in found]

    def margin(area_mm2: Areas) -> Areas:
        over = [
            level.response(area_mm2, blur_mm=blur_mm) @ part
            for (level, _), part in zip(found, parts, strict=True)
        ]
        return np.asarray(np.max(over, axis=0) - 1.0, np.float64)

    return margin


def _sure(pair: Pair, k: float) -> float:
    """Share at the limit, less what the contrast's own doubt may take of it.

    That doubt joins the guard's in quadrature, at the height that is asked for.
    """
    doubt = float(np.hypot(1.0, _ASKED * pair.doubt)) - 1.0
    return pair.share_at_limit * max(0.05, 1.0 - k / _ASKED * doubt)


def unseen(
    level: Level, pair: Pair, t: Array, spread: Array, *, free: Mask, blur_mm: float, k: float
) -> Mask:
    """Where a spot of the level's own size could hide, (h, w) of the level.

    Parameters
    ----------
    level, pair
        The filter.
    t, spread
        Its output, see `filter.significance`.
    free
        Pixels of no spot that has been found.
    blur_mm, k
        As `detectable_mm2` takes them.
    """
    brought = sure_height(level, pair, blur_mm=blur_mm, k=k)
    return np.asarray(free & ((t + np.float32(k)) * spread > np.float32(brought)))


def sure_height(level: Level, pair: Pair, *, blur_mm: float, k: float) -> float:
    """What a spot of the level's own size and the limit's difference is sure to bring at least."""
    return _sure(pair, k) * float(level.height(pair, level.area_mm2, blur_mm=blur_mm))


def places(mask: Mask, judged: Mask, *, mm_per_px: float) -> NDArray[np.uint16] | None:
    """Number the places of a mask, neighbours as one; None if there are none, many or large ones.

    Parameters
    ----------
    mask, judged
        Pixels of the view (h, w).
    mm_per_px
        Of the view.
    """
    if not mask.any():
        return None
    width = 2 * int(np.ceil(PLACES_APART_MM / 2.0 / mm_per_px)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    grown = cv2.dilate(mask.astype(np.uint8), kernel)
    count, labels = cv2.connectedComponents(grown, connectivity=8)
    inside = judged & (grown > 0)
    if count - 1 > MOST_PLACES or inside.sum() > LARGEST_SHARE * judged.sum():
        return None
    return labels.astype(np.uint16)


def reach(t: Array, spread: Array, *, free: Mask, k: float) -> float:
    """Least filter output, in the region's standard deviations, that no hidden spot would bring.

    Parameters
    ----------
    t, spread
        See `filter.significance`.
    free
        Pixels of no spot that has been found.
    k
        The guard's coverage factor: its confidence is how sure a pass must be.

    Returns
    -------
    float
        No place among the free pixels shows so much; and either a spot that brings it or more is
        in the region with less than the chance that the confidence leaves, or wherever one lay it
        would have shown with that confidence.

    Notes
    -----
    Bayes' rule. Half of all regions hold a spot; it brings x with the density H/x² from H on, so
    that every second one brings less than 2 H; it lies in a place in proportion to the square of
    its spread, rough places being easily missed (our own choices). It is unseen where noise takes
    it below the highest output seen, T: with the chance Phi(T - x / spread).
    """
    if not free.any():
        return float("inf")
    outs, wide = t[free], spread[free]
    shown = float((outs * wide).max())
    bound = float(((outs + np.float32(k)) * wide).max())
    few = np.quantile(wide[:: max(1, len(wide) // _SAMPLE)], _PARTS).astype(np.float64)
    mass = np.square(few) / np.square(few).sum()
    top, conf = float(outs.max()), NormalDist().cdf(k)
    share = np.diff(-1.0 / _TIMES)
    middle = np.sqrt(_TIMES[1:] * _TIMES[:-1])

    def hidden(least: float) -> float:
        below = np.interp(top - least * middle[:, None] / few, _PHI_AT, _PHI)
        return float(share @ below @ mass)

    low, high = 0.0, (top + 5.0) * float(few.max())
    for _ in range(14):
        half = 0.5 * (low + high)
        low, high = (half, high) if hidden(half) > (1.0 - conf) / conf else (low, half)
    return min(max(shown, high), bound)
