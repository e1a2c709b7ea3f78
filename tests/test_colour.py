"""Colour kernels against the CIE's tables, colour-science and scikit-image."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, lab2xyz

from fullhide._colour_science import colour
from fullhide.colour import (
    REC2020_TO_XYZ,
    WHITE_D50,
    delta_e00,
    delta_e00_gradient,
    lab_to_xyz,
    xyz_to_lab,
    xyz_to_srgb8,
)

PAIRS = np.loadtxt(
    Path(__file__).parent / "reference" / "ciede2000_sharma_2005.csv", delimiter=",", skiprows=3
)
LAB = st.tuples(st.floats(0, 100), st.floats(-90, 90), st.floats(-90, 90))


def test_reference_table_is_whole() -> None:
    assert PAIRS.shape == (34, 7)


@pytest.mark.parametrize("pair", PAIRS, ids=[str(i + 1) for i in range(len(PAIRS))])
def test_ciede2000_gives_the_published_pairs_both_ways(pair: np.ndarray) -> None:
    # Sharma, Wu and Dalal 2005, to their four decimals.
    assert delta_e00(pair[:3], pair[3:6]) == pytest.approx(pair[6], abs=1e-4)
    assert delta_e00(pair[3:6], pair[:3]) == pytest.approx(pair[6], abs=1e-4)


@pytest.mark.parametrize("k_l", [1.0, 2.0])
def test_ciede2000_agrees_with_two_libraries_on_random_colours(k_l: float) -> None:
    rng = np.random.default_rng(5)
    one = rng.uniform([0, -90, -90], [100, 90, 90], (20_000, 3))
    two = one + rng.normal(0, 8, one.shape)
    two[:, 0] = two[:, 0].clip(0, 100)
    ours = delta_e00(one, two, k_l=k_l)
    np.testing.assert_allclose(ours, deltaE_ciede2000(one, two, kL=k_l), atol=1e-9)
    textiles = colour().difference.delta_E_CIE2000(one, two, textiles=k_l == 2.0)
    np.testing.assert_allclose(ours, textiles, atol=1e-9)


def test_ciede2000_in_float32_stays_near_float64() -> None:
    rng = np.random.default_rng(6)
    one = rng.uniform([0, -60, -60], [100, 60, 60], (5_000, 3)).astype(np.float32)
    two = one + rng.normal(0, 3, one.shape).astype(np.float32)
    exact = deltaE_ciede2000(one.astype(float), two.astype(float))
    # 0.01 is our own choice: a tenth of what a limit is ever set to.
    assert np.abs(delta_e00(one, two) - exact).max() < 0.01


@given(LAB, LAB)
def test_ciede2000_is_symmetric_and_never_negative(
    one: tuple[float, ...], two: tuple[float, ...]
) -> None:
    there, back = float(delta_e00(one, two)), float(delta_e00(two, one))
    assert there >= 0
    assert there == pytest.approx(back, abs=1e-9)
    assert float(delta_e00(one, one)) == 0


def test_lab_agrees_with_colour_science() -> None:
    rng = np.random.default_rng(7)
    xyz = rng.uniform(0, 1, (5_000, 3)) ** 3
    white = colour().XYZ_to_xy(WHITE_D50)
    np.testing.assert_allclose(xyz_to_lab(xyz), colour().XYZ_to_Lab(xyz, white), atol=1e-9)


def test_float32_lab_is_within_two_hundredths_of_double_precision_over_the_whole_range() -> None:
    # Dark codes included: that is where OpenCV's own conversion goes astray (DESIGN.md). The
    # reference is colour-science in double precision, the difference scikit-image's.
    codes = np.linspace(0.0, 1.0, 41)
    grid = np.stack(np.meshgrid(codes, codes, codes), axis=-1).reshape(-1, 3) ** 3
    dark = np.stack(np.meshgrid(*[np.linspace(0, 0.02, 21)] * 3), axis=-1).reshape(-1, 3)
    rgb = np.concatenate([grid, dark])
    xyz = rgb @ REC2020_TO_XYZ.T
    white = colour().XYZ_to_xy(WHITE_D50)
    exact = colour().XYZ_to_Lab(xyz, white)
    ours = xyz_to_lab(xyz.astype(np.float32)).astype(float)
    assert deltaE_ciede2000(ours, exact).max() < 0.02


def test_lab_and_back_is_the_same_and_agrees_with_scikit_image() -> None:
    rng = np.random.default_rng(8)
    lab = rng.uniform([1, -50, -50], [99, 50, 50], (2_000, 3))
    xyz = lab_to_xyz(lab)
    np.testing.assert_allclose(xyz_to_lab(xyz), lab, atol=1e-9)
    inside = (xyz > 0).all(axis=1)
    # scikit-image has the D50 white to five figures of its own: 1e-3 is ours.
    np.testing.assert_allclose(xyz[inside], lab2xyz(lab[inside], illuminant="D50"), atol=1e-3)


def test_lab_keeps_the_shape_and_the_type() -> None:
    for kind in (np.float32, np.float64):
        lab = xyz_to_lab(np.full((4, 5, 3), 0.2, kind))
        assert lab.shape == (4, 5, 3)
        assert lab.dtype == kind


def test_rec2020_matrix_agrees_with_colour_science() -> None:
    space = colour().RGB_COLOURSPACES["ITU-R BT.2020"]
    to_d65 = colour().models.normalised_primary_matrix(space.primaries, space.whitepoint)
    adapt = colour().adaptation.matrix_chromatic_adaptation_VonKries(
        colour().xy_to_XYZ(space.whitepoint), WHITE_D50, transform="Bradford"
    )
    np.testing.assert_allclose(REC2020_TO_XYZ, adapt @ to_d65, atol=1e-7)


def test_display_colours_are_those_of_iec_61966_2_1() -> None:
    # sRGB of IEC 61966-2-1, by colour-science, through the Bradford adaptation to D50.
    rgb = np.random.default_rng(9).integers(0, 256, (500, 3))
    linear = colour().cctf_decoding(rgb / 255.0, function="sRGB")
    space = colour().RGB_COLOURSPACES["sRGB"]
    to_d65 = colour().models.normalised_primary_matrix(space.primaries, space.whitepoint)
    adapt = colour().adaptation.matrix_chromatic_adaptation_VonKries(
        colour().xy_to_XYZ(space.whitepoint), WHITE_D50, transform="Bradford"
    )
    xyz = linear @ (adapt @ to_d65).T
    assert np.abs(xyz_to_srgb8(xyz).astype(int) - rgb).max() <= 1


def test_gradient_is_the_slope() -> None:
    one, two = np.array([46.0, 21.0, 28.0]), np.array([44.0, 19.0, 25.0])
    slope = delta_e00_gradient(one, two)
    step = np.array([0.02, -0.01, 0.015])
    expected = deltaE_ciede2000(one, two + step) - deltaE_ciede2000(one, two)
    assert float(slope @ step) == pytest.approx(float(expected), abs=2e-4)


def test_opencv_own_lab_would_not_do() -> None:
    # Why the kernel is ours: the fact that DESIGN.md states, still true of the library in use.
    rgb = np.zeros((1, 256, 3), np.float32)
    rgb[0, :, 2] = np.linspace(0, 0.05, 256)
    theirs = cv2.cvtColor(rgb, cv2.COLOR_RGB2Lab).astype(float)
    space = colour().RGB_COLOURSPACES["sRGB"]
    linear = colour().cctf_decoding(rgb.astype(float), function="sRGB")
    to_d65 = colour().models.normalised_primary_matrix(space.primaries, space.whitepoint)
    exact = colour().XYZ_to_Lab(linear @ to_d65.T, space.whitepoint)
    assert deltaE_ciede2000(theirs, exact).max() > 0.02
