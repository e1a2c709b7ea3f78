"""How long `fullhide report` takes and what its pages weigh, on a job of paper.

    python tests/bench/bench_report.py [PHOTOS] [INSPECTIONS]

500 photos of 12 megapixels and 5,000 inspections if not said otherwise: five photos a part, one of
them from before the work; a panel and a seam in each, every third with four spots. Printed beside
it: the plain OpenCV decode of the same photos in the same run, one after another on one core.
Processor time counts both cores; it is what can be compared while something else runs as well.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from report_job import Shot, finding, inspected, make_job, region

from fullhide import _record_store
from fullhide._record_codec import dumped
from fullhide.job import Job
from fullhide.record import Record

A_PART = 5
SIZE = (4000, 3000)
SEAT = ((300.0, 300.0), (2500.0, 300.0), (2500.0, 2000.0), (300.0, 2000.0))
SEAM = ((300.0, 2150.0), (3200.0, 2150.0), (3200.0, 2350.0), (300.0, 2350.0))


#: The command, and what memory it took (the system's own count for a child has its parent's in it).
REPORT = """
import sys
from fullhide.cli import main
try:
    main()
finally:
    told = open("/proc/self/status").read()
    print(next(line for line in told.splitlines() if line.startswith("VmHWM")), file=sys.stderr)
"""


def shots(photos: int) -> tuple[Shot, ...]:
    """What an engine would have found."""
    told = []
    for n in range(photos):
        part, before = f"part {n // A_PART}", n % A_PART == 0
        fails = not before and n % 3 == 0
        spots = [
            finding(i, 2.0 + i, (500.0 + 400.0 * i, 600.0 + 200.0 * i)) for i in range(1, 4 * fails)
        ]
        gap = finding(9, 12.0, (900.0, 2250.0), along_seam_mm=(120.0, 150.0))
        # Every photo shows a region of its own; that of before shows the part's first.
        name = f"seat {max(n % A_PART, 1)}"
        verdict = None if before else "fail" if fails else "pass"
        seam = region(f"seam of {name}", verdict, *([gap] if fails else []), kind="seam", part=part)
        seat = region(name, verdict, *spots, part=part)
        stage = "before" if before else "final"
        told.append(Shot(f"photos/{n:03d}.jpg", (seat, seam), part=part, stage=stage))
    return tuple(told)


def photo(folder: Path) -> Callable[[int], bytes]:
    """Phone's photos, each of its own, in the weight that phones give them."""
    from fullhide.phantom import Scene, render, save_photo

    path = folder / "photo.png"
    save_photo(render(Scene(size_px=SIZE, mm_per_px=0.1)), path)
    pixels = cv2.imread(str(path))

    def encoded(number: int) -> bytes:
        rolled = np.roll(pixels, 7 * number, axis=1)
        return cv2.imencode(".jpg", rolled, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()

    return encoded


def make(folder: Path, photos: int, inspections: int) -> Job:
    """The job with its record."""
    every = shots(photos)
    job = make_job(
        folder / "job",
        every,
        "name = 'bench'\n",
        rings={"panel": SEAT, "seam": SEAM},
        photo=photo(folder),
    )
    first = {shot.file: inspected(job, shot, SIZE, {"panel": SEAT, "seam": SEAM}) for shot in every}
    for found, outlines in first.values():
        Record(job.folder).add(job, found, outlines=outlines, by="bench")
    bodies = [event.body for event in Record(job.folder).events()]
    with _record_store.writing(Record(job.folder).path) as connection:
        for n in range(len(bodies), inspections):
            body = dumped({**_read(bodies[n % len(bodies)]), "run": str(n // photos)})
            _record_store.append(connection, kind="inspection", by="bench", body=body)
    return job


def _read(body: str) -> dict[str, object]:
    import json

    return dict(json.loads(body))


def decode(job: Job) -> tuple[float, float]:
    """Seconds that the plain decode of every photo takes, and of the processor's time."""
    files = [str(job.path(entry.file)) for entry in job.photos]
    cv2.setNumThreads(1)
    cv2.imread(files[0])
    start, used = time.perf_counter(), time.process_time()
    for file in files:
        cv2.imread(file)
    return time.perf_counter() - start, time.process_time() - used


def main(photos: int, inspections: int) -> None:
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        job = make(Path(name), photos, inspections)
        plain, plain_used = decode(job)
        command = [sys.executable, "-c", REPORT, "report", str(job.folder)]
        start = time.perf_counter()
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        taken = time.perf_counter() - start
        if done.returncode:
            sys.exit(done.stderr)
        usage = resource.getrusage(resource.RUSAGE_CHILDREN)
        used = usage.ru_utime + usage.ru_stime
        files = [Path(line) for line in done.stdout.splitlines()]
        weights = {file.name: file.stat().st_size / 1e6 for file in files}
        print(f"{photos} photos of 12 megapixels, {inspections} inspections")
        print(f"fullhide report      {taken:6.1f} s (goal 20), processor {used:.1f} s")
        print(f"decode of every one  {plain:6.1f} s, processor {plain_used:.1f} s")
        print(f"report over decode   {taken / plain:6.2f}, processor {used / plain_used:.2f}")
        told = ", ".join(f"{name} {weight:.1f}" for name, weight in weights.items())
        print(f"memory at most       {int(done.stderr.split()[-2]) / 1e3:6.0f} MB")
        print(f"pages                {sum(weights.values()):6.1f} MB (goal 40): {told}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]] + [500, 5000][len(sys.argv) - 1 :]
    main(*numbers)
