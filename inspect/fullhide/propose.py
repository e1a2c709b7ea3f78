"""First outlines for a photo that nobody drew in: the dyed surface and its seams."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._propose_mask import SMALLEST_SHARE, Surface, find_surface
from fullhide._propose_seams import find_seams
from fullhide.chart import ChartReading, ColourFit
from fullhide.colour import delta_e00
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo
from fullhide.seam_path import seam_band

__all__ = ["propose"]

Lab = tuple[float, float, float]
Polygon = NDArray[np.float64]

#: Stands in for the scale where nothing gives it.
NOMINAL_MM_PER_PX = 0.2
#: Width of a seam's band, mm: the valley and its two rolled edges.
_BAND_MM = 9.0
#: A reference has the finish's colour within this CIEDE2000: light and age change it somewhat.
_SAME_FINISH = 8.0
#: A photo with a shorter side shows nothing that could be judged, pixels.
_LEAST_PX = 16
#: A surface's outline is drawn with corners no farther off its rim than this, mask pixels.
_TOLERANCE_PX = 0.8
#: A rim that stands out by less, standard deviations, is no rim.
_LEAST_CONTRAST = 0.5
#: A surface's outline is never so ragged: its area over that of its hull.
_LEAST_SOLID = 0.55


def propose(
    photo: Photo,
    *,
    file: str,
    reading: ChartReading,
    fit: ColourFit,
    mm_per_px: float | None = None,
    under: Sequence[Lab] = (),
    finish: Lab | None = None,
    part: str | None = None,
    rough: bool = False,
) -> tuple[RegionOutline, ...]:
    """The dyed surface about the photo's middle as a panel, and its seams as bands.

    What lies on it or reaches over it, the chart, and what has another colour are left out, but
    not what shows a colour beneath.

    Parameters
    ----------
    photo, file
        The photo and its name in the job.
    reading, fit
        The chart, which is left out, and the colours.
    mm_per_px
        The photo's scale, if it is known.
    under
        Colours beneath, Lab: where they show at the rim is part of the surface.
    finish, part
        The colour asked for, Lab, and the part's name. A surface of that colour on a part that is
        called a reference is proposed as such, where a chart tells its colour.
    rough
        Only where the part lies, in a tenth of the time: its rim less closely, no seams.

    Returns
    -------
    tuple of RegionOutline
        All with the property ``proposed``; nothing where no surface stands out clearly.
    """
    surface = find_surface(photo, reading=reading, fit=fit, under=under, rough=rough)
    if surface is None or surface.contrast < _LEAST_CONTRAST:
        return ()
    polygon = _outline(surface, photo.size_px)
    if polygon is None:
        return ()
    if finish is not None and reading.found and _called_reference(part):
        apart = delta_e00(surface.lab[None], np.array([finish], np.float32))
        if float(apart[0]) < _SAME_FINISH:
            return (_proposed(file, "reference", "reference", polygon),)
    made = [_proposed(file, "surface", "panel", polygon)]
    if rough:
        return tuple(made)
    scale = mm_per_px or NOMINAL_MM_PER_PX
    for line in find_seams(photo, surface.mask, surface.scale, mm_per_px=scale):
        band = seam_band(line, width_px=_BAND_MM / scale, size_px=photo.size_px)
        if len(band) >= 3:
            made.append(_proposed(file, f"seam {len(made)}", "seam", band))
    return tuple(made)


def _called_reference(part: str | None) -> bool:
    return "reference" in (part or "").casefold().replace(",", " ").split()


def _proposed(file: str, name: str, kind: str, polygon: Polygon) -> RegionOutline:
    polygon.setflags(write=False)
    return RegionOutline(
        photo=file, name=name, kind=kind, polygon=polygon, properties={"proposed": True}
    )


def _outline(surface: Surface, size_px: tuple[int, int]) -> Polygon | None:
    """The surface's rim in photo pixels; None where it is too small or too ragged for one."""
    if surface.mask.mean() < SMALLEST_SHARE or min(size_px) < _LEAST_PX:
        return None
    contours, _ = cv2.findContours(surface.mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    rim = max(contours, key=cv2.contourArea)
    area, whole = cv2.contourArea(rim), cv2.contourArea(cv2.convexHull(rim))
    if area < _LEAST_SOLID * whole:
        return None
    corners = cv2.approxPolyDP(rim, _TOLERANCE_PX, True).reshape(-1, 2).astype(np.float64)
    if len(corners) < 3:
        return None
    # A contour runs through the middles of the rim's pixels.
    polygon = np.clip((corners + 0.5) / surface.scale, 0, size_px)
    at_edge = np.array(size_px) - 1.0 / surface.scale
    polygon = np.where(polygon <= 1.0 / surface.scale, 0.0, polygon)
    return np.where(polygon >= at_edge, np.array(size_px, np.float64), polygon)
