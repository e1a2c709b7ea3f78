"""The window: our docks about the photo, napari's own put away until they are asked for."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import QDockWidget, QWidget

from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.beside_pane import BesidePane
from napari_fullhide.closing import ClosingGuard
from napari_fullhide.colours import Colours
from napari_fullhide.colours_pane import ColoursPane
from napari_fullhide.dropping import JobDrop
from napari_fullhide.job_dock import JobDock
from napari_fullhide.now_strip import NowStrip
from napari_fullhide.tools import ToolStrip

if TYPE_CHECKING:
    import napari

__all__ = ["dress", "job_dock", "now_strip", "open_in", "tool_strip"]

_JOB, _TOOLS, _BESIDE, _NOW, _COLOURS = "Job", "Tools", "Beside", "Now", "Colours"
_BESIDE_PX = 380


def job_dock(viewer: napari.viewer.Viewer) -> JobDock:
    """The dock with the job; for napari's menu."""
    return JobDock(bench_of(viewer))


def tool_strip(viewer: napari.viewer.Viewer) -> ToolStrip:
    """The dock with the buttons; for napari's menu."""
    return ToolStrip(bench_of(viewer))


def now_strip(viewer: napari.viewer.Viewer) -> NowStrip:
    """The dock with the next step; for napari's menu."""
    return NowStrip(bench_of(viewer))


def dress(viewer: napari.Viewer) -> Bench:
    """Put our docks into a window, once, and napari's layer lists away."""
    viewer = getattr(viewer, "__wrapped__", viewer)
    bench = bench_of(viewer)
    window = viewer.window
    there = dict(window.dock_widgets)
    if not any(isinstance(widget, ToolStrip) for widget in there.values()):
        window.add_dock_widget(ToolStrip(bench), name=_TOOLS, area="left")
    if not any(isinstance(widget, JobDock) for widget in there.values()):
        window.add_dock_widget(JobDock(bench), name=_JOB, area="right")
        # Loud once for each window, however many docks there are.
        bench.said.connect(_notify)
        _put_away(viewer)
        _invite(bench)
        _offer_beside(bench, window)
        _offer_colours(bench, window)
        _guard(bench, window)
    if not any(isinstance(widget, NowStrip) for widget in there.values()):
        window.add_dock_widget(NowStrip(bench), name=_NOW, area="bottom")
    return bench


def _offer_beside(bench: Bench, window: Any) -> None:
    """Make the second picture's pane when it is first asked for."""
    panes: list[BesidePane] = []

    def switched(on: bool) -> None:
        if on and not panes:
            panes.append(BesidePane(bench))
            _put_beside(window, panes[0], _BESIDE)
            outer = getattr(window, "_qt_window", None)
            if outer is not None:
                outer.installEventFilter(panes[0])
        _show_pane(bench, window, panes, on)

    bench.hold(switched)
    bench.beside_switched.connect(switched)


def _offer_colours(bench: Bench, window: Any) -> None:
    """Make the pane of colours when it is first asked for."""
    panes: list[ColoursPane] = []

    def switched(on: bool) -> None:
        if on and not panes:
            panes.append(ColoursPane(bench))
            _put_beside(window, panes[0], _COLOURS)
        _show_pane(bench, window, panes, on)

    bench.hold(switched)
    bench.part(Colours).switched.connect(switched)


def _put_beside(window: Any, pane: QWidget, name: str) -> None:
    """Dock a pane between the photo and the job."""
    window.add_dock_widget(pane, name=name, area="right")
    outer = getattr(window, "_qt_window", None)
    if outer is not None:
        dock, job = _dock_of(outer, pane), _dock_of(outer, outer.findChild(JobDock))
        outer.splitDockWidget(dock, job, Qt.Orientation.Horizontal)
        outer.resizeDocks([dock, job], [_BESIDE_PX, 1], Qt.Orientation.Horizontal)


def _dock_of(outer: Any, widget: QWidget) -> QDockWidget:
    docks: list[QDockWidget] = outer.findChildren(QDockWidget)
    return next(dock for dock in docks if dock.isAncestorOf(widget))


def _show_pane(
    bench: Bench, window: Any, panes: Sequence[BesidePane | ColoursPane], on: bool
) -> None:
    """Show a pane or put it away, with a region to look at and the photo whole beside it."""
    for pane in panes:
        outer = getattr(window, "_qt_window", None)
        if outer is not None:
            _dock_of(outer, pane).setVisible(on)
        pane.fill()
    if not on:
        _narrow(window)
    stops = bench.model.stops()
    if on and bench.model.region is None and stops:
        bench.model.select(stops[0][0])
    # Once the canvas has its new width: both pictures whole.
    QTimer.singleShot(0, bench.look_again)


def _invite(bench: Bench) -> None:
    """Say in the empty canvas what to do first."""
    text = bench.viewer.canvas.overlays.text
    text.text = "Drop a job folder here\nor press J to choose one"
    text.font_size, text.position = 20, "top_center"
    text.visible = bench.model.job is None

    def opened() -> None:
        text.visible = False

    bench.hold(opened)
    bench.model.opened.connect(opened)


def _guard(bench: Bench, window: Any) -> None:
    """Take job folders that fall on the window; ask before unsaved outlines are left for one."""
    outer, inner = getattr(window, "_qt_window", None), getattr(window, "_qt_viewer", None)
    for widget in (outer, inner):
        if widget is not None:
            JobDrop(bench, widget)
    if outer is not None:
        bench.may_leave = ClosingGuard(bench, outer).may_leave


def _narrow(window: Any) -> None:
    """Give the photo the place that another dock has left."""
    outer = getattr(window, "_qt_window", None)
    if outer is not None:
        job = [d for d in outer.findChildren(QDockWidget) if d.findChild(JobDock)]
        outer.resizeDocks(job, [1], Qt.Orientation.Horizontal)


def _put_away(viewer: napari.Viewer) -> None:
    """Hide napari's own lists, welcome and keys of layers; its View menu brings the lists back."""
    inner: Any = getattr(viewer.window, "_qt_viewer", None)
    for name in ("dockLayerList", "dockLayerControls"):
        dock: Any = getattr(inner, name, None)
        if dock is not None:
            dock.setVisible(False)
    if hasattr(inner, "show_welcome_screen"):
        inner.show_welcome_screen = False

    def quiet(event: Any) -> None:
        told = getattr(getattr(viewer.window, "_status_bar", None), "_help", None)
        if told is not None and event.value:
            told.setText("")

    viewer.events.help.connect(quiet, position="last")


def _notify(text: str, bad: bool) -> None:
    from napari.utils.notifications import show_warning

    if bad:
        show_warning(text)


def open_in(viewer: napari.Viewer, folder: Path) -> Bench:
    """Open a job in a window."""
    bench = dress(viewer)
    bench.open(folder)
    return bench
