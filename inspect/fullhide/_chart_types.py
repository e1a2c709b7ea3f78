"""The chart asked for, and a chart as read: plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from fullhide._chart_data import EDITIONS
from fullhide.card import CardReading, CardSpec
from fullhide.errors import JobError

__all__ = ["ChartReading", "ChartSpec", "chart_spec"]

F64: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChartSpec:
    """The chart that the photos should show.

    Attributes
    ----------
    lab
        (24, 3) float64 CIE Lab, D50, 2 degree; dark skin first, row by row of six.
    width_mm
        Outer width of the whole board along its rows of six, or None.
    edition
        "after-2014", "before-2014" or "measured".
    card
        The printed card that may lie around or beside it.
    """

    lab: F64
    width_mm: float | None
    edition: str
    card: CardSpec = field(default_factory=CardSpec)


def chart_spec(
    edition: str = "after-2014",
    *,
    lab: Sequence[Sequence[float]] | F64 | None = None,
    width_mm: float | None = None,
    card: CardSpec | None = None,
) -> ChartSpec:
    """A chart by its edition, or by the shop's own measured values.

    Parameters
    ----------
    edition
        "after-2014" or "before-2014" (November 2014); not used with `lab`.
    lab
        24 rows of L, a, b (D50) measured on the chart itself.
    width_mm
        Outer width of the board, mm.
    card
        The printed card, if the photos show one.

    Raises
    ------
    JobError
        Unknown edition, not 24 rows of 3 finite numbers, L outside 0 to 100, width not positive.
    """
    if width_mm is not None and not 0 < width_mm < 10_000:
        raise JobError("chart", f"width_mm = {width_mm} is no width", "give it in millimetres")
    if lab is None:
        if edition not in EDITIONS:
            raise JobError(
                "chart", f'unknown edition "{edition}"', "use one of: " + ", ".join(EDITIONS)
            )
        values = np.array(EDITIONS[edition])
    else:
        edition = "measured"
        try:
            values = np.array(lab, dtype=np.float64)
        except (TypeError, ValueError):
            values = np.zeros(0)
        if values.shape != (24, 3) or not np.isfinite(values).all():
            raise JobError("chart", "lab must be 24 rows of three numbers", "give L, a, b each")
        if (values[:, 0] < 0).any() or (values[:, 0] > 100).any():
            raise JobError("chart", "lab has an L outside 0 to 100", "give CIE Lab under D50")
    values.setflags(write=False)
    return ChartSpec(values, width_mm, edition, card or CardSpec())


def _nothing() -> F64:
    return np.zeros((24, 3))


@dataclass(frozen=True, slots=True)
class ChartReading:
    """A chart as read from one photo.

    Attributes
    ----------
    found
        Whether a chart was read and may be used; if False only `flags`, `card` and, with a card
        in the photo, the scale mean anything.
    corners_px
        (4, 2) outer corners of the board, dark skin's first, clockwise in the chart's own frame.
    homography
        (3, 3) chart plane to px of the photo. The plane's unit is mm if the board's width is
        known, else the board's width; origin at the first corner, x along the rows of six.
    centres_px
        (24, 2) centres of the patches in the photo, dark skin first.
    patches, patch_sd
        (24, 3) working linear: means and standard deviations of the patches' inner parts.
    mm_per_px
        Scale at the chart's centre along the direction least shortened by tilt, where the photo
        shows the plane as if seen straight on; None if the width is unknown. See
        `local_mm2_per_px` for areas.
    mm_per_px_u
        Its standard uncertainty.
    flags
        Names from `quality.FLAGS`.
    hand_marked
        Whether corners marked by hand led to it.
    used
        (24,) bool: patches in good order, on which `fit_colour` fits.
    bad
        Numbers (0 to 23) of the patches covered, dirty or glaring.
    light
        (24,) light at each patch relative to the chart's centre where it falls off clearly, else
        ones; `fit_colour` takes it out.
    width_px
        Width of the board in the photo, px, at its centre, the shorter of the two ways under tilt.
    card
        The printed card in the photo; looked for only where the job names one, or where the chart
        alone does not give colours and scale.
    scale_from
        "chart", "card" or "": where `mm_per_px` comes from.
    """

    found: bool
    corners_px: F64 = field(default_factory=lambda: np.zeros((0, 2)))
    homography: F64 = field(default_factory=lambda: np.eye(3))
    centres_px: F64 = field(default_factory=lambda: np.zeros((0, 2)))
    patches: F64 = field(default_factory=_nothing)
    patch_sd: F64 = field(default_factory=_nothing)
    mm_per_px: float | None = None
    mm_per_px_u: float | None = None
    flags: tuple[str, ...] = ()
    hand_marked: bool = False
    used: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(24, bool))
    bad: tuple[int, ...] = ()
    light: F64 = field(default_factory=lambda: np.ones(24))
    width_px: float = 0.0
    card: CardReading = field(default_factory=lambda: CardReading(False))
    scale_from: str = ""

    @property
    def covers(self) -> tuple[F64, ...]:
        """Outlines, px, of what lies on the part or the bench and is neither: chart and card."""
        own = (self.corners_px,) if self.found else ()
        return (*own, self.card.corners_px) if self.card.found else own

    def local_mm2_per_px(self, xy: F64) -> F64:
        """Area that one px covers in the chart's plane at places of the photo.

        Parameters
        ----------
        xy
            (..., 2) px, continuous frame.

        Returns
        -------
        (...) float64 mm² a px; NaN where the scale is unknown or the plane is not seen.
        """
        xy = np.asarray(xy, dtype=np.float64)
        if self.mm_per_px is None:
            return np.full(xy.shape[:-1], np.nan)
        plane: ChartReading | CardReading = self.card if self.scale_from == "card" else self
        inverse = np.linalg.inv(plane.homography)
        w = xy @ inverse[2, :2] + inverse[2, 2]
        centre = plane.corners_px.mean(axis=0)
        side = float(centre @ inverse[2, :2] + inverse[2, 2])
        with np.errstate(divide="ignore", invalid="ignore"):
            area = np.abs(np.linalg.det(inverse) / w**3)
        return np.asarray(np.where(w * side > 0, area, np.nan))
