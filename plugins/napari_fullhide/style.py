"""How a verdict looks in the viewer: a word and a shape first, a colour besides.

Hues of every colour vision, near those of Okabe and Ito (2008), light enough to stand on the dark
line that runs under each outline.
"""

from __future__ import annotations

from dataclasses import dataclass

from napari_fullhide.state import State

__all__ = ["LOOKS", "MARK", "SUPPORT", "Look", "contrast_ink"]


@dataclass(frozen=True, slots=True)
class Look:
    """A state's looks.

    Attributes
    ----------
    word
        In capitals, for lists and outlines.
    shape
        Drawn beside the word: ``"tick"``, ``"tick on a line"``, ``"cross"``, ``"turn"``,
        ``"ring"``, ``"dash"``.
    colour
        ``#rrggbb``, of outlines and shapes.
    """

    word: str
    shape: str
    colour: str


LOOKS: dict[State, Look] = {
    "fail": Look("FAIL", "cross", "#ff7043"),
    "retake": Look("RETAKE", "turn", "#ffc400"),
    "pass": Look("PASS", "tick", "#6fbfff"),
    "aside": Look("SET ASIDE", "tick on a line", "#35a07a"),
    "open": Look("TO INSPECT", "ring", "#f5f5f5"),
    "reference": Look("REFERENCE", "dash", "#c9b3e6"),
    "ignore": Look("LEFT OUT", "dash", "#b0b0b0"),
    "chart": Look("CHART", "dash", "#b0b0b0"),
    "before": Look("BEFORE", "dash", "#b0b0b0"),
}
#: Of the wider line under each outline.
SUPPORT = "#101010"
#: Of the pixels of a finding: a colour that no leather has.
MARK = "#ff2bd6"


def contrast_ink(colour: str) -> str:
    """Black or white, whichever is read better on `colour` (relative luminance, IEC 61966-2-1)."""
    parts = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    luminance = sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
    return "#000000" if luminance > 0.179 else "#ffffff"
