"""Keep inspections as they are finished."""

from __future__ import annotations

import getpass
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field

from fullhide.errors import FullhideError, OutputError
from fullhide.job import Job
from fullhide.outlines import RegionOutline
from fullhide.record import Record
from fullhide.result import PhotoResult

__all__ = ["Keeper", "default_name"]


def default_name() -> str:
    """The name that this computer knows the person by."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


@dataclass(slots=True)
class Keeper:
    """Adds a job's inspections to its record as they are finished.

    What cannot be written is held back and tried again with the next photo and at the end, so
    that a disk that was full for a moment loses nothing.

    Attributes
    ----------
    job, by, mm_per_px
        The job, who inspects, and the scale if a person gave it.
    run
        What tells this run from others: photos first inspected in one run may be of one round.
    kept
        SHA-256 of the photos kept so far.
    """

    job: Job
    by: str
    mm_per_px: float | None = None
    run: str = field(default_factory=lambda: secrets.token_hex(8))
    kept: set[str] = field(default_factory=set)
    _waiting: list[tuple[PhotoResult, tuple[RegionOutline, ...]]] = field(default_factory=list)
    _error: FullhideError | None = None

    def keep(self, photo: PhotoResult, outlines: Sequence[RegionOutline]) -> None:
        """Keep one finished inspection; never raises for a record that cannot be written."""
        self._waiting.append((photo, tuple(outlines)))
        self._write()

    def finish(self) -> tuple[FullhideError, ...]:
        """Try once more what is held back; one error if something is left."""
        self._write()
        if not self._waiting or self._error is None:
            return ()
        count = len(self._waiting)
        what = "this inspection is" if count == 1 else f"{count} inspections are"
        error = self._error
        return (OutputError(error.where, f"{what} not kept: it {error.problem}", error.remedy),)

    def _write(self) -> None:
        record = Record(self.job.folder)
        while self._waiting:
            photo, outlines = self._waiting[0]
            try:
                record.add(
                    self.job,
                    photo,
                    outlines=outlines,
                    by=self.by,
                    mm_per_px=self.mm_per_px,
                    run=self.run,
                )
            except FullhideError as error:
                self._error = error
                return
            self.kept.add(photo.sha256)
            del self._waiting[0]
