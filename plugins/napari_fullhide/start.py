"""`fullhide view`: a window with a job in it."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["clear_foreign_qt", "run"]


def clear_foreign_qt() -> None:
    """Undo what opencv-python does at import: point Qt at OpenCV's own, other Qt plugins."""
    import cv2

    home = str(Path(cv2.__file__).parent)
    for name in ("QT_QPA_PLATFORM_PLUGIN_PATH", "QT_QPA_FONTDIR"):
        if os.environ.get(name, "").startswith(home):
            del os.environ[name]


def run(folder: Path | None) -> None:
    """Open the window, with a job or empty, and stay until it is closed."""
    clear_foreign_qt()
    import napari
    from qtpy.QtCore import QThreadPool

    from napari_fullhide.closing import ClosingGuard
    from napari_fullhide.window import dress

    viewer = napari.Viewer(title="fullhide", show=False, show_welcome_screen=False)
    bench = dress(viewer)
    window = viewer.window._qt_window  # noqa: SLF001
    guard = ClosingGuard(bench, window)
    window.installEventFilter(guard)
    window.showMaximized()
    if folder is not None:
        bench.open(folder)
    napari.run()
    QThreadPool.globalInstance().waitForDone()  # a photo that is being opened has nowhere to go
