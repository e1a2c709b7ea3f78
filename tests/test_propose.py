"""A first outline where nobody drew one: the dyed surface, and nothing where there is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from shapely.geometry import Polygon as Shape
from staged import CHART_MM, painted, rendered, scene, spot

from fullhide.chart import chart_spec, find_chart, fit_colour
from fullhide.outlines import check_outline
from fullhide.phantom import Scene, save_photo
from fullhide.photo import Photo, open_photo
from fullhide.propose import propose_panel


def proposed(photo: Photo):
    spec = chart_spec("after-2014", width_mm=CHART_MM)
    reading = find_chart(photo, spec=spec)
    return propose_panel(photo, file="p.png", reading=reading, fit=fit_colour(reading, spec=spec))


def photographed(folder: Path, what: Scene) -> Photo:
    save_photo(rendered(what), folder / "p.png")
    return open_photo(folder / "p.png")


def overlap(one: NDArray[np.float64], other) -> float:
    a, b = Shape(one).buffer(0), Shape(other)
    return float(a.intersection(b).area / a.union(b).area)


SLANTED = ((60.0, 40.0), (860.0, 20.0), (800.0, 440.0), (120.0, 455.0))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"spots": (spot(), spot("white transition coat", (90.0, 40.0), area_mm2=40.0))},
        {"panel_px": SLANTED},
        {"finish": (74.0, 2.0, 17.0)},
        {"finish": (20.0, 0.5, -0.5), "chart": None},
    ],
    ids=["plain", "spotted", "slanted", "sand", "black without a chart"],
)
def test_the_dyed_surface_is_proposed(tmp_path: Path, changes: dict) -> None:
    what = scene(**changes)
    (outline,) = proposed(photographed(tmp_path, what))
    assert outline.kind == "panel"
    assert outline.properties["proposed"] is True
    # 0.8 is our own tolerance; truth is the phantom's outline.
    assert overlap(outline.polygon, rendered(what).truth.panel_px) >= 0.8


def test_a_proposal_is_an_outline_that_can_be_used(tmp_path: Path) -> None:
    photo = photographed(tmp_path, scene())
    (outline,) = proposed(photo)
    assert check_outline(outline, photo.size_px).photo == "p.png"
    assert not outline.polygon.flags.writeable


def test_the_chart_is_left_out(tmp_path: Path) -> None:
    what = scene()
    (outline,) = proposed(photographed(tmp_path, what))
    board = Shape(rendered(what).truth.chart_corners_px)
    assert Shape(outline.polygon).buffer(0).intersection(board).area < 0.01 * board.area


def test_a_shaded_surface_is_proposed_as_one(tmp_path: Path) -> None:
    picture = np.full((300, 400, 3), 0.35)
    light = np.linspace(1.0, 0.4, 300)[None, :, None]
    picture[50:250, 50:350] = np.array([0.2, 0.06, 0.04]) * light
    (outline,) = proposed(painted(tmp_path, picture))
    assert overlap(outline.polygon, [(50, 50), (350, 50), (350, 250), (50, 250)]) >= 0.8


def confetti(rng: np.random.Generator) -> NDArray[np.float64]:
    patches = rng.uniform(0.02, 0.9, (30, 40, 3))
    return np.kron(patches, np.ones((10, 10, 1)))


@pytest.mark.parametrize("seed", range(3))
def test_where_no_surface_stands_out_nothing_is_proposed(tmp_path: Path, seed: int) -> None:
    assert proposed(painted(tmp_path, confetti(np.random.default_rng(seed)))) == ()


@pytest.mark.parametrize("size", [(1, 1), (3, 40), (12, 12)])
def test_a_photo_too_tiny_for_a_surface_gets_no_proposal(tmp_path: Path, size) -> None:
    assert proposed(painted(tmp_path, np.full((*size, 3), 0.3))) == ()
