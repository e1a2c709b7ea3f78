"""Sheen of a panel against a reference in the same photo, against the truth of rendered pairs.

    python tests/bench/bench_sheen.py --seed 11 --pairs 90 [--also | --spots]

One part, one grain, one dye; the panel has a gloss, or a roughness, of its own. What counts as
truth is the height of the surface's lobe, gloss over roughness squared (Beckmann's facets), over
the reference's: our own phantoms. With --also a second photo with the lamps turned is named. With
--spots it is places of another sheen within one panel, in every second scene (`sheen_spots`).
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import sheen_spots
from bench_match import COLOURS, PANEL, SIZE

Box = tuple[float, float, float, float]
#: The reference's and the panel's boxes, pixels.
PLACES: dict[str, tuple[Box, Box]] = {
    "left": ((80, 80, 480, 670), (520, 80, 1420, 670)),
    "middle": ((560, 80, 940, 670), (980, 80, 1420, 670)),
    "right": ((1040, 80, 1420, 670), (80, 80, 1000, 670)),
    "far": ((80, 80, 330, 670), (1100, 80, 1420, 670)),
}
LIMIT = 1.7  # what the job asks for; pairs that differ do so by 1.9 times and more
WORDS = ("glossier", "duller", "like")


def make(seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Scene number i, and what is known of it."""
    from fullhide.phantom import Chart, Scene, Sheen

    rng = np.random.default_rng([seed, i, 7])
    given = sheen_spots.glinting(rng)
    own = given["leather"]
    kind = str(rng.choice(["like", "gloss", "roughness"]))
    by = {"like": 1.0, "gloss": float(rng.choice([0.35, 0.5, 2.0, 3.0])), "roughness": 1.0}[kind]
    rougher = float(rng.choice([0.7, 1.4])) if kind == "roughness" else 1.0
    place = str(rng.choice(list(PLACES)))
    x0, y0, x1, y1 = PLACES[place][1]
    mm = float(rng.choice([0.12, 0.16, 0.2]))
    scene = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **given,
        finish=COLOURS[i % len(COLOURS)],
        panel_px=PANEL,
        sheens=(
            Sheen(
                centre_mm=((x0 + x1) / 2 * mm, (y0 + y1) / 2 * mm),
                size_mm=((x1 - x0 + 20) * mm, (y1 - y0 + 20) * mm),
                gloss=own.gloss * by,
                roughness=own.roughness * rougher,
            ),
        ),
        chart=Chart(centre_px=(750.0, 895.0), width_mm=480.0 * mm),
    )
    fact = {"kind": kind, "truth": by / rougher**2, "place": place, "grain": scene.leather.grain}
    fact.update(sensor=scene.camera.sensor, noise=scene.camera.noise, lab=scene.finish)
    fact.update(board=bool(rng.random() < 0.5), quality=int(rng.integers(85, 98)), number=i)
    return scene, fact


def one(task: tuple[int, int, bool]) -> dict[str, Any]:
    """Render, inspect, and put truth and result side by side."""
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Job, Limits, PhotoEntry
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    seed, i, also = task
    scene, fact = make(seed, i)
    drawn = []
    for (x0, y0, x1, y1), kind in zip(PLACES[fact["place"]], ("reference", "panel"), strict=True):
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)
        drawn.append(
            RegionOutline(photo="p.jpg", name=kind, kind=kind, polygon=corners, properties={})
        )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_photo(render(scene), folder / "p.jpg", quality=fact["quality"])
        if fact["board"]:
            save_photo(render(scene.grey_board()), folder / "b.jpg", quality=fact["quality"])
        if also:
            second = render(scene.lamp_moved(75.0, shift_px=(4.0, 3.0)))
            save_photo(second, folder / "q.jpg", quality=fact["quality"])
        entry = PhotoEntry(
            file="p.jpg",
            grey_board="b.jpg" if fact["board"] else None,
            also=("q.jpg",) if also else (),
        )
        job = Job(
            name="bench",
            folder=folder,
            limits=Limits(sheen=LIMIT),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            photos=(entry,),
            outlines=tuple(drawn),
            outlined=frozenset({"p.jpg"}),
        )
        found = inspect_photo(job, entry).result
    region = next(r for r in found.regions if r.kind == "panel")
    said = [r for r in region.reasons if any(w in r for w in ("sheen", "glossier", "duller"))]
    fact["reason"] = said[0] if said else ""
    fact["told"] = next(
        (w for w in WORDS if fact["reason"].startswith((w, f"sheen {w}"))), "not judged"
    )
    fact["measures"] = [
        round(m.value, 2)
        for n, m in region.measures.items()
        if n.startswith("sheen") and m.value is not None
    ]
    return fact


def true_word(fact: dict[str, Any]) -> str:
    """What a perfect inspection would say."""
    if fact["truth"] > LIMIT:
        return "glossier"
    return "duller" if fact["truth"] < 1.0 / LIMIT else "like"


def table(facts: list[dict[str, Any]], verbose: bool) -> None:
    """Print how often each word was right."""
    wrong = [f for f in facts if f["told"] not in ("not judged", true_word(f))]
    print("truth        pairs  glossier  duller  like  not judged")
    for word in WORDS:
        mine = [f for f in facts if true_word(f) == word]
        told = Counter(f["told"] for f in mine)
        print(
            f"{word:12} {len(mine):5}  {told['glossier']:8}  {told['duller']:6}  {told['like']:4}"
            f"  {told['not judged']:10}"
        )
    right = sum(f["told"] == true_word(f) for f in facts)
    print(f"right {right}, wrong {len(wrong)}, not judged {len(facts) - right - len(wrong)}")
    for fact in facts if verbose else wrong:
        mark = "WRONG" if fact in wrong else "     "
        print(
            mark,
            *(fact[k] for k in ("number", "kind", "place", "grain", "sensor", "noise", "lab")),
            f"truth {fact['truth']:.2f} told {fact['told']} {fact['measures']}",
            fact["reason"][:90],
        )


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--pairs", type=int, default=90)
    parser.add_argument("--also", action="store_true")
    parser.add_argument("--spots", action="store_true")
    parser.add_argument("-v", action="store_true", dest="verbose")
    asked = parser.parse_args()
    with ProcessPoolExecutor(2) as pool:
        if asked.spots:
            scenes = [(asked.seed, i) for i in range(asked.pairs)]
            sheen_spots.table(list(pool.map(sheen_spots.one, scenes)), asked.verbose)
            return
        tasks = [(asked.seed, i, asked.also) for i in range(asked.pairs)]
        table(list(pool.map(one, tasks)), asked.verbose)


if __name__ == "__main__":
    main()
