"""The command `tint`: which tinter to try a little of, as a starting point for a test patch.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["add_commands"]

TINT_HELP = """
Suggest which tinter brings a dye nearer to a colour, and roughly how much: a starting point for a
test patch, never a recipe.

FILE says how the dye is now and what colour is wanted; the tinters stand in it too, or in a file of
the shop's own. Each was drawn down over a black and a white ground with the same bar; the README
shows the keys.

\b
Examples:
  fullhide tint dye.toml --tinters tinters.toml
  fullhide tint dye.toml --json -

\b
Exit status:
  0  a suggestion, or nothing is needed
  2  some input is at fault; standard error says which and what to do
  3  it cannot be told, or the colour cannot be reached by adding
"""


def add_commands(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command(help=TINT_HELP)(tint)


def tint(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The dye and the colour wanted.", readable=False)
    ],
    tinters: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Grounds and tinters, if not in the same file.", readable=False
        ),
    ] = None,
    json: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write it as JSON; - is standard output."),
    ] = None,
) -> int:
    """Tell the suggestion and return the exit status."""
    from fullhide.console import SCOPE, printable
    from fullhide.result import write_plain
    from fullhide.tint import tint as suggested
    from fullhide.tint_file import read_wish
    from fullhide.tint_words import FOOT, exit_status, says, to_json

    wish = read_wish(file, tinters=tinters)
    found = suggested(wish)
    if json is not None:
        write_plain(to_json(wish, found), json)
    if json != "-":
        for line in (*says(found), FOOT, SCOPE):
            print(printable(line))  # noqa: T201
    return exit_status(found)
