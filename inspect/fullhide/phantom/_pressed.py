"""Relief of the part itself that is no grain: embossed marks and folds, with their shadows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ._canvas import Canvas, axis_of, wander
from ._frame import Frame
from .scene import Distractor, Scene

__all__ = ["Pressed", "pressed_relief"]

F32 = NDArray[np.float32]
_EMBOSS_MM = 0.35
_FOLD_MM = 0.6


@dataclass(frozen=True, slots=True)
class Pressed:
    """Slopes (height gained a millimetre) and lost light (0 to 1) in a window of the photo."""

    x0: int
    y0: int
    gx: F32
    gy: F32
    lost: F32

    def add(self, y0: int, y1: int, gx: F32, gy: F32, crease: F32) -> None:
        """Add to rows y0 to y1 of the photo, in place."""
        h, w = self.lost.shape
        top, bottom = max(y0, self.y0), min(y1, self.y0 + h)
        left, right = max(0, self.x0), min(gx.shape[1], self.x0 + w)
        if top >= bottom or left >= right:
            return
        here = (slice(top - y0, bottom - y0), slice(left, right))
        mine = (
            slice(top - self.y0, bottom - self.y0),
            slice(left - self.x0, right - self.x0),
        )
        gx[here] += self.gx[mine]
        gy[here] += self.gy[mine]
        crease[here] = 1 - (1 - crease[here]) * (1 - self.lost[mine])


def pressed_relief(scene: Scene, frame: Frame) -> list[Pressed]:
    """Every embossed mark and fold of the scene."""
    made = []
    for n, item in enumerate(scene.distractors):
        rng = np.random.default_rng([scene.seed, 51, n])
        if item.kind == "embossing":
            made.append(_embossing(item, frame))
        elif item.kind == "fold":
            made.append(_fold(item, frame, rng))
    return made


def _relief(canvas: Canvas, height_mm: F32, frame: Frame, lost: F32) -> Pressed:
    per_mm = np.float32(1 / frame.mm_per_px)
    gx = cv2.Sobel(height_mm, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8) * per_mm
    gy = cv2.Sobel(height_mm, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8) * per_mm
    return Pressed(canvas.x0, canvas.y0, gx, gy, lost)


def _soft(image: F32, sigma_mm: float, frame: Frame) -> F32:
    sigma = max(0.3, sigma_mm / frame.mm_per_px)
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), dtype=np.float32)


def _embossing(item: Distractor, frame: Frame) -> Pressed:
    """A ring with a bar through it, pressed in with a hot stamp."""
    canvas = Canvas(item.centre_mm, 0.55 * item.size_mm + 2.0, frame)
    turn = np.linspace(0.0, 2.0 * np.pi, 120)
    radius, stroke = 0.42 * item.size_mm, max(1.0, 0.07 * item.size_mm)
    canvas.line(radius * np.stack([np.cos(turn), np.sin(turn)], axis=1), stroke)
    axis = axis_of(item.angle_deg) * 0.62 * radius
    canvas.line(np.stack([-axis, axis]), stroke)
    depth = _soft(canvas.alpha(), 0.18, frame)
    # The foot of a wall sees less of the sky than the open surface.
    lost = np.clip(depth - _soft(depth, 0.8, frame), 0.0, 1.0) * np.float32(0.5)
    return _relief(canvas, np.float32(-_EMBOSS_MM) * depth, frame, lost)


def _fold(item: Distractor, frame: Frame, rng: np.random.Generator) -> Pressed:
    """A soft ridge with a sharp crease beside it that runs out at both ends."""
    canvas = Canvas(item.centre_mm, 0.75 * item.size_mm + 4.0, frame)
    path = wander(item, rng, 0.10)
    canvas.line(path, 0.3)
    apart = cv2.distanceTransform((canvas.mask == 0).astype(np.uint8), cv2.DIST_L2, 5)
    small = cv2.resize(apart, (canvas.n, canvas.n), interpolation=cv2.INTER_AREA)
    away = small * np.float32(frame.mm_per_px / canvas.fine)
    # It is deepest in its middle; a sum over the path's points makes a smooth run-out.
    deep = np.zeros_like(away)
    points = canvas.points(path).reshape(-1, 2) / 16.0 / canvas.fine
    for x, y in points[15:45:3]:
        cv2.circle(deep, (round(x), round(y)), round(0.12 * item.size_mm / frame.mm_per_px), 1, -1)
    deep = _soft(deep, 0.10 * item.size_mm, frame)
    ridge = np.exp(-((away / np.float32(1.3)) ** 2))
    crease = np.exp(-((away / np.float32(0.35)) ** 2))
    height = np.float32(_FOLD_MM) * deep * (ridge - np.float32(0.9) * crease)
    return _relief(canvas, height, frame, np.float32(0.45) * deep * crease)
