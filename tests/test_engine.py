"""Good photos: right verdicts, names, sizes and places, with and without a grey board.

Truth is our own phantoms', known by construction; tolerances are our own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000
from staged import (
    BOWED,
    CLEAN,
    GREEN,
    LEFT,
    RIGHT,
    SAND,
    SEAM,
    TEAL,
    WHITE,
    box_outline,
    finding_of,
    inspected,
    outlined_seam,
    region_of,
    rendered,
    scene,
    spot,
)

from fullhide.job import Limits
from fullhide.phantom import (
    Bands,
    Camera,
    Film,
    Gap,
    Light,
    Mottle,
    Scene,
    Seam,
    Thin,
)
from fullhide.result import RegionResult

GREY, OLD_GREY = (55.0, 0.0, -1.0), ("old grey", (47.0, 0.0, -1.0))


# Panels


@pytest.mark.parametrize("under", [GREEN, WHITE], ids=lambda colour: colour[0])
@pytest.mark.parametrize("area", [4.0, 20.0])
def test_a_bare_spot_is_found_named_and_sized(tmp_path: Path, under, area: float) -> None:
    what = scene(spots=(spot(under[0], area_mm2=area),))
    region = region_of(what, tmp_path, under=(GREEN, WHITE))
    (truth,) = rendered(what).truth.spots
    assert region.verdict == "fail"
    finding = finding_of(region)
    assert finding.under == under[0]
    assert finding.area_mm2 == pytest.approx(truth.area_mm2, rel=0.25)
    assert finding.share == pytest.approx(truth.peak_share, abs=0.15)
    assert finding.delta_e == pytest.approx(truth.mean_delta_e, rel=0.2)
    assert finding.centre_px == pytest.approx(truth.centre_px, abs=2.0)
    assert finding.along_seam_mm is None
    assert any(under[0] in reason and "touch up" in reason for reason in region.reasons)


def test_two_spots_of_two_colours_are_told_apart(tmp_path: Path) -> None:
    what = scene(spots=(spot(), spot(WHITE[0], (95.0, 45.0), area_mm2=6.0)))
    region = region_of(what, tmp_path, under=(GREEN, WHITE))
    assert {finding.under for finding in region.findings} == {GREEN[0], WHITE[0]}
    assert len(region.findings) == 2


@pytest.mark.parametrize("board", [False, True])
def test_a_clean_well_shot_panel_passes(tmp_path: Path, board: bool) -> None:
    region = region_of(CLEAN, tmp_path, board=board)
    assert region.verdict == "pass"
    assert region.findings == ()
    assert region.detectable_mm2 is not None
    assert region.detectable_mm2 <= 1.0
    assert "no show-through of 1 mm²" in region.reasons[0]


BLACK, RED = (20.0, 0.5, -0.5), ("old red", (38.0, 46.0, 26.0))


@pytest.mark.parametrize(
    ("finish", "under", "clean_verdicts"),
    # On black the photo's own noise may hide a red spot: then the verdict is left open.
    [(SAND, TEAL, {"pass"}), (BLACK, RED, {"pass", "retake"})],
    ids=["sand over teal", "black over red"],
)
def test_other_colours_are_judged_as_well(tmp_path: Path, finish, under, clean_verdicts) -> None:
    clean = scene(finish=finish, under=(under,))
    assert region_of(clean, tmp_path, finish=finish, under=(under,)).verdict in clean_verdicts
    spotted = replace(clean, spots=(spot(under[0]),))
    region = region_of(spotted, tmp_path, finish=finish, under=(under,))
    assert region.verdict == "fail"
    assert finding_of(region).under == under[0]


@pytest.mark.parametrize("board", [False, True])
@pytest.mark.parametrize("under", [GREEN, WHITE], ids=lambda colour: colour[0])
def test_a_panel_in_less_light_than_the_chart_is_judged_the_same(tmp_path, under, board) -> None:
    # It gets darker upwards, away from the chart.
    dim = Light(falloff=0.6, falloff_towards_deg=90.0)
    what = scene(light=dim, spots=(spot(under[0], (60.0, 25.0), area_mm2=12.0, share=0.5),))
    region = region_of(what, tmp_path, board=board, under=(GREEN, WHITE))
    (truth,) = rendered(what).truth.spots
    finding = max(region.findings, key=lambda f: f.area_mm2 or 0.0)
    assert region.verdict == "fail"
    assert finding.under == under[0]
    assert finding.area_mm2 == pytest.approx(truth.area_mm2, rel=0.25)
    assert finding.share == pytest.approx(0.5, abs=0.1)


def test_a_spot_below_the_limits_area_does_not_fail(tmp_path: Path) -> None:
    assert region_of(scene(spots=(spot(area_mm2=0.25),)), tmp_path).verdict == "pass"


def test_a_larger_allowed_area_lets_a_spot_pass(tmp_path: Path) -> None:
    what = scene(spots=(spot(area_mm2=2.5),))
    assert region_of(what, tmp_path).verdict == "fail"
    assert region_of(what, tmp_path, limits=Limits(show_through_mm2=8.0)).verdict == "pass"


# Seams


def seam_region(what: Scene, folder: Path, **asked) -> tuple[RegionResult, float]:
    outline, start_mm = outlined_seam(rendered(what))
    return region_of(what, folder, outlines=[outline], **asked), start_mm


@pytest.mark.parametrize("seam", [SEAM, BOWED], ids=["straight", "bowed"])
def test_a_clean_well_shot_seam_passes(tmp_path: Path, seam: Seam) -> None:
    region, _ = seam_region(scene(seams=(seam,)), tmp_path)
    assert region.verdict == "pass"
    assert region.kind == "seam"


@pytest.mark.parametrize("seam", [SEAM, BOWED], ids=["straight", "bowed"])
@pytest.mark.parametrize("at", [30.0, 85.0])
def test_a_gap_in_a_seam_is_found_where_it_lies(tmp_path: Path, seam: Seam, at: float) -> None:
    what = scene(seams=(seam,), gaps=(Gap(0, at, at + 11.0, GREEN[0]),))
    region, start_mm = seam_region(what, tmp_path)
    (truth,) = rendered(what).truth.spots
    assert region.verdict == "fail"
    finding = max(region.findings, key=lambda f: f.area_mm2 or 0.0)
    assert finding.under == GREEN[0]
    assert finding.along_seam_mm is not None
    assert truth.along_seam_mm is not None
    expected = [place - start_mm for place in truth.along_seam_mm]
    assert finding.along_seam_mm == pytest.approx(tuple(expected), abs=2.0)


def test_a_fainter_stretch_beside_a_bare_one_is_part_of_the_gap(tmp_path: Path) -> None:
    gaps = (Gap(0, 40.0, 52.0, GREEN[0]), Gap(0, 51.0, 66.0, GREEN[0], share=0.2))
    what = scene(seams=(SEAM,), gaps=gaps)
    drawn, start_mm = outlined_seam(rendered(what))
    region = region_of(what, tmp_path, outlines=[drawn])
    stretches = [f.along_seam_mm for f in region.findings if f.along_seam_mm is not None]
    # Together they are one stretch; the goal of 2 mm is our own.
    assert min(s[0] for s in stretches) == pytest.approx(40.0 - start_mm, abs=2.0)
    assert max(s[1] for s in stretches) == pytest.approx(66.0 - start_mm, abs=2.0)


# Evenness


@pytest.mark.parametrize(
    "changes",
    [
        {"bands": (Bands(period_mm=30.0, amplitude=0.8),), "film": Film(coats=2)},
        {"mottle": (Mottle(amplitude=0.4, scale_mm=12.0),), "film": Film(coats=1)},
        {"mottle": (Mottle(amplitude=0.12, scale_mm=12.0, kind="lightness"),)},
        {"thin": (Thin((60.0, 35.0), area_mm2=900.0, coats_missing=4.4),)},
    ],
    ids=["bands", "mottle", "lightness", "thin"],
)
def test_uneven_dye_is_not_passed(tmp_path: Path, changes) -> None:
    what = scene(under=(GREEN,), **changes)
    truth = rendered(what).truth
    assert np.quantile(truth.delta_e[truth.panel], 0.95) > 3.5  # it is there to see
    region = region_of(what, tmp_path, board=True)
    assert region.verdict != "pass"
    value = region.measures["uneven_delta_e"].value
    assert value is not None
    assert value > 2.0


def test_falling_light_alone_passes_with_a_grey_board(tmp_path: Path) -> None:
    what = scene(light=Light(falloff=0.35))
    result = inspected(what, tmp_path, board=True).result
    (region,) = result.regions
    assert result.quality["light_from"] == "grey board"
    assert region.verdict == "pass"


# Reference and match


def test_a_reference_part_gives_a_match(tmp_path: Path) -> None:
    dyed, reference = inspected(CLEAN, tmp_path, outlines=[LEFT, RIGHT]).result.regions
    assert reference.verdict is None
    measure = dyed.measures["match_delta_e"]
    assert measure.value is not None
    assert measure.value < 1.0
    assert measure.limit == 2.0
    assert "match_delta_e" not in reference.measures


def test_a_grey_board_takes_the_fall_of_light_out_of_a_match(tmp_path: Path) -> None:
    what = scene(light=Light(falloff=0.5, falloff_towards_deg=0.0))
    values = {}
    for board in (True, False):
        dyed, _ = inspected(what, tmp_path, outlines=[LEFT, RIGHT], board=board).result.regions
        values[board] = dyed.measures["match_delta_e"].value
    assert values[True] < 0.8
    assert values[False] > 2 * values[True]


def test_without_a_chart_a_match_is_taken_again(tmp_path: Path) -> None:
    what = scene(chart=None)
    dyed, _ = inspected(what, tmp_path, outlines=[LEFT, RIGHT], mm_per_px=0.15).result.regions
    assert dyed.verdict == "retake"
    assert "match_delta_e" in dyed.measures
    assert any("no chart" in reason for reason in dyed.reasons)


# Colour spaces


def test_the_same_scene_in_two_colour_spaces_has_the_same_colour(tmp_path: Path) -> None:
    quiet = Camera(sharpen=0.0, noise=0.1, bits=16)
    labs = {}
    for profile in ("srgb", "display-p3", "adobe-rgb"):
        folder = tmp_path / profile
        folder.mkdir()
        what = scene(camera=replace(quiet, profile=profile))
        outline = box_outline(rendered(what).truth.region_px)
        found = inspected(what, folder, outlines=[outline], stage="before")
        measures = found.result.regions[0].measures
        labs[profile] = np.array([measures[name].value for name in ("L", "a", "b")])
    # scikit-image's CIEDE2000; half a unit is our own tolerance.
    assert deltaE_ciede2000(labs["srgb"], labs["display-p3"]) < 0.5
    assert deltaE_ciede2000(labs["srgb"], labs["adobe-rgb"]) < 0.5
    assert deltaE_ciede2000(labs["display-p3"], labs["adobe-rgb"]) < 0.5


def test_the_finish_is_measured_by_the_chart(tmp_path: Path) -> None:
    found = inspected(CLEAN, tmp_path, stage="before", board=True).result.regions[0].measures
    lab = np.array([found[name].value for name in ("L", "a", "b")])
    # Gloss lies over the true colour: own tolerance.
    assert deltaE_ciede2000(lab, np.array(rendered(CLEAN).truth.finish_lab), kL=2) < 3.0
