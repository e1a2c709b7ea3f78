"""Verdicts and findings against the truth of rendered scenes, in tables.

    python tests/bench/bench_verdicts.py --seed 11 12 13 --also

Truth: our own phantoms, see `scenes.py` for the spread, `scene_truth.py` for what counts as a miss.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from bench_tables import print_tables
from scene_truth import outline
from scenes import Case, make
from score import Row, score

from fullhide.engine import Inspection, inspect_photo
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry, RegionOutline
from fullhide.overlay import save_overlay
from fullhide.phantom import Rendering, render, save_photo

KEPT = Path("/tmp/b")


def job_for(case: Case, rendering: Rendering, folder: Path, entry: PhotoEntry) -> Job:
    """The job that a shop would have written for the scene."""
    chart = case.scene.chart
    region = RegionOutline(
        photo=entry.file,
        name="r",
        kind="seam" if case.is_seam else "panel",
        polygon=outline(rendering),
    )
    return Job(
        name="bench",
        folder=folder,
        under=tuple(Colour(name, lab) for name, lab in case.scene.under),
        thread=_sewn(case),
        finish=Colour("new", case.scene.finish),
        chart=ChartSettings(width_mm=chart.width_mm if chart is not None else None),
        photos=(entry,),
        outlines=(region,),
        outlined=frozenset({entry.file}),
    )


def _sewn(case: Case) -> tuple[Colour, ...]:
    """Thread and piping: what is sewn in is known to the shop, what fell on the part is not."""
    scene = case.scene
    labs = [seam.thread for seam in scene.seams if seam.thread is not None]
    labs += [d.lab for d in scene.distractors if d.lab is not None]
    return tuple(Colour(f"thread {n}", lab) for n, lab in enumerate(labs, 1))


def run_one(args: tuple[int, int, bool, bool]) -> Row:
    """Render, save, inspect and score one scene."""
    seed, number, also, keep = args
    cv2.setNumThreads(1)
    case = make(seed, number)
    rendering = render(case.scene)
    with tempfile.TemporaryDirectory() as scratch:
        folder = KEPT / f"{seed}_{number}" if keep else Path(scratch)
        folder.mkdir(exist_ok=True, parents=True)
        save_photo(rendering, folder / "p.jpg", quality=case.quality)
        entry = PhotoEntry(file="p.jpg")
        if case.board:
            save_photo(render(case.scene.grey_board()), folder / "g.jpg", quality=92)
            entry = replace(entry, grey_board="g.jpg")
        job = job_for(case, rendering, folder, entry)
        start = time.perf_counter()
        got = inspect_photo(job, entry)
        took = time.perf_counter() - start
        if keep:
            _keep(folder, got)
        problems = [str(problem) for problem in got.problems]
        row = score(
            case, rendering, got.result, got.artifacts.label_map, took_s=took, problems=problems
        )
        if also and row.verdict == "retake":
            row = _again(row, rendering, folder, entry)
    return row


def _again(row: Row, rendering: Rendering, folder: Path, entry: PhotoEntry) -> Row:
    """Take what was asked for and look again: the lamp moved, and a grey board if that was asked.

    A retake that asks for a photo from nearer, sharper or darker gets the lamp moved too: `also`
    is the second photo that a job file can name.
    """
    case = row.case
    rng = np.random.default_rng([case.seed, case.number, 7])
    asked = []
    if not case.board and any("grey board" in reason for reason in row.reasons):
        save_photo(render(case.scene.grey_board()), folder / "g.jpg", quality=92)
        entry = replace(entry, grey_board="g.jpg")
        asked.append("board")
    turn = float(rng.uniform(60, 120)) * float(rng.choice([-1, 1]))
    shift = (float(rng.uniform(-25, 25)), float(rng.uniform(-25, 25)))
    moved = case.scene.lamp_moved(turn, shift_px=shift)
    save_photo(render(moved), folder / "q.jpg", quality=case.quality)
    entry = replace(entry, also=("q.jpg",))
    asked.append("lamp")
    got = inspect_photo(job_for(case, rendering, folder, entry), entry)
    verdict = got.result.regions[0].verdict or "none"
    return replace(row, second=verdict, second_asked="+".join(asked))


def _keep(folder: Path, got: Inspection) -> None:
    save_overlay(
        folder / "overlay.png",
        photo=got.artifacts.photo,
        result=got.result,
        outlines=got.artifacts.outlines,
        label_map=got.artifacts.label_map,
    )


def run(
    seeds: Sequence[int], scenes: int, *, also: bool, workers: int
) -> tuple[list[Row], list[str]]:
    """Every scene of every seed; and what broke off, so that one fault does not lose the rest."""
    rows, broken = [], []
    with ProcessPoolExecutor(workers) as pool:
        todo = {
            (seed, number): pool.submit(run_one, (seed, number, also, False))
            for seed in seeds
            for number in range(scenes)
        }
        for (seed, number), future in todo.items():
            error = future.exception()
            if error is None:
                rows.append(future.result())
            else:
                broken.append(f"BROKE OFF {seed}:{number}: {type(error).__name__}: {error}")
    return rows, broken


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, nargs="+", default=[1], help="one or several")
    parser.add_argument("--scenes", type=int, default=120, help="for each seed")
    parser.add_argument("--only", type=int, help="this scene only; its files stay in /tmp/b")
    parser.add_argument("--also", action="store_true", help="settle retakes with a second photo")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true", help="a few lines on each scene")
    args = parser.parse_args()
    if args.only is not None:
        rows, broken = [run_one((seed, args.only, args.also, True)) for seed in args.seed], []
    else:
        rows, broken = run(args.seed, args.scenes, also=args.also, workers=args.workers)
    print_tables(rows, verbose=args.v or args.only is not None)
    print("\n".join(broken))
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
