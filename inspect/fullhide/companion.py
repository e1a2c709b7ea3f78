"""A region seen twice: the second photo laid on the first one's pixels, and both made one.

Highlight and shadow move with the lamp, a colour that shows stays. Where two photos differ there
is no spot of either, so the difference tells of grain and noise alone: the best unbiased
estimate is the first photo's ratio less what the difference foretells of it (least squares; the
same as weighting both with the inverse of their joint covariance, Aitken, Proc. R. Soc. Edinb.
55 (1935) 42, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import SLOW_MM, Background, background
from fullhide.light import NO_FIELD_DOUBT
from fullhide.photo import Photo
from fullhide.region import RegionView, ToXYZ, outline_mask
from fullhide.registration import Registration, register
from fullhide.robust import fit, median, spread
from fullhide.seam import normals
from fullhide.smoothing import masked_blur, slow_mean, times

__all__ = ["Companion", "Second", "changed", "companion", "joined"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]
Polygon = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: A second photo that sees less of the region than this is no second look at it.
LEAST_SEEN = 0.5
#: Of the Gaussian that two photos are weighed at, over the radius of the limit's disc.
WEIGH_OVER_RADIUS = 0.6
#: Photos contradict one another where they differ by so many standard deviations of their usual
#: difference and by this part of the greater (our own choices).
_FAR, _PART = 4.0, 0.4
_SAMPLE = 20_000
#: Share of a clipped photo pixel in a work pixel from which that counts as clipped, of 255.
_CLIPPED_PART = 30


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Second:
    """A further photo of the same view, calibrated for itself.

    Attributes
    ----------
    file
        As named under `also`.
    photo
        The opened photo.
    to_xyz
        From its working linear light and the box it was cut from to XYZ(D50).
    blur_px
        Standard deviation of its blur.
    ignore
        Zones in its own pixels that hide the part: its chart.
    start, charts
        Maps from the first photo, as `registration.register` takes them.
    colours_from
        ``"its own chart"`` or ``"the first photo"``.
    patches
        Middles of its chart's patches, (24, 2); None without a chart.
    light_doubt
        Relative doubt of its light's ratio between two places.
    """

    file: str
    photo: Photo
    to_xyz: ToXYZ
    blur_px: float
    ignore: tuple[Polygon, ...] = ()
    start: Vector | None = None
    charts: Vector | None = None
    colours_from: str = "its own chart"
    patches: Polygon | None = None
    light_doubt: float = NO_FIELD_DOUBT


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Companion:
    """A second photo's look at a region, on the first one's pixels.

    Attributes
    ----------
    view
        Its pixels; everything but `xyz`, `judged` and `clipped` is the first's.
    ground
        Its own spot-free look.
    registration
        How it was laid there.
    """

    view: RegionView
    ground: Background
    registration: Registration


def companion(
    view: RegionView,
    second: Second,
    *,
    photo: Photo,
    polygon: Polygon,
    beneath: Sequence[Vector] = (),
) -> Companion | Registration:
    """Lay a second photo on a region's pixels.

    Parameters
    ----------
    view
        The region in the first photo.
    second
        The other photo.
    photo
        The first photo.
    polygon
        The region's outline in it.
    beneath
        As `background.background` takes it.

    Returns
    -------
    Companion, or Registration
        The refused registration where the photos do not show the same.
    """
    found = register(
        photo,
        second.photo,
        polygon,
        mm_per_px=view.mm_per_px / view.factor,
        start=second.start,
        charts=second.charts,
    )
    if not found.found:
        return found
    x, y = found.to_other(*_places(view))
    laid = _laid(view, second, x, y)
    if laid is None or laid.judged.sum() < LEAST_SEEN * max(1, int(view.inside.sum())):
        return replace(found, found=False, why="the second photo shows too little of the region")
    ground = background(laid, beneath=beneath)
    return Companion(view=laid, ground=ground, registration=found)


def _places(view: RegionView) -> tuple[Array, Array]:
    """Photo pixels of a view's pixel centres."""
    rows, columns = view.xyz.shape[:2]
    if view.line is None:
        x = view.box[0] + (np.arange(columns) + 0.5) * view.factor
        y = view.box[1] + (np.arange(rows) + 0.5) * view.factor
        shape = (rows, columns)
        return (
            np.broadcast_to(x.astype(np.float32), shape),
            np.broadcast_to(y.astype(np.float32)[:, None], shape),
        )
    offsets = (np.arange(rows) + 0.5 - rows / 2.0) * view.factor
    points = view.line[None] + offsets[:, None, None] * normals(view.line)[None]
    return points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)


def _laid(view: RegionView, second: Second, x: Array, y: Array) -> RegionView | None:
    """The second photo's pixels at places (x, y) of it."""
    width, height = second.photo.size_px
    factor = max(1, round(view.factor))
    rim = 3 * factor
    x0, y0 = max(0, int(x.min()) - rim), max(0, int(y.min()) - rim)
    x1, y1 = min(width, int(x.max()) + rim), min(height, int(y.max()) + rim)
    x1, y1 = x0 + (x1 - x0) // factor * factor, y0 + (y1 - y0) // factor * factor
    if x1 - x0 < 4 * factor or y1 - y0 < 4 * factor:
        return None
    box = (x0, y0, x1, y1)
    xyz = second.to_xyz(second.photo.linear(box, factor=factor), box)
    unseen = outline_mask(second.ignore, box, factor=factor)
    burnt = second.photo.clipped(box)
    size = (xyz.shape[1], xyz.shape[0])
    share = cv2.resize(burnt.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    clipped = np.asarray(share) > _CLIPPED_PART
    at = ((x - x0) / factor - np.float32(0.5), (y - y0) / factor - np.float32(0.5))
    moved = cv2.remap(xyz, *at, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    # Whatever a pixel is mixed from must be good.
    bad = np.where(clipped, np.float32(1.0), np.where(unseen, np.float32(2.0), np.float32(0.0)))
    bad = cv2.dilate(bad, np.ones((3, 3), np.uint8))
    bad = cv2.remap(bad, *at, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=2.0)
    seen = view.inside & (bad == 0) & (moved[..., 1] > 0)
    return replace(view, xyz=cast(Array, moved), judged=seen, clipped=view.inside & (bad == 1))


def joined(
    view: RegionView,
    ground: Background,
    companions: Sequence[Companion],
    *,
    limit_mm2: float,
) -> tuple[RegionView, Background]:
    """One look from several.

    Parameters
    ----------
    view, ground
        The first photo's.
    companions
        The others, on the same pixels.
    limit_mm2
        Smallest area that counts: the photos are weighed for spots of that size.

    Returns
    -------
    view, ground
        The first's, with ratios of all photos together; judged is what any of them shows.
    """
    for other in companions:
        xyz = _filled(view, ground, other)
        ground = _both(view, ground, other.ground, limit_mm2)
        view = replace(
            view,
            xyz=xyz,
            judged=view.judged | other.view.judged,
            clipped=view.clipped & ~other.view.judged,
        )
    return view, ground


def changed(
    view: RegionView,
    ground: Background,
    companions: Sequence[Companion],
    *,
    limit_mm2: float,
) -> Mask:
    """Where two photos contradict one another: light that moved with the lamp.

    Parameters
    ----------
    view, ground, companions, limit_mm2
        As `joined` takes them.

    Returns
    -------
    ndarray of bool (H, W)
        The brightness over a spot of the limit's size differs far beyond its usual play between
        the photos, and by a good part of what either shows there.
    """
    sigma = WEIGH_OVER_RADIUS * float(np.sqrt(limit_mm2 / np.pi)) / view.mm_per_px
    found = np.zeros(view.judged.shape, bool)
    for other in companions:
        shared = ground.judged & other.ground.judged
        if np.count_nonzero(shared) < 10:
            continue
        there = shared.astype(np.float32)
        one, two = (
            masked_blur(_mean(g.ratio), there, (sigma, sigma)) for g in (ground, other.ground)
        )
        apart = two - one
        usual = float(spread(apart[shared], median(apart[shared])))
        far = np.abs(apart) > np.maximum(
            np.float32(_FAR * usual), np.float32(_PART) * np.maximum(np.abs(one), np.abs(two))
        )
        found |= shared & far
    return found


def _mean(ratio: Array) -> Array:
    return cast(Array, cv2.transform(ratio, np.full((1, 3), 1.0 / 3.0, np.float32)))


def _filled(view: RegionView, ground: Background, other: Companion) -> Array:
    """The first photo's pixels, the other's in the first's light where only that shows them."""
    fresh = other.view.judged & ~view.judged
    if not fresh.any():
        return view.xyz
    shared = (view.judged & other.view.judged).astype(np.float32)
    levels = [
        cv2.transform(v.xyz, (1.0 / (3.0 * g.finish))[None]).reshape(fresh.shape)
        for v, g in ((view, ground), (other.view, other.ground))
    ]
    level = cast(Array, levels[0] / np.maximum(levels[1], np.float32(1e-4)))
    sigma = SLOW_MM / view.mm_per_px
    # Where nothing near by is shared, the two are taken to be lit alike.
    near = np.clip(50.0 * slow_mean(shared, np.ones_like(shared), sigma), 0.0, 1.0)
    light = 1.0 + near * (slow_mean(level, shared, sigma) - 1.0)
    colour = (ground.finish / other.ground.finish).astype(np.float32)
    xyz = view.xyz.copy()
    xyz[fresh] = other.view.xyz[fresh] * colour * light[fresh][:, None]
    return xyz


def _both(view: RegionView, one: Background, two: Background, limit_mm2: float) -> Background:
    shared = one.judged & two.judged
    difference = two.ratio - one.ratio
    sigma = WEIGH_OVER_RADIUS * float(np.sqrt(limit_mm2 / np.pi)) / view.mm_per_px
    there = shared.astype(np.float32)
    smooth = [masked_blur(image, there, (sigma, sigma)) for image in (one.ratio, difference)]
    first, apart = _sampled(shared, *smooth)
    foretold = fit(apart, np.ascontiguousarray(first.T), floor=1e-4)
    best = cast(Array, one.ratio - cv2.transform(difference, foretold.T.astype(np.float32)))
    # A photo that gets far less light somewhere has less to say there.
    low, high = np.minimum(one.weight, two.weight), np.maximum(one.weight, two.weight)
    alike = np.clip(2.0 * low / np.maximum(high, np.float32(1e-3)), 0.0, 1.0).astype(np.float32)
    part = np.divide(two.weight, one.weight + two.weight, out=np.zeros_like(low), where=high > 0)
    plain = one.ratio + times(difference, part)
    ratio = plain + times(best - plain, alike)
    # Seen once only: as it is, and worth less by as much as its noise is greater.
    gain = _gain(first, apart, foretold)
    only_one, only_two = one.judged & ~two.judged, two.judged & ~one.judged
    ratio[only_one], ratio[only_two] = one.ratio[only_one], two.ratio[only_two]
    weight = np.where(shared, np.sqrt(low * high), np.float32(0.0)).astype(np.float32)
    weight[only_one] = gain[0] * one.weight[only_one]
    weight[only_two] = gain[1] * two.weight[only_two]
    judged = one.judged | two.judged
    return replace(
        one, ratio=ratio, weight=weight, judged=judged, bare=(one.bare | two.bare) & judged
    )


def _gain(first: Array, apart: Array, foretold: Vector) -> tuple[np.float32, np.float32]:
    """Variance of both together over that of each alone, at most 1."""
    if len(first) < 10:
        return np.float32(1.0), np.float32(1.0)
    left = first - apart @ foretold.astype(np.float32)
    spreads = [
        float(np.square(np.median(np.abs(v), axis=0)).sum()) for v in (left, first, first + apart)
    ]
    one, two = (min(1.0, spreads[0] / max(spread, 1e-12)) for spread in spreads[1:])
    return np.float32(one), np.float32(two)


def _sampled(mask: Mask, *images: Array) -> list[Array]:
    step = max(1, int(np.count_nonzero(mask)) // _SAMPLE)
    return [image[mask][::step] for image in images]
