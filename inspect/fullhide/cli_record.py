"""The commands on a job's record: status, set-aside, sign, verify.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fullhide.errors import FullhideError, JobError, OutputError

if TYPE_CHECKING:
    from fullhide.job import Job
    from fullhide.result import JobResult, TintHint

__all__ = ["add_commands", "say_rounds"]

STATUS_HELP = """
Say where a job stands: each region's newest verdict, what is missing, and whether the parts may be
reassembled.

\b
What has to be shot is listed in job.toml:
  [[part]]
  name = "bench, left"
  regions = ["seat", "front"]
  seams = ["front seam"]
  edges = ["two-tone line"]

\b
Exit status:
  0  may be reassembled
  1  at least one region fails
  2  some input is at fault
  3  something else stands against it
"""
SIGN_HELP = """
Sign a job off: only where nothing stands against reassembly, or with --despite and a reason, which
every page then shows.

The seal that is printed names the record as it was signed. Write it down where it stays, such as
on the owner's copy: `fullhide verify JOB --seal SEAL` then tells whether this record is that one.

Exit status: 0 it was signed, 2 it was not; standard error says why.
"""
VERIFY_HELP = """
Tell whether photos, outlines, job.toml or results were altered after the fact, and which.

\b
Exit status:
  0  nothing was altered
  1  something was
  2  some input is at fault
"""
SET_ASIDE_HELP = """
Say that a finding is no miss, such as a hair or an old scar, and why. It stays in the record, is
shown and counted, and holds for this photo only.

\b
Example:
  fullhide set-aside my_job photos/seat.jpg seat 3 --reason "a hair, wiped off" --by Robin
"""

_Job = Annotated[Path, typer.Argument(metavar="JOB", help="A job folder.", readable=False)]
_By = Annotated[str, typer.Option(metavar="NAME", help="Who says so.")]


def add_commands(app: typer.Typer) -> None:
    """Add the commands to the application."""
    app.command(help=STATUS_HELP)(status)
    app.command(name="set-aside", help=SET_ASIDE_HELP)(set_aside)
    app.command(help=SIGN_HELP)(sign)
    app.command(help=VERIFY_HELP)(verify)


def status(
    job: _Job,
    json: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write it as JSON; - is standard output."),
    ] = None,
) -> int:
    """Print where a job stands and return the exit status."""
    from fullhide._standing_json import to_json
    from fullhide.console import say_error
    from fullhide.console_record import show_standing
    from fullhide.inspection import json_target
    from fullhide.result import write_plain
    from fullhide.standing import standing

    with _uncollected():
        loaded = _load(job)
        target = json_target(json, [loaded])
        now = standing(loaded)
        tints: dict[tuple[str | None, str], TintHint] = {}
        wrong: FullhideError | None = None
        if loaded.tints is not None:
            from fullhide.tint_job import standing_tints

            tints, wrong = standing_tints(now)
    problems = [*loaded.problems, *filter(None, [wrong])]
    code = 2 if problems else now.gate.status
    for problem in problems:
        say_error(problem)
    if target is not None:
        try:
            write_plain(to_json(now, tints), target)
        except OutputError as error:
            say_error(error)
            code = 2
    if target != "-":
        show_standing(now, tints)
    return code


def set_aside(
    job: _Job,
    photo: Annotated[str, typer.Argument(metavar="PHOTO", help="As job.toml names it.")],
    region: Annotated[str, typer.Argument(metavar="REGION", help="The region's name.")],
    finding: Annotated[
        int, typer.Argument(metavar="NUMBER", help="The finding's number in the overlay.")
    ],
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why it is no miss.")],
    by: _By,
    back: Annotated[
        bool, typer.Option("--back", help="Take a set-aside back: the finding counts again.")
    ] = False,
) -> int:
    """Set a finding of the photo's newest inspection aside, or take that back."""
    from fullhide.record import Record

    loaded = _load(job)
    record = Record(loaded.folder)
    newest = record.newest(photo)
    if newest is None:
        raise JobError(job, f"photo `{photo}` was never inspected", "name it as job.toml does")
    if not back:
        record.set_aside(newest, region, finding, reason=reason, by=by)
        _print(f"Set aside: finding {finding} of {region} in {photo}. See fullhide status.")
        return 0
    found = newest.region(region)
    mine = next((f for f in found.findings if f.id == finding), None) if found else None
    sha = newest.photo.sha256
    kept = [s for s in record.set_asides() if mine and s.covers(sha, region, mine)]
    if not kept:
        raise JobError(job, f"finding {finding} of {region} is not set aside", "see the status")
    for aside in kept:
        record.withdraw(aside, reason=reason, by=by)
    _print(f"It counts again: finding {finding} of {region} in {photo}.")
    return 0


def sign(
    job: _Job,
    by: _By,
    despite: Annotated[
        str,
        typer.Option(metavar="REASON", help="Sign although something stands against it."),
    ] = "",
    key: Annotated[
        Path | None,
        typer.Option(metavar="FILE", readable=False, help="Ed25519 private key, PEM, as well."),
    ] = None,
) -> int:
    """Sign a job off and return the exit status."""
    from fullhide import proof
    from fullhide.console_record import show_signature

    signature, now = proof.sign(_load(job), by=by, despite=despite, key=key)
    show_signature(signature, now)
    return 0


def verify(
    job: _Job,
    key: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", readable=False, help="The key that the signature must be of, PEM."
        ),
    ] = None,
    seal: Annotated[
        str | None,
        typer.Option(metavar="SEAL", help="The seal that signing printed."),
    ] = None,
) -> int:
    """Print what was altered, if anything, and return the exit status."""
    from fullhide import proof
    from fullhide.console_record import show_proof

    found = proof.verify(_load(job), key=key, seal=seal)
    show_proof(found)
    return 0 if found.sound else 1


def say_rounds(jobs: Sequence[Job], results: Sequence[JobResult]) -> None:
    """Print how photos just inspected answer the earlier spots of their regions.

    A record that cannot be read says nothing here: inspecting has told of it already.
    """
    from fullhide.console_record import show_rounds
    from fullhide.standing import standing

    for job, result in zip(jobs, results, strict=True):
        if not job.loose:
            with contextlib.suppress(FullhideError):
                show_rounds(standing(job), {photo.sha256 for photo in result.photos})


@contextlib.contextmanager
def _uncollected() -> Iterator[None]:
    """Read many small things that all stay: looking for garbage in between takes a fifth more."""
    import gc

    there = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if there:
            gc.enable()


def _load(folder: Path) -> Job:
    from fullhide.job import load_job

    return load_job(folder)


def _print(text: str) -> None:
    from fullhide.console import printable

    print(printable(text))  # noqa: T201
