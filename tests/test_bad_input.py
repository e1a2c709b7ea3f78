"""Every wrong input, through the real engine: one line, status 2, the other photos still done."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from fullhide import cli

Run = Callable[..., tuple[int, str, str]]
JOB = """\
name = "Kestrel"
[[under]]
name = "old green"
lab = [38.0, -28.0, 9.0]
[[photo]]
file = "photos/good.png"
[[photo]]
file = "photos/other.png"
"""
SQUARE = [[40, 40], [360, 40], [360, 260], [40, 260], [40, 40]]


@pytest.fixture(scope="module")
def picture() -> bytes:
    """A brown surface with a little noise, 400 x 300, as PNG."""
    noise = np.random.default_rng(1).integers(0, 8, (300, 400, 3), dtype=np.uint8)
    surface = np.full((300, 400, 3), (60, 90, 150), np.uint8) + noise
    return bytes(cv2.imencode(".png", surface)[1].tobytes())


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str]) -> Run:
    """Run the command; give back status, output and errors."""

    def call(*arguments: object) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            cli.main([str(argument) for argument in arguments])
        out, err = capfd.readouterr()
        assert isinstance(caught.value.code, int)
        return caught.value.code, out, err

    return call


@pytest.fixture
def job(tmp_path: Path, picture: bytes) -> Path:
    """A job of two sound photos."""
    folder = tmp_path / "job"
    (folder / "photos").mkdir(parents=True)
    (folder / "job.toml").write_text(JOB)
    for name in ("good", "other"):
        (folder / "photos" / f"{name}.png").write_bytes(picture)
    return folder


def feature(photo: str, name: str, ring: list[list[float]]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"photo": photo, "name": name, "kind": "panel"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def outline(folder: Path, *features: dict[str, Any]) -> None:
    collection = {"type": "FeatureCollection", "features": features}
    (folder / "regions.geojson").write_text(json.dumps(collection))


def judged(out: str) -> list[tuple[str, str]]:
    """Photos and regions of the JSON that have a verdict."""
    return [
        (photo["file"], region["name"])
        for photo in json.loads(out)["photos"]
        for region in photo["regions"]
        if region["verdict"] in {"pass", "fail", "retake"}
    ]


def one_line(err: str, *words: str) -> None:
    assert err.count("\n") == 1, err
    assert err.startswith("fullhide: ")
    for word in words:
        assert word in err


def test_two_sound_photos_are_both_judged(run: Run, job: Path) -> None:
    status, out, err = run("inspect", job, "--json", "-")
    assert err == ""
    assert status in {0, 3}
    assert [file for file, _ in judged(out)] == ["photos/good.png", "photos/other.png"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"this is a letter, not a photo",
        b"\x89PNG\r\n\x1a\n",
        b"\xff\xd8\xff\xe0\x00\x10JFIF\x00",
        b"GIF89a\x01\x00\x01\x00\x00\x00\x00;",
        b"%PDF-1.7\n",
        bytes(range(256)) * 40,
    ],
    ids=["empty", "text", "png head", "jpeg head", "gif", "pdf", "bytes"],
)
def test_a_file_that_is_no_photo_stops_only_itself(run: Run, job: Path, content: bytes) -> None:
    (job / "photos" / "good.png").write_bytes(content)
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, "good.png")
    assert {file for file, _ in judged(out)} == {"photos/other.png"}
    assert len(json.loads(out)["problems"]) == 1


@pytest.mark.parametrize("share", [0.2, 0.6, 0.97])
def test_a_photo_that_is_cut_short_stops_only_itself(
    run: Run, job: Path, picture: bytes, share: float
) -> None:
    (job / "photos" / "good.png").write_bytes(picture[: int(len(picture) * share)])
    status, out, err = run("inspect", job, "--json", "-")
    # A photo may be refused, or opened with the doubt said; passing it is what must not happen.
    assert status in {2, 3}
    if status == 2:
        one_line(err, "good.png")
    verdicts = {p["file"]: [r["verdict"] for r in p["regions"]] for p in json.loads(out)["photos"]}
    assert "pass" not in verdicts.get("photos/good.png", [])
    assert "photos/other.png" in verdicts


def test_a_missing_photo_stops_only_itself(run: Run, job: Path) -> None:
    (job / "photos" / "good.png").unlink()
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, "job.toml, line 6", "photos/good.png", "is not in the job folder")
    assert {file for file, _ in judged(out)} == {"photos/other.png"}


def test_a_grey_board_that_is_no_photo_is_said(run: Run, job: Path) -> None:
    (job / "photos" / "helper.png").write_bytes(b"no photo")
    good = 'file = "photos/good.png"\n'
    (job / "job.toml").write_text(JOB.replace(good, good + 'grey_board = "photos/helper.png"\n'))
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, "helper.png")
    assert "photos/other.png" in {file for file, _ in judged(out)}


@pytest.mark.parametrize(
    ("ring", "words"),
    [
        ([[40, 40], [360, 260], [360, 40], [40, 260], [40, 40]], ("crosses or touches itself",)),
        ([[500, 40], [600, 40], [600, 200], [500, 40]], ("outside photo", "400 x 300")),
        ([[300, 40], [600, 40], [600, 200], [300, 40]], ("partly outside photo",)),
        ([[-80, 40], [60, 40], [60, 200], [-80, 40]], ("partly outside photo",)),
        ([], ("is empty",)),
        ([[5, 5], [5, 5], [5, 5], [5, 5]], ("three different points",)),
    ],
    ids=["self-crossing", "outside", "partly right", "partly left", "empty", "identical points"],
)
def test_a_bad_outline_stops_only_itself(
    run: Run, job: Path, ring: list[list[float]], words: tuple[str, ...]
) -> None:
    outline(
        job,
        feature("photos/good.png", "seat", SQUARE),
        feature("photos/good.png", "bad", ring),
        feature("photos/other.png", "back", SQUARE),
    )
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, "regions.geojson, line 1", '"bad"', *words)
    assert judged(out) == [("photos/good.png", "seat"), ("photos/other.png", "back")]


def test_a_second_region_of_the_same_name_is_refused(run: Run, job: Path) -> None:
    outline(job, *[feature("photos/good.png", "seat", SQUARE)] * 2)
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, '"seat"', "another region")
    assert ("photos/good.png", "seat") in judged(out)


def test_a_photo_whose_only_outline_is_bad_is_not_judged_by_a_proposal(run: Run, job: Path) -> None:
    outline(job, feature("photos/good.png", "bad", [[5, 5], [5, 5], [5, 5], [5, 5]]))
    status, out, _ = run("inspect", job, "--json", "-")
    assert status == 2
    assert {file for file, _ in judged(out)} == {"photos/other.png"}


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("lab", "lba", ("line 4", "unknown key `lba`", "did you mean `lab`?")),
        ("-28.0", "-280", ("line 4", "L from 0 to 100")),
        ('name = "Kestrel"', 'name = "Kestrel', ("line 1", "not valid TOML")),
        ("[[photo]]", "[[foto]]", ("did you mean `photo`?",)),
    ],
)
def test_a_job_that_cannot_be_read_is_one_line(
    run: Run, job: Path, old: str, new: str, words: tuple[str, ...]
) -> None:
    (job / "job.toml").write_text(JOB.replace(old, new))
    status, out, err = run("inspect", job, "--json", "-")
    assert status == 2
    one_line(err, "job.toml", *words)
    assert out == ""


def test_nothing_is_left_of_pictures_that_did_not_fit(
    run: Run, job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    target = tmp_path / "out"
    status, out, err = run("inspect", job, "--masks", target, "--overlays", target)
    assert status == 2
    assert [line.endswith("name another place") for line in err.splitlines()] == [True, True]
    assert list(target.iterdir()) == []
    assert "photos/good.png" in out
    assert "photos/other.png" in out


def test_the_photos_are_never_touched(run: Run, job: Path, tmp_path: Path, picture: bytes) -> None:
    photos = job / "photos"
    run("inspect", job, "--masks", photos, "--overlays", photos, "--json", photos / "r.json")
    for name in ("good", "other"):
        assert (photos / f"{name}.png").read_bytes() == picture
    assert (job / "job.toml").read_text() == JOB
    assert not [path for path in tmp_path.rglob("*") if path.name.startswith(".fullhide-")]
