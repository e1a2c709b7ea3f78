"""Gaps between two colours and overspray beyond their line, held against the limits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.checks.edge_between import (
    ALONG_MM,
    HAZE_ACROSS_MM,
    HAZE_ALONG_MM,
    Gaps,
    Haze,
    gaps_of,
    haze_of,
)
from fullhide.checks.edge_found import ENDS, OWN_COLOUR, SOFT, Line, Named, decided, labs_of
from fullhide.checks.edge_trace import runs
from fullhide.checks.outcome import Outcome, Spot
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.result import Measure, Verdict
from fullhide.verdict import JUDGED_SHARE, combine, decide

__all__ = ["gap", "overspray"]

Levels = tuple[NDArray[np.float32], NDArray[np.bool_]]
Mask = NDArray[np.bool_]
Labels = NDArray[np.uint16]


def gap(own: Line, levels: Levels, under: Sequence[Named]) -> tuple[Outcome, Mask]:
    """Gaps between the two colours, and the columns that are open.

    Parameters
    ----------
    own
        The line.
    levels
        From `edge_between.levelled`.
    under
        Colours that must not show; those that are one of the two themselves are left out.
    """
    columns = np.zeros(own.found.seen.size, bool)
    if not under:
        return Outcome(check="edge_gap", verdict="retake", reasons=(wording.NO_UNDER,)), columns
    labs = labs_of(own.found)
    labels = np.zeros(own.view.inside.shape, np.uint16)
    spots: list[Spot] = []
    worst = None
    blind, soft = False, False
    for colour in under:
        lab = xyz_to_lab(colour.xyz)
        if min(float(delta_e00(lab, own_lab)) for own_lab in labs) <= OWN_COLOUR:
            continue
        gaps = gaps_of(own.view, own.found, levels, under=colour.xyz)
        told = np.isfinite(gaps.width_mm) & ~gaps.hazy
        widest = _widest(own, gaps, told)
        if worst is None or _upper(widest, own.k) > _upper(worst, own.k):
            worst = widest
        blind = blind or _blind(own, gaps)
        soft = soft or 2.355 * gaps.blur_mm > SOFT * own.limit
        spots.extend(_openings(own, gaps, told, colour.name, labels, columns, len(spots)))
    if worst is None:
        return Outcome(check="edge_gap", verdict=None), columns
    verdict = decided(worst, own.k)
    if verdict == "pass" and (blind or soft):
        verdict = "retake"
    why = "edge_soft" if soft else "edge_gap_hidden"
    outcome = Outcome(
        check="edge_gap",
        verdict=verdict,
        measures={"edge_gap": worst},
        spots=tuple(spots),
        labels=labels,
        flags=(why,) if verdict == "retake" else (),
    )
    return outcome, columns


def _upper(measure: Measure, k: float) -> float:
    return (measure.value or 0.0) + k * (measure.u or 0.0)


def _widest(own: Line, gaps: Gaps, told: Mask) -> Measure:
    """The piece of the line that may be open the widest."""
    if not told.any():
        return Measure(value=0.0, u=0.0, limit=own.limit, unit="mm")
    high = np.where(told, gaps.width_mm + own.k * gaps.u_mm, -np.inf)
    most = int(high.argmax())
    width, u = float(gaps.width_mm[most]), float(gaps.u_mm[most])
    u = float(np.hypot(u, own.scale_doubt * width))
    return Measure(value=width, u=u, limit=own.limit, unit="mm")


def _blind(own: Line, gaps: Gaps) -> bool:
    """Whether too many pieces of the line tell nothing."""
    count, columns = gaps.width_mm.size, own.found.asked.size
    places = (np.arange(count) + 0.5) * columns / count
    asked = np.interp(places, np.arange(columns), own.found.asked) > 0.99
    unknown = ~np.isfinite(gaps.width_mm) & asked
    # Of a piece at the end of the line too little may be seen.
    unknown[[0, -1]] = False
    return float(unknown.sum()) > (1.0 - JUDGED_SHARE) * count


def _openings(
    own: Line,
    gaps: Gaps,
    told: Mask,
    name: str,
    labels: Labels,
    columns: Mask,
    before: int,
) -> list[Spot]:
    """Gaps of one colour; drawn into `labels`, and into `columns` where they are open."""
    made: list[Spot] = []
    width = labels.shape[1]
    rows = np.arange(labels.shape[0])[:, None] + 0.5
    count = len(gaps.width_mm)
    wide = (gaps.width_mm > ENDS * own.limit) & (gaps.width_mm > 2.0 * gaps.u_mm)
    for start, end in runs(wide):
        if told[start:end].mean() <= 0.5:  # a haze explains it better
            continue
        verdicts = [
            decide(float(w), float(u), own.limit, k=own.k)
            for w, u in zip(gaps.width_mm[start:end], gaps.u_mm[start:end], strict=True)
        ]
        low, high = start * width // count, end * width // count
        beyond = width // count
        columns[max(0, low - beyond) : high + beyond] = True
        verdict: Verdict = "fail" if "fail" in verdicts else "retake"
        if set(verdicts) == {"pass"}:
            continue
        mean = np.repeat(gaps.width_mm[start:end], -(-(high - low) // (end - start)))[: high - low]
        middle = own.rows(own.found.place[low:high])
        half = 0.5 * mean / own.view.mm_per_px
        mine = (np.abs(rows - middle) < half) & own.view.inside[:, low:high]
        labels[:, low:high][mine & (labels[:, low:high] == 0)] = before + len(made) + 1
        made.append(
            Spot(
                kind="gap",
                under=name,
                area_mm2=float(gaps.width_mm[start:end].sum()) * ALONG_MM,
                area_u_mm2=float(gaps.u_mm[start:end].mean()) * ALONG_MM * (end - start),
                delta_e=None,
                share=None,
                centre=(0.5 * (low + high), float(middle.mean())),
                along_mm=own.along(low, high),
                verdict=verdict,
                depth_mm=float(gaps.width_mm[start:end].max()),
            )
        )
    return made


def overspray(own: Line, levels: Levels, left_out: Mask) -> Outcome:
    """A haze of one colour on the other, beyond what a bleed may reach.

    Parameters
    ----------
    own
        The line.
    levels
        From `edge_between.levelled`.
    left_out
        Columns with a bleed or a gap, (W,).
    """
    labels = np.zeros(own.view.inside.shape, np.uint16)
    spots: list[Spot] = []
    limit = own.limits.show_through_delta_e
    worst, worst_u = 0.0, 0.0
    verdicts: list[Verdict] = []
    for second_side in (False, True):
        haze = haze_of(
            own.view,
            own.found,
            levels,
            second_side=second_side,
            from_mm=own.limit,
            left_out=left_out,
        )
        known = np.isfinite(haze.delta_e)
        if not known.any():
            verdicts.append("retake")
            continue
        high = np.where(known, haze.delta_e + own.k * haze.u, -np.inf)
        most = np.unravel_index(int(high.argmax()), high.shape)
        if high[most] > worst + own.k * worst_u:
            worst, worst_u = float(haze.delta_e[most]), float(haze.u[most])
        spots.extend(_hazes(own, haze, second_side, labels, len(spots)))
    measure = Measure(value=worst, u=worst_u, limit=limit, unit="ΔE00")
    verdicts.append(decided(measure, own.k))
    verdict = combine(verdicts)
    return Outcome(
        check="overspray",
        verdict=verdict,
        measures={"overspray_delta_e": measure},
        spots=tuple(spots),
        labels=labels,
        flags=("soft_patch",) if verdict == "retake" else (),
    )


def _hazes(own: Line, haze: Haze, second_side: bool, labels: Labels, before: int) -> list[Spot]:
    """Stretches of overspray on one side, drawn into `labels`."""
    limit = own.limits.show_through_delta_e
    made: list[Spot] = []
    count, width = haze.delta_e.shape[1], labels.shape[1]
    clear = np.nan_to_num(haze.delta_e - own.k * haze.u, nan=-np.inf)
    over = np.nan_to_num(haze.delta_e + own.k * haze.u, nan=-np.inf) > limit
    shown = np.nan_to_num(haze.delta_e, nan=0.0) > 0.5 * limit
    rows = np.arange(labels.shape[0])[:, None] + 0.5
    name = own.names[0] if second_side else own.names[1]
    for start, end in runs(np.asarray((over & shown).any(axis=0), bool)):
        part = haze.delta_e[:, start:end]
        worst = np.unravel_index(int(np.nan_to_num(part, nan=-1.0).argmax()), part.shape)
        deep = np.flatnonzero((np.nan_to_num(part, nan=0.0) >= limit).any(axis=1))
        rows_over = int(deep.max()) + 1 if deep.size else 1
        reach = haze.from_mm + HAZE_ACROSS_MM * rows_over
        area = float(np.nansum(part >= limit)) * HAZE_ALONG_MM * HAZE_ACROSS_MM
        sure = bool((clear[:, start:end] >= limit).any())
        verdict: Verdict = "fail" if sure else "retake"
        low, high = start * width // count, end * width // count
        line = own.found.place[low:high]
        near, far = (
            own.rows(line + (reach_mm if second_side else -reach_mm)) for reach_mm in (0.0, reach)
        )
        mine = (rows > np.minimum(near, far)) & (rows < np.maximum(near, far))
        mine &= own.view.inside[:, low:high]
        labels[:, low:high][mine] = before + len(made) + 1
        made.append(
            Spot(
                kind="overspray",
                under=name,
                area_mm2=area,
                area_u_mm2=HAZE_ALONG_MM * HAZE_ACROSS_MM,
                delta_e=float(part[worst]),
                share=float(np.clip(haze.share[:, start:end][worst], 0.0, 1.0)),
                centre=(0.5 * (low + high), float(0.5 * (near + far).mean())),
                along_mm=own.along(low, high),
                verdict=verdict,
                depth_mm=reach,
            )
        )
    return made
