"""How a photo of before lies over one of now, for the eye: by the outlines that both have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fullhide.outlines import RegionOutline
from fullhide.report.known import Known
from fullhide.report.page import Before, PhotoFacts

__all__ = ["pairs_of", "place_of"]

#: Share of the spread of two sets of outlines that laying them over one another may leave.
_MOST_UNLIKE = 0.05
Box = tuple[float, float, float, float]


def pairs_of(photos: Mapping[str, PhotoFacts], known: Known) -> dict[str, list[Before]]:
    """Photos of before and now, by part, with how the regions that both show lie in them."""
    boxes: dict[tuple[str, str, str], list[tuple[Box, Box]]] = {}
    for item in known.inspected:
        if item.before is not None and item.photo is not None:
            old, new = photos[item.before[0].file].key, photos[item.photo.file].key
            mine = boxes.setdefault((item.part, old, new), [])
            if item.outline is not None and item.before_outline is not None:
                mine.append((_box(item.before_outline), _box(item.outline)))
    found: dict[str, list[Before]] = {}
    for (part, old, new), mine in boxes.items():
        pair = Before(before=old, after=new, place=place_of(mine))
        found.setdefault(part, []).append(pair)
    return found


def _box(outline: RegionOutline) -> Box:
    low, high = outline.polygon.min(axis=0), outline.polygon.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def place_of(boxes: Sequence[tuple[Box, Box]]) -> tuple[float, float, float] | None:
    """Scale and shift (x, y) that lay earlier boxes best over later ones (least squares).

    None where there are none, or where they are too unlike to be of the same view.
    """
    if not boxes:
        return None
    old = [(box[i], box[i + 1]) for box, _ in boxes for i in (0, 2)]
    new = [(box[i], box[i + 1]) for _, box in boxes for i in (0, 2)]
    mid_old = [sum(p[axis] for p in old) / len(old) for axis in (0, 1)]
    mid_new = [sum(p[axis] for p in new) / len(new) for axis in (0, 1)]
    spread = sum((p[a] - mid_old[a]) ** 2 for p in old for a in (0, 1))
    along = sum(
        (p[a] - mid_old[a]) * (q[a] - mid_new[a])
        for p, q in zip(old, new, strict=True)
        for a in (0, 1)
    )
    left = sum((q[a] - mid_new[a]) ** 2 for q in new for a in (0, 1))
    if spread <= 0 or left <= 0 or along <= 0:
        return None
    scale = along / spread
    # What remains between the outlines, as a share of their size (our own choice of limit).
    if 1.0 - along**2 / (spread * left) > _MOST_UNLIKE:
        return None
    return scale, mid_new[0] - scale * mid_old[0], mid_new[1] - scale * mid_old[1]
