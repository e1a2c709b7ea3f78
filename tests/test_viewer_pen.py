"""Drawing with the mouse and with keys in napari's window. Needs the screen of tests/run.sh.

Truth is geometry's or our own phantoms'; tolerances are our own, 1.5 mm the project's goal.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from qtpy.QtCore import Qt
from shapely.geometry import LineString, Point, Polygon
from staged import BOWED, CHART_MM, rendered, scene
from viewer_hand import CTRL, NONE, SHIFT, Hand, PlainHand, dock, in_front, plain_bench
from viewer_job import FILES, job_folder

from fullhide.outlines import OUTLINES_FILE
from fullhide.phantom import save_photo
from fullhide.seam import centre_line
from napari_fullhide.bench import Bench
from napari_fullhide.now_strip import NowStrip
from napari_fullhide.window import dress

KEY = Qt.Key
#: The left half's outline in the job of `viewer_job`.
CORNERS = [(60.0, 60.0), (430.0, 60.0), (430.0, 420.0), (60.0, 420.0)]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The job of `viewer_job`, its second photo with a bowed seam and no outlines."""
    folder = job_folder(tmp_path_factory.mktemp("pen") / "job")
    save_photo(rendered(scene(seams=(BOWED,))), folder / FILES[1])
    document = json.loads((folder / OUTLINES_FILE).read_text())
    mine = [f for f in document["features"] if f["properties"]["photo"] == FILES[0]]
    document["features"] = mine
    (folder / OUTLINES_FILE).write_text(json.dumps(document))
    return folder


@pytest.fixture
def folder(stored: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(stored, tmp_path / "job"))


@pytest.fixture
def until(qtbot: Any) -> Callable[..., None]:
    return lambda fact: qtbot.waitUntil(fact, timeout=60_000)


def opened(bench: Bench, folder: Path, until: Any) -> Bench:
    """The job open and its first photo calibrated."""
    assert bench.open(folder)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    return bench


@pytest.fixture
def napari_hand(make_napari_viewer: Any, qtbot: Any, folder: Path, until: Any) -> Hand:
    return Hand(opened(dress(make_napari_viewer()), folder, until), qtbot)


@pytest.fixture
def hand(qtbot: Any, folder: Path, until: Any) -> Hand:
    return PlainHand(opened(plain_bench(qtbot), folder, until), qtbot)


def to_second(hand: Hand, until: Any) -> None:
    hand.bench.model.show(1)
    until(lambda: hand.bench.ready(1) is not None and not hand.bench.waiting)


def test_a_panel_by_its_corners_saved_and_reopened_the_same(
    napari_hand: Hand, until: Any, folder: Path
) -> None:
    hand = napari_hand
    to_second(hand, until)
    hand.keys(KEY.Key_P)
    assert hand.pen.mode == "panel"
    hand.click(*CORNERS)
    assert hand.drawn() == []
    hand.keys(KEY.Key_Return)
    assert hand.drawn() == [("panel", "panel")]
    pixel = 1.0 / hand.bench.viewer.scene.camera.zoom
    np.testing.assert_allclose(hand.pen.drawn[0].polygon, CORNERS, atol=1.5 * pixel)
    assert hand.bench.model.unsaved
    hand.keys(KEY.Key_Escape)
    hand.bench.model.save()
    assert not hand.bench.model.unsaved
    before = hand.pen.drawn[0].polygon
    document = json.loads((folder / OUTLINES_FILE).read_text())
    assert document["shop"] == "kept too"
    assert [f["properties"].get("note") for f in document["features"]] == ["ours", "ours", None]
    assert hand.bench.open(folder)
    np.testing.assert_array_equal(hand.bench.model.photos[1].drawn[0].polygon, before)


def test_a_seam_by_two_clicks_follows_the_valley(napari_hand: Hand, until: Any) -> None:
    hand = napari_hand
    to_second(hand, until)
    # The seam's middle as `phantom.Seam` describes it: an arc over the straight line.
    t = np.linspace(0, 1, 1001)[:, None]
    start, end = np.array(BOWED.start_mm), np.array(BOWED.end_mm)
    along = (end - start) / np.linalg.norm(end - start)
    bow = np.array([along[1], -along[0]]) * 4 * BOWED.bow_mm * t * (1 - t)
    middle = (start + (end - start) * t + bow) / 0.15
    inside = middle[(middle[:, 0] > 60) & (middle[:, 0] < 840)]
    hand.keys(KEY.Key_S)
    hand.click(tuple(inside[0]), tuple(inside[-1]))
    until(lambda: not hand.pen.looking)
    assert hand.drawn() == [("seam", "seam")]
    (seam,) = hand.pen.drawn
    truth = LineString(middle)
    line = centre_line(seam.polygon, step_px=4.0)[0]
    # The tolerance is the issue's.
    assert max(truth.distance(Point(p)) * 0.15 for p in line[5:-5]) < 1.5
    ((_, known),) = hand.pen._lines.values()
    assert max(truth.distance(Point(p)) * 0.15 for p in known[5:-5]) < 1.5


def test_a_seams_width_by_wheel_keys_and_box_in_millimetres(hand: Hand, until: Any) -> None:
    to_second(hand, until)
    hand.keys(KEY.Key_S)
    hand.click((60.0, 220.0), (840.0, 235.0))
    until(lambda: not hand.pen.looking)
    first = hand.pen.drawn
    zoom = hand.zoom
    hand.wheel(4, SHIFT)
    assert hand.bench.viewer.scene.camera.zoom == zoom
    wide = hand.pen.width_mm
    assert wide is not None
    hand.keys(KEY.Key_BracketLeft, KEY.Key_BracketLeft)
    assert hand.pen.width_mm == pytest.approx(wide - 1.0, abs=0.2)
    strip = dock(hand.bench, NowStrip)
    strip.width_box.setValue(20.0)
    assert hand.pen.width_mm == pytest.approx(20.0, abs=0.3)
    length = LineString(next(iter(hand.pen._lines.values()))[1]).length * 0.15
    area = Polygon(hand.pen.drawn[0].polygon).area * 0.15**2
    assert area == pytest.approx(20.0 * length, rel=0.03)
    hand.keys((KEY.Key_Z, CTRL))
    assert hand.pen.drawn == first  # all the widths are one step to take back
    hand.keys((KEY.Key_Z, CTRL))
    assert hand.drawn() == []


def test_the_plain_wheel_still_zooms(napari_hand: Hand, until: Any) -> None:
    hand = napari_hand
    hand.click((200.0, 200.0))
    zoom = hand.bench.viewer.scene.camera.zoom
    hand.wheel(2, NONE)
    until(lambda: hand.bench.viewer.scene.camera.zoom > zoom)


def test_a_corner_dragged_moves_and_undo_and_redo_follow(napari_hand: Hand) -> None:
    hand = napari_hand
    hand.click((200.0, 200.0))
    assert hand.bench.model.region == "dyed"
    before = hand.pen.drawn[0].polygon
    hand.keys(KEY.Key_E)
    centre = hand.bench.viewer.scene.camera.center
    hand.drag((60.0, 60.0), (140.0, 110.0))
    assert hand.bench.viewer.scene.camera.center == centre  # the photo stays in place
    after = hand.pen.drawn[0].polygon
    np.testing.assert_allclose(after[0], (140.0, 110.0), atol=4.0)
    np.testing.assert_array_equal(after[1:], before[1:])
    hand.keys((KEY.Key_Z, CTRL))
    np.testing.assert_array_equal(hand.pen.drawn[0].polygon, before)
    hand.keys((KEY.Key_Y, CTRL))
    np.testing.assert_array_equal(hand.pen.drawn[0].polygon, after)


def test_the_whole_region_is_dragged_from_inside_and_a_line_gets_a_corner(hand: Hand) -> None:
    hand.click((200.0, 200.0))
    hand.keys(KEY.Key_E)
    hand.drag((300.0, 300.0), (330.0, 280.0))
    moved = hand.pen.drawn[0].polygon - np.array(CORNERS)
    np.testing.assert_allclose(moved, np.tile((30.0, -20.0), (4, 1)), atol=4.0)
    np.testing.assert_allclose(np.ptp(moved, axis=0), 0.0, atol=0.02)
    hand.drag((90.0, 200.0), (140.0, 200.0))
    assert len(hand.pen.drawn[0].polygon) == 5


def test_a_drag_without_a_tool_moves_the_view_and_draws_nothing(
    napari_hand: Hand, until: Any
) -> None:
    hand = napari_hand
    centre = hand.bench.viewer.scene.camera.center
    before = hand.pen.drawn
    hand.drag((200.0, 200.0), (300.0, 260.0))
    until(lambda: hand.bench.viewer.scene.camera.center != centre)
    assert hand.pen.drawn is before
    assert hand.bench.model.region is None


def test_a_region_is_cut_and_deleted(hand: Hand) -> None:
    hand.click((200.0, 200.0))
    hand.keys(KEY.Key_X)
    hand.click((245.0, 40.0), (245.0, 440.0))
    assert hand.drawn() == [("dyed", "panel"), ("dyed 2", "panel"), ("old", "reference")]
    hand.click((350.0, 200.0))
    name = hand.bench.model.region
    assert name in ("dyed", "dyed 2")
    hand.keys(KEY.Key_Delete)
    assert name not in [other for other, _ in hand.drawn()]
    assert len(hand.drawn()) == 2


def test_splitting_without_a_choice_says_what_to_do(hand: Hand) -> None:
    said: list[str] = []
    hand.bench.said.connect(lambda text, bad: said.append(text))
    hand.keys(KEY.Key_X)
    assert hand.pen.mode is None
    assert "Choose the region" in said[0]


def test_a_place_is_left_out_and_a_chart_marked_by_four_clicks(hand: Hand) -> None:
    hand.keys(KEY.Key_L)
    hand.click((100.0, 100.0), (140.0, 100.0), (140.0, 140.0))
    hand.keys(KEY.Key_Return, KEY.Key_C)
    chart = rendered(scene()).truth.chart_corners_px
    hand.click(*[(float(x), float(y)) for x, y in chart])
    assert hand.drawn()[-2:] == [("ignore", "ignore"), ("chart", "chart")]
    assert hand.pen.mode is None
    pixel = 1.0 / hand.bench.viewer.scene.camera.zoom
    np.testing.assert_allclose(hand.pen.drawn[-1].polygon, chart, atol=1.5 * pixel)


def test_the_marked_chart_is_read_with_its_scale(hand: Hand, until: Any) -> None:
    hand.keys(KEY.Key_C)
    hand.click(*[(float(x), float(y)) for x, y in rendered(scene()).truth.chart_corners_px])
    until(lambda: hand.bench.ready(0) is not None)
    ready = hand.bench.ready(0)
    assert ready is not None
    assert ready.reading.found
    # Clicked to a pixel or two over a board of 370: our own tolerance.
    assert ready.scene.mm_per_px == pytest.approx(0.15, rel=0.02)
    assert CHART_MM == 55.0


def test_everything_by_keys_alone(hand: Hand, until: Any) -> None:
    to_second(hand, until)
    hand.keys(KEY.Key_P, KEY.Key_Space)
    for key in (KEY.Key_Right, KEY.Key_Down, KEY.Key_Left):
        hand.keys(KEY.Key_Space, *[key] * 4)
    hand.keys(KEY.Key_Space, KEY.Key_Backspace, KEY.Key_Space, KEY.Key_Return)
    assert hand.drawn() == [("panel", "panel")]
    low, high = (f(hand.pen.drawn[0].polygon, axis=0) for f in (np.min, np.max))
    step = 4 * 12.0 / hand.bench.viewer.scene.camera.zoom
    np.testing.assert_allclose(high - low, (step, step), rtol=0.02)
    hand.keys(KEY.Key_Escape, KEY.Key_E, KEY.Key_Tab, (KEY.Key_Left, CTRL), KEY.Key_Delete)
    assert len(hand.pen.drawn[0].polygon) == 3


def test_name_and_kind_are_changed_in_the_strip(hand: Hand) -> None:
    hand.click((200.0, 200.0))
    strip = dock(hand.bench, NowStrip)
    strip.name.setText("aft panel")
    strip.name.editingFinished.emit()
    assert hand.drawn()[0] == ("aft panel", "panel")
    assert hand.bench.model.region == "aft panel"
    strip.kind.activated.emit(strip.kind.findData("seam"))
    assert hand.drawn()[0] == ("aft panel", "seam")


def test_letters_typed_into_a_name_take_no_tool(hand: Hand, qtbot: Any) -> None:
    hand.click((200.0, 200.0))
    strip = dock(hand.bench, NowStrip)
    in_front(hand.window)
    strip.name.setFocus()
    strip.name.selectAll()
    qtbot.keyClicks(strip.name, "spex")
    assert strip.name.text() == "spex"
    assert hand.pen.mode is None
    qtbot.keyClick(strip.name, KEY.Key_Return)
    assert hand.drawn()[0][0] == "spex"


def test_what_cannot_stand_is_said_in_the_engines_words_and_nothing_changes(hand: Hand) -> None:
    said: list[tuple[str, bool]] = []
    hand.bench.said.connect(lambda text, bad: said.append((text, bad)))
    before = hand.pen.drawn
    hand.keys(KEY.Key_P)
    hand.click((100.0, 500.0), (300.0, 600.0), (300.0, 500.0), (100.0, 620.0))
    hand.keys(KEY.Key_Return)
    assert hand.pen.drawn is before
    assert "crosses" in said[-1][0]
    assert said[-1][1]


def test_each_step_says_what_to_do_next(hand: Hand) -> None:
    strip = dock(hand.bench, NowStrip)
    hand.keys(KEY.Key_S)
    assert strip.hint.text() == "Click where the seam begins."
    hand.click((60.0, 220.0))
    assert "ends" in strip.hint.text()
    hand.keys(KEY.Key_Backspace)
    assert strip.hint.text() == "Click where the seam begins."
    hand.keys(KEY.Key_Escape)
    assert hand.pen.mode is None
