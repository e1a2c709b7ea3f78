"""Sheen against a reference in the same photo: truth is our own phantoms' gloss, and made tiles."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest
from staged import CHART_MM, scene

from fullhide._record_codec import asked_of
from fullhide.checks.sheen import ratio_of, sheen, sheen_unknown
from fullhide.engine import inspect_photo
from fullhide.job import ChartSettings, Job, Limits, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.phantom import Camera, Lamp, Leather, Light, Scene, Sheen, render, save_photo
from fullhide.result import RegionResult
from fullhide.shine import Shine
from fullhide.verdict import furthest_ratio

ASKED = Limits(sheen=1.7)
#: One lamp low enough that coarse grain glints, a dark dye, a calm camera; halves left and right.
GLINTING = scene(
    finish=(34.0, 24.0, 18.0),
    light=Light(lamps=(Lamp(azimuth_deg=90.0, elevation_deg=60.0),), falloff=0.0),
    camera=Camera(noise=0.5),
    leather=Leather(grain="coarse", roughness=0.3, curvature_mm=0.0),
)
LEFT, RIGHT = (30.0, 30.0, 430.0, 450.0), (470.0, 30.0, 870.0, 450.0)


def with_gloss(gloss: float, base: Scene = GLINTING) -> Scene:
    """The right half with a gloss of its own; the rest has 1."""
    middle = ((450.0 + 880.0) / 2 * 0.15, 36.0)
    patch = Sheen(middle, (430.0 * 0.15, 72.0), gloss=gloss, roughness=base.leather.roughness)
    return replace(base, sheens=(patch,))


def outline(kind: str, box: tuple[float, float, float, float]) -> RegionOutline:
    x0, y0, x1, y1 = box
    polygon = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    return RegionOutline(photo="p.png", name=kind, kind=kind, polygon=polygon, properties={})


def judged(
    what: Scene,
    folder: Path,
    *,
    limits: Limits = ASKED,
    reference: bool = True,
    also: Scene | None = None,
) -> RegionResult:
    """The right half, with the left one as reference."""
    save_photo(render(what), folder / "p.png")
    if also is not None:
        save_photo(render(also), folder / "q.png")
    drawn = [outline("panel", RIGHT)] + ([outline("reference", LEFT)] if reference else [])
    entry = PhotoEntry(file="p.png", also=("q.png",) if also is not None else ())
    job = Job(
        name="x",
        folder=folder,
        limits=limits,
        chart=ChartSettings(width_mm=CHART_MM),
        photos=(entry,),
        outlines=tuple(drawn),
        outlined=frozenset({"p.png"}),
    )
    found = inspect_photo(job, entry).result
    return next(region for region in found.regions if region.kind == "panel")


def told(region: RegionResult) -> str:
    return " ".join(r for r in region.reasons if "sheen" in r or "than the reference:" in r)


@pytest.mark.parametrize(
    ("gloss", "word"),
    [(3.0, "glossier than the reference"), (1.0, "sheen like the reference"), (0.2, "duller")],
)
def test_a_panels_gloss_is_told_against_the_references(
    gloss: float, word: str, tmp_path: Path
) -> None:
    region = judged(with_gloss(gloss), tmp_path)
    assert word in told(region)
    ends = [region.measures[f"sheen_at_{end}"].value for end in ("least", "most")]
    assert (ends[0] or 0.0) <= gloss <= (ends[1] if ends[1] is not None else np.inf)
    assert region.measures["sheen_ratio"].unit == "1"  # a ratio, never gloss units
    assert region.measures["sheen_ratio"].limit == ASKED.sheen


def test_without_being_asked_for_nothing_is_said_of_sheen(tmp_path: Path) -> None:
    region = judged(with_gloss(3.0), tmp_path, limits=Limits())
    assert not [name for name in region.measures if "sheen" in name]
    assert told(region) == ""


def test_without_a_reference_or_a_glint_it_is_a_retake(tmp_path: Path) -> None:
    region = judged(with_gloss(3.0), tmp_path, reference=False)
    assert "no `reference` region" in told(region)
    assert region.verdict != "pass"
    assert region.measures["sheen_ratio"].value is None
    smooth = replace(GLINTING, leather=replace(GLINTING.leather, grain="none"))
    region = judged(with_gloss(3.0, smooth), tmp_path)
    assert region.verdict != "pass"
    assert "take it again" in told(region)
    assert "than the reference:" not in told(region)


def test_a_photo_with_the_lamp_moved_settles_what_the_first_leaves_open(tmp_path: Path) -> None:
    high = Light(lamps=(Lamp(azimuth_deg=90.0, elevation_deg=22.0),), falloff=0.0, ambient=0.95)
    faint = with_gloss(3.0, replace(GLINTING, light=high, camera=Camera(noise=8.0)))
    alone = judged(faint, tmp_path)
    assert "than the reference:" not in told(alone)
    both = judged(faint, tmp_path, also=replace(with_gloss(3.0), shot=1))
    assert "glossier than the reference" in told(both)


def tiles(
    strength: float, *, x: float = 0.0, seed: int = 0, colour: float = 0.5, skew: float = 0.5
) -> Shine:
    """Made tiles: variance of brightness `strength` squared, `colour` of it the light's own."""
    rng = np.random.default_rng(seed)
    places = np.stack(np.meshgrid(x + np.arange(6.0), np.arange(6.0)), axis=-1).reshape(-1, 2)
    whole = strength**2 * rng.uniform(0.9, 1.1, len(places))
    shared = colour * whole * rng.uniform(0.95, 1.05, len(places))
    peaks = skew * whole**1.5
    return Shine(
        places=places, shared=shared, whole=whole, peaks=peaks, noise=(0.0, 0.0), burnt=0.0
    )


def test_the_ratio_of_plays_bounds_that_of_the_highlights() -> None:
    # Shading of 1 on both; shine of 1 and 3 (plays add up): plays 2 and 4, highlights 1 to 3.
    found = ratio_of(
        tiles(4.0, x=7.0, seed=1, colour=0.75), tiles(2.0), confidence=0.95, light_doubt=0.0
    )
    assert 1.5 < found.at_least <= 2.2
    assert found.at_least <= 3.0 <= found.at_most


def test_a_doubtful_light_or_a_grey_colour_widens_what_is_told() -> None:
    one, two = tiles(2.4, x=7.0, seed=1), tiles(2.0)
    sure = ratio_of(one, two, confidence=0.95, light_doubt=0.0)
    dim = ratio_of(one, two, confidence=0.95, light_doubt=0.2)
    assert dim.at_least < sure.at_least
    noisy = replace(two, noise=(10.0, 0.0))  # colour drowned, brightness clear
    alike = ratio_of(tiles(2.0, x=7.0, seed=1), noisy, confidence=0.95, light_doubt=0.1)
    assert "cannot be told from shading" in alike.why


def test_weaker_but_sharper_glints_are_told_neither_way() -> None:
    # A narrower lobe may well be the weaker one in this light and the stronger in another.
    one, two = tiles(1.0, x=7.0, seed=1, skew=1.5), tiles(2.0, skew=0.5)
    assert "glints are sharper" in ratio_of(one, two, confidence=0.95, light_doubt=0.0).why
    alike = replace(one, whole=4.0 * one.whole, shared=4.0 * one.shared, peaks=8.0 * one.peaks)
    found = ratio_of(alike, two, confidence=0.95, light_doubt=0.0)
    assert (found.at_least, found.at_most) == (0.0, float("inf"))


def test_photos_that_contradict_one_another_are_no_verdict() -> None:
    far = tiles(4.0, x=7.0, seed=1), tiles(1.0, x=7.0, seed=1)
    looks = [(far[0], [tiles(1.0)], 0.0), (far[1], [tiles(4.0)], 0.0)]
    outcome = sheen(looks, limits=ASKED)
    assert outcome.verdict == "retake"
    assert "do not agree" in outcome.reasons[0]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"burnt": 0.05}, "burnt out on the panel"),
        ({"noise": (0.0, 100.0)}, "no highlight stands out on the panel"),
        (
            {"whole": np.ones(3), "shared": np.ones(3), "peaks": np.ones(3)},
            "too little of the panel",
        ),
    ],
)
def test_what_cannot_be_compared_is_a_retake_that_asks_for_a_photo(
    changes: dict[str, object], why: str
) -> None:
    panel = replace(tiles(2.0, x=7.0), **changes)
    outcome = sheen([(panel, [tiles(2.0)], 0.0)], limits=ASKED)
    assert outcome.verdict == "retake"
    assert why in outcome.reasons[0]
    assert "take it again" in outcome.reasons[0]


def test_no_reference_no_chart_and_what_a_gate_rests_on() -> None:
    assert "24-patch chart" in sheen_unknown(limits=ASKED, calibrated=False).reasons[0]
    least, most = sheen_unknown(limits=ASKED).measures["sheen_ratio"], None
    assert furthest_ratio(least, most) is None
    ends = sheen([(tiles(2.0, x=7.0, seed=1), [tiles(4.0)], 0.0)], limits=ASKED)
    furthest = furthest_ratio(ends.measures["sheen_at_least"], ends.measures["sheen_at_most"])
    assert furthest is not None
    assert furthest >= 2.0  # dull counts as far off as glossy


def test_a_job_that_never_asked_keeps_its_record_as_it_was(tmp_path: Path) -> None:
    job = Job(name="x", folder=tmp_path)
    assert "sheen" not in asked_of(job)["limits"]
    assert asked_of(replace(job, limits=ASKED))["limits"]["sheen"] == 1.7
    assert asdict(Limits())["sheen"] is None


def test_a_place_of_other_gloss_is_rendered_there_only() -> None:
    plain, glossy = (
        render(replace(s, size_px=(300, 240), chart=None, panel_px=()))
        for s in (
            GLINTING,
            replace(GLINTING, sheens=(Sheen((20.0, 18.0), (10.0, 10.0), 3.0, 0.3),)),
        )
    )
    ratio = glossy.truth.highlight / plain.truth.highlight
    assert ratio[120, 133] == pytest.approx(3.0, rel=1e-4)
    assert ratio[20, 20] == pytest.approx(1.0)
