"""The 24 patches sampled from linear data: their colours and how even they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from fullhide._chart_find import project
from fullhide._chart_pose import GRID, Picture

__all__ = ["DARK", "Sample", "sample"]

F64: TypeAlias = NDArray[np.float64]

# All own choices.
_INNER = 0.62  # side of the part sampled, of the patch's side: 0.38 of its area
_GRID_SIDE = 40  # samples along a side where a patch has more px than that
DARK = 0.012  # light below which relative spread means nothing


@dataclass(frozen=True, slots=True)
class Sample:
    """What the photo holds at each patch.

    Attributes
    ----------
    mean, sd
        (24, 3) working linear: mean without spots, and standard deviation within the patch.
    uneven
        (24,) spread of the patch's parts relative to its mean, noise taken off.
    clipped
        (24,) share of pixels at the camera's ceiling.
    floored
        (24, 3) share of pixels at code 0 of a channel.
    count
        (24,) pixels sampled.
    to_device
        (3, 3) working linear to the photo's own linear RGB.
    """

    mean: F64
    sd: F64
    uneven: F64
    clipped: F64
    floored: F64
    count: NDArray[np.int64]
    to_device: F64


def sample(photo: Picture, hom: F64, half: float) -> Sample | None:
    """Robust means of the inner part of every patch; None if one lies outside the photo.

    Parameters
    ----------
    photo
        The photo; linear data are read in 24 small boxes.
    hom
        Patch grid to px.
    half
        Half a patch's side in pitches.
    """
    mean, sd = np.zeros((24, 3)), np.zeros((24, 3))
    uneven, clipped, floored = np.zeros(24), np.zeros(24), np.zeros((24, 3))
    count = np.zeros(24, np.int64)
    to_working = np.asarray(photo.matrix, dtype=np.float64)
    inverse = np.linalg.inv(hom)
    reach = _INNER * half
    w, h = photo.size_px
    for k, centre in enumerate(GRID):
        square = centre + reach * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        quad = project(hom, square)
        x0, y0 = np.floor(quad.min(axis=0)).astype(int)
        x1, y1 = np.ceil(quad.max(axis=0)).astype(int)
        if x0 < 0 or y0 < 0 or x1 > w or y1 > h or x1 - x0 < 2 or y1 - y0 < 2:
            return None
        stride = max(1, min(x1 - x0, y1 - y0) // _GRID_SIDE)
        box = (int(x0), int(y0), int(x1), int(y1))
        rgb = photo.linear(box)[::stride, ::stride]
        codes = photo.encoded[y0:y1:stride, x0:x1:stride]
        burnt = photo.clipped(box)[::stride, ::stride]
        yy, xx = np.mgrid[0 : rgb.shape[0], 0 : rgb.shape[1]] * float(stride)
        at = project(
            np.asarray(inverse, dtype=np.float64),
            np.stack([xx.ravel() + x0 + 0.5, yy.ravel() + y0 + 0.5], axis=1),
        )
        place = (at - centre) / reach
        inside = (np.abs(place) <= 1.0).all(axis=1)
        if inside.sum() < 4:
            return None
        values = rgb.reshape(-1, 3)[inside].astype(np.float64)
        mean[k], sd[k] = _level(values, place[inside]), values.std(axis=0)
        uneven[k] = _unevenness(values, place[inside])
        clipped[k], count[k] = burnt.ravel()[inside].mean(), inside.sum()
        floored[k] = (codes.reshape(-1, 3)[inside] == 0).mean(axis=0)
    return Sample(
        mean, sd, uneven, clipped, floored, count, np.asarray(np.linalg.inv(to_working), float)
    )


def _level(values: F64, place: F64) -> F64:
    """Mean of each channel of (n, 3) linear values, spots left out.

    The parts' means are trimmed, not the pixels: files cut noise off at code 0 and at the
    ceiling, and compression spreads it, which moves the mean of dark and saturated colours.
    Leather is measured by means and moved alike, so that a fit on plain means is right for it;
    medians, though nearer the truth, are 4 CIEDE2000 off for it in dim light, as are means of
    trimmed pixels.
    """
    side = 8 if len(values) >= 640 else 4 if len(values) >= 160 else 2
    label, n = _parts(place, side)
    full = n > 0
    means = np.stack(
        [np.bincount(label, v, minlength=side * side)[full] / n[full] for v in values.T]
    )
    middle = np.median(means, axis=1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(means - middle), axis=1, keepdims=True) + 0.001
    weight = (np.abs(means - middle) <= 4.0 * spread) * n[full]
    return np.asarray((means * weight).sum(axis=1) / np.maximum(weight.sum(axis=1), 1))


def _parts(place: F64, side: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Number of the part of a patch cut into side x side that each place lies in; their sizes."""
    x, y = np.clip(((place.T + 1.0) * (side / 2)).astype(int), 0, side - 1)
    label = y * side + x
    return label, np.bincount(label, minlength=side * side)


def _unevenness(values: F64, place: F64) -> float:
    """Largest difference among 4 x 4 parts of a patch in any channel, noise taken off, relative."""
    label, n = _parts(place, 4)
    full = n >= max(2, int(0.4 * n.max()))
    if full.sum() < 4:
        return 0.0
    worst = 0.0
    # Against the strongest channel: the others are where compression leaves its marks.
    level = float(values.mean(axis=0).max()) + DARK
    for c in range(3):
        total = np.bincount(label, values[:, c], minlength=16)[full] / n[full]
        within = (
            values[:, c]
            - (np.bincount(label, values[:, c], minlength=16) / np.maximum(n, 1))[label]
        )
        # Sixteen noisy means spread by less than 5 of their own standard deviations 19 times out
        # of 20 (studentized range: 4.85). Compression ties neighbours together: means of
        # quarters show how noisy a part's mean really is.
        noise = 5.0 * max(within.std() / np.sqrt(n[full].mean()), _quarters(values[:, c], place))
        worst = max(worst, float(np.ptp(total)) - float(noise))
    return max(0.0, worst) / level


def _quarters(values: F64, place: F64) -> float:
    """Standard deviation of a sixteenth's mean, from the quarters that make it up; 0 if small."""
    label, n = _parts(place, 8)
    if n.min() < 4:
        return 0.0
    parts = np.bincount(label, values, minlength=64) / n
    means = parts.reshape(4, 2, 4, 2).transpose(0, 2, 1, 3).reshape(16, 4)
    # The median: an edge or a spot touches only some of the parts.
    return float(np.median(means.std(axis=1, ddof=1))) / 2.0
