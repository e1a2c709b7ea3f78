"""A job folder let fall anywhere on the window."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from weakref import ref

from qtpy.QtCore import QEvent, QObject
from qtpy.QtWidgets import QWidget

from fullhide.job import JOB_FILE
from napari_fullhide.bench import Bench

__all__ = ["JobDrop", "dropped_job"]

_DRAGS = (QEvent.Type.DragEnter, QEvent.Type.DragMove)


def dropped_job(data: Any) -> Path | None:
    """The job folder among what is dragged; None where there is none."""
    for url in data.urls() if data is not None and data.hasUrls() else ():
        if url.isLocalFile():
            path = Path(url.toLocalFile())
            folder = path.parent if path.name == JOB_FILE else path
            if (folder / JOB_FILE).is_file():
                return folder
    return None


class JobDrop(QObject):
    """Opens job folders that fall on a widget; everything else goes its own way.

    napari would ask first which of its readers to take: it has one for folders of pictures too.

    Parameters
    ----------
    bench
        Where they open.
    widget
        Where they fall.
    """

    def __init__(self, bench: Bench, widget: QWidget) -> None:
        super().__init__()
        # The bench keeps this, not Qt: a child of the window would keep the window from going.
        bench.hold(self)
        self._bench = ref(bench)
        widget.setAcceptDrops(True)
        widget.installEventFilter(self)

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Take job folders."""
        kind = event.type()
        if kind not in (*_DRAGS, QEvent.Type.Drop):
            return False
        drag: Any = event
        folder = dropped_job(drag.mimeData())
        bench = self._bench()
        if folder is None or bench is None:
            return False
        drag.acceptProposedAction()
        if kind == QEvent.Type.Drop:
            bench.open(folder)
        return True
