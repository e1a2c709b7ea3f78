"""Where could a 24-patch chart be?  Flat patches, grown into lattices, judged by their colours.

Every step works on reduced 8-bit pictures; nothing found here is believed before
`_chart_judge` has checked it on linear data.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Candidate", "calm", "candidates", "likeness", "noisy", "orientations", "project"]

F64: TypeAlias = NDArray[np.float64]
U8: TypeAlias = NDArray[np.uint8]
Cells: TypeAlias = dict[tuple[int, int], int]

# All our own choices, tried on painted placements (tests/bench/bench_chart.py).
_STEPS = (10, 22, 5)  # code steps that part a patch from its surround
_MIN_AREA, _MAX_AREA = 14, 60 * 60  # of a patch's flat inside, px of the reduced picture
_MAX_BLOBS = 1500
_MIN_CELLS = 8
_MAX_CELLS = 32  # a larger lattice is another thing: tiles, keys, a bigger chart
_MIN_SCORE = 0.75
_NOISY_SHARE = 0.3  # of px rougher than the first step


@dataclass(frozen=True, slots=True)
class Candidate:
    """A place where a chart may be.

    Attributes
    ----------
    homography
        (3, 3) from the chart's patch grid to px of the picture searched: patch (column j, row i)
        has its centre at (j, i), dark skin at (0, 0), white at (0, 3).
    score
        Correlation of its colours with the reference, at most 1, a few bad patches left out.
    mirrored
        Whether the grid is seen mirrored.
    """

    homography: F64
    score: float
    mirrored: bool


@dataclass(frozen=True, slots=True)
class _Blobs:
    centre: F64  # (n, 2)
    side: F64  # (n,) square root of the area


def candidates(picture: U8, reference: F64, *, limit: int = 3) -> Iterator[Candidate]:
    """Places in one picture, best first within each contrast step.

    Parameters
    ----------
    picture
        (h, w, 3) uint8 RGB, display-like encoding; patches between about 4 and 60 px.
    reference
        (24, 3) linear RGB of the chart.
    limit
        At most so many places for each contrast step.
    """
    rough = _gradient(picture)
    small = np.asarray(cv2.blur(picture, (3, 3)), dtype=np.uint8)
    for step in _STEPS:
        blobs = _flat_blobs(rough, step)
        found: list[Candidate] = []
        for cells, hom in _lattices(blobs):
            found += _windows(small, cells, hom, reference)
        found.sort(key=lambda c: -c.score)
        yield from found[:limit]


def noisy(picture: U8) -> bool:
    """Whether most neighbours differ by more than the smallest step looked for."""
    rough = _gradient(picture)
    return bool(np.count_nonzero(rough > _STEPS[0]) > _NOISY_SHARE * rough.size)


def calm(picture: U8) -> U8:
    """The picture without its grain, edges kept: a median over 5 x 5 px."""
    if min(picture.shape[:2]) < 5:
        return picture
    return np.asarray(cv2.medianBlur(picture, 5), dtype=np.uint8)


def _gradient(picture: U8) -> U8:
    """Largest step to a neighbour over the channels, in codes of a picture stretched to white."""
    # The lightest spot of some size: a small chart on black must not be stretched beyond white.
    top = float(cv2.blur(picture, (5, 5)).max())
    if top < 200.0:
        alpha = min(230.0 / max(top, 1.0), 6.0)
        picture = np.asarray(cv2.convertScaleAbs(picture, alpha=alpha), dtype=np.uint8)
    ones = np.ones((2, 2), np.uint8)
    grown = np.asarray(cv2.morphologyEx(picture, cv2.MORPH_GRADIENT, ones), dtype=np.uint8)
    return np.asarray(grown.max(axis=2) if grown.size < 3e5 else _max3(grown), dtype=np.uint8)


def _max3(img: U8) -> U8:
    r, g, b = cv2.split(img)
    return np.asarray(cv2.max(cv2.max(r, g), b), dtype=np.uint8)


def _flat_blobs(rough: U8, step: int) -> _Blobs:
    """Connected flat pieces that could be a patch: right size, filled, not too long."""
    flat = cv2.threshold(rough, step, 255, cv2.THRESH_BINARY_INV)[1]
    _, labels, stats, centre = cv2.connectedComponentsWithStats(flat, connectivity=4)
    w, h, area = stats[:, 2], stats[:, 3], stats[:, 4]
    keep = (area >= _MIN_AREA) & (area <= _MAX_AREA) & (area >= 0.36 * w * h)
    keep &= (np.maximum(w, h) <= 3 * np.minimum(w, h)) & (np.arange(len(area)) > 0)
    ids = np.flatnonzero(keep)
    if len(ids) > _MAX_BLOBS:  # texture makes dust: keep the larger pieces
        ids = ids[np.argsort(-area[ids])[:_MAX_BLOBS]]
    pieces = np.asarray(labels, dtype=np.int32)
    good = [i for i in ids if _compact(pieces, stats[i], int(i))]
    # The 2 x 2 gradient moves a piece by half a pixel right and down, which is just what turns
    # pixel numbers into the continuous frame.
    return _Blobs(centre[good].astype(np.float64), np.sqrt(area[good].astype(np.float64)))


def _compact(labels: NDArray[np.int32], stat: NDArray[np.int32], i: int) -> bool:
    x, y, w, h, area = (int(v) for v in stat)
    piece = (labels[y : y + h, x : x + w] == i).view(np.uint8)
    outline = cv2.findContours(piece, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0][0]
    if len(outline) < 4:
        return False
    hull = cv2.convexHull(outline)
    _, (a, b), _ = cv2.minAreaRect(hull)
    a, b = a + 1.0, b + 1.0  # from pixel centres to pixel areas
    filled = area / (cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1.0)
    # A rhombus seen at 50 degrees fills 0.64 of its rectangle at worst.
    return bool(filled > 0.80 and area > 0.55 * a * b and max(a, b) < 2.6 * min(a, b))


def _lattices(blobs: _Blobs) -> Iterator[tuple[Cells, F64]]:
    """Grow lattices of like-sized blobs from the best-supported seeds."""
    n = len(blobs.side)
    if n < _MIN_CELLS:
        return
    near = _neighbours(blobs)
    seeds = _seeds(blobs, near)
    used = np.zeros(n, bool)
    for i, a, b in seeds:
        if used[i]:
            continue
        cells = _grow(blobs, near, i, a, b)
        if len(cells) < _MIN_CELLS:
            used[i] = True
            continue
        used[list(cells.values())] = True
        if len(cells) > _MAX_CELLS:
            continue
        hom = _fit(blobs, cells)
        if hom is not None:
            yield cells, hom


def _neighbours(blobs: _Blobs) -> NDArray[np.intp]:
    """(n, 12) like-sized blobs within reach of each blob, nearest first; -1 for none."""
    c, s = blobs.centre.astype(np.float32), blobs.side.astype(np.float32)
    gap = np.hypot(c[:, None, 0] - c[None, :, 0], c[:, None, 1] - c[None, :, 1])
    big, small = np.maximum(s[:, None], s), np.minimum(s[:, None], s)
    ok = (gap > 0.75 * big) & (gap < 2.8 * big + 3.0) & (big < 1.7 * small)
    gap[~ok] = np.inf
    count = min(12, gap.shape[1])
    nearest = np.argpartition(gap, count - 1, axis=1)[:, :count]
    reach = np.take_along_axis(gap, nearest, axis=1)
    order = np.argsort(reach, axis=1)
    nearest, reach = (np.take_along_axis(x, order, axis=1) for x in (nearest, reach))
    return np.where(np.isfinite(reach), nearest, -1)


_AROUND = np.array([[1, 0], [-1, 0], [0, 1], [0, -1], [1, 1], [-1, -1], [1, -1], [-1, 1]], "f4")


def _seeds(blobs: _Blobs, near: NDArray[np.intp]) -> list[tuple[int, F64, F64]]:
    """Blobs with the two steps that explain most of their neighbours, best explained first."""
    centre = blobs.centre.astype(np.float32)
    d = np.where((near >= 0)[..., None], centre[near] - centre[:, None], np.float32(1e6))
    reach = np.hypot(d[..., 0], d[..., 1])
    pairs = [(p, q) for p in range(min(6, d.shape[1])) for q in range(p + 1, min(6, d.shape[1]))]
    count = np.zeros((len(d), len(pairs)), np.int32)
    for k, (p, q) in enumerate(pairs):
        a, b = d[:, p], d[:, q]
        short = np.minimum(reach[:, p], reach[:, q])
        sine = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / (reach[:, p] * reach[:, q])
        ok = (sine > 0.5) & (np.maximum(reach[:, p], reach[:, q]) < 2.0 * short) & (short < 1e5)
        for u, v in _AROUND:
            want = u * a + v * b
            miss = np.hypot(want[:, None, 0] - d[..., 0], want[:, None, 1] - d[..., 1])
            count[:, k] += ok & (miss.min(axis=1) < 0.22 * short)
    best = count.argmax(axis=1)
    most = count[np.arange(len(d)), best]
    good = np.flatnonzero(most >= 3)
    order = good[np.argsort(-most[good], kind="stable")]
    wide = d.astype(np.float64)
    return [(int(i), wide[i, pairs[best[i]][0]], wide[i, pairs[best[i]][1]]) for i in order]


def _grow(blobs: _Blobs, near: NDArray[np.intp], seed: int, a: F64, b: F64) -> Cells:
    cells: Cells = {(0, 0): seed}
    steps = {(0, 0): (a, b)}
    taken = {seed}
    queue = [(0, 0)]
    while queue and len(cells) < 400:
        cell = queue.pop(0)
        here = cells[cell]
        along = near[here][near[here] >= 0]
        if not len(along):
            continue
        reach = blobs.centre[along] - blobs.centre[here]
        for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
            there = (cell[0] + sign * (axis == 0), cell[1] + sign * (axis == 1))
            if there in cells:
                continue
            step = steps[cell][axis] * sign
            miss = np.hypot(reach[:, 0] - step[0], reach[:, 1] - step[1])
            k = int(miss.argmin())
            if miss[k] > 0.25 * np.hypot(*step) or int(along[k]) in taken:
                continue
            cells[there] = int(along[k])
            taken.add(int(along[k]))
            seen = [steps[cell][0], steps[cell][1]]
            seen[axis] = 0.5 * (seen[axis] + sign * reach[k])
            steps[there] = (seen[0], seen[1])
            queue.append(there)
    return cells


def _fit(blobs: _Blobs, cells: Cells) -> F64 | None:
    """Homography from cells to px by robust least squares; drops cells that do not obey it."""
    for _ in range(3):
        grid = np.array(list(cells), dtype=np.float64)
        if len(grid) < _MIN_CELLS or np.ptp(grid[:, 0]) < 1 or np.ptp(grid[:, 1]) < 1:
            return None
        if min(np.ptp(grid[:, 0]), np.ptp(grid[:, 1])) < 1 or len(grid) < 6:
            return None
        at = blobs.centre[list(cells.values())]
        found, _ = cv2.findHomography(grid, at, 0)
        if found is None:
            return None
        hom = np.asarray(found, dtype=np.float64)
        miss = np.hypot(*(project(hom, grid) - at).T)
        pitch = np.sqrt(abs(_area(hom, grid.mean(axis=0))))
        bad = miss > max(0.12 * pitch, 0.8)
        if not bad.any():
            return np.asarray(hom, dtype=np.float64)
        for key, wrong in zip(list(cells), bad, strict=True):
            if wrong:
                del cells[key]
    return None


def project(hom: F64, points: F64) -> F64:
    """Points (n, 2) through a homography."""
    q = points @ hom[:, :2].T + hom[:, 2]
    return np.asarray(q[:, :2] / q[:, 2:])


def _area(hom: F64, at: F64) -> float:
    """Signed area of a unit cell, px²."""
    w = float(hom[2, :2] @ at + hom[2, 2])
    return float(np.linalg.det(hom)) / w**3


def orientations() -> list[tuple[bool, NDArray[np.intp]]]:
    """(mirrored, index) of the 8 ways a 4 x 6 or 6 x 4 block can hold the chart's 24 patches.

    `index[k]` is where patch k lies in the block read row by row; four are for 4 rows x 6, four
    for 6 rows x 4 (in that order).
    """
    out: list[tuple[bool, NDArray[np.intp]]] = []
    for rows, cols in ((4, 6), (6, 4)):
        block = np.arange(24).reshape(rows, cols)
        for turned in (block, block[::-1, ::-1], block[:, ::-1], block[::-1]):
            upright = turned if rows == 4 else turned.T
            # A transpose mirrors; so does one flip.
            one_flip = turned is not block and not np.array_equal(turned, block[::-1, ::-1])
            out.append(((rows == 6) ^ one_flip, upright.ravel()))
    return out


_ORIENT = orientations()


def _windows(picture: U8, cells: Cells, hom: F64, reference: F64) -> list[Candidate]:
    """4 x 6 blocks of a lattice whose colours go with the chart's."""
    grid = np.array(list(cells))
    low, high = grid.min(axis=0) - 3, grid.max(axis=0) + 3
    if np.any(high - low > 40):
        return []
    values, inside = _cell_colours(picture, hom, low, high)
    held = np.zeros(values.shape[:2], bool)
    held[grid[:, 1] - low[1], grid[:, 0] - low[0]] = True
    ref = _centred(_logs(reference))
    out: list[Candidate] = []
    for rows, cols, first in ((4, 6, 0), (6, 4, 4)):
        for y in range(values.shape[0] - rows + 1):
            for x in range(values.shape[1] - cols + 1):
                block = (slice(y, y + rows), slice(x, x + cols))
                count = int(held[block].sum())
                if count < _MIN_CELLS or len(cells) - count > 2 + count // 4:
                    continue
                if not inside[block].all():
                    continue
                seen = _centred(_logs(values[block].reshape(24, 3)))
                for k in range(first, first + 4):
                    score = _likeness(seen[_ORIENT[k][1]], ref)
                    if score > _MIN_SCORE:
                        at = np.array([x + low[0], y + low[1]], dtype=np.float64)
                        out.append(_candidate(hom, at, (rows, cols), k, score))
    out.sort(key=lambda c: -c.score)
    return out[:3]


def likeness(linear: F64, reference: F64) -> float:
    """Correlation of the logarithms of linear colours (24, 3) with the reference's."""
    return _likeness(_centred(_logs(linear)), _centred(_logs(reference)))


def _likeness(seen: F64, ref: F64) -> float:
    """Correlation of centred logarithms (24, 3), the four patches that fit worst left out."""
    size = np.sqrt((seen**2).sum() * (ref**2).sum()) + 1e-9
    product = float((seen * ref).sum())
    if product < 0.4 * size or product > 0.95 * size:
        return float(product / size)
    error = ((seen - product / (ref**2).sum() * ref) ** 2).sum(axis=1)
    keep = np.argsort(error)[:20]
    a, b = _centred(seen[keep]), _centred(ref[keep])
    return float((a * b).sum() / (np.sqrt((a**2).sum() * (b**2).sum()) + 1e-9))


def _candidate(hom: F64, at: F64, shape: tuple[int, int], orient: int, score: float) -> Candidate:
    """The homography from the chart's own grid for one window and orientation."""
    index = _ORIENT[orient][1]
    cols = shape[1]
    place = np.stack([index % cols, index // cols], axis=1) + at  # lattice cell of each patch
    corner, right, down = place[0], place[1] - place[0], place[6] - place[0]
    own = np.array([[right[0], down[0], corner[0]], [right[1], down[1], corner[1]], [0, 0, 1.0]])
    h = hom @ own
    flipped = _area(h, np.array([2.5, 1.5])) < 0
    return Candidate(h / h[2, 2], score, bool(flipped))


def _cell_colours(
    picture: U8, hom: F64, low: NDArray[np.intp], high: NDArray[np.intp]
) -> tuple[F64, NDArray[np.bool_]]:
    """Mean linear colour of the middle of each lattice cell, and whether it lies in the picture."""
    nx, ny = high - low + 1
    j, i = np.meshgrid(np.arange(nx) + low[0], np.arange(ny) + low[1])
    spot = np.array([-0.18, 0.0, 0.18])
    pts = np.stack(
        [
            (j[..., None, None] + spot[None, None, :, None] + 0 * spot).ravel(),
            (i[..., None, None] + spot[None, None, None, :] + 0 * spot[:, None]).ravel(),
        ],
        axis=1,
    )
    w = pts @ hom[2, :2] + hom[2, 2]
    ok = w * hom[2, 2] > 1e-9
    w = np.where(ok, w, 1.0)
    xy = (pts @ hom[:2, :2].T + hom[:2, 2]) / w[:, None]
    h, wd = picture.shape[:2]
    ok &= (xy[:, 0] >= 0) & (xy[:, 1] >= 0) & (xy[:, 0] <= wd - 1) & (xy[:, 1] <= h - 1)
    xy = np.where(ok[:, None], xy, 0.0)
    got = picture[xy[:, 1].astype(int), xy[:, 0].astype(int)]
    linear = np.power(got / 255.0, 2.2).reshape(ny, nx, 9, 3)
    return np.median(linear, axis=2), ok.reshape(ny, nx, 9).all(axis=2)


def _logs(linear: F64) -> F64:
    return np.asarray(np.log(np.maximum(linear, 0.0) + 0.004))


def _centred(logs: F64) -> F64:
    return np.asarray(logs - logs.mean(axis=0))
