"""The bench: a job's model, napari's layers and what a person can do, tied together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray
from psygnal import Signal

from fullhide.errors import FullhideError
from fullhide.opened import Opened, Prepared, open_entry, prepared
from fullhide.photo import Photo, open_photo
from fullhide.probe import Place
from fullhide.shown import display
from napari_fullhide.background import in_background, later
from napari_fullhide.layers import JobLayers
from napari_fullhide.model import JobModel
from napari_fullhide.state import Kept, PhotoState
from napari_fullhide.warming import warm

if TYPE_CHECKING:
    from napari.components import ViewerModel

__all__ = ["Action", "Bench", "bench_of"]

#: Modules that add to every bench; each has `join(bench)`.
EXTRAS: tuple[str, ...] = (
    "napari_fullhide.looking",
    "napari_fullhide.inspecting",
    "napari_fullhide.asides",
    "napari_fullhide.signing",
    "napari_fullhide.restoring",
    "napari_fullhide.draw_tools",
    "napari_fullhide.hovering",
    "napari_fullhide.mapping",
    "napari_fullhide.beside",
    "napari_fullhide.colours",
    "napari_fullhide.keeping",
)
#: Pictures that are kept for a quick way back, the one shown among them.
_PICTURES = 3
#: Time that a window has to draw a photo before the next one is opened.
_DRAW_MS = 150
#: Time for the mouse and the keys between one layer and the next.
_TURN_MS = 5

Picture = NDArray[np.uint8]
Part = TypeVar("Part")


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
    half
        Two such buttons, with a word or two each, share a row.
    """

    group: str
    text: str
    keys: tuple[str, ...]
    run: Callable[[], object]
    tip: str = ""
    enabled: Callable[[], bool] = _always
    checked: Callable[[], bool] | None = None
    button: bool = True
    half: bool = False


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
    #: The picture of this photo is there (see `picture`).
    loaded = Signal(int)
    #: The pointer is somewhere else (see `at` and `place`).
    pointed = Signal()
    #: A second picture is wanted beside the photo, or no longer.
    beside_switched = Signal(bool)

    def __init__(self, viewer: ViewerModel) -> None:
        self.viewer = viewer
        self.model = JobModel()
        self.layers = JobLayers(viewer, self._drawn_in_napari)
        self.actions: list[Action] = []
        #: What joined the bench, by its class (see `part`).
        self.parts: dict[type, object] = {}
        #: True while a place is chosen that is in sight already: the view stays.
        self.still = False
        #: Called when the person changed shapes in napari; drawing tools take its place.
        self.on_drawn: Callable[[], None] = self._show_regions
        #: Asked before another job takes the place of this one.
        self.may_leave: Callable[[], bool] = _always
        #: Where the pointer is in the photo, pixels, and what the engine says of the place.
        self.at: tuple[float, float] | None = None
        self.place: Place | None = None
        #: Whether a second picture is shown beside the photo.
        self.beside = False
        self._held: list[object] = []
        self._wanted: int | None = None
        self._pictures: dict[int, Picture] = {}
        self._photos: dict[int, Photo] = {}
        self._ready: dict[int, Prepared] = {}
        self._failed: set[int] = set()
        self._busy = self._due = self._lacking = False
        #: What is still to be shown of what was found.
        self._rest: list[Callable[[], None]] = []
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
        if not self.may_leave():
            return False
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

    def do(self, action: Action) -> None:
        """Do what a person asked for, if it can be done now."""
        if action.enabled():
            action.run()
        self.refresh()

    def hold(self, thing: object) -> None:
        """Keep something that listens alive for as long as the bench lives."""
        self._held.append(thing)

    def point(self, at: tuple[float, float] | None, place: Place | None) -> None:
        """Take in where the pointer is."""
        self.at, self.place = at, place
        self.pointed.emit()

    def set_beside(self, on: bool) -> None:
        """Show a second picture beside the photo, or no longer; see `beside_switched`."""
        self.beside = on
        self.beside_switched.emit(on)
        self.refresh()

    def look_again(self) -> None:
        """Show the whole photo, or go to the place chosen, in a canvas of another size."""
        if self.model.region is None:
            if self.layers.photo is not None:
                self.viewer.fit_to_view()
        else:
            self.model.selected.emit()

    def want(self, index: int | None) -> None:
        """Open one more photo, to be shown beside the other; see `loaded`."""
        self._wanted = index
        self._pump()

    def part(self, kind: type[Part]) -> Part:
        """What joined the bench as one of a class; made where it is not there yet."""
        if kind not in self.parts:
            self.parts[kind] = kind(self)  # type: ignore[call-arg]
        return cast(Part, self.parts[kind])

    def select_here(self, region: str, finding: int | None) -> None:
        """Look at a place without moving the view: the person has just clicked there."""
        self.still = True
        try:
            self.model.select(region, finding)
        finally:
            self.still = False

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
        """Whether something is being opened, or will be in a moment."""
        return self._busy or self._due or bool(self._rest)

    # ---- what the model tells ------------------------------------------------------------

    def _opened(self) -> None:
        self._generation += 1
        self._pictures.clear()
        self._photos.clear()
        self._ready.clear()
        self._failed.clear()
        self.layers.clear()
        self._wanted = None
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
            self._pump()
        else:
            self._show_picture(index, picture)
            self._soon()
        self.refresh()

    def _redrawn(self, index: int) -> None:
        self._ready.pop(index, None)
        if index == self.model.index:
            self._show_regions()
        self.refresh()
        self._pump()

    def _found(self, index: int) -> None:
        if index == self.model.index:
            self._show_in_turns()
        self.refresh()

    def _show_in_turns(self) -> None:
        """Show the regions' layers one after another: at once they would hold the window up."""
        self._rest = [
            self._show_outlines,
            partial(self._show_names, ground=True),
            partial(self._show_names, ground=False),
            self._show_findings,
        ]
        self._show_rest()

    def _show_rest(self) -> None:
        if self._rest:
            self._rest.pop(0)()
        if self._rest:
            later(self._show_rest, _TURN_MS)

    def _drawn_in_napari(self) -> None:
        self.on_drawn()

    def _show_regions(self) -> None:
        self._rest.clear()
        self._show_outlines()
        self._show_names()
        self._show_findings()

    def _show_outlines(self) -> None:
        if (state := self._on_screen()) is not None:
            self.layers.show_regions(state.regions())

    def _show_names(self, *, ground: bool | None = None) -> None:
        if (state := self._on_screen()) is not None:
            self.layers.show_names(state.regions(), ground=ground)

    def _show_findings(self) -> None:
        if (state := self._on_screen()) is not None:
            self.layers.show_findings(state)

    def _on_screen(self) -> PhotoState | None:
        return self.model.current if self.model.index in self._pictures else None

    def _show_picture(self, index: int, picture: Picture) -> None:
        self.layers.show_photo(picture, self.model.photos[index].entry.file)
        self._show_regions()
        if self.layers.photo is not None:
            self.viewer.fit_to_view()

    def _soon(self) -> None:
        """Go on once the window has drawn: what comes next does not hold up the picture."""
        self._due = True
        later(self._go_on, _DRAW_MS)

    def _go_on(self) -> None:
        self._due = not self.layers.complete()
        if self._due:
            self._lacking = True
            later(self._go_on, _TURN_MS)
            return
        if self._lacking:
            self._lacking = False
            self._show_in_turns()
        self._pump()

    # ---- opening photos, one at a time, in the background --------------------------------

    def _pump(self) -> None:
        """Begin the most wanted piece of work, unless one is going on."""
        if self._busy or self.model.job is None:
            return
        index = self.model.index
        if index < 0:
            return
        for wanted in (index, self._wanted):
            if wanted is not None and self._lacks(wanted):
                self._begin(self._loading(wanted), wanted, self._loaded)
                return
        if index not in self._ready and index not in self._failed:
            self._begin(self._calibrating(index), index, self._calibrated)
        elif index + 1 < len(self.model.photos) and self._lacks(index + 1):
            self._begin(self._loading(index + 1), index + 1, self._loaded)

    def _lacks(self, index: int) -> bool:
        return index not in self._pictures and index not in self._failed

    def _loading(self, index: int) -> Callable[[], tuple[Photo, Picture]]:
        job = self.model.as_drawn()
        return partial(_load, job.path(self.model.photos[index].entry.file))

    def _calibrating(self, index: int) -> Callable[[], tuple[Opened, Prepared]]:
        job, entry = self.model.as_drawn(), self.model.photos[index].entry
        kept, photo = self.model.kept(index), self._photos.get(index)

        def work() -> tuple[Opened, Prepared]:
            opened = kept.opened if kept else open_entry(job, entry, photo=photo)
            return opened, prepared(opened, job, entry)

        return work

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
            if done == self._loaded:
                self._soon()
            else:
                self._pump()

        in_background(work, finished)

    def _loaded(self, index: int, result: tuple[Photo, Picture]) -> None:
        self._photos[index], self._pictures[index] = result
        if index == self.model.index:
            self._show_picture(index, result[1])
        self.loaded.emit(index)
        for old in list(self._pictures):
            keep = (index, self.model.index, self._wanted)
            if len(self._pictures) > _PICTURES and old not in keep:
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
    warm()
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
