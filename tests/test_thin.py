"""Thin coats on painted and rendered panels; films by Kubelka and Munk's closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000
from staged import FOX, GREEN, flat_view, region_of, scene

from fullhide.checks.double import without_double
from fullhide.checks.outcome import Outcome, Spot
from fullhide.checks.texture import texture
from fullhide.checks.thin import film_path, thin_coats
from fullhide.colour import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from fullhide.job import Limits
from fullhide.phantom import Film, Thin
from fullhide.result import Measure
from fullhide.surface import Pair, colour_pair
from fullhide.visibility import visible_delta_e

UNDER = GREEN[1]
MM = 0.5
WIDTH_MM, HEIGHT_MM = 160.0, 120.0


def pair_of(under=UNDER, finish=FOX) -> Pair:
    return colour_pair("old", lab_to_xyz(finish), lab_to_xyz(under), limit_delta_e=3.0)


def distance_mm(at=(80.0, 60.0)) -> NDArray[np.float64]:
    x = (np.arange(int(WIDTH_MM / MM)) + 0.5) * MM
    y = (np.arange(int(HEIGHT_MM / MM)) + 0.5) * MM
    return np.hypot(x[None, :] - at[0], y[:, None] - at[1])


def panel(
    cover: NDArray[np.float64], colour: NDArray[np.float64], *, noise: float = 0.02, seed: int = 1
) -> NDArray[np.float32]:
    """The finish, and so much of another colour; grain in lightness and noise in colour."""
    rng = np.random.default_rng(seed)
    xyz = lab_to_xyz(FOX) * (1.0 - cover)[..., None] + colour * cover[..., None]
    grain = 1.0 + rng.normal(0.0, 0.05, cover.shape)
    return np.asarray(xyz * grain[..., None] * (1.0 + rng.normal(0, noise, xyz.shape)), np.float32)


def soft(radius_mm: float, edge_mm: float, at=(80.0, 60.0)) -> NDArray[np.float64]:
    """1 inside a radius, 0 outside, over an edge that long."""
    t = np.clip((radius_mm - distance_mm(at)) / edge_mm + 0.5, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def film(delta_e: float, under=UNDER) -> NDArray[np.float64]:
    """XYZ of the film over the colour beneath that is this far from the finish."""
    path = film_path(lab_to_xyz(FOX), lab_to_xyz(under))
    off = delta_e00(np.array(FOX), xyz_to_lab(path))
    return path[int(np.abs(off - delta_e).argmin())]


def found_in(xyz: NDArray[np.float32], pairs=None, shown=None, finish=FOX) -> Outcome:
    view = replace(flat_view(xyz, mm_per_px=MM), factor=5.0)
    look = texture(xyz, view.judged, finish=lab_to_xyz(finish), mm_per_px=MM, factor=5.0)
    pairs = [pair_of()] if pairs is None else pairs
    return thin_coats(view, view.judged, look, pairs=pairs, limits=Limits(), shown=shown)


# The film's path


def test_the_path_agrees_with_the_closed_form_at_tabulated_films() -> None:
    # STANDARDS.md 3.2: Rinf 0.5 over Rg 0.80 and 0: SX 1.0 gives 0.5793, 2.0 gives 0.5184.
    path = film_path(0.5 * WHITE_D50, 0.8 * WHITE_D50) / WHITE_D50
    thickness = np.geomspace(0.02, 8.0, 64)
    for sx, expected in ((0.5, 0.6584), (1.0, 0.5793), (2.0, 0.5184)):
        got = np.interp(np.log(sx), np.log(thickness), path[:, 1])
        assert got == pytest.approx(expected, abs=0.002)  # own tolerance: interpolation


def test_the_path_runs_from_bare_to_hidden() -> None:
    n, u = lab_to_xyz(FOX), lab_to_xyz(UNDER)
    path = film_path(n, u)
    np.testing.assert_allclose(path[-1], n, rtol=1e-3)
    np.testing.assert_allclose(path[0], u, rtol=0.25)


def test_dark_channels_are_hidden_first() -> None:
    # A fox brown over white: blue is the dark channel.
    n, u = lab_to_xyz(FOX), lab_to_xyz((93.0, -0.5, 2.0))
    left = (film_path(n, u) - n) / (u - n)
    middle = np.abs(left[:, 0] - 0.2).argmin()
    assert left[middle, 2] < 0.5 * left[middle, 0]


# Found, and told apart


@pytest.mark.parametrize("edge", [8.0, 15.0])
@pytest.mark.parametrize("under", [UNDER, (93.0, -0.5, 2.0)])
def test_a_soft_thin_place_is_found_where_it_is(edge: float, under) -> None:
    cover = soft(12.0, edge, at=(60.0, 50.0))
    outcome = found_in(panel(cover, film(7.0, under)), [pair_of(under)])
    (spot,) = outcome.spots
    assert spot.kind == "thin_coat"
    assert spot.verdict == "fail"
    assert spot.under == "old"
    x, y = (v * MM for v in spot.centre)
    assert np.hypot(x - 60.0, y - 50.0) < 3.0  # own tolerance
    assert spot.delta_e == pytest.approx(7.0, rel=0.25)  # own tolerance
    mixed = lab_to_xyz(FOX) * (1.0 - cover)[..., None] + film(7.0, under) * cover[..., None]
    true = deltaE_ciede2000(np.broadcast_to(FOX, mixed.shape), xyz_to_lab(mixed))  # scikit-image
    assert spot.area_mm2 == pytest.approx(float((true >= 3.0).sum()) * MM**2, rel=0.15)
    assert outcome.labels is not None
    assert set(np.unique(outcome.labels)) == {0, 1}


@pytest.mark.parametrize("edge", [0.5, 1.6])
def test_a_bare_place_with_a_hard_edge_is_left_to_show_through(edge: float) -> None:
    for share in (0.2, 0.5, 1.0):
        cover = share * soft(8.0, edge)
        seen = panel(cover, lab_to_xyz(UNDER))
        assert found_in(seen, shown=cover > 0.5 * share).spots == ()


def test_a_bare_place_that_show_through_did_not_find_is_told_as_bare() -> None:
    cover = soft(5.0, 1.6)
    (spot,) = found_in(panel(cover, lab_to_xyz(UNDER))).spots
    assert spot.kind == "show_through"
    # The half-way line of the edge holds the area.
    assert spot.area_mm2 == pytest.approx(np.pi * 5.0**2, rel=0.15)  # own tolerance


def test_a_large_place_with_a_cut_edge_is_a_thing() -> None:
    assert found_in(panel(soft(8.0, 0.5), lab_to_xyz(UNDER))).spots == ()


def test_a_colour_off_the_path_is_none() -> None:
    # Neither the finish nor green beneath: a blue.
    assert found_in(panel(soft(12.0, 10.0), lab_to_xyz((46.0, 10.0, -10.0)))).spots == ()


@pytest.mark.parametrize("radius", [2.5, 4.0, 8.0])
def test_small_soft_places_are_found(radius: float) -> None:
    (spot,) = found_in(panel(soft(radius, 3.0), film(8.0))).spots
    assert spot.kind == "thin_coat"
    assert spot.verdict == "fail"


def test_many_holes_are_no_film() -> None:
    y, x = np.indices(distance_mm().shape)
    holes = (y % 8 < 3) & (x % 8 < 3) & (distance_mm() < 14.0)
    dark = (12.0, 1.0, 1.0)
    assert found_in(panel(holes.astype(float), lab_to_xyz(dark)), [pair_of(dark)]).spots == ()
    film_there = found_in(panel(soft(14.0, 8.0), film(7.0, dark)), [pair_of(dark)])
    assert len(film_there.spots) == 1


def test_a_speck_is_left_to_show_through() -> None:
    assert found_in(panel(soft(0.9, 0.8), film(8.0))).spots == ()


def test_a_place_too_faint_to_count_is_not_told() -> None:
    assert found_in(panel(soft(15.0, 10.0), film(1.2))).spots == ()


def test_a_clean_panel_has_none_in_any_light() -> None:
    x, y = distance_mm((0.0, 60.0)) / WIDTH_MM, distance_mm((80.0, 0.0)) / HEIGHT_MM
    clean = panel(np.zeros_like(x), lab_to_xyz(FOX))
    for light in (np.ones_like(x), 1.0 - 0.2 * x, np.exp(-0.3 * (x * x + y * y))):
        outcome = found_in((clean * light[..., None]).astype(np.float32))
        assert outcome.spots == ()
        assert outcome.verdict == "pass"


def test_what_a_dent_could_have_shaded_is_a_retake_and_names_the_photo() -> None:
    # Grey over black: a thin film is the finish, darkened, as in shade.
    grey, black = (46.0, 0.0, 0.0), (18.0, 0.0, 0.0)
    path = film_path(lab_to_xyz(grey), lab_to_xyz(black))
    off = delta_e00(np.array(grey), xyz_to_lab(path))
    shade = path[int(np.abs(off - 6.0).argmin())] / lab_to_xyz(grey) * lab_to_xyz(FOX)
    dark = panel(soft(12.0, 10.0), shade) / lab_to_xyz(FOX) * lab_to_xyz(grey)
    outcome = found_in(dark.astype(np.float32), [pair_of(black, grey)], finish=grey)
    (spot,) = outcome.spots
    assert spot.verdict == "retake"
    assert outcome.flags == ("soft_patch",)


def test_shade_is_no_film_whose_path_bends() -> None:
    under = tuple(xyz_to_lab(0.3 * lab_to_xyz(FOX)))
    dark = panel(soft(12.0, 10.0), 0.75 * lab_to_xyz(FOX))
    assert found_in(dark, [pair_of(under)]).spots == ()


def test_without_a_colour_beneath_there_is_nothing_to_find() -> None:
    outcome = found_in(panel(soft(12.0, 10.0), film(7.0)), [])
    assert outcome.spots == ()
    assert outcome.verdict == "pass"


# Reported once


def labelled(where: NDArray[np.bool_]) -> NDArray[np.uint16]:
    return where.astype(np.uint16)


def spot_of(kind: str, *, area: float, share: float, verdict="fail") -> Spot:
    return Spot(
        kind=kind,
        under="old",
        area_mm2=area,
        area_u_mm2=1.0,
        delta_e=6.0,
        share=share,
        centre=(50.0, 50.0),
        verdict=verdict,
    )


def shown(area: float, share: float, where: NDArray[np.bool_]) -> Outcome:
    return Outcome(
        check="show_through",
        verdict="fail",
        measures={"show_through_mm2": Measure(value=area, u=1.0, limit=1.0, unit="mm²")},
        spots=(spot_of("show_through", area=area, share=share),),
        labels=labelled(where),
        detectable_mm2=0.4,
    )


def coat(share: float, verdict="fail") -> Outcome:
    return Outcome(
        check="thin_coat",
        verdict=verdict,
        spots=(spot_of("thin_coat", area=400.0, share=share, verdict=verdict),),
        labels=labelled(distance_mm() < 11.0),
        flags=("soft_patch",) if verdict == "retake" else (),
    )


def here() -> NDArray[np.bool_]:
    return np.asarray(distance_mm() < 4.0)


def told(show: Outcome, thin: Outcome) -> tuple[Outcome, Outcome]:
    return without_double(show, thin, pairs=[pair_of()], mm_per_px=MM, limits=Limits())


def test_show_through_does_not_tell_of_a_thin_coat_again() -> None:
    show, thin = told(shown(250.0, 0.2, distance_mm() < 8.0), coat(0.15))
    assert show.spots == ()
    assert show.verdict == "pass"
    assert show.measures["show_through_mm2"].value == 0.0
    assert show.labels is not None
    assert not show.labels.any()
    assert thin.verdict == "fail"


def test_a_bare_spot_in_a_thin_coat_stays() -> None:
    show, thin = told(shown(9.0, 0.9, distance_mm() < 1.7), coat(0.15))
    assert len(show.spots) == 1
    assert show.verdict == "fail"
    assert len(thin.spots) == 1


def test_a_spot_elsewhere_stays() -> None:
    there = distance_mm((20.0, 20.0)) < 4.0
    show, _ = told(shown(50.0, 0.2, there), coat(0.15))
    assert len(show.spots) == 1


def test_a_soft_patch_that_show_through_is_sure_of_is_sure() -> None:
    where = distance_mm() < 8.0
    show, thin = told(shown(250.0, 0.2, where), coat(0.15, "retake"))
    assert show.spots == ()
    assert thin.verdict == "fail"
    assert thin.flags == ()


def test_a_bare_place_among_the_thin_coats_is_told_as_show_through() -> None:
    bare = replace(
        coat(0.9), spots=(spot_of("show_through", area=60.0, share=0.9),), labels=labelled(here())
    )
    there = distance_mm((20.0, 20.0)) < 2.0
    show, thin = told(shown(9.0, 0.5, there), bare)
    assert [spot.area_mm2 for spot in show.spots] == [9.0, 60.0]
    assert show.measures["show_through_mm2"].value == 60.0
    assert show.labels is not None
    assert (show.labels == 2).sum() == here().sum()
    assert thin.spots == ()
    assert thin.verdict == "pass"


def test_what_is_seen_of_the_spots_is_seen_of_those_that_stay() -> None:
    there = distance_mm((20.0, 20.0)) < 1.0
    both = shown(3.0, 0.2, there)
    seen = Measure(value=30.0, u=None, limit=None, unit="ΔE00")
    both = replace(
        both,
        spots=(*both.spots, spot_of("show_through", area=250.0, share=0.2)),
        labels=labelled(there) + 2 * labelled(distance_mm() < 8.0),
        measures={**both.measures, "visible_delta_e": seen},
    )
    show, _ = told(both, coat(0.15))
    assert len(show.spots) == 1
    alone = visible_delta_e(
        there * np.float32(0.2), lab_to_xyz(FOX), lab_to_xyz(UNDER), mm_per_px=MM
    )
    assert show.measures["visible_delta_e"].value == pytest.approx(alone)
    assert alone < 30.0


# In whole photos


def test_a_thin_coat_in_a_photo_asks_for_another_coat(tmp_path) -> None:
    what = scene(
        thin=(Thin((60.0, 35.0), area_mm2=500.0, coats_missing=3.4, softness_mm=9.0),),
        film=Film(coats=4, sx_per_coat=0.35),
        under=(GREEN,),
    )
    region = region_of(what, tmp_path)
    (finding,) = [f for f in region.findings if f.kind == "thin_coat"]
    assert region.verdict == "fail"
    assert np.hypot(finding.centre_px[0] - 400.0, finding.centre_px[1] - 233.0) < 40.0
    assert [f.id for f in region.findings] == list(range(1, 1 + len(region.findings)))
    (told,) = [r for r in region.reasons if "coat is thin" in r]
    assert "another coat" in told
