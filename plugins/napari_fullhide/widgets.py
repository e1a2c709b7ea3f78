"""Small pieces that both docks use: big enough for a gloved hand."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence
from qtpy.QtWidgets import QFrame, QScrollArea, QToolButton, QWidget

__all__ = ["LEAST_PX", "ActionButton", "key_text", "scrolled"]

#: Height that a button or a line of a list has at least.
LEAST_PX = 40


def key_text(key: str) -> str:
    """A key as the person's keyboard names it."""
    return QKeySequence(key).toString(QKeySequence.SequenceFormat.NativeText)


class ActionButton(QToolButton):
    """A button with its words and, at the right, its key."""

    def __init__(self, text: str, key: str, tip: str) -> None:
        super().__init__()
        self.setText(f"{text}   [{key_text(key)}]" if key else text)
        self.setToolTip(tip or text)
        self.setAccessibleName(text)
        self.setMinimumHeight(LEAST_PX)
        self.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextOnly)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a click leaves the keys with the photo


def scrolled(widget: QWidget, *, width: int) -> QScrollArea:
    """A widget that scrolls up and down where the window is too low for it."""
    area = QScrollArea()
    area.setWidget(widget)
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setMinimumWidth(width)
    return area
