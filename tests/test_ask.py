"""What a retake asks for: places to look at, photos to take."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from staged import SEAM, flat_view, outlined_seam, region_of, rendered, scene

from fullhide.ask import _in_the_dark
from fullhide.checks.reach import LARGEST_SHARE, MOST_PLACES, PLACES_APART_MM, places
from fullhide.engine import inspect_photo
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import Camera, Chart, Distractor, Leather, Scene, render, save_photo
from fullhide.result import RegionResult
from fullhide.wording import OPEN_SEAM, nearer_reason, unseen_reason

GREY, NAVY = (55.0, 0.0, -1.0), (24.0, 2.0, -20.0)
WHOLE = np.ones((200, 300), bool)


def dots(*centres: tuple[int, int]) -> np.ndarray:
    mask = np.zeros(WHOLE.shape, bool)
    for row, column in centres:
        mask[row - 2 : row + 3, column - 2 : column + 3] = True
    return mask


def test_places_near_to_one_another_are_one() -> None:
    mm_per_px = 0.2
    near = round(0.6 * PLACES_APART_MM / mm_per_px)
    labels = places(dots((50, 50), (50, 50 + near), (150, 250)), WHOLE, mm_per_px=mm_per_px)
    assert labels is not None
    assert labels.max() == 2
    assert labels[50, 50] == labels[50, 50 + near] != labels[150, 250]


@pytest.mark.parametrize(
    "mask",
    [
        dots(),
        dots(*((20 + 20 * i, 20 + 90 * j) for i in range(9) for j in range(3))),
        np.indices(WHOLE.shape)[1] < 1.2 * LARGEST_SHARE * WHOLE.shape[1],
    ],
    ids=["none", "many", "large"],
)
def test_none_many_or_large_are_no_single_places(mask: np.ndarray) -> None:
    assert places(mask, WHOLE, mm_per_px=2.0 if mask.sum() == 27 * 25 else 0.2) is None
    assert MOST_PLACES < 27


def test_no_work_is_advised_on_a_place_near_an_airbag() -> None:
    assert "touch" not in unseen_reason(2, None, airbag=True)
    assert "touch it up" in unseen_reason(2, None, airbag=False)


def test_how_near_is_told_by_what_the_picture_shows() -> None:
    # 0.05 mm times 4000 pixels are 20 cm (arithmetic).
    assert "shows 20 cm at most" in nearer_reason(0.05, 4000, places=False)
    assert "if you cannot tell there" in nearer_reason(0.05, 4000, places=True)


def test_holes_that_could_hide_a_spot_are_boxed_and_the_rest_passes_without_them(
    tmp_path: Path,
) -> None:
    """A dark colour beneath looks like a hole; a person at the part sees which it is."""
    scene = Scene(
        size_px=(1200, 900),
        mm_per_px=0.1,
        seed=3,
        finish=GREY,
        under=(("old navy", NAVY),),
        leather=Leather(grain="smooth", gloss=0.4),
        camera=Camera(noise=0.5),
        chart=Chart(width_mm=45.0),
        distractors=(Distractor("perforation", (35.0, 45.0), 16.0),),
    )
    save_photo(render(scene), tmp_path / "p.jpg", quality=95)
    save_photo(render(scene.grey_board()), tmp_path / "g.jpg", quality=92)
    entry = PhotoEntry(file="p.jpg", grey_board="g.jpg")
    panel = outline("seat", "panel", 60, 60, 640, 800)
    job = Job(
        name="ask",
        folder=tmp_path,
        under=(Colour("old navy", NAVY),),
        finish=Colour("grey", GREY),
        chart=ChartSettings(width_mm=45.0),
        photos=(entry,),
        outlines=(panel,),
        outlined=frozenset({"p.jpg"}),
    )
    region = only(job, entry)
    assert region.verdict == "retake"
    (box,) = region.unseen_px
    # The truth is our own: the field of holes, of which none lies outside the box.
    assert (np.array(box[:2]) <= (270, 370)).all()
    assert (np.array(box[2:]) >= (430, 530)).all()
    assert any("only 1 place could hide a spot" in reason for reason in region.reasons)
    left_out = replace(job, outlines=(panel, outline("holes", "ignore", *box)))
    assert only(left_out, entry).verdict == "pass"
    assert only(left_out, entry).unseen_px == ()


OLD_RED, BLACK = ("old red", (38.0, 46.0, 26.0)), (20.0, 0.5, -0.5)


def dim_seam(folder: Path, *, name: str) -> RegionResult:
    """A closed seam of which a photo in bad light tells too little."""
    what = scene(
        finish=BLACK,
        under=(OLD_RED,),
        camera=Camera(noise=4.0),
        seams=(replace(SEAM, opened=False),),
    )
    drawn, _ = outlined_seam(rendered(what))
    return region_of(
        what, folder, outlines=[replace(drawn, name=name)], under=(OLD_RED,), finish=BLACK
    )


def test_light_is_to_fall_into_a_closed_seam_for_the_next_photo(tmp_path: Path) -> None:
    region = dim_seam(tmp_path, name="front seam")
    assert region.verdict == "retake"
    assert any(OPEN_SEAM in reason for reason in region.reasons)


def test_nobody_is_asked_to_open_a_seam_that_may_hold_an_airbag(tmp_path: Path) -> None:
    region = dim_seam(tmp_path, name="side airbag seam")
    assert region.verdict == "retake"
    assert not any(OPEN_SEAM in reason for reason in region.reasons)


@pytest.mark.parametrize(("depth", "dark"), [(0.0, False), (0.3, False), (0.6, True)])
def test_a_seam_lies_in_the_dark_by_what_its_darkest_stripe_gets(depth: float, dark: bool) -> None:
    # 1.5 mm of 12 get less light: 40 % less is the line, our own choice.
    rows = np.ones(80)
    rows[35:45] -= depth
    xyz = np.repeat(np.repeat(rows[:, None, None], 400, axis=1), 3, axis=2) * 0.3
    line = np.stack([np.arange(400) + 0.5, np.full(400, 40.0)], axis=1)
    view = flat_view(xyz, mm_per_px=0.15, line=line)
    assert _in_the_dark(view) is dark
    assert not _in_the_dark(flat_view(xyz, mm_per_px=0.15))  # a panel is none


def outline(name: str, kind: str, x0: int, y0: int, x1: int, y1: int) -> RegionOutline:
    polygon = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
    return RegionOutline(photo="p.jpg", name=name, kind=kind, polygon=polygon)


def only(job: Job, entry: PhotoEntry) -> RegionResult:
    (region,) = inspect_photo(job, entry).result.regions
    return region
