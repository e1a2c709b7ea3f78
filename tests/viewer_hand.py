"""A person's hand on the viewer's mouse and keys, in napari's window or in a plain one.

The plain window holds our docks about a canvas that is not there: the mouse is told to the viewer's
callbacks directly. It takes a tenth of the time; what needs Qt's own events is tried in napari's.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from napari.utils import interactions
from napari.utils._proxies import ReadOnlyWrapper
from qtpy.QtCore import QPoint, QPointF, Qt
from qtpy.QtGui import QWheelEvent
from qtpy.QtWidgets import QApplication, QDockWidget, QMainWindow

from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.job_dock import JobDock
from napari_fullhide.now_strip import NowStrip
from napari_fullhide.pen import Pen
from napari_fullhide.tools import ToolStrip

__all__ = ["CTRL", "NONE", "SHIFT", "Hand", "PlainHand", "dock", "in_front", "plain_bench"]

NONE, SHIFT = Qt.KeyboardModifier.NoModifier, Qt.KeyboardModifier.ShiftModifier
CTRL = Qt.KeyboardModifier.ControlModifier
LEFT = Qt.MouseButton.LeftButton
Place = tuple[float, float]
_PLAIN: dict[int, QMainWindow] = {}


def plain_bench(qtbot: Any) -> Bench:
    """A bench whose docks stand in a plain window."""
    from napari.components import ViewerModel

    made = bench_of(ViewerModel())
    window = QMainWindow()
    window.setCentralWidget(JobDock(made))
    for kind in (ToolStrip, NowStrip):
        dock = QDockWidget()
        dock.setWidget(kind(made))
        window.addDockWidget(Qt.DockWidgetArea.LeftDockWidgetArea, dock)
    qtbot.addWidget(window)
    _PLAIN[id(made)] = window
    return made


def window_of(bench: Bench) -> Any:
    """The window that a bench's docks stand in."""
    window = _PLAIN.get(id(bench))
    return bench.viewer.window._qt_window if window is None else window  # type: ignore[attr-defined]


def dock(bench: Bench, kind: type) -> Any:
    """The one dock of that kind."""
    (found,) = window_of(bench).findChildren(kind)
    return found


def in_front(window: Any) -> None:
    """See to it that keys go to that window.

    By Qt's own word, not the screen's: the bare screen has no window manager that gives the
    keyboard to the next window when one goes, and asking for it there is not always answered.
    """
    if not window.isActiveWindow():
        QApplication.setActiveWindow(window)


class Hand:
    """The mouse on napari's canvas, and the keys."""

    def __init__(self, bench: Bench, qtbot: Any) -> None:
        self.bench, self.qtbot, self.pen = bench, qtbot, bench.part(Pen)
        with qtbot.waitExposed(self.window, timeout=60_000):
            self.window.show()

    # Never kept: napari's fixture looks whether a window is left over.
    @property
    def window(self) -> Any:
        return window_of(self.bench)

    @property
    def canvas(self) -> Any:
        return self.bench.viewer.window._qt_viewer.canvas.native

    @property
    def zoom(self) -> float:
        return float(self.bench.viewer.scene.camera.zoom)

    def at(self, x: float, y: float) -> QPoint:
        """Where a place of the photo is on the canvas."""
        _, row, column = self.bench.viewer.scene.camera.center
        half = self.canvas.width() / 2, self.canvas.height() / 2
        across = (x - 0.5 - column) * self.zoom + half[0]
        return QPoint(round(across), round((y - 0.5 - row) * self.zoom + half[1]))

    def click(self, *places: Place) -> None:
        for x, y in places:
            self.qtbot.mouseMove(self.canvas, self.at(x, y))
            self.qtbot.mouseClick(self.canvas, LEFT, NONE, self.at(x, y))

    def drag(self, start: Place, end: Place) -> None:
        a, b = self.at(*start), self.at(*end)
        self.qtbot.mousePress(self.canvas, LEFT, NONE, a)
        for part in (0.3, 0.7, 1.0):
            self.qtbot.mouseMove(self.canvas, a + (b - a) * part)
        self.qtbot.mouseRelease(self.canvas, LEFT, NONE, b)

    def wheel(self, steps: int, modifier: Qt.KeyboardModifier) -> None:
        place = self.at(300.0, 300.0)
        for _ in range(abs(steps)):
            event = QWheelEvent(
                QPointF(place),
                QPointF(self.canvas.mapToGlobal(place)),
                QPoint(),
                QPoint(0, 120 if steps > 0 else -120),
                Qt.MouseButton.NoButton,
                modifier,
                Qt.ScrollPhase.NoScrollPhase,
                False,
            )
            QApplication.sendEvent(self.canvas, event)

    def keys(self, *keys: Any) -> None:
        for key in keys:
            which, modifier = key if isinstance(key, tuple) else (key, NONE)
            in_front(self.window)
            self.qtbot.keyClick(self.window, which, modifier)

    def drawn(self) -> list[tuple[str, str]]:
        return [(outline.name, outline.kind) for outline in self.pen.drawn]


class PlainHand(Hand):
    """The same without a canvas."""

    def _event(self, kind: str, place: Place, **more: Any) -> Any:
        given = {
            "type": f"mouse_{kind}",
            "button": 1,
            "position": (place[1] - 0.5, place[0] - 0.5),
            "pos": self.zoom * np.array(place),
            "modifiers": (),
            "handled": False,
            "is_dragging": kind == "move",
        }
        # napari lets a drag see later events through the wrapper of the first.
        return ReadOnlyWrapper(SimpleNamespace(**{**given, **more}), exceptions=("handled",))

    def click(self, *places: Place) -> None:
        for place in places:
            self.drag(place, place)

    def drag(self, start: Place, end: Place) -> None:
        viewer = self.bench.viewer
        interactions.mouse_move_callbacks(viewer, self._event("move", start))
        interactions.mouse_press_callbacks(viewer, self._event("press", start))
        if start != end:
            interactions.mouse_move_callbacks(viewer, self._event("move", end))
        interactions.mouse_release_callbacks(viewer, self._event("release", end))

    def wheel(self, steps: int, modifier: Qt.KeyboardModifier) -> None:
        names = ("Shift",) if modifier == SHIFT else ()
        for _ in range(abs(steps)):
            event = self._event("wheel", (300.0, 300.0), modifiers=names, delta=(0, np.sign(steps)))
            interactions.mouse_wheel_callbacks(self.bench.viewer, event)
