"""The viewer's model: what is drawn, found and open, without Qt or napari."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from viewer_job import inspected, job_folder

from fullhide.engine import Inspection
from fullhide.errors import FullhideError, JobError, OutputError
from fullhide.outlines import RegionOutline
from fullhide.result import PhotoResult, RegionResult, Verdict
from napari_fullhide.model import JobModel


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return job_folder(tmp_path_factory.mktemp("model") / "job")


@pytest.fixture
def model(stored: Path) -> JobModel:
    made = JobModel()
    made.open(stored)
    return made


@pytest.fixture
def own(tmp_path: Path) -> JobModel:
    """A job that the test may write to."""
    made = JobModel()
    made.open(job_folder(tmp_path / "job"))
    return made


def moved(outline: RegionOutline, by: float = 3.0) -> RegionOutline:
    return replace(outline, polygon=outline.polygon + by)


def told(model: JobModel, verdict: Verdict, index: int = 0) -> None:
    """An inspection with one verdict for every judged region of a photo."""
    photo = model.photos[index]
    real: Inspection = inspected(model.job.folder if model.job else Path(), index)
    regions = tuple(
        RegionResult(
            name=o.name,
            part=None,
            kind=o.kind,
            proposed=False,
            verdict=None if o.kind == "reference" else verdict,
        )
        for o in photo.drawn
    )
    result: PhotoResult = replace(real.result, regions=regions)
    model.put(index, Inspection(result, real.artifacts, ()))


def test_the_model_needs_neither_qt_nor_napari() -> None:
    code = (
        "import napari_fullhide.model, sys\n"
        "print([n for n in sys.modules if n.split('.')[0] in ('napari','qtpy','PySide6','PyQt6')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_nothing_is_open_at_first() -> None:
    model = JobModel()
    assert (model.current, model.counts(), model.still_open(), model.save()) == (None, {}, 0, False)
    model.step(1)
    model.walk(1)
    model.undo()
    assert model.index == -1


def test_opening_shows_the_first_photo_with_its_regions_to_inspect(model: JobModel) -> None:
    assert model.current is not None
    states = [(region.name, region.state) for region in model.current.regions()]
    assert states == [("dyed", "open"), ("old", "reference")]
    assert model.still_open() == 2


def test_a_job_that_cannot_be_read_leaves_the_open_one(model: JobModel, tmp_path: Path) -> None:
    before = model.job
    with pytest.raises(JobError):
        model.open(tmp_path)
    assert model.job is before


def test_what_the_engine_found_stands_with_its_regions(model: JobModel, stored: Path) -> None:
    model.put(0, inspected(stored, 0))
    assert model.current is not None
    (region,) = [r for r in model.current.regions() if r.state == "fail"]
    assert region.name == "dyed"
    (finding,) = region.findings
    assert model.current.state() == "fail"
    found = model.current.found
    assert found is not None
    np.testing.assert_array_equal(found.labels(), inspected(stored, 0).artifacts.label_map)
    assert found.finding_at(*finding.centre_px) == finding.id
    assert found.finding_at(1.0, 1.0) == 0


def test_a_verdict_does_not_outlive_the_outline_it_was_for(model: JobModel) -> None:
    told(model, "pass")
    photo = model.photos[0]
    assert photo.state() == "pass"
    model.draw([moved(photo.drawn[0]), photo.drawn[1]])
    assert (photo.state(), photo.regions()[0].state) == ("open", "open")
    model.undo()
    assert photo.state() == "pass"
    # The reference is what the region was held against: moved, it unsays the region's verdict.
    model.draw([photo.drawn[0], moved(photo.drawn[1])])
    assert photo.regions()[0].state == "open"


def test_an_ignore_zone_drawn_afterwards_unsays_a_pass(model: JobModel) -> None:
    told(model, "pass")
    photo = model.photos[0]
    zone = replace(moved(photo.drawn[0], 20.0), name="ignore", kind="ignore", number=None)
    model.draw([*photo.drawn, zone])
    assert photo.state() == "open"


@pytest.mark.parametrize(
    ("first", "second", "still"),
    [("pass", "pass", 0), ("fail", "pass", 1), ("retake", "fail", 2), ("pass", None, 1)],
)
def test_what_is_still_open_counts_all_that_does_not_pass(
    model: JobModel, first: Verdict, second: Verdict | None, still: int
) -> None:
    told(model, first, 0)
    if second is not None:
        told(model, second, 1)
    assert model.still_open() == still


def test_a_photo_that_cannot_be_used_is_not_passed(model: JobModel) -> None:
    told(model, "pass")
    model.put_error(0, FullhideError("p", "is broken"))
    assert model.photos[0].state() != "pass"


def test_stepping_goes_round_and_can_ask_for_more(model: JobModel) -> None:
    seen: list[int] = []
    model.shown.connect(seen.append)
    model.step(1)
    model.step(1)
    model.step(-1)
    assert seen == [1, 0, 1]
    told(model, "pass", 0)
    model.step(1, wanted=lambda photo: photo.state() == "fail")
    assert model.index == 1


def test_walking_goes_through_findings_and_regions(model: JobModel, stored: Path) -> None:
    model.put(0, inspected(stored, 0))
    assert model.stops() == (("dyed", 1),)
    model.walk(1)
    assert (model.region, model.finding) == ("dyed", 1)
    model.show(1)
    assert (model.region, model.finding) == (None, None)


def test_drawing_can_be_undone_and_done_again(model: JobModel) -> None:
    photo = model.photos[0]
    before = photo.drawn
    model.draw([before[0]])
    model.undo()
    assert photo.drawn == before
    assert not model.unsaved
    model.redo()
    assert [o.name for o in photo.drawn] == ["dyed"]
    assert model.unsaved


def test_outlines_that_cannot_stand_together_change_nothing(model: JobModel) -> None:
    photo = model.photos[0]
    before = photo.drawn
    with pytest.raises(JobError, match="has a name that another region"):
        model.draw([before[0], moved(before[0])])
    assert photo.drawn == before
    assert not photo.undo


def test_saving_keeps_what_is_not_ours_and_reopens_the_same(own: JobModel) -> None:
    assert own.job is not None
    path = own.job.folder / "regions.geojson"
    stood = json.loads(path.read_text())
    photo = own.photos[0]
    own.draw([moved(photo.drawn[0]), photo.drawn[1]])
    assert own.save()
    assert not own.unsaved
    now = json.loads(path.read_text())
    assert now["shop"] == "kept too"
    assert [f["id"] for f in now["features"]] == [f["id"] for f in stood["features"]]
    assert [f["properties"] for f in now["features"]] == [
        f["properties"] for f in stood["features"]
    ]
    assert now["features"][1:] == stood["features"][1:]
    again = JobModel()
    again.open(own.job.folder)
    np.testing.assert_allclose(again.photos[0].drawn[0].polygon, photo.drawn[0].polygon)
    # The file's own feature is known again after saving: moved once more it does not double.
    own.draw([moved(own.photos[0].drawn[0]), own.photos[0].drawn[1]])
    own.save()
    assert len(json.loads(path.read_text())["features"]) == 4


def test_a_file_changed_by_another_program_is_not_overwritten(own: JobModel) -> None:
    assert own.job is not None
    path = own.job.folder / "regions.geojson"
    path.write_text(path.read_text() + "\n")
    own.draw([own.photos[0].drawn[0]])
    with pytest.raises(OutputError, match="changed by another program"):
        own.save()
    assert own.unsaved
