"""The job folder: what was asked, read and checked."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from fullhide._job_reference import TypedReference, read_references
from fullhide.errors import FullhideError, JobError
from fullhide.files import why
from fullhide.locate import KeyPath, nearest_line, toml_lines
from fullhide.outlines import OUTLINES_FILE, RegionOutline, read_outlines

if TYPE_CHECKING:
    from fullhide.job_file import JobFile, Mistake, PhotoTable

__all__ = [
    "EDGE_MM",
    "EDGE_STRAIGHT_MM",
    "JOB_FILE",
    "STAGES",
    "CardSettings",
    "ChartSettings",
    "Colour",
    "Job",
    "Limits",
    "PartEntry",
    "PhotoEntry",
    "RegionOutline",
    "TypedReference",
    "load_job",
    "loose_job",
    "stage_rank",
]

JOB_FILE = "job.toml"
Stage = Literal["before", "coat", "topcoat", "final"]
#: In the order of the work.
STAGES: tuple[str, ...] = ("before", "coat", "topcoat", "final")
Lab = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Colour:
    """A named colour, CIE 1976 L*a*b* under D50 for the 2° observer."""

    name: str
    lab: Lab


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What still passes. The defaults are this project's own choice.

    Attributes
    ----------
    show_through_delta_e, show_through_mm2
        A spot counts from this CIEDE2000 against the finished colour around it, over at least
        this area in mm².
    uneven_delta_e
        CIEDE2000 of a block against the region's own colour.
    match_delta_e
        CIEDE2000 of a panel against a reference.
    match_k_l
        Parametric factor of lightness in that difference: 2 for grained material, 1 for smooth.
    confidence
        One-sided probability that a verdict is right; it sets the guard band.
    viewing_distance_mm
        From where a person looks, for what is told of a spot's visibility; no verdict rests on it.
    sheen
        How many times stronger or weaker a panel's highlight may be than a reference region's in
        the same photo; None where nobody asked for sheen, which is then not judged.
    edge_mm, edge_straight_mm
        At a masked line: how far one colour may run over the other, or a gap between them be wide,
        and within what distance of its course 95 % of the line has to lie, mm; None for
        `EDGE_MM` and `EDGE_STRAIGHT_MM`.
    """

    show_through_delta_e: float = 3.0
    show_through_mm2: float = 1.0
    uneven_delta_e: float = 2.0
    match_delta_e: float = 2.0
    match_k_l: float = 2.0
    confidence: float = 0.95
    viewing_distance_mm: float = 500.0
    sheen: float | None = None
    edge_mm: float | None = None
    edge_straight_mm: float | None = None


#: Limits of a masked line where job.toml names none, mm (this project's own choice).
EDGE_MM, EDGE_STRAIGHT_MM = 1.0, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartSettings:
    """Which 24-patch chart lies in the photos.

    Attributes
    ----------
    edition
        ``"after-2014"`` or ``"before-2014"``; None where `lab` holds the shop's own values.
    lab
        24 rows of L, a, b under D50, dark skin first, row by row; None where `edition` counts.
    width_mm
        Outer width of the whole board, mm; None if it is not known.
    """

    edition: str | None = "after-2014"
    lab: tuple[Lab, ...] | None = None
    width_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CardSettings:
    """A printed card lies in the photos.

    Attributes
    ----------
    printed_mm
        What its printed ruler of 100 mm measures, mm; None if nobody measured it.
    """

    printed_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoEntry:
    """One photo of the job; every path is relative to the job folder.

    Attributes
    ----------
    also
        Photos of the same view with the lamp moved.
    grey_board
        A plain grey board in the same light; None without one.
    shot
        Local time it was taken, ISO 8601 to the second, where job.toml says it.
    light
        What light it was taken in, in the shop's own words; None if nobody said.
    line
        Line of the entry in `job.toml`; None for a loose photo.
    """

    file: str
    part: str | None = None
    stage: Stage = "final"
    coat: int | None = None
    also: tuple[str, ...] = ()
    grey_board: str | None = None
    shot: str | None = None
    line: int | None = None
    light: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEntry:
    """What has to be shot, and to pass, before a part may be reassembled.

    Attributes
    ----------
    regions, seams, edges
        Names of outlines in photos of the part; those in `seams` must be of kind ``"seam"``,
        those in `edges` of kind ``"edge"``.
    airbag
        Whether the part may hold an airbag or tear seam: no work is advised there.
    """

    name: str
    regions: tuple[str, ...] = ()
    seams: tuple[str, ...] = ()
    edges: tuple[str, ...] = ()
    airbag: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job as asked for.

    Attributes
    ----------
    folder
        What the photos' paths are relative to.
    thread
        Colours of thread, piping and the like that may be seen and are no miss.
    parts
        What has to be shot before reassembly; empty if nobody said.
    finish
        The colour asked for; None means what each region itself mostly is.
    photos
        The photos that are there; the others stand in `problems`.
    outlines
        The regions that can be used, in the order of the file.
    outlined
        Photos that someone drew outlines in, usable or not: these get no proposals.
    problems
        What could not be used; the rest of the job goes on without it.
    loose
        Whether it is photos outside a job folder.
    card
        The printed card in the photos; None if job.toml says nothing of one.
    references
        Colours that regions have to match, typed or measured elsewhere.
    tints
        The file of the shop's tinters, for matches that are off; None without one. It is read
        where it is needed: no verdict rests on it.
    """

    name: str
    folder: Path
    under: tuple[Colour, ...] = ()
    thread: tuple[Colour, ...] = ()
    finish: Colour | None = None
    chart: ChartSettings = field(default_factory=ChartSettings)
    limits: Limits = field(default_factory=Limits)
    photos: tuple[PhotoEntry, ...] = ()
    outlines: tuple[RegionOutline, ...] = ()
    outlined: frozenset[str] = frozenset()
    problems: tuple[FullhideError, ...] = ()
    parts: tuple[PartEntry, ...] = ()
    loose: bool = False
    card: CardSettings | None = None
    references: tuple[TypedReference, ...] = ()
    tints: str | None = None

    def part(self, name: str | None) -> PartEntry | None:
        """What is said of a part; None if job.toml has no [[part]] of that name."""
        wanted = (name or "").casefold()
        return next((part for part in self.parts if part.name.casefold() == wanted), None)

    def airbag(self, part: str | None) -> bool:
        """Whether job.toml says that a part may hold an airbag."""
        said = self.part(part)
        return said is not None and said.airbag

    def reference(self, part: str | None, region: str) -> TypedReference | None:
        """The typed colour that a region has to match, the one most its own; None without one."""
        fitting = [one for one in self.references if one.is_for(part, region)]
        own = sorted(fitting, key=lambda one: (not one.regions, one.part is None))
        return own[0] if own else None

    def path(self, file: str) -> Path:
        """Return where a photo of the job lies."""
        return self.folder / file

    def outlines_of(self, file: str) -> tuple[RegionOutline, ...]:
        """Return the usable outlines of one photo; empty if there are none."""
        return tuple(outline for outline in self.outlines if outline.photo == file)

    def needs_proposal(self, file: str) -> bool:
        """Return whether nobody has drawn anything in the photo."""
        return file not in self.outlined


def stage_rank(stage: str, coat: int | None) -> tuple[int, int]:
    """Where in the work a photo was taken; the later, the larger."""
    return STAGES.index(stage), coat or 0


def load_job(folder: str | Path) -> Job:
    """Read and check a job folder.

    Parameters
    ----------
    folder
        Folder that holds `job.toml` and, if outlines were drawn, `regions.geojson`; or that
        `job.toml` itself.

    Returns
    -------
    Job
        With everything that stops one photo or one outline only in `Job.problems`.

    Raises
    ------
    JobError
        If `job.toml` is missing, unreadable, not TOML, or wrong in a way that touches every
        photo; or if `regions.geojson` cannot be read at all.
    """
    folder = Path(folder)
    if folder.name == JOB_FILE and not folder.is_dir():
        folder = folder.parent
    text, raw = _read_toml(folder)
    where = folder / JOB_FILE
    lines = toml_lines(text)
    checked = _checked(where, raw, lines)
    photos, problems = _photos(where, checked.photo, lines)
    if not checked.photo:
        raise JobError(where, "names no photo", "add a [[photo]] table with its `file`")
    listed = [str(table.get("file", "")) for table in checked.photo]
    outlines = read_outlines(folder / OUTLINES_FILE, photos=listed)
    chart, limits = checked.chart, checked.limits
    own = tuple(_lab(row) for row in chart.lab) if chart.lab is not None else None
    return Job(
        name=checked.name,
        folder=folder,
        under=tuple(Colour(colour.name, _lab(colour.lab)) for colour in checked.under),
        thread=tuple(Colour(colour.name, _lab(colour.lab)) for colour in checked.thread),
        finish=Colour(checked.finish.name, _lab(checked.finish.lab)) if checked.finish else None,
        card=CardSettings(printed_mm=checked.card.printed_mm) if checked.card else None,
        chart=ChartSettings(
            edition=None if own else (chart.edition or ChartSettings().edition),
            lab=own,
            width_mm=chart.width_mm,
        ),
        limits=Limits(**limits.model_dump(exclude_none=True)),
        parts=tuple(
            PartEntry(
                name=part.name,
                regions=tuple(part.regions),
                seams=tuple(part.seams),
                edges=tuple(part.edges),
                airbag=part.airbag,
            )
            for part in checked.part
        ),
        references=read_references(where, checked, outlines, lines),
        tints=checked.tints,
        photos=photos,
        outlines=outlines.usable,
        outlined=outlines.photos,
        problems=(*problems, *outlines.problems),
    )


def loose_job(
    paths: Sequence[str | Path],
    *,
    under: Sequence[Colour] = (),
    finish: Colour | None = None,
    chart: ChartSettings | None = None,
    limits: Limits | None = None,
    name: str = "loose photos",
) -> Job:
    """Return a job of photos that lie in no job folder.

    Parameters
    ----------
    paths
        The photos, from the current folder or absolute.
    under, finish, chart, limits
        As in `job.toml`.
    """
    photos: list[PhotoEntry] = []
    problems: list[FullhideError] = []
    seen: set[Path] = set()
    for path in map(Path, paths):
        key = path.absolute()
        if key in seen:
            continue
        seen.add(key)
        if path.is_file():
            photos.append(PhotoEntry(file=str(path)))
        else:
            what = "is a folder without a job.toml" if path.is_dir() else "is not there"
            problems.append(JobError(path, what, "name a job folder or a photo"))
    return Job(
        name=name,
        folder=Path(),
        under=tuple(under),
        finish=finish,
        chart=chart or ChartSettings(),
        limits=limits or Limits(),
        photos=tuple(photos),
        problems=tuple(problems),
        loose=True,
    )


def _lab(values: Sequence[float]) -> Lab:
    lightness, a, b = (float(value) for value in values)
    return lightness, a, b


def _read_toml(folder: Path) -> tuple[str, dict[str, Any]]:
    where = folder / JOB_FILE
    if not folder.is_dir():
        what = "is a file, not a job folder" if folder.exists() else "is not there"
        raise JobError(folder, what, f"name a folder that holds a {JOB_FILE}")
    try:
        text = where.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except FileNotFoundError:
        raise JobError(
            folder, f"holds no {JOB_FILE}", "write one (`fullhide demo` makes an example)"
        ) from None
    except OSError as error:
        raise JobError(where, f"cannot be read ({why(error)})", "check the file") from None
    except UnicodeDecodeError as error:
        line = where.read_bytes().count(b"\n", 0, error.start) + 1
        raise JobError(where, "is not UTF-8 text", "save it as UTF-8", line=line) from None
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", said)
        line = int(place[1]) if place and place[1] else max(1, len(text.splitlines()))
        said = said[: place.start()] if place else said
        raise JobError(
            where, f"is not valid TOML: {said}", "correct the file there", line=line
        ) from None
    except (RecursionError, ValueError):
        raise JobError(where, "is not a job file", "write it as the README shows") from None


def _checked(where: Path, raw: dict[str, Any], lines: dict[KeyPath, int]) -> JobFile:
    """Validate everything but the single photos, which are left as they are."""
    from pydantic import ValidationError

    from fullhide.job_file import JobFile, Mistake, mistakes

    try:
        checked = JobFile.model_validate(raw)
    except ValidationError as error:
        found = mistakes(error, model=JobFile)
        raise _first(where, found, lines) from None
    named = (
        ("under", "colour", [colour.name for colour in checked.under]),
        ("thread", "colour", [colour.name for colour in checked.thread]),
        ("reference", "reference", [one.name for one in checked.reference]),
        ("part", "part", [part.name for part in checked.part]),
    )
    for table, what, names in named:
        seen: dict[str, int] = {}
        for index, name in enumerate(names):
            first = seen.setdefault(name.casefold(), index)
            if first != index:
                twice = Mistake(
                    (table, index, "name"),
                    f'two [[{table}]] tables are named "{name}"',
                    f"give each {what} its own name",
                )
                raise _first(where, [twice], lines)
    return checked


def _first(where: Path, found: list[Mistake], lines: dict[KeyPath, int]) -> JobError:
    """Return the mistake that stands first in the file."""
    placed = [(nearest_line(lines, mistake.path), mistake) for mistake in found]
    line, mistake = min(placed, key=lambda pair: pair[0] or 0)
    return JobError(where, mistake.problem, mistake.remedy, line=line)


def _photos(
    where: Path, tables: list[dict[str, Any]], lines: dict[KeyPath, int]
) -> tuple[tuple[PhotoEntry, ...], list[FullhideError]]:
    """Check each [[photo]] by itself: a wrong one is left out, the others stay."""
    from pydantic import ValidationError

    from fullhide.job_file import PhotoTable, mistakes

    entries: list[PhotoEntry] = []
    problems: list[FullhideError] = []
    seen: dict[str, int | None] = {}
    for index, raw in enumerate(tables):
        path: KeyPath = ("photo", index)
        try:
            table = PhotoTable.model_validate(raw)
        except ValidationError as error:
            found = mistakes(error, model=PhotoTable, path=path)
            problems.append(_first(where, found, lines))
            continue
        line = nearest_line(lines, (*path, "file"))
        if table.file in seen:
            what = f"photo `{table.file}` is named a second time"
            problems.append(JobError(where, what, "remove one [[photo]] table", line=line))
            continue
        seen[table.file] = line
        if (missing := _missing(where, table.file, "file", line)) is not None:
            problems.append(missing)
            continue
        entry, missing_helpers = _entry(where, table, path, lines)
        entries.append(entry)
        problems.extend(missing_helpers)
    return tuple(entries), problems


def _entry(
    where: Path, table: PhotoTable, path: KeyPath, lines: dict[KeyPath, int]
) -> tuple[PhotoEntry, list[JobError]]:
    """Return the photo without those of its helper photos that are not there."""
    problems: list[JobError] = []

    def there(file: str, key: str, *more: int) -> bool:
        missing = _missing(where, file, key, nearest_line(lines, (*path, key, *more)))
        if missing is not None:
            problems.append(missing)
        return missing is None

    also = tuple(file for number, file in enumerate(table.also) if there(file, "also", number))
    board = table.grey_board
    if board is not None and not there(board, "grey_board"):
        board = None
    entry = PhotoEntry(
        file=table.file,
        part=table.part,
        stage=table.stage,
        coat=table.coat,
        also=also,
        grey_board=board,
        # The shop's own clock, as the camera's; an offset from UTC would be left to chance.
        shot=table.shot.replace(tzinfo=None, microsecond=0).isoformat() if table.shot else None,
        line=nearest_line(lines, path),
        light=table.light,
    )
    return entry, problems


def _missing(where: Path, file: str, key: str, line: int | None) -> JobError | None:
    """Return the error for a photo that is not in the job folder; None if it is there."""
    path = where.parent / file
    if path.is_file():
        return None
    if path.is_dir():
        what, remedy = "is a folder", f"name a photo under `{key}`"
    else:
        what, remedy = "is not in the job folder", f"copy it there or correct `{key}`"
        if path.parent.is_dir():
            for other in path.parent.iterdir():
                if other.name.casefold() == path.name.casefold() or (
                    other.stem.casefold() == path.stem.casefold() and other.is_file()
                ):
                    remedy = f"did you mean `{other.relative_to(where.parent).as_posix()}`?"
                    break
    return JobError(where, f"photo `{file}` {what}", remedy, line=line)
