"""Two-tone parts: bleeds, gaps, overspray and unsteady lines; truth is our own phantoms'."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely.geometry import Polygon
from staged import GREEN, box_outline, inspected, region_of, rendered, scene

from fullhide.edge_line import course_of, levelling
from fullhide.job import Limits
from fullhide.outlines import RegionOutline
from fullhide.phantom import (
    Bleed,
    Camera,
    Edge,
    Leather,
    OpenLine,
    Overspray,
    Scene,
    band_px,
    save_photo,
)
from fullhide.result import RegionResult
from fullhide.wording import AIRBAG_REFER, side_names

CREAM = ("cream", (85.0, 1.0, 14.0))
#: Our own goal for the depth of a bleed and the width of a gap, mm.
GOAL_MM = 0.3


def two_tone(*, bow_mm: float = 0.0, camera: Camera | None = None, **faults: Any) -> Scene:
    """Fox brown above cream, the line from one side of the small panel to the other."""
    line = Edge((5.0, 34.0), (130.0, 38.0), "cream", bow_mm=bow_mm, **faults)
    return scene(
        under=(GREEN, CREAM),
        edges=(line,),
        leather=Leather(curvature_mm=2.0, grain="fine"),
        camera=camera or Camera(),
    )


def band(what: Scene, **named: Any) -> RegionOutline:
    """The outline over the line, a little off its middle as by hand, cut off with the part."""
    truth = rendered(what).truth
    ring = np.array(band_px(truth.edges[0], half_px=8.0 / what.mm_per_px))
    ring[:, 1] += 4.0
    inside = Polygon(ring).intersection(Polygon(truth.region_px))
    return box_outline(np.asarray(inside.exterior.coords)[:-1], kind="edge", name="line", **named)


def judged(what: Scene, folder: Path, **asked: Any) -> RegionResult:
    return region_of(what, folder, outlines=[band(what)], **asked)


#: Every fault once, each well away from the next.
FAULTY = two_tone(
    bleeds=(Bleed(18.0, 30.0, 2.0), Bleed(40.0, 48.0, -1.8)),
    opens=(OpenLine(60.0, 72.0, 1.8, "old green"),),
    oversprays=(Overspray(86.0, 112.0, 0.35, 3.0),),
)


def test_a_clean_bent_line_passes(tmp_path: Path) -> None:
    region = judged(two_tone(bow_mm=9.0, waver_mm=0.1), tmp_path)
    assert (region.kind, region.verdict, region.findings) == ("edge", "pass", ())
    assert region.measures["edge_bleed"].unit == "mm"
    assert "no bleed and no gap of 1 mm or more" in region.reasons[0]


def test_bleeds_gap_and_overspray_are_told_with_colour_depth_and_place(tmp_path: Path) -> None:
    found = inspected(FAULTY, tmp_path, outlines=[band(FAULTY)], also=("missing.png",))
    assert found.problems == ()  # a line that fails asks for no second photo
    (region,) = found.result.regions
    assert region.verdict == "fail"
    faults = sorted(region.findings, key=lambda one: one.centre_px[0])
    assert [(one.kind, one.under) for one in faults] == [
        ("bleed", "the lighter colour"),
        ("bleed", "fox brown"),
        ("gap", "old green"),
        ("overspray", "the lighter colour"),
    ]
    assert [one.depth_mm for one in faults[:3]] == pytest.approx([2.0, 1.8, 1.8], abs=GOAL_MM)
    for finding, middle in zip(faults, (24.0, 44.0, 66.0, 99.0), strict=True):
        assert (finding.centre_px[0] * 0.15 - 5.0) == pytest.approx(middle, abs=4.0)
    assert faults[3].centre_px[1] * 0.15 < 37.0  # on the first colour, above the line
    first = faults[0]
    assert first.along_seam_mm is not None
    start, end = first.along_seam_mm
    assert end - start == pytest.approx(11.0, abs=2.0)
    assert any(
        f"the lighter colour bleeds {first.depth_mm:.1f} mm over the line from {start:.0f} to"
        in told
        for told in region.reasons
    )


def test_a_line_that_wavers_is_not_straight(tmp_path: Path) -> None:
    what = two_tone(waver_mm=0.9, waver_period_mm=25.0)
    region = judged(what, tmp_path, limits=Limits(edge_mm=3.0))
    straight = region.measures["edge_straightness"]
    assert straight.value == pytest.approx(rendered(what).truth.edges[0].straight_mm, abs=GOAL_MM)
    assert (region.verdict, region.findings) == ("fail", ())
    assert region.reasons[0].startswith("the line wavers by")


def test_a_gap_is_not_passed_on_colours_that_are_only_relative(tmp_path: Path) -> None:
    region = judged(replace(two_tone(), chart=None), tmp_path, mm_per_px=0.15)
    assert (region.verdict, region.findings) == ("retake", ())
    assert any(told.startswith("no chart was found") for told in region.reasons)


def test_what_a_photo_cannot_show_is_a_retake(tmp_path: Path) -> None:
    region = judged(two_tone(camera=Camera(blur_px=4.0)), tmp_path)
    assert region.verdict == "retake"
    assert any("not sharp enough for the limit at this line" in told for told in region.reasons)


def test_a_second_photo_settles_what_the_first_cannot_show(tmp_path: Path) -> None:
    what = two_tone(waver_mm=0.1)
    save_photo(rendered(what.lamp_moved(60.0, shift_px=(5.0, -3.0))), tmp_path / "q.png")
    soft = replace(what, camera=Camera(blur_px=3.0))
    alone = judged(soft, tmp_path)
    both = region_of(soft, tmp_path, outlines=[band(what)], also=("q.png",))
    assert (alone.verdict, both.verdict) == ("retake", "pass")
    # One that shows a bleed where the first one saw none is another line, or another day's.
    other = two_tone(waver_mm=0.1, bleeds=(Bleed(40.0, 52.0, 2.0),))
    save_photo(rendered(other.lamp_moved(60.0, shift_px=(5.0, -3.0))), tmp_path / "q.png")
    against = region_of(soft, tmp_path, outlines=[band(what)], also=("q.png",))
    assert against.verdict == "retake"


def test_without_a_line_or_a_scale_nothing_passes(tmp_path: Path) -> None:
    beside = np.array([(60, 60), (800, 60), (800, 130), (60, 130.0)])
    region = region_of(FAULTY, tmp_path, outlines=[box_outline(beside, kind="edge")])
    assert region.verdict == "retake"
    assert region.reasons[0].startswith("no line between two colours can be made out")
    unscaled = judged(FAULTY, tmp_path, chart_mm=None)
    assert unscaled.verdict == "retake"
    assert {one.depth_mm for one in unscaled.findings} == {None}


def test_no_work_is_advised_where_an_airbag_may_be(tmp_path: Path) -> None:
    said = " ".join(judged(FAULTY, tmp_path, part="seat bolster").reasons)
    assert AIRBAG_REFER in said
    assert "touch up" not in said
    assert "tape" not in said


def test_an_edge_is_not_judged_before_the_work(tmp_path: Path) -> None:
    assert judged(FAULTY, tmp_path, stage="before").verdict is None


@pytest.mark.parametrize("radius", [None, 200.0])
def test_a_course_is_fair_and_a_long_bleed_does_not_bend_it(radius: float | None) -> None:
    # A straight line or an arc of 120 mm, by geometry; a fifth of it pushed aside by 2 mm.
    along = np.linspace(-60.0, 60.0, 121)
    if radius is None:
        points = np.stack([along, np.zeros_like(along)], axis=1)
        out = np.stack([np.zeros_like(along), np.ones_like(along)], axis=1)
    else:
        turn = along / radius
        out = np.stack([np.sin(turn), np.cos(turn)], axis=1)
        points = radius * out
    pushed = points + 2.0 * out * (np.abs(along - 5.0) < 12.0)[:, None]
    course = course_of(pushed, along / 60.0, step_px=0.5, mm_per_px=1.0)
    nearest = np.abs(course.line[:, None] - points[None]).sum(axis=2).argmin(axis=1)
    off = ((course.line - points[nearest]) * out[nearest]).sum(axis=1)
    assert np.abs(off).max() < 0.1
    assert (course.degree == 1) == (radius is None)


@pytest.mark.parametrize("period_mm", [18.0, 30.0, 45.0])
@pytest.mark.parametrize("turn", [0.0, 1.0, 2.5])
def test_a_wave_to_both_sides_is_no_bleed_and_does_not_bend_the_course(
    period_mm: float, turn: float
) -> None:
    # By geometry: a straight course, and a line that swings 1 mm to either side of it.
    along = np.linspace(-60.0, 60.0, 121)
    points = np.stack([along, np.sin(2.0 * np.pi * along / period_mm + turn)], axis=1)
    course = course_of(points, along / 60.0, step_px=0.5, mm_per_px=1.0)
    assert np.abs(course.line[:, 1]).max() < 0.5
    assert np.sqrt(np.mean(course.line[:, 1] ** 2)) < GOAL_MM


def test_what_is_said_of_a_courses_doubt_holds_for_waves_of_any_length() -> None:
    rng = np.random.default_rng(5)
    along, held, over = np.linspace(-1.0, 1.0, 120), [], []
    for _ in range(200):
        wave = np.sin(np.pi * along * rng.uniform(2.0, 7.0) + rng.uniform(0.0, 2.0 * np.pi))
        line = wave + rng.normal(0.0, 0.05, along.size)
        arc = np.polyval(np.polyfit(along, line, 2), along)  # the course, meant to be nought
        tilt, u = levelling(line - arc, along)
        held.append(np.abs(arc + tilt) <= 1.96 * u)
        over.append(np.mean((arc + tilt) ** 2) / np.mean(u**2))
    # Of the places of 200 lines. A wave's share never lies beyond 1.41 of its standard deviations,
    # so that more than 95 % are right; the errors' own spread is held to a fifth (our own choice).
    assert np.mean(held) > 0.95
    assert np.sqrt(np.mean(over)) == pytest.approx(1.0, abs=0.2)


def test_the_two_colours_are_called_by_what_sets_them_apart() -> None:
    assert side_names((80, 0, 0), (40, 0, 0)) == ("the lighter colour", "the darker colour")
    assert side_names((50, 5, 0), (50, 30, 0)) == ("the greener colour", "the redder colour")
