"""Holes in a row: small marks, alike and evenly spaced, are sewn or punched, not missed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["in_one_pattern", "in_rows"]

Vector = NDArray[np.float64]

#: A hole is smaller than this, mm² (our own choice).
LARGEST_MM2 = 4.0
#: Holes follow one another at such distances, mm (common practice, no source).
NEAREST_MM, FARTHEST_MM = 1.5, 14.0
#: So many in one row, and this part of the places between its ends taken (our own choices).
FEWEST, FILLED = 5, 0.6
#: A hole lies within this part of the spacing from its place, and its area within this factor of
#: the row's median (our own choices).
ASTRAY, ALIKE = 0.15, 2.0
#: Among more marks than this some lie in a row by chance: then this part of all must have another
#: one just a step before or behind them, as in perforation; the step is one to a mark's nearest
#: neighbours, so many, and so many steps are tried; fewer marks than the last number are no pattern
#: (our own choices).
_MOST, _PERFORATED, _NEAREST, _TRIED, _PATTERN = 120, 0.8, 8, 400, 8


def in_rows(centres_mm: Vector, areas_mm2: Vector) -> NDArray[np.bool_]:
    """Which of some marks belong to a row of holes.

    Parameters
    ----------
    centres_mm
        Places, (N, 2).
    areas_mm2
        Their areas, (N,).

    Returns
    -------
    ndarray of bool (N,)
        True for marks of a straight, evenly spaced row of at least `FEWEST` small ones alike, and
        for others alike that follow one another by the same step: rows beside it, of which less
        was seen.

    Notes
    -----
    Every pair of neighbours proposes a row; the marks near its places are counted. Of very many
    marks all are holes that have one another at the most usual step, or none is.
    """
    member = np.zeros(len(areas_mm2), bool)
    small = np.flatnonzero(areas_mm2 <= LARGEST_MM2)
    if len(small) < FEWEST:
        return member
    places, areas = centres_mm[small], areas_mm2[small]
    if len(small) > _MOST:
        member[small] = in_one_pattern(places, areas)
        return member
    apart = np.linalg.norm(places[:, None] - places[None], axis=-1)
    for i, j in np.argwhere(np.triu((apart >= NEAREST_MM) & (apart <= FARTHEST_MM))):
        step = places[j] - places[i]
        row = _row(places, areas, places[i], step)
        if row.size:
            member[small[row]] = True
            member[small[_beside(places, areas, step, float(np.median(areas[row])))]] = True
    return member


def in_one_pattern(centres_mm: Vector, areas_mm2: Vector) -> NDArray[np.bool_]:
    """Which of some marks follow one another by the one step that nearly all of them follow.

    Parameters
    ----------
    centres_mm, areas_mm2
        As `in_rows` takes them.

    Returns
    -------
    ndarray of bool (N,)
        Marks alike that have another one just a step before or behind them; none at all unless
        `_PATTERN` are there and this holds for the part `_PERFORATED` of all.
    """
    member = np.zeros(len(areas_mm2), bool)
    if len(areas_mm2) < _PATTERN:
        return member
    apart = np.linalg.norm(centres_mm[:, None] - centres_mm[None], axis=-1)
    close = apart <= np.sort(apart, axis=1)[:, min(_NEAREST, len(apart) - 1), None]
    i, j = np.nonzero(close & (apart >= NEAREST_MM) & (apart <= FARTHEST_MM))
    steps = centres_mm[j] - centres_mm[i]
    tried = steps[:: max(1, len(steps) // _TRIED)]
    if not len(tried):
        return member
    off = np.linalg.norm(steps[None] - tried[:, None], axis=-1)
    like = off <= ASTRAY * np.linalg.norm(tried, axis=1)[:, None]
    own = steps[like[int(like.sum(axis=1).argmax())]]
    usual = float(np.median(areas_mm2))
    found = _beside(centres_mm, areas_mm2, np.median(own, axis=0), usual)
    member[found] = len(found) >= _PERFORATED * len(areas_mm2)
    return member


def _beside(places: Vector, areas: Vector, step: Vector, usual: float) -> NDArray[np.intp]:
    """Marks of a usual area that have another one just a step before or behind them."""
    alike = (areas <= ALIKE * usual) & (areas >= usual / ALIKE)
    off = places[:, None] - places[None]
    close = ASTRAY * float(np.linalg.norm(step))
    near = (np.linalg.norm(off - step, axis=-1) <= close) & alike[:, None] & alike[None]
    return np.flatnonzero(near.any(axis=1) | near.any(axis=0))


def _row(places: Vector, areas: Vector, start: Vector, step: Vector) -> NDArray[np.intp]:
    """Marks of the row through `start` and `start + step`; empty if it is none."""
    length = float(np.linalg.norm(step))
    off = places - start
    number = np.rint(off @ step / length**2)
    near = np.linalg.norm(off - number[:, None] * step, axis=1) <= ASTRAY * length
    middle = float(np.median(areas[near]))
    near &= (areas <= ALIKE * middle) & (areas >= middle / ALIKE)
    found = np.flatnonzero(near)
    taken = np.unique(number[found])
    if len(taken) < FEWEST or len(taken) < FILLED * (taken[-1] - taken[0] + 1):
        return np.zeros(0, np.intp)
    return found
