"""Many photos at once: the same inspections in several processes, or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fullhide import __version__
from fullhide._batch_cluster import on_cluster
from fullhide._batch_pool import Lost, in_order, usual_workers
from fullhide.errors import FullhideError, PhotoError
from fullhide.job import Job, PhotoEntry
from fullhide.lights import with_lights
from fullhide.outlines import RegionOutline
from fullhide.result import JobResult, PhotoResult
from fullhide.tint_job import tinted, with_tints

__all__ = ["Outcome", "Task", "inspect_many", "inspect_one", "usual_workers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One photo to inspect, wherever that is done.

    Attributes
    ----------
    job, entry, mm_per_px
        As `engine.inspect_photo` takes them.
    mask, overlay
        Whether these pictures are wanted.
    fullhide
        Version of this program that asks.
    """

    job: Job
    entry: PhotoEntry
    mm_per_px: float | None = None
    mask: bool = False
    overlay: bool = False
    fullhide: str = __version__


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a task; small beside the photo.

    Attributes
    ----------
    result
        None for a photo that could not be inspected.
    outlines
        Those that were inspected.
    problems
        Why, and outlines that could not be used.
    mask, overlay
        The pictures as PNG files; None where none was wanted.
    """

    result: PhotoResult | None = None
    outlines: tuple[RegionOutline, ...] = ()
    problems: tuple[FullhideError, ...] = ()
    mask: bytes | None = field(default=None, repr=False)
    overlay: bytes | None = field(default=None, repr=False)


def inspect_one(task: Task) -> Outcome:
    """Inspect one photo in a process of its own; whatever goes wrong is the photo's own problem."""
    path = task.job.path(task.entry.file)
    if task.fullhide != __version__:
        problem = f"was sent to fullhide {__version__} by fullhide {task.fullhide}"
        return _failed(PhotoError(path, problem, "install the same version everywhere"))
    try:
        return _inspected(task)
    except FullhideError as error:
        return _failed(error)
    except MemoryError:
        return _failed(PhotoError(path, "needs more memory than is free", "give --workers 1"))
    except Exception as error:  # noqa: BLE001 - one photo's fault must not stop the others
        problem = f"could not be inspected, a fault in fullhide ({type(error).__name__}: {error})"
        return _failed(PhotoError(path, problem, "report it with this photo"))


def _failed(error: FullhideError) -> Outcome:
    return Outcome(problems=(error,))


def _inspected(task: Task) -> Outcome:
    import cv2

    from fullhide.engine import inspect_photo
    from fullhide.pictures import mask_png, overlay_png

    # The processes share the cores out; threads within them would only wait for each other.
    cv2.setNumThreads(1)
    result, artifacts, problems = inspect_photo(
        task.job, task.entry, mm_per_px=task.mm_per_px, threads=1
    )
    return Outcome(
        result=result,
        outlines=artifacts.outlines,
        problems=problems,
        mask=mask_png(artifacts) if task.mask else None,
        overlay=overlay_png(tinted(task.job, result), artifacts) if task.overlay else None,
    )


def inspect_many(
    jobs: Sequence[Job],
    *,
    workers: int = 1,
    scheduler: str | None = None,
    mm_per_px: float | None = None,
    mask: bool = False,
    overlay: bool = False,
    on_outcome: Callable[[int, Outcome], None] | None = None,
    work: Callable[[Task], Outcome] = inspect_one,
) -> list[JobResult]:
    """Inspect the photos of jobs in several processes.

    Parameters
    ----------
    jobs
        From `job.load_job` or `job.loose_job`.
    workers
        Number of processes on this machine.
    scheduler
        Address of a dask.distributed scheduler, whose cluster does the work instead; its workers
        have to see the photos under the same paths.
    mm_per_px
        Scale that overrides the charts'.
    mask, overlay
        Whether these pictures are wanted.
    on_outcome
        Called in this process with the job's number and each photo's outcome, one at a time and
        in the photos' order.
    work
        What is done with each task.

    Returns
    -------
    list of JobResult
        As `engine.inspect_job` gives them, in the jobs' order.

    Raises
    ------
    JobError
        The cluster cannot be used; nothing has been inspected then.
    """
    asked = [
        Task(job=job, entry=entry, mm_per_px=mm_per_px, mask=mask, overlay=overlay)
        for job in jobs
        for entry in job.photos
    ]
    owners = [number for number, job in enumerate(jobs) for _ in job.photos]
    photos: list[list[PhotoResult]] = [[] for _ in jobs]
    problems: list[list[FullhideError]] = [list(job.problems) for job in jobs]
    with closing(_outcomes(asked, work, workers, scheduler)) as outcomes:
        for number, outcome in zip(owners, outcomes, strict=True):
            problems[number].extend(outcome.problems)
            if outcome.result is not None:
                photos[number].append(outcome.result)
            if on_outcome is not None:
                on_outcome(number, outcome)
    results = [
        JobResult(
            job=job.name,
            fullhide=__version__,
            photos=tuple(photos[number]),
            problems=tuple(problems[number]),
        )
        for number, job in enumerate(jobs)
    ]
    return [
        with_tints(job, with_lights(job, result)) for job, result in zip(jobs, results, strict=True)
    ]


def _outcomes(
    tasks: Sequence[Task],
    work: Callable[[Task], Outcome],
    workers: int,
    scheduler: str | None,
) -> Generator[Outcome, None, None]:
    answers: Generator[Any, None, None]
    if scheduler is None:
        answers = in_order(work, tasks, workers=workers)
    else:
        # Workers elsewhere know nothing of the folder that the command was called in.
        sent = [replace(t, job=replace(t.job, folder=t.job.folder.resolve())) for t in tasks]
        answers = on_cluster(work, sent, address=scheduler)
    with closing(answers):
        for task, answer in zip(tasks, answers, strict=True):
            if isinstance(answer, Lost):
                path = task.job.path(task.entry.file)
                yield _failed(PhotoError(path, answer.problem, answer.remedy))
            elif scheduler is None:
                yield answer
            else:
                yield replace(answer, problems=_at_home(answer.problems, task.job.folder))


def _at_home(problems: tuple[FullhideError, ...], folder: Path) -> tuple[FullhideError, ...]:
    """Problems with the files named as the person named them."""
    there, here = f"{folder.resolve()}/", "" if folder == Path() else f"{folder}/"
    return tuple(
        type(p)(p.where.replace(there, here, 1), p.problem, p.remedy, line=p.line)
        if p.where.startswith(there)
        else p
        for p in problems
    )
