"""A second photo of the view: what it settles, and what it never overrules. Truth: our phantoms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from photo_files import png
from staged import (
    CLEAN,
    ONE_SPOT,
    box_outline,
    finding_of,
    inspected,
    job_of,
    rendered,
    scene,
    spot,
)

from fullhide import wording
from fullhide.also import Seconds
from fullhide.background import Background
from fullhide.checks.outcome import Outcome, Spot
from fullhide.checks.steady import steady
from fullhide.companion import Companion, changed, joined
from fullhide.engine import Inspection, inspect_photo
from fullhide.errors import FullhideError
from fullhide.phantom import Camera, Leather, Scene, save_photo
from fullhide.quality import FLAGS
from fullhide.region import RegionView
from fullhide.registration import Registration
from fullhide.result import RegionResult

TURN, SHIFT = 100.0, (7.0, -5.0)
#: So dim that one photo's noise hides the smallest spot of the limit.
DIM = scene(camera=Camera(noise=3.0), leather=Leather(grain="fine", curvature_mm=2.0))
UNREGISTERED = wording.flag_reasons(["also_unregistered"])[0]


def moved(what: Scene, **changes: Any) -> Scene:
    return replace(what.lamp_moved(TURN, shift_px=SHIFT), **changes)


def pair(first: Scene, second: Scene, folder: Path, **asked: Any) -> Inspection:
    save_photo(rendered(second), folder / "q.png")
    return inspected(first, folder, also=("q.png",), **asked)


def only(what: Inspection) -> RegionResult:
    (region,) = what.result.regions
    return region


def burnt(what: Scene, folder: Path, centre: tuple[float, float], radius: float) -> None:
    """The first photo with a round piece of it burnt out."""
    rgb = np.array(rendered(what).rgb)
    rows, columns = np.indices(rgb.shape[:2])
    hit = np.hypot(columns + 0.5 - centre[0], rows + 0.5 - centre[1]) < radius
    rgb[hit] = np.iinfo(rgb.dtype).max
    (folder / "p.png").write_bytes(png(rgb))


def test_what_noise_hides_in_one_photo_two_show(tmp_path: Path) -> None:
    alone = only(inspected(DIM, tmp_path))
    assert alone.verdict == "retake"
    assert any(wording.MOVE_LAMP in reason for reason in alone.reasons)
    assert alone.ask_mm_per_px is not None
    assert alone.ask_mm_per_px < 0.9 * DIM.mm_per_px
    got = pair(DIM, moved(DIM), tmp_path)
    both = only(got)
    assert both.verdict == "pass"
    assert alone.detectable_mm2 is not None
    assert both.detectable_mm2 is not None
    # Independent noise of two photos: half the variance, and with it some half of the area.
    assert both.detectable_mm2 < 0.75 * alone.detectable_mm2
    (note,) = got.result.quality["also"]
    assert note["file"] == "q.png"
    assert note["used"] is True
    assert note["colours_from"] == "its own chart"
    assert np.hypot(note["shift_px"][0] - SHIFT[0], note["shift_px"][1] - SHIFT[1]) < 1.0


def test_a_spot_in_the_dark_of_two_photos_is_a_fail(tmp_path: Path) -> None:
    dark = replace(DIM, spots=(spot(area_mm2=6.0, delta_e=8.0),))
    assert only(pair(dark, moved(dark), tmp_path)).verdict == "fail"


def test_what_is_burnt_out_in_one_photo_is_seen_in_the_other(tmp_path: Path) -> None:
    (truth,) = rendered(ONE_SPOT).truth.spots
    save_photo(rendered(moved(ONE_SPOT)), tmp_path / "q.png")
    burnt(ONE_SPOT, tmp_path, truth.centre_px, 45.0)
    panel = [box_outline(rendered(ONE_SPOT).truth.region_px)]
    job = job_of(tmp_path, panel)
    alone = only(inspect_photo(job, job.photos[0]))
    assert alone.verdict == "retake"
    assert "clipped" in alone.flags
    assert any(wording.MOVE_LAMP in reason for reason in alone.reasons)
    assert alone.ask_mm_per_px is not None
    assert alone.ask_mm_per_px < 0.9 * DIM.mm_per_px
    job = job_of(tmp_path, panel, also=("q.png",))
    both = only(inspect_photo(job, job.photos[0]))
    assert both.verdict == "fail"
    assert "clipped" not in both.flags
    found = finding_of(both)
    assert np.hypot(*np.subtract(found.centre_px, truth.centre_px)) < 4.0
    assert found.area_mm2 == pytest.approx(truth.area_mm2, rel=0.3)


def test_a_clean_surface_burnt_out_in_one_photo_passes_by_the_other(tmp_path: Path) -> None:
    save_photo(rendered(moved(CLEAN)), tmp_path / "q.png")
    burnt(CLEAN, tmp_path, (400.0, 230.0), 45.0)
    job = job_of(tmp_path, [box_outline(rendered(CLEAN).truth.region_px)], also=("q.png",))
    region = only(inspect_photo(job, job.photos[0]))
    assert region.verdict == "pass", (region.reasons, region.flags)
    assert region.measures["judged_share"].value == pytest.approx(1.0, abs=0.01)


def test_a_second_photo_without_a_chart_takes_its_colours_from_the_first(tmp_path: Path) -> None:
    got = pair(DIM, moved(DIM, chart=None), tmp_path)
    (note,) = got.result.quality["also"]
    assert note["used"] is True
    assert note["colours_from"] == "the region in the first photo"
    assert only(got).verdict in ("pass", "retake")
    assert "also_unregistered" not in only(got).flags


@pytest.mark.parametrize("first", [CLEAN, ONE_SPOT], ids=["pass", "fail"])
def test_a_photo_that_decides_alone_asks_nobody(first: Scene, tmp_path: Path) -> None:
    """The named photo is not even opened: it is no photo."""
    (tmp_path / "q.png").write_text("no photo")
    alone = only(inspected(first, tmp_path))
    got = inspected(first, tmp_path, also=("q.png",))
    assert only(got).verdict == alone.verdict != "retake"
    assert got.problems == ()
    assert got.result.quality["also"] == [{"file": "q.png", "used": False}]


def test_a_plain_miss_is_not_talked_away_by_a_photo_of_another_part(tmp_path: Path) -> None:
    got = pair(ONE_SPOT, moved(replace(CLEAN, seed=77)), tmp_path)
    assert only(got).verdict == "fail"


def test_a_photo_of_another_part_is_refused_and_said_so(tmp_path: Path) -> None:
    alone = only(inspected(DIM, tmp_path))
    got = pair(DIM, moved(replace(CLEAN, seed=77)), tmp_path)
    region = only(got)
    assert region.verdict == "retake"
    assert region.detectable_mm2 == alone.detectable_mm2
    assert "also_unregistered" in region.flags
    assert UNREGISTERED in region.reasons
    assert got.result.quality["also"] == [{"file": "q.png", "used": False}]


def test_a_photo_that_cannot_be_opened_is_a_problem_and_no_more(tmp_path: Path) -> None:
    (tmp_path / "q.png").write_text("no photo")
    got = inspected(DIM, tmp_path, also=("q.png",))
    assert only(got).verdict == "retake"
    (problem,) = got.problems
    assert "q.png" in str(problem)


def test_two_further_photos_show_more_than_one(tmp_path: Path) -> None:
    save_photo(rendered(DIM.lamp_moved(-90.0, shift_px=(-4.0, 3.0))), tmp_path / "r.png")
    one = only(pair(DIM, moved(DIM), tmp_path))
    got = inspected(DIM, tmp_path, also=("q.png", "r.png"))
    assert [note["used"] for note in got.result.quality["also"]] == [True, True]
    assert one.detectable_mm2 is not None
    two = only(got).detectable_mm2
    assert two is not None
    assert two < one.detectable_mm2


def test_without_further_photos_nothing_is_told_of_them(tmp_path: Path) -> None:
    assert "also" not in inspected(CLEAN, tmp_path).result.quality


def test_no_second_photo_is_asked_for_where_it_would_not_help(tmp_path: Path) -> None:
    """Without a chart there is no scale, and the lamp does not change that."""
    region = only(inspected(replace(DIM, chart=None), tmp_path))
    assert region.verdict == "retake"
    assert not any("lamp moved" in reason or "move the lamp" in reason for reason in region.reasons)


def test_the_words_say_what_to_do_and_where_to_name_it() -> None:
    for word in ("camera", "lamp", "same view", "also"):
        assert word in wording.SECOND_PHOTO
    assert FLAGS["also_unregistered"].settle
    assert not FLAGS["also_unregistered"].blocks


def test_each_photo_is_opened_once_and_problems_are_kept() -> None:
    calls = []

    def opener(file: str) -> Any:
        calls.append(file)
        raise FullhideError(file, "no photo", "take another")

    seconds = Seconds(("a", "b"), opener)
    assert seconds.opened() == seconds.opened() == []
    assert calls == ["a", "b"]
    assert [str(p.where) for p in seconds.problems] == ["a", "b"]
    assert seconds.told() == [{"file": "a", "used": False}, {"file": "b", "used": False}]


# Two looks made one, on numbers of our own.

SIDE = 240
SPOT = (slice(100, 116), slice(60, 76))


def look(ratio: NDArray[Any], judged: NDArray[np.bool_] | None = None) -> tuple[RegionView, Any]:
    everywhere = np.ones((SIDE, SIDE), bool)
    seen = everywhere if judged is None else judged
    values = np.where(seen[..., None], ratio, 0.0).astype(np.float32)
    view = RegionView(
        xyz=np.full((SIDE, SIDE, 3), 0.3, np.float32),
        inside=everywhere,
        judged=seen,
        clipped=~seen,
        mm_per_px=0.3,
        scaled=True,
        factor=1.0,
        box=(0, 0, SIDE, SIDE),
    )
    ground = Background(
        finish=np.array([0.3, 0.3, 0.3]),
        ratio=values,
        weight=seen.astype(np.float32),
        judged=seen,
        bare=np.zeros((SIDE, SIDE), bool),
    )
    return view, ground


def together(*ratios: NDArray[Any], seen: Any = (None, None)) -> tuple[RegionView, Background]:
    views = [look(r, s) for r, s in zip(ratios, seen, strict=True)]
    others = [
        Companion(view=v, ground=g, registration=Registration(found=True)) for v, g in views[1:]
    ]
    return joined(*views[0], others, limit_mm2=1.0)


def noise(seed: int, size: float = 0.05) -> NDArray[np.float64]:
    return np.random.default_rng(seed).normal(0, size, (SIDE, SIDE, 3))


def test_independent_noise_is_halved_in_variance() -> None:
    _, ground = together(noise(1), noise(2))
    assert ground.ratio.std() == pytest.approx(0.05 / np.sqrt(2), rel=0.03)


def test_the_quieter_photo_weighs_more() -> None:
    """Inverse variances: 0.02 and 0.08 give 1/sqrt(1/0.02² + 1/0.08²) = 0.0194."""
    _, ground = together(noise(1, 0.08), noise(2, 0.02))
    assert ground.ratio.std() == pytest.approx(0.0194, rel=0.05)


def test_shading_that_turns_over_with_the_lamp_cancels() -> None:
    grain = np.repeat(noise(3, 0.1)[..., :1], 3, axis=2)
    _, ground = together(grain + noise(1, 0.005), -grain + noise(2, 0.005))
    assert ground.ratio.std() < 0.01


def test_a_colour_that_stays_keeps_its_height() -> None:
    seen = np.zeros((SIDE, SIDE, 3))
    seen[SPOT] = (-0.3, 0.2, 0.1)
    grain = np.repeat(noise(3, 0.1)[..., :1], 3, axis=2)
    _, ground = together(seen + grain + noise(1), seen - 0.4 * grain + noise(2))
    np.testing.assert_allclose(ground.ratio[SPOT].mean(axis=(0, 1)), (-0.3, 0.2, 0.1), atol=0.02)


def test_what_one_photo_alone_shows_is_taken_from_it() -> None:
    hidden = np.ones((SIDE, SIDE), bool)
    hidden[SPOT] = False
    shows = noise(2)
    shows[SPOT] = (0.5, -0.2, 0.1)
    view, ground = together(noise(1), shows, seen=(hidden, None))
    np.testing.assert_allclose(ground.ratio[SPOT], shows[SPOT], atol=1e-6)
    assert ground.judged.all()
    assert view.judged.all()
    assert not view.clipped.any()
    # One look is worth less than two.
    assert ground.weight[SPOT].mean() == pytest.approx(0.5, abs=0.05)


def test_what_neither_shows_stays_unseen() -> None:
    hidden = np.ones((SIDE, SIDE), bool)
    hidden[SPOT] = False
    view, ground = together(noise(1), noise(2), seen=(hidden, hidden))
    assert not ground.judged[SPOT].any()
    assert view.clipped[SPOT].all()
    assert (ground.weight[SPOT] == 0).all()


def test_a_spot_that_changed_with_the_lamp_is_in_doubt_and_not_gone() -> None:
    labels = np.zeros((SIDE, SIDE), np.uint16)
    labels[SPOT], labels[150:160, 150:160] = 1, 2
    spots = tuple(
        Spot(
            kind="show_through",
            under="old green",
            area_mm2=4.0,
            area_u_mm2=0.2,
            delta_e=9.0,
            share=0.3,
            centre=(float(x), float(y)),
        )
        for x, y in ((68, 108), (155, 155))
    )
    sure = Outcome(check="show_through", verdict="fail", spots=spots, labels=labels)
    nowhere = np.zeros((SIDE, SIDE), bool)
    assert steady(sure, nowhere).verdict == "fail"
    one = nowhere.copy()
    one[SPOT] = True
    found = steady(sure, one)
    assert found.verdict == "fail"
    assert [spot.verdict for spot in found.spots] == ["retake", "fail"]
    everywhere = steady(sure, ~nowhere)
    assert everywhere.verdict == "retake"
    assert [spot.verdict for spot in everywhere.spots] == ["retake", "retake"]


@pytest.mark.parametrize(("second", "differs"), [(0.6, False), (0.1, True), (-0.5, True)])
def test_photos_contradict_where_brightness_changed(second: float, differs: bool) -> None:
    first, other = noise(1), noise(2)
    first[SPOT] += 0.6
    other[SPOT] += second
    (view, ground), (v, g) = look(first), look(other)
    moved_there = changed(
        view,
        ground,
        [Companion(view=v, ground=g, registration=Registration(found=True))],
        limit_mm2=1.0,
    )
    inner = moved_there[103:113, 63:73]
    assert inner.mean() == (1.0 if differs else 0.0)
    assert moved_there.mean() < 0.02
