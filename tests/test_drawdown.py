"""Photos of drawdowns for tint help. Truth: our own phantoms'."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from staged import CHART_MM, rendered, scene, spot

from fullhide.drawdown import AREAS, read_drawdown
from fullhide.errors import FullhideError, JobError
from fullhide.job import ChartSettings
from fullhide.phantom import Leather, save_photo
from fullhide.tint import Drawdown, Dye, Tinter, Wish, tint
from fullhide.tint_file import read_wish

LABS = {
    "black": (18.0, 0.0, 0.0),
    "white": (93.0, -0.5, 1.5),
    "over_black": (36.8, 10.7, 18.4),
    "over_white": (60.0, 39.3, 45.5),
}
PLACES = dict(zip(AREAS, (18.0, 51.0, 84.0, 117.0), strict=True))  # mm from the left
CARD = scene(
    leather=Leather(grain="smooth", depth=0.3, curvature_mm=0.0),
    finish=(60.0, 0.0, 0.0),
    under=tuple(LABS.items()),
    spots=tuple(spot(name, (x, 36.0), area_mm2=500.0) for name, x in PLACES.items()),
)
BOXES = {n: (x / 0.15 - 45.0, 195.0, x / 0.15 + 45.0, 285.0) for n, x in PLACES.items()}
CHART = ChartSettings(width_mm=CHART_MM)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("card")
    save_photo(rendered(CARD), folder / "red.png")
    return folder / "red.png"


@pytest.fixture(scope="module")
def drawdown(card: Path) -> Drawdown:
    return read_drawdown(card, BOXES, chart=CHART, share=0.04)


def test_the_four_areas_are_what_they_are_within_their_doubt(drawdown: Drawdown) -> None:
    assert drawdown.grounds is not None
    assert drawdown.modes is not None
    read = np.array([*drawdown.grounds, drawdown.over_black, drawdown.over_white])
    doubt = np.sqrt(np.square(drawdown.modes).sum(axis=0))
    assert (np.abs(read - [LABS[name] for name in AREAS]) < 2.0 * doubt).all()
    # Black and white lie far apart whatever is in doubt of them.
    assert read[1, 0] - read[0, 0] > 60.0


def test_what_is_in_doubt_together_moves_together(drawdown: Drawdown) -> None:
    assert drawdown.modes is not None
    level = drawdown.modes[0]
    assert (level[:, 0] > 0.0).all()
    # More light makes a colour lighter and as much stronger: Lab's cube roots (CIE 1976).
    assert level[3, 2] / level[3, 0] == pytest.approx(45.5 / (60.0 + 16.0), abs=0.05)


FILE = """u = 0.3
[chart]
width_mm = 55.0
[[tinter]]
name = "red oxide"
share = 0.04
photo = "red.png"
boxes = {boxes}
[dye]
lab = [47.0, 16.8, 20.7]
parts = {{ "red oxide" = 10, "base" = 90 }}
[wanted]
lab = [50.8, 16.2, 19.9]
"""
TABLE = (
    "{ " + ", ".join(f"{name} = {[round(v) for v in box]}" for name, box in BOXES.items()) + " }"
)


def written(card: Path, old: str = "", new: str = "") -> Path:
    file = card.parent / "tint.toml"
    text = FILE.format(boxes=TABLE)
    assert old in text
    file.write_text(text.replace(old, new), "utf-8")
    return file


def test_a_tint_file_names_a_photo_and_needs_no_grounds_then(card: Path, drawdown) -> None:
    wish = read_wish(written(card))
    (tinter,) = wish.tinters
    assert tinter.drawdown.over_black == pytest.approx(drawdown.over_black, abs=0.1)
    assert (wish.black, wish.white) == tinter.drawdown.grounds
    assert tint(wish).state in ("not sure", "out of reach", "add")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("red.png", "blue.png", "line 7: photo `blue.png` is not there"),
        ("boxes = {", "over_black = [1, 2, 3]\nbox = {", "unknown key `box` in [[tinter]] 1"),
        ('photo = "red.png"\n', "", "[[tinter]] 1 has no whole reading"),
        ("black = [75", "black = [999", "`black` in [[tinter]] 1 cannot be used; it must be four"),
        ("over_white =", "over_whit =", "unknown key `over_whit`"),
        ("white = [295, 195, 385", "white = [85, 195, 175", "a white hardly lighter than"),
        ("width_mm = 55.0", 'edition = "2015"', "`edition` in [chart] cannot be used"),
    ],
)
def test_what_cannot_be_read_is_one_line(card: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(JobError) as caught:
        read_wish(written(card, old, new))
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("what", ["outside", "no chart"])
def test_a_photo_that_tells_no_colour_is_refused(tmp_path: Path, what: str) -> None:
    boxes = dict(BOXES)
    if what == "outside":
        boxes["black"] = (5000.0, 100.0, 5100.0, 200.0)
    save_photo(
        rendered(CARD if what == "outside" else replace(CARD, chart=None)), tmp_path / "a.png"
    )
    with pytest.raises(FullhideError) as caught:
        read_drawdown(tmp_path / "a.png", boxes, chart=CHART, share=1.0)
    assert ("too little of the bare black" if what == "outside" else "no chart") in str(
        caught.value
    )


def test_doubt_of_a_photo_widens_what_is_suggested() -> None:
    film = Drawdown(over_black=(55.4, -1.7, -2.2), over_white=(92.9, -0.6, 1.7), share=0.04)
    grounds = (LABS["black"], LABS["white"])
    dye = Dye(
        lab=(47.0, 16.8, 20.7),
        drawdown=Drawdown(over_black=(43.4, 8.5, 15.2), over_white=(56.9, 25.9, 31.8), share=0.4),
    )

    def ends(off: float) -> float:
        modes = np.zeros((2, 4, 3))
        modes[0, 2] = modes[1, 3] = (off, 0.0, 0.0)
        shot = replace(film, grounds=grounds, modes=modes)
        found = tint(
            Wish(
                black=grounds[0],
                white=grounds[1],
                tinters=(Tinter(name="white", drawdown=shot),),
                dye=dye,
                wanted=(50.8, 16.2, 19.9),
                u=0.2,
            )
        )
        (one,) = found.additions
        return one.at_most / one.at_least

    assert ends(3.0) > 1.1 * ends(0.05)
