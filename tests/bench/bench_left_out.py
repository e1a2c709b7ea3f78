"""Parts and seams that were left out altogether: how many fail, and that none passes.

    python tests/bench/bench_left_out.py --seed 11 --scenes 120

A panel or a seam that still has its old colour all over; and a seam whose valley shows it from end
to end, bare or with some of the dye. Light, camera and leather as in `spread.py`, pairs of colours
as in `scenes.py`. Dyed ones of the same kinds are told alongside. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from bench_tables import ratio
from scene_truth import outline
from scenes import OLD, PAIRS
from spread import surroundings

from fullhide.engine import inspect_photo
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry, RegionOutline
from fullhide.phantom import Chart, Film, Gap, Scene, Seam, render, save_photo

KINDS = (
    "panel, undyed",
    "seam, undyed",
    "valley, bare",
    "valley, a third to all of it",
    "panel, dyed",
    "seam, dyed",
)
SIZE_MM, CHART_MM = (115.0, 105.0), 62.0
#: The part, mm, from which the seam runs out on either side.
X0, Y0, X1, Y1 = 3.0, 4.0, 112.0, 55.0


@dataclass(frozen=True, slots=True)
class Row:
    """One scene and what was said of it."""

    number: int
    kind: str
    pair: str
    verdict: str
    longest_mm: float
    why: str


def scene_of(seed: int, number: int) -> tuple[str, str, Scene]:
    """Kind, pair and scene of a number."""
    rng = np.random.default_rng([seed, number, 23])
    kind, pair = KINDS[number % len(KINDS)], str(rng.choice(list(PAIRS)))
    old, new = PAIRS[pair]
    mm = float(rng.choice([0.09, 0.11, 0.13]))
    seam = Seam(
        (2.0, 30.0 + float(rng.uniform(-5, 5))),
        (113.0, 30.0 + float(rng.uniform(-5, 5))),
        bow_mm=float(rng.uniform(-4, 4)),
        width_mm=float(rng.uniform(5, 9)),
        depth_mm=float(rng.uniform(1.5, 3.0)),
        opened=bool(rng.random() < 0.7),
    )
    share = 1.0 if kind == "valley, bare" else float(rng.uniform(0.35, 1.0))
    gap = Gap(0, 0.0, 130.0, OLD, width_mm=float(rng.uniform(2.0, 5.0)), share=share)
    undyed = "undyed" in kind
    px = [(x / mm, y / mm) for x, y in ((X0, Y0), (X1, Y0), (X1, Y1), (X0, Y1))]
    return (
        kind,
        pair,
        Scene(
            **surroundings(rng),
            size_px=(round(SIZE_MM[0] / mm), round(SIZE_MM[1] / mm)),
            mm_per_px=mm,
            finish=old if undyed else new,
            under=((OLD, new if undyed else old),),
            film=Film(over=OLD),
            chart=Chart(centre_px=(57.0 / mm, 80.0 / mm), width_mm=CHART_MM),
            panel_px=tuple(px),
            seams=() if "panel" in kind else (seam,),
            gaps=(gap,) if "valley" in kind else (),
        ),
    )


def run_one(asked: tuple[int, int]) -> Row:
    """Render and inspect one scene."""
    cv2.setNumThreads(1)
    kind, pair, scene = scene_of(*asked)
    old, new = PAIRS[pair]
    rendering = render(scene)
    with tempfile.TemporaryDirectory() as folder:
        save_photo(rendering, Path(folder) / "p.jpg", quality=92)
        entry = PhotoEntry(file="p.jpg")
        region = RegionOutline(
            photo="p.jpg",
            name="r",
            kind="seam" if scene.seams else "panel",
            polygon=outline(rendering),
        )
        job = Job(
            name="bench",
            folder=Path(folder),
            under=(Colour(OLD, old),),
            finish=Colour("new", new),
            chart=ChartSettings(width_mm=CHART_MM),
            photos=(entry,),
            outlines=(region,),
            outlined=frozenset({"p.jpg"}),
        )
        found = inspect_photo(job, entry).result.regions[0]
    stretches = [f.along_seam_mm for f in found.findings if f.along_seam_mm is not None]
    longest = max((end - start for start, end in stretches), default=0.0)
    return Row(asked[1], kind, pair, found.verdict or "none", longest, found.reasons[0])


def main() -> None:
    """Print verdicts by kind."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--scenes", type=int, default=120)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true", help="a line on each that is not right")
    asked = parser.parse_args()
    todo = [(asked.seed, n) for n in range(asked.scenes)]
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = list(pool.map(run_one, todo))
    for kind in KINDS:
        own = [row for row in rows if row.kind == kind]
        told = Counter(row.verdict for row in own)
        shown = ", ".join(f"{word} {told[word]}" for word in ("pass", "fail", "retake"))
        line = f"{kind}: {shown}"
        if "valley" in kind:
            whole = sum(row.longest_mm > 80.0 for row in own)
            line += f"; told as one stretch of 80 mm or more {ratio(whole, len(own))}"
        print(line)
    if asked.v:
        for row in rows:
            wrong = {"fail"} if " dyed" in row.kind else {"pass", "retake"}
            if row.verdict in wrong:
                print(f"{row.number} {row.kind} {row.pair}: {row.verdict}, {row.why}")


if __name__ == "__main__":
    main()
