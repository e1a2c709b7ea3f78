"""Match with a reference in another photo: the truth is our phantoms' spectrally computed Lab."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000
from staged import CLEAN, box_outline, fit_leaving, job_of, rendered, scene

from fullhide import elsewhere
from fullhide.checks.apart import Calibrated, Reference, covariance_apart, match_apart
from fullhide.checks.match import Patch, match
from fullhide.colour import lab_to_xyz
from fullhide.engine import inspect_job, inspect_photo
from fullhide.job import Job, Limits, PhotoEntry
from fullhide.phantom import Light, save_photo
from fullhide.result import RegionResult

FOX = (46.0, 21.0, 28.0)
GREEN = (38.0, -28.0, 9.0)
WHERE = [(60, 60), (840, 60), (840, 420), (60, 420)]
OTHER_LIGHT = Light(falloff=0.08, falloff_towards_deg=120.0)


def seen(lab=FOX, *, left: float = 0.0, light: str = "grey board") -> Calibrated:
    """A colour by a chart whose fit leaves so much of every patch, in L*, a* and b*."""
    return Calibrated(patch=Patch(xyz=lab_to_xyz(lab)), fit=fit_leaving(left), light=light)


def against(lab=FOX, **how) -> Reference:
    return Reference(file="old.png", colour=seen(lab, **how))


def two_photos(folder: Path, reference=FOX, *, part: str | None = None, **entry) -> Job:
    """The panel in p.png, and the reference by itself in old.png."""
    save_photo(rendered(CLEAN), folder / "p.png")
    shot = rendered(scene(finish=reference, seed=8, light=OTHER_LIGHT))
    save_photo(shot, folder / "old.png")
    old = replace(box_outline(WHERE, kind="reference", name="old"), photo="old.png")
    job = job_of(folder, [box_outline(WHERE, name="dyed"), old], part=part, **entry)
    return replace(
        job,
        photos=(*job.photos, PhotoEntry(file="old.png")),
        outlined=frozenset({"p.png", "old.png"}),
    )


def dyed(job: Job) -> RegionResult:
    return inspect_photo(job, job.photos[0]).result.regions[0]


@pytest.mark.parametrize("reference", [FOX, (49.0, 18.0, 30.0), GREEN])
def test_the_interval_holds_the_true_difference(tmp_path, reference) -> None:
    region = dyed(two_photos(tmp_path, reference))
    labs = [np.array(rendered(what).truth.finish_lab) for what in (scene(finish=reference), CLEAN)]
    truth = float(deltaE_ciede2000(*labs, kL=2))  # scikit-image
    low, high = (region.measures[f"match_at_{end}"].value for end in ("least", "most"))
    assert low <= truth <= high
    if truth > 6.0:  # the goal below is for pairs as near as the benchmark's
        return
    # Own tolerance: 1.8, the benchmark's goal for 95 % of pairs.
    assert region.measures["match_delta_e"].value == pytest.approx(truth, abs=1.8)
    assert any("reference part in old.png" in reason for reason in region.reasons)


@pytest.mark.parametrize(
    ("reference", "verdict"),
    [(FOX, "pass"), ((48.0, 19.0, 28.0), "retake"), (GREEN, "fail")],
)
def test_the_same_colour_passes_another_fails_and_near_the_limit_both_in_one_photo_are_asked_for(
    tmp_path, reference, verdict: str
) -> None:
    region = dyed(two_photos(tmp_path, reference))
    assert region.verdict == verdict
    told = {
        "fail": "off the reference part in old.png",
        "retake": "in one photo, side by side",
    }
    if verdict in told:
        assert any(told[verdict] in reason for reason in region.reasons)


def test_a_job_without_a_reference_is_as_before(tmp_path, monkeypatch) -> None:
    save_photo(rendered(CLEAN), tmp_path / "p.png")
    monkeypatch.setattr(elsewhere, "_read", lambda *_: pytest.fail("opened a photo"))
    region = dyed(job_of(tmp_path, [box_outline(WHERE)]))
    assert not any(name.startswith("match") for name in region.measures)


@pytest.mark.parametrize("stage", ["before", "coat"])
def test_only_what_is_finished_is_compared(tmp_path, stage: str) -> None:
    region = dyed(two_photos(tmp_path, stage=stage))
    assert not any(name.startswith("match") for name in region.measures)


def test_a_reference_beside_a_panel_is_for_that_photo_alone(tmp_path) -> None:
    job = two_photos(tmp_path)
    other = replace(box_outline(WHERE, name="another"), photo="old.png")
    region = dyed(replace(job, outlines=(*job.outlines, other)))
    assert not any(name.startswith("match") for name in region.measures)


def test_a_photo_of_both_settles_the_region(tmp_path) -> None:
    job = two_photos(tmp_path, part="door")
    both = PhotoEntry(file="both.png", part="door")
    outlines = [
        replace(box_outline(WHERE, kind=kind, name=name), photo="both.png")
        for kind, name in (("panel", "dyed"), ("reference", "old"))
    ]
    job = replace(job, photos=(*job.photos, both), outlines=(*job.outlines, *outlines))
    assert not any(name.startswith("match") for name in dyed(job).measures)
    elsewhere_named = replace(job, photos=(*job.photos[:2], replace(both, part="hood")))
    assert "match_delta_e" in dyed(elsewhere_named).measures


def test_of_two_references_the_one_of_the_same_part_counts(tmp_path) -> None:
    job = two_photos(tmp_path, part="door")
    save_photo(rendered(scene(finish=FOX, seed=8, light=OTHER_LIGHT)), tmp_path / "own.png")
    own = replace(box_outline(WHERE, kind="reference", name="own"), photo="own.png")
    job = replace(
        job,
        photos=(*job.photos, PhotoEntry(file="own.png", part="door")),
        outlines=(*job.outlines, own),
        outlined=job.outlined | {"own.png"},
    )
    assert any("own.png" in reason for reason in dyed(job).reasons)


def test_a_reference_that_cannot_be_read_is_no_pass(tmp_path) -> None:
    job = two_photos(tmp_path)
    bare = scene(finish=FOX, seed=8, chart=None)
    save_photo(rendered(bare), tmp_path / "old.png")
    region = dyed(job)
    assert region.verdict == "retake"
    assert region.measures["match_delta_e"].value is None
    assert any("no chart was found" in reason and "old.png" in reason for reason in region.reasons)
    (tmp_path / "old.png").unlink()
    assert any("cannot be opened" in reason for reason in dyed(job).reasons)


def test_the_reference_is_read_once_in_a_run_and_again_when_it_changes(tmp_path, monkeypatch):
    job = two_photos(tmp_path)
    save_photo(rendered(CLEAN), tmp_path / "q.png")
    more = replace(box_outline(WHERE, name="second"), photo="q.png")
    job = replace(
        job, photos=(*job.photos, PhotoEntry(file="q.png")), outlines=(*job.outlines, more)
    )
    read, calls = elsewhere._read, []
    monkeypatch.setattr(elsewhere, "_read", lambda *how: calls.append(how) or read(*how))
    inspect_job(job)
    assert len(calls) == 1
    save_photo(rendered(scene(finish=GREEN, seed=8)), tmp_path / "old.png")
    assert dyed(job).verdict == "fail"
    assert len(calls) == 2


@pytest.mark.parametrize("limit", [1.0, 3.0, 30.0])
@pytest.mark.parametrize("lab", [FOX, (50.0, 15.0, 20.0), GREEN])
def test_the_verdict_is_that_of_the_interval(lab, limit: float) -> None:
    limits = Limits(match_delta_e=limit)
    outcome = match_apart(seen(lab, left=1.0), against(), doubts=(), limits=limits)
    low, high = (outcome.measures[f"match_at_{end}"].value for end in ("least", "most"))
    expected = "pass" if high <= limit else "fail" if low >= limit else "retake"
    assert outcome.verdict == expected


def test_two_photos_leave_more_doubt_than_one() -> None:
    one = match(
        Patch(xyz=lab_to_xyz(FOX)), Patch(xyz=lab_to_xyz(FOX)), light_doubt=0.005, limits=Limits()
    )
    two = match_apart(seen(), against(), doubts=(), limits=Limits())
    assert two.measures["match_at_most"].value > one.measures["match_at_most"].value


def test_what_both_charts_leave_alike_is_no_doubt_and_what_they_leave_apart_is() -> None:
    alike, apart = (covariance_apart(seen(left=2.0), seen(left=v)) for v in (2.0, -1.0))
    assert alike == pytest.approx(covariance_apart(seen(), seen()), abs=1e-12)
    more = apart - alike
    # The same in every patch: as large in each coordinate, and in none together.
    assert more == pytest.approx(more[0, 0] * np.eye(3), abs=1e-9)
    assert more[0, 0] > 1.0


def test_what_is_the_matter_with_the_panels_photo_is_told() -> None:
    doubts = ("the chart reflects the lamp",)
    outcome = match_apart(seen(GREEN), against(), doubts=doubts, limits=Limits())
    assert outcome.verdict == "retake"
    assert doubts[0] in outcome.reasons[0]
