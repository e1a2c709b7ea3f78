"""The window: our two docks beside the photo, napari's own put away until they are asked for."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.job_dock import JobDock
from napari_fullhide.tools import ToolStrip

if TYPE_CHECKING:
    import napari

__all__ = ["dress", "job_dock", "open_in", "tool_strip"]

_JOB, _TOOLS = "Job", "Tools"


def job_dock(viewer: napari.viewer.Viewer) -> JobDock:
    """The dock with the job; for napari's menu."""
    return JobDock(bench_of(viewer))


def tool_strip(viewer: napari.viewer.Viewer) -> ToolStrip:
    """The dock with the buttons; for napari's menu."""
    return ToolStrip(bench_of(viewer))


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
    for name in ("dockLayerList", "dockLayerControls"):
        dock: Any = getattr(getattr(window, "_qt_viewer", None), name, None)
        if dock is not None:  # napari's View menu brings them back
            dock.setVisible(False)
    return bench


def open_in(viewer: napari.Viewer, folder: Path) -> Bench:
    """Open a job in a window."""
    bench = dress(viewer)
    bench.open(folder)
    return bench
