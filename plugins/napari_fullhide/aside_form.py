"""A reason for setting a finding aside, asked for in one line."""

from __future__ import annotations

from qtpy.QtWidgets import QComboBox, QLabel

from napari_fullhide.asides import REASONS, Asides
from napari_fullhide.ask_form import AskForm
from napari_fullhide.bench import Bench

__all__ = ["AsideForm"]


class AsideForm(AskForm):
    """The question, the reason and the name.

    Parameters
    ----------
    bench
        Whose finding it is about.
    """

    def __init__(self, bench: Bench) -> None:
        self.asides = bench.part(Asides)
        self.question = QLabel()
        self.reason = QComboBox()
        self.reason.setEditable(True)
        self.reason.addItems(REASONS)
        self.reason.setAccessibleName("Reason")
        super().__init__(
            (self.question, 0),
            [(self.reason, 330)],
            take="Set aside",
            leave=self.asides.leave,
            wide=self.reason,
        )
        self.asides.asking.connect(self._asked)

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
