"""A first outline for a photo that nobody drew in: the dyed surface as one panel."""

from __future__ import annotations

from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.chart import ChartReading, ColourFit
from fullhide.colour import xyz_to_lab
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo

__all__ = ["propose_panel"]

_SIDE_PX = 320
#: Weight of lightness against hue: shading moves lightness on one surface (our own choice).
_LIGHTNESS = 0.35
_SAME = 9.0
#: Shading on one surface stays within a factor of some two either way: so far may the logarithm of
#: luminance be from the surface's own, a hundredth added for shine on black (our own choice).
_SHADING = 0.8
_SMALLEST_SHARE = 0.04


def propose_panel(
    photo: Photo, *, file: str, reading: ChartReading, fit: ColourFit
) -> tuple[RegionOutline, ...]:
    """The largest surface of one colour around the photo's middle.

    Parameters
    ----------
    photo, file
        The photo and its name in the job.
    reading, fit
        The chart, which is left out, and the colours.

    Returns
    -------
    tuple of RegionOutline
        One panel with the property ``proposed``, or nothing if no surface stands out.
    """
    width, height = photo.size_px
    scale = min(1.0, _SIDE_PX / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cast(Any, cv2.resize(photo.encoded, size, interpolation=cv2.INTER_AREA))
    linear = cv2.transform(cv2.LUT(small, photo.curve[None]), photo.matrix.astype(np.float32))
    linear = cv2.GaussianBlur(linear, (0, 0), 1.2)
    lab = xyz_to_lab(np.maximum(fit.apply(np.asarray(linear, np.float32)), 1e-5))
    free = np.ones(lab.shape[:2], np.uint8)
    if reading.found:
        middle = reading.corners_px.mean(axis=0)
        board = (middle + 1.1 * (reading.corners_px - middle)) * scale
        cv2.fillConvexPoly(free, np.round(board).astype(np.int32), 0)
    body = _surface(lab, free)
    if body.mean() < _SMALLEST_SHARE:
        return ()
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea)
    outline = cv2.approxPolyDP(outline, 1.0, True).reshape(-1, 2).astype(np.float64) + 0.5
    if len(outline) < 3:
        return ()
    polygon = np.clip(outline / scale, 0, (width, height))
    polygon.setflags(write=False)
    return (
        RegionOutline(
            photo=file,
            name="surface",
            kind="panel",
            polygon=polygon,
            properties={"proposed": True},
        ),
    )


def _surface(lab: NDArray[np.float32], free: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Mask of the surface that most of the photo's middle shows, holes closed, rim left off."""
    height, width = free.shape
    middle = np.zeros_like(free)
    middle[height // 4 : -(height // 4) or None, width // 4 : -(width // 4) or None] = 1
    weighted = lab * np.array([_LIGHTNESS, 1.0, 1.0], np.float32)
    values = weighted[(middle & free) > 0]
    if len(values) < 50:
        return np.zeros_like(free)
    centre = _mode(values)
    same = (np.linalg.norm(weighted - centre, axis=-1) < _SAME) & (free > 0)
    # Black beside grey is one hue: what is far too light or dark for shading is another thing.
    bright = np.log(_luminance(lab[..., 0]) + 0.01)
    own = np.log(_luminance(centre[:1] / np.float32(_LIGHTNESS)) + 0.01)
    mask = (same & (np.abs(bright - own) < _SHADING)).astype(np.uint8)
    side = max(3, min(height, width) // 60)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * side + 1, 2 * side + 1))
    mask = cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if count < 2:
        return np.zeros_like(free)
    largest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    body = (labels == largest).astype(np.uint8)
    contours, _ = cv2.findContours(body, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(body)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    filled &= free
    return cast(NDArray[np.uint8], cv2.erode(filled, np.ones((5, 5), np.uint8), borderValue=0))


def _luminance(lightness: NDArray[np.float32]) -> NDArray[np.float32]:
    """Y of L*, Y = 1 for the perfect white, without the straight part near black."""
    return np.asarray(((np.maximum(lightness, 0.0) + 16.0) / 116.0) ** 3, np.float32)


def _mode(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Densest colour: mean shift from the fullest cell."""
    cells = np.round(values / 6.0).astype(int)
    kinds, counts = np.unique(cells, axis=0, return_counts=True)
    centre = kinds[counts.argmax()].astype(np.float32) * 6.0
    for _ in range(8):
        near = np.linalg.norm(values - centre, axis=1) < _SAME
        if not near.any():
            break
        centre = values[near].mean(axis=0)
    return np.asarray(centre, np.float32)
