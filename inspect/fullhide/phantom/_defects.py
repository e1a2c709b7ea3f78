"""Missed spots, gaps, thin places and unevenness: where each colour shows, and how much."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ._frame import Frame
from ._relief import seam_coordinates
from .scene import Bands, Gap, Mottle, Scene, Seam, Spot, Thin

__all__ = ["SHAPES", "Patch", "gap_patch", "lightness_map", "spot_patch", "thickness_map"]

F32 = NDArray[np.float32]
#: Shape of a spot -> long axis over short axis.
SHAPES = {"round": 1.0, "irregular": 1.15, "elongated": 3.5, "scratch": 14.0}


@dataclass(frozen=True, slots=True)
class Patch:
    """A small picture of coverage and where its first pixel lies in the photo."""

    x0: int
    y0: int
    cover: F32

    def window(self, frame: Frame) -> tuple[slice, slice, F32]:
        """Rows, columns and the part of the cover that lies inside the photo."""
        h, w = self.cover.shape
        top, left = max(0, self.y0), max(0, self.x0)
        bottom = max(top, min(frame.height, self.y0 + h))
        right = max(left, min(frame.width, self.x0 + w))
        inside = self.cover[top - self.y0 : bottom - self.y0, left - self.x0 : right - self.x0]
        return slice(top, bottom), slice(left, right), inside


def spot_patch(spot: Spot, *, peak: float, frame: Frame, seed: int) -> Patch:
    """Share of the colour beneath that a spot shows, `peak` in its middle.

    The outline is a level line of a bent distance field, chosen so that the area inside
    is exactly `area_mm2`; pixels on a sharp outline hold their true coverage.
    """
    aspect = SHAPES[spot.shape]
    short = float(np.sqrt(spot.area_mm2 / (np.pi * aspect)))
    reach = (short * aspect + spot.softness_mm) * 1.25 + 0.35 * short + 2 * frame.mm_per_px
    fine = _finer(short, spot.softness_mm, frame.mm_per_px)
    x0, y0, x, y = _local(spot.centre_mm, reach, frame, fine)
    level = _level(spot, x, y, short, seed)
    # The level that encloses the area, to a fraction of a fine cell.
    cell = (frame.mm_per_px / fine) ** 2
    wanted = min(level.size - 1, max(0, round(spot.area_mm2 / cell) - 1))
    threshold = np.partition(level.ravel(), wanted)[wanted]
    inward = (threshold - level) * np.float32(short)
    return Patch(x0, y0, _edge(inward, spot.softness_mm, peak, fine, frame.mm_per_px))


def _finer(short_mm: float, softness_mm: float, mm_per_px: float) -> int:
    """How many fine cells a pixel needs across, so that outlines are smooth."""
    if softness_mm > 4 * mm_per_px:
        return 1
    for fine in (2, 4, 8):
        if mm_per_px / fine <= short_mm / 12:
            return fine
    return 16 if short_mm < mm_per_px else 8


def _local(
    centre_mm: tuple[float, float], reach_mm: float, frame: Frame, fine: int
) -> tuple[int, int, F32, F32]:
    """First pixel of a square about a place, and mm from its middle of the fine cells."""
    cx, cy = frame.px(centre_mm)
    half = reach_mm / frame.mm_per_px
    x0, y0 = int(np.floor(cx - half)), int(np.floor(cy - half))
    n = int(np.ceil(2 * half)) + 2
    grid = (np.arange(n * fine, dtype=np.float32) + np.float32(0.5)) / np.float32(fine)
    x = (grid + np.float32(x0 - cx)) * np.float32(frame.mm_per_px)
    y = (grid + np.float32(y0 - cy)) * np.float32(frame.mm_per_px)
    return x0, y0, x[None, :], y[:, None]


def _level(spot: Spot, x: F32, y: F32, short: float, seed: int) -> F32:
    """Bent distance from the middle in units of the short half axis; 1 near the outline."""
    a = np.deg2rad(spot.angle_deg)
    ca, sa = np.float32(np.cos(a)), np.float32(np.sin(a))
    u, v = x * ca - y * sa, x * sa + y * ca
    aspect = SHAPES[spot.shape]
    scale = np.float32(1 / short)
    if spot.shape == "scratch":
        v = v + np.float32(0.6 * short) * _waves(u * scale, seed)
    radius = np.hypot(u * scale / np.float32(aspect), v * scale)
    if spot.shape in ("irregular", "elongated"):
        n = radius.shape[0]
        cells = 2 * float(np.abs(x).max()) / short
        bend = _cloud(n, cells / 1.1, seed) * 0.30 + _cloud(n, cells / 0.4, seed + 1) * 0.14
        radius = radius * np.exp(bend)
    return np.asarray(radius, dtype=np.float32)


def _waves(u: F32, seed: int) -> F32:
    rng = np.random.default_rng([seed, 11])
    out = np.zeros_like(u)
    for period, height in ((9.0, 1.0), (4.0, 0.4)):
        out = out + np.float32(height) * np.sin(
            u / np.float32(period) + np.float32(6.3 * rng.random())
        )
    return np.asarray(out, dtype=np.float32)


def _cloud(n: int, cells: float, seed: int) -> F32:
    """Smooth noise of unit variance, `cells` bumps across n."""
    rng = np.random.default_rng([seed, 12])
    # The grid always has the same numbers in the same place relative to the middle.
    k = max(4, int(np.ceil(cells)) + 3)
    small = rng.standard_normal((k, k)).astype(np.float32)
    step = max(1, int(np.ceil(n / (k - 3))))
    big = cv2.resize(small, (k * step, k * step), interpolation=cv2.INTER_CUBIC)
    off = (k * step - n) // 2
    return np.ascontiguousarray(big[off : off + n, off : off + n]) * np.float32(1.25)


def _edge(inward_mm: F32, softness_mm: float, peak: float, fine: int, mm_per_px: float) -> F32:
    """Cover of whole pixels from the distance inside the outline on fine cells."""
    width = max(softness_mm, mm_per_px / fine)
    t = np.clip(inward_mm / np.float32(width) + np.float32(0.5), 0, 1)
    if softness_mm > 0:
        t = t * t * (3 - 2 * t)
        # A spot softer than it is wide must still reach its peak.
        t /= max(float(t.max()), 1e-6)
    if fine > 1:
        n = t.shape[0] // fine
        m = t.shape[1] // fine
        t = cv2.resize(t, (m, n), interpolation=cv2.INTER_AREA)
    return np.asarray(t * np.float32(peak), dtype=np.float32)


def gap_patch(gap: Gap, seam: Seam, *, frame: Frame, seed: int) -> Patch:
    """Share of the colour beneath in a stretch of a seam's valley."""
    ends = np.array([seam.start_mm, seam.end_mm])
    length = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / length
    a, b = ends[0] + along * gap.from_mm, ends[0] + along * gap.to_mm
    reach = abs(seam.bow_mm) + gap.width_mm + gap.softness_mm + 2 * frame.mm_per_px
    low = frame.px(tuple(np.minimum(a, b) - reach))
    high = frame.px(tuple(np.maximum(a, b) + reach))
    x0, y0 = int(np.floor(low[0])), int(np.floor(low[1]))
    w, h = int(np.ceil(high[0])) - x0, int(np.ceil(high[1])) - y0
    fine = 2
    step = np.float32(frame.mm_per_px / fine)
    x = frame.x_mm(x0, x0 + 1) + step * (np.arange(w * fine, dtype=np.float32) - np.float32(0.5))
    y = frame.y_mm(y0, y0 + 1) + step * (np.arange(h * fine, dtype=np.float32) - np.float32(0.5))
    u, d = seam_coordinates(seam, x[None, :], y[:, None])
    # Dye runs in from both walls by turns, and ends in tongues, not in a straight cut.
    tongue = np.float32(0.6 * gap.width_mm) * _ripple(d * np.float32(2.2), seed + 70)
    ends = np.minimum(u - gap.from_mm, gap.to_mm - u) + tongue
    taper = np.sqrt(np.clip(ends / np.float32(1.5 * gap.width_mm), 0.05, 1))
    half = np.float32(gap.width_mm / 2) * taper
    ragged = np.float32(0.22) * gap.width_mm
    left = half - d + ragged * _ripple(u, seed)
    right = half + d + ragged * _ripple(u, seed + 50)
    inward = np.minimum(np.minimum(left, right), ends)
    return Patch(x0, y0, _edge(inward, gap.softness_mm, gap.share, fine, frame.mm_per_px))


def _ripple(u_mm: F32, seed: int) -> F32:
    """Irregular waves along a line, a few millimetres long, about -1 to 1."""
    rng = np.random.default_rng([seed, 13])
    out = np.zeros_like(u_mm)
    for length, height in ((11.0, 0.5), (5.3, 0.35), (2.3, 0.25), (1.1, 0.12)):
        turn, start = 2 * np.pi / length, 2 * np.pi * rng.random()
        out += np.float32(height) * np.sin(u_mm * np.float32(turn) + np.float32(start))
    return out


def thickness_map(scene: Scene, frame: Frame) -> F32 | None:
    """Film thickness relative to the nominal film, (H, W), or None where it is 1 throughout."""
    uneven = _uneven(scene, "thickness")
    if not scene.thin and not uneven:
        return None
    out = _variation(scene, frame, uneven)
    for n, thin in enumerate(scene.thin):
        missing = min(1.0, thin.coats_missing / max(scene.film.coats, 1))
        patch = _thin_patch(thin, missing, frame, scene.seed * 1000 + 500 + n)
        rows, cols, cover = patch.window(frame)
        out[rows, cols] *= 1 - cover
    return np.clip(out, 0.0, 2.0, out=out)


def _thin_patch(thin: Thin, missing: float, frame: Frame, seed: int) -> Patch:
    spot = Spot("", thin.centre_mm, thin.area_mm2, "irregular", softness_mm=thin.softness_mm)
    return spot_patch(spot, peak=missing, frame=frame, seed=seed)


def lightness_map(scene: Scene, frame: Frame) -> F32 | None:
    """Reflectance relative to the finish, (H, W), or None where it is 1 throughout."""
    uneven = _uneven(scene, "lightness")
    return _variation(scene, frame, uneven) if uneven else None


def _uneven(scene: Scene, kind: str) -> list[Mottle | Bands]:
    every: list[Mottle | Bands] = [*scene.mottle, *scene.bands]
    return [v for v in every if v.kind == kind]


def _variation(scene: Scene, frame: Frame, uneven: list[Mottle | Bands]) -> F32:
    out = np.ones((frame.height, frame.width), np.float32)
    for n, item in enumerate(uneven):
        if isinstance(item, Bands):
            a = np.deg2rad(item.angle_deg)
            x = frame.x_mm(0, frame.width) * np.float32(np.cos(a))
            y = frame.y_mm(0, frame.height) * np.float32(-np.sin(a))
            turn = np.float32(2 * np.pi / item.period_mm)
            out += np.float32(item.amplitude) * np.sin(turn * (x[None, :] + y[:, None]))
        else:
            out += np.float32(item.amplitude) * _mottle(scene, frame, item.scale_mm, n)
    return np.maximum(out, 0.0, out=out)


def _mottle(scene: Scene, frame: Frame, scale_mm: float, number: int) -> F32:
    """Smooth noise of unit variance whose bumps are `scale_mm` apart, moving with the scene."""
    rng = np.random.default_rng([scene.seed, 21, number])
    step_mm = scale_mm / 4
    margin = 4
    h = int(np.ceil(frame.height * frame.mm_per_px / step_mm)) + 2 * margin + 2
    w = int(np.ceil(frame.width * frame.mm_per_px / step_mm)) + 2 * margin + 2
    raw = rng.standard_normal((h, w)).astype(np.float32)
    small: F32 = np.asarray(cv2.GaussianBlur(raw, (0, 0), 1.7), dtype=np.float32)
    small = small / small.std()
    x = frame.x_mm(0, frame.width) / np.float32(step_mm) + np.float32(margin)
    y = frame.y_mm(0, frame.height) / np.float32(step_mm) + np.float32(margin)
    mx = np.broadcast_to(x[None, :], (frame.height, frame.width))
    my = np.broadcast_to(y[:, None], (frame.height, frame.width))
    return cv2.remap(
        small,
        np.ascontiguousarray(mx),
        np.ascontiguousarray(my),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    ).astype(np.float32, copy=False)
