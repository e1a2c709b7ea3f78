"""The record of a job: every inspection kept, findings set aside, signatures.

It lies in the job folder as `inspections.sqlite` and is only ever added to; what comes later
supersedes what came before and leaves it readable. Every event carries the hash of the one before
it, so that a change afterwards shows (`fullhide.proof`). Any number of processes may write at once.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from fullhide import __version__, _record_codec, _record_rows, _record_store
from fullhide._record_data import (
    Carried,
    Contents,
    KeptFile,
    KeptInspection,
    SetAside,
    Signature,
    Withdrawal,
    same_place,
)
from fullhide._record_store import Event
from fullhide.errors import JobError
from fullhide.files import why
from fullhide.job import Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.result import PhotoResult

__all__ = [
    "RECORD_FILE",
    "Carried",
    "Contents",
    "KeptFile",
    "KeptInspection",
    "Record",
    "SetAside",
    "Signature",
    "Withdrawal",
    "same_place",
]

RECORD_FILE = "inspections.sqlite"


@dataclass(frozen=True, slots=True)
class Record:
    """The record of the job in `folder`. Nothing is opened before it is used, nor kept open.

    A job that was never inspected has an empty record. Reading raises `JobError` if the file is
    damaged or a newer fullhide's; adding raises `OutputError` if it cannot be written (a full or
    read-only disk, another process that does not let go), and what it held is still there then.
    Safe to use from several threads and processes.
    """

    folder: Path

    @property
    def path(self) -> Path:
        """Where the record lies."""
        return self.folder / RECORD_FILE

    def add(
        self,
        job: Job,
        photo: PhotoResult,
        *,
        outlines: Sequence[RegionOutline],
        by: str,
        mm_per_px: float | None = None,
        run: str = "",
        taken: str | None = None,
        at: str | None = None,
    ) -> KeptInspection:
        """Keep an inspection.

        Parameters
        ----------
        job
            What was asked; the photo must be one of its photos.
        photo
            What was found.
        outlines
            As inspected: `engine.PhotoArtifacts.outlines`.
        by
            Who inspected.
        mm_per_px
            The scale, if a person gave it.
        run
            What tells one run from others, such as that of the command: photos without a time of
            their own that were first inspected in one run are of one round, however long it took.
        taken
            Time from the photo's EXIF block; that in `photo.quality` if absent.
        at
            When, if not now; UTC as ``2026-03-14T16:20:00Z``.
        """
        position, entry = _entry(job, photo.file)
        body = {
            "photo": _record_codec.photo_json(photo),
            "outlines": [_record_codec.outline_json(o) for o in outlines if o.name],
            "asked": _record_codec.asked_of(job),
            "entry": {
                "part": entry.part,
                "stage": entry.stage,
                "coat": entry.coat,
                "position": position,
                "shot": _shot(entry, taken or photo.quality.get("taken")),
                "airbag": job.airbag(entry.part),
                "mm_per_px": mm_per_px,
            },
            "files": [asdict(kept) for kept in _files(job, entry, photo.sha256)],
            "run": run,
            "fullhide": __version__,
        }
        event = self._append("inspection", body, by=by, at=at)
        return _record_rows.inspection_of(event)

    def newest(self, file: str) -> KeptInspection | None:
        """The newest inspection of a photo, whatever the file holds now; None if there is none."""
        with _read(self.path) as connection:
            found = _record_store.events(
                connection,
                "number = (SELECT max(number) FROM event WHERE kind = 'inspection' AND file = ?)",
                (file,),
            )
            return _record_rows.inspection_of(found[0]) if found else None

    def inspections(self, file: str | None = None) -> tuple[KeptInspection, ...]:
        """Every inspection, or every one of a photo, oldest first."""
        with _read(self.path) as connection:
            if file is None:
                found = _record_store.events(connection, "kind = 'inspection'")
            else:
                found = _record_store.events(
                    connection, "kind = 'inspection' AND file = ?", (file,)
                )
            return _record_rows.inspections_of(found)

    def read(self) -> Contents:
        """All that the standing of the job rests on, as of one moment."""
        with _read(self.path) as connection:
            newest = _record_store.events(
                connection,
                "number IN (SELECT max(number) FROM event WHERE kind = 'inspection' "
                "GROUP BY file, sha256)",
            )
            first = {
                (file, sha256): (number, run or "", at)
                for file, sha256, number, run, at in connection.execute(
                    "SELECT file, sha256, min(number), json_extract(body, '$.run'), at FROM event "
                    "WHERE kind = 'inspection' GROUP BY file, sha256"
                )
            }
            others = _record_store.events(connection, "kind <> 'inspection'")
            count, last = connection.execute(
                "SELECT (SELECT count(*) FROM event WHERE kind = 'inspection'), "
                "(SELECT max(number) FROM event)"
            ).fetchone()
            change = connection.execute(
                "SELECT coalesce(max(number), 0) FROM event "
                "WHERE kind NOT IN ('signature', 'carried')"
            ).fetchone()[0]
            seal = connection.execute("SELECT hash FROM event WHERE number = ?", (last,)).fetchone()
            return Contents(
                newest=tuple(_since(kept, first) for kept in _record_rows.inspections_of(newest)),
                inspections=count,
                set_asides=_record_rows.set_asides_of(others),
                carried=tuple(_record_rows.carried_of(e) for e in others if e.kind == "carried"),
                signatures=tuple(
                    _record_rows.signature_of(event)
                    for event in others
                    if event.kind == "signature"
                ),
                last=last or 0,
                seal=seal[0] if seal else _record_store.EMPTY,
                last_change=change,
            )

    def set_asides(self) -> tuple[SetAside, ...]:
        """Every set-aside, those taken back as well, oldest first."""
        with _read(self.path) as connection:
            found = _record_store.events(connection, "kind IN ('set_aside', 'withdrawal')")
            return _record_rows.set_asides_of(found)

    def set_aside(
        self, inspection: KeptInspection, region: str, finding: int, *, reason: str, by: str
    ) -> SetAside:
        """Say that a finding is no miss.

        Parameters
        ----------
        inspection
            One that `add`, `newest` or `read` gave.
        region, finding
            The region's name and the finding's id there.
        reason, by
            Why, and who says so; neither may be empty.

        Raises
        ------
        JobError
            If there is no such finding, or no reason or name is given.
        """
        reason = _record_codec.said("reason", reason)
        there = inspection.region(region)
        mine = next((f for f in there.findings if f.id == finding), None) if there else None
        if there is None or mine is None:
            raise JobError(
                inspection.photo.file,
                f'region "{region}" has no finding {finding}',
                "look up the number in the newest inspection",
            )
        body = {
            "file": inspection.photo.file,
            "photo_sha256": inspection.photo.sha256,
            "part": inspection.part,
            "region": there.name,
            "finding": _record_codec.finding_json(mine),
            "reason": reason,
        }
        event = self._append("set_aside", body, by=by, subject=inspection.number)
        return _record_rows.set_asides_of([event])[0]

    def withdraw(self, set_aside: SetAside, *, reason: str, by: str) -> SetAside:
        """Take a set-aside back: the finding counts again. The set-aside stays on record.

        Raises
        ------
        JobError
            If no reason or name is given.
        """
        body = {"reason": _record_codec.said("reason", reason)}
        self._append("withdrawal", body, by=by, subject=set_aside.number)
        found = [kept for kept in self.set_asides() if kept.number == set_aside.number]
        return found[0]

    def add_carried(self, carried: Carried, *, by: str) -> None:
        """Keep how a region of an earlier photo lies in a later one."""
        self._append("carried", asdict(carried), by=by)

    def sign(self, body: dict[str, Any], *, by: str, at: str, after: int, seal: str) -> Signature:
        """Add a signature that `fullhide.proof` has made.

        Parameters
        ----------
        after, seal
            Number and hash of the event that was the last when it was made.

        Raises
        ------
        JobError
            If something was added in between.
        """
        event = self._append("signature", body, by=by, at=at, subject=after or None, after=seal)
        return _record_rows.signature_of(event)

    def events(self) -> tuple[Event, ...]:
        """Every event as it lies in the file, oldest first."""
        with _read(self.path) as connection:
            return _record_store.events(connection)

    def _append(
        self,
        kind: str,
        body: dict[str, Any],
        *,
        by: str,
        subject: int | None = None,
        at: str | None = None,
        after: str | None = None,
    ) -> Event:
        by = _record_codec.said("name", by)
        text = _record_codec.dumped(body)
        with _record_store.writing(self.path) as connection:
            if after is not None and _record_store.last_hash(connection) != after:
                raise JobError(self.path, "was added to by another process meanwhile", "try again")
            return _record_store.append(
                connection, kind=kind, by=by, body=text, subject=subject, at=at
            )


@contextmanager
def _read(path: Path) -> Iterator[sqlite3.Connection]:
    """The record; what is in it and cannot be understood is an error of the file."""
    try:
        with _record_store.reading(path) as connection:
            yield connection
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise _record_store.damaged(path, error) from None


def _since(
    kept: KeptInspection, first: dict[tuple[str, str], tuple[int, str, str]]
) -> KeptInspection:
    number, run, at = first[kept.photo.file, kept.photo.sha256]
    return replace(kept, first=number, first_run=run, first_at=at)


def _entry(job: Job, file: str) -> tuple[int, PhotoEntry]:
    for position, entry in enumerate(job.photos):
        if entry.file == file:
            return position, entry
    raise JobError(job.folder, f"photo `{file}` is none of the job's", "add it to job.toml")


_EXIF_TIME = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)")


def _shot(entry: PhotoEntry, taken: str | None) -> str | None:
    """Time of the shot, ISO 8601: what job.toml says, or else the camera."""
    if entry.shot:
        return entry.shot
    place = _EXIF_TIME.match(taken or "")
    if place is None or place[1] == "0000":
        return None
    return "{}-{}-{}T{}:{}:{}".format(*place.groups())


def _files(job: Job, entry: PhotoEntry, sha256: str) -> list[KeptFile]:
    kept = []
    for file in (entry.file, *entry.also, *filter(None, [entry.grey_board])):
        path = job.path(file)
        try:
            data = path.read_bytes() if file != entry.file else b""
            size = path.stat().st_size
        except OSError as error:
            raise JobError(path, f"cannot be read ({why(error)})", "check the file") from None
        own = sha256 if file == entry.file else hashlib.sha256(data).hexdigest()
        kept.append(KeptFile(file=file, sha256=own, size=size))
    return kept
