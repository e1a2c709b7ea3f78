"""Where in a photo the dyed surface lies: one surface of one colour under slowly changing light."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.chart import ChartReading, ColourFit
from fullhide.colour import xyz_to_lab
from fullhide.photo import Photo

Array = NDArray[np.float32]
Mask = NDArray[np.uint8]
Lab = tuple[float, float, float]

#: Longer side of the picture the surface is looked for in, and of the one its rim is drawn in.
_SIDE_PX, _RIM_PX = 320, 1120
#: The same where it need not be drawn closely (our own choice).
_ROUGH_RIM_PX = 480
#: Weight of lightness against hue: shading moves lightness on one surface (our own choice).
_LIGHTNESS = 0.35
_SAME = 9.0
#: Shading on one surface stays within a factor of some two either way: so far may the logarithm of
#: luminance be from the surface's own, a hundredth added for shine on black (our own choice).
_SHADING = 0.8
SMALLEST_SHARE = 0.04
#: Beyond so many standard deviations from the surface's own look a pixel is another thing, and the
#: least that a standard deviation counts, logarithms of light (own choices, tried on our phantoms).
_OTHER, _LEAST_SPREAD = 4.5, 0.02
#: What lies beyond a seam has the same colour and nearly the same light, logarithms.
_SAME_LIGHT, _SAME_HUE = 0.16, 0.06
#: A core of this share of the picture tells how light bends over it.
_WIDE = 0.12
#: Light that changes by more a pixel of the small picture ends a surface, logarithms.
_STEEP = 0.03
#: Half the width of the steep strip along a rim, pixels of the small picture.
_STRIP = 2
#: A rolled edge is no wider, pixels of the small picture, and no darker, logarithm.
_ROLL, _DARKEST = 8, 1.3
#: Where so much of what lies about the surface may be its rolled edge, none of it is taken for it.
_TELLS_NOTHING = 0.65
#: The same where the scale is known, and the width of a seam from rim to rim: mm, pixels at most.
_WIDEST_MM, _WIDEST_PX = 8.0, 20.0
#: A missed place at the rim lies in its bay by this share.
_IN_BAY = 0.5
#: The rim is looked for so far within and outside of where the small picture has it, its pixels.
_BAND_IN, _BAND_OUT = 6.0, 5.0
#: A rolled edge and a shadow beside the part differ so much in logarithms of light.
_ROLLED, _FADES = 0.35, 0.2
_WINDOW = 9
#: The rim is drawn smooth over this, pixels of the small picture.
_SMOOTH = 0.9
_NOTHING = 50.0


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """The dyed surface.

    Attributes
    ----------
    mask
        uint8 (H, W), 1 on the surface, holes closed.
    scale
        Pixels of `mask` a pixel of the photo.
    contrast
        How plainly its rim stands out, standard deviations; infinite where it fills the photo.
    lab
        Its middle colour, (3,).
    """

    mask: Mask
    scale: float
    contrast: float
    lab: Array


@dataclass(frozen=True, slots=True, eq=False)
class _Picture:
    linear: Array
    log: Array
    free: Mask
    scale: float


def find_surface(
    photo: Photo,
    *,
    reading: ChartReading,
    fit: ColourFit,
    under: Sequence[Lab] = (),
    rough: bool = False,
) -> Surface | None:
    """The largest surface of one colour around the photo's middle.

    Parameters
    ----------
    photo
        The photo.
    reading, fit
        The chart, which is left out, and the colours.
    under
        Colours beneath: what shows them at the rim belongs to the surface.
    rough
        Whether a rim that is some pixels of the small picture off will do, in half the time.

    Returns
    -------
    Surface or None
        None if no surface stands out.
    """
    small = _picture(photo, reading, _SIDE_PX)
    lab = xyz_to_lab(np.maximum(fit.apply(small.linear), 1e-5))
    # How many pixels of the small picture a seam's valley or a rolled edge may take.
    wide = 0
    if reading.mm_per_px is not None:
        wide = round(min(_WIDEST_PX, _WIDEST_MM / reading.mm_per_px * small.scale))
    body = _body(small, lab, wide)
    if body is None:
        return None
    fine = _picture(photo, reading, _ROUGH_RIM_PX if rough else _RIM_PX)
    mask, contrast = _rim(fine, body)
    mask |= _bare_rim(mask, small, lab, under, max(4, wide)) & fine.free
    soft = cv2.GaussianBlur(mask * np.float32(1), (0, 0), _SMOOTH * fine.scale / small.scale)
    even = _largest((soft > 0.5).astype(np.uint8) & fine.free, mask)
    colour = np.median(lab[body > 0], axis=0).astype(np.float32)
    return Surface(_filled(even) & fine.free, fine.scale, contrast, colour)


def _picture(photo: Photo, reading: ChartReading, side: int) -> _Picture:
    width, height = photo.size_px
    scale = min(1.0, side / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    codes = cast(Any, cv2.resize(photo.encoded, size, interpolation=cv2.INTER_AREA))
    linear = cv2.transform(cv2.LUT(codes, photo.curve[None]), photo.matrix.astype(np.float32))
    linear = cast(Array, cv2.GaussianBlur(linear, (0, 0), 1.0).astype(np.float32))
    free = np.ones(linear.shape[:2], np.uint8)
    if reading.found:
        middle = reading.corners_px.mean(axis=0)
        board = (middle + 1.06 * (reading.corners_px - middle)) * scale
        cv2.fillConvexPoly(free, np.round(board).astype(np.int32), 0)
    # A thousandth: noise in black is no hue.
    log = np.log(np.maximum(linear, 0) + np.float32(0.004)).astype(np.float32)
    return _Picture(linear, log, free, scale)


# --- the body, in the small picture ------------------------------------------------------------


def _body(small: _Picture, lab: Array, wide: int) -> Mask | None:
    """Mask of the surface that most of the photo's middle shows, holes closed."""
    even = _even(small.log)
    core = _core(lab, small.free, even)
    if core.mean() < SMALLEST_SHARE:
        return None
    side = max(1, min(core.shape) // 80)
    # The colour alone may take a bench of nearly the same colour with it: the first pass drops it.
    for join in (False, True, True):
        off, far = _distance(small.log, core, bent=core.mean() > _WIDE)
        near = _opened((far < _OTHER).astype(np.uint8) & small.free & even, side)
        reach = max(2 * side, round(0.7 * wide))
        grown = _joined(near, core, small.log, reach) if join else _largest(near, core)
        grown &= small.free
        if grown.mean() < SMALLEST_SHARE:
            return None
        core = grown
    body = _opened(_filled(core) & small.free, side)
    # The steep strip about a rim belongs to either side by half, and a rolled edge to the part.
    body = _grown(body, _STRIP) & small.free
    rolled = _rolled(off) & small.free
    most = max(_ROLL, wide)
    ring = (_grown(body, 2 * most) & small.free) * (body == 0)
    if ring.any() and rolled[ring > 0].mean() > _TELLS_NOTHING:
        most = _STRIP  # grey on grey: the bench in shadow looks as a rolled edge does
    for _ in range(most):
        body |= _grown(body, 1) & rolled
    return _opened(_filled(body) & small.free, side)


def _rolled(off: Array) -> Mask:
    """Where there is the surface's own hue, or darker."""
    bright = off.mean(axis=-1)
    hue = np.abs(off - bright[..., None]).max(axis=-1)
    like = (hue < 0.05 + _FADES * np.abs(bright)) & (bright < 0.2) & (bright > -_DARKEST)
    return np.asarray(like, np.uint8)


def _even(log: Array) -> Mask:
    """Where nothing changes at once: rims, shadows beside a part and seams are left out."""
    smooth = cv2.GaussianBlur(log[..., 1], (0, 0), 1.0)
    across, down = cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    steep = cv2.magnitude(across, down) / np.float32(32.0)
    middle = steep[steep.shape[0] // 4 : -(steep.shape[0] // 4) or None]
    limit = max(_STEEP, 4.0 * float(np.median(middle))) if middle.size else _STEEP
    return (steep < limit).astype(np.uint8)


def _core(lab: Array, free: Mask, even: Mask) -> Mask:
    """The surface as far as its colour alone tells."""
    height, width = free.shape
    none = np.zeros_like(free)
    middle = np.zeros_like(free)
    middle[height // 4 : -(height // 4) or None, width // 4 : -(width // 4) or None] = 1
    weighted = lab * np.array([_LIGHTNESS, 1.0, 1.0], np.float32)
    values = weighted[(middle & free) > 0]
    if len(values) < 50:
        return none
    centre = _mode(values)
    same = (np.linalg.norm(weighted - centre, axis=-1) < _SAME) & (free > 0)
    # Black beside grey is one hue: what is far too light or dark for shading is another thing.
    bright = np.log(_luminance(lab[..., 0]) + 0.01)
    own = np.log(_luminance(centre[:1] / np.float32(_LIGHTNESS)) + 0.01)
    mask = (same & (np.abs(bright - own) < _SHADING)).astype(np.uint8)
    side = max(2, min(height, width) // 80)
    mask = _opened(mask & even, side)
    largest = _largest(mask, mask & middle)
    return cast(Mask, cv2.erode(largest, np.ones((5, 5), np.uint8), borderValue=1))


def _joined(near: Mask, core: Mask, log: Array, reach: int) -> Mask:
    """The part that holds the core, with those beyond a seam: near by, and of the same look there.

    A seam's dark valley does not end the part; the shadow about a part on a bench does.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(near, connectivity=4)
    if count < 2:
        return np.zeros_like(near)
    sizes = np.bincount(labels[(core > 0) & (near > 0)], minlength=count)
    body = (labels == int(sizes.argmax())).astype(np.uint8)
    fewest = 0.004 * near.size
    left = [n for n in range(1, count) if n != sizes.argmax() and stats[n][4] >= fewest]
    while True:
        for n in left:
            own = (labels == n).astype(np.uint8)
            if _beyond_a_seam(body, own, log, reach):
                left.remove(n)
                # The valley between the two belongs to them.
                between = _grown(body, 2 * reach) & _grown(own, 2 * reach)
                body |= own
                body |= _closed(body, reach + 1) & between
                break
        else:
            return np.asarray(body, np.uint8)


def _beyond_a_seam(body: Mask, other: Mask, log: Array, reach: int) -> bool:
    """Whether two surfaces face each other across a narrow gap and look the same beside it."""
    strips = []
    for one, two in ((body, other), (other, body)):
        far = _grown(two, 5 * reach) & one
        strips.append(far > 0)
        if int((_grown(two, 2 * reach) & one).sum()) < reach * reach:
            return False
    apart = np.median(log[strips[0]], axis=0) - np.median(log[strips[1]], axis=0)
    bright = float(apart.mean())
    return abs(bright) < _SAME_LIGHT and float(np.abs(apart - bright).max()) < _SAME_HUE


def _distance(log: Array, core: Mask, *, bent: bool) -> tuple[Array, Array]:
    """What each pixel is off the surface's look there, and by how many standard deviations.

    Light changes slowly over a surface: a plane through the core foretells it, or a second-degree
    surface where the core is wide enough to tell.
    """
    height, width = core.shape
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x / max(width, 2) * 2 - 1, y / max(height, 2) * 2 - 1
    terms = np.stack([np.ones_like(x), x, y, *((x * x, x * y, y * y) if bent else ())], axis=-1)
    inside = core > 0
    rows = terms[inside][:: max(1, int(inside.sum()) // 6000)].astype(np.float64)
    values = log[inside][:: max(1, int(inside.sum()) // 6000)].astype(np.float64)
    keep = np.ones(len(rows), bool)
    for _ in range(3):
        fitted = np.linalg.lstsq(rows[keep], values[keep], rcond=None)[0]
        left = values - rows @ fitted
        size = np.abs(left).sum(axis=1)
        keep = size < 3.5 * max(float(np.median(size)), 1e-4)
    spread = np.cov(left[keep].T) + _LEAST_SPREAD**2 * np.eye(3)
    # Rolled edges darken, whatever the surface's own spread of light.
    spread += 0.25**2 / 3.0 * np.ones((3, 3)) * 0.35
    expected = np.clip(terms @ fitted.astype(np.float32), values.min(axis=0), values.max(axis=0))
    off = cast(Array, log - expected)
    away = off.reshape(-1, 3) @ np.linalg.cholesky(np.linalg.inv(spread)).astype("f4")
    return off, cast(Array, np.sqrt(np.square(away).sum(axis=1)).reshape(height, width))


# --- its rim, in the finer picture -------------------------------------------------------------


def _rim(fine: _Picture, body: Mask) -> tuple[Mask, float]:
    """The mask at the finer size, and how plainly its rim stands out.

    About the rim each pixel goes to the side whose look near by is the more like it.
    """
    height, width = fine.free.shape
    ratio = width / body.shape[1]
    big = cv2.resize(body * np.float32(1), (width, height), interpolation=cv2.INTER_LINEAR)
    big = np.asarray(big, np.float32)
    inside = _sure(big > 0.5, _BAND_IN * ratio)
    outside = _sure(big <= 0.5, _BAND_OUT * ratio)
    band = (inside == 0) & (outside == 0)
    reach = round(_WINDOW * ratio)
    own, own_spread = _near(fine.log, inside, reach)
    other, other_spread = _near(fine.log, outside, reach)
    a = _unlike(fine.log - own, own_spread)
    b = _unlike(fine.log - other, other_spread)
    # Smoothed, so that grain and noise draw no rim of their own.
    lean = cv2.GaussianBlur(np.asarray(np.clip(b - a, -30, 30), np.float32), (0, 0), 0.6 * ratio)
    mask = np.where(band, lean > 0, inside > 0).astype(np.uint8) & fine.free
    mask = _filled(_largest(_opened(mask, max(1, round(0.5 * ratio))), inside))
    seen = band & (own_spread[..., 0] < _NOTHING) & (other_spread[..., 0] < _NOTHING)
    if not seen.any():
        return mask & fine.free, float("inf")
    both = own_spread[seen] + other_spread[seen]
    apart = np.sqrt((np.square(own[seen] - other[seen]) / both).sum(axis=-1))
    return mask & fine.free, float(np.quantile(apart, 0.25))


def _bare_rim(mask: Mask, small: _Picture, lab: Array, under: Sequence[Lab], reach: int) -> Mask:
    """What shows a colour beneath in a bay of the rim: a missed place there is a miss too."""
    size = (small.free.shape[1], small.free.shape[0])
    body = cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
    weights = np.array([_LIGHTNESS, 1.0, 1.0], np.float32)
    like = np.zeros(body.shape, bool)
    for other in under:
        off = (lab - np.array(other, np.float32)) * weights
        like |= np.linalg.norm(off, axis=-1) < 1.5 * _SAME
    free = np.asarray((small.free > 0) & (body == 0), np.uint8)
    bay = _closed(cast(Mask, body), round(1.5 * reach)) & free
    shows = _opened(np.asarray(like & (free > 0), np.uint8), 1)
    count, labels = cv2.connectedComponents(shows, connectivity=4)
    within = np.bincount(labels[bay > 0], minlength=count) / np.bincount(labels.ravel())
    # What lies mostly outside is another thing of that colour.
    bare = np.asarray((within[labels] > _IN_BAY) & (shows > 0), np.uint8)
    # With the blurred rim of what shows.
    whole = bare | (_grown(bare, 4) & bay)
    big = (mask.shape[1], mask.shape[0])
    return np.asarray(cv2.resize(whole * np.float32(1), big) > 0.5, np.uint8)


def _unlike(off: Array, spread: Array) -> Array:
    """Squared distance, standard deviations, from a look; a rolled edge or a shadow is dark."""
    third = np.full((1, 3), 1.0 / 3.0, np.float32)
    bright, plain = cv2.transform(off, third), cv2.transform(spread, third)
    hue = 3.0 * cv2.transform(np.square(off), third) - 3.0 * np.square(bright)
    # What mirrors the room, or lies dark beside a thing, loses some of its hue.
    pale = plain + np.square(np.float32(_FADES) * bright)
    return cast(Array, hue / pale + np.square(bright) / (plain + np.float32(_ROLLED**2)))


def _sure(side: NDArray[np.bool_], far: float) -> Mask:
    """What lies well within one side of the rim."""
    reach = 2 * round(far) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    return cast(Mask, cv2.erode(side.astype(np.uint8), kernel, borderValue=1))


def _near(log: Array, where: Mask, reach: int) -> tuple[Array, Array]:
    """Mean and variance about each place of what a mask shows near by.

    The variance is huge where nothing is near.
    """
    weight = where.astype(np.float32)
    size = (2 * reach + 1, 2 * reach + 1)
    total = cv2.blur(weight, size)
    few = total < 0.005
    total = np.maximum(total, np.float32(1e-6))[..., None]
    mean = cv2.blur(log * weight[..., None], size) / total
    square = cv2.blur(np.square(log) * weight[..., None], size) / total
    spread = np.maximum(square - np.square(mean), 0) + np.float32(_LEAST_SPREAD**2)
    spread[few] = 2.0 * _NOTHING
    return cast(Array, mean), cast(Array, spread)


# --- masks -------------------------------------------------------------------------------------


def _round(side: int) -> Mask:
    return cast(Mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * side + 1, 2 * side + 1)))


def _grown(mask: Mask, side: int) -> Mask:
    return cast(Mask, cv2.dilate(mask, _round(side)))


def _opened(mask: Mask, side: int) -> Mask:
    # The photo's edge is no rim: what fills it stays.
    small = cv2.erode(mask, _round(side), borderValue=1)
    return cast(Mask, cv2.dilate(small, _round(side), borderValue=0)) & mask


def _closed(mask: Mask, side: int) -> Mask:
    large = cv2.copyMakeBorder(mask, side, side, side, side, cv2.BORDER_REPLICATE)
    done = cv2.morphologyEx(large, cv2.MORPH_CLOSE, _round(side))
    return cast(Mask, done[side : side + mask.shape[0], side : side + mask.shape[1]])


def _largest(mask: Mask, like: Mask) -> Mask:
    """The connected part that has the most of `like`."""
    count, labels = cv2.connectedComponents(mask, connectivity=4)
    if count < 2:
        return np.zeros_like(mask)
    sizes = np.bincount(labels[(like > 0) & (mask > 0)], minlength=count)
    return cast(Mask, (labels == int(sizes.argmax())).astype(np.uint8) & mask)


def _filled(mask: Mask) -> Mask:
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(mask)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled


def _luminance(lightness: Array) -> Array:
    """Y of L*, Y = 1 for the perfect white, without the straight part near black."""
    return np.asarray(((np.maximum(lightness, 0.0) + 16.0) / 116.0) ** 3, np.float32)


def _mode(values: Array) -> Array:
    """Densest colour: mean shift from the fullest cell."""
    cells = np.round(values / 6.0).astype(int)
    kinds, counts = np.unique(cells, axis=0, return_counts=True)
    centre = kinds[counts.argmax()].astype(np.float32) * 6.0
    for _ in range(8):
        near = np.linalg.norm(values - centre, axis=1) < _SAME
        if not near.any():
            break
        centre = values[near].mean(axis=0)
    return np.asarray(centre, np.float32)
