"""The strip of buttons: everything a person can do, each with its key."""

from __future__ import annotations

from collections.abc import Iterable

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut  # type: ignore[attr-defined]
from qtpy.QtWidgets import QLabel, QSizePolicy, QVBoxLayout, QWidget

from napari_fullhide.bench import Action, Bench
from napari_fullhide.widgets import ActionButton, scrolled

__all__ = ["ToolStrip"]

#: Headings in the order of the work; others come after these.
_ORDER = ("Photo", "Look", "Inspect", "Draw", "File")
_WIDTH = 178


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
        self._shortcuts: list[QShortcut] = []
        self._made: tuple[Action, ...] = ()
        self._inner = QWidget()
        self._column = QVBoxLayout(self._inner)
        self._column.setContentsMargins(4, 2, 4, 2)
        self._column.setSpacing(3)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(scrolled(self._inner, width=_WIDTH))
        self.setMinimumWidth(_WIDTH)
        bench.refreshed.connect(self._refresh)
        self._refresh()

    def _refresh(self) -> None:
        if self._made != tuple(self.bench.actions):
            self._make()
        for action in self._made:
            button = self.buttons.get(action.text)
            if button is not None:
                button.setEnabled(action.enabled())
                if action.checked is not None:
                    button.setChecked(action.checked())

    def _make(self) -> None:
        while (item := self._column.takeAt(0)) is not None:
            if (old := item.widget()) is not None:
                old.deleteLater()
        for shortcut in self._shortcuts:
            shortcut.deleteLater()
        self.buttons.clear()
        self._shortcuts.clear()
        self._made = tuple(self.bench.actions)
        for group in _groups(self._made):
            mine = [action for action in self._made if action.group == group]
            if any(action.button for action in mine):
                heading = QLabel(group.upper())
                heading.setContentsMargins(4, 6, 0, 0)
                self._column.addWidget(heading)
            for action in mine:
                self._add(action)
        self._column.addStretch(1)

    def _add(self, action: Action) -> None:
        def run() -> None:
            if action.enabled():
                action.run()
            self.bench.refresh()

        if action.button:
            button = ActionButton(action.text, action.keys[0] if action.keys else "", action.tip)
            button.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
            button.setCheckable(action.checked is not None)
            button.clicked.connect(run)
            self.buttons[action.text] = button
            self._column.addWidget(button)
        for key in action.keys:
            # Not napari's own keys: those are heard only while the photo has the focus, and a
            # layer's come first.
            shortcut = QShortcut(QKeySequence(key), self)
            shortcut.setContext(Qt.ShortcutContext.WindowShortcut)
            shortcut.activated.connect(run)
            self._shortcuts.append(shortcut)


def _groups(actions: Iterable[Action]) -> list[str]:
    there = list(dict.fromkeys(action.group for action in actions))
    return sorted(there, key=lambda g: _ORDER.index(g) if g in _ORDER else len(_ORDER))
