"""A chart whose board corners were marked by hand: where its patches may be inside them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._chart_find import candidates, project
from fullhide._chart_pose import NOMINAL_RIM, Board, Picture

__all__ = ["check_corners", "marked_board", "marked_places", "nominal_grid"]

F64: TypeAlias = NDArray[np.float64]

_RIMS = (NOMINAL_RIM, 0.58, 0.80)  # pitches from outer patch centre to board edge: own choice
_SIZE = (560, 384)  # the straightened board that is searched, px
_HAND_U = 0.03  # pitches: how well a person sets a corner, own choice
_AGREE = 0.20  # pitches: nearer than this, the edge seen replaces the one marked


def check_corners(corners: F64, size: tuple[int, int]) -> str:
    """What is wrong with marked corners, or an empty text."""
    if corners.shape != (4, 2) or not np.isfinite(corners).all():
        return "a chart needs four corners"
    step = np.roll(corners, -1, axis=0) - corners
    turn = step[:, 0] * np.roll(step[:, 1], -1) - step[:, 1] * np.roll(step[:, 0], -1)
    if not ((turn > 0).all() or (turn < 0).all()):
        return "the chart's corners cross or make a dent"
    if np.hypot(step[:, 0], step[:, 1]).min() < 12:
        return "the chart's corners lie on top of each other"
    slack = 0.02 * max(size)
    if corners.min() < -slack or (corners > np.array(size) + slack).any():
        return "the chart's corners lie outside the photo"
    return ""


def nominal_grid(corners: F64, rim: float) -> F64:
    """Grid-to-px homography for a board with the same rim all round."""
    x0, y0, x1, y1 = -rim, -rim, 5 + rim, 3 + rim
    board = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    hom = cv2.getPerspectiveTransform(board.astype(np.float32), corners.astype(np.float32))
    return np.asarray(hom, dtype=np.float64)


def marked_places(photo: Picture, corners: F64, reference: F64) -> Iterator[tuple[F64, bool]]:
    """Grids to try inside the marks: those found there, then nominal ones in the marked order."""
    picture, scale = photo.preview(2000)
    w, h = _SIZE
    edge = 16.0
    target = np.array([[edge, edge], [w - edge, edge], [w - edge, h - edge], [edge, h - edge]])
    to_px = cv2.getPerspectiveTransform(target.astype(np.float32), corners.astype(np.float32))
    m = np.diag([scale, scale, 1.0]) @ to_px
    m[:2] -= 0.5 * m[2]
    m = m @ np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    view = np.asarray(cv2.warpPerspective(picture, m, _SIZE, flags=flags), dtype=np.uint8)
    seen_mirrored = _area(corners) < 0
    for place in candidates(view, reference):
        yield to_px @ place.homography, place.mirrored ^ seen_mirrored
    for rim in _RIMS:
        yield nominal_grid(corners, rim), seen_mirrored


def marked_board(hom: F64, corners: F64, seen: Board) -> Board:
    """Rims from the marks, taking the edges seen in the photo where they agree."""
    at = project(np.linalg.inv(hom), corners)
    # The grid may turn out to start at another corner than the one marked first.
    order = np.argsort(np.arctan2(at[:, 1] - 1.5, at[:, 0] - 2.5))
    x0y0, x1y0, x1y1, x0y1 = at[order]
    marked = np.array(
        [
            -0.5 * (x0y0[0] + x0y1[0]),
            -0.5 * (x0y0[1] + x1y0[1]),
            0.5 * (x1y0[0] + x1y1[0]) - 5.0,
            0.5 * (x0y1[1] + x1y1[1]) - 3.0,
        ]
    )
    agree = seen.seen & (np.abs(seen.rim - marked) < _AGREE)
    # The board's corners must lie beyond the patches whatever was marked.
    rim = np.where(agree, seen.rim, np.maximum(marked, 0.3))
    return Board(rim, agree, hand_u=_HAND_U)


def _area(corners: F64) -> float:
    x, y = corners.T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
