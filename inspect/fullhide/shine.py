"""How strongly a grained surface glints: the highlight's play over the grain, place by place.

With `n` and `w` the colours of the finish and of the light, a pixel without spots is
``s * n + k * w`` (`fullhide.surface`). On grain shading `s` and highlight `k` go up and down
together, so a stronger highlight makes brightness play more; how much of that play has the light's
own colour tells the highlight's part in it. Noise plays too, and more along `w` than one would
like: what the same steps leave on the chart's flat patches is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50
from fullhide.photo import Photo
from fullhide.region import RegionView, ToXYZ

__all__ = ["Shine", "shine_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]
Moments = NDArray[np.float64]

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
_ENOUGH = 60_000


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


def shine_of(view: RegionView, *, photo: Photo, to_xyz: ToXYZ, patches: Vector) -> Shine:
    """Measure a panel's highlight.

    Parameters
    ----------
    view
        The panel or reference.
    photo, to_xyz
        The photo that `view` shows and its calibration.
    patches
        Middles of the chart's 24 patches in it, (24, 2), row by row.

    Returns
    -------
    Shine
        Without tiles where too little of the region can be judged.
    """
    white = WHITE_D50.astype(np.float32)
    xyz = view.xyz / white
    inside = max(1, int(view.inside.sum()))
    burnt = float(view.clipped.sum()) / inside
    if not view.judged.any():
        return _nothing(burnt)
    pixels = xyz[view.judged]
    few = pixels[:: max(1, len(pixels) // _ENOUGH)]
    middle = np.maximum(np.median(few, axis=0).astype(np.float64), 1e-4)
    along = np.linalg.pinv(np.stack([middle / middle.mean(), np.ones(3)], axis=1))[1]
    mm = view.mm_per_px
    weight = view.judged.astype(np.float32)
    fine = _blurred(_parts(xyz, along), weight, _FINE_MM / mm)
    play = fine - _blurred(fine, weight, _SLOW_MM / mm)
    noise = _noise(photo, to_xyz, patches, view, along, middle)
    well = cv2.erode(view.judged.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    places, moments = _tiles(play, well, mm)
    if not len(places):
        return _nothing(burnt)
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


def _parts(xyz: Array, along: Vector) -> Array:
    """Highlight and brightness of pixels in units of a white, (H, W, 2)."""
    rows = np.stack([along, np.full(3, 1.0 / 3.0)]).astype(np.float32)
    return cast(Array, cv2.transform(xyz, rows))


def _blurred(values: Array, weight: Array, sigma: float) -> Array:
    """Gaussian mean over the pixels that `weight` admits."""
    if sigma < 0.3:
        return values
    mass = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(1e-3))
    total = cv2.GaussianBlur(values * weight[..., None], (0, 0), sigma)
    return cast(Array, total / mass[..., None])


def _moments(play: Array) -> Moments:
    """Covariance of highlight and brightness, brightness' variance and third moment, of (N, 2)."""
    off = play.astype(np.float64) - play.mean(axis=0, dtype=np.float64)
    return np.array(
        [(off[:, 0] * off[:, 1]).mean(), np.square(off[:, 1]).mean(), (off[:, 1] ** 3).mean()]
    )


def _tiles(play: Array, well: Mask, mm_per_px: float) -> tuple[Vector, Moments]:
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


def _noise(
    photo: Photo,
    to_xyz: ToXYZ,
    patches: Vector,
    view: RegionView,
    along: Vector,
    middle: Vector,
) -> Moments:
    """Moments that noise leaves on flat patches of about the region's light, (3,)."""
    factor = max(1, round(view.factor))
    half = int(_PATCH * float(np.linalg.norm(patches[1] - patches[0])) / factor)
    rim = int(np.ceil(3.0 * _FINE_MM / view.mm_per_px))
    width, height = photo.size_px
    white = WHITE_D50.astype(np.float32)
    total, mass = np.zeros(3), 0.0
    for x, y in patches:
        reach = (half + rim) * factor
        x0, y0 = max(0, int(x) - reach), max(0, int(y) - reach)
        x1, y1 = min(width, x0 + 2 * reach), min(height, y0 + 2 * reach)
        box = (x0, y0, x1 - (x1 - x0) % factor, y1 - (y1 - y0) % factor)
        if half < 3 or min(box[2] - box[0], box[3] - box[1]) < 2 * half * factor:
            continue
        xyz = cast(Array, to_xyz(photo.linear(box, factor=factor), box) / white)
        flat = np.ones(xyz.shape[:2], np.float32)
        fine = _blurred(_parts(xyz, along), flat, _FINE_MM / view.mm_per_px)[rim:-rim, rim:-rim]
        own = np.maximum(xyz.reshape(-1, 3).mean(axis=0).astype(np.float64), 1e-4)
        weight = float(np.exp(-np.square(np.abs(np.log(own / middle)).sum()) / _NEAR)) + 1e-9
        total += weight * _moments(fine.reshape(-1, 2))
        mass += weight
    return total / mass if mass > 0 else total
