"""Time of what a person sees of a spot, for a crop of 200 x 200 pixels and for a usual spot.

python tests/bench/bench_visibility.py
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "inspect"))

from fullhide.colour import lab_to_xyz
from fullhide.visibility import (
    eye_filters,
    filtered_lab,
    samples_per_degree,
    visible_delta_e,
)


def milliseconds(call: Callable[[], Any], runs: int = 31) -> float:
    """Median of some calls, after one to warm up."""
    call()
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        taken.append(time.perf_counter() - start)
    return 1e3 * statistics.median(taken)


def main() -> None:
    finish, under = lab_to_xyz((46.0, 21.0, 28.0)), lab_to_xyz((38.0, -28.0, 9.0))
    rng = np.random.default_rng(1)
    for side, size in ((200, 60), (30, 6)):
        share = np.zeros((side, side), np.float32)
        low = (side - size) // 2
        share[low : low + size, low : low + size] = rng.uniform(0.5, 1.0, (size, size))
        for mm_per_px in (0.3, 0.1):

            def call(share: Any = share, mm_per_px: float = mm_per_px) -> float:
                return visible_delta_e(share, finish, under, mm_per_px=mm_per_px)

            rate = samples_per_degree(mm_per_px)
            print(
                f"visible_delta_e  {side:3d} x {side:3d} px at {mm_per_px} mm "
                f"({rate:3.0f} samples/deg): {milliseconds(call):6.2f} ms"
            )
    image = rng.uniform(0, 1, (200, 200, 3)).astype(np.float32)
    filters = eye_filters(samples_per_degree(0.3))
    taken = milliseconds(lambda: filtered_lab(image, filters=filters))
    print(f"filtered_lab     200 x 200 px at 0.3 mm ( 29 samples/deg): {taken:6.2f} ms")


if __name__ == "__main__":
    main()
