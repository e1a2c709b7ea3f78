"""How much of which tinters brings a mix nearest to a colour: least squares, never below zero."""

from __future__ import annotations

from itertools import combinations
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from fullhide._tint_film import hidden, lab_of
from fullhide.colour import delta_e00

__all__ = ["Mix", "metric", "mixed", "nearest"]

Array = NDArray[Any]
#: K and S, (..., 3) each.
Mix = tuple[Array, Array]

_ROUNDS, _STEP = 25, 1e-5
_SHORTER = (1.0, 0.5, 0.2, 0.05)


def mixed(dye: Mix, tinters: Mix, amounts: Array, k2: Array) -> Array:
    """CIE Lab, (n, 3), of a hiding coat of dye and tinters.

    Parameters
    ----------
    dye
        K and S of the dye, (n, 3) each.
    tinters
        Of the tinters, (n, m, 3) each.
    amounts
        Parts of each tinter to one part of dye, (n, m).
    k2
        Share that the surface turns back from inside, (n, 1).
    """
    k, s = (
        one + np.einsum("nm,nmc->nc", amounts, more) for one, more in zip(dye, tinters, strict=True)
    )
    return lab_of(hidden(k / np.maximum(s, 1e-9)), k2)


def metric(lab: Array) -> Array:
    """Root (3, 3) of CIEDE2000's own metric about a colour: its product with a small difference
    in Lab has the length of that difference in ΔE.
    """  # noqa: D205
    step = 0.5
    away = step * np.eye(3)
    one = np.square(delta_e00(lab, lab + away))
    two = np.square(delta_e00(lab, lab + away[:, None] + away[None, :]))
    square = 0.5 * (two - one[:, None] - one[None, :])
    np.fill_diagonal(square, one)
    values, vectors = np.linalg.eigh(square / step**2)
    return cast(Array, (vectors * np.sqrt(np.maximum(values, 1e-3))).T)


def nearest(dye: Mix, tinters: Mix, wanted: Array, *, root: Array, k2: Array, most: float) -> Array:
    """The amounts, 0 to `most`, that come nearest to `wanted`, (n, m); parameters as `mixed`.

    Parameters
    ----------
    wanted
        CIE Lab, (n, 3).
    root
        As `metric` gives it.
    """
    n, m = tinters[0].shape[:2]
    amounts = np.zeros((n, m))

    def off(tried: Array) -> Array:
        return (mixed(dye, tinters, tried, k2) - wanted) @ root.T

    left = off(amounts)
    for _ in range(_ROUNDS):
        slopes = [(off(amounts + step) - left) / _STEP for step in _STEP * np.eye(m)]
        slope = np.stack(slopes, axis=2)
        goal = _not_negative(slope, (slope @ amounts[:, :, None])[:, :, 0] - left)
        moved = False
        best, cost = amounts, np.square(left).sum(axis=1)
        for part in _SHORTER:
            tried = np.clip(amounts + part * (goal - amounts), 0.0, most)
            tried_cost = np.square(off(tried)).sum(axis=1)
            better = tried_cost < cost - 1e-10
            moved = moved or bool(better.any())
            best = np.where(better[:, None], tried, best)
            cost = np.where(better, tried_cost, cost)
        if not moved:
            break
        amounts, left = best, off(best)
    return amounts


def _not_negative(slope: Array, goal: Array) -> Array:
    """Least squares of `slope` (n, 3, m) times y = `goal` (n, 3) with no y below zero, (n, m).

    Every choice of which y are zero is tried: there are eight at most.
    """
    n, _, m = slope.shape
    best = np.zeros((n, m))
    cost = np.square(goal).sum(axis=1)
    for size in range(1, m + 1):
        for which in combinations(range(m), size):
            part = slope[:, :, which]
            square = part.transpose(0, 2, 1) @ part
            trace = np.trace(square, axis1=1, axis2=2)[:, None, None]
            square = square + (1e-9 * trace + 1e-12) * np.eye(size)
            solved = np.linalg.solve(square, part.transpose(0, 2, 1) @ goal[:, :, None])
            tried_cost = np.square((part @ solved)[:, :, 0] - goal).sum(axis=1)
            better = (solved[:, :, 0] >= 0.0).all(axis=1) & (tried_cost < cost)
            y = np.zeros((n, m))
            y[:, which] = solved[:, :, 0]
            best = np.where(better[:, None], y, best)
            cost = np.where(better, tried_cost, cost)
    return best
