"""A matched filter for spots of a known colour among a region's own grain and shine.

The play of grain, shadow and shine at the size of a spot has a covariance that the region itself
shows. Whitening with it is the optimal linear look for a known change of colour: directions in
which the grain moves anyway count little, and pairs of colours that differ just along them lose
their significance by themselves. (Adaptive matched filter: Robey et al., IEEE Trans. Aerosp.
Electron. Syst. 28 (1992) 208-216, from memory.)
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from statistics import NormalDist
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.levels import Level, near, sampled
from fullhide.colour import WHITE_D50
from fullhide.robust import spread
from fullhide.smoothing import enlarged, masked_blur, slow_mean
from fullhide.surface import Pair

__all__ = [
    "in_strong_light",
    "significance",
    "threshold",
]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Expected false alarms a region, before the look at the clutter's tails (our own choice).
FALSE_ALARMS = 0.01
#: Allowance for clutter that is no Gaussian noise (our own choice).
FLOCKS = 1.25
_LOCAL_MM = 6.0
#: Light plays strongly over some millimetres where it does so many times as elsewhere; standard
#: deviation, relative to the surface, that it may have there (our own choices).
_PLAY_MM, _STRONG, _PLAY = 1.5, 3.0, 0.2
#: Height from which local maxima are looked at, and how many tell how they die out (our own
#: choices).
_PEAK = 3.0
_FEWEST_PEAKS = 20
#: The output is independent a good half of a spot's diameter away (our own count on noise).
_PLACES_A_SPOT = 4.0
#: Of the normal distribution, in standard deviations: from its 5th to its 20th percentile, and
#: from there to its middle (scipy.stats.norm.ppf).
_LOWER_TAIL = 0.8033, 0.8416
#: Spread by the middle half over that by the lower tail from which on spots are at work (our own
#: choice).
_SPOILT = 2.5
#: Standard deviations above which a pixel is plainly a spot's (our own choice).
_PLAIN = 8.0
#: From one class of shading to the next the spread grows at most so many times, the middle moves by
#: at most so many spreads (our own choices).
_STEP_SPREAD, _STEP_MIDDLE = 2.0, 1.0
#: Farther off than this a pixel counts no more to its surroundings' spread (our own choice).
_FARTHEST = 4.0
_SAMPLE = 10_000
#: Shading classes, finer towards the deep creases and the shine.
_QUANTILES = (0, 0.002, 0.006, 0.02, 0.06, 0.15, 0.35, 0.65, 0.85, 0.94, 0.98, 0.994, 0.998, 1)


def significance(level: Level, pair: Pair) -> tuple[Array, Array]:
    """Filter output in local standard deviations.

    Parameters
    ----------
    level
        One spot size.
    pair
        Finish and colour beneath.

    Returns
    -------
    t, spread
        float32 (h, w): significance, 0 where nothing is judged; and the local standard deviation
        that it was divided by, in those of the whole region.

    Notes
    -----
    A deep crease is not a shallow one made stronger: its colour leans, by light that bounced in
    it and by the camera's curve. So the output's middle and spread are taken from the region's
    own pixels of like shading, where shading is what is left after the best share of the colour
    beneath is taken off; on a real spot that is little.
    """
    weights = level.weights(pair)
    t = _output(level, weights)
    if not level.judged.any():
        return np.zeros_like(t), np.ones_like(t)
    return _normalised(level, t, _shade(level, pair), weights)


def in_strong_light(level: Level, pair: Pair, t: Array) -> tuple[Mask, Array, Array] | None:
    """The filter's output once more where light plays far more strongly than elsewhere.

    Parameters
    ----------
    level, pair
        As `significance` takes them.
    t
        Its output.

    Returns
    -------
    strong, t, spread
        Such places among those that stand out; and what is left there once all that shade and
        shine can do is taken off, with its spread in the region's own standard deviations, scaled
        so that a spot brings as much as it did. None if there are none.

    Notes
    -----
    A rounded rim's glint is ten times as strong as the play of light that the region's covariance
    knows of, and leaks through the filter. With a large variance along shine and along shade the
    filter answers only to what neither can do.
    """
    shine = WHITE_D50 / pair.seen
    across = np.linalg.svd(pair.contrast[None])[2][1:]  # what no spot of this colour changes
    noise = across @ level.covariance @ across.T
    look = np.linalg.solve(noise, across @ shine)
    look /= np.sqrt(look @ noise @ look)
    seen = cv2.transform(level.ratio, (look @ across)[None].astype(np.float32))
    play = cast(Array, seen.reshape(t.shape))
    play[~level.judged] = 0.0
    # A box of the Gaussian's variance serves.
    side = round(np.sqrt(12.0) * max(1.5 * level.sigma_px, _PLAY_MM / level.mm_per_px))
    mass = cv2.blur(level.judged.astype(np.float32), (side, side), borderType=cv2.BORDER_CONSTANT)
    power = cv2.blur(play * play, (side, side), borderType=cv2.BORDER_CONSTANT)
    strong = level.judged & (t > _PEAK) & (power > np.float32(_STRONG**2) * mass)
    if not strong.any():
        return None
    weights = _beside_light(level, pair, shine)
    again, spread = _normalised(level, _output(level, weights), _shade(level, pair), weights)
    return strong, again, spread


def _beside_light(level: Level, pair: Pair, shine: Vector) -> Vector:
    """Weights that answer to what neither shade nor shine can do, scaled to a spot's own height."""
    lengths = [shine / np.linalg.norm(shine), np.ones(3) / np.sqrt(3.0)]
    light = _PLAY**2 * sum(np.outer(way, way) for way in lengths)
    count = 1 + len(level.wider)
    joint = level.covariance if level.joint is None else level.joint
    free = joint + np.kron(np.ones((count, count)) + np.eye(count), light)
    disc = level.response(level.area_mm2, blur_mm=level.blur_mm)
    template = np.outer(disc, pair.contrast).ravel()
    found = np.linalg.solve(free, template)
    height = float(level.weights(pair).ravel() @ template)
    return cast(Vector, (found * (height / float(found @ template))).reshape(-1, 3))


def _output(level: Level, weights: Vector) -> Array:
    """Weighted sum of this and the wider levels' ratios."""
    own = cv2.transform(level.ratio, weights[:1].astype(np.float32))
    t: Array = np.ascontiguousarray(own.reshape(level.judged.shape), np.float32)
    for other, part in zip(level.wider, weights[1:], strict=True):
        around = cast(Array, cv2.transform(other.ratio, part[None].astype(np.float32)))
        t += enlarged(around, (other.step // level.step,) * 2, (t.shape[1], t.shape[0]))
    return t


def _shade(level: Level, pair: Pair) -> Array:
    """Shading: mean of the three channels after the share's own part is taken off."""
    own = np.linalg.solve(level.covariance, pair.contrast)
    left = np.eye(3) - np.outer(pair.contrast, own / float(own @ pair.contrast))
    shade = cv2.transform(level.ratio, left.mean(axis=0)[None].astype(np.float32))
    return cast(Array, shade.reshape(level.judged.shape))


def _normalised(level: Level, t: Array, shade: Array, weights: Vector) -> tuple[Array, Array]:
    """An output in local standard deviations, and these."""
    middle, scale = _by_shading(*sampled(level.calm, t, shade, count=_SAMPLE))
    t -= middle(shade)
    wide = scale(shade)
    t /= wide
    # Twice: what is plainly a spot shows only once the rough places are told from the calm.
    for _ in range(2):
        power = _local_power(level, t)
        t /= power
        wide *= power
        if not (t > _PLAIN).any():
            break
    if level.coded is not None:
        # What the steps alone can do counts even where hardly a block has taken one.
        coded = float(weights.ravel() @ level.coded @ weights.ravel())
        least = np.float32(np.sqrt(max(0.0, coded)))
        held = np.maximum(wide, least)
        t *= wide / held
        wide = held
    t[~level.judged] = 0.0
    return t, wide


def _local_power(level: Level, t: Array) -> Array:
    """Root of the mean square around each place, plain spots and their rims left out.

    The whole region's own, 1, counts a little.
    """
    wide_px = 2 * int(np.ceil(1.5 * level.sigma_px)) + 1
    plain = cv2.dilate((t > _PLAIN).astype(np.uint8), np.ones((wide_px, wide_px), np.uint8))
    calm = level.calm & (plain == 0)
    mass = np.where(calm, np.float32(1.0), np.float32(0.05))
    square = np.where(calm, np.minimum(t * t, np.float32(_FARTHEST**2)), np.float32(1.0))
    sigma = _LOCAL_MM / level.mm_per_px
    # A seam along, each row for itself: the valley is noisier than its banks.
    mean = masked_blur(square, mass, (sigma, 0.5)) if level.seam else slow_mean(square, mass, sigma)
    return np.sqrt(np.maximum(mean, np.float32(0.4)))


def _by_shading(
    t: Array, shade: Array
) -> tuple[Callable[[Array], Array], Callable[[Array], Array]]:
    """Robust middle and spread of `t` as functions of the shading, from its own quantiles."""
    if len(t) < 100:
        return np.zeros_like, np.ones_like
    order = np.argsort(shade)
    shade, t = shade[order], t[order]
    ends = [round(share * len(t)) for share in _QUANTILES]
    places, middles, spreads = [], [], []
    for start, end in pairwise(ends):
        if end - start < 30:
            continue
        middle, wide = _centre(t[start:end])
        places.append(float(shade[(start + end) // 2]))
        middles.append(middle)
        spreads.append(wide)
    _held(middles, spreads)
    floor = 0.5 * float(np.median(spreads)) + 1e-6

    # By a table of 256 shadings: a hundredth of their whole range is fine enough.
    low, high = places[0], max(places[-1], places[0] + 1e-6)
    grid = np.linspace(low, high, 256)
    tables = [
        np.interp(grid, places, values).astype(np.float32)
        for values in (middles, np.maximum(spreads, floor))
    ]
    gain = np.float32(255.0 / (high - low))

    def looked_up(x: Array, table: Array) -> Array:
        index = np.clip((x - np.float32(low)) * gain, 0, 255).astype(np.uint8)
        return cast(Array, cv2.LUT(index, table))

    return (lambda x: looked_up(x, tables[0])), (lambda x: looked_up(x, tables[1]))


def _held(middles: list[float], spreads: list[float]) -> None:
    """Hold the outer classes to their neighbours: a class of few pixels may be all one spot's."""
    centre = int(np.argmin(spreads))
    for outward, end in ((1, len(spreads)), (-1, -1)):
        for i in range(centre + outward, end, outward):
            near = i - outward
            spreads[i] = min(spreads[i], _STEP_SPREAD * spreads[near])
            reach = _STEP_MIDDLE * spreads[near]
            middles[i] = min(max(middles[i], middles[near] - reach), middles[near] + reach)


def _centre(values: Array) -> tuple[float, float]:
    """Middle and spread of a class of pixels, of which more than half may be spots.

    Spots reach up only: where the upper half lies much wider than the lower, both are told by
    the values' lower tail, as a normal distribution's are by its 5th and 20th percentiles.
    """
    fifth, twentieth = (int(len(values) * q) for q in (0.05, 0.2))
    ranked = np.partition(values, (fifth, twentieth, len(values) // 2))
    middle = float(ranked[len(values) // 2])
    wide = float(spread(values, ranked[len(values) // 2]))
    low = float(ranked[twentieth] - ranked[fifth]) / _LOWER_TAIL[0] + 1e-6
    lower = float(ranked[twentieth]) + _LOWER_TAIL[1] * low
    if wide > _SPOILT * low and middle - lower > 0.3 * low:
        return lower, low
    return middle, wide


def threshold(level: Level, t: Array) -> float:
    """Significance above which a spot is no accident.

    Chance over the number of places a spot could be, a quarter more because grain comes in
    flocks; or more where the clutter's other side, on which no spot can lie, reaches farther, or
    where the peaks die out so slowly that some would by themselves.
    """
    area = float(level.judged.sum()) * level.mm_per_px**2
    places = max(10.0, _PLACES_A_SPOT * area / level.area_mm2)
    chance = -NormalDist().inv_cdf(FALSE_ALARMS / places)
    # Around a plain spot the filter's surround answers with troughs.
    widest = level.wider[-1] if level.wider else level
    reach_px = 2.5 * widest.sigma_px * widest.step / level.step
    away = ~near(t > _PLAIN, t.shape, reach_px)
    lows = _peaks(np.where(away, -t, np.float32(0.0)))
    tail = float(lows[2]) if len(lows) > 2 else 0.0
    highs = _peaks(np.where(level.calm, t, np.float32(0.0)))
    if len(highs) >= _FEWEST_PEAKS:
        # The lowest quarter tells how fast heights die out, even where many are spots.
        rate = np.log(4.0 / 3.0) / max(float(np.quantile(highs, 0.25)) - _PEAK, 0.02)
        carried = _PEAK + np.log(len(highs) / FALSE_ALARMS) / rate
        return max(FLOCKS * max(chance, tail), float(carried))
    return FLOCKS * max(chance, tail)


def _peaks(t: Array) -> NDArray[np.float32]:
    """Heights of an image's local maxima above `_PEAK`, highest first."""
    top = cv2.dilate(t, np.ones((5, 5), np.uint8))
    return np.sort(t[(t >= top) & (t > _PEAK)])[::-1]
