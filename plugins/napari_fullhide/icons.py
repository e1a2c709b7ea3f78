"""The shapes that stand beside the words, painted so that any theme and any eye can tell them."""

from __future__ import annotations

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QIcon, QPainter, QPen, QPixmap

from napari_fullhide.state import State
from napari_fullhide.style import LOOKS, contrast_ink

__all__ = ["state_icon"]

#: Painted this large and scaled down by Qt: sharp on any screen.
_SIDE = 96


def state_icon(state: State) -> QIcon:
    """A filled disc in the state's colour with its shape in black or white."""
    look = LOOKS[state]
    pixmap = QPixmap(_SIDE, _SIDE)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor("#202020"), 4))
    painter.setBrush(QColor(look.colour))
    painter.drawEllipse(QRectF(4, 4, _SIDE - 8, _SIDE - 8))
    pen = QPen(QColor(contrast_ink(look.colour)), 11)
    pen.setCapStyle(Qt.PenCapStyle.RoundCap)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    _draw(painter, look.shape)
    painter.end()
    icon = QIcon(pixmap)
    icon.addPixmap(pixmap, QIcon.Mode.Selected)  # else a chosen line's is dimmed
    return icon


def _draw(painter: QPainter, shape: str) -> None:
    if shape == "tick":
        painter.drawPolyline([QPointF(26, 50), QPointF(42, 67), QPointF(70, 31)])
    elif shape == "tick on a line":  # a pass that rests on a person's word
        painter.drawPolyline([QPointF(30, 38), QPointF(43, 52), QPointF(67, 24)])
        painter.drawLine(QPointF(30, 71), QPointF(66, 71))
    elif shape == "cross":
        painter.drawLine(QPointF(31, 31), QPointF(65, 65))
        painter.drawLine(QPointF(65, 31), QPointF(31, 65))
    elif shape == "turn":  # an arrow going round: once more
        painter.drawArc(QRectF(27, 27, 42, 42), 40 * 16, 290 * 16)
        painter.drawPolyline([QPointF(52, 33), QPointF(66, 35), QPointF(69, 21)])
    elif shape == "ring":
        painter.drawEllipse(QRectF(33, 33, 30, 30))
    else:
        painter.drawLine(QPointF(30, 48), QPointF(66, 48))
