"""The decision rule against the worked examples of JCGM 106 and the table of ISO 105-A02."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from fullhide.verdict import combine, conformance_probability, coverage_factor, decide


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95, 0.975, 0.99])
def test_coverage_factor_is_the_normal_quantile(confidence: float) -> None:
    assert coverage_factor(confidence) == pytest.approx(norm.ppf(confidence), abs=1e-9)  # SciPy


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "probability"),
    [
        # JCGM 106:2012 worked examples; inputs and results as in STANDARDS.md 8.2: calculated
        # there, the document's own roundings (0.66, 0.92, 0.90) from memory.
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.6626, id="oil viscosity"),
        pytest.param(-5.47, 0.05, float("-inf"), -5.40, 0.9192, id="Zener voltage"),
        pytest.param(1500.0, 0.12, 1499.8, 1500.2, 0.9044, id="resistor, prior"),
    ],
)
def test_conformance_probability_of_jcgm_106(
    value: float, u: float, lower: float, upper: float, probability: float
) -> None:
    found = conformance_probability(value, u, lower=lower, upper=upper)
    assert found == pytest.approx(probability, abs=5e-5)


@pytest.mark.parametrize(
    ("value", "verdict", "probability"),
    [
        # T = 2.0, u = 0.4, k = 1.645: the table of STANDARDS.md 8.2 (calculated there).
        (1.0, "pass", 0.9938),
        (1.2, "pass", 0.9772),
        (1.34, "pass", 0.9505),
        (1.5, "retake", 0.8944),
        (1.8, "retake", 0.6915),
        (2.0, "retake", 0.5000),
        (2.2, "retake", 0.3085),
        (2.66, "fail", 0.0495),
        (2.8, "fail", 0.0228),
        (3.0, "fail", 0.0062),
    ],
)
def test_guarded_rule_gives_the_table(value: float, verdict: str, probability: float) -> None:
    assert decide(value, 0.4, 2.0, k=1.645) == verdict
    assert conformance_probability(value, 0.4, upper=2.0) == pytest.approx(probability, abs=5e-5)


@given(st.floats(0, 10), st.floats(0.001, 3), st.floats(0.1, 10), st.floats(0.55, 0.999))
def test_a_pass_and_a_fail_are_always_proven(
    value: float, u: float, limit: float, confidence: float
) -> None:
    verdict = decide(value, u, limit, k=coverage_factor(confidence))
    inside = conformance_probability(value, u, upper=limit)
    if verdict == "pass":
        assert inside >= confidence - 1e-9
    elif verdict == "fail":
        assert inside <= 1 - confidence + 1e-9
    else:
        assert 1 - confidence - 1e-9 <= inside <= confidence + 1e-9


# ISO 105-A02:1993, CIELAB steps of the grey scale for change in colour and their tolerances.
A02 = [
    (0.8, 0.2),
    (1.7, 0.3),
    (2.5, 0.35),
    (3.4, 0.4),
    (4.8, 0.5),
    (6.8, 0.6),
    (9.6, 0.7),
    (13.6, 1.0),
]


@pytest.mark.parametrize(("step", "tolerance"), A02)
def test_neighbouring_grey_scale_steps_are_told_apart(step: float, tolerance: float) -> None:
    # A pair of chips at its step passes a limit at the next step's lower edge and fails one at
    # the last step's upper edge, measured within a third of the standard's own tolerance.
    u = tolerance / 3
    k = coverage_factor(0.95)
    assert decide(step, u, step + tolerance, k=k) == "pass"
    assert decide(step, u, step - tolerance, k=k) == "fail"
    assert decide(step, u, step, k=k) == "retake"


@pytest.mark.parametrize(
    ("parts", "whole"),
    [
        (["pass", "pass"], "pass"),
        (["pass", "retake"], "retake"),
        (["retake", "fail"], "fail"),
        (["pass", None], "pass"),
        ([None], "retake"),
        ([], "retake"),
    ],
)
def test_one_verdict_of_several(parts: list, whole: str) -> None:
    assert combine(parts) == whole
