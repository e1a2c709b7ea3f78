"""Matches in several named lights: what is told, and what stands against reassembly."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from kept_job import judged, keep, photo, result, write_job
from report_tools import flowing_text

from fullhide._standing_json import to_json as standing_json
from fullhide.console import show
from fullhide.console_record import show_standing
from fullhide.inspection import merged
from fullhide.job import Job, load_job
from fullhide.lights import CAMERA, lights_of, lights_words, with_lights
from fullhide.report.build import page_of
from fullhide.report.export import exports
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record
from fullhide.report.pdf import papers
from fullhide.report.pictures import make_pictures
from fullhide.result import JobResult, LightFinding, Measure, RegionResult, exit_status, to_json
from fullhide.standing import standing

LIMIT = 2.0


def matched(low: float | None, high: float | None, name: str = "seat", **more: Any) -> RegionResult:
    """A region whose difference from a reference lies surely between these."""
    value = None if low is None or high is None else 0.5 * (low + high)
    verdict = "retake"
    if high is not None and high <= LIMIT:
        verdict = "pass"
    elif low is not None and low >= LIMIT:
        verdict = "fail"
    found = judged(verdict, name=name, **more)
    unit = "ΔE00, kL 2"
    measures = {
        **found.measures,
        "match_delta_e": Measure(value=value, u=0.3, limit=LIMIT, unit=unit),
        "match_at_least": Measure(value=low, u=None, limit=None, unit=unit),
        "match_at_most": Measure(value=high, u=None, limit=None, unit=unit),
    }
    return replace(found, measures=measures)


def in_lights(
    folder: Path, *shots: tuple[str | None, RegionResult], **keys: Any
) -> tuple[Job, JobResult]:
    """A job of a photo a light, with what an engine would have found in each."""
    tables = []
    for number, (light, _) in enumerate(shots):
        named = {} if light is None else {"light": light}
        tables.append(photo(f"p{number}.jpg", **named, **keys))
    job = write_job(folder, *tables)
    found = [result(job, f"p{number}.jpg", region) for number, (_, region) in enumerate(shots)]
    return job, with_lights(job, JobResult(job=job.name, fullhide="x", photos=tuple(found)))


def one(folder: Path, *shots: tuple[str | None, RegionResult], **keys: Any) -> LightFinding:
    found = in_lights(folder, *shots, **keys)[1].lights
    assert found is not None
    (finding,) = found
    return finding


MATCHES, OFF, OPEN = matched(0.1, 1.2), matched(3.0, 5.0), matched(1.5, 2.5)


def test_a_match_in_one_light_and_surely_not_in_another_is_metameric(tmp_path: Path) -> None:
    found = one(tmp_path, ("daylight", MATCHES), ("warm LED", OFF))
    assert found.kind == "metameric"
    assert found.says == "matches in daylight, not in warm LED: the pigments differ"
    assert [(r.light, r.file, r.match) for r in found.readings] == [
        ("daylight", "p0.jpg", "matches"),
        ("warm LED", "p1.jpg", "off"),
    ]


def test_a_third_light_that_cannot_tell_is_named(tmp_path: Path) -> None:
    found = one(tmp_path, ("daylight", MATCHES), ("warm LED", OFF), ("tubes", OPEN))
    assert found.kind == "metameric"
    assert "undecided in tubes" in found.says


@pytest.mark.parametrize(
    "other",
    [
        OPEN,
        matched(1.0, 2.0),  # on the limit is not below it
        matched(2.0, 3.0),
        matched(None, None),
        matched(3.0, 5.0, flags=("chart_glare",)),
        matched(3.0, 5.0, flags=("no_chart",)),
    ],
)
def test_where_one_light_is_undecided_nothing_is_told_of_the_pigments(tmp_path, other) -> None:
    found = one(tmp_path, ("daylight", MATCHES), ("warm LED", other))
    assert found.kind == "undecided"
    assert "undecided in warm LED" in found.says
    assert "cannot be told" in found.says
    assert "the pigments differ:" not in found.says


def test_the_same_in_every_light_is_told_as_that(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    alike = one(tmp_path / "a", ("daylight", MATCHES), ("warm LED", MATCHES))
    assert (alike.kind, alike.says) == ("matches", "matches in daylight and warm LED")
    off = one(tmp_path / "b", ("daylight", OFF), ("warm LED", OFF))
    assert (off.kind, off.says) == ("off", "does not match in daylight and warm LED")


@pytest.mark.parametrize("open_", [False, True])
def test_off_in_both_lights_by_clearly_different_amounts_the_pigments_differ(
    tmp_path, open_
) -> None:
    shots = [("daylight", OFF), ("warm LED", matched(6.5, 9.0))]
    found = one(tmp_path, *shots, *([("tubes", OPEN)] if open_ else []))
    assert found.kind == "off differently"
    off = (
        "off by 3.0 to 5.0 ΔE in daylight and by 6.5 to 9.0 ΔE in warm LED, so the pigments differ"
    )
    assert off in found.says
    assert ("undecided in tubes" in found.says) == open_


@pytest.mark.parametrize("amount", [(4.5, 9.0), (5.8, 9.0), (3.0, 5.0), (2.1, 2.6)])
def test_amounts_that_may_be_alike_tell_nothing_of_the_pigments(tmp_path, amount) -> None:
    found = one(tmp_path, ("daylight", OFF), ("warm LED", matched(*amount)))
    assert found.kind == "off"
    assert "pigments" not in found.says


def test_a_match_in_only_one_light_says_so_and_a_fail_says_nothing_more(tmp_path: Path) -> None:
    found = one(tmp_path / "a", ("daylight", MATCHES), (None, OFF))
    assert found.kind == "one light"
    assert "not judged in another light" in found.says
    assert in_lights(tmp_path / "b", ("daylight", OFF))[1].lights == ()


def test_names_of_one_light_may_be_written_in_any_case(tmp_path: Path) -> None:
    found = one(tmp_path, ("daylight", OFF), ("Daylight", MATCHES))
    assert found.kind == "one light"
    assert [reading.file for reading in found.readings] == ["p1.jpg"]


def test_in_one_light_the_newest_photo_counts(tmp_path: Path) -> None:
    shots = [("daylight", MATCHES), ("warm LED", OFF), ("warm LED", MATCHES)]
    assert one(tmp_path / "a", *shots).kind == "matches"
    # By the camera's time where every photo has one: the second was taken last.
    job, told = in_lights(tmp_path / "b", *shots)
    times = ("2026-03-14T10:00:00", "2026-03-14T12:00:00", "2026-03-14T11:00:00")
    photos = [
        replace(one, quality={**one.quality, "taken": time})
        for one, time in zip(told.photos, times, strict=True)
    ]
    (found,) = lights_of(job, photos) or ()
    assert found.kind == "metameric"


def test_a_photo_of_an_earlier_stage_of_work_is_another_coat(tmp_path: Path) -> None:
    job, told = in_lights(tmp_path, ("daylight", MATCHES), ("warm LED", OFF))
    entries = (replace(job.photos[0], stage="topcoat"), job.photos[1])
    assert lights_of(replace(job, photos=entries), told.photos) == ()


def test_other_parts_other_regions_and_proposals_are_other_surfaces(tmp_path: Path) -> None:
    job, told = in_lights(tmp_path / "a", ("daylight", MATCHES), ("warm LED", OFF))
    entries = (job.photos[0], replace(job.photos[1], part="door"))
    for photos in (entries, tuple(replace(entry, part=None) for entry in job.photos)):
        found = lights_of(replace(job, photos=photos), told.photos) or ()
        assert [finding.kind for finding in found] == ["one light"]
    other = matched(3.0, 5.0, name="front")
    assert one(tmp_path / "b", ("daylight", MATCHES), ("warm LED", other)).kind == "one light"
    drawn = [matched(0.1, 1.2, proposed=True), matched(3.0, 5.0, proposed=True)]
    assert one(tmp_path / "c", ("daylight", drawn[0]), ("warm LED", drawn[1])).kind == "one light"


def test_a_job_that_names_no_light_is_as_before(tmp_path: Path, capsys) -> None:
    _, told = in_lights(tmp_path, (None, MATCHES), (None, OFF))
    assert told.lights is None
    assert "lights" not in to_json(told)
    show(told)
    assert CAMERA not in capsys.readouterr().out


def test_the_json_and_the_table_tell_it(tmp_path: Path, capsys) -> None:
    _, told = in_lights(tmp_path, ("daylight", MATCHES), ("warm LED", OFF))
    data = to_json(told)
    assert list(data)[:5] == ["schema", "job", "fullhide", "photos", "problems"]
    (found,) = data["lights"]
    assert (found["part"], found["region"], found["kind"]) == ("bench", "seat", "metameric")
    assert found["readings"][1] == {
        "light": "warm LED",
        "file": "p1.jpg",
        "match": "off",
        "at_least": 3.0,
        "at_most": 5.0,
        "limit": 2.0,
    }
    show(told)
    said = capsys.readouterr().out
    assert "bench: seat: matches in daylight, not in warm LED: the pigments differ." in said
    assert CAMERA in said
    # The light in which it is off fails by itself.
    assert exit_status(told) == 1


def test_regions_that_say_the_same_are_told_in_one_line(tmp_path: Path) -> None:
    job = write_job(tmp_path, photo("p.jpg", light="daylight"))
    seen = result(job, "p.jpg", MATCHES, replace(MATCHES, name="front"))
    words = lights_words(lights_of(job, [seen]) or ())
    assert len(words) == 2
    assert words[0].startswith("bench: seat, front: matches in daylight")


def test_of_several_jobs_all_are_told_with_their_files(tmp_path: Path) -> None:
    job, told = in_lights(tmp_path / "a", ("daylight", MATCHES))
    other, silent = in_lights(tmp_path / "b", (None, MATCHES))
    both = merged([job, other], [told, silent])
    assert both.lights is not None
    assert both.lights[0].readings[0].file == str(job.path("p0.jpg"))
    assert merged([other, other], [silent, silent]).lights is None


@pytest.mark.parametrize(
    ("written", "said"), [("7", "a name in quotes"), ('""', "is empty"), ("[]", "a name in quotes")]
)
def test_a_light_that_is_no_name_is_named(tmp_path: Path, written: str, said: str) -> None:
    write_job(tmp_path, photo("p.jpg", light="warm LED"))
    table = tmp_path / "job.toml"
    assert load_job(tmp_path).photos[0].light == "warm LED"
    table.write_text(table.read_text("utf-8").replace('"warm LED"', written), "utf-8")
    (problem,) = load_job(tmp_path).problems
    assert said in str(problem)
    assert "`light`" in str(problem)


# ---------------------------------------------------------------- where the job stands


def kept(folder: Path, *shots: tuple[str, RegionResult]) -> Job:
    """The same inspected one after the other, an hour apart."""
    job = in_lights(folder, *shots)[0]
    for number, (light, region) in enumerate(shots):
        quality = {"flags": [], "light_from": "grey board", "light": light}
        keep(job, f"p{number}.jpg", region, quality=quality)
    return job


def test_a_pass_in_the_newest_light_does_not_answer_for_the_other(tmp_path: Path, capsys) -> None:
    now = standing(kept(tmp_path, ("warm LED", OFF), ("daylight", MATCHES)))
    (region,) = now.regions
    assert (region.stands, region.word) == ("pass", "not yet")
    (against,) = region.against
    assert against.reason == "another light"
    assert "the pigments differ" in against.says
    assert "p0.jpg" in against.says
    assert (now.gate.open, now.gate.status) == (False, 3)
    assert standing_json(now)["lights"][0]["kind"] == "metameric"
    show_standing(now)
    said = capsys.readouterr().out
    assert "not in warm LED: the pigments differ" in said
    assert CAMERA in said


def test_once_it_matches_in_both_lights_nothing_stands_against_it(tmp_path: Path) -> None:
    shots = (("warm LED", OFF), ("daylight", MATCHES), ("warm LED", MATCHES))
    now = standing(kept(tmp_path, *shots))
    assert now.gate.open
    assert now.lights is not None
    assert now.lights[0].kind == "matches"


def test_the_pages_tell_it(tmp_path: Path) -> None:
    job = kept(tmp_path, ("warm LED", OFF), ("daylight", MATCHES))
    page = page_of(known_of_record(job))
    told = "the pigments differ"
    assert page.lights[0] == f"bench: seat: matches in daylight, not in warm LED: {told}."
    assert page.lights[1] == f"{CAMERA}."
    pictures = make_pictures(page, job.folder)
    html = report_html(page, pictures).decode()
    assert "In which light it matches" in html
    assert CAMERA in html
    (tmp_path / "report.pdf").write_bytes(papers(page, pictures, ("report",))["report"])
    assert "the pigments differ" in flowing_text(tmp_path / "report.pdf")
    assert json.loads(exports(page)["export.json"])["lights"] == list(page.lights)
    silent = page_of(replace(known_of_record(job), lights=()))
    assert "In which light" not in report_html(silent, pictures).decode()
    assert "lights" not in json.loads(exports(silent)["export.json"])


def test_a_light_named_anew_asks_for_a_new_inspection(tmp_path: Path) -> None:
    job = kept(tmp_path, ("daylight", MATCHES))
    table = tmp_path / "job.toml"
    table.write_text(table.read_text("utf-8").replace('"daylight"', '"tubes"'), "utf-8")
    (against,) = standing(load_job(tmp_path)).gate.against
    assert against.reason == "changed"
    assert "its light" in against.says
    assert standing(job).gate.open
