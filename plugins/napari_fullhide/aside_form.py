"""A reason for setting a finding aside, asked for in one line."""

from __future__ import annotations

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QLabel, QLineEdit, QPushButton, QWidget

from napari_fullhide.asides import REASONS, Asides
from napari_fullhide.bench import Bench
from napari_fullhide.widgets import LEAST_PX

__all__ = ["AsideForm"]


class AsideForm(QWidget):
    """The question, the reason, the name, and two buttons. Enter takes it, Escape leaves it.

    Parameters
    ----------
    bench
        Whose finding it is about.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.asides = bench.part(Asides)
        self.question = QLabel()
        self.reason = QComboBox()
        self.reason.setEditable(True)
        self.reason.addItems(REASONS)
        self.reason.setAccessibleName("Reason")
        self.by = QLineEdit()
        self.by.setPlaceholderText("your name")
        self.by.setAccessibleName("Your name")
        self.take, self.leave = QPushButton("Set aside"), QPushButton("Leave")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for widget, least in (
            (self.question, 0),
            (self.reason, 330),
            (self.by, 140),
            (self.take, 110),
            (self.leave, 80),
        ):
            widget.setMinimumSize(least, LEAST_PX)
            row.addWidget(widget, 1 if widget is self.reason else 0)
            widget.installEventFilter(self)
        self.take.clicked.connect(self.give)
        self.leave.clicked.connect(self.asides.leave)
        self.asides.asking.connect(self._asked)
        self.hide()

    def give(self) -> None:
        """Take what is written; it stays there if something is wrong with it."""
        self.asides.give(self.reason.currentText(), self.by.text())

    def _asked(self, on: bool) -> None:
        if on and self.asides.asked is not None:
            _, finding, aside = self.asides.asked
            if aside is None:
                self.question.setText(f"Why is finding {finding.id} no miss?")
                self.take.setText("Set aside")
                self.reason.setCurrentIndex(0)
            else:
                self.question.setText(
                    f"Finding {finding.id} was set aside by {aside.by}. Why does it count again?"
                )
                self.take.setText("Take back")
                self.reason.setEditText("")
            self.by.setText(self.asides.by)
        self.setVisible(on)
        line = self.reason.lineEdit()
        if on and line is not None:
            line.setFocus()
            line.selectAll()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Enter and Escape belong to the form while something in it has the focus."""
        if isinstance(event, QKeyEvent):
            enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
            if enter or event.key() == Qt.Key.Key_Escape:
                if event.type() == QEvent.Type.ShortcutOverride:
                    event.accept()
                    return True
                if event.type() == QEvent.Type.KeyPress and watched is not self.leave:
                    self.give() if enter else self.asides.leave()
                    return True
        return bool(super().eventFilter(watched, event))
