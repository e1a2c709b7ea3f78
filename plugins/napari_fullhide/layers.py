"""The job's layers in napari: photo, map, outlines, findings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fullhide.outlines import BANDS
from fullhide.result import Finding
from napari_fullhide.shapes import FEATURES, rows_columns
from napari_fullhide.state import PhotoState, Region
from napari_fullhide.style import LOOKS, MARK, SUPPORT

if TYPE_CHECKING:
    from napari.components import ViewerModel
    from napari.layers import Image, Labels, Points, Shapes

__all__ = ["JobLayers"]

#: Width of an outline over the photo's longer side; the line under it is this many times as wide.
_LINE, _UNDER = 1 / 360, 2.2
#: A finding's ring is so many screen pixels wide at least, where the whole photo is seen, and
#: this many times its box.
_RING_PX, _RING = 26.0, 1.3
_RING_LINE = 0.11
#: Width of a letter of a region's name on the screen, roughly.
_LETTER_PX = 10.0
#: Wider than this on the screen, a finding is seen without its ring.
_NEAR_PX = 90.0


class JobLayers:
    """Fills and refills the layers; one set for the whole job, so that switching is quick.

    Parameters
    ----------
    viewer
        napari's viewer, or its model alone.
    on_drawn
        Called when the person changed the outlines in napari.
    """

    def __init__(self, viewer: ViewerModel, on_drawn: Callable[[], None]) -> None:
        self.viewer = viewer
        self._on_drawn = on_drawn
        self._quiet = 0
        self._colours: list[str] = []
        self._near: tuple[bool, ...] | None = None
        viewer.scene.camera.events.zoom.connect(self._zoomed)
        #: Names of layers that the person does not want to see.
        self.hidden: set[str] = set()
        self.photo: Image | None = None
        self.map: Image | None = None
        self.ground: Shapes | None = None
        self.outlines: Shapes | None = None
        self.findings: Labels | None = None
        self.numbers: Points | None = None
        self.names: list[Points] = []

    # ---- filling -------------------------------------------------------------------------

    def show_photo(self, picture: NDArray[np.uint8], title: str) -> None:
        """Show a photo; outlines and findings follow."""
        with self.quietly():
            if self.photo is None or self.photo not in self.viewer.layers:
                self._make(picture)
            elif self.photo.data is not picture:
                self.photo.data = picture
            if self.photo is None:  # for the type checker: `_make` has made it
                return
            self.show_hidden()
            self.photo.metadata["file"] = title
            self._bare_map()

    def blank(self) -> None:
        """Show nothing while a photo is being opened: never one photo under another's name."""
        with self.quietly():
            for layer in self._mine():
                layer.visible = False

    def show_hidden(self) -> None:
        """Show every layer but those in `hidden`; the map keeps to itself."""
        for layer in self._mine():
            if layer is not self.map:
                layer.visible = layer.name not in self.hidden

    def clear(self) -> None:
        """Take every layer of ours away."""
        with self.quietly():
            for layer in self._mine():
                self.viewer.layers.remove(layer)
        self.photo = self.map = self.ground = self.outlines = None
        self.findings = self.numbers = None
        self.names = []

    def _mine(self) -> list[Any]:
        mine = (self.photo, self.map, self.ground, self.outlines, self.findings, self.numbers)
        mine = (*mine, *self.names)
        return [layer for layer in mine if layer is not None and layer in self.viewer.layers]

    def show_regions(self, regions: tuple[Region, ...]) -> None:
        """Show outlines in the colour of their verdict; `show_names` says it in words."""
        if self.outlines is None or self.ground is None or self.photo is None:
            return
        shapes = [rows_columns(region.outline.polygon) for region in regions]
        colours = [LOOKS[region.state].colour for region in regions]
        labels = _labels(regions)
        width = max(2.0, _LINE * max(self.photo.data.shape[:2]))
        with self.quietly():
            chosen = set(self.outlines.selected_data)
            if shapes and self._holds(shapes, width):
                self.outlines.edge_color = colours  # a tenth of the time: the lines stay
            else:
                self._replace(self.ground, shapes, [SUPPORT] * len(shapes), _UNDER * width)
                self._replace(self.outlines, shapes, colours, width)
            self.outlines.features = {
                "place": np.arange(len(labels)),
                "label": np.array(labels, object),  # of text even where there is none
            }
            self.outlines.feature_defaults = FEATURES
            self.outlines.current_edge_width = width
            if len(chosen) and max(chosen) < len(shapes):
                self.outlines.selected_data = chosen

    def show_findings(self, state: PhotoState) -> None:
        """Show what was found in regions that are drawn as they were inspected."""
        if self.findings is None or self.numbers is None or self.photo is None:
            return
        regions = [region for region in state.regions() if region.findings]
        found = [(finding, region) for region in regions for finding in region.findings]
        known = [finding.id for finding, _ in found]
        shape = self.photo.data.shape[:2]
        rings = () if state.found is None else state.found.rings(_rim(shape))
        # napari draws small numbers four times as fast.
        few = all(int(crop.max()) < 256 for _, crop in rings)
        labels: NDArray[Any] = np.zeros(shape, np.uint8 if few else np.uint16)
        for (x0, y0, x1, y1), crop in rings:
            # Not those of a region that was drawn anew since.
            np.copyto(labels[y0:y1, x0:x1], crop, where=np.isin(crop, known), casting="unsafe")
        boxes = np.array([finding.box_px for finding, _ in found], np.float64).reshape(-1, 4)
        with self.quietly():
            self.findings.data = labels
            self.findings.features = _table([finding for finding, _ in found])
            middle = 0.5 * (boxes[:, 1::-1] + boxes[:, 3:1:-1]) - 0.5
            self.numbers.data = middle
            if len(found):
                size = _RING * (boxes[:, 2:] - boxes[:, :2]).max(axis=1) + 4.0
                # Not by `canvas_size_limits`: napari thickens the ring of what it enlarges.
                self.numbers.size = np.maximum(size, _RING_PX / self._whole_zoom(shape))
                self.numbers.features = {"label": [_number(f, r) for f, r in found]}
                self.numbers.border_color = [_ring_colour(f, r) for f, r in found]
                self.numbers.face_color = "transparent"
                self.numbers.selected_data = set()
        self._colours = [_ring_colour(f, r) for f, r in found]
        self._near = None
        self._zoomed()

    def show_map(self, picture: NDArray[Any] | None, factor: float, *, limit: float | None) -> None:
        """Lay a map over the photo; None takes it away.

        Parameters
        ----------
        limit
            Value that is drawn brightest; None for a picture in colours.
        """
        if self.map is None or self.map not in self.viewer.layers:
            return
        with self.quietly():
            if picture is None:
                self._bare_map()
                return
            colours = picture.ndim == 3
            if colours != self.map.rgb:  # napari cannot turn one into the other
                place = self.viewer.layers.index(self.map)
                self.viewer.layers.remove(self.map)
                self.map = self.viewer.add_image(picture, name="map", rgb=colours)
                self.viewer.layers.move(self.viewer.layers.index(self.map), place)
            else:
                self.map.data = picture
            self.map.scale = (factor, factor)
            # A map pixel's middle lies in the middle of the photo pixels that it stands for.
            self.map.translate = (0.5 * (factor - 1), 0.5 * (factor - 1))
            if limit is not None:
                self.map.colormap = "magma"
                self.map.contrast_limits = (0.0, limit)
            self.map.opacity = 1.0
            self.map.colorbar.visible = not colours
            self.map.visible = True
            self._front()

    def show_names(self, regions: tuple[Region, ...], *, ground: bool | None = None) -> None:
        """Show verdict and name of each region: inside its top left corner, below a seam's end.

        Parameters
        ----------
        ground
            Only the dark words beneath, or only the light ones; both where None.
        """
        if self.photo is None:
            return
        labels = _labels(regions)
        zoom = self._whole_zoom(self.photo.data.shape)
        places, shown = np.zeros((len(regions), 2)), []
        for i, (region, label) in enumerate(zip(regions, labels, strict=True)):
            corners = rows_columns(region.outline.polygon)
            low, high = corners.min(axis=0), corners.max(axis=0)
            seam = region.outline.kind in BANDS
            wide = seam and high[1] - low[1] > high[0] - low[0]
            right = high[1] - _LETTER_PX * len(label) / zoom
            places[i] = (high[0] if seam else low[0], max(low[1], right) if wide else low[1])
            room = int((high[1] - low[1]) * zoom / _LETTER_PX)
            word = LOOKS[region.state].word
            if not seam and len(label) > room:
                label = f"{label[: room - 1]}…" if room > len(word) + 4 else word
            shown.append(label)
        with self.quietly():
            for layer in self.names:
                if ground is not None and ground != (layer.metadata["by"] > 0):
                    continue
                if not _alike(np.asarray(layer.data), places):
                    layer.data = places
                    layer.size = 1.0
                layer.features = {"label": np.array(shown, object)}
                layer.selected_data = set()
                by = layer.metadata["by"] / zoom
                layer.text.translation = (by, by)
                layer.refresh_text()

    def _add_names(self, colour: str, by: float) -> Points:
        """A layer of words alone, below their places; the dark one lies a little beside."""
        layer = self.viewer.add_points(
            ndim=2,
            name="names" if by == 0 else "names' ground",
            face_color="transparent",
            border_color="transparent",
            size=1.0,
            features={"label": np.array([""])[:0]},
            text={"string": "{label}", "anchor": "lower_left", "size": 11, "color": colour},
            metadata={"by": by},
        )
        layer.editable = False
        return layer

    def _whole_zoom(self, shape: tuple[int, ...]) -> float:
        """Screen pixels a photo pixel where the whole photo is seen."""
        canvas = self.viewer.canvas.size
        return float(max(1e-3, min(canvas[0] / shape[0], canvas[1] / shape[1])))

    def _zoomed(self) -> None:
        """A ring shows from far where a finding is; from near it would only be in the way."""
        numbers = self.numbers
        if numbers is None or numbers not in self.viewer.layers or not self._colours:
            return
        near = tuple(np.asarray(numbers.size) * self.viewer.scene.camera.zoom > _NEAR_PX)
        if near != self._near:
            self._near = near
            numbers.border_color = [
                "transparent" if close else colour
                for close, colour in zip(near, self._colours, strict=True)
            ]

    # ---- making --------------------------------------------------------------------------

    def _make(self, picture: NDArray[np.uint8]) -> None:
        viewer = self.viewer
        there = (layer for layer in viewer.layers if layer.name == "photo" and layer.metadata)
        self.photo = next(there, None)  # of an example job that was opened from napari's menu
        if self.photo is None:
            self.photo = viewer.add_image(picture, name="photo", rgb=True)
        else:
            self.photo.data = picture
        viewer.layers.move(viewer.layers.index(self.photo), 0)

    def complete(self) -> bool:
        """Make the next layer over the photo, one a call: all at once would hold the window up.

        Returns
        -------
        bool
            Whether they were all there already.
        """
        if self.photo is None:
            return True
        makers = (
            (self.map, self._make_map),
            (self.ground, self._make_ground),
            (self.outlines, self._make_outlines),
            (self.names[:1] or None, self._make_names),
            (self.names[1:] or None, self._make_names),
            (self.findings, self._make_findings),
            (self.numbers, self._make_numbers),
        )
        lacking = next((make for there, make in makers if there is None), None)
        if lacking is None:
            return True
        with self.quietly():
            layer = lacking()
            layer.visible = layer is not self.map and layer.name not in self.hidden
        return False

    def _make_map(self) -> Image:
        self.map = self.viewer.add_image(
            np.zeros((2, 2), np.float32), name="map", visible=False, colormap="magma"
        )
        return self.map

    def _make_ground(self) -> Shapes:
        self.ground = self.viewer.add_shapes(
            name="outlines' ground",
            ndim=2,
            face_color="transparent",
            opacity=0.9,
        )
        self.ground.editable = False
        return self.ground

    def _make_outlines(self) -> Shapes:
        self.outlines = self.viewer.add_shapes(
            name="outlines",
            ndim=2,
            face_color="transparent",
            features={name: np.array([value])[:0] for name, value in FEATURES.items()},
            feature_defaults=FEATURES,
            opacity=1.0,
        )
        self.outlines.events.data.connect(self._data_changed)
        self._front()
        return self.outlines

    def _make_names(self) -> Points:
        look = ("white", 0.0) if self.names else (SUPPORT, 1.5)
        self.names.append(self._add_names(*look))
        self._front()
        return self.names[-1]

    def _make_findings(self) -> Labels:
        from napari.utils import DirectLabelColormap

        assert self.photo is not None
        self.findings = self.viewer.add_labels(
            np.zeros(self.photo.data.shape[:2], np.uint8),
            name="findings",
            opacity=1.0,
            # One colour for all: the number tells them apart, and napari's own would play.
            colormap=DirectLabelColormap(color_dict={None: MARK, 0: "transparent"}),
        )
        self.findings.editable = False
        self._front()
        return self.findings

    def _make_numbers(self) -> Points:
        self.numbers = self.viewer.add_points(
            ndim=2,
            name="finding numbers",
            face_color="transparent",
            border_width=_RING_LINE,
            symbol="disc",
            features={"label": np.array([""])[:0]},
            text={"string": "{label}", "anchor": "upper_right", "size": 11, "color": "white"},
        )
        self.numbers.editable = False
        self._front()
        return self.numbers

    def _front(self) -> None:
        if self.outlines is not None and self.outlines in self.viewer.layers:
            self.viewer.layers.selection.active = self.outlines

    def _bare_map(self) -> None:
        if self.map is not None and self.map in self.viewer.layers:
            self.map.visible = False

    def _holds(self, shapes: list[NDArray[np.float64]], width: float) -> bool:
        """Whether the outlines lie as they are shown already."""
        layers = (self.ground, self.outlines)
        return all(
            layer is not None
            and len(layer.data) == len(shapes)
            and all(_alike(a, b) for a, b in zip(layer.data, shapes, strict=True))
            for layer in layers
        ) and (self.outlines is not None and self.outlines.edge_width[0] == width)

    def _replace(
        self, layer: Shapes, shapes: list[NDArray[np.float64]], colours: list[str], width: float
    ) -> None:
        layer.selected_data = set()
        layer.data = []
        if shapes:
            # Explicit colours: napari assigns those of a cycle in sorted order.
            layer.add(
                shapes,
                shape_type="polygon",
                edge_color=colours,
                face_color="transparent",
                edge_width=width,
            )
            layer.selected_data = set()

    # ---- hearing -------------------------------------------------------------------------

    @contextmanager
    def quietly(self) -> Iterator[None]:
        """Change layers without taking it for the person's doing."""
        self._quiet += 1
        try:
            yield
        finally:
            self._quiet -= 1

    def _data_changed(self, event: Any) -> None:
        action = str(getattr(event, "action", "")).rpartition(".")[2].lower()
        if not self._quiet and action in ("added", "changed", "removed"):
            self._on_drawn()


def _rim(shape: tuple[int, ...]) -> int:
    """Width of the line round a finding, photo pixels."""
    return max(2, round(max(shape) / 1200))


def _labels(regions: tuple[Region, ...]) -> list[str]:
    return [f"{LOOKS[region.state].word} {_short(region)}" for region in regions]


def _short(region: Region) -> str:
    name = region.name if len(region.name) <= 24 else f"{region.name[:23]}…"
    return f"{name} (proposed)" if region.proposed else name


def _alike(one: NDArray[Any], other: NDArray[Any]) -> bool:
    """The same places, as far as napari's single precision tells."""
    return one.shape == other.shape and bool(np.allclose(one, other, rtol=0.0, atol=0.01))


def _ring_colour(finding: Finding, region: Region) -> str:
    return LOOKS["ignore" if finding.id in region.asides else region.state].colour


def _number(finding: Finding, region: Region) -> str:
    return f"{finding.id} (set aside)" if finding.id in region.asides else f"{finding.id}"


def _table(findings: list[Any]) -> dict[str, list[Any]]:
    """What napari shows under the pointer where a finding is; `index` is its label."""
    return {
        "index": [0, *(finding.id for finding in findings)],
        "kind": ["", *(finding.kind for finding in findings)],
        "under": ["", *(finding.under or "" for finding in findings)],
        "area_mm2": [None, *(finding.area_mm2 for finding in findings)],
        "delta_e": [None, *(finding.delta_e for finding in findings)],
    }
