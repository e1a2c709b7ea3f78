"""Where the pixels of one photo lie in another of the same view, taken with the lamp moved.

A moved lamp turns the look of a grained surface over: flanks that were bright are dark. To first
order such an image is a slope of the relief taken along the lamp's direction, and two slopes of
one relief have Fourier phases that agree or are opposed. Squared cross-power spectra do not
notice which, so that their peak, at twice the shift, holds whichever way the lamp went. (Phase
correlation: Kuglin and Hines, Proc. IEEE Int. Conf. Cybernetics and Society (1975) 163, from
memory; the square is our own.)
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._registration_tiles import detail, grid, matched
from fullhide.chart import ChartReading
from fullhide.photo import Photo
from fullhide.region import bounding_box, outline_mask
from fullhide.robust import fit, median

__all__ = ["Registration", "chart_map", "mapped", "register", "view_map"]

Array = NDArray[np.float32]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: Size of the pixels that surfaces are matched at, mm: finer than a spot, and grain still shows.
MATCH_MM = 0.25
#: Side of a tile, pixels of the reduced photo, and the most tiles of one region.
TILE_PX, _SMALL_TILE_PX = 128, 64
_MOST_TILES = 48
#: Side of the reduced photos that the whole view is matched on.
_VIEW_PX = 640
#: Peaks this many standard deviations above their surroundings are no chance (of some thousand
#: places searched; our own choice).
_SURE = 5.0
#: The same where only some hundred places near by were searched.
_SURE_NEAR = 4.3
#: The same for the sum of all tiles that lie within the part, all but this share of them.
_SURE_TOGETHER, _WITHIN = 5.0, 0.98
#: Tiles agree if they do within this, pixels of the reduced photo (our own choice).
_AGREE_PX = 1.6
#: Of the tiles that show anything, this share must agree, and at least so many (our own choice).
_AGREE_SHARE, _AGREE_COUNT = 0.6, 4
#: Grain under a moved lamp leads astray by up to this, mm: on rendered leather of 2.4 mm pebbles
#: the grain's own match was off by up to 0.6 mm. Within it the charts are believed.
GRAIN_ASTRAY_MM = 1.0
#: How far a part's rim reaches in, mm: what lies there is not matched.
_RIM_MM = 3.0
#: A simpler map between two charts is taken where it fits within this, pixels (our own choice).
_CHART_PX = 0.3
#: How far off the rough map may be, mm: beyond it nothing is searched.
_SEARCH_MM = 3.0
#: How far the map may bend over a region before the charts' plane is given up, mm (our own).
_BEND_MM = 0.6
#: Standard doubt of a map that rests on grain alone, mm (half of what was seen at the worst).
GRAIN_DOUBT_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Registration:
    """A map from the pixels of one photo to those of another.

    Attributes
    ----------
    found
        Whether the other photo shows the same; if False only `why` means anything.
    matrix
        Homography (3, 3), photo pixels to the other's.
    bend
        What a curved part adds, (6, 2): second-degree surfaces for x and y, in the other's pixels
        over coordinates of -1 to 1 across `box`.
    box
        The region's box in the first photo.
    shift_px
        Movement at the region's middle, pixels.
    doubt_px
        Standard uncertainty of a place, each way, pixels.
    agreeing
        Share of the tiles that show anything which agree with the map.
    why
        What is the matter where `found` is False.
    """

    found: bool
    matrix: Points = field(default_factory=lambda: np.eye(3))
    bend: Points = field(default_factory=lambda: np.zeros((6, 2)))
    box: Box = (0, 0, 1, 1)
    shift_px: tuple[float, float] = (0.0, 0.0)
    doubt_px: float = 0.0
    agreeing: float = 0.0
    why: str = ""

    def to_other(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Places in the other photo of places in the first, float32, any one shape."""
        h = self.matrix.astype(np.float32)
        w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
        u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w
        v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w
        if self.bend.any():
            terms = _terms(x, y, self.box)
            for i, term in enumerate(terms):
                u += np.float32(self.bend[i, 0]) * term
                v += np.float32(self.bend[i, 1]) * term
        return cast(Array, u), cast(Array, v)


def chart_map(first: ChartReading, second: ChartReading) -> Points | None:
    """Homography (3, 3) from the first photo to the second that carries chart to chart.

    None if either chart was not found.
    """
    if not (first.found and second.found):
        return None
    whole = second.homography @ np.linalg.inv(first.homography)
    start = first.centres_px
    end = mapped(whole, start)
    if not np.isfinite(end).all():
        return None
    # The region lies beyond the chart, and what a map has too much of freedom grows out there.
    for model in (_similarity, _affine):
        matrix = model(start, end)
        off = mapped(matrix, start) - end
        if float(np.sqrt(np.square(off).sum(axis=1).mean())) < _CHART_PX:
            return matrix
    return cast(Points, whole / whole[2, 2])


def _similarity(start: Points, end: Points) -> Points:
    """Least-squares shift, turn and change of size, (3, 3)."""
    a, b = start.mean(axis=0), end.mean(axis=0)
    p, q = start - a, end - b
    size = float(np.square(p).sum())
    c = float((p * q).sum()) / size
    s = float((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum()) / size
    turn = np.array([[c, -s], [s, c]])
    return np.vstack([np.column_stack([turn, b - turn @ a]), [0.0, 0.0, 1.0]])


def _affine(start: Points, end: Points) -> Points:
    """Least-squares affine map, (3, 3)."""
    terms = np.column_stack([start, np.ones(len(start))])
    found = np.linalg.lstsq(terms, end, rcond=None)[0]
    return np.vstack([found.T, [0.0, 0.0, 1.0]])


def view_map(photo: Photo, other: Photo) -> Points | None:
    """Rough map (3, 3) between two photos of about one view, by what they show.

    Parameters
    ----------
    photo, other
        The camera may have moved by a sixteenth of the frame, and turned a little.

    Returns
    -------
    ndarray or None
        A shift, turn and change of size; None if too few places agree on one.
    """
    factor = max(1, round(max(photo.size_px) / _VIEW_PX))
    a, b = detail(photo, None, factor), detail(other, None, factor)
    side = TILE_PX if min(a.shape) >= 2 * TILE_PX else _SMALL_TILE_PX
    if min(*a.shape, *b.shape) < side:
        return None
    centres = grid((0, 0, a.shape[1], a.shape[0]), side, side // 2)
    match = matched(a, b, centres, centres, side, factor=factor, reach_px=0.25 * side)
    good = match.sure > _SURE
    if int(good.sum()) < _AGREE_COUNT:
        return None
    fitted, inliers = cv2.estimateAffinePartial2D(
        match.places[good],
        match.moved[good],
        method=cv2.RANSAC,
        ransacReprojThreshold=2.0,
        maxIters=2000,
    )
    matrix = cast("Points | None", fitted)
    if matrix is None or int(inliers.sum()) < max(4, round(0.3 * int(good.sum()))):
        return None
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    if not 0.8 < scale < 1.25:
        return None
    whole = np.vstack([matrix, [0.0, 0.0, 1.0]])
    full = np.diag([factor, factor, 1.0])
    return cast(Points, full @ whole @ np.linalg.inv(full))


def register(
    photo: Photo,
    other: Photo,
    polygon: Points,
    *,
    mm_per_px: float,
    start: Points | None = None,
    charts: Points | None = None,
) -> Registration:
    """Map a region of a photo to another photo of the same view, lamp moved.

    Parameters
    ----------
    photo, other
        The photos.
    polygon
        The region, pixels of `photo`, (N, 2).
    mm_per_px
        Scale of `photo`, known or nominal.
    start
        Rough map from `view_map`.
    charts
        Map from `chart_map`. It is kept where the surface itself agrees with it.

    Returns
    -------
    Registration
        Not `found` where the photos do not agree well enough: nothing is guessed.
    """
    refused = Registration(found=False, why="the two photos do not show the same place")
    for rough, anchored in ((charts, True), (start, False)):
        if rough is None:
            continue
        backed = anchored and _alike(rough, start, polygon, GRAIN_ASTRAY_MM / mm_per_px)
        # Where the finest detail is lost in noise the coarser may still show.
        for size_mm in (MATCH_MM, 2.0 * MATCH_MM):
            factor = max(1, round(size_mm / mm_per_px))
            trial = _refined(
                photo, other, polygon, rough, factor, mm_per_px, anchored=anchored, backed=backed
            )
            if trial.found:
                return trial
    return refused


def _alike(one: Points, two: Points | None, polygon: Points, within_px: float) -> bool:
    """Whether two maps carry an outline to the same place."""
    if two is None:
        return False
    off = mapped(one, polygon) - mapped(two, polygon)
    return bool((np.linalg.norm(off, axis=1) < within_px).all())


def _refined(
    photo: Photo,
    other: Photo,
    polygon: Points,
    rough: Points,
    factor: int,
    mm_per_px: float,
    *,
    anchored: bool,
    backed: bool,
) -> Registration:
    """Match the region's own detail, starting from a rough map.

    `anchored` says that the map comes from the charts, `backed` that the whole view agrees.
    """
    box = bounding_box(polygon, photo.size_px)
    refused = Registration(found=False, box=box, why="the two photos do not show the same place")
    corners = mapped(rough, _corners(box))
    if not np.isfinite(corners).all():
        return refused
    reach = TILE_PX * factor
    first = _grown(box, reach, photo.size_px)
    second = _grown(bounding_box(corners, other.size_px), reach, other.size_px)
    a, b = detail(photo, first, factor), detail(other, second, factor)
    large = min(a.shape) >= 1.25 * TILE_PX and not _narrow(polygon, factor, TILE_PX)
    side = TILE_PX if large else _SMALL_TILE_PX
    if min(*a.shape, *b.shape) < side:
        return refused
    centres = _tiles(polygon, first, a.shape, factor, side)
    if len(centres) < _AGREE_COUNT:
        return refused
    places = centres * factor + first[:2]
    near = (mapped(rough, places) - second[:2]) / factor
    a = _within(a, polygon, first, factor, mm_per_px, side)
    reach_px = min(_SEARCH_MM / (mm_per_px * factor), 0.25 * side)
    match = matched(a, b, centres, near, side, factor=factor, reach_px=reach_px)
    # From pixels of the reduced crops to those of the photos.
    places = match.places * factor + first[:2]
    off = match.moved * factor + second[:2] - mapped(rough, places)
    good = match.sure > _SURE_NEAR
    made = _agreed(
        rough,
        box,
        places[good],
        off[good],
        mm_per_px,
        factor,
        anchored=anchored,
        backed=backed,
    )
    if made.found or not backed:
        return made
    # No tile is sure by itself; all those that lie within the part may be together.
    inner = outline_mask([polygon], first, factor=factor).astype(np.float32)
    whole = cv2.blur(inner, (side, side), borderType=cv2.BORDER_CONSTANT) > _WITHIN
    at = match.places.astype(int)
    shift, sure = match.together(whole[at[:, 1], at[:, 0]])
    length = float(np.linalg.norm(shift)) * factor
    if sure < _SURE_TOGETHER or length * mm_per_px > GRAIN_ASTRAY_MM:
        return made
    doubt = max(0.3, min(GRAIN_DOUBT_MM / mm_per_px, 0.5 * length))
    return _told(Registration(found=True, matrix=rough, box=box, doubt_px=doubt, agreeing=1.0))


def _within(
    fine: Array, polygon: Points, box: Box, factor: int, mm_per_px: float, side: int
) -> Array:
    """Detail of the surface alone: another part of the same make has the same rim.

    A band too narrow for that takes the surface on either side with it.
    """
    mask = outline_mask([polygon], box, factor=factor)[: fine.shape[0], : fine.shape[1]]
    if _narrow(polygon, factor, side):
        inner = cv2.dilate(mask.astype(np.uint8), np.ones((side, side), np.uint8))
    else:
        reach = 2 * round(_RIM_MM / (mm_per_px * factor)) + 1
        inner = cv2.erode(mask.astype(np.uint8), np.ones((reach, reach), np.uint8), borderValue=0.0)
    return cast(Array, fine * cv2.blur(inner.astype(np.float32), (9, 9)))


def _narrow(polygon: Points, factor: int, side: int) -> bool:
    """Whether a region is narrower than a tile."""
    return min(cv2.minAreaRect(polygon.astype(np.float32))[1]) / factor < side


def _agreed(
    rough: Points,
    box: Box,
    places: Points,
    off: Points,
    mm_per_px: float,
    factor: int,
    *,
    anchored: bool,
    backed: bool,
) -> Registration:
    """Map from the tiles' places and what the rough map is off by there, if they agree."""
    within = _AGREE_PX * factor
    why = "the two photos do not show the same place"
    if len(off) < _AGREE_COUNT:
        return Registration(found=False, box=box, why=why)
    middle = median(np.ascontiguousarray(off.T))
    close = np.linalg.norm(off - middle, axis=1) < 6.0 * within
    terms = np.stack(_terms(places[:, 0], places[:, 1], box), axis=1)
    # As much bend as the tiles can bear.
    count = 6 if int(close.sum()) >= 24 else 3 if int(close.sum()) >= 12 else 1
    bend = np.zeros((6, 2))
    if int(close.sum()) >= _AGREE_COUNT:
        bend[:count] = fit(
            terms[close, :count], np.ascontiguousarray(off[close].T), floor=0.3 * factor, fewest=3
        )
    left = np.linalg.norm(off - terms @ bend, axis=1)
    agree = left < within
    share = float(agree.mean())
    refused = Registration(found=False, box=box, agreeing=share, why=why)
    if share < _AGREE_SHARE or int(agree.sum()) < _AGREE_COUNT:
        return refused
    x, y = np.meshgrid(np.linspace(box[0], box[2], 5), np.linspace(box[1], box[3], 5))
    over = np.stack(_terms(x, y, box), axis=-1) @ bend
    lead = over.mean(axis=(0, 1))
    spread = float(np.linalg.norm(over - lead, axis=-1).max())
    doubt = GRAIN_DOUBT_MM / mm_per_px
    length = float(np.linalg.norm(lead))
    near = length * mm_per_px < GRAIN_ASTRAY_MM
    spanned = count > 1 and near and spread * mm_per_px < _BEND_MM
    if anchored and (backed or spanned):
        # The charts are no grain: what the grain says otherwise is the lamp's doing.
        bend = np.zeros((6, 2))
        doubt = max(0.3, min(doubt, 0.5 * length))
    elif anchored or not near:
        # Two charts that lead elsewhere than the view does cannot both be where they were.
        # The valley of a seam, whose dark side changes with the lamp, goes astray farther.
        return refused
    return _told(
        Registration(found=True, matrix=rough, bend=bend, box=box, doubt_px=doubt, agreeing=share)
    )


def _told(made: Registration) -> Registration:
    """The registration with its shift at the region's middle."""
    x0, y0, x1, y1 = made.box
    middle = 0.5 * np.array([[x0 + x1], [y0 + y1]], np.float32)
    u, v = made.to_other(middle[0], middle[1])
    return replace(made, shift_px=(float(u[0] - middle[0, 0]), float(v[0] - middle[1, 0])))


def _terms(
    x: NDArray[np.floating], y: NDArray[np.floating], box: Box
) -> list[NDArray[np.floating]]:
    """Terms of a second-degree surface over a box."""
    x0, y0, x1, y1 = box
    s = (x - x.dtype.type(0.5 * (x0 + x1))) / x.dtype.type(0.5 * (x1 - x0))
    t = (y - y.dtype.type(0.5 * (y0 + y1))) / y.dtype.type(0.5 * (y1 - y0))
    return [np.ones_like(s), s, t, s * s, s * t, t * t]


def _corners(box: Box) -> Points:
    x0, y0, x1, y1 = box
    return np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)


def mapped(matrix: Points, points: Points) -> Points:
    """Points (N, 2) through a homography; NaN where they are not seen."""
    w = points @ matrix[2, :2] + matrix[2, 2]
    w = np.where(np.abs(w) < 1e-9, np.nan, w)
    return (points @ matrix[:2, :2].T + matrix[:2, 2]) / w[:, None]


def _grown(box: Box, by: int, size_px: tuple[int, int]) -> Box:
    x0, y0, x1, y1 = box
    return max(0, x0 - by), max(0, y0 - by), min(size_px[0], x1 + by), min(size_px[1], y1 + by)


def _tiles(polygon: Points, box: Box, shape: tuple[int, ...], factor: int, side: int) -> Points:
    """Centres of tiles of the reduced crop that see a good part of the region."""
    mask = outline_mask([polygon], box, factor=factor)[: shape[0], : shape[1]]
    if _narrow(polygon, factor, side):
        # Along a narrow band all tiles look alike: the surface on either side tells more.
        mask = cv2.dilate(mask.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    seen = cv2.blur(mask.astype(np.float32), (side, side), borderType=cv2.BORDER_CONSTANT)
    step = side // 2
    while True:
        centres = grid((0, 0, shape[1], shape[0]), side, step)
        at = centres.astype(int)
        share = seen[at[:, 1].clip(0, shape[0] - 1), at[:, 0].clip(0, shape[1] - 1)]
        kept = centres[share > min(0.25, 0.6 * float(seen.max()))]
        if len(kept) <= _MOST_TILES:
            return cast(Points, kept)
        step = int(step * 1.25) + 1
