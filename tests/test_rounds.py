"""Rounds: each earlier spot answered by the next photo, new ones told apart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from kept_job import SEAT, judged, keep, moved, outline, photo, result, spot, write_job

from fullhide.job import Job
from fullhide.record import Carried, Record
from fullhide.report.kept import known_of_standing
from fullhide.standing import RegionStanding, standing

EARLY = spot(1, 9.0, (150.0, 120.0))
FAR = spot(2, 16.0, (400.0, 300.0))


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return write_job(tmp_path, photo("first.jpg"), photo("second.jpg"), photo("third.jpg"))


def region(job: Job, name: str = "seat") -> RegionStanding:
    return next(one for one in standing(job).regions if one.name == name)


def answers(job: Job, number: int = 2) -> dict[int, str]:
    return {told.mark: told.answer for told in region(job).rounds[number - 1].spots}


@pytest.mark.parametrize(
    ("later", "told"),
    [
        (judged("pass"), {1: "gone", 2: "gone"}),
        (judged("fail", EARLY, FAR), {1: "still there", 2: "still there"}),
        (judged("fail", replace(EARLY, area_mm2=3.0)), {1: "smaller", 2: "gone"}),
        (judged("fail", replace(EARLY, area_mm2=8.0)), {1: "still there", 2: "gone"}),
        (judged("fail", replace(EARLY, area_mm2=30.0)), {1: "still there", 2: "gone"}),
        (
            judged("fail", spot(1, 4.0, (300.0, 200.0))),
            {1: "gone", 2: "gone", 3: "new"},
        ),
        (judged("fail", replace(EARLY, area_mm2=None)), {1: "still there", 2: "gone"}),
        # What the photo could not have shown is not gone.
        (judged("retake", detectable_mm2=3.0), {1: "not judged", 2: "not judged"}),
        (judged("retake", detectable_mm2=None), {1: "not judged", 2: "not judged"}),
        (judged("retake", flags=("out_of_focus",)), {1: "not judged", 2: "not judged"}),
        (judged("retake", flags=("clipped",)), {1: "not judged", 2: "not judged"}),
        (judged("fail", EARLY, detectable_mm2=3.0), {1: "still there", 2: "not judged"}),
    ],
)
def test_every_earlier_spot_gets_its_answer(job: Job, later: Any, told: dict[int, str]) -> None:
    keep(job, "first.jpg", judged("fail", EARLY, FAR))
    keep(job, "second.jpg", later)
    assert answers(job) == told


@pytest.mark.parametrize(
    ("later", "why"),
    [
        (judged("retake", detectable_mm2=14.4), "would only show a spot of 14 mm² or more here"),
        (judged("retake", detectable_mm2=None), "cannot decide here"),
        (judged("retake", flags=("out_of_focus",)), "cannot decide here"),
    ],
)
def test_a_spot_that_is_not_judged_says_what_the_photo_lacks(job: Job, later: Any, why) -> None:
    keep(job, "first.jpg", judged("fail", EARLY))
    keep(job, "second.jpg", later)
    assert region(job).rounds[1].spots[0].why == f"the new photo {why}"


def test_a_region_that_was_only_judged_in_part_answers_for_nothing(job: Job) -> None:
    keep(job, "first.jpg", judged("fail", EARLY))
    part = judged("retake")
    share = replace(part.measures["judged_share"], value=0.8)
    keep(job, "second.jpg", replace(part, measures={**part.measures, "judged_share": share}))
    assert answers(job) == {1: "not judged"}


def test_a_spot_that_was_not_judged_waits_where_it_was_for_the_next_photo(job: Job) -> None:
    keep(job, "first.jpg", judged("fail", EARLY))
    keep(job, "second.jpg", judged("retake", flags=("out_of_focus",)))
    keep(job, "third.jpg", judged("fail", replace(EARLY, area_mm2=2.0)))
    assert answers(job, 2) == {1: "not judged"}
    assert answers(job, 3) == {1: "smaller"}
    assert region(job).rounds[2].spots[0].earlier_file == "first.jpg"


def test_a_spot_that_came_back_is_new_and_keeps_no_old_number(job: Job) -> None:
    keep(job, "first.jpg", judged("fail", EARLY))
    keep(job, "second.jpg", judged("pass"))
    keep(job, "third.jpg", judged("fail", EARLY))
    assert answers(job, 2) == {1: "gone"}
    assert answers(job, 3) == {2: "new"}


def test_a_spot_in_pieces_is_one_spot_by_all_of_its_area(job: Job) -> None:
    keep(job, "first.jpg", judged("fail", spot(1, 100.0, (200.0, 200.0))))
    left, right = spot(1, 40.0, (188.0, 200.0)), spot(2, 45.0, (214.0, 200.0))
    keep(job, "second.jpg", judged("fail", left, right))
    (told,) = region(job).rounds[1].spots
    assert told.answer == "still there"  # 85 of 100 mm²
    assert [piece.id for piece in told.pieces] == [2, 1]


def test_two_spots_run_into_one_are_both_answered_by_it(job: Job) -> None:
    keep(
        job, "first.jpg", judged("fail", spot(1, 9.0, (200.0, 200.0)), spot(2, 9.0, (225.0, 200.0)))
    )
    keep(job, "second.jpg", judged("fail", spot(1, 50.0, (213.0, 200.0))))
    assert answers(job) == {1: "still there", 2: "still there"}


def test_thin_coats_are_gone_only_where_the_region_passes(job: Job) -> None:
    keep(job, "first.jpg", judged("fail", replace(EARLY, kind="thin_coat"), FAR))
    keep(job, "second.jpg", judged("fail", FAR))
    assert answers(job) == {1: "not judged", 2: "still there"}


@given(
    at=st.tuples(st.floats(80, 480), st.floats(80, 380)),
    by=st.tuples(st.floats(-50, 50), st.floats(-50, 100)),
    scale=st.floats(0.8, 1.2),
)
def test_a_spot_is_found_again_in_an_outline_that_moved(at, by, scale) -> None:
    # Our own geometry: a shift and a scale move the outline and the spot alike.
    from fullhide._rounds import _place

    spotted = spot(1, 9.0, at)
    there = _placed(spotted, SEAT, moved(SEAT, by, scale), _place)
    np.testing.assert_allclose(there.at, np.array(at) * scale + by, atol=1e-6)
    assert there.known
    assert there.by_outline


def _placed(spotted: Any, first: Any, second: Any, place: Any, carried: Any = None) -> Any:
    from fullhide.outlines import RegionOutline

    outlines = [
        RegionOutline(photo="a", name="seat", kind="panel", polygon=np.array(ring, dtype=float))
        for ring in (first, second)
    ]

    class Shot:
        class photo:  # noqa: N801
            mm_per_px = None

        def __init__(self, own: RegionOutline) -> None:
            self.own = own

        def outline(self, name: str) -> RegionOutline:
            return self.own

    return place(spotted, Shot(outlines[0]), Shot(outlines[1]), carried, *outlines)


def test_a_map_of_the_surface_leads_before_the_outline_does(tmp_path: Path) -> None:
    shifted = moved(SEAT, (40.0, 30.0))
    job = write_job(
        tmp_path,
        photo("first.jpg"),
        photo("second.jpg"),
        outlines=[outline("first.jpg", "seat"), outline("second.jpg", "seat", shifted)],
    )
    first = keep(job, "first.jpg", judged("fail", EARLY))
    # Drawn 40 px to the right of where the photo shows it: by the outline the spot is elsewhere.
    second = keep(job, "second.jpg", judged("fail", spot(1, 9.0, (150.0, 120.0))))
    carried = Carried(
        earlier=first.photo.sha256, later=second.photo.sha256, region="seat", found=True
    )
    Record(tmp_path).add_carried(replace(carried, doubt_px=1.0), by="Robin")
    (told,) = region(job).rounds[1].spots
    assert (told.answer, told.by_outline) == ("still there", False)


def test_a_place_that_the_new_photo_does_not_show_is_not_gone(tmp_path: Path) -> None:
    left = [(60.0, 60.0), (250.0, 60.0), (250.0, 400.0), (60.0, 400.0)]
    job = write_job(
        tmp_path,
        photo("first.jpg"),
        photo("second.jpg"),
        outlines=[outline("first.jpg", "seat"), outline("second.jpg", "seat", left)],
    )
    first = keep(job, "first.jpg", judged("fail", EARLY, FAR))
    second = keep(job, "second.jpg", judged("pass"))
    assert answers(job) == {1: "not judged", 2: "not judged"}
    Record(tmp_path).add_carried(
        Carried(earlier=first.photo.sha256, later=second.photo.sha256, region="seat", found=True),
        by="Robin",
    )
    assert answers(job) == {1: "gone", 2: "not judged"}


def test_photos_are_rounds_by_stage_and_time_however_they_are_listed(tmp_path: Path) -> None:
    job = write_job(
        tmp_path,
        shot("c.jpg", "2026-03-14T18:00:00"),
        shot("b.jpg", "2026-03-14T16:00:00"),
        photo("a.jpg", stage="coat", coat=3),
    )
    for file in ("c.jpg", "a.jpg", "b.jpg"):
        keep(job, file, judged("pass"))
    files = [one.inspection.photo.file for one in region(job).rounds]
    assert files == ["a.jpg", "b.jpg", "c.jpg"]


def test_inspecting_a_photo_again_makes_no_new_round(job: Job) -> None:
    keep(job, "first.jpg", judged("retake"))
    keep(job, "first.jpg", judged("fail", EARLY))
    (only,) = region(job).rounds
    assert only.result.verdict == "fail"
    assert only.counts == {"new": 1}


def test_a_set_aside_counts_again_in_a_new_photo(job: Job) -> None:
    kept = keep(job, "first.jpg", judged("fail", EARLY))
    Record(job.folder).set_aside(kept, "seat", 1, reason="a hair", by="Robin")
    keep(job, "second.jpg", judged("fail", EARLY))
    first, second = region(job).rounds
    assert first.spots[0].set_aside is not None
    assert second.spots[0].set_aside is None
    assert region(job).word == "fail"


# The same round: nothing can have been done in between


def shot(file: str, at: str) -> str:
    """A [[photo]] with a time; TOML writes times without quotes."""
    return photo(file) + f"shot = {at}\n"


@pytest.mark.parametrize(
    ("first", "second", "told", "word"),
    [
        ("2026-03-14T16:00:00", "2026-03-14T16:02:00", "not judged", "fail"),
        ("2026-03-14T16:00:00", "2026-03-14T16:30:00", "gone", "pass"),
        (None, None, "not judged", "fail"),
        ("2026-03-14T16:00:00", None, "not judged", "fail"),
    ],
)
def test_what_one_photo_fails_on_is_not_gone_for_another_view_of_the_same_moment(
    tmp_path: Path, first, second, told, word
) -> None:
    listed = [
        shot(file, at) if at else photo(file)
        for file, at in (("first.jpg", first), ("second.jpg", second))
    ]
    job = write_job(tmp_path, *listed)
    record = Record(tmp_path)
    for file, found in (("first.jpg", judged("fail", EARLY)), ("second.jpg", judged("pass"))):
        record.add(
            job, result(job, file, found), outlines=job.outlines_of(file), by="Robin", run="one"
        )
    assert answers(job) == {1: told}
    assert region(job).word == word
    assert [one.number for one in region(job).rounds] == ([1, 1] if word == "fail" else [1, 2])
    if word == "fail":
        (item,) = region(job).against
        assert item.says == (
            "fail: `first.jpg` of the same round shows a spot that this photo does not: touch up "
            "and shoot again"
            + (
                ""
                if second
                else "; if this one was taken after a touch-up, say when in job.toml (`shot`)"
            )
        )
        # The pages say the same of it.
        (shown,) = known_of_standing(standing(job)).inspected
        assert (shown.word, shown.against) == ("fail", (item.says,))


def test_photos_first_inspected_hours_apart_are_two_rounds_also_when_looked_at_again(job) -> None:
    keep(job, "first.jpg", judged("fail", EARLY))
    keep(job, "second.jpg", judged("pass"))
    # All of them inspected again at once: that does not make them one round.
    for file, found in (("first.jpg", judged("fail", EARLY)), ("second.jpg", judged("pass"))):
        keep(job, file, found, run="again")
    assert answers(job) == {1: "gone"}


def test_a_nearer_photo_settles_a_retake_of_the_same_moment(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("far.jpg"), photo("near.jpg"))
    unsure = judged("retake", EARLY, flags=("too_far",), detectable_mm2=4.0)
    for file, found in (("far.jpg", unsure), ("near.jpg", judged("pass"))):
        Record(tmp_path).add(
            job, result(job, file, found), outlines=job.outlines_of(file), by="Robin", run="one"
        )
    assert answers(job) == {1: "gone"}
    assert region(job).word == "pass"


def test_a_spot_set_aside_in_one_view_is_said_where_another_view_passes(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"))
    record = Record(tmp_path)
    kept = [
        record.add(
            job, result(job, file, found), outlines=job.outlines_of(file), by="Robin", run="one"
        )
        for file, found in (("a.jpg", judged("fail", EARLY)), ("b.jpg", judged("pass")))
    ]
    record.set_aside(kept[0], "seat", 1, reason="a hair", by="Robin")
    assert region(job).word == "set aside"


@pytest.mark.parametrize("unnamed", ["proposed", "no part"])
def test_what_has_no_name_of_its_own_is_not_answered_by_another_photo(
    tmp_path: Path, unnamed: str
) -> None:
    tables = [photo(f).replace('part = "bench"\n', "") for f in ("a.jpg", "b.jpg")]
    if unnamed == "proposed":
        tables = [photo("a.jpg"), photo("b.jpg")]
    job = write_job(tmp_path, *tables)
    more = {"proposed": True} if unnamed == "proposed" else {"part": None}
    keep(job, "a.jpg", judged("fail", EARLY, name="surface", **more))
    keep(job, "b.jpg", judged("pass", name="surface", **more))
    now = standing(job)
    assert [one.word for one in now.regions if one.name == "surface"] == ["fail", "pass"]
    assert any("so that a new" in item.says for item in now.gate.against)


@pytest.fixture
def carried_over(tmp_path: Path) -> Job:
    """Two photos; only the first was drawn in, and its outline was carried over."""
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"), outlines=[outline("a.jpg", "seat")])
    keep(job, "a.jpg", judged("fail", EARLY))
    drawn = job.outlines_of("a.jpg")[0]
    carried = replace(drawn, photo="b.jpg", properties={"proposed": True, "carried": "a.jpg"})
    found = result(job, "b.jpg", judged("pass", proposed=True))
    Record(tmp_path).add(job, found, outlines=[carried], by="Robin")
    return job


def test_a_proposal_carried_over_from_an_earlier_photo_answers_for_it(carried_over: Job) -> None:
    assert answers(carried_over) == {1: "gone"}
    assert region(carried_over).word == "pass"


def test_an_outline_drawn_anew_wants_the_ones_carried_over_from_it_anew(carried_over: Job) -> None:
    larger = moved(SEAT, (-10.0, -10.0), 1.2)
    again = [outline("a.jpg", "seat", larger)]
    job = write_job(carried_over.folder, photo("a.jpg"), photo("b.jpg"), outlines=again)
    (item,) = region(job).against
    assert item.reason == "changed"
    assert "carried over from `a.jpg` and was drawn anew there" in item.says


def test_an_outline_of_another_shape_does_not_tell_where_a_spot_lies(tmp_path: Path) -> None:
    tall = [(60.0, 60.0), (400.0, 60.0), (400.0, 560.0), (60.0, 560.0)]
    job = write_job(
        tmp_path,
        photo("a.jpg"),
        photo("b.jpg"),
        outlines=[outline("a.jpg", "seat"), outline("b.jpg", "seat", tall)],
    )
    keep(job, "a.jpg", judged("fail", EARLY))
    keep(job, "b.jpg", judged("fail", spot(1, 9.0, (300.0, 500.0))))
    assert answers(job) == {1: "not judged", 2: "new"}
    keep(job, "b.jpg", judged("pass"))  # nothing anywhere in it
    assert answers(job) == {1: "gone"}


def test_photos_of_one_run_without_times_are_taken_as_they_are_listed(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"), photo("c.jpg"))
    for file, run in (("b.jpg", "one"), ("a.jpg", "one"), ("c.jpg", "two")):
        keep(job, file, judged("pass"), run=run)
    told = [(one.inspection.photo.file, one.number) for one in region(job).rounds]
    assert told == [("a.jpg", 1), ("b.jpg", 1), ("c.jpg", 2)]


@pytest.mark.parametrize(
    ("later", "word"), [("2026-03-14T16:00:20Z", "fail"), ("2026-03-14T16:15:00Z", "pass")]
)
def test_photos_inspected_one_by_one_are_told_apart_by_the_time_between(
    job: Job, later: str, word: str
) -> None:
    keep(job, "first.jpg", judged("fail", EARLY), run="a", at="2026-03-14T16:00:00Z")
    keep(job, "second.jpg", judged("pass"), run="b", at=later)
    # Looked at again much later: when they were first inspected is what counts.
    keep(job, "second.jpg", judged("pass"), run="c", at="2026-03-15T09:00:00Z")
    assert region(job).word == word
