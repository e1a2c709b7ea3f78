"""The hiding curve in the words of the bench."""

from __future__ import annotations

from collections.abc import Iterator

from fullhide.coats import MOST_AHEAD, Coat, Curve
from fullhide.wording import AIRBAG_REFER, without_work

__all__ = ["FOOT", "HEADINGS", "coat_cells", "more_words", "says"]

FOOT = (
    "Only photos of dry coats count: a wet film looks otherwise. How many coats are still to come "
    "is an estimate, at most 2 coats ahead, from equal coats of the same dye."
)
_SEAM = (
    "a seam: its valley's shading leaves no ΔE, so it is told by colour alone how far off it is at "
    "least, never that it hides: inspect the finished seam for that"
)
HEADINGS = ("coat", "what", "ΔE to the finish", "left of what is beneath", "hides worst")


def more_words(curve: Curve, *, airbag: bool) -> str:
    """How many coats are still to be expected, or why that cannot be told."""
    if airbag:
        return AIRBAG_REFER
    more = curve.more
    if more is None:
        return f"how many more coats it takes cannot be told: {curve.unfit or 'see the notes'}"
    if more.most == 0:
        if curve.state == "hides":
            return "hides: no more coats for the colour's sake"
        return "no more coats to be expected (an estimate)"
    if more.fewest > MOST_AHEAD:
        return f"more than {MOST_AHEAD} more light coats (an estimate)"
    if more.most is None:
        return f"{more.fewest} or more light coats, perhaps more than {MOST_AHEAD} (an estimate)"
    if more.fewest == more.most:
        coats = "coat" if more.most == 1 else "coats"
        return f"{more.most} more light {coats} (an estimate)"
    first = "none" if more.fewest == 0 else str(more.fewest)
    coats = "coat" if more.most == 1 else "coats"
    return f"{first} to {more.most} more light {coats} (an estimate)"


def coat_cells(coat: Coat) -> tuple[str, ...]:
    """One coat as a row under `HEADINGS`; a dash where something is not known."""
    far = coat.to_finish
    least = "–" if coat.at_least is None else f"{coat.at_least:.1f} or more"
    reach = least if far is None else f"{far.value:.1f} ({far.at_least:.1f} to {far.at_most:.1f})"
    left = "–" if coat.share is None else f"{100 * coat.share:.0f} % of {coat.share_of}"
    kind = {"ground": "before", "transition": "transition coat", "dye": "dye"}[coat.kind]
    return (str(coat.coat), kind, reach, left, _worst(coat) or "–")


def _worst(coat: Coat) -> str:
    """Where a coat hides worst; empty where that is not known."""
    worst = coat.worst
    if worst is None:
        return ""
    x0, y0, x1, y1 = worst.box_px
    side = "" if worst.side_mm is None else f", {worst.side_mm:.0f} mm wide"
    return f"{worst.delta_e:.1f} ΔE at x {x0} to {x1}, y {y0} to {y1} px{side}"


def says(curve: Curve | None, *, airbag: bool) -> Iterator[str]:
    """What is said under the table: the answer first."""
    if curve is None:
        yield AIRBAG_REFER if airbag else "no coat can be told: see the photos that are left out"
        return
    yield more_words(curve, airbag=airbag)
    if curve.shaded:
        yield _SEAM
    # What a note says of the work is not for a place where an airbag may be.
    yield from (without_work(note) for note in curve.notes) if airbag else curve.notes
