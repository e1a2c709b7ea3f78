"""Check a scene before rendering, so that a mistake is one line and not a traceback."""

from __future__ import annotations

from collections.abc import Iterable

from ..errors import FullhideError
from ._camera import PROFILES, TONES
from ._defects import SHAPES
from .edge import Bleed, OpenLine, Overspray
from .grain import GRAINS
from .scene import Scene

__all__ = ["check_scene"]

_KINDS = ("thickness", "lightness")


def check_scene(scene: Scene) -> None:
    """Raise FullhideError if a scene cannot be rendered."""
    w, h = scene.size_px
    if w < 64 or h < 64 or w * h > 200_000_000:
        raise FullhideError("scene", f"{w} x {h} pixels", "use 64 x 64 up to 200 million pixels")
    if not 0 < scene.mm_per_px < 100:
        raise FullhideError("scene", "the scale is out of range", "give mm_per_px from 0 to 100")
    if scene.seed < 0 or scene.shot < 0:
        raise FullhideError("scene", "seed and shot cannot be negative", "use 0 or more")
    if scene.view is not None and not (
        0 <= scene.view.tilt_deg <= 60 and 0.3 <= scene.view.distance <= 3
    ):
        raise FullhideError(
            "scene",
            "the view is out of range",
            "lean the camera by 0 to 60 degrees and give a distance of 0.3 to 3",
        )
    camera = scene.camera
    _one_of("profile", camera.profile, PROFILES)
    _one_of("tone", camera.tone, TONES)
    _one_of("number of bits", camera.bits, (8, 16))
    _one_of("grain", scene.leather.grain, (*GRAINS, "none"))
    for spot in scene.spots:
        _one_of("spot shape", spot.shape, SHAPES)
        _above("a spot's area_mm2", spot.area_mm2)
        _share("a spot's share", spot.share)
    for thin in scene.thin:
        _above("a thin place's area_mm2", thin.area_mm2)
    for band in scene.bands:
        _one_of("kind of unevenness", band.kind, _KINDS)
        _above("a band's period_mm", band.period_mm)
    for mottle in scene.mottle:
        _one_of("kind of unevenness", mottle.kind, _KINDS)
        _above("a mottle's scale_mm", mottle.scale_mm)
    _check_sheens(scene)
    _check_seams(scene)
    _check_edges(scene)
    if scene.chart is not None:
        _above("the chart's width_mm", scene.chart.width_mm)
        for number in (*scene.chart.covered, *scene.chart.glare):
            _one_of("patch", number, range(24))


def _check_sheens(scene: Scene) -> None:
    for sheen in scene.sheens:
        _one_of("shape of a sheen", sheen.shape, ("box", "round"))
        _above("a sheen's size_mm", min(sheen.size_mm))
        _above("a sheen's roughness", sheen.roughness)
        if sheen.softness_mm:
            _above("a sheen's softness_mm", sheen.softness_mm)


def _check_seams(scene: Scene) -> None:
    for seam in scene.seams:
        if seam.start_mm == seam.end_mm:
            raise FullhideError("scene", "a seam has no length", "move its end away from its start")
        _above("a seam's width_mm", seam.width_mm)
    for gap in scene.gaps:
        if not 0 <= gap.seam < len(scene.seams):
            raise FullhideError(
                "scene",
                f"a gap names seam {gap.seam} of {len(scene.seams)}",
                "count seams from 0",
            )
        if not gap.from_mm < gap.to_mm:
            raise FullhideError("scene", "a gap ends before it starts", "swap from_mm and to_mm")
        _above("a gap's width_mm", gap.width_mm)
        _share("a gap's share", gap.share)


def _check_edges(scene: Scene) -> None:
    for edge in scene.edges:
        if edge.start_mm == edge.end_mm:
            raise FullhideError(
                "scene", "an edge has no length", "move its end away from its start"
            )
        _above("an edge's waver_period_mm", edge.waver_period_mm)
        faults: tuple[Bleed | OpenLine | Overspray, ...] = (
            *edge.bleeds,
            *edge.opens,
            *edge.oversprays,
        )
        for stretch in faults:
            if not stretch.from_mm < stretch.to_mm:
                what = "a fault of an edge ends before it starts"
                raise FullhideError("scene", what, "swap from_mm and to_mm")
        for opened in edge.opens:
            _above("an open line's width_mm", opened.width_mm)
        for haze in edge.oversprays:
            _share("an overspray's share", haze.share)
            _above("an overspray's fade_mm", haze.fade_mm)


def _one_of(what: str, value: object, known: Iterable[object]) -> None:
    options = list(known)
    if value not in options:
        shown = ", ".join(str(v) for v in options)
        raise FullhideError("scene", f"there is no {what} {value!r}", f"use one of {shown}")


def _above(what: str, value: float) -> None:
    if not value > 0:
        raise FullhideError("scene", f"{what} is {value:g}", "give a value above 0")


def _share(what: str, value: float) -> None:
    if not 0 <= value <= 1:
        raise FullhideError("scene", f"{what} is {value:g}", "give a value from 0 to 1")
