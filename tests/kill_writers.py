"""Kill processes while they write a record, and look at what they leave. Run as a script.

python kill_writers.py FOLDER KILLS SEED: writes the job into FOLDER and prints one JSON line. Each
writer is killed outright (SIGKILL) at a random moment; every third begins without a record.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from kept_job import judged, photo, result, spot, write_job

from fullhide.record import Record

LONGEST_S = 0.06
EVENTS = 5  # that a writer gets through before the latest kill, however busy the machine is


def added(folder: Path) -> Iterator[int]:
    """Add inspections without end, giving the number of each that is finished; 0 at first."""
    job = write_job(folder, photo("seat.jpg"))
    found = result(job, "seat.jpg", judged("fail", *(spot(n, 4.0, (90, 90)) for n in range(1, 9))))
    record = Record(job.folder)
    yield 0
    while True:
        yield record.add(job, found, outlines=job.outlines, by="Robin").number


def longest_s(folder: Path) -> float:
    """How long a writer is let write at most, by what one takes here and now."""
    numbers = added(folder)
    next(numbers)
    began = time.monotonic()
    while next(numbers) < EVENTS:
        pass
    return max(LONGEST_S, time.monotonic() - began)


def write_on(folder: Path, told: int) -> None:
    """Add inspections until killed, telling of each that is finished."""
    for number in added(folder / "job"):
        os.write(told, f"{number}\n".encode())


def killed(folder: Path, after_s: float) -> int:
    """Number of the last event that a writer told of before it was killed."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        write_on(folder, writer)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        first = stream.readline()
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
        told = (first + stream.read()).split()
    os.waitpid(child, 0)
    return int(told[-1])


def main(folder: Path, kills: int, seed: int) -> dict[str, int]:
    chance = random.Random(seed)
    counts = {"kills": 0, "lost": 0, "half": 0, "unreadable": 0, "events": 0}
    longest = longest_s(folder / "timed")
    write_job(folder / "job", photo("seat.jpg"))
    record = Record(folder / "job")
    for number in range(kills):
        if number % 3 == 0:
            for path in (folder / "job").glob("inspections.sqlite*"):
                path.unlink()
        told = killed(folder, chance.uniform(0.0, longest))
        counts["kills"] += 1
        events = record.events()
        counts["lost"] += len(events) < told
        # What was finished but not told of yet may be there as well; nothing else.
        counts["unreadable"] += len(record.inspections()) != len(events)
        counts["half"] += any(len(json.loads(e.body)["photo"]["regions"]) != 1 for e in events)
        if record.path.exists():
            with closing(sqlite3.connect(record.path)) as connection:
                whole = connection.execute("PRAGMA integrity_check").fetchone()[0]
            counts["unreadable"] += whole != "ok"
        counts["events"] += len(events)
    return counts


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
