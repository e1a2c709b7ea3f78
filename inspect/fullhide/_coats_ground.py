"""What each coat is, and what the dye lies on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide._coats_data import Kind, Seen
from fullhide.colour import delta_e00
from fullhide.job import Colour

__all__ = ["Ground", "ground_of", "kinds_of", "old_colour"]

Vector = NDArray[np.float64]

#: Doubt in Lab of an old colour that job.toml names and no photo shows (own allowance).
_OLD_DOUBT = 2.0
#: Differences of a colour's way to another one that two photos may make by themselves, ΔE00 (own
#: choice).
_ALIKE = 2.0
#: An under-colour of such a name is a coat of its own.
_TRANSITION = "transition"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """What the dye lies on: its colour, its name, and after which coat; None if not known."""

    name: str
    coat: int
    lab: Vector
    own: Vector
    light: Vector
    measured: bool

    @staticmethod
    def seen(name: str, one: Seen) -> Ground:
        return Ground(
            name=name, coat=one.coat, lab=one.lab, own=one.own, light=one.light, measured=True
        )


def is_transition(colour: Colour) -> bool:
    return _TRANSITION in colour.name.casefold()


def kinds_of(
    order: Sequence[Seen], target: Vector | None, under: Sequence[Colour]
) -> tuple[list[Kind], Colour | None]:
    """What each coat is, and the transition coat's colour if there is one.

    The last coat that comes nearest to a transition colour, and all before it, are taken for
    transition coats, if it lies nearer to that colour than to the finish, and nearer to it than
    finish and old colour do themselves.
    """
    kinds: list[Kind] = ["ground" if one.coat == 0 else "dye" for one in order]
    end = order[-1].lab if target is None else target
    old = old_colour(order, under)
    labs = np.stack([one.lab for one in order])
    last, laid = -1, None
    for colour in filter(is_transition, under):
        lab = np.asarray(colour.lab, np.float64)
        away = delta_e00(lab, labs)
        near = away < delta_e00(end, labs)
        coats = [i for i, one in enumerate(order) if one.coat > 0 and near[i]]
        if not coats:
            continue
        least = min(away[i] for i in coats)
        others = [float(delta_e00(lab, end))]
        others += [] if old is None else [float(delta_e00(lab, old.lab))]
        if least < min(others) - _ALIKE:
            found = max(i for i in coats if away[i] <= least + _ALIKE)
            if found > last:
                last, laid = found, colour
    for i in range(last + 1):
        if kinds[i] == "dye":
            kinds[i] = "transition"
    return kinds, laid


def old_colour(order: Sequence[Seen], under: Sequence[Colour]) -> Ground | None:
    """The colour of before the work: photographed, or the one that job.toml names."""
    named = [colour for colour in under if not is_transition(colour)]
    if order[0].coat == 0:
        return Ground.seen(named[0].name if len(named) == 1 else "the old colour", order[0])
    if len(named) == 1:
        return Ground(
            name=named[0].name,
            coat=0,
            lab=np.asarray(named[0].lab, np.float64),
            own=_OLD_DOUBT**2 * np.eye(3),
            light=np.zeros(3),
            measured=False,
        )
    return None


def ground_of(
    order: Sequence[Seen], kinds: Sequence[Kind], under: Sequence[Colour], laid: Colour | None
) -> Ground | None:
    """What the dye lies on: the last transition coat, else the old colour."""
    if laid is None:
        return old_colour(order, under)
    last = [one for one, kind in zip(order, kinds, strict=True) if kind == "transition"][-1]
    return Ground.seen(laid.name, last)
