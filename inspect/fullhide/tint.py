"""Tint help: which tinter to add a little of, for a dye to come nearer to the colour wanted.

Pure functions. A starting point for a test patch and nothing else: Kubelka and Munk's film is for
one wavelength, here it runs in three broad channels, and a drawdown's thickness is not known well.
So every amount is an interval, and where the doubt is larger than the step there is none.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide._tint_data import (
    BASE,
    USUAL_U,
    Addition,
    Drawdown,
    Dye,
    Lab,
    Tint,
    Tinter,
    Wish,
)
from fullhide._tint_film import channels_of, scattering, two_constants
from fullhide._tint_solve import Mix, metric, mixed, nearest
from fullhide.checks.match import Difference, difference
from fullhide.colour import delta_e00

__all__ = [
    "BASE",
    "CONFIDENCE",
    "LIMIT",
    "MOST_NAMED",
    "MOST_PARTS",
    "USUAL_U",
    "Addition",
    "Drawdown",
    "Dye",
    "Tint",
    "Tinter",
    "Wish",
    "tint",
]

Array = NDArray[Any]

#: CIEDE2000 that needs no tint, as `match_delta_e` by default; and confidence of either end.
LIMIT, CONFIDENCE = 2.0, 0.95
#: Parts in 100 of dye from which on an addition is another mix, and tinters that are named at most
#: (own choices).
MOST_PARTS, MOST_NAMED = 25.0, 3
#: Drawdowns by the same bar differ in thickness, relative standard deviation; common practice, no
#: source.
_FILM_SPREAD = 0.1
#: What the surface turns back inside: 0.4 to 0.6 (after Allen; 0.6 by theory).
_K2, _K2_DOUBT = 0.5, 0.1
#: What broad channels leave in doubt of K and S of each tinter, spread of the logarithm (own
#: allowance, from spectral mixes).
_BROAD = 0.07
#: A tinter that absorbs one part of a broad channel more than another lets much through there and
#: looks weaker than it is in a mix: from nothing to this, times how unlike its channels are, of the
#: logarithm of K (own allowance, from spectral mixes).
_UNEVEN = 0.5
#: One more tinter has to bring so much, ΔE; an amount whose ends lie further apart than this factor
#: is none; and at least this share of the difference has to go (own choices).
_WORTH, _WIDEST, _HELPS = 0.5, 8.0, 0.4
#: Black and white have to differ through a film by so many times their doubt (own choice).
_SHOWS = 4.0
#: Where an amount's interval ends among the draws. Wider than its confidence of 0.95: the tinter
#: was chosen by the same readings, whose noise makes its part too large (from spectral mixes).
_END = 0.975
_DRAWS = 400


def tint(wish: Wish) -> Tint:
    """Suggest what to add, if that can be told.

    Notes
    -----
    K and S of a mix are the sums of its parts' (Duncan, J. Oil Colour Chem. Assoc. 32 (1949) 296,
    from memory). All is worked out once as read and `_DRAWS` times with everything that is in doubt
    drawn anew (JCGM 101:2008): the readings, the films' thickness, the surface, the broad channels.
    """
    dye, wanted = np.array(wish.dye.lab), np.array(wish.wanted)
    covariance = 2.0 * wish.u**2 * np.eye(3) if wish.apart is None else np.array(wish.apart)
    now = difference(dye, wanted, covariance, confidence=CONFIDENCE, k_l=1.0)
    if now.at_most <= LIMIT:
        return Tint(state="near", now=now)
    if now.at_least < 0.5 * LIMIT:
        return Tint(
            state="not sure",
            now=now,
            why="the difference is no larger than its doubt: read dye and wanted colour again, "
            "side by side in one photo with a grey board (`grey_board`)",
        )
    bench = _Bench.of(wish)
    if not bench.dye_known:
        why = _PARTS_HIDE if wish.dye.drawdown is None else _DYE_HIDES
        return Tint(state="not sure", now=now, why=why, left_out=bench.left_out)
    if not bench.names:
        why = "no tinter's drawdown can be used: draw them down again as said below"
        return Tint(state="not sure", now=now, why=why, left_out=bench.left_out)
    return _suggested(bench, now)


_DYE_HIDES = (
    "the dye's drawdown hides black and white alike, which does not tell how strong it is: thin it "
    "with the base (and say so as `share`) until the black shows, or give its `parts`"
)
_PARTS_HIDE = (
    "the dye holds a tinter whose drawdown cannot be used, so how strong the dye is stays unknown: "
    "draw that tinter down again as said below, or the dye itself"
)


def _suggested(bench: _Bench, now: Difference) -> Tint:
    """The best of one, two and three tinters that stands its doubt."""
    best: tuple[float, Tint] | None = None
    failed: tuple[float, str] = np.inf, ""
    reached = np.inf
    for size in range(1, min(MOST_NAMED, len(bench.names)) + 1):
        which = bench.best_of(size)
        left = bench.left(which)
        reached = min(reached, left)
        found = bench.told(which, now)
        if isinstance(found, str):
            failed = min(failed, (left + _WORTH * size, found))
            continue
        assert found.after is not None
        cost = found.after.value + _WORTH * size
        if best is None or cost < best[0]:
            best = cost, found
    if best is not None:
        return best[1]
    if reached > (1.0 - _HELPS) * now.value:
        return Tint(
            state="out of reach",
            now=now,
            why=f"none of these tinters, up to {MOST_PARTS:g} parts in 100, brings the dye clearly "
            "nearer: adding cannot take a colour out; a drawdown of another tinter, or a new mix",
            left_out=bench.left_out,
        )
    return Tint(state="not sure", now=now, why=failed[1], left_out=bench.left_out)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Bench:
    """Dye and tinters in K and S, as read (first) and drawn anew, (1 + draws, …, 3)."""

    names: tuple[str, ...]
    dye: Mix
    tinters: Mix
    wanted: Array
    k2: Array
    root: Array
    dye_known: bool
    left_out: tuple[str, ...]

    @staticmethod
    def of(wish: Wish) -> _Bench:
        reader = _Reader(wish)
        told = [(tinter, *reader.constants(tinter.drawdown)) for tinter in wish.tinters]
        used = [(one.name, k, s) for one, k, s, shows in told if shows]
        left_out = tuple(
            f"{one.name}: its drawdown hides black and white alike; draw it down weaker in the base"
            for one, _, _, shows in told
            if not shows
        )
        dye, known = reader.dye(wish.dye, {name: (k, s) for name, k, s in used})
        nothing = np.zeros((1 + _DRAWS, 0, 3))
        return _Bench(
            names=tuple(name for name, _, _ in used),
            dye=dye,
            tinters=(
                np.stack([k for _, k, _ in used], axis=1) if used else nothing,
                np.stack([s for _, _, s in used], axis=1) if used else nothing,
            ),
            wanted=reader.wanted(wish),
            k2=reader.k2,
            root=metric(0.5 * (np.array(wish.dye.lab) + np.array(wish.wanted))),
            dye_known=known,
            left_out=left_out,
        )

    def best_of(self, size: int) -> tuple[int, ...]:
        """The tinters, so many, that come nearest as read."""
        choices = list(combinations(range(len(self.names)), size))
        index = np.array(choices)
        dye = self._repeated(len(choices))
        tinters = (self.tinters[0][0][index], self.tinters[1][0][index])
        wanted = np.broadcast_to(self.wanted[0], (len(choices), 3))
        k2 = np.broadcast_to(self.k2[0], (len(choices), 1))
        amounts = nearest(dye, tinters, wanted, root=self.root, k2=k2, most=MOST_PARTS / 100.0)
        left = delta_e00(wanted, mixed(dye, tinters, amounts, k2))
        return choices[int(np.argmin(left))]

    def _repeated(self, n: int) -> Mix:
        k, s = (np.broadcast_to(one[0], (n, 3)) for one in self.dye)
        return k, s

    def amounts(self, which: Sequence[int], rows: slice) -> Array:
        """Parts of the tinters to one of dye, (rows, tinters)."""
        k, s = self.tinters[0][rows][:, which], self.tinters[1][rows][:, which]
        return nearest(
            (self.dye[0][rows], self.dye[1][rows]),
            (k, s),
            self.wanted[rows],
            root=self.root,
            k2=self.k2[rows],
            most=MOST_PARTS / 100.0,
        )

    def after(self, which: Sequence[int], amounts: Array) -> Array:
        """CIE Lab after additions, as read and drawn anew, (1 + draws, 3)."""
        k, s = self.tinters[0][:, which], self.tinters[1][:, which]
        return mixed(self.dye, (k, s), np.broadcast_to(amounts, k.shape[:2]), self.k2)

    def left(self, which: Sequence[int]) -> float:
        """CIEDE2000 left as read."""
        lab = self.after(which, self.amounts(which, slice(1)))
        return float(delta_e00(self.wanted[0], lab[0]))

    def told(self, which: Sequence[int], now: Difference) -> Tint | str:
        """The suggestion with these tinters, or why it is none."""
        tried = self.amounts(which, slice(None))
        ends = np.quantile(tried[1:], [1.0 - _END, _END], axis=0)
        lab = self.after(which, tried[0])
        left = delta_e00(self.wanted, lab)
        nothing = self.after(which, np.zeros(len(which)))
        before = delta_e00(self.wanted, nothing)
        names = " and ".join(self.names[i] for i in which)
        if float((left < before)[1:].mean()) < CONFIDENCE or left[0] > (1.0 - _HELPS) * now.value:
            return f"whether {names} would help is in doubt: {_SURER}"
        if (ends[1] >= MOST_PARTS / 100.0 * 0.999).any():
            return (
                f"{names} would help, but it may take more than {MOST_PARTS:g} parts in 100, which "
                "is another mix: mix anew"
            )
        if (ends[1] > _WIDEST * ends[0]).any():
            return f"{names} may help, but how much cannot be told: {_SURER}"
        low, high = np.quantile(left[1:], [1.0 - CONFIDENCE, CONFIDENCE])
        value = float(left[0])
        return Tint(
            state="add",
            now=now,
            after=Difference(
                value=value,
                u=float(np.std(left[1:])),
                at_least=min(float(low), value),
                at_most=max(float(high), value),
            ),
            lab_after=(float(lab[0, 0]), float(lab[0, 1]), float(lab[0, 2])),
            additions=tuple(self._additions(which, tried[0], ends)),
            left_out=self.left_out,
        )

    def _additions(self, which: Sequence[int], amounts: Array, ends: Array) -> Iterator[Addition]:
        for i, parts, low, high in zip(which, amounts, ends[0], ends[1], strict=True):
            yield Addition(
                tinter=self.names[i],
                parts=100.0 * float(parts),
                at_least=100.0 * float(min(low, parts)),
                at_most=100.0 * float(max(high, parts)),
            )


_SURER = (
    "drawdowns and colours read more surely (a photo with a grey board, or the mean of several), "
    "and thin enough for the black to show, would settle it"
)


class _Reader:
    """Turns what was read into K and S, as read first and then drawn anew."""

    def __init__(self, wish: Wish) -> None:
        self.rng = np.random.default_rng(81)
        self.u = wish.u
        k2 = _K2 + _K2_DOUBT * self.rng.uniform(-1.0, 1.0, (1 + _DRAWS, 1))
        k2[0] = _K2
        self.k2 = k2
        self.black = channels_of(self.read(wish.black), k2)
        self.white = channels_of(self.read(wish.white), k2)
        self.base: Mix | None = None
        self.dye_u = wish.u if wish.dye_u is None else wish.dye_u
        self.dye_read = np.array(wish.dye.lab)
        if wish.base is not None:
            k, s, _ = self.constants(wish.base)
            self.base = k, s

    def read(self, lab: Lab, u: float | None = None) -> Array:
        """A reading and what it may have been, (1 + draws, 3)."""
        off = self.rng.normal(0.0, self.u if u is None else u, (1 + _DRAWS, 3))
        off[0] = 0.0
        return np.array(lab) + off

    def wanted(self, wish: Wish) -> Array:
        """The colour wanted; what it shares with the dye's own reading is off by the same."""
        if wish.apart is None:
            return self.read(wish.wanted)
        root = np.linalg.cholesky(np.array(wish.apart) + 1e-9 * np.eye(3))
        off = self.rng.normal(size=(1 + _DRAWS, 3)) @ root.T
        off[0] = 0.0
        shared: Array = self.dye_read - np.array(wish.dye.lab)
        return np.array(wish.wanted) + shared + off

    def spread(self, size: float, *shape: int) -> Array:
        """A factor near 1, (1 + draws, *shape)."""
        factor = np.exp(self.rng.normal(0.0, size, (1 + _DRAWS, *shape)))
        factor[0] = 1.0
        return factor

    def constants(self, film: Drawdown) -> tuple[Array, Array, bool]:
        """K and S of one part, (1 + draws, 3), and whether the grounds show through the film."""
        black, white, over_black, over_white = self.film(film)
        shows = _shows(over_black, over_white)
        k, s = two_constants(over_black, over_white, black=black, white=white)
        film_spread = self.spread(_FILM_SPREAD, 1)
        k, s = k * film_spread * self.spread(_BROAD, 3), s * film_spread * self.spread(_BROAD, 3)
        unlike = min(float(np.log(np.maximum(k[0], 1e-3)).std()), 1.5)
        uneven = self.rng.uniform(0.0, 1.0, (1 + _DRAWS, 1))
        uneven[0] = 0.5
        k = k * np.exp(_UNEVEN * unlike * uneven)
        if self.base is not None and film.share < 1.0:
            k = np.maximum(k - (1.0 - film.share) * self.base[0], 0.0)
            s = np.maximum(s - (1.0 - film.share) * self.base[1], 0.0)
        return k / film.share, s / film.share, shows

    def film(self, film: Drawdown) -> tuple[Array, Array, Array, Array]:
        """Reflectances of the bare black and white, and of a film over each."""
        if film.grounds is None or film.modes is None:
            over_black = channels_of(self.read(film.over_black), self.k2)
            over_white = channels_of(self.read(film.over_white), self.k2)
            return self.black, self.white, over_black, over_white
        read = np.array([*film.grounds, film.over_black, film.over_white])
        drawn = self.rng.normal(size=(1 + _DRAWS, len(film.modes)))
        drawn[0] = 0.0
        labs = read + np.tensordot(drawn, film.modes, axes=1)
        black, white, over_black, over_white = (
            channels_of(labs[:, area], self.k2) for area in range(len(read))
        )
        return black, white, over_black, over_white

    def dye(self, dye: Dye, tinters: dict[str, Mix]) -> tuple[Mix, bool]:
        """K and S of the dye: S by its film or parts, K over S by the coat that hides."""
        self.dye_read = self.read(dye.lab, self.dye_u)
        hides = channels_of(self.dye_read, self.k2)
        ratio = np.square(1.0 - hides) / (2.0 * hides)
        film = dye.drawdown
        if film is not None and film.share < 1.0 and self.base is not None:
            _, s, shows = self.constants(film)  # a white base changes where the film hides
        elif film is not None:
            black, white, over_black, over_white = self.film(film)
            shows = _shows(over_black, over_white)
            s = self.spread(_FILM_SPREAD, 1) * scattering(
                over_black, over_white, black=black, white=white, hides=hides
            )
            s = s / film.share
        else:
            clear = np.zeros((1 + _DRAWS, 3))
            tinters = {BASE: self.base or (clear, clear), **tinters}
            whole = sum(parts for _, parts in dye.parts)
            known = [(tinters[name], part / whole) for name, part in dye.parts if name in tinters]
            s = np.zeros((1 + _DRAWS, 3))
            for (_, scatters), part in known:
                s = s + part * scatters
            shows = len(known) == len(dye.parts)
        return (ratio * s, s), shows


def _shows(over_black: Array, over_white: Array) -> bool:
    """Whether a film surely differs over black and white."""
    apart = over_white - over_black
    return bool((apart[0] > _SHOWS * apart[1:].std(axis=0)).any())
