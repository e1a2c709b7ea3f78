"""What to do differently about a photo: each fault on a phantom with it, silence on good ones.

Truth and tolerances are our own.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from photo_faults import FAULTS, SIZE_PX, Shot, advised, companions, shot
from photo_files import jpeg
from PIL import Image

from fullhide import cli
from fullhide.advice import _EXPLAINED, SAYINGS, PhotoAdvice, advise
from fullhide.job import ChartSettings, loose_job
from fullhide.phantom import Lamp, render, save_photo
from fullhide.quality import FLAGS

Run = Callable[..., tuple[int, str, str]]
SEED = 71


def flags(photo: PhotoAdvice) -> list[str]:
    return [item.flag for item in photo.advice]


@pytest.fixture(scope="module")
def good() -> Shot:
    """Brown on a grey bench, chart of 90 mm."""
    return shot("", SEED, 5)


@pytest.fixture(scope="module")
def far() -> Shot:
    """Half a millimetre a pixel, chart of 205 mm."""
    return shot("too_far", SEED, 5)


@pytest.mark.parametrize(("number", "fault"), list(enumerate(FAULTS)))
def test_a_fault_is_told_first_and_alone(number: int, fault: str, tmp_path: Path) -> None:
    photo = shot(fault, SEED, number)
    told = flags(advised(photo, tmp_path))
    allowed = companions(photo.fault)
    assert photo.fault in told, photo.told
    assert set(told) <= {photo.fault} | allowed
    assert told[0] in {photo.fault} | allowed


@pytest.mark.parametrize("outlined", [True, False])
@pytest.mark.parametrize("number", [1, 5])
def test_nothing_is_said_of_a_good_photo(number: int, outlined: bool, tmp_path: Path) -> None:
    told = advised(shot("", SEED, number), tmp_path, outlined=outlined)
    assert told.good, flags(told)
    assert told.advice == ()


@pytest.mark.parametrize("fault", ["out_of_focus", "mixed_light"])
def test_without_an_outline_a_fault_is_told_as_well(fault: str, tmp_path: Path) -> None:
    photo = shot(fault, SEED, 3)
    assert flags(advised(photo, tmp_path, outlined=False))[0] == fault


def test_too_far_says_what_the_photo_may_show(far: Shot, tmp_path: Path) -> None:
    (item,) = advised(far, tmp_path).advice
    wanted, now = (float(text) for text in re.findall(r"(\d+) cm", item.says))
    assert now == pytest.approx(SIZE_PX[0] * far.scene.mm_per_px / 10, rel=0.06)  # our own truth
    # Seven pixels across a disc of 1 mm² is our own choice; the disc is geometry.
    across = math.sqrt(4 / math.pi)
    assert wanted == pytest.approx(SIZE_PX[0] * across / 7 / 10, rel=0.04)
    assert "m from" not in item.says  # no lens known, no distance


def test_the_distance_that_would_do_does(far: Shot, tmp_path: Path) -> None:
    (item,) = advised(far, tmp_path).advice
    wanted = float(re.findall(r"(\d+) cm", item.says)[0])
    near = replace(far.scene, mm_per_px=wanted * 10 / SIZE_PX[0])
    near = replace(near, chart=replace(near.chart, width_mm=62.0))  # type: ignore[type-var]
    path = tmp_path / "near.jpg"
    save_photo(render(near), path)
    job = loose_job([path], chart=ChartSettings(width_mm=62.0))
    assert "too_far" not in flags(advise(job, job.photos[0]))


def test_too_far_gives_the_distance_where_the_lens_is_known(far: Shot, tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26  # FocalLengthIn35mmFilm, EXIF 2.3
    path = tmp_path / "p.jpg"
    path.write_bytes(jpeg(far.rgb, exif=exif, quality=93))
    job = loose_job([path], chart=ChartSettings(width_mm=far.chart_width_mm))
    (item,) = [a for a in advise(job, job.photos[0]).advice if a.flag == "too_far"]
    view, _, away = (float(text) for text in re.findall(r"(\d+) cm", item.says))
    # Pinhole: as a 26 mm lens before a frame whose diagonal is that of 36 x 24 mm (EXIF's meaning
    # of the tag), at a width of view of `view` cm.
    diagonal = view * math.hypot(*SIZE_PX) / SIZE_PX[0]
    assert away == pytest.approx(26 / math.hypot(36, 24) * diagonal, rel=0.05)


@pytest.mark.parametrize(("azimuth", "side"), [(0.0, "right"), (180.0, "left")])
def test_one_sided_light_names_the_side(azimuth: float, side: str, tmp_path: Path) -> None:
    photo = shot("light_uneven", SEED, 6)
    lamp = Lamp(azimuth, 16.0, 1.0, 1.6 * SIZE_PX[0] * photo.scene.mm_per_px)
    light = replace(photo.scene.light, lamps=(lamp,), falloff=0.0)
    rendering = render(replace(photo.scene, light=light, surround="neutral"))
    shading, middle = rendering.truth.shading, SIZE_PX[0] // 2
    right = shading[:, middle : middle + 200].mean() > shading[:, 200:400].mean()
    assert right == (side == "right")  # the scene is what it is meant to be
    path = tmp_path / "p.jpg"
    save_photo(rendering, path)
    job = loose_job([path], chart=ChartSettings(width_mm=photo.chart_width_mm))
    says = [a.says for a in advise(job, job.photos[0]).advice if a.flag == "light_uneven"]
    assert f"brighter at the {side}" in says[0]


def test_every_saying_is_short_and_of_a_known_flag() -> None:
    assert SAYINGS.keys() <= FLAGS.keys()
    assert _EXPLAINED.keys() <= SAYINGS.keys()
    assert set().union(*_EXPLAINED.values()) <= SAYINGS.keys()
    assert max(map(len, SAYINGS.values())) <= 80


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command in an empty folder; give back status, output and errors."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            cli.main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in err
        assert isinstance(caught.value.code, int)
        return caught.value.code, out, err

    return call


def make_job(folder: Path, photo: Shot) -> Path:
    (folder / "photos").mkdir(parents=True)
    photo.save(folder / "photos" / "a.jpg")
    (folder / "job.toml").write_text(
        'name = "Kestrel"\n[[under]]\nname = "old green"\nlab = [38.0, -28.0, 9.0]\n'
        f"[chart]\nwidth_mm = {photo.chart_width_mm}\n"
        '[[photo]]\nfile = "photos/a.jpg"\n'
    )
    return folder


def test_a_good_photo_is_one_line(run: Run, good: Shot, tmp_path: Path) -> None:
    good.save(tmp_path / "a.jpg")
    said = run("check", "a.jpg", "--chart-width-mm", good.chart_width_mm)
    assert said == (0, "a.jpg: good\n", "")


def test_a_bad_photo_is_told_what_to_do(run: Run, far: Shot, tmp_path: Path) -> None:
    far.save(tmp_path / "a.jpg")
    status, out, err = run("check", "a.jpg", "--chart-width-mm", far.chart_width_mm)
    assert (status, err) == (3, "")
    first, second = out.splitlines()
    assert first == "a.jpg: take it again"
    assert second.startswith("  1. Too far away")


def test_without_a_width_it_says_that_distance_was_not_judged(
    run: Run, good: Shot, tmp_path: Path
) -> None:
    good.save(tmp_path / "a.jpg")
    status, out, _ = run("check", "a.jpg")
    assert status == 0
    assert out.splitlines()[1:] == [cli.cli_check.NO_SCALE]


def test_a_job_folder_and_a_photo_in_it_are_checked_alike(
    run: Run, good: Shot, tmp_path: Path
) -> None:
    make_job(tmp_path / "job", good)
    whole = run("check", "job")
    assert whole[0] == 0
    # A photo that job.toml does not name yet has the job's chart and limits all the same.
    good.save(tmp_path / "job" / "photos" / "new.jpg")
    status, out, _ = run("check", "job/photos/new.jpg", "job/photos/a.jpg")
    assert (status, len(out.splitlines())) == (0, 2)


@pytest.mark.parametrize("what", ["missing.jpg", "empty.jpg", "folder"])
def test_what_is_no_photo_is_one_line_and_the_rest_is_checked(
    run: Run, good: Shot, tmp_path: Path, what: str
) -> None:
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "folder").mkdir()
    good.save(tmp_path / "a.jpg")
    status, out, err = run("check", what, "a.jpg", "--chart-width-mm", good.chart_width_mm)
    assert (status, out) == (2, "a.jpg: good\n")
    assert len(err.splitlines()) == 1
    assert what in err


def test_a_width_that_is_none_is_refused(run: Run) -> None:
    status, _, err = run("check", "a.jpg", "--chart-width-mm", "-3")
    assert status == 2
    assert "--chart-width-mm" in err
