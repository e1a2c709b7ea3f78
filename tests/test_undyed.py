"""A part or seam that was left out altogether never passes. Truth: our own phantoms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from staged import (
    FOX,
    GREEN,
    SEAM,
    WHITE,
    box_outline,
    outlined_seam,
    region_of,
    rendered,
    scene,
)

from fullhide.colour import WHITE_D50, lab_to_xyz
from fullhide.phantom import Gap, Lamp, Leather, Light, Scene, Seam
from fullhide.result import RegionResult
from fullhide.surface import misfit
from fullhide.wording import AIRBAG_REFER, NOT_THE_FINISH

Lab = tuple[float, float, float]

#: Old and new colours, our own.
PAIRS: dict[str, tuple[Lab, Lab]] = {
    "green, fox": (GREEN[1], FOX),
    "black, red-brown": ((18.0, 0.5, 0.5), (34.0, 24.0, 18.0)),
    "navy, grey": ((24.0, 2.0, -20.0), (55.0, 0.0, -1.0)),
    "red, black": ((38.0, 46.0, 26.0), (20.0, 0.5, -0.5)),
    "tan, brown": ((62.0, 12.0, 32.0), (36.0, 14.0, 20.0)),
    "brown, tan": ((32.0, 12.0, 16.0), (61.0, 14.0, 32.0)),
    "cream, tan": ((85.0, 1.0, 16.0), (60.0, 13.0, 31.0)),
    "petrol, sand": ((34.0, -16.0, -14.0), (72.0, 3.0, 18.0)),
}
#: Kind to a pass: little grain, an even lamp; and a light that falls off by a third.
LIGHTS = {
    "even": Light(falloff=0.04),
    "falling off": Light(lamps=(Lamp(135.0, 35.0, 1.0),), falloff=0.3),
}


def as_it_was(old: Lab, light: str, *seams: Seam) -> Scene:
    """A part that still has its old colour all over."""
    return scene(
        finish=old,
        under=(("other", (50.0, 0.0, 0.0)),),
        light=LIGHTS[light],
        leather=Leather(grain="smooth"),
        seams=seams,
    )


def of_seam(folder: Path, pair: str, *, opened: bool, gaps: tuple[Gap, ...] = ()) -> RegionResult:
    """The seam of a dyed part."""
    old, new = PAIRS[pair]
    seam = replace(SEAM, opened=opened)
    what = scene(finish=new, under=(("old", old),), seams=(seam,), gaps=gaps)
    drawn, _ = outlined_seam(rendered(what))
    return region_of(what, folder, outlines=[drawn], under=(("old", old),), finish=new)


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("kind", ["panel", "opened", "closed"])
@pytest.mark.parametrize("pair", PAIRS)
def test_what_was_never_dyed_never_passes(tmp_path: Path, pair: str, kind: str, light: str) -> None:
    old, new = PAIRS[pair]
    seams = () if kind == "panel" else (replace(SEAM, opened=kind == "opened"),)
    what = as_it_was(old, light, *seams)
    shot = rendered(what)
    drawn = outlined_seam(shot)[0] if seams else box_outline(shot.truth.region_px)
    region = region_of(what, tmp_path, outlines=[drawn], under=(("old", old),), finish=new)
    # In a seam a dark colour beneath may be a pale finish in the shade.
    assert region.verdict == "fail" or (pair == "brown, tan" and region.verdict == "retake")
    told = ("the whole region", "old shows through")
    assert any(reason.startswith(told) for reason in region.reasons)


def test_no_work_is_advised_on_an_undyed_part_that_may_hold_an_airbag(tmp_path: Path) -> None:
    what = scene(finish=GREEN[1], under=(WHITE,))
    drawn = replace(box_outline(rendered(what).truth.region_px), name="airbag cover")
    region = region_of(what, tmp_path, outlines=[drawn], under=(GREEN,))
    assert region.verdict == "fail"
    assert "dye it" not in " ".join(region.reasons)
    assert any(AIRBAG_REFER in reason for reason in region.reasons)


@pytest.mark.parametrize("lab", [(40.0, 4.0, -34.0), (70.0, -10.0, 50.0), (46.0, 50.0, -10.0)])
def test_a_part_of_another_colour_than_the_finish_never_passes(tmp_path: Path, lab: Lab) -> None:
    region = region_of(scene(finish=lab), tmp_path, under=(GREEN, WHITE))
    assert region.verdict == "retake"
    assert NOT_THE_FINISH in region.reasons


@pytest.mark.parametrize("pair", [pair for pair in PAIRS if pair != "brown, tan"])
@pytest.mark.parametrize("opened", [True, False], ids=["opened", "closed"])
def test_a_seam_missed_from_end_to_end_is_told_as_a_whole(
    tmp_path: Path, pair: str, opened: bool
) -> None:
    whole = Gap(0, 0.0, 135.0, "old", width_mm=3.0)
    region = of_seam(tmp_path, pair, opened=opened, gaps=(whole,))
    assert region.verdict == "fail"
    longest = max(
        f.along_seam_mm[1] - f.along_seam_mm[0]
        for f in region.findings
        if f.along_seam_mm is not None
    )
    # Own tolerance: the outline is some 130 mm long.
    assert longest > 100.0


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("opened", [True, False], ids=["opened", "closed"])
def test_a_dyed_seam_is_not_told_as_a_stripe(tmp_path: Path, pair: str, opened: bool) -> None:
    region = of_seam(tmp_path, pair, opened=opened)
    assert region.verdict != "fail"
    assert not any("the whole region" in reason for reason in region.reasons)


surfaces = st.tuples(st.floats(20.0, 80.0), st.floats(-30.0, 30.0), st.floats(-30.0, 40.0))


@given(lab=surfaces, shading=st.floats(0.8, 1.2), shine=st.floats(0.0, 0.02))
def test_a_colour_in_other_light_still_fits(lab: Lab, shading: float, shine: float) -> None:
    xyz = np.maximum(lab_to_xyz(lab), 0.01)
    seen = shading * xyz + shine * WHITE_D50
    # Two standard deviations of a light known within 15 % at most, half of one of shine.
    assert misfit(seen, xyz, light_doubt=0.15, dim=False) < 3.0


@pytest.mark.parametrize("pair", PAIRS)
def test_the_other_colour_fits_far_worse(pair: str) -> None:
    old, new = (lab_to_xyz(lab) for lab in PAIRS[pair])
    both = np.stack([old, 0.9 * old])
    other = misfit(both, new, light_doubt=0.15, dim=False)
    assert other.shape == (2,)
    assert (other > 9.0).all()
    assert (misfit(both, old, light_doubt=0.15, dim=False) < 1.0).all()


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize("pair", PAIRS)
def test_without_a_named_finish_what_looks_like_the_old_colour_is_not_passed(
    tmp_path: Path, pair: str, light: str
) -> None:
    old, _ = PAIRS[pair]
    what = as_it_was(old, light)
    region = region_of(what, tmp_path, under=(("old", old),), finish=None)
    assert region.verdict == "retake"
    assert any("name the [finish] colour" in reason for reason in region.reasons)


@pytest.mark.parametrize("undyed", [True, False], ids=["undyed", "dyed"])
@pytest.mark.parametrize("pair", PAIRS)
def test_without_a_chart_an_undyed_panel_is_a_retake(
    tmp_path: Path, pair: str, undyed: bool
) -> None:
    old, new = PAIRS[pair]
    what = scene(
        finish=old if undyed else new,
        under=(("other", (50.0, 0.0, 0.0)),),
        chart=None,
        leather=Leather(grain="fine"),
    )
    region = region_of(what, tmp_path, under=(("old", old),), finish=new, mm_per_px=0.15)
    assert any("looks more like old" in reason for reason in region.reasons) is undyed
    if undyed:
        assert region.verdict == "retake"
