"""What a person sees: the verdicts as a table on a terminal, as plain lines in a pipe."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple

from fullhide.lights import lights_words
from fullhide.result import JobResult, RegionResult
from fullhide.wording import flag_reasons

__all__ = ["SCOPE", "printable", "progress_bar", "say_error", "show", "summary"]

SCOPE = (
    "Appearance check from photographs. It does not assess adhesion, wear, fastness, "
    "flammability, airbag function, safety or legality."
)
#: Flags of a photo that say why nothing in it is outlined.
_NO_REGION = ("not_carried", "nothing_proposed")
_STYLES = {"pass": "green", "fail": "bold red", "retake": "bold yellow"}


class _Row(NamedTuple):
    photo: str
    region: str
    verdict: str
    why: tuple[str, ...]  # one sentence each


def say_error(error: object) -> None:
    """Write one line on standard error."""
    print(f"fullhide: {printable(str(error))}", file=sys.stderr)  # noqa: T201


def printable(text: str) -> str:
    """Return `text` without line breaks and without anything that could steer a terminal."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def show(result: JobResult) -> None:
    """Print the verdicts: a table on a terminal, one plain line a region otherwise."""
    rows = _rows(result)
    if sys.stdout.isatty():
        _rich_table(rows)
    else:
        _plain_lines(rows)
    for line in lights_words(result.lights or ()):
        print(f"{printable(line)}.")  # noqa: T201
    for photo in result.photos:
        for region in photo.regions:
            if region.tint is not None:
                where = f"{region.part}: " if region.part else ""
                print(f"{printable(f'{where}{region.name}: {region.tint.says}')}.")  # noqa: T201
    print(summary(result))  # noqa: T201
    print(SCOPE)  # noqa: T201


def summary(result: JobResult) -> str:
    """Return one line that counts the verdicts and says what to do next."""
    count = Counter(
        region.verdict
        for photo in result.photos
        for region in photo.regions
        if region.verdict is not None
    )
    problems = len(result.problems)
    parts = [f"{count['pass']} pass, {count['fail']} fail, {count['retake']} retake."]
    if problems:
        what = "1 input" if problems == 1 else f"{problems} inputs"
        parts.append(f"{what} could not be used.")
    if count["fail"]:
        parts.append("Next: do what is said beside each fail, then photograph those regions again.")
    elif count["retake"]:
        parts.append("Next: take the photos marked retake again, as said beside them.")
    elif problems:
        parts.append("Next: mend what the messages name and inspect again.")
    elif count["pass"]:
        parts.append("Nothing to do.")
    else:
        parts.append("Nothing was judged.")
    return " ".join(parts)


@contextmanager
def progress_bar(total: int) -> Iterator[Callable[..., None]]:
    """Give a function to call after each photo; it draws only where a person watches."""
    if not sys.stderr.isatty() or total == 0:
        yield lambda *_args, **_kwargs: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("photos"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("photos", total=total)
        yield lambda *_args, **_kwargs: bar.advance(task)


def _rows(result: JobResult) -> list[_Row]:
    rows: list[_Row] = []
    for photo in result.photos:
        file = printable(photo.file)
        if not photo.regions:
            why = flag_reasons(
                name for name in _NO_REGION if name in photo.quality.get("flags", ())
            )
            told = tuple(_sentence(reason) for reason in why)
            rows.append(_Row(file, "-", "-", ("No region to judge.", *told)))
        for region in photo.regions:
            part = f"{region.part}: " if region.part else ""
            name = f"{part}{region.name}" + _made(region)
            rows.append(
                _Row(
                    file,
                    printable(name),
                    region.verdict or "-",
                    tuple(_sentence(reason) for reason in region.reasons),
                )
            )
    return rows


def _made(region: RegionResult) -> str:
    """What is said of an outline that nobody drew."""
    if "carried" in region.flags:
        return " (carried over)"
    return " (proposed)" if region.proposed else ""


def _sentence(reason: str) -> str:
    """Return a reason as a sentence of its own."""
    text = printable(reason).rstrip(".")
    return f"{text[:1].upper()}{text[1:]}."


def _plain_lines(rows: Sequence[_Row]) -> None:
    widths = [max((len(row[column]) for row in rows), default=0) for column in range(3)]
    for row in rows:
        cells = (
            row.verdict.ljust(widths[2]),
            row.photo.ljust(widths[0]),
            row.region.ljust(widths[1]),
        )
        print("  ".join([*cells, " ".join(row.why)]).rstrip())  # noqa: T201


def _rich_table(rows: Sequence[_Row]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for heading in ("Photo", "Region", "Verdict", "Why"):
        width = 30 if heading == "Why" else None
        table.add_column(heading, overflow="fold", no_wrap=heading == "Verdict", min_width=width)
    last = None
    for row in rows:
        table.add_row(
            Text("" if row.photo == last else row.photo),
            Text(row.region),
            Text(row.verdict.upper(), style=_STYLES.get(row.verdict, "")),
            Text("\n".join(row.why)),
        )
        last = row.photo
    Console().print(table)
