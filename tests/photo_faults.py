"""Rendered photos with one fault each, and good ones: truth is our own phantoms'."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.advice import PhotoAdvice, advise
from fullhide.colour import lab_to_xyz
from fullhide.job import ChartSettings, loose_job
from fullhide.outlines import RegionOutline
from fullhide.phantom import (
    Camera,
    Chart,
    Distractor,
    Lamp,
    Leather,
    Light,
    Rendering,
    Scene,
    Seam,
    Spot,
    render,
    save_photo,
)

Lab = tuple[float, float, float]

#: Dyes from black to cream with what lies beneath, CIE Lab D50; our own colours.
DYES: tuple[tuple[Lab, Lab], ...] = (
    ((12.0, 0.3, -0.4), (40.0, 40.0, 24.0)),
    ((20.0, 0.5, -0.5), (60.0, 12.0, 30.0)),
    ((24.0, 3.0, -18.0), (58.0, 0.0, 0.0)),
    ((33.0, 25.0, 19.0), (62.0, 12.0, 32.0)),
    ((36.0, 14.0, 20.0), (18.0, 0.5, 0.5)),
    ((46.0, 21.0, 28.0), (38.0, -28.0, 9.0)),
    ((52.0, -20.0, 8.0), (30.0, 30.0, 10.0)),
    ((55.0, 0.0, -1.0), (24.0, 2.0, -20.0)),
    ((72.0, 3.0, 18.0), (34.0, -16.0, -14.0)),
    ((86.0, 1.0, 12.0), (32.0, 12.0, 16.0)),
)
LIGHTS = ("D65", "D50", "A", "FL2", "FL11", "LED-B3")
SIZE_PX = (1600, 1200)
FULL_EXPOSURE = 0.85
#: From this share of the part on a mirrored lamp counts as a fault that must be told.
PLAIN_GLARE = 0.12


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo as it would lie in the camera's folder, and what is known of it.

    Attributes
    ----------
    fault
        Name of the flag that it should earn; "" for a good one.
    told
        How the fault was made.
    """

    fault: str
    told: str
    scene: Scene
    rgb: NDArray[np.uint8]
    quality: int
    region_px: tuple[tuple[float, float], ...]

    @property
    def chart_width_mm(self) -> float:
        return self.scene.chart.width_mm if self.scene.chart else 100.0

    def save(self, path: Path) -> Path:
        """Write the JPEG."""
        rendering = Rendering(self.scene, self.rgb, None)  # type: ignore[arg-type]
        return save_photo(rendering, path, quality=self.quality)


def good_scene(rng: np.random.Generator, number: int) -> Scene:
    """A photo that leaves nothing to do differently: any dye, grain, gloss and kind of light."""
    finish, under = DYES[number % len(DYES)]
    turn = float(rng.uniform(0, 360))
    lamps = tuple(
        Lamp(turn + off, float(rng.uniform(35, 58)), weight, float(rng.uniform(1500, 3000)))
        for off, weight in ((0.0, 0.55), (float(rng.uniform(110, 180)), 0.45))
    )
    sensor = str(rng.choice(["camera-a", "camera-a", "camera-b"]))
    scene = Scene(
        size_px=SIZE_PX,
        mm_per_px=float(rng.choice([0.13, 0.16, 0.2])),
        seed=int(rng.integers(1 << 30)),
        light=Light(
            name=LIGHTS[number % len(LIGHTS)],
            lamps=lamps,
            ambient=float(rng.uniform(0.2, 0.45)),
            falloff=float(rng.uniform(0, 0.18)),
            falloff_towards_deg=float(rng.uniform(0, 360)),
        ),
        camera=Camera(
            sensor=sensor,
            exposure=FULL_EXPOSURE * 2.0 ** float(rng.uniform(-0.7, 0.1)),
            tone=str(rng.choice(["srgb", "phone"])),
            noise=(1.0 if sensor == "camera-a" else 1 / 3) * float(rng.choice([1.0, 1.0, 2.0])),
            blur_px=float(rng.choice([0.6, 0.6, 1.0])),
        ),
        leather=Leather(
            grain=str(rng.choice(["fine", "coarse", "smooth"])),
            roughness=float(rng.choice([0.45, 0.32, 0.24, 0.18])),
            gloss=float(rng.uniform(0.4, 1.3)),
            curvature_mm=float(rng.uniform(0, 8)),
        ),
        chart=Chart(
            width_mm=float(rng.choice([62.0, 90.0])), rotation_deg=float(rng.uniform(-6, 6))
        ),
        finish=finish,
        under=(("old colour", under),),
        surround=str(rng.choice(["neutral", "neutral", "cluttered"])),
    )
    return _with_things(rng, scene)


def _with_things(rng: np.random.Generator, scene: Scene) -> Scene:
    """Seams in two of five; spots, dust, tape or holes in some."""
    w_mm, h_mm = (side * scene.mm_per_px for side in scene.size_px)
    reach = w_mm - scene.chart.width_mm if scene.chart else w_mm
    if rng.random() < 0.4:
        thread = (84.0, 1.0, 12.0) if rng.random() < 0.5 else None
        y0, y1 = (h_mm * float(v) for v in rng.uniform(0.3, 0.7, 2))
        seam = Seam((0.0, y0), (reach, y1), opened=bool(rng.random() < 0.6), thread=thread)
        scene = replace(scene, seams=(seam,))
    chance = rng.random()
    place = (reach * float(rng.uniform(0.3, 0.6)), h_mm * float(rng.uniform(0.25, 0.75)))
    if chance < 0.3:
        spot = Spot("old colour", place, area_mm2=float(rng.uniform(2, 40)))
        return replace(scene, spots=(spot,))
    if chance < 0.5:
        kind = str(rng.choice(["dust", "hair", "tape", "perforation"]))
        size = 35.0 if kind == "perforation" else 22.0
        return replace(scene, distractors=(Distractor(kind, place, size),))
    return scene


def _dark(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    stops = float(rng.uniform(-4.2, -2.6))
    camera = replace(
        scene.camera, exposure=FULL_EXPOSURE * 2.0**stops, noise=1.5 * scene.camera.noise
    )
    return replace(scene, camera=camera), f"{stops:.1f} stops"


def _bright(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    stops = float(rng.uniform(1.2, 2.4))
    camera = replace(scene.camera, exposure=FULL_EXPOSURE * 2.0**stops)
    return replace(scene, camera=camera), f"+{stops:.1f} stops"


def _glare(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    """A lamp mirrored in a shiny, gently curved surface."""
    height = float(rng.uniform(78, 86))
    lamps = (
        Lamp(float(rng.uniform(0, 360)), height, float(rng.uniform(0.6, 0.9)), 1500.0),
        Lamp(float(rng.uniform(0, 360)), 45.0, 0.3, 2500.0),
    )
    width_mm = scene.size_px[0] * scene.mm_per_px
    leather = replace(
        scene.leather,
        roughness=float(rng.uniform(0.07, 0.12)),
        gloss=float(rng.uniform(1.0, 1.5)),
        curvature_mm=float(rng.uniform(0.04, 0.06)) * width_mm,
        grain=str(rng.choice(["fine", "smooth"])),
        depth=0.5,
    )
    light = replace(scene.light, lamps=lamps, ambient=0.2)
    return replace(scene, light=light, leather=leather), f"lamp {height:.0f} degrees high"


def _one_sided(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    """One near lamp, low down, and little else."""
    height, near = float(rng.uniform(12, 20)), float(rng.uniform(1.4, 2.1))
    width_mm = scene.size_px[0] * scene.mm_per_px
    lamp = Lamp(float(rng.uniform(0, 360)), height, 1.0, near * width_mm)
    light = replace(scene.light, lamps=(lamp,), ambient=float(rng.uniform(0.06, 0.15)), falloff=0.2)
    return replace(scene, light=light), f"{height:.0f} degrees, {near:.1f} widths away"


def _blurred(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    blur_mm = float(rng.uniform(0.75, 1.3))
    blur = blur_mm / scene.mm_per_px
    return replace(scene, camera=replace(scene.camera, blur_px=blur)), f"{blur_mm:.1f} mm"


def _far(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    scale = float(rng.uniform(0.4, 0.6))
    chart = replace(scene.chart or Chart(), width_mm=205.0)
    far = replace(
        scene, mm_per_px=scale, chart=chart, spots=(), distractors=(), seams=(), surround="neutral"
    )
    leather = replace(scene.leather, curvature_mm=scene.leather.curvature_mm * 3)
    return replace(far, leather=leather), f"{scale:.2f} mm a pixel"


def _no_chart(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    return replace(scene, chart=None), "none in the frame"


def _shaded(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    share = float(rng.uniform(0.3, 0.7))
    chart = replace(scene.chart or Chart(), shaded=share)
    return replace(scene, chart=chart), f"{share:.2f} of the light"


def _covered(rng: np.random.Generator, scene: Scene) -> tuple[Scene, str]:
    count = int(rng.integers(2, 7))
    first = int(rng.choice([0, 1, 12, 13]))
    near = [first, first + 1, first + 6, first + 7, first + 2, first + 8][:count]
    return replace(scene, chart=replace(scene.chart or Chart(), covered=tuple(near))), f"{near}"


Maker = Callable[[np.random.Generator, Scene], tuple[Scene, str]]

#: Fault, and how a good scene is spoilt for it.
SPOILT: dict[str, Maker] = {
    "too_dark": _dark,
    "clipped": _bright,
    "glare": _glare,
    "light_uneven": _one_sided,
    "out_of_focus": _blurred,
    "too_far": _far,
    "no_chart": _no_chart,
    "chart_shaded": _shaded,
    "chart_covered": _covered,
}
#: Spoilt in the finished picture.
PAINTED = ("mixed_light", "part_out_of_focus")
FAULTS = (*SPOILT, *PAINTED)


@lru_cache(maxsize=24)
def shot(fault: str, seed: int, number: int) -> Shot:
    """One photo with a fault, or a good one for ""."""
    rng = np.random.default_rng([seed, number, 77])
    scene = good_scene(rng, number)
    quality = int(rng.integers(88, 97))
    told = ""
    if fault in SPOILT:
        scene, told = SPOILT[fault](rng, scene)
    rendering = render(scene)
    while fault == "glare" and _lost_in_shine(rendering) < PLAIN_GLARE:
        scene, told = _glare(rng, scene)
        rendering = render(scene)
    rgb = rendering.rgb
    if fault == "mixed_light":
        rgb, told = _two_lights(rng, scene, rgb)
    if fault == "part_out_of_focus":
        rgb, told = _soft_part(rng, scene, rgb)
        fault = "out_of_focus"
    return Shot(fault, told, scene, np.asarray(rgb, np.uint8), quality, rendering.truth.region_px)


def _lost_in_shine(rendering: Rendering) -> float:
    """Share of the part where the lamp's mirror image is brighter than the dye: our own truth."""
    truth = rendering.truth
    dye = float(lab_to_xyz(truth.finish_lab)[1]) * truth.shading
    return float((truth.highlight > dye)[truth.panel].mean())


def _linear(codes: NDArray[np.generic]) -> NDArray[np.float32]:
    """IEC 61966-2-1."""
    x = np.asarray(codes, np.float32) / np.float32(255)
    low = x <= 0.04045
    return np.asarray(np.where(low, x / 12.92, ((x + 0.055) / 1.055) ** 2.4), np.float32)


def _codes(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    x = np.clip(light, 0, 1)
    coded = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(coded * 255), np.uint8)


def _two_lights(
    rng: np.random.Generator, scene: Scene, rgb: NDArray[np.generic]
) -> tuple[NDArray[np.uint8], str]:
    """A window on one side, a lamp on the other: channel gains that change across the frame."""
    height, width = rgb.shape[:2]
    a = np.deg2rad(float(rng.uniform(0, 360)))
    x = (np.arange(width) / width - 0.5)[None, :]
    y = ((np.arange(height) / height - 0.5) * height / width)[:, None]
    along = np.cos(a) * x - np.sin(a) * y
    along = along / float(np.ptp(along))
    # Red over blue changes by this factor from side to side. Daylight over tungsten is 3 to 4.
    ratio = float(rng.uniform(1.5, 2.4))
    gain = np.stack([ratio ** (0.5 * along), np.ones_like(along), ratio ** (-0.5 * along)], axis=-1)
    return _codes(_linear(rgb) * gain.astype(np.float32)), f"red over blue changes {ratio:.1f} fold"


def _soft_part(
    rng: np.random.Generator, scene: Scene, rgb: NDArray[np.generic]
) -> tuple[NDArray[np.uint8], str]:
    """The camera focused on the chart: all but a strip around it is blurred."""
    from fullhide.phantom._board import board_corners
    from fullhide.phantom._frame import frame_of

    assert scene.chart is not None
    corners = board_corners(scene.chart, frame_of(scene))
    blur_mm = float(rng.uniform(0.75, 1.3))
    soft = cv2.GaussianBlur(_linear(rgb), (0, 0), blur_mm / scene.mm_per_px)
    grown = corners.mean(axis=0) + 1.08 * (corners - corners.mean(axis=0))
    near = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(near, np.round(grown).astype(np.int32), 255)
    near = np.asarray(cv2.GaussianBlur(near, (0, 0), 3.0))
    part = near[..., None].astype(np.float32) / 255
    mixed = _linear(rgb) * part + np.asarray(soft, np.float32) * (1 - part)
    noise = np.random.default_rng(scene.seed).normal(0, 0.6, rgb.shape)
    return np.asarray(
        np.clip(np.rint(_codes(mixed) + noise), 0, 255), np.uint8
    ), f"{blur_mm:.1f} mm"


#: What may rightly be told besides a fault, since the fault brings it along: a lamp that is near
#: on one side burns the chart out, or leaves it dark; without the chart's patches it is not found.
_COMPANIONS = {
    "light_uneven": {"clipped", "glare", "too_dark"},
    "glare": {"clipped"},
    "chart_covered": {"no_chart"},
}


def companions(fault: str) -> set[str]:
    """Other advice that is no false alarm beside a fault."""
    return _COMPANIONS.get(fault, set())


def advised(photo: Shot, folder: Path, *, outlined: bool = True) -> PhotoAdvice:
    """What `fullhide check` would say, with the part's outline drawn or not."""
    path = photo.save(folder / "p.jpg")
    job = loose_job([path], chart=ChartSettings(width_mm=photo.chart_width_mm))
    if outlined:
        drawn = RegionOutline(
            photo=str(path),
            name="part",
            kind="panel",
            polygon=np.asarray(photo.region_px, np.float64),
        )
        job = replace(job, outlines=(drawn,), outlined=frozenset({str(path)}))
    return advise(job, job.photos[0])
