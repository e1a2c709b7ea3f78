"""Masked lines of two-tone parts against the truth of rendered ones.

    python tests/bench/bench_edges.py --seed 11 --scenes 60

Bleeds, gaps, overspray and unsteady lines, and clean ones, over colour pairs, lights, cameras,
grains, noise, compression, and lines straight and bent. Truth: our own phantoms; goals: our own.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from spread import NOISE_OF, surroundings

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

#: name: (finish, second colour, colour beneath), CIE Lab D50; our own colours.
COLOURS: dict[str, tuple[tuple[float, float, float], ...]] = {
    "fox|cream": ((46.0, 21.0, 28.0), (85.0, 1.0, 14.0), (38.0, -28.0, 9.0)),
    "black|red-brown": ((20.0, 0.5, -0.5), (34.0, 24.0, 18.0), (62.0, 12.0, 32.0)),
    "navy|grey": ((24.0, 2.0, -20.0), (55.0, 0.0, -1.0), (62.0, 12.0, 32.0)),
    "cream|white": ((85.0, 1.0, 16.0), (93.0, -0.5, 2.0), (32.0, 12.0, 16.0)),
    "red|black": ((38.0, 46.0, 26.0), (20.0, 0.5, -0.5), (74.0, 2.0, 17.0)),
    "tan|brown": ((62.0, 12.0, 32.0), (36.0, 14.0, 20.0), (58.0, 0.0, 0.0)),
    "petrol|sand": ((34.0, -16.0, -14.0), (72.0, 3.0, 18.0), (30.0, 30.0, 10.0)),
    "grey|ink": ((58.0, 0.0, 0.0), (26.0, 1.0, -14.0), (62.0, 12.0, 32.0)),
    "brown|black": ((32.0, 12.0, 16.0), (20.0, 0.5, -0.5), (85.0, 1.0, 16.0)),
    "sand|tan": ((72.0, 3.0, 18.0), (62.0, 12.0, 32.0), (44.0, -24.0, -8.0)),
    "wine|cream": ((30.0, 30.0, 10.0), (86.0, 1.0, 12.0), (20.0, 0.5, -0.5)),
}
FAULTS = ("clean", "bleed", "gap", "overspray", "waver")
SIZE = (1500, 1100)
LIMIT, STRAIGHT, DELTA_E = 1.0, 0.5, 3.0


def make(seed: int, i: int, fault: str | None = None) -> tuple[Any, dict[str, Any]]:
    """Scene number i of a seed, and what is known of it."""
    from fullhide.phantom import Bleed, Chart, Edge, OpenLine, Overspray, Scene

    rng = np.random.default_rng([seed, i])
    pair = list(COLOURS)[i % len(COLOURS)]
    first, second, old = COLOURS[pair]
    careful = bool(rng.random() < 0.6)
    given = surroundings(rng)
    mm = float(rng.choice([0.08, 0.1, 0.12] if careful else [0.1, 0.13, 0.16]))
    camera = given["camera"]
    if careful:
        given["camera"] = replace(camera, noise=NOISE_OF[camera.sensor])
    # The chart stands at the right: the part is 0.03 to 0.6 of the width.
    turn = float(rng.choice([0.0, 90.0]) + rng.uniform(-25, 25))
    middle = np.array([0.31 * SIZE[0], 0.5 * SIZE[1]]) * mm
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    half = 0.8 * SIZE[1] * mm
    start, end = middle - half * way, middle + half * way
    bow = float(rng.choice([0.0, rng.uniform(-12.0, 12.0)]))
    usual = FAULTS[int(rng.choice(5, p=[0.36, 0.2, 0.16, 0.16, 0.12]))]
    fault = fault or usual
    # Faults lie about the middle, where the part is.
    reach = 0.22 * SIZE[0] * mm if abs(way[0]) > 0.5 else 0.32 * SIZE[1] * mm
    at = half + float(rng.uniform(-0.5, 0.5)) * reach
    long = float(rng.uniform(3.0, 0.6 * reach))
    stretch = (at - 0.5 * long, at + 0.5 * long)
    more: dict[str, Any] = {"waver_mm": float(rng.uniform(0.0, 0.2))}
    if fault == "bleed":
        depth = float(rng.uniform(0.7, 3.0) * rng.choice([-1, 1]))
        more["bleeds"] = (Bleed(*stretch, depth),)
    elif fault == "gap":
        more["opens"] = (OpenLine(*stretch, float(rng.uniform(0.7, 3.0)), "old"),)
    elif fault == "overspray":
        more["oversprays"] = (
            Overspray(
                *(at - 0.5 * long - 5.0, at + 0.5 * long + 5.0),
                share=float(rng.uniform(0.1, 0.6)),
                fade_mm=float(rng.uniform(1.5, 5.0)),
                on_second=bool(rng.random() < 0.5),
            ),
        )
    elif fault == "waver":
        more["waver_mm"] = float(rng.uniform(0.4, 1.2))
        more["waver_period_mm"] = float(rng.uniform(15.0, 45.0))
    elif rng.random() < 0.5:  # what is within the limits
        more["bleeds"] = (Bleed(*stretch, float(rng.uniform(0.1, 0.4) * rng.choice([-1, 1]))),)
    edge = Edge(
        tuple(map(float, start)),
        tuple(map(float, end)),
        "second",
        bow_mm=bow,
        softness_mm=float(rng.uniform(0.05, 0.3)),
        ragged_mm=float(rng.uniform(0.02, 0.06)),
        ridge_mm=float(rng.uniform(0.0, 0.05)),
        **more,
    )
    scene = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **given,
        finish=first,
        under=(("old", old), ("second", second)),
        edges=(edge,),
        chart=Chart(width_mm=0.33 * SIZE[0] * mm),
    )
    fact = {
        "number": i,
        "pair": pair,
        "fault": fault,
        "careful": careful,
        "mm": mm,
        "quality": int(rng.integers(90 if careful else 80, 98)),
        "band": float(rng.uniform(5.5, 9.0)),
        "off": float(rng.uniform(-1.0, 1.0)),
        "stretch": stretch,
    }
    return scene, fact


def _band(shot: Any, fact: dict[str, Any]) -> np.ndarray:
    """The outline as a hand draws it: not quite in the middle, and cut off with the part."""
    from shapely.geometry import Polygon

    from fullhide.phantom import band_px

    ring = np.array(band_px(shot.truth.edges[0], half_px=fact["band"] / fact["mm"]))
    way = ring[1] - ring[0]
    side = np.array([-way[1], way[0]]) / np.linalg.norm(way)
    ring = ring + side * fact["off"] / fact["mm"]
    part = Polygon(ring).intersection(Polygon(shot.truth.region_px))
    return np.asarray(part.exterior.coords)[:-1]


def _truth(scene: Any, shot: Any, band: np.ndarray, fact: dict[str, Any]) -> None:
    """What a perfect inspection of the outline would say."""
    from fullhide.phantom._materials import Materials
    from fullhide.surface import mix_delta_e

    edge, mm = shot.truth.edges[0], scene.mm_per_px
    what = scene.edges[0]
    ring = band.astype(np.float32)
    inside = np.array(
        [cv2.pointPolygonTest(ring, (float(x), float(y)), False) > 0 for x, y in edge.course_px]
    )
    course = edge.course_px
    normal = np.gradient(course, axis=0)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.stack([-normal[:, 1], normal[:, 0]], axis=1)
    off = ((edge.line_px - course) * normal).sum(axis=1) * mm  # right positive
    # A bleed that is told is left out of the straightness.
    ran = np.abs(((edge.line_px - edge.masked_px) * normal).sum(axis=1) * mm)
    plain = (ran < 0.4) if ran.max() >= 0.9 * LIMIT else np.ones(len(ran), bool)
    along = np.linspace(0.0, np.hypot(*np.subtract(what.end_mm, what.start_mm)), len(off))
    fact["length"] = float(inside.sum()) * float(np.median(np.diff(along)))
    fact["straight"] = float(np.quantile(np.abs(off[inside & plain]), 0.95))
    fact["bleed"] = float(np.abs(off[inside]).max())
    width = np.zeros_like(off)
    for stretch in what.opens:
        ends = np.minimum(along - stretch.from_mm, stretch.to_mm - along) / stretch.width_mm
        width = np.where(inside, stretch.width_mm * np.sqrt(np.clip(ends, 0.0, 1.0)), 0.0)
    fact["gap"] = float(width.max())
    fact["haze"] = 0.0
    for haze in what.oversprays:
        mine = inside & (along > haze.from_mm) & (along < haze.to_mm)
        if mine.sum() * float(np.median(np.diff(along))) < 4.0:
            continue
        x = LIMIT + np.linspace(0.0, 1.0, 11)
        share = float(np.mean(haze.share * np.exp(-x * 1.0986 / haze.fade_mm)))
        made = Materials(scene)
        one, other = made.xyz(made.finish), made.xyz(made.named("second"))
        if haze.on_second:
            one, other = other, one
        fact["haze"] = float(mix_delta_e(one, other, share))
    fact["spoilt"] = (
        fact["bleed"] >= LIMIT
        or fact["straight"] >= STRAIGHT
        or fact["gap"] >= LIMIT
        or fact["haze"] >= DELTA_E
    )
    fact["plain"] = (
        fact["bleed"] >= 1.3 * LIMIT
        or fact["straight"] >= 1.4 * STRAIGHT
        or fact["gap"] >= 1.4 * LIMIT
        or fact["haze"] >= 1.6 * DELTA_E
    )
    fact["clean"] = (
        fact["bleed"] <= 0.6 * LIMIT
        and fact["straight"] <= 0.6 * STRAIGHT
        and fact["gap"] == 0
        and fact["haze"] == 0
    )
    middle = 0.5 * sum(fact["stretch"])
    fact["where"] = course[int(np.argmin(np.abs(along - middle)))].tolist()
    fact["reach"] = 0.5 * (fact["stretch"][1] - fact["stretch"][0]) / mm + 8.0 / mm


def one(task: tuple[int, int, str | None, str | None, bool]) -> dict[str, Any]:
    """Render, inspect, and put truth and result side by side."""
    from fullhide.checks.edge_trace import trace
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Colour, Job, PhotoEntry
    from fullhide.opened import prepared
    from fullhide.outlines import RegionOutline
    from fullhide.overlay import draw_overlay
    from fullhide.phantom import render, save_photo
    from fullhide.seam import normals

    cv2.setNumThreads(1)
    seed, i, keep, fault, also = task
    scene, fact = make(seed, i, fault)
    shot = render(scene)
    band = _band(shot, fact)
    _truth(scene, shot, band, fact)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_photo(shot, folder / "p.jpg", quality=fact["quality"])
        entry = PhotoEntry(file="p.jpg")
        outline = RegionOutline(photo="p.jpg", name="line", kind="edge", polygon=band)
        job = Job(
            name="bench",
            folder=folder,
            under=(Colour("old", dict(scene.under)["old"]),),
            finish=Colour("finish", scene.finish),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            photos=(entry,),
            outlines=(outline,),
            outlined=frozenset({"p.jpg"}),
        )
        found = inspect_photo(job, entry)
        fact["alone"] = found.result.regions[0].verdict
        if also and fact["alone"] == "retake":
            moved = scene.lamp_moved(60.0 + i * 37.0 % 60.0, shift_px=(7.0, -4.0))
            save_photo(render(moved), folder / "q.jpg", quality=fact["quality"])
            entry = replace(entry, also=("q.jpg",))
            found = inspect_photo(job, entry)
        if keep:
            out = Path(keep)
            out.mkdir(parents=True, exist_ok=True)
            made = draw_overlay(
                found.artifacts.photo,
                result=found.result,
                outlines=found.artifacts.outlines,
                label_map=found.artifacts.label_map,
            )
            cv2.imwrite(str(out / f"{seed}_{i}.png"), made[..., ::-1])
        ready = prepared(found.artifacts.opened, job, entry)
    (region,) = found.result.regions
    fact["verdict"], fact["reasons"], fact["flags"] = region.verdict, region.reasons, region.flags
    fact["measures"] = {n: (m.value, m.u) for n, m in region.measures.items()}
    fact["found"] = [
        (f.kind, f.depth_mm, f.delta_e, f.along_seam_mm, f.centre_px) for f in region.findings
    ]
    view = ready.scene.view(outline, job.limits)
    line = trace(view)
    fact["places"] = []
    if line is not None:
        factor = view.factor
        points = view.line + (line.place / view.mm_per_px * factor)[:, None] * normals(view.line)
        edge = shot.truth.edges[0]
        rows = np.flatnonzero(line.seen)[::7]
        for row in rows:
            off = points[row] - edge.line_px
            near = int(np.argmin((off**2).sum(axis=1)))
            if np.linalg.norm(edge.line_px[near] - edge.masked_px[near]) * fact["mm"] > 0.15:
                continue
            if any(s.from_mm - 2 < near * 0.2 < s.to_mm + 2 for s in scene.edges[0].opens):
                continue
            way = (
                edge.line_px[min(near + 1, len(edge.line_px) - 1)] - edge.line_px[max(near - 1, 0)]
            )
            way /= np.linalg.norm(way)
            error = float(abs(off[near] @ np.array([-way[1], way[0]]))) * fact["mm"]
            fact["places"].append((error, float(line.u[row])))
    return fact


def table(facts: list[dict[str, Any]], *, verbose: bool) -> None:
    """Print the figures."""
    if verbose:
        for f in facts:
            bad = (f["spoilt"] and f["verdict"] != "fail") or (
                f["clean"] and f["verdict"] != "pass"
            )
            print(
                f["number"], f["pair"], f["fault"], "careful" if f["careful"] else "",
                f["verdict"], "<<<" if bad else "",
                {k: round(f[k], 2) for k in ("bleed", "straight", "gap", "haze")},
                {k: (round(v, 2), round(u, 2)) for k, (v, u) in f["measures"].items() if u},
                [(x[0], round(x[1] or 0, 1), *np.round(x[3] or ())) for x in f["found"]],
                list(f["flags"]),
            )  # fmt: skip
    for title, mine in (
        ("all", facts),
        ("well shot", [f for f in facts if f["careful"]]),
    ):
        _figures(title, mine)


def _figures(title: str, facts: list[dict[str, Any]]) -> None:
    clean = [f for f in facts if f["clean"]]
    spoilt = [f for f in facts if f["spoilt"]]
    plain = [f for f in facts if f["plain"]]
    count = {v: sum(f["verdict"] == v for f in clean) for v in ("pass", "fail", "retake")}
    print(f"\n{title}: {len(facts)} photos, {sum(f['length'] for f in facts) / 1000:.1f} m of line")
    print(f"  clean {len(clean)}: {count} (goal: 90 % pass where well shot)")
    count = {v: sum(f["verdict"] == v for f in spoilt) for v in ("pass", "fail", "retake")}
    print(f"  spoilt {len(spoilt)}: {count} (goal: none passed)")
    count = {v: sum(f["verdict"] == v for f in plain) for v in ("pass", "fail", "retake")}
    print(f"  plainly spoilt {len(plain)}: {count}")
    retakes = sum(f["verdict"] == "retake" for f in facts)
    print(f"  retakes {retakes}/{len(facts)}")
    settled = [f for f in facts if f["alone"] == "retake" and f["verdict"] != "retake"]
    if settled:
        wrong = [f["number"] for f in settled if f["spoilt"] != (f["verdict"] == "fail")]
        print(f"  settled by a second photo {len(settled)}, wrongly {wrong}")
    places = np.array([p for f in facts for p in f["places"]])
    if len(places):
        inside = float((places[:, 0] <= 1.96 * places[:, 1]).mean())
        worst = [
            float(np.quantile([p[0] for p in f["places"]], 0.95)) for f in facts if f["places"]
        ]
        print(
            f"  place: median {np.median(places[:, 0]):.3f}, 95 % "
            f"{np.quantile(places[:, 0], 0.95):.3f} mm (goal 0.3), within 95 % intervals "
            f"{100 * inside:.0f} %, a photo's own 95 % at most {max(worst):.2f}"
        )
    for what, key, name, limit in (
        ("bleed", "bleed", "edge_bleed", LIMIT),
        ("gap", "gap", "edge_gap", LIMIT),
        ("straightness", "straight", "edge_straightness", STRAIGHT),
        ("straightness, not of wavers", "straight", "edge_straightness", STRAIGHT),
        ("overspray", "haze", "overspray_delta_e", DELTA_E),
    ):
        asked = ("bleed", "clean", "waver") if what == "bleed" else None
        pairs = [
            (f["measures"][name][0], f["measures"][name][1], f[key])
            for f in facts
            if name in f["measures"] and f["measures"][name][0] is not None
            and (asked is None or f["fault"] in asked)
            and (not what.endswith("wavers") or f["fault"] != "waver")
            and (what != "gap" or f["gap"] > 0)
            and (what != "overspray" or f["haze"] > 0)
        ]  # fmt: skip
        if not pairs:
            continue
        got = np.array(pairs, float)
        error = np.abs(got[:, 0] - got[:, 2])
        held = (error <= 1.96 * got[:, 1]).mean()
        print(
            f"  {what}: {len(got)} measured, error median {np.median(error):.2f}, 95 % "
            f"{np.quantile(error, 0.95):.2f}, intervals hold {100 * held:.0f} %"
        )
        del limit
    for kind, key, limit in (
        ("bleed", "bleed", LIMIT),
        ("gap", "gap", LIMIT),
        ("overspray", "haze", DELTA_E),
    ):
        with_it = [f for f in facts if f["fault"] == kind and f[key] >= limit]
        hit = [f for f in with_it if any(x[0] == kind and _near(f, x) for x in f["found"])]
        print(f"  {kind}s at the limit or above found: {len(hit)}/{len(with_it)}")
    false = [
        (f["number"], x[0])
        for f in facts
        for x in f["found"]
        if not (x[0] == f["fault"] and _near(f, x))
        and not (x[0] == "bleed" and f["fault"] == "waver")
    ]
    length = sum(f["length"] for f in facts) / 1000
    print(
        f"  false findings {len(false)}: {len(false) / max(length, 1e-6):.2f} a metre, "
        f"{len(false) / max(1, len(facts)):.2f} a photo {false[:12]}"
    )


def _near(fact: dict[str, Any], found: tuple[Any, ...]) -> bool:
    return float(np.hypot(*np.subtract(found[4], fact["where"]))) <= fact["reach"]


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="+", default=[11])
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--only", type=int, nargs="*")
    parser.add_argument("--keep", help="folder for overlays")
    parser.add_argument("--fault", choices=FAULTS, help="nothing else")
    parser.add_argument("--also", action="store_true", help="a second photo where one is a retake")
    parser.add_argument("-v", action="store_true", help="tell of each scene")
    asked = parser.parse_args()
    numbers = asked.only or range(asked.scenes)
    rest = (asked.keep, asked.fault, asked.also)
    facts = [one((seed, i, *rest)) for seed in asked.seed for i in numbers]
    table(facts, verbose=asked.v)


if __name__ == "__main__":
    main()
