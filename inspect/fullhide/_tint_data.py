"""What a tint suggestion rests on, and what it says: plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.match import Difference

__all__ = ["BASE", "USUAL_U", "Addition", "Drawdown", "Dye", "Lab", "Tint", "Tinter", "Wish"]

Lab = tuple[float, float, float]
State = Literal["near", "add", "not sure", "out of reach"]

#: Name of the base among a dye's parts.
BASE = "base"
#: Standard uncertainty of each L, a and b where nobody gives one (own allowance).
USUAL_U = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawdown:
    """A dry film drawn over a black and a white ground, always with the same bar.

    Attributes
    ----------
    over_black, over_white
        CIE Lab, D50.
    share
        Part of the film that is the tinter or the dye, above 0 to 1; the rest is the base.
    grounds
        Bare black and white as its own photo shows them; None where it is no photo.
    modes
        What of black, white, over_black and over_white is in doubt together there, (modes, 4, 3):
        each mode by one standard normal number. None where it is no photo.
    """

    over_black: Lab
    over_white: Lab
    share: float = 1.0
    grounds: tuple[Lab, Lab] | None = None
    modes: NDArray[np.float64] | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tinter:
    """A tinter and its drawdown."""

    name: str
    drawdown: Drawdown


@dataclass(frozen=True, slots=True, kw_only=True)
class Dye:
    """The mix as it is now.

    Attributes
    ----------
    lab
        Of a dry coat that hides, CIE Lab, D50.
    drawdown
        Thin enough for the grounds to show; None where `parts` tell.
    parts
        Tinters by name, `BASE` among them, and their parts of the mix.
    """

    lab: Lab
    drawdown: Drawdown | None = None
    parts: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """All that a suggestion rests on.

    Attributes
    ----------
    black, white
        The bare grounds, CIE Lab, D50, of drawdowns that do not come with their own.
    base
        What films of less than the whole were thinned with; None = clear.
    wanted
        CIE Lab, D50, read the same way as the dye.
    u
        Standard uncertainty of each L, a and b that was read.
    apart
        Covariance of dye less wanted where both were read together; None where each was by itself.
    dye_u
        Standard uncertainty of each of the dye's own L, a and b; `u` if None.
    """

    black: Lab
    white: Lab
    tinters: tuple[Tinter, ...]
    dye: Dye
    wanted: Lab
    base: Drawdown | None = None
    u: float = USUAL_U
    apart: tuple[Lab, Lab, Lab] | None = None
    dye_u: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """A tinter to be added: parts to 100 of the dye, and between which values they lie."""

    tinter: str
    parts: float
    at_least: float
    at_most: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tint:
    """What is suggested.

    Attributes
    ----------
    state
        ``"near"``: nothing is needed; ``"add"``; ``"not sure"``; ``"out of reach"`` of the tinters.
    now, after
        CIEDE2000 to the colour wanted; `after` is None where nothing is to be added.
    lab_after
        CIE Lab foretold after the additions.
    why
        Why there is no amount, and what would settle it; empty otherwise.
    left_out
        Tinters that were not weighed, and why.
    """

    state: State
    now: Difference
    after: Difference | None = None
    lab_after: Lab | None = None
    additions: tuple[Addition, ...] = ()
    why: str = ""
    left_out: tuple[str, ...] = ()
