"""The 24-patch chart: found anywhere in a photo, sampled, checked, and turned into a colour fit.

A chart that is not there, or cannot be trusted, is an empty reading (`found` False): a wrong
reading would be worse than none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import _chart_find as finder
from fullhide import _chart_fit as fitting
from fullhide import _chart_judge as judging
from fullhide import _chart_pose as posing
from fullhide import _chart_read as sampling
from fullhide._chart_data import EDITIONS, PATCHES
from fullhide._chart_fit import ColourFit, Tone, uncalibrated
from fullhide._chart_marked import check_corners, marked_board, marked_places
from fullhide._chart_pose import Picture
from fullhide.colour import lab_to_xyz, xyz_to_rec2020
from fullhide.errors import JobError

__all__ = [
    "EDITIONS",
    "PATCHES",
    "ChartReading",
    "ChartSpec",
    "ColourFit",
    "Tone",
    "chart_spec",
    "find_chart",
    "fit_colour",
    "uncalibrated",
]

F64: TypeAlias = NDArray[np.float64]

SMALL_PX = 250.0  # STANDARDS.md 6.4: below this width patch values go astray
_REJECT_PX = 90.0  # not read at all: own choice
_LEVELS = (1000, 2000)  # sides of the reduced pictures searched, the second only if need be


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
    """

    lab: F64
    width_mm: float | None
    edition: str


def chart_spec(
    edition: str = "after-2014",
    *,
    lab: Sequence[Sequence[float]] | F64 | None = None,
    width_mm: float | None = None,
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
    return ChartSpec(values, width_mm, edition)


def _nothing() -> F64:
    return np.zeros((24, 3))


@dataclass(frozen=True, slots=True)
class ChartReading:
    """A chart as read from one photo.

    Attributes
    ----------
    found
        Whether a chart was read and may be used; if False only `flags` mean anything.
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
        inverse = np.linalg.inv(self.homography)
        w = xy @ inverse[2, :2] + inverse[2, 2]
        centre = self.corners_px.mean(axis=0)
        side = float(centre @ inverse[2, :2] + inverse[2, 2])
        with np.errstate(divide="ignore", invalid="ignore"):
            area = np.abs(np.linalg.det(inverse) / w**3)
        return np.asarray(np.where(w * side > 0, area, np.nan))


def find_chart(photo: Picture, *, spec: ChartSpec, corners_px: F64 | None = None) -> ChartReading:
    """Find the chart, sample it and check it.

    Parameters
    ----------
    photo
        An opened photo (`fullhide.photo.Photo`, or anything with its `size_px`, `encoded`,
        `matrix`, `linear`, `clipped` and `preview`).
    spec
        The chart to look for.
    corners_px
        (4, 2) corners of the board marked by hand, dark skin's first, clockwise in the chart's
        own frame: then nowhere else is searched.

    Returns
    -------
    ChartReading, with `found` False if there is none that can be trusted.

    Raises
    ------
    JobError
        Marked corners that are not four, cross, coincide or lie outside the photo.
    """
    view = _Remembering(photo)
    if corners_px is not None:
        return _read_marked(view, spec, np.asarray(corners_px, dtype=np.float64))
    refused: list[F64] = []
    best = ChartReading(False, flags=("no_chart",))
    for places in _searches(view, _reference_rgb(spec)):
        for hom, mirrored in places:
            corners = finder.project(hom, posing.GRID[[0, 5, 23, 18]])
            again = [np.abs(corners - r).max() < 0.3 * posing.pitch_px(hom) for r in refused]
            if sum(again) >= 2:  # the same place from another contrast or size
                continue
            result = _read(view, spec, hom, mirrored)
            if result.found and not _doubts(result):
                return result
            if result.found:
                best = result if not best.found or _doubts(result) < _doubts(best) else best
                refused.append(corners)
            elif len(result.flags) > len(best.flags):
                best = result  # nothing to use, but it says why
            refused.append(corners)
        if best.found:
            break
    return best


def _doubts(reading: ChartReading) -> int:
    """Grounds to go on looking for a better reading."""
    return len(set(reading.flags) - {"chart_small", "scale_doubtful", "chart_part_clipped"}) + len(
        reading.bad
    )


class _Remembering:
    """A photo whose reduced pictures are made only once."""

    def __init__(self, photo: Picture) -> None:
        self._photo = photo
        self._previews: dict[int, tuple[NDArray[np.uint8], float]] = {}

    @property
    def size_px(self) -> tuple[int, int]:
        return self._photo.size_px

    @property
    def encoded(self) -> NDArray[np.uint8] | NDArray[np.uint16]:
        return self._photo.encoded

    @property
    def matrix(self) -> F64:
        return self._photo.matrix

    def linear(self, box: posing.Box | None = None) -> NDArray[np.float32]:
        return self._photo.linear(box)

    def clipped(self, box: posing.Box | None = None) -> NDArray[np.bool_]:
        return self._photo.clipped(box)

    def preview(self, max_side: int) -> tuple[NDArray[np.uint8], float]:
        if max_side not in self._previews:
            self._previews[max_side] = self._photo.preview(max_side)
        return self._previews[max_side]


def _reference_rgb(spec: ChartSpec) -> F64:
    return np.maximum(xyz_to_rec2020(lab_to_xyz(spec.lab)), 0.0)


def _searches(photo: Picture, reference: F64) -> Iterator[Iterator[tuple[F64, bool]]]:
    """Candidates in photo px, in two searches: the likeliest sizes, then small charts."""
    if min(photo.size_px) < _REJECT_PX / 2:
        return
    first, scale = photo.preview(_LEVELS[0])
    half = _halved(first)
    pictures = [(half, scale / 2), (first, scale), (_halved(half), scale / 4)]
    yield (place for p, s in pictures for place in _scaled(p, s, reference))
    if finder.noisy(half):  # grains larger than a patch's contrast: smoothed, edges kept
        pictures = [(half, scale / 2), (first, scale)]
        yield (place for p, s in pictures for place in _scaled(finder.calm(p), s, reference))
    if max(photo.size_px) > 1.2 * _LEVELS[0]:
        large, scale = photo.preview(_LEVELS[1])
        yield _scaled(large, scale, reference)


def _halved(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    h, w = picture.shape[:2]
    if min(h, w) < 2:  # a long strip: nothing left of it
        return picture[:0]
    even = picture[: h // 2 * 2, : w // 2 * 2]
    half = cv2.resize(even, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    return np.asarray(half, dtype=np.uint8)


def _scaled(picture: NDArray[np.uint8], scale: float, reference: F64) -> Iterator[tuple[F64, bool]]:
    if min(picture.shape[:2]) < 24:
        return
    for place in finder.candidates(picture, reference):
        yield np.diag([1 / scale, 1 / scale, 1.0]) @ place.homography, place.mirrored


def _read(
    photo: Picture, spec: ChartSpec, hom: F64, mirrored: bool, marks: F64 | None = None
) -> ChartReading:
    """Refine, sample and judge one place."""
    missing = ChartReading(False, flags=("no_chart",))
    pose = posing.refine(photo, hom)
    if pose is None and marks is not None:  # the marks stand in for edges that cannot be seen
        pose = posing.Pose(hom, 0.42, 0.0, 0)
    if pose is None or pose.rms > 0.08:
        return missing
    seen = sampling.sample(photo, pose.homography, pose.half)
    if seen is None:
        return missing
    verdict = judging.judge(seen, spec.lab, mirrored=mirrored, rms=pose.rms, edges=pose.edges)
    if not verdict.found:
        return replace(missing, flags=missing.flags + verdict.flags)
    board = posing.find_board(photo, pose)
    if marks is not None:
        board = marked_board(pose.homography, marks, board)
    placed = _place(pose.homography, board, spec)
    if placed.width_px < _REJECT_PX:
        return missing
    flags = list(verdict.flags)
    if placed.width_px < SMALL_PX:
        flags.append("chart_small")
    if marks is None and not board.sure:
        flags.append("scale_doubtful")
    return replace(
        placed,
        found=True,
        patches=seen.mean,
        patch_sd=seen.sd,
        flags=tuple(flags),
        hand_marked=marks is not None,
        used=verdict.used,
        bad=verdict.bad,
        light=verdict.light,
    )


def _place(grid_hom: F64, board: posing.Board, spec: ChartSpec) -> ChartReading:
    """Corners, plane homography and scale from the grid's pose and the board's edges."""
    corners = board.corners()
    unit = (spec.width_mm or 1.0) / board.width  # mm (or board widths) a pitch
    to_grid = np.array([[1 / unit, 0, corners[0, 0]], [0, 1 / unit, corners[0, 1]], [0, 0, 1.0]])
    hom = grid_hom @ to_grid
    hom = hom / hom[2, 2]
    middle = np.array([board.width, board.height]) * unit / 2
    strong, weak = np.linalg.svd(posing.jacobian(hom, middle), compute_uv=False)
    scale = None if spec.width_mm is None else float(1.0 / strong)
    return ChartReading(
        found=False,
        corners_px=finder.project(grid_hom, corners),
        homography=hom,
        centres_px=finder.project(grid_hom, posing.GRID),
        mm_per_px=scale,
        mm_per_px_u=None if scale is None else scale * board.width_u,
        width_px=float(weak * unit * board.width),
    )


def _read_marked(photo: Picture, spec: ChartSpec, corners: F64) -> ChartReading:
    problem = check_corners(corners, photo.size_px)
    if problem:
        raise JobError("chart", problem, "mark the board's four corners, dark skin's first")
    best = ChartReading(False)
    for hom, mirrored in marked_places(photo, corners, _reference_rgb(spec)):
        result = _read(photo, spec, hom, mirrored, corners)
        if result.found and not _doubts(result):
            return result
        if result.found and (not best.found or _doubts(result) < _doubts(best)):
            best = result
    if best.found:
        return best
    # A board whose colours are not the chart's is no ground for a scale either.
    return ChartReading(False, flags=("no_chart", "chart_doubtful"), hand_marked=True)


def fit_colour(reading: ChartReading, *, spec: ChartSpec) -> ColourFit:
    """Working linear to XYZ from a chart read.

    Parameters
    ----------
    reading
        From `find_chart`; not found gives `uncalibrated()`.
    spec
        The same chart.

    Returns
    -------
    ColourFit: linear 3 x 3 or root-polynomial of degree 2 (Finlayson, Mackiewicz & Hurlbert
    2015), whichever has the lower leave-one-out residual; with a tone curve from the grey row
    where that lowers it clearly.
    """
    if not reading.found:
        return uncalibrated()
    rgb = reading.patches / reading.light[:, None]
    return fitting.fit_patches(rgb, spec.lab, used=reading.used)
