"""The papers: report and touch-up sheet as PDF, set by typst from plain data."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fullhide.errors import FullhideError, OutputError
from fullhide.files import why
from fullhide.report import words
from fullhide.report.curve import curve_svg
from fullhide.report.marks import marks_svg, outlines_svg, ruler_svg
from fullhide.report.match_shown import match_of, plane_svg, swatches_svg
from fullhide.report.page import Before, CoatsFacts, Page, Part, PhotoFacts, Region
from fullhide.report.pictures import Picture, Pictures

__all__ = ["papers"]

TEMPLATES = Path(__file__).parent / "templates"
_COMMON = "common.typ"
#: Close-ups that fit in a row of the touch-up sheet.
_MOST_CLOSE = 6
#: Stands where a letter is in none of the fonts at hand: PDF/A forbids an empty box.
_UNKNOWN = "?"


def papers(page: Page, pictures: Pictures, names: tuple[str, ...]) -> dict[str, bytes]:
    """Set papers.

    Parameters
    ----------
    page, pictures
        What they say and show.
    names
        ``"report"``, ``"touch_up"``: the templates to set.

    Returns
    -------
    dict
        Each one's PDF by its name.

    Raises
    ------
    OutputError
        If there is no room for the work.
    FullhideError
        If typst cannot set it.
    """
    try:
        # Letters that each alone can be shown may not be so together: then only plain ones are.
        try:
            return _papers(page, pictures, names, _Letters())
        except _UnsettableError:
            return _papers(page, pictures, names, _Letters(only_plain=True))
    except OSError as error:
        raise OutputError(
            error.filename or tempfile.gettempdir(),
            f"cannot be written ({why(error)})",
            "free some space there",
        ) from None


class _UnsettableError(FullhideError):
    """A paper that typst refuses."""


def _papers(
    page: Page, pictures: Pictures, names: tuple[str, ...], letters: _Letters
) -> dict[str, bytes]:
    with tempfile.TemporaryDirectory(prefix="fullhide-") as name:
        root = Path(name)
        desk = _Desk(root, page, pictures, letters)
        (root / "data.json").write_text(desk.data(), "utf-8")
        shutil.copy(TEMPLATES / _COMMON, root)
        # typst lets other threads run.
        with ThreadPoolExecutor(max_workers=max(1, len(names))) as pool:
            made = pool.map(lambda paper: _set(root, paper, page), names)
            return dict(zip(names, made, strict=True))


def _set(root: Path, paper: str, page: Page) -> bytes:
    import typst

    source = root / f"{paper}.typ"
    shutil.copy(TEMPLATES / source.name, source)
    when = dt.datetime.fromisoformat(page.when_utc)
    try:
        made = typst.compile(
            source,
            root=root,
            format="pdf",
            # To be kept, with its structure tagged, and read by those who cannot see it.
            pdf_standards=["a-2a", "ua-1"],
            timestamp=when,
        )
    except typst.TypstError as error:
        raise _UnsettableError(
            f"{paper}.pdf", f"cannot be set: {error}", "report this job"
        ) from None
    if not isinstance(made, bytes):
        raise _UnsettableError(f"{paper}.pdf", "cannot be set", "report this job")
    return made


@dataclass(slots=True)
class _Letters:
    """Text as PDF/A takes it: no private or unassigned letters, none without a shape.

    Whether a font at hand can show an unusual letter is tried out, on a page of its own.
    """

    only_plain: bool = False
    _shown: dict[str, bool] = field(default_factory=dict)

    def plain(self, told: Any) -> Any:
        """Texts, and lists and mappings of them, with what cannot be shown replaced."""
        if isinstance(told, str):
            return "".join(letter if self._fits(letter) else _UNKNOWN for letter in told)
        if isinstance(told, dict):
            return {key: self.plain(value) for key, value in told.items()}
        if isinstance(told, list | tuple):
            return [self.plain(value) for value in told]
        return told

    def _fits(self, letter: str) -> bool:
        if letter in _KNOWN or letter == "\n":
            return True
        if not letter.isprintable():
            return False
        if ord(letter) <= _LATIN:
            return True
        if self.only_plain:
            return False
        if letter not in self._shown:
            self._shown[letter] = _shows(letter)
        return self._shown[letter]


# In Libertinus Serif, which comes with typst.
_LATIN = 0x17F
_KNOWN = frozenset("–—‘’“”…ΔΣ−×≤≥≈′″€•¼½¾")


def _shows(letter: str) -> bool:
    import typst

    source = b'#set text(font: "Libertinus Serif")\n#sys.inputs.at("letter")'
    try:
        typst.compile(source, format="pdf", pdf_standards="a-2a", sys_inputs={"letter": letter})
    except typst.TypstError:
        return False
    return True


class _Desk:
    """Everything a paper needs, laid out as files and plain data in one folder."""

    def __init__(self, root: Path, page: Page, pictures: Pictures, letters: _Letters) -> None:
        self.root = root
        self.letters = letters
        self.page = page
        self.pictures = pictures
        self.count = 0
        self.shown = {
            key: self._picture(picture, page.photo(key)) for key, picture in pictures.photos.items()
        }

    def data(self) -> str:
        page = self.page
        when = dt.datetime.fromisoformat(page.when_utc)
        told: dict[str, Any] = {
            "job": page.job,
            "shop": page.shop.name,
            "logo": self._file(page.shop.logo, page.shop.logo_type) if page.shop.logo else None,
            "version": page.version,
            "when": page.when,
            "when_utc": page.when_utc,
            "date": [when.year, when.month, when.day, when.hour, when.minute, when.second],
            "headline": page.headline,
            "gate": {"says": page.gate.says, "against": page.gate.against},
            "counts": [[word, str(count)] for word, count in page.counts],
            "checked": words.checked_words(page),
            "verdicts": words.shown_verdicts(page),
            "notes": page.notes,
            "privacy": page.privacy,
            "scope": page.scope,
            "cautions": page.cautions,
            "sheet_cautions": words.CAUTIONS,
            "airbag": words.AIRBAG,
            "problems": [*page.problems, *self.pictures.told],
            "signatures": [
                {
                    "by": s.by,
                    "when": s.when + (", with a key" if s.keyed else ""),
                    "despite": s.despite,
                    "note": s.note,
                    "seal": s.seal,
                }
                for s in page.signatures
            ],
            "swatches": words.SWATCHES,
            "colours": [
                {
                    "what": colour.what,
                    "name": colour.name,
                    "shown": colour.shown,
                    "lab": ", ".join(words.plain_number(value) for value in colour.lab),
                }
                for colour in page.colours
            ],
            "limits": [
                {"what": limit.what, "value": words.limit_words(limit), "source": limit.source}
                for limit in page.limits
            ],
            "parts": [self._part(part) for part in page.parts],
            "bands": words.bands_words(page),
            "seams": [seam for part in page.parts for seam in self._seams(part)],
            "sheets": [sheet for part in page.parts if (sheet := self._sheet(part))],
            "coats": [self._coats(facts) for facts in page.coats],
            "coats_note": page.coats_note,
            "photos": [{"file": photo.file, "sha256": photo.sha256} for photo in page.photos],
            "lights": page.lights,
            "made_from": f"From {page.inspections} inspections." if page.inspections else "",
        }
        return json.dumps(self.letters.plain(told), ensure_ascii=False)

    # ------------------------------------------------------------ files

    def _file(self, data: bytes, ending: str) -> str:
        self.count += 1
        name = f"f{self.count}.{ending}"
        (self.root / name).write_bytes(data)
        return name

    def _picture(self, picture: Picture, facts: PhotoFacts | None = None) -> dict[str, Any]:
        layers = []
        if facts is not None and facts.outlines:
            layers.append(outlines_svg(picture.view, facts.outlines, picture.marks))
        if picture.marks:
            layers.append(marks_svg(picture.view, picture.marks))
        drawn = [self.letters.plain(layer) for layer in layers]
        return {
            "file": self._file(picture.jpeg, "jpg"),
            "width": picture.size[0],
            "height": picture.size[1],
            "layers": [self._file(layer.encode(), "svg") for layer in drawn],
        }

    # ------------------------------------------------------------ facts

    def _part(self, part: Part) -> dict[str, Any]:
        return {
            "name": part.name,
            "word": part.word,
            "airbag": part.airbag,
            "photos": [self._photo(key) for key in part.photos if key in self.shown],
            "pairs": [
                [self._earlier(pair), self._photo(pair.after)]
                for pair in part.pairs
                if pair.before in self.shown and pair.after in self.shown
            ],
            "regions": [
                {**_region(region), "match": self._match(part, region)} for region in part.regions
            ],
        }

    def _match(self, part: Part, region: Region) -> dict[str, Any] | None:
        """The pictures of a region's match; None without one."""
        match = match_of(region.read, confidence=self.page.confidence)
        if match is None:
            return None
        name = f"{part.name}, {region.name}"
        drawn = {"plane": plane_svg(match, name=name), "swatches": swatches_svg(match, name=name)}
        return {
            **{
                key: self._file(self.letters.plain(svg).encode(), "svg")
                for key, svg in drawn.items()
            },
            "name": name,
            "says": match.says,
            "caption": match.caption,
        }

    def _photo(self, key: str) -> dict[str, Any]:
        facts = self.page.photo(key)
        return {
            "picture": self.shown[key],
            "alt": facts.alt,
            "letter": facts.letter,
            "stage": words.sentence(facts.stage),
            "says": " ".join([words.sentence(facts.stage), *facts.trust]),
            "file": facts.file,
        }

    def _earlier(self, pair: Before) -> dict[str, Any]:
        """A photo of before, laid over the one of now where that is known."""
        laid = self.pictures.earlier.get((pair.before, pair.after))
        photo = self._photo(pair.before)
        return {**photo, "picture": self._picture(laid)} if laid else photo

    def _seams(self, part: Part) -> list[dict[str, Any]]:
        told = []
        for region in part.regions:
            picture = self.pictures.seams.get((region.photo, region.name))
            if picture is not None:
                ruler = ruler_svg(picture.view, picture.mm_per_unit)
                name = f"{part.name}, {region.name}"
                told.append(
                    {
                        "picture": self._picture(picture),
                        "alt": f"{name}, laid straight: {region.word}",
                        "ruler": self._file(ruler.encode(), "svg") if ruler else None,
                        "word": region.word,
                        "name": name,
                    }
                )
        return told

    def _coats(self, facts: CoatsFacts) -> dict[str, Any]:
        curve = self.letters.plain(curve_svg(facts))
        return {
            "name": facts.name,
            "says": facts.says,
            "head": facts.head,
            "rows": facts.rows,
            "curve": self._file(curve.encode(), "svg") if curve else None,
            "alt": facts.alt,
            "airbag": facts.airbag,
        }

    def _sheet(self, part: Part) -> dict[str, Any] | None:
        """What is to do on a part; None if nothing is."""
        spots = [
            spot
            for region in part.regions
            if region.verdict != "pass"
            for spot in _on_sheet(region)
        ]
        told = {region: f"{region.name}: {' '.join(region.why)}" for region in part.regions}
        again = [told[r] for r in part.regions if r.word in ("retake", "missing", "not yet")]
        # A fail wants every sentence that the table of spots does not tell.
        work = [
            f"{region.name}: {' '.join(rest)}"
            for region in part.regions
            if region.word == "fail" and (rest := _beside_spots(region))
        ]
        if not spots and not again and not work:
            return None
        keys = dict.fromkeys(
            region.photo
            for region in part.regions
            if region.word in ("fail", "retake", "not yet") and region.photo in self.shown
        )
        return {
            "name": part.name,
            "airbag": part.airbag,
            "photos": [self._photo(key) for key in keys],
            "spots": spots,
            "again": again,
            "work": work,
            "close": self._close(part),
            "coats": [
                f"{facts.name.removeprefix(f'{part.name}: ')}: {facts.says[0]}"
                for facts in self.page.coats
                if facts.part == part.name
            ],
        }

    def _close(self, part: Part) -> list[dict[str, Any]]:
        """Close-ups of the largest spots of a part, in the order of their numbers."""
        found = [
            (spot, picture)
            for region in part.regions
            for spot in region.spots
            if (picture := self.pictures.close.get((region.photo, spot.label)))
        ]
        largest = sorted(found, key=lambda pair: -(pair[0].area_mm2 or 0.0))[:_MOST_CLOSE]
        return [
            {
                "picture": self._picture(picture),
                "alt": f"Close-up of {spot.label}",
                "label": spot.label,
            }
            for spot, picture in sorted(largest, key=lambda pair: pair[0].number)
        ]


#: What a reason says of the places that stand in the sheet's table.
_OF_SPOTS = re.compile(
    r" at \d+ places?\b|bleeds [\d.]+ mm over the line|in a gap [\d.]+ mm|^overspray of",
    re.IGNORECASE,
)


def _beside_spots(region: Region) -> tuple[str, ...]:
    """Why a region fails, without what its spots in the table say already."""
    if not region.spots:
        return region.why
    return tuple(why for why in region.why if not _OF_SPOTS.search(why))


def _on_sheet(region: Region) -> list[dict[str, Any]]:
    """A region's spots; on the sheet a part's regions stand in one table."""
    return [
        {**spot, "where": f"{region.name}: {spot['where'].removesuffix(' of the region')}"}
        for spot in _region(region)["spots"]
    ]


def _region(region: Region) -> dict[str, Any]:
    return {
        "name": region.name,
        "kind": region.kind + (", outline proposed by the computer" if region.proposed else ""),
        "word": region.word,
        "why": region.why,
        "tint": region.tint,
        "figures": words.figure_words(region),
        "spots": [
            {
                "label": spot.label,
                "what": spot.what + (f" ({spot.answer})" if spot.answer else ""),
                "size": spot.size,
                "where": spot.where,
                "do": spot.do,
            }
            for spot in region.spots
        ],
        "set_aside": [words.aside_words(item) for item in region.set_aside],
        "rounds": [
            {
                "by": item.by,
                "number": str(item.number),
                "when": item.when,
                "word": item.word,
                "changes": item.changes,
            }
            for item in region.rounds
        ],
    }
