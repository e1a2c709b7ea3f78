"""Where one photo's pixels lie in another: the truth is what we did to the photos ourselves."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from photo_files import png
from staged import CLEAN, SEAM, outlined_seam, painted, rendered

from fullhide._registration_tiles import detail, grid, matched
from fullhide.chart import ChartReading, chart_spec, find_chart
from fullhide.phantom import Leather, Scene
from fullhide.photo import Photo, open_photo
from fullhide.registration import Registration, chart_map, mapped, register, view_map

MM = CLEAN.mm_per_px
SPEC = chart_spec("after-2014", width_mm=55.0)
#: A pixel that the checks work at: two of these photos' (our own scale, `region.work_factor`).
VIEW_PX = 2.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("views")


@cache
def shot(scene: Scene, folder: Path) -> tuple[Photo, ChartReading]:
    return opened(np.asarray(rendered(scene).rgb), folder)


def opened(rgb: NDArray[Any], folder: Path) -> tuple[Photo, ChartReading]:
    path = folder / "view.png"
    path.write_bytes(png(rgb))
    photo = open_photo(path)
    return photo, find_chart(photo, spec=SPEC)


def region(scene: Scene) -> NDArray[np.float64]:
    return np.asarray(rendered(scene).truth.region_px, np.float64)


def laid(
    scene: Scene, other: tuple[Photo, ChartReading], folder: Path, *, charts: bool
) -> Registration:
    photo, reading = shot(scene, folder)
    return register(
        photo,
        other[0],
        region(scene),
        mm_per_px=MM,
        start=view_map(photo, other[0]),
        charts=chart_map(reading, other[1]) if charts else None,
    )


def errors(found: Registration, scene: Scene, truth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distances from where the region's points truly lie; `truth` maps photo px to photo px."""
    low, high = region(scene).min(axis=0), region(scene).max(axis=0)
    x, y = np.meshgrid(*(np.linspace(low[i] + 10, high[i] - 10, 9) for i in (0, 1)))
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    u, v = found.to_other(points[:, 0].astype(np.float32), points[:, 1].astype(np.float32))
    return np.asarray(np.linalg.norm(np.stack([u, v], axis=1) - mapped(truth, points), axis=1))


def moved_by(x: float, y: float) -> NDArray[np.float64]:
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]])


@pytest.mark.parametrize("charts", [True, False], ids=["by charts", "by the view"])
@pytest.mark.parametrize(
    ("turn", "shift", "grain"),
    [
        (60.0, (0.0, 0.0), "fine"),
        (-75.0, (11.5, -6.25), "fine"),
        (90.0, (-14.0, 9.0), "coarse"),
        (120.0, (5.5, 12.0), "fine"),
        (120.0, (-8.0, -3.5), "coarse"),
    ],
)
def test_the_same_view_is_found_whichever_way_the_lamp_went(
    folder: Path, turn: float, shift: tuple[float, float], grain: str, charts: bool
) -> None:
    scene = replace(CLEAN, leather=Leather(grain=grain, curvature_mm=2.0))
    other = shot(scene.lamp_moved(turn, shift_px=shift), folder)
    found = laid(scene, other, folder, charts=charts)
    assert found.found
    off = errors(found, scene, moved_by(*shift))
    # Tolerances of our own choosing. By the grain alone part of a pebble's flank may be missed; a
    # pixel of the view is 0.3 mm.
    assert np.median(off) < (1.0 if charts else 2.0 * VIEW_PX)
    assert off.max() < 4.0 * max(found.doubt_px, 0.4)
    assert np.hypot(found.shift_px[0] - shift[0], found.shift_px[1] - shift[1]) < (
        1.0 if charts else 2.0 * VIEW_PX
    )


def test_with_charts_the_middle_error_is_below_a_pixel_of_the_view(folder: Path) -> None:
    scene = CLEAN
    off = []
    for turn in (60.0, 90.0, 120.0):
        other = shot(scene.lamp_moved(turn, shift_px=(9.0, -7.5)), folder)
        off.append(errors(laid(scene, other, folder, charts=True), scene, moved_by(9.0, -7.5)))
    assert np.median(np.concatenate(off)) < VIEW_PX


@pytest.mark.parametrize(
    ("turn", "size", "lean"),
    [(1.0, 1.0, 0.0), (2.5, 1.03, 0.0), (-1.5, 0.97, 0.0), (0.5, 1.0, 2e-5)],
)
def test_a_camera_that_turned_or_came_nearer_is_followed(
    folder: Path, turn: float, size: float, lean: float
) -> None:
    rgb = np.asarray(rendered(CLEAN.lamp_moved(80.0)).rgb)
    height, width = rgb.shape[:2]
    a = np.radians(turn)
    about = np.array(
        [
            [size * np.cos(a), -size * np.sin(a), 0.0],
            [size * np.sin(a), size * np.cos(a), 0.0],
            [lean, -lean, 1.0],
        ]
    )
    truth = moved_by(width / 2, height / 2) @ about @ moved_by(-width / 2, -height / 2)
    # OpenCV counts from pixel centres, we from corners.
    cv = moved_by(-0.5, -0.5) @ truth @ moved_by(0.5, 0.5)
    turned = cv2.warpPerspective(
        rgb, cv, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    found = laid(CLEAN, opened(turned, folder), folder, charts=True)
    assert found.found
    assert np.median(errors(found, CLEAN, truth)) < VIEW_PX


def test_a_photo_laid_on_itself_does_not_move(folder: Path) -> None:
    found = laid(CLEAN, shot(CLEAN, folder), folder, charts=False)
    assert found.found
    assert errors(found, CLEAN, np.eye(3)).max() < 0.25


@pytest.mark.parametrize("charts", [True, False], ids=["by charts", "by the view"])
@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_another_part_in_the_same_place_is_refused(folder: Path, turn: float, charts: bool) -> None:
    """The same bench, chart and outline, but other grain: only the surface tells."""
    other = shot(replace(CLEAN, seed=77).lamp_moved(turn, shift_px=(3.0, 2.0)), folder)
    found = laid(CLEAN, other, folder, charts=charts)
    assert not found.found
    assert found.why


def test_a_chart_laid_elsewhere_does_not_lead_astray(folder: Path) -> None:
    """The chart moved by 25 px, the part did not: the surface is believed, or nothing."""
    assert CLEAN.chart is not None
    moved = replace(CLEAN, chart=replace(CLEAN.chart, centre_px=(475.0, 592.0)))
    found = laid(CLEAN, shot(moved.lamp_moved(60.0), folder), folder, charts=True)
    if found.found:
        assert np.median(errors(found, CLEAN, np.eye(3))) < 2.0 * VIEW_PX
    else:
        assert found.why


def test_nothing_to_see_is_nothing_to_match(tmp_path: Path) -> None:
    plain = painted(tmp_path, np.full((600, 800), 0.3))
    assert view_map(plain, plain) is None
    box = np.array([(50.0, 50.0), (750.0, 50.0), (750.0, 550.0), (50.0, 550.0)])
    assert not register(plain, plain, box, mm_per_px=0.2, start=np.eye(3)).found
    assert not register(plain, plain, box, mm_per_px=0.2).found


def test_the_blocks_of_two_jpegs_are_no_common_surface(tmp_path: Path) -> None:
    """Noise alone, coarsely coded: the blocks of 8 px lie alike in both."""
    photos = []
    for seed in (1, 2):
        rng = np.random.default_rng(seed)
        noise = np.clip(rng.normal(90, 14, (640, 900, 3)), 0, 255).astype(np.uint8)
        path = tmp_path / f"{seed}.jpg"
        cv2.imwrite(str(path), noise, [cv2.IMWRITE_JPEG_QUALITY, 60])
        photos.append(open_photo(path))
    box = np.array([(40.0, 40.0), (860.0, 40.0), (860.0, 600.0), (40.0, 600.0)])
    for mm_per_px in (0.25, 0.12):
        found = register(*photos, box, mm_per_px=mm_per_px, start=np.eye(3), charts=np.eye(3))
        assert not found.found


def test_a_seam_whose_dark_side_changed_over_stays_in_its_place(folder: Path) -> None:
    scene = replace(CLEAN, seams=(SEAM,))
    outline, _ = outlined_seam(rendered(scene))
    photo, reading = shot(scene, folder)
    other, second = shot(scene.lamp_moved(120.0, shift_px=(6.0, -4.0)), folder)
    found = register(
        photo,
        other,
        outline.polygon,
        mm_per_px=MM,
        start=view_map(photo, other),
        charts=chart_map(reading, second),
    )
    assert found.found
    assert np.hypot(found.shift_px[0] - 6.0, found.shift_px[1] + 4.0) < VIEW_PX


def test_charts_map_onto_each_other_only_where_both_were_found(folder: Path) -> None:
    _, reading = shot(CLEAN, folder)
    _, other = shot(CLEAN.lamp_moved(60.0, shift_px=(20.0, 10.0)), folder)
    found = chart_map(reading, other)
    assert found is not None
    # Truth: our own phantom's shift.
    np.testing.assert_allclose(
        mapped(found, reading.corners_px), reading.corners_px + np.array([20.0, 10.0]), atol=1.0
    )
    assert chart_map(reading, ChartReading(found=False)) is None
    assert chart_map(ChartReading(found=False), other) is None


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["as it is", "bright for dark"])
@pytest.mark.parametrize("shift", [(0, 0), (5, -3), (-9, 7)])
def test_tiles_match_whether_bright_stays_bright_or_turns_dark(
    sign: float, shift: tuple[int, int]
) -> None:
    rng = np.random.default_rng(5)
    first = cv2.GaussianBlur(rng.normal(size=(256, 256)).astype(np.float32), (0, 0), 2.0)
    second = sign * np.roll(first, (shift[1], shift[0]), axis=(0, 1))
    centres = grid((0, 0, 256, 256), 128, 64)
    found = matched(first, second, centres, centres, 128, factor=1, reach_px=16.0)
    assert len(found.sure) == 9
    assert found.sure.min() > 5.0
    np.testing.assert_allclose(found.moved - found.places, np.tile(shift, (9, 1)), atol=0.1)
    together, sure = found.together(np.ones(9, bool))
    assert sure > found.sure.max()
    np.testing.assert_allclose(together, shift, atol=0.1)


def test_a_straight_edge_alone_is_no_match() -> None:
    """It tells one direction only."""
    edge = np.zeros((256, 256), np.float32)
    edge[:, 120:] = 1.0
    centres = grid((0, 0, 256, 256), 128, 64)
    found = matched(edge, edge, centres, centres, 128, factor=1, reach_px=16.0)
    assert (found.sure == 0.0).all()


def test_detail_is_the_same_at_any_exposure_but_the_noise(folder: Path) -> None:
    photo, _ = shot(CLEAN, folder)
    fine = detail(photo, (100, 100, 400, 300), 2)
    assert fine.shape == (100, 150)
    assert np.abs(fine).max() <= 3.0
    assert abs(float(fine.mean())) < 0.1
