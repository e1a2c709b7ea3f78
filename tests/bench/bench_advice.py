"""`fullhide check` on rendered photos with one fault each, and on good ones.

    python tests/bench/bench_advice.py --seed 11 12 --count 20

Prints for each fault how often it was told, and told first, and what else was told besides; for
good photos how many were called good; and the time of a 12-megapixel photo over its decode. Each
photo is asked about twice: with the part's outline drawn, and without.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from photo_faults import FAULTS, advised, companions, shot

from fullhide.advice import advise
from fullhide.job import ChartSettings, loose_job
from fullhide.photo import open_photo


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seed", type=int, nargs="+", default=[11])
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--only", nargs="+", default=["", *FAULTS], help="these faults")
    parser.add_argument("--keep", type=Path, help="keep the photos that went wrong here")
    parser.add_argument("-v", action="store_true", help="tell of each one that went wrong")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    for seed in asked.seed:
        print(f"seed {seed}, {asked.count} photos a kind: told / told first / with other advice")
        for fault in asked.only:
            rows = [_row(fault, seed, number, asked) for number in range(asked.count)]
            print(f"  {fault or 'good':18}", "   ".join(map(_told, zip(*rows, strict=True))))
    _speed()


def _row(
    fault: str, seed: int, number: int, asked: argparse.Namespace
) -> list[tuple[bool, bool, bool]]:
    photo = shot(fault, seed, number)
    row = []
    for outlined in (True, False):
        with tempfile.TemporaryDirectory() as folder:
            names = [item.flag for item in advised(photo, Path(folder), outlined=outlined).advice]
        others = set(names) - {photo.fault} - companions(photo.fault)
        told = photo.fault in names if photo.fault else not names
        first = bool(names) and (names[0] == photo.fault or names[0] in companions(photo.fault))
        row.append((told, first, bool(others)))
        if not told or others:
            if asked.v:
                print(f"    {fault or 'good'} {number} outlined={outlined} ({photo.told}): {names}")
            if asked.keep:
                asked.keep.mkdir(parents=True, exist_ok=True)
                photo.save(asked.keep / f"{fault or 'good'}_{seed}_{number}.jpg")
    return row


def _told(column: tuple[tuple[bool, bool, bool], ...]) -> str:
    counts = [sum(values) for values in zip(*column, strict=True)]
    return f"{counts[0]:3}/{counts[1]:3}/{counts[2]:3}"


def _speed() -> None:
    """A good photo, enlarged to 12 megapixels."""
    photo = shot("", 1, 4)
    large = np.asarray(cv2.resize(photo.rgb, (4000, 3000), interpolation=cv2.INTER_CUBIC))
    with tempfile.TemporaryDirectory() as folder:
        path = replace(photo, rgb=large).save(Path(folder) / "large.jpg")
        chart = ChartSettings(width_mm=photo.chart_width_mm)
        job = loose_job([path], chart=chart)
        times = Counter[str]()
        for _ in range(3):
            start = time.perf_counter()
            open_photo(path)
            middle = time.perf_counter()
            advise(job, job.photos[0])
            times += Counter(open=middle - start, check=time.perf_counter() - middle)
    ratio = times["check"] / times["open"]
    print(f"12 megapixels: {times['check'] / 3:.2f} s a photo, {ratio:.1f} x its opening")


if __name__ == "__main__":
    main()
