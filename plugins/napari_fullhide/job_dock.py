"""The job at a glance: photos by part, regions and findings of the photo shown, what to do."""

from __future__ import annotations

from collections import Counter

from qtpy.QtCore import QSize, Qt
from qtpy.QtWidgets import (
    QHeaderView,
    QLabel,
    QSplitter,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from napari_fullhide.bench import Bench
from napari_fullhide.dropping import JobDrop
from napari_fullhide.icons import state_icon
from napari_fullhide.state import Region
from napari_fullhide.style import LOOKS
from napari_fullhide.widgets import LEAST_PX, scrolled
from napari_fullhide.words import (
    counted,
    finding_line,
    first_steps,
    no_part,
    photo_name,
    reading,
    region_text,
    still_open,
)

__all__ = ["JobDock"]

_WIDTH = 350
#: What an item stands for: the photo's index; or the region's name and the finding's id.
_WHAT = int(Qt.ItemDataRole.UserRole)
#: The regions' column of sizes.
_SIZE = 1
_SAYS_PX, _READING_LINES = 96, 3


class JobDock(QWidget):
    """Lists of photos, regions and findings; a choice in them goes there.

    Parameters
    ----------
    bench
        Whose job it shows.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        self.bench = bench
        self.standing, self.counts = QLabel(), QLabel()
        self.photos = _list(("Photos by part", "Verdict"))
        self.regions = _list(("Regions and findings", "mm²"))
        self.regions.setSortingEnabled(True)
        self.regions.sortByColumn(_SIZE, Qt.SortOrder.DescendingOrder)
        self.reasons = QLabel()
        self.message = QLabel()
        self.hover = QLabel()
        self._quiet = False
        self._lay_out()
        self.photos.currentItemChanged.connect(self._photo_chosen)
        self.regions.currentItemChanged.connect(self._region_chosen)
        self.regions.itemClicked.connect(self._region_chosen)
        model = bench.model
        for signal in (model.opened, model.found, model.redrawn, model.saved):
            signal.connect(self.fill, max_args=0)
        model.shown.connect(self._shown)
        model.selected.connect(self._selected)
        bench.prepared.connect(self._selected, max_args=0)
        bench.said.connect(self._said)
        bench.pointed.connect(self._pointed)
        JobDrop(bench, self)
        self.setMinimumWidth(_WIDTH)
        self.fill()
        self._pointed()

    def _lay_out(self) -> None:
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 2, 6, 4)
        column.setSpacing(4)
        split = QSplitter(Qt.Orientation.Vertical)
        split.setChildrenCollapsible(False)
        split.addWidget(self.photos)
        split.addWidget(self.regions)
        split.setStretchFactor(0, 2)
        split.setStretchFactor(1, 3)
        for label in (self.standing, self.counts, self.reasons, self.message, self.hover):
            label.setWordWrap(True)
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setMinimumWidth(1)
        for label in (self.reasons, self.message):
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.reasons.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.hover.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.hover.setMinimumHeight(_READING_LINES * self.hover.fontMetrics().lineSpacing() + 4)
        self.standing.setStyleSheet("font-size: 15pt; font-weight: bold;")
        says = scrolled(self.reasons, width=1)
        says.setMinimumHeight(_SAYS_PX)
        says.setMaximumHeight(_SAYS_PX)
        column.addWidget(self.standing)
        column.addWidget(self.counts)
        column.addWidget(split, 1)
        column.addWidget(says)
        column.addWidget(self.hover)
        column.addWidget(self.message)
        self.message.hide()

    # ---- filling -------------------------------------------------------------------------

    def fill(self) -> None:
        """Fill everything anew."""
        model = self.bench.model
        self._quiet = True
        try:
            self.standing.setText(still_open(model))
            self.counts.setText(counted(model))
            self._fill_photos()
            self._fill_regions()
        finally:
            self._quiet = False
        self._selected()

    def _fill_photos(self) -> None:
        """One line a part; a part with several photos is a heading with a line for each."""
        model = self.bench.model
        self.photos.clear()
        named = [photo.entry.part or no_part() for photo in model.photos]
        several = {part for part, count in Counter(named).items() if count > 1}
        headings: dict[str, QTreeWidgetItem] = {}
        for index, (photo, part) in enumerate(zip(model.photos, named, strict=True)):
            where: QTreeWidget | QTreeWidgetItem = self.photos
            if part in several:
                if part not in headings:
                    headings[part] = QTreeWidgetItem(self.photos, [part])
                    headings[part].setFlags(Qt.ItemFlag.ItemIsEnabled)
                where = headings[part]
            words = [photo_name(photo, part=part not in several), LOOKS[photo.state()].word]
            item = QTreeWidgetItem(where, words)
            item.setIcon(1, state_icon(photo.state()))
            item.setData(0, _WHAT, index)
            item.setToolTip(0, photo.entry.file)
            if index == model.index:
                self.photos.setCurrentItem(item)
        self.photos.expandAll()

    def _fill_regions(self) -> None:
        photo = self.bench.model.current
        self.regions.clear()
        for region in photo.regions() if photo else ():
            item = _Row(self.regions, [f"{LOOKS[region.state].word}  {_region_name(region)}", ""])
            item.setIcon(0, state_icon(region.state))
            item.setData(0, _WHAT, (region.name, None))
            total = sum(finding.area_mm2 or 0.0 for finding in region.findings)
            item.setData(_SIZE, _WHAT, total)
            for finding in region.findings:
                area = "" if finding.area_mm2 is None else f"{finding.area_mm2:.1f}"
                row = _Row(
                    item,
                    [f"{finding.id}  {finding_line(finding, region.asides.get(finding.id))}", area],
                )
                row.setToolTip(0, row.text(0))
                row.setData(0, _WHAT, (region.name, finding.id))
                row.setData(_SIZE, _WHAT, finding.area_mm2 or 0.0)
                right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
                row.setTextAlignment(_SIZE, right)
        self.regions.expandAll()

    def _selected(self) -> None:
        """Show what is looked at, whoever chose it."""
        model = self.bench.model
        wanted = (model.region, model.finding)
        self._quiet = True
        try:
            if model.region is None:
                self.regions.setCurrentItem(None)  # type: ignore[call-overload]
            for item in _items(self.regions):
                if item.data(0, _WHAT) == wanted:
                    self.regions.setCurrentItem(item)
        finally:
            self._quiet = False
        if model.job is None:
            self.reasons.setText(first_steps())
        else:
            self.reasons.setText(region_text(model, self.bench.ready(model.index)))

    def _shown(self, index: int) -> None:
        self._quiet = True
        try:
            for item in _items(self.photos):
                if item.data(0, _WHAT) == index:
                    self.photos.setCurrentItem(item)
            self._fill_regions()
        finally:
            self._quiet = False
        self._selected()
        self._pointed()

    def _said(self, text: str, bad: bool) -> None:
        self.message.setText(f"! {text}" if bad else text)
        self.message.setVisible(bool(text))

    def _pointed(self) -> None:
        self.hover.setText(reading(self.bench.place, self.bench.model.job, self.bench.at))

    # ---- choosing ------------------------------------------------------------------------

    def _photo_chosen(self, item: QTreeWidgetItem | None) -> None:
        index = None if item is None else item.data(0, _WHAT)
        if not self._quiet and index is not None:
            self.bench.model.show(int(index))

    def _region_chosen(self, item: QTreeWidgetItem | None) -> None:
        what = None if item is None else item.data(0, _WHAT)
        if not self._quiet and what is not None:
            self.bench.model.select(*what)


class _Row(QTreeWidgetItem):
    """Sorts by size in the size's column, by its words in the others."""

    def __lt__(self, other: QTreeWidgetItem) -> bool:
        column = self.treeWidget().sortColumn()
        if column == _SIZE:
            return float(self.data(_SIZE, _WHAT) or 0) < float(other.data(_SIZE, _WHAT) or 0)
        return bool(self.text(column).casefold() < other.text(column).casefold())


def _list(headings: tuple[str, ...]) -> QTreeWidget:
    made = QTreeWidget()
    made.setHeaderLabels(list(headings))
    made.setIndentation(12)
    made.setIconSize(QSize(24, 24))
    made.setUniformRowHeights(True)
    made.setRootIsDecorated(False)
    made.setMinimumHeight(3 * LEAST_PX)
    made.setStyleSheet(f"QTreeView::item {{ height: {LEAST_PX}px; }}")
    header = made.header()
    header.setStretchLastSection(False)
    header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
    header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
    header.setMinimumHeight(LEAST_PX if headings[-1] == "mm²" else 0)
    return made


def _items(tree: QTreeWidget) -> list[QTreeWidgetItem]:
    items: list[QTreeWidgetItem | None] = []
    for place in range(tree.topLevelItemCount()):
        top = tree.topLevelItem(place)
        items.append(top)
        if top is not None:
            items.extend(top.child(i) for i in range(top.childCount()))
    return [item for item in items if item is not None]


def _region_name(region: Region) -> str:
    return f"{region.name} (proposed)" if region.proposed else region.name
