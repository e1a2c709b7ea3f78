"""Laws that a rendered photograph must obey; truth here is our own, by construction."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fullhide._colour_science import colour
from fullhide.errors import FullhideError
from fullhide.phantom import (
    Bands,
    Camera,
    Chart,
    Distractor,
    Film,
    Gap,
    Lamp,
    Leather,
    Light,
    Mottle,
    Rendering,
    Scene,
    Seam,
    Spot,
    Thin,
    render,
)
from fullhide.phantom import _spectra as spectra
from fullhide.phantom._board import patch_centres
from fullhide.phantom._materials import Materials

# A camera that adds nothing of its own and writes 16 bits.
PLAIN = Camera(sensor="ideal", blur_px=0, noise=0, flare=0, sharpen=0, bits=16)
FAR = tuple(Lamp(azimuth_deg=a, weight=0.5, distance_mm=1e7) for a in (160.0, 20.0))
EVEN = Light(name="D50", lamps=FAR, falloff=0.0)
SMALL = Scene(size_px=(420, 320), mm_per_px=0.5, camera=PLAIN, light=EVEN, chart=None, seed=4)
GREEN = "old green"
WHITE = "white transition coat"


@cache
def rendered(scene: Scene) -> Rendering:
    return render(scene)


def linear(rendering: Rendering) -> np.ndarray:
    """Linear light by colour-science's sRGB curve, divided by the exposure."""
    rgb = rendering.rgb
    coded = rgb.astype(np.float64) / np.iinfo(rgb.dtype).max
    decoded = colour().models.eotf_sRGB(coded)
    return np.asarray(decoded) / rendering.scene.camera.exposure


def test_the_same_scene_gives_the_same_bytes() -> None:
    scene = replace(SMALL, camera=Camera(), spots=(Spot(GREEN, (60, 60)),), mottle=(Mottle(),))
    a, b = render(scene), render(scene)
    assert a.rgb.tobytes() == b.rgb.tobytes()
    assert a.truth.spots == b.truth.spots


@pytest.mark.parametrize("change", [{"seed": 5}, {"shot": 1}])
def test_another_seed_or_shot_gives_another_picture(change: dict[str, int]) -> None:
    scene = replace(SMALL, camera=Camera())
    assert (rendered(scene).rgb != rendered(replace(scene, **change)).rgb).any()


def test_every_pixel_is_shaded_finish_and_colour_beneath_plus_highlight() -> None:
    scene = replace(
        SMALL,
        spots=(
            Spot(GREEN, (60.0, 50.0), 150.0, "round", softness_mm=8.0, share=0.9),
            Spot(GREEN, (130.0, 90.0), 60.0, share=0.5),
        ),
    )
    got = rendered(scene)
    truth = got.truth
    m = Materials(scene)
    n, u = m.camera(m.finish), m.camera(m.named(GREEN))
    mixing = np.stack([n, u, np.ones(3)], axis=1).astype(np.float64)
    inside = truth.panel & (linear(got).max(axis=2) < 0.99 / PLAIN.exposure)
    inside[:20], inside[-20:], inside[:, :20], inside[:, -20:] = False, False, False, False
    solved = np.linalg.solve(mixing, linear(got)[inside].T)
    shade = solved[0] + solved[1]
    share = solved[1] / shade
    # Our own tolerances: 16-bit steps and the table of the tone curve through a system of
    # condition number about 30.
    np.testing.assert_allclose(share, truth.shares[GREEN][inside], atol=4e-3)
    np.testing.assert_allclose(shade, truth.shading[inside], atol=4e-3)
    np.testing.assert_allclose(solved[2], truth.highlight[inside], atol=1e-3)
    assert truth.shares[GREEN].max() == pytest.approx(0.9, abs=1e-5)


def test_twice_the_exposure_gives_twice_the_light() -> None:
    def values(exposure: float) -> np.ndarray:
        scene = replace(SMALL, camera=replace(PLAIN, exposure=exposure))
        return linear(rendered(scene)) * exposure

    dim, bright = values(0.3), values(0.6)
    # 16-bit steps at both ends and the tone curve's table: our own tolerance.
    np.testing.assert_allclose(bright, 2 * dim, atol=2e-4)


def test_the_camera_clips_at_full_scale() -> None:
    over = rendered(replace(SMALL, camera=replace(PLAIN, exposure=8.0)))
    assert over.rgb[160, 210].tolist()[0] == 65535


@pytest.mark.parametrize(
    ("light", "tolerance"),
    [
        # Under the reference light the chart must show its edition's Lab: 0.15 CIEDE2000 is
        # our own tolerance for 16 bits and for averaging over a patch.
        ("D50", 0.15),
        # Under D65 colours move a little even for a perfect observer adapted by Bradford:
        # 1.6 is our own bound for the worst patch.
        ("D65", 1.6),
    ],
)
@pytest.mark.parametrize("edition", ["after-2014", "before-2014"])
def test_chart_patches_have_the_editions_colour(light: str, tolerance: float, edition: str) -> None:
    scene = replace(
        SMALL,
        chart=Chart(edition=edition, rotation_deg=20.0, centre_px=(250.0, 160.0), width_mm=120),
        light=replace(EVEN, name=light),
        # Wide enough to hold the cyan patch, which sRGB is not.
        camera=replace(PLAIN, profile="adobe-rgb"),
    )
    got = rendered(scene)
    assert got.truth.chart_corners_px is not None
    places = patch_places(got.truth.chart_corners_px)
    samples = np.stack(
        [got.rgb[y - 3 : y + 4, x - 3 : x + 4].reshape(-1, 3).mean(axis=0) for x, y in places]
    )
    library = colour()
    space = library.RGB_COLOURSPACES["Adobe RGB (1998)"]
    rgb = space.cctf_decoding(samples / 65535.0) / PLAIN.exposure
    d50 = spectra.WHITE_D50[:2] / spectra.WHITE_D50.sum()
    xyz = library.RGB_to_XYZ(rgb, space, d50, chromatic_adaptation_transform="Bradford")
    lab = library.XYZ_to_Lab(xyz, d50)
    difference = library.delta_E(lab, spectra.chart_lab(edition), method="CIE 2000")
    assert difference.max() < tolerance


def patch_places(corners: np.ndarray) -> np.ndarray:
    """Whole pixels at the middles of the patches of an untilted board."""
    origin, across, down = corners[0], corners[1] - corners[0], corners[3] - corners[0]
    c = patch_centres()
    return np.floor(origin + c[:, :1] * across + c[:, 1:] / 0.7 * down).astype(int)


def test_chart_corners_start_at_dark_skin_and_run_clockwise() -> None:
    for turn in (0.0, 75.0, 180.0):
        chart = Chart(rotation_deg=turn, centre_px=(210.0, 160.0))
        corners = rendered(replace(SMALL, chart=chart)).truth.chart_corners_px
        assert corners is not None
        a, b = corners[1] - corners[0], corners[2] - corners[1]
        assert a[0] * b[1] - a[1] * b[0] > 0  # clockwise with y down
        angle = np.rad2deg(np.arctan2(-a[1], a[0])) % 360
        assert angle == pytest.approx(turn, abs=1e-6)
        assert np.hypot(*a) == pytest.approx(chart.width_mm / 0.5, abs=1e-6)


def test_a_mirrored_chart_runs_the_other_way() -> None:
    chart = Chart(mirrored=True, centre_px=(210.0, 160.0))
    corners = rendered(replace(SMALL, chart=chart)).truth.chart_corners_px
    assert corners is not None
    a, b = corners[1] - corners[0], corners[2] - corners[1]
    assert a[0] * b[1] - a[1] * b[0] < 0


def test_a_tilted_chart_is_seen_in_perspective() -> None:
    chart = Chart(tilt_deg=40.0, tilt_axis_deg=90.0, centre_px=(210.0, 160.0))
    corners = rendered(replace(SMALL, chart=chart)).truth.chart_corners_px
    assert corners is not None
    left, right = (np.hypot(*(corners[a] - corners[b])) for a, b in ((0, 3), (1, 2)))
    assert abs(left - right) > 5
    width = np.hypot(*(corners[1] - corners[0]))
    assert width == pytest.approx(200 * np.cos(np.deg2rad(40)), rel=0.05)


@pytest.mark.parametrize("shape", ["round", "irregular", "elongated", "scratch"])
@pytest.mark.parametrize("mm_per_px", [0.12, 0.5])
@pytest.mark.parametrize("area", [1.0, 12.0])
def test_a_sharp_spot_has_the_area_asked_for(shape: str, mm_per_px: float, area: float) -> None:
    spot = Spot(GREEN, (24.3, 18.1), area, shape)
    scene = replace(SMALL, mm_per_px=mm_per_px, spots=(spot,), leather=Leather(grain="none"))
    covered = float(rendered(scene).truth.shares[GREEN].sum()) * mm_per_px**2
    # 3 %: our own tolerance for cells of at least a twelfth of the short half axis.
    assert covered == pytest.approx(area, rel=0.03)


@pytest.mark.parametrize("wanted", [2.0, 6.0, 15.0])
def test_a_spot_can_be_ordered_by_its_colour_difference(wanted: float) -> None:
    spot = Spot(GREEN, (100.0, 80.0), 60.0, "round", softness_mm=4.0, delta_e=wanted)
    truth = rendered(replace(SMALL, spots=(spot,))).truth
    assert truth.spots[0].peak_delta_e == pytest.approx(wanted, abs=0.05)
    m = Materials(SMALL)
    f = truth.spots[0].peak_share
    mixed = (1 - f) * m.finish + f * m.named(GREEN)
    library = colour()
    lab = spectra.lab_from_reflectance(np.stack([mixed, m.finish]))
    assert float(library.delta_E(lab[0], lab[1], method="CIE 2000")) == pytest.approx(
        wanted, abs=0.05
    )


def test_a_spot_below_the_threshold_has_no_true_area() -> None:
    spot = Spot(GREEN, (100.0, 80.0), 60.0, "round", delta_e=2.0)
    truth = rendered(replace(SMALL, spots=(spot,))).truth
    assert truth.spots[0].area_mm2 == 0.0
    assert truth.spots[0].mean_delta_e == 0.0


def test_overlapping_spots_never_show_more_than_all() -> None:
    spots = (Spot(GREEN, (100, 80), 300.0, "round"), Spot(WHITE, (105, 80), 300.0, "round"))
    shares = rendered(replace(SMALL, spots=spots)).truth.shares
    assert set(shares) == {GREEN, WHITE}
    assert (shares[GREEN] + shares[WHITE]).max() <= 1.0 + 1e-6
    assert shares[WHITE].max() > 0.9


def test_nothing_missed_is_an_empty_truth() -> None:
    truth = rendered(SMALL).truth
    assert truth.spots == ()
    assert dict(truth.shares) == {}
    assert not truth.labels.any()
    assert not truth.delta_e.any()
    assert truth.thickness is None


def test_a_gap_lies_where_it_was_ordered_along_the_seam() -> None:
    seam = Seam((20.0, 80.0), (190.0, 80.0), bow_mm=6.0)
    truth = rendered(replace(SMALL, seams=(seam,), gaps=(Gap(0, 60.0, 90.0, GREEN),))).truth
    (spot,) = truth.spots
    assert (spot.kind, spot.under, spot.seam) == ("gap", GREEN, 0)
    assert spot.along_seam_mm is not None
    # Its ends are ragged: up to about the gap's width (our own figure).
    assert spot.along_seam_mm == pytest.approx((60.0, 90.0), abs=2.5)
    assert spot.centre_px[1] * 0.5 == pytest.approx(80.0 - 6.0, abs=1.0)  # left of travel: up


def test_a_spot_in_a_seam_knows_its_place_along_it() -> None:
    seam = Seam((20.0, 80.0), (190.0, 80.0))
    spots = (Spot(GREEN, (100.0, 80.0), 4.0, "round"), Spot(GREEN, (100.0, 120.0), 4.0))
    truth = rendered(replace(SMALL, seams=(seam,), spots=spots)).truth
    assert truth.spots[0].along_seam_mm == pytest.approx((79.0, 81.0), abs=0.6)
    assert truth.spots[1].seam is None


def test_light_in_a_valley_is_tinted_by_the_dye() -> None:
    seam = Seam((20.0, 80.0), (190.0, 80.0), width_mm=9.0, opened=True)
    plain = Leather(grain="none", gloss=0.0, curvature_mm=0.0)
    got = linear(rendered(replace(SMALL, seams=(seam,), leather=plain)))
    bottom, flat = got[160, 200], got[240, 200]
    m = Materials(SMALL)
    n = m.camera(m.finish)
    np.testing.assert_allclose(flat / flat[0], n / n[0], atol=2e-3)
    # The valley is darker, and more of the dye's own colour than the flat part.
    assert bottom.sum() < flat.sum()
    assert bottom[2] / bottom[0] < 0.99 * flat[2] / flat[0]


def test_thin_film_shows_by_kubelka_munk() -> None:
    film = Film(coats=4, sx_per_coat=0.4)
    thin = Thin((100.0, 80.0), 900.0, coats_missing=2.0, softness_mm=6.0)
    scene = replace(SMALL, film=film, thin=(thin,), leather=Leather("none", gloss=0.0))
    truth = rendered(scene).truth
    assert truth.thickness is not None
    assert truth.thickness[160, 200] == pytest.approx(0.5, abs=0.01)
    m = Materials(scene)
    lab = spectra.lab_from_reflectance(np.stack([m.film(0.5), m.finish]))
    wanted = float(colour().delta_E(lab[0], lab[1], method="CIE 2000"))
    assert wanted > 0.5
    assert truth.delta_e[160, 200] == pytest.approx(wanted, abs=0.05)
    seen = linear(rendered(scene))[160, 200] / linear(rendered(replace(scene, thin=())))[160, 200]
    np.testing.assert_allclose(seen, m.camera(m.film(0.5)) / m.camera(m.finish), atol=3e-3)


def test_a_transition_coat_hides_which_colour_was_there_before() -> None:
    def spread(film: Film) -> float:
        labs = [
            Materials(replace(SMALL, film=replace(film, over=name))).finish_lab
            for name in (GREEN, WHITE)
        ]
        return float(colour().delta_E(*labs, method="CIE 2000"))

    weak = Film(coats=1, sx_per_coat=0.5)
    assert spread(weak) > 5.0
    assert spread(replace(weak, transition=WHITE)) < 0.2 * spread(weak)


@pytest.mark.parametrize(
    "item", [Bands(30.0, 0.1, 90.0, "lightness"), Mottle(0.1, 15.0, "lightness")]
)
def test_unevenness_shows_in_the_true_difference(item: Bands | Mottle) -> None:
    field = {"bands": (item,)} if isinstance(item, Bands) else {"mottle": (item,)}
    truth = rendered(replace(SMALL, **field)).truth
    assert truth.delta_e[truth.panel].max() > 1.0
    # Between bands the finish itself is met, to half a pixel's change of the sine.
    assert truth.delta_e[truth.panel].min() < 0.15
    assert not truth.delta_e[~truth.panel].any()


def test_bands_follow_one_another_at_their_period() -> None:
    scene = replace(
        SMALL,
        bands=(Bands(40.0, 0.1, 90.0, "lightness"),),
        leather=Leather("none", gloss=0.0, curvature_mm=0.0),
    )
    column = linear(rendered(scene))[40:-40, 200, 1]
    power = np.abs(np.fft.rfft((column - column.mean()) * np.hanning(len(column)), 4096))
    period_px = 4096 / int(power.argmax())
    assert period_px * 0.5 == pytest.approx(40.0, rel=0.05)


def test_a_grey_board_shows_the_light_that_falls_on_the_part() -> None:
    light = Light(falloff=0.25)
    scene = replace(SMALL, light=light, leather=Leather("none", gloss=0.0, curvature_mm=0.0))
    part, board = linear(rendered(scene)), linear(rendered(scene.grey_board()))
    ratio = (part / board)[40:-40, 40:-40]
    np.testing.assert_allclose(ratio / ratio.mean(axis=(0, 1)), 1.0, atol=4e-3)
    across = board[..., 1]
    assert 0.1 < 1 - across.min() / across.max() < 0.5


def test_a_moved_lamp_moves_the_light_but_not_the_spot() -> None:
    scene = replace(SMALL, spots=(Spot(GREEN, (100.0, 80.0), 20.0),))
    moved = scene.lamp_moved(90.0, shift_px=(6.0, -4.0))
    a, b = rendered(scene).truth, rendered(moved).truth
    np.testing.assert_allclose(
        np.roll(a.shares[GREEN], (-4, 6), axis=(0, 1)), b.shares[GREEN], atol=1e-4
    )
    ax, bx = a.spots[0].centre_px, b.spots[0].centre_px
    assert (bx[0] - ax[0], bx[1] - ax[1]) == pytest.approx((6.0, -4.0), abs=0.01)
    shifted = np.roll(a.highlight, (-4, 6), axis=(0, 1))[40:-40, 40:-40]
    assert np.corrcoef(shifted.ravel(), b.highlight[40:-40, 40:-40].ravel())[0, 1] < 0.9


def test_the_grain_stays_with_the_leather_when_the_camera_moves() -> None:
    moved = replace(SMALL, shift_px=(8.0, 5.0))
    a, b = rendered(SMALL).truth.shading, rendered(moved).truth.shading
    back = np.roll(b, (-5, -8), axis=(0, 1))[40:-40, 40:-40]
    assert np.corrcoef(a[40:-40, 40:-40].ravel(), back.ravel())[0, 1] > 0.98


@pytest.mark.parametrize("exposure", [0.3, 0.6])
def test_noise_follows_the_light(exposure: float) -> None:
    # Our own sensor: 9000 electrons at full scale, read noise 0.0012 of it.
    camera = replace(PLAIN, noise=2.0, exposure=exposure)
    board = replace(SMALL, camera=camera).grey_board()
    values = linear(render(board)) * exposure
    variance = values[..., 1].var(ddof=1)
    expected = 4 * (values[..., 1].mean() / 9000 + 0.0012**2)
    # 134 400 pixels: the sampling error of a variance is 0.4 %; 3 % is our own bound.
    assert variance == pytest.approx(expected, rel=0.03)


THINGS = ("dust", "hair", "thread", "tape", "perforation", "piping", "thread_holes")


@pytest.mark.parametrize("kind", [*THINGS, "embossing", "fold"])
def test_distractors_are_seen_but_are_no_misses(kind: str) -> None:
    scene = replace(SMALL, distractors=(Distractor(kind, (100.0, 80.0), 24.0, 30.0),))
    got = rendered(scene)
    assert (got.rgb != rendered(SMALL).rgb).any()
    assert got.truth.spots == ()


def test_a_seam_is_stitched_on_the_part_only() -> None:
    seam = Seam((-5.0, 80.0), (215.0, 80.0), opened=True)
    bare = rendered(replace(SMALL, seams=(seam,)))
    sewn = rendered(replace(SMALL, seams=(replace(seam, thread=(90.0, 0.0, 5.0)),)))
    changed = (sewn.rgb != bare.rgb).any(axis=2)
    assert changed[150:170, 40:380].any()
    # A stitch that starts at the rim reaches a millimetre or two beyond it: our own bound.
    assert not changed[:, :6].any()
    assert not changed[:, -6:].any()


@pytest.mark.parametrize("kind", ["embossing", "fold"])
def test_relief_of_the_part_changes_its_light_and_not_its_colour(kind: str) -> None:
    plain = replace(SMALL, leather=Leather("none", gloss=0.0, curvature_mm=0.0))
    scene = replace(plain, distractors=(Distractor(kind, (100.0, 80.0), 30.0, 30.0),))
    got, flat = rendered(scene), rendered(plain)
    near, far = (slice(100, 220), slice(140, 260)), (slice(20, 60), slice(20, 60))
    # Walls away from the lamps lose light, walls towards one of them gain some.
    change = got.truth.shading / flat.truth.shading
    assert change[near].min() < 0.9
    assert change[near].max() > 1.005
    np.testing.assert_array_equal(change[far], 1.0)
    # Without shine, light and shade leave the ratios of the colour as they are: 16-bit steps.
    values = linear(got)[near]
    np.testing.assert_allclose(
        values / values.sum(axis=2, keepdims=True),
        np.broadcast_to(linear(flat)[near].sum(axis=(0, 1)), values.shape)
        / linear(flat)[near].sum(),
        atol=1e-3,
    )
    assert not got.truth.delta_e.any()


def test_outlines_lie_on_the_part() -> None:
    seam = Seam((5.0, 80.0), (205.0, 80.0))
    truth = rendered(replace(SMALL, seams=(seam,))).truth
    for x, y in (*truth.region_px, *truth.seam_px[0]):
        assert truth.panel[int(y), int(x)]
    xs = [x for x, _ in truth.region_px]
    assert max(xs) - min(xs) > 300


@pytest.mark.parametrize(
    "wrong",
    [
        {"light": Light(name="moonshine")},
        {"camera": Camera(sensor="pinhole")},
        {"camera": Camera(profile="cmyk")},
        {"camera": Camera(tone="sepia")},
        {"spots": (Spot("old mauve", (10, 10)),)},
        {"spots": (Spot(GREEN, (10, 10), shape="star"),)},
        {"spots": (Spot(GREEN, (10, 10), delta_e=99.0),)},
        {"spots": (Spot(GREEN, (10, 10), area_mm2=0.0),)},
        {"gaps": (Gap(0, 1.0, 2.0, GREEN),)},
        {"distractors": (Distractor("cat", (10, 10)),)},
        {"surround": "beach"},
        {"leather": Leather(grain="scales")},
        {"size_px": (10, 10)},
        {"mm_per_px": 0.0},
    ],
)
def test_scenes_that_cannot_be_are_refused_in_one_line(wrong: dict[str, object]) -> None:
    with pytest.raises(FullhideError) as caught:
        render(replace(SMALL, **wrong))  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)
