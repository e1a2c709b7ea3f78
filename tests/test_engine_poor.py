"""Poor photos and special regions: never a pass on a photo that cannot show a missed spot.

Truth is our own phantoms', known by construction; tolerances are our own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from staged import (
    CLEAN,
    FOX,
    GREEN,
    ONE_SPOT,
    SAND,
    box_outline,
    finding_of,
    inspected,
    job_of,
    region_of,
    rendered,
    scene,
    spot,
)

from fullhide.checks.outcome import Outcome
from fullhide.engine import inspect_photo
from fullhide.job import PartEntry
from fullhide.phantom import Camera, Chart, save_photo

GREY, OLD_GREY = (55.0, 0.0, -1.0), ("old grey", (47.0, 0.0, -1.0))


# Never a pass on a poor photo


BLURRED = Camera(blur_px=7.0)
DARK = Camera(exposure=0.002, noise=0.1)
NOISY = Camera(noise=8.0)
FAR = {"mm_per_px": 0.6, "chart": Chart(centre_px=(450.0, 590.0), width_mm=220.0)}
CLOSE = ("old tan", (50.0, 18.0, 26.0))
POOR = {
    "out of focus": ({"camera": BLURRED}, {}),
    "no scale": ({"chart": None}, {}),
    "too dark": ({"camera": DARK}, {"mm_per_px": 0.15}),
    "too far": (FAR, {"chart_mm": 220.0}),
    "noise": ({"camera": NOISY, "under": (CLOSE,)}, {"under": (CLOSE,)}),
    "grey beneath grey": (
        {"finish": GREY, "under": (OLD_GREY,)},
        {"finish": GREY, "under": (OLD_GREY,)},
    ),
}
FLAG = {
    "out of focus": "out_of_focus",
    "no scale": "no_scale",
    "too dark": "too_dark",
    "too far": "too_far",
    "noise": "grain_hides",
    "grey beneath grey": "colours_inseparable",
}


@pytest.mark.parametrize("poor", POOR)
def test_a_poor_photo_of_a_clean_panel_is_taken_again(tmp_path: Path, poor: str) -> None:
    changes, asked = POOR[poor]
    region = region_of(scene(**changes), tmp_path, **asked)
    assert region.verdict == "retake"
    assert FLAG[poor] in region.flags
    # Each reason ends in what to do.
    assert any(": " in reason for reason in region.reasons)


@pytest.mark.parametrize("poor", POOR)
@pytest.mark.parametrize("area", [2.0, 12.0])
def test_a_poor_photo_never_passes_a_missed_spot(tmp_path: Path, poor: str, area: float) -> None:
    changes, asked = POOR[poor]
    under = changes.get("under", (GREEN,))[0][0]
    at = (240.0, 140.0) if poor == "too far" else (60.0, 35.0)
    what = scene(**changes, spots=(spot(under, at, area_mm2=area),))
    assert region_of(what, tmp_path, **asked).verdict != "pass"


@pytest.mark.parametrize("chart", [True, False])
@pytest.mark.parametrize("blur_px", [8.0, 14.0])
def test_far_out_of_focus_without_a_chart_never_passes(tmp_path, blur_px, chart) -> None:
    changes = {} if chart else {"chart": None}
    camera = Camera(blur_px=blur_px)
    what = scene(camera=camera, spots=(spot(area_mm2=2.0),), **changes)
    assert region_of(what, tmp_path, mm_per_px=0.15).verdict != "pass"


def test_noise_that_could_hide_a_spot_says_how_large_one(tmp_path: Path) -> None:
    changes, asked = POOR["noise"]
    region = region_of(scene(**changes), tmp_path, **asked)
    assert region.detectable_mm2 is None or region.detectable_mm2 > 1.0


def test_a_damaged_photo_is_never_passed_nor_failed(tmp_path: Path, monkeypatch) -> None:
    from fullhide import opened

    whole = opened.open_photo

    def damaged(path):
        photo = whole(path)
        return replace(photo, flags=(*photo.flags, "damaged"))

    monkeypatch.setattr(opened, "open_photo", damaged)
    for what in (CLEAN, ONE_SPOT):
        region = region_of(what, tmp_path)
        assert region.verdict == "retake"
        assert any("damaged" in reason for reason in region.reasons)


@pytest.mark.parametrize(
    ("exposure", "spots"),
    [
        (1.9, ()),
        (2.2, ()),
        (3.5, ()),
        *((exposure, (spot(),)) for exposure in (1.9, 2.2, 3.5)),
    ],
)
def test_a_burnt_out_surface_is_not_passed(tmp_path: Path, exposure: float, spots) -> None:
    what = scene(finish=SAND, camera=Camera(exposure=exposure), spots=spots)
    region = region_of(what, tmp_path, finish=SAND, mm_per_px=0.15)
    # Only 3 % of the surface is left to judge by: a spot there may fail it, nothing may pass it.
    assert region.verdict in (("fail", "retake") if spots else ("retake",))
    assert "clipped" in region.flags
    assert any("burnt out" in reason for reason in region.reasons)


@pytest.mark.parametrize("area_mm2", [1.2, 1.7, 2.5])
@pytest.mark.parametrize("exposure", [1.3, 1.7])
def test_a_pale_spot_that_burnt_out_is_not_passed(
    tmp_path: Path, exposure: float, area_mm2: float
) -> None:
    """What is burnt out is left out; a pale colour beneath is the first to be."""
    cream = ("old cream", (93.0, 0.0, 8.0))
    what = scene(
        finish=SAND,
        under=(cream,),
        camera=Camera(exposure=exposure, tone="phone"),
        spots=(replace(spot(), under="old cream", area_mm2=area_mm2, softness_mm=0.0),),
    )
    region = region_of(what, tmp_path, finish=SAND, under=(cream,), mm_per_px=0.15)
    assert region.verdict != "pass"


def test_a_dark_noisy_photo_is_not_called_burnt_out(tmp_path: Path) -> None:
    region = region_of(scene(camera=Camera(exposure=0.002)), tmp_path, mm_per_px=0.15)
    assert region.verdict == "retake"
    assert not any("burnt out" in reason for reason in region.reasons)


def test_without_a_colour_beneath_nothing_can_be_judged(tmp_path: Path) -> None:
    region = region_of(CLEAN, tmp_path, under=())
    assert region.verdict == "retake"
    assert any("[[under]]" in reason for reason in region.reasons)


def test_a_region_too_small_to_see_is_taken_again(tmp_path: Path) -> None:
    tiny = box_outline([(300, 200), (308, 200), (308, 208), (300, 208)])
    region = region_of(CLEAN, tmp_path, outlines=[tiny])
    assert region.verdict == "retake"
    assert "region_small" in region.flags


# Scale


def test_a_given_scale_stands_in_for_the_chart(tmp_path: Path) -> None:
    what = scene(chart=None, spots=(spot(),))
    result = inspected(what, tmp_path, mm_per_px=0.15).result
    (region,) = result.regions
    (truth,) = rendered(what).truth.spots
    assert result.mm_per_px == 0.15
    assert region.verdict == "fail"
    assert finding_of(region).area_mm2 == pytest.approx(truth.area_mm2, rel=0.25)


def test_without_a_scale_no_area_is_claimed(tmp_path: Path) -> None:
    region = region_of(scene(chart=None, spots=(spot(),)), tmp_path)
    assert region.verdict == "retake"
    assert region.detectable_mm2 is None
    assert all(finding.area_mm2 is None for finding in region.findings)
    assert region.findings
    assert region.measures["show_through_mm2"].value is None


def test_a_given_scale_overrides_the_charts(tmp_path: Path) -> None:
    once = finding_of(region_of(ONE_SPOT, tmp_path)).area_mm2
    twice = finding_of(region_of(ONE_SPOT, tmp_path, mm_per_px=0.30)).area_mm2
    assert once is not None
    assert twice == pytest.approx(4 * once, rel=0.1)


# Old colour all over


def test_a_whole_region_of_the_old_colour_fails(tmp_path: Path) -> None:
    bare = scene(finish=GREEN[1], under=(FOX_BENEATH,))
    region = region_of(bare, tmp_path)
    assert region.verdict == "fail"
    assert any("whole region" in reason and GREEN[0] in reason for reason in region.reasons)


FOX_BENEATH = ("fox", FOX)


def test_the_old_colour_without_a_finish_to_compare_is_taken_again(tmp_path: Path) -> None:
    bare = scene(finish=GREEN[1], under=(FOX_BENEATH,))
    region = region_of(bare, tmp_path, finish=None)
    assert region.verdict == "retake"
    assert any("[finish]" in reason for reason in region.reasons)


# Stages, airbags, zones


def test_a_photo_of_before_the_work_is_not_judged(tmp_path: Path) -> None:
    region = region_of(ONE_SPOT, tmp_path, stage="before")
    assert region.verdict is None
    assert region.findings == ()
    assert region.reasons


@pytest.mark.parametrize(
    ("name", "part"), [("steering wheel", None), ("front", "seat bolster"), ("A-pillar", None)]
)
def test_an_airbag_part_gets_the_notice_and_no_advice_to_work_on_it(tmp_path, name, part) -> None:
    for what in (ONE_SPOT, CLEAN):
        outline = box_outline(rendered(what).truth.region_px, name=name)
        region = region_of(what, tmp_path, outlines=[outline], part=part)
        said = " ".join(region.reasons).lower()
        assert "airbag or tear seam" in said
        assert "touch up" not in said
        assert "coat" not in said
        assert "dye it" not in said


def test_what_job_toml_calls_an_airbag_part_is_one_whatever_its_name(tmp_path: Path) -> None:
    asked = {"part": "front cover", "outlines": [box_outline(rendered(ONE_SPOT).truth.region_px)]}
    plain = PartEntry(name="front cover", regions=("panel",))
    assert "touch up" in " ".join(region_of(ONE_SPOT, tmp_path, parts=[plain], **asked).reasons)
    told = replace(plain, airbag=True)
    said = " ".join(region_of(ONE_SPOT, tmp_path, parts=[told], **asked).reasons).lower()
    assert "airbag or tear seam" in said
    assert "touch up" not in said


def test_an_airbag_part_that_was_not_dyed_at_all_gets_no_advice_either(tmp_path: Path) -> None:
    bare = scene(finish=GREEN[1], under=(FOX_BENEATH,))
    outline = box_outline(rendered(bare).truth.region_px, name="steering wheel")
    region = region_of(bare, tmp_path, outlines=[outline])
    said = " ".join(region.reasons).lower()
    assert "airbag or tear seam" in said
    assert "dye it" not in said


def test_a_flag_advises_no_work_on_an_airbag_part_either(tmp_path: Path, monkeypatch) -> None:
    def odd(*_: object, **__: object) -> Outcome:
        return Outcome(check="evenness", verdict="retake", flags=("odd_patch",))

    monkeypatch.setattr("fullhide.judge.evenness", odd)
    region = box_outline(rendered(CLEAN).truth.region_px)
    plain = " ".join(region_of(CLEAN, tmp_path, outlines=[region], part="front").reasons)
    assert "stands out from the rest by far" in plain
    assert "touch it up" in plain
    told = " ".join(region_of(CLEAN, tmp_path, outlines=[region], part="seat bolster").reasons)
    assert "stands out from the rest by far: refer to the vehicle maker" in told
    assert "touch" not in told


def test_an_ignored_zone_hides_what_lies_in_it(tmp_path: Path) -> None:
    (truth,) = rendered(ONE_SPOT).truth.spots
    x, y = truth.centre_px
    zone = box_outline(
        [(x - 30, y - 30), (x + 30, y - 30), (x + 30, y + 30), (x - 30, y + 30)],
        kind="ignore",
        name="label",
    )
    panel = box_outline(rendered(ONE_SPOT).truth.region_px)
    region = region_of(ONE_SPOT, tmp_path, outlines=[panel, zone])
    assert region.verdict == "pass"
    assert region.findings == ()


def test_a_hole_in_an_outline_is_not_looked_at(tmp_path: Path) -> None:
    (truth,) = rendered(ONE_SPOT).truth.spots
    x, y = truth.centre_px
    hole = np.array([(x - 30, y - 30), (x + 30, y - 30), (x + 30, y + 30), (x - 30, y + 30)])
    panel = box_outline(rendered(ONE_SPOT).truth.region_px, holes=(hole,))
    assert region_of(ONE_SPOT, tmp_path, outlines=[panel]).verdict == "pass"


def test_a_marked_chart_is_used_where_it_was_marked(tmp_path: Path) -> None:
    truth = rendered(ONE_SPOT).truth
    assert truth.chart_corners_px is not None
    chart = box_outline(truth.chart_corners_px, kind="chart", name="chart")
    panel = box_outline(truth.region_px)
    result = inspected(ONE_SPOT, tmp_path, outlines=[panel, chart]).result
    assert [region.name for region in result.regions] == ["r"]
    assert result.mm_per_px == pytest.approx(0.15, rel=0.02)
    assert result.regions[0].verdict == "fail"


def test_what_stands_out_at_a_proposed_rim_is_in_doubt(tmp_path: Path) -> None:
    """A proposal may run beyond the part: its shadow on the bench is no miss to touch up."""
    what = scene(camera=Camera(bits=16, exposure=0.8))
    save_photo(rendered(what), tmp_path / "p.png")
    job = replace(job_of(tmp_path, []), outlined=frozenset())
    for region in inspect_photo(job, job.photos[0]).result.regions:
        assert region.proposed
        assert region.verdict != "fail", region.reasons


def test_a_plain_spot_well_inside_a_proposal_still_fails_it(tmp_path: Path) -> None:
    save_photo(rendered(ONE_SPOT), tmp_path / "p.png")
    job = replace(job_of(tmp_path, []), outlined=frozenset())
    regions = inspect_photo(job, job.photos[0]).result.regions
    assert "fail" in {region.verdict for region in regions}
