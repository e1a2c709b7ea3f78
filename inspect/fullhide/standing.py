"""Where a job stands: parts, regions, rounds, what is missing, and whether it may be reassembled.

Everything here is read off the job folder and its record; nothing is inspected. The gate opens on
evidence only: what was never shot, not judged, changed since, or not answered stands against it.

A region is what bears its name in photos of one part: photos of one part that show a region of
the same name show the same surface, and the newest one counts. They are taken in the order of the
stages of work, within a stage by the time they were shot, and in the order in which they were first
inspected where one of them has no time. What a photo fails on is answered only by one that was
taken after work can have been done on it. A proposed outline has no name of its own yet, unless it
was carried over from an earlier photo, nor has what is in a photo without a part: these are regions
of their own photos.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from fullhide._gate import Asked, Rank, against_light, against_region, gate_of, stands
from fullhide._record_store import now
from fullhide._rounds import rounds_of
from fullhide._standing_data import (
    Against,
    Answer,
    Answered,
    Gate,
    PartStanding,
    Reason,
    RegionStanding,
    Round,
    Standing,
    Word,
)
from fullhide.job import Job, stage_rank
from fullhide.lights import lights_of
from fullhide.record import Contents, KeptInspection, Record
from fullhide.result import LightFinding, RegionResult
from fullhide.wording import may_hold_airbag

__all__ = [
    "Against",
    "Answer",
    "Answered",
    "Gate",
    "PartStanding",
    "Reason",
    "RegionStanding",
    "Round",
    "Standing",
    "Word",
    "standing",
]

_ADD_PARTS = (
    "job.toml has no [[part]] table, so nobody knows what has to be shot: list each part's "
    "`regions` and `seams`"
)
Shot = tuple[KeptInspection, RegionResult]


@dataclass(frozen=True, slots=True)
class _Part:
    """A part's photos, oldest first, and the furthest stage of work that any was taken at."""

    name: str | None
    shots: list[KeptInspection]
    last: Rank


def standing(job: Job, record: Record | None = None) -> Standing:
    """Read where a job stands.

    Parameters
    ----------
    job
        From `job.load_job`.
    record
        Its record, if it lies elsewhere than in the job's folder.

    Raises
    ------
    JobError
        If the record is damaged or a newer fullhide's.
    """
    contents = (record or Record(job.folder)).read()
    asides = [aside for aside in contents.set_asides if aside.withdrawn is None]
    grouped = _grouped(job, contents)
    asked = Asked.of(job)
    # A file that was replaced by another photo of the same name counts as it is now.
    now_shown = {kept.photo.file: kept.photo for kept in sorted(contents.newest, key=_number)}
    lights = lights_of(job, now_shown.values())
    parts = [_part(asked, part, contents, lights or ()) for part in grouped]
    of_job = [Against(reason="input", says=str(problem)) for problem in job.problems]
    if not job.parts:
        of_job.append(Against(reason="no parts", says=_ADD_PARTS))
    else:
        of_job.extend(
            Against(reason="part not listed", says=_unlisted(part.name), part=part.name)
            for part in parts
            if part.regions and not part.listed
        )
    inspected = {kept.photo.file for kept in contents.newest}
    of_job.extend(
        Against(
            reason="not inspected",
            says=f"photo `{entry.file}` was not inspected: run `fullhide inspect`",
            part=entry.part,
        )
        for entry in job.photos
        if entry.file not in inspected and entry.stage != "before"
    )
    return Standing(
        job=job,
        at=now(),
        gate=gate_of(parts, of_job),
        parts=tuple(parts),
        inspections=contents.inspections,
        set_asides=tuple(asides),
        signatures=contents.signatures,
        lights=lights,
        last=contents.last,
        last_change=contents.last_change,
        seal=contents.seal,
    )


def _number(kept: KeptInspection) -> int:
    return kept.number


def _unlisted(name: str | None) -> str:
    if name is None:
        return "a photo names no part, so nobody knows what has to be shot of it: give it a `part`"
    return (
        f'"{name}" has no [[part]] table in job.toml, so nobody knows what has to be shot of it: '
        "list its `regions` and `seams`"
    )


def _grouped(job: Job, contents: Contents) -> list[_Part]:
    """Photos by part: parts that job.toml lists first, then others as they come."""
    entries = {entry.file: entry for entry in job.photos}
    names: dict[str, str | None] = {part.name.casefold(): part.name for part in job.parts}
    shots: dict[str, list[KeptInspection]] = defaultdict(list)
    last: dict[str, Rank] = defaultdict(lambda: (0, 0))
    for kept in contents.newest:
        entry = entries.get(kept.photo.file)
        # A part is only a name: it may be corrected without inspecting again.
        name = entry.part if entry else kept.part
        key = (name or "").casefold()
        names.setdefault(key, name)
        shots[key].append(kept)
    for entry in job.photos:
        key = (entry.part or "").casefold()
        last[key] = max(last[key], stage_rank(entry.stage, entry.coat))
    places = {entry.file: place for place, entry in enumerate(job.photos)}
    return [_Part(name, _ordered(shots[key], places), last[key]) for key, name in names.items()]


def _ordered(shots: Sequence[KeptInspection], places: dict[str, int]) -> list[KeptInspection]:
    """Photos of a part, oldest first; what is no longer in job.toml comes before all others."""
    stages: dict[tuple[bool, Rank], list[KeptInspection]] = defaultdict(list)
    # Within a run photos may be finished in any order: they are taken as job.toml lists them.
    runs: dict[str | int, int] = {}
    for kept in shots:
        run = kept.first_run or kept.first
        runs[run] = min(runs.get(run, kept.first), kept.first)
    newest: dict[str, int] = {}
    for kept in shots:
        newest[kept.photo.file] = max(newest.get(kept.photo.file, 0), kept.number)
    for kept in shots:
        # A file that was replaced by another photo of the same name is as good as removed.
        there = kept.photo.file in places and newest[kept.photo.file] == kept.number
        stages[there, stage_rank(kept.stage, kept.coat)].append(kept)
    found: list[KeptInspection] = []
    for key in sorted(stages):
        together = stages[key]
        together.sort(key=lambda kept: (runs[kept.first_run or kept.first], _place(kept, places)))
        if all(kept.shot for kept in together):
            together.sort(key=lambda kept: kept.shot or "")
        found.extend(together)
    return found


def _place(kept: KeptInspection, places: dict[str, int]) -> int:
    return places.get(kept.photo.file, -1)


def _part(
    asked: Asked, part: _Part, contents: Contents, lights: Sequence[LightFinding]
) -> PartStanding:
    job, listed = asked.job, asked.entries
    said = job.part(part.name)
    seams = {name.casefold(): name for name in said.seams} if said else {}
    edges = {name.casefold(): name for name in said.edges} if said else {}
    names = {name.casefold(): name for name in said.regions} if said else {}
    required = {**names, **seams, **edges}
    names = dict(required)
    shots: dict[str, list[Shot]] = defaultdict(list)
    before: dict[str, KeptInspection] = {}
    for kept, result in _regions(part.shots):
        key = result.name.casefold()
        if part.name is None or not kept.named(result):
            key = f"{key}\n{kept.photo.file}"
        if kept.stage == "before":
            before[key] = kept
        elif result.verdict is not None:
            names.setdefault(key, result.name)
            shots[key].append((kept, result))
    regions = []
    for key, name in names.items():
        # What nobody asks for and no photo of the job shows any more is only history.
        if key not in required and not any(kept.photo.file in listed for kept, _ in shots[key]):
            continue
        region = _region(job, part.name, name, shots[key], contents)
        kind = "seam" if key in seams else "edge" if key in edges else region.kind
        region = replace(region, kind=kind, required=key in required, before=before.get(key))
        against = against_region(region, asked=asked, last=part.last)
        regions.append(replace(region, against=(*against, *against_light(region, lights))))
    return PartStanding(
        name=part.name,
        listed=said is not None,
        airbag=any(region.airbag for region in regions) or _airbag(job, part.name),
        regions=tuple(regions),
    )


def _regions(shots: Sequence[KeptInspection]) -> Iterator[Shot]:
    for kept in shots:
        for result in kept.photo.regions:
            if result.kind != "reference":
                yield kept, result


def _region(
    job: Job,
    part: str | None,
    name: str,
    shots: Sequence[Shot],
    contents: Contents,
) -> RegionStanding:
    set_asides = contents.set_asides
    rounds = rounds_of(name, shots, set_asides, contents.carried)
    photos = {kept.photo.sha256 for kept, _ in shots}
    newest = rounds[-1] if rounds else None
    return RegionStanding(
        name=name,
        part=part,
        kind=newest.result.kind if newest else "panel",
        required=False,
        airbag=_airbag(job, part, name),
        rounds=rounds,
        verdict=newest.result.verdict if newest else None,
        stands=stands(newest) if newest else None,
        set_asides=tuple(
            aside
            for aside in set_asides
            if aside.sha256 in photos and aside.region.casefold() == name.casefold()
        ),
    )


def _airbag(job: Job, part: str | None, *names: str) -> bool:
    return job.airbag(part) or may_hold_airbag(part, *names)
