"""The strip below the photo: what to do next, the chosen region, how far an inspection is."""

from __future__ import annotations

from pathlib import Path

from qtpy.QtCore import QSignalBlocker, Qt, QTimer
from qtpy.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from napari_fullhide.aside_form import AsideForm
from napari_fullhide.bench import Bench
from napari_fullhide.drawing import WIDTHS_MM
from napari_fullhide.inspecting import Inspector
from napari_fullhide.pen import WIDTH_STEP_MM, Pen
from napari_fullhide.sign_form import SignForm
from napari_fullhide.widgets import LEAST_PX, ActionButton

__all__ = ["NowStrip"]

#: Kinds of outline in the words of the trade.
KINDS = {
    "panel": "Panel",
    "seam": "Seam",
    "edge": "Edge",
    "reference": "Reference",
    "ignore": "Left out",
    "chart": "Chart",
}
#: How often the bar looks how far the inspection is, ms.
_LOOK_MS = 100


class NowStrip(QWidget):
    """Buttons to draw with; a hint, the chosen region, how far an inspection is.

    Parameters
    ----------
    bench
        Whose pen and inspections it shows.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.pen = bench.part(Pen)
        self.inspector = bench.part(Inspector)
        self.hint = QLabel()
        self.hint.setWordWrap(True)
        font = self.hint.font()
        font.setPointSizeF(1.2 * font.pointSizeF())
        self.hint.setFont(font)
        self.hint.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.name = QLineEdit()
        self.name.setPlaceholderText("name of the region")
        self.name.setAccessibleName("Name of the region")
        self.kind = QComboBox()
        self.kind.setAccessibleName("Kind of the region")
        for kind, word in KINDS.items():
            self.kind.addItem(word, kind)
        self.width_box = QDoubleSpinBox()
        self.bar = QProgressBar()
        self.stop = QPushButton("Stop")
        self.buttons: dict[str, ActionButton] = {}
        self._lay_out()
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_MS)
        self._timer.timeout.connect(self._look)
        self.name.editingFinished.connect(self._rename)
        self.kind.activated.connect(self._turn)
        self.width_box.valueChanged.connect(self._widen)
        self.stop.clicked.connect(self.inspector.stop)
        self.pen.changed.connect(self.fill)
        self.form.asides.asking.connect(self.fill, max_args=0)
        self.sign_form.signing.asking.connect(self.fill, max_args=0)
        bench.refreshed.connect(self.fill)
        self.inspector.progressed.connect(self._progressed)
        self.fill()
        self._progressed(None)

    def _lay_out(self) -> None:
        width = self.width_box
        width.setRange(*WIDTHS_MM)
        width.setSingleStep(WIDTH_STEP_MM)
        width.setDecimals(1)
        width.setSuffix(" mm wide")
        width.setKeyboardTracking(False)
        width.setButtonSymbols(QDoubleSpinBox.ButtonSymbols.PlusMinus)
        width.setToolTip("Width of the band. Also Shift and the wheel, or the keys [ and ].")
        width.setAccessibleName("Width of the seam or edge, millimetres")
        column = QVBoxLayout(self)
        column.setContentsMargins(4, 2, 4, 2)
        column.setSpacing(3)
        column.addLayout(self._drawing_buttons())
        row = QHBoxLayout()
        row.setContentsMargins(4, 0, 4, 0)
        self.form = AsideForm(self.bench)
        column.addLayout(row)
        self.sign_form = SignForm(self.bench)
        row.addWidget(self.form, 1)
        row.addWidget(self.sign_form, 1)
        row.addWidget(self.hint, 1)
        for widget, least in (
            (self.name, 190),
            (self.kind, 110),
            (width, 160),
            (self.bar, 260),
            (self.stop, 90),
        ):
            widget.setMinimumSize(least, LEAST_PX)
            row.addWidget(widget)
        self.bar.setMaximum(1000)
        self.setFixedHeight(2 * LEAST_PX + 10)

    def _drawing_buttons(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.setSpacing(3)
        for action in self.bench.actions:
            if action.group == "Draw" and action.button:
                button = ActionButton(action.text, action.keys[0], action.tip)
                button.setCheckable(action.checked is not None)
                button.clicked.connect(lambda _=False, action=action: self.bench.do(action))
                self.buttons[action.text] = button
                row.addWidget(button)
        row.addStretch(1)
        return row

    # ---- filling -------------------------------------------------------------------------

    def fill(self) -> None:
        """Show what is so now."""
        for action in self.bench.actions:
            button = self.buttons.get(action.text)
            if button is not None and action.group == "Draw":
                button.setEnabled(action.enabled())
                if action.checked is not None:
                    button.setChecked(action.checked())
        pen = self.pen
        chosen = pen.chosen
        asked = self.form.asides.asked is not None or self.sign_form.signing.asked is not None
        self.hint.setVisible(not asked)
        self.hint.setText(pen.hint or self._advice())
        there = chosen is not None and not asked
        self.name.setVisible(there)
        self.kind.setVisible(there)
        if chosen is not None:
            if not self.name.hasFocus():
                self.name.setText(chosen.name)
            with QSignalBlocker(self.kind):
                self.kind.setCurrentIndex(self.kind.findData(chosen.kind))
        millimetres = pen.width_mm
        self.width_box.setVisible(millimetres is not None and not asked)
        if millimetres is not None and not self.width_box.hasFocus():
            with QSignalBlocker(self.width_box):
                self.width_box.setValue(millimetres)

    def _advice(self) -> str:
        """What there is to say when no tool is in hand."""
        bench, model = self.bench, self.bench.model
        current = model.current
        if current is None:
            return ""
        ready = bench.ready(model.index)
        if current.proposal():
            return "These outlines are proposed. T takes them over, to change and to save."
        if ready is not None and not ready.reading.found:
            return "No chart was found in this photo. Press C and click its four corners."
        if not current.drawn and current.found is None and ready is not None:
            return "Nothing is outlined yet. P draws a panel, S a seam; I lets fullhide propose."
        return ""

    def _progressed(self, progress: object) -> None:
        running = progress is not None
        for widget in (self.bar, self.stop):
            widget.setVisible(running)
        if running:
            self._timer.start()
            self._look()
        else:
            self._timer.stop()

    def _look(self) -> None:
        progress = self.inspector.progress
        if progress is None:
            return
        name = Path(progress.file).name
        which = f"{progress.photo + 1} of {progress.photos}: " if progress.photos > 1 else ""
        done = f", region {progress.region} of {progress.regions}" if progress.regions else ""
        # Qt would draw the whole window, photo and all, before it goes on.
        self.bar.setUpdatesEnabled(False)
        self.bar.setValue(round(1000 * progress.share))
        self.bar.setFormat(f"{which}{name}{done}")
        self.bar.setUpdatesEnabled(True)

    # ---- changing ------------------------------------------------------------------------

    def _rename(self) -> None:
        chosen = self.pen.chosen
        if chosen is not None and self.name.text() != chosen.name:
            self.pen.rename(self.name.text())
        self.name.clearFocus()
        self.fill()

    def _turn(self, index: int) -> None:
        self.pen.turn_into(str(self.kind.itemData(index, int(Qt.ItemDataRole.UserRole))))

    def _widen(self, millimetres: float) -> None:
        self.pen.widen(millimetres)
