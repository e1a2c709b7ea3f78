"""Outlines cut, widened and tidied.

Areas and lengths are geometry's; tolerances are our own.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Polygon
from staged import box_outline

from fullhide.errors import JobError
from fullhide.outline_edit import free_name, seam_width_px, split, tidy, with_seam_width
from fullhide.outlines import check_drawn
from fullhide.seam_path import seam_band

SIZE = (400, 300)
SQUARE = [(100.0, 100.0), (200.0, 100.0), (200.0, 200.0), (100.0, 200.0)]


def area(outline) -> float:
    return Polygon(outline.polygon, outline.holes).area


def test_what_overshoots_the_photo_is_cut_off() -> None:
    drawn = box_outline([(-50, -20), (500, -20), (500, 150), (-50, 150)])
    assert area(tidy(drawn, size_px=SIZE)) == pytest.approx(400 * 150)


def test_what_lies_beside_the_photo_is_refused() -> None:
    with pytest.raises(JobError, match="outside photo"):
        tidy(box_outline([(500, 10), (600, 10), (600, 90)]), size_px=SIZE)


def test_a_free_hands_many_points_become_few_and_the_shape_stays() -> None:
    angle = np.linspace(0, 2 * np.pi, 900, endpoint=False)
    drawn = box_outline(150 + 80 * np.stack([np.cos(angle), np.sin(angle)], axis=1))
    kept = tidy(drawn, size_px=SIZE)
    assert len(kept.polygon) < 80
    assert area(kept) == pytest.approx(np.pi * 80**2, rel=0.01)


def test_a_crossing_outline_is_left_for_the_check_to_name() -> None:
    with pytest.raises(JobError, match="crosses"):
        check_drawn([tidy(box_outline([(0, 0), (9, 9), (9, 0), (0, 9)]), size_px=SIZE)])


def test_a_chart_keeps_its_corners_and_their_order() -> None:
    corners = [(50.123, 60.0), (10.0, 60.0), (10.0, 20.0), (50.0, 20.0)]
    kept = tidy(box_outline(corners, kind="chart"), size_px=SIZE)
    np.testing.assert_allclose(kept.polygon, corners, atol=0.01)


def test_a_cut_makes_two_and_loses_nothing() -> None:
    whole = box_outline(SQUARE, name="seat", number=4)
    one, other = split(whole, (130, 90), (130, 210), taken=["seat", "seat 2"])
    assert (one.name, other.name) == ("seat", "seat 3")
    assert (one.number, other.number) == (4, None)
    assert area(one) == pytest.approx(7000)
    assert area(other) == pytest.approx(3000)


def test_a_cut_need_not_be_clicked_right_across() -> None:
    parts = split(box_outline(SQUARE), (140, 140), (141, 150), taken=[])
    assert sum(area(part) for part in parts) == pytest.approx(10_000, rel=1e-3)
    assert len(parts) == 2


@pytest.mark.parametrize("line", [((0, 0), (10, 0)), ((120, 120), (120, 120))])
def test_a_line_that_cuts_nothing_is_said(line) -> None:
    with pytest.raises(JobError, match="does not cut"):
        split(box_outline(SQUARE), *line, taken=[])


def test_a_hole_stays_in_its_part() -> None:
    hole = np.array([(110.0, 110.0), (120.0, 110.0), (120.0, 120.0)])
    parts = split(box_outline(SQUARE, holes=(hole,)), (150, 0), (150, 10), taken=[])
    assert sorted(len(part.holes) for part in parts) == [0, 1]


@pytest.mark.parametrize("width", [10.0, 26.0, 60.0])
def test_a_seam_takes_another_width(width: float) -> None:
    path = np.stack([np.linspace(40, 360, 50), 150 + 20 * np.sin(np.linspace(0, 3, 50))], axis=1)
    seam = box_outline(seam_band(path, width_px=20.0, size_px=SIZE), kind="seam")
    assert seam_width_px(seam) == pytest.approx(20.0, abs=2.0)
    wider = with_seam_width(seam, width, size_px=SIZE)
    assert seam_width_px(wider) == pytest.approx(width, abs=2.0)
    assert np.linalg.norm(wider.polygon[0] - path[0]) < width
    exact = with_seam_width(seam, width, size_px=SIZE, line=path)
    assert area(exact) == pytest.approx(320 * width, rel=0.1)


@given(st.text(min_size=1), st.lists(st.text()))
def test_a_free_name_is_free(wanted: str, taken: list[str]) -> None:
    assert free_name(wanted, taken).casefold() not in {name.casefold() for name in taken}


@pytest.mark.parametrize(
    ("wanted", "taken", "free"),
    [
        ("seat", [], "seat"),
        ("seat", ["Seat"], "seat 2"),
        ("seat 2", ["seat", "seat 2"], "seat 3"),
        ("7", ["7"], "7 2"),
    ],
)
def test_a_free_name_counts_on(wanted: str, taken: list[str], free: str) -> None:
    assert free_name(wanted, taken) == free
