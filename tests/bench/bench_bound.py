"""Whether a retake was needed: spots of the limit put into clean regions, and how many are found.

    python tests/bench/bench_bound.py --seed 31 --scenes 120

Each clean scene of `bench_verdicts.py` is inspected as it is, and again with spots (in a seam:
gaps) that reach the limit for show-through, cut sharp, at random places well apart. Where such
spots are not found, a pass would have been a guess. Truth: our own phantoms.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from bench_tables import ratio
from bench_verdicts import job_for
from scene_truth import LIMIT_DE, LIMIT_MM2
from scenes import Case, make, panel_mm

from fullhide.engine import Inspection, inspect_photo
from fullhide.job import PhotoEntry
from fullhide.phantom import Gap, Rendering, Scene, Spot, render, save_photo
from fullhide.phantom._materials import Materials

#: Spots in a panel and gaps in a seam; how far from the rim and from one another, mm.
SPOTS, GAPS, RIM_MM, APART_MM = 6, 3, 14.0, 12.0
#: Width of a gap, mm; of its area a good half is left where it dips into the valley.
WIDE_MM, LEFT = 1.25, 0.55


@dataclass(frozen=True, slots=True)
class Row:
    """One clean scene: its verdict and largest spot that could hide; limit spots put in, found."""

    case: Case
    verdict: str
    could_hide: float | None
    put: int
    found: int
    passed_over: bool


def main() -> None:
    """Print how many spots of the limit are found, by what the clean region's verdict was."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, nargs="+", default=[31])
    parser.add_argument("--scenes", type=int, default=120, help="of which the clean ones count")
    parser.add_argument("--delta-e", type=float, default=3.0, help="of the spots; the limit's is 3")
    parser.add_argument("--area", type=float, default=1.0, help="mm2, the limit's is 1")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-v", action="store_true", help="a line on each scene")
    asked = parser.parse_args()
    todo = [(seed, n) for seed in asked.seed for n in range(asked.scenes)]
    clean = [(*one, asked.delta_e, asked.area) for one in todo if make(*one).content == "clean"]
    with ProcessPoolExecutor(asked.workers) as pool:
        rows = list(pool.map(run_one, clean))
    if asked.v:
        for row in rows:
            case, hides = row.case, row.could_hide
            size = "-" if hides is None else f"{hides:.1f}"
            print(
                f"{case.seed}:{case.number} {case.pair} {case.place} {case.scene.leather.grain} "
                f"{row.verdict} could hide {size} mm2: {row.found}/{row.put}"
            )
    size = f"{asked.area:g} mm2 and {asked.delta_e:g} dE00"
    print(f"spots of {size} found, by the verdict on the region without them:")
    for which, own in (("all", rows), ("well-shot", [r for r in rows if r.case.well_shot])):
        print(f"  {which}, {len(own)} clean regions")
        told("passed", [r for r in own if r.verdict == "pass"])
        told("failed, a false finding", [r for r in own if r.verdict == "fail"])
        retakes = [r for r in own if r.verdict == "retake"]
        told("retake", retakes)
        for low, high in ((0.0, 1.0), (1.0, 1.5), (1.5, 2.5), (2.5, np.inf)):
            some = [r for r in retakes if low < (r.could_hide or 0.0) <= high]
            told(f"  {low:g} to {high:g} mm2 could hide", some)
    ones = [r for r in rows if r.put]
    print(
        f"regions with such spots that pass: {ratio(sum(r.passed_over for r in ones), len(ones))}"
    )


def told(what: str, rows: Sequence[Row]) -> None:
    """One line of the table."""
    found, put = sum(row.found for row in rows), sum(row.put for row in rows)
    print(f"    {what}: {len(rows)} regions, found {ratio(found, put)}")


def run_one(asked: tuple[int, int, float, float]) -> Row:
    """Inspect a clean scene, and the same with spots of this ΔE and area, mm2."""
    cv2.setNumThreads(1)
    seed, number, delta_e, area = asked
    case = make(seed, number)
    spoilt = replace(case, scene=_spoilt(case, delta_e, area))
    with tempfile.TemporaryDirectory() as folder:
        _, before = _inspected(case, Path(folder))
        rendering, after = _inspected(spoilt, Path(folder))
    labels, truth = after.artifacts.label_map, rendering.truth
    over, mm2 = truth.delta_e >= LIMIT_DE, truth.mm_per_px**2
    there = [truth.labels == spot.id for spot in truth.spots]
    # What is left of a gap in a dim valley may be below the limit: that one does not count.
    counted = [mask for mask in there if float((mask & over).sum()) * mm2 >= LIMIT_MM2]
    touched = [bool((labels[mask] > 0).any()) for mask in counted]
    region = before.result.regions[0]
    return Row(
        case=case,
        verdict=region.verdict or "none",
        could_hide=region.detectable_mm2,
        put=len(touched),
        found=sum(touched),
        passed_over=bool(touched) and after.result.regions[0].verdict == "pass",
    )


def _spoilt(case: Case, delta_e: float, area: float) -> Scene:
    scene = case.scene
    rng = np.random.default_rng([case.seed, case.number, 11])
    names = [name for name, _ in scene.under]
    x0, y0, x1, y1 = panel_mm(scene)
    if case.is_seam:
        starts = 24.0 + (np.arange(GAPS) + rng.uniform(0.1, 0.9, GAPS)) * (x1 - x0 - 40.0) / GAPS
        share = {name: Materials(scene).share_for(name, delta_e) for name in names}
        gaps = (
            Gap(
                0, at, at + area / LEFT / WIDE_MM, name, WIDE_MM, softness_mm=0.0, share=share[name]
            )
            for at, name in zip(starts.tolist(), rng.choice(names, GAPS).tolist(), strict=True)
        )
        return replace(scene, gaps=tuple(gaps))
    spots: list[Spot] = []
    for _ in range(400):
        at = rng.uniform((x0 + RIM_MM, y0 + RIM_MM), (x1 - RIM_MM, y1 - RIM_MM))
        near = [np.hypot(*(at - other.centre_mm)) for other in spots]
        near += [np.hypot(*(at - d.centre_mm)) - 0.5 * d.size_mm for d in scene.distractors]
        if min(near, default=APART_MM) >= APART_MM and len(spots) < SPOTS:
            place = (float(at[0]), float(at[1]))
            under = str(rng.choice(names))
            spots.append(Spot(under, place, area_mm2=area, shape="round", delta_e=delta_e))
    return replace(scene, spots=tuple(spots))


def _inspected(case: Case, folder: Path) -> tuple[Rendering, Inspection]:
    rendering = render(case.scene)
    save_photo(rendering, folder / "p.jpg", quality=case.quality)
    entry = PhotoEntry(file="p.jpg")
    if case.board:
        save_photo(render(case.scene.grey_board()), folder / "g.jpg", quality=92)
        entry = replace(entry, grey_board="g.jpg")
    return rendering, inspect_photo(job_for(case, rendering, folder, entry), entry)


if __name__ == "__main__":
    main()
