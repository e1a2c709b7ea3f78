"""The photo with its verdicts drawn on, to be read on a phone or in black and white.

Nothing that was found is hidden: a finding is ringed from outside with a gap, its number stands
away from it on a lead, and whatever was drawn within the gap is taken away again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._overlay_draw import (
    BLACK,
    BOLD,
    STYLES,
    WHITE,
    dashes,
    dot,
    plate,
    printable,
    put_text,
    shorten,
    stroke,
    text_width,
    thin,
    wrap,
)
from fullhide._overlay_legend import draw_legend
from fullhide._overlay_marks import Frame, Group, find_marks, numbers
from fullhide._overlay_place import Room
from fullhide.errors import OutputError
from fullhide.files import write_bytes
from fullhide.outlines import BANDS, RegionOutline
from fullhide.photo import Photo
from fullhide.result import PhotoResult, RegionResult

__all__ = ["MAX_SIDE", "draw_overlay", "overlay_png", "save_overlay"]

Image = NDArray[np.uint8]
Mask = NDArray[np.uint8]
Points = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: Longest side of the drawn photo, pixels; a smaller one than MIN_SIDE is enlarged to it.
MAX_SIDE = 2000
MIN_SIDE = 1200
#: Sheets are at least so wide that words stay sharp; what is missing is filled up with white.
_MIN_WIDTH = 900
#: The picture is drawn to be read at this width.
_PHONE_PX = 400
_MOST_TAGS = 40
# A number further from its ring than this many phone pixels only confuses: better none.
_TAG_REACH = 45

# What a label costs that covers …, against 1 for 80 phone pixels of distance.
_ON_OWN, _ON_OTHER, _ON_CHART, _ON_PATCH = 1.5, 2.5, 2.0, 5.0
_PULL = 1 / 80


def draw_overlay(
    photo: Photo,
    *,
    result: PhotoResult,
    outlines: Iterable[RegionOutline],
    label_map: NDArray[np.uint16] | None = None,
) -> Image:
    """Draw outlines, findings, verdicts and a legend over a photo.

    Parameters
    ----------
    photo
        The opened photo.
    result
        What was found in it.
    outlines
        The outlines that were inspected, in pixels of the upright photo.
    label_map
        (H, W) uint16 of the photo's size, 0 or a finding's id: rings follow the findings' shapes.
        None: they follow their boxes.

    Returns
    -------
    (h, w, 3) uint8 RGB: the photo, at most `MAX_SIDE` pixels, and below it a legend with scale
    bar, reasons and findings. Every pixel of a spot is as in the photo.

    Raises
    ------
    ValueError
        `label_map` is not of the photo's size.
    """
    if label_map is not None and label_map.shape != photo.size_px[::-1]:
        raise ValueError(f"label_map is {label_map.shape}, the photo {photo.size_px[::-1]}")
    sheet = _Sheet(photo, result, tuple(outlines))
    sheet.draw(label_map)
    scale = float(sheet.frame.factor.mean())
    legend = draw_legend(
        result,
        width=sheet.image.shape[1],
        unit=sheet.unit,
        px_per_mm=scale / result.mm_per_px if result.mm_per_px else None,
    )
    return np.concatenate([sheet.image, legend])


def overlay_png(
    photo: Photo,
    *,
    result: PhotoResult,
    outlines: Iterable[RegionOutline],
    label_map: NDArray[np.uint16] | None = None,
) -> bytes:
    """`draw_overlay`'s picture as a PNG file.

    Raises
    ------
    OutputError
        The picture cannot be made into a PNG.
    """
    drawn = draw_overlay(photo, result=result, outlines=outlines, label_map=label_map)
    image = cv2.cvtColor(drawn, cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 4])
    if not done:
        raise OutputError(photo.path, "its overlay cannot be made into a PNG", "report this photo")
    return data.tobytes()


def save_overlay(
    path: Path | str,
    *,
    photo: Photo,
    result: PhotoResult,
    outlines: Iterable[RegionOutline],
    label_map: NDArray[np.uint16] | None = None,
) -> None:
    """Write `draw_overlay`'s picture as a PNG, whole or not at all.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    data = overlay_png(photo, result=result, outlines=outlines, label_map=label_map)
    write_bytes(Path(path), data)


class _Sheet:
    """One photo being drawn on."""

    def __init__(
        self, photo: Photo, result: PhotoResult, outlines: tuple[RegionOutline, ...]
    ) -> None:
        small = _enlarged(photo.preview(MAX_SIDE)[0])
        height, width = small.shape[:2]
        left = max(0, _MIN_WIDTH - width) // 2
        right = max(0, _MIN_WIDTH - width) - left
        self.clean = np.pad(small, ((0, 0), (left, right), (0, 0)), constant_values=255)
        self.image = self.clean.copy()
        self.unit = self.image.shape[1] / _PHONE_PX
        size = (self.image.shape[1], height)
        factor = np.array([width, height]) / photo.size_px
        self.frame = Frame(factor, np.array([left, 0.0]), size)
        self.room = Room(size, max(2.0, self.unit))
        self.result = result
        named = {region.name: region for region in result.regions}
        # An "ignore" outline may bear a region's name: the kind decides as well.
        self.judged = [
            (outline, named[outline.name])
            for outline in outlines
            if outline.name in named and outline.kind == named[outline.name].kind
        ]
        self.left_out = [o.polygon for o in outlines if o.kind in ("ignore", "chart")]
        corners = result.chart.corners_px
        if corners is not None and not any(o.kind == "chart" for o in outlines):
            self.left_out.append(np.array(corners, np.float64))

    def draw(self, label_map: NDArray[np.uint16] | None) -> None:
        """Draw all marks, then clear what came too near to a spot."""
        self._left_out()
        for outline, region in self.judged:
            for line in self._border(outline):
                stroke(self.image, line, STYLES[region.verdict], self.unit)
        marks = find_marks(
            self.result, frame=self.frame, room=self.room, unit=self.unit, label_map=label_map
        )
        for group in marks.groups:
            style = replace(group.style, double=False)
            for line in group.lines:
                stroke(self.image, line, style, self.unit, closed=not group.patch)
        self._cover(marks.groups)
        # The smallest region first: it has the fewest places for its label.
        for outline, region in sorted(self.judged, key=lambda pair: self.own[id(pair[0])].sum()):
            self._label(outline, region)
        for group in [g for g in marks.groups if g.findings or g.patch][:_MOST_TAGS]:
            self._tag(group)
        self.image[marks.keep] = self.clean[marks.keep]

    # ------------------------------------------------------------ outlines

    def _left_out(self) -> None:
        """Thin dotted lines around the chart and what is left out."""
        for polygon in self.left_out:
            points = self.frame.points(polygon)
            thin(self.image, [points], WHITE, 1.6 * self.unit, closed=True)
            parts = dashes(points, 2 * self.unit, 3 * self.unit, closed=True)
            thin(self.image, parts, BLACK, 0.9 * self.unit, closed=False)

    def _border(self, outline: RegionOutline) -> list[Points]:
        """Lines just inside a panel's border, or just outside a narrow region's.

        So neighbours' lines do not cover one another, and a seam is not hidden by its own.
        """
        import shapely

        rings = [self.frame.points(ring) for ring in (outline.polygon, *outline.holes)]
        shape = shapely.Polygon(rings[0], rings[1:])
        if not shape.is_valid:
            return rings
        inner = shape.buffer(-2.2 * self.unit, join_style="mitre")
        if outline.kind in BANDS or inner.area < 0.75 * shape.area:
            inner = shape.buffer(2.2 * self.unit, join_style="mitre")
        lines = [
            np.array(ring.coords)[:-1]
            for part in shapely.get_parts(inner)
            if isinstance(part, shapely.Polygon)
            for ring in (part.exterior, *part.interiors)
            if not ring.is_empty
        ]
        return lines or rings

    def _mask(self, outline: RegionOutline) -> Mask:
        rings = (outline.polygon, *outline.holes)
        return self.room.mask([self.frame.points(ring) for ring in rings])

    def _cover(self, groups: Iterable[Group]) -> None:
        """What labels had better not cover, by grid cell."""
        self.cover = np.zeros(self.room.taken.shape, np.float32)
        self.own = {id(outline): self._mask(outline) for outline, _ in self.judged}
        for mask in self.own.values():
            self.cover[mask > 0] = _ON_OTHER
        charts = [self.frame.points(polygon) for polygon in self.left_out]
        self.cover[self.room.mask(charts) > 0] = _ON_CHART
        self.patches = np.zeros(self.cover.shape, np.bool_)
        for group in groups:
            if group.patch:
                self.patches |= group.zone > 0

    # ------------------------------------------------------------ labels

    def _label(self, outline: RegionOutline, region: RegionResult) -> None:
        """Verdict and name on a plate, outside all regions if there is room near by."""
        u = self.unit
        style = STYLES[region.verdict]
        word = "REFERENCE" if region.kind == "reference" and region.verdict is None else style.word
        big, small = round(10 * u), round(9.5 * u)
        badge = text_width(word, big, BOLD) + 6 * u
        limit = int(min(150 * u, self.image.shape[1] - badge - 24 * u))
        lines = shorten(wrap(printable(region.name), small, limit), 2)
        wide = badge + max(text_width(line, small) for line in lines) + 9 * u
        high = (4 + 11.5 * len(lines)) * u
        own = self.own[id(outline)]
        cover = np.where(own > 0, np.float32(_ON_OWN), self.cover)
        cover[self.patches] = _ON_PATCH
        size = (wide + 3 * u, high + 3 * u)
        near = own & (self.room.taken == 0)
        block = self.room.taken.copy()
        at = self.room.place(
            size, near=near if near.any() else own, cover=cover, pull=_PULL / u, block=block
        )
        if at is None:
            return
        x0, y0 = at[0] + 1.5 * u, at[1] + 1.5 * u
        box = (x0, y0, x0 + wide, y0 + high)
        self._lead_into(box, own)
        plate(self.image, box, WHITE, style.colour, width=1.2 * u, radius=3 * u)
        inner = (x0, y0, x0 + badge, box[3])
        fill = style.colour if style.filled else WHITE
        plate(self.image, inner, fill, style.colour, width=1.2 * u, radius=3 * u)
        middle = (y0 + box[3]) / 2
        put_text(self.image, word, (x0 + 3 * u, middle), big, style.ink, BOLD)
        for index, line in enumerate(lines):
            offset = (index - (len(lines) - 1) / 2) * 11.5 * u
            put_text(self.image, line, (inner[2] + 4 * u, middle + offset), small, BLACK)
        self.room.take((x0 - u, y0 - u, box[2] + u, box[3] + u))

    def _lead_into(self, box: Box, own: Mask) -> None:
        """A lead from a label into its region, unless it lies on it anyway."""
        u, cell = self.unit, self.room.cell
        y, x = np.nonzero(own & (self.room.taken == 0))
        points = np.stack([x + 0.5, y + 0.5], axis=1) * cell
        if len(points) == 0:
            return
        gap = np.maximum(np.array(box[:2]) - points, points - np.array(box[2:])).max(axis=1)
        area = (box[2] - box[0]) * (box[3] - box[1])
        if (gap < 0).sum() * cell**2 > 0.5 * area:
            return
        deep = cv2.distanceTransform(own, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[y, x] * cell
        usable = (gap > 4 * u) & (deep > min(5 * u, 0.6 * float(deep.max())))
        if not usable.any():
            return
        ends = points[usable][np.argsort(gap[usable], kind="stable")]
        starts = np.clip(ends, box[:2], box[2:])
        tries = range(0, min(len(ends), 2000), 10)
        free = (i for i in tries if self.room.clear(starts[i], ends[i], self.room.taken))
        best = next(free, 0)
        end = ends[best]
        self._lead(starts[best], end)
        self.room.take_line(starts[best], end)
        dot(self.image, end, 2.4 * u, WHITE)
        dot(self.image, end, 1.7 * u, BLACK)

    def _lead(self, start: Any, end: Any) -> None:
        line = np.array([start, end], np.float64)
        thin(self.image, [line], WHITE, 2.2 * self.unit, closed=False)
        thin(self.image, [line], BLACK, 1.0 * self.unit, closed=False)

    def _tag(self, group: Group) -> None:
        """The numbers of a group, on a dark plate beside its ring."""
        u = self.unit
        size = round(9.5 * u)
        # A place that could hide a spot has no number.
        text = numbers([finding.id for finding in group.findings]) or "?"
        high = 11.5 * u
        wide = max(high, text_width(text, size, BOLD) + 6 * u)
        cover = np.where(self.patches, np.float32(_ON_PATCH), np.float32(0))
        at = self.room.place(
            (wide + 2 * u, high + 2 * u),
            near=group.zone,
            cover=cover,
            pull=_PULL / u,
            block=self.room.taken & (1 - group.zone),
            reach=_TAG_REACH * u,
            strict=True,
        )
        if at is None:
            return
        x0, y0 = at[0] + u, at[1] + u
        box = (x0, y0, x0 + wide, y0 + high)
        ring = np.concatenate(group.lines)
        nearest = np.clip(ring, box[:2], box[2:])
        best = int(np.argmin(((ring - nearest) ** 2).sum(axis=1)))
        self._lead(nearest[best], ring[best])
        self.room.take_line(nearest[best], ring[best])
        plate(self.image, box, BLACK, WHITE, width=1.2 * u, radius=3.5 * u)
        left = x0 + (wide - text_width(text, size, BOLD)) / 2
        put_text(self.image, text, (left, y0 + high / 2), size, WHITE, BOLD)
        self.room.take(box)


def _enlarged(small: Image) -> Image:
    if max(small.shape) >= MIN_SIDE:
        return small
    grow = MIN_SIDE / max(small.shape)
    size = (round(small.shape[1] * grow), round(small.shape[0] * grow))
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_CUBIC), np.uint8)
