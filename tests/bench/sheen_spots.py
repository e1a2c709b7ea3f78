"""`bench_sheen.py --spots`: panels with places of another sheen, and with what is none.

Truth: our own phantoms, whose lobe is 2 to 4 times as high or low in a place 15 to 40 mm across.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_match import COLOURS, PANEL, SIZE
from spread import surroundings

#: What a clean panel may hold beside its grain: nothing of it is another sheen.
OTHERS = (
    "nothing",
    "nothing",
    "mottle",
    "old colour",
    "thin",
    "seam",
    "embossing",
    "perforation",
    "fold",
    "piping",
    "thread",
    "tape",
    "dust",
    "lamp",
)
OLD = ((38.0, -28.0, 9.0), (93.0, -0.5, 2.0), (18.0, 0.5, 0.5))
TIMES = (0.25, 0.35, 0.5, 2.0, 2.5, 3.5)
LIMIT = 1.7  # what the job asks for
COLOURED = 14.0  # chroma of a dye whose highlight can be told from shade
KEYS = ("places", "found")


def glinting(rng: np.random.Generator) -> dict[str, Any]:
    """A grained part under one or two lamps at random."""
    from fullhide.phantom import Lamp

    given = surroundings(rng)
    turn = rng.uniform(0.0, 360.0)
    lamps = tuple(
        Lamp(
            azimuth_deg=float(turn + n * rng.uniform(90.0, 200.0)),
            elevation_deg=float(rng.uniform(40.0, 65.0)),
            weight=float(rng.uniform(0.4, 1.0)),
        )
        for n in range(int(rng.integers(1, 3)))
    )
    given["light"] = replace(given["light"], lamps=lamps, ambient=float(rng.uniform(0.2, 0.45)))
    gloss, rough = float(rng.uniform(0.5, 1.2)), float(rng.uniform(0.22, 0.4))
    given["leather"] = replace(given["leather"], gloss=gloss, roughness=rough)
    return given


def make(seed: int, i: int) -> tuple[Any, dict[str, Any]]:
    """Scene number i, and what is known of it."""
    from fullhide.phantom import Chart, Scene, Sheen

    rng = np.random.default_rng([seed, i, 8])
    given = glinting(rng)
    own = given["leather"]
    mm = float(rng.choice([0.12, 0.16, 0.2]))
    x0, y0, x1, y1 = (v * mm for v in (*PANEL[0], *PANEL[2]))
    places: list[Sheen] = []
    times = float(rng.choice(TIMES))
    for _ in range(int(rng.integers(1, 3)) if i % 2 else 0):
        size = rng.uniform(15.0, min(40.0, 0.4 * (y1 - y0)), size=2)
        middle = rng.uniform(
            (x0 + 0.6 * size[0] + 6.0, y0 + 0.6 * size[1] + 6.0),
            (x1 - 0.6 * size[0] - 6.0, y1 - 0.6 * size[1] - 6.0),
        )
        if all(
            np.abs(middle - p.centre_mm).max() > 0.6 * (size.max() + max(p.size_mm)) for p in places
        ):
            places.append(
                Sheen(
                    centre_mm=(float(middle[0]), float(middle[1])),
                    size_mm=(float(size[0]), float(size[1])),
                    gloss=own.gloss * times,
                    roughness=own.roughness,
                    shape=str(rng.choice(["round", "box"])),
                    softness_mm=float(rng.choice([0.0, 2.0, 4.0])),
                )
            )
    other = OTHERS[(i // 2) % len(OTHERS)] if not i % 2 else "nothing"
    old = OLD[int(rng.integers(len(OLD)))]
    scene = Scene(
        size_px=SIZE,
        mm_per_px=mm,
        **given,
        finish=COLOURS[(i // 2) % len(COLOURS)],
        under=(("old colour", old),),
        panel_px=PANEL,
        sheens=tuple(places),
        chart=Chart(centre_px=(750.0, 895.0), width_mm=480.0 * mm),
    )
    scene = _with(rng, scene, other, (x0, y0, x1, y1))
    fact: dict[str, Any] = {"number": i, "times": times if places else 1.0, "other": other}
    fact.update(grain=scene.leather.grain, sensor=scene.camera.sensor, noise=scene.camera.noise)
    fact.update(lab=scene.finish, board=bool(rng.random() < 0.5), quality=int(rng.integers(85, 98)))
    return scene, fact


def _with(rng: np.random.Generator, scene: Any, other: str, box: tuple[float, ...]) -> Any:
    """The scene with something in it that is no other sheen."""
    from fullhide.phantom import Distractor, Film, Lamp, Mottle, Seam, Spot, Thin

    x0, y0, x1, y1 = box

    def place() -> tuple[float, float]:
        x, y = rng.uniform((x0 + 18.0, y0 + 18.0), (x1 - 18.0, y1 - 18.0))
        return float(x), float(y)

    film = Film(coats=4, sx_per_coat=float(rng.uniform(0.45, 0.75)), over="old colour")
    if other == "mottle":
        scale = float(rng.uniform(8.0, 25.0))
        kind = str(rng.choice(["thickness", "lightness"]))
        mottle = Mottle(amplitude=float(rng.uniform(0.06, 0.2)), scale_mm=scale, kind=kind)
        return replace(scene, mottle=(mottle,), film=film)
    if other == "old colour":
        areas = np.exp(rng.uniform(np.log(5.0), np.log(500.0), size=3))
        share = float(rng.choice([1.0, 0.3]))
        spots = tuple(Spot("old colour", place(), area_mm2=float(a), share=share) for a in areas)
        return replace(scene, spots=spots)
    if other == "thin":
        return replace(scene, film=film, thin=(Thin(place(), area_mm2=400.0), Thin(place(), 150.0)))
    if other == "seam":
        y = (y0 + y1) / 2
        return replace(
            scene, seams=(Seam((x0 - 8.0, y - 5.0), (x1 + 8.0, y + 5.0), thread=(70.0, 3.0, 15.0)),)
        )
    if other == "nothing":
        return scene
    if other == "lamp":  # mirrored in a bent panel, nearly as small as a place of another sheen
        grain = str(rng.choice(["fine", "smooth", "none"]))
        bend, rough = float(rng.uniform(8.0, 25.0)), float(rng.uniform(0.12, 0.22))
        leather = replace(scene.leather, grain=grain, curvature_mm=bend, roughness=rough)
        high = Lamp(float(rng.uniform(0.0, 360.0)), float(rng.uniform(70.0, 88.0)))
        light = replace(scene.light, lamps=(high, *scene.light.lamps[:1]))
        return replace(scene, leather=leather, light=light)
    lab = (30.0, 8.0, 10.0) if other == "piping" else None
    size, turn = float(rng.uniform(20.0, 40.0)), float(rng.uniform(0.0, 180.0))
    things = tuple(Distractor(other, place(), size, turn, lab=lab) for _ in range(2))
    return replace(scene, distractors=things)


def one(task: tuple[int, int]) -> dict[str, Any]:
    """Render, inspect, and put truth and findings side by side."""
    from fullhide.engine import inspect_photo
    from fullhide.job import ChartSettings, Colour, Job, Limits, PhotoEntry
    from fullhide.outlines import RegionOutline
    from fullhide.phantom import render, save_photo

    cv2.setNumThreads(1)
    scene, fact = make(*task)
    rendering = render(scene)
    outline = RegionOutline(
        photo="p.jpg",
        name="panel",
        kind="panel",
        polygon=np.array(rendering.truth.region_px),
        properties={},
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        save_photo(rendering, folder / "p.jpg", quality=fact["quality"])
        if fact["board"]:
            save_photo(render(scene.grey_board()), folder / "b.jpg", quality=fact["quality"])
        entry = PhotoEntry(file="p.jpg", grey_board="b.jpg" if fact["board"] else None)
        thread = [seam.thread for seam in scene.seams if seam.thread]
        job = Job(
            name="bench",
            folder=folder,
            under=tuple(Colour(*under) for under in scene.under),
            finish=Colour("finish", scene.finish),
            thread=tuple(Colour("thread", lab) for lab in thread),
            limits=Limits(sheen=LIMIT),
            chart=ChartSettings(width_mm=scene.chart.width_mm),
            photos=(entry,),
            outlines=(outline,),
            outlined=frozenset({"p.jpg"}),
        )
        done = inspect_photo(job, entry)
    region, labels = done.result.regions[0], done.artifacts.label_map
    told = [f for f in region.findings if f.kind in ("glossy_spot", "dull_spot")]
    places = np.zeros(labels.shape, np.uint8)
    if rendering.truth.lobe is not None:  # half of the way to the place's own, on a log scale
        far = np.abs(np.log(rendering.truth.lobe)) > 0.5 * abs(np.log(fact["times"]))
        places = (far & rendering.truth.panel).astype(np.uint8)
    count, parts = cv2.connectedComponents(places)
    found, false = set(), []
    for finding in told:
        mine = parts[labels == finding.id]
        number = int(np.bincount(mine).argmax()) if mine.size else 0
        if number and (finding.kind == "glossy_spot") == (fact["times"] > 1.0):
            found.add(number)
        else:
            false.append((finding.kind, round(finding.area_mm2 or 0.0)))
    covered = sum(
        n not in found and float((labels[parts == n] > 0).mean()) > 0.3 for n in range(1, count)
    )
    ends = [region.measures.get(f"sheen_spot_at_{end}") for end in ("least", "most")]
    values = [end.value for end in ends if end is not None]
    within = region.measures.get("sheen_within")
    fact.update(
        places=count - 1, found=len(found), false=false, covered=covered, end=(values or [None])[0]
    )
    fact.update(
        surely=bool(told) and any("surely" in r and "(the limit" in r for r in region.reasons),
        within=None if within is None else within.value,
    )
    return fact


def table(facts: list[dict[str, Any]], verbose: bool) -> None:
    """Print what was found of the places and what was told where there is none."""
    print("places       all  found  coloured dye: all  found  under another finding")
    for word in ("glossier", "duller"):
        mine = [f for f in facts if f["places"] and (f["times"] > 1.0) == (word == "glossier")]
        coloured = [f for f in mine if np.hypot(*f["lab"][1:]) > COLOURED]
        counts = [sum(f[key] for f in part) for part in (mine, coloured) for key in KEYS]
        print("{:12}{:4}{:7}{:19}{:7}{:23}".format(word, *counts, sum(f["covered"] for f in mine)))
    clean = [f for f in facts if not f["places"]]
    false = sum(len(f["false"]) for f in clean)
    print(f"clean regions {len(clean)}, findings in them {false}")
    spoilt = [f for f in facts if f["places"]]
    print(f"findings beside the places {sum(len(f['false']) for f in spoilt)}")
    even = [f for f in facts if f["within"] is not None and f["within"] <= LIMIT]
    passed = sum(f["places"] > 0 and not f["found"] for f in even)
    print(f"told as even: clean {sum(not f['places'] for f in even)}, spoilt {passed}")
    sure = [f for f in facts if f["surely"]]
    right = sum(f["places"] > 0 for f in sure)
    print(f"told as surely beyond the limit of {LIMIT:g}: {len(sure)}, rightly {right}")
    ends = [(np.log(f["end"]), np.log(f["times"])) for f in spoilt if f["found"] and f["end"]]
    held = sum(abs(end) <= abs(truth) for end, truth in ends)
    print(f"a sure end told: {len(ends)}, the truth beyond it {held}")
    for fact in facts:
        if verbose or fact["false"]:
            keys = ("number", "times", "other", "grain", "sensor", "noise", "lab", "places")
            print(*(fact[key] for key in (*keys, "found", "false", "within", "end")))
