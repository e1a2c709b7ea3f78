"""What one photo tells of itself: its light, its colours, its sharpness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.chart import ChartReading, ChartSpec, ColourFit, fit_colour
from fullhide.light import FlatField, board_field, edge_blur_px, surround_field
from fullhide.photo import Photo
from fullhide.region import ToXYZ, bounding_box, outline_mask

__all__ = ["USUAL_BLUR_PX", "blur_px", "colour_fit", "flat_field", "xyz_of"]

Polygon = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: Blur that is taken where no edge tells, pixels (a good lens with in-camera sharpening).
USUAL_BLUR_PX = 0.9
_FOCUS_CROP_PX = 900
#: A chart's edges lie close together and cameras sharpen them: they measure this much too sharp
#: (rendered charts of 1.5 to 7 px of blur, all alike).
_CHART_EDGES = 1.4


def flat_field(
    photo: Photo,
    *,
    reading: ChartReading,
    polygons: Sequence[Polygon],
    board: Photo | None = None,
) -> FlatField:
    """How evenly the light falls: from the grey board, or from the photo's own surround.

    Parameters
    ----------
    photo
        The photo.
    reading
        Its chart; where there is one the field is 1 there, else in the photo's middle.
    polygons
        Outlines in the photo, photo pixels: what is no surround.
    board
        A photo of a grey board in the same light.
    """
    if board is not None:
        field = board_field(board, size_px=photo.size_px)
    else:
        neutral = np.ones(3)
        if reading.found:
            neutral = np.maximum(reading.patches[19:23].mean(axis=0), 1e-6)
        taken = _taken(photo, reading, polygons)
        field = surround_field(photo, taken=taken, neutral=neutral)
    if reading.found:
        return field.relative_to(_patch_places(reading))
    # Without a chart only the light's shape is wanted: its level would change every colour.
    return field.relative_to(0.5 * np.array([photo.size_px], np.float64))


def _patch_places(reading: ChartReading) -> NDArray[np.float64]:
    """Rough centres of the 24 patches in the photo, (24, 2): near enough for slow light."""
    a, b, c, d = reading.corners_px
    rows, columns = np.divmod(np.arange(24), 6)
    x, y = ((columns + 0.5) / 6)[:, None], ((rows + 0.5) / 4)[:, None]
    return np.asarray((a * (1 - x) + b * x) * (1 - y) + (d * (1 - x) + c * x) * y)


def _taken(photo: Photo, reading: ChartReading, polygons: Sequence[Polygon]) -> NDArray[np.bool_]:
    """Small mask of what is no surround: regions and chart, each grown a little."""
    width, height = photo.size_px
    factor = max(1, max(width, height) // 384)
    all_of_them = list(polygons)
    if reading.found:
        middle = reading.corners_px.mean(axis=0)
        all_of_them.append(middle + 1.06 * (reading.corners_px - middle))
    return outline_mask(all_of_them, (0, 0, width, height), factor=factor)


def colour_fit(reading: ChartReading, *, spec: ChartSpec, field: FlatField) -> ColourFit:
    """Fit on the chart's patches, the light's falloff across them divided out."""
    if reading.found:
        light = field.at(_patch_places(reading))
        reading = replace(reading, patches=reading.patches / light[:, None])
    return fit_colour(reading, spec=spec)


def xyz_of(fit: ColourFit, field: FlatField) -> ToXYZ:
    """XYZ(D50) of crops, the light's falloff divided out."""

    def converted(linear: NDArray[np.float32], box: Box) -> NDArray[np.float32]:
        xyz = fit.apply(linear)
        if field.source != "none":
            xyz /= field.over(box, (xyz.shape[0], xyz.shape[1]))[..., None]
        return xyz

    return converted


def blur_px(photo: Photo, *, reading: ChartReading, polygons: Sequence[Polygon]) -> float | None:
    """Blur at the chart or the printed card, or else at the rim of the largest region.

    None where no edge tells.
    """
    printed = reading.found or reading.card.found
    if printed:
        polygons = [reading.corners_px if reading.found else reading.card.corners_px]
    if not polygons:
        return None
    widest = max(polygons, key=lambda p: float(np.prod(np.ptp(p, axis=0))))
    # A little beyond it, so that its rim is in the picture.
    middle = widest.mean(axis=0)
    x0, y0, x1, y1 = bounding_box(middle + 1.08 * (widest - middle), photo.size_px)
    if max(x1 - x0, y1 - y0) > _FOCUS_CROP_PX:
        x1, y1 = min(x1, x0 + _FOCUS_CROP_PX), min(y1, y0 + _FOCUS_CROP_PX)
    blur = edge_blur_px(photo.linear((x0, y0, x1, y1))[..., 1].copy())
    return blur * _CHART_EDGES if blur is not None and printed else blur
