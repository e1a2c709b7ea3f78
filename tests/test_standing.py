"""Where a job stands: the gate opens on evidence only, and says what stands against it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from kept_job import PART, SEAM, SEAT, SIZE, judged, keep, outline, photo, result, spot, write_job

from fullhide._standing_json import to_json
from fullhide.job import Job, load_job
from fullhide.outlines import check_outline
from fullhide.record import Record
from fullhide.result import Measure
from fullhide.standing import RegionStanding, Standing, standing

BENCH = '[[part]]\nname = "bench"\nregions = ["seat", "front"]\nseams = ["middle seam"]\n'
SPOT = spot(1, 4.0, (100.0, 100.0))


def reasons(now: Standing) -> list[tuple[str, str | None]]:
    return [(item.reason, item.region) for item in now.gate.against]


def seat(now: Standing) -> RegionStanding:
    return next(region for region in now.regions if region.name == "seat")


def one(folder: Path, **keys: Any) -> Job:
    return write_job(folder, photo("seat.jpg", **keys))


def test_all_asked_for_and_passed_may_be_reassembled(tmp_path: Path) -> None:
    job = one(tmp_path)
    keep(job, "seat.jpg", judged("pass"))
    now = standing(job)
    assert (now.gate.open, now.gate.says, now.gate.status) == (True, "may be reassembled", 0)
    assert now.gate.against == ()


@pytest.mark.parametrize(
    ("verdict", "reason", "status"), [("fail", "fail", 1), ("retake", "retake", 3)]
)
def test_what_does_not_pass_stands_against_it(tmp_path, verdict, reason, status) -> None:
    job = one(tmp_path)
    keep(job, "seat.jpg", judged(verdict))
    now = standing(job)
    assert reasons(now) == [(reason, "seat")]
    assert f"why it is {verdict}" in now.gate.against[0].says
    assert (now.gate.open, now.gate.status) == (False, status)


def test_nothing_inspected_passes_nothing(tmp_path: Path) -> None:
    now = standing(one(tmp_path))
    assert not now.gate.open
    assert reasons(now) == [("never shot", "seat"), ("not inspected", None)]


def test_a_region_and_a_seam_that_nobody_photographed_are_missing_not_passed(tmp_path) -> None:
    job = write_job(tmp_path, photo("seat.jpg"), parts=BENCH)
    keep(job, "seat.jpg", judged("pass"))
    now = standing(job)
    assert reasons(now) == [("never shot", "front"), ("never opened", "middle seam")]
    assert [region.word for region in now.regions] == ["pass", "missing", "missing"]
    assert "hold it open" in now.regions[2].against[0].says


def test_a_part_that_no_photo_names_is_missing_wholly(tmp_path: Path) -> None:
    more = '[[part]]\nname = "backrest"\nregions = ["back"]\n'
    job = write_job(tmp_path, photo("seat.jpg"), parts=PART + more)
    keep(job, "seat.jpg", judged("pass"))
    now = standing(job)
    assert reasons(now) == [("never shot", "back")]
    assert now.gate.against[0].part == "backrest"


def test_a_seam_outlined_as_a_panel_was_never_opened(tmp_path: Path) -> None:
    job = write_job(
        tmp_path,
        photo("seam.jpg"),
        parts='[[part]]\nname = "bench"\nseams = ["middle seam"]\n',
        outlines=[outline("seam.jpg", "middle seam", SEAM)],
    )
    keep(job, "seam.jpg", judged("pass", name="middle seam"))
    assert reasons(standing(job)) == [("never opened", "middle seam")]


def test_an_edge_has_to_pass_as_an_edge_before_reassembly(tmp_path: Path) -> None:
    parts = '[[part]]\nname = "bench"\nedges = ["stripe"]\n'
    missing = write_job(tmp_path / "a", photo("seat.jpg"), parts=parts)
    assert ("never shot", "stripe") in reasons(standing(missing))
    for number, (kind, verdict, against) in enumerate(
        [("panel", "pass", ["never shot"]), ("edge", "fail", ["fail"]), ("edge", "pass", [])]
    ):
        drawn = [outline("seat.jpg", "stripe", SEAM, kind)]
        job = write_job(tmp_path / str(number), photo("seat.jpg"), parts=parts, outlines=drawn)
        keep(job, "seat.jpg", judged(verdict, name="stripe", kind=kind))
        now = standing(job)
        assert [reason for reason, _ in reasons(now)] == against
        assert now.gate.open == (not against)


def test_a_seam_that_may_hold_an_airbag_is_not_asked_to_be_held_open(tmp_path: Path) -> None:
    parts = '[[part]]\nname = "seat"\nseams = ["outer seam"]\nairbag = true\n'
    now = standing(write_job(tmp_path, photo("seat.jpg", part="seat"), parts=parts))
    says = next(item.says for item in now.gate.against if item.region == "outer seam")
    assert "hold it open" not in says
    assert "refer to the vehicle maker or a qualified airbag technician" in says


def test_without_a_list_of_parts_nothing_may_be_reassembled(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("seat.jpg"), parts="")
    keep(job, "seat.jpg", judged("pass"))
    now = standing(job)
    assert reasons(now) == [("no parts", None)]
    assert "[[part]]" in now.gate.against[0].says


@pytest.mark.parametrize(("part", "says"), [("arm rest", '"arm rest" has no'), (None, "no part")])
def test_a_part_that_is_not_listed_beside_others_stands_against_it(tmp_path, part, says) -> None:
    more = photo("arm.jpg", part=part) if part else photo("arm.jpg").replace('part = "bench"\n', "")
    job = write_job(tmp_path, photo("seat.jpg"), more)
    keep(job, "seat.jpg", judged("pass"))
    keep(job, "arm.jpg", judged("pass", name="top"))
    now = standing(job)
    assert reasons(now) == [("part not listed", None)]
    assert says in now.gate.against[0].says


def test_a_part_with_nothing_but_a_reference_need_not_be_listed(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("seat.jpg"), photo("old.jpg", part="approved side"))
    keep(job, "seat.jpg", judged("pass"))
    keep(job, "old.jpg", judged(None, name="old side", kind="reference"))
    assert standing(job).gate.open


@pytest.mark.parametrize(
    ("stage", "coat", "later", "expected"),
    [
        ("coat", 2, {"stage": "coat", "coat": 3}, "older coat"),
        ("coat", 2, {"stage": "final"}, "older coat"),
        ("topcoat", None, {"stage": "final"}, "older coat"),
        ("coat", 2, {"stage": "coat", "coat": 2}, "not final"),
        ("topcoat", None, {"stage": "before"}, "not final"),
        ("final", None, {"stage": "coat", "coat": 2}, None),
    ],
)
def test_a_region_older_than_the_parts_last_coat_has_to_be_shot_again(
    tmp_path, stage, coat, later, expected
) -> None:
    own = {"stage": stage, **({"coat": coat} if coat else {})}
    job = write_job(
        tmp_path,
        photo("seat.jpg", **own),
        photo("front.jpg", **later),
        outlines=[outline("seat.jpg", "seat"), outline("front.jpg", "front")],
    )
    keep(job, "seat.jpg", judged("pass"))
    front = None if later["stage"] == "before" else "pass"
    keep(job, "front.jpg", judged(front, name="front"))
    told = [item.reason for item in seat(standing(job)).against]
    assert told == ([expected] if expected else [])


def test_a_photo_of_before_the_work_is_no_evidence_of_the_work(tmp_path: Path) -> None:
    job = one(tmp_path, stage="before")
    keep(job, "seat.jpg", judged(None))
    now = standing(job)
    assert reasons(now) == [("never shot", "seat")]
    assert "since the work began" in now.gate.against[0].says
    assert seat(now).before is not None


def test_an_earlier_spot_without_an_answer_stands_against_it(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"))
    keep(job, "a.jpg", judged("fail", SPOT))
    keep(job, "b.jpg", judged("retake", flags=("out_of_focus",)))
    assert reasons(standing(job)) == [("retake", "seat"), ("not answered", "seat")]


def test_a_pass_of_half_the_region_does_not_answer_for_the_rest(tmp_path: Path) -> None:
    half = [(60.0, 60.0), (280.0, 60.0), (280.0, 400.0), (60.0, 400.0)]
    job = write_job(
        tmp_path,
        photo("a.jpg"),
        photo("b.jpg"),
        outlines=[outline("a.jpg", "seat"), outline("b.jpg", "seat", half)],
    )
    keep(job, "a.jpg", judged("pass"))
    keep(job, "b.jpg", judged("pass"))
    now = standing(job)
    assert reasons(now) == [("partly shown", "seat")]
    assert "50 %" in now.gate.against[0].says


TYPED = '\n[[reference]]\nname = "tile"\nlab = [46.1, 21.3, 28.7]\n'
SEAT_ONLY = [outline("seat.jpg", "seat")]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"limits": "\n[limits]\nshow_through_mm2 = 9.0\n\n"},
            "the limits (show_through_mm2 from 1 to 9) changed",
        ),
        ({"limits": "\n[limits]\nsheen = 1.7\n\n"}, "the limits (sheen from none to 1.7) changed"),
        ({"limits": TYPED}, "the references typed in job.toml changed"),
        ({"limits": f'{TYPED}part = "Bench"\n'}, "the references typed in job.toml changed"),
        ({"outlines": [outline("seat.jpg", "seat", SEAM)]}, "its outlines (seat) changed"),
        ({"outlines": []}, "its outlines (seat) changed"),
        (
            {"outlines": [outline("seat.jpg", "seat"), outline("seat.jpg", "b", SEAM)]},
            "outlines (b) changed",
        ),
        ({"parts": PART + "airbag = true\n"}, "airbag"),
        ({"parts": '[finish]\nname = "fox"\nlab = [46.0, 21.0, 28.0]\n\n' + PART}, "the colours"),
    ],
)
def test_what_changed_since_the_inspection_has_to_be_inspected_again(
    tmp_path, change, says
) -> None:
    job = one(tmp_path)
    keep(job, "seat.jpg", judged("pass"))
    now = standing(write_job(tmp_path, photo("seat.jpg"), **change))
    assert reasons(now) == [("changed", "seat")]
    assert says in now.gate.against[0].says


def test_a_typed_reference_is_kept_with_an_inspection_and_another_parts_changes_nothing(
    tmp_path: Path,
) -> None:
    other = photo("b.jpg", part="hood")
    job = write_job(tmp_path, photo("seat.jpg"), other, limits=TYPED, outlines=SEAT_ONLY)
    kept = keep(job, "seat.jpg", judged("pass"))
    assert kept.references == job.references
    now = standing(job)
    assert ("changed", "seat") not in reasons(now)
    more = f'{TYPED}{TYPED.replace("tile", "hood tile")}part = "hood"\n'
    now = standing(write_job(tmp_path, photo("seat.jpg"), other, limits=more, outlines=SEAT_ONLY))
    assert ("changed", "seat") not in reasons(now)


def test_another_photo_in_its_place_has_to_be_inspected_again(tmp_path: Path) -> None:
    job = one(tmp_path)
    keep(job, "seat.jpg", judged("pass"))
    job.path("seat.jpg").write_bytes(b"another photo of another length")
    assert reasons(standing(job)) == [("changed", "seat")]


def test_a_failed_photo_taken_out_of_the_job_does_not_take_its_region_with_it(tmp_path) -> None:
    job = write_job(tmp_path, photo("seat.jpg"), photo("front.jpg"))
    keep(job, "seat.jpg", judged("fail", SPOT))
    keep(job, "front.jpg", judged("pass", name="front"))
    now = standing(
        write_job(tmp_path, photo("front.jpg"), outlines=[outline("front.jpg", "front")])
    )
    assert [item.reason for item in seat(now).against] == ["fail", "removed"]


def test_what_the_job_cannot_use_stands_against_it(tmp_path: Path) -> None:
    job = one(tmp_path)
    keep(job, "seat.jpg", judged("pass"))
    crossing = [SEAT[0], SEAT[2], SEAT[1], SEAT[3]]
    broken = outline("seat.jpg", "front", crossing)
    job = write_job(tmp_path, photo("seat.jpg"), outlines=[outline("seat.jpg", "seat"), broken])
    assert ("input", None) in reasons(standing(job))


def test_outlines_of_charts_and_things_left_out_are_not_taken_for_changes(tmp_path: Path) -> None:
    corners = [(600.0, 100.0), (700.0, 100.0), (700.0, 160.0), (600.0, 160.0)]
    tape = {**outline("seat.jpg", "", [(70.0, 70.0), (90.0, 70.0), (90.0, 90.0)], "ignore")}
    tape["properties"] = {"photo": "seat.jpg", "kind": "ignore"}
    beyond = [(-1.5, 60.0), *SEAT[1:]]
    job = write_job(
        tmp_path,
        photo("seat.jpg"),
        outlines=[
            outline("seat.jpg", "seat", beyond),
            tape,
            outline("seat.jpg", "chart", corners, "chart"),
        ],
    )
    # As the engine inspects them: trimmed to the photo.
    trimmed = [check_outline(one, SIZE) for one in job.outlines]
    found = result(job, "seat.jpg", judged("pass"))
    Record(tmp_path).add(job, found, outlines=trimmed, by="Robin")
    assert reasons(standing(load_job(tmp_path))) == []


# Set aside


def test_a_region_whose_only_findings_are_set_aside_is_shown_as_such(tmp_path: Path) -> None:
    job = one(tmp_path)
    kept = keep(job, "seat.jpg", judged("fail", SPOT))
    record = Record(tmp_path)
    aside = record.set_aside(kept, "seat", 1, reason="a hair", by="Robin")
    now = standing(job)
    assert (seat(now).verdict, seat(now).stands, seat(now).word) == ("fail", "pass", "set aside")
    assert now.gate.open
    assert now.gate.says == "may be reassembled, 1 region only because findings were set aside"
    assert now.set_asides == (aside,)
    record.withdraw(aside, reason="green after all", by="Sam")
    now = standing(job)
    assert seat(now).word == "fail"
    assert not now.gate.open
    assert now.set_asides == ()
    assert len(seat(now).set_asides) == 1  # still shown


@pytest.mark.parametrize(
    "region",
    [
        judged("fail", SPOT, spot(2, 9.0, (300.0, 300.0))),  # another is left
        judged("fail", SPOT, detectable_mm2=5.0),  # the photo would not show the rest
        judged("fail", SPOT, detectable_mm2=None),
        judged("fail", SPOT, flags=("glare",)),
        judged("fail", SPOT, flags=("clipped",)),
        judged("retake", SPOT, flags=("something_else",)),
        replace(
            judged("fail", SPOT),
            measures={"uneven_delta_e": Measure(value=4.0, u=0.1, limit=2.0, unit="ΔE00")},
        ),
        replace(
            judged("fail", SPOT),
            measures={"match_delta_e": Measure(value=None, u=None, limit=2.0, unit="ΔE00")},
        ),
        replace(  # by the reading alone it would match, by the interval it is in doubt
            judged("fail", SPOT),
            measures={
                "match_delta_e": Measure(value=0.1, u=0.05, limit=2.0, unit="ΔE00"),
                "match_at_most": Measure(value=2.6, u=None, limit=None, unit="ΔE00"),
            },
        ),
        replace(
            judged("fail", SPOT),
            measures={"judged_share": Measure(value=0.5, u=None, limit=None, unit="1")},
        ),
    ],
)
def test_a_set_aside_opens_nothing_that_has_another_reason(tmp_path: Path, region: Any) -> None:
    job = one(tmp_path)
    kept = keep(job, "seat.jpg", region)
    Record(tmp_path).set_aside(kept, "seat", 1, reason="a hair", by="Robin")
    now = standing(job)
    assert seat(now).word == region.verdict
    assert not now.gate.open


def test_a_set_aside_stays_through_another_inspection_of_the_same_photo(tmp_path: Path) -> None:
    job = one(tmp_path)
    kept = keep(job, "seat.jpg", judged("fail", SPOT))
    Record(tmp_path).set_aside(kept, "seat", 1, reason="a hair", by="Robin")
    keep(job, "seat.jpg", judged("fail", replace(SPOT, id=4, centre_px=(101.0, 101.0))))
    assert seat(standing(job)).word == "set aside"


# As JSON


def test_the_standing_is_plain_data(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("a.jpg"), photo("b.jpg"), parts=BENCH)
    keep(job, "a.jpg", judged("fail", SPOT), by="Robin", at="2026-03-14T16:20:00Z")
    kept = keep(job, "b.jpg", judged("fail", SPOT, spot(2, 9.0, (300.0, 300.0))))
    Record(tmp_path).set_aside(kept, "seat", 2, reason="a hair", by="Robin")
    told = to_json(standing(job))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert list(told) == [
        "schema",
        "job",
        "at",
        "gate",
        "parts",
        "set_asides",
        "signatures",
        "inspections",
        "seal",
    ]
    region = told["parts"][0]["regions"][0]
    assert (region["name"], region["verdict"], region["word"]) == ("seat", "fail", "fail")
    assert [(s["answer"], s["set_aside"]) for s in region["rounds"][1]["spots"]] == [
        ("still there", None),
        ("new", 3),
    ]
    assert region["rounds"][0]["inspected"] == "2026-03-14T16:20:00Z"
    assert told["set_asides"][0]["reason"] == "a hair"
    assert [item["reason"] for item in told["gate"]["against"]] == [
        "fail",
        "never shot",
        "never opened",
    ]
