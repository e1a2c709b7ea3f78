"""The benchmark's own judge: it must see what is right, what is wrong and what is missing."""

from __future__ import annotations

import importlib
from dataclasses import replace
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from fullhide.phantom import Chart, Gap, Rendering, Scene, Seam, Spot, render
from fullhide.result import ChartResult, Finding, Measure, PhotoResult, RegionResult

BENCH = Path(__file__).parent / "bench"


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """The benchmark's modules, which are scripts beside one another and in no package."""
    monkeypatch.syspath_prepend(str(BENCH))
    names = ("scenes", "scene_truth", "score", "bench_tables")
    return SimpleNamespace(**{name: importlib.import_module(name) for name in names})


PANEL = Scene(
    size_px=(640, 480),
    mm_per_px=0.15,
    chart=Chart(width_mm=25.0),
    spots=(
        Spot("old green", (25.0, 30.0), 9.0, "round"),
        Spot("old green", (45.0, 30.0), 1.4, "round"),
        Spot("old green", (25.0, 50.0), 0.4, "round"),
    ),
)
SEAM = replace(
    PANEL,
    spots=(),
    seams=(Seam((2.0, 36.0), (70.0, 36.0), bow_mm=4.0, opened=True),),
    gaps=(Gap(0, 25.0, 37.0, "old green", softness_mm=0.1),),
)


@cache
def rendered(scene: Scene) -> Rendering:
    return render(scene)


def case(bench: SimpleNamespace, scene: Scene, content: str) -> Any:
    return bench.scenes.Case(
        seed=1,
        number=0,
        pair="green>fox",
        scene=scene,
        content=content,
        props=(),
        board=False,
        quality=93,
    )


def finding(number: int, area_mm2: float, **more: Any) -> Finding:
    given: dict[str, Any] = {
        "kind": "show_through",
        "under": "old green",
        "delta_e": 20.0,
        "share": 1.0,
        "centre_px": (0.0, 0.0),
        "box_px": (0, 0, 1, 1),
    }
    return Finding(id=number, area_mm2=area_mm2, **{**given, **more})


def scored(
    bench: SimpleNamespace,
    scene: Scene,
    labels: np.ndarray,
    findings: tuple[Finding, ...],
    *,
    verdict: str,
    value: float = 0.0,
    content: str = "spots",
) -> Any:
    region = RegionResult(
        name="r",
        part=None,
        kind="panel",
        proposed=False,
        verdict=verdict,  # type: ignore[arg-type]
        reasons=("grain hides it: take it again from nearer",),
        measures={"show_through_mm2": Measure(value=value, u=0.5, limit=1.0, unit="mm²")},
        findings=findings,
    )
    result = PhotoResult(
        file="p.jpg",
        sha256="",
        size_px=scene.size_px,
        mm_per_px=scene.mm_per_px,
        chart=ChartResult(found=False),
        regions=(region,),
    )
    own, rendering = case(bench, scene, content), rendered(scene)
    shares = np.max(list(rendering.truth.shares.values()), axis=0)
    return bench.score.score(own, rendering, result, labels, shares)


def test_the_truth_itself_scores_without_fault(bench: SimpleNamespace) -> None:
    truth = rendered(PANEL).truth
    findings = tuple(finding(s.id, s.area_mm2, share=s.peak_share) for s in truth.spots)
    labels = np.where(truth.delta_e >= 3.0, truth.labels, 0)
    row = scored(bench, PANEL, labels, findings, verdict="fail", value=truth.spots[0].area_mm2)
    assert [miss.grade for miss in row.misses] == ["plain", "limit", "small"]
    assert all(miss.kinds == ("show_through",) for miss in row.misses)
    assert row.misses[0].area_error == pytest.approx(0.0, abs=1e-9)
    # The mean over the spot's body is a little less than its peak.
    assert row.misses[0].share_error == pytest.approx(0.0, abs=0.05)
    assert row.misses[0].overlap == 1.0
    assert row.misses[0].overlap_map == 1.0
    assert row.false == ()
    assert row.covered is True
    assert row.verdict in row.right


def test_nothing_found_is_every_miss_missed(bench: SimpleNamespace) -> None:
    labels = np.zeros((480, 640), np.uint16)
    row = scored(bench, PANEL, labels, (), verdict="pass")
    assert row.grade == "plain"
    assert all(miss.kinds == () and miss.overlap == 0.0 for miss in row.misses)
    assert row.verdict not in row.right
    assert bench.bench_tables.passed([row], "plain") == (1, 1)


def test_a_finding_on_clean_surface_is_false_and_counted(bench: SimpleNamespace) -> None:
    labels = np.zeros((480, 640), np.uint16)
    labels[100:110, 380:390] = 1
    row = scored(bench, PANEL, labels, (finding(1, 2.25),), verdict="fail", value=2.25)
    assert [cause for cause, _ in row.false] == ["surface"]
    assert row.wrong_px == 100
    assert (row.covered, row.covered_largest) == (None, False)


def test_stretches_are_compared_in_the_outlines_own_frame(bench: SimpleNamespace) -> None:
    truth = rendered(SEAM).truth
    core = (truth.labels > 0) & (truth.delta_e >= 3.0)
    band = np.asarray(truth.seam_px[0])
    # By hand: the band's end lies `entry` px from the gap along an all but straight path.
    entry = (band[0] + band[-1]) / 2.0
    columns = np.nonzero(core)[1]
    slope = np.hypot(1.0, 4.0 * 4.0 / 68.0 * 0.3)  # the arc climbs a little up to the gap
    low, high = ((x - entry[0]) * 0.15 for x in (columns.min(), columns.max() + 1))
    told = finding(1, float(core.sum()) * 0.15**2, along_seam_mm=(low * slope, high * slope))
    labels = core.astype(np.uint16)
    row = scored(bench, SEAM, labels, (told,), verdict="fail", value=20.0, content="gaps")
    # Half a millimetre: our own tolerance for the mean slope by hand.
    assert [error for _, error in row.along_errors] == pytest.approx([0.0, 0.0], abs=0.5)
    assert {grade for grade, _ in row.along_errors} == {"plain"}


def test_scenes_come_from_the_seed_and_spread_as_asked(bench: SimpleNamespace) -> None:
    cases = [bench.scenes.make(4, n) for n in range(120)]
    assert bench.scenes.make(4, 17) == cases[17]
    assert bench.scenes.make(5, 17) != cases[17]
    assert len({c.pair for c in cases}) >= 12
    assert len({c.scene.light.name for c in cases}) == 6
    assert {c.scene.camera.sensor for c in cases} == {"camera-a", "camera-b"}
    assert {c.noise for c in cases} == {1, 2, 3}
    assert {c.place for c in cases} == {"panel", "seam, opened", "seam, closed"}
    assert {c.content for c in cases} >= {"clean", "spots", "gaps", "thin", "bands"}
    # Every pair meets several lights: the two must not run in step.
    for pair in bench.scenes.PAIRS:
        assert len({c.scene.light.name for c in cases if c.pair == pair}) >= 5
    clean = [c for c in cases if c.content == "clean"]
    assert len(clean) >= 30
    assert 10 <= sum(c.well_shot for c in clean) < len(clean)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"mm_per_px": 0.2},
        {"chart": None},
    ],
)
def test_how_well_a_photo_is_shot_is_told_by_its_scene(
    bench: SimpleNamespace, spoilt: dict[str, Any]
) -> None:
    good = case(bench, replace(PANEL, mm_per_px=0.1), "clean")
    assert good.well_shot
    assert not replace(good, scene=replace(good.scene, **spoilt)).well_shot
    assert not replace(good, quality=80).well_shot
    assert not replace(good, props=("hair",)).well_shot
    for camera in ({"noise": 2.0}, {"blur_px": 1.4}, {"exposure": 1.7}):
        changed = replace(good.scene, camera=replace(good.scene.camera, **camera))
        assert not replace(good, scene=changed).well_shot
