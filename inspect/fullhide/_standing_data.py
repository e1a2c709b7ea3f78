"""Where a job stands, as plain immutable data."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

from fullhide.job import Job
from fullhide.record import KeptInspection, SetAside, Signature
from fullhide.result import Finding, LightFinding, RegionResult, Verdict

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
]

#: How a region stands: its verdict; or that it passes only because its findings were set aside;
#: that its photo passes and something else stands against it; that no photo of the work shows it.
Word = Literal["pass", "set aside", "not yet", "fail", "retake", "missing"]
#: What a round says of a spot: the last four answer one that was there before.
Answer = Literal["new", "still there", "smaller", "gone", "not judged"]
#: Why the gate is closed, in the order that things are told in.
Reason = Literal[
    "fail",  # the newest photo fails
    "retake",  # the newest photo cannot decide
    "not answered",  # an earlier spot is neither gone nor found again
    "another light",  # the newest photo passes, and in another named light its match fails
    "partly shown",  # the newest photo shows less of the region than an earlier one
    "never shot",
    "never opened",  # a seam that was never outlined as one
    "older coat",  # last shot before the part's last coat
    "not final",  # last shot before the work was done
    "changed",  # the photo, an outline or a limit is another than was inspected
    "not inspected",  # a photo of the job that no inspection is kept of
    "removed",  # inspected, and no longer in job.toml
    "input",  # something of the job cannot be used
    "no parts",  # job.toml does not say what has to be shot
    "part not listed",  # nor of which regions and seams this part has to be shown
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What one round says of one spot.

    Attributes
    ----------
    mark
        The spot's number in its region, from 1, the same in every round.
    answer
        ``"new"`` where it was not known before.
    finding
        As this round's photo shows it; None if it is gone or was not judged.
    pieces
        Where the spot has come apart: all of its pieces, `finding` first; otherwise only that.
    by_outline
        Whether its place is known only from where it lies in the region's outline, because the
        surface of the two photos could not be laid over one another.
    earlier, earlier_file
        As last seen before, and the photo that shows it; None if it is new.
    why
        Why it could not be judged; empty otherwise.
    same_round
        Whether an earlier photo of this same round fails on it: nothing can have been done
        about it in between, so this photo does not answer for it.
    set_aside
        Where a person said that it is no miss: of this round's finding, or, where this round has
        none, of the earlier one.
    """

    mark: int
    answer: Answer
    finding: Finding | None = None
    earlier: Finding | None = None
    earlier_file: str | None = None
    why: str = ""
    set_aside: SetAside | None = None
    pieces: tuple[Finding, ...] = ()
    by_outline: bool = False
    same_round: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Round:
    """One photo of a region, by its newest inspection.

    Photos between which no work can have been done have the same round's number.

    Attributes
    ----------
    number
        From 1, the oldest photo.
    inspection, result
        The inspection, and what it says of this region.
    spots
        Earlier spots with their answers first, then new ones.
    """

    number: int
    inspection: KeptInspection
    result: RegionResult
    spots: tuple[Answered, ...] = ()

    def count(self, answer: Answer) -> int:
        """How many spots have that answer."""
        return sum(spot.answer == answer for spot in self.spots)

    @property
    def counts(self) -> dict[Answer, int]:
        """How many spots have which answer."""
        return dict(Counter(spot.answer for spot in self.spots))


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """One thing that stands against reassembly.

    Attributes
    ----------
    reason
        One of `Reason`.
    says
        What is the matter and what to do, a plain sentence without a full stop.
    part, region
        Where; None where it is of the whole part or job.
    """

    reason: Reason
    says: str
    part: str | None = None
    region: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionStanding:
    """Where a region stands.

    Attributes
    ----------
    kind
        ``"panel"``, ``"seam"`` or ``"edge"``: as last shot, or as the [[part]] table lists it.
    required
        Whether a [[part]] table asks for it.
    airbag
        Whether it may hold an airbag, by its name or by job.toml: no work is advised there.
    before
        The last photo of before the work that shows the region; None without one.
    rounds
        Photos of the work, oldest first; empty if it was never shot.
    verdict
        Of the newest round, as it was judged; None if there is none.
    stands
        The same with other photos of the round and set-asides heeded: ``"fail"`` where another
        one fails on a spot, ``"pass"`` where every finding that stood against it was set aside
        and all else is proven. None if there is no verdict.
    set_asides
        Of its photos, those taken back as well, oldest first.
    against
        What stands against it; empty if nothing does.
    """

    name: str
    part: str | None
    kind: str
    required: bool
    airbag: bool
    before: KeptInspection | None = None
    rounds: tuple[Round, ...] = ()
    verdict: Verdict | None = None
    stands: Verdict | None = None
    set_asides: tuple[SetAside, ...] = ()
    against: tuple[Against, ...] = ()

    @property
    def word(self) -> Word:
        """How it stands in a word; ``"set aside"`` is a pass that rests on a person's word."""
        if self.stands == "pass" and self.against:
            return "not yet"
        spots = self.rounds[-1].spots if self.rounds else ()
        aside = any(spot.same_round and spot.set_aside is not None for spot in spots)
        if self.stands == "pass" and (aside or self.verdict != "pass"):
            return "set aside"
        return self.stands or "missing"

    @property
    def newest(self) -> Round | None:
        """The newest round; None if the region was never shot."""
        return self.rounds[-1] if self.rounds else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartStanding:
    """A part, its regions in the order of job.toml, and what stands against it as a whole.

    `name` is None for photos without a part; `listed` is whether job.toml has a [[part]] of it.
    """

    name: str | None
    listed: bool
    airbag: bool
    regions: tuple[RegionStanding, ...] = ()
    against: tuple[Against, ...] = ()

    @property
    def every_against(self) -> tuple[Against, ...]:
        """What stands against the part and its regions."""
        return self.against + tuple(item for region in self.regions for item in region.against)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Whether the parts may go back in.

    Attributes
    ----------
    open
        Whether nothing stands against it.
    against
        All that does, fails first.
    says
        The same in one sentence: "may be reassembled", or what stands against it.
    status
        Exit status of `fullhide status`: 0 open, 1 closed by a fail, 3 closed otherwise.
    """

    open: bool
    against: tuple[Against, ...] = ()
    says: str = ""
    status: int = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """The job as it stands.

    Attributes
    ----------
    at
        Time of looking, UTC, ISO 8601.
    parts
        In the order of job.toml.
    inspections
        How many inspections are kept in all.
    set_asides
        All that stand, oldest first.
    signatures
        Oldest first; see `signed`.
    lights
        How matches fare in the lights that the job names; None where it names none.
    last, last_change, seal
        Number of the last event, of the last that is no signature, and the last one's hash.
    """

    job: Job
    at: str
    gate: Gate
    parts: tuple[PartStanding, ...] = ()
    inspections: int = 0
    set_asides: tuple[SetAside, ...] = ()
    signatures: tuple[Signature, ...] = ()
    lights: tuple[LightFinding, ...] | None = None
    last: int = 0
    last_change: int = 0
    seal: str = ""

    @property
    def regions(self) -> tuple[RegionStanding, ...]:
        """The regions of all parts."""
        return tuple(region for part in self.parts for region in part.regions)

    @property
    def signed(self) -> Signature | None:
        """The newest signature that nothing was added after; None otherwise."""
        newest = self.signatures[-1] if self.signatures else None
        return newest if newest is not None and newest.number > self.last_change else None
