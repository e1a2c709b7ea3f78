"""Coats: the film, its fit and the curve, against STANDARDS 3.2 and integrated two-flux equations.

What is not from there is our own phantoms' truth, or a tolerance of our own, and says so.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000
from staged import fit_leaving

from fullhide._coats_fit import Level, ahead, film_over, fit_coats, thickness
from fullhide.checks.apart import Calibrated
from fullhide.checks.match import Patch
from fullhide.coats import Curve, Seen, Tiles, hiding_curve, seen_of
from fullhide.coats_words import more_words, says
from fullhide.colour import WHITE_D50, lab_to_xyz, xyz_to_lab
from fullhide.job import Colour, Limits
from fullhide.phantom.film import coats as phantom_coats
from fullhide.wording import AIRBAG_REFER

GREEN = Colour("old green", (38.0, -28.0, 9.0))
WHITE = Colour("white transition coat", (93.0, -0.5, 2.0))
SAND = Colour("sand", (74.0, 2.0, 17.0))
#: STANDARDS.md 3.2, coat counts: Rg, Rinf, SX a coat; reflectance after each coat, four decimals,
#: and L* less that of the finish, two decimals.
WORKED = [
    (0.30, 0.05, 0.15, [0.3000, 0.0627, 0.0506, 0.0500], [34.92, 3.35, 0.18, 0.01]),
    (0.10, 0.30, 0.50, [0.1, 0.2583, 0.2909, 0.2980, 0.2996], [-23.81, -3.78, -0.79, -0.17, -0.04]),
    (
        0.03,
        0.45,
        0.50,
        [0.03, 0.298, 0.3904, 0.4259, 0.4401],
        [-52.85, -11.41, -4.12, -1.62, -0.65],
    ),
]


def grey(reflectance: float) -> np.ndarray:
    """Lab of a neutral."""
    return xyz_to_lab(reflectance * WHITE_D50)


def level(coats: int, lab: np.ndarray, sd: float = 0.1) -> Level:
    return Level(coats=coats, lab=lab, covariance=sd**2 * np.eye(3), light=np.zeros(3))


def seen(coat: int, lab: Sequence[float], *, sure: bool = True, tiles: Tiles | None = None) -> Seen:
    """A region after a coat, as a photo with a grey board would show it, its chart read well."""
    light, u = ("grey board", 0.2) if sure else ("none", 2.0)
    patch = Patch(xyz=lab_to_xyz(lab))
    one = Calibrated(patch=patch, fit=fit_leaving(u), light=light)
    return seen_of(coat, f"c{coat}.png", one, tiles=tiles)


def film(ground: Colour, finish: Colour, sx: float, number: int) -> list[np.ndarray]:
    """Lab after 0, 1, … coats, by the phantom's own recursion, XYZ for channels."""
    ends = [lab_to_xyz(colour.lab) / WHITE_D50 for colour in (ground, finish)]
    made = phantom_coats(ends[0], r_inf=ends[1], sx_per_coat=sx, number=number)
    return [xyz_to_lab(step * WHITE_D50) for step in made]


def curve(levels: Sequence[Seen], **given: object) -> Curve:
    asked: dict[str, object] = {"finish": SAND, "under": (GREEN, WHITE), "limits": Limits()}
    return hiding_curve(levels, **{**asked, **given})  # type: ignore[arg-type]


# ---------------------------------------------------------------- the film


def test_the_film_is_that_of_the_two_flux_equations() -> None:
    path = Path(__file__).parent / "reference" / "km_two_flux.csv"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    for row in csv.DictReader(lines):
        sx = float(row["S"]) * float(row["X"])
        told = film_over(float(row["Rg"]), finish=float(row["R_inf"]), sx=sx)
        # Ten decimals are printed there, integrated to 5e-11 of the closed form.
        assert float(told) == pytest.approx(float(row["R_over_Rg"]), abs=5e-10)


@pytest.mark.parametrize(("rg", "r_inf", "sx", "steps", "lightness"), WORKED)
def test_the_worked_coat_counts(rg, r_inf, sx, steps, lightness) -> None:
    for coats, (reflectance, off) in enumerate(zip(steps, lightness, strict=True)):
        told = float(film_over(rg, finish=r_inf, sx=coats * sx))
        assert told == pytest.approx(reflectance, abs=0.51e-4)
        assert grey(told)[0] - grey(r_inf)[0] == pytest.approx(off, abs=0.0051)


def test_the_recursion_s_check_values() -> None:
    # STANDARDS.md 3.2, last case, n = 1, 2, 3: nine decimals. The second stands there as
    # 0.390352376; the closed form in 40 digits (Python's decimal) gives 0.3903523975761.
    told = [float(film_over(0.03, finish=0.45, sx=0.5 * n)) for n in (1, 2, 3)]
    assert told == pytest.approx([0.298021588, 0.390352398, 0.425886924], abs=6e-10)
    one_by_one = 0.03
    for value in told:  # a coat upon coats is the coats together
        one_by_one = float(film_over(one_by_one, finish=0.45, sx=0.5))
        assert one_by_one == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(("rg", "r_inf", "sx"), [row[:3] for row in WORKED])
def test_thickness_comes_back(rg, r_inf, sx) -> None:
    for coats in (1, 2, 3):
        there = film_over(rg, finish=r_inf, sx=coats * sx)
        assert float(thickness(rg, there, finish=r_inf)) == pytest.approx(coats * sx, rel=1e-5)


def test_a_film_that_hides_has_no_known_thickness() -> None:
    # STANDARDS.md 3.3: Rinf = .04 and SX of 2 and more fail.
    hidden = film_over(0.30, finish=0.04, sx=2.0)
    assert np.isnan(thickness(0.30, hidden, finish=0.04))
    assert np.isnan(thickness(0.30, 0.03, finish=0.04))  # beyond the finish
    assert np.isnan(thickness(0.20, 0.20, finish=0.20))  # nothing to see


def test_a_fit_finds_coat_and_next_coats_of_the_worked_example() -> None:
    _, r_inf, sx, steps, _ = WORKED[2]
    levels = [level(n, grey(value)) for n, value in enumerate(steps[:4])]
    end = grey(r_inf)
    fit = fit_coats(levels, shared=1e-4 * np.eye(3), finish=end, finish_covariance=1e-4 * np.eye(3))
    assert fit.sx == pytest.approx([sx] * 3, rel=0.03)  # own tolerance: reflectances of 4 decimals
    assert fit.residual_l < 0.05
    truth = float(deltaE_ciede2000(end, grey(steps[4])))
    assert float(np.median(ahead(fit)[:, 1])) == pytest.approx(truth, abs=0.1)  # own tolerance
    # Nobody gives the finish: it comes out by itself.
    free = fit_coats(levels, shared=1e-4 * np.eye(3), finish=None)
    assert float(deltaE_ciede2000(end, free.finish_lab)) < 1.0  # own tolerance


# ---------------------------------------------------------------- the curve


def test_the_share_is_linear_mixing() -> None:
    # STANDARDS.md 3.3, 6: Y = (1 - f) new + f old.
    ends = lab_to_xyz(SAND.lab), lab_to_xyz(GREEN.lab)
    mixed = [xyz_to_lab((1 - f) * ends[0] + f * ends[1]) for f in (0.6, 0.3, 0.1)]
    told = curve([seen(0, GREEN.lab), *(seen(n + 1, lab) for n, lab in enumerate(mixed))])
    assert [coat.share for coat in told.coats] == pytest.approx([1.0, 0.6, 0.3, 0.1], abs=1e-6)
    assert {coat.share_of for coat in told.coats} == {"old green"}


@pytest.mark.parametrize(("sx", "shown"), [(0.3, 3), (0.3, 4), (0.22, 3), (0.22, 5)])
def test_the_interval_holds_the_coats_still_needed(sx: float, shown: int) -> None:
    labs = film(GREEN, SAND, sx, 12)
    far = [float(deltaE_ciede2000(np.array(SAND.lab), lab)) for lab in labs]  # scikit-image
    needed = next(n for n, value in enumerate(far) if value <= 3.0) - shown
    told = curve([seen(n, lab) for n, lab in enumerate(labs[: shown + 1])])
    assert told.unfit == ""
    assert told.more is not None
    assert told.more.fewest <= needed
    assert told.more.most is None or told.more.most >= needed
    last = told.coats[-1].to_finish
    assert last is not None
    assert last.value == pytest.approx(far[shown], abs=0.01)


def test_no_number_without_enough_coats() -> None:
    labs = film(GREEN, SAND, 0.3, 4)
    one = curve([seen(n, lab) for n, lab in enumerate(labs[:2])])
    assert one.more is None
    assert one.unfit.startswith("photos of 1 coat on a known ground: it takes 2")
    two = curve([seen(n, lab) for n, lab in enumerate(labs[:3])], finish=None)
    assert two.more is None
    assert "it takes 3" in two.unfit
    assert two.coats[-1].to_finish is None
    assert two.state == "not sure"


def test_no_number_where_a_coat_hides_at_once() -> None:
    black = Colour("black", (20.0, 0.5, -0.5))
    labs = film(GREEN, black, 0.8, 3)
    told = curve([seen(n, lab) for n, lab in enumerate(labs)], finish=black)
    assert told.fit is None
    assert "hide so soon" in told.unfit
    assert told.more is None or told.state == "hides"


def test_no_number_from_a_coat_that_goes_astray() -> None:
    labs = film(GREEN, SAND, 0.22, 4)
    labs[3] = labs[3] + np.array([-6.0, 6.0, -8.0])  # wet, or of another pot
    told = curve([seen(n, lab) for n, lab in enumerate(labs)])
    assert told.fit is None
    assert told.more is None
    assert "do not follow one even film" in told.unfit


def test_more_than_two_ahead_is_not_counted() -> None:
    labs = film(GREEN, SAND, 0.1, 3)
    told = curve([seen(n, lab) for n, lab in enumerate(labs)])
    assert told.state == "shows"
    assert told.more is not None
    assert told.more.most is None
    assert "more than 2" in more_words(told, airbag=False)
    assert more_words(told, airbag=False).endswith("(an estimate)")


def test_the_finish_itself_hides() -> None:
    labs = film(GREEN, SAND, 0.3, 9)
    told = curve([seen(n, labs[n]) for n in (0, 1, 2, 9)])
    assert told.state == "hides"
    assert told.more is not None
    assert (told.more.fewest, told.more.most) == (0, 0)
    assert more_words(told, airbag=False).startswith("hides")


def test_the_white_coats_are_not_reckoned_among_the_dye() -> None:
    white = film(GREEN, WHITE, 1.2, 2)
    on_white = film(Colour("laid", tuple(white[-1])), SAND, 0.22, 3)
    told = curve([seen(n, lab) for n, lab in enumerate([*white, *on_white[1:]])])
    kinds = [coat.kind for coat in told.coats]
    assert kinds == ["ground", "transition", "transition", "dye", "dye", "dye"]
    assert told.coats[-1].share_of == WHITE.name
    assert told.coats[2].share_of == GREEN.name
    assert told.fit is not None
    # Coats reckoned from the ground would give three fifths of it. Own tolerance: channels mix.
    assert np.mean(told.fit.sx) == pytest.approx(0.22, rel=0.1)
    assert any("taken for white transition coat" in note for note in told.notes)
    # Without it in job.toml: no number from white and dye together.
    assert curve([seen(c.coat, c.lab) for c in told.coats], under=(GREEN,)).fit is None


def test_a_dye_that_passes_by_the_white_is_no_transition_coat() -> None:
    told = curve([seen(n, lab) for n, lab in enumerate(film(GREEN, SAND, 0.2, 6))])
    assert {coat.kind for coat in told.coats} == {"ground", "dye"}


def test_where_an_airbag_may_be_no_coats_are_advised() -> None:
    labs = film(GREEN, SAND, 0.1, 3)
    told = curve([seen(n, lab) for n, lab in enumerate(labs)], airbag=True)
    assert told.more is None
    said = list(says(told, airbag=True))
    assert said[0] == AIRBAG_REFER
    assert not any("more" in text for text in said)


def test_poor_light_leaves_more_open() -> None:
    labs = film(GREEN, SAND, 0.3, 5)[:4]
    well, ill = (
        curve([seen(n, lab, sure=sure) for n, lab in enumerate(labs)]) for sure in (True, False)
    )
    one, other = well.coats[-1].to_finish, ill.coats[-1].to_finish
    assert one is not None
    assert other is not None
    assert other.at_most - other.at_least > one.at_most - one.at_least
    assert well.more is not None
    assert ill.more is None or (ill.more.most or 3) >= (well.more.most or 3)


def test_the_worst_place_is_told_beside_shade() -> None:
    ends = lab_to_xyz(SAND.lab), lab_to_xyz(GREEN.lab)
    xyz = np.tile(ends[0].astype(np.float32), (4, 6, 1))
    xyz[1, 1] *= 0.9  # shade
    xyz[2, 4] = 0.85 * ends[0] + 0.15 * ends[1]
    known = np.ones((4, 6), bool)
    tiles = Tiles(
        xyz=xyz, known=known, origin_px=(100.0, 50.0), step_px=40.0, side_mm=8.0, light_doubt=0.05
    )
    lab = xyz_to_lab(0.97 * ends[0] + 0.03 * ends[1])
    told = curve([seen(0, GREEN.lab), seen(3, lab, tiles=tiles)])
    worst = told.coats[-1].worst
    assert worst is not None
    assert worst.box_px == (260, 130, 300, 170)
    assert worst.side_mm == 8.0
    assert worst.share == pytest.approx(0.15, abs=0.02)  # own tolerance
    assert worst.delta_e == pytest.approx(
        float(deltaE_ciede2000(np.array(SAND.lab), xyz_to_lab(xyz[2, 4].astype(float)))), abs=0.5
    )
