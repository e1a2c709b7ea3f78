"""What a region looks like without spots: its finished colour, and the slow play of light on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50
from fullhide.region import RegionView
from fullhide.robust import MAD_TO_SD, fit, median
from fullhide.smoothing import blur, enlarged, joined, masked_blur, times

__all__ = ["Background", "background"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Standard deviation of the smoothing that counts as slow, mm (our own choice: far wider than a
#: spot, narrower than a panel's roll).
SLOW_MM = 7.0
#: Seams: along and across.
ALONG_MM, ACROSS_MM = 9.0, 0.08
_COARSE_MM = 1.0
#: Blocks that are enough for a median or a plane.
_FEW = 4000
#: Length of a difference of log tints that tells two colours apart pixel by pixel, and the
#: strengths of bounced light that a valley may have, in bounces; how many times nearer a place is
#: to a colour beneath that is plainly bare (our own choices).
_TELLING = 0.12
_PLAINLY = 2.0
_BOUNCES = (-0.6, 1.5)
#: From so many blocks of a row on, how strongly light bounces may drift along a seam: it lies
#: otherwise to the lamp at its other end (our own choice).
_DRIFTING = 40
#: What shows plainly in a seam: a share, what may be left of its change of colour, the smoothing,
#: and the extent along (stitches cross a seam) and across, mm; rounds (our own choices).
_PLAIN_SHARE, _PLAIN_REST, _PLAIN_FINE_MM = 0.25, 0.35, 0.2
_PLAIN_MM, _PLAIN_ROUNDS = (2.0, 0.7), 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Background:
    """The spot-free look of a region.

    Attributes
    ----------
    finish
        XYZ of the finished colour at the region's own middle brightness, (3,).
    ratio
        Pixel over background, less one, float32 (H, W, 3); 0 outside the judged pixels.
    weight
        How much a pixel's ratio is worth: the light it got, at most 1; 0 where not judged.
    judged
        Pixels that `ratio` holds for.
    bare
        Those of them that look far more like a colour beneath than like the finish, in places
        wider than a pixel: what they do says nothing of the grain's own play.
    """

    finish: Vector
    ratio: Array
    weight: Array
    judged: Mask
    bare: Mask


def background(view: RegionView, *, beneath: Sequence[Vector] = ()) -> Background:
    """Background of a panel or a straightened seam.

    Parameters
    ----------
    view
        The region; at least a few hundred judged pixels.
    beneath
        XYZ of the colours that may show, each (3,): where a seam looks more like one of them
        than like the finish, it does not count to its background.

    Returns
    -------
    Background
        Panels: slow shading of the finished colour plus slow highlight of the light's colour,
        each non-negative, and a plane of drift of the light's colour. Seams: for every distance
        from the centre line its own colour, and shading that is slow along the seam.
    """
    return _seam(view, beneath) if view.is_seam else _panel(view, beneath)


def _panel(view: RegionView, beneath: Sequence[Vector]) -> Background:
    block = max(1, round(_COARSE_MM / view.mm_per_px))
    values, mass = _coarse(view.xyz, view.judged, (block, block))
    good = mass > 0.5
    if not good.any():
        good = mass > 0
    finish = _centre(values[good])
    sigma = SLOW_MM / (view.mm_per_px * block)
    slow = _robust_slow(values, mass, (sigma, sigma), finish)
    shading, shine, drift = _on_finish_and_light(slow, good, finish)
    smooth = shading[..., None] * finish.astype(np.float32) * (1.0 + drift)
    smooth += shine[..., None] * WHITE_D50.astype(np.float32)
    height, width = view.judged.shape
    smooth = enlarged(smooth, (block, block), (width, height))
    bare = _like_beneath(values, good, finish, beneath, times=_PLAINLY)
    return _finished(view, smooth, finish, _spread_out(bare, (block, block), (width, height)))


def _coarse(xyz: Array, judged: Mask, block: tuple[int, int]) -> tuple[Array, Array]:
    """Means over blocks (x, y pixels) of the judged pixels, and the share judged."""
    weight = judged.astype(np.float32)
    if block == (1, 1):
        return xyz, weight
    mass = joined(weight, block)
    total = joined(times(xyz, weight), block)
    return times(total, np.reciprocal(np.maximum(mass, np.float32(1e-3)))), mass


def _centre(values: Array) -> Vector:
    """Median colour, its three channels taken at one brightness."""
    channels = np.ascontiguousarray(values.T)
    rough = np.maximum(median(channels).astype(np.float64), 1e-5)
    bright = (1.0 / (3.0 * rough)).astype(np.float32) @ channels
    tint = median(channels / np.maximum(bright, np.float32(1e-4)))
    return cast(Vector, np.maximum(tint.astype(np.float64) * float(median(bright)), 1e-5))


def _robust_slow(values: Array, mass: Array, sigma: tuple[float, float], finish: Vector) -> Array:
    """Slow part of an image, spots left out by three rounds of clipping."""
    slow = masked_blur(values, mass, sigma)
    full = mass > min(0.5, 0.99 * float(mass.max()))
    step = max(1, int(np.count_nonzero(full)) // _FEW)
    for _ in range(3):
        off = cv2.absdiff(values, slow)
        few = np.ascontiguousarray(off[full][::step].T)
        wide = 3.0 * (MAD_TO_SD * median(few) + 1e-6 * finish)
        # 255 where all three channels stay within the spread.
        within = cv2.inRange(off, (0.0,) * 3, tuple(float(w) for w in wide))
        weight = mass * np.where(within > 0, np.float32(1.0), np.float32(0.02))
        slow = masked_blur(values, weight, sigma)
        # Once more on what is left: without it the mean leans wherever the light has a slope
        # and the region an edge.
        slow = slow + masked_blur(values - slow, weight, sigma)
    return slow


def _on_finish_and_light(slow: Array, good: Mask, finish: Vector) -> tuple[Array, Array, Array]:
    """Shading, highlight and a plane of colour drift of a slow image.

    The highlight's zero is the level most of the region has: an even sheen is part of its colour.
    """
    light = WHITE_D50
    scale = (slow / finish.astype(np.float32)).astype(np.float32)
    bright = _mean(scale)
    tint = scale / np.maximum(bright, 1e-4)[..., None] - 1.0
    ramp = _plane(tint.astype(np.float32), good)
    # Direction in tint that a little highlight moves: towards the light's own colour.
    toward = light / finish
    toward = toward / toward.mean() - 1.0
    length = float(toward @ toward)
    if length < 1e-3:  # a neutral finish: shine cannot be told from shading, nor need it be
        return bright, np.zeros_like(bright), ramp
    along = ((tint - ramp) @ (toward / length).astype(np.float32)).astype(np.float32)
    along = np.clip(along, 0.0, 0.5) * (bright > 0)
    # bright * (1 + along*toward) = shading + k * light/finish
    k = along * bright / np.float32((light / finish).mean())
    return bright * (1.0 - along), k.astype(np.float32), ramp


def _mean(values: Array) -> Array:
    """Mean of the three channels of an image."""
    return cast(Array, cv2.transform(values, np.full((1, 3), 1.0 / 3.0, np.float32)))


def _plane(values: Array, good: Mask) -> Array:
    """Robust plane through each channel of an image, as an image."""
    rows, columns = np.indices(good.shape, dtype=np.float32)
    rows = rows / max(1, good.shape[0] - 1) - 0.5
    columns = columns / max(1, good.shape[1] - 1) - 0.5
    design = np.stack([np.ones_like(rows), columns, rows], axis=-1)
    step = max(1, int(np.count_nonzero(good)) // _FEW)
    plane = fit(design[good][::step], np.ascontiguousarray(values[good][::step].T))
    return cast(Array, cv2.transform(design, plane.T.astype(np.float32)))


def _seam(view: RegionView, beneath: Sequence[Vector]) -> Background:
    block = (max(1, round(_COARSE_MM / view.mm_per_px)), 1)
    values, mass = _coarse(view.xyz, view.judged, block)
    good = mass > 0.5
    if not good.any():
        good = mass > 0
    finish = _centre(values[good])
    suspect = _like_beneath(values, good, finish, beneath)
    bare = _like_beneath(values, good, finish, beneath, times=_PLAINLY)
    sigma = (ALONG_MM / (view.mm_per_px * block[0]), ACROSS_MM / view.mm_per_px)
    smooth = _valley(values, mass, good & ~suspect, suspect, sigma, finish)
    untold = [colour for colour in beneath if _tint_apart(colour, finish) < _TELLING]
    for _ in range(_PLAIN_ROUNDS if untold else 0):
        # What a gap did to its own background shows once the worst of it is left out.
        plain = good & ~suspect & _stands_out(view, smooth, block, finish, untold)
        if not plain.any():
            break
        suspect, bare = suspect | plain, bare | plain
        smooth = _valley(values, mass, good & ~suspect, suspect, sigma, finish)
    height, width = view.judged.shape
    bare = _spread_out(bare, block, (width, height))
    return _finished(view, enlarged(smooth, block, (width, height)), finish, bare)


def _valley(
    values: Array,
    mass: Array,
    sure: Mask,
    suspect: Mask,
    sigma: tuple[float, float],
    finish: Vector,
) -> Array:
    """The spot-free look of a straightened seam's blocks."""
    trusted = mass * np.where(suspect, np.float32(0.01), np.float32(1.0))
    slow = _robust_slow(values, trusted, sigma, finish)
    _bridge(slow, trusted, sigma)
    tint: Array = (slow / finish.astype(np.float32)).astype(np.float32)
    bright = _mean(tint)
    tint /= np.maximum(bright, 1e-4)[..., None]
    bounced = _bounced(tint, sure, finish)
    return np.asarray(bright[..., None] * bounced * finish.astype(np.float32), np.float32)


def _stands_out(
    view: RegionView, smooth: Array, block: tuple[int, int], finish: Vector, beneath: list[Vector]
) -> Mask:
    """Blocks that show a good part of a colour beneath, wider along the seam than a stitch.

    By their lightness too, now that the slow play of light is known.
    """
    height, width = view.judged.shape
    whole = enlarged(smooth, block, (width, height))
    ratio = cv2.divide(view.xyz, np.maximum(whole, np.float32(1e-4))) - np.float32(1.0)
    there = view.judged.astype(np.float32)
    fine = _PLAIN_FINE_MM / view.mm_per_px
    ratio = masked_blur(np.asarray(ratio, np.float32), there, (fine, fine))
    along, across = (max(1, round(side / view.mm_per_px)) for side in _PLAIN_MM)
    found = np.zeros((height, width), np.uint8)
    for colour in beneath:
        contrast = (colour / finish - 1.0).astype(np.float32)
        power = float(contrast @ contrast)
        share = cast(Array, cv2.transform(ratio, (contrast / power)[None])).reshape(height, width)
        rest = np.square(ratio - share[..., None] * contrast).sum(axis=-1)
        like = (
            view.judged & (share > _PLAIN_SHARE) & (rest < np.square(_PLAIN_REST * share) * power)
        )
        kernel = np.ones((across, along), np.uint8)
        found[cv2.morphologyEx(like.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0] = 1
    # Rows between, in which a gap passes for the background.
    between = np.ones((2 * across + 1, 1), np.uint8)
    closed = cv2.morphologyEx(found, cv2.MORPH_CLOSE, between)
    return np.asarray(joined(closed.astype(np.float32), block) > 0.5)


def _spread_out(mask: Mask, block: tuple[int, int], size: tuple[int, int]) -> Mask:
    """A mask of blocks as one of pixels."""
    whole = (mask.shape[1] * block[0], mask.shape[0] * block[1])
    large = cv2.resize(mask.astype(np.uint8), whole, interpolation=cv2.INTER_NEAREST)
    return np.asarray(large[: size[1], : size[0]] > 0)


def _like_beneath(
    values: Array, good: Mask, finish: Vector, beneath: Sequence[Vector], *, times: float = 1.0
) -> Mask:
    """Where the tint is nearer, so many times, to a colour beneath than to the finish.

    Either may be moved along the logarithm of its own colour, as light does that bounced in the
    valley. Colours that differ in lightness only are not told apart here.
    """
    # Smoothed a little: single pixels of a dark valley are mostly noise.
    smooth = masked_blur(values, good.astype(np.float32), (1.0, 1.0))
    logs = np.log(np.maximum(smooth / finish.astype(np.float32), np.float32(1e-3)))
    logs -= _mean(logs)[..., None]
    own = _beside_bounce(logs, finish)
    found = np.zeros(good.shape, bool)
    for colour in beneath:
        if _tint_apart(colour, finish) < _TELLING:
            continue
        apart = np.log(np.maximum(colour, 1e-5) / finish)
        apart = (apart - apart.mean()).astype(np.float32)
        other = times * _beside_bounce(logs - apart, colour)
        found |= good & (other < own) & (own > 0.5 * times * _TELLING)
    return found


def _tint_apart(colour: Vector, finish: Vector) -> float:
    """How far a colour's tint lies beside what light bouncing on the finish can do."""
    apart = np.log(np.maximum(colour, 1e-5) / finish)
    apart = (apart - apart.mean()).astype(np.float32)
    return float(_beside_bounce(apart[None, None], finish)[0, 0])


def _beside_bounce(logs: Array, colour: Vector) -> Array:
    """Length of centred log tints beside what light bouncing between such surfaces can do."""
    direction = np.log(np.maximum(colour, 1e-5))
    direction = direction - direction.mean()
    length = float(direction @ direction)
    if length < 1e-4:
        return cast(Array, np.sqrt(np.square(logs).sum(axis=-1)))
    strength = np.clip(logs @ (direction / length).astype(np.float32), *_BOUNCES)
    rest = logs - strength[..., None] * direction.astype(np.float32)
    return cast(Array, np.sqrt(np.square(rest).sum(axis=-1)))


def _bridge(slow: Array, mass: Array, sigma: tuple[float, float]) -> None:
    """Where a seam's row has no trusted pixel for a long way, set its usual place in the valley.

    That is its own mean brightness against the seam's, carried along the seam.
    """
    near = blur(mass, sigma)
    row_mass = mass.sum(axis=1, keepdims=True)
    row = (slow * near[..., None]).sum(axis=1, keepdims=True)
    row /= np.maximum(near.sum(axis=1, keepdims=True), 1e-3)[..., None]
    along = (slow * near[..., None]).sum(axis=0, keepdims=True)
    usual = (row * near[..., None]).sum(axis=0, keepdims=True)
    bright = along.mean(axis=-1) / np.maximum(usual.mean(axis=-1), 1e-6)
    trust = np.clip(near / 0.1, 0.0, 1.0) * (row_mass > 0)
    slow *= trust[..., None]
    slow += (1.0 - trust)[..., None] * row * bright[..., None]


def _bounced(tint: Array, sure: Mask, finish: Vector) -> Array:
    """Keep of each row's tint what light bouncing in the valley can do, drifting along the seam.

    Each bounce multiplies the light by the surface's own colour, so that a valley's tint moves
    along the logarithm of the finish. Anything else there is colour that shows.
    """
    direction = np.log(finish / finish.mean())
    direction = direction - direction.mean()
    length = float(direction @ direction)
    if length < 1e-4:
        return np.ones((tint.shape[0], 1, 3), np.float32)
    logs = np.log(np.maximum(tint, np.float32(1e-3)))
    strength = (logs @ (direction / length).astype(np.float32)).astype(np.float32)
    along = np.linspace(-1.0, 1.0, tint.shape[1], dtype=np.float32)
    terms = np.stack([np.ones_like(along), along], axis=-1)
    held = np.zeros_like(strength)
    blocks = sure.sum(axis=1)
    for row in np.flatnonzero(blocks >= 8):
        there = sure[row]
        if blocks[row] < _DRIFTING:
            held[row] = median(strength[row, there])
        else:
            held[row] = terms @ fit(terms[there], strength[row, there][None])[:, 0]
    held = np.clip(held, *_BOUNCES)
    bounced = np.exp(held[..., None] * direction.astype(np.float32))
    return cast(Array, bounced / _mean(bounced)[..., None])


def _finished(view: RegionView, smooth: Array, finish: Vector, bare: Mask) -> Background:
    floor = np.float32(0.02) * finish.astype(np.float32)
    lowest = tuple(float(v) for v in floor)
    bright = cv2.inRange(smooth, (*lowest, 0.0), (1e9, 1e9, 1e9, 1e9)) > 0
    judged = view.judged & bright
    ratio = cast(Array, cv2.divide(view.xyz, np.maximum(smooth, floor)))
    ratio -= np.float32(1.0)
    ratio[~judged] = 0.0
    # Shot noise: the variance of a ratio goes as one over the light.
    level = cv2.transform(smooth, (1.0 / (3.0 * finish))[None]).reshape(judged.shape)
    weight = np.clip(level, 0.03, 1.0).astype(np.float32)
    weight[~judged] = 0.0
    return Background(finish=finish, ratio=ratio, weight=weight, judged=judged, bare=bare & judged)
