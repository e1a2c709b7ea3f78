"""Rounds against the truth: what is said of spots that a touch-up removed, thinned or left.

    python tests/bench/bench_rounds.py --seed 1 --pairs 12 [-v]

Each pair is a panel with five bare spots and its re-shoot at up to 15 degrees and 15 % other
distance, turned a little: one or two spots gone, one at a third of its area, the others as they
were, one new. Both go through `fullhide inspect`'s own rooms; the outlines are drawn again in the
re-shoot, each corner up to 3 mm off. Truth is our own renders' exact map. Counted are the spots
that the first photo found: right, wrong, or not judged; and what must never be, a spot that is
there and is told as gone.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from fullhide.inspection import run_jobs
from fullhide.job import load_job
from fullhide.phantom import Chart, Leather, Light, Scene, Spot, View, render, save_photo
from fullhide.phantom._view import seen
from fullhide.standing import RegionStanding, standing

PAIRS = (
    ((46.0, 21.0, 28.0), (38.0, -28.0, 9.0)),
    ((71.0, 3.0, 25.0), (52.0, -38.0, 8.0)),
    ((36.0, 14.0, 20.0), (72.0, 3.0, 18.0)),
    ((55.0, 0.0, -1.0), (30.0, 4.0, -32.0)),
)
MM, SIZE = 0.13, (1500, 1300)
PANEL = ((220.0, 180.0), (1280.0, 200.0), (1260.0, 780.0), (240.0, 760.0))


def scenes(seed: int, number: int) -> tuple[Scene, Scene, list[str], list[tuple[float, float]]]:
    """A panel, its re-shoot, what became of each spot, and where the spots lie, mm."""
    rng = np.random.default_rng([seed, number])
    finish, under = PAIRS[number % len(PAIRS)]
    cells = [(x, y) for x in (0.24, 0.42, 0.6, 0.78) for y in (0.22, 0.38, 0.52)]
    places = [cells[i] for i in rng.permutation(len(cells))[:6]]
    at = [
        (
            float((x * SIZE[0] + rng.uniform(-25, 25)) * MM),
            float((y * SIZE[1] + rng.uniform(-25, 25)) * MM),
        )
        for x, y in places
    ]
    areas = [float(area) for area in rng.uniform(9, 40, 6)]
    first = [Spot("beneath", at[i], areas[i]) for i in range(5)]
    fates = ["gone", "gone" if rng.random() < 0.5 else "still there", "smaller"]
    fates += ["still there", "still there"]
    later = [
        replace(one, area_mm2=one.area_mm2 * (0.33 if fate == "smaller" else 1.0))
        for one, fate in zip(first, fates, strict=True)
        if fate != "gone"
    ]
    later.append(Spot("beneath", at[5], areas[5]))
    scene = Scene(
        size_px=SIZE,
        mm_per_px=MM,
        seed=int(rng.integers(1 << 30)),
        light=Light(falloff=0.03),
        leather=Leather(curvature_mm=2.0),
        finish=finish,
        under=(("beneath", under),),
        panel_px=PANEL,
        chart=Chart(centre_px=(750.0, 985.0), width_mm=70.0),
        spots=tuple(first),
    )
    view = View(
        tilt_deg=float(rng.uniform(0, 15)),
        towards_deg=float(rng.uniform(0, 360)),
        distance=float(rng.uniform(1.0, 1.15)),
        turn_deg=float(rng.uniform(-8, 8)),
    )
    again = replace(scene, spots=tuple(later), view=view)
    return scene, again, fates, at


def outline_of(points: np.ndarray) -> list[list[float]]:
    return [[float(x), float(y)] for x, y in [*points, points[0]]]


def write(folder: Path, seed: int, number: int) -> tuple[list[str], list[tuple[float, float]]]:
    """Render both photos and write the job of them."""
    scene, again, fates, at = scenes(seed, number)
    for name, what in (("first.png", scene), ("again.png", again)):
        save_photo(render(what), folder / name)
    flat = np.array(PANEL)
    seen_again = seen(again)
    assert seen_again is not None
    rng = np.random.default_rng([seed, number, 2])
    drawn = seen_again.to_photo(flat) + rng.uniform(-3, 3, flat.shape) / MM
    under = PAIRS[number % len(PAIRS)][1]
    (folder / "job.toml").write_text(
        f'name = "rounds"\n[[under]]\nname = "beneath"\nlab = {list(under)}\n'
        '[chart]\nwidth_mm = 70.0\n[[part]]\nname = "bench"\nregions = ["seat"]\n'
        '[[photo]]\nfile = "first.png"\npart = "bench"\nshot = 2026-03-14T09:00:00\n'
        '[[photo]]\nfile = "again.png"\npart = "bench"\nshot = 2026-03-14T15:00:00\n'
    )
    features = [
        {
            "type": "Feature",
            "properties": {"photo": name, "name": "seat", "kind": "panel"},
            "geometry": {"type": "Polygon", "coordinates": [outline_of(points)]},
        }
        for name, points in (("first.png", flat), ("again.png", drawn))
    ]
    collection = {"type": "FeatureCollection", "features": features}
    (folder / "regions.geojson").write_text(json.dumps(collection))
    return fates, at


def told(region: RegionStanding, fates: list[str], at: list[tuple[float, float]]) -> Counter[str]:
    """What the second round says of each spot that the first one found."""
    counts: Counter[str] = Counter()
    for spot in region.rounds[0].spots:
        assert spot.finding is not None
        place = np.array(spot.finding.centre_px) * MM
        apart = [float(np.hypot(*(place - one))) for one in at[:5]]
        if min(apart) > 6.0:
            counts["no spot of ours"] += 1
            continue
        fate = fates[int(np.argmin(apart))]
        answer = next(s for s in region.rounds[1].spots if s.mark == spot.mark).answer
        counts["spots"] += 1
        counts["right"] += answer == fate
        counts["not judged"] += answer == "not judged"
        counts["told as gone and there"] += answer == "gone" and fate != "gone"
        counts[f"{fate}: {answer}"] += 1
    counts["new, told"] += region.rounds[1].count("new")
    counts["new, there"] += 1
    counts["by the outline alone"] += sum(s.by_outline for s in region.rounds[1].spots)
    return counts


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--pairs", type=int, default=12)
    asked.add_argument("-v", action="store_true")
    given = asked.parse_args()
    cv2.setNumThreads(1)
    whole: Counter[str] = Counter({"told as gone and there": 0})
    for number in range(given.pairs):
        with tempfile.TemporaryDirectory() as name:
            fates, at = write(Path(name), given.seed, number)
            job = load_job(Path(name))
            run_jobs([job], by="bench")
            (region,) = standing(job).regions
            counts = told(region, fates, at)
            if given.v:
                verdicts = [one.result.verdict for one in region.rounds]
                print(number, verdicts, dict(counts))
            whole.update(counts)
    print(f"seed {given.seed}, {given.pairs} pairs")
    for key, count in whole.items():
        print(f"  {key:<28}{count}")


if __name__ == "__main__":
    main()
