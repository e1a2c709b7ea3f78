"""A name to sign a job off with, asked for beside what stands against it."""

from __future__ import annotations

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QLabel, QLineEdit

from napari_fullhide.ask_form import AskForm
from napari_fullhide.bench import Bench
from napari_fullhide.signing import Signing

__all__ = ["SignForm"]


class SignForm(AskForm):
    """How the job stands, why it is signed all the same, and the name.

    Parameters
    ----------
    bench
        Whose job it is about.
    """

    def __init__(self, bench: Bench) -> None:
        self.signing = bench.part(Signing)
        self.says = QLabel()
        self.says.setWordWrap(True)
        self.says.setTextFormat(Qt.TextFormat.PlainText)
        self.despite = QLineEdit()
        self.despite.setPlaceholderText("why it is signed all the same")
        self.despite.setAccessibleName("Why it is signed all the same")
        super().__init__(
            (self.says, 300),
            [(self.despite, 260)],
            take="Sign",
            leave=self.signing.leave,
            wide=self.says,
        )
        self.signing.asking.connect(self._asked)

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
