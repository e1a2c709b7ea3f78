"""A match to look at: the a*/b* plane about the reference, and the two colours side by side.

Nothing is told by colour alone: the reference is a square, the dyed panel a disc, its doubt a
dashed ring, the limit a line with its name, and each has its word beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from fullhide.colour import delta_e00, in_srgb, lab_to_xyz, xyz_to_srgb8
from fullhide.report.marks import COLOURS
from fullhide.report.page import Word
from fullhide.report.words import plain_number
from fullhide.result import k_l_of
from fullhide.verdict import coverage_factor

__all__ = ["Match", "contour", "ellipse", "match_of", "plane_svg", "swatches_svg"]

Points = NDArray[np.float64]
Lab = tuple[float, float, float]

_ANGLES, _RADII = 96, 160
#: The limit at the panel's own lightness is drawn as well where lightness uses up this share of
#: the limit (our own choice).
_LIGHTNESS = 0.3
_INK, _QUIET, _PAPER = "#141414", "#565656", "#ffffff"
_SIZE = 340.0
#: Room for what stands at the rim.
_RIM = 30.0
_NEEDED = ("match_delta_e", "match_L", "match_a", "match_b", "match_da", "match_db", "match_dL")
_SAYS: Mapping[Word, str] = {
    "pass": "surely within the limit of {}",
    "fail": "surely over the limit of {}",
    "retake": "too near the limit of {} to tell",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A match as it is drawn.

    Attributes
    ----------
    dyed, reference
        CIE Lab, D50.
    covariance
        Of the difference's a* and b*, (2, 2).
    delta_e, limit
        CIEDE2000, and what it may be at most.
    word
        ``"pass"``, ``"fail"`` or ``"retake"``: whether the difference surely is within the limit.
    k
        How many standard deviations the ring of doubt is wide.
    k_l
        Parametric factor of lightness.
    """

    dyed: Lab
    reference: Lab
    covariance: tuple[tuple[float, float], tuple[float, float]]
    delta_e: float
    limit: float
    word: Word
    k: float
    k_l: float = 2.0

    @property
    def off(self) -> tuple[float, float, float]:
        """Panel less reference in L*, a* and b*."""
        one, two = self.dyed, self.reference
        return one[0] - two[0], one[1] - two[1], one[2] - two[2]

    @property
    def says(self) -> str:
        """What the pictures show, in a sentence."""
        d_l, d_a, d_b = (f"{value:+.1f}".replace("-", "−") for value in self.off)
        which = _SAYS[self.word].format(plain_number(self.limit))
        return (
            f"The dyed panel is ΔE {self.delta_e:.1f} off the reference, {which}: "
            f"L* {d_l}, a* {d_a}, b* {d_b}."
        )

    @property
    def lightness_counts(self) -> bool:
        """Whether lightness uses up so much of the limit that less is left for the rest."""
        lighter = (self.dyed[0], *self.reference[1:])
        return float(delta_e00(self.reference, lighter, k_l=self.k_l)) >= _LIGHTNESS * self.limit

    def contour(self, lightness: float | None = None) -> Points:
        """The limit about the reference, at its own lightness or another one."""
        return contour(self.reference, self.limit, lightness=lightness, k_l=self.k_l)

    @property
    def named(self) -> tuple[tuple[str, Lab], ...]:
        """The two colours with their names, the reference first."""
        return ("reference", self.reference), ("dyed panel", self.dyed)

    @property
    def caption(self) -> str:
        """What the pictures show, and what has to be known of them."""
        text = (
            f"{self.says} Square: the reference. Disc: the dyed panel; the dashed ring is how far "
            "the measurement may be off. Solid line: the limit at the reference's lightness"
        )
        if self.lightness_counts:
            left = len(self.contour(self.dyed[0]))
            dotted = "dotted: what the panel's lightness leaves of it"
            text += f"; {dotted if left else 'lightness alone is over it'}"
        text += "."
        text += " A screen or a printer shows colours only roughly: do not judge by the fields."
        far = [name for name, lab in self.named if not bool(in_srgb(lab_to_xyz(lab)))]
        if far:
            is_are = "are" if len(far) > 1 else "is"
            which = " and the ".join(far)
            text += f" The {which} {is_are} beyond what a screen can show: it shows the nearest."
        return text


class _Reading(Protocol):
    """A measure of a region: a page's or a result's."""

    @property
    def value(self) -> float | None: ...
    @property
    def u(self) -> float | None: ...
    @property
    def limit(self) -> float | None: ...
    @property
    def unit(self) -> str: ...


def match_of(measures: Mapping[str, _Reading], *, confidence: float) -> Match | None:
    """What there is to draw of a region's match, by its measures; None where no match was read.

    Records of older versions lack the panel's own colour: nothing is drawn of them.
    """
    values = {key: one.value for key, one in measures.items() if one.value is not None}
    limit = measures["match_delta_e"].limit if "match_delta_e" in measures else None
    if limit is None or not values.keys() >= set(_NEEDED):
        return None
    dyed = (values["match_L"], values["match_a"], values["match_b"])
    off = (values["match_dL"], values["match_da"], values["match_db"])
    u_a, u_b = measures["match_da"].u or 0.0, measures["match_db"].u or 0.0
    shared = values.get("match_ab", 0.0) * u_a * u_b
    word: Word = "retake"
    if values.get("match_at_most", float("inf")) <= limit:
        word = "pass"
    elif values.get("match_at_least", 0.0) >= limit:
        word = "fail"
    return Match(
        dyed=dyed,
        reference=(dyed[0] - off[0], dyed[1] - off[1], dyed[2] - off[2]),
        covariance=((u_a**2, shared), (shared, u_b**2)),
        delta_e=values["match_delta_e"],
        limit=limit,
        word=word,
        k=coverage_factor(confidence),
        k_l=k_l_of(measures["match_delta_e"].unit),
    )


def contour(
    reference: Lab, limit: float, *, lightness: float | None = None, k_l: float = 2.0
) -> Points:
    """Where CIEDE2000 from a colour is as large as a limit, at one lightness.

    Parameters
    ----------
    reference
        CIE Lab.
    limit
        CIEDE2000.
    lightness
        L* of the plane; the reference's own if absent.
    k_l
        Parametric factor of lightness.

    Returns
    -------
    ndarray, (N, 2)
        a*, b* round the reference; empty where lightness alone is over the limit.
    """
    height = reference[0] if lightness is None else lightness
    turn = np.linspace(0.0, 2.0 * np.pi, _ANGLES, endpoint=False)
    way = np.stack([np.cos(turn), np.sin(turn)], axis=-1)

    def apart(radii: Points) -> Points:
        """Difference at these distances, (N, ...) -> (N, angles)."""
        ab = np.asarray(reference[1:]) + radii[..., None] * way
        lab = np.concatenate([np.full((*ab.shape[:-1], 1), height), ab], axis=-1)
        return np.asarray(delta_e00(np.asarray(reference, float), lab, k_l=k_l))

    # The plane's unit is at most some five of CIEDE2000's as chroma grows (S_C = 1 + 0.045 C).
    chroma = float(np.hypot(reference[1], reference[2]))
    most = 2.5 * limit * (1.0 + 0.045 * (chroma + 2.5 * limit))
    radii = np.broadcast_to(np.linspace(0.0, most, _RADII)[:, None], (_RADII, _ANGLES))
    found = apart(radii)
    if float(found[0, 0]) >= limit:
        return np.empty((0, 2))
    # The first step over the limit; between it and the one before, a straight line.
    over = np.maximum(np.argmax(found >= limit, axis=0), 1)
    rows = np.arange(_ANGLES)
    low, high = found[over - 1, rows], found[over, rows]
    part = np.clip((limit - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    at = radii[over - 1, rows] + part * (radii[over, rows] - radii[over - 1, rows])
    at = np.where((found >= limit).any(axis=0), at, most)
    return np.asarray(np.asarray(reference[1:]) + at[:, None] * way)


def ellipse(match: Match) -> Points:
    """Ring of doubt about the panel's colour, (N, 2): its shadow on any line is k wide each way."""
    sizes, axes = np.linalg.eigh(np.asarray(match.covariance))
    turn = np.linspace(0.0, 2.0 * np.pi, _ANGLES, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    root = axes * np.sqrt(np.maximum(sizes, 0.0))
    return np.asarray(np.asarray(match.dyed[1:]) + match.k * circle @ root.T)


# ---------------------------------------------------------------- drawings


@dataclass(frozen=True, slots=True)
class _Plane:
    """From a*, b* to the picture: the reference in the middle, b* upwards."""

    middle: tuple[float, float]
    reach: float

    @property
    def unit(self) -> float:
        return (0.5 * _SIZE - _RIM) / self.reach

    def to(self, points: Points) -> Points:
        moved = (np.asarray(points, float) - self.middle) * np.array([1.0, -1.0]) * self.unit
        return np.asarray(moved + 0.5 * _SIZE)


def plane_svg(match: Match, *, name: str) -> str:
    """The a*/b* plane about the reference as one SVG picture; `name` is what it is of."""
    limit, ring = match.contour(), ellipse(match)
    far = np.concatenate([limit, ring]) - match.reference[1:]
    plane = _Plane((match.reference[1], match.reference[2]), 1.08 * float(np.abs(far).max()))
    drawn = [*_grid(plane), _closed(plane.to(limit), _INK, 2.0)]
    if match.lightness_counts:
        inner = match.contour(match.dyed[0])
        if len(inner):
            drawn.append(_closed(plane.to(inner), _INK, 1.4, "2 3"))
    drawn.append(_closed(plane.to(ring), _INK, 1.6, "6 4"))
    drawn += _marks(match, plane, limit)
    label = f"{name}: {match.says}"
    return _picture("plane", label, _SIZE, _SIZE, drawn)


def _grid(plane: _Plane) -> list[str]:
    """Lines every so many units, the reference's own strong, with the directions' names."""
    step = next((s for s in (0.5, 1, 2, 5, 10, 20, 50) if plane.reach / s <= 4.5), 100)
    low, high = _RIM - 4.0, _SIZE - _RIM + 4.0
    half = 0.5 * _SIZE
    drawn = []
    for number in range(-int(plane.reach // step), int(plane.reach // step) + 1):
        at = half + number * step * plane.unit
        paint = "#8a8a8a" if number == 0 else "#dedede"
        drawn.append(
            f'<path d="M{at:.1f} {low:g}V{high:g}M{low:g} {at:.1f}H{high:g}" fill="none" '
            f'stroke="{paint}"/>'
        )
        if number:
            told = f"{number * step:+g}".replace("-", "−")
            drawn.append(_text(at, half + 13.0, told, 10, _QUIET))
            drawn.append(_text(half - 4.0, 2.0 * half - at - 3.0, told, 10, _QUIET, "end"))
    drawn.append(_text(half, 16.0, "yellower (b*) ↑", 12, _QUIET))
    below = (
        (low, "← greener", "start"),
        (half, "bluer ↓", "middle"),
        (high, "redder (a*) →", "end"),
    )
    drawn += [_text(x, _SIZE - 8.0, text, 12, _QUIET, anchor) for x, text, anchor in below]
    return drawn


def _marks(match: Match, plane: _Plane, limit: Points) -> list[str]:
    """Square, disc and their names, kept out of one another's way."""
    (rx, ry), (dx, dy) = plane.to(np.array([match.reference[1:], match.dyed[1:]]))
    paint = COLOURS[match.word]
    edge = "#ffffff" if match.word != "retake" else _INK
    marks = [
        f'<path d="M{rx:.1f} {ry:.1f}L{dx:.1f} {dy:.1f}" stroke="{_INK}" stroke-width="1.2"/>',
        (
            f'<circle cx="{dx:.1f}" cy="{dy:.1f}" r="5.5" fill="{paint}" stroke="{edge}" '
            f'stroke-width="1.4"/>'
        ),
        # Hollow, so that a disc in it is seen.
        *(
            f'<rect x="{rx - 8:.1f}" y="{ry - 8:.1f}" width="16" height="16" fill="none" '
            f'stroke="{line}" stroke-width="{width}"/>'
            for line, width in ((_PAPER, 5), (_INK, 2.4))
        ),
    ]
    # The panel's name stands beyond its ring; the reference's on the other side, beside it.
    up, side = (-1.0 if dy <= ry else 1.0), (-1.0 if dx >= rx else 1.0)
    ring = plane.to(ellipse(match))
    over = float(ring[:, 1].min()) if up < 0 else float(ring[:, 1].max())
    y = min(max(over + (-7.0 if up < 0 else 15.0), _RIM + 6.0), _SIZE - _RIM)
    marks.append(_named(dx, y, "dyed panel"))
    marks.append(_named(rx + side * 13.0, ry - 7.0, "reference", side))
    at = plane.to(limit)
    low = at[np.argmax(at[:, 0] * side - at[:, 1] * up)]
    x, y = float(low[0]) + 6.0 * side, float(low[1]) + (6.0 if up > 0 else 18.0) - 6.0 * up
    y = min(y, ry - 26.0) if up > 0 else max(y, ry + 24.0)
    marks.append(_named(x, y, f"limit {plain_number(match.limit)}", side))
    return marks


def _named(x: float, y: float, text: str, side: float = 0.0) -> str:
    """A name with a white rim, left or right of a place or on it, kept inside the picture."""
    wide = 4.1 * len(text)
    x = min(max(x + side * wide, wide + 2.0), _SIZE - wide - 2.0)
    bold = ' font-weight="700"'
    # Twice, not by `paint-order`, which not every program that draws SVG knows.
    rim = f' stroke="{_PAPER}" stroke-width="4" stroke-linejoin="round" aria-hidden="true"'
    return _text(x, y, text, 13, _PAPER, more=bold + rim) + _text(x, y, text, 13, _INK, more=bold)


def _text(
    x: float, y: float, text: str, size: int, paint: str, anchor: str = "middle", more: str = ""
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" font-family="sans-serif" '
        f'text-anchor="{anchor}" fill="{paint}"{more}>{escape(text)}</text>'
    )


def _closed(points: Points, paint: str, width: float, dash: str = "") -> str:
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"
    more = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{path}" fill="none" stroke="{paint}" stroke-width="{width:g}"{more}/>'


def swatches_svg(match: Match, *, name: str) -> str:
    """The two colours side by side without a line between, as near as sRGB has them."""
    wide, high = 170.0, 120.0
    fields: list[str] = []
    drawn = []
    for place, (text, lab) in enumerate(match.named):
        red, green, blue = (int(v) for v in xyz_to_srgb8(lab_to_xyz(lab)))
        x = place * wide
        # The second lies over the first: two edges that meet would let a hairline of paper through.
        fields.append(
            f'<rect x="{x:g}" y="0" width="{2 * wide - x:g}" height="{high:g}" '
            f'fill="#{red:02x}{green:02x}{blue:02x}" shape-rendering="crispEdges"/>'
        )
        drawn.append(_text(x + 0.5 * wide, high + 18.0, text, 13, _INK, more=' font-weight="700"'))
        values = ", ".join(f"{value:.1f}".replace("-", "−") for value in lab)
        drawn.append(_text(x + 0.5 * wide, high + 34.0, f"L* a* b* {values}", 11, _QUIET))
    drawn.append(
        f'<rect x="0.5" y="0.5" width="{2 * wide - 1:g}" height="{high - 1:g}" fill="none" '
        f'stroke="{_INK}"/>'
    )
    label = f"{name}: the reference's colour at the left, the dyed panel's at the right"
    return _picture("swatches", label, 2 * wide, high + 42.0, fields + drawn)


def _picture(kind: str, label: str, width: float, height: float, drawn: list[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class={quoteattr(kind)} role="img" '
        f'aria-label={quoteattr(label)} viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
        f'height="{height:g}">{"".join(drawn)}</svg>'
    )
