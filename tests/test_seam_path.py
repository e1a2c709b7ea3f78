"""A seam from two clicks: the truth is our own phantoms', the tolerance the issue's 1.5 mm."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import LineString, Point
from staged import BOWED, SEAM, painted, rendered, scene

from fullhide.phantom import Seam, save_photo
from fullhide.photo import Photo, open_photo
from fullhide.seam import centre_line
from fullhide.seam_path import seam_band, seam_path

MM = 0.15
SEAMS = {
    "held open": SEAM,
    "bowed": BOWED,
    "closed": Seam((0.0, 32.0), (135.0, 40.0), bow_mm=4.0, width_mm=7.0),
    "upright": Seam((60.0, 0.0), (66.0, 75.0), bow_mm=-3.0, width_mm=5.0, opened=True),
    "stitched": Seam((0.0, 32.0), (135.0, 36.0), width_mm=7.0, opened=True, thread=(84, 1, 12)),
}


def shot(seam: Seam, folder: Path) -> tuple[Photo, np.ndarray, np.ndarray]:
    """A photo of a seam, its middle's points inside the panel, and the way across it."""
    save_photo(rendered(scene(seams=(seam,))), folder / "p.png")
    start, end = np.array(seam.start_mm), np.array(seam.end_mm)
    along = (end - start) / np.linalg.norm(end - start)
    left = np.array([along[1], -along[0]])
    t = np.linspace(0, 1, 2001)[:, None]
    middle = (start + (end - start) * t + left * 4 * seam.bow_mm * t * (1 - t)) / MM
    inside = np.all((middle > 40) & (middle < (860, 440)), axis=1)
    return open_photo(folder / "p.png"), middle[inside], left


@pytest.mark.parametrize("name", SEAMS)
def test_the_path_follows_the_seam_though_the_clicks_lie_beside_it(
    name: str, tmp_path: Path
) -> None:
    photo, middle, left = shot(SEAMS[name], tmp_path)
    truth = LineString(middle)
    for beside_mm in (0.0, 2.0, -3.0):
        ends = middle[[0, -1]] + left * beside_mm / MM
        path, width_px = seam_path(photo, tuple(ends[0]), tuple(ends[1]), mm_per_px=MM)
        # Beyond the clicks' own ends there is no truth to be held against.
        apart = [truth.distance(Point(point)) * MM for point in path[5:-5]]
        assert max(apart) < 1.5
        assert LineString(path).length == pytest.approx(truth.length, rel=0.03)
        assert width_px is not None
        # Rims are rounded: where one begins is told to a millimetre or two.
        assert width_px * MM == pytest.approx(SEAMS[name].width_mm, abs=2.0)


def test_the_path_runs_the_way_it_was_clicked(tmp_path: Path) -> None:
    photo, middle, _ = shot(BOWED, tmp_path)
    there = seam_path(photo, tuple(middle[0]), tuple(middle[-1]), mm_per_px=MM).line
    back = seam_path(photo, tuple(middle[-1]), tuple(middle[0]), mm_per_px=MM).line
    assert np.linalg.norm(there[0] - middle[0]) < np.linalg.norm(there[0] - middle[-1])
    apart = [LineString(there).distance(Point(point)) * MM for point in back]
    assert max(apart) < 0.5


def test_where_no_valley_is_to_be_seen_the_way_is_straight(tmp_path: Path) -> None:
    photo = painted(tmp_path, np.full((300, 400), 0.2))
    path, width_px = seam_path(photo, (50.0, 150.0), (350.0, 160.0), mm_per_px=0.3)
    assert width_px is None
    straight = LineString([(50, 150), (350, 160)])
    assert max(straight.distance(Point(point)) for point in path) < 0.01


@pytest.mark.parametrize("scale", [None, 0.05, 1.0])
@pytest.mark.parametrize(
    ("start", "end"),
    [((-20.0, -5.0), (500.0, 400.0)), ((10.0, 10.0), (10.0, 10.0)), ((0.0, 299.9), (399.9, 0.0))],
)
def test_any_two_places_and_any_scale_give_a_path_within_the_photo(
    tmp_path: Path, start: tuple[float, float], end: tuple[float, float], scale: float | None
) -> None:
    noise = np.random.default_rng(5).uniform(0.1, 0.3, (300, 400))
    photo = painted(tmp_path, noise)
    path = seam_path(photo, start, end, mm_per_px=scale).line
    assert len(path) >= 2
    assert np.isfinite(path).all()
    assert (path >= 0).all()
    assert (path <= (400, 300)).all()


def test_a_band_begins_where_the_path_does_and_has_its_width() -> None:
    t = np.linspace(0.0, 1.0, 200)[:, None]
    path = np.array([100.0, 200.0]) + t * (700.0, 0.0) + 4 * t * (1 - t) * (0.0, 60.0)
    band = seam_band(path, width_px=40.0, size_px=(1000, 500))
    line, half_px = centre_line(band, step_px=2.0)
    assert 2 * half_px == pytest.approx(40.0, abs=4.0)
    assert np.linalg.norm(line[0] - path[0]) < 25.0
    truth = LineString(path)
    assert np.median([truth.distance(Point(point)) for point in line]) < 2.0
    assert len(band) < 80


def test_a_band_ends_at_the_photos_edge() -> None:
    path = np.array([[50.0, 50.0], [150.0, 50.0]])
    band = seam_band(path, width_px=30.0, size_px=(100, 60))
    assert (band >= 0).all()
    assert (band <= (100, 60)).all()
    assert seam_band(path + 500, width_px=30.0, size_px=(100, 60)).size == 0
