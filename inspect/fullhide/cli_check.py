"""The commands for the bench: what to do differently about a photo, at once or as they arrive.

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
    from fullhide.watch import Arrivals

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

WATCH_HELP = """
Check photos as they arrive in a folder, and inspect them where it belongs to a job.

Leave it running while you shoot: a second or two after a photo has been copied it says what to do
differently, or good. Photos that were there before are left alone. Ctrl-C ends it.

In a job folder, or one inside it, each photo is inspected as well. A photo that job.toml names is
kept in the job's record, as with `fullhide inspect`; one that it does not name yet is not.

\b
Examples:
  fullhide watch my_job
  fullhide watch ~/Pictures/phone --chart-width-mm 205

\b
Exit status:
  0  ended with Ctrl-C
  2  the folder cannot be watched; standard error says why
"""

ChartWidth = Annotated[
    float | None,
    typer.Option(metavar="MM", help="For photos outside a job: outer width of the chart board."),
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command(help=CHECK_HELP)(check)
    app.command(help=WATCH_HELP)(watch)


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
        _print(NO_SCALE)
    if wrong or not told:
        return 2
    return 0 if all(photo.good for photo in told) else 3


def watch(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where the photos arrive.", readable=False)
    ],
    chart_width_mm: ChartWidth = None,
    every: Annotated[
        float, typer.Option(metavar="SECONDS", help="How often the folder is looked through.")
    ] = 1.0,
    by: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Who inspects; your login name if left out."),
    ] = None,
) -> int:
    """Watch a folder until Ctrl-C and return the exit status."""
    import time

    from fullhide.watch import Arrivals, photo_folder

    width = checked_width(chart_width_mm)
    if not 0.1 <= every <= 3600:
        raise JobError("--every", f"{every:g} is no time to wait", "give 0.1 to 3600 seconds")
    place = photo_folder(folder)
    arrivals = Arrivals(place)
    try:
        _print(f"Watching {place} ({arrivals.known} photos are there already). Ctrl-C ends it.")
        while True:
            for path in arrivals.whole():
                _arrived(path, arrivals, width, by)
            time.sleep(every)
    except KeyboardInterrupt:
        return 0


def _arrived(path: Path, arrivals: Arrivals, width: float | None, by: str | None) -> None:
    """Check one photo, and inspect it where it belongs to a job; a fault is told, not raised."""
    from fullhide.console import say_error
    from fullhide.job import ChartSettings, load_job, loose_job
    from fullhide.photo import open_photo
    from fullhide.photo_job import job_folder, job_with

    try:
        if "damaged" in open_photo(path).flags and arrivals.put_back(path):
            return
    except FullhideError as error:
        if not arrivals.put_back(path):
            say_error(error)
        return
    try:
        home = job_folder(path.parent)
        if home is None:
            job = loose_job([path], chart=ChartSettings(width_mm=width))
        else:
            job = job_with(load_job(home), path)
        advice = say_advice(job, job.photos[0])
        if home is None and not advice.scaled and "no_chart" not in _flags(advice):
            _print(f"  {NO_SCALE}")
        if home is not None:
            _inspected(job, by)
    except FullhideError as error:
        say_error(error)


def _inspected(job: Job, by: str | None) -> None:
    """Inspect the one photo of a job and print a line a region."""
    from fullhide.console import printable, say_error
    from fullhide.inspection import run_jobs
    from fullhide.job import load_job
    from fullhide.keeper import default_name

    (entry,) = job.photos
    named = any(known.file == entry.file for known in load_job(job.folder).photos)
    (result,) = run_jobs([job], by=(by or default_name()) if named else None)
    for problem in result.problems:
        say_error(problem)
    for photo in result.photos:
        for region in photo.regions:
            name = f"{region.part}: {region.name}" if region.part else region.name
            name += " (proposed)" if region.proposed else ""
            why = f": {region.reasons[0]}" if region.reasons else ""
            _print(f"  {region.verdict or '-'}  {printable(name + why)}")
    if not named:
        _print("  Not named in job.toml yet: add it there with its part, and it counts.")


def _print(text: str) -> None:
    print(text)  # noqa: T201
    sys.stdout.flush()


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
    _print("\n".join(lines))
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
