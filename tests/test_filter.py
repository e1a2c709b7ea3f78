"""The matched filter and the outline of what it finds, against statistics and geometry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from fullhide.checks.extent import Extent, extent_of
from fullhide.checks.filter import FALSE_ALARMS, significance, threshold
from fullhide.checks.levels import Level, covariance_of, levels, sampled
from fullhide.checks.reach import detectable_mm2, headroom, reach
from fullhide.colour import lab_to_xyz
from fullhide.smoothing import enlarged
from fullhide.surface import Pair, colour_pair

FOX = lab_to_xyz((46.0, 21.0, 28.0))
GREEN = lab_to_xyz((38.0, -28.0, 9.0))
COVARIANCE = np.array([[4.0, 3.0, 2.0], [3.0, 5.0, 2.5], [2.0, 2.5, 6.0]]) * 1e-3
SHAPE = (260, 340)
MM = 0.25


def pair() -> Pair:
    return colour_pair("old green", FOX, GREEN, limit_delta_e=3.0)


def noise(seed: int, shape: tuple[int, int] = SHAPE) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return rng.multivariate_normal(np.zeros(3), COVARIANCE, shape).astype(np.float32)


def stack_of(ratio: NDArray[np.float32], **more) -> tuple[Level, ...]:
    judged = np.ones(ratio.shape[:2], bool)
    weight = np.ones(ratio.shape[:2], np.float32)
    given = {"mm_per_px": MM, "limit_mm2": 1.0, "seam": False, **more}
    return levels(ratio, weight, judged, **given)


def separation(level: Level, p: Pair) -> float:
    """Standard deviations that the bare colour beneath stands off, on a wide spot."""
    return float(np.sqrt(p.contrast @ np.linalg.solve(level.covariance, p.contrast)))


# Covariance


def test_the_covariance_is_numpys_on_clean_samples() -> None:
    values = noise(1)
    found = covariance_of(values, np.ones(SHAPE, bool))
    expected = np.cov(values.reshape(-1, 3).T.astype(float))  # NumPy
    # Own tolerance: 5 %; the outermost values are clipped and a sample is taken.
    np.testing.assert_allclose(found, expected, rtol=0.05)


def test_spots_do_not_swell_the_covariance() -> None:
    values = noise(2)
    clean = covariance_of(values, np.ones(SHAPE, bool))
    values[100:140, 100:150] += (GREEN / FOX - 1).astype(np.float32)
    spotted = covariance_of(values, np.ones(SHAPE, bool))
    np.testing.assert_allclose(spotted, clean, rtol=0.05)  # own tolerance


def test_pixels_that_are_not_judged_do_not_enter() -> None:
    values = noise(3)
    judged = np.ones(SHAPE, bool)
    judged[:, :120] = False
    spoiled = values.copy()
    spoiled[:, :120] = 7.0
    np.testing.assert_array_equal(covariance_of(spoiled, judged), covariance_of(values, judged))


def test_next_to_no_pixels_give_no_false_confidence() -> None:
    few = np.zeros(SHAPE, bool)
    few[0, :4] = True
    np.testing.assert_array_equal(covariance_of(noise(4), few), np.eye(3))


def test_a_sample_is_spread_over_the_region() -> None:
    rows, columns = np.indices((600, 900), dtype=np.float32)
    r, c = sampled(np.ones((600, 900), bool), rows, columns, count=20_000)
    assert 15_000 < len(r) < 40_000
    assert (r.min(), c.min()) == (0, 0)
    assert r.max() > 590
    assert c.max() > 890


# Levels: a disc under a Gaussian has the height 1 - exp(-r²/2σ²) in its middle


@pytest.mark.parametrize("radius_mm", [0.6, 1.2, 2.5])
def test_a_disc_reaches_the_height_that_analysis_gives(radius_mm: float) -> None:
    side = 321
    y, x = np.indices((side, side)) - side // 2
    fine = 5  # share of each pixel within the disc, by counting
    sub = (np.arange(fine) + 0.5) / fine - 0.5
    inside = np.zeros((side, side))
    for dy in sub:
        for dx in sub:
            inside += np.hypot(x + dx, y + dy) * 0.1 < radius_mm
    disc = np.repeat((inside / fine**2)[..., None], 3, axis=2).astype(np.float32)
    for level in stack_of(disc, mm_per_px=0.1):
        sigma_mm = level.sigma_px * level.mm_per_px
        expected = 1 - np.exp(-(radius_mm**2) / (2 * sigma_mm**2))
        # Own tolerance: pixels of the coarser levels are means over a few.
        assert level.ratio[..., 1].max() == pytest.approx(expected, abs=0.05)


def test_each_level_is_made_for_four_times_the_area() -> None:
    stack = stack_of(noise(5))
    assert [level.area_mm2 for level in stack] == [1.0, 4.0, 16.0]
    assert [level.mm_per_px for level in stack] == [0.25, 0.5, 1.0]
    assert [level.ratio.shape[:2] for level in stack] == [(260, 340), (130, 170), (65, 85)]


def test_a_tiny_region_has_fewer_levels() -> None:
    assert len(stack_of(noise(6, (5, 60)))) == 1


# Significance


def test_noise_has_a_standard_deviation_of_one() -> None:
    for level in stack_of(noise(7))[:2]:
        t, spread = significance(level, pair())
        assert float(t.std()) == pytest.approx(1.0, abs=0.1)  # own tolerance
        assert float(np.abs(np.median(t))) < 0.1
        assert (spread > 0).all()


def test_a_spot_stands_out_by_its_separation() -> None:
    ratio = noise(8)
    ratio[120:150, 160:200] += (GREEN / FOX - 1).astype(np.float32)
    level = stack_of(ratio)[0]
    t, spread = significance(level, pair())
    d = GREEN / FOX - 1
    smoothed = np.cov(
        np.stack([gaussian_filter(noise(9)[..., i], level.sigma_px) for i in range(3)], -1)
        .reshape(-1, 3)
        .T.astype(float)
    )
    expected = float(np.sqrt(d @ np.linalg.solve(smoothed, d)))  # NumPy and SciPy
    assert separation(level, pair()) == pytest.approx(expected, rel=0.1)  # own tolerance
    assert float((t * spread)[130:140, 170:190].mean()) == pytest.approx(expected, rel=0.1)


def test_nothing_is_significant_where_nothing_is_judged() -> None:
    level = stack_of(noise(10))[0]
    judged = level.judged.copy()
    judged[50:100] = False
    t, _ = significance(replace(level, judged=judged), pair())
    assert (t[50:100] == 0).all()
    nowhere = replace(level, judged=np.zeros_like(judged))
    assert significance(nowhere, pair())[0].shape == judged.shape


def test_noise_raises_fewer_alarms_than_one_region_in_ten() -> None:
    alarms = 0
    regions = 20
    for seed in range(100, 100 + regions):
        for level in stack_of(noise(seed, (160, 200))):
            t, _ = significance(level, pair())
            alarms += bool((t > threshold(level, t)).any())
    assert alarms <= regions / 10  # own tolerance; the filter is set to 1 in 100


def test_the_threshold_is_never_below_chance() -> None:
    level = stack_of(noise(11))[0]
    t, _ = significance(level, pair())
    places = SHAPE[0] * SHAPE[1] * MM**2 / 1.0
    assert threshold(level, t) >= norm.isf(FALSE_ALARMS / places)  # SciPy


# What could hide


def test_the_smallest_detectable_spot_inverts_the_discs_height() -> None:
    level = stack_of(noise(12))[-1]  # with no wider level: the filter is one Gaussian
    p = pair()
    highest = 0.4 * p.share_at_limit * separation(level, p)
    blur_mm = 0.2
    area = detectable_mm2([(level, highest)], p, blur_mm=blur_mm, k=1.645)
    sigma2 = (level.sigma_px * level.mm_per_px) ** 2 + blur_mm**2
    # A disc of that area, at the limit's share, must stand just as high as what may hide.
    height = 1 - np.exp(-(area / np.pi) / (2 * sigma2))
    assert height * p.share_at_limit * separation(level, p) == pytest.approx(highest, rel=1e-6)


@given(highest=st.floats(0.05, 1.5))
@settings(max_examples=20, deadline=None)
def test_headroom_and_the_smallest_spot_tell_the_same(highest: float) -> None:
    level = stack_of(noise(12, (60, 80)))[-1]
    p = pair()
    hidden = [(level, highest * p.share_at_limit * separation(level, p))]
    room = headroom(hidden, p, blur_mm=0.0, k=1.645)
    smallest = detectable_mm2(hidden, p, blur_mm=0.0, k=1.645)
    assert (room >= 1.0) == (smallest <= level.area_mm2)
    # A disc of the level's own area under its Gaussian of 0.6 radii (arithmetic).
    assert room * highest == pytest.approx(1 - np.exp(-0.5 / 0.36), rel=1e-5)


def test_where_nothing_was_looked_at_there_is_no_headroom() -> None:
    assert headroom([], pair(), blur_mm=0.1, k=1.645) == 0.0


def test_what_may_hide_everywhere_has_no_smallest_spot() -> None:
    level = stack_of(noise(13))[0]
    p = pair()
    high = 2.0 * p.share_at_limit * separation(level, p)
    assert detectable_mm2([(level, high)], p, blur_mm=0.1, k=1.645) == float("inf")
    assert detectable_mm2([], p, blur_mm=0.1, k=1.645) == float("inf")


@given(noisier=st.floats(1.0, 8.0), blur=st.floats(0.0, 0.5))
@settings(max_examples=20, deadline=None)
def test_more_noise_or_blur_never_shows_smaller_spots(noisier: float, blur: float) -> None:
    level = stack_of(noise(14, (60, 80)))[0]
    p = pair()
    worse = replace(level, covariance=level.covariance * noisier**2)
    plain = detectable_mm2([(level, 4.0)], p, blur_mm=0.1, k=1.645)
    assert detectable_mm2([(worse, 4.0)], p, blur_mm=0.1, k=1.645) >= plain
    assert detectable_mm2([(level, 4.0)], p, blur_mm=0.1 + blur, k=1.645) >= plain


def test_no_free_place_shows_what_a_hidden_spot_would_bring() -> None:
    t = np.zeros((20, 20), np.float32)
    t[5, 5], t[15, 15] = 9.0, 7.0
    spread = np.full_like(t, 1.5)
    free = np.ones(t.shape, bool)
    assert reach(t, spread, free=free, k=1.645) == pytest.approx(9 * 1.5, rel=0.01)
    free[5, 5] = False
    assert reach(t, spread, free=free, k=1.645) == pytest.approx(7 * 1.5, rel=0.01)
    assert reach(t, spread, free=np.zeros_like(free), k=1.645) == float("inf")


def test_a_hidden_spot_is_less_likely_than_the_confidence_leaves() -> None:
    t = np.zeros((20, 20), np.float32)
    t[5, 5] = 3.5
    found = reach(t, np.full_like(t, 1.5), free=np.ones(t.shape, bool), k=1.645)

    def odds(least: float) -> float:  # SciPy's own integral of the note's formula
        def density(times: float) -> float:
            return float(norm.cdf(3.5 - times * least / 1.5) / times**2)

        return float(quad(density, 1.0, np.inf)[0])

    assert odds(found) == pytest.approx(0.05 / 0.95, rel=0.03)
    assert found > 3.5 * 1.5


# Extent: discs with a Gaussian edge


def disc(radius: float, sigma: float, *, height: float = 1.0, side: int = 121) -> NDArray:
    y, x = np.indices((side, side)) - side // 2 + 0.2
    sharp = np.clip(radius - np.hypot(x, y) + 0.5, 0, 1) * height
    return (gaussian_filter(sharp, sigma) if sigma else sharp).astype(np.float32)


def outlined(share: NDArray, *, blur_px: float = 0.0, free: NDArray | None = None) -> Extent:
    rows, columns = np.nonzero(share >= 0.7 * share[share.shape[0] // 2, share.shape[1] // 2])
    place = (slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1))
    everywhere = np.ones(share.shape, bool) if free is None else free
    seed = share[place] >= 0.7 * share.max()
    return extent_of(share, seed, place, free=everywhere, blur_px=blur_px)


@pytest.mark.parametrize("height", [0.15, 1.0])
@pytest.mark.parametrize("radius", [4.0, 8.0, 15.0])
def test_a_discs_area_is_that_of_the_circle(radius: float, height: float) -> None:
    found = outlined(disc(radius, 1.2, height=height), blur_px=1.2)
    assert found.half_area_px == pytest.approx(np.pi * radius**2, rel=0.08)  # own tolerance
    assert found.share == pytest.approx(height, rel=0.12)  # own tolerance


@pytest.mark.parametrize("width", [2.0, 3.0, 5.0, 9.0])
def test_a_narrow_strip_is_not_taken_for_wider_than_it_is(width: float) -> None:
    y, x = np.indices((81, 121)) - np.array([40.3, 60.4])[:, None, None]
    sharp = np.clip(0.5 * width - np.abs(y) + 0.5, 0, 1) * np.clip(20.5 - np.abs(x), 0, 1)
    found = outlined(gaussian_filter(sharp, 1.2).astype(np.float32), blur_px=1.2)
    # Own tolerance; as seen, the strip of 2 px is half as wide again.
    assert found.half_area_px == pytest.approx(40.0 * width, rel=0.25)


def test_the_photos_blur_is_not_taken_for_a_soft_edge() -> None:
    # Own tolerances, pixels.
    assert outlined(disc(12.0, 1.5), blur_px=1.5).edge_px < 0.6
    assert outlined(disc(30.0, 3.0), blur_px=0.0).edge_px == pytest.approx(3.0, abs=0.4)


@pytest.mark.parametrize("level", [0.08, 0.2, 0.5, 0.8])
def test_the_area_at_a_level_is_that_of_the_profile(level: float) -> None:
    share = disc(15.0, 2.5)
    expected = float((share >= level).sum())
    # Own tolerance: the edge is taken for straight.
    assert outlined(share).area_px(level) == pytest.approx(expected, rel=0.1)


def test_a_level_the_spot_does_not_reach_has_no_area() -> None:
    found = outlined(disc(10.0, 1.0, height=0.3), blur_px=0.5)
    assert found.area_px(0.5) == 0.0
    assert found.area_px(0.2, share=0.1) == 0.0
    assert found.area_px(0.2, share=0.9) > found.area_px(0.2) > 0.0


def test_a_spot_grows_to_its_outline_but_not_into_what_is_taken() -> None:
    share = disc(12.0, 0.5)
    free = np.ones(share.shape, bool)
    free[:, 64:] = False
    found = outlined(share, free=free)
    rows, columns = found.window
    assert not (found.mask & ~free[rows, columns]).any()
    whole = outlined(share)
    assert found.half_area_px < 0.8 * whole.half_area_px


def test_a_neighbour_is_not_swallowed() -> None:
    alone = disc(8.0, 1.0)
    share = np.maximum(alone, np.roll(alone, 30, axis=1))
    place = (slice(55, 66), slice(55, 66))
    seed = np.ones((11, 11), bool)
    found = extent_of(share, seed, place, free=np.ones(share.shape, bool), blur_px=0.0)
    assert found.half_area_px == pytest.approx(np.pi * 64, rel=0.1)  # own tolerance


@pytest.mark.parametrize("area_mm2", [1.0, 3.0, 12.0])
@pytest.mark.parametrize("number", [0, 1, 2])
def test_the_filter_answers_a_drawn_disc_as_it_says(area_mm2: float, number: int) -> None:
    # Noise for the covariance, then the same filter on a bare disc alone: its output at the
    # middle must be the height that the level states (own phantom; 10 % for the pixels of a disc
    # and the halved levels' places).
    p = pair()
    size, mm = (400, 400), 0.15
    y, x = np.indices(size) * mm - 200 * mm
    disc = (np.hypot(x, y) <= np.sqrt(area_mm2 / np.pi)).astype(np.float32)
    image = disc[..., None] * p.contrast.astype(np.float32)
    noisy = stack_of(noise(5, size), mm_per_px=mm)
    plain = stack_of(image, mm_per_px=mm)
    level, seen = noisy[number], plain[number]
    weights = level.weights(p)
    output = np.zeros(seen.judged.shape)
    for part, there in zip(weights, (seen, *seen.wider), strict=True):
        around = there.ratio @ part.astype(np.float32)
        output += np.asarray(enlarged(around, (there.step // seen.step,) * 2, output.shape[::-1]))
    stated = float(level.height(p, area_mm2, blur_mm=0.0))
    centre = output.shape[0] // 2
    assert output[centre - 1 : centre + 2, centre - 1 : centre + 2].max() == pytest.approx(
        stated, rel=0.1, abs=0.05 * float(level.height(p, level.area_mm2, blur_mm=0.0))
    )
