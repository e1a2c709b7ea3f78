"""Rounds of a region: each earlier spot answered by the next photo, and new ones told apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import hypot, inf
from typing import Any

from fullhide._outline_shape import shape_of
from fullhide._standing_data import Answer, Answered, Round
from fullhide.outlines import RegionOutline
from fullhide.quality import blocking
from fullhide.record import Carried, KeptInspection, SetAside
from fullhide.result import Finding, RegionResult, Verdict
from fullhide.verdict import JUDGED_SHARE
from fullhide.wording import size

__all__ = ["SHOWN_SHARE", "area_mm2", "judged_well", "rounds_of", "share_shown", "worked_between"]

Pair = tuple[float, float]

#: A spot is smaller from this share of its earlier area down (our own choice: areas are told to
#: about 15 % at the median).
_SMALLER = 0.7
#: Doubt of a place that is known only from where it lies in the outline, share of the outline's
#: longer side (our own choice: hands draw differently).
_OUTLINE_DOUBT = 0.06
#: Outlines whose sides differ by more than this share are not alike enough for that.
_ALIKE = 0.2
#: A photo that shows less of the region than this share of what an earlier one did does not
#: answer for all of it (our own choice: outlines and views differ).
SHOWN_SHARE = 0.75
#: Photos nearer in time than this are of one round: a touch-up takes longer (our own choice).
TOUCH_UP_S = 600.0


@dataclass(frozen=True, slots=True)
class _Spot:
    """A spot under way: what it looked like when last seen, in which photo, of what verdict."""

    mark: int
    findings: tuple[Finding, ...]
    shot: KeptInspection
    verdict: Verdict | None
    set_aside: SetAside | None


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an earlier finding lies now, pixels; `known` is False where that cannot be told."""

    known: bool
    at: Pair = (0.0, 0.0)
    reach: float = 0.0
    doubt: float = 0.0
    shown: bool = True
    by_outline: bool = False


def rounds_of(
    region: str,
    shots: Sequence[tuple[KeptInspection, RegionResult]],
    set_asides: Sequence[SetAside],
    carried: Sequence[Carried] = (),
) -> tuple[Round, ...]:
    """Follow the spots of a region through its photos.

    Parameters
    ----------
    region
        Its name.
    shots
        Its photos, oldest first, each by its newest inspection.
    set_asides, carried
        Of the job.
    """
    maps = {(c.earlier, c.later): c for c in carried if c.region.casefold() == region.casefold()}
    rounds: list[Round] = []
    spots: list[_Spot] = []
    marks = 0
    number = 0
    for shot, result in shots:
        number += not rounds or worked_between(rounds[-1].inspection, shot)
        places = [_places(spot, shot, region, maps) for spot in spots]
        taken = _assigned(places, result.findings)
        told: list[Answered] = []
        left: list[_Spot] = []
        for index, spot in enumerate(spots):
            mine = [f for f, owner in zip(result.findings, taken, strict=True) if owner == index]
            # Two spots may have run into one, which is nearer to the other's place.
            mine = mine or [f for f in result.findings if _apart(places[index], f) < 1.0][:1]
            answered = _answered(spot, places[index], mine, shot, result, set_asides)
            told.append(answered)
            if answered.answer != "gone":
                left.append(_next(spot, answered, shot, result))
        for finding, owner in zip(result.findings, taken, strict=True):
            if owner is None:
                marks += 1
                aside = _aside(shot, region, finding, set_asides)
                new = Answered(
                    mark=marks, answer="new", finding=finding, pieces=(finding,), set_aside=aside
                )
                told.append(new)
                left.append(_Spot(marks, (finding,), shot, result.verdict, aside))
        rounds.append(Round(number=number, inspection=shot, result=result, spots=tuple(told)))
        spots = left
    return tuple(rounds)


def worked_between(earlier: KeptInspection, later: KeptInspection) -> bool:
    """Whether something can have been done about a region between two photos of it.

    A later stage says so, and otherwise the time between them; where a photo has none, the time
    between their first inspections, if these were not of one run.
    """
    if (earlier.stage, earlier.coat) != (later.stage, later.coat):
        return True
    if earlier.shot and later.shot:
        return _apart_s(earlier.shot, later.shot) >= TOUCH_UP_S
    if earlier.first_run and earlier.first_run == later.first_run:
        return False  # a long run takes longer than that
    return _apart_s(earlier.first_at, later.first_at) >= TOUCH_UP_S


def _apart_s(earlier: str, later: str) -> float:
    """Seconds between two times, ISO 8601."""
    return (datetime.fromisoformat(later) - datetime.fromisoformat(earlier)).total_seconds()


def judged_well(shot: KeptInspection, result: RegionResult) -> bool:
    """Whether the photo would have shown a spot of the limit anywhere in the region."""
    share = result.measures.get("judged_share")
    return (
        result.detectable_mm2 is not None
        and result.detectable_mm2 <= shot.limits.show_through_mm2
        and "clipped" not in result.flags
        and not blocking(result.flags, "show_through")
        and (share is None or (share.value or 0.0) >= JUDGED_SHARE)
    )


def area_mm2(shot: KeptInspection, region: str) -> float | None:
    """Area of a region's outline at the photo's scale, mm²; None without either."""
    outline, scale = shot.outline(region), shot.photo.mm_per_px
    if outline is None or not scale:
        return None
    return shape_of(outline).area_px * scale**2


def share_shown(earlier: KeptInspection, later: KeptInspection, region: str) -> float | None:
    """How much of an earlier photo's region a later one shows, by area; None if unknown."""
    before, now = area_mm2(earlier, region), area_mm2(later, region)
    return now / before if before and now is not None else None


def _next(spot: _Spot, answered: Answered, shot: KeptInspection, result: RegionResult) -> _Spot:
    """The spot as it goes into the next round; one that was not judged stays where it was."""
    if answered.finding is None:
        return spot
    return _Spot(spot.mark, answered.pieces, shot, result.verdict, answered.set_aside)


def _aside(
    shot: KeptInspection, region: str, finding: Finding, set_asides: Sequence[SetAside]
) -> SetAside | None:
    found = (s for s in set_asides if s.covers(shot.photo.sha256, region, finding))
    return next(found, None)


def _answered(
    spot: _Spot,
    places: Sequence[_Place],
    mine: list[Finding],
    shot: KeptInspection,
    result: RegionResult,
    set_asides: Sequence[SetAside],
) -> Answered:
    def told(answer: Answer, **more: Any) -> Answered:
        return Answered(
            mark=spot.mark,
            answer=answer,
            earlier=spot.findings[0],
            earlier_file=spot.shot.photo.file,
            by_outline=any(place.by_outline for place in places),
            **{"set_aside": spot.set_aside, **more},
        )

    if mine:
        pieces = tuple(sorted(mine, key=lambda f: -(f.area_mm2 or 0.0)))
        # A spot that was set aside in an earlier photo counts again in a new one.
        asides = [_aside(shot, result.name, piece, set_asides) for piece in pieces]
        return told(
            _compared(spot.findings, pieces),
            finding=pieces[0],
            pieces=pieces,
            set_aside=None if None in asides else asides[0],
        )
    # What a photo fails on is there, whatever another one of the same moment shows.
    if spot.verdict == "fail" and not worked_between(spot.shot, shot):
        return told("not judged", same_round=True, why="another photo of the same round shows it")
    if not all(place.shown for place in places):
        return told("not judged", why="the new photo does not show the place")
    if result.verdict == "pass":
        return told("gone")
    if not judged_well(shot, result):
        return told("not judged", why=_why_not(shot, result))
    if not all(place.known for place in places):
        return told("not judged", why="it cannot be told where the place lies in the new photo")
    if any(finding.kind != "show_through" for finding in spot.findings):
        return told("not judged", why="the region fails elsewhere; only a pass answers for this")
    return told("gone")


def _why_not(shot: KeptInspection, result: RegionResult) -> str:
    least = result.detectable_mm2
    if least is None or least <= shot.limits.show_through_mm2:
        return "the new photo cannot decide here"
    return f"the new photo would only show a spot of {size(least)} or more here"


def _compared(earlier: Sequence[Finding], now: Sequence[Finding]) -> Answer:
    before, after = ([f.area_mm2 for f in findings] for findings in (earlier, now))
    if None in before or None in after:
        return "still there"
    total, left = sum(a or 0.0 for a in before), sum(a or 0.0 for a in after)
    return "smaller" if left < _SMALLER * total else "still there"


def _assigned(places: Sequence[Sequence[_Place]], findings: Sequence[Finding]) -> list[int | None]:
    """The earlier spot that each finding is at the place of, the nearest; None if new."""
    owners: list[int | None] = []
    for finding in findings:
        best, owner = 1.0, None
        for index, spot in enumerate(places):
            apart = _apart(spot, finding)
            if apart < best:
                best, owner = apart, index
        owners.append(owner)
    return owners


def _apart(places: Sequence[_Place], finding: Finding) -> float:
    """Distance of a finding from a spot's nearest piece; under 1 it is the same spot."""
    return min(
        (
            hypot(place.at[0] - finding.centre_px[0], place.at[1] - finding.centre_px[1])
            / (place.reach + _reach(finding) + 2.0 * place.doubt + 2.0)
            for place in places
            if place.known
        ),
        default=inf,
    )


def _reach(finding: Finding) -> float:
    """Half the longer side of a finding's box, pixels."""
    x0, y0, x1, y1 = finding.box_px
    return max(x1 - x0, y1 - y0) / 2.0


def _places(
    spot: _Spot, shot: KeptInspection, region: str, maps: Mapping[tuple[str, str], Carried]
) -> tuple[_Place, ...]:
    carried = maps.get((spot.shot.photo.sha256, shot.photo.sha256))
    carried = carried if carried is not None and carried.found else None
    first, second = spot.shot.outline(region), shot.outline(region)
    return tuple(_place(f, spot.shot, shot, carried, first, second) for f in spot.findings)


def _place(
    finding: Finding,
    earlier: KeptInspection,
    later: KeptInspection,
    carried: Carried | None,
    first: RegionOutline | None,
    second: RegionOutline | None,
) -> _Place:
    if carried is not None:
        at = carried.to_later(finding.centre_px)
        x0, y0, x1, y1 = finding.box_px
        corner = carried.to_later((x1, y1))
        opposite = carried.to_later((x0, y0))
        reach = max(abs(corner[0] - opposite[0]), abs(corner[1] - opposite[1])) / 2.0
        shown = second is None or _inside(at, second.polygon.tolist(), 2.0 * carried.doubt_px)
        return _Place(True, at, reach, carried.doubt_px, shown)
    if first is None or second is None:
        return _Place(False, by_outline=True)
    share = share_shown(earlier, later, first.name)
    shown = share is None or share >= SHOWN_SHARE
    box, other = shape_of(first).box, shape_of(second).box
    extent = [max(1e-9, box[i + 2] - box[i]) for i in (0, 1)]
    onto = [max(1e-9, other[i + 2] - other[i]) for i in (0, 1)]
    scale = [onto[i] / extent[i] for i in (0, 1)]
    alike = abs(scale[0] / scale[1] - 1.0) <= _ALIKE
    where = (
        other[0] + (finding.centre_px[0] - box[0]) * scale[0],
        other[1] + (finding.centre_px[1] - box[1]) * scale[1],
    )
    reach = _reach(finding) * max(scale)
    return _Place(alike, where, reach, _OUTLINE_DOUBT * max(onto), shown, by_outline=True)


def _inside(point: Pair, ring: Sequence[Sequence[float]], margin: float) -> bool:
    """Whether a point lies within a ring or at most `margin` outside it."""
    x, y = point
    odd, nearest = False, inf
    for a, b in zip(ring, (*ring[1:], ring[0]), strict=True):
        if (a[1] > y) != (b[1] > y) and x < a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]):
            odd = not odd
        length = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2
        along = ((x - a[0]) * (b[0] - a[0]) + (y - a[1]) * (b[1] - a[1])) / length if length else 0
        along = min(1.0, max(0.0, along))
        off = hypot(a[0] + along * (b[0] - a[0]) - x, a[1] + along * (b[1] - a[1]) - y)
        nearest = min(nearest, off)
    return odd or nearest <= margin
