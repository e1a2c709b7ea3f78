"""Outlines carried over to re-shoots: how far off, how often refused, and what is let through.

Each pair is a part and a re-shoot of it at up to 25 degrees and 20 % other distance, turned, moved,
with spots gone, on another bench and, by turns, under another lamp and with another coat of dye.
Truth is the exact map between our own renders. A third of the pairs must be refused: another part
of the same make, a mirrored picture, something else altogether.

    python tests/bench/bench_carry.py --seed 1 --pairs 60 [-v]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fullhide.carry import Carried, Shot, carry_outlines
from fullhide.chart import chart_spec, find_chart, fit_colour
from fullhide.outlines import RegionOutline
from fullhide.phantom import (
    Camera,
    Chart,
    Lamp,
    Leather,
    Light,
    Scene,
    Seam,
    Spot,
    View,
    render,
    save_photo,
)
from fullhide.phantom._truth_seen import outline_seen
from fullhide.phantom._view import seen
from fullhide.photo import Photo, open_photo

COLOURS = (
    (46.0, 21.0, 28.0), (72.0, 3.0, 18.0), (34.0, 24.0, 18.0), (55.0, 0.0, -1.0),
    (26.0, 1.0, -14.0), (60.0, 13.0, 31.0), (36.0, 14.0, 20.0), (44.0, -24.0, -8.0),
)  # fmt: skip
LIGHTS = ("D65", "LED-B3", "FL2", "A")
FALSE_KINDS = ("other part", "mirrored", "unrelated")
CHANGES = ("touched up", "other lamp", "coat", "coat and lamp")
FLAT_PX, PHOTO_PX = (2100, 1600), (1800, 1600)


@dataclass(frozen=True)
class Pair:
    number: int
    kind: str
    earlier: Scene
    later: Scene


def _lamps(rng: np.random.Generator) -> tuple[Lamp, ...]:
    turn = float(rng.uniform(0, 360))
    return (
        Lamp(turn, float(rng.uniform(35, 60)), 0.6),
        Lamp(turn + float(rng.uniform(70, 180)), float(rng.uniform(35, 60)), 0.4),
    )


def _part(rng: np.random.Generator, scale: float) -> tuple[tuple, tuple[Seam, ...]]:
    """A part in the flat scene's middle: outline in pixels, seams across it."""
    w, h = FLAT_PX
    jitter = rng.uniform(-0.03, 0.03, (4, 2)) * (w, h)
    corners = np.array([(0.20, 0.18), (0.80, 0.18), (0.80, 0.82), (0.20, 0.82)]) * (w, h) + jitter
    seams = []
    if rng.random() < 0.7:
        y = float(rng.uniform(0.35, 0.65)) * h * scale
        thread = tuple(rng.uniform((25, -5, -5), (90, 15, 30)).tolist())
        seams.append(
            Seam(
                (0.1 * w * scale, y),
                (0.9 * w * scale, y + float(rng.uniform(-15, 15))),
                bow_mm=float(rng.uniform(-10, 10)),
                width_mm=float(rng.uniform(5, 8)),
                depth_mm=float(rng.uniform(1.0, 2.5)),
                thread=thread if rng.random() < 0.5 else None,
            )
        )
    return tuple((float(x), float(y)) for x, y in corners), tuple(seams)


def make(seed: int, number: int) -> Pair:
    """Pair `number` of a seed."""
    rng = np.random.default_rng([seed, 77, number])
    kind = FALSE_KINDS[number // 3 % 3] if number % 3 == 2 else CHANGES[number // 3 % 4]
    scale = float(rng.choice([0.12, 0.15, 0.18]))
    panel, seams = _part(rng, scale)
    old, new = (COLOURS[i] for i in rng.choice(len(COLOURS), 2, replace=False))
    w, h = FLAT_PX
    middle = np.array((w, h)) * scale / 2

    def spots() -> tuple[Spot, ...]:
        at = middle + rng.uniform(-0.25, 0.25, (int(rng.integers(0, 5)), 2)) * (
            w * scale,
            h * scale,
        )
        return tuple(
            Spot("beneath", (float(x), float(y)), float(rng.uniform(3, 60))) for x, y in at
        )

    def view(tilt: float) -> View:
        away = rng.uniform(-0.04, 0.04, 2) * (w * scale, h * scale)
        return View(
            tilt_deg=tilt,
            towards_deg=float(rng.uniform(0, 360)),
            turn_deg=float(rng.uniform(-15, 15)) + float(rng.choice([0, 0, 0, 90, 180])),
            distance=float(rng.uniform(0.8, 1.2)),
            aim_mm=(float(middle[0] + away[0]), float(middle[1] + away[1])),
            size_px=PHOTO_PX,
        )

    chart_mm = 60.0
    first = Scene(
        size_px=FLAT_PX,
        mm_per_px=scale,
        seed=int(rng.integers(1 << 30)),
        panel_px=panel,
        seams=seams,
        finish=old,
        under=(("beneath", (86.0, 1.0, 12.0)),),
        spots=spots(),
        light=Light(name=str(rng.choice(LIGHTS)), lamps=_lamps(rng), falloff=0.1),
        camera=Camera(noise=float(rng.choice([0.7, 1.0, 1.5]))),
        leather=Leather(
            grain=str(rng.choice(["fine", "coarse", "smooth"])),
            roughness=float(rng.uniform(0.25, 0.45)),
            gloss=float(rng.uniform(0.4, 1.0)),
            curvature_mm=float(rng.uniform(0, 10)),
        ),
        chart=Chart(centre_px=(0.5 * w, 0.93 * h), width_mm=chart_mm),
        surround=str(rng.choice(["neutral", "cluttered"])),
        view=replace(view(0.0), turn_deg=0.0, distance=1.0),
    )
    lamps = first.light.lamps
    if "lamp" in kind:
        turn = float(rng.uniform(40, 120)) * float(rng.choice([-1, 1]))
        lamps = tuple(replace(q, azimuth_deg=q.azimuth_deg + turn) for q in lamps)
    later = replace(
        first,
        spots=spots() if rng.random() < 0.5 else (),
        finish=new if "coat" in kind else first.finish,
        light=replace(
            first.light, lamps=lamps, name=str(rng.choice(LIGHTS)) if "lamp" in kind
            else first.light.name,
        ),
        chart=Chart(
            centre_px=(0.5 * w + float(rng.uniform(-300, 300)), 0.07 * h), width_mm=chart_mm
        ),
        surround_seed=int(rng.integers(1 << 30)),
        view=view(float(rng.uniform(0, 25))),
        shot=1,
    )  # fmt: skip
    if kind == "other part":
        later = replace(later, seed=first.seed + 7)
    elif kind == "unrelated":
        other, other_seams = _part(np.random.default_rng([seed, 78, number]), scale)
        later = replace(later, seed=first.seed + 5, panel_px=other, seams=other_seams, finish=new)
    return Pair(number, kind, first, later)


def photographed(scene: Scene, path: Path, *, mirrored: bool = False) -> Photo:
    if path.exists():  # --keep: as rendered before
        return open_photo(path)
    made = render(scene)
    if mirrored:
        made = replace(made, rgb=np.ascontiguousarray(made.rgb[:, ::-1]))
    save_photo(made, path, quality=90)
    return open_photo(path)


def shot(photo: Photo) -> Shot:
    spec = chart_spec("after-2014", width_mm=60.0)
    reading = find_chart(photo, spec=spec)
    return Shot(photo=photo, reading=reading, fit=fit_colour(reading, spec=spec))


def drawn(scene: Scene) -> tuple[list[RegionOutline], list[np.ndarray]]:
    """A panel and a seam as a person would draw them; and the same in the flat picture."""
    from fullhide.phantom._frame import frame_of
    from fullhide.phantom._truth import inset, seam_band

    frame, there = frame_of(scene), seen(scene)
    flat = [
        inset(frame.panel_px, 6.0 / scene.mm_per_px),
        *(seam_band(s, frame) for s in scene.seams),
    ]
    outlines = [
        RegionOutline(
            photo="earlier.jpg",
            name="panel" if n == 0 else f"seam {n}",
            kind="panel" if n == 0 else "seam",
            polygon=np.array(outline_seen(p, there)),
        )
        for n, p in enumerate(flat)
    ]
    return outlines, [np.array(p) for p in flat]


def errors_mm(pair: Pair, outlines: list[RegionOutline], carried: Carried) -> np.ndarray:
    """Distance of carried places from where they are, mm on the part, over a grid and outlines."""
    a, b = seen(pair.earlier), seen(pair.later)
    every = np.concatenate([o.polygon for o in outlines])
    low, high = every.min(axis=0), every.max(axis=0)
    grid = np.stack(np.meshgrid(*(np.linspace(low[i], high[i], 12) for i in (0, 1))), axis=-1)
    places = np.concatenate([every, grid.reshape(-1, 2)])
    true = a.to_mm(places)
    got = b.to_mm(carried.map.to_later(places))
    return np.linalg.norm(got - true, axis=1)


def run(seed: int, number: int, folder: Path, *, verbose: bool) -> dict:
    pair = make(seed, number)
    earlier = photographed(pair.earlier, folder / f"{seed}_{number}a.jpg")
    later = photographed(
        pair.later, folder / f"{seed}_{number}b.jpg", mirrored=pair.kind == "mirrored"
    )
    outlines, _ = drawn(pair.earlier)
    start = time.perf_counter()
    carried = carry_outlines(
        shot(earlier), outlines, shot(later), file="later.jpg", mm_per_px=pair.earlier.mm_per_px
    )
    took = time.perf_counter() - start
    out = {"kind": pair.kind, "taken": carried.map.found, "seconds": took}
    if carried.map.found and pair.kind in CHANGES:
        off = errors_mm(pair, outlines, carried)
        out |= {"median": float(np.median(off)), "worst": float(off.max())}
        out["left_out"] = len(carried.left_out)
    if verbose:
        v = pair.later.view
        told = " ".join(
            f"{k} {x:.2f}" if isinstance(x, float) else f"{k} {x}" for k, x in out.items()
        )
        print(
            f"{number:3d} {told} | {pair.earlier.leather.grain} {pair.earlier.mm_per_px} mm/px "
            f"tilt {v.tilt_deg:.0f} turn {v.turn_deg:.0f} distance {v.distance:.2f} | "
            f"tiles {carried.map.count} agreeing {carried.map.agreeing:.2f} "
            f"residual {carried.residual_mm} {carried.reason}",
            flush=True,
        )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="+", default=[1])
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--only", type=int, nargs="*")
    parser.add_argument("-v", "--verbose", action="store_true")
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for seed in given.seed:
            rows += [
                run(seed, number, folder, verbose=given.verbose)
                for number in given.only or range(given.pairs)
            ]
    true = [r for r in rows if r["kind"] in CHANGES]
    false = [r for r in rows if r["kind"] in FALSE_KINDS]
    print(f"re-shoots {len(true)}, seeds {given.seed}")
    for kind in (*CHANGES, "all"):
        mine = [r for r in true if kind in (r["kind"], "all")]
        if not mine:
            continue
        taken = [r for r in mine if r["taken"]]
        medians = np.array([r["median"] for r in taken])
        worst = np.array([r["worst"] for r in taken])
        left = sum(r["left_out"] > 0 for r in taken)
        told = "" if not taken else (
            f"error mm: median {np.median(medians):.2f}, "
            f"95 % of photos {np.quantile(medians, 0.95):.2f}, "
            f"largest photo {medians.max():.2f}; worst place {np.median(worst):.2f} "
            f"(largest {worst.max():.2f})"
        )  # fmt: skip
        print(f"  {kind:14s} carried {len(taken)} of {len(mine)}  {told}")
        if left:
            print(f"  {'':14s} {left} with an outline left out that runs out of the later photo")
    for kind in FALSE_KINDS:
        mine = [r for r in false if r["kind"] == kind]
        if mine:
            print(f"  {kind:14s} wrongly carried {sum(r['taken'] for r in mine)} of {len(mine)}")
    print(f"  seconds a pair: {np.median([r['seconds'] for r in rows]):.1f}")


if __name__ == "__main__":
    main()
