"""The set-up script on machines that lack something: one line that says what."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
BASH = shutil.which("bash")
pytestmark = pytest.mark.skipif(BASH is None, reason="the set-up script is for bash")


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A repository without an environment, in a folder with a space in its name."""
    folder = tmp_path / "my clone"
    for part in (".ci/setup.sh", "tests/run.sh", "sample_images/demo.sh", "pyproject.toml"):
        (folder / part).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / part, folder / part)
    return folder


def run(clone: Path, script: str, **commands: str) -> tuple[int, str]:
    """Run a script where nothing but a shell's own tools and `commands` can be found."""
    tools = clone.parent / "tools"
    tools.mkdir()
    for name in ("dirname", "sha256sum", "cat", "env", "bash"):
        where = shutil.which(name)
        assert where is not None
        (tools / name).symlink_to(where)
    for name, body in commands.items():
        path = tools / name.replace("_", "-")
        path.write_text(f"#!{BASH}\n{body}\n")
        path.chmod(0o755)
    done = subprocess.run(
        [str(BASH), str(clone / script)],
        cwd=clone.parent,
        env={"PATH": str(tools)},
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stderr


@pytest.mark.parametrize("script", ["tests/run.sh", "sample_images/demo.sh"])
@pytest.mark.parametrize("python", [{}, {"python3": "exit 1"}])
def test_a_machine_without_a_new_enough_python_is_told_so(
    clone: Path, script: str, python: dict[str, str]
) -> None:
    status, err = run(clone, script, **python)
    assert status == 2
    assert err.startswith("fullhide: needs Python 3.11 or newer")
    assert err.count("\n") == 1


# A Python that is new enough, but for whose venv Debian wants a package of its own.
BARE = 'case "$2" in *ensurepip*) exit 1;; *print*) echo python3.11-venv;; esac'


def test_a_person_without_rights_is_told_which_package_to_install(clone: Path) -> None:
    status, err = run(
        clone, "sample_images/demo.sh", python3=BARE, apt_get="exit 9", id="echo 1000"
    )
    assert status == 2
    assert err == (
        "fullhide: the package python3.11-venv is missing; "
        "run: sudo apt-get install python3.11-venv\n"
    )


def test_a_machine_without_apt_is_told_what_python_lacks(clone: Path) -> None:
    status, err = run(clone, "sample_images/demo.sh", python3=BARE)
    assert status == 2
    assert "lacks the modules venv and ensurepip" in err


@pytest.mark.parametrize("sudo", ["root", "sudo"])
def test_the_missing_package_is_installed_where_that_is_allowed(clone: Path, sudo: str) -> None:
    # The fake Python makes no environment, so the script still ends: after installing.
    log = clone.parent / "log"
    more = {"sudo": 'shift; [ "$1" = true ] || "$@"'} if sudo == "sudo" else {}
    status, err = run(
        clone,
        "sample_images/demo.sh",
        python3=BARE,
        apt_get=f'echo "$DEBIAN_FRONTEND $*" >> "{log}"',
        id="echo 0" if sudo == "root" else "echo 1000",
        true="",
        **more,
    )
    assert log.read_text().splitlines() == [
        "noninteractive -q -y update",
        "noninteractive -q -y install --no-install-recommends python3.11-venv",
    ]
    assert status != 0
    assert err


@pytest.mark.parametrize("stray", ["inspect", "plugins", "tests"])
def test_the_tests_do_not_start_with_a_file_that_hides_pythons_inspect(
    clone: Path, stray: str
) -> None:
    (clone / stray).mkdir(exist_ok=True)
    (clone / stray / "__init__.py").touch()
    status, err = run(clone, "tests/run.sh")
    assert (status, err) == (2, f"fullhide: {stray}/__init__.py must not exist; remove it\n")


# ---- what the tests need of the system -------------------------------------------------------

CALL = """#!/bin/bash
source "$(dirname "${BASH_SOURCE[0]}")/.ci/setup.sh"
fullhide_packages
echo there
"""


@pytest.fixture
def packages(clone: Path) -> Path:
    """A script that asks for the packages, and a Python that lacks one library."""
    (clone / "packages.sh").write_text(CALL)
    return clone


def lacking(clone: Path, *packages: str) -> None:
    """The environment's Python answers that these packages' libraries are missing, once."""
    python = clone / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    asked = clone.parent / "asked"
    answer = "".join(f"{package} " for package in packages)
    python.write_text(f'#!{BASH}\n[ -e "{asked}" ] || printf %s "{answer}"\n: > "{asked}"\n')
    python.chmod(0o755)


BROWSER = {"chromium": "", "chromedriver": "", "pdftoppm": ""}
SCREEN = {"Xvfb": "", "xvfb_run": "", "xauth": "", **BROWSER}


def test_a_machine_that_has_everything_installs_nothing(packages: Path) -> None:
    lacking(packages)
    status, err = run(packages, "packages.sh", **SCREEN, apt_get="exit 9")
    assert (status, err) == (0, "")


def test_a_person_without_rights_is_told_every_missing_package_at_once(packages: Path) -> None:
    lacking(packages, "libxcb-cursor0")
    status, err = run(
        packages, "packages.sh", apt_get="exit 9", id="echo 1000", xauth="", **BROWSER
    )
    assert status == 2
    assert err == (
        "fullhide: the packages xvfb libxcb-cursor0 are missing; "
        "run: sudo apt-get install xvfb libxcb-cursor0\n"
    )


def test_a_machine_without_apt_is_told_what_the_tests_need(packages: Path) -> None:
    lacking(packages, "libegl1")
    status, err = run(packages, "packages.sh", **SCREEN)
    assert status == 2
    assert err == ("fullhide: the tests need what Debian calls libegl1; install it and try again\n")


def test_missing_packages_are_installed_where_that_is_allowed(packages: Path) -> None:
    lacking(packages, "libxcb-cursor0", "libegl1")
    log = packages.parent / "log"
    status, err = run(
        packages, "packages.sh", **SCREEN, apt_get=f'echo "$*" >> "{log}"', id="echo 0"
    )
    assert (status, err) == (0, "")
    assert log.read_text().splitlines() == [
        "-q -y update",
        "-q -y install --no-install-recommends libxcb-cursor0 libegl1",
    ]


def test_what_is_still_missing_after_installing_is_said(packages: Path) -> None:
    lacking(packages)
    status, err = run(packages, "packages.sh", apt_get="exit 0", id="echo 0", xauth="", **BROWSER)
    assert (status, err) == (2, "fullhide: still missing after installing: xvfb\n")


def test_every_need_names_a_package_that_this_system_can_tell(tmp_path: Path) -> None:
    # The real check on the real machine: the suite runs, so nothing may be called missing.
    script = f'source "{ROOT}/.ci/setup.sh"; fullhide_python="{sys.executable}"; fullhide_missing'
    done = subprocess.run(
        [str(BASH), "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.split(), done.stderr) == (0, [], "")
