"""The 24-patch chart: found anywhere in a photo, sampled, checked, and turned into a colour fit.

A chart that is not there, or cannot be trusted, is an empty reading (`found` False): a wrong
reading would be worse than none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from fullhide import _chart_find as finder
from fullhide import _chart_fit as fitting
from fullhide import _chart_judge as judging
from fullhide import _chart_pose as posing
from fullhide import _chart_read as sampling
from fullhide._chart_data import EDITIONS, PATCHES
from fullhide._chart_fit import ColourFit, Tone, uncalibrated
from fullhide._chart_marked import check_corners, marked_board, marked_places
from fullhide._chart_pose import Picture
from fullhide._chart_search import REJECT_PX, Remembering, searches
from fullhide._chart_types import ChartReading, ChartSpec, chart_spec
from fullhide.card import CardReading, find_card, paper_rgb
from fullhide.colour import lab_to_xyz, xyz_to_rec2020
from fullhide.errors import JobError

__all__ = [
    "EDITIONS",
    "PATCHES",
    "ChartReading",
    "ChartSpec",
    "ColourFit",
    "Tone",
    "chart_spec",
    "find_chart",
    "fit_colour",
    "uncalibrated",
]

F64: TypeAlias = NDArray[np.float64]

SMALL_PX = 250.0  # STANDARDS.md 6.4: below this width patch values go astray
_DIFFER = 0.01  # relative, beyond three standard deviations: two scales are not one


def find_chart(photo: Picture, *, spec: ChartSpec, corners_px: F64 | None = None) -> ChartReading:
    """Find the chart, sample it and check it.

    Parameters
    ----------
    photo
        An opened photo (`fullhide.photo.Photo`, or anything with its `size_px`, `encoded`,
        `matrix`, `linear`, `clipped` and `preview`).
    spec
        The chart to look for.
    corners_px
        (4, 2) corners of the board marked by hand, dark skin's first, clockwise in the chart's
        own frame: then nowhere else is searched.

    Returns
    -------
    ChartReading, with `found` False if there is none that can be trusted.

    Raises
    ------
    JobError
        Marked corners that are not four, cross, coincide or lie outside the photo.
    """
    view = Remembering(photo)
    if corners_px is not None:
        reading = _read_marked(view, spec, np.asarray(corners_px, dtype=np.float64))
        sure = reading.found and reading.mm_per_px is not None
    elif spec.card.expected:
        reading, sure = ChartReading(False, flags=("no_chart",)), False
    else:
        reading = _search(view, spec)
        sure = reading.found and not _doubts(reading) and reading.mm_per_px is not None
    if sure and not spec.card.expected:
        return reading
    card = find_card(view, spec=spec.card)
    if corners_px is None and not (reading.found and not _doubts(reading)):
        reading = _better(reading, _framed(view, spec, card))
        if spec.card.expected and (not reading.found or _doubts(reading)):
            reading = _better(reading, _search(view, spec))
    return _with_card(reading, card, spec)


def _better(one: ChartReading, other: ChartReading) -> ChartReading:
    if one.found and other.found:
        return one if _doubts(one) <= _doubts(other) else other
    if one.found != other.found:
        return one if one.found else other
    return one if len(one.flags) >= len(other.flags) else other


def _search(view: Remembering, spec: ChartSpec) -> ChartReading:
    """The chart anywhere in the photo, by itself."""
    refused: list[F64] = []
    best = ChartReading(False, flags=("no_chart",))
    for places in searches(view, _reference_rgb(spec)):
        for hom, mirrored in places:
            corners = finder.project(hom, posing.GRID[[0, 5, 23, 18]])
            again = [np.abs(corners - r).max() < 0.3 * posing.pitch_px(hom) for r in refused]
            if sum(again) >= 2:  # the same place from another contrast or size
                continue
            result = _read(view, spec, hom, mirrored)
            if result.found and not _doubts(result):
                return result
            if result.found:
                best = result if not best.found or _doubts(result) < _doubts(best) else best
                refused.append(corners)
            elif len(result.flags) > len(best.flags):
                best = result  # nothing to use, but it says why
            refused.append(corners)
        if best.found:
            break
    return best


def _framed(view: Remembering, spec: ChartSpec, card: CardReading) -> ChartReading:
    """The chart in the hole of a frame, whichever way round it lies there."""
    best = ChartReading(False, flags=("no_chart",))
    if not card.frames:
        return best
    hole = card.hole_px(_board_mm(spec, card))
    for quad in (hole, np.roll(hole, -2, axis=0)):
        for hom, mirrored in marked_places(view, quad, _reference_rgb(spec)):
            result = _read(view, spec, hom, mirrored, posed=True)
            if result.found and not _doubts(result):
                return result
            best = _better(best, result)
    return best


def _board_mm(spec: ChartSpec, card: CardReading) -> tuple[float, float]:
    """Size of the chart that the frame is for, mm."""
    width, height = spec.card.cutout_mm
    if spec.width_mm is not None:
        height, width = height / width * spec.width_mm, spec.width_mm
    most = card.hole_mm
    shrink = min(1.0, most[0] / width, most[1] / height)
    return width * shrink, height * shrink


def _with_card(reading: ChartReading, card: CardReading, spec: ChartSpec) -> ChartReading:
    """The reading with what the card adds: a scale where the chart gives none, a white."""
    if not card.found:
        return reading
    flags = list(reading.flags)
    if not reading.found:
        if card.white.size:
            flags = ["card_only" if name == "no_chart" else name for name in flags]
        flags += card.flags
        return replace(
            reading,
            card=card,
            flags=tuple(flags),
            mm_per_px=card.mm_per_px,
            mm_per_px_u=card.mm_per_px_u,
            scale_from="card",
        )
    chart_sure = reading.mm_per_px is not None and "scale_doubtful" not in flags
    if chart_sure and spec.card.printed_mm is not None and _inside(reading, card):
        if _scales_differ(reading, card):
            flags.append("scales_differ")
        return replace(reading, card=card, flags=tuple(flags))
    if chart_sure:
        return replace(reading, card=card)
    # The card's plane where the chart lies, if it lies in the card: else the card's own middle.
    at = reading.centres_px.mean(axis=0) if _inside(reading, card) else card.corners_px.mean(axis=0)
    scale = card.scale_at(at)
    kept = [name for name in flags if name != "scale_doubtful"]
    return replace(
        reading,
        card=card,
        flags=(*kept, *(name for name in card.flags if name == "card_unmeasured")),
        mm_per_px=scale,
        mm_per_px_u=scale * card.mm_per_px_u / card.mm_per_px,
        scale_from="card",
    )


def _inside(reading: ChartReading, card: CardReading) -> bool:
    """Whether the chart lies in the frame's hole, and so in the card's plane."""
    if not card.frames:
        return False
    at = finder.project(np.asarray(np.linalg.inv(card.homography), np.float64), reading.centres_px)
    half = np.array(card.hole_mm) / 2
    return bool((np.abs(at) < half).all())


def _scales_differ(reading: ChartReading, card: CardReading) -> bool:
    """Whether chart and card give scales that cannot both be right."""
    if reading.mm_per_px is None or reading.mm_per_px_u is None:
        return False
    other = card.scale_at(reading.centres_px.mean(axis=0))
    doubt = np.hypot(reading.mm_per_px_u / reading.mm_per_px, card.mm_per_px_u / card.mm_per_px)
    return bool(abs(np.log(reading.mm_per_px / other)) > 3.0 * doubt + _DIFFER)


def _reference_rgb(spec: ChartSpec) -> F64:
    return np.maximum(xyz_to_rec2020(lab_to_xyz(spec.lab)), 0.0)


def _doubts(reading: ChartReading) -> int:
    """Grounds to go on looking for a better reading."""
    return len(set(reading.flags) - {"chart_small", "scale_doubtful", "chart_part_clipped"}) + len(
        reading.bad
    )


def _read(
    photo: Picture,
    spec: ChartSpec,
    hom: F64,
    mirrored: bool,
    marks: F64 | None = None,
    *,
    posed: bool = False,
) -> ChartReading:
    """Refine, sample and judge one place; `posed` if a card or marks vouch for the place."""
    missing = ChartReading(False, flags=("no_chart",))
    pose = posing.refine(photo, hom)
    if pose is None and (posed or marks is not None):  # they stand in for edges not seen
        pose = posing.Pose(hom, 0.42, 0.0, 0)
    if pose is None or pose.rms > 0.08:
        return missing
    seen = sampling.sample(photo, pose.homography, pose.half)
    if seen is None:
        return missing
    verdict = judging.judge(seen, spec.lab, mirrored=mirrored, rms=pose.rms, edges=pose.edges)
    if not verdict.found:
        return replace(missing, flags=missing.flags + verdict.flags)
    board = posing.find_board(photo, pose)
    if marks is not None:
        board = marked_board(pose.homography, marks, board)
    placed = _place(pose.homography, board, spec)
    if placed.width_px < REJECT_PX:
        return missing
    flags = list(verdict.flags)
    if placed.width_px < SMALL_PX:
        flags.append("chart_small")
    if marks is None and not board.sure:
        flags.append("scale_doubtful")
    return replace(
        placed,
        found=True,
        patches=seen.mean,
        patch_sd=seen.sd,
        flags=tuple(flags),
        hand_marked=marks is not None,
        used=verdict.used,
        bad=verdict.bad,
        light=verdict.light,
    )


def _place(grid_hom: F64, board: posing.Board, spec: ChartSpec) -> ChartReading:
    """Corners, plane homography and scale from the grid's pose and the board's edges."""
    corners = board.corners()
    unit = (spec.width_mm or 1.0) / board.width  # mm (or board widths) a pitch
    to_grid = np.array([[1 / unit, 0, corners[0, 0]], [0, 1 / unit, corners[0, 1]], [0, 0, 1.0]])
    hom = grid_hom @ to_grid
    hom = hom / hom[2, 2]
    middle = np.array([board.width, board.height]) * unit / 2
    strong, weak = np.linalg.svd(posing.jacobian(hom, middle), compute_uv=False)
    scale = None if spec.width_mm is None else float(1.0 / strong)
    return ChartReading(
        found=False,
        corners_px=finder.project(grid_hom, corners),
        homography=hom,
        centres_px=finder.project(grid_hom, posing.GRID),
        mm_per_px=scale,
        mm_per_px_u=None if scale is None else scale * board.width_u,
        scale_from="" if scale is None else "chart",
        width_px=float(weak * unit * board.width),
    )


def _read_marked(photo: Picture, spec: ChartSpec, corners: F64) -> ChartReading:
    problem = check_corners(corners, photo.size_px)
    if problem:
        raise JobError("chart", problem, "mark the board's four corners, dark skin's first")
    best = ChartReading(False)
    for hom, mirrored in marked_places(photo, corners, _reference_rgb(spec)):
        result = _read(photo, spec, hom, mirrored, corners)
        if result.found and not _doubts(result):
            return result
        if result.found and (not best.found or _doubts(result) < _doubts(best)):
            best = result
    if best.found:
        return best
    # A board whose colours are not the chart's is no ground for a scale either.
    return ChartReading(False, flags=("no_chart", "chart_doubtful"), hand_marked=True)


def fit_colour(reading: ChartReading, *, spec: ChartSpec) -> ColourFit:
    """Working linear to XYZ from a chart read.

    Parameters
    ----------
    reading
        From `find_chart`. Not found gives a fit on the card's white alone, or `uncalibrated()`.
    spec
        The same chart.

    Returns
    -------
    ColourFit: linear 3 x 3 or root-polynomial of degree 2 (Finlayson, Mackiewicz & Hurlbert
    2015), whichever has the lower leave-one-out residual; with a tone curve from the grey row
    where that lowers it clearly.
    """
    if not reading.found and reading.card.white.size:
        return fitting.white_only(reading.card.white, paper_rgb())
    if not reading.found:
        return uncalibrated()
    rgb = reading.patches / reading.light[:, None]
    return fitting.fit_patches(rgb, spec.lab, used=reading.used)
