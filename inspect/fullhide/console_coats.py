"""What a person sees of the hiding curves on a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from fullhide.coats_job import Coats, RegionCoats
from fullhide.coats_words import FOOT, HEADINGS, coat_cells, says
from fullhide.console import SCOPE, printable
from fullhide.wording import AIRBAG_NOTICE, AIRBAG_UNKNOWN

__all__ = ["show_coats"]


def show_coats(found: Coats) -> None:
    """Print one table a region, and under it how many coats are still to be expected."""
    for region in found.regions:
        _show(region)
    _line(FOOT)
    if any(region.airbag for region in found.regions):
        _line(f"{AIRBAG_NOTICE} {AIRBAG_UNKNOWN}")
    _line(SCOPE)


def _show(region: RegionCoats) -> None:
    where = f"{region.part}: {region.region}" if region.part else region.region
    curve = region.curve
    _line(where if curve is None else f"{where} (limit {curve.limit:g} ΔE)")
    if curve is not None:
        _table([HEADINGS, *(coat_cells(coat) for coat in curve.coats)])
    for text in says(curve, airbag=region.airbag):
        _line(f"  - {text}")
    for out in region.left_out:
        _line(f"  - {out.file} is left out: {out.why}")


def _table(rows: Sequence[Sequence[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True))
        _line("  " + "  ".join(cells).rstrip())


def _line(text: str) -> None:
    print(printable(text))  # noqa: T201
