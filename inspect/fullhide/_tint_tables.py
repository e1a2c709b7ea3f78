"""The tables of a tint file, as a person writes them."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from fullhide.job_file import ChartTable, check_lab, plain_name

__all__ = [
    "BOX",
    "EXPECTS",
    "LAB",
    "MODELS",
    "READINGS",
    "TABLES",
    "Boxes",
    "DyeTable",
    "Film",
    "Ground",
    "TintFile",
]

LAB = (
    "three numbers L, a, b (CIE Lab, D50), L from 0 to 100, a and b from -128 to 128, or the path "
    "of a spectrum in quotes"
)
EXPECTS = {
    "name": "a name in quotes",
    "share": "a number above 0 and at most 1",
    "u": "a number from 0.05 to 5",
    "parts": 'a table such as { "white" = 60, "red oxide" = 3 }, each number above 0',
    "tinter": "one to 40 [[tinter]] tables",
    "photo": "a path in quotes",
    "grey_board": "a path in quotes",
    "boxes": "a table of `black`, `white`, `over_black` and `over_white`",
    "edition": '"after-2014" or "before-2014"',
    "width_mm": "a number of millimetres above 0",
}
READINGS = ("lab", "black", "white", "over_black", "over_white")
TABLES = ("ground", "base", "dye", "wanted", "chart")
BOX = "four pixels of the upright photo: left, top, right, bottom"


def _lab(values: list[float]) -> tuple[float, float, float]:
    check_lab(values)
    return values[0], values[1], values[2]


def _box(values: list[float]) -> tuple[float, float, float, float]:
    left, top, right, bottom = values
    if not (0 <= left < right and 0 <= top < bottom):
        raise ValueError("is no box")
    return left, top, right, bottom


Number = Annotated[float, Field(allow_inf_nan=False)]
Lab = Annotated[list[Number], Field(min_length=3, max_length=3), AfterValidator(_lab)]
Name = Annotated[str, AfterValidator(plain_name)]
Above0 = Annotated[Number, Field(gt=0)]
Share = Annotated[Number, Field(gt=0, le=1)]
Box = Annotated[list[Number], Field(min_length=4, max_length=4), AfterValidator(_box)]


class Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Ground(Table):
    black: Lab
    white: Lab


class Boxes(Table):
    """Left, top, right, bottom of the areas of a hiding chart, pixels of the upright photo."""

    black: Box
    white: Box
    over_black: Box
    over_white: Box


class Film(Table):
    """Readings of a drawdown, or a photo of it."""

    over_black: Lab | None = None
    over_white: Lab | None = None
    photo: str | None = None
    boxes: Boxes | None = None
    grey_board: str | None = None

    @property
    def typed(self) -> bool:
        return self.over_black is not None and self.over_white is not None

    @property
    def shot(self) -> bool:
        return self.photo is not None and self.boxes is not None


class TinterTable(Film):
    name: Name
    share: Share = 1.0


class DyeTable(Film):
    lab: Lab | None = None
    share: Share = 1.0
    parts: Annotated[dict[Name, Above0], Field(min_length=1)] | None = None


class Wanted(Table):
    lab: Lab


class TintFile(Table):
    """Either file, or both in one."""

    u: Annotated[Number, Field(ge=0.05, le=5)] | None = None
    chart: ChartTable = ChartTable()
    ground: Ground | None = None
    base: Film | None = None
    tinter: Annotated[list[TinterTable], Field(max_length=40)] = []
    dye: DyeTable | None = None
    wanted: Wanted | None = None


MODELS: dict[str, type[BaseModel]] = {
    "": TintFile,
    "chart": ChartTable,
    "ground": Ground,
    "base": Film,
    "tinter": TinterTable,
    "dye": DyeTable,
    "wanted": Wanted,
}
