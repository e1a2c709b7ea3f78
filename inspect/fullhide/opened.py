"""One photo opened and calibrated: what stays when an outline moves, and what does not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide.calibrate import USUAL_BLUR_PX, blur_px, colour_fit, flat_field, xyz_of
from fullhide.card import CardSpec, card_spec
from fullhide.carry import Shot
from fullhide.chart import ChartReading, ChartSpec, chart_spec, find_chart
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry
from fullhide.judge import Scene
from fullhide.outlines import RegionOutline, check_outline
from fullhide.photo import Photo, open_photo
from fullhide.region import ToXYZ, work_factor
from fullhide.shine import Flats, flats_of
from fullhide.undrawn import Undrawn, undrawn

__all__ = [
    "NOMINAL_MM_PER_PX",
    "Opened",
    "Prepared",
    "carried_over",
    "open_entry",
    "prepared",
    "shot_of",
]

#: Stands in for the scale where nothing gives it, so that findings can at least be shown.
NOMINAL_MM_PER_PX = 0.2
#: Photo pixels around a chart that its edge blurs into (our own choice).
_RIM_PX = 4.0

Polygon = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Opened:
    """A photo with its chart read; costly, and the same wherever the regions' outlines lie.

    Attributes
    ----------
    photo, board
        The photo and that of the grey board; None without one.
    spec, reading
        The chart asked for, and what was found of it.
    marked
        The corners that a person gave for the chart; None where it was looked for.
    """

    photo: Photo
    board: Photo | None
    spec: ChartSpec
    reading: ChartReading
    marked: Polygon | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """A photo ready to be judged.

    Attributes
    ----------
    scene
        Colours, light, scale and sharpness.
    outlines
        Those that can be used, a proposal among them where nobody drew any.
    reading, spec
        The chart.
    blur_px
        Measured blur; None where no edge tells.
    problems
        Outlines that cannot be used.
    drawing
        Where the outlines of a photo come from that nobody drew in; empty for any other.
    """

    scene: Scene
    outlines: tuple[RegionOutline, ...]
    reading: ChartReading
    spec: ChartSpec
    blur_px: float | None
    problems: tuple[FullhideError, ...]
    drawing: Mapping[str, Any] = field(default_factory=dict)


def open_entry(job: Job, entry: PhotoEntry, *, photo: Photo | None = None) -> Opened:
    """Open a photo of a job, and its grey board, and read the chart.

    Parameters
    ----------
    job, entry
        The chart asked for and the marked one; the photo.
    photo
        The photo, where it has been opened already.

    Raises
    ------
    FullhideError
        If one of them cannot be opened, or the marked chart is no chart.
    """
    photo = open_photo(job.path(entry.file)) if photo is None else photo
    board = None if entry.grey_board is None else open_photo(job.path(entry.grey_board))
    spec = chart_of(job)
    marked = _marked(_usable(job, entry, photo)[0])
    return Opened(
        photo=photo,
        board=board,
        spec=spec,
        reading=find_chart(photo, spec=spec, corners_px=marked),
        marked=marked,
    )


def chart_of(job: Job) -> ChartSpec:
    """The chart that a job's photos hold."""
    chart = job.chart
    card = CardSpec() if job.card is None else card_spec(printed_mm=job.card.printed_mm)
    return chart_spec(
        chart.edition or "after-2014", lab=chart.lab, width_mm=chart.width_mm, card=card
    )


def prepared(
    opened: Opened,
    job: Job,
    entry: PhotoEntry,
    *,
    mm_per_px: float | None = None,
    rough: bool = False,
) -> Prepared:
    """Calibrate an opened photo for the outlines that the job has now.

    Parameters
    ----------
    opened
        From `open_entry`; its chart is read anew if it was marked elsewhere since.
    job, entry
        Colours, limits and outlines; the photo.
    mm_per_px
        Scale that overrides the chart's.
    rough
        Whether it is enough to know where the part lies, if nobody drew in the photo; see
        `undrawn`.

    Raises
    ------
    FullhideError
        If the marked chart is no chart.
    """
    photo, spec, reading = opened.photo, opened.spec, opened.reading
    outlines, problems = _usable(job, entry, photo)
    marked = _marked(outlines)
    if not _same(marked, opened.marked):
        reading = find_chart(photo, spec=spec, corners_px=marked)
    polygons = [outline.polygon for outline in outlines]
    light = flat_field(photo, reading=reading, polygons=polygons, board=opened.board)
    fit = colour_fit(reading, spec=spec, field=light)
    scale = mm_per_px if mm_per_px is not None else reading.mm_per_px
    mm = scale or NOMINAL_MM_PER_PX
    made = Undrawn(told={})
    if job.needs_proposal(entry.file):
        shot = Shot(photo=photo, reading=reading, fit=fit)
        made = undrawn(
            shot,
            job,
            entry,
            opener=lambda one: shot_of(job, one, mm_per_px),
            mm_per_px=mm_per_px,
            rough=rough,
        )
        outlines = (*outlines, *made.outlines)
        polygons = [outline.polygon for outline in outlines]
    blur = blur_px(photo, reading=reading, polygons=polygons)
    scene = Scene(
        photo=photo,
        fit=fit,
        field=light,
        mm_per_px=mm,
        scaled=scale is not None,
        scale_doubt=_scale_doubt(reading) if mm_per_px is None else 0.0,
        blur_px=USUAL_BLUR_PX if blur is None else blur,
        calibrated=reading.found,
        flags=(*_photo_flags(photo, reading, scale, blur), *made.flags),
        ignore=_ignored(outlines, reading),
        flats=_flats(photo, reading, xyz_of(fit, light), job, mm),
    )
    return Prepared(
        scene=scene,
        outlines=outlines,
        reading=reading,
        spec=spec,
        blur_px=blur,
        problems=problems,
        drawing=made.told,
    )


def carried_over(job: Job, entry: PhotoEntry) -> Undrawn:
    """Outlines of an earlier photo carried over to one that has none; nothing is proposed.

    Raises
    ------
    FullhideError
        If the photo cannot be opened.
    """
    shot, _ = shot_of(job, entry, None)
    return undrawn(shot, job, entry, opener=lambda one: shot_of(job, one, None), proposing=False)


def shot_of(job: Job, entry: PhotoEntry, mm_per_px: float | None) -> tuple[Shot, float | None]:
    """A photo with its chart and colours, and its scale.

    Raises
    ------
    FullhideError
        If it cannot be opened.
    """
    opened = open_entry(job, entry)
    fit = colour_fit(
        opened.reading,
        spec=opened.spec,
        field=flat_field(opened.photo, reading=opened.reading, polygons=[], board=opened.board),
    )
    scale = mm_per_px if mm_per_px is not None else opened.reading.mm_per_px
    return Shot(photo=opened.photo, reading=opened.reading, fit=fit), scale


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


def _marked(outlines: tuple[RegionOutline, ...]) -> Polygon | None:
    return next((o.polygon for o in outlines if o.kind == "chart"), None)


def _same(one: Polygon | None, other: Polygon | None) -> bool:
    if one is None or other is None:
        return one is other
    return bool(np.array_equal(one, other))


def _flats(
    photo: Photo, reading: ChartReading, to_xyz: ToXYZ, job: Job, mm_per_px: float
) -> Flats | None:
    """What noise does on the chart's patches, where sheen is asked for and there is a chart."""
    if job.limits.sheen is None or not reading.found:
        return None
    factor = work_factor(mm_per_px, job.limits.show_through_mm2)
    return flats_of(
        photo,
        to_xyz=to_xyz,
        patches=reading.centres_px,
        factor=factor,
        mm_per_px=mm_per_px * factor,
    )


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


def _ignored(outlines: tuple[RegionOutline, ...], reading: ChartReading) -> tuple[Polygon, ...]:
    polygons = [o.polygon for o in outlines if o.kind in ("ignore", "chart")]
    if reading.found:
        polygons.append(_with_rim(reading.corners_px))
    if reading.card.found:
        polygons.append(_with_rim(reading.card.corners_px))
    return tuple(polygons)


def _with_rim(corners: Polygon) -> Polygon:
    """A chart's or card's corners moved outwards, past the blur of its dark edge."""
    off = corners - corners.mean(axis=0)
    reach = np.linalg.norm(off, axis=1, keepdims=True)
    return np.asarray(corners + off / np.maximum(reach, 1e-9) * _RIM_PX * np.sqrt(2.0))
