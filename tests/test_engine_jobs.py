"""Whole jobs: masks and findings agree, proposals, one photo's trouble stays its own.

Truth is our own phantoms', known by construction; tolerances are our own.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from staged import (
    BOWED,
    CLEAN,
    GREEN,
    LEFT,
    ONE_SPOT,
    RIGHT,
    box_outline,
    inspected,
    job_of,
    outlined_seam,
    overlap,
    rendered,
    scene,
    spot,
)

from fullhide.engine import inspect_job, inspect_photo
from fullhide.job import Job, Limits, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import (
    Gap,
    save_photo,
)

GREY, OLD_GREY = (55.0, 0.0, -1.0), ("old grey", (47.0, 0.0, -1.0))


# What goes with the result


TWO_SPOTS = scene(spots=(spot(at=(30.0, 35.0)), spot(at=(100.0, 30.0), area_mm2=5.0)))


def test_findings_are_numbered_as_in_the_mask(tmp_path: Path) -> None:
    halves = [LEFT, replace(RIGHT, kind="panel")]
    found = inspected(TWO_SPOTS, tmp_path, outlines=halves)
    findings = [f for region in found.result.regions for f in region.findings]
    labels = found.artifacts.label_map
    assert labels.shape == (720, 900)
    assert labels.dtype == np.uint16
    assert sorted(f.id for f in findings) == [1, 2]
    assert sorted(np.unique(labels)) == [0, 1, 2]
    for finding in findings:
        x0, y0, x1, y1 = finding.box_px
        rows, columns = np.nonzero(labels == finding.id)
        assert (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1) == (x0, y0, x1, y1)
        x, y = finding.centre_px
        assert x0 <= x <= x1
        assert y0 <= y <= y1


def test_a_seams_findings_lie_where_its_mask_does(tmp_path: Path) -> None:
    what = scene(seams=(BOWED,), gaps=(Gap(0, 60.0, 72.0, GREEN[0]),))
    outline, _ = outlined_seam(rendered(what))
    found = inspected(what, tmp_path, outlines=[outline])
    labels = found.artifacts.label_map
    truth = rendered(what).truth.labels > 0
    assert labels.shape == truth.shape
    hit = (labels > 0) & truth
    assert hit.sum() > 0.5 * truth.sum()


def test_a_spot_in_two_regions_keeps_both_findings_in_the_mask_or_is_told_once(tmp_path) -> None:
    truth = rendered(ONE_SPOT).truth
    whole = box_outline(truth.region_px, name="whole")
    part = box_outline([(200, 100), (700, 100), (700, 400), (200, 400)], name="part")
    found = inspected(ONE_SPOT, tmp_path, outlines=[whole, part])
    ids = {finding.id for region in found.result.regions for finding in region.findings}
    assert ids == set(np.unique(found.artifacts.label_map).tolist()) - {0}


def test_a_photo_nobody_drew_in_gets_one_proposed_panel(tmp_path: Path) -> None:
    save_photo(rendered(ONE_SPOT), tmp_path / "p.png")
    job = replace(job_of(tmp_path, []), outlined=frozenset())
    found = inspect_photo(job, job.photos[0])
    (region,) = found.result.regions
    assert region.proposed
    assert "proposed" in region.flags
    (outline,) = found.artifacts.outlines
    assert overlap(outline.polygon, rendered(ONE_SPOT).truth.panel_px) >= 0.8


def test_a_photo_whose_outlines_are_unusable_gets_no_proposal(tmp_path: Path) -> None:
    save_photo(rendered(CLEAN), tmp_path / "p.png")
    outside = box_outline([(2000, 2000), (2100, 2000), (2100, 2100)])
    job = job_of(tmp_path, [outside])
    found = inspect_photo(job, job.photos[0])
    assert found.result.regions == ()
    assert len(found.problems) == 1


# Jobs


def test_a_photo_that_cannot_be_opened_leaves_the_others_done(tmp_path: Path) -> None:
    save_photo(rendered(ONE_SPOT), tmp_path / "p.png")
    (tmp_path / "broken.png").write_bytes((tmp_path / "p.png").read_bytes()[:2000])
    shutil.copy(tmp_path / "p.png", tmp_path / "q.png")
    outline = box_outline(rendered(ONE_SPOT).truth.region_px)
    names = ("p.png", "broken.png", "q.png")
    job = replace(
        job_of(tmp_path, []),
        photos=tuple(PhotoEntry(file=name) for name in names),
        outlines=tuple(replace(outline, photo=name) for name in names),
        outlined=frozenset(names),
    )
    steps: list[None] = []
    shown: list[str] = []
    result = inspect_job(
        job,
        progress=lambda: steps.append(None),
        on_photo=lambda photo, artifacts: shown.append(photo.file),
    )
    assert [photo.file for photo in result.photos] == ["p.png", "q.png"]
    assert shown == ["p.png", "q.png"]
    assert len(steps) == 3
    (problem,) = result.problems
    assert "broken.png" in str(problem)
    assert "\n" not in str(problem)


def test_a_grey_board_that_cannot_be_opened_is_named(tmp_path: Path) -> None:
    save_photo(rendered(CLEAN), tmp_path / "p.png")
    (tmp_path / "board.png").write_bytes(b"no picture")
    outline = box_outline(rendered(CLEAN).truth.region_px)
    result = inspect_job(job_of(tmp_path, [outline], grey_board="board.png"))
    (problem,) = result.problems
    assert "board.png" in str(problem)
    assert all(region.verdict != "pass" for photo in result.photos for region in photo.regions)


def test_a_broken_outline_leaves_the_photos_other_regions_done(tmp_path: Path) -> None:
    save_photo(rendered(ONE_SPOT), tmp_path / "p.png")
    good = box_outline(rendered(ONE_SPOT).truth.region_px)
    outside = box_outline([(2000, 2000), (2100, 2000), (2100, 2100)], name="nowhere")
    result = inspect_job(job_of(tmp_path, [outside, good]))
    assert [region.name for region in result.photos[0].regions] == ["r"]
    assert result.photos[0].regions[0].verdict == "fail"
    assert len(result.problems) == 1


def test_the_same_photo_gives_the_same_result_twice(tmp_path: Path) -> None:
    one, two = (inspected(ONE_SPOT, tmp_path).result for _ in range(2))
    assert one == two


# Laws


@pytest.fixture(scope="module")
def speckled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, RegionOutline]:
    folder = tmp_path_factory.mktemp("speckled")
    what = scene(spots=(spot(area_mm2=1.6),))
    save_photo(rendered(what), folder / "p.png")
    outline = box_outline(rendered(what).truth.region_px)
    return job_of(folder, [outline]), outline


@given(
    area=st.floats(0.8, 4.0),
    delta_e=st.floats(2.0, 6.0),
    uneven=st.floats(1.0, 4.0),
    more=st.floats(1.1, 3.0),
)
@settings(max_examples=6, deadline=None)
def test_larger_limits_never_turn_a_pass_into_a_fail(speckled, area, delta_e, uneven, more) -> None:
    job, _ = speckled

    def verdict(factor: float) -> str | None:
        limits = Limits(
            show_through_mm2=area * factor,
            show_through_delta_e=delta_e * factor,
            uneven_delta_e=uneven * factor,
        )
        asked = replace(job, limits=limits)
        return inspect_photo(asked, asked.photos[0]).result.regions[0].verdict

    strict, loose = verdict(1.0), verdict(more)
    if strict == "pass":
        assert loose != "fail"
    if loose == "fail":
        assert strict == "fail"
