"""Seams on a surface that nobody drew on: long dark lines, followed from one side to the other.

In pictures of the surface turned by steps, a line is followed from column to column, each step
weighed by how much darker it is than what lies beside it. Noise and grain lose at every step what
a valley gains, so only what is dark over a long way adds up (local alignment: Smith and Waterman,
J. Mol. Biol. 147 (1981) 195, from memory).
"""

from __future__ import annotations

from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.photo import Photo

Array = NDArray[np.float32]
Mask = NDArray[np.uint8]
Points = NDArray[np.float64]

#: Size of a pixel of the picture that is looked at, mm.
_MM = 0.6
#: Half the width of a valley's dark line, and of what it is held against, mm.
_VALLEY_MM, _BESIDE_MM = 0.9, 3.0
#: So far from the surface's rim nothing is looked at: it rolls over there, mm.
_RIM_MM = 7.0
#: Directions that are looked along; a line may bend so far from one of them.
_TURNS = 8
#: What each step must be darker by, in standard deviations of the surface, to count at all; and
#: the most that one step counts.
_COST, _MOST = 1.1, 4.0
#: A seam is so long, mm, and goes this share of the way across the surface where it lies.
_LONG_MM, _ACROSS = 28.0, 0.55
#: Of its length so much is darker than what lies beside it, and its middle step by so much.
_DARK_SHARE, _DARK = 0.85, 3.2
#: A seam keeps so near to one even bow, mm at the mean; creases wander.
_WANDERS_MM = 1.5
#: Two seams do not run closer to each other, mm.
_APART_MM = 11.0
_MOST_SEAMS = 6
_FEWEST = 24


def find_seams(photo: Photo, mask: Mask, scale: float, *, mm_per_px: float) -> list[Points]:
    """Middles of seams on a surface.

    Parameters
    ----------
    photo
        The photo.
    mask, scale
        The surface, and pixels of the mask a photo pixel.
    mm_per_px
        Scale of the photo, known or nominal.

    Returns
    -------
    list
        Lines (N, 2) in photo pixels, the plainest first.
    """
    step = max(1.0, _MM / mm_per_px)
    mm = step * mm_per_px
    width, height = photo.size_px
    size = (max(2, round(width / step)), max(2, round(height / step)))
    codes = cv2.resize(photo.encoded, size, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY).astype(np.float32)
    grey *= np.float32(255.0 / float(np.iinfo(photo.encoded.dtype).max))
    small = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
    # The photo's edge is no rim.
    small = cv2.copyMakeBorder(small, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    inside = cv2.distanceTransform(small, cv2.DIST_L2, 5)
    on: Mask = np.asarray(inside[1:-1, 1:-1] * mm > _RIM_MM, np.uint8)
    if int(on.sum()) * mm * mm < _LONG_MM**2:
        return []
    found: list[Points] = []
    free = on.copy()
    turned = [_Turned(grey, on, 180.0 * n / _TURNS, mm) for n in range(_TURNS)]
    while len(found) < _MOST_SEAMS:
        best = max((one.longest(free, mm) for one in turned), key=lambda pair: pair[0])
        if best[0] <= 0:
            break
        line = best[1]
        found.append((line + 0.5) * (width / size[0], height / size[1]))
        points = [np.round(line * 16).astype(np.int32).reshape(-1, 1, 2)]
        cv2.polylines(free, points, False, 0, 2 * round(_APART_MM / mm) + 1, cv2.LINE_8, 4)
    return found


class _Turned:
    """The surface turned so that lines of one direction run from left to right."""

    def __init__(self, grey: Array, on: Mask, angle_deg: float, mm: float) -> None:
        h, w = grey.shape
        turn = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), angle_deg, 1.0)
        cos, sin = abs(turn[0, 0]), abs(turn[0, 1])
        self._size = (int(w * cos + h * sin) + 2, int(w * sin + h * cos) + 2)
        turn[:, 2] += (self._size[0] - w) / 2, (self._size[1] - h) / 2
        self._turn = turn
        whole = self.of(on)
        picture = cv2.warpAffine(grey, turn, self._size, flags=cv2.INTER_LINEAR, borderValue=0)
        self._dark = _darker(cast(Array, picture), whole, mm)
        self._whole = whole

    def of(self, mask: Mask) -> Mask:
        """A mask turned."""
        return cast(Mask, cv2.warpAffine(mask, self._turn, self._size, flags=cv2.INTER_NEAREST))

    def longest(self, free: Mask, mm: float) -> tuple[float, Points]:
        """The plainest line, in pixels of the picture before it was turned; 0 where none is."""
        none = (0.0, np.zeros((0, 2)))
        here = self.of(free) > 0
        gain = np.where(here, np.minimum(self._dark, _MOST) - _COST, -_MOST).astype(np.float32)
        score, rows, columns = _followed(gain)
        if score <= 0:
            return none
        values = self._dark[rows, columns]
        # The way across is what the surface shows about the line's middle row.
        middle = round(float(rows.mean()))
        gaps = np.flatnonzero(self._whole[max(0, middle - 3) : middle + 4].max(axis=0) == 0)
        left, right = gaps[gaps < columns[0]], gaps[gaps > columns[-1]]
        begin = int(left[-1]) + 1 if len(left) else 0
        end = int(right[0]) if len(right) else self._whole.shape[1]
        across = end - begin
        long = len(columns)
        if long < _FEWEST or long * mm < _LONG_MM or long < _ACROSS * across:
            return none
        plain = float(np.median(values)) > _DARK and float((values > _COST).mean()) > _DARK_SHARE
        at = np.linspace(-1.0, 1.0, long)
        bow = np.polyval(np.polyfit(at, rows, 2), at)
        if not plain or float(np.abs(rows - bow).mean()) * mm > _WANDERS_MM:
            return none
        smooth = cv2.GaussianBlur(rows.astype(np.float32)[None], (0, 0), max(1.0, 2.0 / mm))[0]
        line = np.column_stack([columns, smooth, np.ones(long)]).astype(np.float64)
        back = cv2.invertAffineTransform(self._turn)
        return score, line @ back.T


def _darker(picture: Array, whole: Mask, mm: float) -> Array:
    """How much darker each place is than those above and below it, standard deviations.

    Along the lines it is averaged over a few millimetres: a line is long, a crease is short.
    """
    log = np.log(np.maximum(picture, 1.0))
    valley = 2 * round(_VALLEY_MM / mm) + 1
    beside = round(_BESIDE_MM / mm)
    along = max(1, round(5.0 / mm))
    lined = cv2.blur(log, (along, valley))
    above = cv2.copyMakeBorder(lined[:-beside], beside, 0, 0, 0, cv2.BORDER_REPLICATE)
    below = cv2.copyMakeBorder(lined[beside:], 0, beside, 0, 0, cv2.BORDER_REPLICATE)
    # Darker than either side, so that a step from light to dark is no line.
    dark = np.minimum(above, below) - lined
    inside = whole > 0
    if not inside.any():
        return np.zeros_like(log)
    values = dark[inside]
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    return np.asarray((dark - middle) / max(spread, 0.004), np.float32)


def _followed(gain: Array) -> tuple[float, NDArray[np.intp], NDArray[np.intp]]:
    """The line of most gain from left to right: its gain, rows and columns."""
    height, width = gain.shape
    total = np.zeros((width, height), np.float32)
    came = np.zeros((width, height), np.int8)
    last = np.zeros(height, np.float32)
    columns = np.ascontiguousarray(gain.T)
    for x in range(width):
        up = np.concatenate([[np.float32(0)], last[:-1]])
        down = np.concatenate([last[1:], [np.float32(0)]])
        best = np.maximum(last, np.maximum(up, down) - np.float32(0.15))
        step = np.where(best == last, 0, np.where(up >= down, -1, 1))
        last = np.maximum(best, 0) + columns[x]
        came[x] = np.where(best > 0, step, 2)
        last = np.maximum(last, 0)
        total[x] = last
    end = int(total.argmax())
    x, y = divmod(end, height)
    score = float(total[x, y])
    rows, xs = [], []
    while x >= 0 and total[x, y] > 0:
        rows.append(y)
        xs.append(x)
        if came[x, y] == 2:
            break
        y += int(came[x, y])
        x -= 1
    return score, np.array(rows[::-1], np.intp), np.array(xs[::-1], np.intp)
