"""Outlines for a photo that nobody drew in: carried over from an earlier photo, or proposed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fullhide.carry import Carried, Shot, carry_outlines
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry, stage_rank
from fullhide.outlines import RegionOutline, check_drawn, check_outline
from fullhide.propose import propose

__all__ = ["Undrawn", "earlier_photos", "undrawn"]

#: So many earlier photos are tried, the latest first; each costs as much as opening it.
_MOST_TRIED = 3

#: Opens an earlier photo of the job, and gives its scale where it has one.
Opener = Callable[[PhotoEntry], tuple[Shot, float | None]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Undrawn:
    """Outlines of a photo that nobody drew in.

    Attributes
    ----------
    outlines
        All with the property ``proposed``, those from another photo also with ``carried``: that
        photo's `file`. Empty where none could be made.
    flags
        Names of `quality.FLAGS`: what is to be said of it.
    told
        For the JSON's ``quality.outlines``: where they come from, how well it fits, what was
        refused and why.
    """

    outlines: tuple[RegionOutline, ...] = ()
    flags: tuple[str, ...] = ()
    told: dict[str, Any]


def undrawn(
    shot: Shot,
    job: Job,
    entry: PhotoEntry,
    *,
    opener: Opener,
    mm_per_px: float | None = None,
    proposing: bool = True,
    rough: bool = False,
) -> Undrawn:
    """Carry the outlines of an earlier photo of the part over, or propose some.

    Parameters
    ----------
    shot
        The photo, its chart and its colours.
    job, entry
        The job, and the photo in it.
    opener
        Opens an earlier photo of the job.
    mm_per_px
        Scale of the photo that overrides the chart's.
    proposing
        Whether to propose an outline where none can be carried over.
    rough
        Only where the part lies, and quickly: nothing is carried over, no seam looked for.

    Returns
    -------
    Undrawn
        Carried outlines where the surfaces of the two photos agree; else a proposal.
    """
    refused: list[dict[str, Any]] = []
    for earlier in () if rough else earlier_photos(job, entry)[:_MOST_TRIED]:
        carried = _carried(shot, job, entry, earlier, opener)
        if carried.outlines:
            return _taken(carried, earlier, refused)
        refused.append({"photo": earlier.file, "why": carried.reason})
    flags = ("not_carried",) if refused else ()
    outlines: tuple[RegionOutline, ...] = ()
    if proposing:
        outlines = propose(
            shot.photo,
            file=entry.file,
            reading=shot.reading,
            fit=shot.fit,
            mm_per_px=mm_per_px or shot.reading.mm_per_px,
            under=[colour.lab for colour in job.under],
            finish=job.finish.lab if job.finish else None,
            part=entry.part,
            rough=rough,
        )
        flags = flags if outlines else (*flags, "nothing_proposed")
    told: dict[str, Any] = {"from": "proposed" if outlines else "none"}
    if refused:
        told["refused"] = refused
    return Undrawn(outlines=outlines, flags=flags, told=told)


def earlier_photos(job: Job, entry: PhotoEntry) -> tuple[PhotoEntry, ...]:
    """Photos of the same part, taken before and with outlines, the latest first.

    They are taken in the order of the stages of work, within a stage by the time they were shot
    where both have one, and else as `job.toml` lists them.
    """
    if entry.part is None:
        return ()
    part = entry.part.casefold()
    listed = {photo.file: number for number, photo in enumerate(job.photos)}
    own = listed.get(entry.file, len(listed))

    def before(one: PhotoEntry, number: int) -> bool:
        stages = _stage(one), _stage(entry)
        if stages[0] != stages[1]:
            return stages[0] < stages[1]
        if one.shot and entry.shot and one.shot != entry.shot:
            return one.shot < entry.shot
        return number < own

    found = [
        (number, photo)
        for number, photo in enumerate(job.photos)
        if photo.file != entry.file
        and (photo.part or "").casefold() == part
        and any(o.kind not in ("chart", "ignore") for o in job.outlines_of(photo.file))
        and before(photo, number)
    ]
    found.sort(key=lambda pair: (_stage(pair[1]), pair[1].shot or "", pair[0]), reverse=True)
    return tuple(photo for _, photo in found)


def _stage(entry: PhotoEntry) -> tuple[int, int]:
    return stage_rank(entry.stage, entry.coat)


def _carried(
    shot: Shot, job: Job, entry: PhotoEntry, earlier: PhotoEntry, opener: Opener
) -> Carried:
    try:
        first, scale = opener(earlier)
        outlines = [check_outline(o, first.photo.size_px) for o in job.outlines_of(earlier.file)]
    except FullhideError as error:
        # It is told of where it is inspected itself.
        return Carried(outlines=(), reason=f"it cannot be used: {error.problem}")
    return carry_outlines(first, outlines, shot, file=entry.file, mm_per_px=scale)


def _taken(carried: Carried, earlier: PhotoEntry, refused: list[dict[str, Any]]) -> Undrawn:
    good, left = [], list(carried.left_out)
    for outline in carried.outlines:
        try:
            check_drawn([outline])
        except FullhideError:
            left.append(outline.name)
        else:
            good.append(outline)
    told: dict[str, Any] = {
        "from": "carried",
        "photo": earlier.file,
        "residual_px": carried.residual_px,
        "residual_mm": carried.residual_mm,
        "left_out": left,
    }
    if refused:
        told["refused"] = refused
    flags = ("carried_in_part",) if left else ()
    return Undrawn(outlines=tuple(good), flags=flags, told=told)
