"""The match to look at: where things lie, what they say, and that colour alone tells nothing."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from report_job import SHOTS, inspected_job, with_match
from report_tools import contrast, flowing_text
from scipy.stats import norm
from skimage.color import deltaE_ciede2000

from fullhide._colour_science import colour
from fullhide.checks.placed import placed
from fullhide.colour import in_srgb, lab_to_xyz
from fullhide.job import load_job
from fullhide.report.build import page_of
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record
from fullhide.report.match_shown import (
    Match,
    contour,
    ellipse,
    match_of,
    plane_svg,
    swatches_svg,
)
from fullhide.report.page import Measured, Page, Region
from fullhide.report.pdf import papers
from fullhide.report.pictures import make_pictures
from fullhide.result import RegionResult

FOX = (46.0, 21.0, 28.0)
COLOURS = [FOX, (55.0, 0.0, -1.0), (20.0, 0.5, -0.5), (26.0, 1.0, -14.0), (38.0, -28.0, 9.0)]
WHITE = (255, 255, 255)
SVG = "{http://www.w3.org/2000/svg}"


def drawn(
    reference=FOX, off=(0.5, 0.6, -0.4), u=(0.3, 0.4), together=0.0, limit=2.0, word="retake"
) -> Match:
    dyed = tuple(float(one + two) for one, two in zip(reference, off, strict=True))
    shared = together * u[0] * u[1]
    return Match(
        dyed=dyed,
        reference=reference,
        covariance=((u[0] ** 2, shared), (shared, u[1] ** 2)),
        delta_e=float(apart(reference, dyed)),
        limit=limit,
        word=word,
        k=float(norm.ppf(0.95)),
    )


def measured(result: RegionResult) -> Region:
    """A region's measures as the pages hold them."""
    told = tuple(
        Measured(key=key, what=key, value=m.value, u=m.u, limit=m.limit, unit=m.unit)
        for key, m in result.measures.items()
    )
    return Region(name="seat", part="bench", kind="panel", word="retake", photo="p1", measures=told)


def apart(reference, lab) -> np.ndarray:
    """CIEDE2000 with kL = 2, by scikit-image."""
    lab = np.asarray(lab, float)
    return deltaE_ciede2000(np.broadcast_to(np.asarray(reference, float), lab.shape), lab, kL=2)


SEAT = next(region for region in SHOTS[2].regions if region.name == "seat")


# ---------------------------------------------------------------- what is drawn


@pytest.mark.parametrize("limit", [0.5, 2.0, 6.0])
@pytest.mark.parametrize("reference", [*COLOURS, (72.0, 3.0, 80.0), (50.0, 70.0, 60.0)])
def test_the_limits_line_lies_where_the_difference_is_the_limit(reference, limit) -> None:
    line = contour(reference, limit)
    lab = np.concatenate([np.full((len(line), 1), reference[0]), line], axis=1)
    # Where hues are half a turn apart the formula itself jumps (Sharma, Wu and Dalal 2005).
    turn = np.arctan2(lab[:, 2], lab[:, 1]) - np.arctan2(reference[2], reference[1])
    told = apart(reference, lab)[np.abs(np.abs(np.degrees(turn)) - 180.0) > 1.0]
    assert len(told) > 90
    # Own tolerance: a hundredth of the limit, far below a pixel.
    assert told == pytest.approx(limit, abs=0.01 * limit)


def test_at_another_lightness_less_of_the_limit_is_left_and_at_last_nothing() -> None:
    line = contour(FOX, 2.0, lightness=49.0)
    lab = np.concatenate([np.full((len(line), 1), 49.0), line], axis=1)
    assert apart(FOX, lab) == pytest.approx(2.0, abs=0.02)
    assert np.ptp(line, axis=0).min() < np.ptp(contour(FOX, 2.0), axis=0).min()
    assert len(contour(FOX, 2.0, lightness=52.0)) == 0  # ΔE 2.9 by lightness alone
    assert float(apart(FOX, (52.0, *FOX[1:]))) > 2.0


@pytest.mark.parametrize("together", [-0.8, 0.0, 0.6])
def test_the_ring_of_doubt_is_as_wide_as_the_doubt_on_every_line(together: float) -> None:
    what = drawn(u=(0.7, 0.3), together=together)
    ring = ellipse(what) - what.dyed[1:]
    for turn in np.linspace(0.0, np.pi, 7):
        way = np.array([np.cos(turn), np.sin(turn)])
        # JCGM 102: variance of a linear combination; SciPy's normal quantile.
        wide = norm.ppf(0.95) * np.sqrt(way @ np.array(what.covariance) @ way)
        assert (ring @ way).max() == pytest.approx(wide, rel=0.01)


def test_a_match_keeps_what_its_picture_needs() -> None:
    covariance = np.array([[0.5, 0.1, 0.0], [0.1, 0.4, -0.12], [0.0, -0.12, 0.3]])
    told = placed(np.array(FOX), covariance)
    assert [told[f"match_{name}"].value for name in ("L", "a", "b")] == list(FOX)
    root = np.linalg.cholesky(covariance)
    sample = np.random.default_rng(1).normal(size=(200_000, 3)) @ root.T
    assert told["match_ab"].value == pytest.approx(np.corrcoef(sample.T)[1, 2], abs=0.01)
    assert placed(np.array(FOX), np.zeros((3, 3)))["match_ab"].value == 0.0


def test_a_regions_measures_give_the_match_back() -> None:
    what = match_of(measured(with_match(SEAT)).read, confidence=0.95)
    assert what is not None
    assert what.dyed == pytest.approx((47.0, 22.0, 26.0), abs=1e-6)
    assert what.reference == pytest.approx(FOX, abs=1e-6)
    assert what.k == pytest.approx(norm.ppf(0.95))
    assert "a* +1.0, b* −2.0" in what.says


@pytest.mark.parametrize(
    ("low", "high", "word", "says"),
    [
        (0.1, 1.9, "pass", "surely within the limit of 2"),
        (2.1, 4.0, "fail", "surely over the limit of 2"),
        (1.9, 2.1, "retake", "too near the limit of 2 to tell"),
    ],
)
def test_the_word_is_that_of_the_interval(low, high, word, says) -> None:
    result = with_match(SEAT)
    ends = {"match_at_least": low, "match_at_most": high}
    measures = {
        key: replace(one, value=ends.get(key, one.value)) for key, one in result.measures.items()
    }
    what = match_of(measured(replace(result, measures=measures)).read, confidence=0.95)
    assert what is not None
    assert what.word == word
    assert says in what.says


@pytest.mark.parametrize("gone", ["match_L", "match_da", "match_delta_e"])
def test_without_a_reading_or_from_an_older_record_nothing_is_drawn(gone: str) -> None:
    assert match_of(measured(SEAT).read, confidence=0.95) is None
    result = with_match(SEAT)
    measures = {key: one for key, one in result.measures.items() if key != gone}
    assert match_of(measured(replace(result, measures=measures)).read, confidence=0.95) is None


# ---------------------------------------------------------------- how it is drawn


def elements(svg: str, tag: str) -> list[ET.Element]:
    return list(ET.fromstring(svg).iter(f"{SVG}{tag}"))


def words(svg: str) -> list[ET.Element]:
    """The words, without the white rim that lies beneath a name."""
    return [text for text in elements(svg, "text") if "stroke" not in text.attrib]


def disc(svg: str) -> tuple[float, float]:
    (circle,) = elements(svg, "circle")
    return float(circle.attrib["cx"]), float(circle.attrib["cy"])


def rgb(text: str) -> tuple[int, ...]:
    return tuple(int(text[at : at + 2], 16) for at in (1, 3, 5))


def test_redder_is_right_and_yellower_is_up() -> None:
    # A picture's y runs down; the reference stands in the middle of 340.
    x, y = disc(plane_svg(drawn(off=(0.0, 2.0, 1.0)), name="seat"))
    assert x > 170.0 > y
    assert (x - 170.0) / (170.0 - y) == pytest.approx(2.0, rel=0.02)
    x, y = disc(plane_svg(drawn(off=(0.0, -2.0, -1.0)), name="seat"))
    assert x < 170.0 < y


@pytest.mark.parametrize("word", ["pass", "fail", "retake"])
def test_marks_are_told_by_shape_and_word_and_stand_out(word) -> None:
    svg = plane_svg(drawn(word=word), name="seat")
    told = [element.text for element in elements(svg, "text")]
    assert {"reference", "dyed panel", "limit 2"} <= set(told)
    assert len(elements(svg, "circle")) == 1
    assert len(elements(svg, "rect")) == 2  # the square and its white rim
    # WCAG 2.2: 1.4.3 asks 4.5 of text, 1.4.11 asks 3 of what has to be seen.
    for element in words(svg):
        assert contrast(rgb(element.attrib["fill"]), WHITE) >= 4.5, element.text
    (circle,) = elements(svg, "circle")
    assert max(contrast(rgb(circle.attrib[key]), WHITE) for key in ("fill", "stroke")) >= 3.0


def test_the_limit_at_the_panels_lightness_is_drawn_where_lightness_counts() -> None:
    assert "2 3" not in plane_svg(drawn(off=(0.3, 1.0, 0.0)), name="seat")
    some, much = drawn(off=(2.0, 1.0, 0.0)), drawn(off=(7.0, 1.0, 0.0))
    assert "2 3" in plane_svg(some, name="seat")
    assert "dotted" in some.caption
    assert "2 3" not in plane_svg(much, name="seat")
    assert "lightness alone is over it" in much.caption


def test_names_stand_apart_and_inside_wherever_the_colours_lie() -> None:
    rng = np.random.default_rng(7)
    for number in range(150):
        reference = COLOURS[number % len(COLOURS)]
        off = rng.normal(size=3) * float(rng.choice([0.2, 1.0, 3.0, 12.0]))
        u = tuple(rng.uniform(0.1, 3.0, 2))
        what = drawn(reference, tuple(off), u, float(rng.uniform(-0.9, 0.9)))
        boxes = []
        for text in words(plane_svg(what, name="seat")):
            if text.attrib.get("font-weight") == "700":
                # A bold letter of a sans-serif face is about 0.6 of its size wide.
                x, y, half = float(text.attrib["x"]), float(text.attrib["y"]), 3.9 * len(text.text)
                boxes.append((x - half, y - 10.0, x + half, y + 3.0))
        assert len(boxes) == 3
        for x0, y0, x1, y1 in boxes:
            assert min(x0, y0) >= 0.0
            assert max(x1, y1) <= 340.0
        for one, two in combinations(boxes, 2):
            wide = min(one[2], two[2]) - max(one[0], two[0])
            high = min(one[3], two[3]) - max(one[1], two[1])
            assert min(wide, high) <= 3.0, (number, what)


def screen(lab) -> np.ndarray:
    """Linear sRGB of Lab under D50, by colour-science (Bradford)."""
    cs = colour()
    d50 = cs.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    xyz = cs.Lab_to_XYZ(np.array(lab), d50)
    return cs.XYZ_to_sRGB(
        xyz, d50, chromatic_adaptation_transform="Bradford", apply_cctf_encoding=False
    )


@pytest.mark.parametrize("lab", COLOURS)
def test_the_fields_have_the_screens_colour(lab) -> None:
    svg = swatches_svg(drawn(lab, (0.0, 0.0, 0.0)), name="seat")
    fields = [one for one in elements(svg, "rect") if one.attrib["fill"] != "none"]
    wanted = np.round(255 * colour().cctf_encoding(screen(lab), function="sRGB"))
    assert len(fields) == 2
    for field in fields:
        # Own tolerance: one code of 255.
        assert np.abs(np.array(rgb(field.attrib["fill"])) - wanted).max() <= 1


@pytest.mark.parametrize("lab", [*COLOURS, (50.0, 90.0, 70.0), (60.0, -80.0, 20.0), (98.0, 0, 20)])
def test_a_colour_that_no_screen_has_is_told(lab) -> None:
    linear = screen(lab)
    inside = bool((linear > -1e-4).all() and (linear < 1.001).all())
    assert bool(in_srgb(lab_to_xyz(lab))) == inside
    assert ("beyond what a screen can show" in drawn(lab, (0, 0, 0)).caption) != inside
    assert "only roughly" in drawn(lab).caption


# ---------------------------------------------------------------- on the pages


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> tuple[Page, Path]:
    folder = tmp_path_factory.mktemp("match") / "job"
    shots = tuple(
        replace(
            shot,
            regions=tuple(with_match(one) if one.kind == "panel" else one for one in shot.regions),
        )
        for shot in SHOTS
    )
    inspected_job(folder, shots)
    return page_of(known_of_record(load_job(folder))), folder


def test_the_page_shows_it_with_each_match_and_nowhere_else(page, tmp_path) -> None:
    told, folder = page
    html = report_html(told, make_pictures(told, folder)).decode()
    panels = [one for one in told.regions if one.kind == "panel" and one.verdict]
    labels = re.findall(r'<svg[^>]*class="(?:plane|swatches)"[^>]*aria-label="([^"]+)"', html)
    assert len(labels) == 2 * len(panels) == len(set(labels))
    assert html.count("only roughly") == len(panels)
    assert "<script>alert" not in html.replace("&lt;", "")
    inspected_job(tmp_path / "plain")
    plain = page_of(known_of_record(load_job(tmp_path / "plain")))
    assert 'class="plane"' not in report_html(plain, make_pictures(plain, folder)).decode()


def test_the_paper_shows_it_too(page, tmp_path) -> None:
    told, folder = page
    made = papers(told, make_pictures(told, folder), ("report",))["report"]
    (tmp_path / "report.pdf").write_bytes(made)
    text = flowing_text(tmp_path / "report.pdf")
    assert "Square: the reference." in text
    assert "dyed panel" in text
