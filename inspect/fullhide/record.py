"""The record of a job: every inspection kept, findings set aside, signatures.

It lies in the job folder as `inspections.sqlite` and is only ever added to; what comes later
supersedes what came before and leaves it readable. Every event carries the hash of the one before
it, so that a change afterwards shows (`fullhide.proof`). Any number of processes may write at once.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fullhide import __version__, _record_codec, _record_store
from fullhide._record_store import Event
from fullhide.errors import JobError
from fullhide.files import why
from fullhide.job import ChartSettings, Colour, Job, Limits, PhotoEntry, Stage
from fullhide.outlines import RegionOutline
from fullhide.result import Finding, PhotoResult, RegionResult

__all__ = [
    "RECORD_FILE",
    "Carried",
    "CarriedPlace",
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
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file that an inspection rests on: the photo, its `also` and its grey board.

    `size` is in bytes; `file` is relative to the job folder.
    """

    file: str
    sha256: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedPlace:
    """Where a spot of an earlier photo lies in a later one.

    Attributes
    ----------
    finding
        Its id in the earlier photo.
    centre_px, radius_px
        Its middle and how far it reaches about it, pixels of the later photo.
    doubt_px
        Standard uncertainty of the middle, each way, pixels of the later photo.
    """

    finding: int
    centre_px: Pair
    radius_px: float
    doubt_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """An earlier photo's region laid over this inspection's photo by what the surface shows.

    Attributes
    ----------
    inspection, region
        Number of the earlier inspection, and the region's name.
    found
        Whether the two could be laid over one another; if not, only `why` means anything.
    share_shown
        Share of the earlier outline that lies within this photo's outline, 0 to 1.
    """

    inspection: int
    region: str
    found: bool
    why: str = ""
    share_shown: float | None = None
    places: tuple[CarriedPlace, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptInspection:
    """One inspection of one photo, as it was kept.

    Attributes
    ----------
    number
        Number of the event in the record, from 1; later ones are greater.
    at, by
        When (UTC, ISO 8601) and by whom.
    fullhide
        Version of the product.
    photo
        Everything found, calibration (`photo.chart`, `photo.quality`) included.
    outlines
        The outlines that were inspected, proposals among them.
    under, thread, finish, chart, limits
        What was asked, as in `Job`.
    part, stage, coat, airbag
        As `job.toml` gave them then.
    position
        Place of the photo in `job.toml`, from 0.
    shot
        Local time the photo was taken, ISO 8601, from `job.toml` or the camera; None if unknown.
    files
        The files it rests on, the photo first.
    carried
        How regions of earlier photos lie in this one.
    hash
        Hash of the event.
    """

    number: int
    at: str
    by: str
    fullhide: str
    photo: PhotoResult
    outlines: tuple[RegionOutline, ...]
    under: tuple[Colour, ...]
    thread: tuple[Colour, ...]
    finish: Colour | None
    chart: ChartSettings
    limits: Limits
    part: str | None
    stage: Stage
    coat: int | None
    airbag: bool
    position: int
    shot: str | None
    files: tuple[KeptFile, ...]
    carried: tuple[Carried, ...] = ()
    hash: str = ""

    def region(self, name: str) -> RegionResult | None:
        """The region of that name; None if the photo has none."""
        wanted = name.casefold()
        found = (region for region in self.photo.regions if region.name.casefold() == wanted)
        return next(found, None)

    def outline(self, name: str) -> RegionOutline | None:
        """The outline that a region was inspected in."""
        wanted = name.casefold()
        return next((o for o in self.outlines if o.name.casefold() == wanted), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """A set-aside taken back: when, by whom, why."""

    number: int
    at: str
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A finding that a person says is no miss, and why. It is kept, shown and counted.

    It goes with the finding's place in one photo: a later inspection of the same photo finds it
    set aside again, another photo of the region does not.

    Attributes
    ----------
    number
        Number of the event.
    inspection
        Number of the inspection that found it.
    file, sha256, part, region
        The photo and the region.
    finding
        As it was found.
    withdrawn
        None while it stands.
    """

    number: int
    at: str
    by: str
    reason: str
    inspection: int
    file: str
    sha256: str
    part: str | None
    region: str
    finding: Finding
    withdrawn: Withdrawal | None = None

    def covers(self, sha256: str, region: str, finding: Finding) -> bool:
        """Whether it stands and is of that finding of that photo (by its SHA-256)."""
        return (
            self.withdrawn is None
            and self.sha256 == sha256
            and self.region.casefold() == region.casefold()
            and same_place(self.finding, finding)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A sign-off.

    Attributes
    ----------
    number, at, by, hash
        The event; `hash` is the seal that is printed when signing.
    despite
        Why it was signed although the gate was closed; empty if it was open.
    gate
        What stood against reassembly then, one sentence each; empty if nothing did.
    files
        `job.toml`, `regions.geojson` and every photo, with their SHA-256.
    public_key, signature
        Ed25519, hexadecimal; empty without a key. What is signed: `statement`.
    statement
        The signed text, JSON.
    """

    number: int
    at: str
    by: str
    despite: str
    gate: tuple[str, ...]
    files: tuple[KeptFile, ...]
    public_key: str
    signature: str
    statement: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contents:
    """The record at one moment.

    Attributes
    ----------
    newest
        The newest inspection of each photo that was ever inspected; a photo that was replaced
        by another of the same name counts as a photo of its own. Oldest first.
    inspections
        How many inspections there are in all.
    set_asides
        All of them, those taken back as well, oldest first.
    signatures
        Oldest first.
    last, seal
        Number and hash of the last event; 0 and zeros if there is none.
    last_change
        Number of the last event that is no signature; 0 if there is none.
    """

    newest: tuple[KeptInspection, ...] = ()
    inspections: int = 0
    set_asides: tuple[SetAside, ...] = ()
    signatures: tuple[Signature, ...] = ()
    last: int = 0
    seal: str = _record_store.EMPTY
    last_change: int = 0


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
        taken: str | None = None,
        carried: Sequence[Carried] = (),
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
        taken
            Time from the photo's EXIF block (`photo.taken.time`), if it has one.
        carried
            How regions of earlier photos lie in this one.
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
                "shot": _shot(entry, taken),
                "airbag": job.airbag(entry.part),
            },
            "files": [_kept_json(kept) for kept in _files(job, entry, photo.sha256)],
            "carried": [_carried_json(item) for item in carried],
            "fullhide": __version__,
        }
        event = self._append("inspection", body, by=by, at=at)
        return _inspection(event)

    def newest(self, file: str) -> KeptInspection | None:
        """The newest inspection of a photo, whatever the file holds now; None if there is none."""
        with _record_store.reading(self.path) as connection:
            found = _record_store.events(
                connection,
                "number = (SELECT max(number) FROM event WHERE kind = 'inspection' AND file = ?)",
                (file,),
            )
        return _inspection(found[0]) if found else None

    def inspections(self, file: str | None = None) -> tuple[KeptInspection, ...]:
        """Every inspection, or every one of a photo, oldest first."""
        with _record_store.reading(self.path) as connection:
            if file is None:
                found = _record_store.events(connection, "kind = 'inspection'")
            else:
                found = _record_store.events(
                    connection, "kind = 'inspection' AND file = ?", (file,)
                )
        return tuple(_inspection(event) for event in found)

    def of_region(self, part: str | None, region: str) -> tuple[KeptInspection, ...]:
        """Every inspection of a region, oldest first; the part as it was named then."""
        return tuple(
            kept
            for kept in self.inspections()
            if (kept.part or "").casefold() == (part or "").casefold()
            and kept.region(region) is not None
        )

    def read(self) -> Contents:
        """All that the standing of the job rests on, as of one moment."""
        with _record_store.reading(self.path) as connection:
            newest = _record_store.events(
                connection,
                "number IN (SELECT max(number) FROM event WHERE kind = 'inspection' "
                "GROUP BY file, sha256)",
            )
            others = _record_store.events(connection, "kind <> 'inspection'")
            count, last = connection.execute(
                "SELECT (SELECT count(*) FROM event WHERE kind = 'inspection'), "
                "(SELECT max(number) FROM event)"
            ).fetchone()
            change = connection.execute(
                "SELECT coalesce(max(number), 0) FROM event WHERE kind <> 'signature'"
            ).fetchone()[0]
            seal = connection.execute("SELECT hash FROM event WHERE number = ?", (last,)).fetchone()
        return Contents(
            newest=tuple(_inspection(event) for event in newest),
            inspections=count,
            set_asides=_set_asides(others),
            signatures=tuple(_signature(event) for event in others if event.kind == "signature"),
            last=last or 0,
            seal=seal[0] if seal else _record_store.EMPTY,
            last_change=change,
        )

    def set_asides(self) -> tuple[SetAside, ...]:
        """Every set-aside, those taken back as well, oldest first."""
        with _record_store.reading(self.path) as connection:
            found = _record_store.events(connection, "kind IN ('set_aside', 'withdrawal')")
        return _set_asides(found)

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
        reason = _said("reason", reason)
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
        return _set_asides([event])[0]

    def withdraw(self, set_aside: SetAside, *, reason: str, by: str) -> SetAside:
        """Take a set-aside back: the finding counts again. The set-aside stays on record.

        Raises
        ------
        JobError
            If no reason or name is given.
        """
        body = {"reason": _said("reason", reason)}
        self._append("withdrawal", body, by=by, subject=set_aside.number)
        found = [kept for kept in self.set_asides() if kept.number == set_aside.number]
        return found[0]

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
        return _signature(event)

    def events(self) -> tuple[Event, ...]:
        """Every event as it lies in the file, oldest first."""
        with _record_store.reading(self.path) as connection:
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
        by = _said("name", by)
        text = _record_codec.dumped(body)
        with _record_store.writing(self.path) as connection:
            if after is not None and _record_store.last_hash(connection) != after:
                raise JobError(self.path, "was added to by another process meanwhile", "try again")
            return _record_store.append(
                connection, kind=kind, by=by, body=text, subject=subject, at=at
            )


def same_place(first: Finding, second: Finding) -> bool:
    """Whether two findings of one photo are the same spot: alike, and one's middle in the other.

    The margin of a tenth of a box, and of two pixels at least, is our own choice.
    """
    if first.kind != second.kind or first.under != second.under:
        return False
    return _within(first.centre_px, second) or _within(second.centre_px, first)


def _within(point: Pair, finding: Finding) -> bool:
    x0, y0, x1, y1 = finding.box_px
    margin_x, margin_y = max(2.0, 0.1 * (x1 - x0)), max(2.0, 0.1 * (y1 - y0))
    return x0 - margin_x <= point[0] <= x1 + margin_x and y0 - margin_y <= point[1] <= y1 + margin_y


def _said(what: str, text: str) -> str:
    """A name or reason on one line; an empty one is refused."""
    plain = " ".join(text.encode(errors="backslashreplace").decode().split())
    if not plain or not plain.isprintable():
        raise JobError(f"the {what}", "is empty or cannot be printed", f"give a {what}")
    return plain


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


def _kept_json(kept: KeptFile) -> dict[str, Any]:
    return {"file": kept.file, "sha256": kept.sha256, "size": kept.size}


def _carried_json(item: Carried) -> dict[str, Any]:
    return {
        "inspection": item.inspection,
        "region": item.region,
        "found": item.found,
        "why": item.why,
        "share_shown": item.share_shown,
        "places": [
            {
                "finding": place.finding,
                "centre_px": [round(float(value), 2) for value in place.centre_px],
                "radius_px": round(float(place.radius_px), 2),
                "doubt_px": round(float(place.doubt_px), 2),
            }
            for place in item.places
        ],
    }


def _carried(raw: dict[str, Any]) -> Carried:
    places = tuple(_record_codec.plain_fields(CarriedPlace, place) for place in raw["places"])
    return _record_codec.plain_fields(Carried, raw, places=places)


def _inspection(event: Event) -> KeptInspection:
    raw = json.loads(event.body)
    entry = raw["entry"]
    return KeptInspection(
        number=event.number,
        at=event.at,
        by=event.by,
        fullhide=raw["fullhide"],
        photo=_record_codec.photo_from(raw["photo"]),
        outlines=tuple(
            _record_codec.outline_from(outline, photo=raw["photo"]["file"])
            for outline in raw["outlines"]
        ),
        **_record_codec.settings_from(raw["asked"]),
        part=entry["part"],
        stage=entry["stage"],
        coat=entry["coat"],
        airbag=entry["airbag"],
        position=entry["position"],
        shot=entry["shot"],
        files=tuple(_record_codec.plain_fields(KeptFile, kept) for kept in raw["files"]),
        carried=tuple(_carried(item) for item in raw["carried"]),
        hash=event.hash,
    )


def _set_asides(events: Sequence[Event]) -> tuple[SetAside, ...]:
    gone: dict[int | None, Withdrawal] = {}
    for event in events:
        if event.kind == "withdrawal":
            gone.setdefault(
                event.subject,
                Withdrawal(
                    number=event.number,
                    at=event.at,
                    by=event.by,
                    reason=json.loads(event.body)["reason"],
                ),
            )
    found = []
    for event in events:
        if event.kind == "set_aside":
            raw = json.loads(event.body)
            found.append(
                SetAside(
                    number=event.number,
                    at=event.at,
                    by=event.by,
                    reason=raw["reason"],
                    inspection=event.subject or 0,
                    file=raw["file"],
                    sha256=raw["photo_sha256"],
                    part=raw["part"],
                    region=raw["region"],
                    finding=_record_codec.finding_from(raw["finding"]),
                    withdrawn=gone.get(event.number),
                )
            )
    return tuple(found)


def _signature(event: Event) -> Signature:
    raw = json.loads(event.body)
    statement = json.loads(raw["statement"])
    return Signature(
        number=event.number,
        at=event.at,
        by=event.by,
        despite=statement["despite"],
        gate=tuple(statement["gate"]),
        files=tuple(_record_codec.plain_fields(KeptFile, kept) for kept in statement["files"]),
        public_key=raw["public_key"],
        signature=raw["signature"],
        statement=raw["statement"],
        hash=event.hash,
    )
