"""A chart whose board corners were marked by hand: where its patches may be inside them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._chart_find import candidates, likeness, project
from fullhide._chart_pose import GRID, Board, Picture

__all__ = ["check_corners", "marked_board", "marked_places"]

F64: TypeAlias = NDArray[np.float64]
U8: TypeAlias = NDArray[np.uint8]

# All own choices.
_RIMS = (0.58, 0.70, 0.85, 1.05)  # pitches from outer patch centre to board edge, tried all round
_LONG_SIDE = 400  # of the straightened board that is searched, px
_EDGE = 16.0  # around it
_HAND_U = 0.03  # pitches: how well a person sets a corner
_AGREE = 0.20  # pitches: nearer than this, the edge seen replaces the one marked
_TRIES = 4
_SPOTS = np.array([[x, y] for x in (-0.22, 0.0, 0.22) for y in (-0.22, 0.0, 0.22)])


def check_corners(corners: F64, size: tuple[int, int]) -> str:
    """What is wrong with marked corners, or an empty text."""
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        return "a chart needs four corners"
    step = np.roll(corners, -1, axis=0) - corners
    turn = step[:, 0] * np.roll(step[:, 1], -1) - step[:, 1] * np.roll(step[:, 0], -1)
    if np.hypot(step[:, 0], step[:, 1]).min() < 12:
        return "the chart's corners lie on top of each other"
    if not ((turn > 0).all() or (turn < 0).all()):
        return "the chart's corners cross or make a dent"
    slack = 0.02 * max(size)
    if corners.min() < -slack or (corners > np.array(size) + slack).any():
        return "the chart's corners lie outside the photo"
    return ""


def marked_places(photo: Picture, corners: F64, reference: F64) -> Iterator[tuple[F64, bool]]:
    """Grids to try inside the marks: those seen there, then likely ones in the marked order."""
    view, to_px = _straightened(photo, corners)
    turned_over = _area(corners) < 0
    for place in candidates(view, reference):
        yield to_px @ place.homography, place.mirrored ^ turned_over
    for hom in _likely(view, reference):
        yield to_px @ hom, turned_over


def _straightened(photo: Picture, corners: F64) -> tuple[U8, F64]:
    """The marked board as an upright picture, of the shape it has in the photo, and view to px."""
    side = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    shape = np.array([side[0] + side[2], side[1] + side[3]])
    w, h = shape / shape.max() * (_LONG_SIDE - 2 * _EDGE)
    target = np.array([[0, 0], [w, 0], [w, h], [0, h]]) + _EDGE
    to_px = np.asarray(
        cv2.getPerspectiveTransform(target.astype(np.float32), corners.astype(np.float32)),
        dtype=np.float64,
    )
    picture, scale = photo.preview(2000)
    m = np.diag([scale, scale, 1.0]) @ to_px
    m[:2] -= 0.5 * m[2]
    m = m @ np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    size = (round(w + 2 * _EDGE), round(h + 2 * _EDGE))
    view = cv2.warpPerspective(picture, m, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return np.asarray(view, dtype=np.uint8), to_px


def _likely(view: U8, reference: F64) -> list[F64]:
    """Grids of several rims in the marked order, the likeliest first."""
    soft = np.asarray(cv2.blur(view, (5, 5)), dtype=np.uint8)
    rims = [np.array(r) for r in product(_RIMS, repeat=4)]
    scores = [_score(soft, r, reference) for r in rims]
    first = np.argsort(scores)[::-1][:_TRIES]
    best = [_tuned(soft, rims[k], scores[k], reference) for k in first]
    best.sort(key=lambda s: -s[0])
    return [_grid(view.shape, rim) for _, rim in best]


def _grid(shape: tuple[int, ...], rim: F64) -> F64:
    left, top, right, bottom = rim
    px = (shape[1] - 2 * _EDGE) / (5 + left + right)
    py = (shape[0] - 2 * _EDGE) / (3 + top + bottom)
    return np.array([[px, 0, _EDGE + left * px], [0, py, _EDGE + top * py], [0, 0, 1.0]])


def _score(soft: U8, rim: F64, reference: F64) -> float:
    """How like the chart the colours are, and how even within each patch."""
    limit = np.array([soft.shape[1], soft.shape[0]]) - 1
    at = project(_grid(soft.shape, rim), (GRID + _SPOTS[:, None]).reshape(-1, 2))
    at = np.clip(at, 0, limit).astype(int)
    linear = np.power(soft[at[:, 1], at[:, 0]] / 255.0, 2.2).reshape(len(_SPOTS), 24, 3)
    spread = np.log(linear + 0.01).std(axis=0).mean()
    return float(likeness(linear.mean(axis=0), reference) - spread)


def _tuned(soft: U8, rim: F64, score: float, reference: F64) -> tuple[float, F64]:
    """Rims moved one at a time while that helps."""
    for step in (0.06, 0.06, 0.03, 0.03):
        for side in range(4):
            for sign in (-1.0, 1.0):
                moved = rim.copy()
                moved[side] += sign * step
                value = _score(soft, moved, reference)
                if value > score:
                    rim, score = moved, value
    return score, rim


def marked_board(hom: F64, corners: F64, seen: Board) -> Board:
    """Rims from the marks, taking the edges seen in the photo where they agree."""
    at = project(np.asarray(np.linalg.inv(hom), dtype=np.float64), corners)
    # The grid may turn out to start at another corner than the one marked first.
    order = np.argsort(np.arctan2(at[:, 1] - 1.5, at[:, 0] - 2.5))
    first, second, third, fourth = at[order]  # clockwise from the upper left in the chart's frame
    marked = np.array(
        [
            -0.5 * (first[0] + fourth[0]),
            -0.5 * (first[1] + second[1]),
            0.5 * (second[0] + third[0]) - 5.0,
            0.5 * (third[1] + fourth[1]) - 3.0,
        ]
    )
    agree = seen.seen & (np.abs(seen.rim - marked) < _AGREE)
    # The board's corners lie beyond the patches whatever was marked.
    rim = np.where(agree, seen.rim, np.maximum(marked, 0.4))
    return Board(rim, agree, seen.soft, hand_u=_HAND_U)


def _area(corners: F64) -> float:
    x, y = corners.T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
