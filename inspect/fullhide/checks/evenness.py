"""Evenness: blocks of the surface against the region's own colour, the light's play taken out."""

from __future__ import annotations

from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import Background, times
from fullhide.checks.outcome import Outcome
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.job import Limits
from fullhide.region import RegionView
from fullhide.result import Measure
from fullhide.robust import fit
from fullhide.verdict import coverage_factor, decide

__all__ = ["evenness"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Side of a block: at least 5 mm, so that grain and pores average out.
BLOCK_MM = 5.0
_FEWEST_BLOCKS = 12


def evenness(
    view: RegionView, ground: Background, *, limits: Limits, light_doubt: float, flat: bool
) -> Outcome:
    """How far blocks of a panel differ from the panel's middle colour.

    Parameters
    ----------
    view, ground
        A panel and its spot-free look.
    limits
        The job's limits.
    light_doubt
        Relative doubt of the light's evenness.
    flat
        Whether a flat field was divided out, so that slow lightness belongs to the surface.

    Returns
    -------
    Outcome
        Measure ``uneven_delta_e``: the 95th percentile of the blocks' CIEDE2000.

    Notes
    -----
    Falloff and the roll of a cushion only scale the light: a second-degree surface is taken out
    of the brightness of every panel. What lightness is left fails nothing by itself unless a flat
    field was there: then only the colour part can, and lightness asks for the grey board.
    """
    side = _side_px(view)
    blocks, filled = _blocks(view, ground.judged, side)
    if filled.sum() < _FEWEST_BLOCKS:
        return Outcome(check="evenness", verdict=None)
    finish = ground.finish
    level = (blocks / finish.astype(np.float32)).mean(axis=-1)
    trend = np.exp(_surface(np.log(np.maximum(level, 1e-4)), filled))
    flattened = blocks / np.maximum(trend, 1e-4)[..., None]
    tint_only = blocks / np.maximum(level, np.float32(1e-4))[..., None]
    k = coverage_factor(limits.confidence)
    whole, noise = _spread(flattened, filled)
    tint, _ = _spread(tint_only, filled)
    light = _lightness_doubt(finish, light_doubt)
    grain = _block_noise(view, ground.judged, side, finish)
    u = float(np.sqrt(noise**2 + light**2 + grain**2))
    value = whole
    verdict = decide(value, u, limits.uneven_delta_e, k=k)
    flags: tuple[str, ...] = ()
    if verdict == "fail" and not flat and decide(tint, noise, limits.uneven_delta_e, k=k) != "fail":
        verdict = "retake"
    if verdict == "retake":
        flags = ("no_flat_field",) if not flat else ()
    return Outcome(
        check="evenness",
        verdict=verdict,
        measures={
            "uneven_delta_e": Measure(value=value, u=u, limit=limits.uneven_delta_e, unit="ΔE00")
        },
        flags=flags,
    )


def _side_px(view: RegionView) -> int:
    """Side of a block in view pixels, even, so that it can be halved."""
    return 2 * max(1, int(np.ceil(0.5 * BLOCK_MM / view.mm_per_px - 1e-6)))


def _block_noise(view: RegionView, judged: Mask, side: int, finish: NDArray[np.float64]) -> float:
    """What grain and noise alone do to the 95th percentile of the blocks' difference, halved.

    Quarters of a block differ by twice the block's own noise. Pure noise of standard deviation s
    on each axis of Lab has its 95th percentile at 2.8 s (STANDARDS.md 8.3); half of that is taken
    as doubt, since some of the percentile may be noise and some not.
    """
    quarters, filled = _blocks(view, judged, side // 2)
    rows, columns = filled.shape[0] // 2 * 2, filled.shape[1] // 2 * 2
    if not rows or not columns:
        return 0.0
    scaled = np.log(np.maximum(quarters[:rows, :columns] / finish.astype(np.float32), 1e-3))
    good = filled[:rows, :columns]
    square = (scaled.reshape(rows // 2, 2, columns // 2, 2, 3)).transpose(0, 2, 1, 3, 4)
    whole = good.reshape(rows // 2, 2, columns // 2, 2).all(axis=(1, 3))
    if whole.sum() < _FEWEST_BLOCKS:
        return 0.0
    # The difference along diagonals leaves slopes of the light out.
    off = square[whole]
    twist = 0.5 * (off[:, 0, 0] + off[:, 1, 1] - off[:, 0, 1] - off[:, 1, 0])
    covariance = np.cov(twist.T.astype(np.float64)) / 4.0
    slopes = (
        xyz_to_lab(finish * np.exp(0.01 * np.eye(3))) - xyz_to_lab(finish)
    ) / 0.01  # rows: change of Lab with the logarithm of each channel
    lab = slopes.T @ covariance @ slopes
    middle = xyz_to_lab(finish)
    one = np.sqrt(np.maximum(np.diag(lab), 0.0))
    differences = [float(delta_e00(middle, middle + step)) for step in np.diag(one)]
    return float(1.4 * np.sqrt(np.mean(np.square(differences))))


def _blocks(view: RegionView, judged: Mask, side: int) -> tuple[Array, Mask]:
    """Mean XYZ of square blocks that are mostly judged."""
    height, width = (judged.shape[0] // side) * side, (judged.shape[1] // side) * side
    if not height or not width:
        return np.zeros((0, 0, 3), np.float32), np.zeros((0, 0), bool)
    weight = judged[:height, :width].astype(np.float32)
    size = (width // side, height // side)
    total = cv2.resize(times(view.xyz[:height, :width], weight), size, interpolation=cv2.INTER_AREA)
    mass = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    filled = mass > 0.6
    blocks = np.divide(
        total, mass[..., None], out=np.ones_like(total), where=mass[..., None] > 1e-3
    )
    return blocks, filled


def _surface(values: Array, good: Mask) -> Array:
    """Robust second-degree surface through an image."""
    rows, columns = np.indices(good.shape, dtype=np.float32)
    y = rows / max(1, good.shape[0] - 1) * 2 - 1
    x = columns / max(1, good.shape[1] - 1) * 2 - 1
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    found = fit(terms[good], values[good][None], times=3.0, floor=1e-4, fewest=_FEWEST_BLOCKS)
    return cast(Array, (terms @ found[:, 0]).astype(np.float32))


def _spread(blocks: NDArray[Any], filled: Mask) -> tuple[float, float]:
    """95th percentile of the blocks' ΔE00 to their median, and its noise from chance."""
    lab = xyz_to_lab(np.maximum(blocks[filled], 1e-6)).astype(np.float64)
    middle = np.median(lab, axis=0)
    differences = delta_e00(middle, lab)
    value = float(np.quantile(differences, 0.95))
    # Order statistics: the values a standard error of the rank apart.
    rank = np.sqrt(0.95 * 0.05 / len(differences))
    high = float(np.quantile(differences, min(1.0, 0.95 + rank)))
    low = float(np.quantile(differences, 0.95 - rank))
    return value, max(0.05, 0.5 * (high - low))


def _lightness_doubt(finish: NDArray[np.float64], relative: float) -> float:
    """ΔE00 that a relative doubt of the light makes on the finished colour, half of it left."""
    one = xyz_to_lab(finish)
    other = xyz_to_lab(finish * (1.0 + 0.5 * relative))
    return float(delta_e00(one, other))
