"""Tint help for a job's matches: what the shop's tinters could do about a colour that is off.

The dye is the region's own colour as its photo shows it, the colour wanted its reference's; both
were read under one light, so what is in doubt of their difference is the match's own doubt.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fullhide.checks.match import Difference
from fullhide.colour import delta_e00
from fullhide.errors import FullhideError
from fullhide.files import why
from fullhide.job import Job
from fullhide.quality import blocking
from fullhide.result import JobResult, Measure, PhotoResult, RegionResult, TintHint
from fullhide.tint import Tint, Wish, tint
from fullhide.tint_words import hint_words
from fullhide.wording import may_hold_airbag

if TYPE_CHECKING:
    from fullhide.standing import Standing
    from fullhide.tint_file import Shelf

__all__ = ["Tinting", "standing_tints", "tinted", "tinting_of", "with_tints"]

#: A region whose colour lies farther than this from the dye that the tint file describes is dyed
#: with another one, ΔE00 (our own choice).
_ANOTHER_DYE = 12.0
#: Mean CIEDE2000 over a standard deviation of each axis where the true difference is nought.
_MEAN_OF_NOISE = 1.596
_AXES = ("L", "a", "b")


class Tinting:
    """The tinters that a job names; says what they could do about a region's match.

    Parameters
    ----------
    job
        Whose parts may hold airbags.
    shelf
        Its tinters; None where it names no file, or none that can be used.
    problem
        Why the file cannot be used.
    """

    def __init__(self, job: Job, shelf: Shelf | None, problem: FullhideError | None) -> None:
        self._job, self._shelf, self.problem = job, shelf, problem

    def hint(self, region: RegionResult, photo: PhotoResult | None) -> TintHint | None:
        """What to try; None where nothing is off, or it cannot be told, or no work is advised.

        Parameters
        ----------
        region
            As it was judged in `photo`.
        photo
            Whose chart says how far a colour by itself is in doubt.
        """
        shelf, job = self._shelf, self._job
        airbag = job.airbag(region.part) or may_hold_airbag(region.name, region.part)
        if shelf is None or airbag or blocking(region.flags, "match"):
            return None
        off = _off(region.measures)
        if off is None:
            return None
        dye, wanted, apart = off
        own = shelf.dye_lab
        if own is not None and float(delta_e00(np.array(own), np.array(dye))) > _ANOTHER_DYE:
            return None
        residual = photo.chart.residual_delta_e if photo is not None else None
        doubt = (residual or 0.0) / _MEAN_OF_NOISE
        found = _tried(
            replace(
                shelf.wish,
                dye=replace(shelf.wish.dye, lab=dye),
                wanted=wanted,
                apart=apart,
                dye_u=float(np.hypot(shelf.wish.u, doubt)),
            )
        )
        return _hint(found)


@lru_cache(maxsize=64)
def _tried(wish: Wish) -> Tint:
    """The window asks again each time that a region is looked at."""
    return tint(wish)


def _hint(found: Tint) -> TintHint | None:
    if found.state not in ("add", "out of reach"):
        return None
    return TintHint(
        state=found.state,
        says=hint_words(found),
        additions=tuple((a.tinter, a.parts, a.at_least, a.at_most) for a in found.additions),
        after=None if found.after is None else _ends(found.after),
    )


def _ends(found: Difference) -> tuple[float, float, float]:
    return found.value, found.at_least, found.at_most


Lab = tuple[float, float, float]
Square = tuple[Lab, Lab, Lab]
Place = tuple[str | None, str]


def _off(measures: Mapping[str, Measure]) -> tuple[Lab, Lab, Square] | None:
    """The panel's colour, its reference's and their difference's covariance; None where within."""
    told = measures.get("match_delta_e")
    at_most = measures["match_at_most"].value if "match_at_most" in measures else None
    if told is None or told.limit is None or at_most is None or at_most <= told.limit:
        return None
    needed = [f"match_{part}{axis}" for part in ("", "d") for axis in _AXES] + ["match_ab"]
    values = [measures[key].value if key in measures else None for key in needed]
    known = [value for value in values if value is not None]
    if len(known) < len(needed):  # of a record that an older version wrote
        return None
    u = np.array([measures[f"match_d{axis}"].u or 0.0 for axis in _AXES])
    alike = np.eye(3)
    alike[1, 2] = alike[2, 1] = known[6]
    dye, off = np.array(known[:3]), np.array(known[3:6])
    return _three(dye), _three(dye - off), _square(alike * np.outer(u, u))


def _three(values: Iterable[float]) -> Lab:
    one, two, three = (float(value) for value in values)
    return one, two, three


def _square(rows: Iterable[Iterable[float]]) -> Square:
    one, two, three = (_three(row) for row in rows)
    return one, two, three


def tinting_of(job: Job) -> Tinting:
    """The job's tinters, read once a process and file; without any where it names none."""
    if job.tints is None:
        return Tinting(job, None, None)
    path = job.folder / job.tints
    try:
        return Tinting(job, _shelf(path, _stamp(path)), None)
    except FullhideError as error:
        return Tinting(job, None, error)


def _stamp(path: Path) -> str:
    try:
        state = path.stat()
    except OSError as error:
        return why(error)
    return f"{state.st_mtime_ns} {state.st_size}"


@lru_cache(maxsize=16)
def _shelf(path: Path, stamp: str) -> Shelf:
    """The file as it is at a moment."""
    from fullhide.tint_file import read_shelf

    del stamp
    return read_shelf(path)


def standing_tints(standing: Standing) -> tuple[dict[Place, TintHint], FullhideError | None]:
    """Tint help by part and region, of each region's newest photo; and why there is none."""
    tinting = tinting_of(standing.job)
    hints: dict[Place, TintHint] = {}
    for region in standing.regions:
        if region.newest is not None and not region.airbag:
            hint = tinting.hint(region.newest.result, region.newest.inspection.photo)
            if hint is not None:
                hints[region.part, region.name] = hint
    return hints, tinting.problem


def with_tints(job: Job, result: JobResult) -> JobResult:
    """The result with tint help beside each match that is off, and what is wrong with its file."""
    if job.tints is None:
        return result
    problem = tinting_of(job).problem
    problems = (*result.problems, *filter(None, [problem]))
    photos = tuple(tinted(job, photo) for photo in result.photos)
    return replace(result, photos=photos, problems=problems)


def tinted(job: Job, photo: PhotoResult) -> PhotoResult:
    """One photo of it, for its overlay."""
    if job.tints is None:
        return photo
    tinting = tinting_of(job)
    regions = tuple(replace(r, tint=tinting.hint(r, photo)) for r in photo.regions)
    return replace(photo, regions=regions)
