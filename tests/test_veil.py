"""Shine over a whole finish: parted from it, and what it does to a spot's contrast.

Truth and tolerances are our own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fullhide.colour import WHITE_D50, lab_to_xyz
from fullhide.engine import inspect_photo
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import Camera, Lamp, Leather, Light, Scene, Spot, render, save_photo
from fullhide.surface import Veil, colour_pair, veil_over

BLACK, RED, FOX = (20.0, 0.5, -0.5), (38.0, 46.0, 26.0), (46.0, 21.0, 28.0)


@given(shade=st.floats(0.6, 1.5), shine=st.floats(0.0, 0.06))
def test_a_coloured_finish_tells_shine_from_light_by_its_saturation(
    shade: float, shine: float
) -> None:
    finish = lab_to_xyz(FOX)
    seen = shade * finish + shine * WHITE_D50
    _, veil = veil_over(seen, finish, light_doubt=0.3)
    # The model's own sum, taken apart; tolerance of our own choice, relative to what is seen.
    assert veil.light[1] / (finish + veil.light)[1] == pytest.approx(shine / seen[1], abs=0.1)


@pytest.mark.parametrize("shine", [0.01, 0.03])
def test_over_black_the_light_must_be_known_to_tell_shine(shine: float) -> None:
    finish = lab_to_xyz(BLACK)
    seen = finish + shine * WHITE_D50
    _, known = veil_over(seen, finish, light_doubt=0.02)
    _, unknown = veil_over(seen, finish, light_doubt=0.3)
    assert known.light[1] == pytest.approx(shine, rel=0.2)  # own tolerance
    assert unknown.doubt > known.doubt > 0.0


def test_a_matt_finish_has_next_to_no_shine_over_it() -> None:
    finish = lab_to_xyz((70.0, 2.0, 15.0))
    shading, veil = veil_over(finish, finish, light_doubt=0.05)
    assert shading == pytest.approx(1.0, abs=0.06)  # own tolerance
    assert veil.light[1] < 0.05 * finish[1]


@given(share=st.floats(0.0, 1.0), shine=st.floats(0.0, 0.1))
def test_a_spots_ratio_is_its_share_of_the_contrast_under_any_veil(
    share: float, shine: float
) -> None:
    n, u, over = lab_to_xyz(BLACK), lab_to_xyz(RED), shine * WHITE_D50
    pair = colour_pair("red", n, u, limit_delta_e=3.0, veil=Veil(light=over))
    ratio = ((1 - share) * n + share * u + over) / (n + over) - 1.0  # the model, by hand
    np.testing.assert_allclose(share * pair.contrast, ratio, atol=1e-12)


def test_the_limit_is_that_of_the_colours_without_their_shine() -> None:
    n, u = lab_to_xyz(BLACK), lab_to_xyz(RED)
    plain = colour_pair("red", n, u, limit_delta_e=3.0)
    veiled = colour_pair("red", n, u, limit_delta_e=3.0, veil=Veil(light=0.05 * WHITE_D50))
    assert veiled.share_at_limit == plain.share_at_limit


def test_a_faint_red_spot_in_shining_black_is_not_passed(tmp_path: Path) -> None:
    """A dark finish in its own shine: the spot looked half as strong as it is."""
    scene = Scene(
        size_px=(1200, 900),
        mm_per_px=0.1,
        seed=5,
        finish=BLACK,
        under=(("old red", RED),),
        spots=(Spot("old red", (40.0, 40.0), area_mm2=3.0, delta_e=4.6),),
        leather=Leather(grain="smooth", roughness=0.45, gloss=1.2),
        light=Light(lamps=(Lamp(150.0, 40.0, 0.6), Lamp(25.0, 40.0, 0.4))),
        camera=Camera(noise=0.5),
    )
    scene = replace(scene, chart=replace(scene.chart, width_mm=45.0) if scene.chart else None)
    save_photo(render(scene), tmp_path / "p.jpg", quality=95)
    save_photo(render(scene.grey_board()), tmp_path / "g.jpg", quality=92)
    entry = PhotoEntry(file="p.jpg", grey_board="g.jpg")
    box = np.array([[60.0, 60.0], [640.0, 60.0], [640.0, 800.0], [60.0, 800.0]])
    job = Job(
        name="veil",
        folder=tmp_path,
        under=(Colour("old red", RED),),
        finish=Colour("black", BLACK),
        chart=ChartSettings(width_mm=45.0),
        photos=(entry,),
        outlines=(RegionOutline(photo="p.jpg", name="r", kind="panel", polygon=box),),
        outlined=frozenset({"p.jpg"}),
    )
    (region,) = inspect_photo(job, entry).result.regions
    assert region.verdict != "pass", region.reasons
    (finding,) = region.findings
    # Our own phantom's truth; our own tolerance: the veil's doubt is a fifth, and blur takes some.
    # Without the veil it was 2.6, and passed.
    assert finding.delta_e == pytest.approx(4.6, abs=1.0)
