"""What is known of a photo before its regions are judged, and of a region seen in several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide.background import Background
from fullhide.calibrate import xyz_of
from fullhide.chart import ColourFit
from fullhide.checks.sheen import Look
from fullhide.job import Limits
from fullhide.light import FlatField
from fullhide.outlines import RegionOutline
from fullhide.photo import Photo
from fullhide.region import RegionView, view_edge, view_panel, view_seam
from fullhide.shine import Flats, Shine, shine_of

__all__ = ["Scene", "Seen"]

Polygon = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """A photo with what is known of its colours, light, scale and sharpness.

    `looks` is the number of photos that a region is judged from, `flats` what noise does on the
    chart's patches at the scale of the limit; None without a chart or if nobody asked for sheen.
    """

    photo: Photo
    fit: ColourFit
    field: FlatField
    mm_per_px: float
    scaled: bool
    scale_doubt: float
    blur_px: float
    calibrated: bool
    flags: tuple[str, ...]
    ignore: tuple[Polygon, ...]
    looks: int = 1
    flats: Flats | None = None

    def view(self, outline: RegionOutline, limits: Limits) -> RegionView:
        """The region's pixels."""
        if outline.kind == "edge":
            return view_edge(
                self.photo,
                polygon=outline.polygon,
                holes=outline.holes,
                ignore=self.ignore,
                to_xyz=xyz_of(self.fit, self.field),
                mm_per_px=self.mm_per_px,
                scaled=self.scaled,
            )
        make = view_seam if outline.kind == "seam" else view_panel
        return make(
            self.photo,
            polygon=outline.polygon,
            holes=outline.holes,
            ignore=self.ignore,
            to_xyz=xyz_of(self.fit, self.field),
            mm_per_px=self.mm_per_px,
            scaled=self.scaled,
            limit_mm2=limits.show_through_mm2,
        )

    def shines(self, view: RegionView) -> tuple[Shine, ...]:
        """The highlight on a region; empty without `flats`."""
        return () if self.flats is None else (shine_of(view, flats=self.flats),)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """A region's pixels and spot-free look where they do not come from one photo alone.

    `changed` marks where the photos contradict one another; `looks` are the highlights on the
    panel and on its references in each further photo, `lit` the panel in each and what noise does
    there, where sheen was asked for.
    """

    view: RegionView
    ground: Background
    changed: NDArray[np.bool_]
    looks: tuple[Look, ...] = ()
    lit: tuple[tuple[RegionView, Flats], ...] = ()
