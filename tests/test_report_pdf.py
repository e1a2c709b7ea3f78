"""The papers: what they say, that they may be kept, and how they look when printed."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from report_job import JOB, NASTY, SHOTS, SPOTS, finding, inspected_job, region
from report_tools import contrast, flowing_text, page_pictures, page_texts, poppler

from fullhide import wording
from fullhide.report import words
from fullhide.report.build import page_of
from fullhide.report.kept import known_of_record
from fullhide.report.marks import COLOURS
from fullhide.report.page import Page, Signature
from fullhide.report.pdf import papers
from fullhide.report.pictures import make_pictures

NOW = dt.datetime(2026, 3, 20, 9, 30, tzinfo=dt.UTC)
PAPERS = ("report", "touch_up")
DESPITE = Signature(
    by="R. Weaver", when="20 March 2026", despite="the owner <i>waits</i>", seal="ab" * 32
)


def write(page: Page, folder: Path, job_folder: Path, names: tuple[str, ...] = PAPERS) -> Path:
    for name, data in papers(page, make_pictures(page, job_folder), names).items():
        (folder / f"{name}.pdf").write_bytes(data)
    return folder


@pytest.fixture(scope="module")
def page_and_folder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Page, Path]:
    folder = tmp_path_factory.mktemp("papers")
    job = inspected_job(folder / "kestrel")
    page = page_of(replace(known_of_record(job), signatures=(DESPITE,)), now=NOW)
    return page, write(page, folder, job.folder)


@pytest.fixture(scope="module")
def page(page_and_folder: tuple[Page, Path]) -> Page:
    return page_and_folder[0]


@pytest.fixture(scope="module", params=PAPERS)
def paper(request: pytest.FixtureRequest, page_and_folder: tuple[Page, Path]) -> Path:
    return page_and_folder[1] / f"{request.param}.pdf"


@pytest.fixture(scope="module")
def report(page_and_folder: tuple[Page, Path]) -> Path:
    return page_and_folder[1] / "report.pdf"


@pytest.fixture(scope="module")
def sheet(page_and_folder: tuple[Page, Path]) -> Path:
    return page_and_folder[1] / "touch_up.pdf"


# ---------------------------------------------------------------- to be kept


def test_it_says_of_itself_that_it_is_pdf_a_and_readable_by_ear(paper: Path) -> None:
    # ISO 19005-2, 6.6.4 and ISO 14289-1, 5: the identification schemas in the XMP metadata.
    told = poppler("pdfinfo", "-meta", str(paper))
    for key, value in (("pdfaid:part", "2"), ("pdfaid:conformance", "A"), ("pdfuaid:part", "1")):
        assert re.search(rf"<{key}>{value}</{key}>|{key}=\"{value}\"", told), key


def test_it_is_tagged_titled_and_stands_on_its_own(paper: Path) -> None:
    told = poppler("pdfinfo", str(paper))
    assert re.search(r"Tagged: +yes", told)
    assert re.search(r"Title: +Kestrel", told)
    assert re.search(r"JavaScript: +no", told)
    fonts = poppler("pdffonts", str(paper)).splitlines()[2:]
    assert fonts
    for line in fonts:
        # columns: … emb sub uni object ID
        assert line.split()[-5] == "yes", line


def test_every_picture_is_told_in_words(report: Path, page: Page) -> None:
    structure = poppler("pdfinfo", "-struct", str(report))
    pictures = structure.count("Figure")
    assert pictures >= len(page.photos)


# ---------------------------------------------------------------- the same facts


def test_the_report_tells_every_fact(report: Path, page: Page) -> None:
    told = flowing_text(report)
    for one in page.regions:
        assert one.name in told
        for text in (*one.why, *words.figure_words(one)):
            assert text in told
        for spot in one.spots:
            assert spot.what in told
            assert spot.size in told
        for item in one.set_aside:
            assert item.reason in told
        for item in one.rounds if len(one.rounds) > 1 else ():
            assert item.when in told
            assert item.changes in told
    for limit in page.limits:
        assert f"{words.limit_words(limit)} {limit.source}" in told
    for photo in page.photos:
        assert photo.file in told
        assert photo.sha256 in told.replace(" ", "")
        for text in photo.trust:
            assert text in told
    assert page.shop.name in told
    for colour in page.colours:
        assert f"{colour.what} {colour.name}" in told
    for text in (page.privacy, *page.cautions, page.headline, *page.gate.against, page.gate.says):
        assert text in told
    assert DESPITE.seal in told.replace(" ", "")


def test_scope_and_the_reason_to_sign_all_the_same_stand_on_every_page(paper: Path) -> None:
    texts = page_texts(paper)
    assert len(texts) >= 3
    for text in texts:
        assert wording.SCOPE in text
        assert "Signed although something stood against it" in text
        assert "the owner <i>waits</i>" in text


def test_what_people_write_is_text_and_nothing_else(paper: Path) -> None:
    assert NASTY in flowing_text(paper)


@pytest.mark.parametrize("odd", ["\u6d4b", "\u0627", "\U0001f6e0", "e\u0301\u0323"])
def test_a_letter_that_no_font_has_does_not_keep_the_paper_from_being_set(
    tmp_path: Path, odd: str
) -> None:
    job = inspected_job(tmp_path / "j", SHOTS[1:2], JOB.replace("Harbour", f"Harbour {odd}Quay"))
    told = flowing_text(write(page_of(known_of_record(job)), tmp_path, job.folder) / "report.pdf")
    assert "Harbour" in told
    assert "Quay" in told


# The last is what typst refuses together although it shows each letter alone (found by trying
# random names).
@pytest.mark.parametrize(
    "name", ["\u5ea7\u6905", "si\u00e8ge", "\u2b38\u0326\u05e0\u2034\u0946\u1ef8\U0001f630"]
)
def test_a_region_of_any_name_is_set_with_its_picture(tmp_path: Path, name: str) -> None:
    shots = (replace(SHOTS[1], regions=(region(f"a {name}", "fail", SPOTS[0]),)),)
    job = inspected_job(tmp_path / "j", shots, f"name = 'b {name}'\n")
    folder = write(page_of(known_of_record(job)), tmp_path, job.folder)
    for paper in PAPERS:
        assert "old green shows" in flowing_text(folder / f"{paper}.pdf")
    assert ("si\u00e8ge" in flowing_text(folder / "report.pdf")) == (name == "si\u00e8ge")


# ---------------------------------------------------------------- the touch-up sheet


def test_each_part_with_something_left_to_do_has_one_page(sheet: Path, page: Page) -> None:
    texts = page_texts(sheet)
    assert len(texts) == len(page.parts)
    for part, text in zip(page.parts, texts, strict=True):
        assert text.startswith(part.name) or part.name in text[:200]
        for one in part.regions:
            if one.word == "fail":
                for spot in one.spots:
                    assert f"{one.name}: {spot.where.removesuffix(' of the region')}" in text


def test_where_an_airbag_may_be_the_sheet_advises_no_work(sheet: Path) -> None:
    text = page_texts(sheet)[1]
    assert "seat, bolster" in text
    assert "This region may contain an airbag or tear seam" in text
    assert "refer to the vehicle maker" in text
    assert not re.search(r"spot touch-up|another coat|next coat|spray", text)


def test_a_region_with_spots_is_told_what_else_it_fails_on(tmp_path: Path) -> None:
    why = (
        wording.spots_reason("old green", [(37.0, None)], sure=True, airbag=False),
        wording.evenness_reason(4.9, 2.0, verdict="fail", flat=True),
        wording.bands_reason(69.0, 0.0, 2.0, sure=True, airbag=False),
    )
    spotted = replace(region("seat", "fail", SPOTS[0]), reasons=why)
    job = inspected_job(tmp_path / "j", (replace(SHOTS[1], regions=(spotted,)),), "name = 'j'\n")
    folder = write(page_of(known_of_record(job), now=NOW), tmp_path, job.folder, ("touch_up",))
    text = flowing_text(folder / "touch_up.pdf")
    assert "To do on the whole region" in text
    assert "patches differ by 4.9" in text
    assert "spray the next coat across them" in text
    assert "shows through at" not in text  # the table tells it


def _ticks(picture: np.ndarray, dpi: int) -> int:
    """Empty squares of 4.2 mm on a page."""
    side = 4.2 / 25.4 * dpi
    lines, _ = cv2.findContours(255 - picture, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    found = 0
    for line in lines:
        _, _, width, height = cv2.boundingRect(line)
        near = abs(width - side) < 4 and abs(height - side) < 4
        found += near and cv2.contourArea(line) > 0.8 * (side - 4) ** 2
    return found // 2  # a drawn square has an outer and an inner edge


def _long_job(folder: Path, count: int) -> tuple[Page, Path]:
    spots = tuple(
        finding(n + 1, 2.0 + n, (90.0 + 38.0 * (n % 10), 90.0 + 60.0 * (n // 10)))
        for n in range(count)
    )
    shots = (replace(SHOTS[1], regions=(region("seat", "fail", *spots),)),)
    job = inspected_job(folder / "j", shots, "name = 'long'\n")
    page = page_of(known_of_record(job), now=NOW)
    return page, write(page, folder, job.folder, ("touch_up",)) / "touch_up.pdf"


@pytest.mark.parametrize("count", [1, 6, 14, 30])
def test_every_spot_has_its_number_place_and_box_on_one_page(tmp_path: Path, count: int) -> None:
    page, path = _long_job(tmp_path, count)
    texts = page_texts(path)
    assert len(texts) == 1
    told = flowing_text(path)
    for spot in page.parts[0].regions[0].spots:
        assert spot.size in told
    dpi = 100
    picture = page_pictures(path, tmp_path / "p", dpi=dpi)[0]
    _, dark = cv2.threshold(picture, 128, 255, cv2.THRESH_BINARY)
    assert _ticks(dark, dpi) >= count


def test_nothing_runs_off_the_paper(paper: Path, tmp_path: Path) -> None:
    for picture in page_pictures(paper, tmp_path / "p"):
        edge = round(8 / 25.4 * 60)  # 8 mm, which printers leave white anyway
        inner = picture[edge:-edge, edge:-edge]
        assert (picture == 255).sum() - (inner == 255).sum() == picture.size - inner.size
        assert (inner < 128).mean() > 0.002


@pytest.mark.parametrize("surface", [(10, 10, 10), (118, 118, 118), (245, 245, 240)])
@pytest.mark.parametrize("word", ["fail", "retake", "pass"])
def test_in_black_and_white_a_mark_stands_out_on_any_leather(
    word: str, surface: tuple[int, int, int]
) -> None:
    # 3 to 1: WCAG 2.2, criterion 1.4.11, of some part of the line against the surface or of its
    # parts against each other. Contrast of luminances is what a grey print keeps.
    colour = tuple(int(COLOURS[word][n : n + 2], 16) for n in (1, 3, 5))  # type: ignore[index]
    halo = (20, 20, 20) if word == "retake" else (255, 255, 255)
    pairs = [(colour, halo), (colour, surface), (halo, surface)]
    assert max(contrast(*pair) for pair in pairs) >= 3.0
    assert contrast(colour, halo) >= 3.0


def test_the_contrast_that_these_tests_count_is_that_of_the_guidelines() -> None:
    # Black on white is 21 to 1 by definition; #767676 on white is 4.54, the grey that WCAG's
    # own techniques give as the lightest that passes 4.5 (from memory).
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)
    assert contrast((0x76,) * 3, (255, 255, 255)) == pytest.approx(4.54, abs=0.005)


def test_a_job_with_nothing_left_to_do_says_so(tmp_path: Path) -> None:
    from report_job import pass_all

    job = inspected_job(tmp_path / "j", (pass_all(SHOTS[1]),), "name = 'done'\n")
    path = write(page_of(known_of_record(job)), tmp_path, job.folder, ("touch_up",))
    assert "Nothing is left to touch up" in page_texts(path / "touch_up.pdf")[0]
