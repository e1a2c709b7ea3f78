"""The printed card: true to scale on paper, and scale, pose and white read back from photos.

The painted scenes' truth is our own, and so are tolerances that no test names a reason for.
"""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from card_painter import SEAM, Carded, Sheet, framed, paint_card
from chart_painter import Placement
from photo_files import png

from fullhide import cli
from fullhide._card_layout import CARDS, DICTIONARY, FRAME, SMALL_FRAME, seam_card
from fullhide.calibrate import blur_px, colour_fit, flat_field
from fullhide.card import card_spec, find_card
from fullhide.card_sheet import PAPERS, Paper, card_pdf
from fullhide.chart import chart_spec, find_chart
from fullhide.errors import JobError
from fullhide.job import CardSettings, ChartSettings, Job, Limits, PhotoEntry, load_job
from fullhide.opened import open_entry, prepared
from fullhide.photo import Photo, open_photo
from fullhide.quality import FLAGS

LAB = chart_spec().lab
DPI = 300


def photographed(folder: Path, painted: Carded) -> Photo:
    (folder / "p.png").write_bytes(png(painted.encoded))
    return open_photo(folder / "p.png")


def printed_markers(pdf: bytes, page: int, folder: Path) -> dict[int, np.ndarray]:
    """Marker number to its corners in mm, off the page as poppler draws it."""
    (folder / "c.pdf").write_bytes(pdf)
    subprocess.run(
        ["pdftoppm", "-gray", "-r", str(DPI), "-f", str(page), "-l", str(page), "c.pdf", "c"],
        cwd=folder,
        check=True,
    )
    (path,) = folder.glob("c-*.pgm")
    picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    path.unlink()
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    how = cv2.aruco.DetectorParameters()
    how.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, how).detectMarkers(picture)
    assert numbers is not None
    return {
        int(number): quad.reshape(4, 2).astype(float) * 25.4 / DPI
        for number, quad in zip(np.ravel(numbers), corners, strict=True)
    }


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(
    ("cutout", "page", "cards"),
    [
        ((205.0, 143.5), 1, [FRAME]),
        ((108.0, 64.0), 1, [SMALL_FRAME]),
        ((205.0, 143.5), 2, [seam_card(n) for n in range(9)]),
    ],
    ids=["frame", "small frame", "seam cards"],
)
def test_what_is_printed_measures_what_it_should(
    paper: Paper,
    cutout: tuple[float, float],
    page: int,
    cards: list[object],
    tmp_path: Path,
) -> None:
    # Poppler draws it and OpenCV finds the markers: neither knows of our layout.
    seen = printed_markers(card_pdf(cutout_mm=cutout, paper=paper), page, tmp_path)
    wanted = {number: card for card in CARDS if card in cards for number in card.markers}
    assert seen.keys() == wanted.keys()
    for number, corners in seen.items():
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
        assert sides == pytest.approx(wanted[number].marker_mm, abs=0.09)  # a pixel at 300 dpi
    for card in CARDS:
        if card in cards:
            at = np.array([seen[number].mean(axis=0) for number in card.markers])
            should = np.array(list(card.markers.values()))
            assert at - at[0] == pytest.approx(should - should[0], abs=0.06)
    info = subprocess.run(["pdfinfo", "c.pdf"], cwd=tmp_path, capture_output=True, text=True)
    size = info.stdout.split("Page size:")[1].split()
    points = np.array([float(size[0]), float(size[2])])
    assert points * 25.4 / 72 == pytest.approx(PAPERS[paper], abs=0.02)


def test_every_marker_belongs_to_one_card() -> None:
    numbers = [number for card in CARDS for number in card.markers]
    assert len(numbers) == len(set(numbers))
    assert set(numbers) < set(range(50))  # DICT_4X4_50 has so many


@pytest.mark.parametrize(
    ("sheet", "place"),
    [
        (framed(), Placement(width_share=0.6, turn=12)),
        (framed(turned=True), Placement(width_share=0.5, turn=200, tilt=45, tilt_axis=30)),
        (framed(printed=0.985), Placement(width_share=0.6, turn=-80, tilt=20)),
        (SEAM, Placement(width_share=0.3, turn=70)),
        (SEAM, Placement(width_share=0.25, turn=130, tilt=40)),
    ],
    ids=["frame", "chart the other way round", "stretched", "seam", "seam tilted"],
)
def test_a_card_gives_scale_place_and_white(sheet: Sheet, place: Placement, tmp_path: Path) -> None:
    painted = paint_card(sheet, place, lab=LAB, seed=3)
    photo = photographed(tmp_path, painted)
    reading = find_card(photo, spec=card_spec(printed_mm=100 * sheet.printed))
    assert reading.found
    assert reading.kind == sheet.card.kind
    assert painted.card_corners is not None
    assert painted.white is not None
    # Our own truth; within half a per cent, and within three of its own standard uncertainties.
    assert reading.mm_per_px == pytest.approx(painted.mm_per_px, rel=0.005)
    assert abs(reading.mm_per_px - painted.mm_per_px) < 3 * reading.mm_per_px_u
    assert np.abs(reading.corners_px - painted.card_corners).max() < 1.0
    assert reading.white == pytest.approx(painted.white, rel=0.02)
    assert reading.flags == ()


def test_a_printers_stretch_is_taken_out_by_the_ruler(tmp_path: Path) -> None:
    painted = paint_card(
        replace(SEAM, printed=0.97), Placement(width_share=0.4, turn=20), lab=LAB, seed=4
    )
    photo = photographed(tmp_path, painted)
    told, untold = (find_card(photo, spec=card_spec(printed_mm=mm)) for mm in (97.0, None))
    assert told.mm_per_px == pytest.approx(painted.mm_per_px, rel=0.005)
    assert untold.mm_per_px == pytest.approx(painted.mm_per_px / 0.97, rel=0.005)
    # Unmeasured it says so, and its doubt holds the truth.
    assert untold.flags == ("card_unmeasured",)
    assert abs(untold.mm_per_px - painted.mm_per_px) < 3 * untold.mm_per_px_u


def test_the_frame_and_its_chart_agree(tmp_path: Path) -> None:
    painted = paint_card(framed(), Placement(width_share=0.6, turn=30, tilt=30), lab=LAB, seed=5)
    photo = photographed(tmp_path, painted)
    spec = chart_spec(width_mm=205.0, card=card_spec(printed_mm=100.0))
    reading = find_chart(photo, spec=spec)
    assert reading.found
    assert reading.card.found
    assert set(reading.flags) <= {"chart_small"}
    assert np.abs(reading.centres_px - painted.centres).max() < 0.05 * painted.width_px / 6
    # A width of the chart that cannot be is told, and blocks.
    wrong = find_chart(photo, spec=replace(spec, width_mm=190.0))
    assert "scales_differ" in wrong.flags
    assert "show_through" in FLAGS["scales_differ"].blocks


def test_the_frame_gives_the_scale_where_the_chart_cannot_be_read(tmp_path: Path) -> None:
    painted = paint_card(
        framed(), Placement(width_share=0.5, turn=30, tilt=20), lab=LAB, seed=5, shade=0.75
    )
    photo = photographed(tmp_path, painted)
    assert not find_chart(photo, spec=chart_spec(width_mm=205.0)).found
    reading = find_chart(photo, spec=chart_spec(width_mm=205.0, card=card_spec(printed_mm=100)))
    assert not reading.found
    assert reading.mm_per_px == pytest.approx(painted.mm_per_px, rel=0.005)
    # The hole tells where the chart lies.
    hole = reading.card.hole_px((205.0, 143.5))
    assert np.abs(hole - painted.corners).max() < 2.5
    assert "no_chart" in reading.flags


def test_a_seam_card_alone_calibrates_roughly_and_says_so(tmp_path: Path) -> None:
    painted = paint_card(SEAM, Placement(width_share=0.3, turn=10), lab=LAB, seed=6)
    photographed(tmp_path, painted)
    job = Job(
        name="staged",
        folder=tmp_path,
        under=(),
        thread=(),
        finish=None,
        chart=ChartSettings(),
        card=CardSettings(printed_mm=100.0),
        limits=Limits(),
        photos=(PhotoEntry(file="p.png"),),
    )
    opened = open_entry(job, job.photos[0])
    ready = prepared(opened, job, job.photos[0])
    assert ready.scene.scaled
    assert ready.scene.mm_per_px == pytest.approx(painted.mm_per_px, rel=0.005)
    assert "card_only" in ready.scene.flags
    assert "match" in FLAGS["card_only"].blocks
    field = flat_field(opened.photo, reading=ready.reading, polygons=[])
    fit = colour_fit(ready.reading, spec=ready.spec, field=field)
    assert fit.method == "paper white"
    # The card is no part of what is judged.
    (area,) = ready.scene.ignore
    assert cv2.contourArea(area.astype(np.float32)) > cv2.contourArea(
        ready.reading.card.corners_px.astype(np.float32)
    )
    assert np.abs(area - ready.reading.card.corners_px).max() < 20


@pytest.mark.parametrize("what", ["one marker", "mirrored", "another scheme"])
def test_what_is_no_card_is_none(what: str, tmp_path: Path) -> None:
    painted = paint_card(
        replace(SEAM, hidden=(29, 30)) if what == "one marker" else SEAM,
        Placement(width_share=0.4, mirrored=what == "mirrored"),
        lab=LAB,
        seed=7,
    )
    if what == "another scheme":
        other = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_50)
        painted.encoded[:] = 200
        for number in range(4):
            marker = cv2.aruco.generateImageMarker(other, number, 140)
            painted.encoded[200:340, 100 + 200 * number : 240 + 200 * number] = marker[..., None]
    reading = find_card(photographed(tmp_path, painted), spec=card_spec(printed_mm=100.0))
    assert not reading.found


@pytest.mark.parametrize("blur", [1.5, 3.0])
def test_the_card_tells_how_sharp_the_photo_is(blur: float, tmp_path: Path) -> None:
    painted = paint_card(SEAM, Placement(width_share=0.5, turn=8), lab=LAB, seed=9, blur=blur)
    photo = photographed(tmp_path, painted)
    reading = find_chart(photo, spec=chart_spec(card=card_spec(printed_mm=100.0)))
    seen = blur_px(photo, reading=reading, polygons=[])
    # Never told as sharper than it is; up to half as much too soft (our own tolerance).
    assert seen is not None
    assert 0.95 * blur < seen < 1.5 * blur


def test_specks_do_not_darken_the_white_and_a_shadow_is_no_white(tmp_path: Path) -> None:
    place = Placement(width_share=0.5)
    soiled = paint_card(replace(SEAM, dirt=0.35), place, lab=LAB, seed=8)
    reading = find_card(photographed(tmp_path, soiled), spec=card_spec(printed_mm=100.0))
    assert reading.found
    assert soiled.white is not None
    assert reading.white == pytest.approx(soiled.white, rel=0.02)
    shaded = paint_card(SEAM, place, lab=LAB, seed=8, shade=0.6)
    reading = find_card(photographed(tmp_path, shaded), spec=card_spec(printed_mm=100.0))
    assert reading.found
    assert reading.white.size == 0
    assert reading.flags == ("card_white_doubtful",)


def test_the_ruler_stands_in_the_job_file(tmp_path: Path) -> None:
    (tmp_path / "p.jpg").touch()
    text = 'name = "Kestrel"\n[[photo]]\nfile = "p.jpg"\n'
    (tmp_path / "job.toml").write_text(text)
    assert load_job(tmp_path).card is None
    (tmp_path / "job.toml").write_text(text + "[card]\n")
    assert load_job(tmp_path).card == CardSettings()
    (tmp_path / "job.toml").write_text(text + "[card]\nprinted_mm = 99.2\n")
    assert load_job(tmp_path).card == CardSettings(printed_mm=99.2)
    (tmp_path / "job.toml").write_text(text + "[card]\nprinted_mm = 9.9\n")
    with pytest.raises(JobError, match=r"printed_mm.*80 to 120"):
        load_job(tmp_path)


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        ([], 0),
        (["c.pdf", "--paper", "letter"], 0),
        (["c.txt"], 2),
        (["--paper", "a5"], 2),
        (["--chart-width-mm", "280"], 2),
        (["--chart-height-mm", "nan"], 2),
        (["missing/\0.pdf"], 2),
    ],
)
def test_the_command_writes_the_sheets_or_says_why_not(
    arguments: list[str],
    status: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as caught:
        cli.main(["card", *arguments])
    assert caught.value.code == status
    files = list(tmp_path.rglob("*.pdf"))
    assert len(files) == (1 if status == 0 else 0)
    if status == 0:
        assert files[0].read_bytes().startswith(b"%PDF")
    else:
        assert len(capsys.readouterr().err.splitlines()) == 1
