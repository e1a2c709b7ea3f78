"""What the README tells can be done as it stands there: job.toml, limits, commands, options."""

from __future__ import annotations

import re
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest
import typer
from photo_files import jpeg, picture

from fullhide import job_file
from fullhide.cli import app
from fullhide.job import EDGE_MM, EDGE_STRAIGHT_MM, Limits, load_job
from fullhide.tint import tint
from fullhide.tint_file import read_wish
from fullhide.tint_words import says

README = (Path(__file__).resolve().parents[1] / "README.md").read_text("utf-8")
JOB, PART, TINT = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
#: A line that is switched on by taking its `#` away.
SWITCHED_OFF = re.compile(r"^# (?=\[\[?[a-z]|[a-z_]+ = )", re.MULTILINE)
#: Stands in place of `edition`, and leaves 23 rows out.
OWN_CHART = re.compile(r"^# lab = \[\[.*\n", re.MULTILINE)


@pytest.mark.parametrize("switched", ["as it stands", "with every line that is switched off"])
def test_the_job_toml_can_be_used(tmp_path: Path, switched: str) -> None:
    text = JOB + PART
    if switched != "as it stands":
        text = SWITCHED_OFF.sub("", OWN_CHART.sub("", text))
        text = text.replace('stage = "final"', 'stage = "coat"')
    (tmp_path / "job.toml").write_text(text, "utf-8")
    (tmp_path / "photos").mkdir()
    for file in re.findall(r'"(photos/[^"]+)"', text):
        (tmp_path / file).write_bytes(jpeg(picture()))
    job = load_job(tmp_path)
    assert job.problems == ()
    (entry,) = job.photos
    if switched == "as it stands":
        assert (entry.stage, entry.coat, entry.also, job.thread) == ("final", None, (), ())
    else:
        assert (entry.stage, entry.coat, len(entry.also)) == ("coat", 2, 1)
        assert entry.grey_board
        assert job.thread
        assert job.airbag(entry.part)
    assert [part.name for part in job.parts] == [entry.part]


@pytest.mark.parametrize("switched", ["as it stands", "with every line that is switched off"])
def test_the_tinters_toml_can_be_used(tmp_path: Path, switched: str) -> None:
    text = TINT if switched == "as it stands" else SWITCHED_OFF.sub("", TINT)
    text = re.sub(r"^# (?=over_)", "", text, flags=re.MULTILINE) if text != TINT else text
    (tmp_path / "tinters.toml").write_text(text, "utf-8")
    wish = read_wish(tmp_path / "tinters.toml")
    assert (wish.base is None, wish.dye.parts == ()) == ((switched == "as it stands",) * 2)
    if switched == "as it stands":
        told = next(line for line in says(tint(wish)) if line.startswith("a touch of"))
        assert f'"{told}"' in README


def test_every_key_of_job_toml_is_told() -> None:
    tables = [value for value in vars(job_file).values() if isinstance(value, type)]
    fields = [getattr(table, "model_fields", {}) for table in tables]
    keys = {key for known in fields for key in known if key.isidentifier()}
    assert {"printed_mm", "viewing_distance_mm", "shot", "logo"} <= keys
    assert {key for key in keys if not re.search(rf"\b{key}\b", README)} == set()


def test_the_limits_defaults_are_the_codes() -> None:
    told = dict(re.findall(r"^\| `([a-z_0-9]+)` \| ([0-9.]+) \|", README, re.MULTILINE))
    usual = asdict(replace(Limits(), edge_mm=EDGE_MM, edge_straight_mm=EDGE_STRAIGHT_MM))
    assert {key: float(value) for key, value in told.items()} == {
        key: value for key, value in usual.items() if value is not None
    }


def test_every_command_is_told_and_none_that_there_is_not() -> None:
    told = set(re.findall(r"(?:^|`)fullhide ([a-z][a-z-]*)", README, re.MULTILINE))
    # Its first line says what fullhide checks; the demo is run by its script.
    assert {"demo", *told} - {"checks"} == COMMANDS.keys()


def test_every_option_that_is_told_exists() -> None:
    known = {name for command in COMMANDS.values() for p in command.params for name in p.opts}
    told = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README))
    assert told >= {"--under", "--overlays", "--seal", "--despite"}
    assert told <= known
