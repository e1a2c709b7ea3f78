"""What lies between two colours and beside their line: gaps, and a haze of one over the other."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.checks.edge_trace import Trace
from fullhide.colour import WHITE_D50
from fullhide.region import RegionView
from fullhide.robust import covariance
from fullhide.surface import mix_delta_e

__all__ = ["Gaps", "Haze", "gaps_of", "haze_of", "levelled"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Pieces along and across that a gap is looked for in, mm; how far beside the line; and the widths
#: and blurs that are tried, mm.
ALONG_MM, _ACROSS_MM, _REACH_MM = 2.0, 0.2, 6.0
#: A piece tells where this part of it is seen.
_SHOWN = 0.3
#: What lies farther from the line than this shows a side's own colour, mm.
_MIDDLE_MM = 1.5
_WIDTHS = tuple(np.concatenate([np.arange(0.0, 2.01, 0.1), np.arange(2.2, 4.01, 0.2)]))
_BLURS = (0.08, 0.12, 0.17, 0.24, 0.34, 0.48, 0.68)
#: Degrees of freedom of the Student distribution that pieces are taken to err by: creases of the
#: grain are far off more often than a normal distribution has it.
_TAIL = 4.0
#: What a gap's width is off by besides, mm and relative (measured on rendered gaps, tuning seeds).
_OFF_MM, _OFF = 0.1, 0.06
#: A haze reaches into the outer part of its side and lightens what it is compared with: what is
#: read is this many times too small, give or take, relative (rendered hazes, tuning seeds).
_HAZE_LOST, _HAZE_OFF = 1.2, 0.15
#: Pieces that a haze is looked for in, mm along and across.
HAZE_ALONG_MM, HAZE_ACROSS_MM = 8.0, 1.0
#: Light may be off from the outer part of a side to the line by this, relative, and shine by this
#: part of a white (our own allowances, borne out on rendered edges).
_LIGHT_OFF, _SHINE_OFF = 0.03, 0.003
#: What a colour beneath may be off by in a gap, relative: its light, and its colour (our own
#: allowances).
_UNDER_LIGHT, _UNDER_OFF = 0.12, 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gaps:
    """Width of what shows of one colour between the two, piece by piece along the line.

    Attributes
    ----------
    width_mm, u_mm
        And its standard uncertainty; NaN where not seen.
    hazy
        Pieces that a haze explains better than a gap.
    blur_mm
        Standard deviation of the line's own softness.
    """

    width_mm: Vector
    u_mm: Vector
    hazy: Mask
    blur_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Haze:
    """How far a side's colour is off beside the line.

    Attributes
    ----------
    delta_e, u
        CIEDE2000 to the side's own colour, rows away from the line by `HAZE_ACROSS_MM`, columns
        along it by `HAZE_ALONG_MM`, and its standard uncertainty; NaN where not seen.
    share
        Share of the other colour.
    from_mm
        Distance of the first row's near edge from the line.
    """

    delta_e: Vector
    u: Vector
    share: Vector
    from_mm: float


def levelled(view: RegionView, found: Trace) -> tuple[Array, Mask]:
    """The view with its columns moved so that the line is the middle row; and what is seen."""
    rows, columns = view.inside.shape
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    y += (found.place / view.mm_per_px).astype(np.float32)[None]
    moved = cv2.remap(view.xyz, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.remap(view.judged.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0
    return np.asarray(moved, np.float32), np.asarray(seen & found.seen[None], bool)


def _pieces(
    xyz: Array, seen: Mask, mm: float, along_mm: float, across_mm: float, edges: Vector
) -> tuple[Vector, Vector]:
    """Means of pieces (N along, M across, 3), and the share of each that is seen."""
    rows, columns = seen.shape
    count = max(1, round(columns * mm / along_mm))
    weight = seen.astype(np.float32)
    held = xyz * weight[..., None]
    total = cv2.resize(held, (count, rows), interpolation=cv2.INTER_AREA)
    mass = cv2.resize(weight, (count, rows), interpolation=cv2.INTER_AREA)
    # Rows are joined by parts, so that an edge may lie within a pixel.
    v = (np.arange(rows) - 0.5 * (rows - 1)) * mm
    low, high = edges[:, None], edges[:, None] + across_mm
    part = np.clip(np.minimum(high, v + 0.5 * mm) - np.maximum(low, v - 0.5 * mm), 0, None) / mm
    whole = np.maximum(part.sum(axis=1), 1e-6)
    mass2 = part @ mass
    means = np.einsum("mr,rnc->nmc", part, total) / np.maximum(mass2.T, 1e-6)[..., None]
    return means.astype(np.float64), (mass2 / whole[:, None]).T


def gaps_of(view: RegionView, found: Trace, levels: tuple[Array, Mask], *, under: Vector) -> Gaps:
    """Fit what would be seen of a gap of every width to each piece of the line.

    Parameters
    ----------
    view, found, levels
        The edge; see `levelled`.
    under
        XYZ(D50) of the colour that may show between the two.
    """
    mm = view.mm_per_px
    reach = min(_REACH_MM, 0.5 * view.inside.shape[0] * mm - _ACROSS_MM)
    edges = np.arange(-reach, reach - 0.5 * _ACROSS_MM, _ACROSS_MM)
    middle = edges + 0.5 * _ACROSS_MM
    means, mass = _pieces(*levels, mm, ALONG_MM, _ACROSS_MM, edges)
    there = mass > _SHOWN
    # A wide gap reaches far to the side of the line that its colour is unlike.
    clear = max(_MIDDLE_MM, 0.5 * reach)
    beside = (middle < -clear, middle > clear)
    good = there[:, np.abs(middle) <= _MIDDLE_MM].mean(axis=1) > 0.9
    good &= np.minimum(*(there[:, side].sum(axis=1) for side in beside)) >= 4
    first, second = (_usual(means[:, side], there[:, side]) for side in beside)
    level = 0.5 * (
        first[:, 1] / np.median(found.sides.first[:, 1])
        + second[:, 1] / np.median(found.sides.second[:, 1])
    )
    covariances, alike = _spreads(means, middle, first, second, good)
    doubt = _UNDER_LIGHT**2 * np.outer(under, under) + _UNDER_OFF**2 * np.diag(under**2)
    weights = np.linalg.inv(np.stack([covariances, covariances + doubt]))
    body = level[:, None] * under
    model = _Model(means, there, middle, (first, body, second), weights, alike)
    blur = _BLURS[0]
    if good.any():
        blur = min(_BLURS, key=lambda sigma: float(np.median(model.cost(sigma)[good])))
    costs = np.stack([model.open(blur, width) for width in _WIDTHS])
    hazy = model.hazy(blur)
    least = costs.min(axis=0)
    chance = np.exp(-0.5 * (costs - least))
    step = np.gradient(np.array(_WIDTHS))[:, None]
    chance *= step
    total = chance.sum(axis=0)
    widths = np.array(_WIDTHS)[:, None]
    mean = (widths * chance).sum(axis=0) / total
    u = np.sqrt(((widths - mean) ** 2 * chance).sum(axis=0) / total)
    mean[~good] = np.nan
    return Gaps(
        width_mm=mean,
        u_mm=np.hypot(u, np.hypot(_OFF_MM, _OFF * mean)),
        hazy=hazy < least - 4.0,
        blur_mm=float(blur),
    )


def _usual(means: Vector, there: Mask) -> Vector:
    """Each stretch's colour on one side, the median of its pieces that are seen, (N, 3)."""
    held = np.where(there[..., None], means, np.nan)
    held[~there.any(axis=1)] = means[~there.any(axis=1)]
    return np.asarray(np.nanmedian(held, axis=1))


def _spreads(
    means: Vector, middle: Vector, first: Vector, second: Vector, good: Mask
) -> tuple[Vector, float]:
    """Covariance of a piece on either side (2, 3, 3), and how alike neighbours err."""
    made, alike = [], []
    for own, side in ((first, middle < -_MIDDLE_MM), (second, middle > _MIDDLE_MM)):
        off = means[good][:, side] - own[good][:, None]
        usual = own[good].mean(axis=0) if good.any() else own.mean(axis=0)
        cov = covariance(np.ascontiguousarray(off.reshape(-1, 3).T))
        cov = cov + (0.02**2) * np.outer(usual, usual) + np.eye(3) * 1e-8
        made.append(cov)
        inverse = np.linalg.inv(cov)
        white = np.einsum("nmi,ij,nmj->nm", off, inverse, off)
        joined = off[:, : off.shape[1] // 4 * 4].reshape(len(off), -1, 4, 3).mean(axis=2)
        four = np.einsum("nmi,ij,nmj->nm", joined, inverse, joined)
        if white.size and np.median(white) > 0:
            alike.append(4.0 * float(np.median(four)) / float(np.median(white)))
    return np.stack(made), float(np.clip(max(alike, default=1.0), 1.0, 4.0))


class _Model:
    """What the pieces of a line should look like, and how far they are from it."""

    def __init__(
        self,
        means: Vector,
        seen: Mask,
        middle: Vector,
        colours: tuple[Vector, Vector, Vector],
        weights: Vector,
        alike: float,
    ) -> None:
        self._seen, self._middle, self._alike = seen.T, middle, alike
        # Whitened once: four ways for a piece, as it lies on either side, in a gap or not.
        root = np.linalg.cholesky(weights).reshape(4, 1, 1, 3, 3)
        self._means = (means.swapaxes(0, 1)[None, ..., None, :] @ root)[..., 0, :]
        self._first, self._body, self._second = (
            (colour[None, None, :, None, :] @ root)[:, 0, :, 0] for colour in colours
        )

    def cost(self, blur: float) -> Vector:
        """Chi-square of each piece without a gap."""
        return self.open(blur, 0.0)

    def open(self, blur: float, width: float) -> Vector:
        """Chi-square of each piece with a gap of a width, wherever it fits best."""
        tries = np.arange(-0.5 * width - 0.3, 0.5 * width + 0.31, 0.15 if width < 1 else 0.25)
        best = np.full(self._seen.shape[1], np.inf)
        for place in tries:
            before = 1.0 - _risen((self._middle - place + 0.5 * width) / blur)
            after = _risen((self._middle - place - 0.5 * width) / blur)
            np.minimum(best, self._left(before, 1.0 - before - after, after), out=best)
        return best

    def hazy(self, blur: float) -> Vector:
        """Chi-square of each piece with a haze on one side, whichever fits best."""
        best = np.full(self._seen.shape[1], np.inf)
        for place in (-0.2, 0.0, 0.2):
            off = self._middle - place
            after = _risen(off / blur)
            for fade in (0.7, 1.5, 3.0, 6.0):
                tail = np.exp(-np.abs(off) / fade)
                for share in (0.1, 0.2, 0.35, 0.5, 0.7):
                    for mixed in (
                        np.where(off < 0, after + (1 - after) * share * tail, after),
                        np.where(off > 0, after * (1 - share * tail), after),
                    ):
                        none = np.zeros_like(mixed)
                        cost = self._left(1.0 - mixed, none, mixed)
                        np.minimum(best, cost, out=best)
        return best

    def _left(self, before: Vector, between: Vector, after: Vector) -> Vector:
        way = 2 * (between > 0.3) + (after > 0.5)
        off = self._means[way, np.arange(way.size)]
        off = off - before[:, None, None] * self._first[way]
        off -= between[:, None, None] * self._body[way]
        off -= after[:, None, None] * self._second[way]
        each = (_TAIL + 3.0) * np.log1p((off**2).sum(axis=-1) / _TAIL)
        return np.asarray((each * self._seen).sum(axis=0) / self._alike)


_TABLE_X = np.linspace(-4.0, 4.0, 401)
_TABLE_Y = np.array([NormalDist().cdf(x) for x in _TABLE_X])


def _risen(x: Vector) -> Vector:
    """Standard normal distribution function."""
    return np.asarray(np.interp(x, _TABLE_X, _TABLE_Y), np.float64)


def haze_of(
    view: RegionView,
    found: Trace,
    levels: tuple[Array, Mask],
    *,
    second_side: bool,
    from_mm: float,
    left_out: Mask,
) -> Haze:
    """How far one side's colour goes towards the other's beside the line.

    Parameters
    ----------
    view, found, levels
        The edge; see `levelled`.
    second_side
        Which side is looked at.
    from_mm
        Nearer to the line than this nothing is looked at.
    left_out
        Columns that tell nothing, (W,).
    """
    mm = view.mm_per_px
    xyz, seen = levels
    seen = seen & ~left_out[None]
    half = 0.5 * view.inside.shape[0] * mm
    count = max(1, int((0.6 * half - from_mm) / HAZE_ACROSS_MM))
    near = from_mm + HAZE_ACROSS_MM * np.arange(count)
    edges = np.asarray(near if second_side else -near - HAZE_ACROSS_MM, np.float64)
    means, mass = _pieces(xyz, seen, mm, HAZE_ALONG_MM, HAZE_ACROSS_MM, edges)
    own_all = found.sides.second if second_side else found.sides.first
    other_all = found.sides.first if second_side else found.sides.second
    columns = np.clip(
        ((np.arange(len(means)) + 0.5) * view.inside.shape[1] / len(means)).astype(int),
        0,
        len(own_all) - 1,
    )
    own, other = own_all[columns], other_all[columns]
    middle = own.mean(axis=0)
    pieces = HAZE_ALONG_MM * HAZE_ACROSS_MM / 0.09
    noise = found.sides.spread[int(second_side)] * (4.0 / pieces)
    noise = noise + _LIGHT_OFF**2 * np.outer(middle, middle)
    noise = noise + _SHINE_OFF**2 * np.outer(WHITE_D50, WHITE_D50) + 1e-9 * np.eye(3)
    inverse = np.linalg.inv(noise)
    step = other - own
    strength = np.einsum("ni,ij,nj->n", step, inverse, step)
    share = np.einsum("nmi,ij,nj->nm", means - own[:, None], inverse, step) / strength[:, None]
    grid = np.linspace(0.0, 1.0, 201)
    table = mix_delta_e(middle, other.mean(axis=0), grid)
    table = np.maximum.accumulate(table)
    share = share * _HAZE_LOST
    held = np.clip(share, 0.0, 1.0)
    delta = np.interp(held, grid, table)
    slope = np.gradient(table, grid)
    u = np.interp(held, grid, slope) * _HAZE_LOST / np.sqrt(strength)[:, None]
    u = np.hypot(u, _HAZE_OFF * delta)
    blind = mass < 0.5
    delta[blind], u[blind], share[blind] = np.nan, np.nan, np.nan
    return Haze(delta_e=delta.T, u=u.T, share=share.T, from_mm=from_mm)
