"""The pane of a region's colour: it says what the engine says, and its pictures are drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_tint import toml, wish
from test_tint_job import WHITER, against
from viewer_job import inspected, job_folder

from fullhide.tint_words import CAUTION
from napari_fullhide.bench import Bench, bench_of
from napari_fullhide.colours import Colours
from napari_fullhide.colours_pane import ColoursPane

Until = Callable[..., None]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small job, its photos two coats of one part in a light that is named."""
    folder = job_folder(tmp_path_factory.mktemp("colours") / "job")
    text = (folder / "job.toml").read_text()
    text = text.replace('part = "berth, left"', 'part = "berth"\nlight = "LED"\nstage = "final"')
    text = text.replace('part = "berth, right"', 'part = "berth"\nstage = "coat"\ncoat = 1')
    (folder / "job.toml").write_text('tints = "tinters.toml"\n' + text)
    (folder / "tinters.toml").write_text(toml(wish(WHITER)))
    return folder


@pytest.fixture
def until(qtbot: Any) -> Until:
    return lambda fact: qtbot.waitUntil(fact, timeout=20_000)


@pytest.fixture
def bench(qtbot: Any, stored: Path, until: Until) -> Bench:
    from napari.components import ViewerModel

    made = bench_of(ViewerModel())
    made.open(stored)
    until(lambda: made.ready(0) is not None and not made.waiting)
    return made


@pytest.fixture
def pane(qtbot: Any, bench: Bench) -> ColoursPane:
    made = ColoursPane(bench)
    qtbot.addWidget(made)
    made.resize(380, 1200)
    made.show()
    return made


def inked(drawing: Any) -> float:
    """Share of a picture's pixels that are not paper; 0 where it is hidden."""
    if not drawing.isVisible():
        return 0.0
    image = drawing.grab().toImage().convertToFormat(drawing.grab().toImage().Format.Format_RGB32)
    shape = (image.height(), image.bytesPerLine() // 4, 4)
    pixels = np.frombuffer(image.constBits(), np.uint8).reshape(shape)[:, : image.width(), :3]
    return float(np.mean(pixels.min(axis=-1) < 200))


def test_before_an_inspection_it_says_what_is_missing(bench: Bench, pane: ColoursPane) -> None:
    bench.part(Colours).switch()
    assert pane.name.text() == "Choose a region: click it."
    bench.model.select("dyed")
    assert "draw one (R)" in pane.match.text()
    assert "light = …" in pane.lights.text()
    assert inked(pane.plane) == inked(pane.swatches) == 0.0


def test_a_match_is_drawn_and_told_as_it_was_measured(
    bench: Bench, pane: ColoursPane, stored: Path
) -> None:
    found = inspected(stored, 0)
    bench.model.put(0, found)
    bench.part(Colours).switch()
    # The region that was held against a reference is the first to see.
    assert pane.name.text() == "dyed"
    (dyed,) = (r for r in found.result.regions if r.name == "dyed")
    measured = dyed.measures["match_delta_e"].value
    assert measured is not None
    assert f"ΔE {measured:.1f} off the reference" in pane.match.text()
    assert "LED" in pane.lights.text()
    # The fields fill most of the swatches; of the plane only lines and words are inked.
    assert inked(pane.swatches) > 0.5
    assert 0.01 < inked(pane.plane) < 0.3


def test_tint_help_stands_below_a_match_that_is_off(
    bench: Bench, pane: ColoursPane, stored: Path
) -> None:
    found = inspected(stored, 0)
    off = against(WHITER).measures
    regions = tuple(
        replace(r, measures={**r.measures, **off}, flags=()) if r.name == "dyed" else r
        for r in found.result.regions
    )
    bench.model.put(0, found._replace(result=replace(found.result, regions=regions)))
    bench.part(Colours).switch()
    told = pane.match.text().splitlines()[-1]
    assert told.startswith(f"Tint help, {CAUTION}: a touch of white (about ")


def test_coat_photos_are_read_when_asked_for_and_anew_once_outlines_moved(
    bench: Bench, pane: ColoursPane, until: Until
) -> None:
    colours = bench.part(Colours)
    colours.switch()
    bench.model.select("dyed")
    assert pane.read.isVisible()
    assert "1 coat photo" in pane.read.text()
    pane.read.click()
    until(lambda: colours.coats_read)
    assert inked(pane.curve) > 0.0
    assert "dry coats" in pane.coats.text()
    bench.model.draw(bench.model.photos[0].drawn[:1])
    assert not colours.coats_read
    assert inked(pane.curve) == 0.0


def test_it_and_the_second_picture_make_way_for_each_other(bench: Bench) -> None:
    colours = bench.part(Colours)
    bench.set_beside(True)
    colours.switch()
    assert (colours.on, bench.beside) == (True, False)
    bench.set_beside(True)
    assert (colours.on, bench.beside) == (False, True)
