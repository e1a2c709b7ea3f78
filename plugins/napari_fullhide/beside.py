"""Two pictures side by side, their cameras linked: reference and dyed part, before and after."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from napari_fullhide.bench import Action, Bench
from napari_fullhide.shapes import rows_columns
from napari_fullhide.state import PhotoState

if TYPE_CHECKING:
    from napari.components import ViewerModel

__all__ = ["Comparison", "View", "join", "views"]

Point = NDArray[np.float64]


class View(NamedTuple):
    """Something to hold the photo against.

    Attributes
    ----------
    title
        For the person.
    photo
        Index of the photo that it is in.
    region
        Name of the outline in it to begin at; None begins at its middle.
    """

    title: str
    photo: int
    region: str | None


def views(photos: list[PhotoState], index: int) -> tuple[View, ...]:
    """What a photo can be held against, likeliest first.

    References in it, then photos of the same part, those of before the work first, then
    references in other photos.
    """
    if not 0 <= index < len(photos):
        return ()
    here = photos[index]
    own = [
        View(f"{o.name}, reference here", index, o.name)
        for o in here.drawn
        if o.kind == "reference"
    ]
    part = (here.entry.part or "").casefold()
    same = [
        number
        for number, photo in enumerate(photos)
        if number != index and part and (photo.entry.part or "").casefold() == part
    ]
    same.sort(key=lambda number: photos[number].entry.stage != "before")
    shots = [View(_shot(photos[number]), number, None) for number in same]
    others = [
        View(f"{o.name}, reference in {photo.entry.file.rpartition('/')[2]}", number, o.name)
        for number, photo in enumerate(photos)
        if number != index
        for o in photo.drawn
        if o.kind == "reference"
    ]
    return (*own, *shots, *others)


def _shot(photo: PhotoState) -> str:
    coat = f" {photo.entry.coat}" if photo.entry.coat is not None else ""
    return f"{photo.entry.stage}{coat}, {photo.entry.file.rpartition('/')[2]}"


class Comparison:
    """Two cameras that move together.

    Parameters
    ----------
    bench
        The photo that is looked at.
    other
        The viewer that shows what it is held against.
    """

    def __init__(self, bench: Bench, other: ViewerModel) -> None:
        self.bench = bench
        self.other = other
        self.view: View | None = None
        self._image = None
        #: Places that lie on each other, rows and columns, and the other's pixels for one here.
        self._here = self._there = np.zeros(2)
        self._ratio = 1.0
        self._moving = False
        bench.loaded.connect(self._loaded)
        for one, two, there in (
            (bench.viewer, other, True),
            (other, bench.viewer, False),
        ):
            follow = partial(self._follow, one, two, there)
            one.scene.camera.events.center.connect(follow)
            one.scene.camera.events.zoom.connect(follow)

    def show(self, view: View | None) -> None:
        """Hold the photo against something else; None against nothing."""
        self.view = view
        self.bench.want(None if view is None else view.photo)
        if view is None:
            return
        if self.bench.picture(view.photo) is not None:
            self._loaded(view.photo)
        elif self._image is not None:
            self._image.visible = False

    def _loaded(self, index: int) -> None:
        view, picture = self.view, self.bench.picture(index)
        if view is None or picture is None or view.photo != index:
            return
        if self._image is None:
            self._image = self.other.add_image(picture, name="beside", rgb=True)
        else:
            if self._image.data is not picture:
                self._image.data = picture
            self._image.visible = True
        self._lay(view)

    def _lay(self, view: View) -> None:
        """Lay the places on each other that a person wants to compare."""
        model = self.bench.model
        here, there = self.bench.picture(model.index), self.bench.picture(view.photo)
        if here is None or there is None:
            return
        self._ratio = self._scale(view.photo, here.shape[0], there.shape[0])
        self._here = _middle(model.photos[model.index], model.region, here.shape)
        region = view.region or model.region  # a region keeps its name from photo to photo
        self._there = _middle(model.photos[view.photo], region, there.shape)
        self._follow(self.bench.viewer, self.other, True)

    def _scale(self, index: int, height: int, other: int) -> float:
        """The other photo's pixels for one of this: by millimetres where both are known."""
        model = self.bench.model
        if index == model.index:
            return 1.0
        found = [model.photos[number].found for number in (model.index, index)]
        mm = [one.result.mm_per_px if one is not None else None for one in found]
        if mm[0] is not None and mm[1] is not None:
            return mm[0] / mm[1]
        return other / height

    def _follow(self, one: ViewerModel, two: ViewerModel, there: bool) -> None:
        if self._moving or self.view is None:
            return
        self._moving = True
        try:
            near, far = (self._here, self._there) if there else (self._there, self._here)
            ratio = self._ratio if there else 1.0 / self._ratio
            centre = np.asarray(one.scene.camera.center[-2:], np.float64)
            moved = far + (centre - near) * ratio
            two.scene.camera.center = (0.0, float(moved[0]), float(moved[1]))
            two.scene.camera.zoom = one.scene.camera.zoom / ratio
        finally:
            self._moving = False


def _middle(photo: PhotoState, region: str | None, shape: tuple[int, ...]) -> Point:
    outline = next((o for o in photo.drawn if o.name == region), None)
    if outline is None:
        return np.array([shape[0] / 2, shape[1] / 2])
    corners = rows_columns(outline.polygon)
    return np.asarray(0.5 * (corners.min(axis=0) + corners.max(axis=0)), np.float64)


def join(bench: Bench) -> None:
    """Give a bench its comparison; the pane itself belongs to the window."""
    bench.add(
        Action(
            group="Look",
            text="Beside",
            keys=("B",),
            run=lambda: bench.set_beside(not bench.beside),
            tip="A second picture beside the photo: a reference, or the part before the work.",
            enabled=lambda: bool(bench.model.photos),
            checked=lambda: bench.beside,
            half=True,
        )
    )
