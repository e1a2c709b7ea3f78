"""Looking: from photo to photo, from finding to finding, near and far."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from napari_fullhide.bench import Action, Bench
from napari_fullhide.shapes import rows_columns
from napari_fullhide.state import PhotoState

__all__ = ["join"]

#: A chosen place fills at most so much of the canvas, and at least so many photo pixels are shown.
_FILLS, _LEAST_PX = 0.8, 160.0
#: One press of a key moves the view by this part of the canvas, and zooms by this factor.
_PAN, _ZOOM = 0.25, 1.5
_WAYS = (("left", (0, -1)), ("right", (0, 1)), ("up", (-1, 0)), ("down", (1, 0)))


def join(bench: Bench) -> None:
    """Give a bench its ways of looking."""
    model, view = bench.model, _View(bench)
    bench.hold(view)
    model.selected.connect(view.go)
    there = partial(_has_photos, bench)
    bench.add(*_photo_actions(bench, there), *_look_actions(view, bench, there))


def _photo_actions(bench: Bench, there: Callable[[], bool]) -> list[Action]:
    model = bench.model
    return [
        Action(
            group="Photo",
            text="Previous",
            keys=(",", "PgUp"),
            run=partial(model.step, -1),
            tip="The photo before this one.",
            enabled=there,
            half=True,
        ),
        Action(
            group="Photo",
            text="Next",
            keys=(".", "PgDown"),
            run=partial(model.step, 1),
            tip="The next photo.",
            enabled=there,
            half=True,
        ),
        Action(
            group="Photo",
            text="Next not passed",
            keys=("N",),
            run=partial(model.step, 1, wanted=_not_passed),
            tip="The next photo with a region that does not pass yet.",
            enabled=there,
        ),
    ]


def _look_actions(view: _View, bench: Bench, there: Callable[[], bool]) -> list[Action]:
    def key_only(text: str, keys: tuple[str, ...], run: Callable[[], None]) -> Action:
        return Action(group="Look", text=text, keys=keys, run=run, enabled=there, button=False)

    return [
        Action(
            group="Look",
            text="Next place",
            keys=("F",),
            run=partial(bench.model.walk, 1),
            tip="The next finding of this photo, or the next region without one.",
            enabled=there,
            half=True,
        ),
        Action(
            group="Look",
            text="Whole",
            keys=("0", "Home"),
            run=view.whole,
            tip="The whole photo.",
            enabled=there,
            half=True,
        ),
        *(
            Action(
                group="Look",
                text=text,
                keys=(key,),
                run=partial(view.switch, names),
                tip="Off for a look at the bare photo.",
                enabled=there,
                checked=partial(view.on, names),
                half=True,
            )
            for text, key, names in (
                ("Outlines", "O", ("outlines", "outlines' ground", "names", "names' ground")),
                ("Marks", "M", ("findings", "finding numbers")),
            )
        ),
        key_only("Place before", ("Shift+F",), partial(bench.model.walk, -1)),
        key_only("Nearer", ("+", "="), partial(view.zoom, _ZOOM)),
        key_only("Farther", ("-",), partial(view.zoom, 1 / _ZOOM)),
        *(
            key_only(f"Move {name}", (f"Shift+{name.capitalize()}",), partial(view.pan, *by))
            for name, by in _WAYS
        ),
    ]


def _has_photos(bench: Bench) -> bool:
    return bool(bench.model.photos)


def _not_passed(photo: PhotoState) -> bool:
    return photo.state() not in ("pass", "before")


class _View:
    """Moves napari's camera, and shows and hides layers."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def go(self) -> None:
        """Go to the region or finding that is looked at."""
        model = self.bench.model
        region = model.selected_region()
        if region is None or self.bench.still:
            return
        finding = next((f for f in region.findings if f.id == model.finding), None)
        if finding is None:
            corners = rows_columns(region.outline.polygon)
            low, high = corners.min(axis=0), corners.max(axis=0)
            room = 1.0
        else:
            x0, y0, x1, y1 = finding.box_px
            low, high = (y0 - 0.5, x0 - 0.5), (y1 - 0.5, x1 - 0.5)
            room = 4.0  # a spot is judged by what is round it
        spans = [max(_LEAST_PX, room * (b - a)) for a, b in zip(low, high, strict=True)]
        viewer = self.bench.viewer
        size = viewer.canvas.size
        camera = viewer.scene.camera
        camera.center = (0.0, *((a + b) / 2 for a, b in zip(low, high, strict=True)))
        camera.zoom = _FILLS * min(s / span for s, span in zip(size, spans, strict=True))

    def whole(self) -> None:
        """The whole photo."""
        self.bench.model.select(None)
        self.bench.viewer.fit_to_view()

    def zoom(self, factor: float) -> None:
        """Nearer or farther."""
        self.bench.viewer.scene.camera.zoom *= factor

    def pan(self, rows: int, columns: int) -> None:
        """Move the view by a part of the canvas."""
        viewer = self.bench.viewer
        camera = viewer.scene.camera
        height, width = viewer.canvas.size
        z, y, x = camera.center
        step = _PAN / camera.zoom
        camera.center = (z, y + rows * step * height, x + columns * step * width)

    def on(self, names: tuple[str, ...]) -> bool:
        """Whether layers are shown."""
        return not self.bench.layers.hidden & set(names)

    def switch(self, names: tuple[str, ...]) -> None:
        """Show layers, or hide them."""
        layers = self.bench.layers
        layers.hidden ^= set(names)
        layers.show_hidden()
        self.bench.refresh()
