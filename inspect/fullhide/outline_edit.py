"""Changes to an outline that a person asks for with a few clicks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.errors import JobError
from fullhide.outlines import RegionOutline
from fullhide.seam import centre_line
from fullhide.seam_path import seam_band

__all__ = ["free_name", "seam_width_px", "split", "tidy", "with_seam_width"]

Polygon = NDArray[np.float64]
Point = tuple[float, float]

#: Decimals of a pixel that are kept, as `outline_file` writes them.
_DECIMALS = 2
#: A hand that draws freely sets points by the hundred: how far off the line some may be left out.
_TOLERANCE_PX, _MANY = 0.5, 60
#: Distance of a centre line's points, pixels.
_STEP_PX = 4.0


def tidy(outline: RegionOutline, *, size_px: tuple[int, int]) -> RegionOutline:
    """An outline just drawn, as it can stand in a file.

    Parameters
    ----------
    outline
        A region; a chart keeps its four corners as they are.
    size_px
        Width and height of the upright photo: what lies beyond is cut off.

    Returns
    -------
    RegionOutline
        With coordinates to a hundredth of a pixel, and points that a free hand set too many of
        left out.

    Raises
    ------
    JobError
        If nothing of it lies in the photo.
    """
    import shapely
    from shapely.geometry.base import BaseGeometry

    ring = outline.polygon
    inside = bool(((ring >= 0) & (ring <= size_px)).all())
    if outline.kind == "chart":
        ring = np.clip(ring, 0, size_px)
    elif len(ring) >= 3 and (not inside or len(ring) > _MANY):
        shape: BaseGeometry = shapely.Polygon(ring)
        if shape.is_valid:  # else `outlines.check_drawn` says what is wrong with it
            if len(ring) > _MANY:
                shape = shape.simplify(_TOLERANCE_PX)
            ring = _largest(shape.intersection(shapely.box(0, 0, *size_px)), ring)
            if not len(ring):
                raise JobError(
                    outline.where,
                    f'region "{outline.name}" lies outside photo `{outline.photo}`',
                    "draw it on the photo",
                )
    return replace(outline, polygon=_rounded(ring))


def split(
    outline: RegionOutline, start: Point, end: Point, *, taken: Collection[str]
) -> tuple[RegionOutline, ...]:
    """Cut a region in two along the straight line through two places.

    Parameters
    ----------
    outline
        A region; its holes stay with the part that they lie in.
    start, end
        Places in photo pixels; the cut runs on beyond them.
    taken
        Names that other regions of the photo have.

    Returns
    -------
    tuple of RegionOutline
        The parts, the largest first: it keeps the name, the others get free ones.

    Raises
    ------
    JobError
        If the line does not run through the region.
    """
    import shapely
    from shapely.ops import split as cut

    a, b = np.asarray(start, np.float64), np.asarray(end, np.float64)
    shape = shapely.Polygon(outline.polygon, outline.holes)
    length = float(np.linalg.norm(b - a))
    far = shape.length + float(np.linalg.norm(a - shape.centroid.coords[0])) + 1.0
    way = (b - a) / max(length, 1e-9)
    line = shapely.LineString([a - far * way, b + far * way])
    found = cut(shape, line).geoms if length else ()
    parts = [part for part in found if isinstance(part, shapely.Polygon) and part.area >= 1.0]
    whole = sorted(parts, key=lambda part: -part.area)
    if len(whole) < 2:
        raise JobError(
            outline.where,
            f'the line does not cut region "{outline.name}"',
            "click on one side of it, then on the other",
        )
    names = [outline.name]
    while len(names) < len(whole):
        names.append(free_name(outline.name, {*taken, *names}))
    made = []
    for name, part in zip(names, whole, strict=True):
        rings = [np.asarray(r.coords, np.float64)[:-1] for r in (part.exterior, *part.interiors)]
        same = name == outline.name
        made.append(
            replace(
                outline,
                name=name,
                polygon=_rounded(rings[0]),
                holes=tuple(_rounded(ring) for ring in rings[1:]),
                number=outline.number if same else None,
            )
        )
    return tuple(made)


def seam_width_px(outline: RegionOutline) -> float:
    """Mean width of a seam's band, photo pixels."""
    import shapely

    line = _carried_on(centre_line(outline.polygon, step_px=_STEP_PX)[0], 0.5 * _STEP_PX)
    area = shapely.Polygon(outline.polygon, outline.holes).area
    return float(area / max(shapely.LineString(line).length, 1e-9))


def with_seam_width(
    outline: RegionOutline,
    width_px: float,
    *,
    size_px: tuple[int, int],
    line: Polygon | None = None,
) -> RegionOutline:
    """The same seam as a band of another width.

    Parameters
    ----------
    line
        Its middle, photo pixels; taken from the band itself if absent.
    """
    if line is None:
        line = _carried_on(centre_line(outline.polygon, step_px=_STEP_PX)[0], 0.5 * _STEP_PX)
    return replace(
        outline, polygon=_rounded(seam_band(line, width_px=width_px, size_px=size_px)), holes=()
    )


def free_name(wanted: str, taken: Collection[str]) -> str:
    """`wanted`, or the first of "wanted 2", "wanted 3" … that nothing is called yet."""
    names = {name.casefold() for name in taken}
    if wanted.casefold() not in names:
        return wanted
    stem, _, number = wanted.rpartition(" ")
    stem = stem if stem and number.isdigit() else wanted
    count = 2
    while f"{stem} {count}".casefold() in names:
        count += 1
    return f"{stem} {count}"


def _carried_on(line: Polygon, far: float) -> Polygon:
    """A centre line's points lie half a step within its ends."""
    ends = [
        a + far * (a - b) / max(float(np.linalg.norm(a - b)), 1e-9)
        for a, b in ((line[0], line[1]), (line[-1], line[-2]))
    ]
    return np.concatenate([ends[0][None], line, ends[1][None]])


def _largest(shape: object, ring: Polygon) -> Polygon:
    """Outer ring of a shape's largest polygon, beginning as near to where `ring` did as may be."""
    parts = [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon" and p.area > 0]
    if not parts:
        return np.zeros((0, 2))
    found = np.asarray(max(parts, key=lambda p: p.area).exterior.coords, np.float64)[:-1]
    first = int(np.argmin(np.linalg.norm(found - ring[0], axis=1)))
    return np.roll(found, -first, axis=0)


def _rounded(ring: Polygon) -> Polygon:
    made: Polygon = np.asarray(np.round(ring, _DECIMALS), np.float64)
    made.flags.writeable = False
    return made
