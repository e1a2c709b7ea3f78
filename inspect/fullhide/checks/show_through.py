"""Show-through: where an old colour shows, which, how much of it and how large."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import Background
from fullhide.checks.explained import Look, unlike_threads
from fullhide.checks.filter import in_strong_light, significance, threshold
from fullhide.checks.levels import Level, levels
from fullhide.checks.outcome import Outcome
from fullhide.checks.reach import detectable_mm2, headroom, places, reach, sure_height, unseen
from fullhide.checks.rows import in_one_pattern, in_rows
from fullhide.checks.sewn import without_thread
from fullhide.checks.spots import ALIKE, SOLVABLE, Found, Seed, measured
from fullhide.checks.thin import film_path
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.result import Measure, Verdict
from fullhide.surface import Pair, Veil, colour_pair
from fullhide.verdict import combine, coverage_factor
from fullhide.visibility import visible_unit

__all__ = ["show_through"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]
#: A level, the filter's output there and its spread.
Output = tuple[Level, Array, Array]

#: A JPEG spreads a strong spot's colour over its block of coarse colour, photo pixels.
JPEG_BLOCK_PX = 16.0
#: A film is looked for that differs by so many times the limit, if its change of colour, held
#: against the grain's own, has less than this in common with the bare colour's (cosine; our own
#: choices).
FILM_OVER_LIMIT, SAME_WAY = 2.0, 0.95
#: Shares below this part of the limit's are not looked at (our own choice).
FAINT = 0.4


def show_through(
    view: RegionView,
    ground: Background,
    *,
    pairs: Sequence[Pair],
    allowed: Sequence[Pair] = (),
    limits: Limits,
    blur_mm: float,
    scale_doubt: float = 0.0,
) -> Outcome:
    """Find spots where a colour beneath shows.

    Parameters
    ----------
    view, ground
        The region and its spot-free look.
    pairs
        One for each colour that may lie beneath and could be seen.
    allowed
        The same for colours that may be seen, such as thread: what is clearly one of these is no
        spot.
    limits
        The job's limits.
    blur_mm
        Standard deviation of the photo's blur on the part.
    scale_doubt
        Relative standard uncertainty of the scale.

    Returns
    -------
    Outcome
        Measure ``show_through_mm2``: the largest spot at or above the limit's difference.
    """
    k = coverage_factor(limits.confidence)
    stack = levels(
        ground.ratio,
        ground.weight,
        ground.judged,
        bare=ground.bare,
        mm_per_px=view.mm_per_px,
        limit_mm2=limits.show_through_mm2,
        seam=view.is_seam,
        blur_mm=blur_mm,
        coding=view.coding,
    )
    looked = [*pairs, *_films(pairs, limits, stack[0].covariance)]
    look = Look(
        view=view,
        ground=ground,
        stack=stack,
        pairs=looked,
        allowed=allowed,
        limits=limits,
        blur_mm=blur_mm,
        scale_doubt=scale_doubt,
        k=k,
    )
    outputs: list[tuple[Pair, Array, list[Output]]] = []
    seeds: list[Seed] = []
    for pair in looked:
        alarm, marked, no_light, seen = _marked(look, pair)
        seeds.extend(_seeds(marked, no_light))
        if pair.bare == 1.0:  # films are looked for, not vouched for
            outputs.append((pair, alarm, seen))
    told = measured(seeds, look)
    smallest, room, dark = _could_hide(outputs, told, look)
    return replace(
        _judged(_without_holes(told, look), smallest, look),
        headroom=room if np.isfinite(room) else None,
        unseen=places(dark & ground.judged, ground.judged, mm_per_px=view.mm_per_px),
    )


def _could_hide(
    outputs: Sequence[tuple[Pair, Array, list[Output]]], told: Found, look: Look
) -> tuple[dict[str, float], float, Mask]:
    """The smallest spot of each colour that would be seen, headroom, and where one may hide."""
    unsewn = without_thread(look)
    smallest: dict[str, float] = {}
    room = float("inf")
    dark = np.zeros(look.ground.judged.shape, bool)
    for pair, alarm, seen in outputs:
        known, levels_seen = alarm, seen
        if unsewn:
            # What was taken for thread is not left out there: it may be what lies between.
            levels_seen = [(level, *significance(level, pair)) for level in unsewn]
            known = told.labels.astype(np.float32)
        found, hidden = _hidden(levels_seen, pair, known, look)
        smallest[pair.name] = detectable_mm2(found, pair, blur_mm=look.blur_mm, k=look.k)
        room = min(room, headroom(found, pair, blur_mm=look.blur_mm, k=look.k))
        if smallest[pair.name] > look.limits.show_through_mm2:
            dark |= hidden
    return smallest, room, dark


def _films(pairs: Sequence[Pair], limits: Limits, covariance: Vector) -> list[Pair]:
    """Pairs of the finish and a film of it that is just too thin, where that is another colour.

    What shines through a film is not what shows between specks of it: over white a thin brown is
    more chromatic, not paler.
    """
    found = []
    for pair in pairs:
        films = film_path(pair.finish, pair.under)
        apart = delta_e00(xyz_to_lab(films), xyz_to_lab(pair.finish))
        over = np.flatnonzero(apart >= FILM_OVER_LIMIT * limits.show_through_delta_e)
        if not over.size:
            continue
        film = films[over[-1]]
        change = (film - pair.finish) / pair.seen
        both = np.stack([change, pair.contrast])
        alike = both @ np.linalg.solve(covariance, both.T)
        if alike[0, 1] > SAME_WAY * np.sqrt(alike[0, 0] * alike[1, 1]):
            continue
        made = colour_pair(
            pair.name,
            pair.finish,
            film,
            limit_delta_e=limits.show_through_delta_e,
            light=pair.light,
            veil=Veil(light=pair.veil, doubt=pair.doubt),
        )
        channel = int(np.abs(pair.under - pair.finish).argmax())
        bare = float((film - pair.finish)[channel] / (pair.under - pair.finish)[channel])
        # So small a change is not told from shade and shine together pixel by pixel.
        condition = max(pair.condition, 2.0 * SOLVABLE)
        found.append(replace(made, condition=condition, bare=float(np.clip(bare, 0.01, 0.99))))
    return found


def _marked(look: Look, pair: Pair) -> tuple[Array, Array, Array, list[Output]]:
    """Significance at view resolution, 0 below the threshold; each level's, with its spread.

    Of all that stands out; without what is surely strong light alone, which is no spot, though
    nothing more is known of its place; and of what stands out once such light is taken off.
    """
    shape = look.ground.judged.shape
    alarm, marked, no_light = (np.zeros(shape, np.float32) for _ in range(3))
    seen: list[Output] = []
    for level in look.stack:
        t, spread = significance(level, pair)
        limit = threshold(level, t)
        seen.append((level, t, spread))
        # A difference too faint to count is left alone, however sure it is.
        least = level.height(pair, level.area_mm2, blur_mm=level.blur_mm)
        faint = FAINT * pair.share_at_limit * float(least)
        over = (t > limit) & (t * spread > faint)
        _mark(alarm, over, t, level)
        lit = in_strong_light(level, pair, t)
        if lit is not None:
            strong, rest, wide = lit
            brought = sure_height(level, pair, blur_mm=look.blur_mm, k=look.k)
            over &= ~strong | ((rest + np.float32(look.k)) * wide >= np.float32(brought))
            found = strong & (rest > limit) & (rest * wide > faint)
            _mark(alarm, found, rest, level)
            _mark(marked, found, rest, level)
            _mark(no_light, found, rest, level)
        _mark(marked, over, t, level)
    return alarm, marked, no_light, seen


def _mark(marked: Array, over: Mask, t: Array, level: Level) -> None:
    """Carry what stands out at a level into the map of significance at view resolution."""
    if over.any():
        high = np.where(over, t, np.float32(0.0)).astype(np.float32)
        np.maximum(marked, _to_view(high, level.step, marked.shape), out=marked)


def _hidden(
    seen: Sequence[Output], pair: Pair, marked: Array, look: Look
) -> tuple[list[tuple[Level, float]], Mask]:
    """Each level's reach, and where a spot could hide, at view resolution."""
    # What is found is no longer hidden: the reach is that of the rest, a kernel's width away.
    found: list[tuple[Level, float]] = []
    dark = np.zeros(marked.shape, bool)
    for level, t, spread in seen:
        size = (t.shape[1], t.shape[0])
        around = cv2.resize((marked > 0).astype(np.uint8), size, interpolation=cv2.INTER_AREA)
        reach_px = 2.5 * level.sigma_px + JPEG_BLOCK_PX / (look.view.factor * level.step)
        width = 2 * int(np.ceil(reach_px)) + 1
        around = cv2.dilate(around, np.ones((width, width), np.uint8))
        free = level.judged & (around == 0)
        found.append((level, reach(t, spread, free=free, k=look.k)))
        hidden = unseen(level, pair, t, spread, free=free, blur_mm=look.blur_mm, k=look.k)
        dark |= _to_view(hidden.astype(np.float32), level.step, marked.shape) > 0
    return found, dark


def _to_view(values: Array, step: int, shape: tuple[int, ...]) -> Array:
    if step == 1:
        return values
    size = (values.shape[1] * step, values.shape[0] * step)
    large = cv2.resize(values, size, interpolation=cv2.INTER_NEAREST)
    return cast(Array, large[: shape[0], : shape[1]])


def _seeds(marked: Array, no_light: Array) -> list[Seed]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (marked > 0).astype(np.uint8), connectivity=8
    )
    made = []
    for i in range(1, count):
        x, y, w, h = (int(v) for v in stats[i, :4])
        part = labels[y : y + h, x : x + w] == i
        heights = np.where(part, marked[y : y + h, x : x + w], 0.0)
        row, column = np.unravel_index(int(heights.argmax()), heights.shape)
        made.append(
            Seed(
                window=(slice(y, y + h), slice(x, x + w)),
                mask=part,
                peak=(y + int(row), x + int(column)),
                height=float(heights.max()),
                no_light=bool((no_light[y : y + h, x : x + w][part] > 0).any()),
            )
        )
    return made


def _without_holes(found: Found, look: Look) -> Found:
    """Leave out the marks that are holes in a row, or stitches in a seam of declared thread."""
    mm = look.view.mm_per_px
    centres = np.array([spot.centre for spot in found.spots]).reshape(-1, 2) * mm
    areas = np.array([spot.area_mm2 for spot in found.spots])
    holes = in_rows(centres, areas)
    if look.view.is_seam and look.allowed:
        holes |= in_one_pattern(centres, areas)
    if (holes.any() or found.excused) and len(unlike_threads(look)) < len(look.allowed):
        # Thread of nearly a colour beneath: what is taken for it could be that colour.
        found = replace(found, other_mm2=max(found.other_mm2, look.limits.show_through_mm2))
    if not holes.any():
        return found
    kept = np.flatnonzero(~holes)
    table = np.zeros(len(holes) + 1, np.uint16)
    table[kept + 1] = np.arange(1, len(kept) + 1)
    spots = [found.spots[i] for i in kept]
    return replace(found, labels=table[found.labels], spots=spots)


def _judged(found: Found, smallest: dict[str, float], look: Look) -> Outcome:
    limit, spots = look.limits.show_through_mm2, found.spots
    sure = [spot for spot in spots if spot.reaches]
    counted = sure or [spot for spot in spots if spot.verdict == "retake"]
    largest = max(counted, key=lambda spot: spot.area_mm2, default=None)
    detectable = max(smallest.values(), default=0.0)
    if largest is not None:
        value, u = largest.area_mm2, largest.area_u_mm2
    else:
        # Nothing seen: what could still hide is as large as what could just be seen.
        value, u = 0.0, detectable / look.k
    own: Verdict = "pass" if detectable <= limit else "retake"
    flags = _hidden_by(smallest, look) if own == "retake" else ()
    if found.other_mm2 >= limit:
        own, flags = "retake", (*flags, "something_else")
    verdict = combine([own, *(spot.verdict for spot in spots)])
    return Outcome(
        check="show_through",
        verdict=verdict,
        measures={
            "show_through_mm2": Measure(
                value=value, u=u if np.isfinite(u) else None, limit=limit, unit="mm²"
            ),
            "visible_delta_e": Measure(
                value=found.visible_delta_e if spots else None,
                u=None,
                limit=None,
                unit=visible_unit(look.limits.viewing_distance_mm),
            ),
        },
        spots=tuple(spots),
        labels=found.labels,
        detectable_mm2=float(detectable) if np.isfinite(detectable) else None,
        flags=flags,
    )


def _hidden_by(smallest: dict[str, float], look: Look) -> tuple[str, ...]:
    """Flags for what keeps a spot of the limit from being seen: the colours, or the picture."""
    limit = look.limits.show_through_mm2
    blind = [pair for pair in look.pairs if smallest[pair.name] > limit]
    alike = any(pair.condition > ALIKE for pair in blind)
    return ("colours_inseparable",) if alike else ("grain_hides",)
