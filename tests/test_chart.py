"""The 24-patch chart: specification, finding, sampling, checks."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from chart_painter import (
    SRGB_TO_2020,
    Layout,
    Painted,
    Placement,
    background,
    encode,
    paint,
    srgb_of,
    to_working,
    warp_points,
)

from fullhide._colour_science import colour
from fullhide.chart import ChartReading, chart_spec, find_chart, fit_colour
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.errors import JobError
from fullhide.photo import open_photo
from fullhide.quality import FLAGS, blocking

SPEC = chart_spec(width_mm=205.0)
# Patches in the chart's order: 18 white, 23 black, 9 purple, 8 moderate red, 12 blue.


@pytest.fixture(scope="module")
def plain() -> Painted:
    return paint(SPEC.lab, Placement(0.3, 20, 20, 30), size=(1200, 900))


@pytest.fixture(scope="module")
def leather() -> np.ndarray:
    return background("leather", (1200, 900), np.random.default_rng(5))


def painted(leather: np.ndarray, placement: Placement, **more: object) -> Painted:
    return paint(SPEC.lab, placement, size=(1200, 900), base=leather, **more)  # type: ignore[arg-type]


def centre_error(reading: ChartReading, photo: Painted) -> float:
    """Largest distance of a patch centre from where it was painted, in pitches."""
    pitch = photo.width_px / photo.layout.size[0]
    return float(np.hypot(*(reading.centres_px - photo.centres).T).max() / pitch)


# ---- specification


@pytest.mark.parametrize(
    ("edition", "key"),
    [
        ("after-2014", "ColorChecker24 - After November 2014"),
        ("before-2014", "ColorChecker24 - Before November 2014"),
    ],
)
def test_edition_is_colour_sciences_own_table(edition: str, key: str) -> None:
    c = colour()
    chart = c.CCS_COLOURCHECKERS[key]  # source of the values: colour-science
    xyy = np.array(list(chart.data.values()))
    lab = c.XYZ_to_Lab(c.xyY_to_XYZ(xyy), chart.illuminant)
    np.testing.assert_allclose(chart_spec(edition).lab, lab, atol=1e-5)


def test_measured_values_replace_the_edition() -> None:
    lab = chart_spec("before-2014").lab + 0.25
    spec = chart_spec(lab=lab.tolist(), width_mm=100)
    assert spec.edition == "measured"
    np.testing.assert_array_equal(spec.lab, lab)
    assert not spec.lab.flags.writeable


@pytest.mark.parametrize(
    "wrong",
    [
        {"edition": "2014"},
        {"lab": [[50, 0, 0]] * 23},
        {"lab": [[50, 0]] * 24},
        {"lab": [[50, 0, math.nan]] * 24},
        {"lab": [[101, 0, 0]] * 24},
        {"lab": "grey"},
        {"width_mm": 0},
        {"width_mm": -3},
        {"width_mm": math.nan},
    ],
)
def test_wrong_specification_is_one_line(wrong: dict[str, object]) -> None:
    with pytest.raises(JobError) as error:
        chart_spec(**wrong)  # type: ignore[arg-type]
    assert "\n" not in str(error.value)


# ---- finding: rotation, tilt, size, place.  Truth: our own painter.


@pytest.mark.parametrize(
    "placement",
    [
        Placement(0.30, 0),
        Placement(0.30, 45),
        Placement(0.30, 90),
        Placement(0.30, 137),
        Placement(0.30, 180),
        Placement(0.30, 270),
        Placement(0.35, 10, 40, 0),
        Placement(0.35, 10, 40, 90),
        Placement(0.35, 60, 40, 45),
        Placement(0.35, 200, 50, 120),
        Placement(0.60, 5, 15, 60),
        Placement(0.12, 30, 25, 10),
        Placement(0.25, 100, 30, 0, (0.2, 0.75)),
        Placement(0.25, 300, 30, 45, (0.8, 0.25)),
    ],
    ids=lambda p: f"{p.width_share}-turn{p.turn}-tilt{p.tilt}-{p.tilt_axis}",
)
def test_chart_is_found_in_its_place_and_order(leather: np.ndarray, placement: Placement) -> None:
    photo = painted(leather, placement)
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert centre_error(reading, photo) < 0.05  # of a pitch; own tolerance
    pitch = photo.width_px / photo.layout.size[0]
    assert np.abs(reading.corners_px - photo.corners).max() < 0.08 * pitch + 1.0  # own tolerance
    assert set(reading.flags) <= {"chart_small"}
    # sRGB cannot hold the cyan patch (colour-science): its red is cut off at 0.
    outside = (srgb_of(SPEC.lab) < 0.0).any(axis=1)
    assert list(np.flatnonzero(outside)) == [17]
    assert reading.used[~outside].all()
    assert reading.bad == ()


@pytest.mark.parametrize(
    "layout",
    [
        Layout(0.07, 0.12, 0.12, 0.12),
        Layout(0.25, 0.6, 0.8, 0.3),
        Layout(0.12, 0.2, 0.2, 0.9, marks=False),
    ],
    ids=["thin", "wide", "foot"],
)
def test_any_border_and_gap_gives_the_right_scale(leather: np.ndarray, layout: Layout) -> None:
    photo = painted(leather, Placement(0.4, 8, 0), layout=layout)
    reading = find_chart(photo, spec=SPEC)
    assert reading.mm_per_px is not None
    assert reading.mm_per_px_u is not None
    assert reading.mm_per_px == pytest.approx(205.0 / photo.width_px, rel=0.004)  # own tolerance
    assert 0 < reading.mm_per_px_u < 0.02 * reading.mm_per_px


def test_small_chart_in_a_large_photo_is_found_and_flagged() -> None:
    photo = paint(SPEC.lab, Placement(0.05, 33, 20, 10, (0.7, 0.3)), size=(3200, 2400))
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert "chart_small" in reading.flags
    assert centre_error(reading, photo) < 0.08  # own tolerance


def test_too_small_a_chart_is_not_read(leather: np.ndarray) -> None:
    assert not find_chart(painted(leather, Placement(0.05, 12)), spec=SPEC).found


@pytest.mark.parametrize("edition", ["before-2014", "after-2014"])
def test_the_other_edition_is_found_with_its_own_values(leather: np.ndarray, edition: str) -> None:
    spec = chart_spec(edition, width_mm=205.0)
    photo = paint(spec.lab, Placement(0.3, 15), size=(1200, 900), base=leather)
    reading = find_chart(photo, spec=spec)
    assert reading.found
    other = chart_spec("after-2014" if edition == "before-2014" else "before-2014")
    right = fit_colour(reading, spec=spec).residual_delta_e
    assert right is not None
    assert right < (fit_colour(reading, spec=other).residual_delta_e or 0.0)


# ---- sampling


def test_patches_are_read_within_one_code(plain: Painted) -> None:
    reading = find_chart(plain, spec=SPEC)
    to_srgb = np.linalg.inv(to_working(np.eye(3, dtype=np.uint8)[None] * 255)[0].T.astype(float))
    seen, true = (
        encode((p @ to_srgb.T).astype(np.float32)).astype(int)
        for p in (reading.patches, plain.patches)
    )
    assert np.abs(seen - true).max() <= 1  # of 255: the issue's own figure
    assert (reading.patch_sd > 0).all()
    assert not reading.flags


def test_local_area_follows_the_tilt(plain: Painted) -> None:
    reading = find_chart(plain, spec=SPEC)
    # Numerically, from the painted plane: area of the board's corners over its px area.
    bw, bh = plain.layout.size
    unit = 205.0 / bw
    x, y = plain.corners.T
    px2 = abs(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
    mean = bw * unit * bh * unit / px2
    local = reading.local_mm2_per_px(plain.corners)
    assert local.min() < mean < local.max()
    centre = float(reading.local_mm2_per_px(plain.corners.mean(axis=0)))
    assert centre == pytest.approx(mean, rel=0.03)  # own tolerance: mean over the board
    assert reading.mm_per_px is not None
    assert reading.mm_per_px**2 < centre  # tilt: a px covers more than its straight-on share


def test_without_a_width_there_is_no_scale(plain: Painted) -> None:
    reading = find_chart(plain, spec=chart_spec())
    assert reading.found
    assert reading.mm_per_px is None
    assert np.isnan(reading.local_mm2_per_px(np.zeros((2, 2)))).all()


# ---- what is wrong with a chart


def test_mirrored_chart_is_flagged(leather: np.ndarray) -> None:
    photo = painted(leather, Placement(0.3, 20, mirrored=True))
    reading = find_chart(photo, spec=SPEC)
    assert "chart_mirrored" in reading.flags
    assert centre_error(reading, photo) < 0.05


@pytest.mark.parametrize("patch", range(0, 24, 5))
def test_covered_patch_is_named_and_left_out(leather: np.ndarray, patch: int) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), covered=(patch,)), spec=SPEC)
    assert reading.found
    assert "chart_covered" in reading.flags
    assert reading.bad == (patch,)
    assert not reading.used[patch]


def test_half_covered_patch_is_flagged(leather: np.ndarray) -> None:
    photo = painted(leather, Placement(0.35, 5), covered=(9,), cover_share=0.5)
    assert "chart_covered" in find_chart(photo, spec=SPEC).flags


def test_three_covered_patches_leave_a_good_fit(leather: np.ndarray) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), covered=(0, 7, 14)), spec=SPEC)
    assert reading.bad == (0, 7, 14)
    fit = fit_colour(reading, spec=SPEC)
    assert fit.residual_delta_e is not None
    assert fit.residual_delta_e < 1.5  # own tolerance


@pytest.mark.parametrize("patches", [tuple(range(6)), (0, 6, 12, 18, 1, 7, 13, 19)])
def test_largely_covered_chart_is_refused_with_the_reason(
    leather: np.ndarray, patches: tuple[int, ...]
) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), covered=patches), spec=SPEC)
    assert not reading.found
    assert reading.flags == ("no_chart", "chart_covered")


@pytest.mark.parametrize("strength", [0.15, 0.4])
def test_glare_is_flagged(leather: np.ndarray, strength: float) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), glare=((9,), strength)), spec=SPEC)
    assert "chart_glare" in reading.flags
    assert 9 in reading.bad


def test_burnt_white_alone_is_left_out_and_said(leather: np.ndarray) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), exposure=1.25), spec=SPEC)
    assert reading.flags == ("chart_part_clipped",)
    assert not reading.used[18]
    assert not blocking(reading.flags, "match")
    fit = fit_colour(reading, spec=SPEC)
    assert fit.residual_delta_e is not None
    assert fit.residual_delta_e < 1.0  # own tolerance: the others do without it


def test_several_burnt_patches_are_flagged_and_left_out(leather: np.ndarray) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), exposure=1.7), spec=SPEC)
    assert "chart_clipped" in reading.flags
    assert not reading.used[[15, 18, 19]].any()
    assert blocking(reading.flags, "match")


def dim(photo: Painted, blank: tuple[slice, slice], lab: np.ndarray) -> None:
    """Strong noise over a photo, and a smooth piece of leather of a known colour in it."""
    rng = np.random.default_rng(6)
    linear = cv2.transform(to_working(photo.encoded), np.linalg.inv(SRGB_TO_2020))
    linear[blank] = 0.6 * srgb_of(lab)
    noise = np.array([0.12, 0.06, 0.24]) * np.sqrt(np.maximum(linear, 0.0) + 0.05)
    grains = rng.standard_normal(linear.shape) * noise
    photo.encoded = encode((linear + grains).astype(np.float32))


@pytest.mark.parametrize("share", [0.3, 0.5])
def test_noise_beyond_the_patches_contrast_hides_no_chart(
    leather: np.ndarray, share: float
) -> None:
    photo = painted(leather, Placement(share, 5, 10), exposure=0.6, falloff=0.0)
    lab = np.array([36.0, 14.0, 20.0])
    place = (slice(30, 130), slice(30, 130))
    dim(photo, place, lab)
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert reading.flags == ()
    assert centre_error(reading, photo) < 0.05  # of a pitch; own tolerance
    assert np.abs(reading.patches - photo.recorded()).max() < 0.006  # own tolerance
    # Noise cut off at code 0 moves means: chart and leather alike, so the fit takes it out.
    seen = photo.linear((30, 30, 130, 130)).reshape(-1, 3).mean(axis=0)
    fit = fit_colour(reading, spec=SPEC)
    error = delta_e00(xyz_to_lab(np.asarray(fit.apply(seen), dtype=np.float64)), lab)
    assert float(error) < 1.5  # own tolerance


def test_underexposed_chart_is_still_read(leather: np.ndarray) -> None:
    reading = find_chart(painted(leather, Placement(0.35, 5), exposure=0.1), spec=SPEC)
    assert reading.found
    assert not reading.flags


@pytest.mark.parametrize("depth", [0.75, 0.5, 0.3])
@pytest.mark.parametrize("across", [0.0, 0.8, math.pi / 2])
def test_half_shaded_chart_is_refused_or_flagged(
    leather: np.ndarray, depth: float, across: float
) -> None:
    photo = painted(leather, Placement(0.35, 5))
    linear = to_working(photo.encoded)
    h, w = linear.shape[:2]
    yy, xx = np.mgrid[0:h, 0:w] - photo.corners.mean(axis=0)[::-1].reshape(2, 1, 1)
    shade = np.where(xx * np.cos(across) + yy * np.sin(across) > 0, depth, 1.0)
    to_srgb = np.linalg.inv(to_working(np.eye(3, dtype=np.uint8)[None] * 255)[0].T.astype(float))
    photo.encoded = encode(((linear * shade[..., None]) @ to_srgb.T).astype(np.float32))
    reading = find_chart(photo, spec=SPEC)
    assert not reading.found or "chart_doubtful" in reading.flags


def test_slow_falloff_is_taken_out(leather: np.ndarray) -> None:
    photo = painted(leather, Placement(0.5, 5), falloff=0.18)
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert reading.light[0] > 1.02 > 0.98 > reading.light[5]
    assert (fit_colour(reading, spec=SPEC).residual_delta_e or 9.0) < 1.0  # own tolerance


# ---- nothing there, or something else


@pytest.mark.parametrize("scene", ["leather", "tiles", "bright tiles", "keyboard", "quilt"])
def test_no_chart_is_an_empty_reading(scene: str) -> None:
    linear = background(scene, (1200, 900), np.random.default_rng(8)) * np.float32(0.7)
    photo = Painted(
        encode(linear), np.zeros((4, 2)), np.zeros((24, 2)), np.zeros((24, 3)), 0.0, Layout()
    )
    reading = find_chart(photo, spec=SPEC)
    assert not reading.found
    assert reading.flags == ("no_chart",)
    assert reading.mm_per_px is None
    assert fit_colour(reading, spec=SPEC).method == "uncalibrated"


@pytest.mark.parametrize("size", [(1, 1), (3, 2), (60, 4), (4, 900), (201, 153)])
@pytest.mark.parametrize("content", ["black", "white", "noise"])
def test_tiny_and_empty_photos_hold_no_chart(size: tuple[int, int], content: str) -> None:
    shape = (size[1], size[0], 3)
    picture = {
        "black": np.zeros(shape, np.uint8),
        "white": np.full(shape, 255, np.uint8),
        "noise": np.random.default_rng(1).integers(0, 255, shape, dtype=np.uint8),
    }[content]
    photo = Painted(picture, np.zeros((4, 2)), np.zeros((24, 2)), np.zeros((24, 3)), 0.0, Layout())
    assert not find_chart(photo, spec=SPEC).found


@pytest.mark.parametrize("kind", ["shuffled", "random", "grey", "grey row first"])
def test_board_of_other_colours_is_rejected(leather: np.ndarray, kind: str) -> None:
    rng = np.random.default_rng(11)
    lab = {
        "shuffled": rng.permutation(SPEC.lab),
        "grey row first": np.roll(SPEC.lab, 6, axis=0),
        "random": np.column_stack([rng.uniform(20, 90, 24), rng.uniform(-40, 40, (24, 2))]),
        "grey": np.column_stack([rng.uniform(20, 90, 24), np.zeros((24, 2))]),
    }[kind]
    photo = paint(lab, Placement(0.35, 5), size=(1200, 900), base=leather)
    assert not find_chart(photo, spec=SPEC).found


@pytest.mark.parametrize("scene", ["tiles", "keyboard", "quilt"])
def test_chart_is_found_amid_things_like_it(scene: str) -> None:
    photo = paint(SPEC.lab, Placement(0.3, 25, 20, 70), size=(1200, 900), scene=scene, seed=3)
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert centre_error(reading, photo) < 0.05


def test_of_two_charts_the_sound_one_is_taken() -> None:
    first = paint(SPEC.lab, Placement(0.3, 10, centre=(0.27, 0.4)), size=(1200, 900), covered=(8,))
    to_srgb = np.linalg.inv(to_working(np.eye(3, dtype=np.uint8)[None] * 255)[0].T.astype(float))
    base = (to_working(first.encoded) @ to_srgb.T).astype(np.float32)
    sound = paint(
        SPEC.lab,
        Placement(0.3, 95, centre=(0.75, 0.55)),
        size=(1200, 900),
        base=base,
        falloff=0,
    )
    reading = find_chart(sound, spec=SPEC)
    assert centre_error(reading, sound) < 0.05
    assert not reading.flags


def test_chart_cut_by_the_frame_is_not_read(leather: np.ndarray) -> None:
    assert not find_chart(painted(leather, Placement(0.4, 0, centre=(0.1, 0.5))), spec=SPEC).found


def test_hidden_board_edge_makes_the_scale_doubtful() -> None:
    photo = paint(
        SPEC.lab,
        Placement(0.4, 5),
        size=(1200, 900),
        base=np.full((900, 1200, 3), 0.035, np.float32),  # the board's own reflectance
        layout=Layout(marks=False),
    )
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert "scale_doubtful" in reading.flags
    assert reading.mm_per_px is not None
    assert reading.mm_per_px_u is not None
    error = abs(reading.mm_per_px - 205.0 / photo.width_px)
    assert error < 3 * reading.mm_per_px_u


# ---- corners marked by hand


def test_marks_are_refined_by_what_is_seen(plain: Painted) -> None:
    rough = plain.corners + np.random.default_rng(2).normal(0, 3.0, (4, 2))
    reading = find_chart(plain, spec=SPEC, corners_px=rough)
    assert reading.found
    assert reading.hand_marked
    assert centre_error(reading, plain) < 0.02
    assert np.abs(reading.corners_px - plain.corners).max() < 1.5  # px, own tolerance


@pytest.mark.parametrize(
    "spoilt",
    [{"blur": 9.0}, {"layout": Layout(gap=0.0)}],
    ids=["blurred", "patches without a gap"],
)
def test_marks_find_a_chart_that_is_not_found_alone(
    leather: np.ndarray, spoilt: dict[str, object]
) -> None:
    photo = painted(leather, Placement(0.35, 15), **spoilt)
    assert not find_chart(photo, spec=SPEC).found
    reading = find_chart(photo, spec=SPEC, corners_px=photo.corners)
    assert reading.found
    assert centre_error(reading, photo) < 0.1  # own tolerance


@pytest.mark.parametrize("roll", [1, 2, 3])
def test_marks_begun_at_another_corner_are_put_right_by_the_colours(
    plain: Painted, roll: int
) -> None:
    marks = np.roll(plain.corners, roll, axis=0)
    reading = find_chart(plain, spec=SPEC, corners_px=marks)
    assert reading.found
    assert np.abs(reading.corners_px - plain.corners).max() < 1.5


def test_marks_where_there_is_no_chart_are_refused(plain: Painted) -> None:
    marks = np.array([[20.0, 20], [260, 20], [260, 180], [20, 180]])
    reading = find_chart(plain, spec=SPEC, corners_px=marks)
    assert not reading.found
    assert "chart_doubtful" in reading.flags
    assert reading.mm_per_px is None


@pytest.mark.parametrize(
    "marks",
    [
        [[0, 0], [100, 0], [0, 100], [100, 100]],
        [[50, 50]] * 4,
        [[0, 0], [100, 0], [100, 100]],
        [[0, 0], [5000, 0], [5000, 100], [0, 100]],
        [[0, 0], [100, 0], [100, math.nan], [0, 100]],
    ],
    ids=["crossed", "one point", "three", "outside", "nan"],
)
def test_impossible_marks_are_one_line(plain: Painted, marks: list[list[float]]) -> None:
    with pytest.raises(JobError) as error:
        find_chart(plain, spec=SPEC, corners_px=np.array(marks))
    assert "\n" not in str(error.value)


# ---- whole


def test_a_jpeg_file_is_read_like_the_picture_it_was_made_from(
    plain: Painted, tmp_path: Path
) -> None:
    file = tmp_path / "chart.jpg"
    quality = [cv2.IMWRITE_JPEG_QUALITY, 92]
    assert cv2.imwrite(str(file), plain.encoded[..., ::-1], quality)
    photo = open_photo(file)
    reading = find_chart(photo, spec=SPEC)
    assert reading.found
    assert "chart_doubtful" not in reading.flags
    assert centre_error(reading, plain) < 0.02
    np.testing.assert_allclose(reading.patches, plain.recorded(), atol=0.008)  # own tolerance


def test_every_flag_raised_is_registered(leather: np.ndarray) -> None:
    spoilt = painted(
        leather, Placement(0.15, 5, mirrored=True), covered=(3,), glare=((9,), 0.3), exposure=1.2
    )
    reading = find_chart(spoilt, spec=SPEC)
    assert reading.flags
    assert set(reading.flags) <= set(FLAGS)


def test_homography_takes_board_millimetres_to_pixels(plain: Painted) -> None:
    reading = find_chart(plain, spec=SPEC)
    bw, bh = plain.layout.size
    board = np.array([[0, 0], [bw, 0], [bw, bh], [0, bh]]) * 205.0 / bw
    assert np.abs(warp_points(reading.homography, board) - plain.corners).max() < 1.5
