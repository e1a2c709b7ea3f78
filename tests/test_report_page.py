"""The pages' facts, and that every page tells the same of them."""

from __future__ import annotations

import base64
import csv
import datetime as dt
import html as html_text
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from report_job import (
    JOB,
    NASTY,
    SHOTS,
    finding,
    inspected,
    inspected_job,
    keep,
    make_job,
    pass_all,
    region,
)
from report_tools import flowing_text, page_texts
from typer.testing import CliRunner

from fullhide import wording
from fullhide._colour_science import colour
from fullhide.cli import app
from fullhide.errors import FullhideError, JobError
from fullhide.job import Job, load_job
from fullhide.record import Record
from fullhide.report import words
from fullhide.report.build import page_of
from fullhide.report.export import exports, tables
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record, signature_of
from fullhide.report.marks import marks_svg, outlines_svg, whole
from fullhide.report.page import Mark, Measured, Outline, Page, Signature
from fullhide.report.pairs import place_of
from fullhide.report.pictures import make_pictures
from fullhide.report.write import write_report
from fullhide.result import Finding, JobResult

NOW = dt.datetime(2026, 3, 20, 9, 30, tzinfo=dt.UTC)
WHOLE_SEAT = '[[part]]\nname = "bench, right"\nregions = ["seat"]\nseams = ["front seam"]\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return inspected_job(tmp_path_factory.mktemp("report") / "kestrel").folder


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    known = known_of_record(load_job(folder))
    despite = Signature(by="R. Weaver", when="20 March 2026", despite="the owner <i>waits</i>")
    return page_of(replace(known, signatures=(despite,)), now=NOW)


@pytest.fixture(scope="module")
def told(page: Page, folder: Path) -> str:
    """What a person reads on the HTML page."""
    text = report_html(page, make_pictures(page, folder)).decode()
    text = re.sub(r"(?s)<(style|script|svg)\b.*?</\1>", " ", text)
    return " ".join(html_text.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def regions(page: Page) -> dict[str, str]:
    return {region.name: region.word for region in page.regions}


# ---------------------------------------------------------------- facts


def test_each_region_stands_as_its_newest_photo_says(page: Page) -> None:
    assert regions(page) == {
        "seat": "fail",
        "front seam": "pass",
        "=bolster()": "fail",
        "back": "missing",
    }
    assert [part.word for part in page.parts] == ["fail", "fail", "missing"]


def test_a_region_nobody_photographed_keeps_the_gate_shut(page: Page) -> None:
    assert not page.gate.open
    assert "1 region was never photographed" in page.headline


def test_a_finding_set_aside_is_no_spot_any_more_and_is_told_with_its_reason(page: Page) -> None:
    seat = next(region for region in page.regions if region.name == "seat")
    assert [spot.size for spot in seat.spots] == ["14 mm²"]
    assert [item.reason for item in seat.set_aside] == ["thread end <removed>"]
    assert [mark.label for mark in page.photo(seat.photo).marks] == ["1"]


def test_rounds_tell_what_became_of_each_spot(page: Page) -> None:
    seat = next(region for region in page.regions if region.name == "seat")
    assert [one.changes for one in seat.rounds] == ["", "1 gone, 2 smaller"]
    assert [spot.answer for spot in seat.spots] == ["smaller"]


def test_where_an_airbag_may_be_no_work_is_ever_advised(page: Page) -> None:
    bolster = next(part for part in page.parts if part.airbag)
    assert {spot.do for region in bolster.regions for spot in region.spots} == {
        wording.AIRBAG_REFER
    }
    assert words.AIRBAG in page.cautions
    # The notice in full.
    assert words.AIRBAG.startswith(wording.AIRBAG_NOTICE)
    assert words.AIRBAG.endswith("cannot tell whether a seam will open correctly.")


@pytest.mark.parametrize("kind", ["show_through", "thin_coat", "evenness", "match", "unheard_of"])
@pytest.mark.parametrize("verdict", ["fail", "retake", None])
def test_no_kind_of_finding_brings_advice_to_work_on_an_airbag(kind: str, verdict: str) -> None:
    assert words.do_words(kind, verdict, airbag=True) == wording.AIRBAG_REFER  # type: ignore[arg-type]


ADVICE = (
    wording.spots_reason("sand", [(3.0, None)], sure=True, airbag=False),
    wording.thin_reason("old green", [40.0], sure=True, airbag=False),
    wording.bands_reason(40.0, 0.0, 3.0, sure=True, airbag=False),
    *wording.flag_reasons(["odd_patch"]),
)


@pytest.mark.parametrize("reason", ADVICE)
def test_advice_from_before_an_airbag_was_known_of_is_not_repeated(reason: str) -> None:
    told = wording.without_work(reason)
    assert told.endswith(wording.AIRBAG_REFER)
    assert told.startswith(reason.partition(": ")[0])


@pytest.mark.parametrize("reason", [*wording.flag_reasons(["grain_hides"]), "nothing was found"])
def test_a_photo_may_be_asked_for_where_an_airbag_is(reason: str) -> None:
    assert wording.without_work(reason) == reason


def test_a_part_that_is_said_to_hold_an_airbag_afterwards_loses_its_advice(tmp_path: Path) -> None:
    reason = wording.thin_reason("old green", [40.0], sure=True, airbag=False)
    thin = region("seat", "fail", finding(1, 40.0, (200.0, 200.0), kind="thin_coat"))
    shots = (replace(SHOTS[1], regions=(replace(thin, reasons=(reason,)),)),)
    job = inspected_job_of(tmp_path / "j", shots, "name = 'j'\n" + WHOLE_SEAT)
    path = job.folder / "job.toml"
    path.write_text(path.read_text().replace('regions = ["seat"]', 'regions=["seat"]\nairbag=true'))
    seat = page_of(known_of_record(load_job(job.folder)), now=NOW).regions[0]
    told = " ".join([*seat.why, *(spot.do for spot in seat.spots)])
    assert "another coat" not in told
    assert wording.AIRBAG_REFER in told


@pytest.mark.parametrize(
    ("kind", "verdict", "do"),
    [
        ("show_through", "fail", "spot touch-up"),
        ("thin_coat", "fail", "another coat"),
        ("show_through", "retake", "look here: the photo cannot tell"),
        ("thin_coat", "pass", "nothing: it is within the limits"),
    ],
)
def test_what_to_do_about_a_finding(kind: str, verdict: str, do: str) -> None:
    assert words.do_words(kind, verdict, airbag=False) == do  # type: ignore[arg-type]


def test_a_colour_is_shown_as_near_as_a_screen_comes(page: Page) -> None:
    # CIE Lab 38, -28, 9 under D50 with colour-science 0.4.6: Lab_to_XYZ, Bradford to D65,
    # XYZ_to_sRGB with the curve of IEC 61966-2-1.
    asked, science = page.colours[0], colour()
    d50 = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    expected = science.XYZ_to_sRGB(
        science.Lab_to_XYZ(asked.lab, d50), d50, chromatic_adaptation_transform="Bradford"
    )
    shown = [int(asked.shown[n : n + 2], 16) for n in (1, 3, 5)]
    assert shown == pytest.approx(np.clip(expected, 0, 1) * 255, abs=1.0)


@pytest.mark.parametrize(
    "key",
    [
        "show_through_mm2", "visible_delta_e", "uneven_delta_e", "match_delta_e", "judged_share",
        "band_period_mm", "band_direction_deg", "L", "a", "b",
    ],
)  # fmt: skip
def test_every_measure_of_the_engine_has_plain_words(key: str) -> None:
    assert words.measure_words(key) != key.replace("_", " ")


@pytest.mark.parametrize(
    ("boxes", "says"),
    [
        (((100, 100, 130, 130),), "The place is marked with ? in the photo."),
        (((100, 100, 130, 130), (200, 200, 240, 230)), "The 2 places are marked with ? in"),
    ],
)
def test_a_place_to_look_at_is_marked_where_a_reason_says_look_there(
    tmp_path: Path, boxes: tuple[tuple[int, int, int, int], ...], says: str
) -> None:
    shots = (replace(SHOTS[1], regions=(region("seat", "retake", unseen_px=boxes),)),)
    job = inspected_job_of(tmp_path / "j", shots, "name = 'j'\n" + WHOLE_SEAT)
    page = page_of(known_of_record(job), now=NOW)
    photo = page.photos[0]
    assert [(mark.label, mark.box_px) for mark in photo.marks] == [("?", box) for box in boxes]
    assert says in " ".join(page.regions[0].why)
    drawn = marks_svg(whole(photo.size_px), photo.marks)
    assert drawn.count(">?</text>") == len(boxes)


def test_limits_say_where_they_come_from(page: Page) -> None:
    sources = {limit.key: limit.source for limit in page.limits}
    assert sources.pop("show_through_mm2") == "written in job.toml"
    assert set(sources.values()) == {"fullhide's default"}


def test_what_a_person_set_aside_is_counted_in_the_answer(page: Page) -> None:
    assert page.headline.endswith("1 finding was set aside by a person.")


def test_a_signature_tells_its_seal_and_what_was_added_since(page: Page) -> None:
    held, stale = kept_signatures()
    assert held.seal == "ab" * 32
    assert held.note == ""
    assert "added or changed after this signature" in stale.note


def kept_signatures() -> tuple[Signature, ...]:
    """Two signatures of a record whose last change lies between them."""
    from fullhide.record import Signature as Kept

    kept = [
        Kept(
            number=number, at="2026-03-20T09:30:00Z", by="R. Weaver", despite="", gate=(), files=(),
            public_key="", signature="", statement="", hash="ab" * 32,
        )
        for number in (9, 4)
    ]  # fmt: skip
    return tuple(signature_of(one, last_change=7) for one in kept)


def test_an_earlier_photo_stands_beside_the_newest(page: Page) -> None:
    pair = page.parts[0].pairs[0]
    assert page.photo(pair.before).file == "photos/before.jpg"
    assert page.photo(pair.after).file == "photos/right_2.jpg"


def test_all_passed_and_photographed_opens_the_gate(tmp_path: Path) -> None:
    shots = (SHOTS[0], pass_all(SHOTS[1]))
    head = "name = 'j'\n" + WHOLE_SEAT
    page = page_of(known_of_record(inspected_job_of(tmp_path / "j", shots, head)), now=NOW)
    assert page.gate.open
    assert page.headline == "All 2 regions that were judged pass."


def test_a_pass_with_something_against_it_is_not_called_a_pass(tmp_path: Path) -> None:
    shots = (
        pass_all(replace(SHOTS[1], stage="coat")),
        replace(SHOTS[2], regions=(region("seat", "pass"),)),
    )
    head = "name = 'j'\n" + WHOLE_SEAT
    page = page_of(known_of_record(inspected_job_of(tmp_path / "j", shots, head)), now=NOW)
    assert regions(page) == {"seat": "pass", "front seam": "not yet"}
    assert page.parts[0].word == "not yet"


def inspected_job_of(folder: Path, shots: tuple, head: str):  # type: ignore[no-untyped-def, type-arg]
    job = make_job(folder, shots, head)
    for number, shot in enumerate(shots):
        keep(job, shot, f"2026-03-{14 + number}T16:20:00Z")
    return job


def test_earlier_outlines_are_laid_over_the_later_ones() -> None:
    # Twice as large and shifted by (10, -20): worked by hand.
    old = [(0.0, 0.0, 50.0, 100.0), (60.0, 10.0, 90.0, 40.0)]
    new = [tuple(2 * v + (10, -20)[n % 2] for n, v in enumerate(box)) for box in old]
    assert place_of(list(zip(old, new, strict=True))) == pytest.approx((2.0, 10.0, -20.0))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ((0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 9.0, 9.0)),
        ((0.0, 0.0, 100.0, 10.0), (0.0, 0.0, 10.0, 100.0)),  # turned by a quarter
    ],
)
def test_outlines_too_unlike_are_not_laid_over_one_another(old: tuple, new: tuple) -> None:  # type: ignore[type-arg]
    assert place_of([(old, new)]) is None
    assert place_of([]) is None


# ---------------------------------------------------------------- numbers in words


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (0.04216, "0.0422"), (3.0, "3"), (1234.6, "1230"), (99.96, "100"), (None, "")],
)
def test_a_number_has_three_digits_and_no_power_of_ten(value: float | None, text: str) -> None:
    assert words.plain_number(value) == text


@pytest.mark.parametrize(
    ("value", "u", "text"),
    # 1.96: two-sided 95 % of the normal distribution (any table of it).
    [(0.742, 0.04, "0.742 ± 0.078 mm²"), (37.14, 8.0, "37 ± 16 mm²"), (5.0, None, "5 mm²")],
)
def test_a_value_ends_where_its_doubt_does(value: float, u: float | None, text: str) -> None:
    measure = Measured(key="k", what="w", value=value, u=u, limit=None, unit="mm²")
    assert words.measured_words(measure) == text


@pytest.mark.parametrize(
    ("at", "where"),
    [((10.0, 10.0), "upper left"), ((150.0, 290.0), "lower middle"), ((299.0, 150.0), "right")],
)
def test_a_place_is_told_by_the_third_of_the_picture(at: tuple[float, float], where: str) -> None:
    assert words.where_words(finding(1, 1.0, at), None, (300, 300)) == f"{where} of the picture"


def test_along_a_seam_a_place_is_told_in_millimetres() -> None:
    spot: Finding = finding(1, 1.0, (5.0, 5.0), along_seam_mm=(20.4, 38.6))
    assert words.where_words(spot, None, (300, 300)) == "20 to 39 mm along the seam"


# ---------------------------------------------------------------- every page the same


def test_the_page_tells_every_fact(page: Page, told: str) -> None:
    for one in page.regions:
        assert one.name in told
        for text in one.why:
            assert text in told
        for spot in one.spots:
            assert f"{spot.label} {spot.what}, {spot.size} {spot.where}" in told
        for measure in one.measures:
            assert words.measured_words(measure) in told
    for text in (page.scope, page.privacy, *page.cautions, page.headline, *page.gate.against):
        assert text in told


def test_a_reason_to_sign_all_the_same_stands_on_the_page(told: str) -> None:
    assert "Signed although something stood against it. R. Weaver, 20 March 2026" in told
    assert "the owner <i>waits</i>" in told


def test_the_shops_name_and_logo_stand_on_the_page(page: Page, folder: Path) -> None:
    source = report_html(page, make_pictures(page, folder)).decode()
    assert "Harbour &amp; Sons &lt;trim&gt;</p>" in source
    logo = re.search(r'<img class="logo" src="data:image/png;base64,([^"]+)" alt="([^"]+)"', source)
    assert logo
    assert base64.b64decode(logo[1]) == (folder / "logo.png").read_bytes()
    assert html_text.unescape(logo[2]) == "Harbour & Sons <trim>: logo"


def test_what_people_write_is_never_markup(page: Page, folder: Path) -> None:
    source = report_html(page, make_pictures(page, folder)).decode()
    assert "<script>alert" not in source
    assert "<i>waits" not in source
    assert html_text.escape(NASTY, quote=False).split(" ")[0] in source.replace("&#34;", '"')


def test_the_page_asks_the_network_for_nothing(page: Page, folder: Path) -> None:
    source = report_html(page, make_pictures(page, folder)).decode()
    assert "default-src 'none'" in source
    links = re.findall(r"""(?:src|href|srcset|action)\s*=\s*["']([^"']*)""", source)
    assert links
    assert all(link.startswith(("data:image/", "#")) for link in links)
    assert not re.search(r"url\(|@import|https?://(?!www\.w3\.org/2000/svg)", source)


def test_csv_and_json_hold_the_same_rows(page: Page) -> None:
    files = exports(page)
    told = json.loads(files["export.json"])
    for name in ("measures", "findings", "rounds"):
        rows = list(csv.DictReader(io.StringIO(files[f"{name}.csv"].decode("utf-8-sig"))))
        assert len(rows) == len(told[name])
        for row, other in zip(rows, told[name], strict=True):
            assert list(row) == list(other)
            for heading, value in other.items():
                cell = row[heading].removeprefix("'") if isinstance(value, str) else row[heading]
                assert cell == ("" if value is None else str(value))


def test_a_measure_has_its_unit_in_the_heading(page: Page) -> None:
    headings = set(tables(page)["measures"][0])
    assert {"show_through_mm2 [mm²]", "uneven_delta_e limit [ΔE00]", "scale [mm/px]"} <= headings
    assert {"area [mm²]", "along the seam from [mm]"} <= set(tables(page)["findings"][0])


def test_a_reason_to_sign_all_the_same_stands_in_every_row(page: Page) -> None:
    for rows in tables(page).values():
        assert rows
        assert {row["signed despite"] for row in rows} == {"the owner <i>waits</i>"}


def test_a_name_like_a_formula_is_text_in_a_spreadsheet(page: Page) -> None:
    rows = exports(page)["measures.csv"].decode("utf-8-sig")
    assert "'=bolster()" in rows
    assert not re.search(r"(?m)(^|,)=", rows)


# ---------------------------------------------------------------- pictures


def _rects(svg: str, fill: str) -> list[tuple[float, ...]]:
    found = re.findall(
        rf'<rect x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)"[^>]*fill="{fill}"',
        svg,
    )
    return [tuple(float(value) for value in rect) for rect in found]


@pytest.mark.parametrize("count", [1, 4, 12])
def test_no_name_or_number_lies_over_a_mark(count: int) -> None:
    view = whole((800, 600))
    marks = [
        Mark(
            label=str(n + 1),
            word="fail",
            box_px=(x := 60 + 120 * (n % 6), y := 80 + 200 * (n // 6), x + 30, y + 30),
        )
        for n in range(count)
    ]
    seam = Outline(
        name="seam", kind="seam", word="fail", ring=((40, 70), (780, 70), (780, 120), (40, 120))
    )
    seat = Outline(
        name="seat", kind="panel", word="pass", ring=((10, 50), (790, 50), (790, 590), (10, 590))
    )
    names = _rects(outlines_svg(view, [seam, seat], marks), "#fff")
    assert len(names) == 2
    plates = names + _rects(marks_svg(view, marks), "#141414")
    assert len(plates) == 2 + count
    for x, y, wide, high in plates:
        assert 0 <= x <= 800 - wide
        assert 0 <= y <= 600 - high
        for mark in marks:
            x0, y0, x1, y1 = mark.box_px
            assert x + wide <= x0 or x >= x1 or y + high <= y0 or y >= y1


def test_the_earlier_picture_has_the_shape_of_the_later_one(page: Page, folder: Path) -> None:
    pictures = make_pictures(page, folder)
    pair = page.parts[0].pairs[0]
    laid = pictures.earlier[pair.before, pair.after]
    assert laid.size == pictures.photos[pair.after].size


def test_pictures_leave_out_what_the_camera_wrote_beside_them(tmp_path: Path) -> None:
    from PIL import Image

    job = inspected_job(tmp_path / "j", SHOTS[:2])
    page = page_of(known_of_record(job), now=NOW)
    pictures = make_pictures(page, job.folder)
    every = [*pictures.photos.values(), *pictures.close.values(), *pictures.seams.values()]
    assert every
    for picture in every:
        with Image.open(io.BytesIO(picture.jpeg)) as image:
            assert not image.getexif()
            assert image.size == picture.size


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("profile", [False, True])
def test_a_photo_is_shown_upright_and_in_its_colours(
    tmp_path: Path, orientation: int, profile: bool
) -> None:
    # Held against Pillow's own way of turning a photo; sRGB stated or assumed is the same.
    from PIL import Image, ImageCms, ImageOps

    pixels = np.zeros((600, 800, 3), np.uint8)
    pixels[:300, :400], pixels[300:, 400:] = (200, 60, 40), (40, 80, 180)
    exif = Image.Exif()
    exif[0x0112] = orientation
    stream = io.BytesIO()
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes() if profile else None
    Image.fromarray(pixels).save(stream, "JPEG", quality=95, exif=exif, icc_profile=icc)
    with Image.open(stream) as image:
        upright = np.asarray(ImageOps.exif_transpose(image), np.int16)
    shots = (SHOTS[1],)
    job = make_job(tmp_path / "j", shots, "name = 'j'\n", photo=lambda _: stream.getvalue())
    size = (upright.shape[1], upright.shape[0])
    photo, outlines = inspected(job, SHOTS[1], size)
    Record(job.folder).add(job, photo, outlines=outlines, by="R. Weaver")
    pictures = make_pictures(page_of(known_of_record(job)), job.folder)
    assert pictures.problems == ()
    with Image.open(io.BytesIO(next(iter(pictures.photos.values())).jpeg)) as image:
        shown = np.asarray(image, np.int16)
    assert shown.shape == upright.shape
    assert np.abs(shown - upright).mean() < 3


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "HEIF", "JPEG"])
def test_a_photo_of_any_kind_is_shown(tmp_path: Path, kind: str) -> None:
    from PIL import Image
    from pillow_heif import from_pillow

    stream = io.BytesIO()
    plain = Image.new("RGB", (800, 600), (140, 85, 60))
    if kind == "HEIF":
        from_pillow(plain).save(stream, quality=95)
    else:
        plain.save(stream, kind, quality=95)
    job = make_job(tmp_path / "j", SHOTS[1:2], "name = 'j'\n", photo=lambda _: stream.getvalue())
    photo, outlines = inspected(job, SHOTS[1])
    Record(job.folder).add(job, photo, outlines=outlines, by="R. Weaver")
    pictures = make_pictures(page_of(known_of_record(job)), job.folder)
    assert pictures.problems == ()
    with Image.open(io.BytesIO(next(iter(pictures.photos.values())).jpeg)) as image:
        assert image.size == (800, 600)
        assert np.abs(np.asarray(image, np.int16) - (140, 85, 60)).max() <= 4


def test_a_photo_that_was_changed_since_is_not_shown_under_its_old_marks(tmp_path: Path) -> None:
    job = inspected_job(tmp_path / "j", SHOTS[:2])
    page = page_of(known_of_record(job), now=NOW)
    path = job.path("photos/right_1.jpg")
    path.write_bytes(path.read_bytes() + b" ")
    pictures = make_pictures(page, job.folder)
    shown = {page.photo(key).file for key in pictures.photos}
    assert shown == {"photos/before.jpg"}
    assert any("no longer the photo that was inspected" in text for text in pictures.problems)


def test_what_could_not_be_used_is_told_without_where_the_shop_keeps_it(tmp_path: Path) -> None:
    head = "name = 'j'\n" + WHOLE_SEAT + '[[photo]]\nfile = "photos/gone.jpg"\n'
    job = inspected_job_of(tmp_path / "j", (SHOTS[0], pass_all(SHOTS[1])), head)
    job.path("photos/before.jpg").write_bytes(b"x")
    files, problems = write_report(job.folder)
    assert len(problems) == 2
    assert all(str(job.folder) in problem for problem in problems)  # on the terminal in full
    told = html_text.unescape(files[0].read_text())
    paper = flowing_text(files[1])
    for text in (told, paper):
        assert "photos/before.jpg: is no longer the photo that was inspected" in text
        assert "photos/gone.jpg` is not in the job folder" in text
        assert "1 input cannot be used" in text
        assert str(tmp_path) not in text


def test_however_many_photos_they_weigh_no_more_than_they_may(page: Page, folder: Path) -> None:
    pictures = make_pictures(page, folder, budget_bytes=60_000)
    every = [*pictures.photos.values(), *pictures.close.values(), *pictures.seams.values()]
    assert sum(len(picture.jpeg) for picture in every) <= 60_000


def test_a_seam_is_laid_straight_from_its_start(page: Page, folder: Path) -> None:
    pictures = make_pictures(page, folder)
    strip = next(iter(pictures.seams.values()))
    width, height = strip.view.size
    # Its outline is 580 pixels long: our own job on paper.
    assert width == pytest.approx(580, abs=2)
    assert height < width / 4


# ---------------------------------------------------------------- the command


def test_report_and_export_name_what_they_wrote(tmp_path: Path) -> None:
    job = inspected_job(tmp_path / "j")
    done = CliRunner().invoke(app, ["report", str(job.folder)], standalone_mode=False)
    assert done.return_value == 0
    names = ["report.html", "report.pdf", "touch_up.pdf"]
    assert done.output.split() == [str(job.folder / "report" / name) for name in names]
    out = tmp_path / "out"
    CliRunner().invoke(app, ["export", str(job.folder), "--out", str(out)], standalone_mode=False)
    assert {path.name for path in out.iterdir()} == {
        "measures.csv", "findings.csv", "rounds.csv", "export.json",
    }  # fmt: skip


def test_a_job_signed_with_a_reason_says_so_on_every_page_and_gives_its_seal(
    tmp_path: Path,
) -> None:
    from fullhide import proof

    job = inspected_job(tmp_path / "j", SHOTS[:3])
    seal = proof.sign(job, by="R. Weaver", despite="the owner waits")[0].hash

    def pages() -> list[str]:
        html, report, sheet = write_report(job.folder).files
        assert html.name == "report.html"
        plain = html_text.unescape(re.sub(r"<[^>]+>", " ", html.read_text()))
        return [" ".join(plain.split()), *page_texts(report), *page_texts(sheet)]

    told = pages()
    for text in told:
        assert "Signed although something stood against it" in text
        assert "the owner waits" in text
    assert seal in told[0]
    since = "Something was added or changed after this signature"
    assert not any(since in text for text in told)
    newest = Record(job.folder).newest("photos/right_2.jpg")
    assert newest is not None
    Record(job.folder).set_aside(newest, "seat", 1, reason="a hair", by="R. Weaver")
    assert since in pages()[0]


def test_the_demo_ends_with_the_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from fullhide import demo

    make_job(tmp_path / "samples" / "kestrel", SHOTS[:2])
    monkeypatch.setattr(demo, "sample_folder", lambda: tmp_path / "samples")
    monkeypatch.setattr(demo, "run_jobs", paper_run)
    out = tmp_path / "out"
    for _ in range(2):  # a second demo uses the first one's folder again
        assert demo.run_demo(out) == 0
        pages = out / "kestrel" / "report"
        assert {path.name for path in pages.iterdir()} == {
            "report.html", "report.pdf", "touch_up.pdf",
        }  # fmt: skip
        told = capsys.readouterr().out
        assert str(pages / "report.html") in told
        assert "report.pdf" in told
        assert str(pages / "touch_up.pdf") in told
    assert not (tmp_path / "samples" / "kestrel" / "report").exists()


def paper_run(jobs: list[Job], *, by: str, **_: object) -> list[JobResult]:
    """As `inspection.run_jobs`, without an engine."""
    results = []
    for job in jobs:
        photos = []
        for shot in SHOTS[:2]:
            photo, outlines = inspected(job, shot)
            Record(job.folder).add(job, photo, outlines=outlines, by=by)
            photos.append(photo)
        results.append(JobResult(job=job.name, fullhide="0", photos=tuple(photos)))
    return results


def test_a_job_that_was_never_inspected_says_what_to_do(tmp_path: Path) -> None:
    job = make_job(tmp_path / "j")
    with pytest.raises(JobError, match="nothing was inspected yet; run `fullhide inspect"):
        write_report(job.folder)


@pytest.mark.parametrize(
    ("logo", "says"),
    [(b"GIF89a", "is no picture"), (b"\x89PNG broken", "is no picture"), (None, "cannot be read")],
)
def test_a_logo_that_cannot_be_used_is_one_line(
    tmp_path: Path, logo: bytes | None, says: str
) -> None:
    job = inspected_job(tmp_path / "j", SHOTS[:2])
    path = job.folder / "logo.png"
    path.unlink() if logo is None else path.write_bytes(logo)
    with pytest.raises(FullhideError, match=says) as caught:
        write_report(job.folder)
    assert "\n" not in str(caught.value)
    assert not any((job.folder / "report").iterdir())


def test_a_shop_key_that_is_unknown_is_named(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"unknown key `nane` in \[shop\]; did you mean `name`"):
        make_job(tmp_path / "j", head=JOB.replace('name = "Harbour', 'nane = "Harbour'))
