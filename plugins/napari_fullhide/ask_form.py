"""A question asked in one row below the photo: what is wanted, boxes to fill in, two buttons."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from qtpy.QtCore import QEvent, QObject, Qt
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QPushButton, QWidget

from napari_fullhide.widgets import LEAST_PX

__all__ = ["AskForm"]


class AskForm(QWidget):
    """Hidden until something is asked. Enter gives the answer, Escape leaves it.

    Parameters
    ----------
    question
        What is asked, and its least width.
    boxes
        What is to be filled in besides the name, each with its least width.
    take
        The button's words.
    leave
        Called where the question is left.
    wide
        Which of the widgets takes the room that is left.
    """

    def __init__(
        self,
        question: tuple[QLabel, int],
        boxes: Sequence[tuple[QWidget, int]],
        *,
        take: str,
        leave: Callable[[], None],
        wide: QWidget,
    ) -> None:
        super().__init__()
        self._leave = leave
        self.by = QLineEdit()
        self.by.setPlaceholderText("your name")
        self.by.setAccessibleName("Your name")
        self.take, self.leave = QPushButton(take), QPushButton("Leave")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        for widget, least in (
            question,
            *boxes,
            (self.by, 140),
            (self.take, 110),
            (self.leave, 80),
        ):
            widget.setMinimumSize(least, LEAST_PX)
            row.addWidget(widget, 1 if widget is wide else 0)
            widget.installEventFilter(self)
        self.take.clicked.connect(lambda: self.give())
        self.leave.clicked.connect(lambda: leave())
        self.hide()

    def give(self) -> None:
        """Give what is written as the answer; it stays there if something is wrong with it."""
        raise NotImplementedError

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802 (Qt's name)
        """Enter and Escape belong to the form while something in it has the focus."""
        if isinstance(event, QKeyEvent):
            enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
            if enter or event.key() == Qt.Key.Key_Escape:
                if event.type() == QEvent.Type.ShortcutOverride:
                    event.accept()
                    return True
                if event.type() == QEvent.Type.KeyPress and watched is not self.leave:
                    self.give() if enter else self._leave()
                    return True
        return bool(super().eventFilter(watched, event))
