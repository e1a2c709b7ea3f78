"""The command, with an engine of paper: what it prints, writes and answers."""

from __future__ import annotations

import errno
import io
import json
import os
import subprocess
import sys
import types
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from fullhide import __version__, cli
from fullhide.console import SCOPE
from fullhide.errors import PhotoError
from fullhide.files import write_bytes
from fullhide.job import Job
from fullhide.pictures import picture_names
from fullhide.report.write import Written
from fullhide.result import ChartResult, Finding, JobResult, PhotoResult, RegionResult, to_json

Run = Callable[..., tuple[int, str, str]]
VERDICTS: dict[str, Any] = {"good": "pass", "bad": "fail", "dim": "retake", "old": None}
JOB = 'name = "Kestrel"\n' + "".join(
    f'[[photo]]\nfile = "photos/{name}.jpg"\npart = "bench"\n' for name in ("good", "bad", "dim")
)


def paper_result(file: str) -> PhotoResult:
    """Judge a photo by its name alone."""
    finding = Finding(
        id=3,
        kind="show_through",
        under="old green",
        area_mm2=14.0,
        delta_e=6.0,
        share=0.5,
        centre_px=(2.0, 1.0),
        box_px=(1, 1, 3, 2),
    )
    verdict = VERDICTS[Path(file).stem.split("-")[0]]
    region = RegionResult(
        name="seat",
        part="bench",
        kind="panel",
        proposed=False,
        verdict=verdict,
        reasons=(f"reason for {verdict} [red]not markup[/red].",),
        findings=(finding,) if verdict == "fail" else (),
    )
    return PhotoResult(
        file=file,
        sha256="0" * 64,
        size_px=(6, 4),
        mm_per_px=0.1,
        chart=ChartResult(found=False),
        regions=(region,),
    )


def paper_engine(seen: dict[str, Any]) -> types.ModuleType:
    def inspect_job(
        job: Job,
        *,
        mm_per_px: float | None = None,
        on_photo: Callable[..., None] | None = None,
        progress: Callable[..., None] | None = None,
    ) -> JobResult:
        seen.update(job=job, mm_per_px=mm_per_px)
        photos, problems = [], list(job.problems)
        for entry in job.photos:
            path = job.path(entry.file)
            if path.read_bytes() == b"broken":
                problems.append(PhotoError(path, "is no photo", "take it again"))
                continue
            result = paper_result(entry.file)
            photos.append(result)
            labels = np.zeros((4, 6), np.uint16)
            labels[1, 1:3] = 3000
            if on_photo:
                on_photo(result, types.SimpleNamespace(label_map=labels, photo=path, outlines=()))
            if progress:
                progress(entry.file)
        return JobResult(
            job=job.name, fullhide=__version__, photos=tuple(photos), problems=tuple(problems)
        )

    module = types.ModuleType("fullhide.engine")
    module.inspect_job = inspect_job  # type: ignore[attr-defined]
    return module


def paper_overlay() -> types.ModuleType:
    module = types.ModuleType("fullhide.overlay")

    def save_overlay(path: Path, *, photo: Any, result: PhotoResult, **_: Any) -> None:
        write_bytes(path, f"overlay of {photo} {result.file}".encode())

    module.save_overlay = save_overlay  # type: ignore[attr-defined]
    return module


@pytest.fixture
def seen() -> dict[str, Any]:
    """What the engine was asked."""
    return {}


@pytest.fixture
def run(
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    tmp_path: Path,
    seen: dict[str, Any],
) -> Run:
    """Run the command in an empty folder; give back status, output and errors."""
    monkeypatch.setitem(sys.modules, "fullhide.engine", paper_engine(seen))
    monkeypatch.setitem(sys.modules, "fullhide.overlay", paper_overlay())
    monkeypatch.chdir(tmp_path)

    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            cli.main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        assert isinstance(caught.value.code, int)
        return caught.value.code, out, err

    return call


def make_job(folder: Path, text: str = JOB) -> Path:
    (folder / "photos").mkdir(parents=True)
    for name in ("good", "bad", "dim"):
        (folder / "photos" / f"{name}.jpg").write_bytes(b"x")
    (folder / "job.toml").write_text(text)
    return folder


def names(folder: str) -> list[str]:
    return sorted(path.name for path in Path(folder).iterdir())


def one_line(err: str) -> str:
    assert err.endswith("\n")
    assert err.count("\n") == 1
    assert err.startswith("fullhide: ")
    return err


@pytest.mark.parametrize(
    ("photos", "status"), [("good", 0), ("good bad dim", 1), ("good dim", 3), ("old", 3)]
)
def test_the_exit_status_is_the_jobs(run: Run, photos: str, status: int) -> None:
    for name in photos.split():
        Path(f"{name}.jpg").write_bytes(b"x")
    assert run("inspect", *(f"{name}.jpg" for name in photos.split()))[0] == status


def test_a_pipe_gets_one_plain_line_a_region(run: Run, tmp_path: Path) -> None:
    _, out, err = run("inspect", make_job(tmp_path / "job"))
    lines = out.splitlines()
    assert [line.split()[:2] for line in lines[:3]] == [
        ["pass", "photos/good.jpg"],
        ["fail", "photos/bad.jpg"],
        ["retake", "photos/dim.jpg"],
    ]
    assert "bench: seat" in lines[1]
    assert lines[1].endswith("Reason for fail [red]not markup[/red].")
    assert lines[3].startswith("1 pass, 1 fail, 1 retake. Next: do what is said beside")
    assert lines[4] == SCOPE
    assert len(lines) == 5
    assert out.isascii()
    assert "\x1b" not in out
    assert err == ""


class Terminal(io.StringIO):
    """A stream that says a person watches."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


def test_a_terminal_gets_a_table_and_a_bar_that_goes_away(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, err = Terminal(), Terminal()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    assert run("inspect", make_job(tmp_path / "job"))[0] == 1
    for word in ("Photo", "Region", "Verdict", "Why", "PASS", "FAIL", "RETAKE", "[red]not markup"):
        assert word in out.getvalue()
    assert "\x1b[" in out.getvalue()
    assert "photos" in err.getvalue()
    assert max(len(line) for line in out.getvalue().splitlines()) < 300


def test_json_on_standard_output_stands_alone(run: Run, tmp_path: Path) -> None:
    status, out, err = run("inspect", make_job(tmp_path / "job"), "--json", "-")
    data = json.loads(out)
    assert (status, err) == (1, "")
    assert data["job"] == "Kestrel"
    assert [photo["file"] for photo in data["photos"]] == [
        f"photos/{name}.jpg" for name in ("good", "bad", "dim")
    ]
    assert (
        data["photos"][1]
        == to_json(JobResult(job="", fullhide="", photos=(paper_result("photos/bad.jpg"),)))[
            "photos"
        ][0]
    )


def test_everything_asked_for_is_written(run: Run, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job")
    run("inspect", job, "--json", "new/r.json", "--masks", "m", "--overlays", "a/o")
    assert json.loads(Path("new/r.json").read_text())["schema"] == 1
    assert names("m") == [f"{name}.findings.png" for name in ("bad", "dim", "good")]
    assert names("a/o") == [f"{name}.overlay.png" for name in ("bad", "dim", "good")]
    mask = cv2.imread("m/bad.findings.png", cv2.IMREAD_UNCHANGED)
    assert mask is not None
    assert (mask.dtype, mask.shape, mask.max(), (mask > 0).sum()) == (np.uint16, (4, 6), 3000, 2)


def test_two_jobs_are_one_result_whose_photos_cannot_be_confused(run: Run, tmp_path: Path) -> None:
    first, second = make_job(tmp_path / "one"), make_job(tmp_path / "two")
    status, out, _ = run("inspect", "one", "two", "--json", "-", "--masks", "m")
    data = json.loads(out)
    assert (status, data["job"]) == (1, "Kestrel; Kestrel")
    assert [photo["file"] for photo in data["photos"]][::3] == [
        "one/photos/good.jpg",
        "two/photos/good.jpg",
    ]
    assert len(names("m")) == 6
    assert first != second


def test_options_for_photos_reach_the_engine(run: Run, seen: dict[str, Any]) -> None:
    Path("good.jpg").write_bytes(b"x")
    run(
        *("inspect", "good.jpg", "--under", "old green=38,-28,9", "--under", "93,-0.5,2"),
        *("--finish=46,21,28", "--mm-per-px", "0.05", "--chart-width-mm", "205"),
        *("--chart-edition", "before-2014"),
    )
    job = seen["job"]
    assert [(colour.name, colour.lab) for colour in job.under] == [
        ("old green", (38.0, -28.0, 9.0)),
        ("under 2", (93.0, -0.5, 2.0)),
    ]
    assert job.finish.lab == (46.0, 21.0, 28.0)
    assert (job.chart.edition, job.chart.width_mm) == ("before-2014", 205.0)
    assert seen["mm_per_px"] == 0.05


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--under", "38,-28"], "is no colour"),
        (["--under", "a,b,c"], "is no colour"),
        (["--under", "nan,0,0"], "is no colour"),
        (["--under", "=1,2,3"], "is no colour"),
        (["--finish", "-5,0,0"], "is no colour"),
        (["--finish=-5,0,0"], "is no colour"),
        (["--under", "a=1,2,3", "--under", "A=4,5,6"], "two colours are named"),
        (["--mm-per-px", "0"], "is no size"),
        (["--mm-per-px", "nan"], "is no size"),
        (["--mm-per-px", "wide"], "--mm-per-px"),
        (["--chart-width-mm", "-3"], "is no size"),
        (["--chart-edition", "2014"], "after-2014 or before-2014"),
        (["--maks", "x"], "--masks"),
        (["--json", "."], "is a folder"),
        (["--json", "good.jpg"], "is part of the job"),
        (["--json", "good.jpg/x.json"], "not a folder"),
        (["--masks", "good.jpg"], "is a file, not a folder"),
        (["--overlays", "good.jpg/x"], "cannot be made"),
    ],
)
def test_a_wrong_option_is_one_line_and_nothing_is_done(
    run: Run, seen: dict[str, Any], arguments: list[str], expected: str
) -> None:
    Path("good.jpg").write_bytes(b"x")
    status, out, err = run("inspect", "good.jpg", *arguments)
    assert (status, out) == (2, "")
    assert expected in one_line(err)
    assert seen == {}
    assert names(".") == ["good.jpg"]
    assert Path("good.jpg").read_bytes() == b"x"


def test_options_for_photos_are_refused_with_a_job_folder(run: Run, tmp_path: Path) -> None:
    status, _, err = run("inspect", make_job(tmp_path / "job"), "--under", "1,2,3")
    assert status == 2
    assert "outside a job folder" in one_line(err)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ([], "fullhide inspect --help"),
        (["gone.jpg"], "gone.jpg: is not there"),
        (["."], "holds no job.toml"),
        (["gone/job.toml"], "is not there"),
    ],
)
def test_a_target_that_is_nothing_is_one_line(
    run: Run, arguments: list[str], expected: str
) -> None:
    status, _, err = run("inspect", *arguments)
    assert status == 2
    assert expected in one_line(err)


def test_a_name_that_would_steer_the_terminal_is_defused(run: Run) -> None:
    Path("good-\x1b[31m.jpg").write_bytes(b"x")
    status, out, err = run("inspect", "good-\x1b[31m.jpg", "gone\x1b[2J\n.jpg")
    assert status == 2
    assert "\x1b" not in out + err
    assert "gone?[2J" in one_line(err)


def test_one_bad_job_photo_or_target_stops_no_other(run: Run, tmp_path: Path) -> None:
    job = make_job(tmp_path / "job")
    (job / "photos" / "dim.jpg").write_bytes(b"broken")
    wrong = make_job(tmp_path / "wrong", JOB.replace("name", "nmae", 1))
    Path("good.jpg").write_bytes(b"x")
    status, out, err = run("inspect", wrong, job, "good.jpg", "gone.jpg", "--masks", "m")
    assert status == 2
    assert [line.split(": ")[2].split(" ")[0] for line in err.splitlines()] == [
        "unknown",
        "is",
        "is",
    ]
    assert [line.split()[0] for line in out.splitlines()[:3]] == ["pass", "fail", "pass"]
    assert "3 inputs could not be used" in out
    assert len(names("m")) == 3


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights are another matter on Windows")
def test_a_folder_without_the_right_to_write_is_refused(
    run: Run, seen: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("good.jpg").write_bytes(b"x")
    Path("locked").mkdir(mode=0o555)
    if os.geteuid() == 0:  # root may write anywhere: play what others would be told
        monkeypatch.setattr(os, "access", lambda *_: False)
    status, _, err = run("inspect", "good.jpg", "--masks", "locked")
    assert (status, seen) == (2, {})
    assert "cannot be written to" in one_line(err)


def test_a_disk_that_fills_up_is_one_line_and_the_verdicts_still_come(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = make_job(tmp_path / "job")
    real, calls = Path.replace, []

    def fills_up(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(self, target)

    monkeypatch.setattr(Path, "replace", fills_up)
    status, out, err = run("inspect", job, "--masks", "m")
    assert status == 2
    assert "no space left on device" in one_line(err)
    assert [line.split()[0] for line in out.splitlines()[:3]] == ["pass", "fail", "retake"]
    assert names("m") == ["good.findings.png"]


def test_json_that_cannot_be_written_is_one_line_after_the_verdicts(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("good.jpg").write_bytes(b"x")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", full)
    status, out, err = run("inspect", "good.jpg", "--json", "r.json")
    assert status == 2
    assert "r.json: cannot be written" in one_line(err)
    assert out.startswith("pass")
    assert names(".") == ["good.jpg"]


def test_stopping_by_hand_is_one_line(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    Path("good.jpg").write_bytes(b"x")

    def stop(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(sys.modules["fullhide.engine"], "inspect_job", stop)
    status, out, err = run("inspect", "good.jpg")
    assert (status, out) == (130, "")
    assert "stopped" in one_line(err)


@pytest.mark.parametrize("arguments", [["--help"], ["inspect", "good.jpg", "--json", "-"]])
def test_a_reader_that_leaves_early_is_no_traceback_and_no_verdict(
    arguments: list[str], tmp_path: Path
) -> None:
    (tmp_path / "good.jpg").write_bytes(b"no photo at all")
    command = [sys.executable, "-m", "fullhide", *arguments]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        err = process.stderr.read()
    assert "Traceback" not in err
    assert "Exception" not in err
    # Neither 0, all pass, nor 1, a region fails: nobody can have read a verdict.
    assert process.returncode == 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the always-full device of Linux")
@pytest.mark.parametrize("arguments", [[], ["--json", "-"]])
def test_standard_output_on_a_full_disk_is_one_line(arguments: list[str], tmp_path: Path) -> None:
    (tmp_path / "text.jpg").write_bytes(b"no photo at all")
    command = [sys.executable, "-m", "fullhide", "inspect", "text.jpg", *arguments]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, cwd=tmp_path, text=True, check=False
        )
    assert done.returncode == 2
    assert done.stderr.splitlines()[1:] == [
        "fullhide: standard output: cannot be used (no space left on device)"
    ]


@pytest.mark.parametrize("arguments", [[], ["--help"], ["-h"]])
def test_help_teaches_the_job_the_example_and_the_statuses(run: Run, arguments: list[str]) -> None:
    status, out, err = run(*arguments)
    assert status == (0 if arguments else 2)
    assert err == ""
    for word in ("job.toml", "regions.geojson", "fullhide demo", "0  every region passes"):
        assert word in out
    assert all(f"\n    {code}  " in out for code in range(4))


def test_every_option_of_inspect_is_explained(run: Run) -> None:
    _, out, _ = run("inspect", "--help")
    for option in ("--json", "--masks", "--overlays", "--under", "--finish", "--mm-per-px"):
        assert option in out
    assert 'fullhide inspect seat.jpg --under "old green=38,-28,9"' in out


def test_the_version_is_told(run: Run) -> None:
    assert run("--version") == (0, f"fullhide {__version__}\n", "")


@pytest.mark.parametrize(
    ("photos", "names"),
    [
        (["p/a.jpg", "p/b.jpg"], ["a", "b"]),
        (["p/a.jpg", "q/a.jpg"], ["p_a", "q_a"]),
        (["p/a.jpg", "p/a.png"], ["a_jpg", "a_png"]),
        (["p/A.jpg", "q/a.jpg"], ["p_A", "q_a"]),
        (["x/p/a.jpg", "y/p/a.jpg"], ["x_p_a", "y_p_a"]),
        (["x/p_a.jpg", "x_p/a.jpg"], ["p_a", "a"]),
        (["/a.jpg", "a.jpg"], ["a_jpg", "a_jpg_2"]),
        (["p/a.jpg", "p/a.jpg"], ["a"]),
    ],
)
def test_photos_of_the_same_name_get_pictures_of_different_names(
    photos: list[str], names: list[str]
) -> None:
    assert list(picture_names([Path(photo) for photo in photos]).values()) == names


@pytest.fixture
def samples(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two small sample jobs instead of the shipped ones."""
    from fullhide import demo

    folder = tmp_path / "samples"
    make_job(folder / "bench")
    make_job(folder / "coach")
    monkeypatch.setattr(demo, "sample_folder", lambda: folder)
    # The paper photos are none that a report could show: tests/test_report_page.py has those.
    monkeypatch.setattr(demo, "write_report", lambda _: Written(()))
    return folder


def test_the_demo_inspects_in_its_own_folder_and_says_what_to_open(run: Run, samples: Path) -> None:
    status, out, err = run("demo")
    assert (status, err) == (0, "")
    assert "2 pass, 2 fail, 2 retake" in out
    assert "Open next:" in out
    for job in ("bench", "coach"):
        folder = Path("fullhide-demo") / job
        assert str(folder / "overlays") in out
        assert len(list((folder / "overlays").iterdir())) == 3
        assert len(list((folder / "masks").iterdir())) == 3
        assert json.loads((folder / "result.json").read_text())["job"] == "Kestrel"
    assert not (samples / "bench" / "overlays").exists()


def test_an_earlier_demo_is_used_again_with_a_persons_changes(run: Run, samples: Path) -> None:
    run("demo", "d")
    changed = JOB.replace("Kestrel", "Heron")
    Path("d/bench/job.toml").write_text(changed)
    Path("d/coach/photos/good.jpg").unlink()
    assert run("demo", "d")[0] == 0
    assert Path("d/bench/job.toml").read_text() == changed
    assert Path("d/coach/photos/good.jpg").exists()
    # New samples replace an old demo as a whole: outlines and photos belong together.
    (samples / "bench" / "photos" / "good.jpg").write_bytes(b"another")
    assert run("demo", "d")[0] == 0
    assert Path("d/bench/job.toml").read_text() == JOB


def test_the_shipped_samples_are_sound_jobs() -> None:
    from fullhide import demo
    from fullhide.job import load_job

    folder = demo.sample_folder()
    assert folder.parent == Path(__file__).resolve().parents[1]
    jobs = [load_job(path.parent) for path in sorted(folder.glob("*/job.toml"))]
    assert jobs
    for job in jobs:
        assert job.problems == ()
        assert job.under
        assert job.outlines
    # Sizes asked for by the project: at least eight photos, under 12 MB in all.
    assert sum(len(job.photos) for job in jobs) >= 8
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 12e6


def test_the_demo_refuses_a_folder_with_something_else_in_it(run: Run, samples: Path) -> None:
    Path("mine").mkdir()
    Path("mine/diary.txt").write_text("x")
    status, out, err = run("demo", "mine")
    assert (status, out) == (2, "")
    assert "holds something else" in one_line(err)
    assert names("mine") == ["diary.txt"]
    Path("file").write_text("x")
    assert "is a file" in one_line(run("demo", "file")[2])
    Path("empty").mkdir()
    assert run("demo", "empty")[0] == 0
    assert samples.exists()


def test_a_reason_is_never_lost_between_two_photos_without_regions(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("good.jpg").write_bytes(b"x")
    bare = replace(paper_result("good.jpg"), regions=())
    monkeypatch.setattr(
        sys.modules["fullhide.engine"],
        "inspect_job",
        lambda job, **_: JobResult(job=job.name, fullhide="0", photos=(bare,)),
    )
    status, out, _ = run("inspect", "good.jpg")
    assert status == 3
    assert "No region to judge." in out
    assert "Nothing was judged." in out
