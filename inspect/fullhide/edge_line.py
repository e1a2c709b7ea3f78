"""Where the line between two colours runs in a straightened band, and the course it was meant to.

A pixel at the line is ``s * ((1 - f) * a + f * b) + k * w`` in linear light, with the two colours
``a`` and ``b``, shading ``s`` and shine ``k`` of the light's colour ``w``. The share ``f`` is read
by the linear discriminant between the two sides: shading, shine and noise are what the sides'
own pixels do, so that directions that they play in count little.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.robust import MAD_TO_SD, covariance, median
from fullhide.seam import normals

__all__ = ["Course", "Sides", "course_of", "edge_course", "levelling", "sides_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Polygon = NDArray[np.float64]
Vector = NDArray[np.float64]

#: Length of the stretches that the line is first looked for in, mm; of those along which the sides'
#: own colours are smoothed; and the smallest piece that grain and noise are weighed by.
_STRETCH_MM, _SLOW_MM, _PIECE_MM = 1.0, 12.0, 0.3
#: What bends over less than twice this is no course that a masker meant, mm; a further degree has
#: to leave no more than this part of the squares, an arc than that, and take off this much, mm
#: (our own choices).
_BEND_MM, _WORTH, _WORTH_ARC, _WORTH_MM = 50.0, 0.7, 0.9, 0.05
#: What lies farther off than this counts no more, so that a long bleed is no bend, mm; where the
#: whole line is unsteady, than so many times its usual distance: else the crests of a wave on one
#: side would be taken for the course and those on the other for bleeds (our own choices).
_FAR_MM, _FAR_USUAL = 0.5, 2.5
_MOST_DEGREES = 7
#: Waves along the line, at most so many to its length, whose doubt the course takes on.
_WAVES = 24
#: A point farther off than this many spreads does not bend the course.
_FAR, _ROUNDS = 3.0, 5


class Sides(NamedTuple):
    """The two colours beside a line.

    Attributes
    ----------
    first, second
        XYZ of the side above and below the line in every column, float64 (W, 3).
    weights
        The discriminant, (3,): a pixel's share of the second colour is
        ``(x - first) @ weights / ((second - first) @ weights)``.
    spread
        Covariance of pieces of `_PIECE_MM` about their own side's colour, one a side, (2, 3, 3).
    apart
        The two colours' distance in standard deviations of such a piece.
    """

    first: Vector
    second: Vector
    weights: Vector
    spread: Vector
    apart: float

    def share(self, xyz: Array) -> Array:
        """Share of the second colour in each pixel, float32 (H, W), not clipped."""
        low = self.first @ self.weights
        high = self.second @ self.weights
        along = xyz @ self.weights.astype(np.float32)
        scale = 1.0 / np.where(np.abs(high - low) > 1e-12, high - low, 1e-12)
        return (along - low.astype(np.float32)) * scale.astype(np.float32)


class Course(NamedTuple):
    """A fair curve through a line's points: its points (N, 2), and its degree; 1 is straight."""

    line: Polygon
    degree: int


def sides_of(xyz: Array, inside: Mask, *, mm_per_px: float, outer: float) -> Sides | None:
    """Read the two sides' colours off the outer parts of a straightened band.

    Parameters
    ----------
    xyz
        XYZ(D50), float32 (H, W, 3), x along the line.
    inside
        Pixels that show the surface, (H, W).
    mm_per_px
        Millimetres a pixel.
    outer
        Which part of the band's half width counts as outer, 0 to 1.

    Returns
    -------
    Sides or None
        None where a side shows too little.
    """
    rows = np.arange(inside.shape[0])[:, None] - 0.5 * (inside.shape[0] - 1)
    reach = np.where(inside, np.abs(rows), 0.0).max(axis=0)
    far = inside & (np.abs(rows) >= (1.0 - outer) * reach)
    means, spreads = [], []
    side = max(1, round(_PIECE_MM / mm_per_px))
    for mine in (far & (rows < 0), far & (rows > 0)):
        if mine.sum() < 40 * side * side:
            return None
        own = _along(xyz, mine, mm_per_px)
        if own is None:
            return None
        means.append(own)
        colour = np.maximum(own, 1e-6)[None].astype(np.float32)
        spreads.append(_spread(np.asarray(xyz / colour, np.float32), mine, side))
    first, second = means
    middle = first.mean(axis=0), second.mean(axis=0)
    pieces = np.stack([c * np.outer(m, m) for c, m in zip(spreads, middle, strict=True)])
    both = pieces.sum(axis=0)
    both += np.eye(3) * max(1e-4 * float(np.trace(both)), 1e-10)
    step = middle[1] - middle[0]
    weights = np.linalg.solve(both, step)
    return Sides(first, second, weights, pieces, float(np.sqrt(max(step @ weights, 0.0))))


def _along(xyz: Array, mine: Mask, mm_per_px: float) -> Vector | None:
    """A side's colour in every column, changing slowly along it, (W, 3); None if hardly shown."""
    width = xyz.shape[1]
    step = max(1, round(1.0 / mm_per_px))
    count = max(1, width // step)
    values = np.full((count, 3), np.nan)
    weight = np.zeros(count)
    for i in range(count):
        part = slice(i * width // count, (i + 1) * width // count)
        there = xyz[:, part][mine[:, part]]
        if len(there) >= 8:
            values[i] = median(np.ascontiguousarray(there.T))
            weight[i] = len(there)
    good = weight > 0
    if good.sum() < 3:
        return None
    # Far-off stretches (a spot, a thing) do not tell of the side.
    usual = np.median(values[good], axis=0)
    off = np.abs(values / usual - 1.0).max(axis=1)
    good &= np.nan_to_num(off, nan=np.inf) < max(0.3, 4.0 * float(np.median(off[good])))
    weight = np.where(good, weight, 0.0)
    values[~good] = 0.0
    sigma = _SLOW_MM / (mm_per_px * width / count)
    reach = np.arange(-int(3 * sigma) - 1, int(3 * sigma) + 2)
    kernel = np.exp(-0.5 * (reach / sigma) ** 2)
    mass = np.convolve(weight, kernel, mode="full")[len(reach) // 2 :][:count]
    slow = np.stack(
        [np.convolve(weight * v, kernel, mode="full")[len(reach) // 2 :][:count] for v in values.T]
    )
    known = np.flatnonzero(mass > 1e-3 * mass.max())
    at = (np.arange(width) + 0.5) * count / width - 0.5
    slow = slow[:, known] / mass[known]
    return np.stack([np.interp(at, known, row) for row in slow], axis=1)


def _spread(ratio: Array, mine: Mask, side: int) -> Vector:
    """Covariance of pieces of a side, as ratios to its colour, (3, 3)."""
    weight = mine.astype(np.float32)
    mass = cv2.blur(weight, (side, side))
    filled = np.where(mine[..., None], ratio, np.float32(1.0))
    mean = cv2.blur(filled, (side, side))[::side, ::side]
    whole = mass[::side, ::side] > 0.99
    samples = mean[whole]
    if len(samples) < 40:
        samples = ratio[mine][:: max(1, mine.sum() // 4000)]
    return covariance(np.ascontiguousarray(samples.T, np.float64))


def edge_course(
    straight: Array, inside: Mask, line: Polygon, *, factor: int, mm_per_px: float
) -> Polygon:
    """Course of the masked line in a band, in photo pixels, one point a column.

    Parameters
    ----------
    straight, inside
        The band straightened along `line`, and its judged pixels.
    line
        The drawn band's middle, photo pixels, (W, 2).
    factor
        Photo pixels a pixel of `straight`.
    mm_per_px
        Millimetres a photo pixel.

    Returns
    -------
    ndarray of float64
        `line` where no line between two colours is found.
    """
    mm = mm_per_px * factor
    sides = sides_of(straight, inside, mm_per_px=mm, outer=0.5)
    if sides is None:
        return line
    at, rows = _steps(sides.share(straight), inside, mm)
    if at.size < 8:
        return line
    index = np.clip(np.round(at), 0, len(line) - 1).astype(int)
    points = line[index] + (rows * factor)[:, None] * normals(line)[index]
    along = 2.0 * (at + 0.5) / len(line) - 1.0
    return course_of(points, along, step_px=float(factor), mm_per_px=mm_per_px).line


def _steps(share: Array, inside: Mask, mm: float) -> tuple[Vector, Vector]:
    """Columns, and rows from the band's middle, where the share of a stretch steps up best."""
    height, width = share.shape
    count = max(8, int(width * mm / _STRETCH_MM))
    size = (count, height)
    weight = cv2.resize(inside.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    held = np.where(inside, np.clip(share, -0.5, 1.5), np.float32(0.0))
    mean = cv2.resize(held, size, interpolation=cv2.INTER_AREA) / np.maximum(weight, 1e-3)
    # Squares left by a step before each row: first colour above, second below.
    above = np.cumsum(weight * mean**2, axis=0)
    below = np.cumsum((weight * (1.0 - mean) ** 2)[::-1], axis=0)[::-1]
    cost = np.concatenate([np.zeros((1, count)), above]) + np.concatenate(
        [below, np.zeros((1, count))]
    )
    flat = np.minimum(cost[0], cost[-1])
    best = cost.argmin(axis=0)
    good = (cost.min(axis=0) < 0.6 * flat) & (weight.sum(axis=0) > 0.3 * height)
    columns = (np.arange(count) + 0.5) * width / count - 0.5
    return columns[good], best[good] - 0.5 * height


def course_of(points: Polygon, along: Vector, *, step_px: float, mm_per_px: float) -> Course:
    """Fair curve through the points of a line.

    Parameters
    ----------
    points
        Photo pixels, (N, 2), N at least 8.
    along
        Where along the band each of them lies, -1 at its start to 1 at its end.
    step_px
        Distance between the curve's points, which run from end to end of the band.
    mm_per_px
        Photo scale.

    Notes
    -----
    A straight line or an arc, and a polynomial off it over the place along the band. The straight
    line is taken unless a bend is worth it: an arc has to take a tenth off the squares that are
    left, each further degree three tenths. What bends over less than some 100 mm counts as
    unsteady, not as meant.
    """
    length = float(np.linalg.norm(points[-1] - points[0])) * mm_per_px
    most = int(np.clip(length / _BEND_MM + 1, 2, _MOST_DEGREES))
    arc, far_px = _arc(points, along, mm_per_px)
    fits = [_bent(arc.off, along, degree) for degree in (arc.degree, *range(3, most + 1))]
    left = [_capped(off, far_px) * mm_per_px**2 for _, off in fits]
    chosen = 0
    for i in range(1, len(fits)):
        if left[i] < _WORTH * left[chosen] and left[chosen] - left[i] > _WORTH_MM**2:
            chosen = i
    at = np.linspace(-1.0, 1.0, 2001)
    middle, out = arc.at(at)
    curve = middle + np.polynomial.legendre.legval(at, fits[chosen][0])[:, None] * out
    lengths = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    count = max(3, int(lengths[-1] / step_px))
    at = (np.arange(count) + 0.5) * lengths[-1] / count
    line = np.stack([np.interp(at, lengths, curve[:, i]) for i in (0, 1)], axis=1)
    return Course(line, chosen + 2 if chosen else arc.degree)


class _Arc(NamedTuple):
    """A straight line or an arc near most of a line's points.

    `off` is each point's distance from it, pixels; `degree` 1 for a straight line, 2 for an arc;
    `centre` and `radius` are the arc's, or `centre` a point of a straight line and `way` its
    direction; `run` gives the place on it, pixels or radians, over the place along the band.
    """

    off: Vector
    degree: int
    centre: Vector
    radius: float
    way: Vector
    run: Vector

    def at(self, along: Vector) -> tuple[Polygon, Polygon]:
        """Points on it, and unit vectors that `off` counts along."""
        run = np.polyval(self.run, along)
        if self.degree == 1:
            out = np.array([-self.way[1], self.way[0]])
            return self.centre + run[:, None] * self.way, np.broadcast_to(out, (len(run), 2))
        out = np.stack([np.cos(run), np.sin(run)], axis=1)
        return self.centre + self.radius * out, out


def _capped(off: Vector, far: float) -> float:
    """Mean square of distances, what lies farther off than `far` counted as no farther."""
    return float((np.minimum(np.abs(off), far) ** 2).mean())


def _arc(points: Polygon, along: Vector, mm_per_px: float) -> tuple[_Arc, float]:
    """The line or arc through some of the points that leaves the least, and what counts as far.

    Every choice of two or three of a dozen places is tried: where a long bleed lies, the others
    still hold the course.
    """
    picked = np.unique(np.linspace(0, len(points) - 1, 13).round().astype(int))
    # A place is the median of its neighbours, so that noise does not turn the line.
    near = [points[max(0, i - 2) : i + 3] for i in picked]
    places = [np.median(group, axis=0) for group in near]

    lines = [_line_through(points, *two) for two in combinations(places, 2)]
    bent = [_circle_through(points, three) for three in combinations(places, 3)]
    arcs = [arc for arc in bent if arc is not None] or lines
    usual = min(lines + arcs, key=lambda arc: float(np.abs(arc.off).mean()))
    far = max(_FAR_MM / mm_per_px, _FAR_USUAL * float(np.median(np.abs(usual.off))))

    def cost(arc: _Arc) -> float:
        return _capped(arc.off, far) * mm_per_px**2

    best, arc = min(lines, key=cost), min(arcs, key=cost)
    now, then = cost(best), cost(arc)
    if then < _WORTH_ARC * now and now - then > _WORTH_MM**2:
        best = arc
    apart = points - best.centre
    run = apart @ best.way
    if best.degree == 2:
        run = np.unwrap(np.arctan2(apart[:, 1], apart[:, 0]))
    return best._replace(run=np.polyfit(along, run, 1)), far


def _line_through(points: Polygon, start: Vector, end: Vector) -> _Arc:
    way = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
    off = (points - start) @ np.array([-way[1], way[0]])
    return _Arc(off, 1, start, 0.0, way, np.zeros(2))


def _circle_through(points: Polygon, three: tuple[Vector, ...]) -> _Arc | None:
    a, b, c = three
    sides = np.stack([b - a, c - a])
    if abs(float(np.linalg.det(sides))) < 1e-3 * float(np.linalg.norm(c - a)):
        return None
    centre = a + np.linalg.solve(sides, 0.5 * (sides**2).sum(axis=1))
    radius = float(np.linalg.norm(a - centre))
    off = np.linalg.norm(points - centre, axis=1) - radius
    return _Arc(off, 2, centre, radius, np.zeros(2), np.zeros(2))


def _bent(off: Vector, along: Vector, degree: int) -> tuple[Vector, Vector]:
    """Legendre coefficients of most distances over the place along the band, and what is left."""
    basis = np.polynomial.legendre.legvander(along, degree)
    spread = MAD_TO_SD * float(np.median(np.abs(off)))
    weight = (np.abs(off) <= max(_FAR * spread, 1e-6)).astype(float)
    coefficients: Vector = np.zeros(degree + 1)
    left = off
    for _ in range(_ROUNDS):
        solved = np.linalg.lstsq(basis * weight[:, None], off * weight, rcond=None)[0]
        coefficients = np.asarray(solved, np.float64)
        left = off - basis @ coefficients
        spread = MAD_TO_SD * float(np.median(np.abs(left)))
        weight = (np.abs(left) <= max(_FAR * spread, 1e-6)).astype(float)
    return coefficients, left


def levelling(off: Vector, along: Vector) -> tuple[Vector, Vector]:
    """What a line's course is off as a whole, and how far that itself is in doubt.

    Parameters
    ----------
    off
        Distances of a line's places from its course, (N,), N at least 8.
    along
        Where they lie, equally spaced, -1 to 1.

    Returns
    -------
    tilt, u : ndarray of float64
        A straight line through most of the distances, and the standard uncertainty of the course
        there, (N,).

    Notes
    -----
    Which part of an unsteady line is course and which is wave nobody can tell from the line alone.
    So each wave that the line is seen to have is let through the fit of an arc at any phase alike:
    what comes out is the doubt.
    """
    coefficients, _ = _bent(off, along, 1)
    tilt = np.asarray(np.polynomial.legendre.legval(along, coefficients), np.float64)
    basis = np.polynomial.legendre.legvander(along, 2)
    _, left = _bent(off, along, 2)
    spread = MAD_TO_SD * float(np.median(np.abs(left)))
    left = np.where(np.abs(left) <= _FAR * spread, left, 0.0)
    size = np.abs(np.fft.rfft(left))[1 : _WAVES + 1] * (2.0 / left.size)
    turn = np.pi * np.arange(1, size.size + 1) * (along[:, None] + 1.0)
    through = np.linalg.lstsq(basis, np.hstack([np.cos(turn), np.sin(turn)]), rcond=None)[0]
    passed = (basis @ through) * np.tile(size, 2)
    return tilt, np.asarray(np.sqrt(0.5 * (passed**2).sum(axis=1)), np.float64)
