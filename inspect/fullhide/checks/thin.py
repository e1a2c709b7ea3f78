"""Thin coats: soft places where the film is too thin to hide the colour beneath.

Where a film thins, its colour runs from the finish towards the colour beneath along the path of
Kubelka and Munk (Z. techn. Phys. 12 (1931) 593; J. Opt. Soc. Am. 38 (1948) 448), the dark channels
last; its edge is soft. A bare spot is a mixture of both colours with an edge as sharp as the
photo. The remedies differ: another coat, or a touch-up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.outcome import Outcome, Spot
from fullhide.checks.texture import Texture
from fullhide.colour import WHITE_D50
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.robust import covariance
from fullhide.smoothing import masked_blur
from fullhide.surface import Pair
from fullhide.verdict import combine, coverage_factor, decide

__all__ = ["film_path", "thin_coats"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]
Window = tuple[slice, slice]

#: A thin coat is at least this large at half its height, mm²: what is smaller is for the check on
#: show-through (our own choice).
SMALLEST_MM2 = 8.0
#: Its edge rises from a quarter to three quarters over at least this length, mm: a bare spot's
#: edge is as sharp as a cut or a mask. Where nearly all of the colour beneath shows there is no
#: film to speak of, unless it fades very slowly (our own choices).
SOFT_EDGE_MM, SLOW_EDGE_MM = 0.9, 2.0
_NEARLY_BARE = 0.7
#: Radii of the places that are looked for, as Gaussians, mm.
_SIGMAS_MM = (3.0, 1.2)
#: A place's colour lies this near to the film's path, of its own difference: the path is taken by
#: three channels instead of by wavelengths, and light plays along. Nearer where the edge is sharp,
#: as a thing's is (our own allowances).
_OFF_PATH, _OFF_PATH_SHARP = 0.45, 0.4
#: An edge as sharp as this is that of a bare spot, if the place is small, or of a thing, if it is
#: large and show-through knows no spot there.
_CUT_EDGE_MM, _LARGE_MM2 = 0.5, 100.0
#: Smoothing of the map that outlines are read off, and room around a place, mm.
_OUTLINE_SIGMA_MM, _ROOM_MM = 1.2, 12.0
#: From a quarter to three quarters of an edge blurred by a Gaussian, in standard deviations.
_QUARTERS = 2.0 * NormalDist().inv_cdf(0.75)
#: Spread that even the smoothest panel is taken to have, ΔE00 (our own choice).
_LEAST_SPREAD = 0.1
#: A place's outline is followed down to this share of its height: grain frays what is lower.
_LOWEST = 0.15
_FEWEST_BLOCKS = 24
#: From this many standard deviations on a place stands out (some hundred places are looked at).
_STANDS_OUT = 5.0
#: The second way is that of a film which differs by so many times the limit.
_THINNER = 3.0
#: A colour that light cannot make tells film from light from this many on.
_TELLS = 3.5
#: Relative doubt of a difference of colour (our own allowance).
_COLOUR_DOUBT = 0.06
#: A film shows in every pixel of its place: the middle one has this much of the mean change or more
#: (our own choice).
_HOLES = 0.5
#: Levels, of a sharp place's height, that its half height may be taken for (our own allowance).
_HALF_DOUBT = (0.35, 0.65)
_MOST = 50
_THICKNESSES = np.geomspace(0.02, 8.0, 64)


def film_path(finish: Vector, under: Vector) -> Vector:
    """XYZ of films of growing thickness over a colour beneath.

    Parameters
    ----------
    finish, under
        XYZ(D50) of the film that hides fully and of what lies beneath, (3,).

    Returns
    -------
    ndarray (64, 3)
        From next to bare to next to hidden. Each channel is taken for one of the formula's
        wavelengths, and scattering for the same in all.
    """
    n = np.clip(finish / WHITE_D50, 1e-3, 0.995)
    u = np.clip(under / WHITE_D50, 0.0, 1.0)
    a, b = 0.5 * (1.0 / n + n), 0.5 * (1.0 / n - n)
    t = np.tanh(b * _THICKNESSES[:, None]) / b
    return WHITE_D50 * (u * (1.0 - a * t) + t) / (1.0 + t * (a - u))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """A colour beneath and the changes along the axes that films over it make.

    `change` is that of a film just thin enough to be seen, `path` those of films from bare to
    hidden, and `shares` how much of the colour beneath shows in each, in the channel that it
    differs in most.
    """

    pair: Pair
    change: Vector
    path: Vector
    shares: Vector

    def share_of(self, colour: Vector) -> float:
        """Share of the colour beneath in the film nearest to a change along the axes."""
        return float(self.shares[int(np.linalg.norm(self.path - colour, axis=1).argmin())])


def thin_coats(
    view: RegionView,
    judged: Mask,
    look: Texture,
    *,
    pairs: Sequence[Pair],
    limits: Limits,
    shown: Mask | None = None,
) -> Outcome:
    """Find places of thin film.

    Parameters
    ----------
    view, judged
        A panel and its judged pixels.
    look
        Its blocks.
    pairs
        One for each colour that may lie beneath and could be seen.
    limits
        The job's limits: a place counts from `show_through_delta_e` on.
    shown
        Where show-through was found already: a place with a sharp edge there is no thin coat.

    Returns
    -------
    Outcome
        Spots of kind ``"thin_coat"``, and of ``"show_through"`` where a place with a sharp edge
        has not been found as show-through; no measure of its own.

    Notes
    -----
    A place whose whole difference light could have made is a retake: a dent shades as softly.
    """
    ways = [way for pair in pairs for way in _ways(pair, look, limits)]
    labels = np.zeros(judged.shape, np.uint16)
    if not ways or look.good.sum() < _FEWEST_BLOCKS:
        return Outcome(check="thin_coat", verdict="pass")
    seeds = [
        seed
        for mm in _SIGMAS_MM
        for seed in _seeds_of_size(look, ways, limits, sigma=mm / look.side_mm)
    ]
    claimed = np.zeros(look.good.shape, bool)
    spots: list[Spot] = []
    unsure = False
    for seed in sorted(seeds, key=lambda seed: -seed.height)[:_MOST]:
        if claimed[seed.peak]:
            continue
        place = _place(seed, view, judged, look)
        spot = None if place is None else _spot(place, seed, view, look, limits)
        if place is None or spot is None:
            continue
        claimed |= seed.mask
        if not place.soft and shown is not None and shown[place.window][place.half].any():
            continue
        if 2 * (labels[place.window][place.half] > 0).sum() > place.half.sum():
            continue  # the same place, seen in another size
        spots.append(spot)
        outline = place.over(limits.show_through_delta_e, look)
        free = (outline if outline.any() else place.half) & (labels[place.window] == 0)
        labels[place.window][free] = len(spots)
        unsure |= spot.verdict == "retake"
    return Outcome(
        check="thin_coat",
        verdict=combine(["pass", *(spot.verdict for spot in spots)]),
        spots=tuple(spots),
        labels=labels,
        flags=("soft_patch",) if unsure else (),
    )


def _seeds_of_size(
    look: Texture, ways: Sequence[_Way], limits: Limits, *, sigma: float
) -> list[_Seed]:
    """Places that stand out in blocks smoothed by a Gaussian."""
    slow = masked_blur(look.change, look.good.astype(np.float32), (sigma, sigma))
    samples = np.ascontiguousarray(slow[look.good].T)
    middle = np.median(samples, axis=1)
    slow -= middle
    spread = covariance(samples - middle[:, None]) + _LEAST_SPREAD**2 * np.eye(3)
    return [seed for way in ways for seed in _seeds(slow, look, way, spread, limits)]


def _ways(pair: Pair, look: Texture, limits: Limits) -> list[_Way]:
    """Changes by a film just thin enough to be seen, and by a much thinner one, if any are.

    The path bends: over a light colour a film first turns more chromatic, then lighter.
    """
    films = film_path(pair.finish, pair.under)
    path = ((films - pair.finish) / pair.seen) @ look.axes.to.T
    channel = int(np.abs(pair.under - pair.finish).argmax())
    shares = (films - pair.finish)[:, channel] / (pair.under - pair.finish)[channel]
    shares = np.clip(shares, 0.0, 1.0)
    found = []
    for times in (1.0, _THINNER):
        seen = np.flatnonzero(look.delta_e(path) >= times * limits.show_through_delta_e)
        if seen.size:
            found.append(_Way(pair=pair, change=path[int(seen[-1])], path=path, shares=shares))
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seed:
    """Blocks that stand out along a way, and the spread of the panel's blocks."""

    way: _Way
    mask: Mask
    peak: tuple[int, int]
    height: float
    spread: Vector

    def told(self, colour: Vector, look: Texture) -> bool:
        """Whether light could not have made a change along the axes."""
        light = 2 if look.axes.shines else 1
        beyond = float(np.sqrt(self.spread[light:, light:].trace()))
        along = float(colour[light:] @ self.way.change[light:])
        along /= max(float(np.linalg.norm(self.way.change[light:])), 1e-6)
        return along > _TELLS * beyond


def _seeds(slow: Array, look: Texture, way: _Way, spread: Vector, limits: Limits) -> list[_Seed]:
    weights = np.linalg.solve(spread, way.change)
    unit = float(np.sqrt(way.change @ weights))
    t = cv2.transform(slow, (weights / unit)[None].astype(np.float32)).reshape(look.good.shape)
    # Half of what can be seen: beneath it lies nothing to act on.
    faint = limits.show_through_delta_e / max(float(look.delta_e(way.change)), 1e-6)
    over = look.good & (t > max(_STANDS_OUT, 0.5 * unit * faint))
    count, parts = cv2.connectedComponents(over.astype(np.uint8), connectivity=8)
    found = []
    for number in range(1, count):
        mask = parts == number
        row, column = np.unravel_index(int(np.where(mask, t, -1.0).argmax()), t.shape)
        found.append(
            _Seed(
                way=way,
                mask=mask,
                peak=(int(row), int(column)),
                height=float(t[row, column]),
                spread=spread,
            )
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Place:
    """A soft place in a window of the view.

    `free` are the judged pixels, `shape` is the smoothed strength along the way, `half` where it
    is over half its `height`, `colour` the mean change along the axes where it is highest;
    `soft` where the edge is not that of a cut or a mask, `spot` where a bare spot or a mixture of
    bare specks explains it better than a thin film.
    """

    window: Window
    free: Mask
    shape: Array
    half: Mask
    height: float
    colour: Vector
    soft: bool
    spot: bool

    def over(self, difference: float, look: Texture) -> Mask:
        """Where the place differs from the finish by at least so much ΔE00."""
        if not self.soft:  # blur alone makes its slope
            return self.half
        levels = np.linspace(_LOWEST, 0.95, 64)
        reached = np.flatnonzero(look.delta_e(levels[:, None] * self.colour) >= difference)
        level = levels[int(reached[0])] if reached.size else 0.95
        return _touching((self.shape > level * self.height) & self.free, self.half)


def _place(seed: _Seed, view: RegionView, judged: Mask, look: Texture) -> _Place | None:
    """Outline of a place; None if it is small, a thing, or its colour off the film's path."""
    window, blocks = _window(seed.mask, look)
    free = judged[window]
    size = (free.shape[1], free.shape[0])
    change = look.along_axes(view.xyz[window])
    light = np.ascontiguousarray(look.light[blocks])
    change -= cast(Array, cv2.resize(light, size, interpolation=cv2.INTER_LINEAR))
    weight = free.astype(np.float32)
    sigma = _OUTLINE_SIGMA_MM / view.mm_per_px
    smooth = _blurred(change, weight, sigma)
    found = seed.mask[blocks].astype(np.uint8)
    core = (cv2.resize(found, size, interpolation=cv2.INTER_NEAREST) > 0) & free
    # Twice: along the film's way, then along the place's own colour, which it shows best by.
    along = np.linalg.solve(seed.spread, seed.way.change)
    for _ in range(2):
        shape = cast(Array, cv2.transform(smooth, along[None]).reshape(free.shape))
        height = float(np.quantile(shape[core], 0.9)) if core.any() else 0.0
        half = _touching((shape > 0.5 * height) & free, core)
        if height <= 0 or float(half.sum()) * view.mm_per_px**2 < SMALLEST_MM2:
            return None
        top = half & (shape > 0.8 * height)
        colour = change[top if top.any() else half].mean(axis=0, dtype=np.float64)
        along = colour / max(float(colour @ colour), 1e-9)
    strength = cast(Array, cv2.transform(change, along[None]).reshape(free.shape))
    inside = strength[half]
    if float(np.median(inside)) < _HOLES * float(inside.mean()):
        return None  # holes or specks with the finish between them
    noise = float(along @ look.noise @ along) * look.side_mm**2
    whole = float(look.delta_e(seed.way.path[0]))
    bare = max(seed.way.share_of(colour), float(look.delta_e(colour)) / whole) > _NEARLY_BARE
    edge = _edge_mm(strength, weight, half, height, noise, view.mm_per_px)
    soft = edge >= (SLOW_EDGE_MM if bare else SOFT_EDGE_MM)
    off = float(np.linalg.norm(seed.way.path - colour, axis=1).min())
    if off > (_OFF_PATH if soft else _OFF_PATH_SHARP) * float(np.linalg.norm(colour)):
        return None
    if edge < _CUT_EDGE_MM and float(half.sum()) * view.mm_per_px**2 > _LARGE_MM2:
        return None
    return _Place(
        window=window,
        free=free,
        shape=shape,
        half=half,
        height=height,
        colour=colour,
        soft=soft,
        spot=not soft and (bare or edge < _CUT_EDGE_MM),
    )


def _window(mask: Mask, look: Texture) -> tuple[Window, Window]:
    """Window of view pixels around blocks, and the same window of blocks."""
    rows, columns = np.nonzero(mask)
    pad = int(np.ceil(_ROOM_MM / look.side_mm))
    top, left = max(0, rows.min() - pad), max(0, columns.min() - pad)
    bottom = min(mask.shape[0], rows.max() + 1 + pad)
    right = min(mask.shape[1], columns.max() + 1 + pad)
    side = look.side_px
    pixels = (slice(top * side, bottom * side), slice(left * side, right * side))
    return pixels, (slice(top, bottom), slice(left, right))


def _blurred(values: Array, weight: Array, sigma: float) -> Array:
    return masked_blur(values, weight, (sigma, sigma))


def _touching(mask: Mask, core: Mask) -> Mask:
    """The connected parts of a mask that hold some of a core."""
    _, parts = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    kept = np.unique(parts[core & mask])
    return np.isin(parts, kept[kept > 0])


def _edge_mm(
    strength: Array, weight: Array, half: Mask, height: float, noise: float, mm: float
) -> float:
    """Length over which a place's edge rises from a quarter to three quarters, blur taken out.

    `noise` is the variance of the strength over an area of 1 mm².
    """
    # Smoothed until noise does not fray the outline: a sixth of the height.
    sigma = float(np.clip(np.sqrt(noise / (4.0 * np.pi)) * 6.0 / height, 0.6, 2.5))
    fine = _blurred(strength, weight, sigma / mm)
    room = cv2.dilate(half.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=int(4 / mm))
    near = (room > 0) & (weight > 0)
    wide = _touching((fine > 0.25 * height) & near, half)
    narrow = (fine > 0.75 * height) & half
    outlines, _ = cv2.findContours(
        half.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_TC89_L1
    )
    around = sum(float(cv2.arcLength(line, True)) for line in outlines)
    length = float(wide.sum() - narrow.sum()) / max(around, 1.0) * mm
    return float(np.sqrt(max(length**2 - (_QUARTERS * sigma) ** 2, 0.0)))


def _spot(
    place: _Place, seed: _Seed, view: RegionView, look: Texture, limits: Limits
) -> Spot | None:
    """The finding; None where the difference is surely below the limit."""
    limit = limits.show_through_delta_e
    k = coverage_factor(limits.confidence)
    delta_e = float(look.delta_e(place.colour))
    toward = place.colour / max(float(np.linalg.norm(place.colour)), 1e-6)
    u = float(np.hypot(np.sqrt(toward @ seed.spread @ toward), _COLOUR_DOUBT * delta_e))
    verdict = decide(delta_e, u, limit, k=k)
    if verdict == "pass":
        return None
    if not seed.told(place.colour, look):
        verdict = "retake"
    px2 = view.mm_per_px**2
    if place.soft:
        outlines = [place.over(difference, look) for difference in (limit, limit - u, limit + u)]
    else:
        low, high = (place.shape > level * place.height for level in _HALF_DOUBT)
        outlines = [place.half, _touching(low & place.free, place.half), place.half & high]
    area, more, less = (float(outline.sum()) * px2 for outline in outlines)
    rows, columns = np.nonzero(place.half)
    top, left = place.window[0].start, place.window[1].start
    return Spot(
        kind="show_through" if place.spot else "thin_coat",
        under=seed.way.pair.name,
        area_mm2=area,
        area_u_mm2=0.5 * (more - less),
        delta_e=delta_e,
        share=seed.way.share_of(place.colour),
        centre=(float(left + columns.mean()) + 0.5, float(top + rows.mean()) + 0.5),
        verdict=verdict,
    )
