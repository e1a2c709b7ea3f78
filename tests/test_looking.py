"""What a person looks at: single places, maps, the photo on a screen. Truth: our own phantoms'.

Tolerances are our own.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from staged import (
    CLEAN,
    FOX,
    GREEN,
    ONE_SPOT,
    box_outline,
    job_of,
    painted,
    rendered,
    scene,
    spot,
)

from fullhide.colour import delta_e00
from fullhide.engine import inspect_photo
from fullhide.job import Job
from fullhide.maps import surface_maps
from fullhide.opened import Prepared, open_entry, prepared
from fullhide.phantom import Scene, save_photo
from fullhide.phantom.scene import Chart
from fullhide.probe import Probe
from fullhide.shown import display


def ready(what: Scene, folder: Path, **asked) -> tuple[Prepared, Job]:
    shot = rendered(what)
    save_photo(shot, folder / "p.png")
    job = job_of(folder, [box_outline(shot.truth.region_px, name="seat")], **asked)
    entry = job.photos[0]
    return prepared(open_entry(job, entry), job, entry), job


#: Middle of the one spot, which lies 60 mm and 35 mm into a photo of 0.15 mm a pixel.
SPOT_PX = (400.0, 233.0)


def test_a_place_on_the_finish_is_the_finish(tmp_path: Path) -> None:
    place = Probe(*ready(CLEAN, tmp_path)).at(250.0, 200.0)
    assert place is not None
    # The grain's play and the light's falloff included: our own allowance.
    assert float(delta_e00(place.lab, FOX)) < 5.0
    assert place.delta_e == pytest.approx(float(delta_e00(place.lab, FOX)), abs=0.05)
    assert (place.region, place.against, place.calibrated) == ("seat", "fox brown", True)
    assert place.share == pytest.approx(0.0, abs=0.1)
    assert place.at_mm == pytest.approx((250 * 0.15, 200 * 0.15), rel=0.02)


def test_a_place_on_a_bare_spot_tells_the_colour_beneath(tmp_path: Path) -> None:
    place = Probe(*ready(ONE_SPOT, tmp_path)).at(*SPOT_PX)
    assert place is not None
    assert place.under == GREEN[0]
    assert place.share == pytest.approx(1.0, abs=0.15)
    assert place.delta_e is not None
    assert place.delta_e > 20


def test_a_share_that_shadow_could_be_is_not_told(tmp_path: Path) -> None:
    black = ("black", (20.0, 0.0, 0.0))
    place = Probe(*ready(CLEAN, tmp_path, under=[black])).at(*SPOT_PX)
    assert place is not None
    assert (place.under, place.share) == (None, None)


def test_without_a_finish_the_regions_own_colour_is_what_counts(tmp_path: Path) -> None:
    probe = Probe(*ready(ONE_SPOT, tmp_path, finish=None))
    inside, outside = probe.at(250.0, 200.0), probe.at(860.0, 690.0)
    assert inside is not None
    assert outside is not None
    assert inside.against == "the region's own colour"
    assert inside.delta_e is not None
    assert inside.delta_e < 4.0
    assert (outside.region, outside.delta_e, outside.against) == (None, None, None)


def test_without_a_chart_neither_millimetres_nor_measured_colours_are_claimed(
    tmp_path: Path,
) -> None:
    place = Probe(*ready(scene(chart=None), tmp_path)).at(250.0, 200.0)
    assert place is not None
    assert place.at_mm is None
    assert not place.calibrated


@pytest.mark.parametrize("at", [(-1.0, 5.0), (5.0, 720.0), (900.0, 5.0)])
def test_there_is_nothing_outside_the_photo(tmp_path: Path, at: tuple[float, float]) -> None:
    assert Probe(*ready(CLEAN, tmp_path)).at(*at) is None


def test_the_maps_show_the_spot_and_little_else(tmp_path: Path) -> None:
    maps = surface_maps(*ready(ONE_SPOT, tmp_path))
    x, y = (round(value / maps.factor) for value in SPOT_PX)
    assert maps.share[y, x] == pytest.approx(1.0, abs=0.15)
    inside = np.isfinite(maps.share)
    assert inside[70:400, 70:800].all()
    assert not inside[600:].any()
    assert float(np.quantile(maps.share[inside], 0.95)) < 0.1
    # Without shading the surface has one colour, and the spot the colour beneath.
    assert float(delta_e00(FOX, (38.0, -28.0, 9.0))) == pytest.approx(maps.delta_e[y, x], rel=0.15)
    assert float(np.median(maps.delta_e[inside])) < 2.0
    assert (maps.flat[..., 3] > 0).sum() == inside.sum()
    assert maps.flat[inside][:, :3].std(axis=0).max() < rendered_spread(tmp_path)


def rendered_spread(folder: Path) -> float:
    shown = display(open_entry(job := job_of(folder, []), job.photos[0]).photo)
    return float(shown[60:400, 60:800].reshape(-1, 3).std(axis=0).max())


def test_a_large_photo_makes_maps_that_a_screen_can_hold(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("fullhide.maps._MOST_PX", 50_000)
    maps = surface_maps(*ready(ONE_SPOT, tmp_path))
    assert maps.share.size <= 51_000
    x, y = (int(value / maps.factor) for value in SPOT_PX)
    assert np.nanmax(maps.share[y - 1 : y + 2, x - 1 : x + 2]) > 0.7


def test_drawing_maps_can_be_stopped(tmp_path: Path) -> None:
    def stop(done: int, whole: int) -> None:
        assert (done, whole) == (1, 1)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        surface_maps(*ready(ONE_SPOT, tmp_path), on_region=stop)


def test_a_photo_is_shown_in_srgb(tmp_path: Path) -> None:
    grey = np.linspace(0.0, 1.0, 300)[None].repeat(700, axis=0)
    photo = painted(tmp_path, grey)
    shown = display(photo)
    # The file's own codes of 16 bits, rounded to 8 (IEC 61966-2-1).
    assert np.abs(shown.astype(int) - np.round(photo.encoded / 257.0)).max() <= 1
    assert shown.shape == photo.encoded.shape
    save_photo(rendered(CLEAN), tmp_path / "p.png")


def test_one_region_judged_again_is_as_a_whole_inspection_would_have_it(tmp_path: Path) -> None:
    shot = rendered(scene(spots=(spot(), spot(at=(100.0, 40.0)))))
    save_photo(shot, tmp_path / "p.png")
    left = box_outline([(60, 60), (500, 60), (500, 420), (60, 420)], name="left")
    right = box_outline([(540, 60), (840, 60), (840, 420), (540, 420)], name="right")
    short = box_outline([(60, 60), (300, 60), (300, 420), (60, 420)], name="left")
    before = job_of(tmp_path, [left, right])
    after = job_of(tmp_path, [short, right])
    first = inspect_photo(before, before.photos[0])
    judged = dict(first.artifacts.judged)
    del judged["left"]
    seen: list[tuple[int, int]] = []
    again = inspect_photo(
        after,
        after.photos[0],
        opened=first.artifacts.opened,
        kept=judged,
        on_region=lambda done, whole: seen.append((done, whole)),
    )
    whole = inspect_photo(after, after.photos[0])
    assert seen == [(1, 1)]
    assert [len(region.findings) for region in first.result.regions] == [1, 1]
    assert again.result.regions[0] == whole.result.regions[0]
    assert [r.verdict for r in again.result.regions] == [r.verdict for r in whole.result.regions]
    np.testing.assert_array_equal(again.artifacts.label_map > 0, whole.artifacts.label_map > 0)


def test_a_chart_marked_after_the_photo_was_opened_is_read(tmp_path: Path) -> None:
    shot = rendered(scene(chart=Chart(centre_px=(450.0, 590.0), width_mm=55.0)))
    save_photo(shot, tmp_path / "p.png")
    seat = box_outline(shot.truth.region_px, name="seat")
    job = job_of(tmp_path, [seat])
    opened = open_entry(job, job.photos[0])
    corners = np.asarray(opened.reading.corners_px)
    marked = job_of(tmp_path, [seat, box_outline(corners, kind="chart", name="chart")])
    by_hand = prepared(opened, marked, marked.photos[0])
    assert by_hand.reading is not opened.reading
    assert by_hand.reading.found


def test_an_inspection_stops_where_it_is_told_to(tmp_path: Path) -> None:
    shot = rendered(CLEAN)
    save_photo(shot, tmp_path / "p.png")
    job = job_of(tmp_path, [box_outline(shot.truth.region_px)])

    def stop(done: int, whole: int) -> None:
        raise InterruptedError

    with pytest.raises(InterruptedError):
        inspect_photo(job, job.photos[0], on_region=stop)
