"""Outlines from an earlier photo of a part carried over to a re-shoot of it.

Two steps. The part's contour, or features that look alike, give rough homographies, whatever the
angle, the distance and the turn of the camera. Then the later photo is laid on the earlier one's
pixels and the surface itself is matched tile by tile, whichever way the lamp stood and whatever
colour it has now (`registration`), which bends the map to a part that is not flat. What the map is
worth is told by tiles that it was not fitted to; where they do not bear it out, nothing is carried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._carry_rough import Shot, around, grey, plausible, rough_maps
from fullhide._registration_tiles import fine_of, grid, matched
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo
from fullhide.region import outline_mask
from fullhide.registration import mapped
from fullhide.robust import fit

__all__ = ["CarryMap", "Carried", "Shot", "carry_map", "carry_outlines"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: Size of the pixels the surface is matched at, first and then, mm; nominal without a scale.
_MATCH_MM = (0.5, 0.3)
_NOMINAL_MM_PER_PX = 0.2
#: Tiles are searched so far about the rough map and then about the bent one, mm.
_REACH_MM = (6.0, 2.5)
_TILE_PX, _MOST_TILES = 96, 160
#: A part's short side is to hold so many tiles.
_ACROSS = 2.5
#: A tile's peak counts from this many standard deviations above chance.
_SURE = 4.6
#: What tiles must bear out (all our own choice): so many agree, this share of those that show
#: anything, and those that the map was not fitted to lie within so much of it at the median, mm.
_FEWEST_TILES, _AGREE_SHARE, _RESIDUAL_MM = 8, 0.6, 0.8
_AGREE_MM = 1.2
#: An outline is carried where it lies at most so far beyond the tiles that agree, share of their
#: extent: a map runs off outside.
_BEYOND = 0.20
#: An outline may leave the later photo by so much, mm: a pass must not speak of what it cannot see.
_WITHIN_MM = 1.0
NOT_THE_SAME = "the two photos do not show the same surface, or too little of it alike"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CarryMap:
    """A map from the pixels of an earlier photo to those of a later one.

    Attributes
    ----------
    found
        If False only `reason` means anything.
    matrix
        Homography (3, 3).
    bend
        What a part that is not flat adds, (6, 2): second-degree surfaces for x and y, in the
        later photo's pixels over coordinates of -1 to 1 across `box`.
    box
        The part's box in the earlier photo.
    residual_px
        Median distance of tiles the map was not fitted to, pixels of the earlier photo.
    agreeing, count
        Share of the tiles that show anything which agree with the map, and their number.
    places
        Where in the earlier photo they lie, (N, 2).
    reason
        What is the matter where nothing was found.
    """

    found: bool
    matrix: Points = field(default_factory=lambda: np.eye(3))
    bend: Points = field(default_factory=lambda: np.zeros((6, 2)))
    box: Box = (0, 0, 1, 1)
    residual_px: float | None = None
    agreeing: float = 0.0
    count: int = 0
    places: Points = field(default_factory=lambda: np.zeros((0, 2)))
    reason: str = ""

    def to_later(self, points: Points) -> Points:
        """Places (N, 2) of the later photo; NaN where it does not see them."""
        flat = mapped(self.matrix, np.asarray(points, np.float64))
        return flat + _terms(points, self.box) @ self.bend


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Carried:
    """Outlines of a later photo.

    Attributes
    ----------
    outlines
        As in the earlier photo: same names and kinds, marked ``proposed`` and ``carried``. Empty
        where the photos do not fit.
    left_out
        Names of outlines that could not be carried: outside the later photo, or too far from
        what was matched.
    residual_px, residual_mm
        How well the map holds where it was not fitted, the median; None where there is none, mm
        also without a scale.
    reason
        What is the matter; empty where all went well.
    map
        The map itself.
    """

    outlines: tuple[RegionOutline, ...]
    left_out: tuple[str, ...] = ()
    residual_px: float | None = None
    residual_mm: float | None = None
    reason: str = ""
    map: CarryMap = field(default_factory=lambda: CarryMap(found=False))


def carry_outlines(
    earlier: Shot,
    outlines: Sequence[RegionOutline],
    later: Shot,
    *,
    file: str,
    mm_per_px: float | None = None,
) -> Carried:
    """Carry the outlines of an earlier photo of a part over to a later one.

    Parameters
    ----------
    earlier, later
        The photos with their charts, which are not matched: other angles, distances and lamps are
        allowed, and spots, colours and things on the bench may have changed.
    outlines
        Those drawn in `earlier`. Charts are left out: they are laid anew for every photo.
    file
        Name of the later photo in the job.
    mm_per_px
        Scale of the earlier photo; None if it is not known, when tolerances in mm are taken at a
        nominal scale.

    Returns
    -------
    Carried
        No outlines, and the reason, where the fit is poor: nothing is guessed.
    """
    # Thread ends, labels and tape lie where they lay only by chance: they are drawn anew.
    drawn = [outline for outline in outlines if outline.kind not in ("chart", "ignore")]
    if not drawn:
        return Carried(outlines=(), reason="the earlier photo has no outline to carry over")
    found = carry_map(earlier, later, [o.polygon for o in drawn], mm_per_px=mm_per_px)
    if not found.found:
        return Carried(outlines=(), reason=found.reason, map=found)
    carried, left_out = [], []
    for outline in drawn:
        moved = _moved(outline, found, later.photo, file, mm_per_px or _NOMINAL_MM_PER_PX)
        if moved is None:
            left_out.append(outline.name)
        else:
            carried.append(moved)
    told = ", ".join(f'"{name}"' for name in left_out)
    reason = f"not wholly in this photo, or too far from what could be matched: {told}"
    residual = found.residual_px
    return Carried(
        outlines=tuple(carried),
        left_out=tuple(left_out),
        residual_px=residual,
        residual_mm=None if residual is None or mm_per_px is None else residual * mm_per_px,
        reason=reason if left_out else "",
        map=found,
    )


def carry_map(
    earlier: Shot, later: Shot, polygons: Sequence[Points], *, mm_per_px: float | None = None
) -> CarryMap:
    """Map a part from an earlier photo to a later one.

    Parameters
    ----------
    earlier, later, mm_per_px
        As `carry_outlines`.
    polygons
        Outlines on the part, pixels of `earlier`, (N, 2).

    Returns
    -------
    CarryMap
        Not `found` where the surface does not bear it out.
    """
    best = CarryMap(found=False, reason=NOT_THE_SAME)
    for rough in rough_maps(earlier, later, polygons):
        made = _refined(
            earlier.photo, later.photo, polygons, rough, mm_per_px or _NOMINAL_MM_PER_PX
        )
        if made.found:
            return made
        if made.agreeing > best.agreeing:
            best = made
    return best


# --- fine: the surface itself ------------------------------------------------------------------


def _refined(
    earlier: Photo, later: Photo, polygons: Sequence[Points], rough: Points, mm_per_px: float
) -> CarryMap:
    """Bend a rough map to the surface, and refuse it where the surface does not bear it out."""
    box = around(polygons, earlier.size_px, 0.0)
    made = CarryMap(found=True, matrix=rough, box=box)
    for size_mm, reach_mm in zip(_MATCH_MM, _REACH_MM, strict=True):
        # A small part is looked at more finely, so that it holds tiles enough.
        short_mm = min(box[2] - box[0], box[3] - box[1]) * mm_per_px
        factor = max(1, round(min(size_mm, short_mm / (_ACROSS * _TILE_PX)) / mm_per_px))
        places, moved = _tiles_moved(
            earlier, later, polygons, made, factor, reach_mm / (mm_per_px * factor), mm_per_px
        )
        if len(places) < _FEWEST_TILES:
            return CarryMap(found=False, box=box, reason=NOT_THE_SAME)
        # From where a tile was expected to where it lies, all in pixels of the later photo.
        target = made.to_later(moved)
        made = _fitted(places, target, box, mm_per_px)
        if not made.found:
            return made
    return made


def _tiles_moved(
    earlier: Photo,
    later: Photo,
    polygons: Sequence[Points],
    made: CarryMap,
    factor: int,
    reach_px: float,
    mm_per_px: float,
) -> tuple[Points, Points]:
    """Sure tiles: their places in the earlier photo, and where the later one has them instead.

    Both in pixels of the earlier photo, the later one laid on it by the map so far.
    """
    none = np.zeros((0, 2))
    margin = _TILE_PX * factor
    x0, y0, x1, y1 = made.box
    width, height = earlier.size_px
    box = (max(0, x0 - margin), max(0, y0 - margin), min(width, x1 + margin),
           min(height, y1 + margin))  # fmt: skip
    size = ((box[2] - box[0]) // factor, (box[3] - box[1]) // factor)
    box = (box[0], box[1], box[0] + size[0] * factor, box[1] + size[1] * factor)
    if min(size) < _TILE_PX:
        return none, none
    mask = outline_mask(polygons, box, factor=factor)[: size[1], : size[0]]
    laid, seen = _laid(later, made, box, factor, size)
    mask &= seen
    a, b = fine_of(grey(earlier, box, float(factor))), fine_of(laid)
    # The rim tells of the make, not of the part: only the surface is matched.
    rim = 2 * max(1, round(3.0 / (mm_per_px * factor))) + 1
    inner = cv2.erode(mask.astype(np.uint8), np.ones((rim, rim), np.uint8), borderValue=0)
    a *= cv2.blur(inner.astype(np.float32), (9, 9))
    centres = _centres(np.asarray(inner, np.uint8), size)
    if len(centres) < _FEWEST_TILES:
        return none, none
    reach = min(reach_px, 0.25 * _TILE_PX)
    match = matched(a, b, centres, centres, _TILE_PX, factor=factor, reach_px=reach)
    sure = match.sure > _SURE
    return match.places[sure] * factor + box[:2], match.moved[sure] * factor + box[:2]


def _laid(
    later: Photo, made: CarryMap, box: Box, factor: int, size: tuple[int, int]
) -> tuple[Array, Mask]:
    """The later photo on the earlier one's reduced pixels, and where it shows anything."""
    x = (np.arange(size[0]) + 0.5) * factor + box[0]
    y = (np.arange(size[1]) + 0.5) * factor + box[1]
    # The map is smooth: every eighth pixel is enough, the rest between them.
    few = 8
    nx, ny = size[0] // few + 2, size[1] // few + 2
    gx, gy = np.meshgrid(
        (np.arange(nx) * few + 0.5) * factor + box[0], (np.arange(ny) * few + 0.5) * factor + box[1]
    )
    coarse = made.to_later(np.stack([gx.ravel(), gy.ravel()], axis=1)).reshape(ny, nx, 2)
    coarse = np.nan_to_num(coarse, nan=-1e6)
    step_x = (x - gx[0, 0]) / (few * factor)
    step_y = (y - gy[0, 0]) / (few * factor)
    at_x = np.broadcast_to(step_x.astype(np.float32), (size[1], size[0]))
    at_y = np.broadcast_to(step_y.astype(np.float32)[:, None], (size[1], size[0]))
    at = cv2.remap(coarse.astype(np.float32), at_x.copy(), at_y.copy(), cv2.INTER_LINEAR)
    middle = coarse[ny // 2, nx // 2], coarse[ny // 2, nx // 2 - 1], coarse[ny // 2 - 1, nx // 2]
    across, down = middle[0] - middle[1], middle[0] - middle[2]
    area = abs(float(across[0] * down[1] - across[1] * down[0])) / few**2
    scale = max(1.0, float(np.sqrt(area)))
    width, height = later.size_px
    whole = grey(later, (0, 0, width, height), scale)
    fx, fy = whole.shape[1] / width, whole.shape[0] / height
    u = at[..., 0] * np.float32(fx) - np.float32(0.5)
    v = at[..., 1] * np.float32(fy) - np.float32(0.5)
    seen = (at[..., 0] > 0) & (at[..., 1] > 0) & (at[..., 0] < width) & (at[..., 1] < height)
    laid = cv2.remap(whole, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return cast(Array, laid), seen


def _centres(inner: NDArray[np.uint8], size: tuple[int, int]) -> Points:
    """Middles of tiles that see a good part of the surface."""
    share = cv2.blur(inner.astype(np.float32), (_TILE_PX, _TILE_PX), borderType=cv2.BORDER_CONSTANT)
    step = _TILE_PX // 2
    while True:
        centres = grid((0, 0, size[0], size[1]), _TILE_PX, step)
        at = centres.astype(int)
        here = share[at[:, 1].clip(0, size[1] - 1), at[:, 0].clip(0, size[0] - 1)]
        kept = centres[here > 0.35]
        if len(kept) <= _MOST_TILES:
            return cast(Points, kept)
        step = int(step * 1.25) + 1


def _fitted(places: Points, target: Points, box: Box, mm_per_px: float) -> CarryMap:
    """Homography and bend through tiles; refused where too few of them agree."""
    within = _AGREE_MM / mm_per_px
    made = _model(places, target, box, within)
    if made is None:
        return CarryMap(found=False, box=box, reason=NOT_THE_SAME)
    off = _off(made, places, target)
    agree = off < within
    share, count = float(agree.mean()), int(agree.sum())
    refused = CarryMap(found=False, box=box, agreeing=share, count=count, reason=NOT_THE_SAME)
    if share < _AGREE_SHARE or count < _FEWEST_TILES:
        return refused
    if not plausible(made.matrix, places[agree]):
        return replace(refused, reason="the later photo seems to show the part mirrored or folded")
    # Each half is told by a fit to the other.
    half = np.arange(len(places)) % 2 == 0
    left = []
    for mine in (half, ~half):
        other = _model(places[~mine], target[~mine], box, within)
        if other is not None:
            left.append(_off(other, places[mine], target[mine]))
    residual = float(np.median(np.concatenate(left))) if left else float("inf")
    if residual * mm_per_px > _RESIDUAL_MM:
        return replace(refused, reason=f"{NOT_THE_SAME} (off by {residual * mm_per_px:.1f} mm)")
    return replace(
        made, residual_px=residual, agreeing=share, count=count, places=places[agree].copy()
    )


def _model(places: Points, target: Points, box: Box, within: float) -> CarryMap | None:
    if len(places) < 5:
        return None
    matrix, _ = cv2.findHomography(
        places, target, cv2.USAC_MAGSAC, ransacReprojThreshold=2.0 * within, maxIters=5000
    )
    if matrix is None:
        return None
    terms = _terms(places, box)
    off = target - mapped(cast(Points, matrix), places)
    close = np.linalg.norm(off, axis=1) < 4.0 * within
    bend = np.zeros((6, 2))
    if int(close.sum()) >= 18:
        bend = fit(terms[close], np.ascontiguousarray(off[close].T), floor=0.2 * within, fewest=12)
    return CarryMap(found=True, matrix=cast(Points, matrix), bend=bend, box=box)


def _off(made: CarryMap, places: Points, target: Points) -> NDArray[np.float64]:
    """How far targets lie from the map, pixels of the earlier photo."""
    here = made.to_later(places)
    step = made.to_later(places + np.array([1.0, 0.0])) - here
    scale = float(np.median(np.linalg.norm(step, axis=1)))
    return np.asarray(np.linalg.norm(target - here, axis=1) / max(scale, 1e-6))


def _terms(points: Points, box: Box) -> Points:
    """Terms of a second-degree surface over a box, (N, 6)."""
    x0, y0, x1, y1 = box
    s = (points[:, 0] - 0.5 * (x0 + x1)) / (0.5 * (x1 - x0))
    t = (points[:, 1] - 0.5 * (y0 + y1)) / (0.5 * (y1 - y0))
    return np.stack([np.ones_like(s), s, t, s * s, s * t, t * t], axis=1)


# --- outlines ----------------------------------------------------------------------------------


def _moved(
    outline: RegionOutline, made: CarryMap, later: Photo, file: str, mm_per_px: float
) -> RegionOutline | None:
    """The outline in the later photo; None where it is not seen well enough."""
    low, high = made.places.min(axis=0), made.places.max(axis=0)
    beyond = np.maximum(low - outline.polygon, outline.polygon - high).max()
    if beyond > _BEYOND * float((high - low).max()):
        return None
    polygon = made.to_later(_dense(outline.polygon))
    size = np.array(later.size_px, np.float64)
    if not np.isfinite(polygon).all():
        return None
    kept = np.clip(polygon, 0.0, size)
    if float(np.abs(kept - polygon).max()) * mm_per_px > _WITHIN_MM:
        return None
    holes = tuple(np.clip(made.to_later(_dense(hole)), 0.0, size) for hole in outline.holes)
    for ring in (kept, *holes):
        ring.setflags(write=False)
    properties = {
        **outline.properties, "photo": file, "proposed": True, "carried": outline.photo
    }  # fmt: skip
    return replace(
        outline,
        photo=file,
        polygon=kept,
        holes=holes,
        properties=properties,
        line=None,
        number=None,
    )


def _dense(ring: Points) -> Points:
    """Corners of a ring and two more on every long side, so that it bends with the map."""
    extent = float(np.ptp(ring, axis=0).max())
    out = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        count = 1 + int(np.linalg.norm(b - a) > 0.25 * extent) * 3
        out.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return np.concatenate(out)
