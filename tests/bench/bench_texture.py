"""Evenness, banding and thin coats against the truth of rendered panels.

    python tests/bench/bench_texture.py --seed 11 --scenes 24

So many scenes each of clean panels, mottle, bands, thin coats and bare spots, half of them with a
grey board. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from spread import surroundings

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

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
    "grey>ink": ((58.0, 0.0, 0.0), (26.0, 1.0, -14.0)),
    "brown>tan": ((32.0, 12.0, 16.0), (61.0, 14.0, 32.0)),
}
KINDS = ("clean", "mottle", "bands", "thin", "spots")
SIZE = (1600, 1200)


def make(kind: str, seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Scene number i of a kind, and what is known of it."""
    from fullhide.phantom import Bands, Film, Mottle, Scene, Spot, Thin

    rng = np.random.default_rng([seed, KINDS.index(kind), i])
    pair = list(PAIRS)[i % len(PAIRS)]
    old, new = PAIRS[pair]
    mm = float(rng.choice([0.12, 0.16, 0.2]))
    width, height = SIZE[0] * mm, SIZE[1] * mm
    fact: dict[str, Any] = {"kind": kind, "pair": pair, "board": bool(rng.random() < 0.5)}
    fact["quality"] = int(rng.integers(85, 98))
    film = Film()
    extra: dict[str, Any] = {}
    of = str(rng.choice(["thickness", "lightness"]))
    thinner = Film(coats=3, sx_per_coat=float(rng.uniform(0.2, 0.5)))
    if kind == "mottle":
        amplitude = float(rng.uniform(0.1, 0.25) if of == "lightness" else rng.uniform(0.3, 0.45))
        fact.update(of=of, scale=float(rng.choice([5.0, 10.0, 20.0, 40.0])))
        extra["mottle"] = (Mottle(amplitude, fact["scale"], of),)
        film = thinner if of == "thickness" else film
    elif kind == "bands":
        angle = float(rng.uniform(0.0, 180.0))
        a = np.radians(angle)
        # The panel lies left of the chart, inside its rolled edge.
        reach = abs(np.cos(a)) * 0.5 * width + abs(np.sin(a)) * 0.8 * height
        period = reach / float(rng.uniform(2.2, 6.0))
        amplitude = float(rng.uniform(0.05, 0.15) if of == "lightness" else rng.uniform(0.2, 0.4))
        extra["bands"] = (Bands(period, amplitude, angle, of),)
        film = thinner if of == "thickness" else film
        fact.update(of=of, period=period, along=(angle + 90.0) % 180.0)
    elif kind == "thin":
        film = Film(coats=4, sx_per_coat=float(rng.uniform(0.2, 0.6)))
        place = (width * float(rng.uniform(0.18, 0.4)), height * float(rng.uniform(0.3, 0.7)))
        extra["thin"] = (
            Thin(
                place,
                area_mm2=float(rng.uniform(150.0, 1200.0)),
                coats_missing=float(rng.uniform(2.2, 3.8)),
                softness_mm=float(rng.uniform(7.0, 20.0)),
            ),
        )
    elif kind == "spots":
        place = (width * float(rng.uniform(0.18, 0.4)), height * float(rng.uniform(0.3, 0.7)))
        area = float(rng.uniform(100.0, 400.0))
        soft = float(rng.choice([0.0, 0.8, 1.6]))
        extra["spots"] = (Spot("old colour", place, area_mm2=area, softness_mm=soft),)
    scene = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **surroundings(rng),
        film=film,
        finish=new,
        under=(("old colour", old),),
        **extra,
    )
    return scene, fact


def one(task: tuple[str, int, int]) -> dict[str, Any]:
    """Render, inspect, and put truth and result side by side."""
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Colour, Job, Limits, PhotoEntry
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    scene, fact = make(*task)
    shot = render(scene)
    polygon = np.array(shot.truth.region_px)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_photo(shot, folder / "p.jpg", quality=fact["quality"])
        if fact["board"]:
            save_photo(render(scene.grey_board()), folder / "b.jpg", quality=fact["quality"])
        entry = PhotoEntry(file="p.jpg", grey_board="b.jpg" if fact["board"] else None)
        outline = RegionOutline(
            photo="p.jpg", name="r", kind="panel", polygon=polygon, properties={}
        )
        job = Job(
            name="bench",
            folder=folder,
            under=tuple(Colour(n, lab) for n, lab in scene.under),
            finish=Colour("finish", scene.finish),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            limits=Limits(),
            photos=(entry,),
            outlines=(outline,),
            outlined=frozenset({"p.jpg"}),
        )
        found = inspect_photo(job, entry).result
    (region,) = found.regions
    fact.update(camera=scene.camera.sensor, noise=scene.camera.noise, grain=scene.leather.grain)
    fact.update(chart=found.chart.found, light=found.quality["light_from"])
    fact["verdict"], fact["reasons"] = region.verdict, region.reasons
    fact["measures"] = {n: (m.value, m.u) for n, m in region.measures.items()}
    fact["found"] = [(f.kind, f.area_mm2, f.delta_e, f.share) for f in region.findings]
    mask = np.zeros(shot.truth.delta_e.shape, np.uint8)
    cv2.fillPoly(mask, [polygon.astype(np.int32)], 1)
    side = round(5.0 / scene.mm_per_px)
    shape = (mask.shape[1] // side, mask.shape[0] // side)
    inside = cv2.resize(mask, shape, interpolation=cv2.INTER_AREA) > 0
    blocks = cv2.resize(shot.truth.delta_e, shape, interpolation=cv2.INTER_AREA)[inside]
    fact["truth"] = float(np.quantile(blocks, 0.95))
    over = (shot.truth.delta_e >= 3.0) & (mask > 0)
    fact["area3"] = float(over.sum()) * scene.mm_per_px**2
    fact["peak"] = float(np.quantile(shot.truth.delta_e[mask > 0], 0.9995))
    return fact


def evenness_of(fact: dict[str, Any]) -> str:
    """The evenness verdict alone, from the measure and the reasons."""
    value, u = fact["measures"]["uneven_delta_e"]
    if any("colour is uneven" in reason for reason in fact["reasons"]):
        return "fail"
    return "pass" if value <= 2.0 - 1.645 * u + 1e-9 else "retake"


def table(facts: list[dict[str, Any]]) -> None:
    """Print the figures."""
    seen = [f for f in facts if f["chart"] and "uneven_delta_e" in f["measures"]]
    print(f"{len(facts)} scenes; {len(facts) - len(seen)} without a chart found are left out")
    print("\nevenness of clean panels: pass / all")
    clean = [f for f in seen if f["kind"] == "clean"]
    for key in ("camera", "noise", "grain", "light"):
        groups: dict[Any, list[str]] = defaultdict(list)
        for fact in clean:
            groups[fact[key]].append(evenness_of(fact))
        row = (f"{g}: {v.count('pass')}/{len(v)}" for g, v in sorted(groups.items()))
        print(f"  by {key:7}", "  ".join(row))
    print("  all       ", Counter(evenness_of(f) for f in clean))
    print("\nmottle, by the true 95th percentile in 5 mm blocks")
    for low, high in ((0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, 99.0)):
        part = [f for f in seen if f["kind"] == "mottle" and low <= f["truth"] < high]
        print(f"  {low:g} to {high:g}:", dict(Counter(evenness_of(f) for f in part)))
    bands = [f for f in seen if f["kind"] == "bands"]
    print("\nbands, by the true 95th percentile")
    for low, high in ((0.0, 0.5), (0.5, 1.0), (1.0, 2.0), (2.0, 99.0)):
        part = [f for f in bands if low <= f["truth"] < high]
        hit = [f for f in part if "band_period_mm" in f["measures"]]
        off = [abs(f["measures"]["band_period_mm"][0] / f["period"] - 1.0) for f in hit]
        turn = [
            abs((f["measures"]["band_direction_deg"][0] - f["along"] + 90) % 180 - 90) for f in hit
        ]
        print(
            f"  {low:g} to {high:g}: found {len(hit)}/{len(part)}, largest error of the period "
            f"{100 * max(off, default=0.0):.1f} %, of the direction {max(turn, default=0.0):.1f}°"
        )
    others = [f for f in seen if f["kind"] != "bands"]
    false = [f for f in others if "band_period_mm" in f["measures"]]
    print(f"  false bands {len(false)}/{len(others)}")
    print("\nthin coats, by the true area of 3 ΔE and more")
    for low, high in ((0.0, 1.0), (1.0, 100.0), (100.0, 1e9)):
        part = [f for f in seen if f["kind"] == "thin" and low <= f["area3"] < high]
        named = [f for f in part if any(kind == "thin_coat" for kind, *_ in f["found"])]
        passed = [f for f in part if f["verdict"] == "pass"]
        print(f"  {low:g} to {high:g} mm²: named {len(named)}/{len(part)}, passed {len(passed)}")
        for fact in part if low >= 1.0 else ():
            print("   ", fact["pair"], f"{fact['area3']:.0f} mm² peak {fact['peak']:.1f}", end=" ")
            print(fact["verdict"], [(k, round(a or 0)) for k, a, *_ in fact["found"]][:4])
    for kind in ("clean", "mottle", "bands", "spots"):
        part = [f for f in seen if f["kind"] == kind]
        named = [f for f in part if any(k == "thin_coat" for k, *_ in f["found"])]
        print(f"  on {kind}: {len(named)}/{len(part)}")


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--scenes", type=int, default=24, help="of each kind")
    parser.add_argument("--kinds", nargs="*", default=KINDS)
    asked = parser.parse_args()
    tasks = [(kind, asked.seed, i) for kind in asked.kinds for i in range(asked.scenes)]
    with ProcessPoolExecutor(2) as pool:
        table(list(pool.map(one, tasks)))


if __name__ == "__main__":
    main()
