"""How long the viewer's window stands still while photos are inspected.

Run it on a screen or under xvfb-run: `xvfb-run -a python tests/bench/bench_freeze.py`. A timer of
20 ms looks how long the event loop did not come to it; the longest gap is what a person feels. On a
machine that is busy otherwise the second line tells more: what the window itself had to do.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]


def job_of(folder: Path, *, megapixels: float) -> Path:
    """The example job with its photos and outlines enlarged."""
    import json

    shutil.copytree(ROOT / "sample_images" / "kestrel", folder)
    factor = 1.0
    for path in (folder / "photos").glob("*.jpg"):
        photo = cv2.imread(str(path))
        assert photo is not None
        factor = float(np.sqrt(1e6 * megapixels / (photo.shape[0] * photo.shape[1])))
        if factor > 1.01:
            photo = cv2.resize(photo, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
            cv2.imwrite(str(path), photo, [cv2.IMWRITE_JPEG_QUALITY, 92])
    outlines = folder / "regions.geojson"
    document = json.loads(outlines.read_text())
    for feature in document["features"]:
        rings = feature["geometry"]["coordinates"]
        feature["geometry"]["coordinates"] = [
            [[factor * value for value in point] for point in ring] for ring in rings
        ]
    outlines.write_text(json.dumps(document))
    return folder


def main() -> None:
    """Print the longest gaps."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=12.0)
    asked = parser.parse_args()

    from napari_fullhide.start import clear_foreign_qt

    clear_foreign_qt()
    import napari
    from qtpy.QtCore import QEventLoop, QTimer

    from napari_fullhide.inspecting import Inspector
    from napari_fullhide.window import dress

    viewer = napari.Viewer(show=True)
    bench = dress(viewer)
    inspector = bench.part(Inspector)

    def wait(fact: Callable[[], bool]) -> None:
        loop, timer = QEventLoop(), QTimer()
        timer.setInterval(50)
        timer.timeout.connect(lambda: loop.quit() if fact() else None)
        timer.start()
        loop.exec()

    def measured(what: str, begin: Callable[[], object], fact: Callable[[], bool]) -> None:
        gaps: list[float] = []
        own: list[float] = []
        last = start = time.perf_counter()
        used = time.thread_time()

        def tick() -> None:
            nonlocal last, used
            now, use = time.perf_counter(), time.thread_time()
            gaps.append(1000 * (now - last))
            own.append(1000 * (use - used))
            last, used = now, use

        timer = QTimer()
        timer.setInterval(20)
        timer.timeout.connect(tick)
        timer.start()
        begin()
        wait(fact)
        timer.stop()
        longest = ", ".join(f"{gap:.0f}" for gap in sorted(gaps, reverse=True)[:5])
        over = sum(gap > 100 for gap in gaps)
        took = time.perf_counter() - start
        work = ", ".join(f"{spent:.0f}" for spent in sorted(own, reverse=True)[:3])
        print(f"{what}: {took:.1f} s; longest gaps {longest} ms, {over} over 100 ms")
        print(f"    the window's own work within a gap, processor time: {work} ms at most")

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        job = job_of(Path(place) / "job", megapixels=asked.megapixels)
        measured("opening the job", lambda: bench.open(job), lambda: bench.ready(0) is not None)
        wait(lambda: not bench.waiting)
        for what in ("one photo, first time", "one photo, again"):
            measured(what, inspector.photo, lambda: inspector.run is None)
        measured("all photos", inspector.everything, lambda: inspector.run is None)
    viewer.close()


if __name__ == "__main__":
    main()
