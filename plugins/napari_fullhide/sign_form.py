"""A name to sign a job off with, asked for below what stands against it."""

from __future__ import annotations

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QPushButton, QWidget

from napari_fullhide.bench import Bench
from napari_fullhide.signing import Signing
from napari_fullhide.widgets import LEAST_PX

__all__ = ["SignForm"]


class SignForm(QWidget):
    """How the job stands, why all the same, the name, and two buttons.

    Enter signs, Escape leaves it.

    Parameters
    ----------
    bench
        Whose job it is about.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.signing = bench.part(Signing)
        self.says = QLabel()
        self.says.setWordWrap(True)
        self.says.setTextFormat(Qt.TextFormat.PlainText)
        self.despite = QLineEdit()
        self.despite.setPlaceholderText("why it is signed all the same")
        self.despite.setAccessibleName("Why it is signed all the same")
        self.by = QLineEdit()
        self.by.setPlaceholderText("your name")
        self.by.setAccessibleName("Your name")
        self.take, self.leave = QPushButton("Sign"), QPushButton("Leave")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for widget, least in (
            (self.says, 300),
            (self.despite, 260),
            (self.by, 140),
            (self.take, 90),
            (self.leave, 80),
        ):
            widget.setMinimumSize(least, LEAST_PX)
            row.addWidget(widget, 1 if widget is self.says else 0)
            widget.installEventFilter(self)
        self.take.clicked.connect(self.give)
        self.leave.clicked.connect(self.signing.leave)
        self.signing.asking.connect(self._asked)
        self.hide()

    def give(self) -> None:
        """Sign with what is written; it stays there if something is wrong with it."""
        self.signing.give(self.by.text(), self.despite.text())

    def _asked(self, on: bool) -> None:
        standing = self.signing.asked
        if on and standing is not None:
            gate = standing.gate
            self.says.setText(gate.says[:1].upper() + gate.says[1:])
            self.says.setToolTip("\n".join(item.says for item in gate.against))
            self.despite.clear()
            self.despite.setVisible(not gate.open)
            self.by.setText(self.signing.by)
        self.setVisible(on)
        if on and standing is not None:
            first = self.by if standing.gate.open else self.despite
            first.setFocus()
            first.selectAll()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Enter and Escape belong to the form while something in it has the focus."""
        if isinstance(event, QKeyEvent):
            enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
            if enter or event.key() == Qt.Key.Key_Escape:
                if event.type() == QEvent.Type.ShortcutOverride:
                    event.accept()
                    return True
                if event.type() == QEvent.Type.KeyPress and watched is not self.leave:
                    self.give() if enter else self.signing.leave()
                    return True
        return bool(super().eventFilter(watched, event))
