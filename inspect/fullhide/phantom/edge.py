"""The masked line of a two-tone part, and what can go wrong along it: plain descriptions."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Bleed", "Edge", "OpenLine", "Overspray"]

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Bleed:
    """A stretch where one colour ran under the tape.

    Attributes
    ----------
    from_mm, to_mm
        Along the straight line from the edge's start to its end.
    depth_mm
        How far it reaches: positive where the second colour lies over the first, else negative.
    """

    from_mm: float
    to_mm: float
    depth_mm: float


@dataclass(frozen=True, slots=True)
class OpenLine:
    """A stretch where the two colours do not meet and a colour beneath shows between them."""

    from_mm: float
    to_mm: float
    width_mm: float
    under: str


@dataclass(frozen=True, slots=True)
class Overspray:
    """A stretch where a haze of one colour lies on the other, fading away from the line.

    Attributes
    ----------
    from_mm, to_mm
        Along the straight line from the edge's start to its end.
    share
        Share of the line's other colour right beside the line.
    fade_mm
        Distance over which the share falls to a third.
    on_second
        Whether it lies on the second colour instead of the first.
    """

    from_mm: float
    to_mm: float
    share: float
    fade_mm: float = 3.0
    on_second: bool = False


@dataclass(frozen=True, slots=True)
class Edge:
    """The line between the finish and a second colour.

    Attributes
    ----------
    start_mm, end_mm
        Its ends; the second colour lies to the right of start -> end as seen in the photo.
    second
        Name of the second colour, one of the scene's `under`.
    bow_mm
        Height of its arc over the straight line; positive = to the left of start -> end.
    softness_mm
        Width over which one colour goes over into the other.
    ragged_mm
        Standard deviation of the line's fine raggedness, a millimetre or two long.
    waver_mm, waver_period_mm
        Half the swing of a slow unsteadiness of the masking, and its length.
    ridge_mm
        How much higher the second colour's film stands.
    bleeds, opens, oversprays
        What went wrong.
    """

    start_mm: Point
    end_mm: Point
    second: str
    bow_mm: float = 0.0
    softness_mm: float = 0.15
    ragged_mm: float = 0.03
    waver_mm: float = 0.0
    waver_period_mm: float = 40.0
    ridge_mm: float = 0.02
    bleeds: tuple[Bleed, ...] = ()
    opens: tuple[OpenLine, ...] = ()
    oversprays: tuple[Overspray, ...] = ()
