"""Re-shot photos laid over the earlier ones by the surface itself: rendered, truth our own.

Tolerances are our own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from kept_job import judged, keep, outline, photo, spot, write_job
from staged import CHART_MM, rendered, scene
from staged import spot as bare

from fullhide import follow as follow_module
from fullhide.follow import follow
from fullhide.inspection import run_jobs
from fullhide.job import Job
from fullhide.phantom import View, save_photo
from fullhide.phantom._view import seen
from fullhide.record import Record
from fullhide.standing import standing

GONE, LEFT, NEW = (40.0, 35.0), (95.0, 30.0), (40.0, 44.0)
FIRST = scene(spots=(bare(at=GONE, area_mm2=20.0), bare(at=LEFT, area_mm2=20.0)))
SEAT = ((50.0, 50.0), (850.0, 50.0), (850.0, 430.0), (50.0, 430.0))
VIEW = View(tilt_deg=8.0, towards_deg=30.0, turn_deg=3.0, distance=1.12)
AGAIN = replace(FIRST, spots=(bare(at=NEW, area_mm2=20.0), bare(at=LEFT, area_mm2=7.0)), view=VIEW)


@pytest.fixture(scope="module")
def inspected(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A panel with two spots; shot again from elsewhere, one gone, one smaller, one new."""
    folder = tmp_path_factory.mktemp("follow")
    view = seen(AGAIN)
    assert view is not None
    # Drawn by another hand: 6 mm off at one side.
    drawn = view.to_photo(np.array(SEAT) + np.array([(40, 0), (0, 0), (0, 0), (40, 0)]))
    for name, what in (("first.png", FIRST), ("again.png", AGAIN)):
        save_photo(rendered(what), folder / name)
    job = write_job(
        folder,
        photo("first.png") + "shot = 2026-03-14T09:00:00\n",
        photo("again.png") + "shot = 2026-03-14T15:00:00\n",
        parts=f"[chart]\nwidth_mm = {CHART_MM}\n[finish]\nname = 'fox'\nlab = [46.0, 21.0, 28.0]\n"
        '[[part]]\nname = "bench"\nregions = ["seat"]\n',
        outlines=[
            outline("first.png", "seat", SEAT),
            outline("again.png", "seat", [tuple(map(float, point)) for point in drawn]),
        ],
    )
    (result,) = run_jobs([job], by="Robin")
    assert result.problems == ()
    return job


def test_a_reshoot_is_laid_over_within_half_a_millimetre(inspected: Job) -> None:
    (carried,) = Record(inspected.folder).read().carried
    view = seen(AGAIN)
    assert view is not None
    places = np.array([(x, y) for x in (100.0, 450.0, 800.0) for y in (60.0, 240.0, 420.0)])
    found = np.array([carried.to_later((float(x), float(y))) for x, y in places])
    apart = np.linalg.norm(found - view.to_photo(places), axis=1) * FIRST.mm_per_px
    assert np.median(apart) < 0.5  # our own tolerance; spots are told apart by their own size
    assert carried.doubt_px < 3.0


def test_a_new_spot_beside_one_that_is_gone_is_told_as_new(inspected: Job) -> None:
    (region,) = standing(inspected).regions
    told = {}
    for answered in region.rounds[1].spots:
        shown = answered.earlier or answered.finding
        assert shown is not None
        assert not answered.by_outline
        told[answered.answer] = answered
    gone = told.get("gone") or told["not judged"]
    assert gone.earlier is not None
    assert np.hypot(*(np.array(gone.earlier.centre_px) * FIRST.mm_per_px - GONE)) < 3.0
    assert gone.finding is None
    left = told["smaller"].earlier
    assert left is not None
    assert np.hypot(*(np.array(left.centre_px) * FIRST.mm_per_px - LEFT)) < 3.0
    assert told["new"].finding is not None


def test_photos_laid_over_once_are_not_laid_over_again(inspected: Job, monkeypatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("laid over again")

    monkeypatch.setattr(follow_module, "carry_map", refuse)
    shas = {one.photo.sha256 for one in Record(inspected.folder).inspections()}
    follow(inspected, photos=shas, by="Robin")
    assert len(Record(inspected.folder).read().carried) == 1


def test_a_photo_that_is_gone_or_another_one_now_is_left_out(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"))
    keep(job, "a.jpg", judged("fail", spot(1, 9.0, (150.0, 120.0))))
    second = keep(job, "b.jpg", judged("pass"))
    follow(job, photos={second.photo.sha256}, by="Robin")  # neither is a picture
    assert Record(tmp_path).read().carried == ()
