"""Nothing that was drawn is lost by closing the window or opening another job."""

from __future__ import annotations

from weakref import ref

from qtpy.QtCore import QEvent, QObject
from qtpy.QtWidgets import QMessageBox, QWidget

from napari_fullhide.bench import Bench
from napari_fullhide.keeping import save

__all__ = ["ClosingGuard"]


class ClosingGuard(QObject):
    """Asks before unsaved outlines are left.

    Parameters
    ----------
    bench
        Whose outlines they are.
    window
        The window.
    """

    def __init__(self, bench: Bench, window: QWidget) -> None:
        super().__init__()
        # The bench keeps this, not Qt: a child of the window would keep the window from going.
        bench.hold(self)
        self._window, self._bench = ref(window), ref(bench)

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Stop the closing if the person wants to, or if the outlines cannot be written."""
        if event.type() != QEvent.Type.Close or self.may_leave():
            return False
        event.ignore()
        return True

    def may_leave(self) -> bool:
        """Ask what to do with unsaved outlines; whether the job may be left then."""
        bench = self._bench()
        if bench is None or not bench.model.unsaved:
            return True
        answer = self.ask()
        button = QMessageBox.StandardButton
        return answer == button.Discard or (answer == button.Save and save(bench))

    def ask(self) -> QMessageBox.StandardButton:
        """Ask whether to save."""
        button = QMessageBox.StandardButton
        return QMessageBox.question(
            self._window(),
            "Outlines are not saved",
            "Outlines were drawn that regions.geojson does not hold yet.",
            button.Save | button.Discard | button.Cancel,
            button.Save,
        )
