"""Two lights on rendered pairs: the truth is the spectra's, by colour-science."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from seen_in import seen_delta_e
from staged import CLEAN, FOX, box_outline, job_of, rendered, scene

from fullhide.engine import inspect_job, inspect_photo
from fullhide.errors import FullhideError
from fullhide.job import Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import Film, Light, Scene, Spot, save_photo
from fullhide.phantom._materials import Materials
from fullhide.phantom._spectra import reflectance_from_lab
from fullhide.phantom.metamer import metamer
from fullhide.result import JobResult, LightFinding

MM = 0.15
GROUND = ("ground", (70.0, 0.0, 5.0))
DYED = ((60, 60), (400, 60), (400, 420), (60, 420))
OLD = ((545, 130), (765, 130), (765, 350), (545, 350))
WHERE = [(60, 60), (840, 60), (840, 420), (60, 420)]


def panel(light: str, finish=FOX) -> Scene:
    """The panel, with a disc of the reference in it."""
    disc = Spot("reference", (655 * MM, 240 * MM), area_mm2=np.pi * (190 * MM) ** 2, shape="round")
    return scene(
        finish=finish,
        under=(GROUND, ("reference", finish)),
        film=Film(over="ground"),
        light=Light(name=light, falloff=0.04),
        spots=(disc,),
    )


@cache
def dyed(finish=FOX) -> np.ndarray:
    return Materials(panel("D50", finish)).finish


def pair(folder: Path, spectrum: np.ndarray, lights=("D50", "FL11"), finish=FOX) -> JobResult:
    """The panel beside that reference, photographed and inspected in each light."""
    entries: list[PhotoEntry] = []
    drawn: list[RegionOutline] = []
    for light in lights:
        seen = replace(panel(light, finish), spectra=(("reference", tuple(spectrum)),))
        save_photo(rendered(seen), folder / f"{light}.png")
        save_photo(rendered(seen.grey_board()), folder / f"{light}_board.png")
        board = f"{light}_board.png"
        entries.append(PhotoEntry(file=f"{light}.png", part="p", light=light, grey_board=board))
        drawn += [
            replace(box_outline(DYED, name="dyed"), photo=f"{light}.png"),
            replace(box_outline(OLD, kind="reference", name="old"), photo=f"{light}.png"),
        ]
    job = replace(
        job_of(folder, drawn),
        photos=tuple(entries),
        outlined=frozenset(entry.file for entry in entries),
    )
    return inspect_job(job)


def found(result: JobResult) -> LightFinding:
    (finding,) = result.lights or ()
    return finding


@pytest.mark.parametrize(
    ("finish", "other", "sensor"),
    [
        (FOX, "FL11", ""),
        ((60.0, 13.0, 31.0), "FL11", ""),
        ((34.0, 24.0, 18.0), "FL11", ""),
        ((55.0, 0.0, -1.0), "LED-B3", "camera-a"),
        ((72.0, 3.0, 18.0), "LED-B3", "camera-a"),
    ],
)
def test_pigments_that_match_in_one_light_only_are_told(tmp_path, finish, other, sensor) -> None:
    spectrum = metamer(dyed(finish), differs_in=other, delta_e=7.0, sensor=sensor, seed=3)
    # Outside truth: alike in D50, more than 4 off in the other light.
    assert seen_delta_e("D50", dyed(finish), spectrum) < 0.05
    assert seen_delta_e(other, dyed(finish), spectrum) > 4.0
    told = found(pair(tmp_path, spectrum, ("D50", other), finish))
    assert told.kind == "metameric"
    assert told.says == f"matches in D50, not in {other}: the pigments differ"


@pytest.mark.parametrize("other", ["FL11", "LED-B3"])
def test_the_same_pigments_match_in_both(tmp_path: Path, other: str) -> None:
    assert found(pair(tmp_path, dyed(), ("D50", other))).kind == "matches"


@pytest.mark.parametrize("other", ["FL11", "LED-B3"])
def test_a_plain_difference_of_colour_is_no_matter_of_light(tmp_path: Path, other: str) -> None:
    spectrum = reflectance_from_lab((50.0, 27.0, 24.0))
    # Outside truth: off in both lights.
    assert min(seen_delta_e(light, dyed(), spectrum) for light in ("D50", other)) > 4.0
    assert found(pair(tmp_path, spectrum, ("D50", other))).kind == "off"


def test_near_the_limit_nothing_is_told_of_the_pigments(tmp_path: Path) -> None:
    spectrum = reflectance_from_lab((46.0, 21.0, 32.0))
    # Outside truth: within half a unit of the limit of 2 in both lights (our own choice).
    assert all(abs(seen_delta_e(light, dyed(), spectrum) - 2.0) < 0.5 for light in ("D50", "FL11"))
    assert found(pair(tmp_path, spectrum)).kind == "undecided"


def test_more_than_any_surface_differs_is_refused() -> None:
    with pytest.raises(FullhideError, match="no surface"):
        metamer(reflectance_from_lab((20.0, 0.0, 0.0)), delta_e=40.0)


# ---------------------------------------------------------------- each in a photo of its own


def two_photos(folder: Path, light: str | None, other: str | None) -> Job:
    """The panel in p.png, the reference by itself in old.png; what light each is said to be in."""
    save_photo(rendered(CLEAN), folder / "p.png")
    save_photo(rendered(scene(finish=(38.0, -28.0, 9.0), seed=8)), folder / "old.png")
    old = replace(box_outline(WHERE, kind="reference", name="old"), photo="old.png")
    job = job_of(folder, [box_outline(WHERE, name="dyed"), old], part="door", light=light)
    return replace(
        job,
        photos=(*job.photos, PhotoEntry(file="old.png", light=other)),
        outlined=frozenset({"p.png", "old.png"}),
    )


@pytest.mark.parametrize(
    ("light", "other"),
    [(None, None), ("daylight", None), (None, "daylight"), ("daylight", "Daylight")],
)
def test_photos_that_may_be_of_one_light_are_compared(tmp_path, light, other) -> None:
    job = two_photos(tmp_path, light, other)
    region = inspect_photo(job, job.photos[0]).result.regions[0]
    assert region.verdict == "fail"
    assert any("off the reference part in old.png" in reason for reason in region.reasons)


def test_photos_of_two_lights_are_not_compared_and_the_retake_says_what_settles_it(tmp_path):
    job = two_photos(tmp_path, "daylight", "warm LED")
    result = inspect_photo(job, job.photos[0]).result
    region = result.regions[0]
    assert region.verdict == "retake"
    assert region.measures["match_delta_e"].value is None
    (told,) = (reason for reason in region.reasons if "old.png" in reason)
    assert "it was taken in warm LED, this one in daylight" in told
    assert "in one photo, side by side" in told
    assert result.quality["light"] == "daylight"


def test_a_reference_of_the_same_light_is_taken_first(tmp_path: Path) -> None:
    job = two_photos(tmp_path, "daylight", "warm LED")
    save_photo(rendered(scene(finish=(38.0, -28.0, 9.0), seed=8)), tmp_path / "day.png")
    day = replace(box_outline(WHERE, kind="reference", name="old"), photo="day.png")
    job = replace(
        job,
        photos=(*job.photos, PhotoEntry(file="day.png", light="daylight")),
        outlines=(*job.outlines, day),
        outlined=job.outlined | {"day.png"},
    )
    region = inspect_photo(job, job.photos[0]).result.regions[0]
    assert any("off the reference part in day.png" in reason for reason in region.reasons)


@pytest.mark.parametrize("beside", ["daylight", "warm LED"])
def test_a_region_shown_beside_a_reference_is_told_of_there(tmp_path, beside) -> None:
    job = two_photos(tmp_path, "daylight", "warm LED")
    both = PhotoEntry(file="both.png", part="door", light=beside)
    drawn = [
        replace(box_outline(WHERE, kind=kind, name=name), photo="both.png")
        for kind, name in (("panel", "dyed"), ("reference", "old"))
    ]
    job = replace(job, photos=(*job.photos, both), outlines=(*job.outlines, *drawn))
    region = inspect_photo(job, job.photos[0]).result.regions[0]
    assert "match_delta_e" not in region.measures


def test_beside_a_reference_in_another_light_does_not_settle_this_one(tmp_path: Path) -> None:
    job = two_photos(tmp_path, "daylight", "daylight")
    both = PhotoEntry(file="both.png", part="door", light="warm LED")
    drawn = [
        replace(box_outline(WHERE, kind=kind, name=name), photo="both.png")
        for kind, name in (("panel", "dyed"), ("reference", "old"))
    ]
    job = replace(job, photos=(*job.photos, both), outlines=(*job.outlines, *drawn))
    region = inspect_photo(job, job.photos[0]).result.regions[0]
    assert region.verdict == "fail"
    assert "match_delta_e" in region.measures
