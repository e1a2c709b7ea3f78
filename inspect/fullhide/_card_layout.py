"""What is printed where on the cards: this project's own layout, in millimetres.

Coordinates count from the card's centre, x to the right, y down, as printed. The markers are those
of OpenCV's dictionary DICT_4X4_50, an open scheme; every number belongs to one place on one card,
so a marker alone tells which card it is on. Cards printed once must be read for ever: a layout is
never changed, a new one takes numbers that are free (47 to 49).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = [
    "CARDS",
    "DICTIONARY",
    "FRAME",
    "GREYS",
    "MODULES",
    "QUIET",
    "SEAM_COPIES",
    "SMALL_FRAME",
    "Card",
    "Rectangle",
    "card_of",
    "seam_card",
]

DICTIONARY = "DICT_4X4_50"
#: Modules along a marker's side: four of its number, one of black rim on either side.
MODULES = 6
#: White that has to stay around a marker, in modules.
QUIET = 0.75
#: Share of black in the fields of the grey strip, from the white one outward.
GREYS = (0.0, 0.25, 0.55, 1.0)
SEAM_COPIES = 9

Kind = Literal["frame", "small frame", "seam"]
Point = tuple[float, float]
#: Centre x and y, width and height.
Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Card:
    """One card.

    Attributes
    ----------
    kind
        "frame", "small frame" (around a chart) or "seam".
    size_mm
        Outer width and height.
    marker_mm
        Side of a marker's black square.
    markers
        Number -> centre.
    hole_mm
        Largest width and height that may be cut out for a chart; None without a hole.
    whites
        Places where the paper is bare.
    strips
        Rectangles of the grey strip's fields, a row for each of `GREYS`; empty without a strip.
    """

    kind: Kind
    size_mm: tuple[float, float]
    marker_mm: float
    markers: dict[int, Point]
    hole_mm: tuple[float, float] | None
    whites: tuple[Rectangle, ...]
    strips: tuple[tuple[Rectangle, ...], ...] = ()


def _frame(kind: Kind, size: tuple[float, float], band: float, marker: float, first: int) -> Card:
    """Ten markers around a hole: four along the top and the bottom, one on either side."""
    right, low = (size[0] - band) / 2, (size[1] - band) / 2
    third = right / 3
    around = (
        (-right, -low),
        (-third, -low),
        (third, -low),
        (right, -low),
        (right, 0.0),
        (right, low),
        (third, low),
        (-third, low),
        (-right, low),
        (-right, 0.0),
    )
    quiet = QUIET * marker / MODULES
    # Bare paper: between two markers along the top, and above and below those at the sides. The
    # bottom's is left for words.
    across = 2 * third - marker - 2 * quiet
    down = low - marker - 2 * quiet
    wide, high = 0.5 * band, 0.5 * band
    whites = [(x, -low, across, high) for x in (-2 * third, 0.0, 2 * third)]
    whites += [(x, y, wide, down) for x in (-right, right) for y in (-low / 2, low / 2)]
    return Card(
        kind=kind,
        size_mm=size,
        marker_mm=marker,
        markers={first + n: place for n, place in enumerate(around)},
        hole_mm=(size[0] - 2 * band, size[1] - 2 * band),
        whites=tuple(whites),
    )


#: Fits A4 and Letter with 7 mm to spare; charts up to 212 x 146 mm.
FRAME = _frame("frame", (264.0, 198.0), 26.0, 20.0, 0)
#: Charts up to 112 x 74 mm.
SMALL_FRAME = _frame("small frame", (150.0, 112.0), 19.0, 14.0, 10)


def seam_card(copy: int) -> Card:
    """The seam card's copy 0 to 8: three markers in a row, the grey strip between them."""
    marker, pitch, field = 12.0, 33.0, 4.25
    strips = []
    for step in range(len(GREYS)):
        # White next to the outer markers, black innermost: alike on both sides.
        at = 27.0 - 2.0 - (step + 0.5) * field
        strips.append(((-at, 0.0, field, 14.0), (at, 0.0, field, 14.0)))
    first = 20 + 3 * copy
    return Card(
        kind="seam",
        size_mm=(84.0, 20.0),
        marker_mm=marker,
        markers={first: (-pitch, 0.0), first + 1: (0.0, 0.0), first + 2: (pitch, 0.0)},
        hole_mm=None,
        whites=strips[0],
        strips=tuple(strips),
    )


CARDS: tuple[Card, ...] = (FRAME, SMALL_FRAME, *(seam_card(n) for n in range(SEAM_COPIES)))
_BY_NUMBER = {number: card for card in CARDS for number in card.markers}


def card_of(number: int) -> Card | None:
    """The card that a marker's number belongs to; None for a number that is not ours."""
    return _BY_NUMBER.get(number)
