"""Opening a job, writing outlines back, light and dark, the list of keys."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from fullhide.errors import FullhideError
from fullhide.outlines import OUTLINES_FILE
from napari_fullhide.bench import Action, Bench

__all__ = ["choose_job", "join", "key_lines"]


def join(bench: Bench) -> None:
    """Give a bench what has to do with files and the window."""
    bench.add(
        Action(
            group="File",
            text="Save",
            keys=("W",),
            run=lambda: save(bench),
            tip="Write the outlines into regions.geojson.",
            enabled=lambda: bench.model.unsaved,
            half=True,
        ),
        Action(
            group="File",
            text="Job",
            keys=("J",),
            run=lambda: choose_job(bench),
            tip="Open another job folder.",
            half=True,
        ),
        Action(
            group="File",
            text="Light",
            keys=("Y",),
            run=lambda: _turn_theme(bench),
            tip="A light window for a bright room, a dark one for a dark room.",
            checked=lambda: bench.viewer.theme == "light",
            half=True,
        ),
        Action(
            group="File",
            text="Keys",
            keys=("F1",),
            run=lambda: _show_keys(bench),
            tip="Every key there is.",
            half=True,
        ),
    )


def save(bench: Bench) -> bool:
    """Write the outlines; a fault is said. Returns whether nothing is left unsaved."""
    try:
        if bench.model.save():
            bench.say(f"Outlines are written to {OUTLINES_FILE}.")
    except FullhideError as error:
        bench.say_error(error)
        return False
    return True


def choose_job(bench: Bench) -> None:
    """Ask for a job folder and open it."""
    from qtpy.QtWidgets import QApplication, QFileDialog

    folder = QFileDialog.getExistingDirectory(
        QApplication.activeWindow(), "Choose a job folder: the one with job.toml in it"
    )
    if folder:
        bench.open(Path(folder))


def key_lines(actions: Iterable[Action]) -> list[tuple[str, str, str]]:
    """Group, words and keys of each action that has a key."""
    from napari_fullhide.widgets import key_text

    return [
        (
            action.group,
            f"{action.text}: {action.tip}" if action.tip else action.text,
            " or ".join(key_text(key) for key in action.keys),
        )
        for action in actions
        if action.keys
    ]


def _turn_theme(bench: Bench) -> None:
    bench.viewer.theme = "dark" if bench.viewer.theme == "light" else "light"


def _show_keys(bench: Bench) -> None:
    from qtpy.QtWidgets import QApplication

    from napari_fullhide.keys import KeysWindow

    window = KeysWindow(key_lines(bench.actions), QApplication.activeWindow())
    window.show()
