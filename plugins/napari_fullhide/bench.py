"""The bench: a job's model, napari's layers and what a person can do, tied together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray
from psygnal import Signal

from fullhide.errors import FullhideError
from fullhide.opened import Opened, Prepared, open_entry, prepared
from fullhide.photo import Photo, open_photo
from fullhide.shown import display
from napari_fullhide.background import in_background
from napari_fullhide.layers import JobLayers
from napari_fullhide.model import JobModel
from napari_fullhide.state import Kept

if TYPE_CHECKING:
    from napari.components import ViewerModel

__all__ = ["Action", "Bench", "bench_of"]

#: Modules that add to every bench; each has `join(bench)`.
EXTRAS: tuple[str, ...] = ("napari_fullhide.looking",)
#: Pictures that are kept for a quick way back, the one shown among them.
_PICTURES = 3

Picture = NDArray[np.uint8]


def _always() -> bool:
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """Something a person can do: a button, a key, and a line in the list of keys.

    Attributes
    ----------
    group
        Heading that it stands under.
    text
        On the button: two or three plain words.
    keys
        As Qt writes them, such as ``"Ctrl+Z"``; the first is shown.
    run
        What it does.
    tip
        One sentence.
    enabled, checked
        Whether it can be done now; whether it is on, None for what is not switched on and off.
    button
        False: key only.
    """

    group: str
    text: str
    keys: tuple[str, ...]
    run: Callable[[], None]
    tip: str = ""
    enabled: Callable[[], bool] = _always
    checked: Callable[[], bool] | None = None
    button: bool = True


class Bench:
    """One job in one viewer.

    Parameters
    ----------
    viewer
        napari's viewer, or its model alone.
    """

    #: What is said to the person: text, and whether it is bad news.
    said = Signal(str, bool)
    #: Actions were added, or what is enabled or checked may have changed.
    refreshed = Signal()
    #: The photo of this index can be measured in (see `ready`).
    prepared = Signal(int)

    def __init__(self, viewer: ViewerModel) -> None:
        self.viewer = viewer
        self.model = JobModel()
        self.layers = JobLayers(viewer, self._drawn_in_napari)
        self.actions: list[Action] = []
        #: Called when the person changed shapes in napari; drawing tools take its place.
        self.on_drawn: Callable[[], None] = self._show_regions
        self._pictures: dict[int, Picture] = {}
        self._photos: dict[int, Photo] = {}
        self._ready: dict[int, Prepared] = {}
        self._failed: set[int] = set()
        self._busy = False
        self._generation = 0
        model = self.model
        model.opened.connect(self._opened)
        model.shown.connect(self._shown)
        model.redrawn.connect(self._redrawn)
        model.found.connect(self._found)
        for signal in (model.saved, model.selected):
            signal.connect(self.refresh, max_args=0)

    # ---- for the docks and the tools -----------------------------------------------------

    def open(self, folder: Path) -> bool:
        """Open a job; a fault is said, not raised. Returns whether it was opened."""
        try:
            self.model.open(folder)
        except FullhideError as error:
            self.say_error(error)
            return False
        return True

    def add(self, *actions: Action) -> None:
        """Add to what a person can do."""
        self.actions.extend(actions)
        self.refresh()

    def refresh(self) -> None:
        """Have every button ask again whether it is enabled and checked."""
        self.refreshed.emit()

    def say(self, text: str) -> None:
        """Tell the person something."""
        self.said.emit(text, False)

    def say_error(self, error: FullhideError) -> None:
        """Tell the person what is wrong and what to do, in the engine's sentence."""
        self.said.emit(str(error), True)

    def picture(self, index: int) -> Picture | None:
        """A photo as a screen shows it; None until it is opened."""
        return self._pictures.get(index)

    def ready(self, index: int) -> Prepared | None:
        """A photo calibrated for the outlines as they are drawn; None until that is done."""
        return self._ready.get(index)

    @property
    def waiting(self) -> bool:
        """Whether something is being opened."""
        return self._busy

    # ---- what the model tells ------------------------------------------------------------

    def _opened(self) -> None:
        self._generation += 1
        self._pictures.clear()
        self._photos.clear()
        self._ready.clear()
        self._failed.clear()
        self.layers.clear()
        job = self.model.job
        if job is not None:
            self.viewer.title = f"fullhide: {job.name}"
            for problem in job.problems:
                self.say_error(problem)
        self.refresh()

    def _shown(self, index: int) -> None:
        picture = self._pictures.get(index)
        if picture is None:
            self.layers.blank()
        else:
            self._show_picture(index, picture)
        self.refresh()
        self._pump()

    def _redrawn(self, index: int) -> None:
        self._ready.pop(index, None)
        if index == self.model.index:
            self._show_regions()
        self.refresh()
        self._pump()

    def _found(self, index: int) -> None:
        if index == self.model.index:
            self._show_regions()
        self.refresh()

    def _drawn_in_napari(self) -> None:
        self.on_drawn()

    def _show_regions(self) -> None:
        state = self.model.current
        if state is not None and self.model.index in self._pictures:
            self.layers.show_regions(state.regions())
            self.layers.show_findings(state)

    def _show_picture(self, index: int, picture: Picture) -> None:
        self.layers.show_photo(picture, self.model.photos[index].entry.file)
        self._show_regions()
        if self.layers.photo is not None:
            self.viewer.fit_to_view()

    # ---- opening photos, one at a time, in the background --------------------------------

    def _pump(self) -> None:
        """Begin the most wanted piece of work, unless one is going on."""
        if self._busy or self.model.job is None:
            return
        index = self.model.index
        after = index + 1
        if index < 0:
            return
        if index not in self._pictures and index not in self._failed:
            self._begin(partial(_load, self.model.job.path(self._file(index))), index, self._loaded)
        elif index in self._pictures and index not in self._ready and index not in self._failed:
            job, entry = self.model.as_drawn(), self.model.photos[index].entry
            kept, photo = self.model.kept(index), self._photos.get(index)

            def work() -> tuple[Opened, Prepared]:
                opened = kept.opened if kept else open_entry(job, entry, photo=photo)
                return opened, prepared(opened, job, entry)

            self._begin(work, index, self._calibrated)
        elif (
            after < len(self.model.photos)
            and after not in self._pictures
            and after not in self._failed
        ):
            self._begin(partial(_load, self.model.job.path(self._file(after))), after, self._loaded)

    def _file(self, index: int) -> str:
        return self.model.photos[index].entry.file

    def _begin(self, work: Callable[[], Any], index: int, done: Callable[[int, Any], None]) -> None:
        self._busy = True
        generation = self._generation
        drawn = self.model.photos[index].drawn

        def finished(result: Any) -> None:
            self._busy = False
            if generation == self._generation:
                if isinstance(result, FullhideError):
                    self._failed.add(index)
                    self.model.put_error(index, result)
                    self.say_error(result)
                elif done != self._calibrated or drawn is self.model.photos[index].drawn:
                    done(index, result)
            self.refresh()
            self._pump()

        in_background(work, finished)

    def _loaded(self, index: int, result: tuple[Photo, Picture]) -> None:
        self._photos[index], self._pictures[index] = result
        if index == self.model.index:
            self._show_picture(index, result[1])
        for old in list(self._pictures):
            if len(self._pictures) > _PICTURES and old not in (index, self.model.index):
                self._pictures.pop(old)
                self._photos.pop(old, None)
                self._ready.pop(old, None)

    def _calibrated(self, index: int, result: tuple[Opened, Prepared]) -> None:
        opened, ready = result
        if index == self.model.index:
            if self.model.kept(index) is None:
                self.model.keep(index, Kept(opened))
            self._ready[index] = ready
            self.prepared.emit(index)


def _load(path: Path) -> tuple[Photo, Picture]:
    photo = open_photo(path)
    return photo, display(photo)


#: By id of the viewer, for as long as a dock or a person holds the bench.
_BENCHES: WeakValueDictionary[int, Bench] = WeakValueDictionary()


def bench_of(viewer: ViewerModel) -> Bench:
    """The one bench of a viewer; made, with everything that joins it, when first asked for."""
    viewer = getattr(viewer, "__wrapped__", viewer)  # napari hands plugins a wrapped one
    bench = _BENCHES.get(id(viewer))
    if bench is None:
        bench = _BENCHES[id(viewer)] = Bench(viewer)
        for name in EXTRAS:
            import_module(name).join(bench)
    return bench
