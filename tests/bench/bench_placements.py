"""Charts and cards in hard places: noise, half a stop, shade, two charts, things like charts.

    python tests/bench/bench_placements.py 30 1600

Prints for each kind how many of N placements were found, how many of these wrong (patch centres
more than a quarter of a pitch off, or mirrored) and how many doubted; patch errors in codes of 255
where nothing spoils the patches; for cards the error of the scale. Charts are at least 250 px wide
across their shorter way, at any turn, tilted up to 50 degrees. Truth is our own painters'.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests" / "bench"), str(ROOT / "inspect")]

from bench_chart import DOUBTS, SPEC, compare, random_case  # noqa: E402
from card_painter import SEAM, framed, paint_card  # noqa: E402
from chart_painter import _DECODE, Painted, Placement, encode, paint  # noqa: E402

from fullhide.card import card_spec, find_card  # noqa: E402
from fullhide.chart import ChartReading, find_chart  # noqa: E402

NOMINAL = 0.8  # light at which the chart's white is well below the ceiling
WIDE_PX = 250.0
CHART_LIKE = ("bright tiles", "keyboard", "quilt", "tiles")


def wide_case(rng: np.random.Generator, size: tuple[int, int]) -> dict[str, object]:
    """A chart at least 250 px wide across its shorter way."""
    while True:
        placement, layout = random_case(rng, size)
        if placement.width_share * size[0] * np.cos(np.radians(placement.tilt)) >= WIDE_PX:
            return {"placement": placement, "layout": layout, "size": size}


def light(photo: Painted) -> np.ndarray:
    return _DECODE[photo.encoded]


def plain(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    return [_paint(rng, size, n, exposure=NOMINAL)]


def noisy(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    return [_paint(rng, size, n, exposure=NOMINAL, noise=0.004 * float(rng.uniform(3, 8)))]


def over(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    return [_paint(rng, size, n, exposure=NOMINAL * 2**0.5)]


def under(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    return [_paint(rng, size, n, exposure=NOMINAL / 2**0.5)]


def beside(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    """On tiles, a keyboard, a quilt."""
    return [_paint(rng, size, n, exposure=NOMINAL, scene=CHART_LIKE[n % 4])]


def shaded(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    """A straight shadow over part of the chart."""
    photo = _paint(rng, size, n, exposure=NOMINAL)
    x, y = photo.centres[int(rng.integers(24))]
    a, width = rng.uniform(0, 2 * np.pi), 0.03 * photo.width_px
    yy, xx = np.mgrid[0 : size[1], 0 : size[0]].astype(np.float32)
    away = ((xx - x) * np.cos(a) + (yy - y) * np.sin(a)) / width
    shade = 1 - float(rng.uniform(0.3, 0.7)) * np.clip(away + 0.5, 0, 1)
    photo.encoded = encode((light(photo) * shade[..., None]).astype(np.float32))
    return [photo]


def two(rng: np.random.Generator, size: tuple[int, int], n: int) -> list[Painted]:
    """Two charts, neither over the other: either may be read."""
    while True:
        one, other = wide_case(rng, size), wide_case(rng, size)
        first = paint(SPEC.lab, seed=n, exposure=1.0, noise=0.0, **one)  # type: ignore[arg-type]
        second = paint(
            SPEC.lab,
            seed=n,
            exposure=NOMINAL,
            base=light(first),
            **other,  # type: ignore[arg-type]
        )
        outlines = [p.corners.astype(np.float32) for p in (first, second)]
        if cv2.intersectConvexConvex(*outlines)[0] == 0:
            first.encoded = second.encoded
            return [first, second]


def _paint(rng: np.random.Generator, size: tuple[int, int], n: int, **more: object) -> Painted:
    scene = ("leather", "cream", "black", "grey")[n % 4]
    given = {"scene": scene, "seed": n, "falloff": float(rng.uniform(0, 0.15)), **more}
    return paint(SPEC.lab, **wide_case(rng, size), **given)  # type: ignore[arg-type]


KINDS: dict[str, Callable[[np.random.Generator, tuple[int, int], int], list[Painted]]] = {
    "plain": plain,
    "noise 3 to 8 times": noisy,
    "half a stop over": over,
    "half a stop under": under,
    "on tiles, keys, quilt": beside,
    "partly shaded": shaded,
    "two charts": two,
}


def charts(number: int, size: tuple[int, int], rng: np.random.Generator) -> None:
    for kind, make in KINDS.items():
        found = wrong = doubted = 0
        codes = []
        for n in range(number):
            photos = make(rng, size, n)
            reading = find_chart(photos[-1], spec=SPEC)
            if not reading.found:
                continue
            found += 1
            results = [_compared(photo, reading) for photo in photos]
            right = [error for bad, error in results if not bad]
            wrong += not right
            doubt = bool((DOUBTS | {"chart_glare", "chart_clipped"}) & set(reading.flags))
            doubted += doubt
            if right and not doubt:
                codes.append(right[0])
        text = f"  {kind:22s} {found:3d} of {number} found, {wrong} wrong, {doubted} doubted"
        if codes:
            text += f"; patch error median {np.median(codes):.2f}, largest {max(codes):.2f}"
        print(text, flush=True)


def _compared(photo: Painted, reading: ChartReading) -> tuple[bool, float]:
    wrong, _, error = compare(photo, reading, photo.recorded())
    return wrong, error


def cards(number: int, size: tuple[int, int], rng: np.random.Generator) -> None:
    for kind, sheet, low in (("frame", framed(), 0.15), ("seam card", SEAM, 0.1)):
        found, errors = 0, []
        for n in range(number):
            photo = paint_card(
                sheet,
                Placement(
                    width_share=float(np.exp(rng.uniform(np.log(low), np.log(0.6)))),
                    turn=rng.uniform(0, 360),
                    tilt=rng.uniform(0, 50),
                    tilt_axis=rng.uniform(0, 180),
                ),
                lab=SPEC.lab,
                size=size,
                seed=n,
                exposure=NOMINAL * float(2 ** rng.uniform(-0.5, 0.5)),
                noise=0.004 * float(rng.uniform(1, 4)),
                shade=float(rng.choice([0.0, 0.5])),
            )
            reading = find_card(photo, spec=card_spec(printed_mm=100.0))
            if reading.found:
                found += 1
                errors.append(abs(reading.mm_per_px / photo.mm_per_px - 1) * 100)
        print(
            f"  {kind:22s} {found:3d} of {number} found from {100 * low:.0f} % of the width on; "
            f"scale off by {np.median(errors):.2f} % at the median, {max(errors):.2f} % at most",
            flush=True,
        )


def main() -> None:
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 1600
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 7
    cv2.setNumThreads(1)
    size = (width, width * 3 // 4)
    print(f"{number} placements of each kind, {size[0]} x {size[1]} px, seed {seed}")
    charts(number, size, np.random.default_rng(seed))
    cards(number, size, np.random.default_rng(seed))


if __name__ == "__main__":
    main()
