"""The cards as a PDF to print at true scale: a frame for the chart, then a sheet of seam cards."""

from __future__ import annotations

from functools import cache
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from fullhide._card_layout import (
    DICTIONARY,
    FRAME,
    GREYS,
    MODULES,
    SEAM_COPIES,
    SMALL_FRAME,
    Card,
    seam_card,
)
from fullhide.card import CUTOUT_MM
from fullhide.errors import JobError

__all__ = ["PAPERS", "card_pdf", "card_picture"]

Paper: TypeAlias = Literal["a4", "letter"]

#: Landscape, width and height, mm (ISO 216; ANSI Y14.1 size A is 11 x 8.5 in).
PAPERS: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}

_HEAD = """
#set text(font: "Libertinus Serif", size: 10.5pt, lang: "en", region: "gb", hyphenate: false)
#set par(leading: 0.5em, spacing: 0.75em)
#set enum(spacing: 0.7em)
#let at(x, y, body) = place(top + left, dx: x * 1mm, dy: y * 1mm, body)
#let box-at(x, y, w, h, body) = at(x, y, box(width: w * 1mm, height: h * 1mm, body))
#let ruler(turned) = {
  let mark(n) = if calc.rem(n, 10) == 0 { 4 } else if calc.rem(n, 5) == 0 { 3 } else { 2 }
  for n in range(101) {
    let (from, angle) = if turned { ((0mm, n * 1mm), 0deg) } else { ((n * 1mm, 0mm), 90deg) }
    place(top + left, line(start: from, length: mark(n) * 1mm, angle: angle, stroke: 0.18mm))
    if calc.rem(n, 10) == 0 {
      let label = text(size: 7pt, str(n))
      if turned {
        place(top + left, dx: 4.8mm, dy: n * 1mm - 1.2mm, label)
      } else {
        place(top + left, dx: n * 1mm - 5mm, dy: 4.8mm, box(width: 10mm, align(center, label)))
      }
    }
  }
}
"""


def card_pdf(*, cutout_mm: tuple[float, float] = CUTOUT_MM, paper: Paper = "a4") -> bytes:
    """The sheets as one PDF.

    Parameters
    ----------
    cutout_mm
        Outer width and height of the whole chart board, mm: the hole to cut out for it.
    paper
        "a4" or "letter"; the layout is the same on both.

    Returns
    -------
    The PDF's bytes: page 1 the frame, page 2 the seam cards.

    Raises
    ------
    JobError
        A size that leaves no room for the markers; an unknown paper.
    """
    import typst

    pdf = typst.compile(
        _document(cutout_mm, paper).encode(), format="pdf", ignore_system_fonts=True
    )
    assert isinstance(pdf, bytes)
    return pdf


def card_picture(
    page: int, *, ppi: float, cutout_mm: tuple[float, float] = CUTOUT_MM, paper: Paper = "a4"
) -> bytes:
    """One page of the sheets as the bytes of a PNG: the same print, to look at and to test with.

    Parameters
    ----------
    page
        0 or 1.
    ppi
        Pixels an inch.
    cutout_mm, paper
        As in `card_pdf`.
    """
    import typst

    pages = typst.compile(
        _document(cutout_mm, paper).encode(), format="png", ppi=ppi, ignore_system_fonts=True
    )
    assert isinstance(pages, list)
    return bytes(pages[page])


def frame_for(cutout_mm: tuple[float, float]) -> Card:
    """The smallest frame that a chart of this width and height fits into.

    Raises
    ------
    JobError
        If none is large enough, or the size is no size.
    """
    w, h = cutout_mm
    if not (30 <= w < 10_000 and 20 <= h < 10_000):
        raise JobError(
            "--chart-width-mm and --chart-height-mm",
            f"{w:g} x {h:g} mm is no chart's size",
            "measure the whole chart board, the long side first",
        )
    for card in (SMALL_FRAME, FRAME):
        assert card.hole_mm is not None
        if w <= card.hole_mm[0] and h <= card.hole_mm[1]:
            return card
    assert FRAME.hole_mm is not None
    raise JobError(
        "--chart-width-mm and --chart-height-mm",
        f"around a chart of {w:g} x {h:g} mm no room is left for the markers on A4 or Letter",
        f"the largest is {FRAME.hole_mm[0]:g} x {FRAME.hole_mm[1]:g} mm; with a larger chart "
        "lay a seam card beside it, which gives the scale",
    )


def _document(cutout_mm: tuple[float, float], paper: Paper) -> str:
    if paper not in PAPERS:
        raise JobError("--paper", f'"{paper}" is unknown', "give a4 or letter")
    frame = frame_for(cutout_mm)
    size = PAPERS[paper]
    width, height = size
    page = f"#set page(width: {width}mm, height: {height}mm, margin: 0mm)\n"
    title = '#set document(title: "fullhide cards", author: "fullhide")\n'
    first = _frame_page(frame, cutout_mm, size)
    return title + page + _HEAD + first + "#pagebreak()\n" + _seam_page(size)


def _frame_page(card: Card, cutout: tuple[float, float], size: tuple[float, float]) -> str:
    """The frame, with what to do printed where the chart will lie or beside the small frame."""
    large = card is FRAME
    w, h = card.size_mm
    x, y = size[0] / 2, size[1] / 2
    if not large:
        x, y = 12.0 + w / 2, 12.0 + h / 2
    parts = [_card(card, x, y), _hole(cutout, x, y), _brown(card, cutout, x, y)]
    parts.append(_foot(card, x, y))
    if large:
        left, top = x - cutout[0] / 2, y - cutout[1] / 2
        parts.append(_ruler(left + 12, top + cutout[1] - 17, turned=False))
        parts.append(_ruler(left + cutout[0] - 20, top + 8, turned=True))
        room = (left + 12, top + 10, cutout[0] - 48, cutout[1] - 36)
    else:
        parts.append(_ruler(14.0, size[1] - 30, turned=False))
        parts.append(_ruler(size[0] - 24, 14.0, turned=True))
        room = (12.0 + w + 12, 14.0, size[0] - w - 60, size[1] - 24)
    parts.append(_words(room, _HOW_FRAME.format(w=_mm(cutout[0]), h=_mm(cutout[1]))))
    return "\n".join(parts)


def _seam_page(size: tuple[float, float]) -> str:
    parts = []
    card = seam_card(0)
    w, h = card.size_mm
    left = (size[0] - 3 * w - 2 * 6) / 2
    for copy in range(SEAM_COPIES):
        row, column = divmod(copy, 3)
        at = (left + column * (w + 6) + w / 2, 14 + row * (h + 6) + h / 2)
        parts.append(_card(seam_card(copy), *at))
    top = 14 + 3 * (h + 6) + 6
    parts.append(_ruler(left, size[1] - 26, turned=False))
    parts.append(_words((left, top, 2 * w - 6, size[1] - 34 - top), _HOW_SEAM))
    parts.append(_words((left + 2 * w + 6, top, w + 6, size[1] - 14 - top), _HONEST))
    return "\n".join(parts)


def _card(card: Card, x: float, y: float) -> str:
    """Markers, grey strip and the line to cut along."""
    w, h = card.size_mm
    half = card.marker_mm / 2
    line = "stroke: (paint: luma(150), thickness: 0.15mm)"
    parts = [f"#at({x - w / 2}, {y - h / 2}, rect(width: {w}mm, height: {h}mm, {line}))"]
    for number, (mx, my) in card.markers.items():
        parts.append(
            f"#at({x + mx - half}, {y + my - half}, image(bytes({_quoted(_marker(number))}), "
            f'format: "svg", width: {card.marker_mm}mm))'
        )
    for black, row in zip(GREYS, card.strips, strict=False):
        for sx, sy, sw, sh in row:
            if black:
                tone = round(255 * (1 - black))
                parts.append(
                    f"#at({x + sx - sw / 2}, {y + sy - sh / 2}, rect(width: {sw}mm, "
                    f"height: {sh}mm, fill: luma({tone})))"
                )
    return "\n".join(parts)


def _hole(cutout: tuple[float, float], x: float, y: float) -> str:
    w, h = cutout
    return (
        f"#at({x - w / 2}, {y - h / 2}, rect(width: {w}mm, height: {h}mm, "
        'stroke: (paint: luma(90), thickness: 0.25mm, dash: "dashed")))'
    )


def _brown(card: Card, cutout: tuple[float, float], x: float, y: float) -> str:
    """Where the chart's first patch belongs, in the band above the hole."""
    left = min(marker[0] for marker in card.markers.values()) + card.marker_mm / 2 + 4
    left, size = max(left, -cutout[0] / 2), 8 if card is FRAME else 6
    return (
        f"#at({x + left}, {y - cutout[1] / 2 - 0.45 * size}, "
        f"text(size: {size}pt)[▼ brown (dark skin) patch in this corner])"
    )


def _foot(card: Card, x: float, y: float) -> str:
    """What the card is, in the band below the hole between the inner markers."""
    places = sorted(place for place in card.markers.values() if place[1] > 0)
    inner = places[2][0] - places[1][0] - card.marker_mm - 8
    small = 8 if card is FRAME else 6
    return (
        f"#at({x - inner / 2}, {y + places[0][1] - 4}, box(width: {inner}mm, align(center, "
        f"text(size: {small}pt)[fullhide card\\ print at 100 %\\ keep clean and flat])))"
    )


def _ruler(x: float, y: float, *, turned: bool) -> str:
    note = "" if turned else " mm – measure from 0 to 100"
    label = f"#at({x + 106}, {y + 3.9}, text(size: 7pt)[{note}])" if note else ""
    return f"#at({x}, {y}, ruler({str(turned).lower()}))\n{label}"


def _words(room: tuple[float, float, float, float], text: str) -> str:
    x, y, w, h = room
    return f"#box-at({x}, {y}, {w}, {h})[{text}]"


def _mm(value: float) -> str:
    return f"{value:g}"


def _quoted(svg: str) -> str:
    return '"' + svg.replace('"', '\\"') + '"'


@cache
def _marker(number: int) -> str:
    """A marker as an SVG of one path, so that no hairlines show between its modules."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    black = cv2.aruco.generateImageMarker(dictionary, number, MODULES) == 0
    path = "".join("M" + "L".join(f"{x} {y}" for x, y in loop) + "Z" for loop in _outlines(black))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {MODULES} {MODULES}">'
        f'<path fill-rule="evenodd" d="{path}"/></svg>'
    )


def _outlines(black: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Closed lines around the black modules: the sides that no two of them share."""
    sides: set[tuple[tuple[int, int], tuple[int, int]]] = set()
    for y, x in np.argwhere(black).tolist():
        ring = [(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1)]
        for side in zip(ring, ring[1:] + ring[:1], strict=True):
            if side[::-1] in sides:
                sides.remove(side[::-1])
            else:
                sides.add(side)
    loops = []
    while sides:
        start, at = min(sides)
        sides.remove((start, at))
        loop = [start]
        while at != start:
            loop.append(at)
            step = min(side for side in sides if side[0] == at)
            sides.remove(step)
            at = step[1]
        loops.append(loop)
    return loops


_HOW_FRAME = """
#text(size: 15pt, weight: "bold")[A frame for your 24-patch chart]

+ Print this page at *100 %* ("actual size"), on plain matt white paper. No "fit to page".
+ *Measure both rulers* with a good ruler before you cut. If they differ by more than 0.5 mm,
  print anew. Write what they measure into `job.toml`, even if it is 100: \\
  `[card]` \\
  `printed_mm = 99.2` #h(1em) (yours instead of 99.2)
+ Cut along the *outer line*, then cut out the *dashed hole* ({w} × {h} mm). For another chart print
  it with its size: \\ `fullhide card --chart-width-mm … --chart-height-mm …`
+ Lay the frame flat beside the part, as high as its surface and in the same light. The chart goes
  into the hole, its brown patch at the arrow.
+ In the photo: the chart wholly visible, and at least two markers; the more the better.

The frame finds the chart and gives the scale; the colours come from the chart. Without the chart
they come from the paper's white alone, which is rough: then no colour match is judged.
"""
_HOW_SEAM = """
#text(size: 15pt, weight: "bold")[Seam cards]

+ Print at *100 %*, on plain matt white paper. Measure the ruler before you cut, and write
  what it measures into `job.toml`, even if it is 100: \\
  `[card]` \\
  `printed_mm = 99.2` #h(1em) (yours instead of 99.2)
+ Cut them out along the thin lines. Lay *one* beside the seam: flat, as high as the seam's rim, in
  the same light. Do not bend it into the valley.
+ In the photo: at least two of its three markers, and both grey strips, clean.
"""
_HONEST = """
#text(size: 15pt, weight: "bold")[What they can give]

The markers give the scale. The bare paper is the white: it sets exposure and white balance. No
paper is a standard; whiteners make most of them bluish.

The greys are dots of toner or ink, and how dark they come out is each printer's own affair. They
show whether the light is even and the white clean; they are no measured greys.

So with this card alone colours are rough, and a colour match stays open until the 24-patch chart
lies in the picture.
"""
