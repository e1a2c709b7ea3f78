"""Light and lens: the fall of light is recovered, or said to be unknown; blur is measured."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import norm
from staged import painted, rendered, scene

from fullhide.light import FlatField, board_field, edge_blur_px, no_field, surround_field
from fullhide.phantom import Light, save_photo
from fullhide.photo import open_photo

SIZE = (300, 220)


def grid(size: tuple[int, int] = SIZE) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pixel centres from -1 to 1 across the photo, x and y."""
    width, height = size
    x = (np.arange(width) + 0.5) / width * 2 - 1
    y = (np.arange(height) + 0.5) / height * 2 - 1
    return np.meshgrid(x, y)


def falling(size: tuple[int, int] = SIZE) -> NDArray[np.float64]:
    """A smooth fall of light, half a stop or so over the photo."""
    x, y = grid(size)
    return np.exp(-0.18 * x + 0.1 * y - 0.12 * x * x - 0.08 * y * y + 0.05 * x * y)


def whole(field: FlatField) -> NDArray[np.float32]:
    width, height = field.size_px
    return field.over((0, 0, width, height), (height, width))


def unevenness(found: NDArray[np.float32], truth: NDArray[np.floating]) -> float:
    """Largest departure of the ratio from its middle, relative."""
    ratio = found / truth
    return float(np.abs(ratio / np.median(ratio) - 1).max())


# Grey board


@pytest.mark.parametrize("falloff", [0.05, 0.35])
def test_a_grey_board_gives_the_phantoms_own_fall_of_light(tmp_path: Path, falloff: float) -> None:
    board = rendered(scene(light=Light(falloff=falloff)).grey_board())
    save_photo(board, tmp_path / "board.png")
    field = board_field(open_photo(tmp_path / "board.png"), size_px=board.scene.size_px)
    assert field.source == "grey board"
    # The truth is the phantom's own; one per cent is our own tolerance (0.3 in L* or less).
    assert unevenness(whole(field), board.truth.shading) < 0.01


def test_dust_on_the_board_leaves_no_trace_in_the_light(tmp_path: Path) -> None:
    light = falling()
    dusty = 0.4 * light
    dusty[60:66, 70:76] *= 0.3
    dusty[150:153, 200:220] *= 1.8
    clean = board_field(painted(tmp_path, 0.4 * light), size_px=SIZE)
    found = board_field(painted(tmp_path, dusty), size_px=SIZE)
    assert unevenness(whole(found), whole(clean)) < 0.01  # own tolerance


def test_a_board_photo_of_another_size_still_fits_the_photo(tmp_path: Path) -> None:
    board = painted(tmp_path, 0.4 * falling((150, 110)))
    field = board_field(board, size_px=SIZE)
    assert whole(field).shape == (SIZE[1], SIZE[0])
    assert unevenness(whole(field), falling()) < 0.01  # own tolerance


# Neutral surround


def bench(panel: tuple[float, float, float] = (0.2, 0.06, 0.04)) -> tuple[NDArray, NDArray]:
    """A coloured panel on a grey bench in falling light, and where the panel lies."""
    scene_rgb = np.full((SIZE[1], SIZE[0], 3), 0.35) * falling()[..., None]
    taken = np.zeros((SIZE[1], SIZE[0]), bool)
    taken[60:160, 80:220] = True
    scene_rgb[taken] = np.array(panel) * falling()[taken][:, None]
    return scene_rgb, taken


def test_a_grey_surround_gives_the_light_where_the_panel_lies(tmp_path: Path) -> None:
    picture, taken = bench()
    field = surround_field(painted(tmp_path, picture), taken=taken, neutral=np.ones(3))
    assert field.source == "neutral surround"
    assert unevenness(whole(field), falling()) < 0.02  # own tolerance
    assert field.doubt >= 0.015


def test_a_surround_in_tinted_light_is_told_by_the_charts_neutrals(tmp_path: Path) -> None:
    picture, taken = bench()
    tint = np.array([1.2, 0.9, 0.6])
    photo = painted(tmp_path, picture * tint)
    # The bench's own tint in working linear, as the chart's grey patches would show it.
    corner = photo.linear((0, 0, 20, 20)).reshape(-1, 3).mean(axis=0).astype(float)
    assert surround_field(photo, taken=taken, neutral=np.ones(3)).source == "none"
    found = surround_field(photo, taken=taken, neutral=corner)
    assert found.source == "neutral surround"
    assert unevenness(whole(found), falling()) < 0.02  # own tolerance


def coloured(picture: NDArray) -> None:
    picture[..., 2] *= 0.5


def patched(picture: NDArray) -> None:
    picture[::2] *= np.where(np.arange(SIZE[0]) // 30 % 2, 0.55, 1.0)[:, None]
    picture[1::2] *= np.where(np.arange(SIZE[0]) // 30 % 2, 0.55, 1.0)[:, None]


def one_sided(picture: NDArray) -> None:
    picture[:, : SIZE[0] // 2, 2] *= 0.4


def burnt_out(picture: NDArray) -> None:
    picture[...] = 1.0


@pytest.mark.parametrize("spoil", [coloured, patched, one_sided, burnt_out])
def test_a_surround_that_tells_nothing_is_not_used(tmp_path: Path, spoil) -> None:
    picture, taken = bench()
    spoil(picture)
    field = surround_field(painted(tmp_path, picture), taken=taken, neutral=np.ones(3))
    assert field.source == "none"
    np.testing.assert_array_equal(whole(field), 1.0)
    assert field.spread == 1.0


def test_a_panel_that_fills_the_photo_leaves_no_surround(tmp_path: Path) -> None:
    picture, _ = bench()
    everything = np.ones((SIZE[1], SIZE[0]), bool)
    field = surround_field(painted(tmp_path, picture), taken=everything, neutral=np.ones(3))
    assert field.source == "none"


# The field itself


def test_a_field_is_read_between_its_grid_points() -> None:
    # A plane in x: bilinear reading has to give the plane back inside the outer cells' centres.
    plane = np.broadcast_to((np.arange(8) + 0.5) / 8, (6, 8)).astype(np.float32).copy()
    field = FlatField(grid=plane, size_px=(80, 60), source="grey board", doubt=0.005)
    points = np.array([[10.0, 30.0], [40.0, 5.0], [72.5, 55.0]])
    np.testing.assert_allclose(field.at(points), points[:, 0] / 80, atol=1e-3)
    crop = field.over((20, 10, 60, 50), (20, 20))
    x = 20 + (np.arange(20) + 0.5) * 2
    np.testing.assert_allclose(crop, np.broadcast_to(x / 80, (20, 20)), atol=1e-3)


def test_the_light_is_one_where_the_chart_lies() -> None:
    field = FlatField(
        grid=falling((96, 70)).astype(np.float32), size_px=SIZE, source="grey board", doubt=0.005
    )
    places = np.array([[30.0, 30.0], [60.0, 30.0], [60.0, 50.0]])
    moved = field.relative_to(places)
    assert moved.at(places).mean() == pytest.approx(1.0, abs=1e-5)
    assert moved.spread == pytest.approx(field.spread, rel=1e-5)


def test_no_field_is_flat_and_admits_its_doubt() -> None:
    field = no_field(SIZE)
    assert field.source == "none"
    assert field.doubt > 0.015
    np.testing.assert_array_equal(whole(field), 1.0)


# Blur


def edges(sigma: float, *, noise: float = 0.0, side: int = 420) -> NDArray[np.float32]:
    """A board of dark and light fields, each edge the integral of a Gaussian (SciPy)."""
    at = np.arange(side) + 0.5
    wave = sum(
        (-1) ** i * norm.cdf((at - edge) / sigma) for i, edge in enumerate((110.3, 205.6, 300.2))
    )
    picture = 0.08 + 0.5 * np.add.outer(wave, wave) / 2
    picture += np.random.default_rng(5).normal(0, noise, picture.shape)
    return picture.astype(np.float32)


@pytest.mark.parametrize("noise", [0.0, 0.004])
@pytest.mark.parametrize("sigma", [0.4, 0.6, 0.8, 1.2, 2.0, 3.0, 5.0, 8.0])
def test_blur_of_gaussian_edges_is_measured(sigma: float, noise: float) -> None:
    # 12 %, or a tenth of a pixel, is our own tolerance.
    assert edge_blur_px(edges(sigma, noise=noise)) == pytest.approx(sigma, rel=0.12, abs=0.1)


@given(sigma=st.floats(0.8, 4.0), more=st.floats(0.5, 3.0))
@settings(max_examples=15, deadline=None)
def test_a_softer_picture_never_measures_sharper(sigma: float, more: float) -> None:
    sharp = edges(sigma)
    soft = gaussian_filter(sharp, more, mode="nearest")
    assert edge_blur_px(soft) > edge_blur_px(sharp)


@pytest.mark.parametrize(
    "picture",
    [
        np.full((100, 100), 0.3, np.float32),
        np.random.default_rng(1).normal(0.3, 0.02, (200, 200)).astype(np.float32),
        edges(1.0)[:10, :10],
    ],
    ids=["flat", "nothing but noise", "tiny"],
)
def test_without_an_edge_nothing_is_said_of_the_blur(picture: NDArray[np.float32]) -> None:
    assert edge_blur_px(picture) is None
