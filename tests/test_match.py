"""Match with a reference part: scikit-image's difference, the guarded rule of JCGM 106."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000

from fullhide.checks.match import WITHIN_PHOTO_DOUBT, match
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.job import Limits

REFERENCE = (46.0, 21.0, 28.0)
K = 1.6448536269514722  # one-sided normal quantile of 0.95, any table
labs = st.tuples(st.floats(15, 90), st.floats(-50, 50), st.floats(-50, 50))


def matched(lab, reference=REFERENCE, *, light_doubt: float = 0.005, limit: float = 2.0):
    return match(
        lab_to_xyz(lab),
        lab_to_xyz(reference),
        light_doubt=light_doubt,
        limits=Limits(match_delta_e=limit),
    )


@given(lab=labs, reference=labs)
def test_the_difference_is_ciede2000_with_lightness_halved(lab, reference) -> None:
    # Where the hues are opposite the formula itself jumps (Sharma's pairs 13 to 15).
    hues = [np.degrees(np.arctan2(b, a * 1.5)) for _, a, b in (lab, reference)]
    assume(abs(abs(hues[0] - hues[1]) - 180) > 15)
    measure = matched(lab, reference).measures["match_delta_e"]
    expected = deltaE_ciede2000(np.array(reference), np.array(lab), kL=2)  # scikit-image
    assert measure.value == pytest.approx(float(expected), abs=1e-3)


def test_the_doubt_of_the_light_enters_along_its_own_direction() -> None:
    # A relative doubt d of the light moves XYZ by d; its effect by scikit-image's formula.
    lab, doubt = np.array((50.0, 18.0, 25.0)), 0.02
    brighter = xyz_to_lab(lab_to_xyz(lab) * (1 + doubt))
    before = deltaE_ciede2000(np.array(REFERENCE), lab, kL=2)
    after = deltaE_ciede2000(np.array(REFERENCE), brighter, kL=2)
    expected = np.hypot(float(after - before), WITHIN_PHOTO_DOUBT)
    found = matched(lab, light_doubt=doubt).measures["match_delta_e"].u
    assert found == pytest.approx(expected, rel=0.05)  # own tolerance: a slope for a step


@pytest.mark.parametrize("lab", [REFERENCE, (47.0, 21.0, 28.0), (46.0, 30.0, 28.0), (60.0, 5, 5)])
@pytest.mark.parametrize("limit", [0.8, 2.0, 4.0])
def test_the_verdict_is_the_guarded_rule(lab, limit: float) -> None:
    outcome = matched(lab, limit=limit)
    measure = outcome.measures["match_delta_e"]
    # JCGM 106:2012, guarded acceptance and rejection.
    if measure.value + K * measure.u <= limit:
        expected = "pass"
    elif measure.value - K * measure.u >= limit:
        expected = "fail"
    else:
        expected = "retake"
    assert outcome.verdict == expected
    assert measure.limit == limit


def test_the_same_colour_matches_and_another_does_not() -> None:
    assert matched(REFERENCE).verdict == "pass"
    assert matched((38.0, -28.0, 9.0)).verdict == "fail"


def test_uncertain_light_settles_nothing_near_the_limit() -> None:
    near = (48.0, 21.0, 28.0)
    assert matched(near, light_doubt=0.0).verdict == "pass"
    assert matched(near, light_doubt=0.15).verdict == "retake"


@given(lab=labs, limit=st.floats(0.5, 10), more=st.floats(1, 3))
def test_a_larger_limit_never_makes_the_verdict_worse(lab, limit, more) -> None:
    order = ["fail", "retake", "pass"]
    strict = matched(lab, limit=limit).verdict
    loose = matched(lab, limit=limit * more).verdict
    assert order.index(loose) >= order.index(strict)


def test_the_direction_of_the_difference_does_not_matter() -> None:
    one = matched((50.0, 15.0, 20.0)).measures["match_delta_e"].value
    other = matched(REFERENCE, (50.0, 15.0, 20.0)).measures["match_delta_e"].value
    assert one == pytest.approx(other, abs=1e-9)
