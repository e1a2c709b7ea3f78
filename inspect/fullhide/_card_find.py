"""Markers in a picture, and the card that two or more of them agree on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import Any, TypeAlias, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._card_layout import DICTIONARY, Card, card_of
from fullhide._chart_find import project

__all__ = ["Fit", "Marker", "best_card", "markers_in", "places_of_print"]

F64: TypeAlias = NDArray[np.float64]
U8: TypeAlias = NDArray[np.uint8]
Box: TypeAlias = tuple[int, int, int, int]

# All own choices.
_AGREE_SIDE = 0.05  # of a marker's side: how far a corner may lie from where the others put it …
_AGREE_PX = 1.5  # … or so many px of the picture searched, whichever is more
_MAX_RMS_SIDE = 0.03  # of the mean side: root mean square that a card may have as a whole …
_MAX_RMS_PX = 0.9  # … or so many px
_SEEN_PX = 0.25  # px: how well a corner is seen at best
_MOST = 60  # markers kept, the largest
_CONTRAST = 60  # codes between neighbouring black and white there, at least
_MOST_AREA = 0.25  # of a photo searched at full size


@dataclass(frozen=True, slots=True)
class Marker:
    """A marker seen.

    Attributes
    ----------
    number
        Its number in the dictionary.
    corners
        (4, 2) px of the photo, in the order of its own frame: upper left first, clockwise.
    grain
        Px of the photo that one px of the picture searched stands for.
    """

    number: int
    corners: F64
    grain: float

    @property
    def side(self) -> float:
        """Mean side, px."""
        step = self.corners - np.roll(self.corners, 1, axis=0)
        return float(np.hypot(step[:, 0], step[:, 1]).mean())

    def grown(self, by: float) -> Marker:
        """The same with each side moved outward by so many px."""
        step = np.roll(self.corners, -1, axis=0) - self.corners
        ahead = step / np.hypot(step[:, 0], step[:, 1])[:, None]
        behind = np.roll(ahead, 1, axis=0)
        sine = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
        sine = np.maximum(np.abs(sine), 0.2)
        moved = self.corners + by * (behind - ahead) / sine[:, None]
        return Marker(self.number, moved, self.grain)


@dataclass(frozen=True, slots=True)
class Fit:
    """A card as its markers show it.

    Attributes
    ----------
    card
        Which.
    homography
        (3, 3) nominal mm of the card to px of the photo.
    markers
        Those that agree, at least two.
    rms_px
        Root mean square distance of their corners from where the card puts them, px of the photo.
    covariance
        (8, 8) of the homography's first eight entries (the ninth is 1).
    """

    card: Card
    homography: F64
    markers: tuple[Marker, ...]
    rms_px: float
    covariance: F64


@cache
def _detector() -> Any:
    """One detector: its dictionary takes longer to make than a small picture to search."""
    how = cv2.aruco.DetectorParameters()
    how.adaptiveThreshWinSizeMin = 5
    how.adaptiveThreshWinSizeMax = 45
    how.adaptiveThreshWinSizeStep = 20
    how.minMarkerPerimeterRate = 0.02
    how.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    return cv2.aruco.ArucoDetector(dictionary, how)


def markers_in(grey: NDArray[Any], *, to_photo: F64, grain: float) -> list[Marker]:
    """Our markers in a grey picture; none that is mirrored.

    Parameters
    ----------
    grey
        (h, w) uint8.
    to_photo
        (3, 3) from its continuous frame to px of the photo.
    grain
        Px of the photo a px of the picture.
    """
    if min(grey.shape) < 16:
        return []
    corners, numbers, _ = _detector().detectMarkers(grey)
    if numbers is None:
        return []
    found = [
        # OpenCV counts from pixel centres, and runs along those of the outermost black pixels.
        Marker(
            int(number), project(to_photo, quad.reshape(4, 2).astype(np.float64) + 0.5), grain
        ).grown(0.5 * grain)
        for quad, number in zip(corners, np.ravel(numbers), strict=True)
        if card_of(int(number)) is not None
    ]
    found.sort(key=lambda m: -m.side)
    return found[:_MOST]


def places_of_print(grey: U8) -> Iterator[Box]:
    """Boxes of a reduced picture where black stands by white, as print does; largest first.

    Together at most a quarter of the picture.
    """
    ones = np.ones((3, 3), np.uint8)
    rough = cv2.morphologyEx(grey, cv2.MORPH_GRADIENT, ones)
    strong = cv2.threshold(rough, _CONTRAST, 255, cv2.THRESH_BINARY)[1]
    near = cv2.dilate(strong, np.ones((9, 9), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(cast(U8, near), connectivity=8)
    left = _MOST_AREA * grey.size
    for k in sorted(range(1, count), key=lambda n: -int(stats[n, cv2.CC_STAT_AREA])):
        x, y, w, h, area = (int(v) for v in stats[k])
        if w * h <= left and area > 0.3 * w * h and min(w, h) >= 12:
            left -= w * h
            yield x, y, x + w, y + h


def best_card(markers: list[Marker]) -> Fit | None:
    """The card that most markers agree on, the largest in the photo among equals; else None."""
    best: Fit | None = None
    for one, other in combinations(markers, 2):
        card = card_of(one.number)
        if card is None or one.number == other.number or other.number not in card.markers:
            continue
        if best is not None and one in best.markers and other in best.markers:
            continue
        fit = _agreed(card, [one, other], [m for m in markers if m.number in card.markers])
        if fit is not None and (best is None or _rank(fit) > _rank(best)):
            best = fit
    return best


def _rank(fit: Fit) -> tuple[int, float]:
    return len(fit.markers), sum(m.side for m in fit.markers)


def _agreed(card: Card, pair: list[Marker], around: list[Marker]) -> Fit | None:
    """The card through two markers, with every further one that agrees with it."""
    markers = pair
    for _ in range(4):
        hom = _homography(card, markers)
        if hom is None:
            return None
        # Two markers that look too small bend the whole card, and no third one would agree.
        hom, _rms_px = _freed_of_growth(card, markers, max(m.grain for m in markers), hom)
        chosen: dict[int, tuple[float, Marker]] = {}
        for marker in around:
            miss = _miss(card, hom, marker)
            if miss < max(_AGREE_SIDE * marker.side, _AGREE_PX * marker.grain):
                held = chosen.get(marker.number)
                if held is None or miss < held[0]:
                    chosen[marker.number] = (miss, marker)
        markers = [marker for _, marker in chosen.values()]
        if len(markers) < 2:
            return None
    hom = _homography(card, markers)
    if hom is None:
        return None
    grain = max(m.grain for m in markers)
    side = float(np.mean([m.side for m in markers]))
    hom, rms = _freed_of_growth(card, markers, grain, hom)
    if rms > max(_MAX_RMS_SIDE * side, _MAX_RMS_PX * grain):
        return None
    spread = max(rms / np.sqrt(2.0), _SEEN_PX * grain)
    covariance = _covariance(card, hom, markers, spread)
    return None if covariance is None else Fit(card, hom, tuple(markers), rms, covariance)


def _freed_of_growth(
    card: Card, markers: list[Marker], grain: float, hom: F64
) -> tuple[F64, float]:
    """Homography and rms after taking out what blur, exposure and threshold add to every edge.

    All edges move outward alike, in px. A row of markers tells that from its own scale only by the
    distances between the markers.
    """
    tried = []
    for growth in (-0.5 * grain, 0.0, 0.5 * grain):
        fit = _homography(card, [m.grown(growth) for m in markers])
        if fit is None:
            return hom, _rms(card, hom, markers)
        tried.append(_rms(card, fit, [m.grown(growth) for m in markers]) ** 2)
    low, middle, high = tried
    bend = low - 2.0 * middle + high
    best = 0.0 if bend <= 0 else 0.25 * grain * (low - high) / bend
    grown = [m.grown(float(np.clip(best, -1.5 * grain, 1.5 * grain))) for m in markers]
    fit = _homography(card, grown)
    return (hom, _rms(card, hom, markers)) if fit is None else (fit, _rms(card, fit, grown))


def _rms(card: Card, hom: F64, markers: list[Marker]) -> float:
    error = np.stack([_error(card, hom, m) for m in markers])
    return float(np.sqrt((error**2).sum(axis=-1).mean()))


def printed(card: Card, number: int) -> F64:
    """(4, 2) corners of a marker on the card, mm."""
    half = card.marker_mm / 2
    square = half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return np.asarray(square + np.array(card.markers[number]))


def _homography(card: Card, markers: list[Marker]) -> F64 | None:
    source = np.concatenate([printed(card, m.number) for m in markers])
    target = np.concatenate([m.corners for m in markers])
    # Least squares on 8 points and more; the middle of the numbers kept near 0 for its sake.
    middle = target.mean(axis=0)
    found, _ = cv2.findHomography(source, target - middle, 0)
    hom_found: Any = found  # OpenCV's stubs never say None, OpenCV does
    if hom_found is None or not np.isfinite(hom_found).all():
        return None
    shift = np.array([[1.0, 0.0, middle[0]], [0.0, 1.0, middle[1]], [0.0, 0.0, 1.0]])
    hom = shift @ np.asarray(found, dtype=np.float64)
    if abs(hom[2, 2]) < 1e-12:
        return None
    hom /= hom[2, 2]
    # The whole card lies before the camera, its face up.
    w, h = card.size_mm
    edge = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    depth = edge @ hom[2, :2] + 1.0
    return hom if depth.min() > 0.1 and np.linalg.det(hom) > 0 else None


def _error(card: Card, hom: F64, marker: Marker) -> F64:
    return np.asarray(project(hom, printed(card, marker.number)) - marker.corners)


def _miss(card: Card, hom: F64, marker: Marker) -> float:
    return float(np.hypot(*_error(card, hom, marker).T).max())


def _covariance(card: Card, hom: F64, markers: list[Marker], spread: float) -> F64 | None:
    """Of the homography's eight entries, for corners seen with a standard deviation `spread`."""
    at = np.concatenate([printed(card, m.number) for m in markers])
    jac = point_derivative(hom, at).reshape(-1, 8)
    # Entries differ by orders of magnitude: scaled for the inverse, then scaled back.
    size = np.sqrt((jac**2).sum(axis=0))
    normal = (jac / size).T @ (jac / size)
    if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e12:
        return None
    return np.asarray(spread**2 * np.linalg.inv(normal) / np.outer(size, size))


def point_derivative(hom: F64, at: F64) -> F64:
    """(n, 2, 8) derivative of projected points to the homography's first eight entries."""
    q = at @ hom[:, :2].T + hom[:, 2]
    w, xy = q[:, 2:], q[:, :2] / q[:, 2:]
    ones = np.ones((len(at), 1))
    plain = np.concatenate([at, ones], axis=1) / w
    out = np.zeros((len(at), 2, 8))
    out[:, 0, 0:3], out[:, 1, 3:6] = plain, plain
    out[:, :, 6:8] = -xy[:, :, None] * (at / w)[:, None, :]
    return out
