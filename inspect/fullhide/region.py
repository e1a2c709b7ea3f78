"""From an outline to pixels: a panel as a reduced crop, a seam as a straightened band."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.edge_line import edge_course
from fullhide.photo import Photo
from fullhide.seam import centre_line, normals, seam_coordinates, valley

__all__ = [
    "Patch",
    "RegionView",
    "grown",
    "outline_mask",
    "view_edge",
    "view_panel",
    "view_seam",
    "work_factor",
]

Box = tuple[int, int, int, int]
Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Polygon = NDArray[np.float64]
Vector = NDArray[np.float64]
#: From working linear RGB and the box it was cut from to XYZ(D50).
ToXYZ = Callable[[Array, Box], Array]

#: Pixels across the disc of the limit's area that the checks work at (our own choice).
PX_ACROSS_LIMIT = 3.7
#: Pixels of a masked line's view are joined up to this size, mm (our own choice).
EDGE_MM_PER_PX = 0.13


class Patch(NamedTuple):
    """Relative change of XYZ, (3,), by a step of a file's coding, over an area in mm²."""

    change: Vector
    area_mm2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionView:
    """One region's pixels at the scale the checks work at.

    Attributes
    ----------
    xyz
        XYZ(D50), float32 (H, W, 3); for a seam straightened: x runs along it, y across.
    inside
        Pixels within the outline, less what is to be ignored, bool (H, W).
    judged
        Those of them that show the surface: not clipped, not dark beyond use.
    clipped
        Those with a channel at its ceiling.
    mm_per_px
        Millimetres a work pixel; nominal where `scaled` is False.
    scaled
        Whether the photo's scale is known.
    factor
        Photo pixels a work pixel.
    box
        The crop in the photo.
    line
        The seam's centre line in photo pixels, (N, 2), one row a work pixel along; None for a
        panel.
    coding
        What one step of the file's own coding does to the region's colour.
    """

    xyz: Array
    inside: Mask
    judged: Mask
    clipped: Mask
    mm_per_px: float
    scaled: bool
    factor: float
    box: Box
    line: Polygon | None = None
    coding: tuple[Patch, ...] = ()

    @property
    def is_seam(self) -> bool:
        """Whether the view is a straightened seam."""
        return self.line is not None

    def point(self, xy: tuple[float, float]) -> tuple[float, float]:
        """Place in the photo of a place in this view."""
        x, y = xy
        if self.line is None:
            return self.box[0] + x * self.factor, self.box[1] + y * self.factor
        i = int(np.clip(x, 0, len(self.line) - 1))
        return float(self.line[i, 0]), float(self.line[i, 1])

    def to_photo(self, labels: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Carry a label map (H, W) of this view to the pixels of `box`."""
        x0, y0, x1, y1 = self.box
        if self.line is None:
            size = (x1 - x0, y1 - y0)
            return cast(
                NDArray[np.uint16], cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST_EXACT)
            )
        along, across = seam_coordinates(
            self.line, self.box, reach_px=labels.shape[0] * self.factor
        )
        half = labels.shape[0] / 2.0
        return cast(
            NDArray[np.uint16],
            cv2.remap(
                labels,
                along,
                across / np.float32(self.factor) + np.float32(half - 0.5),
                cv2.INTER_NEAREST,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=0,
            ),
        )


def work_factor(mm_per_px: float, limit_mm2: float) -> int:
    """Photo pixels to join into one, so that a disc of the limit is still a few pixels wide."""
    across = 2.0 * float(np.sqrt(limit_mm2 / np.pi))
    return max(1, int(across / (PX_ACROSS_LIMIT * mm_per_px)))


def grown(mask: NDArray[Any], by_mm: float, *, mm_per_px: float) -> Mask:
    """Pixels of a mask (H, W) and those beside it, by at least one pixel."""
    width = 2 * max(1, round(by_mm / mm_per_px)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    return np.asarray(cv2.dilate((mask != 0).astype(np.uint8), kernel) > 0)


def outline_mask(
    polygons: Sequence[Polygon], box: Box, *, factor: int = 1, holes: Sequence[Polygon] = ()
) -> Mask:
    """Pixels of `box`, reduced by `factor`, whose centre lies in a polygon and in no hole."""
    x0, y0, x1, y1 = box
    shape = (-(-(y1 - y0) // factor), -(-(x1 - x0) // factor))
    mask = np.zeros(shape, np.uint8)
    for group, value in ((polygons, 1), (holes, 0)):
        for polygon in group:
            # fillPoly counts from pixel centres, outlines from pixel corners.
            points = ((polygon - (x0, y0)) / factor - 0.5) * 256.0
            cv2.fillPoly(mask, [np.round(points).astype(np.int32)], value, shift=8)
    return mask.astype(bool)


def bounding_box(polygon: Polygon, size_px: tuple[int, int], *, multiple: int = 1) -> Box:
    """Smallest box around a polygon within the photo, its sides a multiple where there is room."""
    width, height = size_px
    low = np.floor(polygon.min(axis=0)).astype(int)
    high = np.ceil(polygon.max(axis=0)).astype(int)
    x0, y0 = max(0, int(low[0])), max(0, int(low[1]))
    x1 = x0 + max(1, min(width, int(high[0])) - x0)
    y1 = y0 + max(1, min(height, int(high[1])) - y0)
    return (
        x0,
        y0,
        x0 + _down(x1 - x0, multiple),
        y0 + _down(y1 - y0, multiple),
    )


def _down(length: int, multiple: int) -> int:
    return max(multiple, length - length % multiple) if length >= multiple else length


def _reduced(photo: Photo, box: Box, factor: int, to_xyz: ToXYZ) -> tuple[Array, Mask]:
    """XYZ and clipped pixels of a box, reduced by averaging in linear light."""
    linear = photo.linear(box, factor=factor)
    clipped = photo.clipped(box)
    if factor > 1:
        size = (linear.shape[1], linear.shape[0])
        if not clipped.any():
            clipped = np.zeros(linear.shape[:2], bool)
        else:
            share = cv2.resize(
                clipped.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA
            )
            clipped = np.asarray(share) > 30
    return to_xyz(linear, box), clipped


def _coding(photo: Photo, box: Box, to_xyz: ToXYZ, mm_per_px: float) -> tuple[Patch, ...]:
    """What a step of the photo's coding does to the middle colour of a box."""
    if not photo.coding:
        return ()
    x0, y0, x1, y1 = box
    every = max(1, (x1 - x0) // 64, (y1 - y0) // 64)
    code = np.median(photo.encoded[y0:y1:every, x0:x1:every].reshape(-1, 3), axis=0)
    # Over two steps each way: a step may be less than a level.
    shift = 2.0 * np.array([step.rgb for step in photo.coding])
    codes = np.concatenate([code[None], code + shift, code - shift])
    x, y = (x0 + x1) // 2, (y0 + y1) // 2
    light = photo.lit(codes).astype(np.float32)
    xyz = np.stack([to_xyz(one[None, None], (x, y, x + 1, y + 1))[0, 0] for one in light])
    xyz = xyz.astype(np.float64)
    if np.any(xyz[0] <= 0):
        return ()
    count = len(shift)
    changes = (xyz[1 : 1 + count] - xyz[1 + count :]) / (4.0 * xyz[0])
    return tuple(
        Patch(change, step.area_px * mm_per_px**2)
        for change, step in zip(changes, photo.coding, strict=True)
    )


def view_panel(
    photo: Photo,
    *,
    polygon: Polygon,
    holes: Sequence[Polygon] = (),
    ignore: Sequence[Polygon] = (),
    to_xyz: ToXYZ,
    mm_per_px: float,
    scaled: bool,
    limit_mm2: float,
) -> RegionView:
    """Cut a panel out of the photo at the scale the checks work at.

    Parameters
    ----------
    photo
        The photo.
    polygon, holes, ignore
        The outline, its holes and the zones to leave out, photo pixels.
    to_xyz
        Turns a crop into XYZ(D50), flat field included.
    mm_per_px
        Photo scale, known or nominal.
    limit_mm2
        The smallest area that counts.
    """
    factor = work_factor(mm_per_px, limit_mm2)
    box = bounding_box(polygon, photo.size_px, multiple=factor)
    xyz, clipped = _reduced(photo, box, factor, to_xyz)
    inside = outline_mask([polygon], box, factor=factor, holes=[*holes, *ignore])
    inside = inside[: xyz.shape[0], : xyz.shape[1]]
    # The rim mixes with what lies beside the part.
    inside = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0).astype(
        bool
    )
    return RegionView(
        xyz=xyz,
        inside=inside,
        judged=inside & ~clipped & (xyz[..., 1] > 0),
        clipped=inside & clipped,
        mm_per_px=mm_per_px * factor,
        scaled=scaled,
        factor=float(factor),
        box=box,
        coding=_coding(photo, box, to_xyz, mm_per_px),
    )


def view_seam(
    photo: Photo,
    *,
    polygon: Polygon,
    holes: Sequence[Polygon] = (),
    ignore: Sequence[Polygon] = (),
    to_xyz: ToXYZ,
    mm_per_px: float,
    scaled: bool,
    limit_mm2: float,
) -> RegionView:
    """Cut a seam's band out of the photo and straighten it; parameters as `view_panel`."""
    # A valley is far narrower than a spot: keep it at twice the resolution.
    factor = max(1, round(work_factor(mm_per_px, limit_mm2) / 2))

    def on_the_valley(straight: Array, _: Mask, line: Polygon) -> Polygon:
        # A hand draws a band beside the valley as often as along it.
        shift = valley(straight[..., 1].copy(), mm_per_px=mm_per_px * factor)
        return line + shift[:, None] * factor * normals(line)

    cut = _Cut(photo, polygon, holes, ignore, to_xyz, mm_per_px, scaled)
    return _straight_view(cut, factor, on_the_valley)


def view_edge(
    photo: Photo,
    *,
    polygon: Polygon,
    holes: Sequence[Polygon] = (),
    ignore: Sequence[Polygon] = (),
    to_xyz: ToXYZ,
    mm_per_px: float,
    scaled: bool,
) -> RegionView:
    """Cut the band over a masked line out of the photo and straighten it along the line's course.

    Parameters as `view_panel`. Row by row the view runs from the left of the course, as seen
    from its start, to the right; where no line is found the band's own middle is its course.
    """
    factor = max(1, int(EDGE_MM_PER_PX / mm_per_px))

    def on_the_course(straight: Array, inside: Mask, line: Polygon) -> Polygon:
        return edge_course(straight, inside, line, factor=factor, mm_per_px=mm_per_px)

    cut = _Cut(photo, polygon, holes, ignore, to_xyz, mm_per_px, scaled)
    return _straight_view(cut, factor, on_the_course)


class _Cut(NamedTuple):
    """What a straightened view is cut from; see `view_panel`."""

    photo: Photo
    polygon: Polygon
    holes: Sequence[Polygon]
    ignore: Sequence[Polygon]
    to_xyz: ToXYZ
    mm_per_px: float
    scaled: bool


def _straight_view(
    cut: _Cut, factor: int, moved: Callable[[Array, Mask, Polygon], Polygon]
) -> RegionView:
    """A band straightened along its middle line as `moved` puts it right."""
    box = bounding_box(cut.polygon, cut.photo.size_px, multiple=factor)
    xyz, clipped = _reduced(cut.photo, box, factor, cut.to_xyz)
    inside = outline_mask([cut.polygon], box, factor=factor, holes=[*cut.holes, *cut.ignore])
    inside = inside[: xyz.shape[0], : xyz.shape[1]]
    drawn, half_px = centre_line(cut.polygon, step_px=float(factor))
    rows = max(3, int(np.ceil(2.0 * half_px / factor)))

    def carried(mask: Mask, lookup: tuple[Array, Array]) -> Mask:
        laid = cv2.remap(
            mask.astype(np.uint8), *lookup, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
        )
        return laid.astype(bool)

    straight, lookup = _straightened(xyz, drawn, rows, box, factor)
    line = moved(straight, carried(inside, lookup), drawn)
    # All of the outline stays in sight, on either side of the line.
    beside = drawn[np.round(np.linspace(0, len(drawn) - 1, len(line))).astype(int)]
    apart = float(np.linalg.norm(line - beside, axis=1).max()) / factor
    rows += 2 * int(np.ceil(apart))
    straight, lookup = _straightened(xyz, line, rows, box, factor)
    within, burnt = carried(inside, lookup), carried(clipped, lookup)
    return RegionView(
        xyz=straight,
        inside=within,
        judged=within & ~burnt & (straight[..., 1] > 0),
        clipped=within & burnt,
        mm_per_px=cut.mm_per_px * factor,
        scaled=cut.scaled,
        factor=float(factor),
        box=box,
        line=line,
        coding=_coding(cut.photo, box, cut.to_xyz, cut.mm_per_px),
    )


def _straightened(
    xyz: Array, line: Polygon, rows: int, box: Box, factor: int
) -> tuple[Array, tuple[Array, Array]]:
    """Pixels along and across a line, and where in the crop each lies."""
    offsets = (np.arange(rows) + 0.5 - rows / 2.0) * factor
    points = line[None] + offsets[:, None, None] * normals(line)[None]
    grid = ((points - box[:2]) / factor - 0.5).astype(np.float32)
    lookup = (grid[..., 0].copy(), grid[..., 1].copy())
    moved = cv2.remap(xyz, *lookup, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return cast(Array, moved), lookup
