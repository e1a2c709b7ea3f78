"""Sign-off and proof: whether what the record rests on is still as it was.

Every event's hash covers the one before it, so that an event that was changed, removed or put in
afterwards shows, unless everything after it was made anew as well. Who keeps the seal that signing
prints (on paper, with the owner) can tell that, too; so can a signing key.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from fullhide import __version__, _record_codec, _record_store
from fullhide._gate import Asked, changes
from fullhide._proof_key import key_print, print_of, private_key, public_key, valid
from fullhide._record_store import Event
from fullhide.errors import JobError
from fullhide.files import why
from fullhide.job import JOB_FILE, Job
from fullhide.outlines import OUTLINES_FILE
from fullhide.record import Contents, KeptFile, Record, Signature
from fullhide.standing import RegionStanding, Standing, standing

__all__ = ["Altered", "Proof", "key_print", "sign", "verify"]

_SEAL_LENGTH = 64  # hexadecimal digits of a SHA-256


@dataclass(frozen=True, slots=True, kw_only=True)
class Altered:
    """One thing that is not as it was.

    Attributes
    ----------
    what
        ``"record"`` (an event), ``"photo"``, ``"settings"`` (job.toml or outlines against what
        was inspected), ``"signed"`` (a file against what was signed), or ``"signature"``.
    says
        Which, and how, in one sentence without a full stop.
    """

    what: Literal["record", "photo", "settings", "signed", "signature"]
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What `verify` found.

    Attributes
    ----------
    altered
        Empty if everything is as it was.
    notes
        What is no alteration and still worth knowing, one sentence each.
    events, files
        How many events and files were looked at.
    seal
        Hash of the last event.
    signature
        The newest signature; None without one.
    key
        SHA-256 of its public key, hexadecimal; empty without one.
    """

    altered: tuple[Altered, ...]
    notes: tuple[str, ...]
    events: int
    files: int
    seal: str
    signature: Signature | None = None
    key: str = ""

    @property
    def sound(self) -> bool:
        """Whether nothing was altered."""
        return not self.altered

    @property
    def chained(self) -> bool:
        """Whether the record itself is whole."""
        return all(item.what not in ("record", "signature") for item in self.altered)


def verify(job: Job, *, key: Path | None = None, seal: str | None = None) -> Proof:
    """Tell whether photos, outlines, job.toml or results were altered after the fact, and which.

    Parameters
    ----------
    job
        From `job.load_job`.
    key
        A PEM file with the Ed25519 key, public or private, that the newest signature must be of.
    seal
        A seal that was written down when signing: the record must still hold it.

    Raises
    ------
    JobError
        If there is no record, it cannot be read at all, or the key or the seal cannot be used.
    """
    if seal is not None:
        seal = _whole_seal(seal)
    record = Record(job.folder)
    if not record.path.exists():
        raise JobError(job.folder, "holds no record", "inspect the job first: fullhide inspect")
    events = record.events()
    altered = _chain(events)
    notes: list[str] = []
    if seal is not None and seal not in {event.hash for event in events}:
        says = "the record does not hold the given seal: it was made anew, or cut short"
        altered.append(Altered(what="record", says=says))
    whole = Proof(
        altered=tuple(altered),
        notes=(),
        events=len(events),
        files=0,
        seal=events[-1].hash if events else _record_store.EMPTY,
    )
    if altered:  # what an altered record says of files proves nothing
        return whole
    contents = record.read()
    hashes = _Hashes(job)
    altered += _photos(contents, hashes, notes) + _settings(job, contents, notes)
    newest = contents.signatures[-1] if contents.signatures else None
    altered += _signed(newest, contents, hashes, notes)
    altered += _signatures(events, contents, key)
    return Proof(
        altered=tuple(altered),
        notes=tuple(notes),
        events=len(events),
        files=len(hashes.found),
        seal=whole.seal,
        signature=newest,
        key=print_of(newest),
    )


def sign(
    job: Job, *, by: str, despite: str = "", key: Path | None = None
) -> tuple[Signature, Standing]:
    """Sign the job as it stands.

    Parameters
    ----------
    by
        Who signs.
    despite
        Why it is signed although something stands against it; every page shows it.
    key
        A PEM file with an Ed25519 private key, to sign with as well.

    Returns
    -------
    signature, standing
        What was added to the record, and the job's standing that it signs.

    Raises
    ------
    JobError
        If something stands against it and no reason is given, the record was altered, there is
        nothing to sign, or the key cannot be used.
    OutputError
        If the record cannot be written.
    """
    private = private_key(key) if key is not None else None
    proof = verify(job)
    if not proof.chained:
        says = next(item.says for item in proof.altered if item.what in ("record", "signature"))
        raise JobError(
            Record(job.folder).path, f"was altered: {says}", "nothing was signed; put back a copy"
        )
    now = standing(job)
    against = [item.says for item in proof.altered if item.what != "settings"]
    against += [_told(item.part, item.region, item.says) for item in now.gate.against]
    if against and not despite.strip():
        what = now.gate.says if now.gate.against else against[0]
        raise JobError(
            job.folder,
            f"is not signed: {what}",
            "see `fullhide status`, or give a reason with --despite",
        )
    at = _record_store.now()
    statement = _record_codec.dumped(
        {
            "job": job.name,
            "by": _record_codec.said("name", by),
            "at": at,
            "despite": _record_codec.said("reason", despite) if against else "",
            "gate": against,
            "files": [asdict(kept) for kept in _files(job)],
            "regions": [_region(region) for region in now.regions],
            "set_asides": [aside.number for aside in now.set_asides],
            "previous": proof.seal,
            "fullhide": __version__,
        }
    )
    body = {"statement": statement, "public_key": "", "signature": ""}
    if private is not None:
        body["public_key"] = private.public_key().public_bytes_raw().hex()
        body["signature"] = private.sign(statement.encode()).hex()
    signature = Record(job.folder).sign(body, by=by, at=at, after=now.last, seal=proof.seal)
    return signature, now


def _told(part: str | None, region: str | None, says: str) -> str:
    return ": ".join(text for text in (part, region, says) if text)


def _region(region: RegionStanding) -> dict[str, Any]:
    newest = region.newest
    return {
        "part": region.part,
        "region": region.name,
        "verdict": region.verdict,
        "stands": region.stands,
        "photo": newest.inspection.photo.sha256 if newest else None,
    }


def _files(job: Job) -> list[KeptFile]:
    """job.toml, the outlines, and every photo of the job, as they are now."""
    names = [JOB_FILE, OUTLINES_FILE]
    for entry in job.photos:
        names += [entry.file, *entry.also, *filter(None, [entry.grey_board])]
    found = []
    for name in dict.fromkeys(names):
        path = job.path(name)
        if path.is_file():
            found.append(KeptFile(file=name, sha256=_sha256(path), size=path.stat().st_size))
    return found


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise JobError(path, f"cannot be read ({why(error)})", "check the file") from None


class _Hashes:
    """SHA-256 of a job's files, each read once."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.found: dict[str, str | None] = {}

    def of(self, file: str) -> str | None:
        """None if the file is gone."""
        if file not in self.found:
            path = self.job.path(file)
            self.found[file] = _sha256(path) if path.is_file() else None
        return self.found[file]


def _whole_seal(text: str) -> str:
    """A seal as records hold it: one that lost letters on its way says nothing of the record."""
    seal = "".join(text.split()).lower()
    if len(seal) != _SEAL_LENGTH or not set(seal) <= set("0123456789abcdef"):
        raise JobError(
            "--seal",
            f"that is no whole seal ({len(seal)} characters)",
            f"a seal has {_SEAL_LENGTH}, 0 to 9 and a to f: give it as signing printed it",
        )
    return seal


def _chain(events: Sequence[Event]) -> list[Altered]:
    altered = []
    previous, number = _record_store.EMPTY, 0
    for event in events:
        own = asdict(event)
        seal = own.pop("hash")
        name = f"event {event.number} ({event.kind.replace('_', ' ')}, {event.at}, {event.by})"
        if event.number != number + 1:
            altered.append(f"something was removed before {name}")
        elif event.previous != previous:
            altered.append(f"what came before {name} was changed or replaced")
        if _record_store.digest(**own) != seal:
            altered.append(f"{name}{_about(event)} was changed")
        previous, number = seal, event.number
    return [Altered(what="record", says=says) for says in altered]


def _about(event: Event) -> str:
    """The photo that an event is about, as far as its altered text can still be read."""
    try:
        raw = json.loads(event.body)
        file = raw["photo"]["file"] if event.kind == "inspection" else raw["file"]
    except (ValueError, KeyError, TypeError):
        return ""
    return f" of `{file}`"


def _photos(contents: Contents, hashes: _Hashes, notes: list[str]) -> list[Altered]:
    """Photos, their `also` and grey boards against what their newest inspections read."""
    newest = {kept.photo.file: kept for kept in contents.newest}
    notes.extend(
        f"`{kept.photo.file}` was another photo until its inspection of "
        f"{newest[kept.photo.file].at}; the earlier one is no longer there"
        for kept in contents.newest
        if newest[kept.photo.file] is not kept
    )
    altered: dict[str, Altered] = {}
    for kept in newest.values():
        for file in kept.files:
            now = hashes.of(file.file)
            if now == file.sha256:
                continue
            how = "is gone" if now is None else f"is not the file that was inspected on {kept.at}"
            altered[file.file] = Altered(what="photo", says=f"`{file.file}` {how}")
    return list(altered.values())


def _settings(job: Job, contents: Contents, notes: list[str]) -> list[Altered]:
    newest = {kept.photo.file: kept for kept in contents.newest}
    listed = {entry.file for entry in job.photos}
    notes.extend(
        f"`{file}` was inspected and is no longer in job.toml" for file in newest.keys() - listed
    )
    altered = []
    asked = Asked.of(job)
    for kept in newest.values():
        # Photos are compared by what is in them, not by their sizes.
        found = changes(asked, kept, files=False)
        if found:
            says = f"of `{kept.photo.file}`, {' and '.join(found)} changed since its inspection"
            altered.append(Altered(what="settings", says=says))
    return altered


def _signed(
    newest: Signature | None, contents: Contents, hashes: _Hashes, notes: list[str]
) -> list[Altered]:
    """Files against the newest signature, while nothing was added after it."""
    if newest is None:
        return []
    if newest.number < contents.last_change:
        notes.append(
            f"what was signed on {newest.at} by {newest.by} has been added to since; sign again "
            "when it is done"
        )
        return []
    return [
        Altered(what="signed", says=f"`{file.file}` {_how(now)} since it was signed on {newest.at}")
        for file in newest.files
        if (now := hashes.of(file.file)) != file.sha256
    ]


def _how(now: str | None) -> str:
    return "is gone" if now is None else "was changed"


def _signatures(events: Sequence[Event], contents: Contents, key: Path | None) -> list[Altered]:
    wanted = public_key(key).public_bytes_raw().hex() if key is not None else None
    before = {event.number: event.previous for event in events}
    altered = []
    for signature in contents.signatures:
        said = json.loads(signature.statement)
        title = f"the signature of {signature.at} by {signature.by}"
        own = (before[signature.number], signature.at, signature.by)
        if tuple(said.get(name) for name in ("previous", "at", "by")) != own:
            altered.append(f"{title} is of another record")
        elif signature.public_key and not valid(signature):
            altered.append(f"{title} does not fit its key")
    if wanted is not None:
        newest = contents.signatures[-1] if contents.signatures else None
        if newest is None or newest.public_key != wanted:
            altered.append("the newest signature is not of the given key")
    return [Altered(what="signature", says=says) for says in altered]
