"""Show-through on painted surfaces: found, named, sized; never a pass on a blind photo.

The surfaces are painted with the reflection model and noise of our own: truth by construction.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from skimage.color import deltaE_ciede2000
from staged import flat_view

from fullhide.background import background
from fullhide.checks.outcome import Outcome, Spot
from fullhide.checks.show_through import show_through
from fullhide.colour import WHITE_D50, lab_to_xyz, xyz_to_lab
from fullhide.job import Limits
from fullhide.phantom._spectra import lab_from_reflectance, reflectance_from_lab
from fullhide.phantom.film import film_reflectance
from fullhide.surface import Pair, colour_pair

FOX = (46.0, 21.0, 28.0)
GREEN = (38.0, -28.0, 9.0)
BLUE = (40.0, 4.0, -34.0)
WHITE = (93.0, -0.5, 2.0)
TAN, RED_BROWN = (62.0, 12.0, 32.0), (33.0, 25.0, 19.0)
GREY, OTHER_GREY = (55.0, 0.0, -1.0), (47.0, 0.0, -1.0)
MM = 0.25
SHAPE = (240, 320)
Lab = tuple[float, float, float]


def round_spot(radius_mm: float, *, at: tuple[float, float] = (40.0, 30.0)) -> NDArray[np.float64]:
    """Share map of a bare spot, by counting a fifth of a pixel each way."""
    y, x = np.indices((SHAPE[0] * 5, SHAPE[1] * 5)) / 5 * MM
    inside = np.hypot(x - at[0], y - at[1]) < radius_mm
    return inside.reshape(SHAPE[0], 5, SHAPE[1], 5).mean(axis=(1, 3))


def painted_xyz(
    share: NDArray[np.float64] | None = None,
    *,
    under: Lab = GREEN,
    finish: Lab = FOX,
    noise: float = 0.02,
    grain: float = 0.06,
    seed: int = 1,
) -> NDArray[np.float64]:
    """A finish with grain (shading), a spot and noise relative to the finish."""
    rng = np.random.default_rng(seed)
    n, u = lab_to_xyz(finish), lab_to_xyz(under)
    f = np.zeros(SHAPE) if share is None else share
    relief = gaussian_filter(rng.normal(0, 1, SHAPE), 1.0)
    shading = 1 + grain * relief / relief.std()
    xyz = shading[..., None] * ((1 - f)[..., None] * n + f[..., None] * u)
    return xyz + rng.normal(0, noise, (*SHAPE, 3)) * n


def checked(
    xyz: NDArray[np.float64],
    *,
    under: dict[str, Lab] | None = None,
    finish: Lab = FOX,
    thread: Lab | None = None,
    limits: Limits | None = None,
    blur_mm: float = 0.1,
) -> Outcome:
    limits = limits or Limits()
    view = flat_view(xyz, mm_per_px=MM)

    def pair(name: str, lab: Lab) -> Pair:
        limit = limits.show_through_delta_e
        return colour_pair(name, lab_to_xyz(finish), lab_to_xyz(lab), limit_delta_e=limit)

    pairs = [pair(name, lab) for name, lab in (under or {"old green": GREEN}).items()]
    allowed = [] if thread is None else [pair("thread", thread)]
    return show_through(
        view, background(view), pairs=pairs, allowed=allowed, limits=limits, blur_mm=blur_mm
    )


def the_spot(outcome: Outcome) -> Spot:
    (spot,) = outcome.spots
    return spot


def test_a_clean_surface_passes() -> None:
    outcome = checked(painted_xyz())
    assert outcome.verdict == "pass"
    assert outcome.spots == ()
    assert outcome.detectable_mm2 is not None
    assert outcome.detectable_mm2 < 1.0
    measure = outcome.measures["show_through_mm2"]
    assert (measure.value, measure.limit) == (0.0, 1.0)


@pytest.mark.parametrize("radius_mm", [1.0, 1.8, 4.0])
def test_a_bare_spot_is_found_named_and_sized(radius_mm: float) -> None:
    outcome = checked(painted_xyz(round_spot(radius_mm)))
    spot = the_spot(outcome)
    assert outcome.verdict == "fail"
    assert spot.under == "old green"
    # Own tolerances.
    assert spot.area_mm2 == pytest.approx(np.pi * radius_mm**2, rel=0.25)
    assert spot.share == pytest.approx(1.0, abs=0.15)
    assert spot.centre == pytest.approx((40.0 / MM, 30.0 / MM), abs=2.0)
    expected = deltaE_ciede2000(np.array(FOX), np.array(GREEN))  # scikit-image
    assert spot.delta_e == pytest.approx(float(expected), rel=0.1)


THREE = {"old green": GREEN, "old blue": BLUE, "white coat": WHITE}


@pytest.mark.parametrize("name", THREE)
def test_of_several_colours_beneath_the_right_one_is_named(name: str) -> None:
    outcome = checked(painted_xyz(round_spot(2.0), under=THREE[name]), under=THREE)
    assert outcome.verdict == "fail"
    assert max(outcome.spots, key=lambda spot: spot.area_mm2).under == name


@pytest.mark.parametrize(
    "name",
    [
        "old green",
        "old blue",
        "white coat",
    ],
)
def test_one_spot_is_told_once_whatever_else_may_lie_beneath(name: str) -> None:
    outcome = checked(painted_xyz(round_spot(2.0), under=THREE[name]), under=THREE)
    assert len(outcome.spots) == 1


@pytest.mark.parametrize("share", [0.3, 0.6])
def test_a_half_covered_spot_has_the_share_it_was_painted_with(share: float) -> None:
    spot = the_spot(checked(painted_xyz(share * round_spot(3.0))))
    assert spot.share == pytest.approx(share, abs=0.1)  # own tolerance
    mixed = (1 - share) * lab_to_xyz(FOX) + share * lab_to_xyz(GREEN)
    expected = deltaE_ciede2000(np.array(FOX), xyz_to_lab(mixed))  # scikit-image
    assert spot.delta_e == pytest.approx(float(expected), abs=2.5)  # own tolerance


@pytest.mark.parametrize("radius_mm", [1.0, 1.8])
def test_a_spot_that_shines_through_thin_dye_is_found(radius_mm: float) -> None:
    # Film by wavelengths, our own phantom's: over white a fox brown is more chromatic, not paler.
    brown, white = reflectance_from_lab(FOX), reflectance_from_lab(WHITE)
    films = film_reflectance(white, r_inf=brown, sx=np.geomspace(0.1, 9.0, 60)[:, None])
    labs = lab_from_reflectance(films)
    apart = deltaE_ciede2000(labs, np.broadcast_to(FOX, labs.shape))  # scikit-image
    thin = tuple(float(v) for v in labs[int(np.abs(apart - 6.0).argmin())])
    outcome = checked(
        painted_xyz(round_spot(radius_mm), under=thin), under={"old green": GREEN, "white": WHITE}
    )
    assert outcome.verdict == "fail"
    spot = the_spot(outcome)
    assert spot.under == "white"
    assert spot.area_mm2 == pytest.approx(np.pi * radius_mm**2, rel=0.3)  # own tolerances
    assert spot.delta_e == pytest.approx(6.0, abs=1.5)


def test_a_spot_well_below_the_limits_area_does_not_fail() -> None:
    outcome = checked(painted_xyz(round_spot(0.3)))
    assert outcome.verdict == "pass"


def test_a_spot_of_the_limits_area_is_never_passed() -> None:
    # Right at the limit neither verdict is proven; half as much again must not pass either.
    for radius in (0.62, 0.75):
        assert checked(painted_xyz(round_spot(radius))).verdict != "pass"


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_spot_just_over_the_limits_difference_is_never_passed(seed: int) -> None:
    shares = np.linspace(0.0, 0.5, 501)[:, None]
    mixed = (1 - shares) * lab_to_xyz(FOX) + shares * lab_to_xyz(GREEN)
    labs = xyz_to_lab(mixed)
    apart = deltaE_ciede2000(np.broadcast_to(FOX, labs.shape), labs)  # scikit-image
    share = float(np.interp(3.2, apart, shares[:, 0]))
    painted = painted_xyz(share * round_spot(1.4), seed=seed)
    assert checked(painted).verdict != "pass"


def test_a_spot_between_stitches_of_nearly_its_colour_is_never_passed() -> None:
    old, ink, thread = (58.0, 0.0, 0.0), (26.0, 1.0, -14.0), (54.0, 5.0, 18.0)
    y, x = np.indices(SHAPE) * MM
    stitches = (np.abs(y - 30.0) < 0.5) & (x % 5.0 < 3.5)
    gap = 0.15 * ((np.abs(y - 31.5) < 1.2) & (x > 30.0) & (x < 45.0))
    xyz = painted_xyz(gap, under=old, finish=ink, grain=0.03)
    xyz[stitches] = lab_to_xyz(thread)
    found = checked(xyz, under={"old grey": old}, finish=ink, thread=thread)
    assert found.verdict != "pass"


def test_a_difference_below_the_limit_does_not_fail() -> None:
    faint = 0.03 * round_spot(3.0)
    mixed = 0.97 * lab_to_xyz(FOX) + 0.03 * lab_to_xyz(GREEN)
    assert deltaE_ciede2000(np.array(FOX), xyz_to_lab(mixed)) < 2.0  # scikit-image
    assert checked(painted_xyz(faint)).verdict != "fail"


def test_several_spots_are_told_apart_and_labelled() -> None:
    share = round_spot(2.0, at=(20, 20)) + round_spot(1.4, at=(55, 40))
    outcome = checked(painted_xyz(share))
    assert len(outcome.spots) == 2
    assert outcome.labels is not None
    assert set(np.unique(outcome.labels)) == {0, 1, 2}
    for number, spot in enumerate(outcome.spots, start=1):
        x, y = spot.centre
        assert outcome.labels[int(y), int(x)] == number
    largest = max(spot.area_mm2 for spot in outcome.spots)
    assert outcome.measures["show_through_mm2"].value == largest


def test_a_shadow_or_a_shine_is_no_old_green() -> None:
    shade = gaussian_filter(round_spot(2.0), 2.0)
    clean = painted_xyz()
    shadow = clean * (1 - 0.5 * shade)[..., None]
    sheen = clean + 0.08 * shade[..., None] * lab_to_xyz((100.0, 0.0, 0.0))
    assert checked(shadow).spots == ()
    assert checked(sheen).spots == ()


# Never a pass on a blind photo


def with_rim_glint(strength: float, share: NDArray[np.float64] | None = None) -> Outcome:
    """A dark coloured finish with a lamp's line along its rounded rim, so many times as bright."""
    rows = np.indices(SHAPE)[0] * MM
    line = np.exp(-0.5 * ((rows - 2.0) / 0.8) ** 2)
    glint = strength * lab_to_xyz(RED_BROWN)[1] * line[..., None] * WHITE_D50
    xyz = painted_xyz(share, under=TAN, finish=RED_BROWN, noise=0.008, grain=0.03) + glint
    return checked(xyz, under={"tan": TAN}, finish=RED_BROWN)


@pytest.mark.parametrize("strength", [0.2, 0.4, 0.6])
def test_a_rims_glint_is_no_paler_colour_beneath(strength: float) -> None:
    # They were: up to 200 mm2 of it, since the rest of the region knows of no such light.
    outcome = with_rim_glint(strength)
    assert outcome.verdict == "pass"
    assert outcome.spots == ()


@pytest.mark.parametrize("share", [0.08, 0.2, 1.0])
@pytest.mark.parametrize("radius_mm", [0.8, 1.5])
@pytest.mark.parametrize("strength", [0.2, 0.6])
def test_a_spot_in_a_rims_glint_is_never_passed(
    strength: float, radius_mm: float, share: float
) -> None:
    there = share * round_spot(radius_mm, at=(40.0, 2.0))
    assert with_rim_glint(strength, there).verdict != "pass"


@pytest.mark.parametrize("noise", [0.3, 0.8])
def test_a_noisy_surface_is_not_passed(noise: float) -> None:
    under = {"old tan": (50.0, 17.0, 26.0)}
    outcome = checked(painted_xyz(noise=noise), under=under)
    assert outcome.verdict == "retake"
    assert outcome.detectable_mm2 is None or outcome.detectable_mm2 > 1.0
    assert outcome.flags


@pytest.mark.parametrize("radius_mm", [0.9, 2.0])
def test_a_spot_in_heavy_noise_is_not_passed(radius_mm: float) -> None:
    for seed in range(4):
        xyz = painted_xyz(round_spot(radius_mm), under=(50.0, 17.0, 26.0), noise=0.5, seed=seed)
        assert checked(xyz, under={"old tan": (50.0, 17.0, 26.0)}).verdict != "pass"


def test_a_blurred_photo_is_not_passed() -> None:
    outcome = checked(painted_xyz(), blur_mm=2.0)
    assert outcome.verdict == "retake"


def test_a_grey_beneath_a_grey_is_not_passed_on_a_grained_surface() -> None:
    for share in (None, round_spot(1.5)):
        xyz = painted_xyz(share, under=OTHER_GREY, finish=GREY, grain=0.12)
        outcome = checked(xyz, under={"old grey": OTHER_GREY}, finish=GREY)
        assert outcome.verdict != "pass"
    assert "colours_inseparable" in outcome.flags


def test_where_no_colour_beneath_could_be_seen_nothing_can_show() -> None:
    view = flat_view(painted_xyz(), mm_per_px=MM)
    outcome = show_through(view, background(view), pairs=[], limits=Limits(), blur_mm=0.1)
    assert (outcome.verdict, outcome.spots, outcome.detectable_mm2) == ("pass", (), 0.0)


# Laws


@given(radius=st.floats(0.4, 2.5), noise=st.floats(0.01, 0.2), more=st.floats(1.1, 6.0))
@settings(max_examples=8, deadline=None)
def test_a_larger_allowed_area_never_turns_a_pass_into_a_fail(
    radius: float, noise: float, more: float
) -> None:
    xyz = painted_xyz(round_spot(radius), noise=noise)
    strict = checked(xyz, limits=Limits(show_through_mm2=1.0)).verdict
    loose = checked(xyz, limits=Limits(show_through_mm2=more)).verdict
    if strict == "pass":
        assert loose != "fail"
    if loose == "fail":
        assert strict == "fail"


@given(share=st.floats(0.05, 1.0), more=st.floats(1.2, 3.0))
@settings(max_examples=8, deadline=None)
def test_a_larger_allowed_difference_never_turns_a_pass_into_a_fail(
    share: float, more: float
) -> None:
    xyz = painted_xyz(share * round_spot(1.5))
    strict = checked(xyz, limits=Limits(show_through_delta_e=3.0)).verdict
    loose = checked(xyz, limits=Limits(show_through_delta_e=3.0 * more)).verdict
    if strict == "pass":
        assert loose != "fail"


def test_a_stronger_confidence_never_gives_more_verdicts() -> None:
    for radius in (0.5, 0.7, 1.0):
        xyz = painted_xyz(round_spot(radius))
        usual, sure = (
            checked(xyz, limits=Limits(confidence=level)).verdict for level in (0.9, 0.999)
        )
        assert sure in (usual, "retake")


def across(
    xyz: NDArray[np.float64], lab: Lab, *, wide_mm: float, at: tuple[float, float] = (40.0, 30.0)
) -> NDArray[np.float64]:
    """The surface with something 40 mm long and of another colour lying over a place."""
    y, x = np.indices(SHAPE) * MM
    laid = xyz.copy()
    bar = (np.abs(x - at[0] + 0.3 * (y - at[1])) < wide_mm / 2) & (np.abs(y - at[1]) < 20)
    laid[bar] = lab_to_xyz(lab)
    return laid


BLACK, RED = (20.0, 0.5, -0.5), (38.0, 46.0, 26.0)
STRANGE = [(87.0, 0.0, 2.0), (75.0, -25.0, 40.0), (50.0, 0.0, 0.0)]


@pytest.mark.parametrize("radius_mm", [1.5, 2.5, 4.0])
@pytest.mark.parametrize("lab", STRANGE, ids=["white", "leaf", "grey"])
def test_something_unknown_across_a_bare_place_does_not_hide_it(radius_mm: float, lab: Lab) -> None:
    # Both make one mark, and its colour is neither.
    bare = painted_xyz(round_spot(radius_mm), finish=BLACK, under=RED)
    outcome = checked(across(bare, lab, wide_mm=0.8), finish=BLACK, under={"old red": RED})
    assert outcome.verdict == "fail"
    assert {spot.under for spot in outcome.spots} == {"old red"}


@pytest.mark.parametrize("wide_mm", [0.8, 2.0])
@pytest.mark.parametrize("lab", STRANGE[:2], ids=["white", "leaf"])
def test_something_unknown_alone_is_no_colour_beneath(wide_mm: float, lab: Lab) -> None:
    laid = across(painted_xyz(finish=BLACK, under=RED), lab, wide_mm=wide_mm)
    outcome = checked(laid, finish=BLACK, under={"old red": RED})
    assert outcome.verdict == "retake"
    assert outcome.spots == ()
    assert "something_else" in outcome.flags
