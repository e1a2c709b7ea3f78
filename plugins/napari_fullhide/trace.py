"""What is shown while a person draws: the line so far, and its corners."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from napari_fullhide.shapes import rows_columns

if TYPE_CHECKING:
    from napari.components import ViewerModel
    from napari.layers import Points, Shapes

__all__ = ["LINE", "DOTS", "Trace"]

LINE, DOTS = "line being drawn", "its corners"
Point = tuple[float, float]

_INK, _GROUND, _HELD = "#ffffff", "#101010", "#ffc400"
#: On the screen: width of the line, and of a corner; pixels.
_LINE_PX, _DOT_PX = 3.0, 16.0


class Trace:
    """Two layers above the others, there only while something is drawn.

    Parameters
    ----------
    viewer
        napari's viewer, or its model alone.
    """

    def __init__(self, viewer: ViewerModel) -> None:
        self.viewer = viewer
        self._line: Shapes | None = None
        self._dots: Points | None = None

    def show_clicks(
        self, points: Sequence[Point], pointer: Point | None, *, cross: Point | None, closed: bool
    ) -> None:
        """Show clicks and the line to the pointer.

        Parameters
        ----------
        cross
            Where the keyboard's cross stands.
        closed
            Whether the line comes back to its beginning in the end.
        """
        way = [*points, *([pointer] if pointer is not None else [])]
        if closed and len(way) > 2:
            way.append(points[0])
        self._put_line(np.array(way, np.float64).reshape(-1, 2))
        dots = [*points, *([cross] if cross is not None else [])]
        kinds = ["disc"] * len(points) + ["cross"] * (cross is not None)
        self._put_dots(np.array(dots, np.float64).reshape(-1, 2), kinds, held=None)

    def show_corners(self, ring: NDArray[np.float64], held: int | None) -> None:
        """Show an outline's corners, the one in hand told apart by its shape too."""
        self._put_line(np.zeros((0, 2)))
        kinds = ["square" if i == held else "disc" for i in range(len(ring))]
        self._put_dots(np.asarray(ring, np.float64), kinds, held=held)

    def show_chosen(self, ring: NDArray[np.float64]) -> None:
        """Show which outline is looked at."""
        self._put_line(np.concatenate([ring, ring[:1]]))
        self._put_dots(np.zeros((0, 2)), [], held=None)

    def show_ring(self, ring: NDArray[np.float64]) -> None:
        """Show an outline while it is dragged."""
        self._put_line(np.concatenate([ring, ring[:1]]))

    def clear(self) -> None:
        """Show nothing."""
        for layer in (self._line, self._dots):
            if layer is not None and layer in self.viewer.layers:
                layer.visible = False

    def forget(self) -> None:
        """Take the layers away."""
        for layer in (self._line, self._dots):
            if layer is not None and layer in self.viewer.layers:
                self.viewer.layers.remove(layer)
        self._line = self._dots = None

    def _put_line(self, way: NDArray[np.float64]) -> None:
        if len(way) < 2 and (self._line is None or not self._line.visible):
            return
        line = self._line
        if line is None or line not in self.viewer.layers:
            line = self._line = self._quietly(
                self.viewer.add_shapes, name=LINE, ndim=2, face_color="transparent"
            )
            line.editable = False
        width = _LINE_PX / max(float(self.viewer.scene.camera.zoom), 1e-6)
        line.visible = True  # napari puts off what a hidden layer is given, and stumbles over it
        line.data = []
        if len(way) >= 2:
            # White on black: to be seen on leather of any colour.
            line.add(
                [rows_columns(way), rows_columns(way)],
                shape_type="path",
                edge_color=[_GROUND, _INK],
                face_color="transparent",
                edge_width=[2.2 * width, width],
            )
            line.selected_data = set()
        line.visible = len(way) >= 2

    def _put_dots(self, places: NDArray[np.float64], kinds: list[str], *, held: int | None) -> None:
        if not len(places) and (self._dots is None or not self._dots.visible):
            return
        dots = self._dots
        if dots is None or dots not in self.viewer.layers:
            dots = self._dots = self._quietly(
                self.viewer.add_points,
                name=DOTS,
                ndim=2,
                border_width=0.2,
                canvas_size_limits=(_DOT_PX, _DOT_PX),
            )
            dots.editable = False
        dots.visible = True  # napari puts off what a hidden layer is given, and stumbles over it
        dots.data = rows_columns(places) if len(places) else np.zeros((0, 2))
        if len(places):
            dots.symbol = kinds
            dots.size = _DOT_PX
            dots.face_color = [_HELD if i == held else _INK for i in range(len(places))]
            dots.border_color = _GROUND
            dots.selected_data = set()
        dots.visible = bool(len(places))

    def _quietly(self, add: Any, **kinds: Any) -> Any:
        """Add a layer without making it the one that keys and the mouse go to."""
        active = self.viewer.layers.selection.active
        layer = add(**kinds)
        self.viewer.layers.selection.active = active
        return layer
