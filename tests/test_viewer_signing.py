"""Signing a job off in the window. Needs the screen of tests/run.sh."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from qtpy.QtCore import Qt
from viewer_hand import dock, plain_bench
from viewer_job import FILES, job_folder

from fullhide.inspection import run_jobs
from fullhide.job import load_job
from fullhide.record import Record
from napari_fullhide.asides import Asides
from napari_fullhide.bench import Bench
from napari_fullhide.now_strip import NowStrip
from napari_fullhide.signing import Signing


@pytest.fixture
def until(qtbot: Any) -> Any:
    return lambda fact: qtbot.waitUntil(fact, timeout=60_000)


@pytest.fixture(scope="module")
def inspected_job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = job_folder(tmp_path_factory.mktemp("signing") / "job")
    run_jobs([load_job(folder)], by="Kim")
    return folder


def opened(folder: Path, qtbot: Any, until: Any) -> Bench:
    made = plain_bench(qtbot)
    assert made.open(folder)
    until(lambda: made.ready(0) is not None and not made.waiting)
    return made


@pytest.fixture
def bench(qtbot: Any, inspected_job: Path, tmp_path: Path, until: Any) -> Bench:
    return opened(Path(shutil.copytree(inspected_job, tmp_path / "job")), qtbot, until)


def signatures(bench: Bench) -> tuple[Any, ...]:
    assert bench.model.job is not None
    return Record(bench.model.job.folder).read().signatures


def ask(bench: Bench, until: Any) -> Signing:
    (action,) = [a for a in bench.actions if a.text == "Sign off"]
    bench.do(action)
    signing = bench.part(Signing)
    until(lambda: signing.asked is not None)
    return signing


def test_what_stands_against_it_is_said_and_a_reason_wanted(
    bench: Bench, until: Any, qtbot: Any
) -> None:
    signing = ask(bench, until)
    form = dock(bench, NowStrip).sign_form
    assert not form.isHidden()
    assert not form.despite.isHidden()
    assert signing.asked is not None
    assert form.says.text().casefold() == signing.asked.gate.says.casefold()
    form.by.setText("Robin")
    qtbot.keyClick(form.by, Qt.Key.Key_Return)
    assert signatures(bench) == ()  # no reason, no signature
    qtbot.keyClicks(form.despite, "the owner wants it today")
    qtbot.keyClick(form.despite, Qt.Key.Key_Return)
    (signature,) = signatures(bench)
    assert (signature.by, signature.despite) == ("Robin", "the owner wants it today")
    assert form.isHidden()


def test_where_nothing_stands_against_it_a_name_is_enough(
    qtbot: Any, inspected_job: Path, tmp_path: Path, until: Any
) -> None:
    folder = Path(shutil.copytree(inspected_job, tmp_path / "clean"))
    toml = (folder / "job.toml").read_text()
    start, end = toml.index("[[photo]]"), toml.rindex("[[photo]]")
    outlines = json.loads((folder / "regions.geojson").read_text())
    mine = [f for f in outlines["features"] if f["properties"]["photo"] == FILES[1]]
    names = [f["properties"]["name"] for f in mine if f["properties"]["kind"] == "panel"]
    part = f'[[part]]\nname = "berth, right"\nregions = {json.dumps(names)}\n'
    # Without the spoilt part.
    (folder / "job.toml").write_text(toml[:start] + toml[end:] + part)
    (folder / "regions.geojson").write_text(json.dumps({**outlines, "features": mine}))
    bench = opened(folder, qtbot, until)
    signing = ask(bench, until)
    assert signing.asked is not None
    assert signing.asked.gate.open
    form = dock(bench, NowStrip).sign_form
    assert form.despite.isHidden()
    assert "may be reassembled" in form.says.text().casefold()
    form.by.setText("Robin")
    qtbot.keyClick(form.by, Qt.Key.Key_Return)
    assert [(s.by, s.despite) for s in signatures(bench)] == [("Robin", "")]


def test_leaving_the_question_signs_nothing(bench: Bench, until: Any, qtbot: Any) -> None:
    ask(bench, until)
    form = dock(bench, NowStrip).sign_form
    qtbot.keyClick(form.despite, Qt.Key.Key_Escape)
    assert form.isHidden()
    assert signatures(bench) == ()


def test_unsaved_outlines_are_saved_first(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    bench.said.connect(lambda text, bad: said.append(text))
    monkeypatch.setattr(type(bench.model), "unsaved", property(lambda _: True))
    bench.part(Signing).ask()
    assert bench.part(Signing).asked is None
    assert "Save" in said[-1]


def test_one_question_at_a_time(bench: Bench, until: Any) -> None:
    signing = ask(bench, until)
    bench.part(Asides).asking.emit(True)
    assert signing.asked is None
