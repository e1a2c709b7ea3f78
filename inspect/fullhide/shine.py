"""How strongly a grained surface glints: the highlight's play over the grain, place by place.

With `n` and `w` the colours of the finish and of the light, a pixel without spots is
``s * n + k * w`` (`fullhide.surface`). On grain shading `s` and highlight `k` go up and down
together, so a stronger highlight makes brightness play more; how much of that play has the light's
own colour tells the highlight's part in it. Noise plays too, and more along `w` than one would
like: what the same steps leave on the chart's flat patches is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50
from fullhide.photo import Photo
from fullhide.region import RegionView, ToXYZ
from fullhide.robust import median
from fullhide.smoothing import masked_blur, slow_mean

__all__ = ["Flats", "Shine", "axis_of", "fine_of", "flats_of", "noise_of", "shine_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Standard deviations of the smoothing against noise and of what counts as slow, and the side of a
#: tile, mm (our own choices: about a pebble's top, a few pebbles, many pebbles).
_FINE_MM, _SLOW_MM, _TILE_MM = 0.25, 3.0, 8.0
#: Least share of a tile that must be judged, and fewest work pixels across it.
_TILE_SHARE, _TILE_PX = 0.6, 8
#: Part of the distance between patches from a patch's middle to the rim of what is read.
_PATCH = 0.22
#: Of the light of the patches that noise is taken from against the region's own, in logarithms.
_NEAR = 0.5
#: So many pixels are enough for the middle colour.
_ENOUGH = 20_000
#: Brightness of XYZ over a white's.
_BRIGHT = np.full(3, 1.0 / 3.0)


class Flats(NamedTuple):
    """What noise does on the chart's flat patches once smoothed; all of it over a white's.

    Attributes
    ----------
    middles
        Their XYZ, (N, 3); none where the patches are too small in the photo to tell.
    spreads
        Covariances of XYZ, (N, 3, 3).
    peaks
        Third moments of brightness, (N,).
    """

    middles: Vector
    spreads: Vector
    peaks: Vector


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shine:
    """A region's highlight, tile by tile.

    Attributes
    ----------
    places
        Middles of the tiles in photo pixels, (N, 2).
    shared
        Covariance of the light's own colour and brightness over the grain, in squares of a white,
        (N,): what the highlight brings to brightness' play.
    whole
        Variance of brightness over the grain, likewise, (N,).
    peaks
        Third moment of brightness over the grain, in cubes of a white, (N,): a narrow lobe lights
        few facets, and these brightly.
    noise
        What noise brought to either, already taken off.
    burnt
        Share of the region that is burnt out.
    """

    places: Vector
    shared: Vector
    whole: Vector
    peaks: Vector
    noise: tuple[float, float]
    burnt: float

    @property
    def play(self) -> Vector:
        """Standard deviation of brightness over the grain, of a white, (N,)."""
        return np.sqrt(np.maximum(self.whole, 0.0))

    @property
    def noisy(self) -> float:
        """Variance that noise brings over what the grain does; infinite where that is nothing."""
        usual = float(np.median(self.whole)) if self.whole.size else 0.0
        return self.noise[1] / usual if usual > 0 else float("inf")


def flats_of(
    photo: Photo, *, to_xyz: ToXYZ, patches: Vector, factor: int, mm_per_px: float
) -> Flats:
    """Read off the chart what noise leaves of flat surfaces.

    Parameters
    ----------
    photo, to_xyz
        The photo and its calibration.
    patches
        Middles of the chart's 24 patches in it, (24, 2), row by row.
    factor, mm_per_px
        Of the views that noise is to be taken off: photo pixels a work pixel, and mm of one.
    """
    half = int(_PATCH * float(np.linalg.norm(patches[1] - patches[0])) / factor)
    sigma = _FINE_MM / mm_per_px
    rim = int(np.ceil(3.0 * sigma))
    reach = (half + rim) * factor
    white = WHITE_D50.astype(np.float32)
    width, height = photo.size_px
    middles, spreads, peaks = [], [], []
    for x, y in patches:
        x0, y0 = max(0, int(x) - reach), max(0, int(y) - reach)
        x1, y1 = min(width, x0 + 2 * reach), min(height, y0 + 2 * reach)
        box = (x0, y0, x1 - (x1 - x0) % factor, y1 - (y1 - y0) % factor)
        if half < 3 or min(box[2] - box[0], box[3] - box[1]) < 2 * half * factor:
            continue
        xyz = cast(Array, to_xyz(photo.linear(box, factor=factor), box) / white)
        fine = masked_blur(xyz, np.ones(xyz.shape[:2], np.float32), (sigma, sigma))
        pixels = fine[rim:-rim, rim:-rim].reshape(-1, 3).astype(np.float64)
        off = pixels - pixels.mean(axis=0)
        middles.append(xyz.reshape(-1, 3).mean(axis=0, dtype=np.float64))
        spreads.append(off.T @ off / len(off))
        peaks.append(float(((off @ _BRIGHT) ** 3).mean()))
    return Flats(
        np.array(middles).reshape(-1, 3), np.array(spreads).reshape(-1, 3, 3), np.array(peaks)
    )


def shine_of(view: RegionView, *, flats: Flats) -> Shine:
    """Measure a panel's highlight.

    Parameters
    ----------
    view
        The panel or reference.
    flats
        What noise does in the photo that `view` shows, at its scale.

    Returns
    -------
    Shine
        Without tiles where too little of the region can be judged.
    """
    burnt = float(view.clipped.sum()) / max(1, int(view.inside.sum()))
    if not view.judged.any():
        return _nothing(burnt)
    middle, along = axis_of(view)
    mm = view.mm_per_px
    play = cast(Array, cv2.merge(_play(view, along)))
    well = cv2.erode(view.judged.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    places, moments = _tiles(play, well, mm)
    if not len(places):
        return _nothing(burnt)
    noise = noise_of(flats, along, middle)[:3]
    shared, whole, peaks = (moments - noise).T
    return Shine(
        places=np.array(view.box[:2]) + places * view.factor,
        shared=shared,
        whole=whole,
        peaks=peaks,
        noise=(float(noise[0]), float(noise[1])),
        burnt=burnt,
    )


def _nothing(burnt: float) -> Shine:
    empty = np.zeros(0)
    return Shine(
        places=np.zeros((0, 2)),
        shared=empty,
        whole=empty,
        peaks=empty,
        noise=(0.0, 0.0),
        burnt=burnt,
    )


def axis_of(view: RegionView) -> tuple[Vector, Vector]:
    """A region's middle colour, XYZ over a white's, and the axis that tells its highlight, (3,).

    Along the axis the middle colour itself is nought and a white is one, whatever the shading; on
    a neutral colour it only seems so. Something of the region has to be judged.
    """
    every = max(1, int(np.sqrt(view.judged.size / _ENOUGH)))
    few = view.xyz[::every, ::every][view.judged[::every, ::every]]
    few = few if len(few) else view.xyz[view.judged]
    middle = np.maximum(median(few.T).astype(np.float64) / WHITE_D50, 1e-4)
    along = np.linalg.pinv(np.stack([middle / middle.mean(), np.ones(3)], axis=1))[1]
    return middle, along


def fine_of(values: Array, weight: Array, mm_per_px: float) -> tuple[Array, Array]:
    """An image without noise, and of that what is over the slow play of light, (H, W) each."""
    fine_px, slow_px = _FINE_MM / mm_per_px, _SLOW_MM / mm_per_px
    fine = masked_blur(values, weight, (fine_px, fine_px))
    return fine, cast(Array, cv2.subtract(fine, slow_mean(fine, weight, slow_px)))


def _play(view: RegionView, along: Vector) -> list[Array]:
    """Highlight and brightness over the grain in units of a white, (H, W) each.

    Both are sums of XYZ, so smoothing may come after them.
    """
    rows = (np.stack([along, _BRIGHT]) / WHITE_D50).astype(np.float32)
    weight = view.judged.astype(np.float32)
    parts = cv2.split(cv2.transform(view.xyz, rows))
    return [fine_of(cast(Array, part), weight, view.mm_per_px)[1] for part in parts]


def _tiles(play: Array, well: Mask, mm_per_px: float) -> tuple[Vector, Vector]:
    """Tiles that are judged well enough: their middles in view pixels, (N, 2), and `_moments`."""
    side = max(_TILE_PX, round(_TILE_MM / mm_per_px))
    rows, columns = well.shape[0] // side, well.shape[1] // side
    if not rows * columns:
        return np.zeros((0, 2)), np.zeros((0, 3))
    there = well[: rows * side, : columns * side].astype(np.float32)
    high, bright = cv2.split(play[: rows * side, : columns * side] * there[..., None])
    square = bright * bright
    means = [
        cv2.resize(cv2.merge(three), (columns, rows), interpolation=cv2.INTER_AREA)
        for three in ((there, high, bright), (high * bright, square, square * bright))
    ]
    mass, *sums = np.concatenate(means, axis=-1).reshape(-1, 6).astype(np.float64).T
    full = mass >= _TILE_SHARE
    a, b, ab, bb, bbb = (one[full] / mass[full] for one in sums)
    moments = np.stack([ab - a * b, bb - b * b, bbb - 3.0 * b * bb + 2.0 * b**3], axis=1)
    y, x = np.divmod(np.nonzero(full)[0], columns)
    return side * (np.stack([x, y], axis=1) + 0.5), moments


def noise_of(flats: Flats, along: Vector, middle: Vector) -> Vector:
    """What noise leaves on flat patches of about the region's light, (4,).

    Covariance of highlight and brightness, brightness' variance and third moment, and the
    highlight's variance.
    """
    if not len(flats.middles):
        return np.zeros(4)
    apart = np.abs(np.log(np.maximum(flats.middles, 1e-4) / middle)).sum(axis=1)
    weight = np.exp(-np.square(apart) / _NEAR) + 1e-9
    bright, high = flats.spreads @ _BRIGHT, flats.spreads @ along
    moments = np.stack([bright @ along, bright @ _BRIGHT, flats.peaks, high @ along], axis=1)
    return np.asarray(weight @ moments / weight.sum(), np.float64)
