"""Coat photos of a job: command, JSON and pages; the truth is our own phantoms'."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000
from staged import GREEN, SAND, WHITE, rendered, scene

from fullhide.cli import main
from fullhide.coats_job import Coats, coats_of, to_json
from fullhide.coats_words import FOOT
from fullhide.job import load_job
from fullhide.phantom import Film, Light, Scene, Thin, save_photo
from fullhide.report.coats import coats_facts
from fullhide.report.curve import curve_svg
from fullhide.wording import AIRBAG_NOTICE, AIRBAG_REFER

Run = Callable[..., tuple[int, str, str]]
LIMIT = 3.0
WHERE = [[60, 60], [840, 60], [840, 420], [60, 420], [60, 60]]
#: A place with a coat less, within the second tile row.
THIN = Thin((95.0, 40.0), area_mm2=500.0, coats_missing=1.0)
SX, SHOWN = 0.3, 4
HEAD = f"""
name = "Kestrel, galley bench"

[[under]]
name = "{GREEN[0]}"
lab = {list(GREEN[1])}

[[under]]
name = "{WHITE[0]}"
lab = {list(WHITE[1])}

[finish]
name = "sand"
lab = {list(SAND)}

[chart]
width_mm = 55.0
"""


def after(coats: int) -> Scene:
    """The panel after so many coats, photographed from the same tripod under a lamp moved a bit."""
    light = Light(falloff=0.04 + 0.01 * coats, falloff_towards_deg=40.0 * coats)
    thin = (THIN,) if coats else ()
    film = Film(coats=coats, sx_per_coat=SX)
    return scene(finish=SAND, film=film, seed=40 + coats, light=light, thin=thin)


def even(coats: int) -> float:
    """True ΔE to the finish of the even film, scikit-image."""
    lab = rendered(after(coats)).truth.finish_lab
    return float(deltaE_ciede2000(np.array(SAND), np.array(lab)))


def written(folder: Path, *, part: str = "bench, left", coats: int = SHOWN) -> Path:
    """A job folder of photos before the work and after each coat, each with its grey board."""
    tables, features = [], []
    for coat in range(coats + 1):
        shot = after(coat)
        save_photo(rendered(shot), folder / f"c{coat}.png")
        save_photo(rendered(shot.grey_board()), folder / f"b{coat}.png")
        stage = f'stage = "coat"\ncoat = {coat}' if coat else 'stage = "before"'
        tables.append(
            f'[[photo]]\nfile = "c{coat}.png"\npart = "{part}"\n{stage}\n'
            f'grey_board = "b{coat}.png"\n'
        )
        features.append(
            {
                "type": "Feature",
                "properties": {"photo": f"c{coat}.png", "name": "seat", "kind": "panel"},
                "geometry": {"type": "Polygon", "coordinates": [WHERE]},
            }
        )
    (folder / "job.toml").write_text(HEAD + "\n" + "\n".join(tables))
    outlines = {"type": "FeatureCollection", "features": features}
    (folder / "regions.geojson").write_text(json.dumps(outlines))
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("coats"))


@pytest.fixture(scope="module")
def found(folder: Path) -> Coats:
    return coats_of(load_job(folder))


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as stopped:
            main([str(one) for one in arguments])
        told = capsys.readouterr()
        return int(stopped.value.code or 0), told.out, told.err

    return call


def test_each_coat_is_told_as_far_off_as_it_is(found: Coats) -> None:
    (region,) = found.regions
    assert region.left_out == ()
    assert region.curve is not None
    assert [coat.coat for coat in region.curve.coats] == [0, 1, 2, 3, 4]
    for coat in region.curve.coats:
        far = coat.to_finish
        assert far is not None
        assert far.at_least - 1e-6 <= even(coat.coat) <= far.at_most + 1e-6
    # Half hidden it is not taken for what it mostly is: own tolerance, 1.5 of 20 to 5 ΔE.
    for coat in region.curve.coats[1:]:
        assert coat.to_finish is not None
        assert coat.to_finish.value == pytest.approx(even(coat.coat), abs=1.5)
    shares = [coat.share for coat in region.curve.coats]
    assert shares == sorted(shares, reverse=True)


def test_the_interval_holds_the_phantom_s_coats(found: Coats) -> None:
    needed = next(n for n in range(1, 12) if even(n) <= LIMIT) - SHOWN
    (region,) = found.regions
    assert region.curve is not None
    assert region.curve.more is not None, region.curve.unfit
    more = region.curve.more
    assert more.fewest <= needed
    assert more.most is not None  # a series this good tells
    assert needed <= more.most


def test_the_thin_place_hides_worst(found: Coats) -> None:
    (region,) = found.regions
    assert region.curve is not None
    for coat in region.curve.coats[2:]:
        assert coat.worst is not None
        x0, y0, x1, y1 = coat.worst.box_px
        middle = (0.5 * (x0 + x1) * 0.15, 0.5 * (y0 + y1) * 0.15)
        # Within the place's own radius, 12.6 mm, and half a tile.
        assert np.hypot(middle[0] - THIN.centre_mm[0], middle[1] - THIN.centre_mm[1]) < 18.0
        assert coat.worst.side_mm == pytest.approx(8.0, abs=0.5)


def test_the_command_tells_it_in_plain_words_and_in_json(folder: Path, run: Run) -> None:
    target = folder / "told.json"
    status, out, err = run("coats", folder, "--json", target)
    assert err == ""
    assert "bench, left: seat (limit 3 ΔE)" in out
    assert "more light coat" in out
    assert "(an estimate)" in out
    assert FOOT in out
    told = json.loads(target.read_text("utf-8"))
    assert told["schema"] == 1
    (region,) = told["regions"]
    assert status == {"hides": 0, "shows": 1, "not sure": 3}[region["state"]]
    assert region["more"]["estimate"] is True
    assert region["fit"]["residual_l"] < 0.5  # STANDARDS.md 3.3, 3
    assert [coat["kind"] for coat in region["coats"]] == ["ground"] + 4 * ["dye"]
    keys = {"coat", "kind", "files", "lab", "delta_e", "u", "at_least", "at_most"}
    assert set(region["coats"][1]) == keys | {"share", "share_of", "worst"}
    status, out, _ = run("coats", folder, "--json", "-")
    assert json.loads(out) == told


def test_a_seam_is_told_by_colour_alone_and_never_hides(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("report"))
    text = (folder / "regions.geojson").read_text("utf-8").replace('"panel"', '"seam"')
    band = [[60, 200], [840, 200], [840, 260], [60, 260], [60, 200]]
    text = text.replace(json.dumps([WHERE]), json.dumps([band]))
    (tmp_path / "regions.geojson").write_text(text, "utf-8")
    found = coats_of(load_job(tmp_path))
    (told,) = to_json(found)["regions"]
    assert told["by_colour_alone"] is True
    assert told["state"] == "not sure"
    assert any(
        text.startswith("a seam: its valley's shading leaves no ΔE") for text in told["says"]
    )
    for coat in told["coats"]:
        assert (coat["lab"], coat["delta_e"], coat["share"], coat["worst"]) == 4 * (None,)
        assert coat["at_least"] <= even(coat["coat"])
    assert told["coats"][0]["at_least"] > LIMIT  # the old colour is another kind of colour
    (region,) = coats_facts(found)
    assert curve_svg(region) == ""


def test_where_an_airbag_may_be_it_refers(tmp_path: Path, run: Run) -> None:
    written(tmp_path, part="seat bolster", coats=2)
    _, out, _ = run("coats", tmp_path, "--json", tmp_path / "told.json")
    assert AIRBAG_REFER in out
    assert AIRBAG_NOTICE in out
    assert "more light coat" not in out
    (region,) = json.loads((tmp_path / "told.json").read_text("utf-8"))["regions"]
    assert region["more"] is None
    assert region["airbag"] is True
    assert region["says"][0] == AIRBAG_REFER


def test_wrong_input_is_one_line(tmp_path: Path, run: Run) -> None:
    save_photo(rendered(after(1)), tmp_path / "c1.png")
    job = tmp_path / "job.toml"
    job.write_text(HEAD + '[[photo]]\nfile = "c1.png"\n')
    status, _, err = run("coats", tmp_path)
    assert status == 2
    assert err.count("\n") == 1
    assert "has no photo between coats" in err
    job.write_text(HEAD + '[[photo]]\nfile = "c1.png"\nstage = "coat"\n')
    status, _, err = run("coats", tmp_path)
    assert status == 2
    assert err.count("\n") == 1
    assert "after which coat" in err


def test_a_photo_without_a_chart_is_left_out_with_the_reason(tmp_path: Path, run: Run) -> None:
    written(tmp_path, coats=2)
    save_photo(rendered(scene(finish=SAND, seed=5, chart=None)), tmp_path / "c2.png")
    status, out, _ = run("coats", tmp_path)
    assert status == 3
    assert "c2.png is left out: no chart was found" in out
    assert "the photo of the last coat tells no colour" in out


def test_photos_in_another_named_light_are_left_out(tmp_path: Path, run: Run) -> None:
    written(tmp_path, coats=2)
    job = tmp_path / "job.toml"
    text = job.read_text("utf-8")
    assert text.count("coat = 2\n") == text.count("coat = 1\n") == 1
    text = text.replace("coat = 2\n", 'coat = 2\nlight = "day"\n')
    job.write_text(text.replace("coat = 1\n", 'coat = 1\nlight = "lamp"\n'))
    run("coats", tmp_path, "--json", tmp_path / "told.json")
    (region,) = json.loads((tmp_path / "told.json").read_text("utf-8"))["regions"]
    assert [coat["coat"] for coat in region["coats"]] == [0, 2]
    (left,) = region["left_out"]
    assert left["file"] == "c1.png"
    assert "in another light" in left["why"]


def test_the_pages_and_the_status_tell_of_it(folder: Path, run: Run) -> None:
    assert run("inspect", folder)[0] in (1, 3)
    status, out, err = run("report", folder)
    assert (status, err) == (0, "")
    assert {Path(line).name for line in out.split("\n") if line} == {
        "report.html",
        "report.pdf",
        "touch_up.pdf",
    }
    page = (folder / "report" / "report.html").read_text("utf-8")
    assert "Coat by coat" in page
    assert "limit 3 ΔE</text>" in page
    assert "Hiding curve of bench, left: seat, ΔE to the finish. before:" in page
    assert FOOT in page
    assert "(an estimate)" in page
    assert "`fullhide coats` tells how near each has come" in run("status", folder)[1]
