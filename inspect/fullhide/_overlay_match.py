"""A match in the strip below the photo: both colours, and the difference against its limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._overlay_draw import BLACK, GREY, WHITE, dot, put_text, text_width
from fullhide.colour import lab_to_xyz, xyz_to_srgb8
from fullhide.result import Measure

__all__ = ["draw_match", "shows_match"]

Image = NDArray[np.uint8]

_COLOURS = ("match_L", "match_a", "match_b", "match_dL", "match_da", "match_db")
_AMOUNTS = ("match_delta_e", "match_at_least", "match_at_most")
#: Phone pixels: the row, one colour field, where the scale begins, and its middle.
_HIGH, _FIELD, _SCALE, _LINE = 38.0, (44.0, 20.0), 112.0, 13.0
_SIZE = 7.5


@dataclass(frozen=True, slots=True)
class _Told:
    """Colours of reference and panel, sRGB, and the difference, its ends and its limit, ΔE."""

    reference: tuple[int, int, int]
    panel: tuple[int, int, int]
    value: float
    at_least: float
    at_most: float
    limit: float


def draw_match(
    measures: Mapping[str, Measure], *, width: int, unit: float, margin: float
) -> Image | None:
    """Draw a match as a row of the strip.

    Parameters
    ----------
    measures
        Of a region.
    width
        Of the strip, pixels.
    unit
        A pixel on a phone, in pixels of the strip.
    margin
        At either side, in phone pixels.

    Returns
    -------
    (h, width, 3) uint8 RGB: the reference's field and the panel's side by side; a scale from no
    difference on, with the reading as a dot, a bar for between what the true one lies, and the
    limit as a line. None where no match was read.
    """
    told = _told(measures)
    if told is None:
        return None
    row = np.full((max(1, round(_HIGH * unit)), width, 3), 255, np.uint8)
    size = max(1, round(_SIZE * unit))
    wide, high = _FIELD
    for place, (name, paint) in enumerate((("reference", told.reference), ("panel", told.panel))):
        x0, x1 = (round((margin + (place + n) * wide) * unit) for n in (0, 1))
        row[round(3 * unit) : round((3 + high) * unit), x0:x1] = paint
        at = 0.5 * (x0 + x1 - text_width(name, size))
        put_text(row, name, (at, (8 + high) * unit + 0.2 * size), size, GREY)
    frame = [round(v * unit) for v in (margin, 3.0, margin + 2 * wide, 3.0 + high)]
    cv2.rectangle(row, frame[:2], frame[2:], GREY, max(1, round(0.6 * unit)))
    _scale(row, told, unit, margin)
    return row


def shows_match(measures: Mapping[str, Measure]) -> bool:
    """Whether `draw_match` has something to draw."""
    return _told(measures) is not None


def _told(measures: Mapping[str, Measure]) -> _Told | None:
    names = (*_COLOURS, *_AMOUNTS)
    values = [measures[name].value if name in measures else None for name in names]
    limit = measures["match_delta_e"].limit if "match_delta_e" in measures else None
    known = [value for value in values if value is not None]
    if limit is None or len(known) < len(values):
        return None
    panel, off = np.array(known[:3]), np.array(known[3:6])
    fields = [xyz_to_srgb8(lab_to_xyz(lab)).tolist() for lab in (panel - off, panel)]
    value, at_least, at_most = known[6:]
    return _Told(
        reference=tuple(fields[0]),
        panel=tuple(fields[1]),
        value=value,
        at_least=at_least,
        at_most=at_most,
        limit=limit,
    )


def _scale(row: Image, told: _Told, unit: float, margin: float) -> None:
    """The difference on a scale that also holds the limit."""
    size = max(1, round(_SIZE * unit))
    first, last = _SCALE * unit, row.shape[1] - (margin + 14.0) * unit
    most = max(1.4 * told.limit, 1.1 * told.at_most)
    middle = _LINE * unit

    def at(value: float) -> float:
        return float(first + (last - first) * value / most)

    thick = max(1, round(0.8 * unit))
    cv2.line(row, _point(first, middle), _point(last, middle), GREY, thick, cv2.LINE_AA)
    step = next((s for s in (0.5, 1, 2, 5, 10, 20) if most / s <= 6), 50)
    taken = _words(row, f"limit {told.limit:g}", at(told.limit), (_HIGH - 6.0) * unit, size)
    for value in np.arange(0.0, most, step):
        x = at(float(value))
        tick = (_point(x, middle), _point(x, middle + 4 * unit))
        cv2.line(row, *tick, GREY, thick, cv2.LINE_AA)
        if abs(x - at(told.limit)) > 9 * unit:  # the limit's line goes down there
            _words(row, f"{value:g}", x, middle + 9 * unit, size, GREY)
    put_text(row, "ΔE", (last + 3 * unit, middle), size, GREY)
    # The limit reaches from above the bar down to its name.
    low, high = middle - 9 * unit, taken - 0.6 * size
    bar = (_point(at(told.at_least), middle), _point(at(told.at_most), middle))
    cv2.line(row, *bar, BLACK, max(1, round(4 * unit)), cv2.LINE_AA)
    line = _point(at(told.limit), low), _point(at(told.limit), high)
    for paint, wide in ((WHITE, 4), (BLACK, 2)):  # seen on the bar as well
        cv2.line(row, *line, paint, wide * thick)
    dot(row, (at(told.value), middle), 4.2 * unit, BLACK)
    dot(row, (at(told.value), middle), 2.6 * unit, WHITE)


def _words(
    row: Image,
    text: str,
    x: float,
    y: float,
    size: int,
    colour: tuple[int, int, int] = BLACK,
) -> float:
    """Words with their middle at x, inside the row; where they stand, downwards."""
    wide = text_width(text, size)
    left = min(max(x - 0.5 * wide, 0.0), row.shape[1] - wide)
    put_text(row, text, (left, y), size, colour)
    return y


def _point(x: float, y: float) -> tuple[int, int]:
    return round(x), round(y)
