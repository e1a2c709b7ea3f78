"""The example jobs' scenes: invented parts, invented faults, known truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from ._truth import Truth, inset
from .scene import (
    Bands,
    Camera,
    Chart,
    Distractor,
    Film,
    Gap,
    Lamp,
    Leather,
    Light,
    Mottle,
    Point,
    Scene,
    Seam,
    Spot,
)

__all__ = ["JOBS", "SampleJob", "SamplePhoto", "SampleRegion"]

Polygon = tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class SampleRegion:
    """A region of a sample photo and the verdict that its truth asks for."""

    name: str
    kind: str
    polygon_px: Polygon
    expected: str = ""
    because: str = ""


@dataclass(frozen=True, slots=True)
class SamplePhoto:
    """A sample photo: its scene, its entry in job.toml and its regions."""

    file: str
    part: str
    scene: Scene
    regions: Callable[[Truth], tuple[SampleRegion, ...]]
    stage: str = "final"
    coat: int | None = None
    note: str = ""
    grey_board: str | None = "photos/board.jpg"


@dataclass(frozen=True, slots=True)
class SampleJob:
    """A sample job folder."""

    folder: str
    name: str
    finish_name: str
    base: Scene
    photos: tuple[SamplePhoto, ...] = field(default_factory=tuple)


_SIZE = (2000, 1500)
_SCALE = 0.16


def _box(x0: float, y0: float, x1: float, y1: float) -> Polygon:
    """A rectangle given in millimetres, in pixels."""
    return _polygon((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def _polygon(*corners_mm: Point) -> Polygon:
    """A polygon given in millimetres, in pixels."""
    return tuple((x / _SCALE, y / _SCALE) for x, y in corners_mm)


# --- A boat's galley bench: old green beneath (darker), a pale green coat (lighter). -------

_KESTREL = Scene(
    size_px=_SIZE,
    mm_per_px=_SCALE,
    finish=(46.0, 21.0, 28.0),
    under=(("old green", (38.0, -28.0, 9.0)), ("pale green transition coat", (84.0, -17.0, 8.0))),
    film=Film(over="old green", transition="pale green transition coat"),
    light=Light(name="D65", falloff=0.07),
    leather=Leather(grain="fine", roughness=0.34),
    camera=Camera(noise=0.6),
    mottle=(Mottle(0.012, 25.0, "lightness"),),
)

_FRONT_SEAM = Seam((-30.0, 150.0), (205.0, 143.0), bow_mm=3.0, width_mm=7.0)
_OPEN_SEAM = Seam(
    (108.0, -9.0),
    (102.0, 249.0),
    width_mm=10.0,
    depth_mm=3.0,
    opened=True,
    thread=(36.0, 15.0, 20.0),
)


def _bench_left(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("seat", "panel", _box(18, 18, 192, 136), "pass", "nothing shows"),
        SampleRegion("front seam", "seam", truth.seam_px[0], "pass", "nothing shows"),
        SampleRegion("front", "panel", _box(18, 160, 192, 222), "pass", "nothing shows; a hair"),
    )


def _bench_right(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("seat", "panel", _box(18, 18, 192, 136), "fail", "old green at 3 places"),
        SampleRegion(
            "front seam", "seam", truth.seam_px[0], "fail", "the transition coat in the valley"
        ),
        SampleRegion("front", "panel", _box(18, 160, 192, 222), "pass", "nothing shows"),
    )


def _bench_open(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("left of the seam", "panel", _box(18, 18, 93, 222), "pass", "nothing shows"),
        SampleRegion(
            "middle seam, opened", "seam", truth.seam_px[0], "fail", "old green at 2 stretches"
        ),
        SampleRegion("right of the seam", "panel", _box(117, 18, 192, 222), "pass", "nothing"),
    )


def _backrest(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("backrest", "panel", _box(18, 18, 192, 222), "pass", "nothing shows"),
        SampleRegion("tape left on", "ignore", _box(130, 150, 190, 190)),
    )


def _blurred(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("backrest, top", "panel", _box(18, 18, 192, 222), "retake", "out of focus"),
    )


_KESTREL_PHOTOS: tuple[SamplePhoto, ...] = (
    SamplePhoto(
        "photos/bench_left.jpg",
        "bench, left",
        replace(
            _KESTREL,
            seed=101,
            panel_px=_box(-40, 9.6, 200.8, 280),
            seams=(_FRONT_SEAM,),
            distractors=(Distractor("hair", (120.0, 195.0), 26.0, 25.0),),
        ),
        _bench_left,
        note="seat and front with a closed seam between; all of it should pass",
    ),
    SamplePhoto(
        "photos/bench_right.jpg",
        "bench, right",
        replace(
            _KESTREL,
            seed=102,
            chart=Chart(centre_px=(1610.0, 330.0), rotation_deg=-7.0),
            seams=(replace(_FRONT_SEAM, end_mm=(350.0, 146.0)),),
            spots=(
                Spot("old green", (62.0, 55.0), 14.0),
                Spot("old green", (135.0, 92.0), 6.0, "scratch", angle_deg=35.0),
                Spot("old green", (160.0, 40.0), 25.0, "round", softness_mm=3.0, share=0.6),
            ),
            gaps=(Gap(0, 100.0, 118.0, "pale green transition coat"),),
        ),
        _bench_right,
        note="three misses on the seat, one in the seam",
    ),
    SamplePhoto(
        "photos/bench_seam_open.jpg",
        "bench, middle seam held open",
        replace(
            _KESTREL,
            seed=103,
            chart=Chart(centre_px=(1620.0, 760.0), rotation_deg=3.0),
            panel_px=_box(-30, -30, 200.8, 270),
            seams=(_OPEN_SEAM,),
            gaps=(Gap(0, 73.0, 86.0, "old green"), Gap(0, 165.0, 173.0, "old green", 1.6)),
        ),
        _bench_open,
        note="held open by hand: the stitches can be seen, and old green between them",
    ),
    SamplePhoto(
        "photos/backrest.jpg",
        "backrest",
        replace(
            _KESTREL,
            seed=104,
            spots=(Spot("old green", (158.0, 168.0), 20.0),),
            distractors=(Distractor("tape", (164.0, 172.0), 40.0, 12.0),),
        ),
        _backrest,
        note="a piece of masking tape is still on: an ignore outline takes it out",
    ),
    SamplePhoto(
        "photos/backrest_top.jpg",
        "backrest, top",
        replace(_KESTREL, seed=105, camera=replace(_KESTREL.camera, blur_px=7.0)),
        _blurred,
        note="out of focus: the answer is retake, not pass",
    ),
)


# --- A coach's seats: sand over an old leaf green, which is darker. ----------------------------

_HERON = Scene(
    size_px=_SIZE,
    mm_per_px=_SCALE,
    finish=(71.0, 3.0, 25.0),
    under=(("old leaf green", (52.0, -38.0, 8.0)),),
    film=Film(coats=6, sx_per_coat=1.3),
    light=Light(
        name="LED-B3",
        lamps=(Lamp(azimuth_deg=165.0, weight=0.65), Lamp(azimuth_deg=15.0, weight=0.35)),
        falloff=0.14,
        falloff_towards_deg=10.0,
    ),
    leather=Leather(grain="coarse", roughness=0.36, depth=0.5),
    camera=Camera(noise=0.5, exposure=0.8),
    mottle=(Mottle(0.012, 30.0, "lightness"),),
)

_CUSHION_SEAM = Seam((104.0, 6.0), (108.0, 235.0), bow_mm=-3.0, width_mm=9.0, depth_mm=1.6)


def _cushion(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("cushion", "panel", _box(18, 18, 192, 222), "fail", "bands: dye too thin"),
    )


def _seat_back(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("approved side", "reference", _box(18, 18, 95, 222)),
        SampleRegion("seam", "seam", truth.seam_px[0], "pass", "nothing shows"),
        SampleRegion("new side", "panel", _box(118, 18, 192, 222), "pass", "nothing shows"),
    )


def _bolster(truth: Truth) -> tuple[SampleRegion, ...]:
    return (
        SampleRegion("bolster", "panel", _box(18, 18, 192, 222), "fail", "old green, 2 places"),
    )


def _no_chart(truth: Truth) -> tuple[SampleRegion, ...]:
    outline = inset(truth.panel_px, 9.0 / _SCALE)
    return (SampleRegion("headrest", "panel", outline, "retake", "no chart, so no scale"),)


_HERON_PHOTOS: tuple[SamplePhoto, ...] = (
    SamplePhoto(
        "photos/cushion.jpg",
        "seat, cushion",
        replace(
            _HERON,
            seed=201,
            film=replace(_HERON.film, coats=3, sx_per_coat=0.75),
            bands=(Bands(period_mm=70.0, amplitude=0.6, angle_deg=80.0),),
        ),
        _cushion,
        stage="coat",
        coat=3,
        note="after the third coat: the gun's bands can still be seen",
    ),
    SamplePhoto(
        "photos/seat_back.jpg",
        "seat, back",
        replace(_HERON, seed=202, seams=(_CUSHION_SEAM,)),
        _seat_back,
        note="the left side was approved before and serves as the reference",
    ),
    SamplePhoto(
        "photos/bolster.jpg",
        "seat, bolster",
        replace(
            _HERON,
            seed=203,
            spots=(
                Spot("old leaf green", (70.0, 80.0), 40.0, "round", softness_mm=5.0, delta_e=10.0),
                Spot("old leaf green", (140.0, 165.0), 5.0, "elongated", angle_deg=60.0),
            ),
            distractors=(Distractor("hair", (120.0, 60.0), 30.0, -40.0),),
            chart=Chart(rotation_deg=90.0, centre_px=(1640.0, 620.0)),
            panel_px=_box(9.6, 9.6, 200.8, 230.4),
        ),
        _bolster,
        note="a soft miss and a sharp one; the chart may lie any way round",
    ),
    SamplePhoto(
        "photos/headrest.jpg",
        "seat, headrest",
        replace(
            _HERON,
            seed=204,
            chart=None,
            panel_px=_polygon((60, 30), (260, 30), (300, 210), (20, 210)),
        ),
        _no_chart,
        note="the chart was forgotten: without a scale there is no area in mm²",
    ),
)


JOBS: tuple[SampleJob, ...] = (
    SampleJob("kestrel", "Kestrel, galley bench", "fox brown", _KESTREL, _KESTREL_PHOTOS),
    SampleJob("heron", "Heron, coach seats", "sand", _HERON, _HERON_PHOTOS),
)
