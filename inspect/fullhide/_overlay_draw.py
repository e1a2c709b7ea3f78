"""Strokes, plates and words on a picture: what the overlay is drawn with.

Words are set with the fonts inside OpenCV 5, the only ones that are certain to be there and hold
more than ASCII (Pillow's built-in font has no ², ä or Δ).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLACK",
    "BOLD",
    "GREY",
    "REGULAR",
    "STYLES",
    "WHITE",
    "Colour",
    "Style",
    "dashes",
    "dot",
    "plate",
    "printable",
    "put_text",
    "shorten",
    "stroke",
    "text_width",
    "thin",
    "wrap",
]

Image = NDArray[np.uint8]
Points = NDArray[np.float64]
Colour = tuple[int, int, int]

WHITE: Colour = (255, 255, 255)
BLACK: Colour = (20, 20, 20)
GREY: Colour = (105, 105, 105)

REGULAR, BOLD = 400, 700
# Sub-pixel bits of OpenCV's drawing calls.
_SHIFT = 4


@dataclass(frozen=True, slots=True)
class Style:
    """How a verdict looks: never by colour alone.

    Colours near those of Okabe and Ito (2008), whose hues people of every colour vision tell
    apart, darkened until white words on them can be read.

    Attributes
    ----------
    word
        The verdict in capitals.
    colour
        Of lines and plates.
    halo
        Around lines, so that they show on any leather.
    ink
        Of words on the plate.
    filled
        Whether the plate is filled; else it is white with a coloured edge.
    double, dashed
        Kind of line; solid if neither.
    """

    word: str
    colour: Colour
    halo: Colour
    ink: Colour
    filled: bool = False
    double: bool = False
    dashed: bool = False


STYLES: dict[str | None, Style] = {
    "fail": Style("FAIL", (196, 66, 0), WHITE, WHITE, filled=True, double=True),
    "retake": Style("RETAKE", (240, 176, 0), BLACK, BLACK, filled=True, dashed=True),
    "pass": Style("PASS", (0, 94, 170), WHITE, (0, 94, 170)),
    None: Style("NOT JUDGED", GREY, WHITE, GREY),
}


def printable(text: str) -> str:
    """`text` without what no font shows."""
    return "".join(c if c.isprintable() else "?" for c in text)


def text_width(text: str, size: int, weight: int = REGULAR) -> int:
    """Width of one line of words, in pixels."""
    if not text:
        return 0
    x, _, width, _ = cv2.getTextSize((0, 0), text, (0, 0), cv2.FontFace("sans"), size, weight)
    return int(x + width)


def put_text(
    image: Image,
    text: str,
    at: tuple[float, float],
    size: int,
    colour: Colour,
    weight: int = REGULAR,
) -> None:
    """Set one line of words; `at` is the left end of the line's middle, half capital height up."""
    # Capitals of the built-in font are 0.7 of its size.
    base = (round(at[0]), round(at[1] + 0.35 * size))
    cv2.putText(image, text, base, colour, cv2.FontFace("sans"), size, weight)


def wrap(text: str, size: int, width: int, weight: int = REGULAR) -> list[str]:
    """Break words into lines of at most `width` pixels; a longer word is broken as well."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, weight) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, weight) > width and len(word) > 1:
            fits = max(1, int(len(word) * width / text_width(word, size, weight)))
            while fits > 1 and text_width(word[:fits], size, weight) > width:
                fits -= 1
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line else lines


def shorten(lines: list[str], most: int) -> list[str]:
    """At most `most` lines, the last one ending in … if anything was left out."""
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], lines[most - 1][:-1].rstrip(" ,.;:") + "…"]


def _fixed(points: Points) -> NDArray[np.int32]:
    # OpenCV counts from pixel centres, outlines from pixel corners.
    return np.rint((points - 0.5) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)


def thin(image: Image, parts: list[Points], colour: Colour, width: float, *, closed: bool) -> None:
    """Draw plain lines, `width` in pixels."""
    cv2.polylines(
        image,
        [_fixed(part) for part in parts],
        closed,
        colour,
        max(1, round(width)),
        cv2.LINE_AA,
        _SHIFT,
    )


def stroke(image: Image, points: Points, style: Style, unit: float, *, closed: bool = True) -> None:
    """Draw a line in a verdict's style.

    Parameters
    ----------
    image
        (H, W, 3) uint8, drawn on.
    points
        (N, 2), x right, y down.
    style
        Solid, double or dashed, with its halo.
    unit
        A pixel on a phone, in pixels of `image`.
    closed
        Whether the end joins the start.
    """
    if style.double:
        thin(image, [points], style.halo, 4.8 * unit, closed=closed)
        thin(image, [points], style.colour, 4.0 * unit, closed=closed)
        thin(image, [points], WHITE, 1.2 * unit, closed=closed)
        return
    thin(image, [points], style.halo, 3.2 * unit, closed=closed)
    if style.dashed:
        parts = dashes(points, 7 * unit, 5 * unit, closed=closed)
        thin(image, parts, style.colour, 2.0 * unit, closed=False)
    else:
        thin(image, [points], style.colour, 1.8 * unit, closed=closed)


def dashes(points: Points, on: float, off: float, *, closed: bool) -> list[Points]:
    """Cut a line into dashes of length `on` with gaps of `off`, in whole numbers of both."""
    path = np.concatenate([points, points[:1]]) if closed else points
    steps = np.hypot(*np.diff(path, axis=0).T)
    path = path[np.concatenate([[True], steps > 0])]
    along = np.concatenate([[0.0], np.cumsum(steps[steps > 0])])
    total = float(along[-1])
    if total <= on or len(path) < 2:
        return [path]
    count = max(1, round(total / (on + off)))
    period = total / count
    length = period * on / (on + off)
    parts = []
    for start in np.arange(count) * period:
        inner = (along > start) & (along < start + length)
        marks = np.concatenate([[start], along[inner], [start + length]])
        parts.append(np.stack([np.interp(marks, along, path[:, k]) for k in (0, 1)], axis=1))
    return parts


def plate(
    image: Image,
    box: tuple[float, float, float, float],
    fill: Colour,
    edge: Colour,
    *,
    width: float,
    radius: float,
) -> None:
    """Draw a rectangle with round corners."""
    x0, y0, x1, y1 = box
    r = min(radius, (x1 - x0) / 2, (y1 - y0) / 2)
    quarter = np.linspace(0, np.pi / 2, 8)
    corners: list[tuple[float, float, float]] = [
        (x1 - r, y1 - r, 0),
        (x0 + r, y1 - r, 1),
        (x0 + r, y0 + r, 2),
        (x1 - r, y0 + r, 3),
    ]
    ring = np.concatenate(
        [
            np.stack(
                [x + r * np.cos(quarter + k * np.pi / 2), y + r * np.sin(quarter + k * np.pi / 2)],
                1,
            )
            for x, y, k in corners
        ]
    )
    cv2.fillPoly(image, [_fixed(ring)], fill, cv2.LINE_AA, _SHIFT)
    if width:
        thin(image, [ring], edge, width, closed=True)


def dot(image: Image, at: Any, radius: float, colour: Colour) -> None:
    """Draw a filled circle."""
    x, y = (round((float(v) - 0.5) * (1 << _SHIFT)) for v in at)
    cv2.circle(image, (x, y), round(radius * (1 << _SHIFT)), colour, -1, cv2.LINE_AA, _SHIFT)
