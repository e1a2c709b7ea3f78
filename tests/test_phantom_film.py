"""Kubelka-Munk films against published-form tables and integrated two-flux equations."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fullhide.phantom.film import (
    coats,
    film_reflectance,
    film_transmittance,
    k_over_s,
    r_infinity,
)

# Project reference table (STANDARDS.md 3.2, calculated there, printed to 4 decimals):
# Rinf, K/S, SX, reflectance over black, over a white of 0.80, contrast ratio.
ROUND_TRIP = [
    (0.80, 0.0250, 1.0, 0.4898, 0.8000, 0.6122),
    (0.80, 0.0250, 4.0, 0.7468, 0.8000, 0.9335),
    (0.50, 0.2500, 0.5, 0.2991, 0.6584, 0.4543),
    (0.50, 0.2500, 1.0, 0.4114, 0.5793, 0.7102),
    (0.50, 0.2500, 2.0, 0.4811, 0.5184, 0.9280),
    (0.20, 1.6000, 0.5, 0.1825, 0.2614, 0.6982),
    (0.20, 1.6000, 1.0, 0.1984, 0.2056, 0.9649),
    (0.08, 5.2900, 0.5, 0.0798, 0.0815, 0.9792),
]
PRINTED = 0.5e-4 * 1.001

# The same section's coat counts: Rg, Rinf, SX per coat, reflectance after 0, 1, ... coats.
COATS = [
    (0.30, 0.05, 0.15, [0.3000, 0.0627, 0.0506, 0.0500]),
    (0.10, 0.30, 0.50, [0.1000, 0.2583, 0.2909, 0.2980, 0.2996]),
    (0.03, 0.45, 0.50, [0.0300, 0.2980, 0.3904, 0.4259, 0.4401]),
]


def two_flux_rows() -> list[dict[str, float]]:
    path = Path(__file__).parent / "reference" / "km_two_flux.csv"
    lines = [v for v in path.read_text().splitlines() if not v.startswith("#")]
    return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(lines)]


@pytest.mark.parametrize("row", ROUND_TRIP)
def test_round_trip_table(row: tuple[float, ...]) -> None:
    r_inf, ratio, sx, black, white, contrast = row
    assert k_over_s(r_inf) == pytest.approx(ratio, abs=PRINTED)
    assert r_infinity(ratio) == pytest.approx(r_inf, abs=1e-12)
    r0 = float(film_reflectance(0.0, r_inf=r_inf, sx=sx))
    r80 = float(film_reflectance(0.80, r_inf=r_inf, sx=sx))
    assert r0 == pytest.approx(black, abs=PRINTED)
    assert r80 == pytest.approx(white, abs=PRINTED)
    # The contrast column is the quotient of the unrounded values.
    assert r0 / r80 == pytest.approx(contrast, abs=PRINTED)


@pytest.mark.parametrize("row", two_flux_rows())
def test_closed_form_solves_the_two_flux_equations(row: dict[str, float]) -> None:
    r_inf = r_infinity(row["K"] / row["S"])
    assert r_inf == pytest.approx(row["R_inf"], abs=1e-10)
    got = film_reflectance(row["Rg"], r_inf=r_inf, sx=row["S"] * row["X"])
    # Printed to ten decimals; the reference states an agreement of 5e-11.
    assert got == pytest.approx(row["R_over_Rg"], abs=2e-10)


def test_two_flux_table_covers_bare_and_hidden_films() -> None:
    rows = two_flux_rows()
    assert len(rows) >= 24
    assert min(v["X"] for v in rows) == 0.0
    assert max(v["X"] for v in rows) == 5.0


@pytest.mark.parametrize(("rg", "r_inf", "sx", "expected"), COATS)
def test_coat_counts(rg: float, r_inf: float, sx: float, expected: list[float]) -> None:
    got = coats(rg, r_inf=r_inf, sx_per_coat=sx, number=len(expected) - 1)
    np.testing.assert_allclose(got, expected, atol=PRINTED)


def test_recursion_check_values() -> None:
    # STANDARDS.md 3.2, "Recursion check values", nine decimals.
    got = coats(0.03, r_inf=0.45, sx_per_coat=0.5, number=3)
    np.testing.assert_allclose(got[1:], [0.298021588, 0.390352376, 0.425886924], atol=5.1e-10)


REFLECTANCE = st.floats(0.0, 1.0)
HIDING = st.floats(0.002, 1.0)
THICKNESS = st.floats(0.0, 30.0)


@given(rg=REFLECTANCE, r_inf=HIDING, sx=THICKNESS)
def test_a_film_lies_between_background_and_masstone(rg: float, r_inf: float, sx: float) -> None:
    r = float(film_reflectance(rg, r_inf=r_inf, sx=sx))
    assert min(rg, r_inf) - 1e-12 <= r <= max(rg, r_inf) + 1e-12


@given(rg=REFLECTANCE, r_inf=HIDING, thin=THICKNESS, more=THICKNESS)
def test_more_film_is_never_further_from_the_masstone(
    rg: float, r_inf: float, thin: float, more: float
) -> None:
    near = abs(float(film_reflectance(rg, r_inf=r_inf, sx=thin + more)) - r_inf)
    far = abs(float(film_reflectance(rg, r_inf=r_inf, sx=thin)) - r_inf)
    assert near <= far + 1e-12


@settings(deadline=None)
@given(rg=REFLECTANCE, r_inf=HIDING, sx=st.floats(0.0, 3.0), number=st.integers(0, 8))
def test_coats_one_by_one_equal_one_thick_film(
    rg: float, r_inf: float, sx: float, number: int
) -> None:
    steps = coats(rg, r_inf=r_inf, sx_per_coat=sx, number=number)
    whole = film_reflectance(rg, r_inf=r_inf, sx=number * sx)
    assert steps[-1] == pytest.approx(float(whole), abs=1e-10)


@given(r_inf=HIDING, sx=THICKNESS)
def test_a_film_never_gives_more_light_than_it_gets(r_inf: float, sx: float) -> None:
    r0 = float(film_reflectance(0.0, r_inf=r_inf, sx=sx))
    t = float(film_transmittance(r_inf=r_inf, sx=sx))
    assert r0 + t <= 1.0 + 1e-12


def test_nothing_of_a_film_changes_nothing_and_a_thick_one_hides() -> None:
    rg = np.array([0.0, 0.2, 1.0])
    np.testing.assert_array_equal(film_reflectance(rg, r_inf=0.3, sx=0.0), rg)
    np.testing.assert_allclose(film_reflectance(rg, r_inf=0.3, sx=1e6), 0.3, atol=1e-12)


@pytest.mark.parametrize(
    "wrong",
    [
        {"rg": -0.1, "r_inf": 0.5, "sx": 1.0},
        {"rg": 0.1, "r_inf": 0.0, "sx": 1.0},
        {"rg": 0.1, "r_inf": 1.2, "sx": 1.0},
        {"rg": 0.1, "r_inf": 0.5, "sx": -1.0},
        {"rg": float("nan"), "r_inf": 0.5, "sx": 1.0},
        {"rg": 0.1, "r_inf": 0.5, "sx": float("inf")},
    ],
)
def test_impossible_films_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be"):
        film_reflectance(wrong["rg"], r_inf=wrong["r_inf"], sx=wrong["sx"])


def test_negative_coats_and_ratios_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        coats(0.1, r_inf=0.5, sx_per_coat=0.5, number=-1)
    with pytest.raises(ValueError, match="negative"):
        r_infinity(-0.1)
