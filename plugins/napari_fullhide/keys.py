"""The list of keys."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDialog, QLabel, QPushButton, QVBoxLayout, QWidget

from napari_fullhide.widgets import LEAST_PX, scrolled

__all__ = ["KeysWindow"]


class KeysWindow(QDialog):
    """Every key with what it does, by group.

    Parameters
    ----------
    lines
        Group, words and keys of each.
    parent
        The window that it belongs to.
    """

    def __init__(self, lines: Sequence[tuple[str, str, str]], parent: QWidget | None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys")
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        rows: list[str] = []
        before = ""
        for group, words, keys in lines:
            if group != before:
                rows.append(f"<tr><td colspan=2><b>{escape(group)}</b></td></tr>")
                before = group
            rows.append(
                f"<tr><td>{escape(keys)}&nbsp;&nbsp;&nbsp;</td><td>{escape(words)}</td></tr>"
            )
        text = QLabel(f"<table cellpadding=3>{''.join(rows)}</table>")
        text.setWordWrap(True)
        close = QPushButton("Close (Esc)")
        close.setMinimumHeight(LEAST_PX)
        close.clicked.connect(self.accept)
        column = QVBoxLayout(self)
        column.addWidget(scrolled(text, width=600))
        column.addWidget(close)
        self.resize(640, 600)
