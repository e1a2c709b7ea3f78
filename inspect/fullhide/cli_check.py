"""The commands for the bench: `check` says what to do differently about a photo.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fullhide.errors import FullhideError, JobError

if TYPE_CHECKING:
    from fullhide.advice import PhotoAdvice
    from fullhide.job import Job, PhotoEntry

__all__ = ["add_commands"]

CHECK_HELP = """
Before leaving the bench: is this photo good enough to be inspected?

Says what to do differently, most important first: light, shine, focus, distance, chart. A good
photo is one line. It judges the photo, not the part.

\b
Examples:
  fullhide check seat.jpg --chart-width-mm 205
  fullhide check my_job
  fullhide check my_job/photos/seat.jpg

\b
Exit status:
  0  every photo is good
  2  some input is at fault; standard error says which and what to do
  3  at least one photo should be taken again
"""
NO_SCALE = (
    "Distance was not judged: say how wide the chart is, with --chart-width-mm or as width_mm "
    "under [chart] in job.toml."
)

ChartWidth = Annotated[
    float | None,
    typer.Option(metavar="MM", help="For photos outside a job: outer width of the chart board."),
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command(help=CHECK_HELP)(check)


def check(
    targets: Annotated[
        list[Path],
        typer.Argument(
            metavar="PHOTO", help="Photos, or job folders.", show_default=False, readable=False
        ),
    ],
    chart_width_mm: ChartWidth = None,
) -> int:
    """Say what to do differently and return the exit status."""
    from fullhide.console import say_error
    from fullhide.job import ChartSettings
    from fullhide.photo_job import jobs_of

    width = checked_width(chart_width_mm)
    jobs, problems = jobs_of(targets, chart=ChartSettings(width_mm=width))
    for problem in problems:
        say_error(problem)
    told: list[PhotoAdvice] = []
    wrong = len(problems)
    for job, entry in _entries(jobs):
        try:
            told.append(say_advice(job, entry))
        except FullhideError as error:
            say_error(error)
            wrong += 1
    if any(not photo.scaled and "no_chart" not in _flags(photo) for photo in told):
        print(NO_SCALE)  # noqa: T201
    if wrong or not told:
        return 2
    return 0 if all(photo.good for photo in told) else 3


def checked_width(chart_width_mm: float | None) -> float | None:
    """The option's value.

    Raises
    ------
    JobError
        If it is no width.
    """
    if chart_width_mm is not None and not 0 < chart_width_mm < 10_000:
        raise JobError(
            "--chart-width-mm",
            f"{chart_width_mm:g} is no size",
            "give a number of millimetres above 0",
        )
    return chart_width_mm


def say_advice(job: Job, entry: PhotoEntry) -> PhotoAdvice:
    """Look at one photo and print what to do differently.

    Raises
    ------
    FullhideError
        If the photo cannot be used.
    """
    from fullhide.advice import advise
    from fullhide.console import printable

    photo = advise(job, entry)
    name = printable(str(job.path(photo.file)))
    lines = [f"{name}: {'good' if photo.good else 'take it again'}"]
    lines += [f"  {number}. {item.says}" for number, item in enumerate(photo.advice, 1)]
    print("\n".join(lines))  # noqa: T201
    sys.stdout.flush()
    return photo


def _entries(jobs: Sequence[Job]) -> Iterator[tuple[Job, PhotoEntry]]:
    """Every photo once, those named under `also` too."""
    from fullhide.job import PhotoEntry

    seen = set()
    for job in jobs:
        further = [PhotoEntry(file=file) for entry in job.photos for file in entry.also]
        for entry in (*job.photos, *further):
            path = job.path(entry.file).absolute()
            if path not in seen:
                seen.add(path)
                yield job, entry


def _flags(photo: PhotoAdvice) -> set[str]:
    return {item.flag for item in photo.advice}
