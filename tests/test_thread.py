"""Declared thread is no miss; what lies beneath still is. Truth: our own phantoms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from staged import GREEN, SEAM, WHITE, outlined_seam, region_of, rendered, scene, spot

from fullhide.errors import JobError
from fullhide.job import load_job
from fullhide.phantom import Distractor, Gap, Leather, Seam
from fullhide.result import RegionResult

CREAM = ("cream thread", (84.0, 1.0, 16.0))
RUST = ("rust thread", (42.0, 44.0, 42.0))
STRAW = ("straw thread", (80.0, 5.0, 45.0))
LEAF = ("leaf thread", (70.0, -30.0, 30.0))


def stitched(
    folder: Path, thread: tuple[float, float, float], *gaps: Gap, opened: bool = True
) -> RegionResult:
    """A seam over green, stitched with declared thread."""
    seam = replace(SEAM, opened=opened, thread=thread)
    what = scene(seams=(seam,), gaps=gaps)
    outline, _ = outlined_seam(rendered(what))
    return region_of(what, folder, outlines=[outline], under=(GREEN,), thread=(("thread", thread),))


def loose(lab: tuple[float, float, float]) -> Distractor:
    return Distractor("thread", (35.0, 45.0), size_mm=18.0, lab=lab)


@pytest.mark.parametrize("colour", [STRAW, LEAF], ids=lambda colour: colour[0])
def test_thread_is_no_miss_once_it_is_declared(tmp_path: Path, colour) -> None:
    what = scene(distractors=(loose(colour[1]),))
    unknown = region_of(what, tmp_path, under=(GREEN, WHITE))
    assert unknown.verdict != "pass"
    declared = region_of(what, tmp_path, under=(GREEN, WHITE), thread=(colour,))
    assert declared.verdict == "pass"
    assert declared.findings == ()


def test_what_nothing_explains_asks_for_a_photo_without_it(tmp_path: Path) -> None:
    region = region_of(scene(distractors=(loose(STRAW[1]),)), tmp_path, under=(GREEN, WHITE))
    assert region.verdict == "retake"
    assert "something_else" in region.flags
    assert any("[[thread]]" in reason for reason in region.reasons)


def test_thread_of_nearly_a_colour_beneath_is_told_declared_or_not(tmp_path: Path) -> None:
    what = scene(distractors=(loose(CREAM[1]),))
    region = region_of(what, tmp_path, under=(GREEN, WHITE), thread=(CREAM,))
    assert region.verdict == "fail"


def test_a_spot_beside_declared_thread_is_still_found(tmp_path: Path) -> None:
    what = scene(distractors=(loose(STRAW[1]),), spots=(spot(),))
    region = region_of(what, tmp_path, under=(GREEN, WHITE), thread=(STRAW,))
    assert region.verdict == "fail"
    assert [finding.under for finding in region.findings] == [GREEN[0]]


@pytest.mark.parametrize("under", [GREEN, WHITE], ids=lambda colour: colour[0])
@pytest.mark.parametrize("thread", [GREEN[1], WHITE[1], CREAM[1], RUST[1]])
def test_thread_never_hides_a_colour_beneath(tmp_path: Path, under, thread) -> None:
    # Not even thread of the very colour that lies beneath.
    what = scene(spots=(spot(under[0]),))
    region = region_of(what, tmp_path, under=(GREEN, WHITE), thread=(("thread", thread),))
    assert region.verdict == "fail"


def test_thread_is_read_from_the_job_file(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"x")
    text = 'name = "j"\n[[thread]]\nname = "Cream"\nlab = [84.0, 1.0, 16.0]\n'
    photo = '[[photo]]\nfile = "photos/a.jpg"\n'
    (tmp_path / "job.toml").write_text(text + photo)
    (thread,) = load_job(tmp_path).thread
    assert (thread.name, thread.lab) == ("Cream", (84.0, 1.0, 16.0))
    (tmp_path / "job.toml").write_text(text + text.split("\n", 1)[1] + photo)
    with pytest.raises(JobError, match=r'two \[\[thread\]\] tables are named "Cream"'):
        load_job(tmp_path)


def test_a_small_gap_beside_a_large_one_of_another_colour_is_told_as_well(tmp_path: Path) -> None:
    # 3 mm apart: at the size of the large one they are one mark.
    seam = Seam((5.0, 50.0), (140.0, 50.0), opened=True)
    gaps = (
        Gap(0, 38.0, 58.0, WHITE[0], width_mm=3.4),
        Gap(0, 61.0, 69.0, GREEN[0], width_mm=2.2),
    )
    what = scene(seams=(seam,), gaps=gaps)
    outline, _ = outlined_seam(rendered(what))
    region = region_of(what, tmp_path, outlines=[outline], under=(GREEN, WHITE))
    assert {finding.under for finding in region.findings} == {GREEN[0], WHITE[0]}


@pytest.mark.parametrize("opened", [True, False], ids=["opened", "closed"])
@pytest.mark.parametrize("thread", [(87.0, -1.0, 1.0), STRAW[1]], ids=["white", "straw"])
def test_a_stitched_seam_passes_once_its_thread_is_declared(tmp_path: Path, thread, opened) -> None:
    region = stitched(tmp_path, thread, opened=opened)
    assert region.verdict == "pass"
    assert region.detectable_mm2 is not None
    assert region.detectable_mm2 < 1.0


@pytest.mark.parametrize("share", [0.3, 1.0], ids=["a third", "bare"])
@pytest.mark.parametrize("thread", [(87.0, -1.0, 1.0), STRAW[1]], ids=["white", "straw"])
def test_a_gap_between_declared_stitches_is_found(tmp_path: Path, thread, share) -> None:
    gap = Gap(0, 50.0, 56.0, GREEN[0], width_mm=1.4, share=share)
    assert stitched(tmp_path, thread, gap).verdict == "fail"


def test_a_gap_that_looks_half_like_its_thread_is_never_passed(tmp_path: Path) -> None:
    # Its mark was taken for thread, and left out as if nothing could hide there.
    gap = Gap(0, 50.0, 56.0, GREEN[0], width_mm=1.4, share=0.3)
    assert stitched(tmp_path, LEAF[1], gap, opened=False).verdict != "pass"


def test_a_valleys_shade_is_not_taken_for_thread(tmp_path: Path) -> None:
    # It was, and 2.6 mm2 of the colour beneath with it.
    gap = Gap(0, 45.4, 48.4, GREEN[0], width_mm=1.4, share=0.4)
    assert stitched(tmp_path, STRAW[1], gap, opened=False).verdict != "pass"


@pytest.mark.parametrize("share", [0.15, 0.3, 0.6, 1.0])
@pytest.mark.parametrize("length_mm", [2.0, 4.0])
def test_a_gap_beside_thread_of_its_own_colour_is_never_passed(
    tmp_path: Path, share, length_mm
) -> None:
    # It was: stitch and gap made a mark like the other stitches', in their row.
    grey, thread = ("old grey", (58.0, 0.0, 0.0)), ("thread", (58.0, 2.0, -2.0))
    seam = replace(SEAM, opened=False, thread=thread[1])
    gap = Gap(0, 50.0, 50.0 + length_mm, grey[0], width_mm=1.5, share=share)
    smooth = Leather(grain="smooth", curvature_mm=2.0)
    ink = (26.0, 1.0, -14.0)
    what = scene(finish=ink, under=(grey,), seams=(seam,), leather=smooth, gaps=(gap,))
    outline, _ = outlined_seam(rendered(what))
    region = region_of(what, tmp_path, outlines=[outline], under=(grey,), thread=(thread,))
    assert region.verdict != "pass"
