"""Match with a reference part: colour-science's and scikit-image's differences, its intervals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000
from staged import CLEAN, LEFT, RIGHT, inspected

from fullhide.checks.grade import grey_scale_grade
from fullhide.checks.match import Patch, difference, match, mean_patch
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.findings import reasons_of
from fullhide.job import Limits
from fullhide.wording import difference_reason

REFERENCE = (46.0, 21.0, 28.0)
labs = st.tuples(st.floats(15, 90), st.floats(-50, 50), st.floats(-50, 50))
few = settings(max_examples=12, deadline=None)


def patch(lab) -> Patch:
    return Patch(xyz=lab_to_xyz(lab))


def matched(lab, reference=REFERENCE, *, light_doubt: float = 0.005, limit: float = 2.0):
    return match(
        patch(lab),
        patch(reference),
        light_doubt=light_doubt,
        limits=Limits(match_delta_e=limit),
    )


@pytest.mark.parametrize("k_l", [1.0, 1.5])
def test_lightness_counts_as_the_job_asks_and_the_words_say_so(k_l: float) -> None:
    lab, limits = (60.0, 15.0, 20.0), Limits(match_k_l=k_l)
    outcome = match(patch(lab), patch(REFERENCE), light_doubt=0.005, limits=limits)
    measure = outcome.measures["match_delta_e"]
    expected = deltaE_ciede2000(np.array(REFERENCE), np.array(lab), kL=k_l)  # scikit-image
    assert measure.value == pytest.approx(float(expected), abs=1e-3)
    assert measure.unit == f"ΔE00, kL {k_l:g}"
    told = reasons_of(outcome, "fail", scaled=True, flat=True, airbag=False)
    how = "lightness in full" if k_l == 1.0 else "lightness over 1.5"
    assert any(f"ΔE with {how}, the limit is 2" in reason for reason in told)


@few
@given(lab=labs, reference=labs)
def test_the_difference_is_ciede2000_with_lightness_halved(lab, reference) -> None:
    # Where the hues are opposite the formula itself jumps (Sharma's pairs 13 to 15).
    hues = [np.degrees(np.arctan2(b, a * 1.5)) for _, a, b in (lab, reference)]
    assume(abs(abs(hues[0] - hues[1]) - 180) > 15)
    measure = matched(lab, reference).measures["match_delta_e"]
    expected = deltaE_ciede2000(np.array(reference), np.array(lab), kL=2)  # scikit-image
    assert measure.value == pytest.approx(float(expected), abs=1e-3)


@few
@given(lab=labs, reference=labs)
def test_the_parts_are_those_of_cie_1976(lab, reference) -> None:
    from fullhide._colour_science import colour

    (_, c1, h1), (_, c2, h2) = colour().models.Lab_to_LCHab([reference, lab])  # colour-science
    assume(min(c1, c2) > 1.0)
    measures = matched(lab, reference).measures
    found = [measures[f"match_d{name}"].value for name in "LabCH"]
    expected = np.subtract(lab, reference)
    assert found[:3] == pytest.approx(expected, abs=1e-3)
    assert found[3] == pytest.approx(c2 - c1, abs=1e-3)
    # ISO/CIE 11664-4: the squares of ΔL, ΔC and ΔH are that of ΔE*ab (here colour-science's).
    whole = colour().delta_E(np.array(reference), np.array(lab), method="CIE 1976")
    assert found[0] ** 2 + found[3] ** 2 + found[4] ** 2 == pytest.approx(whole**2, abs=1e-2)
    turn = (h2 - h1 + 180.0) % 360.0 - 180.0
    assume(0.5 < abs(turn) < 179.5)
    assert np.sign(found[4]) == np.sign(turn)


def test_the_doubt_of_the_light_enters_along_its_own_direction() -> None:
    # A relative doubt d of the light moves XYZ by d; its effect by scikit-image's formula.
    lab, doubt = np.array((50.0, 21.0, 28.0)), 0.06
    brighter = xyz_to_lab(lab_to_xyz(lab) * (1 + doubt))
    before = deltaE_ciede2000(np.array(REFERENCE), lab, kL=2)
    after = deltaE_ciede2000(np.array(REFERENCE), brighter, kL=2)
    least = matched(lab, light_doubt=0.0).measures["match_delta_e"].u
    expected = np.hypot(float(after - before), least)
    found = matched(lab, light_doubt=doubt).measures["match_delta_e"].u
    assert found == pytest.approx(expected, rel=0.1)  # own tolerance: a slope for a step


@pytest.mark.parametrize("lab", [REFERENCE, (47.0, 21.0, 28.0), (46.0, 30.0, 28.0), (60.0, 5, 5)])
@pytest.mark.parametrize("limit", [0.3, 2.0, 4.0])
def test_the_verdict_is_that_of_the_interval(lab, limit: float) -> None:
    outcome = matched(lab, limit=limit)
    low, high = (outcome.measures[f"match_at_{end}"].value for end in ("least", "most"))
    assert 0 <= low <= outcome.measures["match_delta_e"].value <= high
    expected = "pass" if high <= limit else "fail" if low >= limit else "retake"
    assert outcome.verdict == expected
    assert outcome.measures["match_delta_e"].limit == limit


def test_the_same_colour_matches_and_another_does_not() -> None:
    assert matched(REFERENCE).verdict == "pass"
    assert matched((38.0, -28.0, 9.0)).verdict == "fail"


def test_uncertain_light_settles_nothing_even_where_the_reading_is_nought() -> None:
    # The slope of a difference is nought at nought, which says nothing of what is not known.
    assert matched(REFERENCE, light_doubt=0.3).verdict == "retake"
    assert matched((48.0, 21.0, 28.0), light_doubt=0.0).verdict == "pass"
    assert matched((48.0, 21.0, 28.0), light_doubt=0.15).verdict == "retake"


@few
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


def test_of_two_equal_colours_a_reading_of_noise_is_no_difference() -> None:
    # STANDARDS of the project, 8.3: with equal colours and noise s on each axis, 95 % of the
    # readings lie below 2.795 s (chi distribution of three degrees: SciPy).
    from scipy.stats import chi

    spread, axis = 0.05, np.array((0.0, 0.0, 1.0))
    grey = np.array((50.0, 0.0, 0.0))
    # Near a grey of L* 50 the weights of ΔE00 are kL·SL = 2, SC = SH = 1, and a' is 1.5 a.
    covariance = spread**2 * np.diag((4.0, 1.0 / 1.5**2, 1.0))
    below, above = (chi.ppf(q, 3) * spread for q in (0.93, 0.97))
    assert difference(grey + below * axis, grey, covariance, confidence=0.95).at_least == 0.0
    assert difference(grey + above * axis, grey, covariance, confidence=0.95).at_least > 0.0


@pytest.mark.parametrize("true", [0.0, 3.0])
@pytest.mark.parametrize("spread", [(0.5, 0.5, 0.5), (1.5, 0.15, 0.15)])
def test_either_end_of_the_interval_holds_as_often_as_it_says(true, spread) -> None:
    # Our own draws; with 100 of them 95 % may come out as 88.5 % (three standard deviations).
    rng = np.random.default_rng(8)
    target, covariance = np.array(REFERENCE), np.diag(np.square(spread))
    low = high = 0
    for _ in range(100):
        way = rng.normal(size=3)
        lab = target + true * way / np.linalg.norm(way)
        truth = float(deltaE_ciede2000(target, lab, kL=2))
        read = rng.multivariate_normal(lab, covariance)
        found = difference(read, target, covariance, confidence=0.95)
        low += found.at_least <= truth + 1e-9
        high += found.at_most >= truth - 1e-9
    assert min(low, high) >= 0.885 * 100


def test_nothing_unknown_leaves_no_interval() -> None:
    found = difference(
        np.array((50.0, 2, 3)), np.array(REFERENCE), np.zeros((3, 3)), confidence=0.9
    )
    assert found.at_least == found.value == found.at_most
    assert found.u == 0.0


def test_references_that_differ_among_themselves_leave_doubt() -> None:
    alike = mean_patch([patch(REFERENCE), patch(REFERENCE)])
    apart = mean_patch([patch(REFERENCE), patch((50.0, 21.0, 28.0))])
    assert not alike.scatter.any()
    assert apart.scatter[1, 1] > 0
    assert alike.xyz == pytest.approx(lab_to_xyz(REFERENCE))


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ((2.0, 1.5, 0.1), "slightly redder and lighter than the reference part"),
        ((-8.0, 0.0, 0.0), "darker than the reference part"),
        ((0.0, -3.0, -2.5), "greener and bluer than the reference part"),
        ((0.0, 0.0, 9.0), "much yellower than the reference part"),
    ],
)
def test_the_words_name_what_stands_out(parts, says: str) -> None:
    assert difference_reason(parts, (0.2, 0.2, 0.2), k=1.645) == says


def test_no_direction_is_named_that_may_be_noise() -> None:
    told = difference_reason((1.0, -1.0, 1.0), (0.7, 0.7, 0.7), k=1.645)
    assert not any(word in told for word in ("lighter", "greener", "yellower"))


def test_an_inspection_tells_the_whole_of_the_match(tmp_path) -> None:
    region = inspected(CLEAN, tmp_path, outlines=[LEFT, RIGHT]).result.regions[0]
    names = list(region.measures)
    assert names.index("match_delta_e") < names.index("match_at_most") < names.index("match_dH")
    # Our own phantom: one finish on both halves.
    assert region.measures["match_at_least"].value == 0.0
    assert any("the reference part" in reason for reason in region.reasons)


@pytest.mark.parametrize(
    ("original", "lab", "grade"),
    [
        # STANDARDS of the project, 1.3: worked through there from the formula, part from memory.
        ((50, 0, 0), (51.7, 0, 0), 4.000),
        ((50, 0, 0), (53.4, 0, 0), 3.000),
        ((50, 0, 0), (56.8, 0, 0), 2.000),
        ((50, 0, 0), (50.8, 0, 0), 4.529),
        ((25, 2, 3), (27, 3, 5), 3.244),
        ((25, 2, 3), (31, 6, 12), 1.268),
        ((40, 20, 25), (42, 17, 22), 2.870),
        ((30, 5, -30), (32, 4, -26), 3.185),
        ((45, 55, 30), (47, 50, 29), 3.210),
    ],
)
def test_the_grade_is_that_of_the_worked_values(original, lab, grade: float) -> None:
    found = grey_scale_grade(np.array(lab, float), np.array(original, float))
    assert found == pytest.approx(grade, abs=0.001)
    measure = matched(lab, original).measures["match_grade"]
    assert measure.value == pytest.approx(grade, abs=0.001)
    assert measure.limit is None


def test_the_grade_is_the_same_across_the_red_axis_and_never_below_1() -> None:
    # Hues of 359 and 1 degrees are as near as 1 and 3: the geometry of the hue circle.
    one, two, three = (
        np.array((50.0, 20 * np.cos(h), 20 * np.sin(h))) for h in np.deg2rad([-1.0, 1.0, 3.0])
    )
    assert grey_scale_grade(one, two) == pytest.approx(grey_scale_grade(three, two), abs=1e-6)
    assert grey_scale_grade(np.array((90.0, 0, 0)), np.array((10.0, 0, 0))) == 1.0


@pytest.mark.parametrize("k_l", [1.0, 2.0])
def test_the_uncertainty_weighs_lightness_as_the_difference_does(k_l: float) -> None:
    # CIEDE2000, ISO/CIE 11664-6: at a mean L* of 50 S_L is 1, so ΔE00 is ΔL* over k_L.
    found = difference(
        np.array([51.0, 0.0, 0.0]),
        np.array([49.0, 0.0, 0.0]),
        0.01 * np.eye(3),
        confidence=0.95,
        k_l=k_l,
    )
    assert found.value == pytest.approx(2.0 / k_l, rel=1e-3)
    assert found.u == pytest.approx(0.1 / k_l, rel=0.01)
