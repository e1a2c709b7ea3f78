"""What can be said of one place of a photo at once: under the pointer, not for a verdict."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.calibrate import xyz_of
from fullhide.checks.spots import SOLVABLE
from fullhide.colour import delta_e00, lab_to_xyz, xyz_to_lab
from fullhide.job import Job
from fullhide.opened import Prepared
from fullhide.outlines import RegionOutline
from fullhide.region import bounding_box, outline_mask
from fullhide.robust import median
from fullhide.surface import Pair, colour_pair, solve

__all__ = ["Place", "Probe"]

Vector = NDArray[np.float64]

#: Side of the square that is read, mm; and in pixels where no scale is known.
_SIDE_MM, _SIDE_PX = 1.0, 5
#: Pixels of a region that are enough for its usual colour.
_SAMPLE = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place.

    Attributes
    ----------
    lab
        Mean CIE Lab (D50) of a square millimetre there.
    calibrated
        Whether the colours are a chart's; else they are only the camera's word.
    region
        Name of the region there; None outside all of them.
    against, delta_e
        What the place is held against, in words, and CIEDE2000 from it; None where there is
        nothing to hold it against.
    under, share
        Colour beneath that the place is most like, and the share of it that shows, 0 to 1; None
        where no single place can tell, because it looks like shadow or shine.
    at_mm
        Distance from the photo's left and top, mm; None without a scale.
    """

    lab: tuple[float, float, float]
    calibrated: bool
    region: str | None
    against: str | None
    delta_e: float | None
    under: str | None
    share: float | None
    at_mm: tuple[float, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class Probe:
    """Reads single places of a prepared photo; what it learns of a region it keeps.

    Attributes
    ----------
    ready
        The photo.
    job
        Its colours.
    """

    ready: Prepared
    job: Job
    _finishes: dict[str, Vector] = field(default_factory=dict)

    def at(self, x: float, y: float) -> Place | None:
        """Read the place at (x, y), photo pixels; None outside the photo."""
        scene = self.ready.scene
        width, height = scene.photo.size_px
        if not (0 <= x < width and 0 <= y < height):
            return None
        side = round(_SIDE_MM / scene.mm_per_px) if scene.scaled else _SIDE_PX
        half = int(np.clip(side, 1, 99)) // 2
        column, row = int(x), int(y)
        box = (
            max(0, column - half),
            max(0, row - half),
            min(width, column + half + 1),
            min(height, row + half + 1),
        )
        mean = scene.photo.linear(box).mean(axis=(0, 1), dtype=np.float64)
        where = (column, row, column + 1, row + 1)
        xyz = xyz_of(scene.fit, scene.field)(mean.astype(np.float32)[None, None], where)[0, 0]
        region = self._region(x, y)
        against, finish = self._finish(region)
        own = None if region is None else self._usual(region)
        colour = xyz_to_lab(xyz.astype(np.float64))
        under, share = self._beneath(xyz, finish if own is None else own)
        return Place(
            lab=(float(colour[0]), float(colour[1]), float(colour[2])),
            calibrated=scene.calibrated,
            region=None if region is None else region.name,
            against=against,
            delta_e=None if finish is None else float(delta_e00(xyz_to_lab(finish), colour)),
            under=under,
            share=share,
            at_mm=(x * scene.mm_per_px, y * scene.mm_per_px) if scene.scaled else None,
        )

    def _region(self, x: float, y: float) -> RegionOutline | None:
        """The smallest region there that is not to be left out."""
        point = (float(x), float(y))
        found = [
            outline
            for outline in self.ready.outlines
            if outline.kind not in ("ignore", "chart", "edge")
            and cv2.pointPolygonTest(outline.polygon.astype(np.float32), point, False) >= 0
        ]
        return min(found, key=lambda o: cv2.contourArea(o.polygon.astype(np.float32)), default=None)

    def _finish(self, region: RegionOutline | None) -> tuple[str | None, Vector | None]:
        if self.job.finish is not None:
            return self.job.finish.name, lab_to_xyz(self.job.finish.lab)
        if region is not None and (own := self._usual(region)) is not None:
            return "the region's own colour", own
        return None, None

    def _usual(self, region: RegionOutline) -> Vector | None:
        """The region's usual colour, XYZ, from a few thousand of its pixels; None without any."""
        if region.name not in self._finishes:
            scene = self.ready.scene
            x0, y0, x1, y1 = box = bounding_box(region.polygon, scene.photo.size_px)
            step = max(1, int(np.sqrt((x1 - x0) * (y1 - y0) / _SAMPLE)))
            mask = outline_mask(
                [region.polygon], box, factor=step, holes=[*region.holes, *scene.ignore]
            )
            few = replace(scene.photo, encoded=scene.photo.encoded[y0:y1:step, x0:x1:step])
            xyz = xyz_of(scene.fit, scene.field)(few.linear(), box)
            mask = mask[: xyz.shape[0], : xyz.shape[1]]
            values = np.ascontiguousarray(xyz[: mask.shape[0], : mask.shape[1]][mask].T)
            if values.size == 0:
                return None
            self._finishes[region.name] = np.array([float(median(row)) for row in values])
        return self._finishes[region.name]

    def _beneath(
        self, xyz: NDArray[np.float32], finish: Vector | None
    ) -> tuple[str | None, float | None]:
        if finish is None:
            return None, None
        best: tuple[str | None, float | None] = (None, None)
        limit = self.job.limits.show_through_delta_e
        for colour in self.job.under:
            pair: Pair = colour_pair(
                colour.name, finish, lab_to_xyz(colour.lab), limit_delta_e=limit
            )
            if pair.condition > SOLVABLE or not np.isfinite(pair.share_at_limit):
                continue
            share = float(cast(float, solve(xyz[None, None], pair=pair).share[0, 0]))
            if best[1] is None or share > best[1]:
                best = (colour.name, share)
        return best
