"""Two pictures side by side: what is offered, and that their cameras go together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from viewer_job import inspected, job_folder

from fullhide.engine import Inspection
from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.beside import Comparison, View, views
from napari_fullhide.beside_pane import BesidePane
from napari_fullhide.model import JobModel
from napari_fullhide.state import PhotoState
from napari_fullhide.window import dress

Until = Callable[..., None]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_folder(tmp_path_factory.mktemp("beside") / "job")


@pytest.fixture
def until(qtbot: Any) -> Until:
    return lambda fact: qtbot.waitUntil(fact, timeout=20_000)


@pytest.fixture
def pair(qtbot: Any, stored: Path, until: Until) -> Comparison:
    """The first photo on the bench, and a viewer for what it is held against."""
    from napari.components import ViewerModel

    bench = bench_of(ViewerModel())
    bench.open(stored)
    until(lambda: bench.picture(1) is not None and not bench.waiting)
    return Comparison(bench, ViewerModel())


def centre(viewer: Any) -> Any:
    return np.array(viewer.scene.camera.center[-2:])


def photos(stored: Path, *changes: dict[str, Any]) -> list[PhotoState]:
    """The job's photos with other entries."""
    model = JobModel()
    model.open(stored)
    for photo, change in zip(model.photos, changes, strict=True):
        photo.entry = replace(photo.entry, **change)
    return model.photos


def test_a_reference_in_the_photo_comes_first_then_others(stored: Path) -> None:
    assert views(photos(stored, {}, {}), 0) == (
        View("old, reference here", 0, "old"),
        View("old, reference in right.png", 1, "old"),
    )


def test_a_photo_of_before_the_work_is_offered_for_the_same_part(stored: Path) -> None:
    changed = photos(stored, {"part": "Berth"}, {"part": "berth", "stage": "before"})
    assert View("before, right.png", 1, None) in views(changed, 0)
    changed = photos(stored, {"part": "berth"}, {"part": "locker", "stage": "before"})
    assert View("before, right.png", 1, None) not in views(changed, 0)


def test_photos_without_a_part_are_not_taken_for_the_same(stored: Path) -> None:
    changed = photos(stored, {"part": None}, {"part": None})
    assert all(view.region for view in views(changed, 0))


def test_nothing_is_offered_where_there_is_nothing(stored: Path) -> None:
    model = JobModel()
    assert views(model.photos, model.index) == ()


def test_the_reference_lies_in_the_middle_when_the_region_does(pair: Comparison) -> None:
    model = pair.bench.model
    model.select("dyed")
    pair.show(View("", 0, "old"))
    model.selected.emit()  # goes to the region
    dyed, old = model.photos[0].drawn
    np.testing.assert_allclose(centre(pair.bench.viewer), dyed.polygon.mean(axis=0)[::-1] - 0.5)
    np.testing.assert_allclose(centre(pair.other), old.polygon.mean(axis=0)[::-1] - 0.5)
    assert pair.other.scene.camera.zoom == pair.bench.viewer.scene.camera.zoom


@pytest.mark.parametrize("there", [True, False])
def test_either_camera_takes_the_other_along(pair: Comparison, there: bool) -> None:
    pair.show(View("", 1, None))
    one, two = pair.bench.viewer, pair.other
    if not there:
        one, two = two, one
    before, zoom = centre(two), two.scene.camera.zoom
    y, x = centre(one)
    one.scene.camera.center = (0.0, y + 30.0, x - 12.0)
    np.testing.assert_allclose(centre(two) - before, (30.0, -12.0))
    one.scene.camera.zoom *= 2
    np.testing.assert_allclose(two.scene.camera.zoom, 2 * zoom)


def test_photos_of_another_scale_are_shown_equally_large(pair: Comparison, stored: Path) -> None:
    for index, mm in ((0, 0.1), (1, 0.2)):
        real = inspected(stored, index)
        result = replace(real.result, mm_per_px=mm)
        pair.bench.model.put(index, Inspection(result, real.artifacts, ()))
    pair.show(View("", 1, None))
    pair.bench.viewer.scene.camera.zoom = 3.0
    # Twice the millimetres a pixel: each of its pixels is drawn twice as large.
    np.testing.assert_allclose(pair.other.scene.camera.zoom, 6.0)
    before = centre(pair.other)
    y, x = centre(pair.bench.viewer)
    pair.bench.viewer.scene.camera.center = (0.0, y + 20.0, x)
    np.testing.assert_allclose(centre(pair.other) - before, (10.0, 0.0))


def test_what_is_not_beside_any_more_follows_no_more(pair: Comparison) -> None:
    pair.show(View("", 1, None))
    pair.show(None)
    before = centre(pair.other)
    pair.bench.viewer.scene.camera.center = (0.0, 5.0, 5.0)
    np.testing.assert_array_equal(centre(pair.other), before)


def test_a_photo_not_opened_yet_comes_when_it_is(qtbot: Any, stored: Path, until: Until) -> None:
    from napari.components import ViewerModel

    bench: Bench = bench_of(ViewerModel())
    pair = Comparison(bench, ViewerModel())
    bench.open(stored)
    pair.show(View("", 1, None))
    until(lambda: len(pair.other.layers) == 1 and not bench.waiting)
    np.testing.assert_array_equal(pair.other.layers[0].data, bench.picture(1))


def test_the_window_opens_and_closes_the_second_pane(
    make_napari_viewer: Any, stored: Path, until: Until
) -> None:
    viewer = make_napari_viewer()
    bench = dress(viewer)
    bench.open(stored)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    bench.set_beside(True)
    (pane,) = [w for w in viewer.window.dock_widgets.values() if isinstance(w, BesidePane)]
    assert pane.choice.currentText() == "old, reference here"
    assert bench.model.region == "dyed"
    bench.model.draw([bench.model.photos[0].drawn[0]])
    assert pane.choice.count() == 1
    bench.model.undo()
    bench.model.show(1)
    bench.set_beside(False)
    assert pane.comparison.view is None
    bench.set_beside(True)
    assert pane.comparison.view == View("old, reference here", 1, "old")
