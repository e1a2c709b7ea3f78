"""The command `card`: sheets to print, with markers that give pose, scale and white.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast

import typer

from fullhide.errors import JobError

__all__ = ["add_commands"]

CARD_HELP = """
Write a PDF of cards to print: a frame around the 24-patch chart, and small cards for seams.

Print at 100 % on plain paper and measure the printed ruler before cutting. The markers give the
scale, and the frame finds the chart where it would not be found alone. What to do stands on the
sheets.

\b
Examples:
  fullhide card
  fullhide card cards.pdf --paper letter --chart-width-mm 108 --chart-height-mm 64
"""


def add_commands(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command(help=CARD_HELP)(card)


def card(
    file: Annotated[
        Path, typer.Argument(metavar="[FILE]", help="The PDF to write.", readable=False)
    ] = Path("fullhide-card.pdf"),
    paper: Annotated[str, typer.Option(metavar="PAPER", help="a4 or letter.")] = "a4",
    chart_width_mm: Annotated[
        float, typer.Option(metavar="MM", help="Outer width of the whole chart board.")
    ] = 205.0,
    chart_height_mm: Annotated[float, typer.Option(metavar="MM", help="Its outer height.")] = 143.5,
) -> int:
    """Write the sheets and return the exit status."""
    from fullhide.card_sheet import PAPERS, Paper, card_pdf
    from fullhide.files import ready_folder, write_bytes

    if file.suffix.lower() != ".pdf":
        raise JobError(file, "is not a PDF's name", "give a name that ends in .pdf")
    if paper not in PAPERS:
        raise JobError("--paper", f'"{paper}" is unknown', "give a4 or letter")
    pdf = card_pdf(cutout_mm=(chart_width_mm, chart_height_mm), paper=cast(Paper, paper))
    ready_folder(file.parent)
    write_bytes(file, pdf)
    print(  # noqa: T201
        f"Wrote {file}. Print it at 100 %, measure the ruler, and write what it measures as\n"
        "printed_mm under [card] in job.toml."
    )
    return 0
