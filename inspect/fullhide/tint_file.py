"""Read what tint help rests on: a dye's file, and the shop's file of tinters."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from fullhide._tint_tables import (
    BOX,
    EXPECTS,
    LAB,
    MODELS,
    READINGS,
    TABLES,
    Boxes,
    DyeTable,
    Film,
    Ground,
    TintFile,
)
from fullhide.errors import JobError
from fullhide.files import why
from fullhide.job import ChartSettings
from fullhide.job_file import ChartTable, did_you_mean
from fullhide.locate import KeyPath, nearest_line, toml_lines
from fullhide.spectrum import read_spectrum, spectrum_lab
from fullhide.tint import BASE, USUAL_U, Drawdown, Dye, Tinter, Wish

__all__ = ["Shelf", "read_shelf", "read_wish"]

#: L* that a hiding chart's black and white lie apart at least: own choice, charts have 60 and more.
_GROUNDS_APART = 40.0
Lab3 = tuple[float, float, float]
_NONE: Lab3 = (0.0, 0.0, 0.0)


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
    if own.wanted is None and own.dye is not None:
        raise JobError(file, "has no [wanted] table", "write one as the README shows")
    wish, lab = _wish((file, own, own_lines), tinters)
    if lab is None:
        line = nearest_line(own_lines, ("dye",))
        raise JobError(file, "`lab` is missing in [dye]", f"add {LAB}", line=line)
    return wish


class Shelf(NamedTuple):
    """A job's tinters: a wish whose dye and wanted colour are the job's to say; and the dye's own.

    `dye_lab` is what the file gives as the dye's colour; None where it gives none.
    """

    wish: Wish
    dye_lab: Lab3 | None


def read_shelf(file: Path) -> Shelf:
    """Read and check a job's tint file: `[wanted]` and the dye's `lab` may lack.

    Raises
    ------
    JobError
        As `read_wish`.
    """
    return Shelf(*_wish((file, *_read(file)), None))


def _wish(
    whole: tuple[Path, TintFile, dict[KeyPath, int]], tinters: Path | None
) -> tuple[Wish, Lab3 | None]:
    """The wish that a file holds, and the dye's colour; nought stands for colours not given."""
    file, own, own_lines = whole
    shop_file = file if tinters is None else tinters
    shop, shop_lines = (own, own_lines) if tinters is None else _read(shop_file)
    if own.dye is None:
        raise JobError(file, "has no [dye] table", "write one as the README shows")
    typed = [one for one in (own.dye, shop.base, *shop.tinter) if one is not None and one.typed]
    if not shop.tinter or (shop.ground is None and typed):
        missing = "[ground]" if shop.ground is None else "[[tinter]]"
        raise JobError(
            shop_file, f"has no {missing} table", "write one, or name its file with --tinters"
        )
    _different(shop_file, [one.name for one in shop.tinter], shop_lines)
    mine, shops = _Source(file, own_lines, own.chart), _Source(shop_file, shop_lines, shop.chart)
    names = {BASE: BASE} | {one.name.casefold(): one.name for one in shop.tinter}
    dye = _dye(mine, own.dye, names)
    tinters_read = tuple(
        Tinter(name=one.name, drawdown=shops.drawdown(one, ("tinter", i), one.share))
        for i, one in enumerate(shop.tinter)
    )
    base = None if shop.base is None else shops.drawdown(shop.base, ("base",), 1.0)
    films = (dye.drawdown, *(one.drawdown for one in tinters_read))
    shown = next((film.grounds for film in films if film is not None and film.grounds), None)
    grounds = _grounds(shops, shop.ground) or shown
    assert grounds is not None  # a typed film has [ground], a photo its own
    wish = Wish(
        black=grounds[0],
        white=grounds[1],
        base=base,
        tinters=tinters_read,
        dye=dye,
        wanted=_NONE if own.wanted is None else _three(own.wanted.lab),
        u=own.u or shop.u or USUAL_U,
    )
    return wish, None if own.dye.lab is None else _three(own.dye.lab)


def _grounds(shop: _Source, ground: Ground | None) -> tuple[Lab3, Lab3] | None:
    """The typed grounds of a hiding chart."""
    if ground is None:
        return None
    if ground.white[0] < ground.black[0] + _GROUNDS_APART:
        raise JobError(
            shop.file,
            "[ground] has a white hardly lighter than its black",
            "give L, a, b of the bare black and white of a hiding chart",
            line=nearest_line(shop.lines, ("ground",)),
        )
    return _three(ground.black), _three(ground.white)


@dataclass(frozen=True, slots=True)
class _Source:
    """A file that drawdowns are read from: its lines, and the chart in its photos."""

    file: Path
    lines: dict[KeyPath, int]
    chart: ChartTable

    def drawdown(self, film: Film, path: KeyPath, share: float) -> Drawdown:
        """A drawdown as typed, or as its photo shows it.

        Raises
        ------
        JobError
            If there is neither, or it cannot be read, or black and white were changed over.
        """
        if film.typed == film.shot:
            raise JobError(
                self.file,
                f"{_home(path)} has {'two readings' if film.typed else 'no whole reading'}",
                "give `over_black` and `over_white`, or a `photo` and its `boxes`",
                line=nearest_line(self.lines, path),
            )
        found = self._shot(film, path, share) if film.shot else None
        if found is None:
            assert film.over_black is not None
            assert film.over_white is not None
            found = Drawdown(
                over_black=_three(film.over_black),
                over_white=_three(film.over_white),
                share=share,
            )
        # A film is never darker over white, but for what readings are off (own allowance).
        if found.over_black[0] > found.over_white[0] + 5.0:
            raise JobError(
                self.file,
                "`over_black` is lighter than `over_white`",
                "check whether the two were changed over",
                line=nearest_line(self.lines, (*path, "over_black")),
            )
        return found

    def _shot(self, film: Film, path: KeyPath, share: float) -> Drawdown:
        from fullhide.drawdown import AREAS, read_drawdown

        assert film.boxes is not None
        for key in ("photo", "grey_board"):
            name = getattr(film, key)
            if name is not None and not (self.file.parent / name).is_file():
                raise JobError(
                    self.file,
                    f"photo `{name}` is not there",
                    f"correct `{key}`; its path is from this file's folder",
                    line=nearest_line(self.lines, (*path, key)),
                )
        own = self.chart.lab and tuple(_three(row) for row in self.chart.lab)
        found = read_drawdown(
            self.file.parent / str(film.photo),
            {name: getattr(film.boxes, name) for name in AREAS},
            chart=ChartSettings(
                edition=None if own else self.chart.edition or ChartSettings().edition,
                lab=own or None,
                width_mm=self.chart.width_mm,
            ),
            share=share,
            grey_board=None if film.grey_board is None else self.file.parent / film.grey_board,
        )
        assert found.grounds is not None
        if found.grounds[1][0] < found.grounds[0][0] + _GROUNDS_APART:
            raise JobError(
                self.file,
                f"`boxes` in {_home(path)} show a white hardly lighter than the black",
                "give left, top, right and bottom of bare black and bare white in the photo",
                line=nearest_line(self.lines, (*path, "boxes")),
            )
        return found


def _home(path: KeyPath) -> str:
    """A table's name as a person sees it."""
    return f"[[{path[0]}]] {int(path[1]) + 1}" if len(path) > 1 else f"[{path[0]}]"


def _dye(source: _Source, dye: DyeTable, names: dict[str, str]) -> Dye:
    parts = dye.parts or {}
    line = nearest_line(source.lines, ("dye",))
    for name in parts:
        if name.casefold() not in names:
            raise JobError(
                source.file,
                f'[dye] has parts of "{name}", which is no [[tinter]]',
                did_you_mean(name, names.values()),
                line=line,
            )
    given = (dye.over_black, dye.over_white, dye.photo, dye.boxes)
    drawdown = None
    if dye.typed or dye.shot:
        drawdown = source.drawdown(dye, ("dye",), dye.share)
    elif any(one is not None for one in given) or not parts:
        raise JobError(
            source.file,
            "[dye] does not tell how strong the dye is",
            "add `over_black` and `over_white` of a drawdown, or a `photo` and its `boxes`, or the "
            "`parts` it is mixed of",
            line=line,
        )
    known = tuple((names[name.casefold()], part) for name, part in parts.items())
    lab = _NONE if dye.lab is None else _three(dye.lab)
    return Dye(lab=lab, drawdown=drawdown, parts=known)


def _three(lab: Sequence[float]) -> tuple[float, float, float]:
    lightness, a, b = lab
    return lightness, a, b


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


def _read(file: Path) -> tuple[TintFile, dict[KeyPath, int]]:
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
        return TintFile.model_validate(raw), lines
    except ValidationError as error:
        items = error.errors(include_url=False)
        # A key that is missing is most often there, misspelt: then that is the mistake.
        items = [item for item in items if item["type"] != "missing"] or items
        first = min(items, key=lambda item: nearest_line(lines, tuple(item["loc"])) or 0)
        raise _mistake(file, first, lines) from None


def _measured(file: Path, table: Any, path: KeyPath, lines: dict[KeyPath, int]) -> None:
    """Put the colour of a spectrum in place of each reading that names a CSV file instead."""
    items = enumerate(table) if isinstance(table, list) else table.items()
    for key, value in items:
        if isinstance(value, dict | list):
            _measured(file, value, (*path, key), lines)
        elif isinstance(value, str) and key in READINGS:
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
        known = list((Boxes if "boxes" in keys[:-1] else MODELS[table]).model_fields)
        return JobError(file, f"unknown key `{key}`{home}", did_you_mean(key, known), line=line)
    usual = BOX if "boxes" in keys[:-1] else LAB
    expected = EXPECTS.get(key, f"a [{key}] table" if key in TABLES else usual)
    if item["type"] == "missing":
        return JobError(file, f"`{key}` is missing{home}", f"add {expected}", line=line)
    if keys == ["tinter"] and len(loc) > 1:
        return JobError(file, f"[[tinter]] {int(loc[1]) + 1} is no table", "", line=line)
    return JobError(file, f"`{key}`{home} cannot be used", f"it must be {expected}", line=line)
