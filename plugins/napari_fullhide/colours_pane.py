"""The pane of a region's colour: against its reference, in each light, coat by coat."""

from __future__ import annotations

from qtpy.QtCore import QByteArray, QSize, Qt
from qtpy.QtSvgWidgets import QSvgWidget
from qtpy.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from fullhide.coats_words import FOOT
from fullhide.report.curve import curve_svg
from fullhide.report.match_shown import plane_svg, swatches_svg
from napari_fullhide.bench import Bench
from napari_fullhide.colours import Colours
from napari_fullhide.widgets import LEAST_PX, scrolled

__all__ = ["ColoursPane"]

_WIDTH = 340
_NO_REGION = "Choose a region: click it."
_NO_MATCH = (
    "Not held against a reference: draw one (R) where the colour is as it should be, then inspect."
)
_ONLY_PANELS = "Only panels are held against a reference."
_NO_COATS = 'No photos between coats. Name them in job.toml with stage = "coat" and coat = 1, 2 …'
_NO_CURVE = "The coat photos do not show this region under its name and part."


class ColoursPane(QWidget):
    """Pictures and words of the chosen region's colour.

    Parameters
    ----------
    bench
        Whose region is looked at.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.colours = bench.part(Colours)
        self.name, self.match, self.lights, self.coats = (_words() for _ in range(4))
        self.plane, self.swatches, self.curve = _Drawing(), _Drawing(), _Drawing()
        self.read = QPushButton()
        self.read.setMinimumHeight(LEAST_PX)
        self.read.clicked.connect(self.colours.read_coats)
        self.name.setStyleSheet("font-size: 13pt; font-weight: bold;")
        inner = QWidget()
        column = QVBoxLayout(inner)
        column.setContentsMargins(6, 2, 10, 6)
        column.addWidget(self.name)
        for heading, widgets in (
            ("Against its reference", (self.swatches, self.plane, self.match)),
            ("In the job's lights", (self.lights,)),
            ("Coat by coat", (self.read, self.curve, self.coats)),
        ):
            column.addWidget(_heading(heading))
            for widget in widgets:
                column.addWidget(widget)
        column.addStretch(1)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(scrolled(inner, width=_WIDTH))
        for signal in (self.colours.switched, self.colours.changed):
            signal.connect(self.fill, max_args=0)
        self.fill()

    def fill(self) -> None:
        """Show what there is of the chosen region."""
        if not self.colours.on:
            return
        region = self.bench.model.selected_region()
        self.name.setText(_NO_REGION if region is None else region.name)
        self._fill_match(None if region is None else region.outline.kind)
        lights = self.colours.lights()
        told = "\n".join(f"{text}." for text in lights)
        self.lights.setText(told or "Nothing judged in a light that job.toml names (light = …).")
        self._fill_coats(region is not None)

    def _fill_match(self, kind: str | None) -> None:
        match = self.colours.match()
        if match is None:
            self.swatches.show_svg("")
            self.plane.show_svg("")
            told = _NO_MATCH if kind == "panel" else _ONLY_PANELS
            self.match.setText("" if kind is None else told)
            return
        name = self.name.text()
        self.swatches.show_svg(swatches_svg(match, name=name))
        self.plane.show_svg(plane_svg(match, name=name))
        self.match.setText("\n".join(filter(None, [match.caption, self.colours.tint()])))

    def _fill_coats(self, chosen: bool) -> None:
        photos, read = self.colours.coat_photos, self.colours.coats_read
        self.read.setVisible(photos > 0 and not read)
        self.read.setEnabled(not self.colours.reading)
        told = f"Read {photos} coat photo{'s' if photos > 1 else ''}"
        self.read.setText("Reading the coat photos …" if self.colours.reading else told)
        facts = self.colours.coats()
        self.curve.show_svg(curve_svg(facts[0]) if facts else "")
        if facts:
            self.coats.setText("\n".join([*facts[0].says, FOOT]))
        elif photos:
            self.coats.setText(_NO_CURVE if read and chosen else "")
        else:
            self.coats.setText(_NO_COATS)


class _Drawing(QSvgWidget):
    """An SVG picture as wide as its place, at its own proportions, on paper in any theme."""

    def __init__(self) -> None:
        super().__init__()
        self.setStyleSheet("background: white;")
        self.hide()

    def show_svg(self, svg: str) -> None:
        """Show a picture; hide where there is none."""
        if svg:
            self.load(QByteArray(svg.encode()))
            size = self.renderer().defaultSize()
            size.scale(QSize(_WIDTH - 24, 10_000), Qt.AspectRatioMode.KeepAspectRatio)
            self.setFixedSize(size)
        self.setVisible(bool(svg))


def _words() -> QLabel:
    label = QLabel()
    label.setWordWrap(True)
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    label.setMinimumWidth(1)
    return label


def _heading(text: str) -> QLabel:
    label = QLabel(text)
    label.setStyleSheet("font-weight: bold; margin-top: 6px;")
    return label
