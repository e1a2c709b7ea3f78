"""The reflection model: exact on what it describes, honest where the colours are in one plane."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls
from skimage.color import deltaE_ciede2000, xyz2lab

from fullhide.colour import WHITE_D50, lab_to_xyz
from fullhide.surface import colour_pair, condition_number, mix_delta_e, share_for, solve

FOX = lab_to_xyz((46.0, 21.0, 28.0))
GREEN = lab_to_xyz((38.0, -28.0, 9.0))
TAN = lab_to_xyz((62.0, 12.0, 32.0))
RED_BROWN = lab_to_xyz((33.0, 25.0, 19.0))
WHITE = lab_to_xyz((93.0, -0.5, 2.0))
BLACK = lab_to_xyz((18.0, 0.5, 0.5))
GREY = lab_to_xyz((55.0, 0.0, -1.0))
DARK_GREY = lab_to_xyz((30.0, 0.0, -1.0))


def pair_of(finish: np.ndarray, under: np.ndarray):
    return colour_pair("old", finish, under, limit_delta_e=3.0)


def test_solve_gives_back_what_the_model_put_in() -> None:
    rng = np.random.default_rng(1)
    shape = (40, 50)
    s = rng.uniform(0.2, 1.2, shape)
    f = rng.uniform(0, 1, shape)
    k = rng.uniform(0, 0.3, shape)
    xyz = s[..., None] * ((1 - f)[..., None] * FOX + f[..., None] * GREEN)
    xyz = (xyz + k[..., None] * WHITE_D50).astype(np.float32)
    found = solve(xyz, pair=pair_of(FOX, GREEN))
    # Tolerances of our own: float32 through a well-conditioned 3 x 3.
    np.testing.assert_allclose(found.shading, s, atol=1e-4)
    np.testing.assert_allclose(found.share, f, atol=1e-3)
    np.testing.assert_allclose(found.highlight, k, atol=1e-4)


def test_solution_is_the_non_negative_least_squares_of_scipy() -> None:
    rng = np.random.default_rng(2)
    pair = pair_of(RED_BROWN, TAN)
    xyz = np.abs(rng.normal(0.1, 0.08, (15, 20, 3))).astype(np.float32)
    root = rng.normal(0, 1, (3, 3))
    covariance = root @ root.T * 1e-4 + np.eye(3) * 1e-5
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    basis = white @ np.stack([pair.finish, pair.under, pair.light], axis=1)
    found = solve(xyz, pair=pair, covariance=covariance)
    for y in range(15):
        for x in range(20):
            a, b, k = nnls(basis, white @ xyz[y, x].astype(float))[0]  # SciPy
            if a + b > 1e-3:
                assert found.shading[y, x] == pytest.approx(a + b, abs=2e-3)
                assert found.share[y, x] == pytest.approx(b / (a + b), abs=1e-2)
            assert found.highlight[y, x] == pytest.approx(k, abs=2e-3)


@given(st.floats(0.05, 3.0))
def test_share_does_not_depend_on_exposure(gain: float) -> None:
    pixel = (0.7 * FOX + 0.3 * GREEN + 0.05 * WHITE_D50).astype(np.float32)[None, None]
    found = solve(pixel * np.float32(gain), pair=pair_of(FOX, GREEN))
    assert float(found.share[0, 0]) == pytest.approx(0.3, abs=1e-3)


def test_share_noise_is_the_propagated_noise() -> None:
    rng = np.random.default_rng(3)
    pair = pair_of(FOX, GREEN)
    covariance = np.diag([2e-6, 1e-6, 4e-6])
    clean = 0.8 * FOX + 0.2 * GREEN + 0.1 * WHITE_D50
    noisy = clean + rng.multivariate_normal(np.zeros(3), covariance, (200, 200))
    found = solve(noisy.astype(np.float32), pair=pair, covariance=covariance)
    # First order only: 10 % is our own allowance (40,000 pixels leave 0.4 %).
    bare = found.share * found.shading
    assert float(bare.std()) == pytest.approx(found.share_u, rel=0.1)


@pytest.mark.parametrize(
    ("finish", "under"),
    [(RED_BROWN, BLACK), (FOX, WHITE), (GREY, DARK_GREY)],
    ids=["black beneath", "white beneath", "dark grey beneath grey"],
)
def test_pairs_in_one_plane_with_shadow_or_shine_are_worse_conditioned(
    finish: np.ndarray, under: np.ndarray
) -> None:
    assert condition_number(finish, under) > 5 * condition_number(FOX, GREEN)


def test_grey_beneath_grey_is_near_degenerate() -> None:
    # A thousand is our own line: from there on a pixel alone told nothing on our phantoms.
    assert pair_of(GREY, DARK_GREY).condition > 1000.0 > pair_of(FOX, GREEN).condition


@pytest.mark.parametrize(("finish", "under"), [(FOX, GREEN), (RED_BROWN, TAN), (FOX, WHITE)])
def test_mixture_difference_agrees_with_scikit_image(finish: np.ndarray, under: np.ndarray) -> None:
    share = np.linspace(0, 1, 11)
    mixed = (1 - share)[:, None] * finish + share[:, None] * under
    # scikit-image's D50 white has its own last digits: 0.01 is our own allowance.
    theirs = deltaE_ciede2000(
        xyz2lab(finish[None], illuminant="D50"), xyz2lab(mixed, illuminant="D50")
    )
    np.testing.assert_allclose(mix_delta_e(finish, under, share), theirs, atol=0.01)


def test_share_at_the_limit_makes_the_limit() -> None:
    for finish, under in [(FOX, GREEN), (RED_BROWN, TAN), (GREY, DARK_GREY)]:
        share = share_for(finish, under, 3.0)
        assert float(mix_delta_e(finish, under, share)) == pytest.approx(3.0, abs=0.02)


def test_a_colour_that_cannot_reach_the_limit_has_no_share_for_it() -> None:
    near = lab_to_xyz((46.5, 21.2, 28.3))
    assert share_for(FOX, near, 3.0) == float("inf")
