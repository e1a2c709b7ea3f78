"""Two lights: how a region's match with its reference fares in each light that a job names.

Each photo's chart maps its colours into D50, whatever the light it was taken in. Pigments of one
kind then differ by the same in every light; what matches in one light and not in another are two
kinds of pigment (metamerism). Which light the eye finds the match in may differ from the camera's:
its three channels are not the eye's.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from fullhide.job import Job, PhotoEntry, stage_rank
from fullhide.quality import blocking
from fullhide.result import JobResult, LightFinding, LightReading, PhotoResult, RegionResult

__all__ = ["CAMERA", "lights_of", "lights_words", "same_light", "with_lights"]

#: Said once wherever matches in named lights are told of.
CAMERA = "A camera cannot certify that two pigments match in every light"
#: Pigments of one kind are off by nearly the same in every light: the sure ends of two differences
#: that lie so many times apart are none of them (own choice; rendered pairs of one kind, whose
#: middles lay up to 1.2 times apart, came to 0.94 at most).
_CLEARLY = 1.2
Rank = tuple[int, int]


@dataclass(frozen=True, slots=True)
class _Seen:
    """A region that was held against a reference in a photo whose light is named."""

    part: str | None
    region: RegionResult
    entry: PhotoEntry
    time: str
    place: int

    @property
    def rank(self) -> Rank:
        return stage_rank(self.entry.stage, self.entry.coat)


def same_light(one: str | None, other: str | None) -> bool:
    """Whether two names of lights may mean the same one: no name may mean any."""
    return one is None or other is None or one.casefold() == other.casefold()


def with_lights(job: Job, result: JobResult) -> JobResult:
    """The result with what its matches in several lights say."""
    return replace(result, lights=lights_of(job, result.photos))


def lights_of(job: Job, photos: Iterable[PhotoResult]) -> tuple[LightFinding, ...] | None:
    """What the job's named lights say of its matches.

    Parameters
    ----------
    job
        Names the light, part and stage of each photo.
    photos
        Inspected photos of the job; each file once.

    Returns
    -------
    tuple or None
        One a region that was held against a reference in a photo whose light is named, and that
        does more than fail in the only one. Of a region's photos those of the latest stage of work
        count, and in one light the newest of them: by the time it was taken where all of them have
        one, else the last in `job.toml`. None where the job names no light.
    """
    if not any(entry.light for entry in job.photos):
        return None
    groups: dict[tuple[str, ...], list[_Seen]] = defaultdict(list)
    for key, seen in _seen(job, photos):
        groups[key].append(seen)
    found = (_finding(_newest(group)) for group in groups.values())
    return tuple(finding for finding in found if finding is not None)


def _seen(job: Job, photos: Iterable[PhotoResult]) -> Iterator[tuple[tuple[str, ...], _Seen]]:
    places = {entry.file: place for place, entry in enumerate(job.photos)}
    for photo in photos:
        place = places.get(photo.file)
        entry = None if place is None else job.photos[place]
        if entry is None or place is None or entry.light is None:
            continue
        time = entry.shot or str(photo.quality.get("taken") or "")
        for region in photo.regions:
            # A typed colour is one of D50: how a dye goes from light to light it does not tell.
            typed = region.reference is not None and region.reference.kind == "typed"
            if "match_delta_e" in region.measures and not typed:
                key: tuple[str, ...] = (region.name.casefold(), (entry.part or "").casefold())
                # What has no name of its own, or no part, is a region of its own photo.
                own = region.proposed and "carried" not in region.flags
                if own or entry.part is None:
                    key = (*key, photo.file)
                yield key, _Seen(entry.part, region, entry, time, place)


def _newest(group: Sequence[_Seen]) -> list[_Seen]:
    """One a light, of the latest stage, in the order of `job.toml`."""
    last = max(seen.rank for seen in group)
    late = [seen for seen in group if seen.rank == last]
    late.sort(key=lambda seen: seen.place)
    if all(seen.time for seen in late):
        late.sort(key=lambda seen: seen.time)
    newest = {(seen.entry.light or "").casefold(): seen for seen in late}
    return sorted(newest.values(), key=lambda seen: seen.place)


def _reading(seen: _Seen) -> LightReading:
    measures = seen.region.measures
    at_least, at_most = (
        measures[name].value if name in measures else None
        for name in ("match_at_least", "match_at_most")
    )
    limit = measures["match_delta_e"].limit
    reading = LightReading(
        light=seen.entry.light or "",
        file=seen.entry.file,
        match="undecided",
        at_least=at_least,
        at_most=at_most,
        limit=limit,
    )
    # Strictly beyond the limit on either side, and only where nothing about the photo is in doubt.
    if None in (at_least, at_most, limit) or blocking(seen.region.flags, "match"):
        return reading
    if at_most is not None and limit is not None and at_most < limit:
        return replace(reading, match="matches")
    if at_least is not None and limit is not None and at_least > limit:
        return replace(reading, match="off")
    return reading


def _finding(newest: Sequence[_Seen]) -> LightFinding | None:
    readings = tuple(_reading(seen) for seen in newest)
    said = {reading.match for reading in readings}
    matching, off, open_ = (
        _names([r.light for r in readings if r.match == match])
        for match in ("matches", "off", "undecided")
    )
    finding = LightFinding(
        part=newest[0].part,
        region=newest[0].region.name,
        kind="undecided",
        says="",
        readings=readings,
    )
    if len(readings) == 1:
        if "matches" not in said:
            return None
        says = f"matches in {matching}; not judged in another light, where it may not"
        return replace(finding, kind="one light", says=says)
    if {"matches", "off"} <= said:
        says = f"matches in {matching}, not in {off}: the pigments differ"
        says += f" (undecided in {open_})" if open_ else ""
        return replace(finding, kind="metameric", says=says)
    if (apart := _apart(readings)) is not None:
        one, two = (f"by {r.at_least:.1f} to {r.at_most:.1f} ΔE in {r.light}" for r in apart)
        says = f"does not match in {off}: off {one} and {two}, so the pigments differ"
        says += f" (undecided in {open_})" if open_ else ""
        return replace(finding, kind="off differently", says=says)
    if "undecided" in said:
        told = [f"matches in {matching}"] if matching else []
        told += [f"does not match in {off}"] if off else []
        told.append(f"undecided in {open_}")
        says = f"{', '.join(told)}: whether the pigments differ cannot be told"
        return replace(finding, says=says)
    if off:
        return replace(finding, kind="off", says=f"does not match in {off}")
    return replace(finding, kind="matches", says=f"matches in {matching}")


def _apart(readings: Sequence[LightReading]) -> tuple[LightReading, LightReading] | None:
    """The two lights in which a region is off by the least and by the most, if clearly so."""
    off = [r for r in readings if r.match == "off"]
    if len(off) < 2:
        return None
    least = min(off, key=lambda r: r.at_most or 0.0)
    most = max(off, key=lambda r: r.at_least or 0.0)
    clear = (most.at_least or 0.0) > _CLEARLY * (least.at_most or float("inf"))
    return (least, most) if clear else None


def _names(lights: Sequence[str]) -> str:
    """``daylight, warm LED and shop tubes``."""
    return " and ".join(filter(None, [", ".join(lights[:-1]), *lights[-1:]]))


def lights_words(findings: Sequence[LightFinding]) -> tuple[str, ...]:
    """Findings in lines, regions of one part that say the same together, and what holds of all."""
    together: dict[tuple[str | None, str], list[str]] = {}
    for finding in findings:
        together.setdefault((finding.part, finding.says), []).append(finding.region)
    lines = [
        f"{f'{part}: ' if part else ''}{', '.join(regions)}: {says}"
        for (part, says), regions in together.items()
    ]
    return (*lines, CAMERA) if lines else ()
