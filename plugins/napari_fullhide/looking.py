"""Looking: from photo to photo, from finding to finding, near and far."""

from __future__ import annotations

from functools import partial

from napari_fullhide.bench import Action, Bench
from napari_fullhide.shapes import rows_columns
from napari_fullhide.state import PhotoState

__all__ = ["join"]

#: A chosen place fills at most so much of the canvas, and at least so many photo pixels are shown.
_FILLS, _LEAST_PX = 0.8, 160.0
#: One press of a key moves the view by this part of the canvas, and zooms by this factor.
_PAN, _ZOOM = 0.25, 1.5


def join(bench: Bench) -> None:
    """Give a bench its ways of looking."""
    model, view = bench.model, _View(bench)
    model.selected.connect(view.go)
    there = partial(_has_photos, bench)
    bench.add(
        Action(
            group="Photo",
            text="Next photo",
            keys=("PgDown", "."),
            run=partial(model.step, 1),
            enabled=there,
        ),
        Action(
            group="Photo",
            text="Photo before",
            keys=("PgUp", ","),
            run=partial(model.step, -1),
            enabled=there,
        ),
        Action(
            group="Photo",
            text="Next not passed",
            keys=("N",),
            run=partial(model.step, 1, wanted=_not_passed),
            tip="The next photo with a region that does not pass yet.",
            enabled=there,
        ),
        Action(
            group="Look",
            text="Next place",
            keys=("F",),
            run=partial(model.walk, 1),
            tip="The next finding of this photo, or the next region without one.",
            enabled=there,
        ),
        Action(
            group="Look",
            text="Place before",
            keys=("Shift+F",),
            run=partial(model.walk, -1),
            enabled=there,
            button=False,
        ),
        Action(group="Look", text="Whole photo", keys=("0", "Home"), run=view.whole, enabled=there),
        Action(
            group="Look",
            text="Nearer",
            keys=("+", "="),
            run=partial(view.zoom, _ZOOM),
            enabled=there,
            button=False,
        ),
        Action(
            group="Look",
            text="Farther",
            keys=("-",),
            run=partial(view.zoom, 1 / _ZOOM),
            enabled=there,
            button=False,
        ),
        *(
            Action(
                group="Look",
                text=f"Move {name}",
                keys=(f"Shift+{name.capitalize()}",),
                run=partial(view.pan, *by),
                enabled=there,
                button=False,
            )
            for name, by in (
                ("left", (0, -1)),
                ("right", (0, 1)),
                ("up", (-1, 0)),
                ("down", (1, 0)),
            )
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
            )
            for text, key, names in (
                ("Outlines", "O", ("outlines", "outlines' ground")),
                ("Marks", "M", ("findings", "finding numbers")),
            )
        ),
    )


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
        if region is None:
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
