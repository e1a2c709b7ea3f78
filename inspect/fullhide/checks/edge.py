"""Two-tone parts: whether the masked line is straight and each colour stays on its own side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.checks.edge_between import levelled
from fullhide.checks.edge_faults import gap, overspray
from fullhide.checks.edge_found import ENDS, OWN_COLOUR, SOFT, Line, Named, decided, labs_of
from fullhide.checks.edge_trace import Trace, runs, trace
from fullhide.checks.outcome import Outcome, Spot
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.job import EDGE_MM, EDGE_STRAIGHT_MM, Limits
from fullhide.region import RegionView
from fullhide.result import Measure
from fullhide.verdict import JUDGED_SHARE, combine, coverage_factor, decide

__all__ = ["Named", "edge"]

Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]
Labels = NDArray[np.uint16]

#: Straightness leaves out bleeds and gaps that are told, up to this part of the line.
_LEFT_OUT = 0.3
#: A long stretch that lies a little to one side pulls the course after it: what straightness is
#: too small by then, relative (own allowance, after one of 196 spoilt lines was passed).
_PULLED = 0.2
#: A photo is too coarse for a line from this many mm a pixel on, over the limit (our own choice).
_COARSE = 0.35


def edge(
    view: RegionView,
    *,
    under: Sequence[Named],
    finish: Named | None,
    limits: Limits,
    blur_mm: float,
    scale_doubt: float,
) -> list[Outcome]:
    """Check the line between two colours.

    Parameters
    ----------
    view
        From `region.view_edge`.
    under
        Colours that must not show.
    finish
        The colour asked for, which one of the two may be; None if not known.
    limits
        Those of job.toml.
    blur_mm
        Standard deviation of the photo's blur.
    scale_doubt
        Relative standard uncertainty of the scale.

    Returns
    -------
    list of Outcome
        The line itself (bleeds and straightness), gaps, and overspray; the line alone, as a
        retake, where none can be found.
    """
    limit = limits.edge_mm or EDGE_MM
    found = trace(view)
    if found is None or found.seen_share < 0.5:
        return [Outcome(check="edge_line", verdict="retake", flags=("edge_not_found",))]
    flags = []
    if view.mm_per_px > _COARSE * limit:
        flags.append("edge_coarse")
    if 2.355 * blur_mm > SOFT * limit:
        flags.append("edge_unsharp")
    if found.seen_share < JUDGED_SHARE:
        flags.append("edge_hidden")
    own = Line(
        view=view,
        found=found,
        limits=limits,
        limit=limit,
        k=coverage_factor(limits.confidence),
        scale_doubt=scale_doubt,
        names=_names(found, finish),
    )
    levels = levelled(view, found)
    between, open_columns = gap(own, levels, under)
    line, bled = _line(own, open_columns, tuple(flags))
    haze = overspray(own, levels, bled | open_columns)
    return [_without_droplets(line, haze), _without_droplets(between, haze), haze]


def _without_droplets(outcome: Outcome, haze: Outcome) -> Outcome:
    """An outcome without the doubtful places that an overspray tells of already."""
    hazy = [s.along_mm for s in haze.spots if s.along_mm is not None]

    def told(spot: Spot) -> bool:
        if spot.verdict == "fail" or spot.along_mm is None:
            return False
        middle = 0.5 * sum(spot.along_mm)
        return any(start <= middle <= end for start, end in hazy)

    gone = [told(spot) for spot in outcome.spots]
    if not any(gone) or outcome.labels is None:
        return outcome
    kept = [n for n, out in enumerate(gone) if not out]
    table = np.zeros(len(gone) + 1, np.uint16)
    table[np.array(kept, int) + 1] = np.arange(1, len(kept) + 1)
    spots = tuple(outcome.spots[n] for n in kept)
    return replace(outcome, spots=spots, labels=table[outcome.labels])


def _names(found: Trace, finish: Named | None) -> tuple[str, str]:
    """What the two colours are called."""
    labs = labs_of(found)
    names = list(wording.side_names(*(lab.tolist() for lab in labs)))
    if finish is not None:
        off = [float(delta_e00(xyz_to_lab(finish.xyz), lab)) for lab in labs]
        nearest = int(np.argmin(off))
        if off[nearest] < OWN_COLOUR:
            names[nearest] = finish.name
    return names[0], names[1]


def _line(own: Line, open_columns: Mask, flags: tuple[str, ...]) -> tuple[Outcome, Mask]:
    """Bleeds and straightness, and the columns with a bleed."""
    found, view = own.found, own.view
    labels = np.zeros(view.inside.shape, np.uint16)
    bled = np.zeros(found.seen.size, bool)
    # What a gap has taken from one colour is no bleed of the other.
    counted = found.seen & ~open_columns
    spots = _bleeds(own, counted, labels, bled)
    bleed = _furthest(own, counted if counted.any() else found.seen)
    straight = _straightness(own, bled | open_columns)
    length = float(found.seen.sum()) * view.mm_per_px
    verdicts = [decided(bleed, own.k), decided(straight, own.k)]
    if "edge_hidden" in flags:
        verdicts.append("retake")
    outcome = Outcome(
        check="edge_line",
        verdict=combine(verdicts),
        measures={
            "edge_bleed": bleed,
            "edge_straightness": straight,
            "edge_length": Measure(value=length, u=None, limit=None, unit="mm"),
        },
        spots=tuple(spots),
        labels=labels,
        flags=flags,
    )
    return outcome, bled


def _depth(own: Line, over: Vector, at: int) -> tuple[float, float]:
    """How far one colour lies over the line in a column, mm, and its standard uncertainty."""
    depth = float(over[at])
    return depth, float(np.hypot(_off_course(own.found)[at], own.scale_doubt * depth))


def _off_course(found: Trace) -> Vector:
    """Standard uncertainty of distances from the course in each column, mm."""
    return np.asarray(np.hypot(found.u, found.course_u), np.float64)


def _furthest(own: Line, counted: Mask) -> Measure:
    """The place where a colour may lie furthest over the line."""
    ends = []
    for over in (own.found.second_over, own.found.first_over):
        high = np.where(counted, over + own.k * _off_course(own.found), -np.inf)
        ends.append(_depth(own, over, int(high.argmax())))
    depth, u = max(ends, key=lambda end: end[0] + own.k * end[1])
    return Measure(value=max(depth, 0.0), u=u, limit=own.limit, unit="mm")


def _bleeds(own: Line, counted: Mask, labels: Labels, bled: Mask) -> list[Spot]:
    """Every bleed that is not surely within the limit, drawn into `labels` and `bled`."""
    spots: list[Spot] = []
    apart = float(delta_e00(*labs_of(own.found)))
    for over, sign, name in (
        (own.found.second_over, -1.0, own.names[1]),
        (own.found.first_over, 1.0, own.names[0]),
    ):
        for start, end in runs(counted & (over > ENDS * own.limit)):
            depth, u = _depth(own, over, start + int(over[start:end].argmax()))
            verdict = decide(depth, u, own.limit, k=own.k)
            if verdict == "pass":
                continue
            bled[start:end] = True
            drawn = _bleed(own, labels, len(spots) + 1, over, (start, end), sign)
            spots.append(replace(drawn, under=name, delta_e=apart, depth_mm=depth, verdict=verdict))
    return spots


def _bleed(
    own: Line, labels: Labels, number: int, over: Vector, stretch: tuple[int, int], sign: float
) -> Spot:
    """Draw a bleed into the labels; its size and place."""
    start, end = stretch
    rows = np.arange(labels.shape[0])[:, None] + 0.5
    reach = own.rows(sign * over[start:end])
    course = own.rows(np.zeros(end - start))
    low, high = np.minimum(reach, course), np.maximum(reach, course)
    mine = (rows > low) & (rows < high) & own.view.inside[:, start:end]
    labels[:, start:end][mine & (labels[:, start:end] == 0)] = number
    area = float(over[start:end].sum()) * own.view.mm_per_px
    return Spot(
        kind="bleed",
        under=None,
        area_mm2=area,
        area_u_mm2=float(np.mean(own.found.u[start:end])) * (end - start) * own.view.mm_per_px,
        delta_e=None,
        share=None,
        centre=(0.5 * (start + end), float(0.5 * (reach + course).mean())),
        along_mm=own.along(start, end),
    )


def _straightness(own: Line, left_out: Mask) -> Measure:
    """Within what distance of its course 95 % of the line lies."""
    found, limit = own.found, own.limits.edge_straight_mm or EDGE_STRAIGHT_MM
    counted = found.seen & ~left_out
    if left_out.mean() > _LEFT_OUT or counted.sum() < 20:
        counted = found.seen
    off = np.abs(found.place[counted])
    value = float(np.quantile(off, 0.95))
    # Noise of single columns only widens it.
    u = float(np.median(_off_course(found)[counted]))
    u = float(np.hypot(u, (own.scale_doubt + _PULLED) * value))
    return Measure(value=value, u=u, limit=limit, unit="mm")
