"""The command `carry`: an earlier photo's outlines written down for a later one.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fullhide.errors import FullhideError, JobError

if TYPE_CHECKING:
    from fullhide.job import Job, PhotoEntry
    from fullhide.undrawn import Undrawn

__all__ = ["add_commands"]

CARRY_HELP = """
Write the outlines of an earlier photo of a part down for the later ones that have none.

The later photo is laid on the earlier one by the surface itself, whatever colour it has by now.
Where the two do not clearly show the same surface nothing is written. `fullhide inspect` does the
same by itself for each photo without outlines; written down, they can be looked at, moved and kept.

\b
Examples:
  fullhide carry my_job
  fullhide carry my_job photos/bench_left_2.jpg

\b
Exit status:
  0  every photo of a part has its outlines
  2  some input is at fault
  3  the outlines of some photo could not be carried over, or not all of them
"""

_Job = Annotated[Path, typer.Argument(metavar="JOB", help="A job folder.", readable=False)]
_Photos = Annotated[
    list[str] | None,
    typer.Argument(metavar="[PHOTO]...", help="Photos as job.toml names them; else all."),
]


def add_commands(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command(help=CARRY_HELP)(carry)


def carry(job: _Job, photos: _Photos = None) -> int:
    """Write carried outlines and return the exit status."""
    from fullhide.console import say_error
    from fullhide.job import load_job
    from fullhide.undrawn import earlier_photos

    asked = load_job(job)
    for problem in asked.problems:
        say_error(problem)
    status = 2 if asked.problems else 0
    done = 0
    for entry in _wanted(asked, photos):
        if not asked.needs_proposal(entry.file):
            continue
        if not earlier_photos(asked, entry):
            if photos:
                _say(entry, "no earlier photo of its part has outlines")
                status = status or 3
            continue
        done += 1
        try:
            made = _carried(asked, entry)
        except FullhideError as error:
            say_error(error)
            status = 2
        else:
            _say(entry, _words(made))
            if not made.outlines or made.told.get("left_out"):
                status = status or 3
    if not done and not photos:
        print("No photo without outlines has an earlier one of its part with outlines.")  # noqa: T201
    return status


def _wanted(job: Job, photos: list[str] | None) -> list[PhotoEntry]:
    if not photos:
        return list(job.photos)
    known = {entry.file: entry for entry in job.photos}
    for file in photos:
        if file not in known:
            from fullhide.job_file import did_you_mean

            raise JobError(file, "is no photo of the job", did_you_mean(file, list(known)))
    return [known[file] for file in dict.fromkeys(photos)]


def _carried(job: Job, entry: PhotoEntry) -> Undrawn:
    """Carry over, and write down what could be."""
    from dataclasses import replace

    from fullhide.opened import carried_over
    from fullhide.outline_file import file_bytes, write_outlines
    from fullhide.outlines import OUTLINES_FILE

    path = job.folder / OUTLINES_FILE
    before = file_bytes(path)
    made = carried_over(job, entry)
    drawn = [
        replace(o, properties={k: v for k, v in o.properties.items() if k != "proposed"})
        for o in made.outlines
    ]
    if drawn:
        write_outlines(path, drawn, photo=entry.file, before=before)
    return made


def _words(made: Undrawn) -> str:
    if not made.outlines:
        refused = made.told.get("refused", [])
        return "; ".join(
            f"nothing carried over from {one['photo']}: {one['why']}" for one in refused
        )
    count = len(made.outlines)
    text = f"{count} outline{'s' if count > 1 else ''} carried over from {made.told['photo']}"
    if (off := made.told["residual_mm"]) is not None:
        text += f" (off by {off:.1f} mm at the middle of what was checked)"
    if made.told["left_out"]:
        text += "; not in the photo, or not matched: " + ", ".join(made.told["left_out"])
    return text


def _say(entry: PhotoEntry, words: str) -> None:
    from fullhide.console import printable

    print(printable(f"{entry.file}: {words}."))  # noqa: T201
