"""The strip of buttons: everything a person can do, each with its key."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import chain

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut  # type: ignore[attr-defined]
from qtpy.QtWidgets import QGridLayout, QLabel, QVBoxLayout, QWidget

from napari_fullhide.bench import Action, Bench
from napari_fullhide.widgets import ActionButton, scrolled

__all__ = ["ToolStrip"]

#: Headings in the order of the work; others come after these.
_ORDER = ("Photo", "Look", "Inspect", "Draw", "File")
_WIDTH = 236
#: Groups whose buttons stand below the photo (`now_strip`); their keys are heard here all the same.
_BELOW = frozenset({"Draw"})


class ToolStrip(QWidget):
    """Buttons for the actions of a bench, and their keys for the whole window.

    Parameters
    ----------
    bench
        Whose actions they are; what is added later appears too.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.buttons: dict[str, ActionButton] = {}
        self._keys: dict[str, list[QShortcut]] = {}
        self._made: tuple[Action, ...] = ()
        self._area = scrolled(QWidget(), width=_WIDTH)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self._area)
        self.setMinimumWidth(_WIDTH)
        bench.refreshed.connect(self._refresh)
        self._refresh()

    def _refresh(self) -> None:
        if self._made != tuple(self.bench.actions):
            self._make()
        for action in self._made:
            for shortcut in self._keys.get(action.text, ()):
                # Else Enter would never reach a box that something is typed into.
                shortcut.setEnabled(action.enabled())
            button = self.buttons.get(action.text)
            if button is not None:
                button.setEnabled(action.enabled())
                if action.checked is not None:
                    button.setChecked(action.checked())

    def _make(self) -> None:
        for shortcut in chain(*self._keys.values()):
            shortcut.deleteLater()
        self.buttons.clear()
        self._keys.clear()
        self._made = tuple(self.bench.actions)
        inner = QWidget()
        grid = QGridLayout(inner)
        grid.setContentsMargins(4, 0, 4, 2)
        grid.setSpacing(2)
        row = 0
        for group in _groups(self._made):
            mine = [action for action in self._made if action.group == group]
            if group not in _BELOW and any(action.button for action in mine):
                heading = QLabel(group)
                heading.setContentsMargins(2, 1, 0, 0)
                grid.addWidget(heading, row, 0, 1, 2)
                row = self._fill(grid, row + 1, mine)
            for action in mine:
                self._listen(action)
        grid.setRowStretch(row, 1)
        self._area.setWidget(inner)  # deletes the one before

    def _fill(self, grid: QGridLayout, row: int, actions: list[Action]) -> int:
        """Put a group's buttons below each other, halves side by side; returns the next row."""
        column = 0
        for action in actions:
            if not action.button:
                continue
            if column and not action.half:
                row, column = row + 1, 0
            grid.addWidget(self._button(action), row, column, 1, 1 if action.half else 2)
            column = 1 - column if action.half else 0
            row += 0 if column else 1
        return row + 1 if column else row

    def _button(self, action: Action) -> ActionButton:
        button = ActionButton(action.text, action.keys[0] if action.keys else "", action.tip)
        button.setCheckable(action.checked is not None)
        button.clicked.connect(lambda: self._run(action))
        self.buttons[action.text] = button
        return button

    def _listen(self, action: Action) -> None:
        for key in action.keys:
            # Not napari's own keys: those are heard only while the photo has the focus, and a
            # layer's come first.
            shortcut = QShortcut(QKeySequence(key), self)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(lambda: self._run(action))
            self._keys.setdefault(action.text, []).append(shortcut)

    def _run(self, action: Action) -> None:
        self.bench.do(action)


def _groups(actions: Iterable[Action]) -> list[str]:
    there = list(dict.fromkeys(action.group for action in actions))
    return sorted(there, key=lambda g: _ORDER.index(g) if g in _ORDER else len(_ORDER))
