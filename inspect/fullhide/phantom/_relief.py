"""Shading and highlight: grain, curvature, rolled edges and seam valleys under the lamps."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ._edges import edge_relief
from ._frame import Frame
from ._path import left_of, path_coordinates
from ._pressed import pressed_relief
from ._view import camera_axis
from .grain import GrainTile, grain_tile
from .scene import Lamp, Scene, Seam

__all__ = ["Relief", "SeamProfile", "irradiance", "seam_coordinates"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
_LOW = 64  # nodes across a smooth field
_FRESNEL = 0.04  # reflectance of a binder of refractive index 1.5 at right angles
_ROLL_MM = 7.0  # radius over which the part rolls over at its edge
_STEEPEST = 2.5
_PROFILE = 601  # steps across a seam
_FADE_MM = 9.0  # a seam that ends on the part runs out over this length


def lamp_vector(lamp: Lamp) -> tuple[float, float, float]:
    """Unit vector to the lamp: x right, y down, z to the camera."""
    a, e = np.deg2rad(lamp.azimuth_deg), np.deg2rad(lamp.elevation_deg)
    return float(np.cos(a) * np.cos(e)), float(-np.sin(a) * np.cos(e)), float(np.sin(e))


def irradiance(scene: Scene, frame: Frame) -> list[F32]:
    """Light on a flat surface, one field a lamp and one for the ambient, by 64 nodes.

    The fields have the size (64, 64) over the frame; their sum is 1 in the middle of it.
    Direct light falls off with the square of the distance; all of it with `Light.falloff`.
    """
    light = scene.light
    w_mm, h_mm = frame.width * frame.mm_per_px, frame.height * frame.mm_per_px
    x = (np.linspace(-0.5, 0.5, _LOW) * w_mm)[None, :]
    y = (np.linspace(-0.5, 0.5, _LOW) * h_mm)[:, None]
    a = np.deg2rad(light.falloff_towards_deg)
    along = np.cos(a) * x - np.sin(a) * y
    reach = abs(np.cos(a)) * w_mm / 2 + abs(np.sin(a)) * h_mm / 2
    fall = 1.0 - light.falloff * 0.5 * along / reach
    total = sum(q.weight for q in light.lamps) or 1.0
    direct = 1.0 - light.ambient if light.lamps else 0.0
    fields = []
    for lamp in light.lamps:
        lx, ly, lz = (lamp.distance_mm * v for v in lamp_vector(lamp))
        r2 = (x - lx) ** 2 + (y - ly) ** 2 + lz**2
        # Cosine law on the flat part and inverse square: (d0 / d)^3 in all.
        field = (lamp.distance_mm**2 / r2) ** 1.5 * fall
        fields.append((field * direct * lamp.weight / total).astype(np.float32))
    fields.append(np.broadcast_to((1.0 - direct) * fall, (_LOW, _LOW)).astype(np.float32))
    return fields


def spread(field: F32, frame: Frame, y0: int, y1: int) -> F32:
    """Rows y0 to y1 of a smooth field that is given by its nodes; it moves with the scene."""
    base, part = _nodes(y0, y1, frame.height, frame.shift_px[1])
    across = field[base] * (1 - part[:, None]) + field[base + 1] * part[:, None]
    at, part = _nodes(0, frame.width, frame.width, frame.shift_px[0])
    return np.asarray(across[:, at] * (1 - part) + across[:, at + 1] * part, dtype=np.float32)


def _nodes(start: int, stop: int, size: int, shift: float) -> tuple[NDArray[np.int32], F32]:
    """The node before each pixel centre and how far past it the centre lies."""
    at = (np.arange(start, stop, dtype=np.float32) + np.float32(0.5 - shift)) / size * (_LOW - 1)
    at = np.clip(at, 0, _LOW - 1)
    base: NDArray[np.int32] = np.minimum(at, _LOW - 2).astype(np.int32)
    return base, np.asarray(at - base, dtype=np.float32)


@dataclass(frozen=True, slots=True)
class SeamProfile:
    """Cross-section of a seam as tables over the distance from its middle.

    Attributes
    ----------
    reach_mm
        Tables run from -reach to +reach.
    slope
        Height gained per millimetre to the left of start -> end.
    sky
        Share of the sky that is seen, 0 to 1.
    lit
        One row a lamp: share of the lamp that is not shadowed, 0 to 1.
    """

    reach_mm: float
    slope: F32
    sky: F32
    lit: F32


def seam_profile(seam: Seam, lamps: tuple[Lamp, ...], *, mm_per_px: float) -> SeamProfile:
    """Heights, sky and shadows of a straight valley of this cross-section.

    The tables are averaged over one pixel, so that a slit finer than a pixel does not
    break up into dots.
    """
    reach = 0.9 * seam.width_mm
    d = np.linspace(-reach, reach, _PROFILE)
    x = np.abs(d) / (seam.width_mm / 2)
    if seam.opened:
        bottom = 0.5
        q = np.clip((x - bottom) / (1.0 - bottom), 0.0, 1.0)
        h = -0.6 * seam.depth_mm * (1.0 - q * q * (3.0 - 2.0 * q))
        h += 0.08 * seam.depth_mm * np.maximum(0.0, 1.0 - (x / bottom) ** 2)
    else:
        h = -seam.depth_mm * np.clip(1.0 - x, 0.0, 1.0) ** 2.0
        # The slit where the two edges meet.
        h -= 0.5 * seam.depth_mm * np.exp(-((d / 0.28) ** 2))
    slope = np.clip(np.gradient(h, d), -_STEEPEST, _STEEPEST)
    gap = d[None, :] - d[:, None]
    rise = h[None, :] - h[:, None]
    steep = rise / np.where(gap == 0.0, 1.0, np.abs(gap))
    ahead = np.where(gap > 0, steep, 0.0).max(axis=1)
    behind = np.where(gap < 0, steep, 0.0).max(axis=1)
    sky = 0.5 * (1 / np.hypot(1, ahead) + 1 / np.hypot(1, behind))
    nx, ny = left_of(seam.start_mm, seam.end_mm)
    lit = []
    for lamp in lamps:
        lx, ly, lz = lamp_vector(lamp)
        across = lx * nx + ly * ny
        limit = lz / max(abs(across), 1e-3)
        horizon = ahead if across > 0 else behind
        # A lamp is not a point: half a shadow over a range of slopes.
        lit.append(np.clip((limit - horizon) / (0.35 * limit) + 0.5, 0.0, 1.0))
    tables = np.stack([slope, sky, *lit]).astype(np.float32)
    sigma = max(0.4 * mm_per_px / float(d[1] - d[0]), 0.3)
    tables = np.stack([cv2.GaussianBlur(t[None, :], (0, 0), sigma)[0] for t in tables])
    return SeamProfile(reach, tables[0], tables[1], tables[2:])


def seam_coordinates(seam: Seam, x_mm: F32, y_mm: F32) -> tuple[F32, F32]:
    """Position along a seam and signed distance from its middle (left positive), in mm."""
    return path_coordinates(seam.start_mm, seam.end_mm, seam.bow_mm, x_mm, y_mm)


@dataclass(frozen=True, slots=True)
class Shade:
    """Rows of shading: factor of the diffuse colour, highlight, and lost sky (0 to 0.9)."""

    diffuse: F32
    highlight: F32
    hidden: F32 | None


class Relief:
    """The lit surface of a scene, computed by strips of rows."""

    def __init__(self, scene: Scene, frame: Frame, edge: F32) -> None:
        self._scene, self._frame, self._edge = scene, frame, edge
        self._fields = irradiance(scene, frame)
        leather = scene.leather
        self._tile: GrainTile | None = None
        if leather.grain != "none":
            self._tile = grain_tile(leather.grain, scene.seed % 16, scene.mm_per_px)
        self._warp = _warp(scene, frame)
        self._pressed = pressed_relief(scene, frame)
        self._pressed += [edge_relief(scene, n, frame) for n in range(len(scene.edges))]
        self._profiles = [
            seam_profile(s, scene.light.lamps, mm_per_px=scene.mm_per_px) for s in scene.seams
        ]

    def light(self, y0: int, y1: int) -> F32:
        """Light on a flat matt surface, rows y0 to y1."""
        total: F32 = np.stack(self._fields).sum(axis=0)
        return spread(total, self._frame, y0, y1)

    def shade(self, y0: int, y1: int) -> Shade:
        """Shading of the part, rows y0 to y1."""
        frame, scene = self._frame, self._scene
        gx, gy, crease = self._grain(y0, y1)
        for mark in self._pressed:
            mark.add(y0, y1, gx, gy, crease)
        shape = gx.shape
        x = frame.x_mm(0, frame.width)[None, :]
        y = frame.y_mm(y0, y1)[:, None]
        span = np.float32(frame.width * frame.mm_per_px)
        # A shallow cushion: z = -rise ((x / span)^2 + 0.6 (y / span)^2).
        bend = np.float32(-2.0 * 4.0 * scene.leather.curvature_mm) / (span * span)
        gx += bend * (x - span / 2)
        gy += np.float32(0.6) * bend * (y - np.float32(frame.height * frame.mm_per_px / 2))
        self._roll(y0, y1, gx, gy)
        occlusion = 1.0 - crease
        lit: list[F32] = [np.ones((1, 1), np.float32)] * len(scene.light.lamps)
        hidden: F32 | None = None
        for seam, profile in zip(scene.seams, self._profiles, strict=True):
            u, d = seam_coordinates(seam, x, y)
            length = np.hypot(*np.subtract(seam.end_mm, seam.start_mm))
            fade = np.clip(np.minimum(u, np.float32(length) - u) / np.float32(_FADE_MM), 0, 1)
            rows, cols = np.nonzero((np.abs(d) < profile.reach_mm) & (fade > 0))
            if not len(rows):
                continue
            f = np.sqrt(fade[rows, cols])
            at = (d[rows, cols] / profile.reach_mm + 1) * ((len(profile.sky) - 1) / 2)
            index = (at + np.float32(0.5)).astype(np.int32)
            nx, ny = left_of(seam.start_mm, seam.end_mm)
            lost = f * (1 - profile.sky[index])
            # Grain is pulled flat where the leather is drawn into the seam.
            flat = np.float32(0.55) + np.float32(0.45) * (1 - lost) ** 2
            steep = f * profile.slope[index]
            gx[rows, cols] = gx[rows, cols] * flat + steep * np.float32(nx)
            gy[rows, cols] = gy[rows, cols] * flat + steep * np.float32(ny)
            if hidden is None:
                hidden = np.zeros(shape, np.float32)
            hidden[rows, cols] = np.maximum(hidden[rows, cols], lost)
            for n in range(len(lit)):
                part = np.ones(shape, np.float32)
                part[rows, cols] = 1 - f * (1 - profile.lit[n][index])
                lit[n] = np.asarray(lit[n] * part, dtype=np.float32)
        return self._lamps(y0, y1, gx, gy, occlusion, lit, hidden)

    def _grain(self, y0: int, y1: int) -> tuple[F32, F32, F32]:
        frame = self._frame
        tile = self._tile
        if tile is None:
            zero = np.zeros((y1 - y0, frame.width), np.float32)
            return zero, zero.copy(), zero.copy()
        x = frame.x_mm(0, frame.width)[None, :] / np.float32(tile.texel_mm)
        y = frame.y_mm(y0, y1)[:, None] / np.float32(tile.texel_mm)
        wx, wy = (spread(f, frame, y0, y1) for f in self._warp)
        scale = np.float32(1 / tile.texel_mm)
        n = np.float32(tile.maps.shape[0])
        mx, my = x + wx * scale, y + wy * scale
        # OpenCV's wrapping border is exact for coordinates near the tile only.
        mx -= n * np.floor(mx / n)
        my -= n * np.floor(my / n)
        got = cv2.remap(tile.maps, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        depth = np.float32(self._scene.leather.depth)
        return got[..., 0] * depth, got[..., 1] * depth, got[..., 2] * min(depth, np.float32(2))

    def _roll(self, y0: int, y1: int, gx: F32, gy: F32) -> None:
        """Add the slopes of the rolled edge, in place."""
        top, bottom = max(0, y0 - 1), min(self._frame.height, y1 + 1)
        d = self._edge[top:bottom] * np.float32(self._frame.mm_per_px)
        if d.min() > _ROLL_MM:
            return
        q = np.clip(1 - d / np.float32(_ROLL_MM), 0, 0.93)
        steep = q / np.sqrt(1 - q * q) * np.float32(0.7)
        per_mm = np.float32(1 / self._frame.mm_per_px)
        dx = cv2.Sobel(d, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8) * per_mm
        dy = cv2.Sobel(d, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8) * per_mm
        rows = slice(y0 - top, y0 - top + y1 - y0)
        gx += (steep * dx)[rows]
        gy += (steep * dy)[rows]

    def _lamps(
        self,
        y0: int,
        y1: int,
        gx: F32,
        gy: F32,
        occlusion: F32,
        lit: list[F32],
        hidden: F32 | None,
    ) -> Shade:
        scene, frame = self._scene, self._frame
        tilt: F32 = np.reciprocal(np.sqrt(1 + gx * gx + gy * gy), dtype=np.float32)
        # The sky over a tilted patch: half of it at a right angle.
        ambient: F32 = spread(self._fields[-1], frame, y0, y1) * (0.5 + 0.5 * tilt) * occlusion
        if hidden is not None:
            ambient *= 1 - hidden
        diffuse = ambient.copy()
        highlight: F32 = np.zeros(ambient.shape, np.float32)
        lost = 0.0 if self._tile is None else self._tile.lost_slope2
        gloss, roughness = finish_of(scene, frame, y0, y1)
        a2 = roughness**2 + 2 * lost * scene.leather.depth**2
        half = 1 - 0.5 * (1 - occlusion)
        vx, vy, vz = camera_axis(scene)
        for lamp, field, shadow in zip(scene.light.lamps, self._fields, lit, strict=False):
            lx, ly, lz = lamp_vector(lamp)
            strength = spread(field, frame, y0, y1) * shadow * half
            facing = np.maximum((np.float32(lz) - gx * np.float32(lx) - gy * np.float32(ly)), 0)
            diffuse += strength * facing * tilt * np.float32(1 / lz)
            # Beckmann facets: those that mirror the lamp have the half vector's slope.
            hx, hy = -(lx + vx) / (vz + lz), -(ly + vy) / (vz + lz)
            peak = np.asarray(gloss * _FRESNEL / (4 * a2 * lz * vz), np.float32)
            miss = (gx - np.float32(hx)) ** 2 + (gy - np.float32(hy)) ** 2
            highlight += strength * peak * np.exp(miss * np.asarray(-1 / a2, np.float32))
        # The room mirrored in the surface.
        highlight += np.asarray(0.25 * gloss * _FRESNEL, np.float32) * ambient
        return Shade(diffuse, highlight, hidden)


def finish_of(scene: Scene, frame: Frame, y0: int, y1: int) -> tuple[float | F64, float | F64]:
    """Gloss and roughness, rows y0 to y1; plain numbers where they are the same all over."""
    own = scene.leather.gloss, scene.leather.roughness
    if not scene.sheens:
        return own
    gloss, roughness = (np.full((y1 - y0, frame.width), value) for value in own)
    x = frame.x_mm(0, frame.width)[None, :]
    y = frame.y_mm(y0, y1)[:, None]
    for sheen in scene.sheens:
        off_x = np.abs(x - np.float32(sheen.centre_mm[0])) * np.float32(2 / sheen.size_mm[0])
        off_y = np.abs(y - np.float32(sheen.centre_mm[1])) * np.float32(2 / sheen.size_mm[1])
        off = np.hypot(off_x, off_y) if sheen.shape == "round" else np.maximum(off_x, off_y)
        if sheen.softness_mm > 0:
            depth = (1 - off) * np.float32(0.5 * min(sheen.size_mm) / sheen.softness_mm)
            share = np.clip(depth, 0, 1)
            gloss += share * (sheen.gloss - gloss)
            roughness += share * (sheen.roughness - roughness)
        else:
            gloss[off < 1], roughness[off < 1] = sheen.gloss, sheen.roughness
    return gloss, roughness


def _warp(scene: Scene, frame: Frame) -> tuple[F32, F32]:
    """Smooth displacement in mm that hides the grain tile's repetition."""
    rng = np.random.default_rng([scene.seed, 5])
    node_mm = frame.width * frame.mm_per_px / (_LOW - 1)
    fields = []
    for _ in range(2):
        raw = rng.standard_normal((2 * _LOW, 2 * _LOW)).astype(np.float32)
        f = cv2.GaussianBlur(raw, (0, 0), min(55.0 / node_mm, 20.0))[:_LOW, :_LOW]
        # Gentle enough (slopes of about 0.15) that pebbles keep their shape.
        reach = np.float32(0.15 * min(55.0, 20.0 * node_mm))
        fields.append(np.asarray((f - f.mean()) / max(float(f.std()), 1e-6) * reach, np.float32))
    return fields[0], fields[1]
