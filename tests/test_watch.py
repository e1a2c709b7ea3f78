"""Photos as they arrive: each once, only when whole, whatever the copying looks like."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photo_files import jpeg, picture
from staged import FOX, GREEN, ONE_SPOT, rendered

from fullhide import cli, cli_check
from fullhide.errors import FullhideError
from fullhide.phantom import save_photo
from fullhide.watch import _PATIENCE_S, Arrivals, photo_folder

PHOTO = jpeg(picture())


def names(paths: list[Path]) -> list[str]:
    return [path.name for path in paths]


def test_what_was_there_before_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "old.jpg").write_bytes(PHOTO)
    arrivals = Arrivals(tmp_path)
    assert arrivals.known == 1
    assert arrivals.whole(0.0) == arrivals.whole(100.0) == []


def test_a_photo_is_given_out_once_and_only_when_it_lies_still(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    path = tmp_path / "a.jpg"
    for second in range(5):  # a slow card: more of the file each second
        path.write_bytes(PHOTO[: 100 * (second + 1)])
        assert arrivals.whole(float(second)) == []
    path.write_bytes(PHOTO)
    assert arrivals.whole(5.0) == []
    assert arrivals.whole(5.5) == []
    assert names(arrivals.whole(6.0)) == ["a.jpg"]
    assert arrivals.whole(7.0) == []


@settings(deadline=None, max_examples=25)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.floats(0.05, 3.0)), min_size=1, max_size=12),
    st.integers(0, 3),
)
def test_however_it_is_copied_it_is_given_out_whole_at_last(
    steps: list[tuple[int, float]], name: int
) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        arrivals, now, size = Arrivals(Path(folder)), 0.0, 0
        path = Path(folder) / f"{name}.jpg"
        for more, wait in steps:
            size += more
            path.write_bytes(b"x" * size)
            os.utime(path, ns=(size, size))
            for given_out in arrivals.whole(now):
                assert given_out.stat().st_size == size
                arrivals.put_back(given_out, now)  # it did not open
            now += wait
        path.write_bytes(PHOTO)
        arrivals.whole(now)
        assert names(arrivals.whole(now + 2.0)) == [path.name]


@pytest.mark.parametrize(
    "name", [".a.jpg", "a.jpg.part", "a.txt", "a", "a.findings.png.tmp", "notes.toml"]
)
def test_other_files_are_none(name: str, tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    (tmp_path / name).write_bytes(PHOTO)
    (tmp_path / "folder.jpg").mkdir()
    arrivals.whole(0.0)
    assert arrivals.whole(9.0) == []


def test_an_empty_file_is_waited_for(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    (tmp_path / "a.JPG").touch()
    arrivals.whole(0.0)
    assert arrivals.whole(99.0) == []


def test_a_photo_written_anew_or_come_back_is_new(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(PHOTO)
    arrivals = Arrivals(tmp_path)
    path.write_bytes(PHOTO + b"\0")
    arrivals.whole(0.0)
    assert names(arrivals.whole(2.0)) == ["a.jpg"]
    path.unlink()
    arrivals.whole(3.0)
    path.write_bytes(PHOTO)
    arrivals.whole(4.0)
    assert names(arrivals.whole(6.0)) == ["a.jpg"]


def test_one_that_does_not_open_is_waited_for_and_then_told(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path)
    path = tmp_path / "a.jpg"
    path.write_bytes(PHOTO[:200])
    arrivals.whole(0.0)
    assert names(arrivals.whole(2.0)) == ["a.jpg"]
    assert arrivals.put_back(path, 2.0)
    assert names(arrivals.whole(3.0)) == ["a.jpg"]
    assert not arrivals.put_back(path, _PATIENCE_S + 1.0)
    assert arrivals.whole(_PATIENCE_S + 2.0) == []


def test_a_folder_that_goes_away_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    arrivals = Arrivals(folder)
    folder.rmdir()
    with pytest.raises(FullhideError, match="card"):
        arrivals.whole()


def test_of_a_job_its_photos_are_watched(tmp_path: Path) -> None:
    assert photo_folder(tmp_path) == tmp_path
    (tmp_path / "photos").mkdir()
    assert photo_folder(tmp_path) == tmp_path
    (tmp_path / "job.toml").touch()
    assert photo_folder(tmp_path) == tmp_path / "photos"


@pytest.mark.parametrize("arguments", [["missing"], [".", "--every", "0"]])
def test_a_wrong_call_is_one_line(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as caught:
        cli.main(["watch", *arguments])
    assert caught.value.code == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_photo_in_a_job_is_checked_and_inspected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "photos").mkdir()
    job = (
        f'name = "Kestrel"\n[[under]]\nname = "{GREEN[0]}"\nlab = {list(GREEN[1])}\n'
        f"[finish]\nlab = {list(FOX)}\n[chart]\nwidth_mm = 55.0\n"
        '[[photo]]\nfile = "photos/a.png"\npart = "bench"\n'
    )
    (tmp_path / "job.toml").write_text(job)
    arrivals = Arrivals(tmp_path / "photos")
    for name in ("a.png", "b.png"):
        save_photo(rendered(ONE_SPOT), tmp_path / "photos" / name)
    arrivals.whole(0.0)
    for path in arrivals.whole(9.0):
        cli_check._arrived(path, arrivals, None, "Robin")
    out, err = capsys.readouterr()
    assert err == ""
    first, second = out.split("b.png: ")
    assert "a.png: " in first
    assert "fail  bench: surface (proposed): old green shows through" in first
    assert "fail  surface (proposed): old green shows through" in second
    # Only the photo that job.toml names is kept.
    assert "Not named in job.toml" not in first
    assert "Not named in job.toml" in second
    from fullhide.record import Record

    record = Record(tmp_path)
    assert record.newest("photos/a.png") is not None
    assert record.newest("photos/b.png") is None


def test_the_command_tells_of_what_arrives_until_it_is_stopped(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "fullhide", "watch", str(tmp_path), "--every", "0.2"]
    # A shell starts what runs in its background with Ctrl-C ignored, and children take that on.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        running = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
    finally:
        signal.signal(signal.SIGINT, before)
    with running:
        assert running.stdout is not None
        guard = threading.Timer(120, running.kill)
        guard.start()
        assert running.stdout.readline().startswith("Watching")
        (tmp_path / "a.jpg").write_bytes(PHOTO[: len(PHOTO) // 2])
        time.sleep(0.5)
        (tmp_path / "a.jpg").write_bytes(PHOTO)
        lines = [running.stdout.readline() for _ in range(2)]
        running.send_signal(signal.SIGINT)
        _, err = running.communicate(timeout=60)
        guard.cancel()
    assert lines[0].endswith("a.jpg: take it again\n")
    assert lines[1].startswith("  1. ")
    assert err == ""
    assert running.returncode == 0
