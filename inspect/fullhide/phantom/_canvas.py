"""Small pictures about a place, drawn finer than the photo, and lines to draw in them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ._frame import Frame
from .scene import Distractor

__all__ = ["Canvas", "axis_of", "wander"]

F32 = NDArray[np.float32]
_FINE = 4


class Canvas:
    """A small picture about a place, drawn finer than the photo and then averaged."""

    def __init__(self, centre_mm: tuple[float, float], reach_mm: float, frame: Frame) -> None:
        cx, cy = frame.px(centre_mm)
        half = reach_mm / frame.mm_per_px + 2
        self.x0, self.y0 = int(np.floor(cx - half)), int(np.floor(cy - half))
        self.n = int(np.ceil(2 * half)) + 1
        self._origin = np.array([cx - self.x0, cy - self.y0])
        self.fine = _FINE
        self._per_mm = _FINE / frame.mm_per_px
        self.mask = np.zeros((self.n * _FINE, self.n * _FINE), np.uint8)

    def points(self, mm: NDArray[np.float64]) -> NDArray[np.int32]:
        """Fixed-point canvas coordinates (4 bits) of places relative to the middle, in mm."""
        fine = np.asarray(mm) * self._per_mm + self._origin * _FINE - 0.5
        return np.asarray(np.round(fine * 16), dtype=np.int32)

    def line(self, mm: NDArray[np.float64], width_mm: float) -> None:
        width = max(1, round(width_mm * self._per_mm))
        points = [self.points(mm).reshape(-1, 1, 2)]
        cv2.polylines(self.mask, points, False, 255, width, cv2.LINE_8, 4)

    def dot(self, mm: NDArray[np.float64], radius_mm: float) -> None:
        x, y = self.points(mm).tolist()
        radius = max(8, round(radius_mm * self._per_mm * 16))
        cv2.circle(self.mask, (x, y), radius, 255, cv2.FILLED, cv2.LINE_8, 4)

    def alpha(self) -> F32:
        small = cv2.resize(self.mask, (self.n, self.n), interpolation=cv2.INTER_AREA)
        return small.astype(np.float32) / np.float32(255)


def axis_of(angle_deg: float) -> NDArray[np.float64]:
    a = np.deg2rad(angle_deg)
    return np.array([np.cos(a), -np.sin(a)])


def wander(item: Distractor, rng: np.random.Generator, bend: float) -> NDArray[np.float64]:
    """A gently curling line of the item's length and direction, in mm from its middle."""
    t = np.linspace(-0.5, 0.5, 60)
    across = bend * item.size_mm * np.sin(np.pi * t * (1 + rng.random()) + 6.3 * rng.random())
    across += 0.25 * bend * item.size_mm * np.sin(np.pi * t * 5 + 6.3 * rng.random())
    axis = axis_of(item.angle_deg)
    side = np.array([-axis[1], axis[0]])
    return np.asarray(t[:, None] * item.size_mm * axis + across[:, None] * side)
