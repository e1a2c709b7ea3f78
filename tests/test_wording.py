"""Reasons: plain words, no advice that a photo cannot carry, airbag parts left alone."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fullhide.job import Limits
from fullhide.quality import FLAGS
from fullhide.wording import (
    AIRBAG_NOTICE,
    SCOPE,
    evenness_reason,
    flag_reasons,
    match_reason,
    may_hold_airbag,
    passed_reason,
    size,
    spots_reason,
)

ADVICE = ("touch up", "coat", "spray", "dye it")


@pytest.mark.parametrize(
    "name",
    [
        "Steering wheel rim",
        "seat bolster, driver",
        "A-pillar left",
        "roof headliner",
        "AIRBAG cover",
        "air bag flap",
        "SRS panel",
        "dash, passenger side",
        "passenger dash",
        "dashboard, top, passenger's side",
        "passenger-side dash",
        "air-bag cover",
        "roof lining, left",
        "head_liner",
        "curtain strip",
    ],
)
def test_places_that_may_hold_an_airbag_are_known(name: str) -> None:
    assert may_hold_airbag(name)
    assert may_hold_airbag("panel", name)


@pytest.mark.parametrize("name", ["galley bench", "sofa arm", "berth cushion", "door card", ""])
def test_other_places_are_not(name: str) -> None:
    assert not may_hold_airbag(name, None)


@given(
    count=st.integers(1, 9),
    areas=st.lists(st.floats(0.1, 5000), min_size=9, max_size=9),
    scaled=st.booleans(),
    sure=st.booleans(),
)
def test_an_airbag_part_is_never_told_to_be_touched_up(count, areas, scaled, sure) -> None:
    spots = [(area if scaled else None, None) for area in areas[:count]]
    said = spots_reason("old green", spots, sure=sure, airbag=True).lower()
    assert not any(word in said for word in ADVICE)
    if sure:
        assert "qualified airbag technician" in said


def test_the_airbag_notice_forbids_and_names_who_may() -> None:
    for word in ("airbag", "tear seam", "do not refinish", "qualified person"):
        assert word in AIRBAG_NOTICE.lower()


@pytest.mark.parametrize(
    ("area", "said"),
    [(0.04, "0.0 mm²"), (0.96, "1.0 mm²"), (9.94, "9.9 mm²"), (14.4, "14 mm²"), (318.0, "320 mm²")],
)
def test_an_area_is_said_with_two_figures(area: float, said: str) -> None:
    assert size(area) == said


def test_spots_are_counted_and_the_largest_named() -> None:
    said = spots_reason(
        "old green", [(2.0, None), (14.0, None), (3.0, None)], sure=True, airbag=False
    )
    assert said.startswith("old green shows through at 3 places, the largest 14 mm²")
    assert "touch up" in said


def test_one_spot_on_a_seam_is_placed_along_it() -> None:
    said = spots_reason("old green", [(6.5, (31.2, 40.6))], sure=True, airbag=False)
    assert "at 1 place, 6.5 mm² from 31 to 41 mm along the seam" in said


def test_without_a_scale_no_area_is_said() -> None:
    assert "mm" not in spots_reason("old green", [(None, None)], sure=True, airbag=False)


def test_an_unsure_spot_is_not_claimed() -> None:
    said = spots_reason("old green", [(1.1, None)], sure=False, airbag=False)
    assert "may show through" in said
    assert "touch up" not in said


def test_a_pass_says_what_was_looked_for_and_where() -> None:
    said = passed_reason(Limits(show_through_mm2=1.5, show_through_delta_e=2.5), 0.98)
    for part in ("1.5 mm²", "2.5 ΔE", "98 %"):
        assert part in said


def test_evenness_and_match_name_value_and_limit() -> None:
    for verdict, flat in itertools.product(("fail", "retake"), (True, False)):
        said = evenness_reason(3.14, 2.0, verdict=verdict, flat=flat)
        assert "3.1 ΔE" in said
        assert "limit is 2" in said
    assert "grey_board" in evenness_reason(3.14, 2.0, verdict="retake", flat=False)
    assert "grey_board" not in evenness_reason(3.14, 2.0, verdict="retake", flat=True)
    for verdict in ("fail", "retake"):
        assert "2.7 ΔE" in match_reason(2.71, 2.0, verdict=verdict)


@pytest.mark.parametrize("name", FLAGS)
def test_a_flag_that_asks_for_a_photo_says_which(name: str) -> None:
    (flag,) = [flag for flag in FLAGS.values() if flag.name == name]
    said = flag_reasons([name])
    assert said == ([f"{flag.says}: {flag.settle}"] if flag.settle else [])
    assert all("\n" not in text for text in said)


@pytest.mark.parametrize("name", [name for name, flag in FLAGS.items() if flag.blocks])
def test_whatever_blocks_a_check_also_says_what_would_settle_it(name: str) -> None:
    assert FLAGS[name].settle


def test_flags_are_said_once_in_the_registrys_order() -> None:
    said = flag_reasons(["no_scale", "too_dark", "no_scale"])
    assert len(said) == 2
    assert "too dark" in said[0]


def test_the_scope_disclaims_what_a_photo_cannot_show() -> None:
    for word in ("adhesion", "fastness", "flammability", "airbag", "safety"):
        assert word in SCOPE
