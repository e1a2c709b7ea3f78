"""What keeps a clean region from passing: its scene again with one cause at a time taken out.

    python tests/bench/bench_causes.py --seed 31 --scenes 120

Each clean scene of `bench_verdicts.py` that ends as a retake is rendered again without the sensor's
noise, without the file's coding, without both, on smooth leather, matt, and from nearer. What then
passes was held back by that. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
from bench_tables import ratio
from bench_verdicts import job_for
from scenes import Case, make

from fullhide.engine import inspect_photo
from fullhide.job import PhotoEntry
from fullhide.phantom import Scene, render, save_photo

#: From nearer: this part of the distance (the first step that a retake asks for).
NEARER = 0.6
CAUSES = {
    "noise": "without the sensor's noise",
    "coding": "without the file's coding",
    "noise coding": "without both",
    "smooth": "on smooth leather",
    "matt": "without shine",
    "near": "from 0.6 of the distance",
}


@dataclass(frozen=True, slots=True)
class Row:
    """A clean scene's verdict, and that of it without each cause; empty where it passed."""

    case: Case
    verdict: str
    without: dict[str, str]


def changed(scene: Scene, cause: str) -> Scene:
    """The scene without a cause; coding is a matter of the file."""
    if "noise" in cause:
        scene = replace(scene, camera=replace(scene.camera, noise=0.0))
    if cause == "smooth":
        scene = replace(scene, leather=replace(scene.leather, grain="smooth"))
    if cause == "matt":
        scene = replace(scene, leather=replace(scene.leather, gloss=0.0))
    if cause == "near":
        size = tuple(round(side / NEARER) for side in scene.size_px)
        scene = replace(scene, mm_per_px=scene.mm_per_px * NEARER, size_px=(size[0], size[1]))
    return scene


def verdict_of(case: Case, folder: Path, cause: str = "") -> str:
    """Verdict on the case's scene without a cause."""
    case = replace(case, scene=changed(case.scene, cause))
    rendering = render(case.scene)
    entry = PhotoEntry(file="p.png" if "coding" in cause else "p.jpg")
    save_photo(rendering, folder / entry.file, quality=case.quality)
    if case.board:
        save_photo(render(case.scene.grey_board()), folder / "g.jpg", quality=92)
        entry = replace(entry, grey_board="g.jpg")
    result = inspect_photo(job_for(case, rendering, folder, entry), entry).result
    return result.regions[0].verdict or "none"


def run_one(asked: tuple[int, int]) -> Row:
    """One clean scene."""
    cv2.setNumThreads(1)
    case = make(*asked)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        verdict = verdict_of(case, folder)
        held = verdict == "retake"
        without = {c: verdict_of(case, folder, c) for c in CAUSES} if held else {}
    return Row(case, verdict, without)


def main() -> None:
    """Print how many clean retakes pass without each cause."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, nargs="+", default=[31])
    parser.add_argument("--scenes", type=int, default=120, help="of which the clean ones count")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true", help="a line on each retake")
    asked = parser.parse_args()
    todo = [(seed, n) for seed in asked.seed for n in range(asked.scenes)]
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = list(pool.map(run_one, [one for one in todo if make(*one).content == "clean"]))
    retakes = [row for row in rows if row.verdict == "retake"]
    if asked.v:
        for row in retakes:
            case, told = row.case, ", ".join(f"{c}: {v}" for c, v in row.without.items())
            print(f"{case.seed}:{case.number} {case.pair} {case.place} {case.props} {told}")
    bare = [row for row in retakes if not row.case.props]
    for which, own, of in (
        ("all clean regions", retakes, rows),
        (
            "well-shot",
            [r for r in retakes if r.case.well_shot],
            [r for r in rows if r.case.well_shot],
        ),
        ("well-shot, nothing on or sewn in", [r for r in bare if r.case.well_shot], []),
    ):
        print(f"{which}: {len(own)} retakes" + (f" of {len(of)}" if of else ""))
        for cause, words in CAUSES.items():
            passed = sum(row.without[cause] == "pass" for row in own)
            print(f"    pass {words}: {ratio(passed, len(own))}")


if __name__ == "__main__":
    main()
