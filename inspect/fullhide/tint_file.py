"""Read what tint help rests on: a dye's file, and the shop's file of tinters."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from fullhide.errors import JobError
from fullhide.files import why
from fullhide.job_file import check_lab, did_you_mean, plain_name
from fullhide.locate import KeyPath, nearest_line, toml_lines
from fullhide.spectrum import read_spectrum, spectrum_lab
from fullhide.tint import BASE, USUAL_U, Drawdown, Dye, Tinter, Wish

__all__ = ["read_wish"]

_LAB = (
    "three numbers L, a, b (CIE Lab, D50), L from 0 to 100, a and b from -128 to 128, or the path "
    "of a spectrum in quotes"
)
_EXPECTS = {
    "name": "a name in quotes",
    "share": "a number above 0 and at most 1",
    "u": "a number from 0.05 to 5",
    "parts": 'a table such as { "white" = 60, "red oxide" = 3 }, each number above 0',
    "tinter": "one to 40 [[tinter]] tables",
}
_READINGS = ("lab", "black", "white", "over_black", "over_white")
_TABLES = ("ground", "base", "dye", "wanted")


def _lab(values: list[float]) -> tuple[float, float, float]:
    check_lab(values)
    return values[0], values[1], values[2]


Number = Annotated[float, Field(allow_inf_nan=False)]
Lab = Annotated[list[Number], Field(min_length=3, max_length=3), AfterValidator(_lab)]
Name = Annotated[str, AfterValidator(plain_name)]
Above0 = Annotated[Number, Field(gt=0)]
Share = Annotated[Number, Field(gt=0, le=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Ground(_Table):
    black: Lab
    white: Lab


class _Base(_Table):
    over_black: Lab
    over_white: Lab


class _Tinter(_Base):
    name: Name
    share: Share = 1.0


class _Dye(_Table):
    lab: Lab
    over_black: Lab | None = None
    over_white: Lab | None = None
    share: Share = 1.0
    parts: Annotated[dict[Name, Above0], Field(min_length=1)] | None = None


class _Wanted(_Table):
    lab: Lab


class _File(_Table):
    """Either file, or both in one."""

    u: Annotated[Number, Field(ge=0.05, le=5)] | None = None
    ground: _Ground | None = None
    base: _Base | None = None
    tinter: Annotated[list[_Tinter], Field(max_length=40)] = []
    dye: _Dye | None = None
    wanted: _Wanted | None = None


_MODELS: dict[str, type[_Table]] = {
    "": _File,
    "ground": _Ground,
    "base": _Base,
    "tinter": _Tinter,
    "dye": _Dye,
    "wanted": _Wanted,
}


def read_wish(file: Path, *, tinters: Path | None = None) -> Wish:
    """Read and check the file of a dye, and that of the tinters where it is another one.

    Parameters
    ----------
    file
        Holds ``[dye]`` and ``[wanted]``, and the rest where `tinters` is None.
    tinters
        Holds ``[ground]`` and ``[[tinter]]``, perhaps ``[base]`` and ``u``.

    Raises
    ------
    JobError
        With file, line, what is wrong and what to do.
    """
    own, own_lines = _read(file)
    shop_file = file if tinters is None else tinters
    shop, shop_lines = (own, own_lines) if tinters is None else _read(shop_file)
    if own.dye is None or own.wanted is None:
        missing = "dye" if own.dye is None else "wanted"
        raise JobError(file, f"has no [{missing}] table", "write one as the README shows")
    if shop.ground is None or not shop.tinter:
        missing = "[ground]" if shop.ground is None else "[[tinter]]"
        raise JobError(
            shop_file, f"has no {missing} table", "write one, or name its file with --tinters"
        )
    if shop.ground.white[0] < shop.ground.black[0] + 40.0:  # own choice; charts have 60 and more
        raise JobError(
            shop_file,
            "[ground] has a white hardly lighter than its black",
            "give L, a, b of the bare black and white of a hiding chart",
            line=nearest_line(shop_lines, ("ground",)),
        )
    _different(shop_file, [one.name for one in shop.tinter], shop_lines)
    films: list[tuple[Path, KeyPath, dict[KeyPath, int], _Base | _Dye | None]] = [
        (file, ("dye",), own_lines, own.dye),
        (shop_file, ("base",), shop_lines, shop.base),
    ]
    films += [(shop_file, ("tinter", i), shop_lines, one) for i, one in enumerate(shop.tinter)]
    for where, path, lines, film in films:
        _right_way_round(where, film, nearest_line(lines, (*path, "over_black")))
    names = {BASE: BASE} | {one.name.casefold(): one.name for one in shop.tinter}
    line = nearest_line(own_lines, ("dye",))
    base = shop.base
    return Wish(
        black=_three(shop.ground.black),
        white=_three(shop.ground.white),
        base=None if base is None else _film(base.over_black, base.over_white, 1.0),
        tinters=tuple(
            Tinter(name=one.name, drawdown=_film(one.over_black, one.over_white, one.share))
            for one in shop.tinter
        ),
        dye=_dye(file, own.dye, names, line),
        wanted=_three(own.wanted.lab),
        u=own.u or shop.u or USUAL_U,
    )


def _right_way_round(file: Path, film: _Base | _Dye | None, line: int | None) -> None:
    """A film is never darker over white, but for what readings are off (own allowance)."""
    black, white = (None, None) if film is None else (film.over_black, film.over_white)
    if black is not None and white is not None and black[0] > white[0] + 5.0:
        raise JobError(
            file,
            "`over_black` is lighter than `over_white`",
            "check whether the two were changed over",
            line=line,
        )


def _dye(file: Path, dye: _Dye, names: dict[str, str], line: int | None) -> Dye:
    parts = dye.parts or {}
    for name in parts:
        if name.casefold() not in names:
            raise JobError(
                file,
                f'[dye] has parts of "{name}", which is no [[tinter]]',
                did_you_mean(name, names.values()),
                line=line,
            )
    drawdown = None
    if dye.over_black is not None and dye.over_white is not None:
        drawdown = _film(dye.over_black, dye.over_white, dye.share)
    elif dye.over_black is not None or dye.over_white is not None or not parts:
        raise JobError(
            file,
            "[dye] does not tell how strong the dye is",
            "add `over_black` and `over_white` of a drawdown, or the `parts` it is mixed of",
            line=line,
        )
    known = tuple((names[name.casefold()], part) for name, part in parts.items())
    return Dye(lab=_three(dye.lab), drawdown=drawdown, parts=known)


def _three(lab: Sequence[float]) -> tuple[float, float, float]:
    lightness, a, b = lab
    return lightness, a, b


def _film(black: Sequence[float], white: Sequence[float], share: float) -> Drawdown:
    return Drawdown(over_black=_three(black), over_white=_three(white), share=share)


def _different(file: Path, names: Sequence[str], lines: dict[KeyPath, int]) -> None:
    seen = set()
    for i, name in enumerate(names):
        if name.casefold() in seen:
            raise JobError(
                file,
                f'two [[tinter]] tables are named "{name}"',
                "give each tinter its own name",
                line=nearest_line(lines, ("tinter", i, "name")),
            )
        seen.add(name.casefold())


def _read(file: Path) -> tuple[_File, dict[KeyPath, int]]:
    try:
        text = file.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        raw = tomllib.loads(text)
    except OSError as error:
        raise JobError(file, f"cannot be read ({why(error)})", "check the file's name") from None
    except UnicodeDecodeError:
        raise JobError(file, "is not UTF-8 text", "save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        said = re.sub(r" \(at .*\)$", "", str(error))
        place = re.search(r"at line (\d+)", str(error))
        line = int(place[1]) if place else None
        raise JobError(
            file, f"is not valid TOML: {said}", "correct the file there", line=line
        ) from None
    except (RecursionError, ValueError):
        raise JobError(file, "cannot be used", "write it as the README shows") from None
    lines = toml_lines(text)
    _measured(file, raw, (), lines)
    try:
        return _File.model_validate(raw), lines
    except ValidationError as error:
        items = error.errors(include_url=False)
        first = min(items, key=lambda item: nearest_line(lines, tuple(item["loc"])) or 0)
        raise _mistake(file, first, lines) from None


def _measured(file: Path, table: Any, path: KeyPath, lines: dict[KeyPath, int]) -> None:
    """Put the colour of a spectrum in place of each reading that names a CSV file instead."""
    items = enumerate(table) if isinstance(table, list) else table.items()
    for key, value in items:
        if isinstance(value, dict | list):
            _measured(file, value, (*path, key), lines)
        elif isinstance(value, str) and key in _READINGS:
            where = file.parent / value
            if not where.is_file():
                what = f"`{key}` names the spectrum `{value}`, which is not there"
                line = nearest_line(lines, (*path, key))
                raise JobError(file, what, "give its path from this file's folder", line=line)
            table[key] = list(spectrum_lab(read_spectrum(where)))


def _mistake(file: Path, item: Any, lines: dict[KeyPath, int]) -> JobError:
    """What pydantic found wrong, in plain words."""
    # What stands behind a name in `parts` is told of `parts` as a whole.
    loc: KeyPath = tuple(item["loc"])[: 2 if "parts" in item["loc"] else None]
    line = nearest_line(lines, loc)
    keys = [part for part in loc if isinstance(part, str)]
    key, table = keys[-1], keys[0] if len(keys) > 1 else ""
    home = ""
    if table:
        home = f" in [[tinter]] {int(loc[1]) + 1}" if table == "tinter" else f" in [{table}]"
    if item["type"] == "extra_forbidden":
        known = list(_MODELS[table].model_fields)
        return JobError(file, f"unknown key `{key}`{home}", did_you_mean(key, known), line=line)
    expected = _EXPECTS.get(key, f"a [{key}] table" if key in _TABLES else _LAB)
    if item["type"] == "missing":
        return JobError(file, f"`{key}` is missing{home}", f"add {expected}", line=line)
    if keys == ["tinter"] and len(loc) > 1:
        return JobError(file, f"[[tinter]] {int(loc[1]) + 1} is no table", "", line=line)
    return JobError(file, f"`{key}`{home} cannot be used", f"it must be {expected}", line=line)
