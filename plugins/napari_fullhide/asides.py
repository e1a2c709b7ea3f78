"""Findings that a person sets aside with a reason: kept in the record, shown, counted."""

from __future__ import annotations

from typing import Any

from psygnal import Signal

from fullhide.errors import FullhideError, JobError
from fullhide.job import Job
from fullhide.keeper import default_name
from fullhide.record import KeptInspection, Record, SetAside
from fullhide.result import Finding
from fullhide.standing import standing
from napari_fullhide.background import in_background
from napari_fullhide.bench import Action, Bench
from napari_fullhide.state import Region

__all__ = ["REASONS", "Asides", "join"]

#: What is often the reason; another can be typed.
REASONS = (
    "thread end, removed",
    "dust or fluff, wiped off",
    "pencil or chalk mark, wiped off",
    "print or label, meant to be there",
    "old mark in the leather, agreed with the owner",
)


class Asides:
    """The set-asides of a bench's job.

    Parameters
    ----------
    bench
        Whose job it is.
    """

    #: A finding is about to be set aside, or that taken back: a reason is wanted; or no longer.
    asking = Signal(bool)

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        #: Who says so.
        self.by = default_name()
        #: The finding a reason is wanted for, its region, and the set-aside to be taken back.
        self.asked: tuple[str, Finding, SetAside | None] | None = None
        self._reading = False
        self._again = False
        model = bench.model
        model.opened.connect(self.read, max_args=0)
        for signal in (model.opened, model.shown, model.selected):
            signal.connect(self.leave, max_args=0)

    # ---- what the record says ------------------------------------------------------------

    def read(self) -> None:
        """Read the record anew, in the background."""
        job = self.bench.model.job
        if job is None:
            return
        if self._reading:
            self._again = True
            return
        self._reading = True

        def done(result: Any) -> None:
            self._reading = False
            if isinstance(result, FullhideError):
                self.bench.say_error(result)
            elif self.bench.model.job is not None and self.bench.model.job.folder == job.folder:
                self.bench.model.put_asides(*result)
                self.bench.refresh()
            if self._again:
                self._again = False
                self.read()

        in_background(lambda: _read(job), done)

    @property
    def chosen(self) -> tuple[Region, Finding] | None:
        """The finding that is looked at; the only one of the region where none is chosen."""
        region = self.bench.model.selected_region()
        if region is None or not region.findings:
            return None
        number = self.bench.model.finding
        if number is None and len(region.findings) == 1:
            number = region.findings[0].id
        found = next((f for f in region.findings if f.id == number), None)
        return None if found is None else (region, found)

    # ---- what a person does --------------------------------------------------------------

    def ask(self) -> None:
        """Ask for the reason to set the chosen finding aside, or to take that back."""
        chosen = self.chosen
        if chosen is None:
            self.bench.say("Choose a finding first: click its number in the list.")
            return
        region, finding = chosen
        self.asked = (region.name, finding, region.asides.get(finding.id))
        self.asking.emit(True)

    def leave(self) -> None:
        """No reason is wanted any more."""
        if self.asked is not None:
            self.asked = None
            self.asking.emit(False)

    def give(self, reason: str, by: str) -> bool:
        """Take the reason; what is wrong with it is said. Whether it was taken."""
        if self.asked is None:
            return False
        region, finding, aside = self.asked
        job = self.bench.model.job
        current = self.bench.model.current
        if job is None or current is None or current.found is None:
            return False
        try:
            record = Record(job.folder)
            if aside is None:
                kept = self._kept(record, current.found.result.sha256, region, finding)
                record.set_aside(kept, region, finding.id, reason=reason, by=by)
                said = f"Finding {finding.id} is set aside: {' '.join(reason.split())}."
            else:
                record.withdraw(aside, reason=reason, by=by)
                said = f"Finding {finding.id} counts again."
        except FullhideError as error:
            self.bench.say_error(error)
            return False
        self.by = " ".join(by.split())
        self.bench.say(said)
        self.leave()
        self.read()
        return True

    def _kept(self, record: Record, sha256: str, region: str, finding: Finding) -> KeptInspection:
        """The inspection on record that found it."""
        current = self.bench.model.current
        file = current.entry.file if current else ""
        kept = record.newest(file)
        there = kept.region(region) if kept is not None else None
        known = there is not None and any(
            f.id == finding.id and f.box_px == finding.box_px for f in there.findings
        )
        if kept is None or kept.photo.sha256 != sha256 or not known:
            raise JobError(
                file,
                "was only looked at quickly since it was last inspected as a whole",
                "press I first: what is set aside must be on record",
            )
        return kept


def _read(job: Job) -> tuple[tuple[SetAside, ...], frozenset[tuple[str, str]]]:
    """Set-asides that stand, and regions (part and name) that pass because of them."""
    record = Record(job.folder)
    asides = tuple(aside for aside in record.set_asides() if aside.withdrawn is None)
    if not asides:
        return (), frozenset()
    regions = standing(job, record).regions
    passing = {
        ((region.part or "").casefold(), region.name.casefold())
        for region in regions
        if region.word in ("set aside", "not yet") and region.stands == "pass"
    }
    return asides, frozenset(passing)


def join(bench: Bench) -> None:
    """Let findings be set aside on a bench."""
    asides = bench.part(Asides)
    bench.add(
        Action(
            group="Inspect",
            text="Set aside",
            keys=("Q",),
            half=True,
            run=asides.ask,
            tip="Says why a finding is no miss, or takes that back. It stays on record.",
            enabled=lambda: asides.chosen is not None,
        )
    )
