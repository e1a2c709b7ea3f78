"""`fullhide view`: what it says where it cannot open a window."""

from __future__ import annotations

import ctypes
import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from fullhide import cli, cli_view

KESTREL = Path(__file__).resolve().parents[1] / "sample_images" / "kestrel"


def view(*arguments: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    with pytest.raises(SystemExit) as done:
        cli.main(["view", *arguments])
    return int(str(done.value.code)), capsys.readouterr().err


@pytest.mark.parametrize("package", ["napari", "napari_fullhide", "PySide6"])
def test_without_the_extra_one_line_says_what_to_install(
    package: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def find(name: str) -> Any:
        gone = {package, "PyQt6"} if package == "PySide6" else {package}
        return None if name in gone else importlib.util.find_spec(name)

    monkeypatch.setattr(cli_view, "find_spec", find)
    status, err = view(str(KESTREL), capsys=capsys)
    assert status == 2
    assert err == (
        f'fullhide: fullhide view: needs {package}; install it: pip install "fullhide[viewer]"\n'
    )


def test_a_folder_that_is_no_job_is_said_before_any_window(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, err = view(str(tmp_path), capsys=capsys)
    assert status == 2
    assert err.count("\n") == 1
    assert "job.toml" in err


def test_without_a_screen_one_line_says_so() -> None:
    bare = {"DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"}
    done = subprocess.run(
        [sys.executable, "-m", "fullhide", "view", str(KESTREL)],
        env={name: value for name, value in os.environ.items() if name not in bare},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr == "fullhide: fullhide view: there is no screen; start it from a desktop\n"


def test_what_qt_lacks_is_named_with_its_packages(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def load(name: str) -> None:
        if "cursor" in name or "EGL" in name:
            raise OSError(name)

    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setattr(ctypes, "CDLL", load)
    monkeypatch.setattr(cli_view, "import_module", None)  # it does not get as far
    status, err = view(str(KESTREL), capsys=capsys)
    assert status == 2
    assert err == (
        "fullhide: fullhide view: Qt lacks libegl1, libxcb-cursor0; on Debian and Ubuntu: "
        "sudo apt-get install libegl1 libxcb-cursor0\n"
    )


def test_the_viewer_is_handed_the_job_folder(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    handed: list[Path | None] = []

    class Start:
        @staticmethod
        def run(folder: Path | None) -> None:
            handed.append(folder)

    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setattr(cli_view, "import_module", lambda name: Start)
    assert view(str(KESTREL / "job.toml"), capsys=capsys) == (0, "")
    assert handed == [KESTREL]
