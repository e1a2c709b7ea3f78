"""Things beside and on the part: the bench, dust, hairs, threads, tape, holes, piping."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import FullhideError
from ._board import Overlay
from ._canvas import Canvas, axis_of, wander
from ._frame import Frame
from ._materials import Materials
from ._things import HANDLE, THINGS, thing_overlays
from .scene import Distractor, Scene, Seam

__all__ = ["prop_overlays", "surround_colours"]

F32 = NDArray[np.float32]
_BENCH_LAB = (50.0, 0.0, 0.5)
_CLUTTER = (
    (55.0, 45.0, 30.0),
    (35.0, 5.0, -40.0),
    (70.0, 5.0, 60.0),
    (45.0, -35.0, 20.0),
    (88.0, 0.0, 3.0),
    (25.0, 2.0, 2.0),
)
#: Kinds that are relief and lie on nothing; `_pressed` makes them.
_RELIEF = ("embossing", "fold")


def surround_colours(scene: Scene, frame: Frame, materials: Materials) -> Callable[[int, int], F32]:
    """A function from rows y0, y1 to the surround's camera RGB, (h, w, 3)."""
    seed = scene.seed if scene.surround_seed is None else scene.surround_seed
    rng = np.random.default_rng([seed, 41])
    size = 512
    texture = cv2.GaussianBlur(rng.standard_normal((size, size)).astype(np.float32), (0, 0), 1.0)
    texture = 1 + np.float32(0.02) * texture / texture.std()
    bench = materials.camera_of_lab(_BENCH_LAB)
    if scene.surround == "neutral":
        labels, palette = None, None
    elif scene.surround == "cluttered":
        labels = _clutter(frame, rng)
        palette = np.stack([bench, *(materials.camera_of_lab(c) for c in _CLUTTER)])
    else:
        raise FullhideError(
            "scene", f"no surround is called {scene.surround!r}", "use neutral or cluttered"
        )
    columns = np.arange(frame.width) % size

    def rows(y0: int, y1: int) -> F32:
        grain = texture[np.arange(y0, y1) % size][:, columns]
        colour = bench if labels is None or palette is None else palette[labels[y0:y1]]
        return np.asarray(grain[..., None] * colour, dtype=np.float32)

    return rows


def _clutter(frame: Frame, rng: np.random.Generator) -> NDArray[np.uint8]:
    labels = np.zeros((frame.height, frame.width), np.uint8)
    for _ in range(26):
        x, y = (rng.random(2) * (frame.width, frame.height)).astype(int).tolist()
        a, b = ((0.02 + 0.08 * rng.random(2)) * frame.width).astype(int).tolist()
        colour = int(rng.integers(1, len(_CLUTTER) + 1))
        if rng.random() < 0.5:
            turn = float(rng.random() * 180)
            cv2.ellipse(labels, (x, y), (a, b), turn, 0, 360, colour, cv2.FILLED)
        else:
            box = cv2.boxPoints(((x, y), (2 * a, 2 * b), float(rng.random() * 90)))
            cv2.fillPoly(labels, [np.round(box).astype(np.int32)], colour)
    return labels


def prop_overlays(scene: Scene, frame: Frame, materials: Materials) -> list[Overlay]:
    """Everything that lies on the part."""
    out: list[Overlay] = []
    for n, seam in enumerate(scene.seams):
        if seam.thread is not None:
            out += _stitches(seam, frame, materials.camera_of_lab(seam.thread), n)
    for n, item in enumerate(scene.distractors):
        rng = np.random.default_rng([scene.seed, 51, n])
        if item.kind in _RELIEF:
            continue
        if item.kind in THINGS:
            colour = materials.camera_of_lab(item.lab or THINGS[item.kind])
            out += thing_overlays(item, frame, colour, materials.camera_of_lab(HANDLE), rng)
            continue
        if item.kind not in _KINDS:
            known = ", ".join((*_KINDS, *_RELIEF, *THINGS))
            raise FullhideError("scene", f"no distractor is called {item.kind!r}", f"use {known}")
        draw, usual = _KINDS[item.kind]
        out.append(draw(item, frame, materials.camera_of_lab(item.lab or usual), rng))
    return out


def _overlay(
    canvas: Canvas, colour: F32, shade: F32 | float = 1.0, opacity: float = 1.0
) -> Overlay:
    a = canvas.alpha() * np.float32(opacity)
    return Overlay(canvas.x0, canvas.y0, a, np.broadcast_to(colour, (*a.shape, 3)), shade)


def _dust(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.6 * item.size_mm, frame)
    for _ in range(max(6, round(item.size_mm * 1.2))):
        place = (rng.random(2) - 0.5) * item.size_mm
        radius = 0.06 + 0.10 * rng.random() ** 3
        if rng.random() < 0.3:  # a fibre
            end = place + 0.9 * axis_of(360 * rng.random())
            canvas.line(np.stack([place, end]), 0.07)
        else:
            canvas.dot(place, radius)
    return _overlay(canvas, colour, opacity=0.75)


def _hair(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.75 * item.size_mm, frame)
    canvas.line(wander(item, rng, 0.16), 0.09)
    return _overlay(canvas, colour, opacity=0.9)


def _thread(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.75 * item.size_mm, frame)
    canvas.line(wander(item, rng, 0.10), 0.55)
    # A round cord is darker at its sides.
    shade = np.float32(0.55) + np.float32(0.55) * cv2.GaussianBlur(canvas.alpha(), (0, 0), 0.8)
    return _overlay(canvas, colour, shade)


def _tape(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.6 * item.size_mm, frame)
    ends = np.stack([-axis_of(item.angle_deg), axis_of(item.angle_deg)]) * item.size_mm * 0.5
    side = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0]]) / item.size_mm * 9.0
    corners = np.stack([ends[0] - side, ends[1] - side, ends[1] + side, ends[0] + side])
    corners += rng.normal(0, 0.4, corners.shape)
    cv2.fillPoly(canvas.mask, [canvas.points(corners)], 255, shift=4)
    creases = cv2.GaussianBlur(rng.standard_normal(canvas.alpha().shape), (0, 0), 3.0)
    shade = (1 + 0.03 * creases / creases.std()).astype(np.float32)
    return _overlay(canvas, colour, shade)


def _perforation(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.75 * item.size_mm, frame)
    axis = axis_of(item.angle_deg)
    side = np.array([-axis[1], axis[0]])
    steps = np.arange(-item.size_mm / 2, item.size_mm / 2 + 0.1, 4.0)
    for n, u in enumerate(steps):
        for v in steps + (2.0 if n % 2 else 0.0):
            canvas.dot(u * axis + v * side, 0.55)
    return _overlay(canvas, colour)


def _thread_holes(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    """A row of needle holes whose thread is gone."""
    canvas = Canvas(item.centre_mm, 0.6 * item.size_mm, frame)
    for u in np.arange(-item.size_mm / 2, item.size_mm / 2 + 0.1, 4.0):
        place = u * axis_of(item.angle_deg) + rng.normal(0, 0.1, 2)
        # Pulled by the thread: a little longer than wide.
        canvas.line(np.stack([place - 0.25, place + 0.25]), 0.8)
    return _overlay(canvas, colour, opacity=0.9)


def _piping(item: Distractor, frame: Frame, colour: F32, rng: np.random.Generator) -> Overlay:
    canvas = Canvas(item.centre_mm, 0.6 * item.size_mm, frame)
    axis = axis_of(item.angle_deg) * item.size_mm / 2
    canvas.line(np.stack([-axis, axis]), 5.0)
    a = canvas.alpha()
    inside = cv2.distanceTransform((a > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * frame.mm_per_px
    q = np.clip(1 - inside / 2.5, 0, 1)
    return _overlay(canvas, colour, (0.25 + 0.85 * np.sqrt(1 - q * q * 0.98)).astype(np.float32))


_KINDS: dict[
    str,
    tuple[
        Callable[[Distractor, Frame, F32, np.random.Generator], Overlay],
        tuple[float, float, float],
    ],
] = {
    "dust": (_dust, (82.0, 0.0, 3.0)),
    "hair": (_hair, (22.0, 5.0, 6.0)),
    "thread": (_thread, (78.0, 1.0, 10.0)),
    "tape": (_tape, (78.0, 3.0, 42.0)),
    "perforation": (_perforation, (8.0, 0.0, 0.0)),
    "piping": (_piping, (30.0, 8.0, 10.0)),
    "thread_holes": (_thread_holes, (10.0, 0.0, 0.0)),
}


def _stitches(seam: Seam, frame: Frame, colour: F32, number: int) -> list[Overlay]:
    """Thread across the bottom of a seam and the holes it passes through."""
    ends = np.array([seam.start_mm, seam.end_mm], dtype=np.float64)
    length = float(np.hypot(*(ends[1] - ends[0])))
    axis = (ends[1] - ends[0]) / length
    left = np.array([axis[1], -axis[0]])
    middle = tuple(ends.mean(axis=0))
    thread = Canvas(middle, length / 2 + abs(seam.bow_mm) + 4, frame)
    holes = Canvas(middle, length / 2 + abs(seam.bow_mm) + 4, frame)
    half = 0.26 * seam.width_mm
    part = np.array(frame.panel_px, np.float32).reshape(-1, 1, 2)
    for u in np.arange(2.0, length - 2.0, 5.0):
        t = u / length
        place = axis * (u - length / 2) + left * 4 * seam.bow_mm * t * (1 - t)
        x, y = frame.px((float(middle[0] + place[0]), float(middle[1] + place[1])))
        if cv2.pointPolygonTest(part, (x, y), False) < 0:
            continue  # the seam's path runs on beyond the part, its thread does not
        a, b = place - left * half - axis * 0.6, place + left * half + axis * 0.6
        thread.line(np.stack([a, b]), 0.6)
        holes.dot(a, 0.55)
        holes.dot(b, 0.55)
    dark = np.full(3, 0.012, np.float32)
    round_cord = np.float32(0.4) + np.float32(0.4) * cv2.GaussianBlur(thread.alpha(), (0, 0), 0.8)
    return [_overlay(holes, dark, opacity=0.9), _overlay(thread, colour, round_cord)]
