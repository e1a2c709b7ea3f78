"""Small pieces that both docks use: big enough for a gloved hand."""

from __future__ import annotations

from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QKeySequence
from qtpy.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QWidget,
)

__all__ = ["LEAST_PX", "ActionButton", "key_text", "scrolled"]

#: Height that a button or a line of a list has at least.
LEAST_PX = 40


def key_text(key: str) -> str:
    """A key as the person's keyboard names it."""
    return QKeySequence(key).toString(QKeySequence.SequenceFormat.NativeText)


class ActionButton(QPushButton):
    """A button with its words at the left and its key at the right.

    Parameters
    ----------
    text, key
        Both are shown; the key as Qt writes it.
    tip
        Shown while the pointer rests on it.
    """

    def __init__(self, text: str, key: str, tip: str) -> None:
        super().__init__()
        self.words, self.key = QLabel(text), QLabel(key_text(key).replace("Shift+", "⇧"))
        row = QHBoxLayout(self)
        row.setContentsMargins(6, 0, 4, 0)
        row.setSpacing(4)
        row.addWidget(self.words, 1)
        row.addWidget(self.key)
        for label in (self.words, self.key):
            label.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
            label.setStyleSheet("background: transparent;")
        self.key.setStyleSheet(
            "background: transparent; border: 1px solid palette(mid); border-radius: 3px;"
            " padding: 0px 3px;"
        )
        self.key.setSizePolicy(QSizePolicy.Policy.Maximum, QSizePolicy.Policy.Maximum)
        self.setToolTip(tip or text)
        self.setAccessibleName(f"{text}, key {self.key.text()}" if key else text)
        self.setMinimumHeight(LEAST_PX)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a click leaves the keys with the photo

    def sizeHint(self) -> QSize:  # noqa: N802 (Qt's name)
        """As wide as its words and key."""
        inner = self.layout()
        hint = inner.sizeHint() if inner is not None else super().sizeHint()
        return QSize(hint.width(), max(LEAST_PX, hint.height()))

    def minimumSizeHint(self) -> QSize:  # noqa: N802 (Qt's name)
        """No narrower than that."""
        return self.sizeHint()


def scrolled(widget: QWidget, *, width: int) -> QScrollArea:
    """A widget that scrolls up and down where the window is too low for it."""
    area = QScrollArea()
    area.setWidget(widget)
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setMinimumWidth(width)
    return area
