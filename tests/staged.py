"""Rendered scenes and the jobs that ask for their inspection: truth is our own phantoms'."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from photo_files import png

from fullhide.chart import ColourFit
from fullhide.engine import Inspection, inspect_photo
from fullhide.job import ChartSettings, Colour, Job, Limits, PartEntry, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import (
    Camera,
    Chart,
    Leather,
    Light,
    Rendering,
    Scene,
    Seam,
    Spot,
    render,
    save_photo,
)
from fullhide.photo import Photo, open_photo
from fullhide.region import RegionView
from fullhide.result import Finding, RegionResult

Polygon = NDArray[np.float64]

FOX = (46.0, 21.0, 28.0)
GREEN = ("old green", (38.0, -28.0, 9.0))
WHITE = ("white transition coat", (93.0, -0.5, 2.0))
CHART_MM = 55.0
PANEL = ((20.0, 20.0), (880.0, 20.0), (880.0, 460.0), (20.0, 460.0))
#: A straight seam from one side of the panel to the other, and beyond.
SEAM = Seam((0.0, 36.0), (135.0, 36.0), width_mm=7.0, opened=True)
BOWED = Seam((0.0, 32.0), (135.0, 36.0), bow_mm=3.0, width_mm=7.0, opened=True)
SAND, TEAL = (74.0, 2.0, 17.0), ("old teal", (44.0, -24.0, -8.0))


def scene(**changes: Any) -> Scene:
    """A small panel of fox brown over green with the chart below it, well shot."""
    given: dict[str, Any] = {
        "size_px": (900, 720),
        "mm_per_px": 0.15,
        "seed": 3,
        "light": Light(falloff=0.04),
        "camera": Camera(),
        "leather": Leather(curvature_mm=2.0),
        "finish": FOX,
        "under": (GREEN, WHITE),
        "panel_px": PANEL,
        "chart": Chart(centre_px=(450.0, 590.0), width_mm=CHART_MM),
    }
    return Scene(**{**given, **changes})


def spot(under: str = "old green", at: tuple[float, float] = (60.0, 35.0), **changes: Any) -> Spot:
    """A bare spot of 10 mm² unless told otherwise."""
    return Spot(under, at, **{"area_mm2": 10.0, "shape": "round", **changes})


CLEAN = scene()
ONE_SPOT = scene(spots=(spot(),))


@cache
def rendered(what: Scene) -> Rendering:
    """Each scene is rendered once a test run."""
    return render(what)


def box_outline(
    points: Sequence[tuple[float, float]] | Polygon,
    *,
    kind: str = "panel",
    name: str = "r",
    **more: Any,
) -> RegionOutline:
    """An outline in photo `p.png`."""
    polygon = np.asarray(points, np.float64)
    properties = more.pop("properties", {})
    return RegionOutline(
        photo="p.png", name=name, kind=kind, polygon=polygon, properties=properties, **more
    )


#: Two halves of the panel.
LEFT = box_outline([(60, 60), (430, 60), (430, 420), (60, 420)], name="dyed")
RIGHT = box_outline([(470, 60), (840, 60), (840, 420), (470, 420)], kind="reference", name="old")


def outlined_seam(rendering: Rendering, *, seam: int = 0) -> tuple[RegionOutline, float]:
    """Part of a seam's band within the panel's outline, and how far from the seam's start its
    middle begins, mm.
    """
    from shapely.geometry import LineString
    from shapely.geometry import Polygon as Shape

    what, mm = rendering.scene.seams[seam], rendering.scene.mm_per_px
    band = np.asarray(rendering.truth.seam_px[seam])
    part = Shape(band).intersection(Shape(rendering.truth.region_px))
    points = np.asarray(part.exterior.coords)[:-1]
    points = np.roll(points, -int(np.argmin(np.linalg.norm(points - band[0], axis=1))), axis=0)
    # The seam's middle as `phantom.Seam` describes it: an arc over the straight line.
    start, end = np.asarray(what.start_mm), np.asarray(what.end_mm)
    along = (end - start) / np.linalg.norm(end - start)
    left = np.array([along[1], -along[0]])
    t = np.linspace(0, 1, 2001)[:, None]
    path = start + (end - start) * t + left * 4 * what.bow_mm * t * (1 - t)
    inside = LineString(path / mm).intersection(Shape(points))
    first = np.asarray(inside.coords[0]) * mm
    before = path[: int(np.argmin(np.linalg.norm(path - first, axis=1))) + 1]
    length = float(np.linalg.norm(np.diff(before, axis=0), axis=1).sum())
    return box_outline(points, kind="seam"), length


def overlap(one: Polygon, other: Sequence[tuple[float, float]]) -> float:
    """Area that two outlines share, over the area that either covers."""
    from shapely.geometry import Polygon as Shape

    a, b = Shape(one).buffer(0), Shape(other)
    return float(a.intersection(b).area / a.union(b).area)


def job_of(
    folder: Path,
    outlines: Sequence[RegionOutline],
    *,
    under: Sequence[tuple[str, tuple[float, float, float]]] = (GREEN,),
    thread: Sequence[tuple[str, tuple[float, float, float]]] = (),
    finish: tuple[float, float, float] | None = FOX,
    limits: Limits | None = None,
    chart_mm: float = CHART_MM,
    parts: Sequence[PartEntry] = (),
    **entry: Any,
) -> Job:
    """A job of the one photo `p.png`."""
    return Job(
        name="staged",
        folder=folder,
        under=tuple(Colour(name, lab) for name, lab in under),
        thread=tuple(Colour(name, lab) for name, lab in thread),
        finish=None if finish is None else Colour("fox brown", finish),
        chart=ChartSettings(width_mm=chart_mm),
        limits=limits or Limits(),
        photos=(PhotoEntry(file="p.png", **entry),),
        outlines=tuple(outlines),
        outlined=frozenset({"p.png"}),
        parts=tuple(parts),
    )


def inspected(
    what: Scene,
    folder: Path,
    *,
    outlines: Sequence[RegionOutline] | None = None,
    board: bool = False,
    mm_per_px: float | None = None,
    **asked: Any,
) -> Inspection:
    """Render, save as PNG and inspect; the panel's own outline unless others are given."""
    shot = rendered(what)
    save_photo(shot, folder / "p.png")
    if board:
        save_photo(rendered(what.grey_board()), folder / "board.png")
        asked["grey_board"] = "board.png"
    drawn = [box_outline(shot.truth.region_px)] if outlines is None else outlines
    job = job_of(folder, drawn, **asked)
    return inspect_photo(job, job.photos[0], mm_per_px=mm_per_px)


def region_of(*args: Any, **asked: Any) -> RegionResult:
    """The one region of an inspected scene."""
    (region,) = inspected(*args, **asked).result.regions
    return region


def painted(folder: Path, linear: NDArray[Any], *, name: str = "painted.png") -> Photo:
    """A 16-bit photo of given linear sRGB values (IEC 61966-2-1), (H, W) or (H, W, 3)."""
    linear = np.clip(np.asarray(linear, np.float64), 0.0, 1.0)
    if linear.ndim == 2:
        linear = np.repeat(linear[..., None], 3, axis=2)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    (folder / name).write_bytes(png(np.round(coded * 65535).astype(np.uint16)))
    return open_photo(folder / name)


def flat_view(
    xyz: NDArray[Any], *, mm_per_px: float = 0.25, line: Polygon | None = None
) -> RegionView:
    """A view whose every pixel is judged."""
    everywhere = np.ones(xyz.shape[:2], bool)
    return RegionView(
        xyz=np.ascontiguousarray(xyz, np.float32),
        inside=everywhere,
        judged=everywhere,
        clipped=np.zeros(np.shape(everywhere), bool),
        mm_per_px=mm_per_px,
        scaled=True,
        factor=1.0,
        box=(0, 0, xyz.shape[1], xyz.shape[0]),
        line=line,
    )


def finding_of(region: RegionResult) -> Finding:
    """The one finding of a region."""
    (finding,) = region.findings
    return finding


def fit_leaving(left: float) -> ColourFit:
    """A chart's fit that leaves so much of every patch, in L*, a* and b*."""
    return ColourFit(
        method="linear 3x3",
        matrix=np.eye(3),
        used=np.ones(24, bool),
        lab=np.random.default_rng(3).uniform(20, 80, (24, 3)),
        residual_lab=np.full((24, 3), left),
    )
