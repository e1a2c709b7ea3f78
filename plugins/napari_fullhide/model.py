"""A job on the bench: what is drawn, what was found, what is open. No Qt, no napari."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from psygnal import Signal

from fullhide.engine import Inspection, Judged
from fullhide.errors import FullhideError
from fullhide.job import Job, load_job
from fullhide.outline_file import file_bytes, write_outlines
from fullhide.outlines import OUTLINES_FILE, RegionOutline, check_drawn
from fullhide.record import KeptInspection, SetAside
from napari_fullhide.state import Found, Kept, PhotoState, Region, State, same, same_all

__all__ = ["JobModel"]

#: Photos whose pixels are kept at once, the one shown among them.
_KEPT_PHOTOS = 2
_UNDO_STEPS = 200


class JobModel:
    """The job and which photo of it is shown.

    Every change is told through a signal; views listen and draw.
    """

    opened = Signal()
    #: Another photo is shown, by its index.
    shown = Signal(int)
    #: Outlines of the photo were drawn, moved or taken back, by the photo's index.
    redrawn = Signal(int)
    #: Something was found out about a photo, by its index.
    found = Signal(int)
    #: Outlines were written.
    saved = Signal()
    #: Another region or finding of the photo is looked at.
    selected = Signal()

    def __init__(self) -> None:
        self.job: Job | None = None
        self.photos: list[PhotoState] = []
        self.index = -1
        #: Name of the region that is looked at, and id of the finding; None for none.
        self.region: str | None = None
        self.finding: int | None = None
        self._file: bytes | None = None
        self._kept: dict[int, Kept] = {}

    # ---- the job -------------------------------------------------------------------------

    @property
    def current(self) -> PhotoState | None:
        """The photo that is shown."""
        return self.photos[self.index] if 0 <= self.index < len(self.photos) else None

    @property
    def unsaved(self) -> bool:
        """Whether any photo holds outlines that the file does not."""
        return any(photo.unsaved for photo in self.photos)

    def open(self, folder: Path) -> None:
        """Open a job folder and show its first photo.

        Raises
        ------
        FullhideError
            If the job cannot be read; what was open stays open then.
        """
        folder = folder if folder.is_dir() else folder.parent
        file = file_bytes(folder / OUTLINES_FILE)
        job = load_job(folder)
        self.job, self._file, self._kept = job, file, {}
        self.photos = [
            PhotoState(entry, job.outlines_of(entry.file), job.outlines_of(entry.file))
            for entry in job.photos
        ]
        self.index = 0 if self.photos else -1
        self.region = self.finding = None
        self.opened.emit()
        if self.photos:
            self.shown.emit(self.index)

    def as_drawn(self) -> Job:
        """The job with the outlines as they are drawn now.

        Raises
        ------
        RuntimeError
            If no job is open.
        """
        if self.job is None:
            raise RuntimeError("no job is open")
        drawn = tuple(outline for photo in self.photos for outline in photo.drawn)
        # A photo whose outlines cannot be used was drawn in all the same.
        broken = self.job.outlined - {o.photo for o in self.job.outlines}
        outlined = broken | {photo.entry.file for photo in self.photos if photo.drawn}
        return replace(self.job, outlines=drawn, outlined=frozenset(outlined))

    def counts(self) -> Counter[State]:
        """How many regions stand how, over the whole job."""
        return Counter(region.state for photo in self.photos for region in photo.regions())

    def still_open(self) -> int:
        """How many regions do not pass yet; a photo that nobody looked at counts as one."""
        counts = self.counts()
        unseen = sum(1 for photo in self.photos if photo.state() == "open" and not photo.regions())
        return counts["open"] + counts["fail"] + counts["retake"] + unseen

    # ---- which photo ---------------------------------------------------------------------

    def show(self, index: int) -> None:
        """Show a photo; an index beyond the ends does nothing."""
        if 0 <= index < len(self.photos) and index != self.index:
            self.index = index
            self.region = self.finding = None
            self.shown.emit(index)

    def step(self, by: int, *, wanted: Callable[[PhotoState], bool] | None = None) -> None:
        """Show the next photo, or the next of those `wanted`, round and round."""
        count = len(self.photos)
        for i in range(1, count):
            index = (self.index + by * i) % count
            if wanted is None or wanted(self.photos[index]):
                self.show(index)
                return

    # ---- which place ---------------------------------------------------------------------

    def select(self, region: str | None, finding: int | None = None) -> None:
        """Look at a region of the photo, or at one finding of it; None looks at the whole."""
        if (region, finding) != (self.region, self.finding):
            self.region, self.finding = region, finding
            self.selected.emit()

    def selected_region(self) -> Region | None:
        """The region that is looked at; None for the whole photo."""
        regions = self.current.regions() if self.current else ()
        return next((region for region in regions if region.name == self.region), None)

    def stops(self) -> tuple[tuple[str, int | None], ...]:
        """Every finding of the photo, largest first in each region, and regions without any."""
        regions = self.current.regions() if self.current else ()
        stops: list[tuple[str, int | None]] = []
        for region in regions:
            if region.state in ("ignore", "chart", "reference"):
                continue
            stops.extend((region.name, finding.id) for finding in region.findings)
            if not region.findings:
                stops.append((region.name, None))
        return tuple(stops)

    def walk(self, by: int) -> None:
        """Look at the next of `stops`, round and round."""
        stops = self.stops()
        here = (self.region or "", self.finding)
        if not stops:
            return
        if here in stops:
            place = (stops.index(here) + by) % len(stops)
        else:
            place = 0 if by > 0 else len(stops) - 1
        self.select(*stops[place])

    # ---- outlines ------------------------------------------------------------------------

    def draw(
        self,
        outlines: Iterable[RegionOutline],
        index: int | None = None,
        *,
        go_on: bool = False,
    ) -> None:
        """Take outlines as those of a photo, undoable.

        Parameters
        ----------
        index
            The photo's; the one shown if absent.
        go_on
            Whether it belongs to the change before, and is taken back with it.

        Raises
        ------
        FullhideError
            If they cannot stand together; nothing changes then.
        """
        index = self.index if index is None else index
        photo = self.photos[index]
        drawn = tuple(outlines)
        if same_all(drawn, photo.drawn):
            return
        check_drawn(drawn)
        if not go_on:
            photo.undo.append(photo.drawn)
        del photo.undo[:-_UNDO_STEPS]
        photo.redo.clear()
        photo.drawn = drawn
        self.redrawn.emit(index)

    def take_over(self) -> None:
        """Make the engine's proposal an outline of the person's own."""
        photo = self.current
        if photo is not None and photo.proposal():
            self.draw(
                replace(o, properties={k: v for k, v in o.properties.items() if k != "proposed"})
                for o in photo.proposal()
            )

    def undo(self) -> None:
        """Take back the last change of the outlines of the photo shown."""
        self._back("undo", "redo")

    def redo(self) -> None:
        """Do again what was taken back."""
        self._back("redo", "undo")

    def _back(self, source: str, target: str) -> None:
        photo = self.current
        if photo is None or not getattr(photo, source):
            return
        getattr(photo, target).append(photo.drawn)
        photo.drawn = getattr(photo, source).pop()
        self.redrawn.emit(self.index)

    def save(self) -> bool:
        """Write the outlines of every photo that has new ones.

        Returns
        -------
        bool
            Whether there was anything to write.

        Raises
        ------
        FullhideError
            If the file cannot be written or was changed by another program.
        """
        job = self.job
        if job is None or not self.unsaved:
            return False
        path = job.folder / OUTLINES_FILE
        for photo in self.photos:
            if photo.unsaved:
                self._file = write_outlines(
                    path, photo.drawn, photo=photo.entry.file, before=self._file
                )
                self._reread(job.folder)
        self.saved.emit()
        return True

    def _reread(self, folder: Path) -> None:
        """Learn which feature of the file each outline is now; what is drawn stays."""
        self.job = load_job(folder)
        for photo in self.photos:
            fresh = {o.name: o for o in self.job.outlines_of(photo.entry.file)}
            zones = [o for o in self.job.outlines_of(photo.entry.file) if o.kind == "ignore"]
            numbered = []
            for outline in photo.drawn:
                if outline.kind == "ignore":
                    near = next((z for z in zones if same(z, outline)), None)
                else:
                    near = fresh.get(outline.name)
                known = near is not None and near.kind == outline.kind
                numbered.append(replace(outline, number=near.number if near and known else None))
            photo.drawn = tuple(numbered)
            photo.saved = self.job.outlines_of(photo.entry.file)

    # ---- what was found ------------------------------------------------------------------

    def put(self, index: int, inspection: Inspection) -> None:
        """Take in what an inspection found; the pixels of only a few photos are kept."""
        photo = self.photos[index]
        labels = inspection.artifacts.label_map
        marks = []
        for region in inspection.result.regions:
            for finding in region.findings:
                x0, y0, x1, y1 = finding.box_px
                crop = labels[y0:y1, x0:x1]
                marks.append((finding.box_px, np.where(crop == finding.id, crop, 0)))
        photo.error = None
        photo.found = Found(
            result=inspection.result,
            outlines=inspection.artifacts.outlines,
            marks=tuple(marks),
            problems=inspection.problems,
        )
        opened = inspection.artifacts.opened
        if opened is not None and (index == self.index or index in self._kept):
            self.keep(index, Kept(opened, inspection.artifacts.judged))
        self.found.emit(index)

    def put_kept(self, index: int, kept: KeptInspection) -> None:
        """Take in an inspection from the record; of the findings only the boxes are known then."""
        self.photos[index].found = Found(
            result=kept.photo, outlines=kept.outlines, marks=(), problems=()
        )
        self.found.emit(index)

    def put_asides(self, asides: Iterable[SetAside], passing: Collection[tuple[str, str]]) -> None:
        """Take in what the record holds of findings set aside.

        Parameters
        ----------
        asides
            Those that stand.
        passing
            Part and name, case folded, of regions that pass because of them.
        """
        every = tuple(asides)
        for index, photo in enumerate(self.photos):
            mine = tuple(aside for aside in every if aside.file == photo.entry.file)
            part = (photo.entry.part or "").casefold()
            names = frozenset(name for where, name in passing if where == part)
            if (mine, names) != (photo.asides, photo.passing):
                photo.asides, photo.passing = mine, names
                self.found.emit(index)

    def put_error(self, index: int, error: FullhideError) -> None:
        """Take in that a photo could not be used; what was found in it before holds no more."""
        self.photos[index].error = error
        self.photos[index].found = None
        self.found.emit(index)

    def keep(self, index: int, kept: Kept) -> None:
        """Keep a photo's pixels, and let go of those looked at longest ago."""
        self._kept.pop(index, None)
        self._kept[index] = kept
        while len(self._kept) > _KEPT_PHOTOS:
            oldest = next(i for i in self._kept if i != self.index or len(self._kept) == 1)
            del self._kept[oldest]

    def kept(self, index: int) -> Kept | None:
        """The photo's pixels, if they are still there."""
        return self._kept.get(index)

    def kept_regions(self, index: int, *, but: str) -> Mapping[str, Judged]:
        """Regions that need not be judged again when one has been redrawn."""
        kept, photo = self._kept.get(index), self.photos[index]
        if kept is None or photo.found is None:
            return {}
        holds = {region.name for region in photo.regions() if region.result is not None}
        return {n: judged for n, judged in kept.judged.items() if n in holds and n != but}
