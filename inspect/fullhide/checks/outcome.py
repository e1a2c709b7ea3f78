"""What a check gives back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fullhide.result import Matched, Measure, Verdict

__all__ = ["Outcome", "Spot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A finding in the pixels of its region's view, numbered from 1 in the outcome's `labels`.

    `centre` is in view pixels; `along_mm` is None on a panel, `depth_mm` anywhere but at an edge.
    `reaches` says that some of it is at or over the limit's difference, `verdict` what it alone
    would bring, `film` that its colour is that of thin dye over the colour beneath.
    """

    kind: str
    under: str | None
    area_mm2: float
    area_u_mm2: float
    delta_e: float | None
    share: float | None
    centre: tuple[float, float]
    along_mm: tuple[float, float] | None = None
    reaches: bool = True
    verdict: Verdict = "fail"
    film: bool = False
    depth_mm: float | None = None

    def worth_telling(self, limit_mm2: float) -> bool:
        """Whether the spot may matter, or is a speck of at least half the limit's area."""
        return self.verdict != "pass" or (self.reaches and self.area_mm2 >= 0.5 * limit_mm2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """Verdict of one check with what it rests on; verdict None where the check does not apply.

    `headroom` is 1 or more where no spot of the limit could hide, and below 1 how far the picture
    is from that; `unseen` numbers, in the view's pixels, the few places where one could; None where
    these are none, many, or most of the region. `reference` is what a match was held against.
    """

    check: str
    verdict: Verdict | None
    reasons: tuple[str, ...] = ()
    measures: Mapping[str, Measure] = field(default_factory=dict)
    spots: tuple[Spot, ...] = ()
    labels: NDArray[np.uint16] | None = None
    detectable_mm2: float | None = None
    headroom: float | None = None
    unseen: NDArray[np.uint16] | None = None
    flags: tuple[str, ...] = ()
    reference: Matched | None = None
