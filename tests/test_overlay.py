"""Overlays: nothing that was found is hidden, and every verdict can be read without colour."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import photo_files as make
import pytest
from numpy.typing import NDArray

from fullhide import _overlay_draw, _overlay_legend, overlay
from fullhide._colour_science import colour as colour_science
from fullhide._overlay_draw import STYLES, dashes, shorten, stroke, text_width, wrap
from fullhide._overlay_legend import draw_legend, finding_words, nice_length
from fullhide._overlay_marks import numbers
from fullhide._overlay_place import Room
from fullhide.errors import OutputError
from fullhide.outlines import RegionOutline
from fullhide.overlay import MAX_SIDE, draw_overlay, save_overlay
from fullhide.photo import Photo, open_photo
from fullhide.result import ChartResult, Finding, PhotoResult, RegionResult, Verdict

Array = NDArray[Any]


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Photo:
    path = tmp_path_factory.mktemp("photo") / "bench.png"
    path.write_bytes(make.png(make.picture(1200, 900)))
    return open_photo(path)


def finding(number: int, box: tuple[int, int, int, int], **values: Any) -> Finding:
    x0, y0, x1, y1 = box
    given: dict[str, Any] = {
        "kind": "show_through",
        "under": "old green",
        "area_mm2": 4.0,
        "delta_e": 5.2,
        "share": 0.31,
        "along_seam_mm": None,
    }
    return Finding(
        id=number,
        box_px=box,
        centre_px=((x0 + x1) / 2, (y0 + y1) / 2),
        **{**given, **values},
    )


def region(name: str, verdict: Verdict | None, *findings: Finding, **values: Any) -> RegionResult:
    given: dict[str, Any] = {"part": None, "kind": "panel", "proposed": False}
    return RegionResult(name=name, verdict=verdict, findings=findings, **{**given, **values})


def outline(
    name: str, x0: float, y0: float, x1: float, y1: float, kind: str = "panel"
) -> RegionOutline:
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float64)
    return RegionOutline(photo="bench.png", name=name, kind=kind, polygon=corners)


def photo_result(
    photo: Photo, *regions: RegionResult, mm_per_px: float | None = 0.2
) -> PhotoResult:
    return PhotoResult(
        file="photos/bench.png",
        sha256=photo.sha256,
        size_px=photo.size_px,
        mm_per_px=mm_per_px,
        chart=ChartResult(found=False),
        regions=regions,
    )


def crowd(count: int, seed: int) -> list[Finding]:
    """Findings anywhere, at the photo's edges too."""
    random = np.random.default_rng(seed)
    found = []
    for number in range(1, count + 1):
        x0, y0 = int(random.integers(0, 1190)), int(random.integers(0, 890))
        wide, high = random.integers(1, 60, 2)
        found.append(finding(number, (x0, y0, min(1200, x0 + int(wide)), min(900, y0 + int(high)))))
    return found


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every line of words that is set."""
    lines: list[str] = []

    def note(image: Array, text: str, *rest: Any) -> None:
        lines.append(text)
        _overlay_draw.put_text(image, text, *rest)

    monkeypatch.setattr(overlay, "put_text", note)
    monkeypatch.setattr(_overlay_legend, "put_text", note)
    return lines


# ---------------------------------------------------------------- nothing is hidden


@pytest.mark.parametrize(("count", "seed"), [(1, 1), (6, 2), (25, 3), (90, 4)])
@pytest.mark.parametrize("verdict", ["fail", "retake", "pass"])
def test_every_finding_looks_as_in_the_photo(
    photo: Photo, count: int, seed: int, verdict: Verdict
) -> None:
    found = crowd(count, seed)
    result = photo_result(photo, region("cushion", verdict, *found))
    image = draw_overlay(photo, result=result, outlines=[outline("cushion", 0, 0, 1200, 900)])
    clean, _ = photo.preview(MAX_SIDE)
    assert not np.array_equal(image[:900], clean)
    for spot in found:
        x0, y0, x1, y1 = spot.box_px
        assert np.array_equal(image[y0:y1, x0:x1], clean[y0:y1, x0:x1])


def test_a_spot_inside_a_patch_of_uneven_colour_is_not_hidden_either(photo: Photo) -> None:
    patch = finding(1, (200, 200, 900, 800), kind="evenness", under=None)
    spots = [finding(2, (210, 210, 230, 240)), finding(3, (500, 500, 520, 505))]
    result = photo_result(photo, region("cushion", "fail", patch, *spots))
    image = draw_overlay(photo, result=result, outlines=[outline("cushion", 0, 0, 1200, 900)])
    clean, _ = photo.preview(MAX_SIDE)
    for spot in spots:
        x0, y0, x1, y1 = spot.box_px
        assert np.array_equal(image[y0:y1, x0:x1], clean[y0:y1, x0:x1])


def test_with_a_label_map_the_finding_itself_stays_as_it_is(photo: Photo) -> None:
    labels = np.zeros((900, 1200), np.uint16)
    cv2.line(labels, (200, 300), (700, 800), 1, 5)  # a long thin gap, its box mostly good surface
    cv2.circle(labels, (600, 400), 12, 2, -1)
    found = [finding(1, (197, 297, 703, 803)), finding(2, (588, 388, 613, 413))]
    result = photo_result(photo, region("cushion", "fail", *found))
    outlines = [outline("cushion", 0, 0, 1200, 900)]
    image = draw_overlay(photo, result=result, outlines=outlines, label_map=labels)
    clean, _ = photo.preview(MAX_SIDE)
    shown = image[:900]
    assert np.array_equal(shown[labels > 0], clean[labels > 0])
    # The ring runs close to the gap, so the far corner of the gap's box carries none of it.
    assert np.array_equal(shown[700:790, 210:300], clean[700:790, 210:300])


def test_a_ring_surrounds_every_finding(photo: Photo) -> None:
    spot = finding(1, (700, 500, 712, 509))
    result = photo_result(photo, region("cushion", "fail", spot))
    image = draw_overlay(photo, result=result, outlines=[outline("cushion", 0, 0, 1200, 900)])
    clean, _ = photo.preview(MAX_SIDE)
    drawn = (image[:900] != clean).any(axis=2).astype(np.uint8)
    # Seen from the finding, marks close off every way out: flooding stays in a small pool.
    pool = np.pad(drawn, 1, constant_values=1)
    cv2.floodFill(drawn, pool, (706, 504), 2, flags=4)
    assert 12 * 9 < (drawn == 2).sum() < 100 * 100


def test_the_photo_itself_is_not_touched(photo: Photo) -> None:
    before = photo.encoded.copy()
    result = photo_result(photo, region("cushion", "fail", *crowd(5, 1)))
    draw_overlay(photo, result=result, outlines=[outline("cushion", 0, 0, 1200, 900)])
    assert np.array_equal(photo.encoded, before)


@pytest.mark.parametrize("seed", range(4))
def test_labels_cover_neither_findings_nor_one_another(
    photo: Photo, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    plates: list[tuple[float, float, float, float]] = []

    def note(image: Array, box: tuple[float, float, float, float], *rest: Any, **kw: Any) -> None:
        # The verdict's own field lies on its label's plate and starts at the same corner.
        if not plates or box[:2] != plates[-1][:2]:
            plates.append(box)
        _overlay_draw.plate(image, box, *rest, **kw)

    monkeypatch.setattr(overlay, "plate", note)
    found = crowd(14, 20 + seed)
    names = ["left wing", "right wing", "front edge"]
    regions = [region(names[0], "fail", *found), *(region(n, "pass") for n in names[1:])]
    outlines = [
        outline(names[0], 0, 0, 600, 900),
        outline(names[1], 600, 0, 1200, 800),
        outline(names[2], 600, 800, 1200, 900, kind="panel"),
    ]
    draw_overlay(photo, result=photo_result(photo, *regions), outlines=outlines)
    assert len(plates) > 6

    def apart(a: tuple[float, ...], b: tuple[float, ...]) -> bool:
        return a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]

    assert all(apart(box, spot.box_px) for box in plates for spot in found)
    assert all(apart(a, b) for i, a in enumerate(plates) for b in plates[:i])


def test_labels_are_put_on_nothing_that_is_taken() -> None:
    random = np.random.default_rng(5)
    room = Room((800, 600), 4.0)
    for _ in range(40):
        x, y = random.integers(0, 760), random.integers(0, 560)
        near = room.mask([np.array([[x, y], [x + 30, y], [x + 30, y + 30], [x, y + 30]])])
        before = room.taken.copy()
        size = (float(random.integers(20, 150)), float(random.integers(15, 40)))
        zero = np.zeros(before.shape, np.float32)
        at = room.place(size, near=near, cover=zero, pull=0.01, block=before)
        if at is None:
            continue
        box = (at[0], at[1], at[0] + size[0], at[1] + size[1])
        assert 0 <= box[0] < box[2] <= 800
        assert 0 <= box[1] < box[3] <= 600
        room.take(box)
        # What was new is now taken, and nothing was taken twice.
        cells = int(np.ceil(size[0] / 4)) * int(np.ceil(size[1] / 4))
        assert room.taken.sum() - before.sum() == cells


def test_a_full_room_has_no_place() -> None:
    room = Room((400, 300), 4.0)
    room.take((0, 0, 400, 300))
    near = room.mask([np.array([[50, 50], [90, 50], [90, 90]])])
    zero = np.zeros(near.shape, np.float32)
    assert room.place((40, 20), near=near, cover=zero, pull=1, block=room.taken) is None


# ---------------------------------------------------------------- read without colour


def grey_profile(verdict: Verdict) -> Array:
    """Grey values of a straight line of that verdict, on mid-grey leather."""
    strip = np.full((120, 1000, 3), 128, np.uint8)
    ends = np.array([[20.0, 60.5], [980.0, 60.5]])
    stroke(strip, ends, STYLES[verdict], 5.0, closed=False)
    return np.asarray(cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)).astype(int)


def test_verdicts_differ_in_pattern_and_not_only_in_colour() -> None:
    middle = {v: grey_profile(v)[60, 100:900] for v in ("pass", "fail", "retake")}
    # A dark middle, a light middle between dark edges, a middle that changes along the line.
    assert middle["pass"].max() < 110
    assert middle["fail"].min() > 230
    assert np.ptp(middle["retake"]) > 120
    assert np.count_nonzero(np.abs(np.diff(middle["retake"])) > 60) >= 20


@pytest.mark.parametrize("leather", [15, 128, 245])
@pytest.mark.parametrize("verdict", ["pass", "fail", "retake"])
def test_lines_show_on_any_leather_in_black_and_white(leather: int, verdict: Verdict) -> None:
    strip = np.full((120, 1000, 3), leather, np.uint8)
    stroke(strip, np.array([[20.0, 60.5], [980.0, 60.5]]), STYLES[verdict], 5.0, closed=False)
    grey = np.asarray(cv2.cvtColor(strip, cv2.COLOR_RGB2GRAY)).astype(int)
    across = np.abs(grey[:, 100:900] - leather).max(axis=0)
    # A dashed line shows in its dashes; on black leather the gaps between them are black.
    assert np.mean(across > 80) > (0.5 if verdict == "retake" else 0.99)


def luminance(rgb: tuple[int, int, int]) -> float:
    """Relative luminance of WCAG 2.1, from its own text."""
    light = [
        c / 255 / 12.92 if c / 255 <= 0.04045 else ((c / 255 + 0.055) / 1.055) ** 2.4 for c in rgb
    ]
    return 0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2]


@pytest.mark.parametrize("verdict", STYLES)
def test_words_on_plates_have_the_contrast_of_wcag_aa(verdict: str | None) -> None:
    style = STYLES[verdict]
    ground = style.colour if style.filled else (255, 255, 255)
    high, low = sorted([luminance(style.ink), luminance(ground)], reverse=True)
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text of any size.
    assert (high + 0.05) / (low + 0.05) >= 4.5


@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_colours_of_verdicts_stay_apart_for_every_colour_vision(deficiency: str) -> None:
    # Machado, Oliveira and Fernandes (2009), complete deficiency, by colour-science.
    colour = colour_science()
    matrix = colour.CVD_MATRICES_MACHADO2010[deficiency][1.0]
    codes = np.array([STYLES[v].colour for v in ("pass", "fail", "retake")]) / 255
    light = np.clip(colour.models.eotf_sRGB(codes) @ np.asarray(matrix).T, 0, 1)
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(light, "sRGB"))
    for first, second in ((0, 1), (0, 2), (1, 2)):
        # Ten times what is plainly seen side by side; our own choice.
        assert colour.delta_E(lab[first], lab[second], method="CIE 2000") > 20


# ---------------------------------------------------------------- words


def test_verdict_words_names_and_reasons_are_written(photo: Photo, written: list[str]) -> None:
    result = photo_result(
        photo,
        region("left wing", "fail", finding(1, (100, 100, 120, 130)), reasons=("touch it up",)),
        region("right wing", "retake", reasons=("take it again",)),
        region("centre", "pass", part="lounge bench"),
        region("spare cut", None, kind="reference"),
    )
    outlines = [
        outline("left wing", 20, 50, 400, 600),
        outline("right wing", 800, 50, 1180, 600),
        outline("centre", 420, 50, 780, 600),
        outline("spare cut", 500, 680, 700, 860, kind="reference"),
    ]
    draw_overlay(photo, result=result, outlines=outlines)
    for word in ("FAIL", "RETAKE", "PASS"):
        assert written.count(word) == 2  # in the picture and in the legend
    assert "REFERENCE" in written
    for name in ("left wing", "right wing", "centre"):
        assert written.count(name) == 2
    assert {"touch it up", "take it again", "lounge bench", "bench.png"} <= set(written)
    assert "1 FAIL, 1 RETAKE, 1 PASS" in written


def test_a_place_that_could_hide_a_spot_is_marked_and_told(
    photo: Photo, written: list[str]
) -> None:
    seen = region("wing", "retake")
    box = (300, 300, 420, 380)
    plain = draw_overlay(
        photo, result=photo_result(photo, seen), outlines=[outline("wing", 20, 50, 800, 800)]
    )
    assert "?" not in written
    marked = draw_overlay(
        photo,
        result=photo_result(photo, replace(seen, unseen_px=(box,))),
        outlines=[outline("wing", 20, 50, 800, 800)],
    )
    assert written.count("?") == 1
    assert any("Corners with ?" in line for line in written)
    x0, y0, x1, y1 = box
    inside = np.s_[y0 + 2 : y1 - 2, x0 + 2 : x1 - 2]
    # What is inside the corners is left as the photo shows it.
    np.testing.assert_array_equal(marked[inside], plain[inside])


def test_an_ignored_patch_of_the_same_name_bears_no_verdict(
    photo: Photo, written: list[str]
) -> None:
    result = photo_result(photo, region("ignore", "pass"))
    outlines = [outline("ignore", 20, 50, 400, 600, kind="ignore")]
    draw_overlay(photo, result=result, outlines=outlines)
    assert written.count("PASS") == 1  # the legend's alone


def test_a_photo_without_regions_says_so(photo: Photo, written: list[str]) -> None:
    draw_overlay(photo, result=photo_result(photo), outlines=[])
    assert "no region was judged here" in written


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "old green, 4.0 mm², ΔE 5.2, share 31 %"),
        (
            {"area_mm2": 14.4, "along_seam_mm": (120.4, 134.0)},
            "old green, 14 mm², ΔE 5.2, share 31 %, seam 120–134 mm",
        ),
        ({"area_mm2": None, "delta_e": None, "share": None}, "old green"),
        ({"kind": "evenness", "under": None, "share": None}, "uneven colour, 4.0 mm², ΔE 5.2"),
    ],
)
def test_findings_in_words_hold_only_what_is_known(values: dict[str, Any], words: str) -> None:
    assert finding_words(finding(1, (0, 0, 5, 5), **values)) == words


def test_a_long_list_of_findings_is_cut_and_says_so(photo: Photo, written: list[str]) -> None:
    result = photo_result(photo, region("cushion", "fail", *crowd(30, 6)))
    draw_overlay(photo, result=result, outlines=[outline("cushion", 0, 0, 1200, 900)])
    assert "and 18 more, listed in the JSON" in written
    assert sum("old green" in line for line in written) == 12


@pytest.mark.parametrize(
    ("ids", "text"),
    [
        ([7], "7"),
        ([1, 2], "1, 2"),
        ([3, 1, 2, 4], "1–4"),
        ([1, 2, 3, 7, 9], "1–3, 7, 9"),
        ([1, 3, 5, 7, 9, 10], "1, 3, 5 +3"),
    ],
)
def test_numbers_are_written_short(ids: list[int], text: str) -> None:
    assert numbers(ids) == text


def test_wrapping_keeps_all_words_and_the_width() -> None:
    text = "old green shows through at 3 places, Donaudampfschifffahrtsgesellschaft, 14 mm² ΔE"
    for width in (60, 150, 400):
        lines = wrap(text, 30, width)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
        assert all(text_width(line, 30) <= width for line in lines)


def test_shortened_words_end_in_an_ellipsis() -> None:
    assert shorten(["one", "two"], 2) == ["one", "two"]
    assert shorten(["one", "two,", "three"], 2) == ["one", "two…"]


@pytest.mark.parametrize(
    "name",
    ["Größe, hinten", "皮革の座席", "кресло", "\ud800 lost", "tab\tand\nline", "x" * 500, "🛋"],
)
def test_any_name_can_be_drawn(photo: Photo, name: str) -> None:
    result = photo_result(photo, region(name, "pass", part=name, reasons=(name,)))
    image = draw_overlay(photo, result=result, outlines=[outline(name, 10, 10, 900, 900)])
    assert image.dtype == np.uint8


# ---------------------------------------------------------------- scale


@pytest.mark.parametrize(
    ("longest", "nice"),
    [(1.0, 1), (1.9, 1), (2.0, 2), (4.99, 2), (73, 50), (0.07, 0.05), (999, 500)],
)
def test_scale_bars_are_of_round_length(longest: float, nice: float) -> None:
    assert nice_length(longest) == pytest.approx(nice)


@pytest.mark.parametrize("px_per_mm", [0.37, 2.5, 5.0, 13.3])
def test_the_scale_bar_is_as_long_as_it_says(
    photo: Photo, px_per_mm: float, written: list[str]
) -> None:
    strip = draw_legend(photo_result(photo), width=1600, unit=4.0, px_per_mm=px_per_mm)
    stated = next(float(line.split()[0]) for line in written if line.endswith(" mm"))
    # The bar's upper frame is one dark run from its first to its last block.
    dark = strip[33].max(axis=1) < 60
    first = int(np.argmax(dark))
    length = int(np.argmin(dark[first:]))
    assert length == pytest.approx(stated * px_per_mm, abs=1.01)


def test_without_a_scale_no_millimetres_are_claimed(photo: Photo, written: list[str]) -> None:
    draw_overlay(photo, result=photo_result(photo, mm_per_px=None), outlines=[])
    assert any("no scale" in line for line in written)
    assert not any(line.endswith("0 mm") for line in written)


# ---------------------------------------------------------------- size, file, limits


@pytest.mark.parametrize(
    ("size", "wanted"), [((3000, 1800), (2000, 1200)), ((300, 200), (1200, 800))]
)
def test_large_photos_shrink_and_small_ones_grow(
    tmp_path: Path, size: tuple[int, int], wanted: tuple[int, int]
) -> None:
    path = tmp_path / "p.png"
    path.write_bytes(make.png(np.tile(make.picture(100, 100), (size[1] // 100, size[0] // 100, 1))))
    photo = open_photo(path)
    image = draw_overlay(photo, result=photo_result(photo), outlines=[])
    assert image.shape[1] == wanted[0]
    assert image.shape[0] > wanted[1]


def test_a_narrow_photo_still_gets_legible_words(tmp_path: Path) -> None:
    path = tmp_path / "p.png"
    path.write_bytes(make.png(make.picture(100, 1400)))
    photo = open_photo(path)
    spot = finding(1, (40, 700, 50, 720))
    result = photo_result(photo, region("piping", "fail", spot, kind="seam"))
    image = draw_overlay(
        photo, result=result, outlines=[outline("piping", 30, 100, 60, 1300, kind="seam")]
    )
    assert image.shape[1] == 900
    clean, _ = photo.preview(MAX_SIDE)
    assert np.array_equal(image[700:720, 440:450], clean[700:720, 40:50])


def test_a_label_map_of_another_size_is_an_error(photo: Photo) -> None:
    with pytest.raises(ValueError, match="label_map"):
        draw_overlay(
            photo,
            result=photo_result(photo),
            outlines=[],
            label_map=np.zeros((5, 5), np.uint16),
        )


def test_the_same_result_gives_the_same_file(tmp_path: Path, photo: Photo) -> None:
    result = photo_result(photo, region("cushion", "fail", *crowd(12, 7)))
    outlines = [outline("cushion", 10, 10, 1190, 890)]
    hashes = set()
    for name in ("a.png", "b.png"):
        save_overlay(tmp_path / name, photo=photo, result=result, outlines=outlines)
        hashes.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(hashes) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "b.png"]
    written = cv2.imread(str(tmp_path / "a.png"))
    drawn = draw_overlay(photo, result=result, outlines=outlines)
    assert written is not None
    assert np.array_equal(written[..., ::-1], drawn)


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path, photo: Photo) -> None:
    target = tmp_path / "nowhere" / "a.png"
    with pytest.raises(OutputError, match=r"a\.png: cannot be written"):
        save_overlay(target, photo=photo, result=photo_result(photo), outlines=[])


def test_dashes_cover_their_share_of_the_line() -> None:
    square = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], np.float64)
    parts = dashes(square, 7.0, 5.0, closed=True)
    length = sum(float(np.hypot(*np.diff(part, axis=0).T).sum()) for part in parts)
    assert length == pytest.approx(400 * 7 / 12)
    assert len(parts) == round(400 / 12)
