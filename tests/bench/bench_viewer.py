"""The viewer with 24-megapixel photos of 30 regions: start, switching, hover, memory.

    python tests/bench/bench_viewer.py [--inspect]

Needs a screen; without one: `xvfb-run -a -s "-screen 0 1400x900x24" python tests/bench/…`. The
photos are the example job's, enlarged, with noise of their own. `--inspect` has every region judged
first, as the engine judges them (a minute or two), so that outlines and findings are drawn too.

Start: from the start of a process to the first picture drawn, over napari's own from the start of a
process to its empty window drawn; both three times, in turn, the median. Switching: to a photo that
lies ready, as the next one does, and to one that has to be opened; the seconds that the window's
own thread works tell more than those of the clock where other programs run.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

SIZE = (6000, 4000)
PHOTOS = 5
REGIONS = (6, 5)
GOALS = {"start": 3.0, "switch": 0.7, "hover": 0.05, "memory": 1500.0}


def job_folder(folder: Path) -> Path:
    """Five photos of 24 megapixels with 30 regions each."""
    from fullhide.demo import sample_folder

    source = sample_folder() / "kestrel"
    text = (source / "job.toml").read_text()
    head = text.split("[[photo]]")[0].replace("grey_board", "# grey_board")
    small = cv2.imread(str(source / "photos/bench_right.jpg"))
    assert small is not None
    large = cv2.resize(small, SIZE, interpolation=cv2.INTER_CUBIC)
    (folder / "photos").mkdir(parents=True)
    features = []
    scale = np.array(SIZE) / small.shape[1::-1]
    (x0, y0), (x1, y1) = np.array((110, 120)) * scale, np.array((1150, 1150)) * scale
    for number in range(PHOTOS):
        file = f"photos/p{number}.jpg"
        noise = np.random.default_rng(number).normal(0, 2, large.shape[:2]).astype(np.float32)
        noisy = np.clip(large + noise[..., None], 0, 255).astype(np.uint8)
        cv2.imwrite(str(folder / file), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
        head += f'\n[[photo]]\nfile = "{file}"\npart = "part {number}"\n'
        columns, rows = REGIONS
        for place in range(columns * rows):
            i, j = place % columns, place // columns
            left, right = (
                x0 + (x1 - x0) * (i + 0.05) / columns,
                x0 + (x1 - x0) * (i + 0.95) / columns,
            )
            top, bottom = y0 + (y1 - y0) * (j + 0.05) / rows, y0 + (y1 - y0) * (j + 0.95) / rows
            t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
            ring = np.stack(
                [
                    (left + right + (right - left) * np.cos(t)) / 2,
                    (top + bottom + (bottom - top) * np.sin(t)) / 2,
                ],
                axis=1,
            ).tolist()
            features.append(
                {
                    "type": "Feature",
                    "properties": {"photo": file, "name": f"r {place + 1}", "kind": "panel"},
                    "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
                }
            )
    (folder / "job.toml").write_text(head)
    document = {"type": "FeatureCollection", "features": features}
    (folder / "regions.geojson").write_text(json.dumps(document))
    return folder


def drawn(viewer: Any) -> None:
    """Have everything drawn that is to be seen, now."""
    from qtpy.QtWidgets import QApplication

    QApplication.processEvents()
    canvas = viewer.window._qt_viewer.canvas._scene_canvas
    canvas.native.grabFramebuffer()


def until(fact: Callable[[], bool], seconds: float = 120.0) -> None:
    from qtpy.QtWidgets import QApplication

    end = time.perf_counter() + seconds
    while not fact():
        if time.perf_counter() > end:
            raise TimeoutError
        QApplication.processEvents()
        time.sleep(0.001)


def empty_napari() -> None:
    """A process of its own: napari's window and nothing in it."""
    import napari

    viewer = napari.Viewer()
    drawn(viewer)
    print(json.dumps({"at": time.time()}))
    viewer.close()


def first_picture(folder: Path) -> None:
    """A process of its own: the job's first photo in our window."""
    viewer, bench = window(folder)
    until(lambda: bench.picture(0) is not None)
    drawn(viewer)
    print(json.dumps({"at": time.time()}))
    until(lambda: not bench.waiting)
    viewer.close()


def window(folder: Path) -> tuple[Any, Any]:
    from napari_fullhide.start import clear_foreign_qt

    clear_foreign_qt()
    import napari

    from napari_fullhide.window import dress

    viewer = napari.Viewer(show=False, show_welcome_screen=False)
    bench = dress(viewer)
    viewer.window._qt_window.resize(1366, 768)
    viewer.window._qt_window.show()
    bench.open(folder)
    return viewer, bench


def look_round(folder: Path, inspect: bool) -> None:
    """A process of its own: switching, hovering, maps; what it took."""
    cv2.setNumThreads(1)
    viewer, bench = window(folder)
    until(lambda: bench.ready(0) is not None and not bench.waiting)
    if inspect:
        from fullhide.engine import inspect_photo

        for index, photo in enumerate(bench.model.photos):
            bench.model.put(index, inspect_photo(bench.model.job, photo.entry))
    drawn(viewer)
    ready, cold = [], []
    for index in range(1, PHOTOS):
        ready.append(switched(viewer, bench, index))
        until(lambda: not bench.waiting)
    for index in (0, 1, 2):
        for kept in (bench._pictures, bench._photos):
            kept.pop(index, None)
        cold.append(switched(viewer, bench, index))
        until(lambda: not bench.waiting)
    hover = []
    random = np.random.default_rng(1)
    for x, y in random.uniform((300, 300), (5500, 3600), (300, 2)):
        start = time.perf_counter()
        viewer.cursor.position = (float(y), float(x))
        hover.append(time.perf_counter() - start)
    assert bench.place is not None
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        json.dumps(
            {
                "ready": statistics.median(wall for wall, _ in ready),
                "ready_worked": statistics.median(worked for _, worked in ready),
                "cold": statistics.median(wall for wall, _ in cold),
                "cold_worked": statistics.median(worked for _, worked in cold),
                "hover": statistics.median(hover),
                "hover_worst": float(np.quantile(hover, 0.99)),
                "memory": before,
            }
        )
    )
    viewer.close()


def switched(viewer: Any, bench: Any, index: int) -> tuple[float, float]:
    """Seconds from the key to the other photo drawn, and of its own thread's work."""
    start, worked = time.perf_counter(), time.thread_time()
    bench.model.show(index)
    until(lambda: bench.layers.photo.metadata["file"].endswith(f"p{index}.jpg"))
    drawn(viewer)
    return time.perf_counter() - start, time.thread_time() - worked


def run(*arguments: str) -> tuple[float, dict[str, float]]:
    """This file in a process of its own: when it began, and what it printed."""
    start = time.time()
    done = subprocess.run(
        [sys.executable, __file__, *arguments], capture_output=True, text=True, check=False
    )
    if done.returncode:
        sys.exit(done.stderr)
    return start, json.loads(done.stdout.splitlines()[-1])


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--inspect", action="store_true")
    parser.add_argument("--part", choices=("empty", "first", "round"))
    parser.add_argument("--job", type=Path)
    asked = parser.parse_args()
    if asked.part == "empty":
        empty_napari()
        return
    if asked.part == "first":
        first_picture(asked.job)
        return
    if asked.part == "round":
        look_round(asked.job, asked.inspect)
        return
    place = Path(tempfile.mkdtemp())
    try:
        job = str(job_folder(place / "job"))
        starts: dict[str, list[float]] = {"empty": [], "first": []}
        for _ in range(3):
            for part, taken in starts.items():
                begun, told = run("--part", part, "--job", job)
                taken.append(told["at"] - begun)
        more = ["--inspect"] if asked.inspect else []
        found = run("--part", "round", "--job", job, *more)[1]
    finally:
        shutil.rmtree(place)
    own, ours = statistics.median(starts["empty"]), statistics.median(starts["first"])
    print(f"start: napari {own:.2f} s, first picture {ours:.2f} s: {ours / own:.2f} x (goal 3)")
    print(
        f"switching: {found['ready']:.2f} s where it lies ready ({found['ready_worked']:.2f} s "
        f"of the window's thread), {found['cold']:.2f} s where it has to be opened "
        f"({found['cold_worked']:.2f} s; goal {GOALS['switch']})"
    )
    print(
        f"hover: {1000 * found['hover']:.1f} ms, 99 % within {1000 * found['hover_worst']:.1f} "
        f"(goal {1000 * GOALS['hover']:.0f})"
    )
    print(f"memory at its most: {found['memory']:.0f} MB (goal {GOALS['memory']:.0f})")


if __name__ == "__main__":
    main()
