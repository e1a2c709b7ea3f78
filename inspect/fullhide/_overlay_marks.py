"""Rings around findings: where they run, which of them are one, what has to stay free."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._overlay_draw import STYLES, Style
from fullhide._overlay_place import Room
from fullhide.result import Finding, PhotoResult

__all__ = ["CLEAR", "GAP", "RING", "Frame", "Group", "Marks", "find_marks", "numbers"]

Points = NDArray[np.float64]

# In phone pixels: free space around a finding; from there to the middle of its ring; beyond it.
GAP, RING, CLEAR = 4.0, 2.4, 2.4


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """From the photo's pixels to the sheet's: times `factor`, plus `offset`, both (x, y)."""

    factor: NDArray[np.float64]
    offset: NDArray[np.float64]
    size: tuple[int, int]

    def points(self, points: Any) -> Points:
        """(N, 2) points of the photo on the sheet."""
        moved: Points = np.asarray(points, np.float64) * self.factor + self.offset
        return moved

    def box(self, box: Sequence[float]) -> tuple[int, int, int, int]:
        """A box on the sheet, grown to whole pixels and at least one of them."""
        limit = np.array(self.size)
        low = np.clip(np.floor(self.points(box[:2])), 0, limit - 1).astype(int)
        high = np.clip(np.ceil(self.points(box[2:])), low + 1, limit).astype(int)
        return int(low[0]), int(low[1]), int(high[0]), int(high[1])


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Findings inside one ring, or a patch of uneven colour inside its brackets.

    Attributes
    ----------
    findings
        In the order of their numbers.
    style
        Of the worst verdict among them.
    lines
        The ring, or the four brackets.
    zone
        Grid cells of `Room` that belong to it.
    patch
        Whether it is bracketed at its corners instead of ringed.
    """

    findings: tuple[Finding, ...]
    style: Style
    lines: tuple[Points, ...]
    zone: NDArray[np.uint8]
    patch: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """All groups, the worst and largest first, and the pixels that nothing may cover."""

    groups: tuple[Group, ...]
    keep: NDArray[np.bool_]


def find_marks(
    result: PhotoResult,
    *,
    frame: Frame,
    room: Room,
    unit: float,
    label_map: NDArray[np.uint16] | None,
) -> Marks:
    """Plan the rings of a photo and take their room.

    Parameters
    ----------
    result
        With its findings.
    frame
        From photo to sheet.
    room
        Where labels may go; the rings' zones are taken from it.
    unit
        A phone pixel in pixels of the sheet.
    label_map
        0 or a finding's id for each pixel of the photo; None = the findings' boxes will do.
    """
    verdicts = {f.id: r.verdict for r in result.regions for f in r.findings}
    found = [f for r in result.regions for f in r.findings]
    spots = [f for f in found if f.kind == "show_through"]
    patches = [
        _patch((f,), f.box_px, verdicts[f.id], frame, room, unit) for f in found if f not in spots
    ]
    unseen = [box for region in result.regions for box in region.unseen_px]
    patches += [_patch((), box, "retake", frame, room, unit) for box in unseen]
    ids = _ids_on_sheet(spots, frame, label_map)
    if not ids.any():
        return Marks(tuple(patches), np.zeros(ids.shape, np.bool_))
    free = (ids == 0).astype(np.uint8)
    far = np.asarray(cv2.distanceTransform(free, cv2.DIST_L2, cv2.DIST_MASK_PRECISE))
    zone = (far <= (GAP + RING + CLEAR) * unit).astype(np.uint8)
    _, parts = cv2.connectedComponents(zone, connectivity=8)
    groups = _groups(spots, verdicts, ids, np.asarray(parts), room)
    rings = _rings(far, np.asarray(parts), unit)
    ringed = [replace(group, lines=tuple(rings[part])) for part, group in groups.items()]
    order = list(STYLES.values())
    ringed.sort(key=lambda g: (order.index(g.style), -sum(f.area_mm2 or 0 for f in g.findings)))
    return Marks((*ringed, *patches), far <= GAP * unit)


def _ids_on_sheet(
    spots: Sequence[Finding], frame: Frame, label_map: NDArray[np.uint16] | None
) -> NDArray[np.uint16]:
    """Ids of the spots on the sheet, each of their photo pixels kept; boxes where unknown."""
    width, height = frame.size
    ids = np.zeros((height, width), np.uint16)
    known: set[int] = set()
    if label_map is not None and spots:
        step = int(np.ceil(1 / frame.factor.min()))
        grown = cv2.dilate(label_map, np.ones((step, step), np.uint8)) if step > 1 else label_map
        left = int(frame.offset[0])
        size = (round(label_map.shape[1] * frame.factor[0]), height)
        small = np.asarray(cv2.resize(grown, size, interpolation=cv2.INTER_NEAREST))
        wanted = np.zeros(65536, np.bool_)
        wanted[[f.id for f in spots]] = True
        ids[:, left : left + size[0]] = np.where(wanted[small], small, 0)
        known = set(np.unique(ids).tolist())
    # The largest first, so that a small one inside keeps its own number.
    for finding in sorted(spots, key=lambda f: -_box_area(f)):
        if finding.id not in known:
            x0, y0, x1, y1 = frame.box(finding.box_px)
            ids[y0:y1, x0:x1] = finding.id
    return ids


def _box_area(finding: Finding) -> int:
    x0, y0, x1, y1 = finding.box_px
    return (x1 - x0) * (y1 - y0)


def _groups(
    spots: Sequence[Finding],
    verdicts: dict[int, Any],
    ids: NDArray[np.uint16],
    parts: NDArray[np.int32],
    room: Room,
) -> dict[int, Group]:
    """Each part of the zone with the spots that have most of their pixels there."""
    rows, columns = room.taken.shape
    cells = np.asarray(
        cv2.resize(parts.astype(np.float32), (columns, rows), interpolation=cv2.INTER_NEAREST)
    )
    y, x = np.nonzero(ids)
    pairs, counts = np.unique(
        np.stack([ids[y, x].astype(np.int64), parts[y, x]]), axis=1, return_counts=True
    )
    home: dict[int, int] = {}
    inside: dict[int, set[int]] = {}
    # Ascending, so that the part with most of a finding's pixels comes last and stays.
    for index in np.argsort(counts, kind="stable"):
        number, part = (int(v) for v in pairs[:, index])
        home[number] = part
        inside.setdefault(part, set()).add(number)
    groups = {}
    for part, members in inside.items():
        zone = (cells == part).astype(np.uint8)
        room.taken |= zone
        here = tuple(f for f in spots if home.get(f.id) == part)
        present = {verdicts[number] for number in members}
        worst = next(verdict for verdict in STYLES if verdict in present)
        groups[part] = Group(tuple(sorted(here, key=lambda f: f.id)), STYLES[worst], (), zone)
    return groups


def _rings(far: NDArray[Any], parts: NDArray[np.int32], unit: float) -> dict[int, list[Points]]:
    """Lines around everything nearer to a spot than the ring, by part of the zone."""
    inside = np.asarray(far <= (GAP + RING) * unit, np.uint8)
    contours, _ = cv2.findContours(inside, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rings: dict[int, list[Points]] = {}
    for contour in contours:
        x, y = contour[0, 0]
        points = _smoothed(contour[:, 0, :].astype(np.float64), round(unit)) + 0.5
        rings.setdefault(int(parts[y, x]), []).append(points)
    return rings


def _patch(
    findings: tuple[Finding, ...],
    box: tuple[int, int, int, int],
    verdict: str | None,
    frame: Frame,
    room: Room,
    unit: float,
) -> Group:
    """Brackets around the corners of a box; spots inside it keep rings of their own."""
    grow = (GAP + RING) * unit
    x0, y0, x1, y1 = (
        v + d for v, d in zip(frame.box(box), (-grow, -grow, grow, grow), strict=True)
    )
    arm = min(0.3 * min(x1 - x0, y1 - y0), 24 * unit)
    lines = tuple(
        np.array([[x + dx * arm, y], [x, y], [x, y + dy * arm]])
        for x, y, dx, dy in ((x0, y0, 1, 1), (x1, y0, -1, 1), (x1, y1, -1, -1), (x0, y1, 1, -1))
    )
    zone = room.mask([np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])])
    return Group(findings, STYLES[verdict], lines, zone, patch=True)


def _smoothed(points: Points, reach: int) -> Points:
    """A closed pixel contour without its stairs: mean over `reach` neighbours either way."""
    if len(points) < 4 * reach + 4 or reach < 1:
        return points
    around = np.concatenate([points[-reach:], points, points[:reach]])
    kernel = np.full(2 * reach + 1, 1 / (2 * reach + 1))
    return np.stack([np.convolve(around[:, k], kernel, "valid") for k in (0, 1)], axis=1)


def numbers(ids: Sequence[int], most: int = 3) -> str:
    """Numbers as a person writes them: ``1–4, 7, 9 +3``."""
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
