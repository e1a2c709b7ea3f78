"""Where things stand in the photo: default outlines, coordinates, distance to the edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Chart, Point, Scene

__all__ = ["BOARD_ASPECT", "Frame", "frame_of"]

F32 = NDArray[np.float32]

#: Height of the chart's board over its width.
BOARD_ASPECT = 0.70
_SMALL = 4  # edge distances are smooth: a quarter of the resolution is enough


@dataclass(frozen=True, slots=True)
class Frame:
    """Geometry of one photo.

    Attributes
    ----------
    width, height
        In pixels.
    mm_per_px
        Scale.
    shift_px
        Movement of the scene in the photo.
    panel_px
        Outline of the part, moved.
    chart_centre_px
        Middle of the chart, moved; meaningless without a chart.
    """

    width: int
    height: int
    mm_per_px: float
    shift_px: Point
    panel_px: tuple[Point, ...]
    chart_centre_px: Point

    def x_mm(self, start: int, stop: int) -> F32:
        """Scene millimetres of pixel centres of columns start to stop."""
        return self._mm(start, stop, self.shift_px[0])

    def y_mm(self, start: int, stop: int) -> F32:
        """Scene millimetres of pixel centres of rows start to stop."""
        return self._mm(start, stop, self.shift_px[1])

    def _mm(self, start: int, stop: int, shift: float) -> F32:
        centres = np.arange(start, stop, dtype=np.float64) + 0.5 - shift
        return (centres * self.mm_per_px).astype(np.float32)

    def px(self, point_mm: Point) -> Point:
        """Pixel coordinates of a place given in millimetres."""
        return (
            point_mm[0] / self.mm_per_px + self.shift_px[0],
            point_mm[1] / self.mm_per_px + self.shift_px[1],
        )


def frame_of(scene: Scene) -> Frame:
    """Work out the geometry of a scene's photo."""
    w, h = scene.size_px
    margin = 0.03 * w
    chart_w = 0.0 if scene.chart is None else scene.chart.width_mm / scene.mm_per_px
    centre = (0.0, 0.0)
    if scene.chart is not None:
        centre = scene.chart.centre_px or _free_corner(w, h, margin, chart_w)
    panel = scene.panel_px or _default_panel(w, h, margin, chart_w, scene.chart)
    dx, dy = scene.shift_px
    return Frame(
        width=w,
        height=h,
        mm_per_px=scene.mm_per_px,
        shift_px=scene.shift_px,
        panel_px=tuple((x + dx, y + dy) for x, y in panel),
        chart_centre_px=(centre[0] + dx, centre[1] + dy),
    )


def _free_corner(w: int, h: int, margin: float, chart_w: float) -> Point:
    return (w - margin - chart_w / 2, h - margin - chart_w * BOARD_ASPECT / 2)


def _default_panel(
    w: int, h: int, margin: float, chart_w: float, chart: Chart | None
) -> tuple[Point, ...]:
    """Everything but the strip on the right that the chart needs."""
    right = w - margin
    if chart is not None and chart.centre_px is None:
        right = max(0.4 * w, w - 2 * margin - chart_w)
    return ((margin, margin), (right, margin), (right, h - margin), (margin, h - margin))


def distance_to_edge(frame: Frame) -> F32:
    """Signed distance to the part's outline in pixels, inside positive, corners rounded."""
    w, h = -(-frame.width // _SMALL), -(-frame.height // _SMALL)
    # A border keeps parts that run out of the frame from ending at it.
    pad = 64
    polygon = (np.array(frame.panel_px) / _SMALL + pad - 0.5) * 256.0
    mask = np.zeros((h + 2 * pad, w + 2 * pad), np.uint8)
    cv2.fillPoly(mask, [np.round(polygon).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=8)
    inside = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    outside = cv2.distanceTransform(255 - mask, cv2.DIST_L2, 5)
    signed = np.where(mask > 0, inside - 0.5, 0.5 - outside).astype(np.float32)
    round_px = max(1.5, 3.0 / (frame.mm_per_px * _SMALL))
    rounded = cv2.GaussianBlur(signed, (0, 0), round_px)[pad : pad + h, pad : pad + w]
    big = cv2.resize(rounded * _SMALL, (w * _SMALL, h * _SMALL), interpolation=cv2.INTER_LINEAR)
    return np.ascontiguousarray(big[: frame.height, : frame.width], dtype=np.float32)
