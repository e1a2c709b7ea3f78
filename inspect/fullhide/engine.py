"""Photos in, verdicts out: the rooms of the engine in their order."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fullhide import __version__
from fullhide.also import Seconds, judge_together
from fullhide.calibrate import USUAL_BLUR_PX, blur_px, colour_fit, flat_field, xyz_of
from fullhide.chart import ChartReading, ChartSpec, ColourFit, chart_spec, find_chart
from fullhide.companion import Second
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry
from fullhide.judge import Scene, reference_colour
from fullhide.outlines import RegionOutline, check_outline
from fullhide.photo import Photo, open_photo
from fullhide.propose import propose_panel
from fullhide.registration import chart_map, mapped, view_map
from fullhide.result import ChartResult, JobResult, PhotoResult, RegionResult

__all__ = ["Inspection", "PhotoArtifacts", "inspect_job", "inspect_photo"]

Labels = NDArray[np.uint16]
Box = tuple[int, int, int, int]

#: Stands in for the scale where nothing gives it, so that findings can at least be shown.
NOMINAL_MM_PER_PX = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class PhotoArtifacts:
    """What the pictures of a photo are made from.

    Attributes
    ----------
    photo
        The opened photo.
    label_map
        uint16, the upright photo's size: 0, or the id of the finding there.
    outlines
        The outlines that were inspected, proposals among them.
    """

    photo: Photo
    label_map: Labels
    outlines: tuple[RegionOutline, ...]


class Inspection(NamedTuple):
    """One photo's result, what its pictures need, and the outlines that could not be used."""

    result: PhotoResult
    artifacts: PhotoArtifacts
    problems: tuple[FullhideError, ...]


def inspect_job(
    job: Job,
    *,
    mm_per_px: float | None = None,
    on_photo: Callable[[PhotoResult, PhotoArtifacts], None] | None = None,
    progress: Callable[[], None] | None = None,
) -> JobResult:
    """Inspect every photo of a job.

    Parameters
    ----------
    job
        From `job.load_job` or `job.loose_job`.
    mm_per_px
        Scale that overrides the charts'.
    on_photo
        Called with each photo's result and artifacts, which are freed afterwards.
    progress
        Called after each photo.

    Returns
    -------
    JobResult
        With the photos that could not be used among its problems.
    """
    photos: list[PhotoResult] = []
    problems = list(job.problems)
    for entry in job.photos:
        try:
            result, artifacts, wrong = inspect_photo(job, entry, mm_per_px=mm_per_px)
        except FullhideError as error:
            problems.append(error)
        else:
            photos.append(result)
            problems.extend(wrong)
            if on_photo is not None:
                on_photo(result, artifacts)
            del artifacts
        if progress is not None:
            progress()
    return JobResult(
        job=job.name, fullhide=__version__, photos=tuple(photos), problems=tuple(problems)
    )


def inspect_photo(job: Job, entry: PhotoEntry, *, mm_per_px: float | None = None) -> Inspection:
    """Inspect one photo of a job.

    Parameters
    ----------
    job
        Colours, limits, chart and outlines.
    entry
        The photo.
    mm_per_px
        Scale that overrides the chart's.

    Returns
    -------
    Inspection

    Raises
    ------
    FullhideError
        If the photo, or its grey board, cannot be opened, or the marked chart is no chart.
    """
    photo = open_photo(job.path(entry.file))
    outlines, problems = _usable(job, entry, photo)
    spec = _spec(job)
    marked = next((o.polygon for o in outlines if o.kind == "chart"), None)
    reading = find_chart(photo, spec=spec, corners_px=marked)
    polygons = [outline.polygon for outline in outlines]
    board = None if entry.grey_board is None else open_photo(job.path(entry.grey_board))
    field = flat_field(photo, reading=reading, polygons=polygons, board=board)
    fit = colour_fit(reading, spec=spec, field=field)
    scale = mm_per_px if mm_per_px is not None else reading.mm_per_px
    if job.needs_proposal(entry.file):
        outlines = (*outlines, *propose_panel(photo, file=entry.file, reading=reading, fit=fit))
        polygons = [outline.polygon for outline in outlines]
    blur = blur_px(photo, reading=reading, polygons=polygons)
    flags = _photo_flags(photo, reading, scale, blur)
    scene = Scene(
        photo=photo,
        fit=fit,
        field=field,
        mm_per_px=scale or NOMINAL_MM_PER_PX,
        scaled=scale is not None,
        scale_doubt=_scale_doubt(reading) if mm_per_px is None else 0.0,
        blur_px=USUAL_BLUR_PX if blur is None else blur,
        calibrated=reading.found,
        flags=flags,
        ignore=_ignored(outlines, reading),
    )
    seconds = Seconds(entry.also, lambda file: _second(job, file, scene, reading, spec, polygons))
    regions, labels = _regions(scene, outlines, job, entry, seconds)
    result = PhotoResult(
        file=entry.file,
        sha256=photo.sha256,
        size_px=photo.size_px,
        mm_per_px=scale,
        chart=_chart_result(reading, fit, spec),
        quality=_quality(photo, scene, blur, seconds),
        regions=regions,
    )
    return Inspection(
        result, PhotoArtifacts(photo, labels, outlines), (*problems, *seconds.problems)
    )


def _second(
    job: Job,
    file: str,
    scene: Scene,
    first: ChartReading,
    spec: ChartSpec,
    polygons: list[NDArray[np.float64]],
) -> Second:
    """Open a further photo of the view and calibrate it for itself."""
    photo = open_photo(job.path(file))
    reading = find_chart(photo, spec=spec)
    charts, start = chart_map(first, reading), view_map(scene.photo, photo)
    rough = charts if charts is not None else start
    there = [] if rough is None else [mapped(rough, polygon) for polygon in polygons]
    field = flat_field(photo, reading=reading, polygons=there)
    own = reading.found or not first.found
    blur = blur_px(photo, reading=reading, polygons=there)
    return Second(
        file=file,
        photo=photo,
        to_xyz=xyz_of(colour_fit(reading, spec=spec, field=field) if own else scene.fit, field),
        blur_px=scene.blur_px if blur is None else blur,
        ignore=(reading.corners_px,) if reading.found else (),
        start=start,
        charts=charts,
        colours_from="its own chart" if reading.found else "the region in the first photo",
    )


def _usable(
    job: Job, entry: PhotoEntry, photo: Photo
) -> tuple[tuple[RegionOutline, ...], tuple[FullhideError, ...]]:
    good, wrong = [], []
    for outline in job.outlines_of(entry.file):
        try:
            good.append(check_outline(outline, photo.size_px))
        except FullhideError as error:
            wrong.append(error)
    return tuple(good), tuple(wrong)


def _spec(job: Job) -> ChartSpec:
    chart = job.chart
    return chart_spec(chart.edition or "after-2014", lab=chart.lab, width_mm=chart.width_mm)


def _scale_doubt(reading: ChartReading) -> float:
    if not reading.mm_per_px or not reading.mm_per_px_u:
        return 0.0
    return reading.mm_per_px_u / reading.mm_per_px


def _photo_flags(
    photo: Photo, reading: ChartReading, scale: float | None, blur: float | None
) -> tuple[str, ...]:
    names = [*photo.flags, *reading.flags]
    if scale is None:
        names.append("no_scale")
    if blur is None:
        names.append("focus_unknown")
    return tuple(dict.fromkeys(names))


def _ignored(
    outlines: tuple[RegionOutline, ...], reading: ChartReading
) -> tuple[NDArray[np.float64], ...]:
    polygons = [o.polygon for o in outlines if o.kind in ("ignore", "chart")]
    if reading.found:
        polygons.append(reading.corners_px)
    return tuple(polygons)


def _regions(
    scene: Scene,
    outlines: tuple[RegionOutline, ...],
    job: Job,
    entry: PhotoEntry,
    seconds: Seconds,
) -> tuple[tuple[RegionResult, ...], Labels]:
    width, height = scene.photo.size_px
    labels = np.zeros((height, width), np.uint16)
    reference = reference_colour(scene, outlines)
    wanted = [o for o in outlines if o.kind not in ("ignore", "chart")]

    def judged(outline: RegionOutline) -> tuple[RegionResult, Labels | None, Box]:
        return judge_together(
            scene, outline, job=job, entry=entry, reference=reference, seconds=seconds
        )

    # The work is in array calls that let other threads run.
    with ThreadPoolExecutor(max_workers=max(1, min(4, os.cpu_count() or 1))) as pool:
        found = list(pool.map(judged, wanted))
    results: list[RegionResult] = []
    last = 0
    for result, crop, (x0, y0, x1, y1) in found:
        numbers = {}
        if crop is not None:
            place = labels[y0:y1, x0:x1]
            for finding in result.findings:
                mine = crop == finding.id
                free = mine & (place == 0)
                if free.any() or not mine.any():
                    last += 1
                    numbers[finding.id] = last
                    place[free] = last
                else:  # another region that lies over this one has told of it already
                    numbers[finding.id] = int(np.bincount(place[mine]).argmax())
        numbered = tuple(replace(f, id=numbers[f.id]) for f in result.findings)
        results.append(replace(result, findings=numbered))
    return tuple(results), labels


def _chart_result(reading: ChartReading, fit: ColourFit, spec: ChartSpec) -> ChartResult:
    if not reading.found:
        return ChartResult(found=False)
    return ChartResult(
        found=True,
        residual_delta_e=fit.residual_delta_e,
        corners_px=tuple((float(x), float(y)) for x, y in reading.corners_px),
        method=fit.method,
        edition="own" if spec.edition == "measured" else spec.edition,
    )


def _quality(photo: Photo, scene: Scene, blur: float | None, seconds: Seconds) -> dict[str, Any]:
    quality: dict[str, Any] = {
        "flags": list(scene.flags),
        "profile": photo.profile,
        "bits": photo.bits,
        "clipped_share": photo.clipped_share(),
        "blur_px": blur,
        "blur_mm": None if blur is None or not scene.scaled else blur * scene.mm_per_px,
        "light_from": scene.field.source,
        "light_spread": scene.field.spread if scene.field.source != "none" else None,
    }
    if seconds.files:
        quality["also"] = seconds.told()
    return quality
