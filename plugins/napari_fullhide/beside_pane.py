"""The second picture's pane: which one, and its canvas."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import QEvent, QObject
from qtpy.QtWidgets import QComboBox, QLabel, QVBoxLayout, QWidget

from napari_fullhide.bench import Bench
from napari_fullhide.beside import Comparison, View, views
from napari_fullhide.widgets import LEAST_PX

__all__ = ["BesidePane"]


class BesidePane(QWidget):
    """A picture to hold the photo against, and a list to choose it from.

    Parameters
    ----------
    bench
        Whose photo is looked at.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        from napari.components import ViewerModel
        from napari.qt import QtViewer

        self.bench = bench
        self.model = ViewerModel(title="beside")
        self.canvas = QtViewer(self.model)
        self.comparison = Comparison(bench, self.model)
        self.choice = QComboBox()
        self.choice.setMinimumHeight(LEAST_PX)
        self.choice.setAccessibleName("What the photo is held against")
        self.none = QLabel(
            "Nothing to hold this photo against: draw a reference in it, or name a photo of "
            "before the work under the same part in job.toml."
        )
        self.none.setWordWrap(True)
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.choice)
        column.addWidget(self.none)
        column.addWidget(self.canvas, 1)
        self._views: tuple[View, ...] = ()
        self.choice.currentIndexChanged.connect(self._chosen)
        model = bench.model
        for signal in (model.shown, model.redrawn, model.opened, model.selected):
            signal.connect(self.fill, max_args=0)
        bench.loaded.connect(self._loaded)
        self.fill()

    def fill(self) -> None:
        """Offer what the photo shown can be held against."""
        model = self.bench.model
        offered = views(model.photos, model.index)
        if offered != self._views:
            before = self.comparison.view
            self._views = offered
            self.choice.blockSignals(True)
            self.choice.clear()
            self.choice.addItems([view.title for view in offered])
            if before in offered:
                self.choice.setCurrentIndex(offered.index(before))
            self.choice.blockSignals(False)
        self.choice.setVisible(bool(offered))
        self.canvas.setVisible(bool(offered))
        self.none.setVisible(not offered)
        self._chosen(self.choice.currentIndex())

    def _loaded(self, index: int) -> None:
        if index == self.bench.model.index:
            self._chosen(self.choice.currentIndex())

    def _chosen(self, place: int) -> None:
        wanted = self._views[place] if 0 <= place < len(self._views) else None
        self.comparison.show(wanted if self.bench.beside else None)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Let the canvas go when the window that is watched closes."""
        # With unsaved outlines the window may stay after all, see `ClosingGuard`.
        if event.type() == QEvent.Type.Close and not self.bench.model.unsaved:
            watched.removeEventFilter(self)
            self.shut()
        return False

    def shut(self) -> None:
        """Let the canvas go: napari's own is let go by its window, this one by nobody else."""
        self.comparison.show(None)
        self.model.layers.clear()
        canvas: Any = self.canvas
        canvas.close()
        canvas.setParent(None)  # now it is Python's, and goes with its last name
        del self.canvas
