"""Hiding curves of rendered panels, coat by coat, against their truth.

    python tests/bench/bench_coats.py --seed 11 --series 40

A series is one panel photographed before the work and after each coat, from the first to one short
of hiding or thereabouts: the camera and the kind of light stay, exposure, lamp, noise and bend
change. Coats differ in thickness by 10 % (standard deviation). In a third of the series the first
coats are a white transition coat. Truth: our own phantoms, rendered spectrally; a coat's number
hides from where its true CIEDE2000 to the finish is within the limit.
"""

from __future__ import annotations

import argparse
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from spread import surroundings

FINISHES: tuple[tuple[float, float, float], ...] = (
    # CIE Lab D50; our own colours
    (46.0, 21.0, 28.0),
    (55.0, 0.0, -1.0),
    (74.0, 2.0, 17.0),
    (85.0, 1.0, 16.0),
    (36.0, 14.0, 20.0),
    (60.0, 13.0, 31.0),
    (26.0, 1.0, -14.0),
    (72.0, 3.0, 18.0),
)
OLD: tuple[tuple[float, float, float], ...] = (
    (38.0, -28.0, 9.0),
    (20.0, 0.5, -0.5),
    (44.0, -24.0, -8.0),
    (34.0, 24.0, 18.0),
    (80.0, 1.0, 8.0),
)
WHITE = ("white transition coat", (93.0, -0.5, 2.0))
LIMIT, MOST = 3.0, 12
SIZE = (1050, 770)
PANEL = ((42.0, 42.0), (1008.0, 42.0), (1008.0, 483.0), (42.0, 483.0))


def make(seed: int, i: int) -> dict[str, Any]:
    """The scenes of series number i, before and after each coat, and what is known of them."""
    from fullhide.colour import delta_e00
    from fullhide.phantom import Chart, Film, Scene
    from fullhide.phantom._materials import Materials

    rng = np.random.default_rng([seed, i, 7])
    while True:
        finish = FINISHES[int(rng.integers(len(FINISHES)))]
        old = OLD[int(rng.integers(len(OLD)))]
        white = int(rng.integers(1, 3)) if rng.random() < 1 / 3 else 0
        sx = float(rng.uniform(0.12, 0.6))
        laid = np.cumsum(sx * rng.normal(1.0, 0.1, MOST).clip(0.7, 1.3))
        board, mm = bool(rng.random() < 0.5), float(rng.choice([0.17, 0.23, 0.28]))
        under = (("old colour", old), WHITE)
        first = surroundings(rng)
        scene = Scene(
            size_px=SIZE,
            mm_per_px=mm,
            **first,
            finish=finish,
            under=under,
            panel_px=PANEL,
            chart=Chart(centre_px=(520.0, 626.0), width_mm=340.0 * mm),
        )
        films = [Film(coats=0)]
        films += [
            Film(coats=0, transition=WHITE[0], transition_sx=1.5 * (k + 1)) for k in range(white)
        ]
        base = Film(coats=1) if not white else Film(transition=WHITE[0], transition_sx=1.5 * white)
        films += [replace(base, coats=1, sx_per_coat=float(x)) for x in laid]
        labs = [Materials(replace(scene, film=film)).finish_lab for film in films]
        far = [float(delta_e00(np.array(finish), np.array(lab))) for lab in labs]
        hides = next((k for k in range(1 + white, len(far)) if far[k] <= LIMIT), None)
        if hides is not None and hides - white >= 3:
            break
    shown = max(white + 2, hides + int(rng.integers(-2, 1)))
    scenes = []
    for film in films[: shown + 1]:
        other = surroundings(rng)
        light = replace(other["light"], name=scene.light.name)
        camera = replace(other["camera"], sensor=scene.camera.sensor, tone=scene.camera.tone)
        leather = replace(other["leather"], grain=scene.leather.grain)
        scenes.append(
            replace(
                scene, film=film, seed=other["seed"], light=light, camera=camera, leather=leather
            )
        )
    return {
        "scenes": scenes,
        "far": far[: shown + 1],
        "more": max(0, hides - shown),
        "finish": finish,
        "under": under,
        "board": board,
        "white": white,
        "sensor": scene.camera.sensor,
    }


def _seam(scene: Any, rng: np.random.Generator) -> Any:
    """A seam across the panel."""
    from fullhide.phantom import Seam

    mm = scene.mm_per_px
    x = 0.5 * SIZE[0] * mm + float(rng.uniform(-30.0, 30.0))
    return Seam(
        (x, (PANEL[0][1] - 20) * mm),
        (x + float(rng.uniform(-15.0, 15.0)), (PANEL[2][1] + 20) * mm),
        bow_mm=float(rng.uniform(-6.0, 6.0)),
        width_mm=float(rng.uniform(5.0, 9.0)),
        depth_mm=float(rng.uniform(1.5, 3.0)),
        opened=bool(rng.random() < 0.5),
    )


def one(task: tuple[int, int, bool, bool]) -> dict[str, Any]:
    """Render, read, and put truth and result side by side."""
    from shapely.geometry import Polygon

    from fullhide.coats_job import coats_of
    from fullhide.job import ChartSettings, Colour, Job, Limits, PhotoEntry
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    seed, i, given, seams = task
    fact = make(seed, i)
    rng = np.random.default_rng([seed, i, 8])
    seam = _seam(fact["scenes"][0], rng) if seams else None
    entries, drawn = [], []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for coat, made in enumerate(fact.pop("scenes")):
            scene = made if seam is None else replace(made, seams=(seam,))
            shot = render(scene)
            save_photo(shot, folder / f"c{coat}.jpg", quality=92)
            if fact["board"]:
                save_photo(render(scene.grey_board()), folder / f"b{coat}.jpg", quality=92)
            entries.append(
                PhotoEntry(
                    file=f"c{coat}.jpg",
                    stage="coat" if coat else "before",
                    coat=coat or None,
                    grey_board=f"b{coat}.jpg" if fact["board"] else None,
                )
            )
            part = Polygon(shot.truth.region_px).buffer(-2.0)
            band = Polygon(shot.truth.seam_px[0]) if seams else part
            rim = part.intersection(band).exterior.coords
            drawn.append(
                RegionOutline(
                    photo=f"c{coat}.jpg",
                    name="seat",
                    kind="seam" if seams else "panel",
                    polygon=np.asarray(rim)[:-1],
                    properties={},
                )
            )
        job = Job(
            name="bench",
            folder=folder,
            finish=Colour("asked for", fact["finish"]) if given else None,
            under=tuple(Colour(n, lab) for n, lab in fact["under"]),
            limits=Limits(),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            photos=tuple(entries),
            outlines=tuple(drawn),
            outlined=frozenset(entry.file for entry in entries),
        )
        found = coats_of(job)
    (region,) = found.regions
    fact["curve"], fact["left_out"] = region.curve, region.left_out
    fact["problems"] = [str(p) for p in found.problems]
    return fact


def holds(more: Any, truth: int) -> bool:
    """Whether an interval holds the true number of coats still needed."""
    return bool(more.fewest <= truth and (more.most is None or truth <= more.most)) or (
        more.fewest > 2 and truth > 2
    )


def _told(coat: Any) -> str:
    if coat.to_finish is not None:
        return f"{coat.to_finish.value:.1f}"
    return "-" if coat.at_least is None else f">{coat.at_least:.1f}"


def table(facts: list[dict[str, Any]], verbose: bool) -> None:
    """Print the figures."""
    errors, signs, told, wrong, wide, kinds = [], [], 0, 0, [], 0
    leasts: list[bool] = []
    why: dict[str, int] = {}
    states = {"hides": [0, 0], "shows": [0, 0], "not sure": [0, 0]}
    for i, fact in enumerate(facts):
        curve = fact["curve"]
        if curve is None:
            why["no coat could be read"] = why.get("no coat could be read", 0) + 1
            continue
        for coat in curve.coats:
            if coat.to_finish is not None:
                errors.append(abs(coat.to_finish.value - fact["far"][coat.coat]))
                inside = coat.to_finish.at_least - 1e-6 <= fact["far"][coat.coat]
                signs.append(inside and fact["far"][coat.coat] <= coat.to_finish.at_most + 1e-6)
            if coat.at_least is not None:
                leasts.append(coat.at_least <= fact["far"][coat.coat] + 1e-6)
            right = "ground" if coat.coat == 0 else "dye"
            right = "transition" if 0 < coat.coat <= fact["white"] else right
            kinds += coat.kind != right
        done = fact["far"][curve.coats[-1].coat] <= LIMIT
        states[curve.state][int(done)] += 1
        if curve.more is None:
            key = curve.unfit.partition(" (")[0]
            why[key] = why.get(key, 0) + 1
        else:
            told += 1
            held = holds(curve.more, fact["more"])
            wrong += not held
            wide.append((3 if curve.more.most is None else curve.more.most) - curve.more.fewest)
        if verbose:
            far = [f"{c.coat}{c.kind[0]} {_told(c)}/{fact['far'][c.coat]:.1f}" for c in curve.coats]
            fit = None if curve.fit is None else round(curve.fit.residual_l, 2)
            print(i, fact["more"], curve.more, curve.state, fit, *far, curve.unfit, sep=" | ")
    print(f"{len(facts)} series, {len(errors)} coats read")
    if errors:
        print(
            f"ΔE to the finish: error {np.median(errors):.2f} at the median, "
            f"{np.quantile(errors, 0.95):.2f} at 95 %; intervals hold {100 * np.mean(signs):.0f} %"
        )
    if leasts:
        print(f"of {len(leasts)} coats of seams the least ΔE told is none too large: {sum(leasts)}")
    print(f"coats taken for the wrong kind: {kinds}")
    print(
        f"number told: {told}, holds the truth: {told - wrong}; spread {np.bincount(wide or [0])}"
    )
    for text, count in sorted(why.items(), key=lambda item: -item[1]):
        print(f"  not told, {count}: {text}")
    for state, (open_, done) in states.items():
        print(f"{state}: {open_} that show, {done} that hide")


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--series", type=int, default=40)
    parser.add_argument("--no-finish", action="store_true", help="job.toml names no finish")
    parser.add_argument("--seams", action="store_true", help="seams across the panels instead")
    parser.add_argument("-v", action="store_true")
    asked = parser.parse_args()
    tasks = [(asked.seed, i, not asked.no_finish, asked.seams) for i in range(asked.series)]
    with ProcessPoolExecutor(2) as pool:
        table(list(pool.map(one, tasks)), asked.v)


if __name__ == "__main__":
    main()
