"""How long `fullhide status` takes after start-up, on a job of paper.

    python tests/bench/bench_status.py [PHOTOS] [INSPECTIONS]

500 photos and 5,000 inspections if not said otherwise: 20 photos a part, as many rounds of ten
regions as that gives, each outlined with 24 corners. Printed beside it: what a plain read of the
same events takes with SQLite and `json`, and start-up, on the same machine in the same run.
"""

from __future__ import annotations

import json
import math
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from kept_job import judged, outline, photo, spot, write_job

from fullhide import _record_store
from fullhide._record_codec import dumped
from fullhide.job import Job, load_job
from fullhide.record import Record

A_PART = 20
ROUNDS = 4


def ring(number: int) -> list[tuple[float, float]]:
    """A region's outline of 24 corners."""
    turns = [2.0 * math.pi * k / 24 for k in range(24)]
    return [(200 + 90 * math.cos(t), 100 + 60 * number + 25 * math.sin(t)) for t in turns]


def make(folder: Path, photos: int, inspections: int) -> Job:
    names = [f"p{n:03d}.jpg" for n in range(photos)]
    regions = {name: [f"region {n % 5} {k}" for k in range(3)] for n, name in enumerate(names)}
    tables, parts = [], []
    for n, name in enumerate(names):
        hour = 8 + n % A_PART // 5
        table = photo(name, part=f"part {n // A_PART}")
        tables.append(f"{table}shot = 2026-03-14T{hour:02d}:{n % 5:02d}:00\n")
    for p in range(math.ceil(photos / A_PART)):
        own = {one for name in names[p * A_PART : (p + 1) * A_PART] for one in regions[name]}
        parts.append(f'[[part]]\nname = "part {p}"\nregions = {json.dumps(sorted(own))}\n')
    outlines = [
        outline(name, one, ring(k)) for name in names for k, one in enumerate(regions[name])
    ]
    job = write_job(folder, *tables, parts="".join(parts), outlines=outlines)
    fill(job, names, regions, inspections)
    return load_job(folder)


def fill(job: Job, names: list[str], regions: dict[str, list[str]], inspections: int) -> None:
    """Add the inspections: the first as always, the others in one transaction for its speed."""
    from kept_job import keep

    bodies = []
    for n, name in enumerate(names):
        found = [
            judged(
                "fail" if (n + k) % 3 == 0 else "pass",
                *(
                    spot(i, 4.0, (150.0 + 9 * i, 100.0 + 60 * k))
                    for i in range(1, 5 if (n + k) % 3 == 0 else 1)
                ),
                name=one,
                part=f"part {n // A_PART}",
                reasons=("old green shows through at 4 places, the largest 4.0 mm²: touch up",),
            )
            for k, one in enumerate(regions[name])
        ]
        keep(job, name, *found)
    bodies = [event.body for event in Record(job.folder).events()]
    with _record_store.writing(Record(job.folder).path) as connection:
        for n in range(len(bodies), inspections):
            body = dumped({**json.loads(bodies[n % len(bodies)]), "run": str(n // len(names))})
            _record_store.append(connection, kind="inspection", by="bench", body=body)


def best(what: Callable[[], Any], times: int = 5) -> float:
    """Shortest of some runs, seconds."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        what()
        found.append(time.perf_counter() - start)
    return min(found)


def plain(path: Path) -> None:
    """The least that any program has to do: read the newest of each photo and parse it."""
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute(
            "SELECT body FROM event WHERE number IN "
            "(SELECT max(number) FROM event GROUP BY file, sha256)"
        ).fetchall()
    for (body,) in rows:
        json.loads(body)


STATUS = """
import sys, time
from pathlib import Path
import fullhide._standing_json, fullhide.console_record, fullhide.inspection, fullhide.standing
import fullhide.job_file, shapely
from fullhide.cli_record import status
wall, cpu = time.perf_counter(), time.process_time()
status(Path(sys.argv[1]))
print(time.perf_counter() - wall, time.process_time() - cpu, file=sys.stderr)
"""


def main(photos: int, inspections: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder, photos, inspections)
        record = Record(folder)
        command = [sys.executable, "-c", STATUS, name]
        done = [
            subprocess.run(command, capture_output=True, text=True, check=True) for _ in range(7)
        ]
        took = [[float(word) for word in run.stderr.split()] for run in done]
        least = best(lambda: plain(record.path))
        wall, cpu = min(t[0] for t in took), min(t[1] for t in took)
        megabytes = record.path.stat().st_size / 1e6
        print(f"{photos} photos, {inspections} inspections, {megabytes:.0f} MB")
        print(f"status after start-up      {wall:.3f} s, {cpu:.3f} s of the processor (goal 0.3)")
        print(f"  over SQLite and json     {wall / least:.1f} x (these alone: {least:.3f} s)")
        print(f"  load_job                 {best(lambda: load_job(folder)):.3f} s")
        print(f"  Record.read              {best(record.read):.3f} s")
        print(done[0].stdout.splitlines()[-2])


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]] + [500, 5000][len(sys.argv) - 1 :]
    main(*numbers)
