"""The viewer's window: a job in it, its lists, its keys. Needs the screen of tests/run.sh."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from qtpy.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from qtpy.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent
from qtpy.QtWidgets import (
    QAbstractButton,
    QApplication,
    QDockWidget,
    QLabel,
    QMainWindow,
    QMessageBox,
    QScrollArea,
)
from staged import rendered, scene
from viewer_hand import in_front
from viewer_job import FILES, inspected, job_folder

from fullhide._colour_science import colour as colour_science
from fullhide.maps import surface_maps
from fullhide.phantom import save_photo
from fullhide.probe import Probe
from fullhide.quality import FLAGS
from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.closing import ClosingGuard
from napari_fullhide.dropping import dropped_job
from napari_fullhide.job_dock import JobDock
from napari_fullhide.keeping import key_lines
from napari_fullhide.keys import KeysWindow
from napari_fullhide.reader import get_reader
from napari_fullhide.shapes import rows_columns
from napari_fullhide.style import LOOKS, SUPPORT, contrast_ink
from napari_fullhide.tools import ToolStrip
from napari_fullhide.widgets import LEAST_PX, key_text
from napari_fullhide.window import dress

Until = Callable[..., None]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_folder(tmp_path_factory.mktemp("window") / "job")


@pytest.fixture
def until(qtbot: Any) -> Until:
    return lambda fact: qtbot.waitUntil(fact, timeout=20_000)


@pytest.fixture
def bench(qtbot: Any) -> Bench:
    """A bench in a plain window: a tenth of the time that napari's own takes."""
    from napari.components import ViewerModel

    made = bench_of(ViewerModel())
    window = QMainWindow()
    window.setCentralWidget(JobDock(made))
    strip = QDockWidget()
    strip.setWidget(ToolStrip(made))
    window.addDockWidget(Qt.DockWidgetArea.LeftDockWidgetArea, strip)
    qtbot.addWidget(window)
    WINDOWS[id(made)] = window
    return made


WINDOWS: dict[int, QMainWindow] = {}


@pytest.fixture
def opened(bench: Bench, stored: Path, until: Until) -> Bench:
    """The job with its first photo shown and calibrated, and nothing going on."""
    assert bench.open(stored)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    return bench


def dock(bench: Bench, kind: type) -> Any:
    (found,) = WINDOWS[id(bench)].findChildren(kind)
    return found


def docks(viewer: Any, kind: type) -> list[Any]:
    return [w for w in viewer.window.dock_widgets.values() if isinstance(w, kind)]


def words(tree: Any) -> list[list[str]]:
    """Every line of a list, its columns' words."""
    lines = []
    for place in range(tree.topLevelItemCount()):
        top = tree.topLevelItem(place)
        items = (top, *(top.child(i) for i in range(top.childCount())))
        lines += [[item.text(column) for column in range(tree.columnCount())] for item in items]
    return lines


def test_an_empty_window_says_what_to_do_first(bench: Bench) -> None:
    job = dock(bench, JobDock)
    assert job.standing.text() == "No job is open"
    assert job.hover.text() == ""
    assert "drop a job folder" in job.reasons.text()
    assert not dock(bench, ToolStrip).buttons["Next"].isEnabled()


def test_a_job_is_shown_with_its_photo_and_outlines(opened: Bench) -> None:
    assert opened.layers.photo is not None
    assert opened.layers.photo.data.shape == (720, 900, 3)
    assert opened.layers.outlines is not None
    drawn = opened.model.photos[0].drawn
    for shape, outline in zip(opened.layers.outlines.data, drawn, strict=True):
        np.testing.assert_allclose(shape, rows_columns(outline.polygon))
    assert list(opened.layers.outlines.features["label"]) == ["TO INSPECT dyed", "REFERENCE old"]


def test_the_lists_name_part_photo_region_and_how_they_stand(opened: Bench) -> None:
    job = dock(opened, JobDock)
    assert words(job.photos) == [
        ["berth, left", "TO INSPECT"],
        ["berth, right", "TO INSPECT"],
    ]
    assert sorted(words(job.regions)) == [["REFERENCE  old", ""], ["TO INSPECT  dyed", ""]]
    assert job.standing.text() == "2 still open"
    assert job.counts.text() == "Plover, saloon berth: 2 to inspect"


def test_a_fail_is_seen_in_word_shape_and_colour(opened: Bench, stored: Path, until: Until) -> None:
    opened.model.put(0, inspected(stored, 0))
    until(lambda: not opened.waiting)
    job = dock(opened, JobDock)
    assert ["berth, left", "FAIL"] in words(job.photos)
    assert words(job.regions)[0][0] == "FAIL  dyed"
    assert words(job.regions)[1][0] == "1  old green shows"
    outlines = opened.layers.outlines
    assert outlines is not None
    assert list(outlines.features["label"]) == ["FAIL dyed", "REFERENCE old"]
    for colour, state in zip(outlines.edge_color, ("fail", "reference"), strict=True):
        wanted = LOOKS[state].colour  # type: ignore[index]
        got = "#" + "".join(f"{round(255 * float(c)):02x}" for c in colour[:3])
        assert got == wanted
    # A line of the finding's number goes round it and leaves the spot itself to be seen.
    assert opened.layers.findings is not None
    shown, found = opened.layers.findings.data, inspected(stored, 0).artifacts.label_map
    assert set(np.unique(shown)) == {0, 1}
    assert not (shown[found > 0]).any()
    near = cv2.dilate((found > 0).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    assert not shown[~near].any()


def test_colours_of_outlines_follow_the_verdicts_in_any_order(opened: Bench, stored: Path) -> None:
    # napari assigns a cycle's colours in sorted order of the categories: a fail could look a pass.
    photo = opened.model.photos[0]
    opened.model.draw(tuple(reversed(photo.drawn)))
    opened.model.put(0, inspected(stored, 0))
    outlines = opened.layers.outlines
    assert outlines is not None
    first = "#" + "".join(f"{round(255 * float(c)):02x}" for c in outlines.edge_color[0][:3])
    assert first == LOOKS["reference"].colour
    assert photo.regions()[0].state == "reference"


def test_a_click_on_a_finding_goes_there(opened: Bench, stored: Path) -> None:
    opened.model.put(0, inspected(stored, 0))
    (finding,) = inspected(stored, 0).result.regions[0].findings
    job = dock(opened, JobDock)
    far = opened.viewer.scene.camera.zoom
    job.regions.setCurrentItem(job.regions.topLevelItem(0).child(0))
    assert opened.model.finding == finding.id
    assert opened.viewer.scene.camera.zoom > 2 * far
    _, y, x = opened.viewer.scene.camera.center
    assert abs(x - finding.centre_px[0]) < 10
    assert abs(y - finding.centre_px[1]) < 10
    assert "Old green shows through at 1 place" in job.reasons.text()


def test_no_line_stays_chosen_when_the_whole_photo_is_looked_at(
    opened: Bench, stored: Path
) -> None:
    opened.model.put(0, inspected(stored, 0))
    dock(opened, ToolStrip).buttons["Next place"].click()
    assert dock(opened, JobDock).regions.currentItem() is not None
    dock(opened, ToolStrip).buttons["Whole"].click()
    assert dock(opened, JobDock).regions.currentItem() is None


def test_findings_can_be_sorted_by_size(bench: Bench, stored: Path) -> None:
    from napari_fullhide.job_dock import _SIZE, _WHAT, _Row

    job = dock(bench, JobDock)
    sizes = (9.5, 52.8, 100.2, 0.0)
    for size in sizes:
        row = _Row(job.regions, ["", f"{size}"])
        row.setData(_SIZE, _WHAT, size)
    job.regions.sortByColumn(_SIZE, Qt.SortOrder.DescendingOrder)
    assert [float(line[1]) for line in words(job.regions)] == sorted(sizes, reverse=True)


def test_keys_work_wherever_the_focus_is(opened: Bench, qtbot: Any, until: Until) -> None:
    window = WINDOWS[id(opened)]
    window.show()
    in_front(window)
    job = dock(opened, JobDock)
    job.regions.setFocus()
    QApplication.processEvents()
    qtbot.keyClick(job.regions, Qt.Key.Key_Period)
    until(lambda: opened.model.index == 1 and opened.picture(1) is not None)
    in_front(window)
    assert opened.layers.photo is not None
    assert opened.layers.photo.metadata["file"] == FILES[1]
    qtbot.keyClick(job.regions, Qt.Key.Key_O)
    assert opened.layers.outlines is not None
    assert not opened.layers.outlines.visible


def test_no_photo_is_shown_under_anothers_name(opened: Bench, until: Until) -> None:
    opened._pictures.pop(1, None)
    opened.model.show(1)
    assert opened.layers.photo is not None
    assert not opened.layers.photo.visible or opened.layers.photo.metadata["file"] == FILES[1]
    until(lambda: opened.layers.photo.metadata["file"] == FILES[1])  # type: ignore[union-attr]
    assert opened.layers.photo.visible


def test_every_button_is_big_enough_for_a_glove_and_shows_its_key(opened: Bench) -> None:
    strip = dock(opened, ToolStrip)
    assert len(strip.buttons) >= 6
    for text, button in strip.buttons.items():
        assert button.minimumHeight() >= LEAST_PX
        assert button.words.text() == text
        assert button.key.text()
        assert button.accessibleName() == f"{text}, key {button.key.text()}"
    for button in dock(opened, JobDock).findChildren(QAbstractButton):
        assert not button.isVisibleTo(dock(opened, JobDock)) or button.height() >= LEAST_PX


def test_every_key_is_given_once(opened: Bench) -> None:
    keys = [key for action in opened.actions for key in action.keys]
    assert sorted(keys) == sorted(set(keys))


def test_the_strip_is_no_wider_than_a_small_screen_can_spare(opened: Bench) -> None:
    # 1366 pixels with both docks leave more than half to the photo (our own choice).
    strip, job = dock(opened, ToolStrip), dock(opened, JobDock)
    inner = strip.findChild(QScrollArea).widget()
    assert inner.minimumSizeHint().width() <= strip.minimumWidth()
    assert strip.minimumWidth() + job.minimumWidth() < 1366 / 2


def test_hovering_reads_the_place_as_the_engine_does(opened: Bench) -> None:
    ready, job = opened.ready(0), opened.model.job
    assert ready is not None
    assert job is not None
    x, y = 500.5, 300.5
    opened.viewer.cursor.position = (y - 0.5, x - 0.5)
    place = Probe(ready, job).at(x, y)
    assert place is not None
    assert opened.place == place
    text = dock(opened, JobDock).hover.text()
    lightness, a, b = place.lab
    assert f"L {lightness:.1f}  a {a:.1f}  b {b:.1f}" in text
    assert f"ΔE {place.delta_e:.1f} to fox brown" in text
    assert "mm across" in text
    assert "old" in text
    opened.viewer.cursor.position = (-40.0, 10.0)
    assert "Point at the photo" in dock(opened, JobDock).hover.text()


def test_hovering_waits_while_an_outline_has_moved(opened: Bench, until: Until) -> None:
    photo = opened.model.photos[0]
    opened.model.draw([photo.drawn[0]])
    opened.viewer.cursor.position = (300.0, 200.0)
    assert opened.place is None
    until(lambda: opened.ready(0) is not None)
    opened.viewer.cursor.position = (300.0, 201.0)
    assert opened.place is not None


@pytest.mark.parametrize(
    ("text", "name"), [("Beneath", "share"), ("ΔE", "delta_e"), ("Flat", "flat")]
)
def test_a_map_is_drawn_where_the_engine_says(
    opened: Bench, until: Until, text: str, name: str
) -> None:
    ready, job = opened.ready(0), opened.model.job
    assert ready is not None
    assert job is not None
    dock(opened, ToolStrip).buttons[text].click()
    until(lambda: opened.layers.map is not None and opened.layers.map.visible)
    shown = opened.layers.map
    assert shown is not None
    np.testing.assert_array_equal(shown.data, getattr(surface_maps(ready, job), name))
    # Its corners lie on the photo's.
    size = np.array(shown.data.shape[:2]) * shown.scale
    np.testing.assert_allclose(size, (720, 900), rtol=1e-6)
    np.testing.assert_allclose(shown.translate, 0.5 * (shown.scale - 1))
    assert dock(opened, JobDock).message.text().startswith("The map: ")
    dock(opened, ToolStrip).buttons[text].click()
    assert not shown.visible
    assert dock(opened, JobDock).message.text() == ""


def test_moving_an_outline_draws_the_map_anew(opened: Bench, until: Until) -> None:
    dock(opened, ToolStrip).buttons["Beneath"].click()
    until(lambda: opened.layers.map is not None and opened.layers.map.visible)
    photo = opened.model.photos[0]
    opened.model.draw([photo.drawn[1]])
    assert opened.layers.map is not None
    assert not opened.layers.map.visible
    until(lambda: opened.layers.map is not None and opened.layers.map.visible)
    # Nothing is drawn any more where the removed region was.
    assert np.isnan(opened.layers.map.data[240, 245])


def test_saving_is_offered_only_when_there_is_something_to_save(
    bench: Bench, tmp_path: Path, until: Until
) -> None:
    bench.open(job_folder(tmp_path / "job"))
    until(lambda: not bench.waiting)
    button, job = dock(bench, ToolStrip).buttons["Save"], dock(bench, JobDock)
    assert not button.isEnabled()
    bench.model.draw([bench.model.photos[0].drawn[0]])
    assert button.isEnabled()
    assert "not saved" in job.counts.text()
    button.click()
    assert not button.isEnabled()
    assert "not saved" not in job.counts.text()
    assert len(json.loads((tmp_path / "job/regions.geojson").read_text())["features"]) == 3


@pytest.mark.parametrize(
    ("answer", "stays", "saved"),
    [("Cancel", True, False), ("Discard", False, False), ("Save", False, True)],
)
def test_closing_does_not_lose_what_was_drawn(
    bench: Bench, tmp_path: Path, until: Until, answer: str, stays: bool, saved: bool
) -> None:
    bench.open(job_folder(tmp_path / "job"))
    until(lambda: not bench.waiting)
    window = WINDOWS[id(bench)]
    guard = ClosingGuard(bench, window)
    guard.ask = lambda: QMessageBox.StandardButton[answer]  # type: ignore[method-assign]
    assert not guard.eventFilter(window, QCloseEvent())
    bench.model.draw([bench.model.photos[0].drawn[0]])
    assert guard.eventFilter(window, QCloseEvent()) == stays
    assert bench.model.unsaved == (not saved)


def test_another_job_takes_the_place_only_if_the_person_lets_it(
    bench: Bench, tmp_path: Path, stored: Path, until: Until
) -> None:
    bench.open(job_folder(tmp_path / "job"))
    until(lambda: not bench.waiting)
    guard = ClosingGuard(bench, WINDOWS[id(bench)])
    bench.may_leave = guard.may_leave
    guard.ask = lambda: QMessageBox.StandardButton.Cancel  # type: ignore[method-assign]
    bench.model.draw([bench.model.photos[0].drawn[0]])
    assert not bench.open(stored)
    assert bench.model.unsaved
    guard.ask = lambda: QMessageBox.StandardButton.Discard  # type: ignore[method-assign]
    assert bench.open(stored)
    assert bench.model.job is not None
    assert bench.model.job.folder == stored
    until(lambda: not bench.waiting)


def dragged(*paths: Path) -> QMimeData:
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    return data


def let_fall(data: QMimeData, widget: Any) -> None:
    """As a person does it: drag it over the widget first, else Qt takes no notice."""
    copy, left = Qt.DropAction.CopyAction, Qt.MouseButton.LeftButton
    none = Qt.KeyboardModifier.NoModifier
    over = QDragEnterEvent(QPoint(5, 5), copy, data, left, none)
    QApplication.sendEvent(widget, over)
    assert over.isAccepted()
    QApplication.sendEvent(widget, QDropEvent(QPointF(5, 5), copy, data, left, none))


def test_a_job_folder_let_fall_on_the_dock_opens(bench: Bench, stored: Path, until: Until) -> None:
    data = dragged(stored)
    let_fall(data, dock(bench, JobDock))
    until(lambda: bench.picture(0) is not None and not bench.waiting)
    assert bench.model.job is not None


def test_only_job_folders_are_taken(stored: Path, tmp_path: Path) -> None:
    assert dropped_job(dragged(stored)) == stored
    assert dropped_job(dragged(tmp_path, stored / "job.toml")) == stored
    assert dropped_job(dragged(tmp_path, stored / FILES[0])) is None
    assert dropped_job(QMimeData()) is None
    assert dropped_job(None) is None


def test_a_doubt_about_the_photo_is_told_beside_the_one_to_take(
    bench: Bench, tmp_path: Path, until: Until
) -> None:
    folder = job_folder(tmp_path / "job")
    save_photo(rendered(scene(chart=None)), folder / FILES[0])
    bench.open(folder)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    text = dock(bench, JobDock).reasons.text()
    assert text.startswith("left.png  (900 × 720)")
    flag = FLAGS["no_chart"]
    assert f"! {flag.says}: {flag.settle}" in text


def test_closing_waits_when_the_outlines_cannot_be_written(
    bench: Bench, tmp_path: Path, until: Until
) -> None:
    bench.open(job_folder(tmp_path / "job"))
    until(lambda: not bench.waiting)
    (tmp_path / "job/regions.geojson").write_text("{}")
    bench.model.draw([bench.model.photos[0].drawn[0]])
    window = WINDOWS[id(bench)]
    guard = ClosingGuard(bench, window)
    guard.ask = lambda: QMessageBox.StandardButton.Save  # type: ignore[method-assign]
    assert guard.eventFilter(window, QCloseEvent())
    assert "changed by another program" in dock(bench, JobDock).message.text()


def test_the_list_of_keys_names_every_one(opened: Bench, qtbot: Any) -> None:
    lines = key_lines(opened.actions)
    window = KeysWindow(lines, None)
    qtbot.addWidget(window)
    text = window.findChild(QLabel).text()
    for action in opened.actions:
        assert action.text in text
        assert key_text(action.keys[0]).replace("<", "&lt;") in text


def test_light_and_dark_are_one_key_apart(opened: Bench) -> None:
    button = dock(opened, ToolStrip).buttons["Light"]
    before = opened.viewer.theme
    button.click()
    assert {before, opened.viewer.theme} == {"dark", "light"}
    button.click()
    assert opened.viewer.theme == before


def test_words_on_their_colours_can_be_read() -> None:
    # WCAG 2.2, 1.4.11: shapes that carry meaning need a contrast of 3:1 with what is round them.
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for look in LOOKS.values():
        for one, other in ((look.colour, contrast_ink(look.colour)), (look.colour, SUPPORT)):
            low, high = sorted((luminance(one), luminance(other)))
            assert (high + 0.05) / (low + 0.05) >= 3.0


# The library says itself that its model of tritanomaly is an approximation.
@pytest.mark.filterwarnings("ignore:.*simulation of tritanomaly")
@pytest.mark.parametrize("eyes", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_verdicts_differ_in_colour_for_every_colour_vision(eyes: str) -> None:
    # Full severity, simulated after Machado, Oliveira and Fernandes (2009) by colour-science; that
    # 10 CIEDE2000 is plainly another colour is our own choice.
    colour = colour_science()
    matrix = colour.matrix_cvd_Machado2009(eyes, 1.0)
    seen = []
    for state in ("pass", "fail", "retake", "aside", "open"):
        look = LOOKS[state]  # type: ignore[index]
        codes = np.array([int(look.colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.clip(matrix @ colour.models.eotf_sRGB(codes), 0, 1)
        seen.append(colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB")))
    for one, other in combinations(seen, 2):
        assert colour.delta_E(one, other, method="CIE 2000") > 10


def test_no_two_verdicts_share_a_word_or_a_shape() -> None:
    verdicts = [LOOKS[state] for state in ("pass", "fail", "retake", "aside", "open")]
    assert len({look.word for look in verdicts}) == len(verdicts)
    assert len({look.shape for look in verdicts}) == len(verdicts)


# ---- in napari's own window ------------------------------------------------------------------


def test_dressing_twice_adds_nothing(make_napari_viewer: Any) -> None:
    viewer = make_napari_viewer()
    bench = dress(viewer)
    assert dress(viewer) is bench
    assert len(docks(viewer, JobDock)) == 1
    assert len(docks(viewer, ToolStrip)) == 1
    assert "drop a job folder" in docks(viewer, JobDock)[0].reasons.text()


def test_a_job_folder_is_read_and_nothing_else(stored: Path, tmp_path: Path) -> None:
    assert get_reader(str(stored)) is not None
    assert get_reader([str(stored / "job.toml")]) is not None
    assert get_reader(str(tmp_path)) is None
    assert get_reader(str(stored / FILES[0])) is None


def test_a_folder_let_fall_on_the_photo_opens_without_a_question(
    make_napari_viewer: Any, stored: Path, until: Until
) -> None:
    viewer = make_napari_viewer()
    bench = dress(viewer)
    data = dragged(stored)
    let_fall(data, viewer.window._qt_viewer)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    assert bench.model.job is not None
    assert bench.model.job.folder == stored


def test_naparis_own_way_of_opening_reads_a_job_folder(
    make_napari_viewer: Any, stored: Path, until: Until
) -> None:
    viewer = make_napari_viewer()
    viewer.open(str(stored), plugin="fullhide")
    bench = dress(viewer)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    assert bench.model.job is not None
    assert bench.model.job.folder == stored


def test_the_sample_opens_as_a_copy(make_napari_viewer: Any, until: Until) -> None:
    viewer = make_napari_viewer()
    viewer.open_sample("fullhide", "kestrel")
    bench = dress(viewer)
    until(lambda: bench.picture(0) is not None and not bench.waiting)
    assert bench.model.job is not None
    assert bench.model.job.name == "Kestrel, galley bench"
    assert "sample_images" not in bench.model.job.folder.parts


def test_a_broken_photo_is_said_and_the_others_are_shown(
    bench: Bench, tmp_path: Path, until: Until
) -> None:
    folder = job_folder(tmp_path / "job")
    whole = (folder / FILES[0]).read_bytes()
    (folder / FILES[0]).write_bytes(whole[: len(whole) // 2])
    said: list[tuple[str, bool]] = []
    bench.said.connect(lambda text, bad: said.append((text, bad)))
    bench.open(folder)
    until(lambda: bool(said))
    assert said[0][1]
    assert FILES[0].rpartition("/")[2] in said[0][0]
    bench.model.show(1)
    until(lambda: bench.picture(1) is not None and not bench.waiting)
    assert bench.model.photos[0].state() == "open"


def test_npe2_finds_nothing_wrong_with_the_manifest() -> None:
    manifest = Path(sys.modules["napari_fullhide"].__file__ or "").with_name("napari.yaml")
    done = subprocess.run(
        [sys.executable, "-m", "npe2", "validate", str(manifest), "--imports"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "valid" in (done.stdout + done.stderr).lower()
