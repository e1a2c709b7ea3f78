"""The printed card: markers on plain paper that give pose, scale and the paper's white.

A frame of markers lies around the 24-patch chart; a small card for seams has markers and a strip of
greys. What `fullhide card` prints and what is looked for here is one layout (`_card_layout`).
Two markers have to agree on one card: one alone is believed nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._card_find import Fit, best_card, markers_in, places_of_print
from fullhide._card_layout import Rectangle
from fullhide._chart_find import project
from fullhide._chart_pose import Picture, jacobian
from fullhide.colour import lab_to_xyz, xyz_to_rec2020
from fullhide.errors import JobError

__all__ = [
    "CUTOUT_MM",
    "PAPER_LAB",
    "CardReading",
    "CardSpec",
    "card_spec",
    "find_card",
    "paper_rgb",
]

F64: TypeAlias = NDArray[np.float64]

#: The hole that `fullhide card` prints if nothing else is asked for, width and height (own choice).
CUTOUT_MM = (205.0, 143.5)
#: Plain office paper, CIE Lab under D50; papers differ by some 2 in L, 1 in a and 3 in b, so that
#: no match is judged by them. From memory and common practice, no source: whiteners make most
#: papers bluish.
PAPER_LAB = (94.0, 0.5, -3.0)

# All own choices.
_RULER_U = 0.003  # relative: a ruler of 100 mm read to a third of a millimetre
_UNMEASURED_U = 0.017  # relative: printers stretch by up to 3 % either way, all alike likely
_MAX_SCALE_U = 0.03  # relative: markers that lie too badly to give the scale better give none
_LEVELS = (1000, 2000)  # sides of the reduced pictures searched
_ENOUGH = 3  # markers that end the search
_INNER = 0.5  # of a field's sides: the part sampled
_SPOTS = 9  # samples along the shorter side of a field
_CLIPPED = 0.2  # share of burnt-out samples from which a field tells nothing
_EVEN = 0.15  # natural logarithm of light between fields of one tone: more is shade or dirt
_FALLS = 0.9  # of its lighter neighbour: what a darker field of the strip has at most


@dataclass(frozen=True, slots=True)
class CardSpec:
    """What is known of the printed card.

    Attributes
    ----------
    printed_mm
        What the printed ruler of 100 mm measures, mm; None if nobody measured it.
    cutout_mm
        Width and height of the hole for the chart.
    expected
        Whether the job says that a card lies in the photos: then it is looked for first.
    """

    printed_mm: float | None = None
    cutout_mm: tuple[float, float] = CUTOUT_MM
    expected: bool = False

    @property
    def stretch(self) -> float:
        """True length over nominal length."""
        return 1.0 if self.printed_mm is None else self.printed_mm / 100.0

    @property
    def stretch_u(self) -> float:
        """Relative standard uncertainty of `stretch`."""
        return _UNMEASURED_U if self.printed_mm is None else _RULER_U


def card_spec(
    *,
    printed_mm: float | None = None,
    cutout_mm: tuple[float, float] = CUTOUT_MM,
    expected: bool = True,
) -> CardSpec:
    """A card by what its ruler measures and by the size of its hole.

    Parameters
    ----------
    printed_mm
        Length of the printed ruler of 100 mm, 80 to 120 mm.
    cutout_mm
        Width and height that `fullhide card` was asked for, mm.
    expected
        Whether a card lies in the photos.

    Raises
    ------
    JobError
        A length or size that cannot be.
    """
    if printed_mm is not None and not 80 <= printed_mm <= 120:
        raise JobError(
            "card",
            f"printed_mm = {printed_mm:g} is no length of a printed 100 mm ruler",
            "measure the ruler on the card, and print anew at 100 % if it is far off",
        )
    if not all(0 < side < 10_000 for side in cutout_mm):
        raise JobError("card", f"cutout_mm = {cutout_mm} is no size", "give it in millimetres")
    return CardSpec(printed_mm, cutout_mm, expected)


@dataclass(frozen=True, slots=True)
class CardReading:
    """A card as read from one photo; if `found` is False nothing else means anything.

    Attributes
    ----------
    found
        Whether two markers or more agree on a card.
    kind
        "frame", "small frame" or "seam".
    corners_px
        (4, 2) corners of the card's outer line: upper left as printed first, clockwise.
    homography
        (3, 3) true mm from the card's centre to px of the photo.
    mm_per_px, mm_per_px_u
        Scale at the card's centre along the direction least shortened by tilt, and its standard
        uncertainty, that of the print among it.
    residual_px
        Root mean square distance of the markers' corners from where the card puts them.
    markers
        Numbers of the markers that agree.
    white
        (3,) working linear of the bare paper; empty where it is burnt out, shaded or dirty.
    hole_mm
        Largest hole that a frame has room for, width and height, mm.
    flags
        Names from `quality.FLAGS`.
    """

    found: bool
    kind: str = ""
    corners_px: F64 = field(default_factory=lambda: np.zeros((0, 2)))
    homography: F64 = field(default_factory=lambda: np.eye(3))
    mm_per_px: float = 0.0
    mm_per_px_u: float = 0.0
    residual_px: float = 0.0
    markers: tuple[int, ...] = ()
    white: F64 = field(default_factory=lambda: np.zeros(0))
    hole_mm: tuple[float, float] = (0.0, 0.0)
    flags: tuple[str, ...] = ()

    @property
    def frames(self) -> bool:
        """Whether it is one that lies around a chart."""
        return self.found and self.kind != "seam"

    def hole_px(self, size_mm: tuple[float, float]) -> F64:
        """(4, 2) px: corners of a hole in the card's middle, upper left first, clockwise."""
        half = np.array(size_mm) / 2
        square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        return project(self.homography, square * half)

    def scale_at(self, xy: F64) -> float:
        """Millimetres a px in the card's plane at a place of the photo, as `mm_per_px`."""
        at = project(np.asarray(np.linalg.inv(self.homography), np.float64), xy[None])[0]
        return 1.0 / _strongest(self.homography, at)


def find_card(photo: Picture, *, spec: CardSpec) -> CardReading:
    """Find a printed card and read its scale and white.

    Parameters
    ----------
    photo
        An opened photo.
    spec
        What is known of the card.

    Returns
    -------
    CardReading, with `found` False unless two markers agree and lie well enough for a scale.
    """
    fit = _search(photo, thorough=spec.expected)
    if fit is None:
        return CardReading(False)
    # Nominal millimetres to true ones.
    stretch = spec.stretch
    hom = fit.homography @ np.diag([1.0 / stretch, 1.0 / stretch, 1.0])
    strong = _strongest(hom)
    scale_u = float(np.hypot(_scale_u(fit), spec.stretch_u))
    if _scale_u(fit) > _MAX_SCALE_U:
        return CardReading(False)
    w, h = fit.card.size_mm
    edge = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    white, flags = _white(photo, fit)
    if spec.printed_mm is None:
        flags = (*flags, "card_unmeasured")
    return CardReading(
        found=True,
        kind=fit.card.kind,
        corners_px=project(fit.homography, edge),
        homography=hom,
        mm_per_px=1.0 / strong,
        mm_per_px_u=scale_u / strong,
        residual_px=fit.rms_px,
        markers=tuple(sorted(m.number for m in fit.markers)),
        white=white,
        hole_mm=fit.card.hole_mm or (0.0, 0.0),
        flags=flags,
    )


def _search(photo: Picture, *, thorough: bool) -> Fit | None:
    """The card in reduced pictures; then, where print stands out, in the photo itself."""
    best: Fit | None = None
    longest = max(photo.size_px)
    for side in _LEVELS:
        if side == _LEVELS[1] and longest <= 1.2 * _LEVELS[0]:
            break
        picture, scale = photo.preview(side)
        grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        back = np.diag([1 / scale, 1 / scale, 1.0])
        fit = best_card(markers_in(grey, to_photo=back, grain=1 / scale))
        if fit is not None and (best is None or len(fit.markers) > len(best.markers)):
            best = fit
        if best is not None and len(best.markers) >= _ENOUGH:
            return best
    if best is None and thorough and longest > 1.2 * _LEVELS[1]:
        return _full(photo)
    return best


def _full(photo: Picture) -> Fit | None:
    """A small card in a large photo: only where black stands by white."""
    picture, scale = photo.preview(_LEVELS[0])
    grey = np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    width, height = photo.size_px
    markers = []
    for x0, y0, x1, y1 in places_of_print(grey):
        box = (
            int(x0 / scale),
            int(y0 / scale),
            min(width, int(np.ceil(x1 / scale))),
            min(height, int(np.ceil(y1 / scale))),
        )
        crop = photo.encoded[box[1] : box[3], box[0] : box[2]]
        if crop.dtype != np.uint8:
            crop = (crop >> 8).astype(np.uint8)
        full = np.asarray(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
        shift = np.array([[1.0, 0.0, box[0]], [0.0, 1.0, box[1]], [0.0, 0.0, 1.0]])
        markers += markers_in(full, to_photo=shift, grain=1.0)
    return best_card(markers)


def _strongest(hom: F64, at: F64 | None = None) -> float:
    """Px a mm, at the card's centre or elsewhere, along the direction least shortened."""
    place = np.zeros(2) if at is None else at
    shortened = np.linalg.svd(jacobian(hom, place), compute_uv=False)
    return float(shortened[0])


def _scale_u(fit: Fit) -> float:
    """Relative standard uncertainty of the scale at the card's centre, from the corners seen."""
    base = _strongest(fit.homography)
    entries = fit.homography.ravel()[:8]
    step = 1e-4 * np.sqrt(np.maximum(np.diag(fit.covariance), 1e-30))
    slope = np.zeros(8)
    for k in range(8):
        moved = np.append(entries, 1.0)
        moved[k] += step[k]
        slope[k] = (_strongest(moved.reshape(3, 3)) - base) / step[k] / base
    return float(np.sqrt(max(float(slope @ fit.covariance @ slope), 0.0)))


def _white(photo: Picture, fit: Fit) -> tuple[F64, tuple[str, ...]]:
    """Working linear of the bare paper, (3,), or nothing and why."""
    nothing = np.zeros(0), ("card_white_doubtful",)
    seen = [_field(photo, fit.homography, place) for place in fit.card.whites]
    whites = np.array([values for values in seen if values is not None]).reshape(-1, 3)
    if len(whites) < 2:
        return nothing
    light = np.asarray(np.log(np.maximum(whites.mean(axis=1), 1e-4)), np.float64)
    # Print, dirt and hands only darken: what is nearly as light as the lightest is bare paper.
    bare = light > light.max() - _EVEN
    if bare.sum() < max(2, (len(fit.card.whites) + 1) // 2):
        return nothing
    for row in fit.card.strips[1:]:
        both = [_field(photo, fit.homography, place) for place in row]
        pair = [values for values in both if values is not None]
        if len(pair) < len(row):
            return nothing
        tones = np.log(np.maximum(np.stack(pair).mean(axis=1), 1e-3))
        black = row is fit.card.strips[-1]  # glare and blur move it most; only its order counts
        if (not black and np.ptp(tones) > _EVEN) or tones.max() > light.max() + np.log(_FALLS):
            return nothing
    return np.asarray(whites[bare].mean(axis=0)), ()


def _field(photo: Picture, hom: F64, place: Rectangle) -> F64 | None:
    """(3,) working linear of the middle of a printed field; None if burnt out or not in sight."""
    x, y, w, h = place
    count = np.maximum(_SPOTS, np.round(_SPOTS * np.array([w, h]) / min(w, h))).astype(int)
    across, down = (0.5 * _INNER * np.linspace(-1, 1, n) for n in np.minimum(count, 40))
    grid = np.stack(np.meshgrid(x + w * across, y + h * down), axis=-1).reshape(-1, 2)
    at = np.floor(project(hom, grid)).astype(int)
    low, high = at.min(axis=0), at.max(axis=0) + 1
    if low.min() < 0 or high[0] > photo.size_px[0] or high[1] > photo.size_px[1]:
        return None
    box = (int(low[0]), int(low[1]), int(high[0]), int(high[1]))
    where = (at[:, 1] - low[1], at[:, 0] - low[0])
    if photo.clipped(box)[where].mean() > _CLIPPED:
        return None
    return np.asarray(np.median(photo.linear(box)[where], axis=0), dtype=np.float64)


def paper_rgb() -> F64:
    """(3,) working linear that bare paper has in a calibrated photo."""
    return np.asarray(xyz_to_rec2020(lab_to_xyz(np.array(PAPER_LAB))), dtype=np.float64)
