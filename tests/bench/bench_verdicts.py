"""Verdicts and findings against the truth of rendered scenes, one table.

    python tests/bench/bench_verdicts.py --seed 7 --scenes 120

Scenes spread over colour pairs, illuminants, cameras, grain, panels and seams, noise, JPEG
quality, tone, exposure and grey boards. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

PAIRS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    # name: (old, new), CIE Lab D50; our own colours
    "black>red-brown": ((18.0, 0.5, 0.5), (34.0, 24.0, 18.0)),
    "white>fox": ((93.0, -0.5, 2.0), (46.0, 21.0, 28.0)),
    "navy>grey": ((24.0, 2.0, -20.0), (55.0, 0.0, -1.0)),
    "red>black": ((38.0, 46.0, 26.0), (20.0, 0.5, -0.5)),
    "tan>brown": ((62.0, 12.0, 32.0), (36.0, 14.0, 20.0)),
    "cream>tan": ((85.0, 1.0, 16.0), (60.0, 13.0, 31.0)),
    "petrol>sand": ((34.0, -16.0, -14.0), (72.0, 3.0, 18.0)),
    "green>fox": ((38.0, -28.0, 9.0), (46.0, 21.0, 28.0)),
    "teal>sand": ((44.0, -24.0, -8.0), (74.0, 2.0, 17.0)),
    "brown>tan": ((32.0, 12.0, 16.0), (61.0, 14.0, 32.0)),
    "tan>red-brown": ((62.0, 12.0, 32.0), (33.0, 25.0, 19.0)),
    "grey>ink": ((58.0, 0.0, 0.0), (26.0, 1.0, -14.0)),
}
LIGHTS = ["D65", "D50", "A", "FL2", "FL11", "LED-B3"]


@dataclass
class Tally:
    """Counts over scenes."""

    n: Counter[str] = field(default_factory=Counter)
    values: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    worst: list[tuple[str, str]] = field(default_factory=list)


def make(seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Scene number i of a seed, and what the job file would say."""
    from fullhide.phantom import Camera, Film, Gap, Leather, Light, Scene, Seam, Spot

    rng = np.random.default_rng([seed, i])
    name = list(PAIRS)[i % len(PAIRS)]
    old, new = PAIRS[name]
    is_seam = bool(rng.random() < 0.4)
    transition = bool(rng.random() < 0.25) and new[0] > 40
    unders = [("old colour", old)]
    if transition:
        unders.append(("white coat", (93.0, -0.5, 2.0)))
    clean = bool(rng.random() < 0.45)
    kinds = [u[0] for u in unders]
    spots, gaps, seams = [], [], []
    mm = float(rng.choice([0.10, 0.13, 0.16]))
    size = (1800, 1350)
    width, height = size[0] * mm, size[1] * mm
    if is_seam:
        seams.append(
            Seam(
                (-width * 0.05, height * float(rng.uniform(0.3, 0.7))),
                (width * 0.80, height * float(rng.uniform(0.3, 0.7))),
                bow_mm=float(rng.uniform(-15, 15)),
                width_mm=float(rng.uniform(5, 9)),
                opened=bool(rng.random() < 0.7),
            )
        )
    if not clean:
        for _ in range(int(rng.integers(1, 5))):
            under = str(rng.choice(kinds))
            target = None if rng.random() < 0.5 else float(rng.uniform(3, 14))
            if is_seam:
                at = float(rng.uniform(width * 0.13, width * 0.65))
                gaps.append(
                    Gap(
                        0,
                        at,
                        at + float(rng.uniform(2, 18)),
                        under,
                        width_mm=float(rng.uniform(1.2, 3)),
                        softness_mm=float(rng.choice([0.1, 0.6])),
                    )
                )
            else:
                spots.append(
                    Spot(
                        under,
                        (
                            width * float(rng.uniform(0.10, 0.66)),
                            height * float(rng.uniform(0.15, 0.85)),
                        ),
                        area_mm2=float(np.exp(rng.uniform(np.log(0.7), np.log(40)))),
                        shape=str(rng.choice(["round", "irregular", "elongated"])),
                        softness_mm=float(rng.choice([0.0, 0.0, 0.8, 1.6])),
                        delta_e=target,
                    )
                )
    scene = Scene(
        size_px=size,
        mm_per_px=mm,
        seed=int(rng.integers(1 << 30)),
        light=Light(name=LIGHTS[i % 6], falloff=float(rng.uniform(0, 0.2))),
        camera=Camera(
            sensor=str(rng.choice(["camera-a", "camera-a", "camera-b"])),
            exposure=0.85 * float(2.0 ** rng.uniform(-1, 0.1)),
            tone=str(rng.choice(["srgb", "phone"])),
            noise=float(rng.choice([1.0, 1.0, 2.0, 3.0])),
        ),
        leather=Leather(
            grain=str(rng.choice(["fine", "coarse", "smooth"])),
            gloss=float(rng.uniform(0.4, 1.2)),
            curvature_mm=float(rng.uniform(0, 10)),
        ),
        film=Film(),
        finish=new,
        under=tuple(unders),
        spots=tuple(spots),
        gaps=tuple(gaps),
        seams=tuple(seams),
    )
    return scene, {
        "pair": name,
        "seam": is_seam,
        "board": bool(rng.random() < 0.5),
        "quality": int(rng.integers(80, 98)),
        "unders": unders,
        "clean": clean,
        "new": new,
    }


def clipped_band(band: Any, region: Any, mm_per_px: float) -> tuple[Any, float]:
    """The part of a seam's band inside the panel's outline, and how far in it starts, mm."""
    from shapely.geometry import Polygon

    part = Polygon(band).buffer(0).intersection(Polygon(region))
    points = np.array(part.exterior.coords)[:-1]
    # Start at the corner next to the seam's own start.
    first = int(np.argmin(np.linalg.norm(points - band[0], axis=1)))
    points = np.roll(points, -first, axis=0)
    half = len(band) // 2
    path = (np.asarray(band[:half]) + np.asarray(band[::-1][:half])) / 2
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    inside = cv2.pointPolygonTest
    at = 0.0
    contour = points.astype(np.float32)
    for i in range(len(steps)):
        n = max(2, int(steps[i]))
        for j in range(n):
            p = path[i] + (path[i + 1] - path[i]) * j / n
            if inside(contour, (float(p[0]), float(p[1])), False) >= 0:
                return points, (at + steps[i] * j / n) * mm_per_px
        at += steps[i]
    return points, 0.0


def run_one(args: tuple[int, int, bool]) -> dict[str, Any]:
    """Render, save, inspect and score one scene."""
    seed, i, keep = args
    cv2.setNumThreads(1)
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Colour, Job, PhotoEntry, RegionOutline
    from fullhide.phantom import render, save_photo

    scene, info = make(seed, i)
    rendering = render(scene)
    truth = rendering.truth
    with tempfile.TemporaryDirectory() as folder:
        root = Path(f"/tmp/b/{seed}_{i}") if keep else Path(folder)
        root.mkdir(exist_ok=True, parents=True)
        save_photo(rendering, root / "p.jpg", quality=info["quality"])
        if info["board"]:
            save_photo(render(scene.grey_board()), root / "g.jpg", quality=92)
        kind = "seam" if info["seam"] else "panel"
        polygon = np.array(truth.seam_px[0] if info["seam"] else truth.region_px, float)
        start_mm = 0.0
        if info["seam"]:
            polygon, start_mm = clipped_band(polygon, truth.region_px, scene.mm_per_px)
        entry = PhotoEntry(file="p.jpg", grey_board="g.jpg" if info["board"] else None)
        job = Job(
            name="bench",
            folder=root,
            under=tuple(Colour(n, lab) for n, lab in info["unders"]),
            finish=Colour("new", info["new"]),
            chart=ChartSettings(width_mm=100.0),
            photos=(entry,),
            outlines=(RegionOutline(photo="p.jpg", name="r", kind=kind, polygon=polygon),),
            outlined=frozenset({"p.jpg"}),
        )
        start = time.perf_counter()
        result, artifacts, problems = inspect_photo(job, entry)
        took = time.perf_counter() - start
    region = result.regions[0]
    labels = artifacts.label_map
    plain, limit, hit_ids = 0, 0, set()
    area_err, share_err, along_err = [], [], []
    spots = []
    within = np.zeros(labels.shape, np.uint8)
    cv2.fillPoly(within, [np.round(polygon).astype(np.int32)], 1)
    for spot in truth.spots:
        # Spots that lie outside the outline, or half so, are nobody's to find.
        if (within[truth.labels == spot.id] > 0).mean() < 0.8:
            hit_ids.update(int(x) for x in np.unique(labels[truth.labels == spot.id]) if x)
            continue
        ids = np.unique(labels[truth.labels == spot.id])
        ids = [int(x) for x in ids if x]
        hit_ids.update(ids)
        is_plain = spot.mean_delta_e >= 6 and spot.area_mm2 >= 2
        is_limit = not is_plain and spot.mean_delta_e >= 3 and spot.area_mm2 >= 1
        plain += is_plain
        limit += is_limit
        hit = bool(ids)
        merged = (
            sum(bool((labels[truth.labels == other.id] == ids[0]).any()) for other in truth.spots)
            > 1
            if ids
            else False
        )
        spots.append(
            {
                "under": spot.under,
                "area": spot.area_mm2,
                "dE": spot.mean_delta_e,
                "peak": spot.peak_share,
                "hit": hit,
                "plain": is_plain,
                "at": spot.centre_px,
            }
        )
        if hit and not merged and (is_plain or is_limit):
            mine = [f for f in region.findings if f.id in ids]
            if mine:
                big = max(mine, key=lambda f: f.area_mm2 or 0)
                if spot.area_mm2 > 0 and big.area_mm2 is not None:
                    area_err.append((big.area_mm2 or 0) / spot.area_mm2 - 1)
                share_err.append((big.share or 0) - spot.peak_share)
                if spot.along_seam_mm and big.along_seam_mm:
                    along_err.append(big.along_seam_mm[0] + start_mm - spot.along_seam_mm[0])
                    along_err.append(big.along_seam_mm[1] + start_mm - spot.along_seam_mm[1])
    false = [f for f in region.findings if f.id not in hit_ids]
    return {
        "i": i,
        "info": info,
        "verdict": region.verdict,
        "chart": result.chart.found,
        "cres": result.chart.residual_delta_e,
        "light": scene.light.name,
        "cam": scene.camera.sensor,
        "grain": scene.leather.grain,
        "noise": scene.camera.noise,
        "exp": scene.camera.exposure,
        "tone": scene.camera.tone,
        "reasons": region.reasons,
        "flags": region.flags,
        "det": region.detectable_mm2,
        "measures": {k: (m.value, m.u) for k, m in region.measures.items()},
        "plain": plain,
        "limit": limit,
        "spots": spots,
        "false": [(f.under, f.area_mm2, f.delta_e, f.centre_px) for f in false],
        "area_err": area_err,
        "share_err": share_err,
        "along_err": along_err,
        "took": took,
        "problems": [str(p) for p in problems],
    }


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenes", type=int, default=48)
    parser.add_argument("--only", type=int, default=None)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true")
    args = parser.parse_args()
    todo = [(args.seed, i, args.only is not None) for i in range(args.scenes)]
    if args.only is not None:
        todo = [(args.seed, args.only, True)]
    with ProcessPoolExecutor(args.workers) as pool:
        rows = list(pool.map(run_one, todo))
    report(rows, args.v)


def report(rows: list[dict[str, Any]], verbose: bool) -> None:
    """Print the tables."""

    def pct(a: float, b: float) -> str:
        return f"{100 * a / b:5.1f} %" if b else "   -  "

    groups: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for r in rows:
        groups[r["info"]["pair"]].append(r)
        groups["seams" if r["info"]["seam"] else "panels"].append(r)
        groups["~ALL"].append(r)
    heads = (
        "clean p/f/r",
        "bad p/f/r",
        "plain passed",
        "limit passed",
        "found",
        "false",
        "area",
        "share",
    )
    print(f"{'group':18}{'n':>4}" + "".join(f"{head:>14}" for head in heads))
    for g in sorted(groups):
        rs = groups[g]
        c = Counter(
            r["verdict"] for r in rs if not r["plain"] and not r["limit"] and r["info"]["clean"]
        )
        b = Counter(r["verdict"] for r in rs if r["plain"] or r["limit"])
        pl = sum(1 for r in rs if r["plain"] and r["verdict"] == "pass")
        lp = sum(1 for r in rs if r["limit"] and r["verdict"] == "pass")
        judged = [r for r in rs if r["plain"]]
        hits = sum(s["hit"] for r in judged for s in r["spots"] if s["plain"])
        tot = sum(s["plain"] for r in judged for s in r["spots"])
        fl = np.mean([len(r["false"]) for r in rs])
        ae = [abs(x) for r in rs for x in r["area_err"]]
        se = [abs(x) for r in rs for x in r["share_err"]]
        cells = (
            f"{c['pass']}/{c['fail']}/{c['retake']}",
            f"{b['pass']}/{b['fail']}/{b['retake']}",
            str(pl),
            str(lp),
            pct(hits, tot),
            f"{fl:.2f}",
            f"{np.median(ae):.2f}" if ae else "-",
            f"{np.median(se):.2f}" if se else "-",
        )
        print(f"{g:18}{len(rs):4}" + "".join(f"{cell:>14}" for cell in cells))
    al = [abs(x) for r in rs for x in r["along_err"]] if (rs := groups["~ALL"]) else []
    if al:
        print("along: 95 % within", round(float(np.quantile(al, 0.95)), 2), "mm")
    print(
        "chart not found:",
        [r["i"] for r in rows if not r["chart"]],
        "time median",
        np.median([r["took"] for r in rows]),
    )
    if verbose:
        for r in rows:
            print(
                r["i"],
                r["info"]["pair"],
                "seam" if r["info"]["seam"] else "panel",
                "clean" if r["info"]["clean"] else "",
                r["verdict"],
                f"det={r['det']} res={r['cres']:.2f}" if r["cres"] else "",
                r["light"],
                r["cam"],
                r["grain"],
                f"noise{r['noise']:.0f} {r['tone']} exp{r['exp']:.2f}",
                r["flags"],
                {
                    k: (
                        None if v[0] is None else round(v[0], 2),
                        None if v[1] is None else round(v[1], 2),
                    )
                    for k, v in r["measures"].items()
                },
            )
            for s in r["spots"]:
                print(
                    "      truth",
                    s["under"],
                    f"{s['area']:.1f}mm2 dE{s['dE']:.1f} f{s['peak']:.2f}",
                    "HIT" if s["hit"] else "miss",
                    [round(x) for x in s["at"]],
                )
            for f in r["false"]:
                print("      FALSE", f)
            print("      ", r["reasons"][:3], r["problems"])


if __name__ == "__main__":
    sys.exit(main())
