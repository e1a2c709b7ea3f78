"""The commands that write pages: report and export.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from fullhide.report.write import Written

__all__ = ["add_commands"]

REPORT_HELP = """
Write the pages of an inspected job: report.html, report.pdf and touch_up.pdf.

report.html is one file that works offline and on a phone; report.pdf (PDF/A) says the same for the
file; touch_up.pdf is the sheet for the bench, one page a part. They tell what the record of the
job holds: inspect it first.

\b
Examples:
  fullhide report my_job
  fullhide report my_job --out pages

\b
A [shop] table in job.toml puts a name and a logo on them:
  [shop]
  name = "Harbour Trim"
  logo = "logo.png"
"""
EXPORT_HELP = """
Write the measures of an inspected job as tables: measures.csv, findings.csv, rounds.csv, and the
same rows in export.json. Units stand in the headings.
"""

_Job = Annotated[Path, typer.Argument(metavar="JOB", help="A job folder.", readable=False)]
_Out = Annotated[
    Path | None,
    typer.Option(metavar="DIR", readable=False, help="Where to; JOB/report if left out."),
]


def add_commands(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command(help=REPORT_HELP)(report)
    app.command(help=EXPORT_HELP)(export)


def report(job: _Job, out: _Out = None) -> int:
    """Write the pages and return the exit status: 2 if something is missing from them."""
    from fullhide.report.write import write_report

    return _tell(write_report(job, out))


def export(job: _Job, out: _Out = None) -> int:
    """Write the tables and return the exit status: 2 if something is missing from them."""
    from fullhide.report.write import write_export

    return _tell(write_export(job, out))


def _tell(written: Written) -> int:
    """Name the files that were written and what is missing from them."""
    from fullhide.console import printable, say_error

    for problem in written.problems:
        say_error(problem)
    for path in written.files:
        print(printable(str(path)))  # noqa: T201
    return 2 if written.problems else 0
