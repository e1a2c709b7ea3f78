"""The command `fullhide view`: the window, where the extra `viewer` is installed."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from fullhide.errors import FullhideError, JobError

__all__ = ["view"]

#: One package of each line.
_NEEDS = (("napari",), ("napari_fullhide",), ("PySide6", "PyQt6"))
#: What Qt loads on an X screen, and Debian's packages of them.
_LIBRARIES = (
    ("libGL.so.1", "libgl1"),
    ("libEGL.so.1", "libegl1"),
    ("libxkbcommon-x11.so.0", "libxkbcommon-x11-0"),
    ("libxcb-cursor.so.0", "libxcb-cursor0"),
    ("libxcb-icccm.so.4", "libxcb-icccm4"),
    ("libxcb-keysyms.so.1", "libxcb-keysyms1"),
    ("libxcb-shape.so.0", "libxcb-shape0"),
)


def view(
    job: Annotated[
        Path | None,
        typer.Argument(metavar="[JOB]", help="A job folder.", readable=False, show_default=False),
    ] = None,
) -> int:
    """Look at a job in a window: draw outlines, inspect, see what passes.

    Needs the extra `viewer`: pip install "fullhide[viewer]"
    """
    if job is not None:
        from fullhide.job import JOB_FILE, load_job

        job = job.parent if job.name == JOB_FILE else job
        load_job(job)  # a fault shows here, not in a window that was waited for
    missing = [names[0] for names in _NEEDS if not any(find_spec(name) for name in names)]
    if missing:
        raise FullhideError(
            "fullhide view", f"needs {missing[0]}", 'install it: pip install "fullhide[viewer]"'
        )
    if sys.platform == "linux" and not (
        os.environ.get("DISPLAY")
        or os.environ.get("WAYLAND_DISPLAY")
        or os.environ.get("QT_QPA_PLATFORM")
    ):
        raise JobError("fullhide view", "there is no screen", "start it from a desktop")
    _libraries()
    # By name: the engine stands below the viewer and knows nothing of it.
    import_module("napari_fullhide.start").run(job)
    return 0


def _libraries() -> None:
    """Say what Qt lacks on Linux: it would blame another library and abort.

    Raises
    ------
    FullhideError
        With the Debian packages to install.
    """
    if sys.platform != "linux" or not os.environ.get("DISPLAY"):
        return
    from ctypes import CDLL

    lacking = []
    for library, package in _LIBRARIES:
        try:
            CDLL(library)
        except OSError:
            lacking.append(package)
    if lacking:
        raise FullhideError(
            "fullhide view",
            f"Qt lacks {', '.join(lacking)}",
            f"on Debian and Ubuntu: sudo apt-get install {' '.join(lacking)}",
        )
