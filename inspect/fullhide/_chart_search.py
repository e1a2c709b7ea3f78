"""The search for a chart: the likeliest sizes first, small charts last."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import _chart_find as finder
from fullhide import _chart_pose as posing
from fullhide._chart_pose import Picture

__all__ = ["REJECT_PX", "Remembering", "searches"]

F64: TypeAlias = NDArray[np.float64]

REJECT_PX = 90.0  # board width below which a chart is not read at all: own choice
LEVELS = (1000, 2000)  # sides of the reduced pictures searched, the second only if need be


class Remembering:
    """A photo whose reduced pictures are made only once."""

    def __init__(self, photo: Picture) -> None:
        self._photo = photo
        self._previews: dict[int, tuple[NDArray[np.uint8], float]] = {}

    @property
    def size_px(self) -> tuple[int, int]:
        return self._photo.size_px

    @property
    def encoded(self) -> NDArray[np.uint8] | NDArray[np.uint16]:
        return self._photo.encoded

    @property
    def matrix(self) -> F64:
        return self._photo.matrix

    def linear(self, box: posing.Box | None = None) -> NDArray[np.float32]:
        return self._photo.linear(box)

    def clipped(self, box: posing.Box | None = None) -> NDArray[np.bool_]:
        return self._photo.clipped(box)

    def preview(self, max_side: int) -> tuple[NDArray[np.uint8], float]:
        if max_side not in self._previews:
            self._previews[max_side] = self._photo.preview(max_side)
        return self._previews[max_side]


def searches(photo: Picture, reference: F64) -> Iterator[Iterator[tuple[F64, bool]]]:
    """Candidates in photo px, in two searches: the likeliest sizes, then small charts."""
    if min(photo.size_px) < REJECT_PX / 2:
        return
    first, scale = photo.preview(LEVELS[0])
    half = _halved(first)
    pictures = [(half, scale / 2), (first, scale), (_halved(half), scale / 4)]
    yield (place for p, s in pictures for place in _scaled(p, s, reference))
    if finder.noisy(half):  # grains larger than a patch's contrast: smoothed, edges kept
        pictures = [(half, scale / 2), (first, scale)]
        yield (place for p, s in pictures for place in _scaled(finder.calm(p), s, reference))
    if max(photo.size_px) > 1.2 * LEVELS[0]:
        large, scale = photo.preview(LEVELS[1])
        yield _scaled(large, scale, reference)


def _halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    h, w = picture.shape[:2]
    if min(h, w) < 2:  # a long strip: nothing left of it
        return picture[:0]
    even = picture[: h // 2 * 2, : w // 2 * 2]
    half = cv2.resize(even, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(half, dtype=np.uint8)


def _scaled(picture: NDArray[np.uint8], scale: float, reference: F64) -> Iterator[tuple[F64, bool]]:
    if min(picture.shape[:2]) < 24:
        return
    for place in finder.candidates(picture, reference):
        yield np.diag([1 / scale, 1 / scale, 1.0]) @ place.homography, place.mirrored
