"""The command and the record: inspections kept, rounds told, where a job stands, set-asides."""

from __future__ import annotations

import json
import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from kept_job import PART, judged, photo, result, spot, write_job

from fullhide import __version__, cli
from fullhide.console import SCOPE
from fullhide.job import Job
from fullhide.record import Record
from fullhide.result import JobResult, RegionResult
from fullhide.wording import AIRBAG_REFER, flag_reasons, spots_reason, thin_reason

Run = Callable[..., tuple[int, str, str]]
SPOT = spot(1, 37.0, (100.0, 100.0))
LARGE = spot(2, 9.0, (400.0, 300.0))
SHOT_AGAIN = (
    photo("seat.jpg") + "shot = 2026-03-14T09:00:00\n",
    photo("seat_2.jpg") + "shot = 2026-03-14T15:00:00\n",
)


@pytest.fixture
def says() -> dict[str, RegionResult]:
    """What the paper engine says of each photo; `seat.jpg` fails unless a test says otherwise."""
    return {"seat.jpg": judged("fail", SPOT, LARGE)}


@pytest.fixture
def run(monkeypatch, capfd, tmp_path: Path, says: dict[str, RegionResult]) -> Run:
    """Run the command beside the job `job`; give back status, output and errors."""

    def inspect_job(job: Job, *, mm_per_px=None, on_photo=None, progress=None) -> JobResult:
        photos = []
        for entry in job.photos:
            found = result(job, entry.file, says[entry.file])
            photos.append(found)
            on_photo(found, types.SimpleNamespace(outlines=job.outlines_of(entry.file)))
            progress()
        return JobResult(job=job.name, fullhide=__version__, photos=tuple(photos))

    module = types.ModuleType("fullhide.engine")
    module.inspect_job = inspect_job  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fullhide.engine", module)
    monkeypatch.chdir(tmp_path)
    write_job(tmp_path / "job", SHOT_AGAIN[0])

    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            cli.main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        return int(caught.value.code or 0), out, err

    return call


def kept() -> list[tuple[str, str]]:
    return [(one.photo.file, one.by) for one in Record(Path("job")).inspections()]


def test_inspect_keeps_what_it_found_and_who_inspected(run: Run) -> None:
    assert run("inspect", "job", "--by", "Robin")[0] == 1
    assert run("inspect", "job", "--by", "Sam")[0] == 1
    assert kept() == [("seat.jpg", "Robin"), ("seat.jpg", "Sam")]


def test_inspect_keeps_the_login_name_where_none_is_given(run: Run, monkeypatch) -> None:
    monkeypatch.setenv("LOGNAME", "kim")
    run("inspect", "job")
    assert kept() == [("seat.jpg", "kim")]


def test_inspect_can_be_told_to_keep_nothing(run: Run) -> None:
    assert run("inspect", "job", "--no-record")[0] == 1
    assert not Path("job/inspections.sqlite").exists()


def test_photos_outside_a_job_are_not_kept(run: Run, says) -> None:
    Path("loose.jpg").write_bytes(b"loose")
    says["loose.jpg"] = judged("pass")
    assert run("inspect", "loose.jpg")[0] == 0
    assert not list(Path().rglob("inspections.sqlite*"))


def test_the_record_is_never_overwritten_by_the_json(run: Run) -> None:
    run("inspect", "job")
    status, _, err = run("inspect", "job", "--json", "job/inspections.sqlite")
    assert (status, err.count("\n")) == (2, 1)
    assert "is part of the job" in err
    assert len(kept()) == 1


def test_a_record_that_cannot_be_written_is_one_line_and_the_verdicts_are_shown(run: Run) -> None:
    Path("job/inspections.sqlite").write_bytes(b"something else entirely" * 99)
    status, out, err = run("inspect", "job", "--json", "result.json")
    assert (status, err.count("\n")) == (2, 1)
    assert "1 fail" in out
    assert "not kept" in err
    assert json.loads(Path("result.json").read_text())["photos"][0]["file"] == "seat.jpg"


def test_inspect_answers_the_earlier_spots_by_itself(run: Run, says) -> None:
    _, out, _ = run("inspect", "job")
    assert "round" not in out
    write_job(Path("job"), *SHOT_AGAIN)
    says["seat_2.jpg"] = judged("fail", spot(1, 12.0, (100.0, 100.0)), spot(2, 3.0, (250.0, 200.0)))
    _, out, _ = run("inspect", "job")
    lines = out.splitlines()
    place = next(number for number, line in enumerate(lines) if "round 2" in line)
    assert lines[place : place + 4] == [
        "bench: seat, seat_2.jpg: round 2; of 2 earlier spots 1 gone, 1 smaller; 1 new.",
        "    1  smaller      old green, 37 mm² to 12 mm², finding 1",
        "    2  gone         old green, 9.0 mm²",
        "    3  new          old green, 3.0 mm², finding 2",
    ]


def test_a_spot_that_was_not_judged_says_why(run: Run, says) -> None:
    run("inspect", "job")
    write_job(Path("job"), *SHOT_AGAIN)
    says["seat_2.jpg"] = judged("retake", flags=("out_of_focus",))
    _, out, _ = run("inspect", "job")
    assert "    1  not judged   old green, 37 mm²: the new photo cannot decide here\n" in out


def test_more_spots_than_anybody_reads_are_counted(run: Run, says) -> None:
    many = [spot(n, 2.0, (70.0 + 15 * n, 100.0)) for n in range(1, 26)]
    says["seat.jpg"] = judged("fail", *many)
    run("inspect", "job")
    write_job(Path("job"), *SHOT_AGAIN)
    says["seat_2.jpg"] = judged("pass")
    _, out, _ = run("inspect", "job")
    assert "round 2; of 25 earlier spots 25 gone.\n" in out
    assert out.count(" gone  ") == 20
    assert "  and 5 more: see the report\n" in out


def test_status_says_what_stands_against_it(run: Run) -> None:
    run("inspect", "job")
    status, out, err = run("status", "job")
    assert (status, err) == (1, "")
    assert out.splitlines() == [
        "bench",
        "  fail       seat  seat.jpg",
        "             - why it is fail",
        "CLOSED  Kestrel, galley bench: not to be reassembled yet: 1 region fails.",
        SCOPE,
    ]


def test_status_gives_every_reason_to_whoever_does_the_work(run: Run, says) -> None:
    says["seat.jpg"] = judged("fail", SPOT, reasons=("spots: touch up", "thin: another coat."))
    run("inspect", "job")
    _, out, _ = run("status", "job")
    assert "             - spots: touch up\n             - thin: another coat\n" in out


def test_a_pass_that_something_else_stands_against_is_not_told_as_one(run: Run, says) -> None:
    write_job(Path("job"), photo("seat.jpg", stage="coat", coat=2))
    says["seat.jpg"] = judged("pass")
    run("inspect", "job")
    status, out, _ = run("status", "job")
    assert status == 3
    assert "  not yet    seat  seat.jpg\n             - last shot after coat 2" in out


def test_status_says_when_it_may_be_reassembled(run: Run, says) -> None:
    says["seat.jpg"] = judged("pass")
    run("inspect", "job")
    status, out, _ = run("status", "job")
    assert status == 0
    assert "OPEN  Kestrel, galley bench: may be reassembled.\n" in out


def test_status_of_a_job_that_was_never_inspected(run: Run) -> None:
    status, out, _ = run("status", "job")
    assert status == 3
    assert "  missing    seat\n             - no photo shows it" in out
    assert "! photo `seat.jpg` was not inspected: run `fullhide inspect`" in out
    assert not Path("job/inspections.sqlite").exists()


def test_status_as_json_is_all_there_is_on_standard_output(run: Run) -> None:
    run("inspect", "job")
    status, out, _ = run("status", "job", "--json", "-")
    assert status == 1
    assert json.loads(out)["gate"]["open"] is False
    assert run("status", "job", "--json", "status.json")[0] == 1
    assert json.loads(Path("status.json").read_text())["gate"]["open"] is False


@pytest.mark.parametrize("command", ["status", "set-aside"])
def test_a_folder_without_a_job_is_one_line(run: Run, command: str) -> None:
    Path("empty").mkdir()
    more = ["a.jpg", "seat", 1, "--reason", "x", "--by", "y"] if command == "set-aside" else []
    status, _, err = run(command, "empty", *more)
    assert (status, err.count("\n")) == (2, 1)
    assert "holds no job.toml" in err


def test_a_problem_of_the_job_is_said_and_is_the_exit_status(run: Run) -> None:
    run("inspect", "job")
    write_job(Path("job"), photo("seat.jpg"), photo("gone.jpg"))
    Path("job/gone.jpg").unlink()
    status, out, err = run("status", "job")
    assert (status, err.count("\n")) == (2, 1)
    assert "gone.jpg" in err
    assert "CLOSED" in out


# Set aside


def aside(run: Run, number: int, *more: object, reason: str = "a hair") -> tuple[int, str, str]:
    return run(
        "set-aside", "job", "seat.jpg", "seat", number, "--reason", reason, "--by", "Robin", *more
    )


def test_findings_set_aside_are_shown_and_counted_everywhere(run: Run) -> None:
    run("inspect", "job")
    assert aside(run, 1)[0] == 0
    assert run("status", "job")[0] == 1  # one is left
    aside(run, 2, reason="thread end, cut off")
    status, out, _ = run("status", "job")
    assert status == 0
    assert "  set aside  seat  seat.jpg\n" in out
    assert "- finding 1 (old green, 37 mm²) set aside by Robin: a hair\n" in out
    assert "- finding 2 (old green, 9.0 mm²) set aside by Robin: thread end, cut off\n" in out
    assert "2 findings are set aside" in out
    assert "may be reassembled, 1 region only because findings were set aside" in out
    # Inspected again the engine says what it saw, and beside it what was set aside.
    status, out, _ = run("inspect", "job")
    assert status == 1
    assert "bench: seat, seat.jpg: finding 1 (old green, 37 mm²) set aside by Robin: a hair." in out


def test_a_set_aside_can_be_taken_back(run: Run) -> None:
    run("inspect", "job")
    aside(run, 1)
    aside(run, 2)
    assert aside(run, 2, "--back", reason="it is green after all")[0] == 0
    assert run("status", "job")[0] == 1
    status, _, err = aside(run, 2, "--back")
    assert (status, err.count("\n")) == (2, 1)
    assert "is not set aside" in err


def test_nothing_is_set_aside_that_is_not_there(run: Run) -> None:
    status, _, err = aside(run, 1)
    assert (status, err.count("\n")) == (2, 1)
    assert "was never inspected" in err
    run("inspect", "job")
    status, _, err = aside(run, 7)
    assert (status, err.count("\n")) == (2, 1)
    assert "has no finding 7" in err


def test_the_airbag_notice_goes_with_the_part(run: Run, says: dict[str, Any]) -> None:
    write_job(Path("job"), photo("seat.jpg"), parts=PART + "airbag = true\n")
    run("inspect", "job")
    signed = run("sign", "job", "--by", "Robin", "--despite", "wanted today")[1]
    for out in (run("status", "job")[1], signed):
        assert "bench: This region may contain an airbag or tear seam." in out
        assert "cannot tell whether a seam will open correctly" in out


def test_status_repeats_no_advice_from_before_an_airbag_was_known_of(run: Run, says) -> None:
    why = (
        spots_reason("old green", [(37.0, None)], sure=True, airbag=False),
        thin_reason("old green", [9.0], sure=True, airbag=False),
        *flag_reasons(["odd_patch", "grain_hides"]),
    )
    says["seat.jpg"] = judged("fail", SPOT, LARGE, reasons=why)
    run("inspect", "job")
    _, before, _ = run("status", "job")
    assert before.count("touch up and shoot") == before.count("touch it up") == 1
    assert before.count("another coat") == 1
    write_job(Path("job"), SHOT_AGAIN[0], parts=PART + "airbag = true\n")
    for told in (run("status", "job")[1], run("status", "job", "--json", "-")[1]):
        assert "touch" not in told
        assert "another coat" not in told
        assert "old green shows through" in told
        assert "take it again from nearer" in told  # the photo that settles it is still asked for
        assert AIRBAG_REFER in told
