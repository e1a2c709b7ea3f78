"""What a person draws with clicks, as outlines. No Qt, no napari.

Every change takes the outlines of a photo and gives new ones, so that undoing is to keep the old.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fullhide.errors import JobError
from fullhide.outline_edit import free_name, seam_width_px, split, tidy, with_seam_width
from fullhide.outlines import OUTLINES_FILE, RegionOutline, check_drawn
from fullhide.seam_path import SeamPath, seam_band

__all__ = [
    "TOOLS",
    "Canvas",
    "Sketch",
    "Tool",
    "add_area",
    "add_chart",
    "add_seam",
    "cut",
    "moved",
    "own",
    "region_at",
    "removed",
    "renamed",
    "reshaped",
    "turned_into",
    "usual_width_px",
    "widened",
    "width_mm",
]

Drawn = tuple[RegionOutline, ...]
Polygon = NDArray[np.float64]
Point = tuple[float, float]
#: What clicks on the photo make.
Tool = Literal["panel", "seam", "edge", "reference", "ignore", "chart", "split"]

#: A band reaches this far beyond the rims that are seen, mm, and is never narrower than the
#: second; both stand in where nothing shows the rims (our own choices).
_BESIDE_MM, _NARROWEST_MM = 1.0, 8.0
#: Width of a band over a line between two colours: enough of both is to be seen (our own choice).
_EDGE_MM = 16.0
#: Stands in for the scale where nothing gives it.
_USUAL_MM_PER_PX = 0.2
#: What a band may be wide, mm.
WIDTHS_MM = (2.0, 80.0)


class _Kind(NamedTuple):
    """How many clicks a tool takes: from, to (None: until the person closes it), and its words."""

    least: int
    most: int | None
    hints: tuple[str, ...]


_AREA = (
    "Click the first corner.",
    "Click the next corner.",
    "Click the next corner. Enter closes the outline from three corners on.",
    "Click on, or close with Enter or a double click. Backspace takes the last corner back.",
)
TOOLS: dict[Tool, _Kind] = {
    "panel": _Kind(3, None, _AREA),
    "reference": _Kind(3, None, _AREA),
    "ignore": _Kind(3, None, _AREA),
    "seam": _Kind(
        2,
        2,
        (
            "Click where the seam begins.",
            "Click where the seam ends. The path between follows the valley by itself.",
        ),
    ),
    "edge": _Kind(
        2,
        None,
        (
            "Click where the line between the two colours begins.",
            "Click further along the line.",
            "Click on along a bent line. Enter or a double click at its end closes the outline.",
        ),
    ),
    "chart": _Kind(
        4,
        4,
        (
            "Click the corner of the board beside the dark brown patch.",
            "Click the next corner of the board, going round clockwise.",
            "Click the third corner.",
            "Click the last corner.",
        ),
    ),
    "split": _Kind(
        2,
        2,
        (
            "Click on one side of the chosen region.",
            "Click on the other side: it is cut in two along that line.",
        ),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """The photo that is drawn on.

    Attributes
    ----------
    photo
        Its `file` as `job.toml` names it.
    size_px
        Width and height.
    mm_per_px
        None where nothing gives a scale.
    where
        The file that the outlines go to, for what is said of them.
    """

    photo: str
    size_px: tuple[int, int]
    mm_per_px: float | None = None
    where: Path = Path(OUTLINES_FILE)

    @property
    def scale(self) -> float:
        """Millimetres a pixel, or what stands in for them."""
        return self.mm_per_px or _USUAL_MM_PER_PX


@dataclass(frozen=True, slots=True)
class Sketch:
    """Clicks so far with one tool."""

    tool: Tool
    points: tuple[Point, ...] = ()

    @property
    def ready(self) -> bool:
        """Whether the clicks are enough for an outline."""
        return len(self.points) >= TOOLS[self.tool].least

    @property
    def full(self) -> bool:
        """Whether no further click belongs to it."""
        return len(self.points) == TOOLS[self.tool].most

    @property
    def hint(self) -> str:
        """What to do next."""
        hints = TOOLS[self.tool].hints
        return hints[min(len(self.points), len(hints) - 1)]

    def add(self, point: Point, canvas: Canvas) -> Sketch:
        """One click more, drawn in to the photo's edge where it lies beyond.

        The same place twice, as a double click gives, counts once.
        """
        if self.full:
            return self
        x, y = (
            float(min(max(v, 0.0), side)) for v, side in zip(point, canvas.size_px, strict=True)
        )
        if self.points and abs(x - self.points[-1][0]) + abs(y - self.points[-1][1]) < 1.0:
            return self
        return replace(self, points=(*self.points, (x, y)))

    def back(self) -> Sketch:
        """Without the last click."""
        return replace(self, points=self.points[:-1])


def own(outlines: Sequence[RegionOutline]) -> Drawn:
    """A proposal of the engine's as a person's own outlines."""
    return tuple(
        replace(o, properties={k: v for k, v in o.properties.items() if k != "proposed"})
        if "proposed" in o.properties
        else o
        for o in outlines
    )


def add_area(drawn: Sequence[RegionOutline], sketch: Sketch, canvas: Canvas) -> Drawn:
    """The photo's outlines with a panel, a reference or an ignored place more.

    Raises
    ------
    JobError
        If the clicks make no outline that can stand.
    """
    if not sketch.ready:
        raise JobError(canvas.where, "an outline needs three corners", "click on")
    ring = np.array(sketch.points, np.float64)
    return _with(drawn, _outline(drawn, sketch.tool, ring, canvas), canvas)


def add_chart(drawn: Sequence[RegionOutline], sketch: Sketch, canvas: Canvas) -> Drawn:
    """The photo's outlines with the chart's corners as clicked, in place of any it had.

    A chart is seen from its front, so that its corners run clockwise in the photo too: clicked
    the other way round, from the same first one, they are put in order.
    """
    if not sketch.full:
        raise JobError(canvas.where, "the chart needs its four corners", "click on")
    ring = np.array(sketch.points, np.float64)
    x, y = ring.T
    if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) < 0:  # y runs down: clockwise is positive
        ring = ring[[0, 3, 2, 1]]
    before = next((o for o in drawn if o.kind == "chart"), None)
    rest = tuple(o for o in drawn if o.kind != "chart")
    made = replace(before, polygon=ring) if before else _outline(rest, "chart", ring, canvas)
    return _with(rest, made, canvas)


def usual_width_px(path: SeamPath, canvas: Canvas) -> float:
    """Width of a band for a seam just clicked, pixels: a little beyond the rims that are seen."""
    seen = 0.0 if path.width_px is None else path.width_px * canvas.scale + 2.0 * _BESIDE_MM
    return max(_NARROWEST_MM, seen) / canvas.scale


def add_seam(
    drawn: Sequence[RegionOutline], path: SeamPath, canvas: Canvas, *, width_px: float
) -> Drawn:
    """The photo's outlines with a seam along a path more.

    Raises
    ------
    JobError
        If the two ends lie in the same place.
    """
    band = seam_band(path.line, width_px=width_px, size_px=canvas.size_px)
    if len(path.line) < 3 or len(band) < 3:
        raise JobError(
            canvas.where, "the seam's ends lie too near to one another", "click them further apart"
        )
    return _with(drawn, _outline(drawn, "seam", band, canvas), canvas)


def add_edge(
    drawn: Sequence[RegionOutline], sketch: Sketch, canvas: Canvas, *, width_mm: float | None = None
) -> Drawn:
    """The photo's outlines with a band along the clicks more, over a line between two colours.

    Raises
    ------
    JobError
        If the clicks make no band that can stand.
    """
    width = (width_mm or _EDGE_MM) / canvas.scale
    if not sketch.ready:
        raise JobError(canvas.where, "a line needs two places", "click on along it")
    band = seam_band(np.array(sketch.points), width_px=width, size_px=canvas.size_px)
    if len(band) < 3:
        raise JobError(canvas.where, "nothing of the line lies in the photo", "click on the line")
    return _with(drawn, _outline(drawn, "edge", band, canvas), canvas)


def widened(
    drawn: Sequence[RegionOutline],
    place: int,
    canvas: Canvas,
    *,
    width_mm: float,
    line: Polygon | None = None,
) -> Drawn:
    """The outlines with the band of one seam or edge at another width, within `WIDTHS_MM`.

    Parameters
    ----------
    line
        The seam's middle where it is known better than from the band.
    """
    width = min(max(width_mm, WIDTHS_MM[0]), WIDTHS_MM[1])
    made = with_seam_width(drawn[place], width / canvas.scale, size_px=canvas.size_px, line=line)
    return _put(drawn, place, (made,))


def width_mm(outline: RegionOutline, canvas: Canvas) -> float:
    """Mean width of the band of a seam or edge."""
    return seam_width_px(outline) * canvas.scale


def cut(drawn: Sequence[RegionOutline], place: int, sketch: Sketch, canvas: Canvas) -> Drawn:
    """The outlines with one cut in two along the line through two clicks.

    Raises
    ------
    JobError
        If it is a chart, or the line does not run through it.
    """
    outline = drawn[place]
    if outline.kind == "chart":
        raise JobError(canvas.where, "a chart cannot be cut", "choose a region")
    start, end = sketch.points
    parts = split(outline, start, end, taken=[o.name for o in drawn])
    if outline.kind == "ignore":
        parts = tuple(replace(part, name=outline.name) for part in parts)
    return _put(drawn, place, parts)


def removed(drawn: Sequence[RegionOutline], places: Sequence[int]) -> Drawn:
    """The outlines without some."""
    gone = set(places)
    return tuple(o for place, o in enumerate(drawn) if place not in gone)


def moved(drawn: Sequence[RegionOutline], place: int, by: Point, canvas: Canvas) -> Drawn:
    """The outlines with one pushed along by so many pixels; it stays within the photo."""
    outline = drawn[place]
    every = np.concatenate([outline.polygon, *outline.holes])
    room = np.array(canvas.size_px) - every.max(axis=0)
    step = np.clip(by, np.minimum(-every.min(axis=0), 0.0), np.maximum(room, 0.0))
    rings = [ring + step for ring in (outline.polygon, *outline.holes)]
    made = replace(outline, polygon=rings[0], holes=tuple(rings[1:]))
    return _put(drawn, place, (tidy(made, size_px=canvas.size_px),))


def reshaped(drawn: Sequence[RegionOutline], place: int, ring: Polygon, canvas: Canvas) -> Drawn:
    """The outlines with one given other corners; holes go along where the whole was moved.

    Raises
    ------
    JobError
        If it cannot stand so, see `outlines.check_drawn`.
    """
    outline = drawn[place]
    old, new = outline.polygon, np.asarray(ring, np.float64)
    if len(new) == len(old) and np.allclose(new - new[0], old - old[0]):
        x, y = (new[0] - old[0]).tolist()
        return moved(drawn, place, (x, y), canvas)
    made = tidy(replace(outline, polygon=new), size_px=canvas.size_px)
    whole = _put(drawn, place, (made,))
    check_drawn(whole)
    return whole


def renamed(drawn: Sequence[RegionOutline], place: int, name: str) -> Drawn:
    """The outlines with one called otherwise.

    Raises
    ------
    JobError
        If the name is empty or cannot be printed, or another region of the photo has it.
    """
    outline = drawn[place]
    name = " ".join(name.split())
    if not name or not name.isprintable():
        raise JobError(outline.where, "a region needs a name", "type one in plain letters")
    made = _put(drawn, place, (replace(outline, name=name),))
    check_drawn(made)
    return made


def turned_into(drawn: Sequence[RegionOutline], place: int, kind: str) -> Drawn:
    """The outlines with one taken as another kind; its name stays where it was given by hand."""
    outline = drawn[place]
    if outline.kind == kind:
        return tuple(drawn)
    stem, _, number = outline.name.rpartition(" ")
    plain = outline.name == outline.kind or (stem == outline.kind and number.isdigit())
    others = [o.name for i, o in enumerate(drawn) if i != place]
    wanted = kind if plain else outline.name
    name = wanted if kind == "ignore" else free_name(wanted, others)
    made = _put(drawn, place, (replace(outline, kind=kind, name=name),))
    check_drawn(made)
    return made


def region_at(drawn: Sequence[RegionOutline], point: Point) -> int | None:
    """Place of the smallest outline around a point; None where there is none."""
    import shapely

    spot = shapely.Point(point)
    shapes = [shapely.Polygon(o.polygon, o.holes) for o in drawn]
    around = [(shape.area, i) for i, shape in enumerate(shapes) if shape.intersects(spot)]
    return min(around)[1] if around else None


def _outline(
    drawn: Sequence[RegionOutline], kind: str, ring: Polygon, canvas: Canvas
) -> RegionOutline:
    unnamed = kind in ("ignore", "chart")
    name = kind if unnamed else free_name(kind, [o.name for o in drawn])
    return RegionOutline(photo=canvas.photo, name=name, kind=kind, polygon=ring, where=canvas.where)


def _with(drawn: Sequence[RegionOutline], outline: RegionOutline, canvas: Canvas) -> Drawn:
    made = (*drawn, tidy(outline, size_px=canvas.size_px))
    check_drawn(made)
    return made


def _put(drawn: Sequence[RegionOutline], place: int, parts: Sequence[RegionOutline]) -> Drawn:
    return (*drawn[:place], *parts, *drawn[place + 1 :])
