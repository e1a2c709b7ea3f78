"""The hiding curve as SVG, the same for screen and paper.

Nothing is told by colour alone: a coat's kind is its mark's shape, the limit a dashed line with its
name beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from xml.sax.saxutils import escape

from fullhide.report.marks import COLOURS
from fullhide.report.page import CoatPoint, CoatsFacts

__all__ = ["curve_svg"]

_WIDTH, _HEIGHT = 640.0, 330.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 52.0, 92.0, 34.0, 44.0
_INK, _QUIET, _LINE = "#141414", "#565656", "#c8c8c8"
_TICKS = (0, 1, 2, 5, 10, 20, 40, 60, 80)
_SIZE = 7.0
_NAMES = {"ground": "before the work", "transition": "transition coat", "dye": "dye"}

Place = Callable[[float], float]


def curve_svg(facts: CoatsFacts) -> str:
    """ΔE to the finish against coats; empty where no coat tells it.

    The scale goes with the root of ΔE, so that what happens near the limit can be seen.
    """
    points = [point for point in facts.points if point.delta_e is not None]
    if not points:
        return ""
    most = max([facts.limit * 1.5, *(point.at_most for point in points)])
    coats = [point.coat for point in facts.points]
    first, last = min(coats), max(coats)

    def across(coat: float) -> float:
        share = (coat - first) / max(1, last - first)
        return _LEFT + 16.0 + share * (_WIDTH - _LEFT - _RIGHT - 32.0)

    def down(delta_e: float) -> float:
        share = math.sqrt(max(delta_e, 0.0) / most)
        return _HEIGHT - _BOTTOM - share * (_HEIGHT - _TOP - _BOTTOM)

    drawn = [*_grid(most, sorted(set(coats)), across, down), _limit(facts.limit, down)]
    ways = [f"{across(point.coat):.1f} {down(point.delta_e or 0.0):.1f}" for point in points]
    drawn.append(f'<path d="M{"L".join(ways)}" fill="none" stroke="{_INK}" stroke-width="1.5"/>')
    for point in points:
        drawn.extend(_point(point, across(point.coat), down))
    drawn.extend(_legend(points))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="curve" viewBox="0 0 {_WIDTH:g} '
        f'{_HEIGHT:g}" width="{_WIDTH:g}" height="{_HEIGHT:g}" aria-hidden="true">'
        f'<rect width="{_WIDTH:g}" height="{_HEIGHT:g}" fill="#fff"/>{"".join(drawn)}</svg>'
    )


def _text(
    x: float, y: float, text: str, *, anchor: str = "middle", fill: str = _INK, size: float = 14.0
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-family="sans-serif" '
        f'text-anchor="{anchor}" fill="{fill}">{escape(text)}</text>'
    )


def _grid(most: float, coats: Sequence[int], across: Place, down: Place) -> list[str]:
    drawn = []
    for tick in _TICKS:
        if tick <= most:
            y = down(tick)
            drawn.append(
                f'<path d="M{_LEFT:g} {y:.1f}H{_WIDTH - _RIGHT:g}" stroke="{_LINE}" '
                f'stroke-width="1"/>'
            )
            drawn.append(_text(_LEFT - 7.0, y + 4.5, str(tick), anchor="end", fill=_QUIET))
    foot = _HEIGHT - _BOTTOM + 19.0
    drawn.extend(_text(across(coat), foot, str(coat), fill=_QUIET) for coat in coats)
    drawn.append(_text(4.0, 16.0, "ΔE to the finish", anchor="start"))
    drawn.append(_text((_LEFT + _WIDTH - _RIGHT) / 2, _HEIGHT - 6.0, "coats"))
    return drawn


def _limit(limit: float, down: Place) -> str:
    y = down(limit)
    return (
        f'<path d="M{_LEFT:g} {y:.1f}H{_WIDTH - _RIGHT:g}" stroke="{COLOURS["fail"]}" '
        f'stroke-width="2.5" stroke-dasharray="9 5"/>'
        + _text(_WIDTH - _RIGHT + 6.0, y + 4.5, f"limit {limit:g} ΔE", anchor="start")
    )


def _point(point: CoatPoint, x: float, down: Place) -> list[str]:
    """A coat's mark, with the interval of its ΔE as a bar and the value beside it."""
    value = point.delta_e or 0.0
    low, high = down(point.at_least), down(point.at_most)
    bar = "".join(f"M{x - 5:.1f} {end:.1f}h10" for end in (low, high))
    path = f"M{x:.1f} {low:.1f}V{high:.1f}{bar}"
    return [
        f'<path d="{path}" fill="none" stroke="{COLOURS["pass"]}" stroke-width="1.8"/>',
        _mark(point.kind, x, down(value)),
        _text(x + 11.0, down(value) - 7.0, f"{value:.1f}", anchor="start"),
    ]


def _mark(kind: str, x: float, y: float) -> str:
    """Round: dye; square, open: transition coat; diamond: before the work."""
    r = _SIZE
    if kind == "dye":
        return (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r - 1:g}" fill="{COLOURS["pass"]}" '
            f'stroke="#fff" stroke-width="1.2"/>'
        )
    style = f'fill="#fff" stroke="{_INK}" stroke-width="2.2"/>'
    if kind == "transition":
        return f'<path d="M{x - r:.1f} {y - r:.1f}h{2 * r:g}v{2 * r:g}h{-2 * r:g}Z" {style}'
    return f'<path d="M{x:.1f} {y - r:.1f}l{r:g} {r:g}l{-r:g} {r:g}l{-r:g} {-r:g}Z" {style}'


def _legend(points: Sequence[CoatPoint]) -> list[str]:
    kinds = [kind for kind in _NAMES if any(point.kind == kind for point in points)]
    drawn, x = [], 150.0
    for kind in kinds:
        drawn.append(_mark(kind, x, 11.5))
        drawn.append(_text(x + 13.0, 16.0, _NAMES[kind], anchor="start", fill=_QUIET))
        x += 40.0 + 7.4 * len(_NAMES[kind])
    return drawn
