"""Match of a dyed panel with a reference in the same photo, against the truth of rendered pairs.

    python tests/bench/bench_match.py --seed 11 --pairs 100 [--two-photos]

The reference is a bare disc of its own colour in the panel: the same light, grain and gloss on
both sides, so a difference of gloss is not tried here. With --two-photos panel and reference have
a photo each, of one camera, with differing exposure, lamp place, noise, gloss and bend, and in a
quarter of the pairs another kind of light. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from spread import surroundings

COLOURS: tuple[tuple[float, float, float], ...] = (
    # finishes, CIE Lab D50; our own colours
    (34.0, 24.0, 18.0),
    (46.0, 21.0, 28.0),
    (55.0, 0.0, -1.0),
    (20.0, 0.5, -0.5),
    (36.0, 14.0, 20.0),
    (60.0, 13.0, 31.0),
    (72.0, 3.0, 18.0),
    (26.0, 1.0, -14.0),
    (38.0, -28.0, 9.0),
    (85.0, 1.0, 16.0),
)
SIZE = (1500, 1100)
PANEL = ((60.0, 60.0), (1440.0, 60.0), (1440.0, 690.0), (60.0, 690.0))
SMALL = (1050, 770)  # of a photo that shows one of the two
SMALL_PANEL = ((42.0, 42.0), (1008.0, 42.0), (1008.0, 483.0), (42.0, 483.0))
MIDDLE, RADIUS = (450.0, 375.0), 190.0  # of the reference disc, pixels


def make(seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Scene number i, and what is known of it."""
    from fullhide.phantom import Chart, Scene, Spot

    rng = np.random.default_rng([seed, i])
    finish = np.array(COLOURS[i % len(COLOURS)])
    way = rng.normal(size=3)
    way *= float(rng.choice([0.0, 1.0, 2.0, 4.0])) * rng.uniform(0.5, 1.5) / np.linalg.norm(way)
    reference = finish + way
    mm = float(rng.choice([0.12, 0.16, 0.2]))
    fact: dict[str, Any] = {"board": bool(rng.random() < 0.5), "quality": int(rng.integers(85, 98))}
    place = (MIDDLE[0] * mm, MIDDLE[1] * mm)
    area = np.pi * (RADIUS * mm) ** 2
    scene = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **surroundings(rng),
        finish=tuple(float(v) for v in finish),
        under=(("reference", tuple(float(v) for v in reference)),),
        panel_px=PANEL,
        chart=Chart(centre_px=(750.0, 895.0), width_mm=480.0 * mm),
        spots=(Spot("reference", place, area_mm2=float(area), shape="round"),),
    )
    fact.update(camera=scene.camera.sensor, light=scene.light.name, reference=tuple(reference))
    fact.update(curvature=scene.leather.curvature_mm, noise=scene.camera.noise)
    return scene, fact


def outlines(region_px: Any) -> tuple[Any, ...]:
    """The disc within its rim, and the panel about it."""
    from shapely.geometry import Point, Polygon

    from fullhide.outlines import RegionOutline

    disc, about = Point(MIDDLE).buffer(0.8 * RADIUS), Point(MIDDLE).buffer(1.2 * RADIUS)
    panel = Polygon(region_px).buffer(-2.0)
    made = RegionOutline(
        photo="p.jpg",
        name="dyed",
        kind="panel",
        polygon=np.asarray(panel.exterior.coords)[:-1],
        holes=(np.asarray(about.exterior.coords)[:-1],),
        properties={},
    )
    against = RegionOutline(
        photo="p.jpg",
        name="old",
        kind="reference",
        polygon=np.asarray(disc.exterior.coords)[:-1],
        properties={},
    )
    return made, against


def one(task: tuple[int, int]) -> dict[str, Any]:
    """Render, inspect, and put truth and result side by side."""
    from fullhide.colour import delta_e00
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Job, Limits, PhotoEntry
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    scene, fact = make(*task)
    shot = render(scene)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_photo(shot, folder / "p.jpg", quality=fact["quality"])
        if fact["board"]:
            save_photo(render(scene.grey_board()), folder / "b.jpg", quality=fact["quality"])
        entry = PhotoEntry(file="p.jpg", grey_board="b.jpg" if fact["board"] else None)
        job = Job(
            name="bench",
            folder=folder,
            # 97.5 % on either side is an interval of 95 %.
            limits=Limits(confidence=0.975),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            photos=(entry,),
            outlines=outlines(shot.truth.region_px),
            outlined=frozenset({"p.jpg"}),
        )
        found = inspect_photo(job, entry).result
    region = next(r for r in found.regions if r.name == "dyed")
    fact.update(chart=found.chart.found, flat=found.quality["light_from"])
    fact["measures"] = {n: (m.value, m.u) for n, m in region.measures.items()}
    fact["reasons"] = region.reasons
    lab = np.asarray(shot.truth.finish_lab)
    fact["lab"] = tuple(float(v) for v in lab)
    fact["delta"] = lab - np.array(fact["reference"])
    fact["truth"] = float(delta_e00(np.array(fact["reference"]), lab, k_l=2.0))
    return fact


def apart(seed: int, i: int) -> tuple[Any, Any, dict[str, Any]]:
    """Scenes of a panel and of its reference, and what is known of them."""
    from fullhide.phantom import Chart, Scene

    rng = np.random.default_rng([seed, i, 2])
    finish = np.array(COLOURS[i % len(COLOURS)])
    way = rng.normal(size=3)
    way *= float(rng.choice([0.0, 1.0, 2.0, 4.0])) * rng.uniform(0.5, 1.5) / np.linalg.norm(way)
    fact: dict[str, Any] = {"board": bool(rng.random() < 0.5), "quality": int(rng.integers(85, 98))}
    mm, other = float(rng.choice([0.17, 0.23, 0.28])), rng.random() < 0.25
    scenes: list[Any] = []
    for lab in (finish, finish + way):
        given = surroundings(rng)
        if scenes:
            first = scenes[0]
            name = given["light"].name if other else first.light.name
            given["light"] = replace(given["light"], name=name)
            same = {"sensor": first.camera.sensor, "tone": first.camera.tone}
            given["camera"] = replace(given["camera"], **same)
            given["leather"] = replace(given["leather"], grain=first.leather.grain)
        scenes.append(
            Scene(
                size_px=SMALL,
                mm_per_px=mm,
                **given,
                finish=tuple(float(v) for v in lab),
                panel_px=SMALL_PANEL,
                chart=Chart(centre_px=(float(rng.uniform(300, 750)), 626.0), width_mm=340.0 * mm),
            )
        )
    return scenes[0], scenes[1], fact


def one_typed(task: tuple[int, int]) -> dict[str, Any]:
    """As `one_apart`, the reference typed as measured with an instrument that errs by its `u`."""
    return one_apart(task, typed=True)


def one_apart(task: tuple[int, int], *, typed: bool = False) -> dict[str, Any]:
    """Render both, inspect the panel's photo, and put truth and result side by side."""
    from shapely.geometry import Polygon

    from fullhide.colour import delta_e00
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Job, Limits, PhotoEntry, TypedReference
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    *scenes, fact = apart(*task)
    entries, drawn, labs = [], [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, kind, scene in zip("pr", ("panel", "reference"), scenes, strict=True):
            shot = render(scene)
            save_photo(shot, folder / f"{file}.jpg", quality=fact["quality"])
            if fact["board"]:
                board = render(scene.grey_board())
                save_photo(board, folder / f"{file}b.jpg", quality=fact["quality"])
            grey = f"{file}b.jpg" if fact["board"] else None
            entries.append(PhotoEntry(file=f"{file}.jpg", grey_board=grey))
            rim = Polygon(shot.truth.region_px).buffer(-2.0).exterior.coords
            drawn.append(
                RegionOutline(
                    photo=f"{file}.jpg",
                    name=kind,
                    kind=kind,
                    polygon=np.asarray(rim)[:-1],
                    properties={},
                )
            )
            labs.append(np.asarray(shot.truth.finish_lab))
        job = Job(
            name="bench",
            folder=folder,
            limits=Limits(confidence=0.975),  # on either side: an interval of 95 %
            chart=ChartSettings(width_mm=scenes[0].chart.width_mm),
            photos=tuple(entries),
            outlines=tuple(drawn),
            outlined=frozenset({"p.jpg", "r.jpg"}),
        )
        if typed:
            off = np.random.default_rng([*task, 3]).normal(size=3)
            one = TypedReference(name="measured", lab=(0.0, 0.0, 0.0))
            lab = labs[1] + one.u * off
            one = replace(one, lab=(float(lab[0]), float(lab[1]), float(lab[2])))
            job = replace(job, photos=(entries[0],), outlines=(drawn[0],), references=(one,))
        found = inspect_photo(job, entries[0]).result
    (region,) = found.regions
    fact.update(chart=found.chart.found, flat=found.quality["light_from"], reasons=region.reasons)
    fact["measures"] = {n: (m.value, m.u) for n, m in region.measures.items()}
    fact["delta"] = labs[0] - labs[1]
    fact["truth"] = float(delta_e00(labs[1], labs[0], k_l=2.0))
    return fact


def table(facts: list[dict[str, Any]]) -> None:
    """Print the figures, in all and by what is known of the light."""
    seen = [f for f in facts if f["chart"] and "match_at_most" in f["measures"]]
    print(f"{len(facts)} pairs; {len(facts) - len(seen)} without a chart or a match are left out")
    print(f"{'':18} pairs  error of ΔE00: median  95 %   95 % intervals that hold the truth")
    lights = sorted({f["flat"] for f in seen})
    for name in ("all", *lights):
        part = [f for f in seen if name in ("all", f["flat"])]
        off = [abs(f["measures"]["match_delta_e"][0] - f["truth"]) for f in part]
        held = [
            f["measures"]["match_at_least"][0] - 1e-6
            <= f["truth"]
            <= f["measures"]["match_at_most"][0] + 1e-6
            for f in part
        ]
        print(
            f"{name:18} {len(part):5}  {np.median(off):21.2f}  {np.quantile(off, 0.95):.2f}   "
            f"{100 * np.mean(held):.0f} %"
        )
    high = [f["measures"]["match_at_most"][0] for f in seen]
    print(f"upper end of the interval: {np.median(high):.1f} at the median")
    low = [f["measures"]["match_at_least"][0] for f in seen]
    word = [
        "pass" if h <= 2.0 else "fail" if d >= 2.0 else "" for h, d in zip(high, low, strict=True)
    ]
    true = [f["truth"] for f in seen]
    for told, wrong in (("pass", lambda t: t > 2.0), ("fail", lambda t: t < 2.0)):
        those = [t for w, t in zip(word, true, strict=True) if w == told]
        print(f"limit 2.0: {told} {len(those)}, wrongly {sum(map(wrong, those))}")
    print("components: median and 95 % of the error, share of |error| <= 1.96 u (goal 95 %)")
    for axis, name in enumerate(("match_dL", "match_da", "match_db")):
        error = np.array([f["measures"][name][0] - f["delta"][axis] for f in seen])
        u = np.array([f["measures"][name][1] for f in seen])
        print(
            f"  {name}: {np.median(np.abs(error)):.2f} {np.quantile(np.abs(error), 0.95):.2f}  "
            f"{100 * np.mean(np.abs(error) <= 1.96 * u):.0f} %"
        )


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--two-photos", action="store_true")
    parser.add_argument("--typed", action="store_true", help="against a typed Lab")
    asked = parser.parse_args()
    work = one_typed if asked.typed else one_apart if asked.two_photos else one
    with ProcessPoolExecutor(2) as pool:
        table(list(pool.map(work, [(asked.seed, i) for i in range(asked.pairs)])))


if __name__ == "__main__":
    main()
