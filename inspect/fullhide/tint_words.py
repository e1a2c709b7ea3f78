"""A tint suggestion in the words of the bench, and as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor, log10
from typing import Any

from fullhide import __version__
from fullhide.checks.match import Difference
from fullhide.result import SCHEMA
from fullhide.tint import CONFIDENCE, Tint, Wish

__all__ = ["CAUTION", "FOOT", "amount", "exit_status", "hint_words", "says", "to_json"]

#: What goes with a suggestion wherever it is told in one line.
CAUTION = "a starting point for a test patch, not a recipe"

FOOT = (
    "A starting point for a test patch, never a recipe: mix a little of the dye, add the smaller "
    "amount, draw it down, dry it, photograph it, and look again. A tinter goes in easily and "
    "never comes out. It is an estimate from three broad channels; a wet film looks otherwise than "
    "a dry one, and in another light the colour may be off. The maker's data sheet says what may "
    "be mixed with what and how much of it; where it says otherwise, follow it."
)


def says(found: Tint) -> Iterator[str]:
    """The answer first, then what was left out."""
    now = found.now
    yield f"now {_reach(now)} to the colour wanted"
    if found.state == "near":
        yield "near enough as it is: no tinter is suggested"
    elif found.state == "out of reach":
        yield f"no amount: {found.why}"
    elif found.state == "not sure":
        yield f"cannot be told: {found.why}"
    for one in found.additions:
        parts = amount(one.at_least, one.at_most)
        yield f"a touch of {one.tinter} (about {parts} in 100 of the dye)"
    if found.after is not None:
        yield f"then about {_reach(found.after)} (an estimate)"
    for text in found.left_out:
        yield f"left out: {text}"


def hint_words(found: Tint) -> str:
    """A suggestion beside a match, in one sentence with its caution."""
    if found.state == "out of reach":
        return f"tint help ({CAUTION}): {found.why}"
    touches = " and ".join(
        f"a touch of {one.tinter} (about {amount(one.at_least, one.at_most)} in 100 of the dye)"
        for one in found.additions
    )
    left = "" if found.after is None else f", then about {_reach(found.after)} by estimate"
    return f"tint help, {CAUTION}: {touches}{left}"


def amount(low: float, high: float) -> str:
    """An interval in round numbers, which hold it: "1 to 3 parts"."""
    least, most = _round(low, down=True), _round(high, down=False)
    return f"{least:g} to {most:g} parts"


def _round(value: float, *, down: bool) -> float:
    """Two figures below 2 of the leading one, else one figure, outwards."""
    if value <= 0.0:
        return 0.0
    power = floor(log10(value) + 1e-12)
    step = 10.0**power * (0.1 if value < 2.0 * 10.0**power else 0.5)
    return float(
        round((floor if down else ceil)(value / step + (1e-9 if down else -1e-9)) * step, 9)
    )


def _reach(found: Difference) -> str:
    return f"{found.value:.1f} ΔE ({found.at_least:.1f} to {found.at_most:.1f})"


def exit_status(found: Tint) -> int:
    """0 a suggestion, or nothing needed; 3 it cannot be told."""
    return 0 if found.state in ("near", "add") else 3


def to_json(wish: Wish, found: Tint) -> dict[str, Any]:
    """The suggestion as plain data, a document of its own."""
    return {
        "schema": SCHEMA,
        "fullhide": __version__,
        "state": found.state,
        "confidence": CONFIDENCE,
        "dye": list(wish.dye.lab),
        "wanted": list(wish.wanted),
        "now": _difference(found.now),
        "after": None if found.after is None else _difference(found.after),
        "lab_after": None if found.lab_after is None else list(found.lab_after),
        "additions": [
            {
                "tinter": one.tinter,
                "parts_in_100": one.parts,
                "at_least": one.at_least,
                "at_most": one.at_most,
            }
            for one in found.additions
        ],
        "says": list(says(found)),
        "left_out": list(found.left_out),
        "caution": FOOT,
    }


def _difference(found: Difference) -> dict[str, float]:
    return {
        "delta_e": found.value,
        "u": found.u,
        "at_least": found.at_least,
        "at_most": found.at_most,
    }
