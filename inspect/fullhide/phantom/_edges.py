"""Two-tone parts: where each colour lies along a masked line, and the truth of that line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._frame import Frame
from ._path import path_coordinates
from ._pressed import Pressed
from .edge import Edge
from .scene import Point, Scene

__all__ = ["EdgeTruth", "band_px", "edge_relief", "edge_shares", "edge_truth"]

F32 = NDArray[np.float32]
#: Steps of the line along the way, mm: finer than any photo.
_STEP_MM = 0.02
#: A film's rim is this wide, mm (standard deviation).
_RIM_MM = 0.12


@dataclass(frozen=True, slots=True)
class EdgeTruth:
    """The truth about one masked line.

    Attributes
    ----------
    line_px
        The line between the two colours in the photo, (N, 2), in steps of about 0.2 mm from its
        start, with its bleeds; the middle of what is open where the colours do not meet.
    masked_px
        The same without bleeds and fine raggedness: where the tape lay.
    course_px
        The same without the masking's unsteadiness: where it was meant to lie.
    straight_mm
        95 % of the line lies within this distance of the course, bleeds left out.
    """

    line_px: NDArray[np.float64]
    masked_px: NDArray[np.float64]
    course_px: NDArray[np.float64]
    straight_mm: float


@dataclass(frozen=True, slots=True)
class _Line:
    """Offsets to the right of the way, in mm, at equal steps of `_STEP_MM` along it."""

    waver: F32
    ragged: F32
    bleed: F32
    open: dict[str, F32]

    @property
    def all(self) -> F32:
        return np.asarray(self.waver + self.ragged - self.bleed, np.float32)


def _length(edge: Edge) -> float:
    return float(np.hypot(*np.subtract(edge.end_mm, edge.start_mm)))


def _line(edge: Edge, seed: int) -> _Line:
    along = np.arange(0.0, _length(edge) + _STEP_MM, _STEP_MM)
    rng = np.random.default_rng([seed, 61])
    swing = np.sin(2 * np.pi * (along / edge.waver_period_mm + rng.random()))
    ragged = np.zeros_like(along)
    for length in (3.1, 1.7, 0.9):
        ragged += np.sin(2 * np.pi * (along / length + rng.random()) + 1.3 * swing)
    ragged *= edge.ragged_mm / np.sqrt(1.5)
    bleed = np.zeros_like(along)
    for one in edge.bleeds:
        own = _tongue(along, one.from_mm, one.to_mm, rng) * one.depth_mm
        bleed = np.where(np.abs(own) > np.abs(bleed), own, bleed)
    opened: dict[str, F32] = {}
    for stretch in edge.opens:
        ends = np.minimum(along - stretch.from_mm, stretch.to_mm - along)
        width = stretch.width_mm * np.sqrt(np.clip(ends / stretch.width_mm, 0.0, 1.0))
        before = opened.get(stretch.under, np.zeros_like(along))
        opened[stretch.under] = np.maximum(before, width).astype(np.float32)
    # What ran under the tape has its own rim, and no raggedness of the tape's.
    ragged = np.where(bleed == 0.0, ragged, 0.0)
    waver = edge.waver_mm * swing
    return _Line(
        waver.astype(np.float32), ragged.astype(np.float32), bleed.astype(np.float32), opened
    )


def _tongue(
    along: NDArray[np.float64], start: float, end: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Profile of a bleed: 0 at its ends, 1 at its deepest, with fingers of its own."""
    t = np.clip((along - start) / (end - start), 0.0, 1.0)
    shape = np.sqrt(np.clip(1.0 - (2.0 * t - 1.0) ** 2, 0.0, 1.0))
    fingers = max(1, int((end - start) / 4.0))
    wave = 1.0 - 0.25 * (1.0 + np.cos(2 * np.pi * (fingers * t + rng.random())))
    shape = shape * wave
    return np.asarray(shape / shape.max())


def _field(edge: Edge, frame: Frame, seed: int) -> tuple[_Line, F32, F32, NDArray[np.int32]]:
    """The line, each pixel's place to its right and how steep the line is there, its step."""
    line = _line(edge, seed)
    x = frame.x_mm(0, frame.width)[None, :]
    y = frame.y_mm(0, frame.height)[:, None]
    along, left = path_coordinates(edge.start_mm, edge.end_mm, edge.bow_mm, x, y)
    step = np.clip(along * np.float32(1 / _STEP_MM), 0, line.waver.size - 1).astype(np.int32)
    slope = np.gradient(line.all, _STEP_MM).astype(np.float32)
    # Across one pixel, or the jump of a bleed's flank would be drawn as a soft one.
    steep = np.sqrt(1 + np.clip(slope, -6.0, 6.0) ** 2)
    return line, -left, steep[step], step


def edge_shares(scene: Scene, number: int, frame: Frame) -> dict[str, F32]:
    """Share of each colour that one of the scene's edges lays over the finish, (H, W)."""
    edge = scene.edges[number]
    line, right, steep, step = _field(edge, frame, scene.seed + number)
    # A pixel holds its true coverage.
    width = np.float32(np.hypot(edge.softness_mm, frame.mm_per_px))
    place = line.all[step]
    half = np.float32(0.5)
    maps: dict[str, F32] = {}
    taken = np.zeros(right.shape, np.float32)
    gap = np.zeros_like(right)
    for name, wide in line.open.items():
        own = wide[step]
        share = np.clip((half * own - np.abs(right - place)) / width + half, 0, 1)
        share *= own > 0
        maps[name] = np.minimum(share, 1 - taken)
        taken += maps[name]
        gap = np.maximum(gap, own)
    second = np.clip((right - place - half * gap) / (steep * width) + half, 0, 1)
    for haze in edge.oversprays:
        along = step * np.float32(_STEP_MM)
        window = np.clip(np.minimum(along - haze.from_mm, haze.to_mm - along) / 2.0 + 0.5, 0, 1)
        away = (place - right) if not haze.on_second else (right - place)
        fade = haze.share * window * np.exp(-np.maximum(away, 0) * (1.0986 / haze.fade_mm))
        mist = np.asarray(fade * (away > 0), np.float32) * _droplets(scene, frame, number)
        mist = np.clip(mist, 0, 1)
        second = second * (1 - mist) if haze.on_second else second + (1 - second) * mist
    maps[edge.second] = maps.get(edge.second, 0) + np.minimum(second, 1 - taken)
    return {name: np.asarray(share, np.float32) for name, share in maps.items()}


def _droplets(scene: Scene, frame: Frame, number: int) -> F32:
    """Droplets of a haze, a pixel or so across, with a mean of 1."""
    rng = np.random.default_rng([scene.seed, 62, number])
    fine = rng.gamma(4.0, 0.25, (frame.height, frame.width))
    return np.asarray(fine, np.float32)


def edge_relief(scene: Scene, number: int, frame: Frame) -> Pressed:
    """Slopes of the step between the two films."""
    edge = scene.edges[number]
    line, right, steep, step = _field(edge, frame, scene.seed + number)
    off = (right - line.all[step]) / steep
    rim = np.float32(max(_RIM_MM, frame.mm_per_px))
    slope = np.float32(edge.ridge_mm / np.sqrt(2 * np.pi)) / rim * np.exp(-0.5 * (off / rim) ** 2)
    axis = np.subtract(edge.end_mm, edge.start_mm) / _length(edge)
    return Pressed(
        0,
        0,
        np.asarray(slope * np.float32(-axis[1]), np.float32),
        np.asarray(slope * np.float32(axis[0]), np.float32),
        np.zeros_like(off),
    )


def edge_truth(scene: Scene, number: int, frame: Frame) -> EdgeTruth:
    """The truth about one of the scene's edges."""
    edge = scene.edges[number]
    line = _line(edge, scene.seed + number)
    every = 10
    plain = line.bleed == 0.0
    off = np.abs(line.waver + line.ragged)[plain]
    return EdgeTruth(
        line_px=_placed(edge, line.all[::every], frame),
        masked_px=_placed(edge, line.waver[::every], frame),
        course_px=_placed(edge, np.zeros_like(line.waver[::every]), frame),
        straight_mm=float(np.quantile(off, 0.95)) if off.size else 0.0,
    )


def _placed(edge: Edge, offset: F32, frame: Frame) -> NDArray[np.float64]:
    """Pixels of the photo at so many mm to the right of the way."""
    start, end = np.asarray(edge.start_mm), np.asarray(edge.end_mm)
    length = _length(edge)
    axis = (end - start) / length
    right = np.array([-axis[1], axis[0]])
    t = np.linspace(0.0, 1.0, len(offset))
    steep = np.sqrt(1 + (4 * edge.bow_mm / length * (1 - 2 * t)) ** 2)
    across = offset * steep - 4 * edge.bow_mm * t * (1 - t)
    points = start + axis * (t * length)[:, None] + right * across[:, None]
    return np.asarray([frame.px((float(x), float(y))) for x, y in points])


def band_px(truth: EdgeTruth, *, half_px: float) -> tuple[Point, ...]:
    """An outline as a person draws it over the line: `half_px` on either side of its course."""
    course = truth.course_px[:: max(1, len(truth.course_px) // 24)]
    along = np.gradient(course, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = np.stack([-along[:, 1], along[:, 0]], axis=1) * half_px
    ring = np.concatenate([course + side, (course - side)[::-1]])
    return tuple((float(x), float(y)) for x, y in ring)
