"""Clicks turned into outlines, without a window.

Truth is geometry's or our own phantoms'; tolerances are our own, 1.5 mm the project's goal.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon
from staged import BOWED, box_outline, rendered, scene

from fullhide.errors import JobError
from fullhide.outline_file import write_outlines
from fullhide.outlines import check_drawn, read_outlines
from fullhide.phantom import save_photo
from fullhide.photo import open_photo
from fullhide.seam_path import SeamPath, seam_path
from napari_fullhide import drawing
from napari_fullhide.drawing import Canvas, Sketch

CANVAS = Canvas(photo="p.png", size_px=(400, 300), mm_per_px=0.25)
SQUARE = ((100.0, 100.0), (200.0, 100.0), (200.0, 200.0), (100.0, 200.0))


def sketch(tool, points) -> Sketch:
    made = Sketch(tool)
    for point in points:
        made = made.add(point, CANVAS)
    return made


def straight(start=(50.0, 150.0), end=(350.0, 150.0)) -> np.ndarray:
    return np.linspace(start, end, 60)


def one_seam(width_mm: float = 8.0):
    path = SeamPath(straight(), None)
    return drawing.add_seam((), path, CANVAS, width_px=width_mm / 0.25)


def area(outline) -> float:
    return Polygon(outline.polygon, outline.holes).area


# ---- clicks ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tool", "least", "most"),
    [
        ("panel", 3, None),
        ("reference", 3, None),
        ("ignore", 3, None),
        ("seam", 2, 2),
        ("edge", 2, None),
        ("chart", 4, 4),
        ("split", 2, 2),
    ],
)
def test_a_tool_takes_the_clicks_it_needs(tool, least: int, most: int | None) -> None:
    made = Sketch(tool)
    for count in range(1, 7):
        assert made.hint
        made = made.add((40.0 * count, 10.0 * count**2 % 300), CANVAS)
        taken = min(count, most or count)
        assert len(made.points) == taken
        assert made.ready == (taken >= least)
        assert made.full == (taken == most)


def test_the_same_place_twice_counts_once_and_backspace_takes_it_back() -> None:
    made = sketch("panel", [(10, 10), (10.2, 10.1), (50, 50)])
    assert made.points == ((10.0, 10.0), (50.0, 50.0))
    assert made.back().points == ((10.0, 10.0),)
    assert made.back().back().back().points == ()


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_a_click_beside_the_photo_lands_on_its_edge(x: float, y: float) -> None:
    ((px, py),) = Sketch("panel").add((x, y), CANVAS).points
    assert 0 <= px <= 400
    assert 0 <= py <= 300


# ---- areas -----------------------------------------------------------------------------------


def test_an_edge_is_a_band_along_its_clicks_that_can_be_widened() -> None:
    clicks = Sketch("edge", ((50.0, 100.0), (150.0, 110.0), (250.0, 140.0)))
    (made,) = drawing.add_edge((), clicks, CANVAS)
    assert (made.kind, made.name) == ("edge", "edge")
    assert drawing.width_mm(made, CANVAS) == pytest.approx(16.0, rel=0.05)
    (wider,) = drawing.widened((made,), 0, CANVAS, width_mm=20.0)
    assert drawing.width_mm(wider, CANVAS) == pytest.approx(20.0, rel=0.05)
    with pytest.raises(JobError, match="two places"):
        drawing.add_edge((), Sketch("edge", ((50.0, 100.0),)), CANVAS)


@pytest.mark.parametrize("kind", ["panel", "reference", "ignore"])
def test_corners_become_an_outline_of_the_kind_asked_for(kind) -> None:
    first = drawing.add_area((), sketch(kind, SQUARE), CANVAS)
    (drawn,) = first
    assert (drawn.kind, drawn.name, drawn.photo) == (kind, kind, "p.png")
    np.testing.assert_array_equal(drawn.polygon, SQUARE)
    again = drawing.add_area(first, sketch(kind, [(10, 10), (50, 10), (50, 50)]), CANVAS)
    assert again[1].name == ("ignore" if kind == "ignore" else f"{kind} 2")


def test_what_crosses_itself_or_is_too_little_is_refused_and_said() -> None:
    with pytest.raises(JobError, match="crosses"):
        drawing.add_area((), sketch("panel", [(0, 0), (90, 90), (90, 0), (0, 80)]), CANVAS)
    with pytest.raises(JobError, match="three corners"):
        drawing.add_area((), sketch("panel", SQUARE[:2]), CANVAS)


def test_a_proposal_taken_over_is_the_persons_own() -> None:
    proposal = box_outline(SQUARE, name="surface", properties={"proposed": True, "note": 1})
    (mine,) = drawing.own([proposal])
    assert dict(mine.properties) == {"note": 1}


# ---- the chart -------------------------------------------------------------------------------


@pytest.mark.parametrize("turn", [1, -1])
def test_chart_corners_are_kept_clockwise_from_the_first(turn: int) -> None:
    clicked = [SQUARE[0], *SQUARE[1:][::turn]]
    (chart,) = drawing.add_chart((), sketch("chart", clicked), CANVAS)
    np.testing.assert_array_equal(chart.polygon, SQUARE)


def test_a_second_chart_takes_the_firsts_place_and_its_feature() -> None:
    old = box_outline(SQUARE, kind="chart", name="board", number=3, properties={"by": "me"})
    panel = box_outline([(10, 10), (60, 10), (60, 60)])
    nearer = [(x + 20, y + 30) for x, y in SQUARE]
    made = drawing.add_chart((old, panel), sketch("chart", nearer), CANVAS)
    assert [o.kind for o in made] == ["panel", "chart"]
    assert (made[1].number, made[1].name, made[1].properties["by"]) == (3, "board", "me")


# ---- seams -----------------------------------------------------------------------------------


def test_a_seam_of_two_clicks_lies_on_the_phantoms_seam(tmp_path: Path) -> None:
    shot = rendered(scene(seams=(BOWED,)))
    save_photo(shot, tmp_path / "p.png")
    photo = open_photo(tmp_path / "p.png")
    canvas = Canvas(photo="p.png", size_px=photo.size_px, mm_per_px=0.15)
    # The seam's middle as `phantom.Seam` describes it: an arc over the straight line.
    t = np.linspace(0, 1, 1001)[:, None]
    start, end = np.array(BOWED.start_mm), np.array(BOWED.end_mm)
    along = (end - start) / np.linalg.norm(end - start)
    bow = np.array([along[1], -along[0]]) * 4 * BOWED.bow_mm * t * (1 - t)
    middle = (start + (end - start) * t + bow) / 0.15
    inside = middle[(middle[:, 0] > 60) & (middle[:, 0] < 840)]
    path = seam_path(photo, tuple(inside[0]), tuple(inside[-1]), mm_per_px=0.15)
    width = drawing.usual_width_px(path, canvas)
    (seam,) = drawing.add_seam((), path, canvas, width_px=width)
    check_drawn([seam])
    truth = LineString(middle)
    assert max(truth.distance(Point(p)) * 0.15 for p in path.line[5:-5]) < 1.5
    assert BOWED.width_mm <= width * 0.15 <= BOWED.width_mm + 4.0  # the rims, and a little beside


@pytest.mark.parametrize(("seen_mm", "wide_mm"), [(None, 8.0), (3.0, 8.0), (9.0, 11.0)])
def test_a_new_band_reaches_beyond_the_rims(seen_mm: float | None, wide_mm: float) -> None:
    path = SeamPath(straight(), None if seen_mm is None else seen_mm / 0.25)
    assert drawing.usual_width_px(path, CANVAS) * 0.25 == pytest.approx(wide_mm)


@pytest.mark.parametrize("width_mm", [4.0, 12.5, 30.0])
def test_a_seam_takes_the_width_asked_for_in_millimetres(width_mm: float) -> None:
    (seam,) = drawing.widened(one_seam(), 0, CANVAS, width_mm=width_mm, line=straight())
    assert drawing.width_mm(seam, CANVAS) == pytest.approx(width_mm, abs=0.3)
    assert area(seam) * 0.25**2 == pytest.approx(width_mm * 75.0, rel=0.02)


@pytest.mark.parametrize(("asked", "given"), [(0.0, 2.0), (-5.0, 2.0), (500.0, 75.0)])
def test_a_width_out_of_reason_is_held_back(asked: float, given: float) -> None:
    (seam,) = drawing.widened(one_seam(), 0, CANVAS, width_mm=asked, line=straight())
    # The photo is 75 mm high: the widest band ends at its edges.
    assert area(seam) * 0.25**2 / 75.0 == pytest.approx(given, rel=0.05)


def test_a_seam_of_no_length_is_refused() -> None:
    path = SeamPath(np.array([(50.0, 50.0), (51.0, 50.0)]), None)
    with pytest.raises(JobError, match="too near"):
        drawing.add_seam((), path, CANVAS, width_px=20.0)


# ---- changing --------------------------------------------------------------------------------


def test_a_cut_puts_both_parts_where_the_whole_was() -> None:
    drawn = (box_outline(SQUARE, name="seat"), box_outline([(0, 0), (9, 0), (9, 9)], name="top"))
    made = drawing.cut(drawn, 0, sketch("split", [(130, 90), (130, 210)]), CANVAS)
    assert [o.name for o in made] == ["seat", "seat 2", "top"]
    assert area(made[0]) + area(made[1]) == pytest.approx(10_000)


def test_a_cut_zone_stays_nameless_and_a_chart_is_not_cut() -> None:
    line = sketch("split", [(130, 90), (130, 210)])
    zones = drawing.cut((box_outline(SQUARE, kind="ignore", name="ignore"),), 0, line, CANVAS)
    assert [o.name for o in zones] == ["ignore", "ignore"]
    with pytest.raises(JobError, match="cannot be cut"):
        drawing.cut((box_outline(SQUARE, kind="chart"),), 0, line, CANVAS)


@given(st.floats(-900, 900), st.floats(-900, 900))
def test_a_moved_region_keeps_its_shape_and_stays_in_the_photo(dx: float, dy: float) -> None:
    hole = np.array([(120.0, 120.0), (140.0, 120.0), (140.0, 150.0)])
    seat = box_outline(SQUARE, holes=(hole,))
    (made,) = drawing.moved((seat,), 0, (dx, dy), CANVAS)
    assert area(made) == pytest.approx(area(seat), abs=3.0)  # a hundredth of a pixel at each point
    assert ((made.polygon >= 0) & (made.polygon <= (400, 300))).all()
    np.testing.assert_allclose(made.holes[0] - made.polygon[0], hole - seat.polygon[0], atol=0.02)


def test_removed_regions_are_gone_and_the_others_stay() -> None:
    drawn = [box_outline(SQUARE, name=name) for name in "abc"]
    assert [o.name for o in drawing.removed(drawn, [0, 2])] == ["b"]


def test_a_name_is_taken_or_refused_with_the_reason() -> None:
    drawn = [box_outline(SQUARE, name="a"), box_outline(SQUARE, name="b")]
    assert drawing.renamed(drawn, 0, "  front   seam ")[0].name == "front seam"
    with pytest.raises(JobError, match="another region"):
        drawing.renamed(drawn, 0, "B")
    with pytest.raises(JobError, match="needs a name"):
        drawing.renamed(drawn, 0, "  ")


@pytest.mark.parametrize(
    ("name", "kind", "wanted"),
    [
        ("panel", "seam", "seam"),
        ("panel 3", "seam", "seam"),
        ("bolster", "seam", "bolster"),
        ("panel", "ignore", "ignore"),
    ],
)
def test_another_kind_keeps_a_name_given_by_hand(name: str, kind: str, wanted: str) -> None:
    (made,) = drawing.turned_into([box_outline(SQUARE, name=name)], 0, kind)
    assert (made.kind, made.name) == (kind, wanted)


def test_the_smallest_outline_around_a_place_is_meant() -> None:
    inner = box_outline([(120, 120), (150, 120), (150, 150), (120, 150)])
    drawn = [box_outline(SQUARE), inner]
    assert drawing.region_at(drawn, (130, 125)) == 1
    assert drawing.region_at(drawn, (190, 190)) == 0
    assert drawing.region_at(drawn, (5, 5)) is None


def test_what_was_drawn_is_read_back_the_same(tmp_path: Path) -> None:
    path = tmp_path / "regions.geojson"
    drawn = drawing.add_area((), sketch("panel", SQUARE), CANVAS)
    drawn = (*drawn, *one_seam())
    corners = [(300, 20), (380, 20), (380, 60), (300, 60)]
    drawn = drawing.add_chart(drawn, sketch("chart", corners), CANVAS)
    write_outlines(path, drawn, photo="p.png", before=None)
    back = read_outlines(path, photos=["p.png"])
    assert not back.problems
    assert [(o.name, o.kind) for o in back.usable] == [(o.name, o.kind) for o in drawn]
    for one, other in zip(back.usable, drawn, strict=True):
        np.testing.assert_array_equal(one.polygon, other.polygon)
