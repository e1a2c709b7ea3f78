"""Proposals for photos that nobody drew in: the dyed surface and its seams on cluttered benches.

Scenes: panels of many colours, shapes and grains, some running out of the picture, with spots,
seams, folds, on a grey bench with coloured things, hands, tools, cloths and tape about and over
them. Truth is our own phantoms': the part where nothing covers it, and the seams' middles.

    python tests/bench/bench_propose.py --seed 1 --scenes 60 [-v] [--keep DIR]
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from fullhide.chart import chart_spec, find_chart, fit_colour
from fullhide.phantom import (
    Camera,
    Chart,
    Distractor,
    Lamp,
    Leather,
    Light,
    Scene,
    Seam,
    Spot,
    render,
    save_photo,
)
from fullhide.phantom._frame import distance_to_edge, frame_of
from fullhide.phantom._materials import Materials
from fullhide.phantom._props import prop_overlays
from fullhide.photo import open_photo
from fullhide.propose import propose

COLOURS = (
    (46.0, 21.0, 28.0), (72.0, 3.0, 18.0), (34.0, 24.0, 18.0), (57.0, 0.0, -1.0),
    (26.0, 1.0, -14.0), (60.0, 13.0, 31.0), (36.0, 14.0, 20.0), (44.0, -24.0, -8.0),
    (18.0, 0.5, -0.5), (85.0, 1.0, 10.0),
)  # fmt: skip
UNDER = (("old green", (38.0, -28.0, 9.0)), ("white transition coat", (93.0, -0.5, 2.0)))
SKIN = ((78.0, 9.0, 17.0), (64.0, 16.0, 19.0), (42.0, 14.0, 18.0))
CLOTHS = ((80.0, -2.0, 5.0), (40.0, 5.0, -25.0), (55.0, 40.0, 25.0))
SIZE, SCALE, CHART_MM = (1200, 900), 0.25, 75.0
COVERING = ("hand", "tool", "cloth", "tape")


@dataclass(frozen=True)
class Score:
    """Of one scene: overlap (None where nothing was proposed), seams there, found, false."""

    number: int
    iou: float | None
    seams: int
    found: int
    false: int


def _panel(rng: np.random.Generator) -> np.ndarray:
    w, h = SIZE
    box = np.array([(0.22, 0.12), (0.80, 0.12), (0.80, 0.72), (0.22, 0.72)])
    kind = rng.random()
    if kind < 0.25:  # runs out of the picture
        side = int(rng.integers(3))
        box[:, 0] = np.where(box[:, 0] < 0.5, -0.1, box[:, 0]) if side == 0 else box[:, 0]
        box[:, 0] = np.where(box[:, 0] > 0.5, 1.1, box[:, 0]) if side == 1 else box[:, 0]
        box[:, 1] = np.where(box[:, 1] < 0.5, -0.1, box[:, 1]) if side == 2 else box[:, 1]
    box = box + rng.uniform(-0.04, 0.04, (4, 2))
    if kind > 0.80:  # a bay cut into one side
        a, b = box[2], box[3]
        bay = [a + t * (b - a) for t in (0.3, 0.34, 0.66, 0.7)]
        for n in (1, 2):
            bay[n] = bay[n] - (0.0, 0.18)
        box = np.array([box[0], box[1], box[2], *bay, box[3]])
    return box * (w, h)


def make(seed: int, number: int) -> Scene:
    """Scene `number` of a seed."""
    rng = np.random.default_rng([seed, 4711, number])
    panel = _panel(rng)
    low, high = panel.min(axis=0) * SCALE, panel.max(axis=0) * SCALE
    middle = 0.5 * (np.maximum(low, 0) + np.minimum(high, np.array(SIZE) * SCALE))
    half = 0.5 * (np.minimum(high, np.array(SIZE) * SCALE) - np.maximum(low, 0))

    def place(share: float) -> tuple[float, float]:
        x, y = middle + share * half * rng.uniform(-1, 1, 2)
        return float(x), float(y)

    seams = []
    count = int(rng.choice([0, 1, 1, 2]))
    upright = rng.random() < 0.4
    for n in range(count):
        across = (n + 1) / (count + 1) * 2 - 1 + float(rng.uniform(-0.15, 0.15))
        ends = np.array([(-1.3, across), (1.3, across + float(rng.uniform(-0.15, 0.15)))])
        ends = ends[:, ::-1] if upright else ends
        (x0, y0), (x1, y1) = middle + ends * half
        seams.append(
            Seam(
                (float(x0), float(y0)), (float(x1), float(y1)),
                bow_mm=float(rng.uniform(-8, 8)),
                width_mm=float(rng.uniform(5, 8)),
                depth_mm=float(rng.uniform(1.0, 2.5)),
                opened=bool(rng.random() < 0.3),
                thread=tuple(rng.uniform((25, -5, -5), (90, 15, 30)).tolist())
                if rng.random() < 0.4 else None,
            )
        )  # fmt: skip
    things = []
    for kind, chance, size in (
        ("hand", 0.35, (110, 150)), ("tool", 0.5, (80, 140)), ("tool", 0.3, (80, 140)),
        ("cloth", 0.4, (60, 110)), ("tape", 0.25, (40, 70)), ("fold", 0.2, (20, 45)),
    ):  # fmt: skip
        if rng.random() > chance:
            continue
        angle = float(rng.uniform(0, 360))
        # Things come from outside: their tips reach over the rim, more or less.
        out = np.array([np.cos(np.deg2rad(angle)), -np.sin(np.deg2rad(angle))])
        reach = 1.0 if kind == "tape" else float(rng.uniform(1.0, 1.5))
        length = float(rng.uniform(*size))
        at = middle + out * half * reach + (0.45 * length * out if kind in COVERING[:3] else 0)
        if kind == "fold":
            at = np.array(place(0.5))
        lab = {"hand": SKIN, "cloth": CLOTHS}.get(kind)
        things.append(
            Distractor(
                kind, (float(at[0]), float(at[1])), length,
                angle + (180.0 if kind == "hand" else float(rng.uniform(-40, 40))),
                None if lab is None else lab[int(rng.integers(len(lab)))],
            )
        )  # fmt: skip
    turn = float(rng.uniform(0, 360))
    lamps = tuple(Lamp(turn + t, float(rng.uniform(35, 60)), 0.5) for t in (0.0, 130.0))
    spots = tuple(
        Spot(UNDER[int(rng.integers(2))][0], place(0.95), float(rng.uniform(3, 80)))
        for _ in range(int(rng.integers(0, 4)))
    )
    chart = Chart(centre_px=(float(rng.uniform(200, 1000)), 790.0), width_mm=CHART_MM)
    return Scene(
        size_px=SIZE,
        mm_per_px=SCALE,
        seed=int(rng.integers(1 << 30)),
        panel_px=tuple((float(x), float(y)) for x, y in panel),
        finish=COLOURS[int(rng.integers(len(COLOURS)))],
        under=UNDER,
        spots=spots,
        seams=tuple(seams),
        distractors=tuple(things),
        light=Light(
            name=str(rng.choice(["D65", "LED-B3", "FL2", "A"])), lamps=lamps,
            falloff=float(rng.uniform(0.05, 0.3)),
            falloff_towards_deg=float(rng.uniform(0, 360)),
        ),
        camera=Camera(
            noise=float(rng.choice([0.7, 1.0, 1.5])), exposure=float(rng.uniform(0.6, 0.95))
        ),
        leather=Leather(
            grain=str(rng.choice(["fine", "coarse", "smooth"])),
            roughness=float(rng.uniform(0.25, 0.45)),
            curvature_mm=float(rng.uniform(0, 10)),
        ),
        chart=chart if rng.random() < 0.85 else None,
        surround="cluttered" if rng.random() < 0.8 else "neutral",
    )  # fmt: skip


def visible(scene: Scene) -> np.ndarray:
    """Where the part is seen: bool (H, W), true where nothing lies over it."""
    frame = frame_of(scene)
    mask = distance_to_edge(frame) > 0
    lying = [d for d in scene.distractors if d.kind in COVERING]
    bare = Scene(**{f: getattr(scene, f) for f in ("size_px", "mm_per_px", "seed", "panel_px")},
                 distractors=tuple(lying), chart=scene.chart)  # fmt: skip
    for over in prop_overlays(bare, frame, Materials(bare)):
        y0, x0 = max(0, over.y0), max(0, over.x0)
        cut = over.alpha[
            y0 - over.y0 : frame.height - over.y0, x0 - over.x0 : frame.width - over.x0
        ]
        mask[y0 : y0 + cut.shape[0], x0 : x0 + cut.shape[1]] &= cut < 0.5
    return mask


def middles(scene: Scene, seen: np.ndarray) -> list[np.ndarray]:
    """Visible places (N, 2) of each seam's middle, pixels, 8 mm and more from the part's rim."""
    inner = distance_to_edge(frame_of(scene)) * SCALE > 8.0
    lines = []
    for seam in scene.seams:
        a, b = np.array(seam.start_mm), np.array(seam.end_mm)
        along = (b - a) / np.linalg.norm(b - a)
        left = np.array([along[1], -along[0]])
        t = np.linspace(0, 1, 800)[:, None]
        line = (a + t * (b - a) + left * 4 * seam.bow_mm * t * (1 - t)) / SCALE
        at = line.astype(int)
        there = (at >= 0).all(axis=1) & (at < SIZE).all(axis=1)
        at = at.clip(0, np.array(SIZE) - 1)
        line = line[there & inner[at[:, 1], at[:, 0]] & seen[at[:, 1], at[:, 0]]]
        if len(line) * np.linalg.norm(b - a) / 800 > 25.0:
            lines.append(line)
    return lines


def _mask(polygon: np.ndarray, holes=()) -> np.ndarray:
    mask = np.zeros(SIZE[::-1], np.uint8)
    for ring, value in ((polygon, 1), *((hole, 0) for hole in holes)):
        cv2.fillPoly(mask, [np.round((ring - 0.5) * 256).astype(np.int32)], value, shift=8)
    return mask > 0


def score(scene: Scene, number: int, folder: Path, *, verbose: bool = False) -> Score:
    """Propose for a scene's photo and hold it against the truth."""
    path = folder / f"{scene.seed}.jpg"
    if not path.exists():
        save_photo(render(scene), path, quality=90)
    photo = open_photo(path)
    spec = chart_spec("after-2014", width_mm=CHART_MM)
    reading = find_chart(photo, spec=spec)
    made = propose(
        photo, file=path.name, reading=reading, fit=fit_colour(reading, spec=spec),
        mm_per_px=reading.mm_per_px or SCALE, under=[lab for _, lab in UNDER],
    )  # fmt: skip
    seen = visible(scene)
    lines = middles(scene, seen)
    panels = [o for o in made if o.kind == "panel"]
    bands = [o for o in made if o.kind == "seam"]
    if verbose:
        picture = cv2.cvtColor(photo.encoded, cv2.COLOR_RGB2BGR)
        for o in made:
            cv2.polylines(picture, [np.round(o.polygon).astype(np.int32)], True,
                          (0, 255, 255) if o.kind == "panel" else (255, 0, 255), 2)  # fmt: skip
        cv2.imwrite(str(folder / f"n{number}.png"), picture)
    if not panels:
        return Score(number, None, len(lines), 0, 0)
    mask = np.any([_mask(o.polygon, o.holes) for o in panels], axis=0)
    iou = float((mask & seen).sum() / max((mask | seen).sum(), 1))
    masks = [_mask(o.polygon) for o in bands]
    all_bands = np.any(masks, axis=0) if masks else np.zeros(SIZE[::-1], bool)
    found = sum(
        float(all_bands[line[:, 1].astype(int), line[:, 0].astype(int)].mean()) >= 0.7
        for line in lines
    )
    near = np.zeros(SIZE[::-1], np.uint8)
    for line in middles(scene, np.ones(SIZE[::-1], bool)):
        cv2.polylines(near, [np.round(line).astype(np.int32)], False, 1, round(12 / SCALE))
    false = sum(float(near[band].mean()) < 0.5 for band in masks)
    return Score(number, iou, len(lines), found, false)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, nargs="+", default=[1])
    parser.add_argument("--scenes", type=int, default=60)
    parser.add_argument("--only", type=int, nargs="*")
    parser.add_argument("-v", "--verbose", action="store_true")
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    cv2.setNumThreads(1)
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        for seed in given.seed:
            for number in given.only or range(given.scenes):
                scene = make(seed, number)
                row = score(scene, number, folder, verbose=given.verbose)
                rows.append(row)
                if given.verbose:
                    kinds = " ".join(d.kind for d in scene.distractors)
                    print(f"{row} | {scene.finish} {scene.leather.grain} {kinds}", flush=True)
    ious = np.array([row.iou for row in rows if row.iou is not None])
    there, found = sum(row.seams for row in rows), sum(row.found for row in rows)
    print(f"scenes {len(rows)}, seeds {given.seed}; proposed {len(ious)}, the others say so")
    print(f"  overlap median {np.median(ious):.3f} (goal 0.95), 5 % {np.quantile(ious, 0.05):.3f} "
          f"(goal 0.85), smallest {ious.min():.3f}")  # fmt: skip
    print(f"  seams found {found} of {there} ({100 * found / max(there, 1):.0f} %, goal 95), "
          f"false {sum(row.false for row in rows) / len(rows):.2f} a photo (goal 0.1)")  # fmt: skip


if __name__ == "__main__":
    main()
