"""Evenness on painted panels: known colours in known shares, light of known shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from fullhide.checks.evenness import SCALES_MM, evenness
from fullhide.checks.outcome import Outcome
from fullhide.checks.texture import texture
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.job import Limits

ONE, OTHER = (46.0, 21.0, 28.0), (46.5, 17.5, 24.0)
MM = 0.5
SIDE = int(SCALES_MM[0] / MM)
ROWS, COLUMNS = 20, 26


def fields(kinds: NDArray[np.bool_], *, one=ONE, other=OTHER) -> NDArray[np.float64]:
    """Blocks of one colour, and of the other where `kinds` says so."""
    large = np.kron(kinds, np.ones((SIDE, SIDE), bool))
    return np.where(large[..., None], lab_to_xyz(other), lab_to_xyz(one))


def scattered(share: float, seed: int = 3) -> NDArray[np.bool_]:
    rng = np.random.default_rng(seed)
    kinds = np.zeros(ROWS * COLUMNS, bool)
    kinds[: int(share * kinds.size)] = True
    return rng.permutation(kinds).reshape(ROWS, COLUMNS)


def checked(
    xyz: NDArray[np.float64],
    *,
    finish=ONE,
    limits: Limits | None = None,
    flat: bool = True,
    light_doubt: float = 0.005,
    judged: NDArray[np.bool_] | None = None,
) -> Outcome:
    inside = np.ones(xyz.shape[:2], bool) if judged is None else judged
    look = texture(
        xyz.astype(np.float32), inside, finish=lab_to_xyz(finish), mm_per_px=MM, factor=5.0
    )
    return evenness(look, limits=limits or Limits(), light_doubt=light_doubt, flat=flat)


def value_of(outcome: Outcome) -> float:
    value = outcome.measures["uneven_delta_e"].value
    assert value is not None
    return value


def light(kind: str) -> NDArray[np.float64]:
    y, x = np.indices((ROWS * SIDE, COLUMNS * SIDE), dtype=float)
    y, x = y / y.max() * 2 - 1, x / x.max() * 2 - 1
    shapes = {
        "even": np.ones_like(x),
        "falling": np.exp(-0.25 * x + 0.1 * y),
        "lamp in the middle": np.exp(-0.3 * x * x - 0.2 * y * y),
    }
    return shapes[kind]


# The measure: 95th percentile of the blocks' CIEDE2000 to the middle colour (STANDARDS.md 4.2)


def test_one_colour_measures_nothing() -> None:
    outcome = checked(fields(scattered(0.0)))
    assert value_of(outcome) == pytest.approx(0.0, abs=0.02)  # own tolerance: float32
    assert outcome.verdict == "pass"


def test_a_few_blocks_of_another_colour_measure_its_difference() -> None:
    expected = float(deltaE_ciede2000(np.array(ONE), np.array(OTHER)))  # scikit-image
    found = value_of(checked(fields(scattered(0.2))))
    # Own tolerance: brightness's second-degree part is taken out.
    assert found == pytest.approx(expected, rel=0.05)


def test_fewer_than_one_in_twenty_count_only_as_part_of_larger_blocks() -> None:
    outcome = checked(fields(scattered(0.03)))
    # Of 10 mm blocks more than one in twenty holds one odd block in four.
    quarter = 0.75 * lab_to_xyz(ONE) + 0.25 * lab_to_xyz(OTHER)
    most = float(deltaE_ciede2000(np.array(ONE), xyz_to_lab(quarter)))  # scikit-image
    assert 0.0 < value_of(outcome) <= most
    assert outcome.verdict == "pass"


def test_a_chequer_of_two_colours_measures_half_their_difference() -> None:
    kinds = np.indices((ROWS, COLUMNS)).sum(axis=0) % 2 == 0
    middle = 0.5 * (np.array(ONE) + np.array(OTHER))
    expected = float(deltaE_ciede2000(middle, np.array(OTHER)))  # scikit-image
    assert value_of(checked(fields(kinds))) == pytest.approx(expected, rel=0.05)  # own tolerance


@pytest.mark.parametrize("kind", ["falling", "lamp in the middle"])
def test_the_fall_of_light_alone_is_no_unevenness(kind: str) -> None:
    outcome = checked(fields(scattered(0.0)) * light(kind)[..., None])
    assert value_of(outcome) < 0.3  # own tolerance
    assert outcome.verdict == "pass"


@pytest.mark.parametrize("kind", ["falling", "lamp in the middle"])
def test_uneven_dye_is_measured_the_same_in_falling_light(kind: str) -> None:
    xyz = fields(scattered(0.2))
    lit = value_of(checked(xyz * light(kind)[..., None]))
    assert lit == pytest.approx(value_of(checked(xyz)), abs=0.25)  # own tolerance


# Verdicts


def test_uneven_colour_fails_and_says_by_how_much() -> None:
    outcome = checked(fields(scattered(0.3), other=(48.0, 12.0, 18.0)))
    assert outcome.verdict == "fail"
    measure = outcome.measures["uneven_delta_e"]
    assert measure.value is not None
    assert measure.value > 2.0
    assert measure.limit == 2.0
    assert measure.unit == "ΔE00"


def waves(period_mm: float) -> NDArray[np.float64]:
    """Lightness that comes and goes across the panel."""
    x = np.arange(COLUMNS * SIDE) * MM
    level = 1.0 + 0.3 * np.sin(2.0 * np.pi * x / period_mm)
    return lab_to_xyz(ONE) * np.broadcast_to(level[None, :, None], (ROWS * SIDE, len(x), 3))


def test_slow_lightness_asks_for_a_grey_board_where_none_was_there() -> None:
    with_board = checked(waves(85.0), flat=True)
    without = checked(waves(85.0), flat=False, light_doubt=0.04)
    assert with_board.verdict == "fail"
    assert without.verdict == "retake"
    assert without.flags == ("no_flat_field",)


def test_lightness_finer_than_any_light_fails_without_a_grey_board() -> None:
    assert checked(waves(20.0), flat=False, light_doubt=0.04).verdict == "fail"


def test_a_doubt_of_the_light_turns_a_near_pass_into_a_retake() -> None:
    blocks = fields(scattered(0.2))
    value = value_of(checked(blocks))
    near = Limits(uneven_delta_e=value + 0.4)
    assert checked(blocks, limits=near, light_doubt=0.0).verdict == "pass"
    assert checked(blocks, limits=near, light_doubt=0.2).verdict == "retake"


@given(limit=st.floats(0.3, 12.0), more=st.floats(1.0, 4.0), share=st.floats(0.0, 0.5))
@settings(max_examples=20, deadline=None)
def test_a_larger_limit_never_turns_a_pass_into_a_fail(limit, more, share) -> None:
    blocks = fields(scattered(share))
    strict = checked(blocks, limits=Limits(uneven_delta_e=limit)).verdict
    loose = checked(blocks, limits=Limits(uneven_delta_e=limit * more)).verdict
    order = ["fail", "retake", "pass"]
    assert order.index(loose) >= order.index(strict)


def test_grain_and_noise_average_out() -> None:
    rng = np.random.default_rng(6)
    xyz = fields(scattered(0.0))
    grained = xyz * (1 + rng.normal(0, 0.15, xyz.shape[:2]))[..., None]
    outcome = checked(grained * (1 + rng.normal(0, 0.03, xyz.shape)))
    assert value_of(outcome) < 1.0  # own tolerance
    assert outcome.verdict == "pass"


# What does not count


def cord(width: int) -> NDArray[np.bool_]:
    """Blocks of a strip from edge to edge."""
    kinds = np.zeros((ROWS, COLUMNS), bool)
    kinds[8 : 8 + width] = True
    return kinds


def test_a_thing_on_the_panel_is_no_unevenness_but_asks_to_be_outlined() -> None:
    outcome = checked(fields(cord(2), other=(75.0, 5.0, 20.0)))
    assert value_of(outcome) < 0.3  # own tolerance
    assert outcome.verdict == "retake"
    assert outcome.flags == ("odd_patch",)


def strip(slope_mm: float) -> NDArray[np.float64]:
    """A strip 7 mm wide from edge to edge, of another colour, with slopes that long beside it."""
    away = np.abs(np.arange(ROWS * SIDE) * MM - 43.0) - 3.5
    share = np.clip(1.0 - away / max(slope_mm, 1e-6), 0.0, 1.0)[:, None, None]
    mixed = lab_to_xyz((75.0, 5.0, 20.0)) * share + lab_to_xyz(ONE) * (1.0 - share)
    return np.broadcast_to(mixed, (ROWS * SIDE, COLUMNS * SIDE, 3))


def test_a_narrow_thing_that_ends_at_once_is_none_at_all() -> None:
    outcome = checked(strip(0.0))
    assert outcome.verdict == "pass"
    assert outcome.flags == ()


def test_a_narrow_place_that_fades_asks_to_be_looked_at() -> None:
    assert checked(strip(9.0)).verdict != "pass"


def test_a_thing_too_large_to_overlook_fails() -> None:
    outcome = checked(fields(cord(5), other=(75.0, 5.0, 20.0)))
    assert outcome.verdict == "fail"


def test_a_single_spot_does_not_make_a_panel_uneven() -> None:
    kinds = np.zeros((ROWS, COLUMNS), bool)
    kinds[10, 12:14] = True
    outcome = checked(fields(kinds, other=(75.0, 5.0, 20.0)))
    assert value_of(outcome) < 0.3  # own tolerance
    assert outcome.verdict == "pass"


def test_pixels_that_are_not_judged_do_not_count() -> None:
    xyz = fields(scattered(0.0))
    judged = np.ones(xyz.shape[:2], bool)
    judged[: 6 * SIDE] = False
    xyz[: 6 * SIDE] *= 4.0
    outcome = checked(xyz, judged=judged)
    assert value_of(outcome) == pytest.approx(0.0, abs=0.05)  # own tolerance


def test_a_region_of_a_few_blocks_has_no_evenness() -> None:
    small = fields(scattered(0.3)[:2, :4])
    outcome = checked(small)
    assert outcome.verdict is None
    assert outcome.measures == {}


def test_the_middle_colour_is_the_panels_own() -> None:
    # The finish only scales the light: a finish a little off must not show as unevenness.
    xyz = fields(scattered(0.0))
    off = tuple(xyz_to_lab(lab_to_xyz(ONE) * np.array([1.03, 1.0, 0.97])))
    assert value_of(checked(xyz, finish=off)) < 0.1  # own tolerance
