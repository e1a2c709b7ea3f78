"""Pictures of a photo's surface on demand: what shows through, how far off, without its shading.

They show what the checks see, to a person who wants to look; no verdict rests on them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.background import Background, background
from fullhide.checks.levels import covariance_of
from fullhide.colour import delta_e00, lab_to_xyz, xyz_to_lab, xyz_to_srgb8
from fullhide.job import Job
from fullhide.judge_show import finish_of
from fullhide.opened import Prepared
from fullhide.region import RegionView
from fullhide.scene import Scene
from fullhide.smoothing import masked_blur
from fullhide.surface import colour_pair

__all__ = ["Maps", "surface_maps"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: The maps have at most about so many pixels: they are looked at, not measured in.
_MOST_PX = 3_000_000
#: Smoothing, over the radius of the limit's spot: what is smaller does not count.
_SMOOTH = 0.5
#: Steps of a share and of a ΔE that a map is carried in.
_SHARE_STEP, _DELTA_E_STEP = 1e-4, 0.01
#: Fewer judged pixels than this tell nothing of a region's look.
_FEWEST_PIXELS = 150


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maps:
    """Maps of one photo, smaller than it by `factor`.

    Attributes
    ----------
    share
        Share of the colour beneath, 0 to 1, of whichever shows most; float32 (h, w), NaN outside
        the regions.
    delta_e
        CIEDE2000 from the spot-free colour around the place; NaN outside the regions.
    flat
        The surface with its shading and shine taken off, sRGB; uint8 (h, w, 4), transparent
        outside the regions.
    factor
        Photo pixels a map pixel.
    """

    share: Array
    delta_e: Array
    flat: NDArray[np.uint8]
    factor: float


def surface_maps(
    ready: Prepared, job: Job, *, on_region: Callable[[int, int], None] | None = None
) -> Maps:
    """Draw the maps of a prepared photo.

    Parameters
    ----------
    ready
        From `opened.prepared`.
    job
        Colours and limits.
    on_region
        Called after each region with the number drawn and the number there are; what it raises
        ends the work.
    """
    width, height = ready.scene.photo.size_px
    factor = max(1.0, float(np.sqrt(width * height / _MOST_PX)))
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    share = np.full(size[::-1], np.nan, np.float32)
    delta_e = share.copy()
    flat = np.zeros((*size[::-1], 4), np.uint8)
    # Wide ones first: a seam drawn over a panel is to be seen.
    regions = sorted(
        (o for o in ready.outlines if o.kind not in ("ignore", "chart", "edge")),
        key=lambda o: -cv2.contourArea(o.polygon.astype(np.float32)),
    )
    for number, outline in enumerate(regions, start=1):
        view = ready.scene.view(outline, job.limits)
        if view.judged.sum() >= _FEWEST_PIXELS:
            shown, off, colour = _drawn(ready.scene, view, job)
            inside = view.judged.astype(np.uint16)
            at = _Placed(view, size, (width / size[0], height / size[1]))
            there = at.carried(inside) > 0
            if there.any():
                at.into(share)[there] = at.carried(shown)[there] * np.float32(_SHARE_STEP)
                at.into(delta_e)[there] = at.carried(off)[there] * np.float32(_DELTA_E_STEP)
                for channel in range(3):
                    at.into(flat)[..., channel][there] = at.carried(colour[..., channel])[there]
                at.into(flat)[..., 3][there] = 255
        if on_region is not None:
            on_region(number, len(regions))
    for array in (share, delta_e, flat):
        array.flags.writeable = False
    return Maps(share=share, delta_e=delta_e, flat=flat, factor=width / size[0])


class _Placed:
    """From a region's view to the pixels of a map."""

    def __init__(self, view: RegionView, size: tuple[int, int], factor: tuple[float, float]):
        self.view = view
        x0, y0, x1, y1 = view.box
        fx, fy = factor
        self.box = (
            int(np.ceil(x0 / fx - 0.5)),
            int(np.ceil(y0 / fy - 0.5)),
            min(size[0], int(np.ceil(x1 / fx - 0.5))),
            min(size[1], int(np.ceil(y1 / fy - 0.5))),
        )
        # The photo's pixel under the middle of each of the map's.
        self.columns = np.clip(
            ((np.arange(self.box[0], self.box[2]) + 0.5) * fx).astype(int) - x0, 0, x1 - x0 - 1
        )
        self.rows = np.clip(
            ((np.arange(self.box[1], self.box[3]) + 0.5) * fy).astype(int) - y0, 0, y1 - y0 - 1
        )

    def carried(self, values: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Values of the view at the map's pixels."""
        whole = self.view.to_photo(values)
        return np.asarray(whole[self.rows[:, None], self.columns[None]], np.uint16)

    def into(self, whole: NDArray[np.generic]) -> NDArray[np.generic]:
        """The map's pixels of the region's box."""
        x0, y0, x1, y1 = self.box
        return whole[y0:y1, x0:x1]


def _drawn(
    scene: Scene, view: RegionView, job: Job
) -> tuple[NDArray[np.uint16], NDArray[np.uint16], NDArray[np.uint16]]:
    """Share, ΔE and flat colour of one region, each in whole steps."""
    ground = background(view, beneath=[lab_to_xyz(under.lab) for under in job.under])
    radius_mm = float(np.sqrt(job.limits.show_through_mm2 / np.pi))
    sigma = _SMOOTH * radius_mm / view.mm_per_px
    fine = masked_blur(ground.ratio, ground.weight, (sigma, sigma))
    usual = xyz_to_lab(ground.finish.astype(np.float32))
    colour = (ground.finish * (1.0 + fine)).astype(np.float32)
    off = delta_e00(xyz_to_lab(np.maximum(colour, np.float32(1e-6))), usual)
    shown = _share(fine, scene, ground, job)
    sharp = ground.finish * (1.0 + ground.ratio.astype(np.float64))
    return (
        np.round(np.clip(shown, 0.0, 1.0) / _SHARE_STEP).astype(np.uint16),
        np.round(np.clip(off, 0.0, 100.0) / _DELTA_E_STEP).astype(np.uint16),
        xyz_to_srgb8(sharp).astype(np.uint16),
    )


def _share(fine: Array, scene: Scene, ground: Background, job: Job) -> Array:
    """Least-squares share of the colour beneath that shows most, the grain's play as noise."""
    noise = covariance_of(fine, ground.judged & ~ground.bare)
    most = np.zeros(fine.shape[:2], np.float32)
    finish, veil = finish_of(scene, ground, job)
    for under in job.under:
        pair = colour_pair(
            under.name,
            finish,
            lab_to_xyz(under.lab),
            limit_delta_e=job.limits.show_through_delta_e,
            veil=veil,
        )
        if not np.isfinite(pair.share_at_limit):
            continue
        weights = np.linalg.solve(noise, pair.contrast)
        weights /= float(pair.contrast @ weights)
        found = cv2.transform(fine, weights[None].astype(np.float32)).reshape(most.shape)
        np.maximum(most, np.asarray(found, np.float32), out=most)
    return most
