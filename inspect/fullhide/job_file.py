"""What `job.toml` may hold, and plain sentences for what it may not.

Kept apart from `fullhide.job` so that only reading a job folder loads pydantic.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from fullhide.locate import KeyPath

__all__ = [
    "ChartTable",
    "FinishTable",
    "JobFile",
    "LimitsTable",
    "Mistake",
    "PartTable",
    "PhotoTable",
    "ReferenceTable",
    "ShopTable",
    "UnderTable",
    "check_lab",
    "did_you_mean",
    "mistakes",
    "plain_name",
    "relative_file",
]


def plain_name(text: str) -> str:
    """Return `text` with single spaces; ValueError if nothing readable is left."""
    text = " ".join(text.split())
    if not text:
        raise ValueError("is empty; give it a name")
    if not text.isprintable():
        raise ValueError("holds characters that cannot be printed; use plain letters")
    return text


def relative_file(text: str) -> str:
    """Return a file's path inside the job folder in one spelling; ValueError if it leaves it."""
    if not text.strip():
        raise ValueError("is empty; name a file inside the job folder")
    path = PurePosixPath(text)
    if path.is_absolute() or PureWindowsPath(text).drive or ".." in path.parts:
        raise ValueError(
            "leads out of the job folder; copy the file into it and give the path from there"
        )
    return path.as_posix()


Number = Annotated[float, Field(allow_inf_nan=False)]
Above0 = Annotated[Number, Field(gt=0)]
DeltaE = Annotated[Number, Field(gt=0, le=100)]
Name = Annotated[str, AfterValidator(plain_name)]
File = Annotated[str, AfterValidator(relative_file)]
Lab = Annotated[list[Number], Field(min_length=3, max_length=3)]

_LAB = "three numbers: L from 0 to 100, a and b from -128 to 128, such as [38.0, -28.0, 9.0]"
_TABLE = "a table"
_DELTA_E = "a number above 0 and at most 100"
_EXPECTS: dict[str, str] = {
    "under": "one or more [[under]] tables",
    "thread": "one or more [[thread]] tables",
    "finish": "a [finish] table",
    "reference": "one or more [[reference]] tables",
    "spectrum": "the path of a CSV or CxF/X file in quotes",
    "u": "a number from 0.05 to 5",
    "chart": "a [chart] table",
    "card": "a [card] table",
    "tints": "the path of a tint file in quotes, above the tables",
    "printed_mm": "what the printed ruler of 100 mm measures, from 80 to 120",
    "limits": "a [limits] table",
    "photo": "one or more [[photo]] tables",
    "part_table": "one or more [[part]] tables",
    "regions": "a list of names in quotes",
    "seams": "a list of names in quotes",
    "edges": "a list of names in quotes",
    "airbag": "true or false",
    "name": "a name in quotes",
    "shop": "a [shop] table",
    "logo": "a path in quotes",
    "lab": _LAB,
    "edition": '"after-2014" or "before-2014"',
    "width_mm": "a number of millimetres above 0",
    "show_through_delta_e": _DELTA_E,
    "show_through_mm2": "a number of square millimetres above 0",
    "uneven_delta_e": _DELTA_E,
    "match_delta_e": _DELTA_E,
    "match_k_l": "a number from 1 to 2",
    "confidence": "a number above 0.5 and below 0.9999",
    "viewing_distance_mm": "a number of millimetres from 100 to 10000",
    "sheen": "a number from 1.1 to 10",
    "edge_mm": "a number of millimetres from 0.1 to 50",
    "edge_straight_mm": "a number of millimetres from 0.1 to 50",
    "file": "a path in quotes",
    "part": "a name in quotes",
    "stage": '"before", "coat", "topcoat" or "final"',
    "coat": "a whole number from 1",
    "also": "a list of paths in quotes",
    "grey_board": "a path in quotes",
    "light": "a name in quotes",
    "shot": "a date and time without quotes, such as 2026-03-14T16:20:00",
}


def check_lab(lab: Sequence[float]) -> None:
    """Raise ValueError if L, a and b cannot be a colour."""
    if not (0 <= lab[0] <= 100 and abs(lab[1]) <= 128 and abs(lab[2]) <= 128):
        raise ValueError(f"is no colour; it must be {_LAB}")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _ColourTable(_Table):
    lab: Lab

    @field_validator("lab")
    @classmethod
    def _in_range(cls, lab: list[float]) -> list[float]:
        check_lab(lab)
        return lab


class UnderTable(_ColourTable):
    """A colour that must not show."""

    name: Name


class FinishTable(_ColourTable):
    """The colour asked for."""

    name: Name = "finish"


class ReferenceTable(_Table):
    """A colour that finished regions have to match: typed, or a spectrum measured elsewhere."""

    name: Name
    lab: Lab | None = None
    spectrum: File | None = None
    u: Annotated[Number, Field(ge=0.05, le=5)] | None = None
    part: Name | None = None
    regions: list[Name] = []

    @field_validator("lab")
    @classmethod
    def _in_range(cls, lab: list[float] | None) -> list[float] | None:
        if lab is not None:
            check_lab(lab)
        return lab

    @model_validator(mode="after")
    def _one_source(self) -> ReferenceTable:
        if (self.lab is None) == (self.spectrum is None):
            many = "has neither `lab` nor" if self.lab is None else "has both `lab` and"
            raise ValueError(f"{many} `spectrum`; give one of them")
        return self


class ChartTable(_Table):
    """Which 24-patch chart lies in the photos."""

    edition: Literal["after-2014", "before-2014"] | None = None
    lab: list[Lab] | None = None
    width_mm: Above0 | None = None

    @field_validator("lab")
    @classmethod
    def _rows(cls, rows: list[list[float]] | None) -> list[list[float]] | None:
        if rows is not None:
            if len(rows) != 24:
                raise ValueError(f"has {len(rows)} rows; a chart has 24, dark skin first")
            for row in rows:
                check_lab(row)
        return rows

    @model_validator(mode="after")
    def _one_source(self) -> ChartTable:
        if self.edition is not None and self.lab is not None:
            raise ValueError("has both `edition` and `lab`; keep one of them")
        return self


class CardTable(_Table):
    """A printed card (`fullhide card`) lies in the photos."""

    printed_mm: Annotated[Number, Field(ge=80, le=120)] | None = None


class LimitsTable(_Table):
    """The limits; every key may be left out."""

    show_through_delta_e: DeltaE | None = None
    show_through_mm2: Above0 | None = None
    uneven_delta_e: DeltaE | None = None
    match_delta_e: DeltaE | None = None
    match_k_l: Annotated[Number, Field(ge=1, le=2)] | None = None
    confidence: Annotated[Number, Field(gt=0.5, lt=0.9999)] | None = None
    viewing_distance_mm: Annotated[Number, Field(ge=100, le=10_000)] | None = None
    sheen: Annotated[Number, Field(ge=1.1, le=10)] | None = None
    edge_mm: Annotated[Number, Field(ge=0.1, le=50)] | None = None
    edge_straight_mm: Annotated[Number, Field(ge=0.1, le=50)] | None = None


class PhotoTable(_Table):
    """One photo of the job."""

    file: File
    part: Name | None = None
    stage: Literal["before", "coat", "topcoat", "final"] = "final"
    coat: Annotated[int, Field(ge=1)] | None = None
    also: list[File] = []
    grey_board: File | None = None
    shot: datetime | None = None
    light: Name | None = None

    @model_validator(mode="after")
    def _coat_needs_its_stage(self) -> PhotoTable:
        if self.coat is not None and self.stage != "coat":
            raise ValueError('has `coat` without stage = "coat"; add the stage or drop `coat`')
        return self


class PartTable(_Table):
    """What has to be shot of a part before it may be reassembled."""

    name: Name
    regions: list[Name] = []
    seams: list[Name] = []
    edges: list[Name] = []
    airbag: bool = False

    @model_validator(mode="after")
    def _each_once(self) -> PartTable:
        seen: set[str] = set()
        for name in (*self.regions, *self.seams, *self.edges):
            if name.casefold() in seen:
                raise ValueError(f'lists "{name}" twice; remove one of them')
            seen.add(name.casefold())
        if not seen:
            raise ValueError("lists nothing to shoot; add `regions`, `seams` or `edges`")
        return self


class ShopTable(_Table):
    """Who does the work, as the pages show it; `logo` is a PNG or JPEG in the job folder."""

    name: Name | None = None
    logo: File | None = None


class JobFile(_Table):
    """The whole file; the photos are looked at one by one, so that one cannot stop another."""

    name: Name
    under: list[UnderTable] = []
    thread: list[UnderTable] = []
    finish: FinishTable | None = None
    reference: list[ReferenceTable] = []
    chart: ChartTable = ChartTable()
    card: CardTable | None = None
    limits: LimitsTable = LimitsTable()
    part: list[PartTable] = []
    tints: File | None = None
    shop: ShopTable = ShopTable()
    photo: list[dict[str, Any]] = []


class Mistake(NamedTuple):
    """Where in the file something is wrong, what, and what to do."""

    path: KeyPath
    problem: str
    remedy: str


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return a remedy that names the nearest known word, or all of them if none is near."""
    choices = list(known)
    near = difflib.get_close_matches(word, choices, n=1, cutoff=0.5)
    return f"did you mean `{near[0]}`?" if near else "known are " + ", ".join(choices)


def mistakes(
    error: ValidationError, *, model: type[BaseModel], path: KeyPath = ()
) -> list[Mistake]:
    """Return what pydantic found wrong, in plain words.

    Parameters
    ----------
    error
        What validating `model` raised.
    model
        The model of the table at `path`.
    path
        Key path of that table in the file.
    """
    items = error.errors(include_url=False)
    # A key that is missing is most often there, misspelt: then the misspelling is the mistake.
    others = [item for item in items if item["type"] != "missing"]
    return [_mistake(item, model, path) for item in others or items]


def _mistake(item: Any, model: type[BaseModel], path: KeyPath) -> Mistake:
    loc: KeyPath = tuple(item["loc"])
    whole = (*path, *loc)
    keys = [part for part in loc if isinstance(part, str)]
    key = keys[-1] if keys else ""
    home = _table_name((*path, *loc[: len(loc) - 1]) if loc else path)
    if item["type"] == "extra_forbidden":
        table = isinstance(item["input"], dict | list)
        known = _model_at(model, loc[:-1]).model_fields
        what = "unknown table or key" if table and not home else "unknown key"
        return Mistake(whole, f"{what} `{key}`{_within(home)}", did_you_mean(key, known))
    if item["type"] == "missing":
        return Mistake(whole, f"`{key}` is missing{_within(home)}", f"add {_EXPECTS[key]}")
    if item["type"] == "value_error":
        problem, _, remedy = str(item["ctx"]["error"]).partition("; ")
        subject = f"`{key}`{_within(home)}" if loc and not _is_table(loc) else _table_name(whole)
        return Mistake(whole, f"{subject} {problem}", remedy)
    expected = _EXPECTS.get("part_table" if whole == ("part",) else key, _TABLE)
    subject = f"`{key}`{_within(home)}" if keys else _table_name(whole)
    return Mistake(whole, f"{subject} is {_shown(item['input'])}", f"it must be {expected}")


def _is_table(loc: KeyPath) -> bool:
    """Whether a location in the file is a table as a whole, not a key with a value."""
    return loc[-1] in {"chart", "card", "limits", "finish", "shop"} or (
        len(loc) == 2 and loc[0] in {"under", "thread", "part", "reference"}
    )


def _model_at(model: type[BaseModel], loc: KeyPath) -> type[BaseModel]:
    tables: dict[str, type[BaseModel]] = {
        "under": UnderTable,
        "thread": UnderTable,
        "finish": FinishTable,
        "reference": ReferenceTable,
        "chart": ChartTable,
        "card": CardTable,
        "limits": LimitsTable,
        "part": PartTable,
        "shop": ShopTable,
    }
    return tables.get(str(loc[0]), model) if loc else model


def _table_name(path: KeyPath) -> str:
    """Name the table around a key as a person sees it: ``[limits]``, ``[[under]] 2``."""
    if not path:
        return ""
    if (
        len(path) > 1
        and isinstance(path[1], int)
        and path[0] in {"under", "thread", "part", "photo", "reference"}
    ):
        return f"[[{path[0]}]] {path[1] + 1}"
    return f"[{path[0]}]"


def _within(home: str) -> str:
    return f" in {home}" if home else ""


def _shown(value: object) -> str:
    """Return a value as it may stand in a sentence."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
