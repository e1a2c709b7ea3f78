"""What stands against reassembly: of a region, of a part, of the job."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import get_args

import numpy as np

from fullhide._outline_shape import shape_of
from fullhide._rounds import SHOWN_SHARE, area_mm2, judged_well
from fullhide._standing_data import (
    Against,
    Answered,
    Gate,
    PartStanding,
    Reason,
    RegionStanding,
    Round,
)
from fullhide.job import STAGES, Job, Limits, PhotoEntry, TypedReference, stage_rank
from fullhide.outlines import BANDS, RegionOutline
from fullhide.quality import FLAGS
from fullhide.record import KeptInspection
from fullhide.result import LightFinding, Verdict
from fullhide.verdict import coverage_factor, decide, furthest_ratio
from fullhide.wording import AIRBAG_REFER, without_work

__all__ = [
    "Asked",
    "Rank",
    "against_light",
    "against_region",
    "changes",
    "gate_of",
    "rank_words",
    "stands",
]

Rank = tuple[int, int]

#: Measures that findings answer for one by one.
_OF_FINDINGS = ("show_through", "visible")


def rank_words(of: Rank) -> str:
    """A stage of work in words."""
    stage = STAGES[of[0]]
    if stage == "coat":
        return f"coat {of[1]}" if of[1] else "a coat"
    return {"before": "before the work", "topcoat": "the topcoat"}.get(stage, "the finished work")


def stands(newest: Round) -> Verdict | None:
    """The verdict with set-asides and other photos of the same round heeded.

    It turns to a pass only where every finding was set aside, the photo would have shown a spot
    of the limit anywhere, nothing else about it is in doubt, and every other measure passes.
    """
    shot, result = newest.inspection, newest.result
    if result.verdict is not None and _failed_beside(newest):
        return "fail"
    if result.verdict in (None, "pass") or not result.findings:
        return result.verdict
    there = [spot for spot in newest.spots if spot.finding is not None]
    if any(spot.set_aside is None for spot in there) or not judged_well(shot, result):
        return result.verdict
    doubts = [FLAGS[name] for name in result.flags if name in FLAGS]
    if any(flag.settle and flag.blocks != {"match"} for flag in doubts):
        return result.verdict
    k = coverage_factor(shot.limits.confidence)
    for name, measure in result.measures.items():
        if name.startswith(_OF_FINDINGS) or measure.limit is None:
            continue
        # A match's verdict rests on the end of its interval, not on the reading (`checks.match`).
        end = result.measures.get("match_at_most") if name == "match_delta_e" else None
        value, u = (measure.value, measure.u) if end is None else (end.value, 0.0)
        if name == "sheen_ratio":
            ends = (result.measures.get(f"sheen_at_{way}") for way in ("least", "most"))
            value, u = furthest_ratio(*ends), 0.0
        if value is None or u is None or decide(value, u, measure.limit, k=k) != "pass":
            return result.verdict
    return "pass"


def _failed_beside(newest: Round) -> list[Answered]:
    """Spots that an earlier photo of the same round fails on and this one does not show."""
    return [spot for spot in newest.spots if spot.same_round and spot.set_aside is None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a job asks of its photos, ready to be looked up by their files."""

    job: Job
    entries: dict[str, PhotoEntry]
    outlines: dict[str, list[RegionOutline]]
    told: dict[int, tuple[str, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, job: Job) -> Asked:
        """Sort a job's photos and outlines."""
        outlines: dict[str, list[RegionOutline]] = {}
        for outline in job.outlines:
            outlines.setdefault(outline.photo, []).append(outline)
        return cls(job, {entry.file: entry for entry in job.photos}, outlines)


def _changed(asked: Asked, kept: KeptInspection) -> tuple[str, ...]:
    """`changes`, worked out once for all regions of a photo."""
    if kept.number not in asked.told:
        asked.told[kept.number] = changes(asked, kept)
    return asked.told[kept.number]


def changes(asked: Asked, kept: KeptInspection, *, files: bool = True) -> tuple[str, ...]:
    """What of a photo's inspection is no longer as it was; empty if nothing is.

    Of the files only the sizes are looked at, and those only where `files` is asked for;
    `fullhide verify` reads them.
    """
    job, entry = asked.job, asked.entries.get(kept.photo.file)
    if entry is None:
        return ()
    found: list[str] = []
    helpers = (entry.file, *entry.also, *filter(None, [entry.grey_board]))
    if helpers != tuple(file.file for file in kept.files):
        found.append("the photos that belong to it")
    found += [
        "the photo" if file.file == entry.file else f"`{file.file}`"
        for file in (kept.files if files else ())
        if _size(job, file.file) != file.size
    ]
    if (entry.stage, entry.coat) != (kept.stage, kept.coat):
        found.append("its stage")
    if entry.light != kept.photo.quality.get("light"):
        found.append("its light")
    if job.airbag(entry.part) != kept.airbag:
        found.append("whether the part may hold an airbag")
    if job.limits != kept.limits:
        found.append(_changed_limits(kept.limits, job.limits))
    colours = (job.under, job.thread, job.finish, job.chart)
    if colours != (kept.under, kept.thread, kept.finish, kept.chart):
        found.append("the colours or the chart")
    if _references(job.references, entry) != _references(kept.references, entry):
        found.append("the references typed in job.toml")
    found += _changed_outlines(asked, entry, kept)
    return tuple(dict.fromkeys(found))


def _references(typed: Sequence[TypedReference], entry: PhotoEntry) -> list[TypedReference]:
    """Those that the photo's regions may have to match."""
    part = (entry.part or "").casefold()
    return [one for one in typed if one.part is None or one.part.casefold() == part]


def _size(job: Job, file: str) -> int | None:
    """Size of a file in bytes; None if it is not there."""
    try:
        return job.path(file).stat().st_size
    except OSError:
        return None


def _changed_limits(before: Limits, now: Limits) -> str:
    pairs = ((f.name, getattr(before, f.name), getattr(now, f.name)) for f in fields(Limits))
    told = [f"{name} from {_limit(old)} to {_limit(new)}" for name, old, new in pairs if old != new]
    return f"the limits ({', '.join(told)})"


def _limit(value: float | None) -> str:
    return "none" if value is None else f"{value:g}"


def _changed_outlines(asked: Asked, entry: PhotoEntry, kept: KeptInspection) -> list[str]:
    """What to call the outlines that changed; empty if none did."""
    if asked.job.needs_proposal(entry.file):
        drawn = [o.name for o in kept.outlines if not o.properties.get("proposed")]
        return [f"its outlines ({', '.join(drawn)})"] if drawn else []
    size = kept.photo.size_px
    now = Counter(_outline_key(outline, size) for outline in asked.outlines.get(entry.file, ()))
    before = Counter(_outline_key(outline, size) for outline in kept.outlines)
    if now == before:
        return []
    names = dict.fromkeys(key[0] for key in [*(before - now), *(now - before)])
    return [f"its outlines ({', '.join(names)})"]


def _outline_key(outline: RegionOutline, size: tuple[int, int]) -> tuple[str, str, bytes]:
    """An outline's name, kind and corners, trimmed as for an inspection."""
    rings = [outline.polygon, *outline.holes]
    x0, y0, x1, y1 = shape_of(outline).box
    if min(x0, y0) < 0.0 or x1 > size[0] or y1 > size[1]:
        rings = [np.clip(ring, 0.0, size) for ring in rings]
    return outline.name, outline.kind, b"|".join(ring.tobytes() for ring in rings)


def against_region(region: RegionStanding, *, asked: Asked, last: Rank) -> tuple[Against, ...]:
    """What stands against a region.

    Parameters
    ----------
    region
        With its rounds and verdicts.
    asked
        Of the job as it stands now.
    last
        The furthest stage of work that a photo of the part was taken at.
    """
    told: list[tuple[Reason, str]] = []
    newest = region.newest
    if newest is None:
        told.append(_missing(region))
    else:
        if region.kind in BANDS and newest.result.kind != region.kind:
            told.append(_missing(region))
        told.extend(_of_newest(region, newest, last))
        if newest.inspection.photo.file not in asked.entries:
            told.append(("removed", _removed(newest)))
        elif changed := _changed(asked, newest.inspection):
            what = " and ".join(changed)
            told.append(("changed", f"{what} changed since it was inspected: inspect it again"))
        elif source := _redrawn(region, newest, asked):
            says = f"its outline was carried over from `{source}` and was drawn anew there since"
            told.append(("changed", f"{says}: inspect it again"))
    return tuple(
        Against(reason=reason, says=says, part=region.part, region=region.name)
        for reason, says in told
    )


def against_light(region: RegionStanding, lights: Sequence[LightFinding]) -> tuple[Against, ...]:
    """What photos in other named lights say against a match that the newest photo passes."""
    newest = region.newest
    if newest is None or region.stands != "pass":
        return ()
    file = newest.inspection.photo.file
    return tuple(
        Against(
            reason="another light",
            says=f"{found.says}: see `{', '.join(files)}`",
            part=region.part,
            region=region.name,
        )
        for found in lights
        if found.region.casefold() == region.name.casefold()
        and (found.part or "").casefold() == (region.part or "").casefold()
        and any(one.file == file for one in found.readings)
        and (files := [one.file for one in found.readings if one.match == "off"])
    )


def _redrawn(region: RegionStanding, newest: Round, asked: Asked) -> str:
    """The photo that the region's outline was carried over from, if its own changed since."""
    outline = newest.inspection.outline(region.name)
    source = outline.properties.get("carried") if outline is not None else None
    earlier = (one.inspection for one in region.rounds[:-1])
    kept = next((one for one in earlier if one.photo.file == source), None)
    entry = asked.entries.get(kept.photo.file) if kept is not None else None
    if kept is None or entry is None or not _changed_outlines(asked, entry, kept):
        return ""
    return kept.photo.file


def _removed(newest: Round) -> str:
    file = newest.inspection.photo.file
    return f"its last photo, `{file}`, is no longer in job.toml: put it back or shoot it again"


def _missing(region: RegionStanding) -> tuple[Reason, str]:
    seam = region.kind == "seam"
    if seam and region.airbag:
        return (
            "never opened",
            f"not shown as a `seam`: photograph it as it is, closed; {AIRBAG_REFER}",
        )
    if seam:
        return (
            "never opened",
            "not shown as a `seam`: hold it open, photograph it and outline it as `seam`",
        )
    if region.kind == "edge":
        return "never shot", "not shown as an `edge`: outline the line between its two colours so"
    since = " since the work began" if region.before is not None else ""
    return "never shot", f"no photo shows it{since}: photograph it and outline it"


def _of_newest(region: RegionStanding, newest: Round, last: Rank) -> list[tuple[Reason, str]]:
    told: list[tuple[Reason, str]] = []
    if region.stands in ("fail", "retake"):
        told.append((region.stands, _why(region, newest) + _unnamed(region, newest)))
    beside = _failed_beside(newest)
    waiting = [s for s in newest.spots if s.answer == "not judged" and s.set_aside is None]
    unanswered = [spot for spot in waiting if spot not in beside]
    if unanswered:
        count = (
            "1 earlier spot is" if len(unanswered) == 1 else f"{len(unanswered)} earlier spots are"
        )
        whys = "; ".join(dict.fromkeys(spot.why for spot in unanswered))
        told.append(
            ("not answered", f"{count} neither gone nor found again ({whys}): shoot it again")
        )
    share = _least_shown(region, newest)
    if share < SHOWN_SHARE:
        says = (
            f"its newest photo shows about {100 * share:.0f} % of what an earlier one "
            "showed: shoot the whole region again, or correct its outline"
        )
        told.append(("partly shown", says))
    own = stage_rank(newest.inspection.stage, newest.inspection.coat)
    if own < last:
        says = (
            f"last shot after {rank_words(own)}, and the part was worked on since "
            f"({rank_words(last)}): shoot it again"
        )
        told.append(("older coat", says))
    elif STAGES[own[0]] != "final":
        told.append(
            ("not final", f"last shot after {rank_words(own)}: shoot it again when it is finished")
        )
    return told


def _unnamed(region: RegionStanding, newest: Round) -> str:
    """What to do so that a new photo can answer for a region that has no name of its own."""
    if not newest.inspection.named(newest.result):
        return "; outline and name it, so that a new photo can answer for it"
    if region.part is None:
        return "; give its photo a `part` in job.toml, so that a new one can answer for it"
    return ""


def _least_shown(region: RegionStanding, newest: Round) -> float:
    """How much the newest photo shows of what the one that showed most did, by area; 1 at most."""
    now = area_mm2(newest.inspection, region.name)
    if now is None:
        return 1.0
    drawn = (one for one in region.rounds[:-1] if not one.result.proposed)
    before = (area_mm2(one.inspection, region.name) for one in drawn)
    return now / max([now, *filter(None, before)])


def _why(region: RegionStanding, newest: Round) -> str:
    """The verdict's own first reason; notices that stand with every verdict are left out."""
    beside = _failed_beside(newest)
    if beside and newest.result.verdict != "fail":
        files = ", ".join(dict.fromkeys(f"`{spot.earlier_file}`" for spot in beside))
        spots = "a spot" if len(beside) == 1 else f"{len(beside)} spots"
        to_do = AIRBAG_REFER if region.airbag else "touch up and shoot again"
        says = f"fail: {files} of the same round shows {spots} that this photo does not: {to_do}"
        if newest.inspection.shot is None and not region.airbag:
            says += "; if this one was taken after a touch-up, say when in job.toml (`shot`)"
        return says
    reasons = [reason for reason in newest.result.reasons if "airbag or tear seam" not in reason]
    what = reasons[0].rstrip(".") if reasons else "no reason was kept"
    if region.airbag:
        what = without_work(what)
    asides = sum(spot.set_aside is not None for spot in newest.spots)
    aside = f" ({asides} of its findings set aside)" if asides else ""
    return f"{newest.result.verdict}{aside}: {what}"


def gate_of(parts: Sequence[PartStanding], of_job: Sequence[Against]) -> Gate:
    """Whether the parts may be reassembled, and all that stands against it."""
    order = {reason: place for place, reason in enumerate(get_args(Reason))}
    every = [*of_job, *(item for part in parts for item in part.every_against)]
    every.sort(key=lambda item: order[item.reason])
    if not every:
        aside = sum(region.word == "set aside" for part in parts for region in part.regions)
        where = "1 region" if aside == 1 else f"{aside} regions"
        says = f"may be reassembled, {where} only because findings were set aside"
        return Gate(open=True, says=says if aside else "may be reassembled", status=0)
    counts = Counter(item.reason for item in every)
    told = [_counted(reason, counts[reason]) for reason in order if counts[reason]]
    return Gate(
        open=False,
        against=tuple(every),
        says="not to be reassembled yet: " + ", ".join(told),
        status=1 if counts["fail"] else 3,
    )


_ONE_MANY: dict[str, tuple[str, str]] = {
    "fail": ("1 region fails", "{} regions fail"),
    "retake": ("1 photo to be taken again", "{} photos to be taken again"),
    "not answered": ("1 region with spots not answered", "{} regions with spots not answered"),
    "another light": (
        "1 region off its reference in another light",
        "{} regions off their references in another light",
    ),
    "partly shown": ("1 region shown only in part", "{} regions shown only in part"),
    "never shot": ("1 region never shot", "{} regions never shot"),
    "never opened": ("1 seam never shown as a seam", "{} seams never shown as seams"),
    "older coat": ("1 region older than the last coat", "{} regions older than the last coat"),
    "not final": ("1 region not shot finished", "{} regions not shot finished"),
    "changed": ("1 region changed since", "{} regions changed since"),
    "not inspected": ("1 photo not inspected", "{} photos not inspected"),
    "removed": ("1 region without its last photo", "{} regions without their last photos"),
    "input": ("1 input cannot be used", "{} inputs cannot be used"),
    "no parts": ("job.toml lists no part", "job.toml lists no part"),
    "part not listed": ("1 part not listed in job.toml", "{} parts not listed in job.toml"),
}


def _counted(reason: str, count: int) -> str:
    one, many = _ONE_MANY[reason]
    return one if count == 1 else many.format(count)
