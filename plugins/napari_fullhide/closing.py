"""Nothing that was drawn is lost by closing the window."""

from __future__ import annotations

from qtpy.QtCore import QEvent, QObject
from qtpy.QtWidgets import QMessageBox, QWidget

from napari_fullhide.bench import Bench
from napari_fullhide.keeping import save

__all__ = ["ClosingGuard"]


class ClosingGuard(QObject):
    """Asks before a window with unsaved outlines is closed.

    Parameters
    ----------
    bench
        Whose outlines they are.
    window
        The window; the guard goes with it.
    """

    def __init__(self, bench: Bench, window: QWidget) -> None:
        super().__init__(window)
        self.bench, self.window = bench, window

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Stop the closing if the person wants to, or if the outlines cannot be written."""
        if event.type() != QEvent.Type.Close or not self.bench.model.unsaved:
            return False
        answer = self.ask()
        keep = QMessageBox.StandardButton
        stay = answer == keep.Cancel or (answer == keep.Save and not save(self.bench))
        if stay:
            event.ignore()
        return stay

    def ask(self) -> QMessageBox.StandardButton:
        """Ask whether to save."""
        button = QMessageBox.StandardButton
        return QMessageBox.question(
            self.window,
            "Outlines are not saved",
            "Outlines were drawn that regions.geojson does not hold yet.",
            button.Save | button.Discard | button.Cancel,
            button.Save,
        )
