"""Inspecting in the window, and findings set aside. Needs the screen of tests/run.sh."""

from __future__ import annotations

import shutil
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from qtpy.QtCore import Qt, QTimer
from viewer_hand import dock, plain_bench
from viewer_job import FILES, inspected, job_folder

from fullhide.job import load_job
from fullhide.record import Record
from napari_fullhide import drawing
from napari_fullhide.asides import Asides
from napari_fullhide.bench import Bench
from napari_fullhide.inspecting import Inspector
from napari_fullhide.job_dock import JobDock
from napari_fullhide.now_strip import NowStrip
from napari_fullhide.restoring import still_holds
from napari_fullhide.window import dress

#: Our own and generous: the machines that test may be busy with other things. What a quiet one
#: needs is told by tests/bench/bench_freeze.py.
FROZEN_MS = 3000.0


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_folder(tmp_path_factory.mktemp("inspecting") / "job")


@pytest.fixture
def folder(stored: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(stored, tmp_path / "job"))


@pytest.fixture
def until(qtbot: Any) -> Any:
    return lambda fact: qtbot.waitUntil(fact, timeout=60_000)


def opened(bench: Bench, folder: Path, until: Any) -> Bench:
    """The job open and its first photo calibrated."""
    assert bench.open(folder)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    return bench


@pytest.fixture
def napari_bench(make_napari_viewer: Any, folder: Path, until: Any) -> Bench:
    return opened(dress(make_napari_viewer()), folder, until)


@pytest.fixture
def bench(qtbot: Any, folder: Path, until: Any) -> Bench:
    return opened(plain_bench(qtbot), folder, until)


def run(bench: Bench, name: str) -> None:
    """Press the button of that name, in the group of that name."""
    (action,) = [a for a in bench.actions if a.group == "Inspect" and a.text == name]
    assert action.enabled()
    bench.do(action)


def idle(bench: Bench) -> bool:
    """No inspection goes on, and what was found is shown."""
    return bench.part(Inspector).run is None and not bench.waiting


def states(bench: Bench) -> list[list[str]]:
    return [[region.state for region in photo.regions()] for photo in bench.model.photos]


def finding_line(bench: Bench) -> str:
    regions = dock(bench, JobDock).regions
    tops = [regions.topLevelItem(i) for i in range(regions.topLevelItemCount())]
    (line,) = [top.child(0).text(0) for top in tops if top.childCount()]
    return str(line)


class Gap:
    """The longest that the event loop did not come to a timer of 20 ms."""

    def __init__(self) -> None:
        self.longest_ms, self._last = 0.0, time.perf_counter()
        self._timer = QTimer()
        self._timer.setInterval(20)
        self._timer.timeout.connect(self._tick)
        self._timer.start()

    def _tick(self) -> None:
        now = time.perf_counter()
        self.longest_ms = max(self.longest_ms, 1000 * (now - self._last))
        self._last = now

    def stop(self) -> float:
        self._timer.stop()
        return self.longest_ms


def test_all_photos_inspected_in_a_thread_shown_and_kept(
    napari_bench: Bench, until: Any, folder: Path, record_property: Any
) -> None:
    bench = napari_bench
    said: list[str] = []
    bench.said.connect(lambda text, bad: said.append(text))
    strip = dock(bench, NowStrip)
    gap = Gap()
    run(bench, "All")
    assert not strip.bar.isHidden()
    until(lambda: idle(bench))
    longest = gap.stop()
    record_property("longest block of the event loop, ms", round(longest))
    print(f"longest block of the event loop: {longest:.0f} ms")
    assert longest < FROZEN_MS
    assert strip.bar.isHidden()
    assert states(bench) == [["fail", "reference"], ["pass", "reference"]]
    assert said[-1] == "2 photos inspected: 1 fail, 1 pass."
    kept = Record(folder).inspections()
    assert [item.photo.file for item in kept] == list(FILES)
    assert [[r.verdict for r in item.photo.regions] for item in kept] == [
        ["fail", None],
        ["pass", None],
    ]


def test_stopped_it_leaves_what_was_not_inspected_as_it_was(
    bench: Bench, until: Any, folder: Path
) -> None:
    run(bench, "All")
    run(bench, "Stop")
    until(lambda: idle(bench))
    assert states(bench) == [["open", "reference"], ["open", "reference"]]
    assert Record(folder).inspections() == ()
    run(bench, "Photo")
    until(lambda: idle(bench))
    assert states(bench)[0][0] == "fail"


def test_a_broken_photo_is_told_in_the_engines_words_and_the_other_inspected(
    bench: Bench, until: Any, folder: Path
) -> None:
    (folder / FILES[1]).write_bytes(b"no photo")
    said: list[tuple[str, bool]] = []
    bench.said.connect(lambda text, bad: said.append((text, bad)))
    run(bench, "All")
    until(lambda: idle(bench))
    assert states(bench)[0][0] == "fail"
    assert str(bench.model.photos[1].error) in [text for text, bad in said if bad]
    assert FILES[1] in str(bench.model.photos[1].error)


def test_a_moved_region_is_judged_alone_and_that_is_no_inspection_on_record(
    bench: Bench, until: Any, folder: Path
) -> None:
    run(bench, "Photo")
    until(lambda: idle(bench))
    said: list[str] = []
    bench.said.connect(lambda text, bad: said.append(text))
    dyed, old = bench.model.photos[0].drawn
    canvas = drawing.Canvas(photo=FILES[0], size_px=(900, 720))
    bench.model.draw(drawing.moved((dyed, old), 0, (-20.0, 0.0), canvas))
    assert states(bench)[0] == ["open", "reference"]
    assert bench.layers.findings is not None
    assert not np.any(bench.layers.findings.data)  # no marks that belong to no region
    bench.model.select("dyed")
    run(bench, "Region")
    until(lambda: idle(bench))
    assert states(bench)[0] == ["fail", "reference"]
    assert not bench.model.unsaved  # a verdict belongs to outlines on disk
    assert np.any(bench.layers.findings.data)
    assert len(Record(folder).inspections()) == 1
    assert said[-1] == "A quick look: 1 fail. Press I to put the whole photo on record."
    # A finding that is not on record cannot be set aside.
    run(bench, "Set aside")
    asides = bench.part(Asides)
    assert asides.asked is not None
    name, finding, _ = asides.asked
    asides.asked = (name, replace(finding, box_px=(0, 0, 9, 9)), None)
    assert not asides.give("a hair", "Robin")
    assert "press I first" in said[-1]
    assert Record(folder).set_asides() == ()


def test_a_finding_set_aside_by_keys_is_kept_shown_and_counted_after_reopening_too(
    bench: Bench, until: Any, folder: Path, qtbot: Any
) -> None:
    run(bench, "Photo")
    until(lambda: idle(bench))
    bench.model.walk(1)
    run(bench, "Set aside")
    form = dock(bench, NowStrip).form
    assert not form.isHidden()
    form.reason.setEditText("  ")
    form.by.setText("Robin")
    qtbot.keyClick(form.reason, Qt.Key.Key_Return)
    assert Record(folder).set_asides() == ()  # no reason, nothing set aside
    form.reason.setEditText("a hair, wiped off")
    qtbot.keyClick(form.reason, Qt.Key.Key_Return)
    (aside,) = Record(folder).set_asides()
    assert (aside.reason, aside.by, aside.region) == ("a hair, wiped off", "Robin", "dyed")
    until(lambda: bool(bench.model.photos[0].asides) and not bench.waiting)
    assert form.isHidden()
    for _ in range(2):
        assert "set aside: a hair, wiped off" in finding_line(bench)
        assert "1 finding set aside" in dock(bench, JobDock).counts.text()
        until(lambda: bench.layers.numbers is not None and len(bench.layers.numbers.data) > 0)
        assert list(bench.layers.numbers.features["label"]) == ["1 (set aside)"]
        assert states(bench)[0][0] in ("fail", "aside")
        assert bench.model.photos[0].found is not None
        assert bench.model.photos[0].found.result.regions[0].verdict == "fail"
        bench.open(folder)
        until(lambda: bool(bench.model.photos[0].asides) and bench.picture(0) is not None)
        until(lambda: bench.model.photos[0].found is not None and not bench.waiting)
    bench.model.walk(1)
    run(bench, "Set aside")
    assert form.take.text() == "Take back"
    assert bench.part(Asides).give("it is a miss after all", "Robin")
    until(lambda: not bench.model.photos[0].asides)
    assert "old green shows" in finding_line(bench)
    assert Record(folder).set_asides()[0].withdrawn is not None


def test_a_record_is_believed_only_where_nothing_has_changed(folder: Path) -> None:
    job = load_job(folder)
    kept = Record(folder).add(
        job,
        inspected(folder, 0).result,
        outlines=inspected(folder, 0).artifacts.outlines,
        by="Robin",
    )
    assert still_holds(kept, job, job.photos[0])
    text = (folder / "job.toml").read_text()
    (folder / "job.toml").write_text(text + "\n[limits]\nshow_through_mm2 = 0.5\n")
    changed = load_job(folder)
    assert not still_holds(kept, changed, changed.photos[0])
    photo = folder / FILES[0]
    photo.write_bytes(photo.read_bytes() + b"\0")
    assert not still_holds(kept, job, job.photos[0])
