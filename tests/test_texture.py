"""Blocks freed from light: axes against scikit-image's CIEDE2000, light and noise of our own."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from fullhide.checks.texture import axes_of, joined, noise_of, pooled, texture
from fullhide.colour import WHITE_D50, lab_to_xyz, xyz_to_lab

FINISHES = [(46.0, 21.0, 28.0), (20.0, 0.5, -0.5), (72.0, 3.0, 18.0), (55.0, 0.0, -1.0)]
MM = 0.5
SHAPE = (240, 320)


@pytest.mark.parametrize("lab", FINISHES)
def test_the_axes_measure_small_changes_in_ciede2000(lab) -> None:
    finish = lab_to_xyz(lab)
    axes = axes_of(finish)
    rng = np.random.default_rng(2)
    for step in 0.002 * rng.standard_normal((20, 3)):
        moved = xyz_to_lab(finish * (1.0 + step))
        expected = float(deltaE_ciede2000(np.array(lab), moved))  # scikit-image
        # Own tolerance: the difference is a quadratic form only for the smallest steps.
        assert float(np.linalg.norm(axes.to @ step)) == pytest.approx(expected, rel=0.06)


@pytest.mark.parametrize("lab", FINISHES)
def test_more_light_moves_along_the_first_axis_only(lab) -> None:
    moved = axes_of(lab_to_xyz(lab)).to @ np.ones(3)
    assert moved[0] > 1.0
    np.testing.assert_allclose(moved[1:], 0.0, atol=1e-9 * moved[0])


@pytest.mark.parametrize("lab", FINISHES)
def test_shine_never_moves_along_the_third_axis(lab) -> None:
    finish = lab_to_xyz(lab)
    moved = axes_of(finish).to @ (WHITE_D50 / finish)
    assert abs(moved[2]) < 1e-9 * np.linalg.norm(moved)
    assert moved[1] >= 0.0


def test_a_grey_finish_has_no_axis_of_shine() -> None:
    assert not axes_of(lab_to_xyz((50.0, 0.0, 0.0))).shines
    assert axes_of(lab_to_xyz(FINISHES[0])).shines


def lit(kind: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shading and shine over a panel."""
    y, x = np.indices(SHAPE, dtype=float)
    y, x = y / y.max() * 2 - 1, x / x.max() * 2 - 1
    shade = {"even": np.ones_like(x), "falls": 1.0 - 0.1 * x + 0.05 * y, "dome": 1.0 - 0.1 * x * x}
    return shade[kind], 0.02 * (1.0 + 0.5 * x - 0.3 * y * y)


@pytest.mark.parametrize("kind", ["even", "falls", "dome"])
@pytest.mark.parametrize("lab", FINISHES)
def test_smooth_light_and_shine_leave_nothing(kind: str, lab) -> None:
    finish = lab_to_xyz(lab)
    shade, shine = lit(kind)
    xyz = shade[..., None] * finish + 0.1 * finish[1] * shine[..., None] * WHITE_D50
    look = texture(
        xyz.astype(np.float32), np.ones(SHAPE, bool), finish=finish, mm_per_px=MM, factor=5.0
    )
    # Own tolerance: neutral finishes keep the tint of shine, as it is colour for them.
    assert float(np.abs(look.change).max()) < 0.15


def test_with_a_flat_field_a_slow_hollow_of_lightness_stays() -> None:
    finish = lab_to_xyz(FINISHES[0])
    xyz = (lit("dome")[0][..., None] * finish).astype(np.float32)
    inside = np.ones(SHAPE, bool)
    without, known = (
        texture(xyz, inside, finish=finish, mm_per_px=MM, factor=5.0, flat=flat)
        for flat in (False, True)
    )
    whole = float(deltaE_ciede2000(np.array(FINISHES[0]), xyz_to_lab(0.9 * finish)))
    assert float(np.ptp(without.change[..., 0])) < 0.1 * whole
    assert float(np.ptp(known.change[..., 0])) == pytest.approx(whole, rel=0.1)


@pytest.mark.parametrize("flat", [False, True])
def test_fine_lightness_and_any_colour_lie_beyond_light(flat: bool) -> None:
    finish = lab_to_xyz(FINISHES[0])
    x = np.arange(SHAPE[1]) * MM
    fine = np.sin(2 * np.pi * x / 20.0)[None, :, None]
    slow = np.sin(2 * np.pi * x / 80.0)[None, :, None]
    inside = np.ones(SHAPE, bool)

    def beyond(change: NDArray[np.float64]) -> NDArray[np.float32]:
        xyz = np.broadcast_to(finish * (1.0 + change), (*SHAPE, 3)).astype(np.float32)
        look = texture(xyz, inside, finish=finish, mm_per_px=MM, factor=5.0)
        return look.beyond_light(flat=flat)[4:-4, 8:-8]

    whole = float(deltaE_ciede2000(np.array(FINISHES[0]), xyz_to_lab(1.1 * finish)))
    assert float(np.abs(beyond(0.1 * fine)[..., 0]).max()) > 0.8 * whole
    back = axes_of(finish).back
    assert float(np.abs(beyond(slow * back[:, 2])[..., 2]).max()) > 0.8
    left = float(np.abs(beyond(0.1 * slow)[..., 0]).max())
    assert left > 0.7 * whole if flat else left < 0.5 * whole


def test_the_noise_is_that_of_the_blocks_whatever_the_slope() -> None:
    rng = np.random.default_rng(4)
    true = np.array([[1.0, 0.4, 0.0], [0.4, 0.5, -0.2], [0.0, -0.2, 2.0]])
    values = rng.multivariate_normal(np.zeros(3), true, SHAPE).astype(np.float32)
    values += np.linspace(0.0, 30.0, SHAPE[1], dtype=np.float32)[None, :, None]
    found, squares = noise_of(values, np.ones(SHAPE, bool))
    assert squares > 1000
    # Own tolerance: far-off squares are cut, and JPEG's allowance is a few per cent.
    np.testing.assert_allclose(found, true, atol=0.2, rtol=0.1)


def test_larger_blocks_are_means_of_what_is_filled() -> None:
    change = np.arange(48, dtype=np.float32).reshape(6, 8, 1).repeat(3, axis=2)
    good = np.ones((6, 8), bool)
    values, filled = pooled(change, good, 2)
    assert values.shape == (5, 7, 3)
    assert filled.all()
    np.testing.assert_allclose(values[1, 2, 0], change[1:3, 2:4, 0].mean(), rtol=1e-6)
    good[1, 2] = False
    values, filled = pooled(change, good, 2)
    assert filled[1, 2]
    np.testing.assert_allclose(values[1, 2, 0], change[1:3, 2:4, 0][good[1:3, 2:4]].mean())
    assert pooled(change, good, 9)[0].size == 0


def test_blocks_that_are_hardly_judged_do_not_count() -> None:
    xyz = np.ones((20, 20, 3), np.float32)
    judged = np.ones((20, 20), bool)
    judged[:10, :4] = False
    xyz[~judged] = 9.0
    means, good = joined(xyz, judged, 10)
    assert good.tolist() == [[False, True], [True, True]] or means[0, 0, 0] == pytest.approx(1.0)
    np.testing.assert_allclose(means[good], 1.0, rtol=1e-5)
