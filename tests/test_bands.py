"""Stripes on painted panels: their period and direction are ours, the fit is the code's."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from fullhide.checks.bands import Bands, find_bands
from fullhide.checks.evenness import evenness
from fullhide.checks.texture import texture
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.job import Limits

FINISH = (46.0, 21.0, 28.0)
MM = 0.5
WIDTH_MM, HEIGHT_MM = 180.0, 140.0


def places() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Millimetres to the right and downwards."""
    x = (np.arange(int(WIDTH_MM / MM)) + 0.5) * MM
    y = (np.arange(int(HEIGHT_MM / MM)) + 0.5) * MM
    return x[None, :], y[:, None]


def striped(
    period_mm: float, along_deg: float, *, swing: float = 0.08, noise: float = 0.03, seed: int = 1
) -> NDArray[np.float32]:
    """A panel whose stripes run along a direction, 0 to the right, 90 up."""
    x, y = places()
    across = np.radians(along_deg - 90.0)
    wave = np.sin(2.0 * np.pi * (x * np.cos(across) - y * np.sin(across)) / period_mm + 0.7)
    rng = np.random.default_rng(seed)
    level = (1.0 + swing * wave)[..., None] * (1.0 + rng.normal(0.0, noise, (*wave.shape, 3)))
    return np.asarray(lab_to_xyz(FINISH) * level, np.float32)


def look_of(xyz: NDArray[np.float32], judged: NDArray[np.bool_] | None = None):
    inside = np.ones(xyz.shape[:2], bool) if judged is None else judged
    return texture(xyz, inside, finish=lab_to_xyz(FINISH), mm_per_px=MM, factor=5.0)


def bands_of(xyz: NDArray[np.float32], judged: NDArray[np.bool_] | None = None) -> Bands | None:
    return find_bands(look_of(xyz, judged))


def turned(one: float, other: float) -> float:
    """Angle between two directions, degrees."""
    return abs((one - other + 90.0) % 180.0 - 90.0)


@pytest.mark.parametrize("along", [0.0, 37.0, 90.0, 145.0])
@pytest.mark.parametrize("periods", [2.2, 3.5, 6.0])
def test_period_and_direction_are_recovered(along: float, periods: float) -> None:
    across = np.radians(along - 90.0)
    reach = abs(np.cos(across)) * WIDTH_MM + abs(np.sin(across)) * HEIGHT_MM
    found = bands_of(striped(reach / periods, along))
    assert found is not None
    # The issue's own goal for the period, the brief's for the direction.
    assert found.period_mm == pytest.approx(reach / periods, rel=0.05)
    assert turned(found.direction_deg, along) < 5.0


def test_the_swing_is_from_the_middle_to_a_stripe() -> None:
    n = lab_to_xyz(FINISH)
    expected = float(deltaE_ciede2000(np.array(FINISH), xyz_to_lab(1.08 * n)))  # scikit-image
    found = bands_of(striped(40.0, 90.0, noise=0.0))
    assert found is not None
    # Own tolerance: blocks of 2.5 mm flatten a wave of 40 mm by 0.6 %.
    assert found.swing == pytest.approx(expected, rel=0.05)


def test_stripes_of_colour_alone_are_found() -> None:
    xyz = striped(45.0, 20.0, swing=0.0)
    x, y = places()
    across = np.radians(20.0 - 90.0)
    wave = np.sin(2.0 * np.pi * (x * np.cos(across) - y * np.sin(across)) / 45.0)
    xyz *= 1.0 + wave[..., None] * np.array([0.02, 0.0, -0.05], np.float32)
    found = bands_of(xyz.astype(np.float32))
    assert found is not None
    assert found.period_mm == pytest.approx(45.0, rel=0.05)
    assert turned(found.direction_deg, 20.0) < 5.0


@pytest.mark.parametrize("spread", [0.0, 0.03, 0.2])
def test_a_clean_panel_has_none(spread: float) -> None:
    assert bands_of(striped(40.0, 0.0, swing=0.0, noise=spread)) is None


@pytest.mark.parametrize("strength", [0.1, 0.4])
def test_falling_light_is_no_band(strength: float) -> None:
    x, y = places()
    u, v = x / WIDTH_MM * 2 - 1, y / HEIGHT_MM * 2 - 1
    xyz = striped(40.0, 0.0, swing=0.0)
    for light in (np.exp(-strength * u), np.exp(-strength * (u * u + v * v)), 1 / (2 + u) ** 2):
        assert bands_of((xyz * light[..., None]).astype(np.float32)) is None


def test_one_broad_rise_is_no_band() -> None:
    x, y = places()
    rise = np.exp(-(((x - 0.5 * WIDTH_MM) / 25.0) ** 2)) * np.ones_like(y)
    xyz = striped(40.0, 0.0, swing=0.0) * (1.0 + 0.2 * rise[..., None])
    assert bands_of(xyz.astype(np.float32)) is None


def test_random_mottle_is_no_band() -> None:
    import cv2

    for seed in range(12):
        rng = np.random.default_rng(seed)
        cloud = cv2.GaussianBlur(
            rng.standard_normal((int(HEIGHT_MM / MM), int(WIDTH_MM / MM))), (0, 0), 8.0 / MM
        )
        xyz = striped(40.0, 0.0, swing=0.0) * (1.0 + 0.08 * cloud / cloud.std())[..., None]
        assert bands_of(xyz.astype(np.float32)) is None


def test_an_outline_of_any_shape_will_do() -> None:
    x, y = places()
    inside = ((x - 0.5 * WIDTH_MM) / 80.0) ** 2 + ((y - 0.5 * HEIGHT_MM) / 60.0) ** 2 < 1.0
    inside &= (x - 60.0) ** 2 + (y - 60.0) ** 2 > 15.0**2
    found = bands_of(striped(40.0, 60.0), inside)
    assert found is not None
    assert found.period_mm == pytest.approx(40.0, rel=0.05)
    assert turned(found.direction_deg, 60.0) < 5.0


def test_the_truth_lies_within_three_standard_uncertainties() -> None:
    for seed in range(6):
        found = bands_of(striped(47.0, 65.0, noise=0.15, seed=seed))
        assert found is not None
        assert abs(found.period_mm - 47.0) < 3.0 * found.period_u_mm
        assert turned(found.direction_deg, 65.0) < 3.0 * found.direction_u_deg


def test_uneven_stripes_are_told_in_plain_words() -> None:
    look = look_of(striped(40.0, 90.0, swing=0.2))
    asked = {"limits": Limits(), "light_doubt": 0.005, "flat": True}
    outcome = evenness(look, **asked)
    assert outcome.verdict == "fail"
    assert outcome.measures["band_period_mm"].value == pytest.approx(40.0, rel=0.05)
    assert outcome.measures["band_period_mm"].limit is None
    (told,) = outcome.reasons
    assert told.startswith("stripes 40 mm apart, running up and down")
    assert "coat" in told
    (held,) = evenness(look, airbag=True, **asked).reasons
    assert "coat" not in held
    assert "airbag technician" in held


def test_faint_stripes_are_measured_but_not_told_of() -> None:
    outcome = evenness(
        look_of(striped(40.0, 0.0, swing=0.04)), limits=Limits(), light_doubt=0.005, flat=True
    )
    assert outcome.verdict == "pass"
    assert outcome.measures["band_direction_deg"].value is not None
    assert outcome.reasons == ()
