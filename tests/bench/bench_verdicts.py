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
from numpy.typing import NDArray
from scene_truth import outline
from scenes import LOOSE, Case, make
from score import Row, score
from spread import NOISE_OF

from fullhide.engine import Inspection, inspect_photo
from fullhide.job import ChartSettings, Colour, Job, PhotoEntry, RegionOutline
from fullhide.maps import surface_maps
from fullhide.opened import open_entry, prepared
from fullhide.overlay import save_overlay
from fullhide.phantom import Rendering, Scene, render, save_photo

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
            case,
            rendering,
            got.result,
            got.artifacts.label_map,
            _shares(job, entry, got.artifacts.label_map.shape),
            took_s=took,
            problems=problems,
        )
        if also and row.verdict == "retake":
            row = _things_left_out(row, rendering, job, entry, got)
            if row.second in (None, "retake"):
                row = _again(row, folder, entry)
    return row


def _shares(job: Job, entry: PhotoEntry, shape: tuple[int, ...]) -> NDArray[np.float32]:
    """The map of the share beneath that the window shows, in the photo's pixels."""
    maps = surface_maps(prepared(open_entry(job, entry), job, entry), job)
    shares = cv2.resize(maps.share, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(shares, np.float32)


def _things_left_out(
    row: Row, rendering: Rendering, job: Job, entry: PhotoEntry, got: Inspection
) -> Row:
    """Look at the places that could hide a spot; outline those as `ignore` that hold a thing.

    A person at the part sees whether it is a hole or piping; where nothing lies, nothing is left
    out. Twice, since what is left out may have covered for something else.
    """
    asked = ""
    for _ in range(2):
        region = got.result.regions[0]
        boxes = [box for box in region.unseen_px if _holds_thing(row.case, rendering, box)]
        if region.verdict != "retake" or not boxes:
            break
        things = tuple(
            RegionOutline(
                photo=entry.file,
                name=f"thing {len(job.outlines)}.{n}",
                kind="ignore",
                polygon=np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float),
            )
            for n, (x0, y0, x1, y1) in enumerate(boxes)
        )
        job = replace(job, outlines=(*job.outlines, *things))
        got = inspect_photo(job, entry)
        asked = "outlined"
    if not asked:
        return row
    return replace(row, second=got.result.regions[0].verdict or "none", second_asked=asked)


def _holds_thing(case: Case, rendering: Rendering, box: tuple[int, int, int, int]) -> bool:
    """Whether something that is no miss lies in a box, and no miss does."""
    x0, y0, x1, y1 = box
    if rendering.truth.labels[y0:y1, x0:x1].any():
        return False
    scale, shift = case.scene.mm_per_px, case.scene.shift_px
    for thing in case.scene.distractors:
        x, y = (c / scale + s for c, s in zip(thing.centre_mm, shift, strict=True))
        reach = 0.5 * thing.size_mm / scale
        if x0 - reach < x < x1 + reach and y0 - reach < y < y1 + reach:
            return True
    return False


def _again(row: Row, folder: Path, entry: PhotoEntry) -> Row:
    """Take the photos that were asked for, and look again.

    As the reasons say: from as near as asked, in good light, loose things taken off, a stop
    darker, with a grey board, the seam spread open; and the lamp moved for the photo named under
    `also`. The camera is taken to show the whole region from there, as a photo of each part of it
    would.
    """
    case, said = row.case, " ".join(row.reasons)
    rng = np.random.default_rng([case.seed, case.number, 7])
    scene, asked = case.scene, ["lamp"]
    if row.ask_mm_per_px is not None:
        scene = _nearer(scene, row.ask_mm_per_px)
        asked.append(f"{row.ask_mm_per_px:.3f} mm/px")
    camera = scene.camera
    if "light" in said:
        camera = replace(camera, noise=NOISE_OF[camera.sensor])
    if "darker" in said:
        camera = replace(camera, exposure=camera.exposure / 2.0)
        asked.append("darker")
    scene = replace(scene, camera=camera)
    if "spread it open" in said:
        seams = tuple(replace(seam, opened=True) for seam in scene.seams)
        scene = replace(scene, seams=seams)
        asked.append("opened")
    if "take off" in said:
        loose = tuple(d for d in scene.distractors if d.kind not in LOOSE)
        scene = replace(scene, distractors=loose)
        asked.append("wiped")
    if case.board or "grey board" in said:
        save_photo(render(scene.grey_board()), folder / "g.jpg", quality=92)
        entry = replace(entry, grey_board="g.jpg")
        asked.append("board")
    rendering = render(scene)
    save_photo(rendering, folder / "p.jpg", quality=max(case.quality, 90))
    turn = float(rng.uniform(60, 120)) * float(rng.choice([-1, 1]))
    shift = (float(rng.uniform(-25, 25)), float(rng.uniform(-25, 25)))
    moved = scene.lamp_moved(turn, shift_px=shift)
    save_photo(render(moved), folder / "q.jpg", quality=max(case.quality, 90))
    entry = replace(entry, also=("q.jpg",))
    job = job_for(replace(case, scene=scene), rendering, folder, entry)
    verdict = inspect_photo(job, entry).result.regions[0].verdict or "none"
    return replace(row, second=verdict, second_asked="+".join(asked))


def _nearer(scene: Scene, mm_per_px: float) -> Scene:
    """The same part from nearer, in more pixels."""
    times = scene.mm_per_px / mm_per_px
    width, height = (round(side * times) for side in scene.size_px)
    return replace(scene, mm_per_px=mm_per_px, size_px=(width, height))


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
    parser.add_argument("--also", action="store_true", help="take the photos that retakes ask for")
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
