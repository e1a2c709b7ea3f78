"""Render a scene: light, camera and truth."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ._board import Overlay, chart_overlay
from ._camera import develop
from ._check import check_scene
from ._defects import lightness_map, thickness_map
from ._frame import Frame, distance_to_edge, frame_of
from ._materials import DEEPEST, THICKNESS_STEPS, VALLEY_STEPS, Materials
from ._props import prop_overlays, surround_colours
from ._relief import Relief
from ._truth import Shares, Truth, build_truth, place_shares
from ._truth_seen import truth_seen
from ._view import seen
from .scene import Scene

__all__ = ["Rendering", "render"]

F32 = NDArray[np.float32]
_STRIP = 96
_BOARD_LAB = (60.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Rendering:
    """A test photograph and the truth about it.

    Attributes
    ----------
    scene
        What was rendered.
    rgb
        uint8 or uint16, (H, W, 3), in the camera's colour space; read-only.
    truth
        What a perfect inspection would find.
    """

    scene: Scene
    rgb: NDArray[np.uint8] | NDArray[np.uint16]
    truth: Truth


def render(scene: Scene) -> Rendering:
    """Render a test photograph with known truth.

    Parameters
    ----------
    scene
        What to show.  The same scene gives the same bytes on the same library versions.

    Returns
    -------
    Rendering
        The picture as a camera would have written it before compression, and the truth.

    Raises
    ------
    FullhideError
        If the scene names something unknown or asks for something that cannot be.
    """
    check_scene(scene)
    frame = frame_of(scene)
    materials = Materials(scene)
    if scene.flat_board:
        return _render_board(scene, frame, materials)
    edge = distance_to_edge(frame)
    relief = Relief(scene, frame, edge)
    shares = place_shares(scene, frame, materials, edge)
    thickness = thickness_map(scene, frame)
    lightness = lightness_map(scene, frame)
    painter = _Painter(scene, frame, materials, relief, edge, shares, thickness, lightness)
    image, shade, shine = painter.paint()
    light = relief.light(0, frame.height)
    chart = chart_overlay(scene, frame, materials)
    covered = np.zeros(edge.shape, bool)
    for overlay in ([chart] if chart else []) + prop_overlays(scene, frame, materials):
        _lay(image, overlay, light)
        overlay.cover(covered)
    from_there = seen(scene)
    if from_there is not None:
        image = np.maximum(from_there.seen(image), 0)
    rgb = develop(image, scene)
    del image, light
    rgb.setflags(write=False)
    truth = build_truth(
        scene, frame, materials, edge, shares, thickness, lightness, shade, shine, covered
    )
    if from_there is not None:
        truth = truth_seen(truth, from_there)
    return Rendering(scene, rgb, truth)


def _render_board(scene: Scene, frame: Frame, materials: Materials) -> Rendering:
    edge = np.full((frame.height, frame.width), 1e6, np.float32)
    relief = Relief(scene, frame, edge)
    light = relief.light(0, frame.height)
    image = light[..., None] * materials.camera_of_lab(_BOARD_LAB)
    rgb = develop(image, scene)
    rgb.setflags(write=False)
    shine = np.zeros_like(light)
    truth = build_truth(
        scene, frame, materials, edge, Shares({}, None, ()), None, None, light, shine
    )
    return Rendering(scene, rgb, truth)


class _Painter:
    """Mixes the picture by strips of rows, two at a time."""

    def __init__(
        self,
        scene: Scene,
        frame: Frame,
        materials: Materials,
        relief: Relief,
        edge: F32,
        shares: Shares,
        thickness: F32 | None,
        lightness: F32 | None,
    ) -> None:
        self._scene, self._frame, self._relief, self._edge = scene, frame, relief, edge
        self._shares, self._thickness, self._lightness = shares, thickness, lightness
        self._finish = materials.camera(materials.finish)
        self._film = materials.film_table()[0]
        self._under = {name: materials.camera(materials.named(name)) for name in shares.maps}
        self._valley = {n: materials.valley_table(materials.named(n)) for n in shares.maps}
        self._valley_finish = materials.valley_table(materials.finish)
        self._surround = surround_colours(scene, frame, materials)

    def paint(self) -> tuple[F32, F32, F32]:
        """Camera RGB (H, W, 3), shading (H, W) and highlight (H, W)."""
        h, w = self._frame.height, self._frame.width
        image = np.empty((h, w, 3), np.float32)
        shade = np.empty((h, w), np.float32)
        shine = np.empty((h, w), np.float32)

        def strip(y0: int) -> None:
            y1 = min(h, y0 + _STRIP)
            lit = self._relief.shade(y0, y1)
            s, k = lit.diffuse, lit.highlight
            if self._lightness is not None:
                s = s * self._lightness[y0:y1]
            colour = self._colour(y0, y1, lit.hidden)
            out = image[y0:y1]
            for c in range(3):
                np.multiply(s, colour[..., c], out=out[..., c])
                out[..., c] += k
            self._bench(y0, y1, out)
            shade[y0:y1] = lit.diffuse
            shine[y0:y1] = k

        with ThreadPoolExecutor(2) as pool:
            list(pool.map(strip, range(0, h, _STRIP)))
        return image, shade, shine

    def _colour(self, y0: int, y1: int, hidden: F32 | None) -> F32:
        """Diffuse camera RGB of the part's surface, (h, w, 3) or broadcastable to it."""
        finish = self._film_colour(y0, y1)
        level = None if hidden is None else _level(hidden)
        if level is not None:
            finish = finish * (self._valley_finish / self._valley_finish[0])[level]
        colour = finish
        for name, share in self._shares.maps.items():
            part = share[y0:y1]
            if part.any():
                # The maps never sum to more than 1 and each is mixed against the finish:
                # c = (1 - sum f) n + sum f u.
                u = self._under[name] if level is None else self._valley[name][level]
                colour = colour + part[..., None] * (u - finish)
        return colour

    def _film_colour(self, y0: int, y1: int) -> F32:
        """Camera RGB of the finish's film, thin places and all."""
        if self._thickness is None:
            return self._finish.reshape(1, 1, 3)
        at = self._thickness[y0:y1] * np.float32((THICKNESS_STEPS - 1) / 2) + np.float32(0.5)
        return self._film[np.minimum(at.astype(np.int32), THICKNESS_STEPS - 1)]

    def _bench(self, y0: int, y1: int, out: F32) -> None:
        """Lay the surround where the part is not, with the part's shadow on it."""
        edge = self._edge[y0:y1]
        alpha = np.clip(edge + np.float32(0.5), 0, 1)
        if alpha.min() >= 1:
            return
        shadow = 1 - np.float32(0.55) * np.exp(
            np.minimum(edge, 0) * np.float32(self._frame.mm_per_px / 5.0)
        )
        bench = self._surround(y0, y1) * (self._relief.light(y0, y1) * shadow)[..., None]
        out *= alpha[..., None]
        out += (1 - alpha)[..., None] * bench


def _level(hidden: F32) -> NDArray[np.int32]:
    """Entry of the valley tables for a share of hidden sky."""
    at = hidden * np.float32((VALLEY_STEPS - 1) / DEEPEST) + np.float32(0.5)
    return np.asarray(np.minimum(at, VALLEY_STEPS - 1), dtype=np.int32)


def _lay(image: F32, overlay: Overlay, light: F32) -> None:
    """Composite an overlay onto the picture, in place."""
    laid = overlay.windows(image.shape)
    if laid is None:
        return
    there, own = laid

    def cut(value: F32 | float) -> F32 | float:
        return value[own] if isinstance(value, np.ndarray) else value

    lit = light[there] * cut(overlay.shade)
    new = lit[..., None] * overlay.colour[own]
    new += np.reshape(cut(overlay.shine), (*np.shape(cut(overlay.shine)), 1))
    a = overlay.alpha[own][..., None]
    target = image[there]
    target *= 1 - a
    target += a * new
