"""The 24-patch chart: a dark board with six by four patches, seen by the camera."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from . import _spectra
from ._frame import BOARD_ASPECT, Frame
from ._materials import Materials
from ._relief import lamp_vector
from .scene import Chart, Scene

__all__ = ["Overlay", "board_corners", "chart_overlay", "patch_centres"]

F32 = NDArray[np.float32]
Window = tuple[slice, slice]

# Our own proportions, in board widths: a border wider than the gaps between patches.
_BORDER_X, _GAP = 0.045, 0.018
_PATCH = (1.0 - 2 * _BORDER_X - 5 * _GAP) / 6
_BORDER_Y = (BOARD_ASPECT - 4 * _PATCH - 3 * _GAP) / 2
_BOARD, _COVER = 25, 26
_TEXTURE = 2400


@dataclass(frozen=True, slots=True)
class Overlay:
    """Something laid over the picture.

    Attributes
    ----------
    x0, y0
        First pixel.
    alpha
        (h, w), 0 to 1.
    colour
        (h, w, 3), camera RGB in full light.
    shade
        (h, w) or a number: factor on the scene's light.
    shine
        (h, w) or 0: highlight, relative to a white in full light.
    """

    x0: int
    y0: int
    alpha: F32
    colour: F32
    shade: F32 | float = 1.0
    shine: F32 | float = 0.0

    def windows(self, shape: tuple[int, ...]) -> tuple[Window, Window] | None:
        """Where it lies in a picture and which part of it lies there; None if none does."""
        h, w = self.alpha.shape
        y0, x0 = max(0, self.y0), max(0, self.x0)
        y1, x1 = min(shape[0], self.y0 + h), min(shape[1], self.x0 + w)
        if y1 <= y0 or x1 <= x0:
            return None
        own = slice(y0 - self.y0, y1 - self.y0), slice(x0 - self.x0, x1 - self.x0)
        return (slice(y0, y1), slice(x0, x1)), own

    def cover(self, mask: NDArray[np.bool_]) -> None:
        """Set the pixels of a mask (H, W) that it hides for the most part."""
        laid = self.windows(mask.shape)
        if laid is not None:
            mask[laid[0]] |= self.alpha[laid[1]] >= 0.5


def patch_centres() -> NDArray[np.float64]:
    """Middles of the 24 patches in board widths from its own top left corner, (24, 2)."""
    x = _BORDER_X + _PATCH / 2 + (_PATCH + _GAP) * np.arange(6)
    y = _BORDER_Y + _PATCH / 2 + (_PATCH + _GAP) * np.arange(4)
    return np.stack([np.tile(x, 4), np.repeat(y, 6)], axis=-1)


def _turn(chart: Chart) -> NDArray[np.float64]:
    """Rotation of the board: tilt about an axis in its plane after a turn in the plane."""
    r, t, a = np.deg2rad([-chart.rotation_deg, chart.tilt_deg, -chart.tilt_axis_deg])
    turn = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    axis = np.array([np.cos(a), np.sin(a), 0.0])
    cross = np.array([[0, 0, axis[1]], [0, 0, -axis[0]], [-axis[1], axis[0], 0]])
    tilt = np.eye(3) + np.sin(t) * cross + (1 - np.cos(t)) * cross @ cross
    return np.asarray(tilt @ turn, dtype=np.float64)


def board_corners(chart: Chart, frame: Frame) -> NDArray[np.float64]:
    """Outer corners in the photo, dark skin first, clockwise in the chart's own frame."""
    w, h = chart.width_mm, chart.width_mm * BOARD_ASPECT
    corners = 0.5 * np.array([[-w, -h, 0], [w, -h, 0], [w, h, 0], [-w, h, 0]])
    if chart.mirrored:
        corners[:, 0] *= -1
    seen = corners @ _turn(chart).T / frame.mm_per_px
    centre = np.array(frame.chart_centre_px)
    middle = np.array([frame.width, frame.height]) / 2
    # The camera stands 2.2 picture widths above the part.
    distance = 2.2 * frame.width
    flat = centre + seen[:, :2]
    return middle + (flat - middle) * (distance / (distance - seen[:, 2:]))


def _texture(chart: Chart) -> NDArray[np.uint8]:
    """Number of what is seen at each place of the board: patch + 1, board, cover; 0 outside."""
    n = _TEXTURE
    h = round(n * BOARD_ASPECT)
    labels = np.zeros((h, n), np.uint8)
    r = n // 60
    cv2.rectangle(labels, (r, 0), (n - 1 - r, h - 1), _BOARD, cv2.FILLED)
    cv2.rectangle(labels, (0, r), (n - 1, h - 1 - r), _BOARD, cv2.FILLED)
    for x in (r, n - 1 - r):
        for y in (r, h - 1 - r):
            cv2.circle(labels, (x, y), r, _BOARD, cv2.FILLED)
    for number, (x, y) in enumerate(patch_centres()):
        a, b = np.round((np.array([x, y]) - _PATCH / 2) * n).astype(int)
        side = round(_PATCH * n)
        labels[b : b + side, a : a + side] = number + 1
    for number in chart.covered:
        x, y = np.round(patch_centres()[number] * n).astype(int)
        axes = (round(0.62 * _PATCH * n), round(0.75 * _PATCH * n))
        cv2.ellipse(labels, (int(x), int(y)), axes, 25, 0, 360, _COVER, cv2.FILLED)
    return labels


def chart_overlay(scene: Scene, frame: Frame, materials: Materials) -> Overlay | None:
    """The chart as the camera sees it, or None without a chart."""
    chart = scene.chart
    if chart is None:
        return None
    corners = board_corners(chart, frame)
    low = np.floor(corners.min(axis=0)).astype(int) - 2
    high = np.ceil(corners.max(axis=0)).astype(int) + 2
    w, h = (high - low).tolist()
    fine = 4 if max(w, h) < 1000 else 3
    labels = _texture(chart)
    source = np.array([[0, 0], [1, 0], [1, BOARD_ASPECT], [0, BOARD_ASPECT]]) * _TEXTURE
    target = (corners - low) * fine
    to_px = cv2.getPerspectiveTransform(
        (source - 0.5).astype(np.float32), (target - 0.5).astype(np.float32)
    )
    seen = cv2.warpPerspective(labels, to_px, (w * fine, h * fine), flags=cv2.INTER_NEAREST)
    palette = np.zeros((27, 4), np.float32)
    palette[1:25, :3] = materials.camera(_spectra.chart_spectra(chart.edition))
    palette[_BOARD, :3] = materials.camera_of_lab((16.0, 0.0, 0.0))
    palette[_COVER, :3] = materials.camera_of_lab((52.0, -8.0, 30.0))
    palette[1:, 3] = 1.0
    # Premultiplied by coverage, so that the rim mixes rightly with what lies beneath.
    area = cv2.resize(palette[seen], (w, h), interpolation=cv2.INTER_AREA)
    alpha = np.ascontiguousarray(area[..., 3])
    colour = area[..., :3] / np.maximum(alpha, 1e-6)[..., None]
    shade, shine = _light_on_board(scene, chart, corners - low, (w, h))
    return Overlay(int(low[0]), int(low[1]), alpha, colour, shade, shine)


def _light_on_board(
    scene: Scene, chart: Chart, corners: NDArray[np.float64], size: tuple[int, int]
) -> tuple[F32, F32]:
    w, h = size
    normal = _turn(chart) @ np.array([0.0, 0.0, 1.0])
    lamps = scene.light.lamps
    total = sum(q.weight for q in lamps) or 1.0
    direct = 1.0 - scene.light.ambient if lamps else 0.0
    light = 1.0 - direct
    for lamp in lamps:
        v = lamp_vector(lamp)
        light += direct * lamp.weight / total * max(0.0, float(normal @ v)) / v[2]
    unit = np.array([[0, 0], [1, 0], [1, BOARD_ASPECT], [0, BOARD_ASPECT]], np.float32)
    to_px = cv2.getPerspectiveTransform(unit, corners.astype(np.float32))
    back = np.linalg.inv(to_px)
    x = np.arange(w, dtype=np.float64)[None, :] + 0.5
    y = np.arange(h, dtype=np.float64)[:, None] + 0.5
    d = back[2, 0] * x + back[2, 1] * y + back[2, 2]
    u = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / d
    v_ = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / d
    shade = np.full((h, w), light)
    if chart.shaded:
        # A hand's shadow over the right half, its rim soft.
        shade *= 1 - chart.shaded * np.clip((u - 0.5 + 0.1 * v_) / 0.06 + 0.5, 0, 1)
    shine = np.zeros((h, w))
    for number in chart.glare:
        cx, cy = patch_centres()[number]
        shine += 0.7 * np.exp(-((u - cx) ** 2 + (v_ - cy) ** 2) / (0.6 * _PATCH) ** 2)
    return shade.astype(np.float32), shine.astype(np.float32)
