"""The photo with its verdicts drawn on, to be read on a phone or in black and white.

Nothing that was found is hidden: a finding is ringed from outside with a gap, its number stands
away from it on a lead, and whatever was drawn within the gap is taken away again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
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
    Style,
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
from fullhide._overlay_place import Room, to_box
from fullhide.errors import OutputError
from fullhide.files import write_bytes
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo
from fullhide.result import Finding, PhotoResult, RegionResult

__all__ = ["MAX_SIDE", "draw_overlay", "save_overlay"]

Image = NDArray[np.uint8]
Box = tuple[float, float, float, float]

#: Longest side of the drawn photo, pixels; a smaller one than MIN_SIDE is enlarged to it.
MAX_SIDE = 2000
MIN_SIDE = 1200
_MIN_WIDTH = 900
#: The picture is drawn to be read at this width.
_PHONE_PX = 400

# In phone pixels: free space around a finding; from there to the middle of its ring; beyond it.
_GAP, _RING, _CLEAR = 4.0, 1.8, 2.0
_MOST_TAGS = 40


def draw_overlay(photo: Photo, *, result: PhotoResult, outlines: Iterable[RegionOutline]) -> Image:
    """Draw outlines, findings, verdicts and a legend over a photo.

    Parameters
    ----------
    photo
        The opened photo.
    result
        What was found in it.
    outlines
        The outlines that were inspected, in pixels of the upright photo.

    Returns
    -------
    (h, w, 3) uint8 RGB: the photo, at most `MAX_SIDE` pixels, and below it a legend with scale
    bar, reasons and findings. Every pixel of a finding's box is as in the photo.
    """
    sheet = _Sheet(photo, result, tuple(outlines))
    sheet.draw()
    legend = draw_legend(
        result,
        width=sheet.image.shape[1],
        unit=sheet.unit,
        px_per_mm=sheet.scale / result.mm_per_px if result.mm_per_px else None,
    )
    return np.concatenate([sheet.image, legend])


def save_overlay(
    path: Path | str, *, photo: Photo, result: PhotoResult, outlines: Iterable[RegionOutline]
) -> None:
    """Write `draw_overlay`'s picture as a PNG, whole or not at all.

    Raises
    ------
    OutputError
        The file cannot be written.
    """
    target = Path(path)
    image = cv2.cvtColor(draw_overlay(photo, result=result, outlines=outlines), cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".png", image, [cv2.IMWRITE_PNG_COMPRESSION, 4])
    if not done:
        raise OutputError(target, "cannot be made into a PNG", "report this photo")
    write_bytes(target, data.tobytes())


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Findings whose rings run together, and the grid cells that they keep free."""

    findings: tuple[Finding, ...]
    zone: NDArray[np.uint8]
    style: Style


class _Sheet:
    """One photo being drawn on."""

    def __init__(
        self, photo: Photo, result: PhotoResult, outlines: tuple[RegionOutline, ...]
    ) -> None:
        small, _ = photo.preview(MAX_SIDE)
        height, width = small.shape[:2]
        if max(small.shape) < MIN_SIDE:
            grow = MIN_SIDE / max(small.shape)
            size = (round(width * grow), round(height * grow))
            small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_CUBIC), np.uint8)
            height, width = small.shape[:2]
        pad = max(0, _MIN_WIDTH - width)
        self.clean = np.pad(
            small, ((0, 0), (pad // 2, pad - pad // 2), (0, 0)), constant_values=255
        )
        self.image = self.clean.copy()
        self.scale = width / photo.size_px[0]
        self.factor = np.array([width / photo.size_px[0], height / photo.size_px[1]])
        self.offset = np.array([pad // 2, 0.0])
        self.unit = self.image.shape[1] / _PHONE_PX
        self.result = result
        self.outlines = outlines
        self.room = Room((self.image.shape[1], height), max(2.0, self.unit))
        self.far = self._distance()

    def draw(self) -> None:
        """Outlines, rings, labels, numbers; then clear what came too near to a finding."""
        regions = {region.name: region for region in self.result.regions}
        self._frames()
        for outline in self.outlines:
            region = regions.get(outline.name)
            if region is not None and outline.kind == region.kind:
                for ring in (outline.polygon, *outline.holes):
                    stroke(self.image, self.to_sheet(ring), STYLES[region.verdict], self.unit)
        groups = self._groups()
        self._rings()
        for outline in self.outlines:
            region = regions.get(outline.name)
            if region is not None and outline.kind == region.kind:
                self._label(outline, region)
        for group in groups[:_MOST_TAGS]:
            self._tag(group)
        near = self.far <= _GAP * self.unit
        self.image[near] = self.clean[near]

    def to_sheet(self, points: NDArray[Any]) -> NDArray[np.float64]:
        """Photo pixels to pixels of the sheet."""
        moved: NDArray[np.float64] = np.asarray(points, np.float64) * self.factor + self.offset
        return moved

    # ------------------------------------------------------------ outlines and rings

    def _frames(self) -> None:
        """Thin dotted lines around the chart and what is left out."""
        frames = [o.polygon for o in self.outlines if o.kind in ("ignore", "chart")]
        corners = self.result.chart.corners_px
        if corners is not None and not any(o.kind == "chart" for o in self.outlines):
            frames.append(np.array(corners))
        for frame in frames:
            points = self.to_sheet(frame)
            thin(self.image, [points], WHITE, 1.6 * self.unit, closed=True)
            parts = dashes(points, 2 * self.unit, 3 * self.unit, closed=True)
            thin(self.image, parts, BLACK, 0.9 * self.unit, closed=False)
        self.frames = [self.to_sheet(frame) for frame in frames]

    def _findings(self) -> list[tuple[Finding, str | None]]:
        return [(f, r.verdict) for r in self.result.regions for f in r.findings]

    def _distance(self) -> NDArray[np.float32]:
        """Distance of every pixel to the nearest finding's box, in pixels."""
        height, width = self.image.shape[:2]
        free = np.ones((height, width), np.uint8)
        for finding, _ in self._findings():
            x0, y0, x1, y1 = self._box(finding)
            free[y0:y1, x0:x1] = 0
        if free.all():
            return np.full((height, width), np.inf, np.float32)
        return np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_PRECISE))

    def _box(self, finding: Finding) -> tuple[int, int, int, int]:
        """A finding's box on the sheet, grown to whole pixels and at least one of them."""
        x0, y0, x1, y1 = finding.box_px
        low = np.floor(self.to_sheet(np.array([x0, y0]))).astype(int)
        high = np.ceil(self.to_sheet(np.array([x1, y1]))).astype(int)
        limit = np.array(self.image.shape[1::-1])
        low = np.clip(low, 0, limit - 1)
        high = np.clip(high, low + 1, limit)
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])

    def _groups(self) -> list[_Group]:
        """Findings by common ring, the worst and largest first; their zones are taken."""
        found = self._findings()
        if not found:
            return []
        reach = (_GAP + _RING + _CLEAR) * self.unit
        zone = (self.far <= reach).astype(np.uint8)
        _, parts = cv2.connectedComponents(zone, connectivity=8)
        rows, columns = self.room.taken.shape
        cells = cv2.resize(
            parts.astype(np.float32), (columns, rows), interpolation=cv2.INTER_NEAREST
        )
        members: dict[int, list[tuple[Finding, str | None]]] = {}
        for finding, verdict in found:
            x0, y0, _, _ = self._box(finding)
            members.setdefault(int(parts[y0, x0]), []).append((finding, verdict))
        groups = []
        for part, inside in members.items():
            cell_zone = (np.asarray(cells) == part).astype(np.uint8)
            self.room.taken |= cell_zone
            findings = tuple(sorted((f for f, _ in inside), key=lambda f: f.id))
            verdicts = [v for v in ("fail", "retake", "pass", None) if v in {v for _, v in inside}]
            groups.append(_Group(findings, cell_zone, STYLES[verdicts[0]]))
        self.ring_styles = {part: group.style for part, group in zip(members, groups, strict=True)}
        self.parts = parts
        order = list(STYLES.values())
        return sorted(groups, key=lambda g: (order.index(g.style), -_area(g.findings)))

    def _rings(self) -> None:
        inside = (self.far <= (_GAP + _RING) * self.unit).astype(np.uint8)
        if not inside.any():
            return
        contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        for contour in contours:
            points = contour[:, 0, :].astype(np.float64)
            x, y = contour[0, 0]
            style = self.ring_styles.get(int(self.parts[y, x]), STYLES[None])
            smooth = _smoothed(points, round(self.unit)) + 0.5
            ring = Style(style.word, style.colour, style.halo, style.ink, dashed=style.dashed)
            stroke(self.image, smooth, ring, self.unit)

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
        own = self.room.mask([self.to_sheet(p) for p in (outline.polygon, *outline.holes)])
        at = self._place((wide + 3 * u, high + 3 * u), own)
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

    def _place(self, size: tuple[float, float], own: NDArray[np.uint8]) -> Any:
        cover = np.zeros(own.shape, np.float32)
        for outline in self.outlines:
            if outline.kind not in ("ignore", "chart"):
                mask = self.room.mask([self.to_sheet(p) for p in (outline.polygon, *outline.holes)])
                cover[mask > 0] = 2.5
        cover[(own > 0)] = 1.0
        if self.frames:
            cover[self.room.mask(self.frames) > 0] = 2.0
        return self.room.place(size, near=own, cover=cover, pull=0.02 / self.unit)

    def _lead_into(self, box: Box, own: NDArray[np.uint8]) -> None:
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
        usable = (gap > 4 * u) & (deep > min(4 * u, 0.6 * float(deep.max())))
        if not usable.any():
            return
        end = points[usable][np.argmin(gap[usable])]
        start = to_box(end, box)
        self._lead(np.array(start), end)
        dot(self.image, end, 2.4 * u, WHITE)
        dot(self.image, end, 1.7 * u, BLACK)

    def _lead(self, start: NDArray[Any], end: NDArray[Any]) -> None:
        line = np.array([start, end], np.float64)
        thin(self.image, [line], WHITE, 2.2 * self.unit, closed=False)
        thin(self.image, [line], BLACK, 1.0 * self.unit, closed=False)

    def _tag(self, group: _Group) -> None:
        """The numbers of a group, on a dark plate beside its ring."""
        u = self.unit
        size = round(9.5 * u)
        text = _numbers([finding.id for finding in group.findings])
        high = 11.5 * u
        wide = max(high, text_width(text, size, BOLD) + 6 * u)
        others = self.room.taken & (1 - group.zone)
        at = self.room.place(
            (wide + 2 * u, high + 2 * u),
            near=group.zone,
            cover=np.zeros(group.zone.shape, np.float32),
            pull=0.02 / u,
            block=others,
        )
        if at is None:
            return
        x0, y0 = at[0] + u, at[1] + u
        box = (x0, y0, x0 + wide, y0 + high)
        ring = np.argwhere((self.far <= (_GAP + _RING) * u) & (self.parts == self._part(group)))
        middle = np.array([x0 + wide / 2, y0 + high / 2])
        end = ring[np.argmin(((ring[:, ::-1] - middle) ** 2).sum(axis=1)), ::-1] + 0.5
        self._lead(np.array(to_box(end, box)), end)
        plate(self.image, box, BLACK, WHITE, width=1.2 * u, radius=3.5 * u)
        left = x0 + (wide - text_width(text, size, BOLD)) / 2
        put_text(self.image, text, (left, y0 + high / 2), size, WHITE, BOLD)
        self.room.take(box)

    def _part(self, group: _Group) -> int:
        x0, y0, _, _ = self._box(group.findings[0])
        return int(self.parts[y0, x0])


def _area(findings: Sequence[Finding]) -> float:
    return sum(finding.area_mm2 or 0.0 for finding in findings)


def _smoothed(points: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """A closed pixel contour without its stairs: mean over `reach` neighbours either way."""
    if len(points) < 4 * reach + 4 or reach < 1:
        return points
    around = np.concatenate([points[-reach:], points, points[:reach]])
    kernel = np.full(2 * reach + 1, 1 / (2 * reach + 1))
    return np.stack([np.convolve(around[:, k], kernel, "valid") for k in (0, 1)], axis=1)


def _numbers(ids: Sequence[int], most: int = 3) -> str:
    """Numbers as a person writes them: 1–4, 7, 9 +3."""
    runs: list[list[int]] = []
    for number in sorted(ids):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [
        f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs[:most]
    ]
    left = sum(len(run) for run in runs[most:])
    return ", ".join(words) + (f" +{left}" if left else "")
