"""Findings of several checks in one list, and the sentences on them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from staged import flat_view

from fullhide import wording
from fullhide.checks.outcome import Outcome, Spot
from fullhide.findings import findings_of, reasons_of
from fullhide.region import RegionView
from fullhide.result import Measure

SHAPE = (40, 60)


def view() -> RegionView:
    return replace(
        flat_view(np.ones((*SHAPE, 3)), mm_per_px=0.5), factor=1.0, box=(100, 200, 160, 240)
    )


def spot(kind: str, area: float, verdict="fail", under="old green") -> Spot:
    return Spot(
        kind=kind,
        under=under,
        area_mm2=area,
        area_u_mm2=0.1,
        delta_e=5.0,
        share=0.4,
        centre=(5.0, 5.0),
        verdict=verdict,
    )


def labelled(*boxes: tuple[int, int, int, int]) -> NDArray[np.uint16]:
    labels = np.zeros(SHAPE, np.uint16)
    for number, (x0, y0, x1, y1) in enumerate(boxes, 1):
        labels[y0:y1, x0:x1] = number
    return labels


SHOWN = Outcome(
    check="show_through",
    verdict="fail",
    spots=(spot("show_through", 4.0), spot("show_through", 60.0)),
    labels=labelled((2, 2, 6, 6), (10, 10, 25, 26)),
)
THIN = Outcome(
    check="thin_coat",
    verdict="fail",
    spots=(spot("thin_coat", 150.0),),
    labels=labelled((20, 5, 50, 35)),
)


def test_findings_of_all_checks_are_numbered_once_largest_first() -> None:
    findings, labels = findings_of([SHOWN, THIN], view(), scaled=True)
    assert [(f.id, f.kind, f.area_mm2) for f in findings] == [
        (1, "thin_coat", 150.0),
        (2, "show_through", 60.0),
        (3, "show_through", 4.0),
    ]
    assert labels is not None
    assert labels.shape == SHAPE
    assert labels[3, 3] == 3
    assert labels[30, 40] == 1


def test_where_two_checks_label_a_pixel_the_first_has_it() -> None:
    _, labels = findings_of([SHOWN, THIN], view(), scaled=True)
    assert labels is not None
    assert labels[15, 22] == 2
    _, labels = findings_of([THIN, SHOWN], view(), scaled=True)
    assert labels is not None
    assert labels[15, 22] == 1


def test_places_are_in_pixels_of_the_photo() -> None:
    (thin, _, _), _ = findings_of([THIN, SHOWN], view(), scaled=True)
    assert thin.box_px == (120, 205, 150, 235)
    assert thin.centre_px == (135.0, 220.0)


def test_without_a_scale_no_area_is_told() -> None:
    findings, _ = findings_of([SHOWN], view(), scaled=False)
    assert {f.area_mm2 for f in findings} == {None}


def test_nothing_found_is_an_empty_list() -> None:
    findings, labels = findings_of([Outcome(check="match", verdict="pass")], view(), scaled=True)
    assert findings == ()
    assert labels is None


def told(outcome: Outcome, *, airbag: bool = False) -> list[str]:
    return reasons_of(outcome, outcome.verdict, scaled=True, flat=True, airbag=airbag)


def test_a_thin_coat_asks_for_a_coat_and_a_spot_for_a_touch_up() -> None:
    (thin,), (shown,) = told(THIN), told(SHOWN)
    assert "spray another coat" in thin
    assert "150 mm²" in thin
    assert "touch up" in shown
    assert "coat" not in shown


@pytest.mark.parametrize("outcome", [SHOWN, THIN])
def test_no_work_is_advised_where_an_airbag_may_be(outcome: Outcome) -> None:
    (reason,) = told(outcome, airbag=True)
    assert wording.AIRBAG_REFER in reason
    assert "spray" not in reason
    assert "touch up" not in reason


def test_an_unsure_thin_coat_advises_nothing_yet() -> None:
    unsure = replace(THIN, verdict="retake", spots=(spot("thin_coat", 150.0, "retake"),))
    (reason,) = told(unsure)
    assert "may be thin" in reason
    assert "spray" not in reason


def test_each_colour_beneath_has_its_sentence() -> None:
    two = replace(SHOWN, spots=(spot("show_through", 4.0), spot("show_through", 9.0, under="red")))
    assert len(told(two)) == 2


def test_unevenness_is_told_before_its_stripes() -> None:
    uneven = Outcome(
        check="evenness",
        verdict="fail",
        reasons=("stripes",),
        measures={"uneven_delta_e": Measure(value=4.0, u=0.2, limit=2.0, unit="ΔE00")},
    )
    first, second = told(uneven)
    assert "uneven" in first
    assert second == "stripes"


@pytest.mark.parametrize(
    ("degrees", "way"),
    [
        (0.0, "from left to right"),
        (178.0, "from left to right"),
        (44.0, "from bottom left to top right"),
        (90.0, "up and down"),
        (130.0, "from top left to bottom right"),
    ],
)
def test_stripes_run_in_words(degrees: float, way: str) -> None:
    said = wording.bands_reason(59.6, degrees, 3.14, sure=True, airbag=False)
    assert said.startswith(f"stripes 60 mm apart, running {way}, 3.1 ΔE off the middle")
    assert "coat" in said
    unsure = wording.bands_reason(59.6, degrees, 3.14, sure=False, airbag=False)
    assert "coat" not in unsure
