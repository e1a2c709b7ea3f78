"""Speed and memory of one inspection, as ratios measured in one run.

    python tests/bench/bench_speed.py

A 12-megapixel JPEG with six regions (five panels and a seam): `inspect_photo` against the plain
OpenCV decode of the same file, the textbook chain (scikit-image Lab, CIEDE2000, label) against
`inspect_photo`, peak memory, and `fullhide --help` against `python -c "import cv2"`. A pair: the
same photo where it cannot decide (a colour beneath that looks like shadow) with a second one under
`also`, the lamp moved. A match: what a reference beside the panels, one in a photo of its own, and
a typed one add to the same photo, over the decode.
"""

from __future__ import annotations

import pickle
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

RUNS = 7


def best(call: Callable[[], Any], runs: int = RUNS) -> float:
    """Median seconds of a call, after one to warm up."""
    call()
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def photo_and_job(folder: Path) -> tuple[Any, Any]:
    """A 12-megapixel phantom with six regions."""
    from fullhide.job import ChartSettings, Colour, Job, PhotoEntry, RegionOutline
    from fullhide.phantom import Scene, Seam, Spot, render, save_photo

    scene = Scene(
        size_px=(4000, 3000),
        mm_per_px=0.1,
        seams=(Seam((-10.0, 150.0), (300.0, 160.0)),),
        spots=(Spot("old green", (100.0, 60.0), 8.0), Spot("old green", (200.0, 220.0), 3.0)),
    )
    rendering = render(scene)
    save_photo(rendering, folder / "photo.jpg", quality=92)
    moved = scene.lamp_moved(90.0, shift_px=(12.0, -7.0))
    save_photo(render(moved), folder / "moved.jpg", quality=92)
    corners = np.array(rendering.truth.region_px)
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    middle, seam_top, seam_bottom = (left + right) / 2, 1330.0, 1670.0
    boxes = [
        (left, top, middle, top + 570),
        (middle, top, right, top + 570),
        (left, top + 570, right, seam_top),
        (left, seam_bottom, middle, bottom),
        (middle, seam_bottom, right, bottom),
    ]
    outlines = [
        RegionOutline(
            photo="photo.jpg",
            name=f"panel {n}",
            kind="panel",
            polygon=np.array([(a, b), (c, b), (c, d), (a, d)], float),
        )
        for n, (a, b, c, d) in enumerate(boxes, 1)
    ]
    x = np.array([left, right])
    # The seam's line in mm, its band 90 px wide.
    y = (150.0 + (x * 0.1 + 10.0) * 10.0 / 310.0) * 10.0
    seam = np.array([(x[0], y[0] - 45), (x[1], y[1] - 45), (x[1], y[1] + 45), (x[0], y[0] + 45)])
    outlines.append(RegionOutline(photo="photo.jpg", name="seam", kind="seam", polygon=seam))
    entry = PhotoEntry(file="photo.jpg")
    job = Job(
        name="speed",
        folder=folder,
        under=tuple(Colour(name, lab) for name, lab in scene.under),
        finish=Colour("finish", scene.finish),
        chart=ChartSettings(width_mm=100.0),
        photos=(entry,),
        outlines=tuple(outlines),
        outlined=frozenset({"photo.jpg"}),
    )
    return job, entry


def pair_of(job: Any, entry: Any) -> tuple[Any, Any]:
    """The same job where one photo cannot decide, with the second photo named."""
    from fullhide.job import Colour

    entry = replace(entry, also=("moved.jpg",))
    # The finish in three quarters of the light: what lies in a crease looks the same.
    under = (Colour("its own shadow", (40.6, 19.1, 25.5)),)
    return replace(job, under=under, photos=(entry,)), entry


def matches_of(job: Any, entry: Any) -> dict[str, tuple[Any, Any]]:
    """The same photo without its last panel, and with it as a reference of every kind."""
    from fullhide.job import PhotoEntry, TypedReference

    rest, last = (
        [o for o in job.outlines if (o.name == "panel 5") == wanted] for wanted in (False, True)
    )
    old = replace(last[0], kind="reference")
    without = replace(job, outlines=tuple(rest))
    own = replace(old, photo="moved.jpg")
    typed = TypedReference(name="typed", lab=job.finish.lab)
    jobs = {
        "without": without,
        "beside": replace(job, outlines=(*rest, old)),
        "in its own photo": replace(
            without,
            photos=(entry, PhotoEntry(file="moved.jpg")),
            outlines=(*rest, own),
            outlined=frozenset({"photo.jpg", "moved.jpg"}),
        ),
        "typed": replace(without, references=(typed,)),
    }
    jobs["beside, with sheen"] = replace(jobs["beside"], limits=replace(job.limits, sheen=1.7))
    return {name: (one, entry) for name, one in jobs.items()}


def added(cases: dict[str, tuple[Any, Any]]) -> dict[str, float]:
    """Seconds that each case takes more than the one without, the runs by turns."""
    from fullhide import elsewhere
    from fullhide.engine import inspect_photo

    taken: dict[str, list[float]] = {}
    for _ in range(RUNS + 1):
        for name, case in cases.items():
            for turn in ("", ", again")[: 1 + (name == "in its own photo")]:
                if not turn:
                    elsewhere._KEPT.clear()
                start = time.perf_counter()
                found = inspect_photo(*case).result
                taken.setdefault(name + turn, []).append(time.perf_counter() - start)
                matched = any("match_delta_e" in region.measures for region in found.regions)
                assert matched == (name != "without"), name
    middle = {name: statistics.median(times[1:]) for name, times in taken.items()}
    return {name: value - middle["without"] for name, value in middle.items() if name != "without"}


def textbook(path: Path) -> int:
    """Lab, difference from the surface around, threshold, label: the chain out of the books."""
    from skimage.color import deltaE_ciede2000, rgb2lab
    from skimage.measure import label

    lab = rgb2lab(cv2.imread(str(path))[..., ::-1])
    around = cv2.blur(lab, (201, 201))
    return int(label(deltaE_ciede2000(lab, around) > 6).max())


def fresh(script: str, *arguments: Path) -> list[float]:
    """Numbers that a script prints in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parent,
    )
    return [float(word) for word in done.stdout.split()]


def main() -> None:
    """Measure and print."""
    from fullhide.engine import inspect_photo

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        job, entry = photo_and_job(folder)
        path = folder / "photo.jpg"
        data = np.frombuffer(path.read_bytes(), np.uint8)
        # In a process of its own, as somebody would run it on a photo: what its hundreds of
        # megabytes of arrays cost when the system must first find the memory is a part of it.
        first, again = fresh(
            "import sys,time,skimage.color,skimage.measure;from pathlib import Path;"
            "from bench_speed import textbook;t=time.perf_counter;p=Path(sys.argv[1]);"
            "a=t();textbook(p);b=t();textbook(p);c=t();print(b-a,c-b)",
            path,
        )
        decode = best(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR))
        ours = best(lambda: inspect_photo(job, entry))
        both = pair_of(job, entry)
        alone = inspect_photo(both[0], replace(both[1], also=())).result
        asked = sum(region.verdict == "retake" for region in alone.regions)
        pair = best(lambda: inspect_photo(*both))
        more = added(matches_of(job, entry))
        (folder / "job.pickle").write_bytes(pickle.dumps((job, entry)))
        once, peak = fresh(
            "import pickle,sys,time;from fullhide.engine import inspect_photo;"
            "job,entry=pickle.load(open(sys.argv[1],'rb'));a=time.perf_counter();"
            "inspect_photo(job,entry);print(time.perf_counter()-a);"
            "print([l.split()[1] for l in open('/proc/self/status') if l.startswith('VmHWM')][0])",
            folder / "job.pickle",
        )
    bare = [sys.executable, "-c", "import cv2"]
    shown = [sys.executable, "-m", "fullhide", "--help"]
    cv2_time = best(lambda: subprocess.run(bare, check=True, capture_output=True))
    help_time = best(lambda: subprocess.run(shown, check=True, capture_output=True))
    print(f"{'what':46}{'here':>12}{'goal':>10}")
    print(f"{'plain OpenCV decode, s':46}{decode:12.3f}")
    print(f"{'inspect_photo, six regions, s':46}{ours:12.3f}")
    print(f"{'inspect_photo over decode':46}{ours / decode:12.1f}{'<= 8':>10}")
    told = f"a pair over decode, {asked} regions asking"
    print(f"{told:46}{pair / decode:12.1f}{'<= 25':>10}")
    for name, seconds in more.items():
        told = f"a reference {name}: adds, over decode"
        print(f"{told:46}{seconds / decode:12.1f}{'<= 2':>10}")
    print(f"{'textbook chain, first run of a process, s':46}{first:12.3f}")
    print(f"{'textbook chain, second run, s':46}{again:12.3f}")
    print(f"{'inspect_photo, first run of a process, s':46}{once:12.3f}")
    print(f"{'textbook, first run, over inspect_photo':46}{first / ours:12.1f}{'>= 20':>10}")
    print(f"{'textbook, second run, over inspect_photo':46}{again / ours:12.1f}{'>= 20':>10}")
    print(f"{'peak memory of one inspection, MB':46}{peak / 1024:12.0f}{'< 1200':>10}")
    print(f"{'fullhide --help over import cv2':46}{help_time / cv2_time:12.2f}{'<= 1.5':>10}")
    print(f"({cv2.getNumberOfCPUs()} CPUs)")


if __name__ == "__main__":
    main()
