"""Lay re-shot photos over the earlier ones whose spots they have to answer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import hypot

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.carry import Shot, carry_map
from fullhide.errors import FullhideError
from fullhide.job import Job
from fullhide.opened import shot_of
from fullhide.outlines import RegionOutline
from fullhide.record import Carried, KeptInspection, Record
from fullhide.standing import standing

__all__ = ["follow"]

Points = NDArray[np.float64]

#: Points a side at which a map is read off over a region, to write it as one homography.
_GRID = 7
_FEWEST = 8
#: A dozen megapixels each.
_MOST_OPEN = 3


def follow(job: Job, *, photos: set[str], by: str) -> None:
    """Lay photos over the earlier ones whose spots they have to answer, and keep how they lie.

    Parameters
    ----------
    job
        With its record.
    photos
        SHA-256 of the later photos to do this for.
    by
        Who inspects.

    Raises
    ------
    FullhideError
        If the record cannot be read or written. A photo that cannot be opened any more is left
        out: its spots are then answered by their places in the outlines alone.
    """
    record = Record(job.folder)
    known = {(c.earlier, c.later, c.region.casefold()) for c in record.read().carried}
    opened: dict[str, Shot | None] = {}
    for region, earlier, later in _pairs(job, photos):
        key = (earlier.photo.sha256, later.photo.sha256, region.casefold())
        outline = earlier.outline(region)
        if key in known or outline is None:
            continue
        known.add(key)
        first, second = _open(job, earlier, opened), _open(job, later, opened)
        if first is not None and second is not None:
            record.add_carried(_carried(region, earlier, later, first, second, outline), by=by)


def _pairs(job: Job, photos: set[str]) -> Iterator[tuple[str, KeptInspection, KeptInspection]]:
    """Each region with an earlier photo and a later one that has to answer for its spots."""
    for region in standing(job).regions:
        for place, one in enumerate(region.rounds):
            if one.inspection.photo.sha256 not in photos:
                continue
            asked = {spot.earlier_file or "" for spot in one.spots if spot.earlier is not None}
            # A photo that was replaced under its name comes before the one that replaced it.
            before = {e.inspection.photo.file: e.inspection for e in region.rounds[:place]}
            for file in sorted(asked & before.keys()):
                yield region.name, before[file], one.inspection


def _open(job: Job, kept: KeptInspection, opened: dict[str, Shot | None]) -> Shot | None:
    """The photo as it was inspected; None if it is gone or another lies in its place."""
    sha256 = kept.photo.sha256
    if sha256 not in opened:
        while len(opened) >= _MOST_OPEN:
            del opened[next(iter(opened))]
        entry = next((entry for entry in job.photos if entry.file == kept.photo.file), None)
        opened[sha256] = None
        if entry is not None:
            try:
                shot, _ = shot_of(job, entry, None)
            except FullhideError:
                return None
            opened[sha256] = shot if shot.photo.sha256 == sha256 else None
    return opened[sha256]


def _carried(
    region: str,
    earlier: KeptInspection,
    later: KeptInspection,
    first: Shot,
    second: Shot,
    outline: RegionOutline,
) -> Carried:
    found = carry_map(first, second, [outline.polygon], mm_per_px=earlier.photo.mm_per_px)
    none = Carried(
        earlier=earlier.photo.sha256, later=later.photo.sha256, region=region, found=False
    )
    if not found.found:
        return replace(none, why=found.reason)
    low, high = outline.polygon.min(axis=0), outline.polygon.max(axis=0)
    xs, ys = np.linspace(low[0], high[0], _GRID), np.linspace(low[1], high[1], _GRID)
    start: Points = np.array([(x, y) for y in ys for x in xs])
    end = found.to_later(start)
    seen = np.isfinite(end).all(axis=1)
    matrix = cv2.findHomography(start[seen], end[seen], 0)[0] if seen.sum() >= _FEWEST else None
    if matrix is None:
        return replace(none, why="the region lies out of sight")
    plain = replace(none, found=True, matrix=tuple(float(v) for v in matrix.ravel()))
    flat = np.array([plain.to_later((float(x), float(y))) for x, y in start[seen]])
    bent = float(np.sqrt(np.square(flat - end[seen]).sum(axis=1).mean()))
    size = float(np.linalg.norm(np.ptp(end[seen], axis=0)) / np.linalg.norm(high - low))
    return replace(plain, doubt_px=hypot(bent, (found.residual_px or 0.0) * size))
