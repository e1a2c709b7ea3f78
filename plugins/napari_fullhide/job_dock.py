"""The job at a glance: photos by part, regions and findings of the photo shown, what to do."""

from __future__ import annotations

from pathlib import Path

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
from napari_fullhide.icons import state_icon
from napari_fullhide.state import PhotoState, Region
from napari_fullhide.style import LOOKS
from napari_fullhide.widgets import LEAST_PX
from napari_fullhide.words import finding_line, first_steps, standing

__all__ = ["JobDock"]

_WIDTH = 360
#: What an item stands for: the photo's index; or the region's name and the finding's id.
_WHAT = int(Qt.ItemDataRole.UserRole)


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
        self.standing = QLabel()
        self.standing.setWordWrap(True)
        self.photos = _list(("Photos by part", "Stands"))
        self.regions = _list(("Regions and findings", "Verdict", "mm²"))
        self.regions.setSortingEnabled(True)
        self.regions.sortByColumn(2, Qt.SortOrder.DescendingOrder)
        self.reasons = QLabel()
        self.reasons.setWordWrap(True)
        self.reasons.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.reasons.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._quiet = False
        self._lay_out()
        self.photos.currentItemChanged.connect(self._photo_chosen)
        self.regions.currentItemChanged.connect(self._region_chosen)
        model = bench.model
        for signal in (model.opened, model.found, model.redrawn, model.saved):
            signal.connect(self.fill, max_args=0)
        model.shown.connect(self._shown)
        model.selected.connect(self._selected)
        self.setAcceptDrops(True)
        self.setMinimumWidth(_WIDTH)
        self.fill()

    def _lay_out(self) -> None:
        column = QVBoxLayout(self)
        column.setContentsMargins(6, 4, 6, 4)
        column.setSpacing(4)
        split = QSplitter(Qt.Orientation.Vertical)
        split.setChildrenCollapsible(False)
        split.addWidget(self.photos)
        split.addWidget(self.regions)
        split.setStretchFactor(0, 2)
        split.setStretchFactor(1, 3)
        column.addWidget(self.standing)
        column.addWidget(split, 1)
        column.addWidget(self.reasons)

    # ---- filling -------------------------------------------------------------------------

    def fill(self) -> None:
        """Fill everything anew."""
        model = self.bench.model
        self._quiet = True
        try:
            self.standing.setText(standing(model))
            self._fill_photos()
            self._fill_regions()
        finally:
            self._quiet = False
        self._selected()

    def _fill_photos(self) -> None:
        model = self.bench.model
        self.photos.clear()
        parts: dict[str, QTreeWidgetItem] = {}
        for index, photo in enumerate(model.photos):
            part = photo.entry.part or "no part named"
            if part not in parts:
                parts[part] = heading = QTreeWidgetItem(self.photos, [part])
                heading.setFlags(Qt.ItemFlag.ItemIsEnabled)
                heading.setFirstColumnSpanned(True)
                heading.setExpanded(True)
            item = QTreeWidgetItem(parts[part], [_photo_name(photo), LOOKS[photo.state()].word])
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
            item = _Row(self.regions, [_region_name(region), LOOKS[region.state].word, ""])
            item.setIcon(1, state_icon(region.state))
            item.setData(0, _WHAT, (region.name, None))
            total = sum(finding.area_mm2 or 0.0 for finding in region.findings)
            item.setData(2, _WHAT, total)
            for finding in region.findings:
                area = "" if finding.area_mm2 is None else f"{finding.area_mm2:.1f}"
                row = _Row(item, [f"{finding.id}", finding_line(finding), area])
                row.setData(0, _WHAT, (region.name, finding.id))
                row.setData(2, _WHAT, finding.area_mm2 or 0.0)
        self.regions.expandAll()

    def _selected(self) -> None:
        """Show what is looked at, whoever chose it."""
        model = self.bench.model
        region = model.selected_region()
        wanted = (model.region, model.finding)
        self._quiet = True
        try:
            for item in _items(self.regions):
                if item.data(0, _WHAT) == wanted:
                    self.regions.setCurrentItem(item)
        finally:
            self._quiet = False
        if model.job is None:
            self.reasons.setText(first_steps())
        elif region is not None and region.result is not None:
            self.reasons.setText("\n".join(region.result.reasons))
        elif model.current is not None and model.current.error is not None:
            self.reasons.setText(str(model.current.error))
        else:
            self.reasons.setText("")

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

    # ---- choosing ------------------------------------------------------------------------

    def _photo_chosen(self, item: QTreeWidgetItem | None) -> None:
        index = None if item is None else item.data(0, _WHAT)
        if not self._quiet and index is not None:
            self.bench.model.show(int(index))

    def _region_chosen(self, item: QTreeWidgetItem | None) -> None:
        what = None if item is None else item.data(0, _WHAT)
        if not self._quiet and what is not None:
            self.bench.model.select(*what)

    # ---- a folder let fall on it ---------------------------------------------------------

    def dragEnterEvent(self, event: object) -> None:  # noqa: N802 (Qt's name)
        """Take folders."""
        if any(url.isLocalFile() for url in event.mimeData().urls()):  # type: ignore[attr-defined]
            event.acceptProposedAction()  # type: ignore[attr-defined]

    def dropEvent(self, event: object) -> None:  # noqa: N802 (Qt's name)
        """Open the first."""
        urls = event.mimeData().urls()  # type: ignore[attr-defined]
        self.bench.open(Path(urls[0].toLocalFile()))


class _Row(QTreeWidgetItem):
    """Sorts by size in the size's column, by its words in the others."""

    def __lt__(self, other: QTreeWidgetItem) -> bool:
        column = self.treeWidget().sortColumn()
        if column == 2:
            return float(self.data(2, _WHAT) or 0.0) < float(other.data(2, _WHAT) or 0.0)
        return bool(self.text(column).casefold() < other.text(column).casefold())


def _list(headings: tuple[str, ...]) -> QTreeWidget:
    made = QTreeWidget()
    made.setHeaderLabels(list(headings))
    made.setIndentation(14)
    made.setIconSize(QSize(24, 24))
    made.setUniformRowHeights(True)
    made.setStyleSheet(f"QTreeView::item {{ height: {LEAST_PX}px; }}")
    header = made.header()
    header.setStretchLastSection(False)
    header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
    header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
    header.setMinimumHeight(LEAST_PX if len(headings) > 2 else 0)
    return made


def _items(tree: QTreeWidget) -> list[QTreeWidgetItem]:
    items: list[QTreeWidgetItem | None] = []
    for place in range(tree.topLevelItemCount()):
        top = tree.topLevelItem(place)
        items.append(top)
        if top is not None:
            items.extend(top.child(i) for i in range(top.childCount()))
    return [item for item in items if item is not None]


def _photo_name(photo: PhotoState) -> str:
    mark = " *" if photo.unsaved else ""
    coat = f", coat {photo.entry.coat}" if photo.entry.coat is not None else ""
    stage = "" if photo.entry.stage == "final" else f" ({photo.entry.stage}{coat})"
    return Path(photo.entry.file).name + stage + mark


def _region_name(region: Region) -> str:
    return f"{region.name} (proposed)" if region.proposed else region.name
