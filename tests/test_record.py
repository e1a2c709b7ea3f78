"""The record: kept whole, only added to, never lost; set-asides and who made them."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept_job import SEAM, SIZE, judged, keep, outline, photo, result, spot, write_job

from fullhide import _record_store
from fullhide._record_codec import dumped, photo_from, photo_json
from fullhide.errors import FullhideError, JobError, OutputError
from fullhide.job import Job
from fullhide.keeper import Keeper
from fullhide.record import Record
from fullhide.result import ChartResult, JobResult, PhotoResult, to_json

TESTS = Path(__file__).parent
ONE = judged("fail", spot(1, 4.0, (100.0, 100.0)))
PHOTO = PhotoResult(
    file="seat.jpg",
    sha256="ab" * 32,
    size_px=SIZE,
    mm_per_px=None,
    chart=ChartResult(found=True, corners_px=((1.0, 2.0), (3.0, 2.0), (3.0, 4.0), (1.0, 4.0))),
    quality={"flags": ["glare"], "also": [{"file": "b.jpg"}]},
)


@pytest.fixture
def job(tmp_path: Path) -> Job:
    for name in ("board.jpg", "seat_b.jpg"):
        (tmp_path / name).write_bytes(name.encode() * 3)
    shot = photo("seat.jpg", stage="coat", coat=3, grey_board="board.jpg", also=["seat_b.jpg"])
    return write_job(tmp_path, shot, limits="\n[limits]\nshow_through_mm2 = 1.5\n\n")


def raw(record: Record) -> sqlite3.Connection:
    return sqlite3.connect(record.path, isolation_level=None)


def test_an_inspection_is_kept_with_all_that_it_rests_on(job: Job) -> None:
    photo = result(job, "seat.jpg", ONE, quality={"flags": [], "taken": "2026:03:14 16:20:00"})
    added = Record(job.folder).add(
        job, photo, outlines=job.outlines, by="Robin", mm_per_px=0.2, at="2026-03-15T08:00:00Z"
    )
    (kept,) = Record(job.folder).inspections()
    assert kept.photo == photo
    assert (kept.under, kept.thread, kept.finish) == (job.under, job.thread, job.finish)
    assert (kept.chart, kept.limits) == (job.chart, job.limits)
    assert kept.limits.show_through_mm2 == 1.5
    assert (kept.part, kept.stage, kept.coat, kept.airbag) == ("bench", "coat", 3, False)
    assert (kept.at, kept.by, kept.shot) == (
        "2026-03-15T08:00:00Z",
        "Robin",
        "2026-03-14T16:20:00",
    )
    assert kept.mm_per_px_given == 0.2
    assert [(o.name, o.kind) for o in kept.outlines] == [("seat", "panel")]
    np.testing.assert_array_equal(kept.outlines[0].polygon, job.outlines[0].polygon)
    assert [f.file for f in kept.files] == ["seat.jpg", "seat_b.jpg", "board.jpg"]
    for file in kept.files:
        data = job.path(file.file).read_bytes()
        assert (file.sha256, file.size) == (hashlib.sha256(data).hexdigest(), len(data))
    assert kept.hash == added.hash


@given(
    area=st.floats(0.01, 1e5) | st.none(),
    at=st.tuples(st.floats(0, 800), st.floats(0, 600)),
    words=st.text(st.characters(codec="utf-8"), min_size=1),
)
def test_what_the_json_says_of_a_photo_comes_back_to_the_letter(area, at, words) -> None:
    region = judged("retake", spot(7, area, at, under=words), reasons=(words,), flags=("glare",))
    told = replace(PHOTO, regions=(region,))
    kept = photo_from(json.loads(dumped(photo_json(told))))
    whole = [to_json(JobResult(job="", fullhide="", photos=(p,))) for p in (told, kept)]
    assert whole[0] == whole[1]


def test_a_later_inspection_supersedes_and_leaves_the_earlier_one(job: Job) -> None:
    keep(job, "seat.jpg", ONE, by="Robin")
    keep(job, "seat.jpg", judged("pass"), by="Sam")
    record = Record(job.folder)
    assert [k.photo.regions[0].verdict for k in record.inspections("seat.jpg")] == ["fail", "pass"]
    newest = record.newest("seat.jpg")
    assert newest is not None
    assert (newest.by, newest.photo.regions[0].verdict) == ("Sam", "pass")
    contents = record.read()
    assert [k.number for k in contents.newest] == [2]
    assert contents.inspections == 2


def test_another_photo_under_the_same_name_is_a_photo_of_its_own(job: Job) -> None:
    keep(job, "seat.jpg", ONE)
    job.path("seat.jpg").write_bytes(b"shot again")
    keep(job, "seat.jpg", judged("pass"))
    assert len(Record(job.folder).read().newest) == 2


PUT_IN = "INSERT INTO event (number, kind, at, by, subject, body, previous, hash) SELECT "


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE event SET by = 'someone else' WHERE number = 1",
        "DELETE FROM event WHERE number = 2",
        PUT_IN.replace("INSERT", "REPLACE") + "1, kind, at, 'x', 1, body, previous, 'x' FROM event",
        PUT_IN + "9, kind, at, by, 1, body, hash, 'x' FROM event WHERE number = 2",
        PUT_IN + "3, kind, at, by, 1, body, 'x', 'y' FROM event WHERE number = 2",
        PUT_IN + "3, kind, at, by, 77, body, hash, 'y' FROM event WHERE number = 2",
        PUT_IN + "3, kind, at, by, 1, 'no JSON', hash, 'y' FROM event WHERE number = 2",
    ],
)
def test_the_file_itself_refuses_to_be_anything_but_added_to(job: Job, change: str) -> None:
    keep(job, "seat.jpg", ONE)
    keep(job, "seat.jpg", ONE)
    record = Record(job.folder)
    before = record.events()
    with closing(raw(record)) as connection:
        connection.execute("PRAGMA foreign_keys = ON")
        with pytest.raises(sqlite3.DatabaseError, match=r"only added|follow|FOREIGN|malformed"):
            connection.execute(change)
    assert record.events() == before


def test_each_event_carries_the_hash_of_all_that_came_before(job: Job) -> None:
    for by in ("Robin", "Sam", "Kim"):
        keep(job, "seat.jpg", ONE, by=by)
    previous = "0" * 64
    for event in Record(job.folder).events():
        # Written out once more from the format's description, not from the code.
        fields = [event.number, event.kind, event.at, event.by, event.subject, event.body, previous]
        text = json.dumps(fields, ensure_ascii=False, separators=(",", ":"))
        assert event.previous == previous
        assert event.hash == hashlib.sha256(text.encode()).hexdigest()
        previous = event.hash


def test_the_file_is_a_wal_database_that_nothing_is_left_beside(job: Job) -> None:
    keep(job, "seat.jpg", ONE)
    record = Record(job.folder)
    record.read()
    assert [path.name for path in job.folder.glob("inspections*")] == ["inspections.sqlite"]
    with closing(raw(record)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert connection.execute("PRAGMA user_version").fetchone()[0] == 2
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_job_without_a_record_has_an_empty_one_and_reading_makes_no_file(job: Job) -> None:
    record = Record(job.folder)
    assert record.inspections() == ()
    assert record.read().last == 0
    assert record.newest("seat.jpg") is None
    assert not record.path.exists()


def old_version(record: Record, version: int) -> None:
    """Write the record's events anew with an earlier schema."""
    events = record.events()
    record.path.unlink()
    with closing(raw(record)) as connection:
        for step in _record_store.MIGRATIONS[:version]:
            connection.executescript(step)
        for e in events:
            connection.execute(
                "INSERT INTO event (number, kind, at, by, subject, body, previous, hash) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (e.number, e.kind, e.at, e.by, e.subject, e.body, e.previous, e.hash),
            )
        connection.execute(f"PRAGMA user_version = {version}")
        connection.execute(f"PRAGMA application_id = {0x46484944}")


def test_a_record_of_the_first_schema_is_brought_up_with_every_event_as_it_was(job: Job) -> None:
    keep(job, "seat.jpg", ONE)
    keep(job, "seat.jpg", judged("pass"))
    record = Record(job.folder)
    before = record.events()
    old_version(record, 1)
    assert record.events() == before
    assert [k.photo.sha256 for k in record.inspections("seat.jpg")] == 2 * [
        hashlib.sha256(job.path("seat.jpg").read_bytes()).hexdigest()
    ]
    keep(job, "seat.jpg", ONE)
    assert record.read().inspections == 3
    with closing(raw(record)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == 2


def test_a_migration_that_breaks_off_leaves_the_old_record(job: Job, monkeypatch) -> None:
    keep(job, "seat.jpg", ONE)
    record = Record(job.folder)
    before = record.events()
    broken = (*_record_store.MIGRATIONS, "CREATE TABLE more (a); CREATE TABLE event (a);")
    with monkeypatch.context() as patch:
        patch.setattr(_record_store, "MIGRATIONS", broken)
        with pytest.raises(FullhideError):
            record.events()
    assert record.events() == before
    with closing(raw(record)) as connection:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    assert "more" not in names


def test_a_newer_fullhides_record_is_left_alone(job: Job) -> None:
    keep(job, "seat.jpg", ONE)
    record = Record(job.folder)
    with closing(raw(record)) as connection:
        connection.execute("PRAGMA user_version = 3")
    data = record.path.read_bytes()
    for use in (record.read, lambda: keep(job, "seat.jpg", ONE)):
        with pytest.raises(JobError, match="newer fullhide"):
            use()
    assert record.path.read_bytes() == data


@pytest.mark.parametrize("version", [0, 2])
def test_another_programs_database_is_left_alone(job: Job, version: int) -> None:
    record = Record(job.folder)
    with closing(raw(record)) as connection:
        connection.execute("CREATE TABLE theirs (a)")
        connection.execute(f"PRAGMA user_version = {version}")
    data = record.path.read_bytes()
    with pytest.raises(JobError, match="another program"):
        keep(job, "seat.jpg", ONE)
    assert record.path.read_bytes() == data


def test_a_damaged_record_is_one_line_and_stays_as_it_is(job: Job) -> None:
    record = Record(job.folder)
    data = b"no database at all, but long enough to look at" * 40
    record.path.write_bytes(data)
    for use in (record.read, lambda: keep(job, "seat.jpg", ONE)):
        with pytest.raises(JobError, match="damaged") as told:
            use()
        assert "\n" not in str(told.value)
    assert record.path.read_bytes() == data


# Two at once, killed, full, read-only


WRITER = """
import sys
from pathlib import Path
from kept_job import judged, keep
from fullhide.job import load_job
job = load_job(Path(sys.argv[1]))
print("ready", flush=True)
sys.stdin.readline()
for _ in range(25):
    keep(job, "seat.jpg", judged("pass"), by=sys.argv[2])
"""


def started(code: str, *arguments: str, **more: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        cwd=TESTS,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **more,  # type: ignore[call-overload]
    )


def test_two_processes_at_once_both_succeed(job: Job) -> None:
    writers = [started(WRITER, str(job.folder), by) for by in ("Robin", "Sam")]
    for writer in writers:  # both begin at once, or they would not meet
        assert writer.stdout is not None
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        assert writer.stdin is not None
        writer.stdin.write("go\n")
        writer.stdin.flush()
    for writer in writers:
        assert writer.communicate()[1] == ""
        assert writer.returncode == 0
    kept = Record(job.folder).inspections()
    assert [k.number for k in kept] == list(range(1, 51))
    assert sorted(k.by for k in kept) == 25 * ["Robin"] + 25 * ["Sam"]


def test_a_writer_holds_the_record_from_before_it_looks_at_the_last_event(job: Job) -> None:
    keep(job, "seat.jpg", ONE)
    path = Record(job.folder).path
    with _record_store.writing(path), closing(sqlite3.connect(path, timeout=0)) as other:
        other.isolation_level = None
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")


def test_a_kill_at_any_moment_loses_nothing_finished_and_leaves_no_half(tmp_path) -> None:
    done = subprocess.run(
        [sys.executable, "kill_writers.py", str(tmp_path), "60", "5"],
        cwd=TESTS,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout)
    assert {**counts, "events": 0} == {
        "kills": 60,
        "lost": 0,
        "half": 0,
        "unreadable": 0,
        "events": 0,
    }
    # Otherwise the kills came before there was anything to lose.
    assert counts["events"] > 60


LIMITED = """
import resource, signal, sys
from pathlib import Path
from kept_job import judged, keep, spot
from fullhide.errors import OutputError
from fullhide.job import load_job
job = load_job(Path(sys.argv[1]))
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
size = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
try:
    while True:
        keep(job, "seat.jpg", judged("fail", *(spot(n, 4.0, (9, 9)) for n in range(1, 60))))
        print("kept")
except OutputError as error:
    print(error)
"""


@pytest.mark.parametrize("size", [0, 4096, 30_000, 100_000])
def test_a_file_that_cannot_grow_is_one_line_and_what_it_held_is_still_there(job, size) -> None:
    keep(job, "seat.jpg", ONE, by="before")
    writer = started(LIMITED, str(job.folder), str(size))
    told, wrong = writer.communicate(timeout=60)
    assert (writer.returncode, wrong) == (0, "")
    *kept, error = told.splitlines()
    assert set(kept) <= {"kept"}
    assert "inspections.sqlite: cannot be written" in error
    found = Record(job.folder).inspections()
    assert len(found) == len(kept) + 1
    assert found[0].by == "before"
    keep(job, "seat.jpg", ONE, by="after")
    assert Record(job.folder).read().inspections == len(kept) + 2


@pytest.fixture
def full(monkeypatch) -> list[bool]:
    """A disk that is full while the list holds True."""
    state = [False]
    connect = _record_store._connected

    def limited(uri: str) -> sqlite3.Connection:
        connection = connect(uri)
        if state[0]:
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count = {max(1, pages)}")
        return connection

    monkeypatch.setattr(_record_store, "_connected", limited)
    return state


def big(area: float) -> object:
    return judged("fail", *(spot(n, area, (9.0, 9.0)) for n in range(1, 40)))


def test_a_full_disk_is_said_in_one_line(job: Job, full: list[bool]) -> None:
    keep(job, "seat.jpg", ONE)
    full[0] = True
    with pytest.raises(OutputError, match=r"the disk is full.*still there") as told:
        keep(job, "seat.jpg", big(4.0))
    assert "\n" not in str(told.value)
    full[0] = False
    assert len(Record(job.folder).inspections()) == 1


def test_what_a_full_disk_kept_back_is_written_as_soon_as_there_is_room(job, full) -> None:
    keep(job, "seat.jpg", ONE)
    keeper = Keeper(job, "Robin")
    full[0] = True
    keeper.keep(result(job, "seat.jpg", big(4.0)), job.outlines)
    keeper.keep(result(job, "seat.jpg", big(5.0)), job.outlines)
    (error,) = keeper.finish()
    assert "2 inspections are not kept" in str(error)
    assert "the disk is full" in str(error)
    full[0] = False
    assert keeper.finish() == ()
    areas = [k.photo.regions[0].findings[0].area_mm2 for k in Record(job.folder).inspections()]
    assert areas == [4.0, 4.0, 5.0]


@contextmanager
def nobody_special(folder: Path) -> Iterator[None]:
    """As a person who may not write everywhere: root may, whatever a file's mode says."""
    if os.geteuid() != 0:
        yield
        return
    for path in (folder, *folder.parents):
        if path.stat().st_uid == 0 and path != Path("/") and path.name.startswith("fullhide-test"):
            path.chmod(0o555)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_read_only_folder_is_one_line_to_write_and_can_still_be_read() -> None:
    with tempfile.TemporaryDirectory(prefix="fullhide-test") as name:
        folder = Path(name)
        job = write_job(folder, photo("seat.jpg"))
        keep(job, "seat.jpg", ONE)
        data = (folder / "inspections.sqlite").read_bytes()
        (folder / "inspections.sqlite").chmod(0o444)
        folder.chmod(0o555)
        try:
            with nobody_special(folder):
                with pytest.raises(OutputError, match="read-only") as told:
                    keep(job, "seat.jpg", ONE)
                assert "\n" not in str(told.value)
                assert len(Record(folder).inspections()) == 1
        finally:
            folder.chmod(0o755)
        assert (folder / "inspections.sqlite").read_bytes() == data


def test_a_record_that_another_process_does_not_let_go_is_one_line(job, monkeypatch) -> None:
    monkeypatch.setattr(_record_store, "PATIENCE_S", 0.05)
    keep(job, "seat.jpg", ONE)
    with closing(raw(Record(job.folder))) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match="held by another process"):
            keep(job, "seat.jpg", ONE)
        assert len(Record(job.folder).inspections()) == 1  # readers do not wait
        other.execute("ROLLBACK")


# Set aside


def test_a_finding_is_set_aside_with_a_reason_and_a_name_and_taken_back_again(job: Job) -> None:
    kept = keep(job, "seat.jpg", ONE)
    record = Record(job.folder)
    aside = record.set_aside(kept, "SEAT", 1, reason="a hair,\n wiped off", by="Robin")
    assert (aside.reason, aside.by, aside.region, aside.inspection) == (
        "a hair, wiped off",
        "Robin",
        "seat",
        kept.number,
    )
    assert aside.finding == ONE.findings[0]
    assert record.set_asides() == (aside,)
    back = record.withdraw(aside, reason="it is green after all", by="Sam")
    assert back.withdrawn is not None
    assert (back.withdrawn.by, back.withdrawn.reason) == ("Sam", "it is green after all")
    assert record.set_asides() == (back,)  # it stays on record
    assert record.inspections()[0].photo == kept.photo  # and nothing else was touched


@pytest.mark.parametrize(
    ("reason", "by", "region", "finding", "says"),
    [
        ("", "Robin", "seat", 1, "reason"),
        (" \n", "Robin", "seat", 1, "reason"),
        ("a hair", "", "seat", 1, "name"),
        ("a hair", "Robin", "seat", 2, "no finding 2"),
        ("a hair", "Robin", "back", 1, "no finding 1"),
    ],
)
def test_no_set_aside_without_reason_name_and_finding(
    job, reason, by, region, finding, says
) -> None:
    kept = keep(job, "seat.jpg", ONE)
    with pytest.raises(JobError, match=says):
        Record(job.folder).set_aside(kept, region, finding, reason=reason, by=by)
    assert Record(job.folder).set_asides() == ()


@pytest.mark.parametrize(
    ("changes", "region", "other_photo", "covered"),
    [
        ({}, "seat", False, True),
        ({"id": 5, "area_mm2": 4.4, "centre_px": (101.0, 99.0)}, "Seat", False, True),
        ({"centre_px": (200.0, 100.0), "box_px": (195, 95, 205, 105)}, "seat", False, False),
        ({"under": "white coat"}, "seat", False, False),
        ({"kind": "thin_coat"}, "seat", False, False),
        ({}, "back", False, False),
        ({}, "seat", True, False),
    ],
)
def test_a_set_aside_holds_for_that_spot_of_that_photo_only(
    job, changes, region, other_photo, covered
) -> None:
    kept = keep(job, "seat.jpg", ONE)
    aside = Record(job.folder).set_aside(kept, "seat", 1, reason="a hair", by="Robin")
    sha = "0" * 64 if other_photo else kept.photo.sha256
    assert aside.covers(sha, region, replace(ONE.findings[0], **changes)) is covered


def test_a_photo_that_is_not_the_jobs_is_refused(job: Job) -> None:
    with pytest.raises(JobError, match="none of the job's"):
        Record(job.folder).add(job, result(job, "board.jpg"), outlines=(), by="Robin")


def test_seams_keep_their_outline_and_holes(tmp_path: Path) -> None:
    feature = outline("seat.jpg", "front seam", SEAM, "seam")
    feature["geometry"]["coordinates"].append(
        [[100, 440], [120, 440], [120, 460], [100, 460], [100, 440]]
    )
    job = write_job(tmp_path, photo("seat.jpg"), outlines=[feature])
    keep(job, "seat.jpg", judged("pass", name="front seam", kind="seam"))
    kept = Record(tmp_path).inspections()[0].outline("front seam")
    assert kept is not None
    np.testing.assert_array_equal(kept.holes[0], job.outlines[0].holes[0])
