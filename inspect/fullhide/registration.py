"""Where the pixels of one photo lie in another of the same view, taken with the lamp moved.

A moved lamp turns the look of a grained surface over: flanks that were bright are dark. To first
order such an image is a slope of the relief taken along the lamp's direction, and two slopes of
one relief have Fourier phases that agree or are opposed. Squared cross-power spectra do not
notice which, so that their peak, at twice the shift, holds whichever way the lamp went. (Phase
correlation: Kuglin and Hines, Proc. IEEE Int. Conf. Cybernetics and Society (1975) 163, from
memory; the square is our own.)
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

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
#: Tiles agree if they do within this, pixels of the reduced photo (our own choice).
_AGREE_PX = 1.6
#: Of the tiles that show anything, this share must agree, and at least so many (our own choice).
_AGREE_SHARE, _AGREE_COUNT = 0.6, 3
#: Grain under a moved lamp leads astray by up to this, mm: on rendered leather of 2.4 mm pebbles
#: the grain's own match was off by up to 0.6 mm. Within it the charts are believed.
GRAIN_ASTRAY_MM = 1.0
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
    a, b = _detail(photo, None, factor), _detail(other, None, factor)
    side = TILE_PX if min(a.shape) >= 2 * TILE_PX else _SMALL_TILE_PX
    if min(*a.shape, *b.shape) < side:
        return None
    centres = _grid((0, 0, a.shape[1], a.shape[0]), side, side // 2)
    found, moved, sure = _shifts(a, b, centres, centres, side, reach_px=0.25 * side)
    good = sure > _SURE
    if int(good.sum()) < _AGREE_COUNT:
        return None
    fitted, inliers = cv2.estimateAffinePartial2D(
        found[good], moved[good], method=cv2.RANSAC, ransacReprojThreshold=2.0, maxIters=2000
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
    first = _grown(box, reach // 2, photo.size_px)
    second = _grown(bounding_box(corners, other.size_px), reach, other.size_px)
    a, b = _detail(photo, first, factor), _detail(other, second, factor)
    side = TILE_PX if min(a.shape) >= 1.25 * TILE_PX else _SMALL_TILE_PX
    if min(*a.shape, *b.shape) < side:
        return refused
    centres = _tiles(polygon, first, a.shape, factor, side)
    if len(centres) < _AGREE_COUNT:
        return refused
    places = centres * factor + first[:2]
    near = (mapped(rough, places) - second[:2]) / factor
    reach_px = min(_SEARCH_MM / (mm_per_px * factor), 0.25 * side)
    found, moved, sure = _shifts(a, b, centres, near, side, reach_px=reach_px)
    # From pixels of the reduced crops to those of the photos.
    places = found * factor + first[:2]
    off = moved * factor + second[:2] - mapped(rough, places)
    good = sure > _SURE_NEAR
    if int(good.sum()) < _AGREE_COUNT:
        return refused
    return _agreed(
        rough,
        box,
        places[good],
        off[good],
        mm_per_px,
        factor,
        anchored=anchored,
        backed=backed,
    )


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
    middle = median(np.ascontiguousarray(off.T))
    close = np.linalg.norm(off - middle, axis=1) < 6.0 * within
    terms = np.stack(_terms(places[:, 0], places[:, 1], box), axis=1)
    # As much bend as the tiles can bear.
    count = 6 if int(close.sum()) >= 16 else 3 if int(close.sum()) >= 8 else 1
    bend = np.zeros((6, 2))
    if int(close.sum()) >= _AGREE_COUNT:
        bend[:count] = fit(
            terms[close, :count], np.ascontiguousarray(off[close].T), floor=0.3 * factor, fewest=3
        )
    left = np.linalg.norm(off - terms @ bend, axis=1)
    agree = left < within
    share = float(agree.mean())
    refused = Registration(
        found=False, box=box, agreeing=share, why="the two photos do not show the same place"
    )
    if share < _AGREE_SHARE or int(agree.sum()) < _AGREE_COUNT:
        return refused
    x, y = np.meshgrid(np.linspace(box[0], box[2], 5), np.linspace(box[1], box[3], 5))
    over = np.stack(_terms(x, y, box), axis=-1) @ bend
    lead = over.mean(axis=(0, 1))
    spread = float(np.linalg.norm(over - lead, axis=-1).max())
    doubt = GRAIN_DOUBT_MM / mm_per_px
    length = float(np.linalg.norm(lead))
    near = length * mm_per_px < GRAIN_ASTRAY_MM
    if anchored and (backed or (near and spread * mm_per_px < _BEND_MM)):
        # The charts are no grain: what the grain says otherwise is the lamp's doing.
        bend = np.zeros((6, 2))
        doubt = max(0.3, min(doubt, 0.5 * length))
    elif not near:
        # The valley of a seam, whose dark side changes with the lamp, goes astray farther.
        return refused
    centre = np.array([[0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])]])
    made = Registration(
        found=True, matrix=rough, bend=bend, box=box, doubt_px=doubt, agreeing=share
    )
    u, v = made.to_other(centre[:, 0].astype(np.float32), centre[:, 1].astype(np.float32))
    shift = (float(u[0] - centre[0, 0]), float(v[0] - centre[0, 1]))
    return Registration(
        found=True,
        matrix=rough,
        bend=bend,
        box=box,
        doubt_px=doubt,
        agreeing=share,
        shift_px=shift,
    )


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


def _detail(photo: Photo, box: Box | None, factor: int) -> Array:
    """Fine detail of a crop, reduced: brightness over its surroundings, everywhere as strong.

    Codes serve: what is looked at is where something changes, not by how much.
    """
    width, height = photo.size_px
    x0, y0, x1, y1 = box or (0, 0, width, height)
    codes = photo.encoded[y0:y1, x0:x1]
    size = (max(1, (x1 - x0) // factor), max(1, (y1 - y0) // factor))
    if factor > 1:
        # The last pixels that make no whole one are left off, as `Photo.linear` does.
        even = codes[: size[1] * factor, : size[0] * factor]
        codes = cast(NDArray[np.uint8], cv2.resize(even, size, interpolation=cv2.INTER_AREA))
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY).astype(np.float32)
    grey *= np.float32(255.0 / float(np.iinfo(codes.dtype).max))
    slow = cv2.GaussianBlur(grey, (0, 0), 6.0)
    detail = grey - slow
    strong = np.sqrt(cv2.blur(detail * detail, (37, 37))) + np.float32(1.0)
    detail /= strong
    return cast(Array, np.clip(detail, -3.0, 3.0, out=detail))


def _grid(box: Box, side: int, step: int) -> Points:
    """Centres of tiles that lie within a box, evenly spread."""
    x0, y0, x1, y1 = box

    def along(low: int, high: int) -> NDArray[np.float64]:
        count = max(1, 1 + (high - low - side) // step)
        return np.floor(np.linspace(low + side / 2, max(low + side / 2, high - side / 2), count))

    x, y = np.meshgrid(along(x0, x1), along(y0, y1))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _tiles(polygon: Points, box: Box, shape: tuple[int, ...], factor: int, side: int) -> Points:
    """Centres of tiles of the reduced crop that see a good part of the region."""
    mask = outline_mask([polygon], box, factor=factor)[: shape[0], : shape[1]]
    seen = cv2.blur(mask.astype(np.float32), (side, side), borderType=cv2.BORDER_CONSTANT)
    step = side // 2
    while True:
        centres = _grid((0, 0, shape[1], shape[0]), side, step)
        at = centres.astype(int)
        share = seen[at[:, 1].clip(0, shape[0] - 1), at[:, 0].clip(0, shape[1] - 1)]
        kept = centres[share > min(0.25, 0.6 * float(seen.max()))]
        if len(kept) <= _MOST_TILES:
            return cast(Points, kept)
        step = int(step * 1.25) + 1


def _shifts(
    a: Array, b: Array, centres: Points, near: Points, side: int, *, reach_px: float
) -> tuple[Points, Points, NDArray[np.float64]]:
    """Match tiles of `a` with tiles of `b`.

    Parameters
    ----------
    centres, near
        Middles of the tiles in `a`, and about where they lie in `b`, (N, 2).
    reach_px
        How far off they may lie, each way.

    Returns
    -------
    places, moved, sure
        Of the tiles that lie within both images: places in `a` and in `b`, (M, 2), pixel corners,
        and how far the peak stands above chance.
    """
    half = side // 2
    at, to = np.floor(centres).astype(int), np.floor(near).astype(int)
    # A tile that sticks out is moved in; the other by as much.
    low, high = np.full(2, half), np.array([b.shape[1], b.shape[0]]) - half
    inward = np.clip(to, low, high) - to
    at, to = at + inward, to + inward
    limit = np.array([a.shape[1], a.shape[0]]) - half
    keep = ((at >= half) & (at <= limit)).all(axis=1) & (np.abs(inward).max(axis=1) <= half)
    at, to = at[keep], to[keep]
    if not len(at):
        return np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0)
    window = cv2.createHanningWindow((side, side), cv2.CV_32F)
    spectra = []
    for image, places in ((a, at), (b, to)):
        cut = np.stack([image[y - half : y + half, x - half : x + half] for x, y in places])
        cut = (cut - cut.mean(axis=(1, 2), keepdims=True)) * window
        spectra.append(np.fft.rfft2(cut))
    cross = np.conj(spectra[0]) * spectra[1]
    # Squared, the strength tamed to its root.
    surface = np.fft.irfft2(
        cross * cross / (np.abs(cross) ** 1.5 + np.float32(1e-6)) * _band(side), s=(side, side)
    )
    shift, sure = _peaks(surface.astype(np.float32), 2.0 * reach_px)
    return at.astype(np.float64), to + 0.5 * shift, sure


def _band(side: int) -> Array:
    """Frequencies that count: not the slow light, not the camera's noise."""
    down = np.fft.fftfreq(side)[:, None]
    across = np.fft.rfftfreq(side)[None]
    r = np.hypot(down, across)
    return cast(Array, (np.exp(-0.5 * (r / 0.2) ** 2) * (r > 1.5 / side)).astype(np.float32))


def _peaks(surface: Array, reach: float) -> tuple[Points, NDArray[np.float64]]:
    """Place of the highest peak of periodic surfaces (N, S, S), to a fraction, and its height.

    Only places up to `reach` from the origin are looked at, each way.
    """
    count, side, _ = surface.shape
    flat = surface.reshape(count, -1)
    near = np.abs(np.fft.fftfreq(side, 1.0 / side)) <= reach
    seen = np.where((near[:, None] & near[None]).ravel(), flat, -np.inf)
    best = seen.argmax(axis=1)
    rows, columns = np.divmod(best, side)
    n = np.arange(count)
    top = flat[n, best]
    spread = flat.std(axis=1)
    sure = (top - flat.mean(axis=1)) / np.maximum(spread, 1e-12)
    shift = np.empty((count, 2))
    for axis, (at, before, after) in enumerate(
        (
            (
                columns,
                surface[n, rows, (columns - 1) % side],
                surface[n, rows, (columns + 1) % side],
            ),
            (rows, surface[n, (rows - 1) % side, columns], surface[n, (rows + 1) % side, columns]),
        )
    ):
        curve = before - 2.0 * top + after
        part = np.where(curve < 0, 0.5 * (before - after) / np.minimum(curve, -1e-12), 0.0)
        shift[:, axis] = (at + side // 2) % side - side // 2 + part
    return shift, sure.astype(np.float64)
