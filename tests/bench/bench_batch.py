"""Throughput of many photos: two processes on two cores over one process on one core.

    python tests/bench/bench_batch.py               # 40 photos of 12 megapixels
    python tests/bench/bench_batch.py --photos 8    # a quick look

The same `fullhide inspect --workers N` without pictures or record, its start and the loading of
the engine included; the single process is held to one core. Both must give the same result.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench_speed import photo_and_job

COMMAND = "import sys; from fullhide.cli import main; main(sys.argv[1:])"
UNDER = ("--under", "old green=38,-28,9", "--chart-width-mm", "100")


def photos_in(folder: Path, count: int) -> list[Path]:
    """One rendering under many names: how long a photo takes does not hang on which it is."""
    photo_and_job(folder)
    data = (folder / "photo.jpg").read_bytes()
    made = []
    for number in range(count):
        path = folder / f"p{number:02}.jpg"
        comment = b"\xff\xfe\x00\x04" + number.to_bytes(2, "big")
        path.write_bytes(data[:2] + comment + data[2:])
        made.append(path)
    return made


def inspected(photos: list[Path], cores: list[int], out: Path) -> float:
    """Seconds of the command with one process a core."""
    command = [sys.executable, "-c", COMMAND, "inspect", *map(str, photos), *UNDER]
    command += ["--no-record", "--json", str(out), "--workers", str(len(cores))]
    start = time.perf_counter()
    done = subprocess.run(
        command,
        check=False,
        capture_output=True,
        preexec_fn=lambda: os.sched_setaffinity(0, cores),
    )
    taken = time.perf_counter() - start
    assert done.returncode in (0, 1, 3), done.stderr.decode()
    return taken


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--photos", type=int, default=40)
    wanted = parser.parse_args()
    cores = sorted(os.sched_getaffinity(0))[:2]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photos = photos_in(folder, wanted.photos)
        one = inspected(photos, cores[:1], folder / "one.json")
        two = inspected(photos, cores, folder / "two.json")
        same = json.loads((folder / "one.json").read_text()) == json.loads(
            (folder / "two.json").read_text()
        )
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{wanted.photos} photos of 12 megapixels")
    print(f"one process on one core     {one:7.1f} s   {one / wanted.photos:.2f} s a photo")
    print(f"two processes on two cores  {two:7.1f} s   {two / wanted.photos:.2f} s a photo")
    print(f"throughput over one core    {one / two:7.2f}     (goal 1.7)")
    print(f"largest process             {peak:7.0f} MB")
    print(f"same result                 {same!s:>7}")


if __name__ == "__main__":
    main()
