"""Coats: how a region's colour closes in on the finish, coat by coat, and what is still to come.

Pure functions. What the share of the old colour is rests on linear mixing, which is for patches;
how many coats are still to come rests on Kubelka and Munk's film, which is for a thin even one. The
first never enters the second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from fullhide._coats_data import (
    Coat,
    Curve,
    FitTold,
    Kind,
    More,
    Place,
    Seen,
    State,
    Tiles,
    seen_of,
)
from fullhide._coats_fit import MOST_AHEAD, Fit, Level, ahead, fit_coats
from fullhide._coats_ground import Ground, ground_of, kinds_of, old_colour
from fullhide.checks.match import Difference, difference
from fullhide.colour import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from fullhide.job import Colour, Limits

__all__ = [
    "MOST_AHEAD",
    "Coat",
    "Curve",
    "FitTold",
    "More",
    "Place",
    "Seen",
    "Tiles",
    "hiding_curve",
    "seen_of",
]

Vector = NDArray[np.float64]

#: A fit is told only if it leaves less than this of L*, root mean square.
MOST_RESIDUAL = 0.5
#: Coats that can still be told from the finish: where nobody gave the finish, and where it is given
#: (the second is our own choice).
FEWEST, FEWEST_GIVEN = 3, 2
#: Largest standard uncertainty of the logarithm of what one coat brings (own choice).
_MOST_U = 0.5
#: Largest mean square of what a fit leaves, in standard deviations (own choice).
_MOST_STRAIN = 2.0
#: How near a dye comes to the finish asked for, and how much less alike the camera's colours are
#: off for colours that lie apart, in Lab (own allowances, the second from rendered series).
_FINISH_DOUBT, _APART = 0.5, 0.05
#: Lights that a seam's valley may lie in, over the photo's.
_LIGHTS = np.geomspace(0.4, 2.5, 181)
_SOON = (
    "the coats hide so soon that too few of them can be told from the finish: what one coat brings "
    "cannot be seen"
)
_SOON_SHADED = (
    "by colour alone too few coats can be told from the finish: what one coat brings cannot be seen"
)


def hiding_curve(
    seen: Sequence[Seen],
    *,
    finish: Colour | None,
    under: Sequence[Colour],
    limits: Limits,
    airbag: bool = False,
) -> Curve:
    """The hiding curve of one region.

    Parameters
    ----------
    seen
        The region after each coat, one entry a coat; at least one with a coat.
    finish
        The colour asked for, if there is one.
    under
        The colours beneath; one whose name holds "transition" is a coat of its own.
    limits
        The job's: `show_through_delta_e` is what hides, `confidence` that of each end.
    airbag
        Whether an airbag may be here: no number of further coats is given.
    """
    order = sorted(seen, key=lambda one: one.coat)
    target = None if finish is None else np.asarray(finish.lab, np.float64)
    kinds, laid = kinds_of(order, target, under)
    ground = ground_of(order, kinds, under, laid)
    dyed = [one for one, kind in zip(order, kinds, strict=True) if kind == "dye"]
    fit, unfit = _fitted(ground, dyed, target, limits)
    settled = target if target is not None else None if fit is None else fit.finish_lab
    doubt = np.zeros((3, 3)) if fit is None or target is not None else fit.finish_covariance
    early = settled if laid is None else np.asarray(laid.lab, np.float64)
    coats = []
    for one, kind in zip(order, kinds, strict=True):
        beneath, end = (ground, settled) if kind == "dye" else (old_colour(order, under), early)
        coat = _coat(one, kind, beneath, end)
        if settled is not None:
            more_doubt = replace(one, covariance=one.covariance + doubt)
            far = _difference(more_doubt, settled, limits)
            coat = (
                replace(coat, at_least=far.at_least) if one.shaded else replace(coat, to_finish=far)
            )
        coats.append(coat)
    state = _state(coats, limits)
    more = None if airbag else _more(fit, coats[-1], state, limits)
    if fit is not None and more is None and not airbag:
        unfit = (
            f"the photos leave it open whether it takes none or more than {MOST_AHEAD} more; a "
            "photo of a grey board in the same light (`grey_board`) makes them surer"
        )
    return Curve(
        coats=tuple(coats),
        limit=limits.show_through_delta_e,
        state=state,
        fit=None if fit is None else _told(fit),
        more=more,
        unfit=unfit,
        notes=tuple(_notes(ground, laid, kinds, fit, target, limits)),
        shaded=any(one.shaded for one in order),
    )


# ---------------------------------------------------------------- the film


def _fitted(
    ground: Ground | None, dyed: Sequence[Seen], target: Vector | None, limits: Limits
) -> tuple[Fit | None, str]:
    """The film that fits, or why none can be told."""
    if not dyed:
        return None, "no coat of the dye itself was photographed yet"
    start = ground
    if start is None:  # any coat can be the ground of those after it
        first, *dyed = dyed
        start = Ground.seen("", first)
    needed = FEWEST if target is None else FEWEST_GIVEN
    told = [one for one in dyed if _open(one, target, limits)]
    if len(told) < needed:
        if len(dyed) > len(told):
            return None, _SOON_SHADED if dyed[-1].shaded else _SOON
        beside = "" if target is not None else ", or fewer with a [finish] in job.toml"
        what = "1 coat" if len(told) == 1 else f"{len(told)} coats"
        return None, f"photos of {what} on a known ground: it takes {needed}{beside}"
    end = dyed[-1].lab if target is None else target
    levels = [_level(0, start.lab, start.own, start.light, end)]
    levels += [_level(one.coat - start.coat, one.lab, one.own, one.light, end) for one in dyed]
    fit = fit_coats(
        levels,
        shared=dyed[-1].shared,
        finish=target,
        finish_covariance=_FINISH_DOUBT**2 * np.eye(3),
    )
    if target is None and sum(_open(one, fit.finish_lab, limits) for one in dyed) < FEWEST:
        return None, _SOON_SHADED if dyed[-1].shaded else _SOON
    if fit.strain > _MOST_STRAIN:
        return None, "the coats do not follow one even film: their colours go different ways"
    if fit.residual_l >= MOST_RESIDUAL:
        return None, (
            f"the coats do not follow one even film ({fit.residual_l:.1f} L* off): light that "
            "changed, a wet coat, or coats of another colour"
        )
    if float(fit.u_ln_sx.min()) > _MOST_U:
        return None, "what one coat brings stays too uncertain"
    return fit, ""


def _level(coats: int, lab: Vector, own: Vector, light: Vector, end: Vector) -> Level:
    """One level of the fit: a camera's colours are off alike only for colours that are alike."""
    apart = _APART * float(np.linalg.norm(lab - end))
    return Level(coats=coats, lab=lab, covariance=own + apart**2 * np.eye(3), light=light)


def _open(one: Seen, target: Vector | None, limits: Limits) -> bool:
    """Whether a coat can still be told from the finish."""
    if target is None:
        return True
    return float(delta_e00(target, _nearest_light(one, target))) > limits.show_through_delta_e


def _told(fit: Fit) -> FitTold:
    return FitTold(sx=_three(fit.sx), residual_l=fit.residual_l, finish_lab=_three(fit.finish_lab))


def _three(values: Vector) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _more(fit: Fit | None, last: Coat, state: str, limits: Limits) -> More | None:
    """Coats still to be expected; each end right at the limits' confidence."""
    if state == "hides":
        return More(fewest=0, most=0)
    if fit is None or last.kind != "dye":
        return None
    within = ahead(fit) <= limits.show_through_delta_e
    counted = np.where(within.any(axis=1), within.argmax(axis=1), MOST_AHEAD + 1)
    ends = np.quantile(counted, [1.0 - limits.confidence, limits.confidence], method="nearest")
    fewest, most = int(ends[0]), int(ends[1])
    if state == "shows":
        fewest, most = max(fewest, 1), max(most, 1)
    if fewest == 0 and most > MOST_AHEAD:
        return None
    return More(fewest=fewest, most=None if most > MOST_AHEAD else most)


# ---------------------------------------------------------------- coat by coat


def _coat(one: Seen, kind: Kind, beneath: Ground | None, end: Vector | None) -> Coat:
    """One coat with what is left of the colour beneath on the way to where it ends.

    By colour alone, as a seam's would have to be told, such a share is nought long before a film
    hides: the film's way bends. So of a seam there is none.
    """
    share, worst = None, None
    if beneath is not None and end is not None and not one.shaded:
        way = (lab_to_xyz(beneath.lab), lab_to_xyz(end))
        share = float(_shares(lab_to_xyz(one.lab), *way))
        if one.tiles is not None and kind == "dye":
            worst = _worst(one.tiles, one.files[-1], *way)
    return Coat(
        coat=one.coat,
        kind=kind,
        files=one.files,
        lab=_three(one.lab),
        to_finish=None,
        share=share,
        share_of="" if share is None or beneath is None else beneath.name,
        worst=worst,
    )


def _difference(one: Seen, finish: Vector, limits: Limits) -> Difference:
    lab = _nearest_light(one, finish)
    return difference(lab, finish, one.covariance, confidence=limits.confidence, k_l=1.0)


def _nearest_light(one: Seen, finish: Vector) -> Vector:
    """What is seen; of a seam in the light in which it comes nearest to the finish."""
    if not one.shaded:
        return one.lab
    labs = xyz_to_lab(_LIGHTS[:, None] * lab_to_xyz(one.lab))
    return np.asarray(labs[int(np.argmin(delta_e00(finish, labs)))], np.float64)


def _shares(xyz: Vector, beneath: Vector, finish: Vector) -> Vector:
    """Share of the colour beneath, by projection on the way from finish to it in linear light."""
    way = beneath - finish
    length = float(way @ way)
    if length < 1e-8:
        return np.zeros(xyz.shape[:-1])
    return cast(Vector, np.clip((xyz - finish) @ way / length, 0.0, 1.0))


def _worst(tiles: Tiles, file: str, beneath: Vector, finish: Vector) -> Place | None:
    """The tile with the largest share of the colour beneath, its light taken off.

    A tile is light times a mixture, s((1-f) n + f u), and s is about 1 within the light's doubt:
    least squares in s(1-f) and sf. Where both colours lie on one line the doubt alone decides.
    """
    if not tiles.known.any():
        return None
    light = max(tiles.light_doubt, 1e-3)
    size = 0.01  # of a white: coding and noise of a tile (own allowance)
    design = np.vstack(
        [np.stack([finish / WHITE_D50, beneath / WHITE_D50], axis=1) / size, [[1 / light] * 2]]
    )
    solve = np.linalg.pinv(design)
    mixed = (tiles.xyz.astype(np.float64) / WHITE_D50 / size) @ solve[:, :3].T + solve[:, 3] / light
    share = np.clip(mixed[..., 1] / np.maximum(mixed.sum(axis=-1), 1e-6), 0.0, 1.0)
    row, column = divmod(int(np.argmax(np.where(tiles.known, share, -1.0))), share.shape[1])
    x, y = tiles.origin_px[0] + column * tiles.step_px, tiles.origin_px[1] + row * tiles.step_px
    found = xyz_to_lab(tiles.xyz[row, column].astype(np.float64) / mixed[row, column].sum())
    return Place(
        file=file,
        box_px=(round(x), round(y), round(x + tiles.step_px), round(y + tiles.step_px)),
        side_mm=tiles.side_mm,
        delta_e=float(delta_e00(xyz_to_lab(finish), found)),
        share=float(share[row, column]),
    )


def _state(coats: Sequence[Coat], limits: Limits) -> State:
    last, limit = coats[-1], limits.show_through_delta_e
    if last.kind == "transition":
        return "shows"
    if last.to_finish is None:  # of a seam always: colour alone was wrong in one of three
        return "not sure"
    if _went_back(coats):
        return "not sure"
    if last.to_finish.at_least > limit:
        return "shows"
    if last.to_finish.at_most > limit or (last.worst is not None and last.worst.delta_e > limit):
        return "not sure"
    return "hides"


def _went_back(coats: Sequence[Coat]) -> bool:
    """Whether the last coat surely lies farther from the finish than one of the dye before it."""
    *earlier, last = (coat.to_finish for coat in coats if coat.kind == "dye")
    return last is not None and any(
        one is not None and one.at_most < last.at_least for one in earlier
    )


def _notes(
    ground: Ground | None,
    laid: Colour | None,
    kinds: Sequence[Kind],
    fit: Fit | None,
    target: Vector | None,
    limits: Limits,
) -> list[str]:
    notes = []
    if laid is not None and ground is not None:
        notes.append(
            f"the coats up to {ground.coat} are taken for {laid.name}, by their colour; "
            "the dye is reckoned from there"
        )
    if ground is not None and not ground.measured:
        notes.append(
            f"no photo from before the work: the ground is taken as {ground.name} of job.toml"
        )
    if fit is not None and target is not None:
        apart = float(delta_e00(target, fit.finish_lab))
        if apart > limits.show_through_delta_e:
            notes.append(
                f"the dye seems to settle {apart:.1f} ΔE off the finish asked for: more coats do "
                "not bring it nearer"
            )
    return notes
