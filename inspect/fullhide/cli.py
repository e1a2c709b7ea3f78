"""The command `fullhide`.

Nothing heavy is imported here: `--help` has to answer at once.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from fullhide import (
    __version__,
    cli_card,
    cli_carry,
    cli_check,
    cli_coats,
    cli_record,
    cli_report,
    cli_tint,
)
from fullhide.cli_view import view
from fullhide.errors import FullhideError, JobError, OutputError
from fullhide.files import why

if TYPE_CHECKING:
    from fullhide.job import ChartSettings, Colour, Job

__all__ = ["app", "main"]

_STOPPED = 130  # what shells expect of a command stopped by Ctrl-C

# \b keeps the paragraph after it as it is written.
HELP = """
Check photos of re-dyed leather or vinyl: does anything show through the new colour?

For every region of a part the answer is pass, fail, or retake: the photo cannot decide, and the
reason says which photo would.

\b
Begin with an example:
  fullhide demo
Then inspect a job of your own, see where it stands, and make its pages:
  fullhide inspect my_job --overlays my_job/overlays
  fullhide status my_job
  fullhide report my_job

A job is a folder with a job.toml (colours, limits, photos), the photos, and a regions.geojson
(outlines; where there are none they are proposed). The demo makes examples to copy from.

\b
Exit status:
  0  every region passes
  1  at least one region fails
  2  some input is at fault; standard error says which and what to do
  3  none fails, but at least one photo has to be taken again
"""
INSPECT_HELP = """
Inspect job folders or single photos.

In a job folder each inspection is kept, in inspections.sqlite, and a photo that was shot again
after a touch-up answers for the earlier spots. `fullhide status` says where the job stands.

\b
Examples:
  fullhide inspect my_job
  fullhide inspect my_job --json result.json --masks masks --overlays overlays
  fullhide inspect seat.jpg --under "old green=38,-28,9" --chart-width-mm 205

Exit status: 0 every region passes, 1 a region fails, 2 an input is at fault, 3 a photo has to be
taken again.
"""

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command and exit with its status; a wrong input is one line, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show ² shows a question mark instead of stopping.
        with contextlib.suppress(AttributeError, OSError):
            stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    sys.exit(_run(arguments))


def _run(arguments: Sequence[str] | None) -> int:
    # click's own base of usage errors, wherever this version of typer keeps click.
    usage_error = cast("type[Exception]", typer.BadParameter.__mro__[2])
    try:
        status = typer.main.get_command(app).main(
            args=None if arguments is None else list(arguments),
            prog_name="fullhide",
            standalone_mode=False,
        )
    except FullhideError as error:
        _say(error)
        return 2
    except usage_error as error:
        return _usage(error)
    except (KeyboardInterrupt, typer.Abort):
        status = _STOPPED
    except (BrokenPipeError, SystemExit):  # SystemExit is click's answer to a broken pipe
        return _reader_has_gone(2)
    except OSError as error:  # what has a file of ours to blame is an OutputError already
        _say(OutputError(error.filename or "standard output", f"cannot be used ({why(error)})"))
        return _reader_has_gone(2)
    if status == _STOPPED:
        _say("stopped; nothing half-written is left behind")
    return status if isinstance(status, int) else 0


def _reader_has_gone(status: int) -> int:
    """Keep Python from complaining at exit that nobody reads any more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return status


def _usage(error: BaseException) -> int:
    message = str(getattr(error, "format_message", lambda: str(error))())
    context = getattr(error, "ctx", None)
    if "\n" in message:  # called without anything: click hands over the whole help
        print(message)  # noqa: T201
    else:
        name = getattr(context, "command_path", "fullhide")
        _say(f"{message.rstrip('.')}; see `{name} --help`")
    return 2


def _say(error: object) -> None:
    from fullhide.console import say_error

    say_error(error)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"fullhide {__version__}")  # noqa: T201
        raise typer.Exit


@app.callback(help=HELP)
def fullhide(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """The command itself; its subcommands do the work."""


@app.command(help=INSPECT_HELP)
def inspect(
    targets: Annotated[
        list[Path],
        typer.Argument(
            metavar="TARGET", help="Job folders, or photos.", show_default=False, readable=False
        ),
    ],
    json: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Write the result as JSON; - is standard output."),
    ] = None,
    masks: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            readable=False,
            help="Write one 16-bit PNG a photo: 0, or the number of the finding.",
        ),
    ] = None,
    overlays: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR",
            readable=False,
            help="Write each photo with outlines and findings drawn on.",
        ),
    ] = None,
    under: Annotated[
        list[str] | None,
        typer.Option(
            metavar="[NAME=]L,a,b",
            help="For photos: a colour that must not show (CIE Lab, D50). May be given again.",
        ),
    ] = None,
    finish: Annotated[
        str | None,
        typer.Option(metavar="L,a,b", help="For photos: the colour asked for (CIE Lab, D50)."),
    ] = None,
    mm_per_px: Annotated[
        float | None,
        typer.Option(metavar="MM", help="Scale of the photos, where no chart tells it."),
    ] = None,
    chart_width_mm: Annotated[
        float | None,
        typer.Option(metavar="MM", help="For photos: outer width of the whole chart board."),
    ] = None,
    chart_edition: Annotated[
        str | None,
        typer.Option(
            metavar="EDITION", help="For photos: after-2014 (as if not given) or before-2014."
        ),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Who inspects; your login name if left out."),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Photos inspected at the same time; as suits this machine if left out.",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Send the photos to a dask.distributed cluster that sees the same folders.",
        ),
    ] = None,
    no_record: Annotated[
        bool,
        typer.Option("--no-record", help="Do not keep the inspections in the job folders."),
    ] = False,
) -> int:
    """Inspect targets and return the exit status."""
    from fullhide.keeper import default_name

    _positive("--mm-per-px", mm_per_px)
    _shared_out(workers, scheduler)
    chart = _chart(chart_edition, chart_width_mm)
    colours = tuple(
        _colour("--under", text, f"under {number}") for number, text in enumerate(under or [], 1)
    )
    _different(colours)
    wanted = _colour("--finish", finish, "finish") if finish is not None else None
    jobs, problems = _jobs(targets, under=colours, finish=wanted, chart=chart)
    return _inspect(
        jobs,
        problems,
        json=json,
        masks=masks,
        overlays=overlays,
        mm_per_px=mm_per_px,
        by=None if no_record else (by or default_name()),
        workers=workers,
        scheduler=scheduler,
    )


@app.command()
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="Where to put it.", readable=False)
    ] = Path("fullhide-demo"),
) -> int:
    """Inspect the example jobs in a folder of their own, write their reports, say what to open.

    The exit status is 0 when the demo ran, whatever its verdicts are.
    """
    from fullhide.demo import run_demo

    return run_demo(folder)


app.command()(view)


def _inspect(
    jobs: Sequence[Job],
    problems: Sequence[FullhideError],
    *,
    json: str | None,
    masks: Path | None,
    overlays: Path | None,
    mm_per_px: float | None,
    by: str | None,
    workers: int | None,
    scheduler: str | None,
) -> int:
    from fullhide.batch import usual_workers
    from fullhide.console import show
    from fullhide.inspection import json_target, merged, run_jobs
    from fullhide.result import exit_status, write_json

    for problem in problems:
        _say(problem)
    if not jobs:
        return 2
    target = json_target(json, jobs)
    results = run_jobs(
        jobs,
        masks=masks,
        overlays=overlays,
        mm_per_px=mm_per_px,
        by=by,
        workers=workers or usual_workers(sum(len(job.photos) for job in jobs)),
        scheduler=scheduler,
    )
    whole = merged(jobs, results, problems)
    for problem in whole.problems[len(problems) :]:
        _say(problem)
    status = exit_status(whole)
    try:
        if target is not None:
            write_json(whole, target)
    except OutputError as error:
        _say(error)
        status = 2
    except BrokenPipeError:
        return _reader_has_gone(status)
    if target != "-":
        with contextlib.suppress(BrokenPipeError):
            show(whole)
            if by is not None:
                cli_record.say_rounds(jobs, results)
            sys.stdout.flush()
            return status
        return _reader_has_gone(status)
    return status


def _jobs(
    targets: Sequence[Path],
    *,
    under: tuple[Colour, ...],
    finish: Colour | None,
    chart: ChartSettings | None,
) -> tuple[list[Job], list[FullhideError]]:
    """Sort targets into job folders and loose photos; a bad job stops no other."""
    from fullhide.job import JOB_FILE, load_job, loose_job

    jobs: list[Job] = []
    problems: list[FullhideError] = []
    photos: list[Path] = []
    for target in targets:
        if target.is_dir() or target.name == JOB_FILE:
            try:
                jobs.append(load_job(target if target.is_dir() else target.parent))
            except JobError as error:
                problems.append(error)
        else:
            photos.append(target)
    if photos:
        jobs.append(loose_job(photos, under=under, finish=finish, chart=chart))
    elif under or finish is not None or chart is not None:
        raise JobError(
            "--under, --finish, --chart-width-mm and --chart-edition",
            "are for photos outside a job folder",
            "write them into the job's job.toml",
        )
    return jobs, problems


cli_carry.add_commands(app)
cli_record.add_commands(app)
cli_report.add_commands(app)
cli_check.add_commands(app)
cli_coats.add_commands(app)
cli_card.add_commands(app)
cli_tint.add_commands(app)


def _shared_out(workers: int | None, scheduler: str | None) -> None:
    if workers is not None and not 1 <= workers <= 256:
        raise JobError("--workers", f"{workers} is no number of processes", "give 1 to 256")
    if workers is not None and scheduler is not None:
        raise JobError(
            "--workers", "is for this machine, --scheduler for a cluster", "give one of them"
        )


def _positive(option: str, value: float | None) -> None:
    if value is not None and not 0 < value < float("inf"):
        raise JobError(option, f"{value:g} is no size", "give a number of millimetres above 0")


def _chart(edition: str | None, width_mm: float | None) -> ChartSettings | None:
    _positive("--chart-width-mm", width_mm)
    if edition not in {None, "after-2014", "before-2014"}:
        raise JobError(
            "--chart-edition", f'"{edition}" is unknown', "give after-2014 or before-2014"
        )
    if edition is None and width_mm is None:
        return None
    from fullhide.job import ChartSettings

    return ChartSettings(edition=edition or ChartSettings().edition, width_mm=width_mm)


def _colour(option: str, text: str, name: str) -> Colour:
    from fullhide.job import Colour
    from fullhide.job_file import check_lab, plain_name

    label, equals, numbers = text.rpartition("=")
    try:
        lightness, a, b = (float(number) for number in numbers.split(","))
        check_lab([lightness, a, b])
        return Colour(plain_name(label) if equals else name, (lightness, a, b))
    except ValueError:
        raise JobError(
            f'{option} "{text}"',
            "is no colour",
            "give L,a,b with L from 0 to 100, a and b from -128 to 128, such as 38,-28,9",
        ) from None


def _different(colours: Sequence[Colour]) -> None:
    names = [colour.name.casefold() for colour in colours]
    for name in names:
        if names.count(name) > 1:
            raise JobError("--under", f'two colours are named "{name}"', "name each differently")
