"""One panel and its reference in two lights: pigments that differ are told, others are not.

    python tests/bench/bench_lights.py --seed 21 --pairs 60 [-v]

A third of the pairs each: `same`, a reference that is a bit off with pigments alike in kind (a
smooth spectrum); `eye`, a metameric one, alike for the CIE observer in the first light; `both`, one
that the camera sees alike there too. With `--off` no pair matches: `same` is off by more, and the
others are metameric to such a colour. The reference is a disc in the panel; the second photo has
another lamp, exposure and noise. Truth: CIEDE2000 (lightness halved) of the spectra in each light,
by colour-science.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_match import COLOURS
from spread import surroundings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seen_in import seen_delta_e

SIZE = (1050, 770)
PANEL = ((42.0, 42.0), (1008.0, 42.0), (1008.0, 483.0), (42.0, 483.0))
MIDDLE, RADIUS = (720.0, 262.0), 175.0  # of the reference disc, pixels
DYED = ((62.0, 62.0), (500.0, 62.0), (500.0, 462.0), (62.0, 462.0))
OLD = ((610.0, 152.0), (830.0, 152.0), (830.0, 372.0), (610.0, 372.0))
KINDS = ("same", "eye", "both")


def make(seed: int, i: int, off: bool) -> tuple[list[Any], dict[str, Any]] | None:
    """Scenes of pair i in its two lights, and what is known of it; None if it cannot be made."""
    from fullhide.errors import FullhideError
    from fullhide.phantom import Chart, Film, Light, Scene, Spot
    from fullhide.phantom._materials import Materials
    from fullhide.phantom._spectra import reflectance_from_lab
    from fullhide.phantom.metamer import metamer

    rng = np.random.default_rng([seed, i, 3])
    kind = KINDS[i % 3]
    finish = np.array(COLOURS[rng.integers(len(COLOURS))])
    first = str(rng.choice(["D50", "D65"]))
    second = str(rng.choice(["A", "FL11", "LED-B3"]))
    mm, given = float(rng.choice([0.17, 0.23])), surroundings(rng)
    base = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **{**given, "light": replace(given["light"], name=first)},
        finish=tuple(float(v) for v in finish),
        under=(("ground", (70.0, 0.0, 5.0)), ("reference", tuple(float(v) for v in finish))),
        film=Film(over="ground"),
        panel_px=PANEL,
        chart=Chart(centre_px=(525.0, 626.0), width_mm=340.0 * mm),
        spots=(
            Spot(
                "reference",
                (MIDDLE[0] * mm, MIDDLE[1] * mm),
                area_mm2=float(np.pi * (RADIUS * mm) ** 2),
                shape="round",
            ),
        ),
    )
    dyed = Materials(base).finish
    try:
        way = np.zeros(3)
        if off or kind == "same":
            way = rng.normal(size=3)
            far = rng.uniform(4.0, 16.0) if off else rng.uniform(0.0, 4.0)
            way *= float(far) / np.linalg.norm(way)
        if kind == "same":
            spectrum = reflectance_from_lab(finish + way)
        else:
            spectrum = metamer(
                reflectance_from_lab(finish + way) if off else dyed,
                alike_in=first,
                differs_in=second,
                delta_e=float(rng.uniform(4.5, 9.0)),
                sensor=given["camera"].sensor if kind == "both" else "",
                seed=int(rng.integers(1 << 30)),
            )
    except FullhideError:
        return None
    one = replace(base, spectra=(("reference", tuple(float(v) for v in spectrum)),))
    light = Light(
        name=second,
        falloff=float(rng.uniform(0.0, 0.2)),
        falloff_towards_deg=float(rng.uniform(-180.0, 180.0)),
    )
    exposure = 0.85 * float(2.0 ** rng.uniform(-0.5, 0.1))
    two = replace(one, light=light, camera=replace(one.camera, exposure=exposure), shot=5)
    fact = {"kind": kind, "lights": (first, second), "board": bool(rng.random() < 0.7)}
    fact["truth"] = tuple(seen_delta_e(name, dyed, spectrum) for name in (first, second))
    return [one, two], fact


def one(task: tuple[int, int, bool]) -> dict[str, Any] | None:
    """Render both, inspect, and put truth and result side by side."""
    from fullhide.engine import inspect_job
    from fullhide.job import ChartSettings, Job, PhotoEntry
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    made = make(*task)
    if made is None:
        return None
    scenes, fact = made
    entries, drawn = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number, scene in enumerate(scenes):
            file, board = f"p{number}.jpg", f"b{number}.jpg" if fact["board"] else None
            save_photo(render(scene), folder / file, quality=92)
            if board:
                save_photo(render(scene.grey_board()), folder / board, quality=92)
            entries.append(
                PhotoEntry(file=file, part="x", light=fact["lights"][number], grey_board=board)
            )
            drawn += [
                RegionOutline(photo=file, name=n, kind=k, polygon=np.array(ring))
                for n, k, ring in (("dyed", "panel", DYED), ("old", "reference", OLD))
            ]
        job = Job(
            name="bench",
            folder=folder,
            chart=ChartSettings(width_mm=scenes[0].chart.width_mm),
            photos=tuple(entries),
            outlines=tuple(drawn),
            outlined=frozenset(entry.file for entry in entries),
        )
        result = inspect_job(job)
    fact["told"] = result.lights[0].kind if result.lights else "not told"
    fact["read"] = [
        (r.match, r.at_least, r.at_most) for found in result.lights or () for r in found.readings
    ]
    fact["read_delta_e"] = [
        region.measures["match_delta_e"].value
        for photo in result.photos
        for region in photo.regions
        if "match_delta_e" in region.measures
    ]
    return fact


def table(facts: list[dict[str, Any]], limit: float) -> None:
    """Print what was told of each kind of pair."""
    for kind in KINDS:
        mine = [fact for fact in facts if fact["kind"] == kind]
        differ = [f for f in mine if min(f["truth"]) < limit < max(f["truth"])]
        told = Counter(fact["told"] for fact in mine)
        print(
            f"{kind:5} {len(mine):3} pairs, {len(differ):3} on both sides of the limit for the "
            f"eye; told: {', '.join(f'{name} {n}' for name, n in told.most_common())}"
        )
    told = ("metameric", "off differently")
    wrong = [f for f in facts if f["kind"] == "same" and f["told"] in told]
    print(f"same pigments told to differ: {len(wrong)}")


def main() -> None:
    """Run the bench."""
    from fullhide.job import Limits

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--off", action="store_true", help="no pair matches in either light")
    parser.add_argument("-v", action="store_true", dest="each")
    asked = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        tasks = [(asked.seed, i, asked.off) for i in range(asked.pairs)]
        found = list(pool.map(one, tasks))
    facts = [fact for fact in found if fact is not None]
    print(f"{len(facts)} pairs; of {len(found) - len(facts)} no such spectrum was found")
    table(facts, Limits().match_delta_e)
    for fact in facts if asked.each else ():
        told = [f"{m} {low or 0:.1f}-{high or 0:.1f}" for m, low, high in fact["read"]]
        truth = ", ".join(
            f"{n} {v:.1f}" for n, v in zip(fact["lights"], fact["truth"], strict=True)
        )
        board = "board" if fact["board"] else "no board"
        print(f"{fact['kind']:5} {fact['told']:10} truth {truth}; read {'; '.join(told)} ({board})")


if __name__ == "__main__":
    main()
