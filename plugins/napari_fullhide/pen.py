"""Drawing on the photo: clicks, drags, wheel and keys become outlines of the job."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from psygnal import Signal

from fullhide.errors import FullhideError
from fullhide.outlines import BANDS, OUTLINES_FILE, RegionOutline
from fullhide.seam_path import SeamPath, seam_path
from napari_fullhide import drawing
from napari_fullhide.background import in_background
from napari_fullhide.bench import Bench
from napari_fullhide.drawing import Canvas, Drawn, Sketch, Tool
from napari_fullhide.handles import Grip, Handles
from napari_fullhide.shapes import xy
from napari_fullhide.trace import Trace

__all__ = ["Pen"]

Point = tuple[float, float]
Mode = Tool | Literal["change"]

#: A press and release this near to one another, in screen pixels, are a click and no drag.
_CLICK_PX = 8.0
#: One press of an arrow key, in screen pixels.
_ARROW_PX = 12.0
#: One step of the wheel or a key, mm of a seam's width.
WIDTH_STEP_MM = 0.5


class Pen:
    """What is being drawn on the photo that is shown.

    Parameters
    ----------
    bench
        Whose photo, outlines and canvas they are.
    """

    #: The tool, the clicks or the chosen outline changed.
    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.mode: Mode | None = None
        self.sketch: Sketch | None = None
        #: Where the keyboard's cross stands, photo pixels; None until an arrow key is pressed.
        self.cross: Point | None = None
        #: Whether a seam is being looked for.
        self.looking = False
        self._pointer: Point | None = None
        self._place: int | None = None
        self._width_mm: float | None = None
        self._lines: dict[tuple[int, str], tuple[RegionOutline, NDArray[np.float64]]] = {}
        self._widening: tuple[int, int] | None = None
        self.trace = Trace(bench.viewer)
        self.handles = Handles()
        viewer = bench.viewer
        viewer.mouse_drag_callbacks.append(self._pressed)
        viewer.mouse_move_callbacks.append(self._hovered)
        viewer.mouse_double_click_callbacks.append(self._double_clicked)
        viewer.mouse_wheel_callbacks.append(self._wheeled)
        model = bench.model
        model.opened.connect(self._new_job, max_args=0)
        model.shown.connect(self.put_down, max_args=0)
        model.redrawn.connect(self._redrawn, max_args=0)
        model.selected.connect(self._selected, max_args=0)

    # ---- what is there -------------------------------------------------------------------

    @property
    def canvas(self) -> Canvas | None:
        """The photo that can be drawn on; None until it is shown."""
        bench, model = self.bench, self.bench.model
        picture = bench.picture(model.index)
        if model.current is None or model.job is None or picture is None:
            return None
        found, kept = model.current.found, model.kept(model.index)
        scale = found.result.mm_per_px if found else None
        if scale is None and kept is not None:
            scale = kept.opened.reading.mm_per_px
        return Canvas(
            photo=model.current.entry.file,
            size_px=(picture.shape[1], picture.shape[0]),
            mm_per_px=scale,
            where=model.job.folder / OUTLINES_FILE,
        )

    @property
    def drawn(self) -> Drawn:
        """The photo's outlines; where there are none of its own, the proposal's as own ones."""
        current = self.bench.model.current
        return () if current is None else current.drawn or drawing.own(current.proposal())

    @property
    def place(self) -> int | None:
        """Place among `drawn` of the region that is looked at; None if there is none."""
        drawn, name = self.drawn, self.bench.model.region
        places = [i for i, outline in enumerate(drawn) if outline.name == name]
        # Places that are left out may all bear one name: then the click told which.
        return self._place if self._place in places else next(iter(places), None)

    @property
    def chosen(self) -> RegionOutline | None:
        """The outline that is looked at."""
        return None if self.place is None else self.drawn[self.place]

    @property
    def hint(self) -> str:
        """What to do next with the tool in hand; empty without one."""
        if self.looking:
            return "Looking for the way along the valley …"
        if self.sketch is not None:
            return self.sketch.hint
        if self.mode == "change":
            if self.chosen is None:
                return "Click the region that is to change."
            return (
                "Drag a corner, or the whole from inside. A click on the line makes a corner. "
                "Keys: Tab takes the next corner, arrows push it, Delete removes it."
            )
        return ""

    # ---- tools ---------------------------------------------------------------------------

    def take(self, mode: Mode) -> None:
        """Take a tool in hand; the same one again puts it down."""
        if mode == self.mode or self.canvas is None:
            self.put_down()
            return
        if mode == "split" and self.chosen is None:
            self.bench.say("Choose the region that is to be cut first: click it.")
            return
        self.mode, self.cross, self.handles.corner = mode, None, None
        self._pointer = None
        self.sketch = None if mode == "change" else Sketch(mode)
        self._show()

    def put_down(self) -> None:
        """Put the tool down; clicks that make no outline yet are dropped."""
        self.mode = self.sketch = self.cross = self.handles.corner = None
        self.looking = False
        self._show()

    def click(self, point: Point) -> None:
        """One click on the photo, in photo pixels."""
        canvas = self.canvas
        if canvas is None or self.looking:
            return
        if self.sketch is None:
            self._choose(point)
            return
        self.sketch = self.sketch.add(point, canvas)
        if self.sketch.full:
            self.close()
        else:
            self._show()

    def back(self) -> None:
        """Take the last click back."""
        if self.sketch is not None:
            self.sketch = self.sketch.back()
            self._show()

    def close(self) -> None:
        """Make an outline of the clicks."""
        canvas, sketch = self.canvas, self.sketch
        if canvas is None or sketch is None or not sketch.ready:
            return
        if sketch.tool == "seam":
            self._look_for_seam(sketch, canvas)
        elif sketch.tool == "edge":
            if self._do(lambda: drawing.add_edge(self.drawn, sketch, canvas)):
                self._newest()
            self._again()
        elif sketch.tool == "split":
            place = self.place
            if place is not None:
                self._do(lambda: drawing.cut(self.drawn, place, sketch, canvas))
            self.put_down()
        elif sketch.tool == "chart":
            if self._do(lambda: drawing.add_chart(self.drawn, sketch, canvas)):
                self.put_down()
            else:
                self._again()
        elif self._do(lambda: drawing.add_area(self._base(sketch.tool), sketch, canvas)):
            self._newest()
            self._again()

    def _again(self) -> None:
        """The same tool for the next outline: panels and seams come in rows."""
        if self.sketch is not None:
            self.sketch, self.cross = Sketch(self.sketch.tool), None
            self._show()

    def _base(self, kind: str) -> Drawn:
        """What a new outline joins: a panel drawn by hand takes the place of a proposed one."""
        current = self.bench.model.current
        if current is None or current.drawn or kind != "panel":
            return self.drawn
        return tuple(outline for outline in self.drawn if outline.kind != "panel")

    # ---- seams ---------------------------------------------------------------------------

    def _look_for_seam(self, sketch: Sketch, canvas: Canvas) -> None:
        index = self.bench.model.index
        kept = self.bench.model.kept(index)
        if kept is None:
            self.bench.say("The photo is still being opened. Try again in a moment.")
            self.sketch = sketch.back()
            self._show()
            return
        photo = kept.opened.photo
        start, end = sketch.points

        def work() -> SeamPath:
            return seam_path(photo, start, end, mm_per_px=canvas.mm_per_px)

        def done(path: SeamPath | FullhideError) -> None:
            if not self.looking or index != self.bench.model.index:
                return  # put down, or another photo, meanwhile
            self.looking = False
            if isinstance(path, FullhideError):
                self.bench.say_error(path)
            else:
                self._add_seam(path, canvas)
            self._again()

        self.looking = True
        self._show()
        in_background(work, done)

    def _add_seam(self, path: SeamPath, canvas: Canvas) -> None:
        wanted = self._width_mm
        width = drawing.usual_width_px(path, canvas)
        if wanted is not None:
            width = max(width, wanted / canvas.scale) if path.width_px else wanted / canvas.scale
        if self._do(lambda: drawing.add_seam(self._base("seam"), path, canvas, width_px=width)):
            self._newest()
            outline = self.drawn[-1]
            self._lines[self.bench.model.index, outline.name] = (outline, path.line)
            if path.width_px is None:
                self.bench.say("No valley is to be seen there: the seam runs straight.")

    @property
    def width_mm(self) -> float | None:
        """Width of the chosen seam or edge; None where neither is chosen."""
        chosen, canvas = self.chosen, self.canvas
        if chosen is None or canvas is None or chosen.kind not in BANDS:
            return None
        return drawing.width_mm(chosen, canvas)

    def widen(self, width_mm: float) -> None:
        """Give the chosen seam another width; one turn of the wheel is one step to take back."""
        canvas, place, chosen = self.canvas, self.place, self.chosen
        if canvas is None or place is None or chosen is None or chosen.kind not in BANDS:
            return
        key = (self.bench.model.index, chosen.name)
        known, line = self._lines.get(key, (None, None))
        if known is not chosen:
            line = None
        current = self.bench.model.current
        steps = len(current.undo) if current else 0
        go_on = self._widening == (place, steps)
        if self._do(
            lambda: drawing.widened(self.drawn, place, canvas, width_mm=width_mm, line=line),
            go_on=go_on,
        ):
            self._width_mm = width_mm
            current = self.bench.model.current
            self._widening = (place, len(current.undo) if current else 0)
            if line is not None:
                self._lines[key] = (self.drawn[place], line)

    def widen_by(self, steps: float) -> None:
        """Wider or narrower by so many steps."""
        width = self.width_mm
        if width is not None:
            self.widen(round((width + steps * WIDTH_STEP_MM) / WIDTH_STEP_MM) * WIDTH_STEP_MM)

    # ---- changing ------------------------------------------------------------------------

    def delete(self) -> None:
        """Remove the corner in hand, or else the chosen outline."""
        place, chosen, corner = self.place, self.chosen, self.handles.corner
        if place is None or chosen is None:
            return
        if self.mode == "change" and corner is not None:
            ring = self.handles.without(chosen, corner)
            if ring is None:
                self.bench.say(
                    "Three corners must stay. Delete without a corner in hand removes "
                    "the whole region."
                )
                return
            self.handles.corner = None
            self._reshape(place, ring)
            return
        if self._do(lambda: drawing.removed(self.drawn, [place])):
            self.bench.model.select(None)
            self.bench.say(f"“{chosen.name}” is removed. Ctrl+Z brings it back.")

    def rename(self, name: str) -> None:
        """Call the chosen region otherwise."""
        place = self.place
        if place is not None and self._do(lambda: drawing.renamed(self.drawn, place, name)):
            self.bench.model.select(self.drawn[place].name)

    def turn_into(self, kind: str) -> None:
        """Take the chosen region as another kind."""
        place = self.place
        if place is not None and self._do(lambda: drawing.turned_into(self.drawn, place, kind)):
            self.bench.model.select(self.drawn[place].name)

    def next_corner(self, by: int = 1) -> None:
        """Take the next corner of the chosen outline in hand."""
        if self.mode == "change" and self.chosen is not None:
            self.handles.step(self.chosen, by)
            self._show()

    def arrow(self, dx: int, dy: int, *, fine: bool = False) -> None:
        """An arrow key: pushes what is in hand, or the cross that Space clicks at."""
        canvas = self.canvas
        if canvas is None or self.mode is None:
            return
        step = 1.0 if fine else max(1.0, _ARROW_PX / self._zoom)
        by = (dx * step, dy * step)
        place, chosen = self.place, self.chosen
        if self.mode == "change":
            if place is None or chosen is None:
                return
            if self.handles.corner is None:
                self._do(lambda: drawing.moved(self.drawn, place, by, canvas))
            else:
                ring = self.handles.pushed(chosen, by, canvas.size_px)
                self._reshape(place, ring)
            return
        x, y = self.cross or self._middle(canvas)
        self.cross = (
            min(max(x + by[0], 0.0), float(canvas.size_px[0])),
            min(max(y + by[1], 0.0), float(canvas.size_px[1])),
        )
        self._pointer = self.cross
        self._show()

    def click_cross(self) -> None:
        """Click where the cross stands."""
        if self.mode is not None and self.cross is not None:
            self.click(self.cross)
        elif self.canvas is not None and self.mode is not None:
            self.arrow(0, 0)

    def _middle(self, canvas: Canvas) -> Point:
        """Middle of what is seen of the photo."""
        _, row, column = self.bench.viewer.scene.camera.center
        width, height = canvas.size_px
        return min(max(column + 0.5, 0.0), width), min(max(row + 0.5, 0.0), height)

    def _reshape(self, place: int, ring: NDArray[np.float64]) -> None:
        canvas = self.canvas
        if canvas is not None:
            self._do(lambda: drawing.reshaped(self.drawn, place, ring, canvas))

    # ---- the mouse -----------------------------------------------------------------------

    def _pressed(self, _: Any, event: Any) -> Iterator[None]:
        if getattr(event, "button", 1) != 1 or self.canvas is None:
            return
        start, began = _xy(event), np.asarray(event.pos, float)
        grip = self._grip(start)
        camera = self.bench.viewer.scene.camera
        pan = camera.mouse_pan
        if grip is not None:
            camera.mouse_pan = False  # the photo stays while a corner is dragged
        dragged = False
        try:
            yield
            while event.type == "mouse_move":
                dragged = dragged or _apart(event, began)
                if grip is not None and dragged:
                    self.trace.show_ring(grip.ring(_xy(event)))
                yield
            dragged = dragged or _apart(event, began)
        finally:
            camera.mouse_pan = pan
        if grip is not None and (dragged or grip.new):
            place, end = self.place, _xy(event) if dragged else start
            self.handles.corner = grip.corner
            if place is not None:
                self._reshape(place, grip.ring(end))
            self._show()
        elif grip is not None and grip.corner is not None:
            self.handles.corner = grip.corner
            self._show()
        elif not dragged:
            self.cross = None
            self.click(start)

    def _grip(self, point: Point) -> Grip | None:
        """What of the chosen outline lies under the pointer, to be dragged."""
        if self.mode != "change" or self.chosen is None:
            return None
        return self.handles.grip(self.chosen, point, zoom=self._zoom)

    def _hovered(self, _: Any, event: Any) -> None:
        if self.sketch is not None and self.sketch.points and not self.looking:
            self._pointer, self.cross = _xy(event), None
            self._show_trace()

    def _double_clicked(self, _: Any, event: Any) -> None:
        if self.sketch is not None:
            event.handled = True
            self.close()

    def _wheeled(self, _: Any, event: Any) -> None:
        names = {str(getattr(key, "name", key)) for key in event.modifiers}
        if "Shift" in names and self.width_mm is not None:
            event.handled = True
            delta = np.asarray(event.delta, float)  # Qt turns it sideways with some keys
            self.widen_by(float(np.sign(delta[np.argmax(np.abs(delta))])))

    @property
    def _zoom(self) -> float:
        """Screen pixels a photo pixel."""
        return max(float(self.bench.viewer.scene.camera.zoom), 1e-6)

    # ---- common --------------------------------------------------------------------------

    def _do(self, change: Callable[[], Drawn], *, go_on: bool = False) -> bool:
        """Make a change; what is wrong with it is said. Whether it was made."""
        try:
            self.bench.model.draw(change(), go_on=go_on)
        except FullhideError as error:
            self.bench.say_error(error)
            return False
        return True

    def _choose(self, point: Point) -> None:
        """Look at the region, and at the finding, under a click."""
        model = self.bench.model
        current = model.current
        if current is None:
            return
        self._place = drawing.region_at(self.drawn, point)
        self.handles.corner = None
        if self._place is None:
            model.select(None)
            return
        name = self.drawn[self._place].name
        number = current.found.finding_at(*point) if current.found else 0
        region = next((r for r in current.regions() if r.name == name), None)
        known = region is not None and any(f.id == number for f in region.findings)
        self.bench.select_here(name, number if known else None)
        self._show()

    def _newest(self) -> None:
        """Look at the outline just drawn."""
        self._place = len(self.drawn) - 1
        self.bench.select_here(self.drawn[-1].name, None)

    def _new_job(self) -> None:
        self._lines.clear()
        self.trace.forget()
        self.put_down()

    def _redrawn(self) -> None:
        self._widening = None
        self._show()

    def _selected(self) -> None:
        self.handles.corner = None
        self._widening = None
        self._show()

    def _show(self) -> None:
        self._show_trace()
        self.changed.emit()
        self.bench.refresh()

    def _show_trace(self) -> None:
        if self.sketch is not None:
            self.trace.show_clicks(
                self.sketch.points,
                None if self.looking else self._pointer if self.sketch.points else None,
                cross=self.cross,
                closed=drawing.TOOLS[self.sketch.tool].least > 2,
            )
        elif self.mode == "change" and self.chosen is not None:
            self.trace.show_corners(self.chosen.polygon, self.handles.corner)
        elif self.chosen is not None:
            self.trace.show_chosen(self.chosen.polygon)
        else:
            self.trace.clear()


def _apart(event: Any, began: NDArray[np.float64]) -> bool:
    """Whether the pointer is too far from where it was pressed for a click."""
    return float(np.linalg.norm(np.asarray(event.pos, float) - began)) > _CLICK_PX


def _xy(event: Any) -> Point:
    (point,) = xy(np.asarray(event.position, float)[None])
    return float(point[0]), float(point[1])
