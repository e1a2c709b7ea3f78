"""A reference part that another photo of the job shows by itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from threading import Lock

from fullhide.checks.apart import MATCH_APART, Calibrated, Reference
from fullhide.errors import FullhideError
from fullhide.job import Job, Limits, PhotoEntry, TypedReference
from fullhide.judge import Scene, reference_colour, region_flags
from fullhide.lights import same_light
from fullhide.opened import Prepared, open_entry, prepared
from fullhide.quality import FLAGS, blocking

__all__ = ["no_colour", "reference_elsewhere", "typed_reference"]

_JUDGED = frozenset({"panel", "seam", "edge"})
_FINISHED = ("topcoat", "final")
#: Colours read by this process, by all that they hang on: a job's photos ask for the same one.
_KEPT: dict[str, Reference] = {}
_MOST = 64
_LOCK = Lock()


def reference_elsewhere(job: Job, entry: PhotoEntry) -> Reference | None:
    """What a photo without a reference is compared with.

    Parameters
    ----------
    job, entry
        The job; the photo.

    Returns
    -------
    Reference or None
        From a photo in which someone drew a reference and nothing to judge: of those of the same
        part first, in the job's order, the first that tells its colour. Photos whose lights are
        named, and named otherwise, are not compared: where there is no other one, its problem says
        so. None where the job has no such photo, or where this photo is not of a finished part.
    """
    if entry.stage not in _FINISHED:
        return None
    named = entry.part is not None
    entries = sorted(
        (one for one in job.photos if _by_itself(job, one) and one.file != entry.file),
        key=lambda one: not (named and one.part == entry.part),
    )
    here = [one for one in entries if same_light(one.light, entry.light)]
    if entries and not here:
        return _in_another_light(job, entry, entries[0])
    entries = here
    found = [_told(job, one) for one in entries[:1]]
    for one in entries[1:]:
        if found[-1].colour is not None:
            break
        found.append(_told(job, one))
    if not found:
        return None
    best = found[-1] if found[-1].colour is not None else found[0]
    return replace(best, beside=frozenset(_beside(job, entry)))


def typed_reference(job: Job, entry: PhotoEntry, region: str) -> TypedReference | None:
    """The typed colour that a region of a photo without a reference is compared with.

    None as well where the photo is not of a finished part, or where another photo shows the region
    beside a reference: that settles it.
    """
    found = job.reference(entry.part, region)
    if found is None or entry.stage not in _FINISHED or region in _beside(job, entry):
        return None
    return found


def _in_another_light(job: Job, entry: PhotoEntry, other: PhotoEntry) -> Reference:
    """No partner: what differs between the photos would be the lights' as well as the colours'."""
    problem = f"it was taken in {other.light}, this one in {entry.light}"
    # A region that any photo shows beside a reference is told of there, in that light.
    beside = _beside(job, replace(entry, light=None))
    return Reference(file=other.file, colour=None, problem=problem, beside=frozenset(beside))


def _by_itself(job: Job, entry: PhotoEntry) -> bool:
    kinds = {outline.kind for outline in job.outlines_of(entry.file)}
    return "reference" in kinds and not kinds & _JUDGED


def _beside(job: Job, entry: PhotoEntry) -> Iterator[str]:
    """Names of regions shown by a reference in a photo of this part, stage of work and light."""
    if entry.part is None:
        return
    for other in job.photos:
        same = (other.part, other.stage, other.coat) == (entry.part, entry.stage, entry.coat)
        if same and same_light(other.light, entry.light):
            outlines = job.outlines_of(other.file)
            if any(outline.kind == "reference" for outline in outlines):
                yield from (outline.name for outline in outlines)


def _told(job: Job, entry: PhotoEntry) -> Reference:
    """The reference's colour; kept, so that a run opens its photo once a process."""
    try:
        stamps = []
        for file in filter(None, (entry.file, entry.grey_board)):
            stat = job.path(file).stat()
            stamps.append((stat.st_mtime_ns, stat.st_size))
    except OSError:
        return Reference(file=entry.file, colour=None, problem="that photo cannot be opened")
    drawn = [
        (o.kind, o.polygon.tolist(), [hole.tolist() for hole in o.holes])
        for o in job.outlines_of(entry.file)
    ]
    key = repr((job.folder.resolve(), entry, stamps, job.chart, job.card, drawn))
    with _LOCK:
        if key not in _KEPT:
            if len(_KEPT) >= _MOST:
                _KEPT.clear()
            _KEPT[key] = _read(job, entry)
        return _KEPT[key]


def _read(job: Job, entry: PhotoEntry) -> Reference:
    try:
        ready = prepared(open_entry(job, entry), job, entry)
        scene = ready.scene
        patch = reference_colour(scene, ready.outlines)
        problem = _problem(ready)
    except FullhideError:
        return Reference(file=entry.file, colour=None, problem="that photo cannot be used")
    if patch is None:
        return Reference(file=entry.file, colour=None, problem="too little of it can be seen there")
    if problem:
        return Reference(file=entry.file, colour=None, problem=f"in that photo {problem}")
    seen = Calibrated(patch=patch, fit=scene.fit, light=scene.field.source)
    return Reference(file=entry.file, colour=seen)


def _problem(ready: Prepared) -> str:
    """What forbids to take a colour from the photo; empty where nothing does."""
    scene, limits = ready.scene, Limits()
    flags = list(scene.flags)
    for outline in ready.outlines:
        if outline.kind == "reference":
            flags.extend(region_flags(scene, scene.view(outline, limits), outline, limits))
    return no_colour(scene, flags)


def no_colour(scene: Scene, flags: Iterable[str]) -> str:
    """What of a photo's flags forbids to take a colour from it; empty where nothing does."""
    flags = list(flags)
    held = [flag for check in MATCH_APART for flag in blocking(flags, check)]
    if held:
        return held[0].says
    if "clipped" in flags:
        return FLAGS["clipped"].says
    return "" if scene.calibrated else FLAGS["no_chart"].says
