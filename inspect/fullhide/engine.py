"""Photos in, verdicts out: the rooms of the engine in their order."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import count
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fullhide import __version__
from fullhide.also import Seconds, judge_together
from fullhide.calibrate import blur_px, colour_fit, flat_field, xyz_of
from fullhide.chart import ChartReading, ChartSpec, ColourFit, find_chart
from fullhide.checks.apart import Reference
from fullhide.checks.match import Patch
from fullhide.companion import Second
from fullhide.elsewhere import reference_elsewhere, typed_reference
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry, TypedReference
from fullhide.judge import Scene, reference_colour
from fullhide.lights import with_lights
from fullhide.opened import Opened, Prepared, open_entry, prepared
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo, open_photo
from fullhide.registration import chart_map, mapped, view_map
from fullhide.result import ChartResult, JobResult, PhotoResult, RegionResult
from fullhide.tint_job import with_tints
from fullhide.wording import flag_reasons

__all__ = ["Inspection", "Judged", "PhotoArtifacts", "inspect_job", "inspect_photo"]

Labels = NDArray[np.uint16]
Box = tuple[int, int, int, int]

#: Flags of a photo that tell of outlines from an earlier one.
_NOT_CARRIED = ("not_carried", "carried_in_part")
#: One region's result, its findings in the pixels of a box of the photo, and the box.
Judged = tuple[RegionResult, Labels | None, Box]


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
    opened
        What a further inspection of the same photo need not do again.
    judged
        What was found in each region, by its name, before it was numbered through the photo.
    """

    photo: Photo
    label_map: Labels
    outlines: tuple[RegionOutline, ...]
    opened: Opened | None = None
    judged: Mapping[str, Judged] = field(default_factory=dict)


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
    whole = JobResult(
        job=job.name, fullhide=__version__, photos=tuple(photos), problems=tuple(problems)
    )
    return with_tints(job, with_lights(job, whole))


def inspect_photo(
    job: Job,
    entry: PhotoEntry,
    *,
    mm_per_px: float | None = None,
    opened: Opened | None = None,
    kept: Mapping[str, Judged] | None = None,
    on_region: Callable[[int, int], None] | None = None,
    threads: int | None = None,
) -> Inspection:
    """Inspect one photo of a job.

    Parameters
    ----------
    job
        Colours, limits, chart and outlines.
    entry
        The photo.
    mm_per_px
        Scale that overrides the chart's.
    opened
        The photo from an earlier inspection; opened here if absent.
    kept
        Regions by name, from an earlier inspection, that are not judged again: for the quick
        look at one moved outline. A verdict to rest on keeps none.
    on_region
        Called after each region with the number judged and the number to judge, from any
        thread; what it raises ends the inspection.
    threads
        Regions that are judged at once; as suits the machine if left out.

    Returns
    -------
    Inspection

    Raises
    ------
    FullhideError
        If the photo, or its grey board, cannot be opened, or the marked chart is no chart.
    """
    if opened is None:
        opened = _opened(job, entry, alone=threads == 1)
    ready = prepared(opened, job, entry, mm_per_px=mm_per_px)
    scene, outlines = ready.scene, ready.outlines
    reading, spec = ready.reading, ready.spec
    polygons = [outline.polygon for outline in outlines]
    seconds = Seconds(entry.also, lambda file: _second(job, file, scene, reading, spec, polygons))
    judged = _judged(scene, outlines, job, entry, seconds, kept or {}, on_region, threads)
    regions, labels = _numbered(scene, judged)
    regions = _with_notes(regions, scene.flags)
    photo = scene.photo
    result = PhotoResult(
        file=entry.file,
        sha256=photo.sha256,
        size_px=photo.size_px,
        mm_per_px=scene.mm_per_px if scene.scaled else None,
        chart=_chart_result(reading, scene.fit, spec),
        quality=_quality(photo, ready, seconds, entry),
        regions=regions,
    )
    return Inspection(
        result,
        PhotoArtifacts(photo, labels, outlines, opened=opened, judged=judged),
        (*ready.problems, *seconds.problems),
    )


def _opened(job: Job, entry: PhotoEntry, *, alone: bool) -> Opened:
    """The photo, and meanwhile the other one that shows its reference, which is kept there."""
    kinds = {outline.kind for outline in job.outlines_of(entry.file)}
    if alone or "panel" not in kinds or "reference" in kinds:
        return open_entry(job, entry)
    with ThreadPoolExecutor(max_workers=1) as ahead:
        ahead.submit(reference_elsewhere, job, entry)
        return open_entry(job, entry)


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
    light = flat_field(photo, reading=reading, polygons=there)
    own = reading.found or not first.found
    blur = blur_px(photo, reading=reading, polygons=there)
    return Second(
        file=file,
        photo=photo,
        to_xyz=xyz_of(colour_fit(reading, spec=spec, field=light) if own else scene.fit, light),
        blur_px=scene.blur_px if blur is None else blur,
        ignore=(reading.corners_px,) if reading.found else (),
        start=start,
        charts=charts,
        colours_from="its own chart" if reading.found else "the region in the first photo",
        patches=reading.centres_px if reading.found else None,
        light_doubt=light.doubt,
    )


def _judged(
    scene: Scene,
    outlines: tuple[RegionOutline, ...],
    job: Job,
    entry: PhotoEntry,
    seconds: Seconds,
    kept: Mapping[str, Judged],
    on_region: Callable[[int, int], None] | None,
    threads: int | None,
) -> dict[str, Judged]:
    """Every region by its name, judged anew where `kept` does not hold it."""
    references = _references(scene, outlines, job, entry)
    wanted = [o for o in outlines if o.kind not in ("ignore", "chart")]
    anew = [outline for outline in wanted if outline.name not in kept]
    done = count(1)  # next() of it is safe from any thread

    def judged(outline: RegionOutline) -> Judged:
        found = judge_together(
            scene,
            outline,
            job=job,
            entry=entry,
            reference=references.get(outline.name),
            seconds=seconds,
        )
        if on_region is not None:
            on_region(next(done), len(anew))
        return found

    # The work is in array calls that let other threads run.
    many = threads if threads is not None else min(4, os.cpu_count() or 1)
    with ThreadPoolExecutor(max_workers=max(1, many)) as pool:
        found = dict(zip([o.name for o in anew], pool.map(judged, anew), strict=True))
    return {o.name: found[o.name] if o.name in found else kept[o.name] for o in wanted}


def _references(
    scene: Scene, outlines: tuple[RegionOutline, ...], job: Job, entry: PhotoEntry
) -> dict[str, Patch | Reference | TypedReference | None]:
    """What each panel is compared with: a reference beside it, a typed one, or another photo's."""
    names = [outline.name for outline in outlines if outline.kind == "panel"]
    beside = reference_colour(scene, outlines, job.limits)
    if beside is not None:
        return dict.fromkeys(names, beside)
    typed = {name: typed_reference(job, entry, name) for name in names}
    if all(typed.values()):
        return dict(typed)
    elsewhere = reference_elsewhere(job, entry)
    return {name: one or elsewhere for name, one in typed.items()}


def _numbered(
    scene: Scene, judged: Mapping[str, Judged]
) -> tuple[tuple[RegionResult, ...], Labels]:
    """The regions with their findings numbered through the photo, and the map of the numbers."""
    width, height = scene.photo.size_px
    labels = np.zeros((height, width), np.uint16)
    results: list[RegionResult] = []
    last = 0
    for result, crop, (x0, y0, x1, y1) in judged.values():
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


def _with_notes(
    regions: tuple[RegionResult, ...], flags: tuple[str, ...]
) -> tuple[RegionResult, ...]:
    """The first region also says what could not be carried over to the photo."""
    said = flag_reasons(name for name in _NOT_CARRIED if name in flags)
    if not said or not regions:
        return regions
    return (replace(regions[0], reasons=(*regions[0].reasons, *said)), *regions[1:])


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


def _quality(photo: Photo, ready: Prepared, seconds: Seconds, entry: PhotoEntry) -> dict[str, Any]:
    scene, blur = ready.scene, ready.blur_px
    quality: dict[str, Any] = {
        "flags": list(scene.flags),
        "profile": photo.profile,
        "bits": photo.bits,
        "clipped_share": photo.clipped_share(),
        "blur_px": blur,
        "blur_mm": None if blur is None or not scene.scaled else blur * scene.mm_per_px,
        "taken": photo.taken.time or None,
        "light_from": scene.field.source,
        "light_spread": scene.field.spread if scene.field.source != "none" else None,
    }
    if photo.white_balance is not None:
        quality["white_balance"] = list(photo.white_balance)
    if entry.light is not None:
        quality["light"] = entry.light
    if ready.drawing:
        quality["outlines"] = dict(ready.drawing)
    if seconds.files:
        quality["also"] = seconds.told()
    return quality
