"""The command `coats`: how the old colour goes under, coat by coat.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["add_commands"]

COATS_HELP = """
Say how far each coat has brought a region to the finish, and how many more to expect.

Photograph the same region dry after each coat, with the chart, and name the photos in job.toml with
stage = "coat" and coat = 1, 2 …; one from before the work (stage = "before") helps. Regions are
told apart by part and name. Nothing is kept in the record, and no verdict rests on it.

\b
Examples:
  fullhide coats my_job
  fullhide coats my_job --json coats.json

\b
Exit status:
  0  the last coat of every region hides
  1  one still shows what is beneath
  2  some input is at fault; standard error says which and what to do
  3  none shows, but of one it cannot be told
"""


def add_commands(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command(help=COATS_HELP)(coats)


def coats(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="A job folder.", readable=False)],
    json: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write it as JSON; - is standard output."),
    ] = None,
) -> int:
    """Tell the hiding curves and return the exit status."""
    from fullhide.coats_job import coats_of, exit_status, to_json
    from fullhide.console import say_error
    from fullhide.console_coats import show_coats
    from fullhide.job import load_job
    from fullhide.result import write_plain

    found = coats_of(load_job(job))
    for problem in found.problems:
        say_error(problem)
    if json is not None:
        write_plain(to_json(found), json)
    if json != "-":
        show_coats(found)
    return exit_status(found)
