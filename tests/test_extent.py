"""The area of a spot without the blur, and its doubt, against shapes painted and blurred by SciPy.

The true area is the shape's own; SciPy blurs it at eight times as many pixels.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import ncx2, norm
from test_show_through import MM, checked, painted_xyz, round_spot, the_spot

from fullhide.checks.along import along_seam
from fullhide.checks.blurred import Flat, unblurred
from fullhide.checks.extent import Extent, extent_of

FINE = 8
#: Standard deviation of photo and map together in most photos, mm.
BLUR_MM = 0.23
#: A panel's pixel and a seam's, mm.
PANEL, SEAM = 0.27, 0.15


def half_axes(shape: str, area_mm2: float) -> tuple[float, float]:
    if shape == "gap":
        return area_mm2 / 2.4, 0.6
    times = {"round": 1.0, "long": 3.0}[shape]
    short = float(np.sqrt(area_mm2 / (np.pi * times)))
    return times * short, short


def painted(
    shape: str, area_mm2: float, *, mm: float, rng: np.random.Generator, soft_mm: float = 0.0
) -> NDArray[np.float32]:
    """Share of a spot somewhere between pixels, at any angle, blurred; a pixel holds its mean."""
    a, b = half_axes(shape, area_mm2)
    n = 2 * int(np.ceil((a + 6 * BLUR_MM + 3 * soft_mm) / mm)) + 3
    at = ((np.arange(n * FINE) + 0.5) / FINE - n / 2) * mm
    x, y = at[None] - rng.uniform(-0.5, 0.5) * mm, at[:, None] - rng.uniform(-0.5, 0.5) * mm
    turn = rng.uniform(0.0, np.pi) if shape != "gap" else rng.normal(0.0, 0.05)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    if shape == "gap":
        inside = (np.abs(u) <= a) & (np.abs(v) <= b)
    else:
        inside = np.hypot(u / a, v / b) <= 1.0
    sigma = float(np.hypot(BLUR_MM, soft_mm)) / mm * FINE
    seen = gaussian_filter(inside.astype(np.float32), sigma)
    return np.asarray(seen.reshape(n, FINE, n, FINE).mean(axis=(1, 3)), np.float32)


def outlined(share: NDArray[np.float32], mm: float) -> Extent:
    seed = share >= 0.5 * share.max()
    whole = (slice(0, share.shape[0]), slice(0, share.shape[1]))
    free = np.ones(share.shape, bool)
    return extent_of(share, seed, whole, free=free, blur_px=BLUR_MM / mm)


def areas(
    shape: str, area_mm2: float, level: float, mm: float, *, noise: float = 0.0, n: int = 8
) -> NDArray[np.float64]:
    rng = np.random.default_rng(int(100 * area_mm2))
    found = []
    for _ in range(n):
        share = painted(shape, area_mm2, mm=mm, rng=rng)
        if noise:
            # As smooth as the map that spots are outlined on.
            grain = gaussian_filter(rng.normal(size=share.shape), 0.2 / mm)
            share = (share + noise * grain / grain.std()).astype(np.float32)
        found.append(outlined(share, mm).area_px(level) * mm**2)
    return np.array(found)


@pytest.mark.parametrize("level", [0.15, 0.5])
@pytest.mark.parametrize("mm", [PANEL, SEAM])
@pytest.mark.parametrize(
    ("shape", "area_mm2"),
    [
        *(("round", area) for area in (1.0, 1.3, 2.0, 5.0, 20.0, 40.0)),
        *(("long", area) for area in (2.0, 5.0, 40.0)),
        *(("gap", area) for area in (3.0, 10.0, 40.0)),
    ],
)
def test_the_area_of_a_hard_spot_is_its_own_at_any_level(
    shape: str, area_mm2: float, mm: float, level: float
) -> None:
    assert areas(shape, area_mm2, level, mm).mean() == pytest.approx(area_mm2, rel=0.07)


@pytest.mark.parametrize("mm", [PANEL, SEAM])
def test_the_smallest_are_told_too_large_rather_than_too_small(mm: float) -> None:
    # Of the width of the blur and less; own tolerance.
    for shape, area in (("round", 0.7), ("long", 1.0), ("long", 1.3)):
        assert 0.95 * area < areas(shape, area, 0.15, mm).mean() < 1.25 * area


@pytest.mark.parametrize(("shape", "area_mm2"), [("round", 1.3), ("round", 4.0), ("gap", 6.0)])
def test_noise_makes_no_spot_larger_or_smaller_at_the_mean(shape: str, area_mm2: float) -> None:
    found = areas(shape, area_mm2, 0.15, PANEL, noise=0.04, n=40)
    # Own tolerance: the mean's own scatter and 6 %.
    close = 0.06 * area_mm2 + 2.0 * found.std() / np.sqrt(len(found))
    assert abs(found.mean() - area_mm2) < close


@pytest.mark.parametrize(
    ("shape", "soft_mm"),
    [("round", 0.0), ("long", 0.0), ("gap", 0.0), ("round", 0.4), ("long", 0.4)],
)
def test_a_long_outline_is_not_taken_for_a_soft_edge(shape: str, soft_mm: float) -> None:
    rng = np.random.default_rng(1)
    found = outlined(painted(shape, 20.0, mm=SEAM, rng=rng, soft_mm=soft_mm), SEAM)
    assert found.edge_px * SEAM == pytest.approx(soft_mm, abs=0.08)  # own tolerance


@pytest.mark.parametrize("level", [0.15, 0.3, 0.6])
def test_the_area_of_a_soft_spot_is_that_of_its_own_profile(level: float) -> None:
    radius, soft = 2.0, 0.4
    # A disc blurred by a Gaussian: the noncentral chi-square of two degrees of freedom.
    r = np.linspace(0.0, 4.0, 4001)
    own = ncx2.cdf((radius / soft) ** 2, 2, (r / soft) ** 2)
    expected = np.pi * np.interp(-level, -own, r) ** 2
    rng = np.random.default_rng(2)
    found = outlined(painted("round", np.pi * radius**2, mm=SEAM, rng=rng, soft_mm=soft), SEAM)
    assert found.area_px(level) * SEAM**2 == pytest.approx(expected, rel=0.05)  # own tolerance


# The flat spot


@pytest.mark.parametrize("radius", [0.75, 1.0, 2.3, 5.0, 11.0])
def test_a_blurred_disc_is_what_the_chi_square_says(radius: float) -> None:
    disc = Flat(radius, 0.0, 0.6)
    assert disc.peak(1.0) == pytest.approx(0.6 * -np.expm1(-0.5 * radius**2), rel=0.01)
    r = np.linspace(0.0, 15.0, 15001)
    profile = 0.6 * ncx2.cdf(radius**2, 2, r**2)
    for part in (0.2, 0.5, 0.8):
        level = part * profile[0]
        expected = np.pi * np.interp(-level, -profile, r) ** 2
        assert disc.area_at(level, 1.0) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("half", [0.7, 1.5, 4.0, 20.0])
def test_a_blurred_strip_is_two_edges(half: float) -> None:
    strip = Flat(half, 1e6, 1.0)
    x = np.linspace(0.0, 30.0, 30001)
    profile = norm.cdf(half - x) - norm.cdf(-half - x)
    level = 0.4 * profile[0]
    expected = 2e6 * np.interp(-level, -profile, x)
    assert strip.area_at(level, 1.0) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("half", [1.2, 2.0, 6.0, 30.0])
def test_blur_taken_back_gives_the_spot_again(half: float) -> None:
    disc = Flat(half, 0.0, 0.7)
    level = 0.5 * disc.peak(1.0)
    area = disc.area_at(level, 1.0)
    seen = np.sqrt(area / np.pi)
    back = unblurred(
        area,
        2.0 * np.pi * seen,
        level=level,
        middle=disc.peak(1.0, within=0.4 * seen),
        blur=1.0,
    )
    assert back.area == pytest.approx(disc.area, rel=0.02)
    assert back.share == pytest.approx(0.7, rel=0.02)


def test_nothing_is_left_of_a_spot_below_the_level() -> None:
    assert Flat(2.0, 3.0, 0.3).area_at(0.31, 0.0) == 0.0
    assert Flat(2.0, 3.0, 0.3).area_at(0.3, 1.0) == 0.0


# What it comes to


def photographed(radius_mm: float, *, seed: int, soft_mm: float = 0.0) -> NDArray[np.float64]:
    share = round_spot(radius_mm, at=(40.0 + 0.03 * seed, 30.0 + 0.05 * seed))
    return painted_xyz(gaussian_filter(share, np.hypot(0.1, soft_mm) / MM), seed=seed)


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_bare_spot_of_one_and_a_half_times_the_limit_fails(seed: int) -> None:
    assert checked(photographed(float(np.sqrt(1.5 / np.pi)), seed=seed)).verdict == "fail"


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6, 7, 8])
def test_a_bare_spot_just_over_the_limit_is_not_passed(seed: int) -> None:
    assert checked(photographed(float(np.sqrt(1.1 / np.pi)), seed=seed)).verdict != "pass"


def test_intervals_hold_the_true_area_and_are_no_wider_than_that_takes() -> None:
    spots = []
    for seed in range(24):
        area = 1.2 * 1.12**seed
        spot = the_spot(checked(photographed(float(np.sqrt(area / np.pi)), seed=seed)))
        spots.append((spot.area_mm2, spot.area_u_mm2, area))
    told, u, true = np.array(spots).T
    assert np.mean(np.abs(told - true) <= 1.96 * u) >= 22 / 24
    assert abs(np.median(told / true) - 1.0) < 0.06
    assert np.all((u / told)[true > 8.0] < 0.15)


def test_a_soft_spots_area_is_less_sure() -> None:
    hard, soft = (the_spot(checked(photographed(1.2, seed=3, soft_mm=soft))) for soft in (0.0, 0.4))
    assert soft.area_u_mm2 / soft.area_mm2 > 1.1 * hard.area_u_mm2 / hard.area_mm2


# Along a seam


@pytest.mark.parametrize("fainter", [0.5, 0.35, 0.25])
def test_a_gap_goes_on_where_it_is_fainter_than_half_its_plainest_part(fainter: float) -> None:
    mm, across = 0.15, slice(30, 46)
    share = np.zeros((76, 320))
    share[across, 60:130] = 0.9
    share[across, 130:190] = fainter
    rng = np.random.default_rng(4)
    share = gaussian_filter(share, 1.5) + gaussian_filter(rng.normal(0, 0.1, share.shape), 1.5)
    share = share.astype(np.float32)
    free = np.ones(share.shape, bool)
    place = (slice(32, 44), slice(62, 128))
    extent = extent_of(share, np.ones((12, 66), bool), place, free=free, blur_px=1.5)
    start, end = along_seam(extent, share, 0.12, free=free, mm_per_px=mm)
    assert start == pytest.approx(60 * mm, abs=0.5)  # own tolerances
    assert end == pytest.approx(190 * mm, abs=0.8)
