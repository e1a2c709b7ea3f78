"""One scene's result held against its truth, see `scene_truth` for what there is to be found."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scene_truth import LIMIT_MM2, Place, outline, places_of, region_mask, uneven_mask, uneven_of
from scenes import Case

from fullhide.phantom import Distractor, Rendering, Seam, Truth
from fullhide.result import Finding, Measure, PhotoResult

Mask = NDArray[np.bool_]
Labels = NDArray[Any]
Pair = tuple[float, float]

#: Two-sided 95 % of a normal distribution.
K95 = 1.96
UNEVEN_DE = 2.0
#: A reason that names a photo to take.
_ASKS = re.compile(
    r"\btake (it|the photo|the region, in parts if need be,) again\b|\bphotograph (a|the)\b"
    r"|\bshoot again\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Miss:
    """A true miss in the region and what was found of it.

    Attributes
    ----------
    grade
        "plain", "limit" or "small".
    kinds
        Kinds of the findings on it; empty = not found.
    area_error, share_error
        Of the largest finding where it lies on this miss alone, relative and absolute.
    overlap
        Share of its pixels at or above the limit's difference that findings cover.
    overlap_map
        The same of the pixels where the map of the share beneath is above what 1 % of the photo's
        clean pixels are (a per-region overlap at 1 % false positives).
    """

    kind: str
    under: str
    grade: str
    area_mm2: float
    plain_mm2: float
    delta_e: float
    share: float
    softness_mm: float
    at_px: Pair
    kinds: tuple[str, ...] = ()
    area_error: float | None = None
    share_error: float | None = None
    overlap: float = 0.0
    overlap_map: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Everything the tables need of one scene."""

    case: Case
    verdict: str
    reasons: tuple[str, ...]
    flags: tuple[str, ...]
    detectable_mm2: float | None
    ask_mm_per_px: float | None
    measures: dict[str, tuple[float | None, float | None]]
    misses: tuple[Miss, ...]
    uneven_delta_e: float
    false: tuple[tuple[str, Finding], ...] = ()
    along_errors: tuple[tuple[str, float], ...] = ()
    covered: bool | None = None
    covered_largest: bool | None = None
    clean_px: int = 0
    wrong_px: int = 0
    chart: float | None = None
    took_s: float = 0.0
    second: str | None = None
    second_asked: str = ""
    problems: tuple[str, ...] = field(default=())

    @property
    def grade(self) -> str:
        """The worst miss's: "plain", "limit", "small" or "none"."""
        grades = {miss.grade for miss in self.misses}
        return next((g for g in ("plain", "limit", "small") if g in grades), "none")

    @property
    def clean(self) -> bool:
        """Nothing was put there to be found, and nothing is uneven."""
        return self.case.content == "clean"

    @property
    def names_a_photo(self) -> bool:
        return any(_ASKS.search(reason) for reason in self.reasons)

    @property
    def right(self) -> frozenset[str]:
        """Verdicts that are true of the scene.

        A miss within a fifth of the limit's area and unevenness within a quarter of its limit may
        be called either way (our own allowance); only a retake is then no answer.
        """
        largest = max((miss.area_mm2 for miss in self.misses), default=0.0)
        uneven = self.uneven_delta_e / UNEVEN_DE
        if (self.grade in ("plain", "limit") and largest > 1.2 * LIMIT_MM2) or uneven > 1.25:
            return frozenset({"fail"})
        if largest > 0.8 * LIMIT_MM2 or uneven > 0.75:
            return frozenset({"pass", "fail"})
        return frozenset({"pass"})


def score(
    case: Case,
    rendering: Rendering,
    result: PhotoResult,
    labels: Labels,
    shares: NDArray[np.float32],
    *,
    took_s: float = 0.0,
    problems: Sequence[str] = (),
) -> Row:
    """Hold a result, with its label map and its map of the share beneath, against the truth."""
    truth, region = rendering.truth, result.regions[0]
    inside = region_mask(outline(rendering), truth.labels.shape)
    numbers = {finding.id: finding for finding in region.findings}
    places = places_of(case, truth, inside)
    touched = [_ids(labels, place.touch, numbers) for place in places]
    known = set().union(*touched) if touched else set()
    uneven = uneven_mask(case, truth, inside)
    known |= _ids(labels, uneven, numbers)
    false = [f for f in region.findings if f.id not in known]
    true_px = (truth.labels > 0) | uneven
    for place in places:
        true_px |= place.touch
    clean = inside & ~true_px
    over = shares > (np.nanquantile(shares[clean], 0.99) if clean.any() else np.inf)
    misses = tuple(
        replace(
            _miss(place, ids, touched, numbers, labels),
            overlap_map=float(over[place.core].mean()) if place.core.any() else 0.0,
        )
        for place, ids in zip(places, touched, strict=True)
    )
    measure = region.measures.get(
        "show_through_mm2", Measure(value=None, u=None, limit=None, unit="")
    )
    covered, largest = _covered(measure.value, measure.u, truth, places, touched, numbers)
    return Row(
        case=case,
        verdict=region.verdict or "none",
        reasons=region.reasons,
        flags=region.flags,
        detectable_mm2=region.detectable_mm2,
        ask_mm_per_px=region.ask_mm_per_px,
        measures={name: (m.value, m.u) for name, m in region.measures.items()},
        misses=misses,
        uneven_delta_e=uneven_of(case, truth, inside),
        false=tuple((_cause(case, finding), finding) for finding in false),
        along_errors=_along_errors(case, places, touched, numbers, rendering),
        covered=covered,
        covered_largest=largest,
        clean_px=int(clean.sum()),
        wrong_px=int((clean & (labels > 0)).sum()),
        chart=result.chart.residual_delta_e if result.chart.found else None,
        took_s=took_s,
        problems=tuple(problems),
    )


def _ids(labels: Labels, where: Mask, numbers: dict[int, Finding]) -> set[int]:
    return {int(n) for n in np.unique(labels[where]) if int(n) in numbers}


def _miss(
    place: Place,
    ids: set[int],
    touched: list[set[int]],
    numbers: dict[int, Finding],
    labels: Labels,
) -> Miss:
    area_error = share_error = None
    alone = bool(ids) and not any(ids & other for other in touched if other is not ids)
    if alone and place.grade != "small" and place.kind != "thin":
        largest = max((numbers[n] for n in ids), key=lambda f: f.area_mm2 or 0.0)
        if largest.area_mm2 is not None:
            area_error = largest.area_mm2 / place.area_mm2 - 1.0
        if largest.share is not None:
            share_error = largest.share - place.share
    seen = np.isin(labels[place.core], sorted(ids)) if ids else np.zeros(1, bool)
    return Miss(
        kind=place.kind,
        under=place.under,
        grade=place.grade,
        area_mm2=place.area_mm2,
        plain_mm2=place.plain_mm2,
        delta_e=place.delta_e,
        share=place.share,
        softness_mm=place.softness_mm,
        at_px=place.at_px,
        kinds=tuple(sorted({numbers[n].kind for n in ids})),
        area_error=area_error,
        share_error=share_error,
        overlap=float(seen.mean()) if seen.size else 0.0,
    )


def _covered(
    value: float | None,
    u: float | None,
    truth: Truth,
    places: Sequence[Place],
    touched: Sequence[set[int]],
    numbers: dict[int, Finding],
) -> tuple[bool | None, bool | None]:
    """Whether value +- 1.96 u holds the true area: of what that finding lies on, and the largest.

    Only spots and gaps; those that touch count as one for the largest, as a finding would have
    it. None where nothing was measured, or where the finding lies on nothing: that one is false.
    """
    true = [n for n, place in enumerate(places) if place.kind != "thin" and place.area_mm2 > 0]
    if not value or u is None or not true or not numbers:
        return None, None
    told = min(numbers.values(), key=lambda f: abs((f.area_mm2 or 0.0) - value)).id
    own = sum(places[n].area_mm2 for n in true if told in touched[n])
    together = np.any([places[n].core for n in true], axis=0).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(together, connectivity=8)
    largest = float(stats[1:, cv2.CC_STAT_AREA].max()) * truth.mm_per_px**2
    return abs(value - own) <= K95 * u if own else None, abs(value - largest) <= K95 * u


def _cause(case: Case, finding: Finding) -> str:
    """The thing near a false finding, or "surface"."""
    at = np.asarray(finding.centre_px) * case.scene.mm_per_px
    x0, y0, x1, y1 = (side * case.scene.mm_per_px for side in finding.box_px)
    reach = 0.5 * float(np.hypot(x1 - x0, y1 - y0)) + 1.0
    for item in case.scene.distractors:
        if _distance_mm(item, at) <= reach:
            return item.kind
    return "stitches" if "stitches" in case.props else "surface"


def _distance_mm(item: Distractor, at: NDArray[np.float64]) -> float:
    """Distance of a place from a thing's body."""
    off = at - np.asarray(item.centre_mm)
    half = 0.5 * item.size_mm
    turn = np.radians(item.angle_deg)
    u = abs(float(off @ (np.cos(turn), -np.sin(turn))))
    v = abs(float(off @ (np.sin(turn), np.cos(turn))))
    wide = {
        "hair": 0.2 * item.size_mm,
        "thread": 0.14 * item.size_mm,
        "fold": 0.14 * item.size_mm + 1.5,
        "piping": 3.0,
        "tape": 10.0,
        "thread_holes": 1.0,
    }.get(item.kind, half)
    long = half + (0.15 * item.size_mm if item.kind == "perforation" else 1.0)
    return float(np.hypot(max(0.0, u - long), max(0.0, v - wide)))


def _along_errors(
    case: Case,
    places: Sequence[Place],
    touched: Sequence[set[int]],
    numbers: dict[int, Finding],
    rendering: Rendering,
) -> tuple[tuple[str, float], ...]:
    """Worst grade of every stretch found, and the error of each of its ends, mm.

    Counted in the frame of the outline.
    A gap's pixels at or above the limit's difference are projected on the seam's own path, whose
    length counts from where it enters the outline. Gaps that share a finding, and findings that
    share a gap, are compared as one stretch: from the first beginning to the last end.
    """
    if not case.is_seam:
        return ()
    groups: list[tuple[set[int], list[int]]] = []
    for n, ids in enumerate(touched):
        if places[n].grade == "small" or not ids:
            continue
        mine, members = set(ids), [n]
        rest = []
        for other, theirs in groups:
            if other & mine:
                mine |= other
                members += theirs
            else:
                rest.append((other, theirs))
        groups = [*rest, (mine, members)]
    errors: list[tuple[str, float]] = []
    for ids, members in groups:
        stretches = [s for n in ids if (s := numbers[n].along_seam_mm) is not None]
        if not stretches:
            continue
        core = np.any([places[n].core for n in members], axis=0)
        low, high = _stretch(core, case.scene.seams[0], rendering)
        grade = "plain" if any(places[n].grade == "plain" for n in members) else "limit"
        errors.append((grade, min(s[0] for s in stretches) - low))
        errors.append((grade, max(s[1] for s in stretches) - high))
    return tuple(errors)


def _stretch(core: Mask, seam: Seam, rendering: Rendering) -> Pair:
    """From and to along the seam's path, mm from where it enters the outline."""
    from scipy.spatial import cKDTree

    scene, band = rendering.scene, np.asarray(rendering.truth.seam_px[0], np.float64)
    t = np.linspace(0.0, 1.0, 8001)[:, None]
    start, run = np.asarray(seam.start_mm), np.subtract(seam.end_mm, seam.start_mm)
    left = np.array([run[1], -run[0]]) / np.hypot(*run)
    path = start + t * run + left * 4.0 * seam.bow_mm * t * (1.0 - t)
    path_px = path / scene.mm_per_px + np.asarray(scene.shift_px)
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    lengths = np.concatenate([[0.0], np.cumsum(steps)])
    tree = cKDTree(path_px)
    # The band's first and last corner lie left and right of the path's first place in it.
    entry = lengths[tree.query((band[0] + band[-1]) / 2)[1]]
    rows, columns = np.nonzero(core)
    places = lengths[tree.query(np.stack([columns + 0.5, rows + 0.5], axis=1))[1]] - entry
    half = 0.5 * scene.mm_per_px
    return float(places.min()) - half, float(places.max()) + half
