"""Which job a photo belongs to: the folder that it lies in, or one above."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from fullhide.errors import FullhideError
from fullhide.job import JOB_FILE, ChartSettings, Job, PhotoEntry, load_job, loose_job

__all__ = ["job_folder", "job_with", "jobs_of"]

_UP = 3  # folders that a photo may lie below its job: photos/, photos/day/


def job_folder(path: Path) -> Path | None:
    """The job folder that a photo or folder is in, or is itself; None outside of any."""
    here = path.absolute()
    for folder in (here, *here.parents[:_UP]):
        if (folder / JOB_FILE).is_file():
            return folder
    return None


def job_with(job: Job, path: Path) -> Job:
    """A job of one photo only: as job.toml has it, or as a final photo that it does not name yet.

    Parameters
    ----------
    job
        A loaded job folder.
    path
        A photo inside that folder.
    """
    here = path.absolute()
    for entry in job.photos:
        if job.path(entry.file).absolute() == here:
            return replace(job, photos=(entry,), problems=())
    file = here.relative_to(job.folder.absolute()).as_posix()
    return replace(job, photos=(PhotoEntry(file=file),), problems=())


def jobs_of(
    targets: Sequence[Path], *, chart: ChartSettings | None = None
) -> tuple[list[Job], list[FullhideError]]:
    """Jobs to look through: folders whole, photos with what the job says that they lie in.

    Parameters
    ----------
    targets
        Job folders, or photos.
    chart
        For photos outside any job folder.

    Returns
    -------
    jobs, problems
        A job that cannot be read stops no other.
    """
    jobs: list[Job] = []
    problems: list[FullhideError] = []
    for target in targets:
        try:
            if target.is_dir() or target.name == JOB_FILE:
                job = load_job(target)
                problems.extend(job.problems)
            elif (folder := job_folder(target.parent)) is not None and target.is_file():
                job = job_with(load_job(folder), target)
            else:
                job = loose_job([target], chart=chart)
                problems.extend(job.problems)
            jobs.append(job)
        except FullhideError as error:
            problems.append(error)
    return jobs, problems
