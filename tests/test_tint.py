"""Tint help: two constants from two grounds, sums of parts, amounts that hold the truth."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from fullhide._colour_science import colour
from fullhide._tint_film import channels_of, hidden, lab_of, scattering, two_constants
from fullhide._tint_solve import _not_negative, metric
from fullhide.cli import main
from fullhide.errors import JobError
from fullhide.tint import MOST_NAMED, MOST_PARTS, Drawdown, Dye, Tinter, Wish, tint
from fullhide.tint_file import read_wish
from fullhide.tint_words import FOOT, amount, says

# Rows of data/references/km_ode_values.csv, project reference data: Kubelka and Munk's two-flux
# equations integrated numerically. K, S, X, over black (Rg 0.04), over white (Rg 0.8), R_inf.
TWO_FLUX = [
    (0.1, 1.0, 0.1, 0.1225517377, 0.7883574259, 0.6417424305),
    (0.5, 1.0, 0.1, 0.1166499920, 0.7292472502, 0.3819660113),
    (1.0, 1.0, 0.5, 0.2296921940, 0.3757020001, 0.2679491924),
    (2.0, 0.5, 0.1, 0.0637238857, 0.5414466937, 0.1010205144),
    (0.02, 3.0, 0.1, 0.2541349360, 0.8082831224, 0.8910043228),
    (4.05, 1.0, 0.1, 0.0777899882, 0.3721985461, 0.1),
]
# STANDARDS.md, 3.2, round-trip values: R_inf, K/S, SX, R over black, R over 0.80, rounded there to
# four places; the rows whose films hide no more than 0.93 (beyond, four places tell too little).
ROUND_TRIP = [
    (0.80, 0.0250, 1.0, 0.4898, 0.8000),
    (0.50, 0.2500, 0.5, 0.2991, 0.6584),
    (0.50, 0.2500, 1.0, 0.4114, 0.5793),
    (0.50, 0.2500, 2.0, 0.4811, 0.5184),
    (0.20, 1.6000, 0.5, 0.1825, 0.2614),
]
BLACK, WHITE = (18.0, 0.0, 0.0), (93.0, -0.5, 1.5)
K2 = 0.5
# Our own inventions: K and S of one part in red, green and blue.
TINTERS = {
    "red oxide": ((4.0, 14.0, 30.0), (8.0, 8.0, 7.0)),
    "blue": ((30.0, 18.0, 4.0), (3.0, 3.0, 4.0)),
    "white": ((0.05, 0.05, 0.1), (14.0, 15.0, 16.0)),
}
DYE = {"red oxide": 0.1, "white": 0.04, "blue": 0.01}


@pytest.mark.parametrize(("k", "s", "x", "over_black", "over_white", "hides"), TWO_FLUX)
def test_two_constants_agree_with_the_two_flux_equations(
    k: float, s: float, x: float, over_black: float, over_white: float, hides: float
) -> None:
    film = {"black": np.array([0.04]), "white": np.array([0.8])}
    found = two_constants(np.array([over_black]), np.array([over_white]), **film)
    # Ten places there; 1e-6 is our own bound.
    np.testing.assert_allclose(np.concatenate(found), [k * x, s * x], rtol=1e-6)
    np.testing.assert_allclose(hidden(np.array([k / s])), hides, rtol=1e-8)
    one = scattering(
        np.array([over_black]), np.array([over_white]), **film, hides=np.array([hides])
    )
    np.testing.assert_allclose(one, s * x, rtol=1e-6)


@pytest.mark.parametrize(("hides", "k_over_s", "sx", "over_black", "over_white"), ROUND_TRIP)
def test_two_constants_agree_with_the_round_trip_table(
    hides: float, k_over_s: float, sx: float, over_black: float, over_white: float
) -> None:
    k, s = two_constants(
        np.array([over_black]), np.array([over_white]), black=np.zeros(1), white=np.array([0.8])
    )
    # The table's own last place, 0.00005, moves them by up to so much.
    np.testing.assert_allclose(s, sx, rtol=0.005)
    np.testing.assert_allclose(k / s, k_over_s, rtol=0.005)
    np.testing.assert_allclose(hidden(k / s), hides, atol=0.0005)


def test_a_dye_that_only_absorbs_has_its_k() -> None:
    # STANDARDS.md, 3.2: R = Rg exp(-2 K X).
    ground = np.array([0.04, 0.8])
    over = ground * np.exp(-2.0 * 0.7)
    k, s = two_constants(over[:1], over[1:], black=ground[:1], white=ground[1:])
    assert k == pytest.approx(0.7, rel=1e-3)
    assert float(s[0]) == pytest.approx(0.0, abs=1e-4)


def test_the_surface_is_taken_off_and_put_back() -> None:
    labs = np.array([[46.0, 21.0, 28.0], [20.0, 0.0, 0.0], [85.0, 1.0, 16.0]])
    np.testing.assert_allclose(lab_of(channels_of(labs, K2), K2), labs, atol=1e-6)
    # Saunderson as in STANDARDS.md, 3.2, without the leading k1: R = 0.5 is seen as 0.32.
    seen = lab_of(np.full(3, 0.5), K2)
    xyz = colour().Lab_to_XYZ(
        seen, colour().CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    )
    assert xyz[1] == pytest.approx((1 - 0.04) * (1 - K2) * 0.5 / (1 - K2 * 0.5), abs=1e-4)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.integers(1, 3))
def test_the_least_squares_are_those_of_scipy(seed: int, m: int) -> None:
    rng = np.random.default_rng(seed)
    slope, goal = rng.normal(size=(1, 3, m)), rng.normal(size=(1, 3))
    # Where the columns hardly differ, ours holds them down a little: not SciPy's answer.
    assume(np.linalg.cond(slope[0]) < 30.0)
    expected, _ = nnls(slope[0], goal[0])
    np.testing.assert_allclose(_not_negative(slope, goal)[0], expected, atol=1e-4)


def test_the_metric_is_that_of_small_differences() -> None:
    lab = np.array([46.0, 21.0, 28.0])
    for away in 0.3 * np.random.default_rng(5).normal(size=(6, 3)):
        expected = float(colour().delta_E(lab, lab + away, method="CIE 2000"))
        # 5 %: our own bound, for differences below one.
        assert np.linalg.norm(metric(lab) @ away) == pytest.approx(expected, rel=0.05)


def constants(mix: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
    k = sum(part * np.array(TINTERS[name][0]) for name, part in mix.items())
    s = sum(part * np.array(TINTERS[name][1]) for name, part in mix.items())
    return np.asarray(k), np.asarray(s)


def coat(mix: dict[str, float]) -> tuple[float, float, float]:
    """Lab of a coat that hides, by Kubelka and Munk's K over S."""
    k, s = constants(mix)
    a = 1.0 + k / s
    return as_lab(a - np.sqrt(a * a - 1.0))


def as_lab(channels: np.ndarray) -> tuple[float, float, float]:
    lightness, a, b = lab_of(channels, K2).tolist()
    return lightness, a, b


def drawn(mix: dict[str, float], share: float) -> Drawdown:
    """A film of thickness 1 in a clear base, by the hyperbolic form of STANDARDS.md, 3.2."""
    k, s = (share * one for one in constants(mix))
    a = 1.0 + k / s
    b = np.sqrt(a * a - 1.0)
    c = b / np.tanh(b * s)
    grounds = (channels_of(np.array(lab), K2) for lab in (BLACK, WHITE))
    black, white = (as_lab((1.0 - g * (a - c)) / (a - g + c)) for g in grounds)
    return Drawdown(over_black=black, over_white=white, share=share)


def wish(wanted: tuple[float, float, float], *, u: float = 0.1, names: str = "") -> Wish:
    chosen = [name for name in TINTERS if not names or name in names]
    return Wish(
        black=BLACK,
        white=WHITE,
        tinters=tuple(Tinter(name=n, drawdown=drawn({n: 1.0}, 0.04)) for n in chosen),
        dye=Dye(lab=coat(DYE), drawdown=drawn(DYE, 0.4)),
        wanted=wanted,
        u=u,
    )


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is taken off for broad channels: those of these tests are single wavelengths."""
    monkeypatch.setattr("fullhide.tint._UNEVEN", 0.0)


@pytest.mark.parametrize(
    ("name", "parts"), [("red oxide", 8.0), ("blue", 0.6), ("white", 3.0), ("blue", 1.5)]
)
@pytest.mark.usefixtures("narrow")
def test_one_known_addition_is_found_again(name: str, parts: float) -> None:
    wanted = coat({**DYE, name: DYE[name] + parts / 100.0})
    found = tint(wish(wanted))
    (one,) = found.additions
    assert (found.state, one.tinter) == ("add", name)
    assert one.at_least <= parts <= one.at_most
    assert one.parts == pytest.approx(parts, rel=1e-3)  # nothing was off: the truth is our own
    assert found.after is not None
    assert found.after.value < 0.01
    np.testing.assert_allclose(found.lab_after, wanted, atol=0.05)


@pytest.mark.parametrize(
    ("name", "parts"), [("red oxide", 8.0), ("blue", 0.6), ("white", 3.0), ("blue", 1.5)]
)
def test_the_interval_holds_what_single_wavelengths_would_say(name: str, parts: float) -> None:
    (one,) = tint(wish(coat({**DYE, name: DYE[name] + parts / 100.0}), u=0.2)).additions
    assert one.tinter == name
    assert one.at_least <= parts <= one.at_most


def test_two_known_additions_are_found_again() -> None:
    wanted = coat({"red oxide": 0.1, "white": 0.09, "blue": 0.022})
    found = tint(wish(wanted))
    told = {one.tinter: one for one in found.additions}
    assert set(told) == {"white", "blue"}
    assert told["white"].at_least <= 5.0 <= told["white"].at_most
    assert told["blue"].at_least <= 1.2 <= told["blue"].at_most


@pytest.mark.usefixtures("narrow")
def test_the_parts_of_the_dye_do_as_well_as_its_drawdown() -> None:
    one = wish(coat({**DYE, "white": 0.07}))
    made = (*DYE.items(), ("base", 1.0 - sum(DYE.values())))
    (found,) = tint(replace(one, dye=Dye(lab=coat(DYE), parts=made))).additions
    assert found.parts == pytest.approx(3.0, rel=1e-3)


@pytest.mark.usefixtures("narrow")
def test_a_base_that_is_white_is_taken_off() -> None:
    one = wish(coat({**DYE, "red oxide": 0.18}), names="red oxide")
    thinned = drawn({"red oxide": 0.05, "white": 0.95 * 0.01}, 1.0)  # in a base of 0.01 white
    based = replace(
        one,
        base=drawn({"white": 0.01}, 1.0),
        tinters=(Tinter(name="red oxide", drawdown=replace(thinned, share=0.05)),),
        dye=replace(one.dye, drawdown=drawn(DYE, 1.0)),
    )
    (found,) = tint(based).additions
    assert found.parts == pytest.approx(8.0, rel=1e-3)


def test_nothing_is_needed_near_the_colour() -> None:
    found = tint(wish(coat({**DYE, "blue": DYE["blue"] + 0.0005})))
    assert (found.state, found.additions, found.after) == ("near", (), None)


def test_what_adding_cannot_do_gets_no_amount() -> None:
    # Less blue: nothing that can be added takes it out again.
    found = tint(wish(coat({**DYE, "blue": 0.001}), names="blue"))
    assert (found.state, found.additions) == ("out of reach", ())
    assert "cannot take a colour out" in found.why


def test_a_doubt_larger_than_the_step_gets_no_amount() -> None:
    wanted = coat({**DYE, "blue": 0.016})
    assert tint(wish(wanted)).state == "add"
    found = tint(wish(wanted, u=3.0))
    assert (found.state, found.additions) == ("not sure", ())
    assert "grey board" in found.why


def test_a_drawdown_that_hides_does_not_count() -> None:
    one = wish(coat({**DYE, "blue": 0.02}))
    thick = Drawdown(over_black=(36.0, 26.0, 20.0), over_white=(36.1, 26.0, 20.1))
    tinters = tuple(replace(t, drawdown=thick) if t.name == "red oxide" else t for t in one.tinters)
    found = tint(replace(one, tinters=tinters))
    assert [a.tinter for a in found.additions] == ["blue"]
    assert "red oxide: its drawdown hides" in found.left_out[0]
    hides = tint(replace(one, dye=replace(one.dye, drawdown=thick)))
    assert (hides.state, hides.additions) == ("not sure", ())
    assert "thin it" in hides.why
    by_parts = replace(one, tinters=tinters, dye=Dye(lab=one.dye.lab, parts=tuple(DYE.items())))
    unknown = tint(by_parts)
    assert (unknown.state, unknown.additions) == ("not sure", ())
    assert "draw that tinter down again" in unknown.why


colours = st.tuples(st.floats(20, 80), st.floats(-20, 20), st.floats(-20, 20))


@settings(deadline=None, max_examples=20)
@given(colours, colours, st.floats(0.05, 2.0))
def test_no_amount_is_ever_negative(
    dye: tuple[float, float, float], wanted: tuple[float, float, float], u: float
) -> None:
    one = wish(wanted, u=u)
    found = tint(replace(one, dye=replace(one.dye, lab=dye)))
    assert (found.state == "add") == bool(found.additions)
    assert len(found.additions) <= MOST_NAMED
    for addition in found.additions:
        assert 0.0 < addition.at_least <= addition.parts <= addition.at_most < MOST_PARTS
    if found.after is not None:
        assert found.after.value < found.now.value


@settings(deadline=None, max_examples=20)
@given(colours, st.floats(0.05, 5.0))
def test_the_same_colour_needs_nothing(lab: tuple[float, float, float], u: float) -> None:
    one = wish(lab, u=u)
    found = tint(replace(one, dye=replace(one.dye, lab=lab)))
    assert found.additions == ()
    assert found.state in ("near", "not sure")


# ---------------------------------------------------------------- words, files, command


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (1.23, 2.81, "1.2 to 3 parts"),
        (0.041, 0.093, "0.04 to 0.095 parts"),
        (3.0, 12.1, "3 to 13 parts"),
        (0.5, 2.0, "0.5 to 2 parts"),
    ],
)
def test_amounts_are_rounded_outwards(low: float, high: float, text: str) -> None:
    assert amount(low, high) == text


def toml(one: Wish) -> str:
    lines = [f"u = {one.u}", "[ground]", f"black = {list(BLACK)}", f"white = {list(WHITE)}"]
    for t in one.tinters:
        lines += ["[[tinter]]", f'name = "{t.name}"', *film(t.drawdown)]
    assert one.dye.drawdown is not None
    lines += ["[dye]", f"lab = {list(one.dye.lab)}", *film(one.dye.drawdown)]
    return "\n".join([*lines, "[wanted]", f"lab = {list(one.wanted)}", ""])


def film(one: Drawdown) -> list[str]:
    return [
        f"share = {one.share}",
        f"over_black = {list(one.over_black)}",
        f"over_white = {list(one.over_white)}",
    ]


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stopped:
        main([str(one) for one in ("tint", *arguments)])
    said = capsys.readouterr()
    return int(str(stopped.value.code)), said.out, said.err


@pytest.mark.usefixtures("narrow")
def test_the_command_suggests(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = wish(coat({**DYE, "white": 0.07}))
    (tmp_path / "dye.toml").write_text(toml(one), "utf-8")
    assert read_wish(tmp_path / "dye.toml") == one
    code, out, err = run(capsys, tmp_path / "dye.toml", "--json", tmp_path / "tint.json")
    found = tint(one)
    assert (code, err) == (0, "")
    assert "a touch of white (about " in out
    assert FOOT in out
    assert out.startswith("\n".join(says(found)))
    data = json.loads((tmp_path / "tint.json").read_text("utf-8"))
    assert (data["schema"], data["state"]) == (1, "add")
    assert data["additions"][0]["tinter"] == "white"
    assert data["additions"][0]["parts_in_100"] == pytest.approx(3.0, rel=1e-3)
    assert data["caution"] == FOOT
    code, out, _ = run(capsys, tmp_path / "dye.toml", "--json", "-")
    assert (code, json.loads(out)) == (0, data)


def test_a_reading_may_be_a_spectrum(tmp_path: Path) -> None:
    text = toml(wish(coat(DYE))).replace(f"white = {list(WHITE)}", 'white = "s/white.csv"', 1)
    (tmp_path / "dye.toml").write_text(text, "utf-8")
    with pytest.raises(JobError, match=r"line 4: `white` names the spectrum `s/white\.csv`, which"):
        read_wish(tmp_path / "dye.toml")
    (tmp_path / "s").mkdir()
    spectrum = "\n".join(f"{nm};80,0" for nm in range(400, 710, 10))
    (tmp_path / "s" / "white.csv").write_text(spectrum, "utf-8")
    # CIE 1976: L* of four fifths of a perfect white's light.
    expected = (116.0 * 0.8 ** (1 / 3) - 16.0, 0.0, 0.0)
    assert read_wish(tmp_path / "dye.toml").white == pytest.approx(expected, abs=1e-6)


def test_the_tinters_may_have_a_file_of_their_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop, dye = toml(wish(coat({**DYE, "blue": 0.001}), names="blue")).split("[dye]")
    (tmp_path / "tinters.toml").write_text(shop, "utf-8")
    (tmp_path / "dye.toml").write_text(f"[dye]{dye}", "utf-8")
    code, out, err = run(capsys, tmp_path / "dye.toml", "--tinters", tmp_path / "tinters.toml")
    assert (code, err) == (3, "")
    assert "no amount: " in out
    code, _, err = run(capsys, tmp_path / "dye.toml")
    assert code == 2
    assert "has no [ground] table" in err


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[dye]", "[dye]\nname = 3", "unknown key `name` in [dye]"),
        ("[wanted]", "[wantd]", "unknown key `wantd`; did you mean `wanted`?"),
        ("share = 0.4\n", "share = 0\n", "`share` in [dye] cannot be used; it must be a number"),
        ("black = [18.0", "black = [180.0", "line 3: `black` in [ground] cannot be used"),
        ("black = [18.0", "black = [nan", "line 3: `black` in [ground] cannot be used"),
        ('name = "blue"', 'name = "Red Oxide"', 'two [[tinter]] tables are named "Red Oxide"'),
        ('name = "blue"\n', "", "`name` is missing in [[tinter]] 2"),
        ("u = 0.1", "u = 0", "line 1: `u` cannot be used; it must be a number from 0.05 to 5"),
        ("[ground]", "[ground", "line 2: is not valid TOML"),
        ("[dye]", "[dye]\nparts = { rust = 3 }", '[dye] has parts of "rust"'),
        ("[dye]", "[dye]\nparts = { blue = -3 }", "`parts` in [dye] cannot be used"),
        (
            "over_black = [",
            "over_black = [99.9, 0.0, 0.0]\n# [",
            "line 26: `over_black` is lighter",
        ),
        ("white = [93.0", "white = [50.0", "line 2: [ground] has a white hardly lighter"),
        ("[ground]", "tinter = 3\n[ground]", "is not valid TOML"),
    ],
)
def test_a_wrong_file_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, said: str
) -> None:
    text = toml(wish(coat(DYE)))
    assert old in text
    (tmp_path / "dye.toml").write_text(text.replace(old, new), "utf-8")
    code, out, err = run(capsys, tmp_path / "dye.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert said in err


def test_a_dye_of_unknown_strength_is_refused(tmp_path: Path) -> None:
    head, dye = toml(wish(coat(DYE))).split("[dye]")
    dye = "\n".join(line for line in dye.splitlines() if not line.startswith("over_"))
    (tmp_path / "dye.toml").write_text(f"{head}[dye]{dye}", "utf-8")
    with pytest.raises(JobError, match="does not tell how strong"):
        read_wish(tmp_path / "dye.toml")
    with pytest.raises(JobError, match="cannot be read"):
        read_wish(tmp_path / "nothing.toml")
