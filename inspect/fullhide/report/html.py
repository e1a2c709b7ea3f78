"""The report as one self-contained HTML page."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from fullhide.report import words
from fullhide.report.curve import curve_svg
from fullhide.report.marks import marks_svg, outlines_svg, ruler_svg
from fullhide.report.match_shown import match_of, plane_svg, swatches_svg
from fullhide.report.page import Page
from fullhide.report.pictures import Picture, Pictures

__all__ = ["report_html"]

TEMPLATES = Path(__file__).parent / "templates"


def report_html(page: Page, pictures: Pictures) -> bytes:
    """Return the whole page: text, pictures, style and script in one file, in UTF-8."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "number": words.plain_number,
        "sentence": words.sentence,
        "aside": words.aside_words,
        "measured": words.measured_words,
        "limited": words.measure_limit_words,
        "limit": words.limit_words,
        # Drawn by us, its every text escaped.
        "curve": lambda facts: Markup(curve_svg(facts)),
    }
    # Our own files, and drawings whose every text is escaped where it is put in.
    style = Markup((TEMPLATES / "report.css").read_text("utf-8"))
    script = (TEMPLATES / "report.js").read_text("utf-8")

    def shown(picture: Picture, outlines: Any = ()) -> SimpleNamespace:
        return SimpleNamespace(
            src=_uri(picture.jpeg, "jpeg"),
            width=picture.size[0],
            height=picture.size[1],
            marks=Markup(marks_svg(picture.view, picture.marks)),
            outlines=Markup(outlines_svg(picture.view, outlines, picture.marks)),
            ruler=Markup(ruler_svg(picture.view, picture.mm_per_unit)),
        )

    photos = {
        key: shown(picture, page.photo(key).outlines) for key, picture in pictures.photos.items()
    }
    matches = {
        (part.name, region.name, region.photo): SimpleNamespace(
            plane=Markup(plane_svg(match, name=f"{part.name}, {region.name}")),
            swatches=Markup(swatches_svg(match, name=f"{part.name}, {region.name}")),
            caption=match.caption,
        )
        for part in page.parts
        for region in part.regions
        if (match := match_of(region.read, confidence=page.confidence))
    }
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    text = environment.get_template("report.html").render(
        page=page,
        problems=page.problems + pictures.told,
        shown=photos,
        close={key: shown(picture) for key, picture in pictures.close.items()},
        bands=words.bands_words(page),
        seams={key: shown(picture) for key, picture in pictures.seams.items()},
        earlier={key: shown(picture) for key, picture in pictures.earlier.items()},
        matches=matches,
        swatches=words.SWATCHES,
        logo=_uri(page.shop.logo, page.shop.logo_type) if page.shop.logo else "",
        checked=words.checked_words(page),
        verdicts=words.shown_verdicts(page),
        airbag_notice=words.AIRBAG,
        style=style,
        script=Markup(script),
        script_hash=f"sha256-{digest}",
    )
    # A file name that is not UTF-8 holds lone surrogates.
    return text.encode(errors="replace")


def _uri(data: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
