"""Tint help beside a job's matches: where it stands, and where nothing is said.

Tinters and dye are those of `test_tint`, our own inventions; so what would have to be added is our
own truth.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from kept_job import judged, keep, photo, result, write_job
from photo_files import picture, png
from report_tools import flowing_text
from test_tint import DYE, coat, toml, wish

from fullhide import _overlay_legend
from fullhide.checks.match import Patch, match
from fullhide.cli import main
from fullhide.colour import lab_to_xyz
from fullhide.console import show
from fullhide.job import Job, Limits, load_job
from fullhide.overlay import draw_overlay
from fullhide.photo import open_photo
from fullhide.report.build import page_of
from fullhide.report.html import report_html
from fullhide.report.kept import known_of_record
from fullhide.report.pdf import papers
from fullhide.report.pictures import make_pictures
from fullhide.result import JobResult, RegionResult, exit_status, to_json
from fullhide.tint_job import with_tints
from fullhide.tint_words import CAUTION

Lab = tuple[float, float, float]
WHITER = coat({**DYE, "white": DYE["white"] + 0.06})


def against(wanted: Lab, *, dye: Lab | None = None, doubt: float = 1e-7, **more: Any):
    """A panel of the dye beside a reference of the colour wanted."""
    patches = [Patch(xyz=lab_to_xyz(lab), scatter=doubt * np.eye(3)) for lab in (coat(DYE), wanted)]
    if dye is not None:
        patches[0] = Patch(xyz=lab_to_xyz(dye), scatter=doubt * np.eye(3))
    found = match(*patches, light_doubt=0.001, limits=Limits())
    region = judged(found.verdict, **more)
    return replace(region, measures={**region.measures, **found.measures})


def asked(folder: Path, region: RegionResult, tinters: str | None = None) -> tuple[Job, JobResult]:
    """A job that names its tinters, and what an engine would have found in its one photo."""
    write_job(folder, photo("p.jpg"))
    table = folder / "job.toml"
    table.write_text('tints = "shop/tinters.toml"\n' + table.read_text("utf-8"), "utf-8")
    (folder / "shop").mkdir()
    text = toml(wish(WHITER)) if tinters is None else tinters
    (folder / "shop" / "tinters.toml").write_text(text, "utf-8")
    job = load_job(folder)
    found = JobResult(job=job.name, fullhide="x", photos=(result(job, "p.jpg", region),))
    return job, with_tints(job, found)


def tint_of(found: JobResult) -> Any:
    (told,) = to_json(found)["photos"][0]["regions"]
    return told["tint"]


def test_a_match_that_fails_brings_what_to_try(tmp_path: Path, capsys) -> None:
    job, found = asked(tmp_path, against(WHITER))
    told = tint_of(found)
    (one,) = told["additions"]
    assert (told["state"], one["tinter"]) == ("add", "white")
    assert one["at_least"] <= 6.0 <= one["at_most"]
    assert told["after"]["delta_e"] < 1.0
    assert told["says"].startswith(f"tint help, {CAUTION}: a touch of white (about ")
    show(found)
    assert f"bench: seat: {told['says']}." in capsys.readouterr().out
    assert found.problems == job.problems == ()


def test_it_stands_in_status_and_on_the_pages(tmp_path: Path, capsys) -> None:
    job, found = asked(tmp_path, against(WHITER))
    keep(job, "p.jpg", against(WHITER))
    says = tint_of(found)["says"]
    with pytest.raises(SystemExit) as stopped:
        main(["status", str(tmp_path), "--json", str(tmp_path / "s.json")])
    assert stopped.value.code == 1
    assert f"- {says}" in capsys.readouterr().out
    (part,) = json.loads((tmp_path / "s.json").read_text("utf-8"))["parts"]
    assert part["regions"][0]["tint"]["says"] == says
    page = page_of(known_of_record(job))
    pictures = make_pictures(page, job.folder)
    sentence = f"{says[0].upper()}{says[1:]}."
    assert f'<p class="tint">{sentence}</p>' in report_html(page, pictures).decode()
    (tmp_path / "report.pdf").write_bytes(papers(page, pictures, ("report",))["report"])
    assert CAUTION in flowing_text(tmp_path / "report.pdf")


def test_the_overlay_tells_it_below_the_match(tmp_path: Path, monkeypatch) -> None:
    _, found = asked(tmp_path, against(WHITER))
    (tmp_path / "x.png").write_bytes(png(picture()))
    opened = open_photo(tmp_path / "x.png")
    lines: list[str] = []

    def note(image: Any, text: str, *rest: Any) -> None:
        lines.append(text)

    monkeypatch.setattr(_overlay_legend, "put_text", note)
    draw_overlay(opened, result=found.photos[0], outlines=[])
    told = " ".join(lines)
    assert CAUTION in told
    assert "a touch of white" in told


NEAR = coat({**DYE, "white": DYE["white"] + 0.002})


@pytest.mark.parametrize(
    "region",
    [
        against(NEAR),  # surely within the limit
        against(NEAR, doubt=0.01),  # the match cannot be told
        against(WHITER, flags=("no_chart",)),
        against(WHITER, part="seat, bolster"),  # an airbag may be there: no work is advised
        against((80.0, 1.0, 14.0), dye=(85.0, 1.0, 14.0)),  # dyed with another dye
        judged("fail"),
    ],
)
def test_where_nothing_can_be_told_nothing_is_said(tmp_path: Path, region: RegionResult) -> None:
    assert tint_of(asked(tmp_path, region)[1]) is None


def test_what_the_tinters_cannot_do_is_said(tmp_path: Path) -> None:
    told = tint_of(asked(tmp_path, against((46.0, 30.0, 40.0)))[1])
    assert (told["state"], told["additions"], told["after"]) == ("out of reach", [], None)
    assert CAUTION in told["says"]


@pytest.mark.parametrize(
    ("tinters", "says"),
    [("", "has no [dye] table"), ("[dye", "is not valid TOML"), ("[[tinter]]\nname = 3", "`name`")],
)
def test_a_tint_file_that_is_wrong_is_one_line(
    tmp_path: Path, tinters: str, says: str, capsys
) -> None:
    job, found = asked(tmp_path, against(WHITER), tinters)
    (problem,) = found.problems
    assert says in str(problem)
    assert "shop/tinters.toml" in str(problem)
    assert exit_status(found) == 2
    assert tint_of(found) is None
    keep(job, "p.jpg", against(WHITER))
    with pytest.raises(SystemExit) as stopped:
        main(["status", str(tmp_path)])
    assert stopped.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert str(problem).rpartition("/")[2] in known_of_record(job).problems[0]


def test_a_tint_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    job, _ = asked(tmp_path, against(WHITER))
    (tmp_path / "shop" / "tinters.toml").unlink()
    found = with_tints(job, JobResult(job=job.name, fullhide="x"))
    assert "tinters.toml: cannot be read" in str(found.problems[0])


def test_a_job_needs_neither_the_dyes_colour_nor_the_one_wanted(tmp_path: Path) -> None:
    lines = toml(wish(WHITER)).split("[wanted]")[0].splitlines()
    lines.remove(f"lab = {list(coat(DYE))}")
    told = tint_of(asked(tmp_path, against(WHITER), "\n".join(lines))[1])
    assert told["additions"][0]["tinter"] == "white"
