"""Things on the bench or reaching over the part: a hand, a tool, a cloth. Plain shapes, no more."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ._board import Overlay
from ._canvas import axis_of
from ._frame import Frame
from .scene import Distractor

__all__ = ["HANDLE", "THINGS", "thing_overlays"]

F32 = NDArray[np.float32]
Points = NDArray[np.float64]

#: Kinds and their usual colours.
THINGS = {"hand": (64.0, 16.0, 19.0), "tool": (62.0, 0.0, -2.0), "cloth": (80.0, -2.0, 5.0)}
_SHADOW, _SHADOW_MM = 0.45, 4.0
#: Of a tool's handle.
HANDLE = (28.0, 4.0, 5.0)


class _Sheet:
    """A mask about a place, and shapes drawn into it in millimetres from its middle."""

    def __init__(self, item: Distractor, reach_mm: float, frame: Frame) -> None:
        self.per_mm = 1.0 / frame.mm_per_px
        half = int(reach_mm * self.per_mm) + 4
        cx, cy = frame.px(item.centre_mm)
        self.x0, self.y0 = int(cx) - half, int(cy) - half
        self.along = axis_of(item.angle_deg)
        self.side = np.array([-self.along[1], self.along[0]])
        self._middle = np.array([cx - self.x0, cy - self.y0])
        self.mask = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)

    def _points(self, mm: Points) -> NDArray[np.int32]:
        """Fixed-point pixels (4 bits) of places (N, 2): along and beside the item's direction."""
        place = mm[:, :1] * self.along + mm[:, 1:] * self.side
        return np.asarray(np.round((place * self.per_mm + self._middle) * 16), np.int32)

    def capsule(self, mm: list[tuple[float, float]], width_mm: float) -> None:
        points = [self._points(np.array(mm)).reshape(-1, 1, 2)]
        width = max(1, round(width_mm * self.per_mm))
        cv2.polylines(self.mask, points, False, 255, width, cv2.LINE_AA, 4)

    def polygon(self, mm: Points) -> None:
        cv2.fillPoly(self.mask, [self._points(mm)], 255, cv2.LINE_AA, 4)

    def overlay(self, colour: F32, round_mm: float) -> Overlay:
        """The shape, rounded off over a width at its rim."""
        inside = cv2.distanceTransform((self.mask > 127).astype(np.uint8), cv2.DIST_L2, 5)
        q = np.clip(inside / max(round_mm * self.per_mm, 1.0), 0, 1)
        shade = np.asarray(0.55 + 0.45 * np.sqrt(q * (2 - q)), np.float32)
        alpha = self.mask.astype(np.float32) / np.float32(255)
        return Overlay(self.x0, self.y0, alpha, np.broadcast_to(colour, (*alpha.shape, 3)), shade)

    def shadow(self) -> Overlay:
        blurred = cv2.GaussianBlur(self.mask, (0, 0), max(1.0, _SHADOW_MM * self.per_mm))
        alpha = blurred.astype(np.float32) * np.float32(_SHADOW / 255)
        return Overlay(self.x0, self.y0, alpha, np.zeros((*alpha.shape, 3), np.float32))


def thing_overlays(
    item: Distractor, frame: Frame, colour: F32, dark: F32, rng: np.random.Generator
) -> list[Overlay]:
    """The shadow of a thing and the thing; `dark` is the colour of a tool's handle."""
    size = item.size_mm
    sheet = _Sheet(item, 1.6 * size, frame)
    if item.kind == "hand":
        sheet.capsule([(-1.5 * size, 0.0), (-0.2 * size, 0.0)], 0.34 * size)
        sheet.capsule([(-0.12 * size, 0.0), (0.05 * size, 0.0)], 0.42 * size)
        for n, length in enumerate((0.34, 0.42, 0.40, 0.30)):
            beside = (n - 1.5) * 0.115 * size
            end = (length + 0.1) * size, beside * float(rng.uniform(1.1, 1.5))
            sheet.capsule([(0.1 * size, beside), end], 0.095 * size)
        sheet.capsule([(-0.1 * size, -0.18 * size), (0.14 * size, -0.38 * size)], 0.11 * size)
        return [sheet.shadow(), sheet.overlay(colour, 0.05 * size)]
    if item.kind == "tool":
        sheet.capsule([(-0.1 * size, 0.0), (0.5 * size, 0.0)], 0.05 * size)
        handle = _Sheet(item, 1.6 * size, frame)
        handle.capsule([(-0.5 * size, 0.0), (-0.12 * size, 0.0)], 0.13 * size)
        shaft = sheet.overlay(colour, 0.025 * size)
        grip = handle.overlay(dark, 0.06 * size)
        return [sheet.shadow(), handle.shadow(), shaft, grip]
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = np.full(60, 0.45)
    for wave in (2, 3, 5, 8):
        radius += 0.07 * rng.standard_normal() * np.sin(wave * angle + 6.3 * rng.random())
    sheet.polygon(size * radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    cloth = sheet.overlay(colour, 1.0)
    small = rng.standard_normal((24, 24)).astype(np.float32)
    folds = cv2.resize(small, sheet.mask.shape[::-1], interpolation=cv2.INTER_CUBIC)
    shade = np.asarray(cloth.shade * np.clip(1.0 + 0.10 * folds, 0.5, 1.3), np.float32)
    laid = Overlay(cloth.x0, cloth.y0, cloth.alpha, cloth.colour, shade)
    return [sheet.shadow(), laid]
