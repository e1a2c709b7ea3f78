"""Run jobs through the engine and write pictures as they come."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from fullhide import __version__
from fullhide.console import progress_bar
from fullhide.errors import FullhideError, OutputError
from fullhide.files import ready_folder
from fullhide.job import JOB_FILE, Job
from fullhide.keeper import Keeper
from fullhide.outlines import OUTLINES_FILE
from fullhide.pictures import Pictures
from fullhide.record import RECORD_FILE
from fullhide.result import JobResult, LightReading, PhotoResult

if TYPE_CHECKING:
    from fullhide.engine import PhotoArtifacts

__all__ = ["json_target", "merged", "run_jobs"]


def run_jobs(
    jobs: Sequence[Job],
    *,
    masks: Path | None = None,
    overlays: Path | None = None,
    mm_per_px: float | None = None,
    by: str | None = None,
    workers: int = 1,
    scheduler: str | None = None,
) -> list[JobResult]:
    """Inspect `jobs`, one photo after another or several at once.

    Parameters
    ----------
    masks, overlays
        Folders for the pictures; None writes none.
    mm_per_px
        Scale, where no chart tells it.
    by
        Who inspects: each finished inspection is kept under this name in the record of its job
        folder. None keeps nothing.
    workers
        Processes that inspect at the same time; pictures and records are written by this one.
    scheduler
        Address of a dask.distributed scheduler that shares the photos out instead.

    Returns
    -------
    list
        One result a job, in the same order. A picture that could not be written is among the
        last one's problems, inspections that could not be kept are among their own job's.

    Raises
    ------
    OutputError
        If a target folder cannot be used; nothing has been inspected then.
    JobError
        If the cluster cannot be used; nothing has been inspected then.
    """
    paths = [job.path(entry.file) for job in jobs for entry in job.photos]
    pictures = Pictures(paths, masks=masks, overlays=overlays)
    if not paths:
        return [
            JobResult(job=job.name, fullhide=__version__, problems=job.problems) for job in jobs
        ]
    keepers = {
        number: Keeper(job, by, mm_per_px)
        for number, job in enumerate(jobs)
        if by is not None and not job.loose
    }
    inspect = _one_by_one if workers == 1 and scheduler is None else _at_once
    with progress_bar(len(paths)) as step:
        results = inspect(
            jobs,
            pictures,
            keepers,
            step,
            mm_per_px=mm_per_px,
            workers=workers,
            scheduler=scheduler,
        )
    if pictures.problems:
        results[-1] = replace(results[-1], problems=(*results[-1].problems, *pictures.problems))
    return results


def _one_by_one(
    jobs: Sequence[Job],
    pictures: Pictures,
    keepers: Mapping[int, Keeper],
    step: Callable[..., None],
    *,
    mm_per_px: float | None,
    **_: object,
) -> list[JobResult]:
    # Only now: loading the engine takes a moment, and a mistyped folder should show at once.
    from fullhide.engine import inspect_job
    from fullhide.tint_job import tinted

    results: list[JobResult] = []
    for number, job in enumerate(jobs):
        keeper = keepers.get(number)

        def on_photo(
            photo: PhotoResult,
            artifacts: PhotoArtifacts,
            job: Job = job,
            keeper: Keeper | None = keeper,
        ) -> None:
            # First of all: pictures can be drawn again.
            if keeper is not None:
                keeper.keep(photo, artifacts.outlines)
            pictures.write(job.path(photo.file), tinted(job, photo), artifacts)

        result = inspect_job(job, mm_per_px=mm_per_px, on_photo=on_photo, progress=step)
        results.append(_finished(result, keeper))
    return results


def _at_once(
    jobs: Sequence[Job],
    pictures: Pictures,
    keepers: Mapping[int, Keeper],
    step: Callable[..., None],
    *,
    mm_per_px: float | None,
    workers: int,
    scheduler: str | None,
) -> list[JobResult]:
    from fullhide.batch import Outcome, inspect_many

    def on_outcome(number: int, outcome: Outcome) -> None:
        if outcome.result is not None:
            if number in keepers:
                keepers[number].keep(outcome.result, outcome.outlines)
            path = jobs[number].path(outcome.result.file)
            pictures.write_made(path, mask=outcome.mask, overlay=outcome.overlay)
        step()

    results = inspect_many(
        jobs,
        workers=workers,
        scheduler=scheduler,
        mm_per_px=mm_per_px,
        mask=pictures.masks,
        overlay=pictures.overlays,
        on_outcome=on_outcome,
    )
    return [_finished(result, keepers.get(number)) for number, result in enumerate(results)]


def _finished(result: JobResult, keeper: Keeper | None) -> JobResult:
    kept = () if keeper is None else _followed(keeper)
    return replace(result, problems=(*result.problems, *kept))


def _followed(keeper: Keeper) -> tuple[FullhideError, ...]:
    """Finish a job's record, and lay its re-shot photos over the earlier ones."""
    problems = keeper.finish()
    if keeper.kept and not problems:
        from fullhide.follow import follow

        try:
            follow(keeper.job, photos=keeper.kept, by=keeper.by)
        except FullhideError as error:
            return (error,)
    return problems


def merged(
    jobs: Sequence[Job], results: Sequence[JobResult], problems: Sequence[FullhideError] = ()
) -> JobResult:
    """Return one result for the whole run, its problems after `problems`.

    A single job stays as it is. With several, each photo's `file` is written from where the
    command was called, so that two jobs' photos cannot be confused.
    """
    if len(results) == 1:
        return replace(results[0], problems=(*problems, *results[0].problems))
    photos = [
        replace(photo, file=str(job.path(photo.file)))
        for job, result in zip(jobs, results, strict=True)
        for photo in result.photos
    ]
    named = [(job, r.lights) for job, r in zip(jobs, results, strict=True) if r.lights is not None]
    lights = tuple(
        replace(found, readings=tuple(_from_here(job, one) for one in found.readings))
        for job, told in named
        for found in told
    )
    return JobResult(
        job="; ".join(result.job for result in results),
        fullhide=__version__,
        photos=tuple(photos),
        problems=(*problems, *(item for result in results for item in result.problems)),
        lights=lights if named else None,
    )


def _from_here(job: Job, reading: LightReading) -> LightReading:
    return replace(reading, file=str(job.path(reading.file)))


def json_target(target: str | None, jobs: Sequence[Job]) -> str | None:
    """Return where the JSON goes, checked before the work begins.

    Raises
    ------
    OutputError
        If the folder cannot be written to, or an input of the job would be overwritten.
    """
    if target is None or target == "-":
        return target
    path = Path(target)
    if path.is_dir():
        raise OutputError(path, "is a folder", "name a file in it")
    ready_folder(path.parent)
    for job in jobs:
        names = [JOB_FILE, OUTLINES_FILE, RECORD_FILE, *filter(None, [job.tints])]
        inputs = [job.folder / name for name in names]
        inputs += [
            job.path(file)
            for entry in job.photos
            for file in (entry.file, *entry.also, *filter(None, [entry.grey_board]))
        ]
        if path.exists() and any(item.exists() and item.samefile(path) for item in inputs):
            raise OutputError(path, "is part of the job", "name another file for the JSON")
    return target
