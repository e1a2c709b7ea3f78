"""A matched filter for spots of a known colour among a region's own grain and shine.

The play of grain, shadow and shine at the size of a spot has a covariance that the region itself
shows. Whitening with it is the optimal linear look for a known change of colour: directions in
which the grain moves anyway count little, and pairs of colours that differ just along them lose
their significance by themselves. (Adaptive matched filter: Robey et al., IEEE Trans. Aerosp.
Electron. Syst. 28 (1992) 208-216, from memory.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import enlarged, masked_blur, slow_mean, times
from fullhide.region import Patch
from fullhide.robust import covariance, spread
from fullhide.surface import Pair

__all__ = [
    "Level",
    "covariance_of",
    "levels",
    "sampled",
    "significance",
    "threshold",
]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Gaussian of the filter over the radius of the spot it is made for (near the optimum for a disc).
KERNEL_OVER_RADIUS = 0.6
#: Expected false alarms a region, before the look at the clutter's tails (our own choice).
FALSE_ALARMS = 0.01
#: Allowance for clutter that is no Gaussian noise (our own choice).
FLOCKS = 1.25
_LOCAL_MM = 6.0
#: Height from which local maxima are looked at, and how many tell how they die out (our own
#: choices).
_PEAK = 3.0
_FEWEST_PEAKS = 20
#: Share of a place's surroundings that must be judged (our own choice); the middle of a spot that
#: lies inside the outline has more.
_WHOLE = 0.8
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
_JOINT_SAMPLE = 6_000
#: Shading classes, finer towards the deep creases and the shine.
_QUANTILES = (0, 0.002, 0.006, 0.02, 0.06, 0.15, 0.35, 0.65, 0.85, 0.94, 0.98, 0.994, 0.998, 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """A region's smoothed ratios at one spot size.

    Attributes
    ----------
    area_mm2
        The spot size the level is made for.
    step
        View pixels a pixel of this level.
    sigma_px, mm_per_px
        The smoothing in this level's pixels, and their size.
    ratio, judged
        Smoothed ratios (h, w, 3) and the pixels they hold for.
    covariance
        Of the smoothed ratios, spots left out, (3, 3).
    seam
        Whether x runs along a seam.
    calm
        Judged pixels that are plainly of no colour beneath: by these the clutter is told.
    wider
        The levels made for larger spots: what they see around a place tells its background.
    joint
        Covariance of this level's and the wider ones' ratios, (3n, 3n); None = of this level
        alone.
    coded
        The part of it that comes from the steps of the file's coding; None = none.
    blur_mm
        Standard deviation of the photo's own blur.
    """

    area_mm2: float
    step: int
    sigma_px: float
    mm_per_px: float
    ratio: Array
    judged: Mask
    covariance: Vector
    seam: bool
    calm: Mask
    wider: tuple[Level, ...] = ()
    joint: Vector | None = None
    coded: Vector | None = None
    blur_mm: float = 0.0

    def response(self, area_mm2: NDArray[np.float64] | float, *, blur_mm: float) -> Vector:
        """Part of its height that a disc reaches at its middle, on this and each wider level.

        A disc of radius r under a Gaussian reaches 1 - exp(-r²/2σ²).
        """
        sigmas = [level.sigma_px * level.mm_per_px for level in (self, *self.wider)]
        spread = np.square(sigmas) + blur_mm**2
        ratio = np.asarray(area_mm2, np.float64)[..., None] / (2.0 * np.pi * spread)
        return np.asarray(-np.expm1(-ratio), np.float64)

    def weights(self, pair: Pair) -> Vector:
        """Filter over this and the wider levels, (levels, 3), of unit noise."""
        template = np.outer(self.response(self.area_mm2, blur_mm=self.blur_mm), pair.contrast)
        joint = self.covariance if self.joint is None else self.joint
        found = np.linalg.solve(joint, template.ravel())
        return cast(Vector, (found / np.sqrt(template.ravel() @ found)).reshape(-1, 3))

    def height(
        self, pair: Pair, area_mm2: NDArray[np.float64] | float, *, blur_mm: float
    ) -> Vector:
        """Filter output at the middle of a disc of the bare colour beneath."""
        parts = self.weights(pair) @ pair.contrast
        return np.asarray(self.response(area_mm2, blur_mm=blur_mm) @ parts, np.float64)


def levels(
    ratio: Array,
    weight: Array,
    judged: Mask,
    *,
    bare: Mask | None = None,
    mm_per_px: float,
    limit_mm2: float,
    seam: bool,
    blur_mm: float = 0.0,
    coding: Sequence[Patch] = (),
    count: int = 3,
) -> tuple[Level, ...]:
    """Smooth a region's ratios for spots of the limit's area and 4, 16, ... times that.

    Parameters
    ----------
    ratio, weight, judged
        As in `background.Background`.
    bare
        Pixels that are plainly of a colour beneath; None = none.
    mm_per_px
        Of the view.
    limit_mm2
        Smallest area that counts.
    seam
        Whether the view is a straightened seam.
    blur_mm
        Standard deviation of the photo's own blur.
    coding
        What a step of the file's coding does to the colour.
    count
        Number of levels.
    """
    made: list[Level] = []
    there = judged.astype(np.float32)
    spoilt = np.zeros_like(judged) if bare is None else bare
    radius_mm = float(np.sqrt(limit_mm2 / np.pi))
    step, area = 1, limit_mm2
    for _ in range(count):
        scale = mm_per_px * step
        sigma = KERNEL_OVER_RADIUS * radius_mm / scale
        smooth = masked_blur(ratio, weight, (sigma, sigma))
        # A place whose surroundings are cut off by a rim is noisier than the rest.
        around = cv2.GaussianBlur(there, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
        mask = (there > 0.5) & (around >= _WHOLE)
        calm = mask & ~_near(spoilt, mask.shape, 1.5 * sigma)
        made.append(
            Level(
                area_mm2=area,
                step=step,
                sigma_px=sigma,
                mm_per_px=scale,
                ratio=smooth,
                judged=mask,
                calm=calm if 4 * calm.sum() > mask.sum() else mask,
                covariance=np.eye(3),
                seam=seam,
                blur_mm=blur_mm,
            )
        )
        if min(ratio.shape[:2]) < 6:
            break
        ratio, weight, there = _halved(ratio, weight, there)
        step, area, radius_mm = 2 * step, 4.0 * area, 2.0 * radius_mm
    coded = _coded(made, coding)
    joint = _joint(made[0], made[1:]) + coded
    return tuple(
        replace(
            level,
            wider=tuple(made[i + 1 :]),
            joint=joint[3 * i :, 3 * i :],
            coded=coded[3 * i :, 3 * i :],
            covariance=joint[3 * i : 3 * i + 3, 3 * i : 3 * i + 3],
        )
        for i, level in enumerate(made)
    )


def _coded(made: Sequence[Level], coding: Sequence[Patch]) -> Vector:
    """Joint covariance of what rounding does to the levels, block by block.

    Where the surface is calmer than a step, the data do not show it: whole blocks have one colour,
    and the few that fall to the next step stand out as patches. Uniform over a step, each block
    for itself: wherever their grid lies, two places at a distance x have 1 - x/B in common each
    way, B the block's side; Gaussians over both leave the mean of that over their difference.
    """
    total = np.zeros((3 * len(made), 3 * len(made)))
    sigmas = np.array([level.sigma_px * level.mm_per_px for level in made])
    apart = np.sqrt(np.square(sigmas)[:, None] + np.square(sigmas)[None])
    for patch in coding:
        side = float(np.sqrt(patch.area_mm2)) / apart
        within = np.vectorize(NormalDist().cdf)(side) * 2.0 - 1.0
        beyond = np.sqrt(2.0 / np.pi) / side * -np.expm1(-0.5 * np.square(side))
        own = np.outer(patch.change, patch.change) / 12.0
        total += np.kron(np.square(within - beyond), own)
    return total


def _near(mask: Mask, shape: tuple[int, ...], reach_px: float) -> Mask:
    """A mask carried to another size and grown."""
    if not mask.any():
        return np.zeros(shape, bool)
    size = (shape[1], shape[0])
    small = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    width = 2 * int(np.ceil(reach_px)) + 1
    return cv2.dilate((small > 0.2).astype(np.uint8), np.ones((width, width), np.uint8)) > 0


def _joint(level: Level, wider: Sequence[Level]) -> Vector:
    """Joint covariance of the finest level's ratios and the wider ones', (3n, 3n)."""
    rows, columns = _thinned(level.judged, _JOINT_SAMPLE)
    there = level.calm[::rows, ::columns]
    y = np.arange(0, level.judged.shape[0], rows, dtype=np.float32)[:, None]
    x = np.arange(0, level.judged.shape[1], columns, dtype=np.float32)[None]
    channels = [level.ratio[::rows, ::columns][there]]
    for other in wider:
        k = np.float32(level.step / other.step)
        at_x = np.broadcast_to((x + np.float32(0.5)) * k - np.float32(0.5), there.shape)
        at_y = np.broadcast_to((y + np.float32(0.5)) * k - np.float32(0.5), there.shape)
        seen = cv2.remap(other.ratio, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        channels.append(cast(Array, seen)[there])
    return covariance(np.ascontiguousarray(np.concatenate(channels, axis=1).T))


def _halved(ratio: Array, weight: Array, there: Array) -> tuple[Array, Array, Array]:
    """All three at half the size, the ratio by its weighted mean."""
    height, width = weight.shape
    size = ((width + 1) // 2, (height + 1) // 2)

    def half(image: Array) -> Array:
        even = cv2.copyMakeBorder(image, 0, height % 2, 0, width % 2, cv2.BORDER_CONSTANT)
        return cast(Array, cv2.resize(even, size, interpolation=cv2.INTER_AREA))

    mass = half(weight)
    total = half(times(ratio, weight))
    return times(total, np.reciprocal(np.maximum(mass, np.float32(1e-3)))), mass, half(there)


def sampled(judged: Mask, *images: Array, count: int) -> list[Array]:
    """Values of images at evenly spread judged pixels, some `count` of them."""
    rows, columns = _thinned(judged, count)
    mask = judged[::rows, ::columns]
    return [image[::rows, ::columns][mask] for image in images]


def _thinned(judged: Mask, count: int) -> tuple[int, int]:
    """Steps down and across that leave some `count` pixels."""
    step = max(1, int(np.sqrt(judged.size / count)))
    # A whole number of pixels apart in both ways; seams are too low to be thinned across.
    rows = 1 if judged.shape[0] < 200 else step
    return rows, step if rows > 1 else max(1, judged.size // count)


def covariance_of(ratio: Array, judged: Mask) -> Vector:
    """Robust covariance (3, 3) of an image's channels: far-off pixels are clipped in rounds."""
    values = sampled(judged, ratio, count=_SAMPLE)[0]
    return covariance(np.ascontiguousarray(values.T))


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
    d = pair.contrast
    own = np.linalg.solve(level.covariance, d)
    unit = own / float(own @ d)
    # Shading: mean of the three channels after the share's own part is taken off.
    left = (np.eye(3) - np.outer(d, unit)).mean(axis=0)
    weights = level.weights(pair)
    both = cv2.transform(level.ratio, np.stack([weights[0], left]).astype(np.float32))
    t: Array = np.ascontiguousarray(both[..., 0], np.float32)
    shade: Array = np.asarray(both[..., 1], np.float32)
    for other, part in zip(level.wider, weights[1:], strict=True):
        around = cast(Array, cv2.transform(other.ratio, part[None].astype(np.float32)))
        t += enlarged(around, other.step // level.step, (t.shape[1], t.shape[0]))
    if not level.judged.any():
        return np.zeros_like(t), np.ones_like(t)
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
    away = ~_near(t > _PLAIN, t.shape, reach_px)
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
