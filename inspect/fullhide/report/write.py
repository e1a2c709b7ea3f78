"""Write the pages of a job."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from fullhide.errors import JobError
from fullhide.files import ready_folder, write_bytes
from fullhide.job import JOB_FILE, Job, load_job
from fullhide.report.build import page_of
from fullhide.report.coats import with_coats
from fullhide.report.export import exports
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record
from fullhide.report.known import Known
from fullhide.report.pdf import papers
from fullhide.report.pictures import make_pictures

__all__ = ["Written", "write_export", "write_report"]

#: Where pages go inside the job folder, unless another place is named.
FOLDER = "report"


class Written(NamedTuple):
    """The files that were written, and what could not be shown in them, one line each."""

    files: tuple[Path, ...]
    problems: tuple[str, ...] = ()


def write_report(folder: Path, out: Path | None = None, *, known: Known | None = None) -> Written:
    """Write report (HTML and PDF/A) and touch-up sheet (PDF/A) of a job.

    Parameters
    ----------
    folder
        The job folder, or its `job.toml`.
    out
        Where to; ``report`` inside the job folder if absent.
    known
        What to tell; the job's record if absent.

    Raises
    ------
    FullhideError
        If the job or its record cannot be read, nothing in it was inspected yet, or a file cannot
        be written. Every file is whole or not there.
    """
    known = with_coats(known or _known(folder))
    target = ready_folder(out or known.job.folder / FOLDER)
    page = page_of(known)
    pictures = make_pictures(page, known.job.folder)
    with ThreadPoolExecutor(max_workers=1) as pool:
        set_papers = pool.submit(papers, page, pictures, ("report", "touch_up"))
        made = {"report.html": report_html(page, pictures)}
        made |= {f"{name}.pdf": data for name, data in set_papers.result().items()}
    return Written(_written(target, made), (*known.problems, *pictures.problems))


def write_export(folder: Path, out: Path | None = None, *, known: Known | None = None) -> Written:
    """Write measures, findings and rounds as CSV and JSON; parameters and errors as above."""
    known = known or _known(folder)
    target = ready_folder(out or known.job.folder / FOLDER)
    return Written(_written(target, exports(page_of(known))), known.problems)


def _known(folder: Path) -> Known:
    job: Job = load_job(folder.parent if folder.name == JOB_FILE else folder)
    known = known_of_record(job)
    if not known.inspections:
        raise JobError(
            job.folder, "nothing was inspected yet", f"run `fullhide inspect {job.folder}` first"
        )
    return known


def _written(target: Path, made: dict[str, bytes]) -> tuple[Path, ...]:
    for name, data in made.items():
        write_bytes(target / name, data)
    return tuple(target / name for name in made)
