"""The line between two colours, column by column: how far each runs over the other."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.edge_line import Sides, levelling, sides_of
from fullhide.region import RegionView

__all__ = ["Trace", "runs", "trace"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: The picture of shares is smoothed as little as brings its noise down to this, and by one of
#: these, standard deviation in mm (our own choices).
_QUIET, _SMOOTH_MM = 0.08, (0.0, 0.08, 0.15, 0.22, 0.3, 0.4)
#: Noise of the shares from which on no line can be told (our own choice).
_LOUD = 0.25
#: The part of the band's half width that shows the sides' own colours: overspray may lie nearer.
_OUTER = 0.5
#: The line is read along it over this length, mm; a side has to show this much beside it, mm.
_ALONG_MM, _BESIDE_MM = 0.3, 2.5
#: What a line's place is off by besides noise: parts of a pixel, and mm (measured on rendered
#: edges, seeds that the bench was tuned on).
_PIXEL, _OFF_MM = 0.3, 0.03
#: Places that the course is levelled by.
_COURSE_PLACES = 200


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """A masked line as found.

    Attributes
    ----------
    sides
        The two colours beside it.
    share
        Share of the second colour, smoothed, float32 (H, W).
    place
        The line's distance from its course in each column, mm, positive on the second colour's
        side; 0 where not seen.
    first_over, second_over
        How far the first colour lies over the course on the second one's side, and the other way
        round, mm; negative where it does not reach the course.
    u
        Standard uncertainty of the line's place in each column, mm.
    course_u
        That of the course, mm, which the three distances above have besides.
    seen
        Columns where the line is seen.
    asked
        Columns of the line that the outline asks for: its ends may be cut aslant.
    smooth_mm
        Standard deviation of the smoothing of `share`.
    """

    sides: Sides
    share: Array
    place: Vector
    first_over: Vector
    second_over: Vector
    u: Vector
    course_u: Vector
    seen: Mask
    asked: Mask
    smooth_mm: float

    @property
    def seen_share(self) -> float:
        """Which part of the line asked for is seen."""
        return float((self.seen & self.asked).sum()) / max(1, int(self.asked.sum()))


def runs(mask: Mask) -> list[tuple[int, int]]:
    """Stretches of true values as half-open ranges."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def trace(view: RegionView) -> Trace | None:
    """Follow the line through a straightened view.

    Parameters
    ----------
    view
        From `region.view_edge`.

    Returns
    -------
    Trace or None
        None where no two colours with a line between them can be made out.
    """
    mm = view.mm_per_px
    sides = sides_of(view.xyz, view.judged, mm_per_px=mm, outer=_OUTER)
    if sides is None:
        return None
    raw = np.clip(sides.share(view.xyz), -1.0, 2.0)
    share, noise, sigma = _quiet(raw, view)
    if noise > _LOUD:
        return None
    cleaned = _cleaned(share > 0.5, view.inside)
    top, bottom = _ends(cleaned, view.inside)
    rows = view.inside.shape[0]
    mid = 0.5 * (rows - 1)
    upper = (_between(share, top - 1) - mid) * mm
    lower = (_between(share, bottom) - mid) * mm
    seen = (top > 0) & (bottom < rows - 1) & _shown(view, 0.5 * (upper + lower))
    place = np.where(seen, 0.5 * (upper + lower), 0.0)
    tilt, course_u = _tilt(place, seen)
    place = np.where(seen, _steadied(place - tilt, seen, mm), 0.0)
    first_over = np.where(seen, _steadied(lower - tilt, seen, mm), 0.0)
    second_over = np.where(seen, -_steadied(upper - tilt, seen, mm), 0.0)
    u = np.hypot(noise / _slope(share, 0.5 * (top + bottom), mm), np.hypot(_PIXEL * mm, _OFF_MM))
    return Trace(
        sides=sides,
        share=share,
        place=place,
        first_over=first_over,
        second_over=second_over,
        u=u,
        course_u=course_u,
        seen=seen,
        asked=_asked(seen, rows),
        smooth_mm=sigma,
    )


def _quiet(raw: Array, view: RegionView) -> tuple[Array, float, float]:
    """Shares smoothed as little as their noise beside the line allows, that noise, and by what."""
    mm = view.mm_per_px
    v = _rows_mm(view)
    reach = np.where(view.inside, np.abs(v), 0.0).max()
    far = view.judged & (np.abs(v) > min(_BESIDE_MM, 0.5 * reach))
    away = raw - (v > 0)
    # Things that lie there are no noise.
    plain = far & (np.abs(away) < 0.9)
    held = np.where(view.judged, raw, (v > 0).astype(np.float32)).astype(np.float32)
    smooth, noise, sigma = held, np.inf, 0.0
    for sigma in _SMOOTH_MM:
        if sigma > 0.3 * mm:
            smooth = np.asarray(cv2.GaussianBlur(held, (0, 0), sigma / mm), np.float32)
        left = (smooth - (v > 0))[plain]
        noise = 1.4826 * float(np.median(np.abs(left))) if left.size else np.inf
        if noise < _QUIET:
            break
    return np.asarray(smooth, np.float32), noise, sigma


def _rows_mm(view: RegionView) -> Vector:
    rows = view.inside.shape[0]
    return np.asarray((np.arange(rows) - 0.5 * (rows - 1)) * view.mm_per_px, np.float64)[:, None]


def _cleaned(second: Mask, inside: Mask) -> Mask:
    """Which side each pixel belongs to, islands of one colour in the other left out."""
    kept = []
    for mine in (second & inside, ~second & inside):
        _, labels, stats, _ = cv2.connectedComponentsWithStats(
            mine.astype(np.uint8), connectivity=8
        )
        areas = stats[:, cv2.CC_STAT_AREA].copy()
        areas[0] = 0
        large = areas >= 0.1 * max(1, int(areas.max()))
        kept.append(large[labels] & mine)
    return np.asarray(kept[0] | (inside & ~second & ~kept[1]), bool)


def _ends(second: Mask, inside: Mask) -> tuple[Vector, Vector]:
    """First row of the second colour in each column, and last row of the first."""
    rows = second.shape[0]
    top = np.where(second.any(axis=0), second.argmax(axis=0), 0)
    first = inside & ~second
    bottom = np.where(first.any(axis=0), rows - 1 - first[::-1].argmax(axis=0), rows - 1)
    return top.astype(np.float64), bottom.astype(np.float64)


def _between(share: Array, row: Vector) -> Vector:
    """Where below a row the share crosses one half, in rows."""
    rows, columns = share.shape
    low = np.clip(row.astype(int), 0, rows - 2)
    at = np.arange(columns)
    a, b = share[low, at], share[low + 1, at]
    step = np.where(np.abs(b - a) > 1e-6, b - a, 1e-6)
    return np.asarray(low + np.clip((0.5 - a) / step, 0.0, 1.0), np.float64)


def _shown(view: RegionView, place: Vector) -> Mask:
    """Columns where nothing hides the surface around the line."""
    v = _rows_mm(view)
    near = np.abs(v - place[None]) < 1.0
    hidden = (near & ~view.judged).any(axis=0)
    beside = [(view.judged & (side * v > 0)).sum(axis=0) for side in (-1, 1)]
    enough = np.minimum(*beside) * view.mm_per_px >= _BESIDE_MM
    return np.asarray(~hidden & enough, bool)


def _asked(seen: Mask, rows: int) -> Mask:
    """Columns between the ends of what is seen, and what lies beyond an aslant cut of the band."""
    asked = np.ones(seen.size, bool)
    there = np.flatnonzero(seen)
    if there.size:
        asked[: min(int(there[0]), rows)] = False
        asked[max(int(there[-1]) + 1, seen.size - rows) :] = False
    return asked


def _tilt(place: Vector, seen: Mask) -> tuple[Vector, Vector]:
    """What the course is off as a whole in each column, and its standard uncertainty, mm."""
    at = np.flatnonzero(seen)
    if at.size < 8:
        return np.zeros(place.size), np.zeros(place.size)
    few = np.linspace(at[0], at[-1], min(at.size, _COURSE_PLACES))
    held = np.interp(few, at, place[at])
    tilt, u = levelling(held, np.linspace(-1.0, 1.0, few.size))
    columns = np.arange(place.size)
    slope = (tilt[-1] - tilt[0]) / (few[-1] - few[0])
    return tilt[0] + slope * (columns - few[0]), np.interp(columns, few, u)


def _steadied(place: Vector, seen: Mask, mm: float) -> Vector:
    """Each place by the median of its neighbours within `_ALONG_MM`."""
    half = int(0.5 * _ALONG_MM / mm)
    if half < 1 or seen.sum() < 3:
        return place
    at = np.arange(place.size)
    filled = np.interp(at, at[seen], place[seen])
    padded = np.pad(filled, half, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.median(near, axis=1))


def _slope(share: Array, row: Vector, mm: float) -> Vector:
    """How steeply the share rises at the line, a mm, at least a little."""
    rows, columns = share.shape
    reach = max(1, round(0.2 / mm))
    middle = np.clip(np.round(row).astype(int), reach, rows - 1 - reach)
    at = np.arange(columns)
    rise = share[middle + reach, at] - share[middle - reach, at]
    slope = np.asarray(rise / (2 * reach * mm), np.float64)
    steady = cv2.blur(slope[None], (2 * reach + 1, 1))[0]
    return np.asarray(np.maximum(steady, 0.3))
