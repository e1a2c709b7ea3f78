"""The record's file: SQLite, one table of events that are only ever added, chained by hashes.

Each event is one transaction of its own, so that a process killed at any moment leaves every
finished event and no half of one. Each call opens the file and closes it again: nothing lingers
beside it afterwards, and the job folder can be copied while nobody writes.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fullhide.errors import JobError, OutputError
from fullhide.files import why

__all__ = [
    "EMPTY",
    "Event",
    "append",
    "damaged",
    "digest",
    "events",
    "last_hash",
    "now",
    "reading",
    "writing",
]

#: What the first event is chained to.
EMPTY = "0" * 64
#: How long one process waits for another that is writing, seconds (our own choice).
PATIENCE_S = 30.0
_HELD = ("is held by another process", "wait for it and try again")
_APPLICATION = 0x46484944  # "FHID", so that `file` and other programs can tell whose it is

#: What each version of the schema adds to the one before; `PRAGMA user_version` counts them.
MIGRATIONS = (
    """
    CREATE TABLE event (
        number   INTEGER PRIMARY KEY,
        kind     TEXT NOT NULL,
        at       TEXT NOT NULL,
        by       TEXT NOT NULL,
        subject  INTEGER REFERENCES event (number),
        body     TEXT NOT NULL CHECK (json_valid(body)),
        previous TEXT NOT NULL,
        hash     TEXT NOT NULL UNIQUE
    ) STRICT;
    CREATE TRIGGER event_is_kept BEFORE DELETE ON event
        BEGIN SELECT RAISE(ABORT, 'the record is only added to'); END;
    CREATE TRIGGER event_is_fixed BEFORE UPDATE ON event
        BEGIN SELECT RAISE(ABORT, 'the record is only added to'); END;
    CREATE TRIGGER event_is_chained BEFORE INSERT ON event
        WHEN new.number <> (SELECT coalesce(max(number), 0) + 1 FROM event)
          OR new.previous <> coalesce(
                (SELECT hash FROM event ORDER BY number DESC LIMIT 1),
                '0000000000000000000000000000000000000000000000000000000000000000')
        BEGIN SELECT RAISE(ABORT, 'the event does not follow the last one'); END;
    """,
    # Read off the body, so that they cannot say anything else than it does.
    """
    ALTER TABLE event ADD COLUMN file TEXT
        GENERATED ALWAYS AS (json_extract(body, '$.photo.file')) VIRTUAL;
    ALTER TABLE event ADD COLUMN sha256 TEXT
        GENERATED ALWAYS AS (json_extract(body, '$.photo.sha256')) VIRTUAL;
    CREATE INDEX event_photo ON event (kind, file, sha256, number);
    """,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One row of the record; `body` is JSON as it was hashed, `subject` another event's number."""

    number: int
    kind: str
    at: str
    by: str
    subject: int | None
    body: str
    previous: str
    hash: str


COLUMNS = "number, kind, at, by, subject, body, previous, hash"


def now() -> str:
    """The time in UTC, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def digest(
    *, number: int, kind: str, at: str, by: str, subject: int | None, body: str, previous: str
) -> str:
    """SHA-256 of all that an event says and of the event before it."""
    whole = json.dumps(
        [number, kind, at, by, subject, body, previous], ensure_ascii=False, separators=(",", ":")
    )
    return hashlib.sha256(whole.encode()).hexdigest()


def append(
    connection: sqlite3.Connection,
    *,
    kind: str,
    by: str,
    body: str,
    subject: int | None = None,
    at: str | None = None,
) -> Event:
    """Add an event within the transaction that `writing` began."""
    number, previous = _last(connection)
    number += 1
    at = at or now()
    seal = digest(
        number=number, kind=kind, at=at, by=by, subject=subject, body=body, previous=previous
    )
    row = (number, kind, at, by, subject, body, previous, seal)
    connection.execute(f"INSERT INTO event ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
    return Event(
        number=number,
        kind=kind,
        at=at,
        by=by,
        subject=subject,
        body=body,
        previous=previous,
        hash=seal,
    )


def last_hash(connection: sqlite3.Connection) -> str:
    """Hash of the last event, `EMPTY` if there is none."""
    return _last(connection)[1]


def _last(connection: sqlite3.Connection) -> tuple[int, str]:
    row = connection.execute(
        "SELECT number, hash FROM event ORDER BY number DESC LIMIT 1"
    ).fetchone()
    return (int(row[0]), str(row[1])) if row else (0, EMPTY)


def events(
    connection: sqlite3.Connection, where: str = "1", values: tuple[object, ...] = ()
) -> tuple[Event, ...]:
    """Events that meet an SQL condition, oldest first."""
    rows = connection.execute(
        f"SELECT {COLUMNS} FROM event WHERE {where} ORDER BY number", values
    ).fetchall()
    return tuple(
        Event(number=n, kind=k, at=at, by=by, subject=s, body=b, previous=p, hash=h)
        for n, k, at, by, s, b, p, h in rows
    )


@contextmanager
def writing(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction, made whole at the end or left out altogether.

    Raises
    ------
    OutputError
        If the record cannot be written: a full or read-only disk, or another process that holds
        it for longer than `PATIENCE_S`.
    JobError
        If the file is no record, or a newer fullhide's.
    """
    try:
        with closing(_opened(path, create=True)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                if connection.in_transaction:
                    connection.rollback()
                raise
            connection.execute("COMMIT")
    except sqlite3.OperationalError as error:
        raise _unwritable(path, error) from None
    except sqlite3.DatabaseError as error:
        raise damaged(path, error) from None


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """The record as it stands at one moment; an empty one if there is none.

    Raises
    ------
    JobError
        If the file is no record, is damaged, or is a newer fullhide's.
    """
    try:
        with _readable(path) as connection:
            connection.execute("BEGIN")
            yield connection
    except sqlite3.OperationalError as error:
        if _busy(error):
            raise JobError(path, *_HELD) from None
        raise damaged(path, error) from None
    except sqlite3.DatabaseError as error:
        raise damaged(path, error) from None
    except OSError as error:
        raise JobError(path, f"cannot be read ({why(error)})", "check the file") from None


@contextmanager
def _readable(path: Path) -> Iterator[sqlite3.Connection]:
    if not path.exists():
        with closing(_connected(":memory:")) as connection:
            _migrate(connection, path)
            yield connection
        return
    try:
        # A reader that may write tidies up after itself; one that may not leaves files about.
        connection = _opened(path, create=False)
    except sqlite3.OperationalError:
        # A folder that cannot be written to, such as a copy on a disc.
        with tempfile.TemporaryDirectory(prefix="fullhide-") as folder:
            copy = Path(folder) / path.name
            for end in ("", "-wal"):
                if Path(f"{path}{end}").exists():
                    shutil.copyfile(f"{path}{end}", f"{copy}{end}")
            with closing(_opened(copy, create=False)) as connection:
                yield connection
        return
    with closing(connection):
        yield connection


def _opened(path: Path, *, create: bool) -> sqlite3.Connection:
    """A connection with the newest schema; several processes may come here at once."""
    end = time.monotonic() + PATIENCE_S
    while True:
        connection: sqlite3.Connection | None = None
        try:
            uri = f"{path.absolute().as_uri()}?mode={'rwc' if create else 'rw'}"
            connection = _connected(uri)
            _ready(connection, path)
        except sqlite3.OperationalError as error:
            if connection is not None:
                connection.close()
            # Turning the file into a WAL file does not wait for others by itself.
            if not _busy(error) or time.monotonic() > end:
                raise
            time.sleep(0.002 + 0.02 * (os.getpid() % 7) / 7)
        except BaseException:
            if connection is not None:
                connection.close()
            raise
        else:
            return connection


def _connected(uri: str) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, timeout=PATIENCE_S, isolation_level=None)
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _ready(connection: sqlite3.Connection, path: Path) -> None:
    version = _version(connection)
    _check(connection, version, path)
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        connection.execute("PRAGMA journal_mode = WAL")
    # Each finished event survives a power cut, not only a crash of the process.
    connection.execute("PRAGMA synchronous = FULL")
    if version != len(MIGRATIONS):
        _migrate(connection, path)


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _check(connection: sqlite3.Connection, version: int, path: Path) -> None:
    owner = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if version > len(MIGRATIONS) and owner == _APPLICATION:
        raise JobError(path, "was written by a newer fullhide", "update fullhide")
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if owner != _APPLICATION and (tables or version):
        raise JobError(path, "is another program's database", "move it out of the job folder")


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _version(connection)  # another process may have been here first
        _check(connection, version, path)
        for step in MIGRATIONS[version:]:
            for statement in _statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute(f"PRAGMA application_id = {_APPLICATION}")
    except BaseException:
        if connection.in_transaction:
            connection.rollback()
        raise
    connection.execute("COMMIT")


def _statements(script: str) -> Iterator[str]:
    """The statements of a script; `executescript` would end the transaction around them."""
    statement = ""
    for piece in script.split(";"):
        statement += piece + ";"
        if sqlite3.complete_statement(statement):
            if statement.strip(" \n;"):
                yield statement
            statement = ""


def _busy(error: sqlite3.OperationalError) -> bool:
    return error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _unwritable(path: Path, error: sqlite3.OperationalError) -> OutputError:
    said = str(error).lower()
    if _busy(error):
        return OutputError(path, *_HELD)
    reason = {
        sqlite3.SQLITE_FULL: "the disk is full",
        sqlite3.SQLITE_READONLY: "it is read-only",
        sqlite3.SQLITE_CANTOPEN: "it is read-only or no file",
    }.get(error.sqlite_errorcode & 0xFF, said)
    return OutputError(
        path,
        f"cannot be written ({reason}); what it held is still there",
        "free some space or move the job to a disk that can be written to",
    )


def damaged(path: Path, error: Exception) -> JobError:
    """The error of a record that cannot be understood."""
    return JobError(path, f"is damaged or no record ({error})", "put back a copy of it")
