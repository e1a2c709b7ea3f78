"""Outlines and marks over a photo as SVG, the same for screen and paper.

Nothing is told by colour alone: a fail's line is double, a retake's dashed, a pass's single.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from fullhide.outlines import BANDS
from fullhide.report.page import Mark, Outline, Word

__all__ = ["COLOURS", "View", "marks_svg", "outlines_svg", "ruler_svg", "whole"]

Points = NDArray[np.float64]
Quad = tuple[float, float, float, float]

#: As in the overlays.
COLOURS: dict[Word, str] = {
    "fail": "#c44200",
    "retake": "#f0b000",
    "pass": "#005eaa",
    "not yet": "#141414",
    "not judged": "#696969",
    "missing": "#696969",
}
_INK = "#141414"
#: The pictures are drawn to be read at this width, pixels.
_PHONE_PX = 400
_PLACES = tuple(
    (np.cos(angle), np.sin(angle)) for angle in np.radians([-90, -45, 0, 45, 90, 135, 180, 225])
)


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A picture of part of a photo.

    Attributes
    ----------
    size, matrix
        Its own width and height, and the affine (2, 3) from photo pixels to it.
    shown_px
        How wide it is looked at on a phone, pixels.
    """

    size: tuple[float, float]
    matrix: Points
    shown_px: float = _PHONE_PX

    @property
    def unit(self) -> float:
        """A pixel on a phone, in the picture's own units."""
        return max(self.size[0], 0.6 * self.size[1]) / self.shown_px

    def points(self, points: Sequence[Sequence[float]]) -> Points:
        """(N, 2) photo pixels in the picture."""
        moved: Points = np.asarray(points, np.float64) @ self.matrix[:, :2].T + self.matrix[:, 2]
        return moved

    def box(self, box: Sequence[float]) -> Quad:
        """A box of the photo in the picture, upright there."""
        x0, y0, x1, y1 = box
        corners = self.points([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        low, high = corners.min(axis=0), corners.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def whole(size: tuple[int, int]) -> View:
    """The whole photo in its own pixels."""
    return View(size, np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))


def outlines_svg(view: View, outlines: Sequence[Outline], marks: Sequence[Mark] = ()) -> str:
    """Regions' outlines with name and verdict as one SVG picture; names keep off the `marks`."""
    u = view.unit
    # A mark's number stands above its ring.
    keep_off = [_grown(view.box(mark.box_px), 6.4 * u, above=20 * u) for mark in marks]
    seams = {id(one): _around(view, one) for one in outlines if one.kind in BANDS}
    drawn, names = [], []
    taken: list[Quad] = []
    for outline in outlines:
        path = "".join(
            "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in view.points(ring)) + "Z"
            for ring in (outline.ring, *outline.holes)
        )
        drawn.append(_line(f'<path d="{path}"', outline.word, u))
        text = f"{outline.name}: {outline.word}"
        others = [box for key, box in seams.items() if key != id(outline)]
        plate = _name_place(text, outline, view, taken, [*keep_off, *others])
        taken.append(plate)
        names.append(_name(text, plate, u))
    return _svg(view, [*drawn, *names], "outlines")


def _grown(box: Quad, by: float, *, above: float = 0.0) -> Quad:
    return box[0] - by, box[1] - by - above, box[2] + by, box[3] + by


def _around(view: View, outline: Outline) -> Quad:
    ring = view.points(outline.ring)
    (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _name_place(
    text: str, outline: Outline, view: View, taken: Sequence[Quad], keep_off: Sequence[Quad]
) -> Quad:
    """Where a region's name stands: in a corner of a panel, beside a seam, over as little else."""
    u = view.unit
    wide, high = (5.1 * len(text) + 8.0) * u, 13.0 * u
    own = _around(view, outline)
    x0, y0, x1, y1 = own
    inside = [
        (x, y) for y in (y0 + 4 * u, y1 - high - 4 * u) for x in (x0 + 4 * u, x1 - wide - 4 * u)
    ]
    outside = [(x, y) for y in (y0 - high - 3 * u, y1 + 3 * u) for x in (x0, x1 - wide)]
    outside += [(x, y0 + 4 * u) for x in (x0 - wide - 3 * u, x1 + 3 * u)]
    # A seam is narrow: a name inside would cover it.
    order = [*outside, *inside] if outline.kind in BANDS else [*inside, *outside]
    places = [_inside(x, y, wide, high, view) for x, y in order]

    def cost(number: int) -> float:
        plate = places[number]
        hidden = 8 * sum(_overlap(plate, box) for box in keep_off)
        hidden += 6 * sum(_overlap(plate, box) for box in taken)
        if outline.kind in BANDS:
            hidden += 2 * _overlap(plate, own)
        return hidden + 0.02 * number * wide * high

    return places[min(range(len(places)), key=cost)]


def _inside(x: float, y: float, wide: float, high: float, view: View) -> Quad:
    left = min(max(x, 0.0), max(0.0, view.size[0] - wide))
    top = min(max(y, 0.0), max(0.0, view.size[1] - high))
    return left, top, left + wide, top + high


def _name(text: str, plate: Quad, u: float) -> str:
    x0, y0, x1, y1 = plate
    return (
        f'<rect x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}" '
        f'fill="#fff" fill-opacity="0.85"/><text x="{(x0 + x1) / 2:.1f}" y="{y0 + 9.6 * u:.1f}" '
        f'font-size="{9.5 * u:.1f}" font-family="sans-serif" text-anchor="middle" '
        f'fill="{_INK}">{escape(text)}</text>'
    )


def marks_svg(view: View, marks: Sequence[Mark]) -> str:
    """Numbered rings and brackets as one SVG picture; marks outside the view are left out."""
    u = view.unit
    width, height = view.size
    drawn: list[str] = []
    boxes = []
    for mark in marks:
        x0, y0, x1, y1 = view.box(mark.box_px)
        if x1 < 0 or y1 < 0 or x0 > width or y0 > height:
            continue
        grow = 6.4 * u
        ring = (x0 - grow, y0 - grow, x1 + grow, y1 + grow)
        boxes.append((mark, ring))
        shape = _brackets(ring, u) if mark.patch else _ring(ring)
        drawn.append(_line(shape, mark.word, u))
    taken: list[Quad] = []
    rings = [ring for _, ring in boxes]
    for mark, ring in boxes:
        if not mark.label:
            continue
        tag = _place(mark.label, ring, view, taken, rings, u)
        taken.append(tag)
        drawn.append(_tag(mark.label, tag, ring, u))
    return _svg(view, drawn, "marks")


def _svg(view: View, drawn: Sequence[str], layer: str) -> str:
    width, height = view.size
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class={quoteattr(layer)} '
        f'viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}" '
        f'aria-hidden="true">{"".join(drawn)}</svg>'
    )


def _line(shape: str, word: Word, u: float) -> str:
    """A line in a verdict's style: halo below, then single, double or dashed."""
    colour = COLOURS[word]

    def stroke(paint: str, width: float, more: str = "") -> str:
        return f'{shape} fill="none" stroke="{paint}" stroke-width="{width * u:.2f}"{more}/>'

    if word == "fail":
        return stroke("#fff", 4.8) + stroke(colour, 4.0) + stroke("#fff", 1.2)
    if word == "retake":
        dash = f' stroke-dasharray="{7 * u:.1f} {5 * u:.1f}"'
        return stroke(_INK, 3.6) + stroke(colour, 2.2, dash)
    return stroke("#fff", 3.2) + stroke(colour, 1.8)


def _ring(box: Quad) -> str:
    x0, y0, x1, y1 = box
    return (
        f'<ellipse cx="{(x0 + x1) / 2:.1f}" cy="{(y0 + y1) / 2:.1f}" '
        f'rx="{(x1 - x0) / 2:.1f}" ry="{(y1 - y0) / 2:.1f}"'
    )


def _brackets(box: Quad, u: float) -> str:
    x0, y0, x1, y1 = box
    arm = min(0.3 * min(x1 - x0, y1 - y0), 24 * u)
    corners = ((x0, y0, 1, 1), (x1, y0, -1, 1), (x1, y1, -1, -1), (x0, y1, 1, -1))
    path = "".join(
        f"M{x + dx * arm:.1f} {y:.1f}L{x:.1f} {y:.1f}L{x:.1f} {y + dy * arm:.1f}"
        for x, y, dx, dy in corners
    )
    return f'<path d="{path}"'


def _place(
    label: str,
    ring: Quad,
    view: View,
    taken: Sequence[Quad],
    rings: Sequence[Quad],
    u: float,
) -> Quad:
    """Where a number stands: beside its ring, inside the picture, over as little as possible."""
    wide, high = (7.0 + 7.5 * len(label)) * u, 15.0 * u
    width, height = view.size
    x0, y0, x1, y1 = ring
    middle, half = ((x0 + x1) / 2, (y0 + y1) / 2), ((x1 - x0) / 2, (y1 - y0) / 2)
    best, least = (0.0, 0.0, wide, high), float("inf")
    for step in (4.0, 14.0, 26.0):
        for dx, dy in _PLACES:
            cx = middle[0] + dx * (half[0] + wide / 2 + step * u)
            cy = middle[1] + dy * (half[1] + high / 2 + step * u)
            left = min(max(cx - wide / 2, 0.0), max(0.0, width - wide))
            top = min(max(cy - high / 2, 0.0), max(0.0, height - high))
            tag = (left, top, left + wide, top + high)
            cost = step * u * high
            cost += 4 * sum(_overlap(tag, other) for other in taken)
            cost += 2 * sum(_overlap(tag, other) for other in rings)
            if cost < least:
                best, least = tag, cost
    return best


def _overlap(one: Quad, other: Quad) -> float:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return max(0.0, wide) * max(0.0, high)


def _tag(
    label: str,
    tag: Quad,
    ring: Quad,
    u: float,
) -> str:
    """The number, white on a dark plate, and a lead to its ring."""
    x, y = (tag[0] + tag[2]) / 2, (tag[1] + tag[3]) / 2
    cx, cy = (ring[0] + ring[2]) / 2, (ring[1] + ring[3]) / 2
    rx, ry = (ring[2] - ring[0]) / 2, (ring[3] - ring[1]) / 2
    reach = max(((x - cx) ** 2 / rx**2 + (y - cy) ** 2 / ry**2) ** 0.5, 1e-9)
    ex, ey = cx + (x - cx) / reach, cy + (y - cy) / reach
    lead = f'<path d="M{x:.1f} {y:.1f}L{ex:.1f} {ey:.1f}" fill="none"'
    return (
        f'{lead} stroke="#fff" stroke-width="{2.6 * u:.2f}"/>'
        f'{lead} stroke="{_INK}" stroke-width="{1.2 * u:.2f}"/>'
        f'<rect x="{tag[0]:.1f}" y="{tag[1]:.1f}" width="{tag[2] - tag[0]:.1f}" '
        f'height="{tag[3] - tag[1]:.1f}" rx="{4 * u:.1f}" fill="{_INK}" stroke="#fff" '
        f'stroke-width="{1.2 * u:.2f}"/>'
        f'<text x="{x:.1f}" y="{y + 4.3 * u:.1f}" font-size="{12 * u:.1f}" font-weight="700" '
        f'font-family="sans-serif" text-anchor="middle" fill="#fff">{escape(label)}</text>'
    )


def ruler_svg(view: View, mm_per_unit: float | None) -> str:
    """A ruler of the view's width from 0 at its left end; empty without a scale."""
    if not mm_per_unit:
        return ""
    width, u = view.size[0], view.size[0] / 1000
    length = width * mm_per_unit
    step = next((s for s in (5, 10, 20, 50, 100, 200, 500) if length / s <= 14), 1000)
    drawn = []
    for number in range(int(length // step) + 1):
        x = max(u, number * step / mm_per_unit)
        anchor = "start" if number == 0 else "middle" if x < width - 40 * u else "end"
        name = f"{number * step} mm" if number == 0 else f"{number * step}"
        drawn.append(
            f'<path d="M{x:.1f} 0V{9 * u:.1f}" stroke="{_INK}" stroke-width="{1.5 * u:.2f}"/>'
            f'<text x="{x:.1f}" y="{28 * u:.1f}" font-size="{18 * u:.1f}" fill="{_INK}" '
            f'font-family="sans-serif" text-anchor="{anchor}">{name}</text>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="ruler" '
        f'viewBox="0 0 {width:g} {34 * u:g}" width="{width:g}" height="{34 * u:g}" '
        f'aria-hidden="true">{"".join(drawn)}</svg>'
    )
