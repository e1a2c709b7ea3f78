"""How one photo of a job stands: what is drawn, what was found. No Qt, no napari."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.engine import Judged
from fullhide.errors import FullhideError
from fullhide.job import PhotoEntry
from fullhide.opened import Opened
from fullhide.outlines import RegionOutline
from fullhide.record import SetAside
from fullhide.result import Finding, PhotoResult, RegionResult, Verdict
from fullhide.verdict import combine

__all__ = ["Drawn", "Found", "Kept", "PhotoState", "Region", "State", "same", "same_all"]

Drawn = tuple[RegionOutline, ...]
Labels = NDArray[np.uint16]
Box = tuple[int, int, int, int]
#: How a region or photo stands: a verdict, or why there is none; "aside" is a pass that rests on a
#: person's word, since every finding was set aside.
State = Literal["pass", "aside", "fail", "retake", "open", "reference", "ignore", "chart", "before"]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What an inspection found, without the photo's pixels.

    Attributes
    ----------
    result
        The engine's result.
    outlines
        The outlines that were inspected, a proposal among them.
    marks
        Each finding's box in the photo and its pixels of the label map.
    problems
        Outlines and further photos that could not be used.
    """

    result: PhotoResult
    outlines: Drawn
    marks: tuple[tuple[Box, Labels], ...]
    problems: tuple[FullhideError, ...]

    def labels(self) -> Labels:
        """The label map: 0, or the id of the finding there."""
        width, height = self.result.size_px
        whole = np.zeros((height, width), np.uint16)
        for (x0, y0, x1, y1), crop in self.marks:
            np.copyto(whole[y0:y1, x0:x1], crop, where=crop > 0)
        return whole

    def rings(self, width: int) -> tuple[tuple[Box, Labels], ...]:
        """A line of `width` pixels round each finding, with its id, in a box of the photo."""
        right, bottom = self.result.size_px
        made = []
        for (x0, y0, x1, y1), crop in self.marks:
            box = (
                max(0, x0 - width),
                max(0, y0 - width),
                min(right, x1 + width),
                min(bottom, y1 + width),
            )
            whole = np.zeros((box[3] - box[1], box[2] - box[0]), np.uint16)
            whole[y0 - box[1] : y1 - box[1], x0 - box[0] : x1 - box[0]] = crop
            brush = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * width + 1, 2 * width + 1))
            grown = np.asarray(cv2.dilate(whole, brush), np.uint16)
            made.append((box, np.where(whole > 0, np.uint16(0), grown)))
        return tuple(made)

    def finding_at(self, x: float, y: float) -> int:
        """Id of the finding at a place in photo pixels; 0 if there is none."""
        for (x0, y0, x1, y1), crop in self.marks:
            if x0 <= x < x1 and y0 <= y < y1 and (number := int(crop[int(y) - y0, int(x) - x0])):
                return number
        if self.marks:
            return 0
        # From the record only their boxes are known; the smallest is meant.
        boxes = [
            ((x1 - x0) * (y1 - y0), finding.id)
            for region in self.result.regions
            for finding in region.findings
            for x0, y0, x1, y1 in [finding.box_px]
            if x0 <= x < x1 and y0 <= y < y1
        ]
        return min(boxes)[1] if boxes else 0


@dataclass(slots=True)
class Kept:
    """Costly things of a photo that is, or was just, looked at."""

    opened: Opened
    judged: Mapping[str, Judged] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Region:
    """One line of the list of regions: an outline and what is known of it.

    Attributes
    ----------
    outline
        As it is drawn now.
    state
        Its verdict, or why there is none.
    result
        Of the inspection; None where the outline was not inspected as it is drawn now.
    proposed
        Whether it is the engine's proposal, not yet taken over.
    asides
        What was set aside of its findings, by their id.
    """

    outline: RegionOutline
    state: State
    result: RegionResult | None
    proposed: bool
    asides: Mapping[int, SetAside] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The region's name."""
        return self.outline.name

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found in it, largest first."""
        return self.result.findings if self.result else ()


@dataclass(slots=True)
class PhotoState:
    """One photo of the job."""

    entry: PhotoEntry
    drawn: Drawn
    saved: Drawn
    found: Found | None = None
    error: FullhideError | None = None
    #: Findings of the photo that are set aside, and names of regions that pass because of it.
    asides: tuple[SetAside, ...] = ()
    passing: frozenset[str] = frozenset()
    undo: list[Drawn] = field(default_factory=list)
    redo: list[Drawn] = field(default_factory=list)

    @property
    def unsaved(self) -> bool:
        """Whether outlines were drawn that the file does not hold yet."""
        return not same_all(self.drawn, self.saved)

    def regions(self) -> tuple[Region, ...]:
        """Every outline of the photo with what is known of it, a proposal among them."""
        outlines = self.drawn or self.proposal()
        current = self._current(outlines)
        return tuple(self._region(outline, current) for outline in outlines)

    def proposal(self) -> Drawn:
        """What the engine proposed, where nobody has drawn anything."""
        if self.drawn or self.found is None:
            return ()
        return tuple(o for o in self.found.outlines if o.properties.get("proposed", False))

    def state(self) -> State:
        """How the photo stands as a whole."""
        states = [region.state for region in self.regions()]
        if self.entry.stage == "before":
            return "before"
        judged = [s for s in states if s in ("pass", "aside", "fail", "retake", "open")]
        if "open" in judged or not judged:
            return "fail" if "fail" in judged else "open"
        verdicts: list[Verdict | None] = ["pass" if s == "aside" else s for s in judged]  # type: ignore[misc]
        whole = combine(verdicts)
        return "aside" if whole == "pass" and "aside" in judged else whole

    def _current(self, outlines: Drawn) -> dict[str, RegionResult]:
        """Results that hold for the outlines as they are drawn now."""
        if self.found is None:
            return {}
        before = {o.name: o for o in self.found.outlines}
        zones = [o for o in outlines if o.kind in ("ignore", "chart")]
        were = [o for o in self.found.outlines if o.kind in ("ignore", "chart")]
        references = [o for o in outlines if o.kind == "reference"]
        stood = [o for o in self.found.outlines if o.kind == "reference"]
        if not same_all(zones, were) or not same_all(references, stood):
            return {}
        now = {o.name: o for o in outlines}
        return {
            result.name: result
            for result in self.found.result.regions
            if result.name in now and same(now[result.name], before[result.name])
        }

    def _region(self, outline: RegionOutline, current: Mapping[str, RegionResult]) -> Region:
        proposed = bool(outline.properties.get("proposed", False))
        result = current.get(outline.name)
        state: State
        if outline.kind in ("ignore", "chart", "reference"):
            state = outline.kind  # type: ignore[assignment]
        elif result is None:
            state = "open"
        else:
            state = result.verdict or "before"
        asides = self._asides(result)
        if state in ("fail", "retake") and result is not None:
            every = len(asides) == len(result.findings) > 0
            if every and outline.name.casefold() in self.passing:
                state = "aside"
        return Region(outline, state, result, proposed, asides)

    def _asides(self, result: RegionResult | None) -> dict[int, SetAside]:
        if result is None or self.found is None or not self.asides:
            return {}
        sha256 = self.found.result.sha256
        return {
            finding.id: aside
            for finding in result.findings
            for aside in self.asides
            if aside.covers(sha256, result.name, finding)
        }


def same(one: RegionOutline, other: RegionOutline) -> bool:
    """Whether two outlines have the same name, kind and corners."""
    return (
        (one.name, one.kind, len(one.holes)) == (other.name, other.kind, len(other.holes))
        and np.array_equal(one.polygon, other.polygon)
        and all(np.array_equal(a, b) for a, b in zip(one.holes, other.holes, strict=True))
    )


def same_all(one: Iterable[RegionOutline], other: Iterable[RegionOutline]) -> bool:
    """Whether two photos' outlines are the same, in the same order."""
    a, b = tuple(one), tuple(other)
    return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
