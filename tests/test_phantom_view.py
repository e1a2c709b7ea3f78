"""A camera at an angle: where places of the part land in the photo, and the truth with them.

The reference for the projection is OpenCV's own camera model; truth otherwise is our own.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from staged import CHART_MM, CLEAN, rendered, scene, spot

from fullhide.chart import chart_spec, find_chart
from fullhide.errors import FullhideError
from fullhide.phantom import Leather, Scene, View, render, save_photo
from fullhide.phantom._view import seen
from fullhide.photo import open_photo

FLAT = Scene(size_px=(400, 300), mm_per_px=0.5, leather=Leather(curvature_mm=0.0), chart=None)
ROUND = replace(FLAT, leather=Leather(curvature_mm=9.0))
PLACES = np.array([(x, y) for x in (30.0, 90.0, 170.0) for y in (25.0, 70.0, 120.0)])

tilts = st.floats(0, 45)
angles = st.floats(0, 360)


@settings(max_examples=25, deadline=None)
@given(tilts, angles, st.floats(-180, 180), st.floats(0.8, 1.3))
def test_a_place_found_in_the_photo_is_where_it_was_on_the_part(tilt, towards, turn, far) -> None:
    view = seen(replace(ROUND, view=View(tilt, towards, turn, far)))
    assert view is not None
    np.testing.assert_allclose(view.to_mm(view.of_mm(PLACES)), PLACES, atol=1e-4)
    flat = PLACES / ROUND.mm_per_px
    np.testing.assert_allclose(view.to_photo(flat), view.of_mm(PLACES), atol=1e-9)


@pytest.mark.parametrize("what", [FLAT, ROUND], ids=["flat", "cushion"])
@pytest.mark.parametrize("tilt", [0.0, 25.0, 45.0])
def test_places_land_where_opencv_puts_them(what: Scene, tilt: float) -> None:
    view = seen(replace(what, view=View(tilt, 70.0, 30.0, 1.2)))
    assert view is not None
    # Height counts upwards here and away from the camera there.
    turn = view._axes * (1.0, 1.0, -1.0)
    height = view.height_mm(PLACES[:, 0], PLACES[:, 1])
    shift = -turn @ (view._camera * (1.0, 1.0, -1.0))
    middle = (0.5 * what.size_px[0], 0.5 * what.size_px[1])
    lens = np.array([[view._focal, 0, middle[0]], [0, view._focal, middle[1]], [0, 0, 1.0]])
    points = np.column_stack([PLACES, -height])
    expected, _ = cv2.projectPoints(points, cv2.Rodrigues(turn)[0], shift, lens, np.zeros(5))
    np.testing.assert_allclose(view.of_mm(PLACES), expected[:, 0], atol=1e-6)


def test_from_straight_above_at_the_usual_distance_nothing_moves() -> None:
    view = seen(replace(FLAT, view=View()))
    assert view is not None
    np.testing.assert_allclose(view.of_mm(PLACES), PLACES / FLAT.mm_per_px, atol=1e-9)
    assert seen(FLAT) is None


def test_twice_as_far_everything_is_half_as_large() -> None:
    near, far = (seen(replace(FLAT, view=View(distance=d))) for d in (1.0, 2.0))
    assert near is not None
    assert far is not None
    a, b = near.of_mm(PLACES), far.of_mm(PLACES)
    np.testing.assert_allclose(np.ptp(a, axis=0), 2.0 * np.ptp(b, axis=0))
    assert far.mm_per_px == 2.0 * near.mm_per_px


def test_the_photo_shows_a_spot_where_the_truth_says() -> None:
    view = View(tilt_deg=25.0, towards_deg=40.0, turn_deg=12.0, distance=1.1)
    bare = replace(CLEAN, view=view)
    spotted = replace(bare, spots=(spot(area_mm2=60.0),))
    truth = rendered(spotted).truth
    change = np.abs(rendered(spotted).rgb.astype(int) - rendered(bare).rgb.astype(int)).sum(axis=2)
    y, x = np.nonzero(change > 60)
    centre = np.array([x.mean() + 0.5, y.mean() + 0.5])
    assert np.linalg.norm(centre - truth.spots[0].centre_px) < 1.5  # pixels, our own tolerance
    inside = truth.labels == 1
    assert (inside & (change > 30)).sum() > 0.9 * inside.sum()
    x0, y0, x1, y1 = truth.spots[0].box_px
    assert not np.delete(np.delete(inside, np.s_[y0:y1], axis=0), np.s_[x0:x1], axis=1).any()
    # What is seen from the side takes fewer pixels; on the part it is as large as before.
    pixel = truth.mm_per_px**2 / np.cos(np.deg2rad(25.0))
    assert inside.sum() * pixel == pytest.approx(truth.spots[0].area_mm2, rel=0.08)


def test_the_chart_is_read_where_the_truth_says(tmp_path) -> None:
    view = View(tilt_deg=20.0, towards_deg=200.0, turn_deg=-20.0, distance=1.25)
    what = scene(size_px=(900, 900), view=view)
    save_photo(rendered(what), tmp_path / "p.png")
    reading = find_chart(
        open_photo(tmp_path / "p.png"), spec=chart_spec("after-2014", width_mm=CHART_MM)
    )
    assert reading.found
    off = reading.corners_px - rendered(what).truth.chart_corners_px
    assert np.linalg.norm(off, axis=1).max() < 2.5  # pixels, our own tolerance


def test_another_bench_is_another_bench_about_the_same_part() -> None:
    first, second = (
        replace(FLAT, size_px=(320, 240), surround="cluttered", surround_seed=seed,
                panel_px=((80, 60), (240, 60), (240, 180), (80, 180)))
        for seed in (1, 2)
    )  # fmt: skip
    a, b = render(first), render(second)
    assert np.abs(a.rgb.astype(int) - b.rgb.astype(int))[:40].mean() > 10
    np.testing.assert_array_equal(a.truth.shading, b.truth.shading)


@pytest.mark.parametrize("view", [View(tilt_deg=80.0), View(tilt_deg=-1.0), View(distance=0.1)])
def test_a_view_that_cannot_be_is_one_line(view: View) -> None:
    with pytest.raises(FullhideError, match="view is out of range"):
        render(replace(FLAT, view=view))
