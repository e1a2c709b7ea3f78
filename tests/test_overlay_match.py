"""A match in the overlay's strip."""

from __future__ import annotations

import numpy as np
import pytest

from fullhide._colour_science import colour
from fullhide._overlay_match import draw_match
from fullhide.checks.match import Patch, match
from fullhide.colour import lab_to_xyz
from fullhide.job import Limits

UNIT, WIDTH, MARGIN = 3.0, 1080, 8.0
REFERENCE, PANEL = (46.0, 21.0, 28.0), (49.0, 19.0, 26.0)


def measures(panel=PANEL, limit: float = 2.0):
    patches = (Patch(xyz=lab_to_xyz(lab)) for lab in (panel, REFERENCE))
    return match(*patches, light_doubt=0.01, limits=Limits(match_delta_e=limit)).measures


def strip(found) -> np.ndarray:
    row = draw_match(found, width=WIDTH, unit=UNIT, margin=MARGIN)
    assert row is not None
    return row


def srgb(lab) -> np.ndarray:
    """By colour-science, 8 bits."""
    science = colour()
    white = science.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    xyz = science.Lab_to_XYZ(np.array(lab), white)
    rgb = science.XYZ_to_RGB(xyz, "sRGB", white, apply_cctf_encoding=True)
    return np.round(255.0 * np.clip(rgb, 0.0, 1.0))


def test_the_fields_are_the_two_colours_side_by_side() -> None:
    row = strip(measures())
    y = round(13 * UNIT)
    for x, lab in ((MARGIN + 22, REFERENCE), (MARGIN + 66, PANEL)):
        # A code for rounding, a second one for its white and the adaptation (own tolerance).
        np.testing.assert_allclose(row[y, round(x * UNIT)], srgb(lab), atol=2)
    edge = round((MARGIN + 44) * UNIT)
    assert (row[y, edge - 2] != row[y, edge + 2]).any()


@pytest.mark.parametrize("limit", [0.5, 2.0, 8.0])
def test_the_bar_lies_beyond_the_limits_line_as_the_difference_does(limit: float) -> None:
    found = measures(limit=limit)
    row = strip(found)[:, round(112 * UNIT) :].astype(int)
    dark = (row < 60).all(axis=-1)
    # Above the bar only the limit's line is dark; at the bar's own rim only the bar, dot and line.
    line = np.nonzero(dark[round(5 * UNIT)])[0].mean()
    bar = np.nonzero(dark[round(13 * UNIT) - 4])[0]
    bar = bar[np.abs(bar - line) > 2 * UNIT]
    ends = (found[f"match_at_{end}"].value for end in ("least", "most"))
    per_delta_e = line / limit
    for seen, value in zip((bar.min(), bar.max()), ends, strict=True):
        if abs(value - limit) * per_delta_e > 3 * UNIT:  # else the line's own edge
            assert (seen > line) == (value > limit)
            assert seen == pytest.approx(value * per_delta_e, abs=3 * UNIT)


def test_without_a_reading_there_is_nothing_to_draw() -> None:
    found = dict(measures())
    for name in ("match_L", "match_delta_e", "match_at_most"):
        rest = {key: value for key, value in found.items() if key != name}
        assert draw_match(rest, width=WIDTH, unit=UNIT, margin=MARGIN) is None
    assert draw_match({}, width=WIDTH, unit=UNIT, margin=MARGIN) is None
