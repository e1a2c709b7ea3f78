"""Holes in a row, by drawn places (our own)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fullhide.checks.rows import in_rows


def row(count: int, spacing: float, degrees: float, stray: float = 0.0) -> np.ndarray:
    turn = np.radians(degrees)
    along = np.arange(count)[:, None] * spacing * np.array([np.cos(turn), np.sin(turn)])
    return along + np.random.default_rng(count).normal(0.0, stray, (count, 2)) + (20.0, 30.0)


@pytest.mark.parametrize("degrees", [0.0, 33.0, 90.0])
@pytest.mark.parametrize("spacing", [2.5, 5.0, 11.0])
def test_an_even_row_of_small_marks_is_holes(spacing: float, degrees: float) -> None:
    places = row(8, spacing, degrees, stray=0.03 * spacing)
    assert in_rows(places, np.full(8, 1.2)).all()


def test_a_row_with_a_hole_not_seen_is_still_one() -> None:
    places = np.delete(row(9, 4.0, 10.0), 4, axis=0)
    assert in_rows(places, np.full(8, 0.8)).all()


def test_a_spot_beside_the_row_is_none_of_it() -> None:
    places = np.vstack([row(8, 4.0, 0.0), [(30.0, 50.0)]])
    areas = np.append(np.full(8, 1.0), 1.0)
    assert in_rows(places, areas).tolist() == [True] * 8 + [False]


def test_rows_beside_it_of_which_less_was_seen_belong_to_it() -> None:
    seen = np.vstack([row(8, 4.0, 0.0), np.add(row(2, 4.0, 0.0), (6.0, 3.5)), [(70.0, 33.5)]])
    assert in_rows(seen, np.full(11, 1.0)).tolist() == [True] * 10 + [False]


def test_a_spot_in_the_row_of_another_size_stays() -> None:
    places = row(8, 4.0, 0.0)
    areas = np.full(8, 1.0)
    areas[3] = 3.9
    assert not in_rows(places, areas)[3]


@pytest.mark.parametrize(("count", "area"), [(4, 1.0), (8, 9.0)])
def test_few_or_large_marks_are_no_holes(count: int, area: float) -> None:
    assert not in_rows(row(count, 4.0, 0.0), np.full(count, area)).any()


def field(rows: int, columns: int) -> np.ndarray:
    """Holes of a perforated panel, every second row half a step on."""
    y, x = np.divmod(np.arange(rows * columns), columns)
    return np.stack([4.0 * x + 2.0 * (y % 2), 3.5 * y], axis=1)


@pytest.mark.parametrize(("rows", "columns"), [(6, 8), (12, 14), (18, 25)])
def test_a_perforated_panel_is_holes_however_many(rows: int, columns: int) -> None:
    places = field(rows, columns) + np.random.default_rng(1).normal(0, 0.1, (rows * columns, 2))
    assert in_rows(places, np.full(len(places), 1.0)).all()


def test_a_spot_between_many_holes_stays() -> None:
    places = np.vstack([field(12, 14), [(11.0, 8.9)]])
    assert in_rows(places, np.full(len(places), 1.0)).tolist() == [True] * 168 + [False]


@pytest.mark.parametrize("seed", range(5))
def test_many_scattered_spots_are_no_holes(seed: int) -> None:
    places = np.random.default_rng(seed).uniform(0.0, 130.0, (300, 2))
    assert not in_rows(places, np.full(300, 1.0)).any()


def test_nothing_is_no_row() -> None:
    assert in_rows(np.zeros((0, 2)), np.zeros(0)).shape == (0,)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000))
def test_a_handful_of_scattered_spots_is_hardly_ever_a_row(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 150.0, (6, 2))
    assert in_rows(places, rng.uniform(0.5, 3.9, 6)).sum() < 5
