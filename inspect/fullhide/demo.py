"""The example jobs: copied into a folder of their own and inspected there."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from fullhide.console import printable, say_error, show
from fullhide.errors import FullhideError, OutputError
from fullhide.files import ready_folder, write_bytes
from fullhide.inspection import merged, run_jobs
from fullhide.job import JOB_FILE, load_job
from fullhide.record import RECORD_FILE
from fullhide.report.write import FOLDER as REPORT
from fullhide.report.write import write_report
from fullhide.result import write_json

__all__ = ["run_demo", "sample_folder"]

MARKER = ".fullhide-demo"
#: Stands in the record and on the pages where a person's name would.
_BY = "the demo"
#: What an inspection leaves in a job folder.
_MADE = {"masks", "overlays", "result.json", REPORT, RECORD_FILE}
_OPEN_NEXT = (
    ("report/report.html", "the report, for a browser or a phone; report.pdf says the same"),
    ("report/touch_up.pdf", "the sheet to work from, to be printed"),
    ("overlays", "the photos with outlines and findings drawn on"),
    (JOB_FILE, "colours, limits and photos: copy it for a job of your own"),
    ("result.json", "everything that was measured"),
)


def sample_folder() -> Path:
    """Return where the example jobs lie: in the repository, or inside the installed package.

    Raises
    ------
    FullhideError
        If they are nowhere.
    """
    here = Path(__file__).resolve().parent
    for folder in (here.parents[1] / "sample_images", here / "sample_images"):
        if _job_folders(folder):
            return folder
    raise FullhideError(here / "sample_images", "the example jobs are missing", "install again")


def run_demo(folder: Path) -> int:
    """Copy the example jobs into `folder`, inspect them, write their pages, say what to open.

    Returns
    -------
    int
        0 if everything could be inspected and shown, 2 otherwise.

    Raises
    ------
    OutputError
        If `folder` holds something that is no earlier demo, or cannot be written to.
    """
    jobs = [load_job(job) for job in _copy(sample_folder(), folder)]
    problems = 0
    results = []
    for job in jobs:
        masks, overlays = job.folder / "masks", job.folder / "overlays"
        result = run_jobs([job], masks=masks, overlays=overlays, by=_BY)[0]
        write_json(result, job.folder / "result.json")
        pages = write_report(job.folder)
        for problem in (*result.problems, *pages.problems):
            say_error(problem)
        problems += len(result.problems) + len(pages.problems)
        results.append(result)
    show(merged(jobs, results))
    _print_next(folder, [job.folder for job in jobs])
    return 2 if problems else 0


def _job_folders(folder: Path) -> list[Path]:
    return sorted(path.parent for path in (*folder.glob(JOB_FILE), *folder.glob(f"*/{JOB_FILE}")))


def _sources(samples: Path) -> Iterator[tuple[Path, Path]]:
    """Yield each file of the example jobs with its path inside the samples' folder."""
    for job in _job_folders(samples):
        for path in sorted(job.rglob("*")):
            inside = path.relative_to(job)
            if path.is_file() and inside.parts[0] not in _MADE:
                yield path, path.relative_to(samples)


def _copy(samples: Path, folder: Path) -> list[Path]:
    """Copy the example jobs; an earlier demo of the same samples keeps a person's changes."""
    marker = folder / MARKER
    if folder.is_dir() and any(folder.iterdir()) and not marker.is_file():
        raise OutputError(
            folder, "holds something else already", "name a new folder: fullhide demo FOLDER"
        )
    ready_folder(folder)
    files = list(_sources(samples))
    described = "\n".join(f"{inside.as_posix()} {path.stat().st_size}" for path, inside in files)
    stamp = hashlib.sha256(described.encode()).hexdigest().encode()
    same = marker.is_file() and marker.read_bytes() == stamp
    write_bytes(marker, stamp)
    for path, inside in files:
        target = folder / inside
        if not (same and target.exists()):
            ready_folder(target.parent)
            write_bytes(target, path.read_bytes())
    return _job_folders(folder)


def _print_next(folder: Path, jobs: list[Path]) -> None:
    print(f"\nThe example lies in {printable(str(folder))}. Open next:")  # noqa: T201
    for job in jobs:
        for inside, what in _OPEN_NEXT:
            print(f"  {printable(str(job / inside))}  {what}")  # noqa: T201
