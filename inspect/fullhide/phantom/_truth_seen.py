"""The truth of a photo whose camera does not stand straight above."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ._edges import EdgeTruth
from ._truth import SpotTruth, Truth
from ._view import Seen
from .scene import Point

__all__ = ["outline_seen", "truth_seen"]

_STEP_PX = 40.0  # a straight side over a cushion bends: it gets corners this far apart


def outline_seen(polygon: tuple[Point, ...], view: Seen) -> tuple[Point, ...]:
    """A flat outline in the photo's pixels, with further corners along its sides."""
    if not polygon:
        return ()
    p = np.array(polygon, np.float64)
    dense = []
    for a, b in zip(p, np.roll(p, -1, axis=0), strict=True):
        count = max(1, int(np.hypot(*(b - a)) / _STEP_PX))
        dense.append(a + (b - a) * (np.arange(count) / count)[:, None])
    return tuple((float(x), float(y)) for x, y in view.to_photo(np.concatenate(dense)))


def truth_seen(truth: Truth, view: Seen) -> Truth:
    """The truth in the photo's pixels; areas in mm² stay what they are on the part."""

    def carried(array: NDArray[Any] | None, *, nearest: bool = False) -> Any:
        if array is None:
            return None
        flat = array.astype(np.uint8) if array.dtype == bool else array
        out = view.seen(flat, nearest=nearest)
        out = out.astype(bool) if array.dtype == bool else out
        out.setflags(write=False)
        return out

    labels = carried(truth.labels, nearest=True)
    corners = truth.chart_corners_px
    return replace(
        truth,
        mm_per_px=view.mm_per_px,
        shares=MappingProxyType({name: carried(m) for name, m in truth.shares.items()}),
        labels=labels,
        spots=tuple(_spot(s, labels, view) for s in truth.spots),
        delta_e=carried(truth.delta_e),
        thickness=carried(truth.thickness),
        shading=carried(truth.shading),
        highlight=carried(truth.highlight),
        panel=carried(truth.panel, nearest=True),
        panel_px=outline_seen(truth.panel_px, view),
        region_px=outline_seen(truth.region_px, view),
        seam_px=tuple(outline_seen(s, view) for s in truth.seam_px),
        chart_corners_px=None if corners is None else view.to_photo(corners),
        lobe=carried(truth.lobe),
        edges=tuple(_edge(e, view) for e in truth.edges),
    )


def _edge(edge: EdgeTruth, view: Seen) -> EdgeTruth:
    return replace(
        edge,
        line_px=view.to_photo(edge.line_px),
        masked_px=view.to_photo(edge.masked_px),
        course_px=view.to_photo(edge.course_px),
    )


def _spot(spot: SpotTruth, labels: NDArray[np.int16], view: Seen) -> SpotTruth:
    centre = view.to_photo(np.array([spot.centre_px]))[0]
    x0, y0, x1, y1 = spot.box_px
    corners = view.to_photo(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64))
    size = np.array(view.size_px)
    low = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, size)
    high = np.clip(np.ceil(corners.max(axis=0)).astype(int), 0, size)
    y, x = np.nonzero(labels[low[1] : high[1], low[0] : high[0]] == spot.id)
    if len(x):
        low, high = low + np.array([x.min(), y.min()]), low + np.array([x.max() + 1, y.max() + 1])
    return replace(
        spot,
        centre_px=(float(centre[0]), float(centre[1])),
        box_px=(int(low[0]), int(low[1]), int(high[0]), int(high[1])),
    )
