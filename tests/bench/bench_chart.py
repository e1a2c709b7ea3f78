"""Chart finding on random painted placements: how many are found, how many wrong, how exact.

Run by hand:  python tests/bench/bench_chart.py [N] [WIDTH]
Truth is our own painter's (tests/chart_painter.py). A placement is wrong when a reading is
accepted whose patch centres lie more than a quarter of a pitch from the truth, or mirrored.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "inspect")]

from chart_painter import (  # noqa: E402
    Layout,
    Painted,
    Placement,
    background,
    encode,
    paint,
    pose,
    srgb_of,
    warp_points,
)

from fullhide.chart import ChartReading, chart_spec, find_chart  # noqa: E402

SPEC = chart_spec(width_mm=205.0)
# Rows in reverse order are a mirrored chart, and said to be one.
DOUBTS = {"chart_covered", "chart_doubtful", "chart_mirrored"}
TO_SRGB = np.linalg.inv(
    np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
)  # ITU-R BT.2087-0


def random_case(rng: np.random.Generator, size: tuple[int, int]) -> tuple[Placement, Layout]:
    """A chart wholly inside the picture."""
    while True:
        layout = Layout(
            gap=rng.uniform(0.07, 0.25),
            side=rng.uniform(0.12, 0.6),
            top=rng.uniform(0.12, 0.8),
            bottom=rng.uniform(0.12, 0.8),
            board=rng.uniform(0.02, 0.05),
            marks=bool(rng.integers(2)),
        )
        placement = Placement(
            width_share=float(np.exp(rng.uniform(np.log(0.04), np.log(0.6)))),
            turn=rng.uniform(0, 360),
            tilt=rng.uniform(0, 50),
            tilt_axis=rng.uniform(0, 180),
            centre=(rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.9)),
        )
        bw, bh = layout.size
        corners = warp_points(
            pose(placement, layout, size), np.array([[0, 0], [bw, 0], [bw, bh], [0, bh]])
        )
        if (corners > 4).all() and (corners < np.array(size) - 4).all():
            return placement, layout


def phone_jpeg(picture: np.ndarray) -> np.ndarray:
    """Sharpened and squeezed as phones do."""
    soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
    sharp = cv2.addWeighted(picture, 1.8, soft, -0.8, 0)
    _, data = cv2.imencode(".jpg", sharp[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 80])
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


def compare(
    photo: Painted, reading: ChartReading, recorded: np.ndarray
) -> tuple[bool, float, float]:
    """Whether the reading is wrong, its corner error in px, its patch error in codes of 255."""
    pitch = photo.width_px / photo.layout.size[0]
    centre = float(np.abs(reading.centres_px - photo.centres).max())
    seen, true = (_codes(values @ TO_SRGB.T) for values in (reading.patches, recorded))
    corner = float(np.abs(reading.corners_px - photo.corners).max())
    wrong = centre > 0.25 * pitch or "chart_mirrored" in reading.flags
    return wrong, corner / pitch, float(np.abs(seen - true).max())


def _codes(linear: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1 codes of 255, not rounded."""
    x = np.clip(linear, 0, 1)
    return 255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def main() -> None:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 2000
    size = (width, width * 3 // 4)
    rng = np.random.default_rng(20)
    tally: dict[str, list[int]] = {}
    corner, codes, jpeg, coded, seconds, misses = [], [], [], [], [], []
    srgb_of(SPEC.lab)
    for n in range(number):
        placement, layout = random_case(rng, size)
        scene = ("leather", "cream", "black", "grey", "tiles", "quilt")[n % 6]
        photo = paint(
            SPEC.lab,
            placement,
            size=size,
            layout=layout,
            scene=scene,
            seed=n,
            exposure=float(rng.uniform(0.2, 0.9)),
            falloff=float(rng.uniform(0, 0.2)),
        )
        recorded = photo.recorded()
        if n % 3 == 2:
            photo.encoded = phone_jpeg(photo.encoded)
        start = time.perf_counter()
        reading = find_chart(photo, spec=SPEC)
        seconds.append(time.perf_counter() - start)
        small = photo.width_px * np.cos(np.radians(placement.tilt))
        kind = ">= 250 px" if small >= 250 else "90 to 250 px" if small >= 90 else "< 90 px"
        kind += ", tilt <= 40" if placement.tilt <= 40 else ", tilt > 40"
        row = tally.setdefault(kind, [0, 0, 0, 0])
        row[0] += 1
        if not reading.found:
            misses.append((n, kind, scene, placement, layout))
            continue
        wrong, c, v = compare(photo, reading, recorded)
        row[1] += 1
        row[2] += wrong
        row[3] += bool({"chart_covered", "chart_glare", "chart_doubtful"} & set(reading.flags))
        if wrong:
            print("WRONG", n, scene, placement, layout, reading.flags)
        elif small >= 250:
            if "scale_doubtful" not in reading.flags:
                corner.append(c)
            (jpeg if n % 3 == 2 else codes).append(v)
            if n % 3 == 2:
                coded.append(compare(photo, reading, photo.recorded())[2])
    print(f"{number} placements of {size[0]} x {size[1]} px")
    for kind in sorted(tally):
        total, found, wrong, doubt = tally[kind]
        print(
            f"  {kind:26s} {found:4d} of {total:4d} found, {wrong} wrong, {doubt} flagged in vain"
        )
    for name, values in (
        ("corner error, pitches", corner),
        ("patch error, codes of 255", codes),
        ("after sharpening and JPEG, against what was there before", jpeg),
        ("after sharpening and JPEG, against the file's own pixels", coded),
    ):
        if values:
            print(f"  {name}: median {np.median(values):.3f}, 99 % {np.percentile(values, 99):.3f}")
    print(f"  seconds: median {np.median(seconds):.3f}, largest {max(seconds):.3f}")
    for miss in misses[:12]:
        print("  missed", *miss)
    decoys(max(number // 3, 10), size, rng)


def decoys(number: int, size: tuple[int, int], rng: np.random.Generator) -> None:
    """Boards like the chart that are not it: none may be read without a doubt."""
    tally: dict[str, list[int]] = {}
    seconds = []
    for n in range(number):
        kind = ("shuffled", "random", "grey", "rows turned", "tiles", "keyboard", "quilt")[n % 7]
        placement, layout = random_case(rng, size)
        lab = SPEC.lab
        if kind == "shuffled":
            lab = rng.permutation(lab)
        elif kind == "random":
            lab = np.column_stack([rng.uniform(20, 95, 24), rng.uniform(-50, 50, (24, 2))])
        elif kind == "grey":
            lab = np.column_stack([rng.uniform(20, 95, 24), np.zeros((24, 2))])
        elif kind == "rows turned":
            lab = lab.reshape(4, 6, 3)[rng.permutation(4)].reshape(24, 3)
            if np.array_equal(lab, SPEC.lab):
                continue
        if kind in ("tiles", "keyboard", "quilt"):
            scene = "bright tiles" if n % 2 else kind
            linear = background(scene, size, rng) * np.float32(rng.uniform(0.3, 0.9))
            nowhere = np.zeros((4, 2))
            photo = Painted(encode(linear), nowhere, nowhere, nowhere, 0.0, layout)
        else:
            photo = paint(lab, placement, size=size, layout=layout, seed=n)
        start = time.perf_counter()
        reading = find_chart(photo, spec=SPEC)
        seconds.append(time.perf_counter() - start)
        row = tally.setdefault(kind, [0, 0, 0])
        row[0] += 1
        row[1] += reading.found
        row[2] += reading.found and not (DOUBTS & set(reading.flags))
    print("Decoys")
    for kind, (total, found, silent) in tally.items():
        print(f"  {kind:12s} {total:3d}: {found} read, {silent} without a doubt")
    print(f"  seconds: median {np.median(seconds):.3f}, largest {max(seconds):.3f}")


if __name__ == "__main__":
    main()
