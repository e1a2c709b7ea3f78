"""What is known of a job when its pages are made, wherever it comes from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fullhide.coats_job import Coats
from fullhide.job import Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.report.page import Gate, Round, SetAside, Signature, Word
from fullhide.result import Finding, LightFinding, PhotoResult, RegionResult

__all__ = ["Inspected", "Known"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """A region's newest inspection and what came before it.

    Attributes
    ----------
    photo, region
        As the engine said it; None and an empty region where nothing was ever photographed.
    outline
        None where it is not known any more.
    before, before_outline
        The same place earlier, when that was in words, and its outline there; None without such
        a photo.
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
    tint
        What the shop's tinters could do about its match; empty without.
    """

    part: str
    photo: PhotoResult | None
    region: RegionResult
    entry: PhotoEntry | None = None
    outline: RegionOutline | None = None
    before: tuple[PhotoResult, str] | None = None
    before_outline: RegionOutline | None = None
    word: Word | None = None
    missing: str = ""
    against: tuple[str, ...] = ()
    answers: Mapping[int, str] = field(default_factory=dict)
    set_aside: tuple[SetAside, ...] = ()
    covered: frozenset[int] = frozenset()
    rounds: tuple[Round, ...] = ()
    airbag: bool = False
    tint: str = ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Those that nobody set aside."""
        return tuple(f for f in self.region.findings if f.id not in self.covered)


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Everything known of a job.

    `inspections` counts all that are kept; `lights` is empty where no match was judged in one that
    the job names.
    `coats` is None without photos between coats.
    """

    job: Job
    inspected: tuple[Inspected, ...]
    gate: Gate
    signatures: tuple[Signature, ...] = ()
    problems: tuple[str, ...] = ()
    inspections: int = 0
    lights: tuple[LightFinding, ...] = ()
    coats: Coats | None = None
