"""Colours that regions have to match and that no photo shows: typed, or measured elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fullhide.errors import JobError
from fullhide.locate import KeyPath, nearest_line
from fullhide.outlines import Outlines

if TYPE_CHECKING:
    from fullhide.job_file import JobFile, ReferenceTable

__all__ = ["TypedReference", "read_references"]

Lab = tuple[float, float, float]
#: Standard uncertainty of a reference's L*, a* and b* where nobody gives one (own allowance).
_USUAL_U = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedReference:
    """A colour that finished regions have to match, known without a photo.

    Attributes
    ----------
    lab
        CIE Lab, D50, 2°: as typed, or of the spectrum.
    u
        Standard uncertainty of each of L*, a* and b*.
    part, regions
        What it is for: a part's name, None for all of them; names of its regions, empty for all.
    """

    name: str
    lab: Lab
    u: float = _USUAL_U
    part: str | None = None
    regions: tuple[str, ...] = ()

    def is_for(self, part: str | None, region: str) -> bool:
        """Whether a region is to match it."""
        here = self.part is None or self.part.casefold() == (part or "").casefold()
        names = [name.casefold() for name in self.regions]
        return here and (not names or region.casefold() in names)


def read_references(
    where: Path, checked: JobFile, outlines: Outlines, lines: dict[KeyPath, int]
) -> tuple[TypedReference, ...]:
    """The typed references, each for something that there is and that no other one is for.

    Parameters
    ----------
    where
        The `job.toml`.
    checked, outlines
        What it holds, and the outlines: parts and regions that there are.
    lines
        Lines of the keys.

    Raises
    ------
    JobError
        If one is for nothing, or for the same as another, or its spectrum cannot be read.
    """
    from fullhide.job_file import did_you_mean

    parts = {str(table["part"]) for table in checked.photo if isinstance(table.get("part"), str)}
    parts |= {part.name for part in checked.part}
    names = {outline.name for outline in outlines.usable}
    names |= {name for part in checked.part for name in part.regions}
    found: list[TypedReference] = []
    for index, table in enumerate(checked.reference):
        line = nearest_line(lines, ("reference", index))
        wanted = [("part", table.part, parts)] if table.part is not None else []
        # Nothing drawn yet and nothing listed: any name may become one.
        wanted += [("region", name, names) for name in table.regions if names]
        for what, name, known in wanted:
            if name.casefold() not in {one.casefold() for one in known}:
                what = f'[[reference]] "{table.name}" is for the {what} "{name}", which is none'
                raise JobError(where, what, did_you_mean(name, sorted(known)), line=line)
        one = TypedReference(
            name=table.name,
            lab=_reference_lab(where, table, nearest_line(lines, ("reference", index, "spectrum"))),
            u=table.u or _USUAL_U,
            part=table.part,
            regions=tuple(table.regions),
        )
        for other in found:
            if _same_scope(one, other):
                what = f'[[reference]] "{one.name}" is for the same as "{other.name}"'
                raise JobError(where, what, "say what each is for, or keep one", line=line)
        found.append(one)
    return tuple(found)


def _same_scope(one: TypedReference, other: TypedReference) -> bool:
    if (one.part or "").casefold() != (other.part or "").casefold():
        return False
    first, second = ({name.casefold() for name in ref.regions} for ref in (one, other))
    return bool(first & second) or not (first or second)


def _reference_lab(where: Path, table: ReferenceTable, line: int | None) -> Lab:
    if table.lab is not None:
        lightness, a, b = table.lab
        return lightness, a, b
    from fullhide.spectrum import read_spectrum, spectrum_lab

    path = where.parent / str(table.spectrum)
    if not path.is_file():
        what = f"spectrum `{table.spectrum}` is not in the job folder"
        raise JobError(where, what, "copy it there or correct `spectrum`", line=line)
    return spectrum_lab(read_spectrum(path, name=table.name))
