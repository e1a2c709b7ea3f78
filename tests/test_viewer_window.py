"""The viewer's window: a job in it, its lists, its keys. Needs the screen of tests/run.sh."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QAbstractButton, QApplication
from viewer_job import FILES, inspected, job_folder

from napari_fullhide.bench import Bench
from napari_fullhide.job_dock import JobDock
from napari_fullhide.reader import get_reader
from napari_fullhide.shapes import rows_columns
from napari_fullhide.style import LOOKS
from napari_fullhide.tools import ToolStrip
from napari_fullhide.widgets import LEAST_PX
from napari_fullhide.window import dress

Until = Callable[..., None]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_folder(tmp_path_factory.mktemp("window") / "job")


@pytest.fixture
def until(qtbot: Any) -> Until:
    return lambda fact: qtbot.waitUntil(fact, timeout=20_000)


@pytest.fixture
def bench(make_napari_viewer: Any) -> Bench:
    return dress(make_napari_viewer())


@pytest.fixture
def opened(bench: Bench, stored: Path, until: Until) -> Bench:
    """The job with its first photo shown and calibrated, and nothing going on."""
    assert bench.open(stored)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    return bench


def dock(bench: Bench, kind: type) -> Any:
    (found,) = [w for w in bench.viewer.window.dock_widgets.values() if isinstance(w, kind)]
    return found


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
    assert "drop a job folder" in job.reasons.text()
    assert not dock(bench, ToolStrip).buttons["Next photo"].isEnabled()


def test_dressing_twice_adds_nothing(bench: Bench) -> None:
    assert dress(bench.viewer) is bench
    dock(bench, JobDock)
    dock(bench, ToolStrip)


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
        ["berth, left", ""],
        ["left.png", "TO INSPECT"],
        ["berth, right", ""],
        ["right.png", "TO INSPECT"],
    ]
    assert [line[:2] for line in words(job.regions)] == [
        ["dyed", "TO INSPECT"],
        ["old", "REFERENCE"],
    ]
    assert "2 still open" in job.standing.text()


def test_a_fail_is_seen_in_word_shape_and_colour(opened: Bench, stored: Path) -> None:
    opened.model.put(0, inspected(stored, 0))
    job = dock(opened, JobDock)
    assert ["left.png", "FAIL"] in words(job.photos)
    assert words(job.regions)[0][:2] == ["dyed", "FAIL"]
    outlines = opened.layers.outlines
    assert outlines is not None
    assert list(outlines.features["label"]) == ["FAIL dyed", "REFERENCE old"]
    for colour, state in zip(outlines.edge_color, ("fail", "reference"), strict=True):
        wanted = LOOKS[state].colour  # type: ignore[index]
        got = "#" + "".join(f"{round(255 * float(c)):02x}" for c in colour[:3])
        assert got == wanted
    assert opened.layers.findings is not None
    assert set(np.unique(opened.layers.findings.data)) == {0, 1}


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
    assert "old green shows through" in job.reasons.text()


def test_findings_can_be_sorted_by_size(bench: Bench, stored: Path) -> None:
    from napari_fullhide.job_dock import _WHAT, _Row

    job = dock(bench, JobDock)
    sizes = (9.5, 52.8, 100.2, 0.0)
    for size in sizes:
        row = _Row(job.regions, ["", "", f"{size}"])
        row.setData(2, _WHAT, size)
    job.regions.sortByColumn(2, Qt.SortOrder.DescendingOrder)
    assert [float(line[2]) for line in words(job.regions)] == sorted(sizes, reverse=True)


def test_keys_work_wherever_the_focus_is(opened: Bench, qtbot: Any, until: Until) -> None:
    window = opened.viewer.window._qt_window
    window.show()
    qtbot.waitExposed(window)
    window.activateWindow()
    job = dock(opened, JobDock)
    job.regions.setFocus()
    QApplication.processEvents()
    qtbot.keyClick(job.regions, Qt.Key.Key_Period)
    until(lambda: opened.model.index == 1 and opened.picture(1) is not None)
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
        assert button.height() >= LEAST_PX or button.minimumHeight() >= LEAST_PX
        assert button.text().startswith(text)
        assert "[" in button.text()
    for button in dock(opened, JobDock).findChildren(QAbstractButton):
        assert not button.isVisibleTo(dock(opened, JobDock)) or button.height() >= LEAST_PX


def test_every_key_is_given_once(opened: Bench) -> None:
    keys = [key for action in opened.actions for key in action.keys]
    assert sorted(keys) == sorted(set(keys))


def test_a_job_folder_is_read_and_nothing_else(stored: Path, tmp_path: Path) -> None:
    assert get_reader(str(stored)) is not None
    assert get_reader([str(stored / "job.toml")]) is not None
    assert get_reader(str(tmp_path)) is None
    assert get_reader(str(stored / FILES[0])) is None


def test_a_folder_let_fall_on_the_window_opens(
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
