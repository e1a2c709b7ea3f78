"""The spot-free look of a region: slow light goes, spots and their colour stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from staged import flat_view

from fullhide.background import background
from fullhide.colour import WHITE_D50, lab_to_xyz
from fullhide.smoothing import masked_blur, slow_mean, times

FOX = lab_to_xyz((46.0, 21.0, 28.0))
GREEN = lab_to_xyz((38.0, -28.0, 9.0))
RNG = np.random.default_rng(8)


#: Two standard deviations of what counts as slow (14 mm): nearer to the rim light may lean.
INNER = (slice(56, -56), slice(56, -56))


def colour_of(ratio: NDArray[np.float32]) -> NDArray[np.float32]:
    """What of a ratio is no mere brightness."""
    return ratio - ratio.mean(axis=-1, keepdims=True)


def slow_light(shape: tuple[int, int]) -> NDArray[np.float64]:
    y, x = np.indices(shape) / max(shape)
    return 1.0 + 0.25 * np.sin(2.2 * x) - 0.2 * y * y


# Smoothing, against SciPy


@pytest.mark.parametrize("sigma", [(1.0, 1.0), (3.5, 1.2), (0.8, 6.0)])
def test_where_everything_counts_the_mean_is_scipys(sigma: tuple[float, float]) -> None:
    values = RNG.uniform(0, 1, (60, 80)).astype(np.float32)
    ones = np.ones_like(values)
    found = masked_blur(values, ones, sigma)
    order = (sigma[1], sigma[0])  # SciPy counts rows first
    expected = gaussian_filter(values, order, mode="constant") / gaussian_filter(
        ones, order, mode="constant"
    )
    np.testing.assert_allclose(found, expected, atol=5e-3)  # own tolerance: kernels are cut off


def test_masked_pixels_do_not_enter_the_mean() -> None:
    values = RNG.uniform(0, 1, (60, 80)).astype(np.float32)
    weight = (RNG.uniform(0, 1, values.shape) > 0.3).astype(np.float32)
    spoiled = np.where(weight > 0, values, np.float32(1e3)).astype(np.float32)
    found = masked_blur(spoiled, weight, (2.0, 2.0))
    expected = gaussian_filter(values * weight, 2.0, mode="constant") / gaussian_filter(
        weight, 2.0, mode="constant"
    )
    np.testing.assert_allclose(found, expected, atol=5e-3)  # own tolerance, as above


def test_each_channel_is_smoothed_by_itself() -> None:
    values = RNG.uniform(0, 1, (40, 50, 3)).astype(np.float32)
    weight = RNG.uniform(0.1, 1, (40, 50)).astype(np.float32)
    found = masked_blur(values, weight, (2.0, 1.0))
    for channel in range(3):
        alone = masked_blur(np.ascontiguousarray(values[..., channel]), weight, (2.0, 1.0))
        np.testing.assert_allclose(found[..., channel], alone, atol=1e-5)


def test_far_from_all_that_counts_the_mean_is_nought() -> None:
    weight = np.zeros((40, 200), np.float32)
    weight[:, :10] = 1
    assert masked_blur(np.ones((40, 200), np.float32), weight, (2.0, 2.0))[20, 150] == 0


@pytest.mark.parametrize("sigma", [3.0, 9.0, 24.0])
def test_the_wide_mean_is_scipys_too(sigma: float) -> None:
    values = gaussian_filter(RNG.normal(0, 1, (160, 210)), 2.0).astype(np.float32) + 1
    weight = np.ones_like(values)
    weight[50:70, 80:120] = 0
    expected = gaussian_filter(values * weight, sigma, mode="constant") / gaussian_filter(
        weight, sigma, mode="constant"
    )
    # Own tolerance: a twentieth of the values' spread, which is what the wide mean is used for.
    # Deep in the hole next to nothing counts, and the mean goes to nought.
    near = gaussian_filter(weight, sigma, mode="constant") > 0.01
    found = slow_mean(values, weight, sigma)
    np.testing.assert_allclose(found[near], expected[near], atol=0.05 * float(np.ptp(values)))


def test_times_multiplies_one_or_three_channels() -> None:
    one = RNG.uniform(0, 1, (8, 9)).astype(np.float32)
    three = RNG.uniform(0, 1, (8, 9, 3)).astype(np.float32)
    np.testing.assert_allclose(times(one, one), one * one, rtol=1e-6)
    np.testing.assert_allclose(times(three, one), three * one[..., None], rtol=1e-6)


# Panels


def test_the_finish_is_found_whatever_the_slow_light() -> None:
    light = slow_light((240, 320))
    ground = background(flat_view(light[..., None] * FOX))
    tint = ground.finish / FOX
    # Own tolerances: half a per cent in tint, and brightness within the light's own range.
    np.testing.assert_allclose(tint / tint.mean(), 1.0, atol=5e-3)
    assert light.min() < tint.mean() < light.max()


def test_slow_light_leaves_no_trace_in_the_ratio() -> None:
    light = slow_light((240, 320))
    ground = background(flat_view(light[..., None] * FOX))
    # Own tolerance: 1 % is well under 1 ΔE.
    assert np.abs(ground.ratio[INNER]).max() < 0.01
    assert np.abs(colour_of(ground.ratio)).max() < 0.01


def test_a_slow_sheen_is_not_taken_for_colour() -> None:
    light = slow_light((240, 320))
    y, x = np.indices(light.shape)
    sheen = 0.04 * np.exp(-(((x - 200) / 130) ** 2) - ((y - 100) / 130) ** 2)
    xyz = light[..., None] * FOX + sheen[..., None] * WHITE_D50
    ground = background(flat_view(xyz))
    assert np.abs(ground.ratio[INNER]).max() < 0.03  # own tolerance


def test_a_drift_of_the_lights_colour_is_not_taken_for_a_spot() -> None:
    x = np.linspace(-1, 1, 320)[None, :, None]
    xyz = np.broadcast_to(FOX * (1 + 0.04 * x * np.array([1, 0, -1])), (240, 320, 3))
    ground = background(flat_view(xyz))
    assert np.abs(ground.ratio[20:-20, 20:-20]).max() < 0.01  # own tolerance


@pytest.mark.parametrize("radius_mm", [0.6, 1.5, 4.0])
def test_a_spot_stands_out_by_its_own_colour(radius_mm: float) -> None:
    light = slow_light((240, 320))
    y, x = np.indices(light.shape)
    spot = np.hypot(x - 160, y - 120) * 0.25 < radius_mm
    xyz = light[..., None] * np.where(spot[..., None], GREEN, FOX)
    ground = background(flat_view(xyz))
    expected = GREEN / FOX - 1
    # Own tolerance: 4 % of the finish.
    np.testing.assert_allclose(ground.ratio[spot].mean(axis=0), expected, atol=0.04)
    assert np.abs(ground.ratio[INNER][~spot[INNER]]).max() < 0.04
    assert np.abs(colour_of(ground.ratio)[~spot]).max() < 0.01


def test_pixels_that_are_not_judged_are_worth_nothing() -> None:
    view = flat_view(np.broadcast_to(FOX, (120, 160, 3)))
    judged = view.judged.copy()
    judged[40:60, 50:80] = False
    xyz = view.xyz.copy()
    xyz[40:60, 50:80] = 50.0
    ground = background(replace(view, xyz=xyz, judged=judged))
    assert (ground.ratio[~judged] == 0).all()
    assert (ground.weight[~judged] == 0).all()
    assert not ground.judged[~judged].any()
    assert np.abs(ground.ratio[judged]).max() < 0.01  # own tolerance


def test_deep_shade_counts_less_and_blackness_not_at_all() -> None:
    light = np.ones((160, 200))
    light[:, :60] = 0.3
    light[:, 180:] = 0.0
    ground = background(flat_view(light[..., None] * FOX))
    assert ground.weight[80, 20] < 0.6 * ground.weight[80, 120]
    assert ground.weight.max() <= 1.0


# Seams


def seam_view(colour_of_floor: NDArray[np.float64]):
    """A straightened seam: a dark valley, lit slowly along, with a stretch of floor."""
    height, width = 56, 800
    rows = (np.arange(height) - 27.5)[:, None]
    valley = 1 - 0.75 * np.exp(-0.5 * (rows / 8) ** 2)
    light = valley * (1 + 0.15 * np.sin(np.arange(width) / 250.0))
    xyz = light[..., None] * FOX
    xyz[24:32, 300:360] = light[24:32, 300:360, None] * colour_of_floor
    line = np.stack([np.arange(width) + 0.5, np.full(width, 28.0)], axis=1)
    return flat_view(xyz, mm_per_px=0.125, line=line)


def test_a_clean_valley_leaves_no_trace() -> None:
    ground = background(seam_view(FOX))
    # Own tolerances; brightness may lean within 10 mm of the ends.
    assert np.abs(ground.ratio[4:-4, 80:-80]).max() < 0.03
    assert np.abs(colour_of(ground.ratio)).max() < 0.005


def test_an_undyed_valley_floor_stands_out() -> None:
    ground = background(seam_view(GREEN))
    found = ground.ratio[26:30, 310:350].reshape(-1, 3).mean(axis=0)
    expected = GREEN / FOX - 1
    # Own tolerance: the direction of the colour, and at least 70 % of its height.
    cosine = found @ expected / np.linalg.norm(found) / np.linalg.norm(expected)
    assert cosine > 0.98
    assert found @ expected / (expected @ expected) > 0.7


TAN, BROWN = lab_to_xyz((61.0, 14.0, 32.0)), lab_to_xyz((32.0, 12.0, 16.0))


def short_seam(*, stitches: bool, gap: bool):
    """A seam of 46 mm whose floor is brown instead of tan over 15 mm near its end."""
    height, width = 94, 256
    light = np.ones((height, width)) * (1 + 0.1 * np.sin(np.arange(width) / 60.0))
    light *= 1 + 0.02 * np.random.default_rng(3).standard_normal((height, width))
    xyz = light[..., None] * TAN
    if gap:
        xyz[36:56, 40:124] = light[36:56, 40:124, None] * BROWN
    if stitches:  # 0.9 mm wide and 5 mm apart, of nearly the colour beneath
        for x in range(10, width, 28):
            xyz[28:66, x : x + 5] = light[28:66, x : x + 5, None] * BROWN * 1.4
    line = np.stack([np.arange(width) + 0.5, np.full(width, 47.0)], axis=1)
    return flat_view(xyz, mm_per_px=0.18, line=line)


@pytest.mark.parametrize("stitches", [False, True])
def test_a_gap_that_only_lightness_tells_does_not_make_the_background_its_own(
    stitches: bool,
) -> None:
    ground = background(short_seam(stitches=stitches, gap=True), beneath=[BROWN])
    expected = BROWN / TAN - 1
    within = ground.ratio[38:54, 44:120]
    found = np.median(within.reshape(-1, 3) @ expected) / (expected @ expected)
    assert found > 0.85  # own tolerance: all of it is 1
    assert ground.bare[38:54, 44:120].mean() > 0.8
    beside = ground.ratio[38:54, 150:]
    assert abs(np.median(beside)) < 0.06


def test_stitches_of_that_colour_are_not_taken_for_a_gap() -> None:
    ground = background(short_seam(stitches=True, gap=False), beneath=[BROWN])
    assert not ground.bare.any()
