"""What is known of a job when its pages are made, wherever it comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from fullhide import wording
from fullhide.job import Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.report.page import Gate, Round, SetAside, Signature, Word
from fullhide.result import Finding, JobResult, PhotoResult, RegionResult

__all__ = ["Inspected", "Known", "known_of_result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """A region's newest inspection and what came before it.

    Attributes
    ----------
    photo, region
        As the engine said it; None and an empty region where nothing was ever photographed.
    outline
        None where it is not known any more.
    before
        The same place earlier, and when that was in words; None without such a photo.
    word
        How it stands; as it was judged if absent.
    missing
        What is the matter where it was never photographed.
    against
        What stands against it besides its verdict.
    answers
        Against earlier rounds, by finding.
    covered
        Findings that a person set aside: they stand in `set_aside`, not among the spots.
    """

    part: str
    photo: PhotoResult | None
    region: RegionResult
    entry: PhotoEntry | None = None
    outline: RegionOutline | None = None
    before: tuple[PhotoResult, str] | None = None
    word: Word | None = None
    missing: str = ""
    against: tuple[str, ...] = ()
    answers: Mapping[int, str] = field(default_factory=dict)
    set_aside: tuple[SetAside, ...] = ()
    covered: frozenset[int] = frozenset()
    rounds: tuple[Round, ...] = ()
    airbag: bool = False

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Those that nobody set aside."""
        return tuple(f for f in self.region.findings if f.id not in self.covered)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Everything known of a job; `gate` is None where it follows from the verdicts alone."""

    job: Job
    inspected: tuple[Inspected, ...]
    gate: Gate | None = None
    signatures: tuple[Signature, ...] = ()
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    inspections: int = 0


def known_of_result(
    job: Job, result: JobResult, outlines: Mapping[str, Sequence[RegionOutline]] | None = None
) -> Known:
    """What one inspection alone tells of a job.

    Parameters
    ----------
    job
        What was asked.
    result
        What was found.
    outlines
        The outlines that were inspected, by photo; those of the job if absent.
    """
    entries = {entry.file: entry for entry in job.photos}
    before = {
        ((e.part or "").casefold(), region.name.casefold()): photo
        for photo in result.photos
        if (e := entries.get(photo.file)) and e.stage == "before"
        for region in photo.regions
    }
    found: list[Inspected] = []
    for photo in result.photos:
        if (e := entries.get(photo.file)) and e.stage == "before":
            continue
        known = job.outlines_of(photo.file) if outlines is None else outlines[photo.file]
        named = {(outline.name, outline.kind): outline for outline in known}
        found += [
            Inspected(
                part=region.part or region.name,
                photo=photo,
                region=region,
                entry=entries.get(photo.file),
                outline=named.get((region.name, region.kind)),
                before=(old, "before the work")
                if (old := before.get(((region.part or "").casefold(), region.name.casefold())))
                else None,
                airbag=wording.may_hold_airbag(region.name, region.part),
            )
            for region in photo.regions
        ]
    return Known(
        job=job,
        inspected=tuple(found),
        problems=tuple(str(problem) for problem in result.problems),
        inspections=len(found),
    )
