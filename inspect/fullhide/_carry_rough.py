"""Rough maps between two photos of a part: by its contour, and by features on its surface.

A map from here is a guess that the surface itself has to bear out (`carry`). The contour serves
where lamp or colour has changed, features where the part is not wholly seen. The features are
scale-invariant ones (Lowe, Int. J. Comput. Vision 60 (2004) 91, with the votes of its section 7 for
position, size and turn), compared by the square roots of their parts (Arandjelovic and Zisserman,
CVPR 2012); the robust fit is MAGSAC++ (Barath et al., CVPR 2020), as OpenCV has it. The sources
are named from memory.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._propose_mask import find_surface
from fullhide.chart import ChartReading, ColourFit
from fullhide.photo import Photo
from fullhide.region import bounding_box
from fullhide.registration import mapped

Array = NDArray[np.float32]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: Points of a contour, the most turns of it that are tried, and how much of the best turn's
#: likeness another must have.
_CONTOUR, _TURNS, _TURN_SHARE = 360, 5, 0.80
#: A contour fits where the mean distance is below this, share of the part's extent.
_CONTOUR_FIT = 0.03
#: Of a part's outlines so much must lie within the surface found for its contour to serve.
_OUTLINED = 0.85
#: Longest side of the part in the pictures that features are looked for in.
_FEATURE_PX = 900
_MOST_FEATURES, _MOST_MATCHES = 6000, 1500
#: A feature's nearest likeness must be nearer than this share of the second nearest.
_RATIO = 0.92
#: Matches within this of the homography agree, pixels of the reduced picture; and so many must.
_FEATURE_AGREE_PX, _FEWEST_FEATURES = 3.0, 8
#: Votes for the middle of the part agree within this share of its extent, and within this turn and
#: change of size.
_VOTE_PLACE, _VOTE_TURN, _VOTE_SIZE = 0.10, 0.30, 0.25
#: The later photo may show the part at most so much larger or smaller.
_SCALE = 2.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A photo, its chart and its colours."""

    photo: Photo
    reading: ChartReading
    fit: ColourFit


def rough_maps(earlier: Shot, later: Shot, polygons: Sequence[Points]) -> Iterator[Points]:
    """Homographies (3, 3) that may carry a part to the later photo, likelier ones first."""
    yield from _by_contour(earlier, later, polygons)
    yield from _by_features(earlier, later, polygons)


def plausible(matrix: Points, points: Points) -> bool:
    """Whether a map neither mirrors the part nor tears, folds or resizes it beyond reason."""
    step = max(1.0, 0.01 * float(np.ptp(points, axis=0).max()))
    here = mapped(matrix, points)
    right = mapped(matrix, points + np.array([step, 0.0])) - here
    down = mapped(matrix, points + np.array([0.0, step])) - here
    if not np.isfinite(np.concatenate([here, right, down])).all():
        return False
    area = (right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]) / step**2
    if float(area.min()) <= 0 or float(area.max()) > 4.0 * float(area.min()):
        return False
    return bool(_SCALE**-2 < float(np.median(area)) < _SCALE**2)


def around(polygons: Sequence[Points], size_px: tuple[int, int], share: float) -> Box:
    """Box about outlines, grown by a share of their extent."""
    every = np.concatenate(list(polygons))
    grow = share * float(np.ptp(every, axis=0).max())
    low, high = every.min(axis=0) - grow, every.max(axis=0) + grow
    return bounding_box(np.stack([low, high]), size_px)


# --- by the contour ----------------------------------------------------------------------------


def _by_contour(earlier: Shot, later: Shot, polygons: Sequence[Points]) -> Iterator[Points]:
    first, second = _contour(earlier, polygons), _contour(later, ())
    if first is None or second is None:
        return
    every = np.concatenate(list(polygons))
    extent = float(np.linalg.norm(np.ptp(second, axis=0)))
    found = []
    for start in _turned(first, second):
        matrix, off = _settled(start, first, second)
        if off < _CONTOUR_FIT * extent and plausible(matrix, every):
            found.append((off, matrix))
    found.sort(key=lambda pair: pair[0])
    yield from (matrix for _, matrix in found)


def _contour(shot: Shot, polygons: Sequence[Points]) -> Points | None:
    """Evenly spaced points (N, 2) on the contour of the dyed surface, photo pixels."""
    surface = find_surface(shot.photo, reading=shot.reading, fit=shot.fit)
    if surface is None:
        return None
    if polygons:
        drawn = np.zeros_like(surface.mask)
        for polygon in polygons:
            corners = np.round((polygon * surface.scale - 0.5) * 16.0).astype(np.int32)
            cv2.fillPoly(drawn, [corners], 1, shift=4)
        if (drawn & surface.mask).sum() < _OUTLINED * max(int(drawn.sum()), 1):
            return None
    contours, _ = cv2.findContours(surface.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64) + 0.5
    closed = np.concatenate([ring, ring[:1]])
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.linspace(0.0, lengths[-1], _CONTOUR, endpoint=False)
    even = np.stack([np.interp(at, lengths, closed[:, i]) for i in (0, 1)], axis=1)
    return np.asarray(even / surface.scale, np.float64)


def _turned(first: Points, second: Points) -> list[Points]:
    """Affine maps (3, 3) that lay one contour on the other, one for each turn that may be."""
    (a, a_shape), (b, b_shape) = _whitened(first), _whitened(second)
    # Distance from the middle over the direction: turns of it are what is left to find.
    one, two = _signature(a), _signature(b)
    like = np.fft.irfft(np.conj(np.fft.rfft(one)) * np.fft.rfft(two), n=_CONTOUR)
    like /= max(float(np.linalg.norm(one) * np.linalg.norm(two)), 1e-12)
    peak = (like >= np.roll(like, 1)) & (like >= np.roll(like, -1))
    peaks = np.flatnonzero(peak & (like > _TURN_SHARE * like.max()))
    best = peaks[np.argsort(-like[peaks])][:_TURNS]
    maps = []
    for turn in best * (2 * np.pi / _CONTOUR):
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        linear = b_shape @ spin @ np.linalg.inv(a_shape)
        shift = second.mean(axis=0) - linear @ first.mean(axis=0)
        maps.append(np.vstack([np.column_stack([linear, shift]), [0.0, 0.0, 1.0]]))
    return maps


def _whitened(ring: Points) -> tuple[Points, Points]:
    """A contour made as wide as high whichever way, and the shape (2, 2) that undoes it."""
    off = ring - ring.mean(axis=0)
    values, vectors = np.linalg.eigh(off.T @ off / len(off))
    shape = vectors @ np.diag(np.sqrt(np.maximum(values, 1e-9))) @ vectors.T
    return off @ np.linalg.inv(shape).T, shape


def _signature(ring: Points) -> Points:
    angle = np.arctan2(ring[:, 1], ring[:, 0])
    order = np.argsort(angle)
    at = np.linspace(-np.pi, np.pi, _CONTOUR, endpoint=False)
    radius = np.interp(at, angle[order], np.linalg.norm(ring, axis=1)[order], period=2 * np.pi)
    return np.asarray(radius - radius.mean(), np.float64)


def _settled(matrix: Points, first: Points, second: Points) -> tuple[Points, float]:
    """The map after its contour has been drawn to the nearest places of the other.

    Returns the mean distance too, photo pixels.
    """
    off = float("inf")
    for step in range(25):
        here = mapped(matrix, first)
        if not np.isfinite(here).all():
            return matrix, float("inf")
        apart = np.linalg.norm(here[:, None] - second[None], axis=2)
        nearest = second[apart.argmin(axis=1)]
        left = np.linalg.norm(here - nearest, axis=1)
        off = float(np.minimum(left, 4.0 * np.median(left)).mean())
        # A thing that covers part of one contour must not draw the rest.
        close = left <= max(3.0 * float(np.median(left)), 1.0)
        if close.sum() < 30:
            return matrix, off
        if step < 6:
            terms = np.column_stack([first[close], np.ones(int(close.sum()))])
            fitted = np.linalg.lstsq(terms, nearest[close], rcond=None)[0]
            matrix = np.vstack([fitted.T, [0.0, 0.0, 1.0]])
        else:
            fitted = cv2.findHomography(first[close], nearest[close], 0)[0]
            if fitted is None:
                return matrix, off
            matrix = cast(Points, fitted)
    return matrix, off


# --- by features -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Features:
    """Places in photo pixels (N, 2), what each looks like (N, 128), size and turn (N,)."""

    places: Points
    looks: Array
    sizes: Points
    turns: Points


def _by_features(earlier: Shot, later: Shot, polygons: Sequence[Points]) -> Iterator[Points]:
    every = np.concatenate(list(polygons))
    box = around(polygons, earlier.photo.size_px, 0.0)
    scale = max(1.0, max(box[2] - box[0], box[3] - box[1]) / _FEATURE_PX)
    width, height = later.photo.size_px
    first = _features(earlier, box, scale, polygons)
    second = _features(later, (0, 0, width, height), scale, ())
    if first is None or second is None:
        return
    one, two = _matches(first.looks, second.looks)
    start, end = first.places[one], second.places[two]
    size = second.sizes[two] / first.sizes[one]
    turn = second.turns[two] - first.turns[one]
    # Each match alone says where the part's middle lies, how it is turned and how large it is.
    middle = 0.5 * (every.min(axis=0) + every.max(axis=0)) - start
    cos, sin = np.cos(turn) * size, np.sin(turn) * size
    votes = end + np.stack(
        [cos * middle[:, 0] - sin * middle[:, 1], sin * middle[:, 0] + cos * middle[:, 1]], axis=1
    )
    extent = float(np.ptp(every, axis=0).max())
    look = np.column_stack([
        votes / (_VOTE_PLACE * extent), np.cos(turn) / _VOTE_TURN, np.sin(turn) / _VOTE_TURN,
        np.log(size) / _VOTE_SIZE,
    ])  # fmt: skip
    square = np.square(look).sum(axis=1)
    apart = np.maximum(square[:, None] + square[None] - 2.0 * look @ look.T, 0.0)
    count = np.exp(-0.5 * apart).sum(axis=1)
    for _ in range(2):
        if not len(count) or count.max() < 3.0:
            return
        best = int(count.argmax())
        near = apart[best] < 9.0
        count = np.where(near, 0.0, count)
        matrix = _homography(start[near], end[near], scale)
        if matrix is not None and plausible(matrix, every):
            yield matrix


def _homography(start: Points, end: Points, scale: float) -> Points | None:
    if len(start) < _FEWEST_FEATURES:
        return None
    found, inliers = cv2.findHomography(
        start,
        end,
        cv2.USAC_MAGSAC,
        ransacReprojThreshold=_FEATURE_AGREE_PX * scale,
        maxIters=10000,
        confidence=0.9999,
    )
    matrix = cast("Points | None", found)
    return None if matrix is None or int(inliers.sum()) < _FEWEST_FEATURES else matrix


def _matches(one: Array, two: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs whose likeness stands out, the plainest first."""
    best, ratio = [], []
    for begin in range(0, len(one), 1000):
        like = one[begin : begin + 1000] @ two.T
        rows = np.arange(len(like))
        nearest = like.argmax(axis=1)
        top = like[rows, nearest].copy()
        like[rows, nearest] = -1.0
        best.append(nearest)
        ratio.append((1.0 - top) / np.maximum(1.0 - like.max(axis=1), 1e-9))
    told, which = np.concatenate(ratio), np.concatenate(best)
    good = np.argsort(told)[:_MOST_MATCHES]
    good = good[told[good] < _RATIO**2]
    return good, which[good]


def _features(shot: Shot, box: Box, scale: float, polygons: Sequence[Points]) -> _Features | None:
    # As it is: made everywhere as strong, noise looks like grain and half as many are right.
    picture = np.clip(grey(shot.photo, box, scale), 0, 255).astype(np.uint8)
    seen = np.full(picture.shape, 0 if polygons else 255, np.uint8)
    for polygon in polygons:
        _fill(seen, polygon, box, scale, 255)
    if shot.reading.found:
        middle = shot.reading.corners_px.mean(axis=0)
        _fill(seen, middle + 1.1 * (shot.reading.corners_px - middle), box, scale, 0)
    finder = cv2.SIFT.create(nfeatures=_MOST_FEATURES, contrastThreshold=0.005, edgeThreshold=12)
    keys, looks = finder.detectAndCompute(picture, cast("NDArray[np.uint8]", seen))
    if len(keys) < _FEWEST_FEATURES:
        return None
    root = np.sqrt(looks / np.maximum(looks.sum(axis=1, keepdims=True), 1e-9))
    # A feature's place counts from pixel centres, a photo's from corners.
    return _Features(
        (np.array([key.pt for key in keys]) + 0.5) * scale + box[:2],
        np.asarray(root, np.float32),
        np.array([key.size for key in keys]),
        np.deg2rad([key.angle for key in keys]),
    )


def _fill(mask: NDArray[np.uint8], polygon: Points, box: Box, scale: float, value: int) -> None:
    points = ((polygon - box[:2]) / scale - 0.5) * 256.0
    cv2.fillPoly(mask, [np.round(points).astype(np.int32)], value, shift=8)


def grey(photo: Photo, box: Box, scale: float) -> Array:
    """Grey levels of 255 of a box, reduced."""
    x0, y0, x1, y1 = box
    size = (max(1, round((x1 - x0) / scale)), max(1, round((y1 - y0) / scale)))
    codes = photo.encoded[y0:y1, x0:x1]
    small = cv2.resize(codes, size, interpolation=cv2.INTER_AREA)
    levels = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)
    return cast(Array, levels * np.float32(255.0 / float(np.iinfo(photo.encoded.dtype).max)))
