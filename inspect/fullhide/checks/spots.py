"""Spots: what the marked places of a region are, how large, and how much of what shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.along import along_seam
from fullhide.checks.explained import (
    CLEARLY,
    PLAUSIBLE,
    REFUTED,
    STANDS_OUT,
    THREAD_SHADING,
    Look,
    costs,
    deviates,
    fine_ratio,
    unlike_threads,
)
from fullhide.checks.extent import Extent, extent_of, height_of
from fullhide.checks.levels import covariance_of
from fullhide.checks.outcome import Spot
from fullhide.colour import WHITE_D50
from fullhide.surface import Pair, mix_delta_e
from fullhide.verdict import decide
from fullhide.visibility import drawn_spot, visible_delta_e

__all__ = ["ALIKE", "SOLVABLE", "Found", "Seed", "measured"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Relative doubt of a share: how well the stated colour beneath is what lies there, and how well
#: the camera's colours fit (our own allowance).
SHARE_DOUBT = 0.08
#: The same where shine or shadow could take a part of the share's place (our own allowance).
SHARE_DOUBT_ALIKE = 0.2
#: No outline is drawn at less than the rest of this part of what it would be drawn at (our own
#: choice).
MOST_DOUBT = 0.5
#: Relative doubt of a colour's contrast with the finish (our own allowance).
COLOUR_DOUBT = 0.05
#: Doubt of an outline's place all round, over its edge's width as seen (a standard deviation):
#: for a spot beyond noise, and over how many times it stands out of noise. So that 95 % intervals
#: hold the areas of 133 rendered spots and 39 gaps (seeds 2201 and 2202) that often.
PLACE_DOUBT, PLACE_NOISE = 0.22, 3.5
#: Relative doubt of an area in a seam beside that: walls, stitches and neighbours that join it.
#: Fitted to the same.
SEAM_DOUBT = 0.25
#: The same of a mark taken for a film: its plainest part stands out (our own allowance).
FILM_DOUBT = 0.4
#: More spots than this in one region are not listed one by one.
MOST_SPOTS = 500
#: From here on it is something else even if nothing explains it; a typed colour that is a tenth off
#: stays below (our own choice).
_FOREIGN = 60.0
#: What must be left of a spot, over the limit's area, once thread and shadow are taken out of it
#: (our own choice).
_LEFT = 0.4
#: So far beside a spot its own fringe is over, mm (our own choice).
_BESIDE_MM = 2.0
#: A part of a mark of something else is looked at by itself if it is as wide as this, mm: the rims
#: of thread are narrower (our own choice).
_PART_MM = 0.9
#: Depth inside a spot, over its greatest, from which on it counts as its middle (our own choice).
_INNERMOST = 0.6
#: A spot of whose height blur left less than this is narrow (our own choice).
_NARROW = 0.9
#: Up to this condition number a single pixel's share is told from its shine (our own choice).
SOLVABLE = 60.0
#: From this condition number on it is the colours' likeness to shadow or shine that hides a
#: spot rather than the picture (our own choice).
ALIKE = 300.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seed:
    """Pixels of a window of the view that stand out, by how many local standard deviations.

    `no_light`: they do so once all is taken off that shade and shine can do in strong light.
    `part`: of a mark of which the rest is something else, or told already.
    """

    window: tuple[slice, slice]
    mask: Mask
    peak: tuple[int, int]
    height: float
    no_light: bool = False
    part: bool = False


@dataclass(slots=True, kw_only=True, eq=False)
class Found:
    """What the seeds came to.

    `other_mm2`: of something that is no colour beneath, the largest; `excused`: whether some were
    taken for thread, shade or shine alone.
    """

    labels: NDArray[np.uint16]
    spots: list[Spot] = field(default_factory=list)
    visible_delta_e: float = 0.0
    other_mm2: float = 0.0
    excused: bool = False


def measured(seeds: Sequence[Seed], look: Look) -> Found:
    """Name, size and outline every seed, strongest first; what is covered by then is dropped."""
    ground, view = look.ground, look.view
    labels = np.zeros(ground.judged.shape, np.uint16)
    found = Found(labels=labels)
    spots = found.spots
    if not seeds:
        return found
    fine, sigma = fine_ratio(look)
    covariance = covariance_of(fine, ground.judged & ~ground.bare)
    shares: dict[int, Array] = {}
    claimed = np.zeros(labels.shape, bool)
    queue = sorted(seeds, key=lambda s: -s.height)
    for seed in queue:
        if claimed[seed.peak] or len(spots) >= MOST_SPOTS:
            continue
        pair, own = _which(seed, fine, look)
        if not isinstance(pair, Pair):
            beside = [] if seed.part else _parts_beneath(seed, fine, look)
            claimed[seed.window] |= seed.mask
            for bare in beside:
                claimed[bare.window] &= ~bare.mask
            queue.extend(beside)
            found.other_mm2 = max(found.other_mm2, pair)
            found.excused |= pair == 0.0
            continue
        which = id(pair)  # a colour and a film over it have one name
        if which not in shares:
            shares[which] = _share_map(fine, covariance, pair)
        blur_px = float(np.hypot(sigma, look.blur_mm / view.mm_per_px))
        free = ground.judged & ~claimed
        height, window = height_of(shares[which], own, seed.window, free=free, blur_px=blur_px)
        # Once more, with what the colours' own doubt does to so strong a spot: differences
        # between channels that tell a faint one from grain mislead on it. Not where shine could
        # take the share's place: there these differences are all there is.
        part = COLOUR_DOUBT * height if pair.condition <= SOLVABLE else 0.0
        doubt = np.diag((part * pair.contrast) ** 2)
        share_map = shares[which].copy()
        share_map[window] = _share_map(fine[window], covariance + doubt, pair)
        extent = extent_of(share_map, own, seed.window, free=free, blur_px=blur_px)
        spot = _spot(extent, pair, seed, share_map, look)
        if not extent.mask.any():  # it stands out, and no outline can be drawn
            found.other_mm2 = max(found.other_mm2, _strange_mm2(seed, own, fine, look))
        if spot is not None and spot.worth_telling(look.limits.show_through_mm2):
            spots.append(spot)
            # All that may be over the limit: a touch-up takes it along, the area told does not.
            drawn = extent.outline(
                share_map,
                pair.share_at_limit,
                free=labels == 0,
                doubt=min(look.k * _doubt(seed, pair), MOST_DOUBT),
                beyond_px=_outlined_to(extent, seed),
            )
            labels[extent.window][drawn] = len(spots)
            # A spot to touch up takes its fringe with it; one in doubt only itself.
            taken = extent.halo if spot.verdict == "fail" else extent.mask
            claimed[extent.window] |= taken
            seen = _visible(extent, pair, share_map, look)
            found.visible_delta_e = max(found.visible_delta_e, seen)
            if spot.verdict == "fail":
                # Seen at the largest size, neighbours are one mark: what is left stands alone.
                queue.extend(_rest(seed, claimed, fine, look))
    return found


def _rest(seed: Seed, claimed: Mask, fine: Array, look: Look) -> list[Seed]:
    """Parts of a mark well beside what has been told of it that stand out by themselves."""
    px2 = look.view.mm_per_px**2
    width = 2 * int(np.ceil(_BESIDE_MM / look.view.mm_per_px)) + 1
    near = cv2.dilate(claimed[seed.window].astype(np.uint8), np.ones((width, width), np.uint8))
    left = seed.mask & (near == 0)
    if float(left.sum()) * px2 < look.limits.show_through_mm2:
        return []
    part = np.zeros_like(left)
    part[left] = deviates(fine[seed.window][left].astype(np.float64), look.stack[0].covariance)
    part = cv2.morphologyEx(part.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return _standing(seed, part, look)


def _parts_beneath(seed: Seed, fine: Array, look: Look) -> list[Seed]:
    """Parts of a mark of something else that a colour beneath explains, as wide as a spot.

    A thread that fell across a bare place makes one mark with it, and one colour that is neither.
    """
    pixels = fine[seed.window][seed.mask].astype(np.float64)
    own, _ = costs(pixels, look, [])
    like = np.zeros_like(seed.mask)
    like[seed.mask] = deviates(pixels, look.stack[0].covariance) & (own.min(axis=0) <= REFUTED)
    width = max(3, round(_PART_MM / look.view.mm_per_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    part = cv2.morphologyEx(like.astype(np.uint8), cv2.MORPH_OPEN, kernel)
    return _standing(seed, part, look)


def _standing(seed: Seed, part: NDArray[Any], look: Look) -> list[Seed]:
    """A seed of each connected part that is as large as the limit."""
    px2 = look.view.mm_per_px**2
    count, labels, stats, centres = cv2.connectedComponentsWithStats(part, connectivity=8)
    made = []
    for i in range(1, count):
        if float(stats[i, cv2.CC_STAT_AREA]) * px2 < look.limits.show_through_mm2:
            continue
        mask = labels == i
        rows, columns = np.nonzero(mask)
        nearest = int(np.argmin(np.hypot(columns - centres[i, 0], rows - centres[i, 1])))
        peak = (
            seed.window[0].start + int(rows[nearest]),
            seed.window[1].start + int(columns[nearest]),
        )
        made.append(Seed(window=seed.window, mask=mask, peak=peak, height=STANDS_OUT, part=True))
    return made


def _visible(extent: Extent, pair: Pair, share_map: Array, look: Look) -> float:
    return visible_delta_e(
        drawn_spot(share_map[extent.window], mask=extent.mask, halo=extent.halo),
        pair.finish,
        pair.under,
        mm_per_px=look.view.mm_per_px,
        distance_mm=look.limits.viewing_distance_mm,
    )


def _share_map(fine: Array, covariance: Vector, pair: Pair) -> Array:
    """Least-squares share of the colour beneath, the grain's own covariance as noise."""
    weights = np.linalg.solve(covariance, pair.contrast)
    weights = weights / float(pair.contrast @ weights)
    return cast(
        Array, cv2.transform(fine, weights[None].astype(np.float32)).reshape(fine.shape[:2])
    )


def _which(seed: Seed, fine: Array, look: Look) -> tuple[Pair | float, Mask]:
    """Colour beneath that explains the seed's own change of colour best, and its pixels.

    If none does: the area in mm² of something else that lies there, 0 where thread, shadow or
    shine alone explains it well.
    """
    pixels = fine[seed.window][seed.mask].astype(np.float64)
    # Thread of another colour; a hole, crease or fold: less light or more; a glint.
    # Not these where any colour beneath looks like them: then such a place is in doubt, not told.
    shine = WHITE_D50 / look.pairs[0].finish
    allowed = [pair.contrast for pair in look.allowed]
    told_apart = max(pair.condition for pair in look.pairs if pair.bare == 1.0) <= ALIKE
    if told_apart and not seed.no_light:
        allowed += [-np.ones(3), np.ones(3), shine / shine.max()]
    # Pixel by pixel first: a stitch may cross a gap.
    body = deviates(pixels, look.stack[0].covariance)
    own, other = costs(pixels, look, allowed)
    theirs = (own.min(axis=0) > REFUTED) & (other < CLEARLY * own.min(axis=0))
    px2 = look.view.mm_per_px**2
    mine = body & ~theirs
    if float(mine.sum()) * px2 < _LEFT * look.limits.show_through_mm2:
        mine = np.ones(len(pixels), bool)
    mean = pixels[mine].mean(axis=0)
    own, other = costs(mean[None], look, allowed, shading=THREAD_SHADING)
    best = int(np.argmin(own[:, 0]))
    cost, beside = float(own[best, 0]), float(other[0])
    mask = np.zeros_like(seed.mask)
    mask[seed.mask] = mine
    if cost > REFUTED and beside < PLAUSIBLE and beside < CLEARLY * cost:
        return 0.0, seed.mask
    if cost > _FOREIGN:
        return float((pixels @ mean >= 0.5 * float(mean @ mean)).sum()) * px2, seed.mask
    return look.pairs[best], mask


def _strange_mm2(seed: Seed, own: Mask, fine: Array, look: Look) -> float:
    """Area of a mark's own pixels that stand out and are no thread in any light.

    Thread of nearly a colour beneath excuses nothing here.
    """
    pixels = fine[seed.window][own].astype(np.float64)
    threads = unlike_threads(look)
    _, other = costs(pixels, look, threads, shading=THREAD_SHADING)
    strange = deviates(pixels, look.stack[0].covariance) & (other > PLAUSIBLE)
    return float(strange.sum()) * look.view.mm_per_px**2


def _core(mask: Mask) -> Mask:
    """Innermost part of a spot: there a soft one shows most, and no rim mixes in."""
    if not mask.any():
        return mask
    framed = np.pad(mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    return np.asarray(depth >= _INNERMOST * float(depth.max()))


def _share(extent: Extent, share_map: Array) -> float:
    """Share of the colour beneath in the middle of a spot.

    What blur took from the height of a narrow spot is given back: its volume is kept.
    """
    local = np.clip(share_map[extent.window], 0.0, 1.0)
    height = float(local[_core(extent.mask)].mean())
    if extent.kept < _NARROW:
        volume = float(local[extent.halo | extent.mask].sum(dtype=np.float64))
        height = max(height, min(volume / extent.half_area_px, height / extent.kept))
    return float(np.clip(height, 0.0, 1.0))


def _doubt(seed: Seed, pair: Pair) -> float:
    """Relative standard uncertainty of a spot's share."""
    colours = SHARE_DOUBT if pair.condition <= SOLVABLE else SHARE_DOUBT_ALIKE
    return float(np.sqrt(1.0 / seed.height**2 + colours**2 + pair.doubt**2))


def _outlined_to(extent: Extent, seed: Seed) -> float:
    """Standard uncertainty of the place of a spot's outline, the same way all round, pixels."""
    return extent.seen_px * float(np.hypot(PLACE_DOUBT, PLACE_NOISE / seed.height))


def _area_doubt(extent: Extent, seed: Seed, pair: Pair, look: Look) -> float:
    """Relative standard uncertainty of a spot's area, but for that of its share."""
    area = max(extent.half_area_px, 1.0)
    rim = _outlined_to(extent, seed) * extent.rim_px / area
    joined = np.hypot(SEAM_DOUBT * look.view.is_seam, FILM_DOUBT * (pair.bare < 1.0))
    return float(np.hypot(np.hypot(rim, joined), 2.0 * look.scale_doubt))


def _spot(extent: Extent, pair: Pair, seed: Seed, share_map: Array, look: Look) -> Spot | None:
    """The finding, or None if it does not reach a third of the limit's difference."""
    if not extent.mask.any():
        return None
    limits, view, k = look.limits, look.view, look.k
    share = _share(extent, share_map)
    delta_e = float(mix_delta_e(pair.finish, pair.under, share))
    if delta_e < limits.show_through_delta_e / 3.0:
        return None
    px2 = view.mm_per_px**2
    core_mm2 = extent.half_area_px * px2
    share_u = share * _doubt(seed, pair)
    at = pair.share_at_limit
    area = extent.area_px(at, share=share) * px2
    low = extent.area_px(at, share=share - k * share_u) * px2
    high = extent.area_px(at, share=share + k * share_u) * px2
    apart = (high - low) / (2 * k)
    part = _area_doubt(extent, seed, pair, look)
    # What does not reach the limit's difference even at the doubt's upper end has no area there.
    u = float(np.hypot(apart, part * area)) if high > 0 else 0.0
    # So many times larger: an area's doubt has no end above. The lower end is as told.
    larger = float(np.hypot(apart, area * np.expm1(k * part) / k))
    told_u = larger if high > 0 and area <= limits.show_through_mm2 else u
    verdict = decide(area, told_u, limits.show_through_mm2, k=k)
    # Near the limit's difference the area goes from all to none at once, and a standard deviation
    # says little: what it may be at most decides on a pass.
    most = high * float(np.exp(k * part))
    if verdict == "pass" and high > 0 and most > limits.show_through_mm2:
        verdict = "retake"
    if area == 0.0:
        u = core_mm2 / k if high > 0 else 0.0  # all of it or none
    rows, columns = np.nonzero(extent.mask)
    top, left = extent.window[0].start, extent.window[1].start
    along = None
    if view.is_seam:
        along = along_seam(
            extent,
            share_map,
            pair.share_at_limit,
            free=look.ground.judged,
            mm_per_px=view.mm_per_px,
        )
    return Spot(
        kind="show_through",
        under=pair.name,
        area_mm2=area if area > 0 else core_mm2,
        area_u_mm2=u,
        delta_e=delta_e,
        share=share * pair.bare,
        centre=(left + float(columns.mean()) + 0.5, top + float(rows.mean()) + 0.5),
        along_mm=along,
        reaches=area > 0,
        verdict=verdict,
        film=pair.bare < 1.0,
    )
