"""Kubelka and Munk's film fitted to one region's colour after each coat.

Film and thickness follow Kubelka, P., Journal of the Optical Society of America 38 (1948) 448-457,
channel by channel in linear light. A channel is broad and the theory is for one wavelength, so no
more than `MOST_AHEAD` coats are foretold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import cast

import numpy as np
from numpy.typing import NDArray

from fullhide.colour import (
    REC2020_TO_XYZ,
    delta_e00,
    lab_to_xyz,
    xyz_to_lab,
    xyz_to_rec2020,
)

__all__ = ["MOST_AHEAD", "Fit", "Level", "ahead", "film_over", "fit_coats", "thickness"]

Vector = NDArray[np.float64]

#: Coats that are foretold at most: one to two is what broad channels bear.
MOST_AHEAD = 2
#: Coats differ in thickness, relative standard deviation; common practice, no source.
COAT_SPREAD = 0.1
#: One pigment's scattering differs little between the channels, spread of its logarithm; and what
#: a coat may bring at all, middle and spread of the logarithm of its S times X (own allowances).
_ALIKE, _USUAL, _ANY = 0.4, np.log(0.5), 1.5
#: Standard deviation in Lab that stands for "nobody said" (own allowance).
_UNSAID = 40.0
_LOW, _HIGH = 1e-4, 0.9995
#: Part of its whole way from which on a film hides: beyond, no photo tells its thickness (own
#: choice; a contrast ratio of 0.999 is far below it).
_HIDDEN = 1.0 - 1e-6
_ROUNDS, _DRAWS = 60, 1024


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """A region's colour after so many coats of dye.

    Attributes
    ----------
    coats
        Coats on the ground; 0 is the ground itself.
    lab
        CIE Lab (D50), (3,).
    covariance
        What is in doubt of `lab` in this photo by itself, (3, 3), without its light's level.
    light
        What one standard deviation of the light's level does to `lab`, (3,).
    """

    coats: int
    lab: Vector
    covariance: Vector
    light: Vector


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A film fitted to levels.

    Attributes
    ----------
    sx
        Scattering power times thickness of one coat, a channel each (red, green, blue), (3,).
    u_ln_sx
        Standard uncertainty of their logarithms, without what is held to be usual, (3,).
    finish_lab
        Where the colour settles, CIE Lab, (3,).
    residual_l
        Root mean square of L* that the fit leaves over the levels, without what each photo's light
        is taken to be off.
    strain
        Sum of squares that the fit leaves, in standard deviations, over its degrees of freedom.
    draws
        Logarithms of `sx`, ground and finish as the levels leave them in doubt, (draws, 9).
    last
        Coats at the last level.
    """

    sx: Vector
    u_ln_sx: Vector
    finish_lab: Vector
    residual_l: float
    strain: float
    draws: Vector
    last: int

    @property
    def finish_covariance(self) -> Vector:
        """Of `finish_lab`, (3, 3)."""
        return np.asarray(np.cov(self.draws[:, 6:9].T))


def film_over(ground: Vector, *, finish: Vector, sx: Vector) -> Vector:
    """Reflectance of a film over a ground, elementwise.

    Parameters
    ----------
    ground, finish
        Reflectance beneath, and of the film where it hides; linear, 0 to 1.
    sx
        Scattering power times thickness, dimensionless.
    """
    n = np.clip(finish, _LOW, _HIGH)
    a, b = 0.5 * (1.0 / n + n), 0.5 * (1.0 / n - n)
    t = np.tanh(b * sx) / b
    return (ground * (1.0 - a * t) + t) / (1.0 + t * (a - ground))


def thickness(ground: Vector, seen: Vector, *, finish: Vector) -> Vector:
    """Scattering power times thickness of a film, by the closed form; parameters as `film_over`.

    Returns
    -------
    ndarray
        NaN where the film hides within what can be seen, or goes the other way: its thickness is
        not known then.
    """
    n = np.clip(finish, _LOW, _HIGH)
    a, b = 0.5 * (1.0 / n + n), 0.5 * (1.0 / n - n)
    below = 1.0 - a * ground - seen * (a - ground)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (seen - ground) / below
        known = np.isfinite(t) & (np.abs(b * t) < _HIDDEN)
        return np.where(known, np.arctanh(np.where(known, b * t, 0.0)) / b, np.nan)


def fit_coats(
    levels: Sequence[Level],
    *,
    shared: Vector,
    finish: Vector | None,
    finish_covariance: Vector | None = None,
) -> Fit:
    """Fit the thickness of one coat, the ground and the finish.

    Parameters
    ----------
    levels
        The ground first, then two or more in the order of the coats.
    shared
        What is in doubt in Lab and the same at every level, (3, 3): the camera's colours, and the
        shine over all.
    finish, finish_covariance
        CIE Lab of the finish asked for and how far the dye may be off it, (3, 3); None where the
        levels alone have to tell.

    Notes
    -----
    Least squares in Lab, each level weighed by its covariance, and all of them off together by what
    they share; the film itself is worked out in linear light.
    """
    order = sorted(levels, key=lambda level: level.coats)
    task = _Task.of(order, shared, finish, finish_covariance)
    best = task.solved()
    # Once more, with what unequal coats do to each level.
    task = task.loosened(best)
    best = task.solved()
    slope = task.slopes(best)
    told = slope[: -_Task.USUAL]
    doubt = np.linalg.inv(slope.T @ slope)
    bare = np.linalg.pinv(told.T @ told, hermitian=True, rcond=1e-10)
    off = task.off(best)[0]
    # The nine are told by three numbers a level, three of the finish and three shared.
    free = max(1, 3 * len(order) - 6 if finish is not None else 3 * len(order) - 9)
    strain = float(off @ off) / free
    drawn = np.linalg.cholesky(doubt * max(1.0, strain) + 1e-12 * np.eye(len(best)))
    return Fit(
        sx=np.exp(best[:3]),
        u_ln_sx=np.sqrt(np.maximum(np.diag(bare)[:3], 0.0)),
        finish_lab=best[6:9],
        residual_l=task.residual_l(best),
        strain=strain,
        draws=(best + _normal() @ drawn.T)[:, :9],
        last=order[-1].coats,
    )


def ahead(fit: Fit) -> Vector:
    """CIEDE2000 to the finish now and after each of the next coats, (draws, MOST_AHEAD + 1)."""
    draws = fit.draws
    sx, ground, finish = np.exp(draws[:, :3]), _channels(draws[:, 3:6]), _channels(draws[:, 6:9])
    film = film_over(ground, finish=finish, sx=fit.last * sx)
    target = _lab(finish)
    told = [delta_e00(target, _lab(film))]
    uneven = np.exp(COAT_SPREAD * _normal(1)[:, :MOST_AHEAD])
    for coat in range(MOST_AHEAD):
        film = film_over(film, finish=finish, sx=sx * uneven[:, coat, None])
        told.append(delta_e00(target, _lab(film)))
    return np.stack(told, axis=1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    """What is fitted: twelve numbers, three each.

    ln sx, the ground's Lab, the finish's Lab, and what the photos are off together.
    """

    #: Last rows of `off`: what is held to be usual.
    USUAL = 4

    coats: Vector
    labs: Vector
    covariances: Vector
    lights: Vector
    shared_root: Vector
    finish: Vector
    finish_root: Vector

    @staticmethod
    def of(
        levels: Sequence[Level], shared: Vector, finish: Vector | None, covariance: Vector | None
    ) -> _Task:
        labs = np.stack([level.lab for level in levels])
        if finish is None:
            covariance = _UNSAID**2 * np.eye(3)
        elif covariance is None:
            covariance = 1e-4 * np.eye(3)
        assert covariance is not None
        return _Task(
            coats=np.array([level.coats for level in levels], np.float64),
            labs=labs,
            covariances=np.stack([level.covariance for level in levels]) + 1e-4 * np.eye(3),
            lights=np.stack([level.light for level in levels]),
            shared_root=_whitener(shared + 1e-4 * np.eye(3)),
            finish=labs[-1] if finish is None else np.asarray(finish, np.float64),
            finish_root=_whitener(covariance),
        )

    def loosened(self, best: Vector) -> _Task:
        """The same, each level's covariance widened by what unequal coats do there."""
        step = 1e-3
        more, less = (self.film(best, factor=1.0 + sign * step)[0] for sign in (1, -1))
        slope = (more - less) / (2.0 * step)
        slope *= (COAT_SPREAD * np.sqrt(self.coats) / np.maximum(self.coats, 1.0))[:, None]
        return replace(self, covariances=self.covariances + _squares(slope))

    def residual_l(self, best: Vector) -> float:
        """Root mean square of L* left, without the light that each photo is likely off by."""
        left = self.labs - self.film(best)[0] - best[9:]
        light = _squares(self.lights)
        solved = np.linalg.solve(self.covariances + light, left[:, :, None])
        left = left - (light @ solved)[:, :, 0]
        return float(np.sqrt(np.square(left[:, 0]).mean()))

    def film(self, tried: Vector, *, factor: float = 1.0) -> Vector:
        """Lab of the film at each level, (tries, levels, 3)."""
        tried = np.atleast_2d(tried)
        sx = np.exp(np.clip(tried[:, None, :3], -7.0, 4.0)) * self.coats[None, :, None]
        ground, finish = (_channels(tried[:, None, i : i + 3]) for i in (3, 6))
        return _lab(film_over(ground, finish=finish, sx=sx * factor))

    def off(self, tried: Vector) -> Vector:
        """What the tries leave, in standard deviations, (tries, 3 levels + 6 + USUAL)."""
        tried = np.atleast_2d(tried)
        away = self.film(tried) + tried[:, None, 9:] - self.labs
        roots = np.stack([_whitener(c) for c in self.covariances + _squares(self.lights)])
        told = np.einsum("kij,tkj->tki", roots, away).reshape(len(tried), -1)
        settled = (tried[:, 6:9] - self.finish) @ self.finish_root.T
        shared = tried[:, 9:] @ self.shared_root.T
        middle = tried[:, :3].mean(axis=1, keepdims=True)
        alike = (tried[:, :3] - middle) / _ALIKE
        return np.concatenate([told, settled, shared, alike, (middle - _USUAL) / _ANY], axis=1)

    def slopes(self, best: Vector) -> Vector:
        """Change of `off` with each of the twelve, (rows, 12)."""
        step = np.array([1e-4] * 3 + [1e-3] * 9)
        up, down = (self.off(best + sign * np.diag(step)) for sign in (1, -1))
        return ((up - down) / (2.0 * step[:, None])).T

    def start(self) -> Vector:
        """By the closed form at each level; the usual where no channel tells."""
        ground, finish = _channels(self.labs[0]), _channels(self.finish)
        if np.allclose(self.finish, self.labs[-1]):  # nobody said: a little beyond the last
            finish = np.clip(finish + 0.1 * (finish - ground), _LOW, _HIGH)
        found = [
            thickness(ground, _channels(lab), finish=finish) / coats
            for coats, lab in zip(self.coats[1:], self.labs[1:], strict=True)
        ]
        known = np.concatenate(found)
        known = known[np.isfinite(known) & (known > 0.0)]
        sx = float(np.median(known)) if known.size else float(np.exp(_USUAL))
        return np.concatenate([np.full(3, np.log(sx)), self.labs[0], _lab(finish), np.zeros(3)])

    def solved(self) -> Vector:
        """The twelve numbers, by Levenberg and Marquardt's damped steps."""
        best, damping = self.start(), 1e-2
        off = self.off(best)[0]
        for _ in range(_ROUNDS):
            slope = self.slopes(best)
            square = slope.T @ slope
            step = np.linalg.solve(square + damping * np.diag(np.diag(square)), -slope.T @ off)
            tried = self.off(best + step)[0]
            if tried @ tried < off @ off:
                best, damping = best + step, max(damping / 5.0, 1e-9)
                done = float(off @ off - tried @ tried) < 1e-9
                off = tried
                if done:
                    break
            else:
                damping *= 5.0
                if damping > 1e8:
                    break
        return best


def _channels(lab: Vector) -> Vector:
    """Linear red, green and blue of CIE Lab, kept within what a surface can reflect."""
    return cast(Vector, np.clip(xyz_to_rec2020(lab_to_xyz(lab)), _LOW, _HIGH))


def _lab(channels: Vector) -> Vector:
    return cast(Vector, xyz_to_lab(channels @ REC2020_TO_XYZ.T))


def _squares(rows: Vector) -> Vector:
    """Each row's product with itself, (rows, 3, 3)."""
    return rows[:, :, None] * rows[:, None, :]


def _whitener(covariance: Vector) -> Vector:
    """Matrix that turns a difference into standard deviations."""
    return cast(Vector, np.linalg.inv(np.linalg.cholesky(covariance)))


@cache
def _normal(stream: int = 0) -> Vector:
    """Standard normal numbers, the same every time, (draws, 12)."""
    drawn = np.random.default_rng([7, stream]).standard_normal((_DRAWS, 12))
    drawn.setflags(write=False)
    return drawn
