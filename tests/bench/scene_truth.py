"""What there is to be found in a rendered scene. Truth is our own phantoms'.

What is a miss: a place within the outline where the true colour, free of light and shade, differs
from the finish by CIEDE2000 3 or more. Plain: 6 or more over at least 2 mm². At the limit: not
plain, but 3 or more over at least 1 mm². What is smaller is no miss. Areas are counted in photo
pixels of the truth. Mottle and bands are unevenness; they are misses only where they are plain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scenes import Case

from fullhide.phantom import Rendering, Truth

Mask = NDArray[np.bool_]
Labels = NDArray[Any]
Pair = tuple[float, float]

LIMIT_DE, PLAIN_DE, LIMIT_MM2, PLAIN_MM2 = 3.0, 6.0, 1.0, 2.0
_BLOCK_MM = 5.0
#: Contents that are the film's own unevenness.
_FILM = ("thin", "mottle", "bands")


def region_mask(polygon: NDArray[np.float64], shape: tuple[int, int]) -> Mask:
    """Pixels whose centre lies in an outline."""
    mask = np.zeros(shape, np.uint8)
    points = np.round((polygon - 0.5) * 256).astype(np.int32)
    cv2.fillPoly(mask, [points], 1, shift=8)
    return mask.astype(bool)


def outline(rendering: Rendering) -> NDArray[np.float64]:
    """The region's outline: the seam's band, or the panel less its rolled edge."""
    truth = rendering.truth
    return np.array(truth.seam_px[0] if rendering.scene.seams else truth.region_px, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    kind: str
    under: str
    touch: Mask
    core: Mask
    area_mm2: float
    plain_mm2: float
    delta_e: float
    share: float
    softness_mm: float
    at_px: Pair

    @property
    def grade(self) -> str:
        if self.plain_mm2 >= PLAIN_MM2:
            return "plain"
        return "limit" if self.area_mm2 >= LIMIT_MM2 else "small"


def places_of(case: Case, truth: Truth, inside: Mask) -> list[Place]:
    """Spots, gaps and thin places that lie in the region for the most part."""
    mm2, found = truth.mm_per_px**2, []
    over = truth.delta_e >= LIMIT_DE
    softness = [s.softness_mm for s in (*case.scene.spots, *case.scene.gaps)]
    for spot in truth.spots:
        touch = truth.labels == spot.id
        core = touch & over & inside
        if inside[touch].mean() < 0.8:
            continue
        found.append(
            _place(
                truth,
                mm2,
                kind=spot.kind,
                under=spot.under,
                touch=touch,
                core=core,
                share=_body_share(truth.shares[spot.under], touch),
                softness_mm=softness[spot.id - 1],
            )
        )
    if case.content in _FILM:
        part = (truth.delta_e >= 1.0) & (truth.labels == 0) & inside
        count, numbers = cv2.connectedComponents(part.astype(np.uint8), connectivity=8)
        for n in range(1, count):
            touch = numbers == n
            core = touch & over
            if not core.any():
                continue
            thin = _place(truth, mm2, kind="thin", under="", touch=touch, core=core)
            least = 0.2 * LIMIT_MM2
            if thin.grade == "plain" or (case.content == "thin" and thin.area_mm2 >= least):
                found.append(thin)
    return found


def _place(
    truth: Truth,
    mm2: float,
    *,
    kind: str,
    under: str,
    touch: Mask,
    core: Mask,
    share: float = 0.0,
    softness_mm: float = 0.0,
) -> Place:
    rows, columns = np.nonzero(touch)
    return Place(
        kind=kind,
        under=under,
        touch=touch,
        core=core,
        area_mm2=float(core.sum()) * mm2,
        plain_mm2=float((core & (truth.delta_e >= PLAIN_DE)).sum()) * mm2,
        delta_e=float(truth.delta_e[touch].max()),
        share=share,
        softness_mm=softness_mm,
        at_px=(float(columns.mean()) + 0.5, float(rows.mean()) + 0.5),
    )


def _body_share(share: NDArray[np.float32], touch: Mask) -> float:
    """Mean share where it is at least half its peak: what a person would call the spot."""
    own = share[touch]
    return float(own[own >= 0.5 * own.max()].mean())


def uneven_mask(case: Case, truth: Truth, inside: Mask) -> Mask:
    """Where the film itself is off by half the limit's difference or more."""
    if case.content in _FILM:
        return inside & (truth.delta_e >= 0.5 * LIMIT_DE)
    return np.zeros_like(inside)


def uneven_of(case: Case, truth: Truth, inside: Mask) -> float:
    """95th percentile over blocks of 5 mm of the film's own mean difference; 0 in a seam."""
    if case.is_seam or case.content not in _FILM:
        return 0.0
    side = max(1, round(_BLOCK_MM / truth.mm_per_px))
    rows, columns = (size // side * side for size in inside.shape)
    size = (columns // side, rows // side)
    mass = cv2.resize(inside[:rows, :columns].astype(np.float32), size, None, 0, 0, cv2.INTER_AREA)
    values = np.where(inside, truth.delta_e, 0)[:rows, :columns].astype(np.float32)
    means = cv2.resize(values, size, None, 0, 0, cv2.INTER_AREA)[mass > 0.6] / mass[mass > 0.6]
    return float(np.quantile(means, 0.95)) if means.size else 0.0
