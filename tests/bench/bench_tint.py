"""Tint help on mixes whose truth is known, wave by wave.

    python tests/bench/bench_tint.py --seed 11 --mixes 300

Truth: our own invented tinters, Kubelka and Munk's film in 81 bands with the surface's own return
(k2 drawn from 0.4 to 0.6), seen as CIE Lab under D50; fullhide gets rounded Lab values with noise.
Films differ in thickness by 10 %. In two thirds of the mixes the colour wanted is the dye with one
or two of the tinters added, in the others it lies off in any direction. The best true amount is the
one of the tinters named that brings the true CIEDE2000 lowest, found by SciPy.
"""

from __future__ import annotations

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from drawdown_photos import photographed
from numpy.typing import NDArray
from scipy.optimize import minimize

from fullhide.colour import delta_e00
from fullhide.errors import FullhideError
from fullhide.phantom import _spectra
from fullhide.tint import Drawdown, Dye, Tinter, Wish, tint

Array = NDArray[Any]
#: CIE Lab of masstones, D50, and how much they scatter beside white; our own inventions.
TINTERS = {
    "white": ((95.0, -0.5, 2.0), 1.0),
    "black": ((14.0, 0.0, 0.0), 0.25),
    "red oxide": ((36.0, 26.0, 20.0), 0.7),
    "yellow oxide": ((62.0, 14.0, 46.0), 0.6),
    "umber": ((27.0, 6.0, 9.0), 0.35),
    "blue": ((24.0, 6.0, -30.0), 0.15),
    "red": ((38.0, 48.0, 24.0), 0.3),
    "green": ((34.0, -26.0, 3.0), 0.15),
}
K1 = 0.04
#: What a match leaves in doubt of each colour by itself, with --beside (our own choice).
_APART = 0.2


class World:
    """One shop's true tinters, grounds and surface."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.k2 = float(rng.uniform(0.4, 0.6))
        self.names = [n for n in TINTERS if n in ("white", "black") or rng.random() < 0.8]
        waves = _spectra.WAVELENGTHS / 560.0
        self.k, self.s = {}, {}
        for name in self.names:
            lab, scatters = TINTERS[name]
            while True:
                try:
                    off = rng.normal(0.0, (2.0, 2.0, 3.0)) * (name != "white")
                    r = self.inside(_spectra.reflectance_from_lab(np.array(lab) + off))
                    break
                except FullhideError:
                    continue
            self.s[name] = 12.0 * scatters * rng.lognormal(0, 0.4) * waves ** rng.uniform(-1.5, 0.0)
            self.k[name] = self.s[name] * np.square(1.0 - r) / (2.0 * r)
        self.black = self.inside(_spectra.reflectance_from_lab((18.0, 0.0, 0.0)))
        self.white = self.inside(_spectra.reflectance_from_lab((93.0, -0.5, 1.5)))

    def inside(self, r: Array) -> Array:
        return np.clip(r / ((1 - K1) * (1 - self.k2) + self.k2 * r), 1e-4, 0.999)

    def outside(self, r: Array) -> Array:
        return np.asarray((1 - K1) * (1 - self.k2) * r / (1 - self.k2 * r))

    def lab(self, r: Array) -> Array:
        return _spectra.lab_from_reflectance(self.outside(r))

    def hiding(self, mix: dict[str, float]) -> Array:
        """Lab of a coat that hides."""
        k, s = self.constants(mix)
        a = 1.0 + k / s
        return self.lab(a - np.sqrt(a * a - 1.0))

    def constants(self, mix: dict[str, float]) -> tuple[Array, Array]:
        k = sum(part * self.k[name] for name, part in mix.items())
        s = sum(part * self.s[name] for name, part in mix.items())
        return np.asarray(k), np.asarray(s)

    def film(self, mix: dict[str, float], thick: float, ground: Array) -> Array:
        """A film over a ground below the surface: Kubelka's closed form, R(X), STANDARDS.md 3.2."""
        k, s = self.constants(mix)
        a = 1.0 + k / s
        b = np.sqrt(a * a - 1.0)
        c = b / np.tanh(np.minimum(b * s * thick, 300.0))
        return np.asarray((1.0 - ground * (a - c)) / (a - ground + c))

    def drawdown(self, mix: dict[str, float], u: float, *, photo: bool) -> Drawdown | None:
        """Thinned until the black shows, as a person would; None where the photo tells nothing."""
        thick = float(self.rng.lognormal(0.0, 0.1))
        for share in (1.0, 0.5, 0.2, 0.1, 0.05, 0.02):
            thin = {name: share * part for name, part in mix.items()}
            films = [self.film(thin, thick, ground) for ground in (self.black, self.white)]
            black, white = (self.lab(film) for film in films)
            if delta_e00(black, white) > 15.0:
                break
        if photo:
            seen = [self.outside(r) for r in (self.black, self.white, *films)]
            return photographed(seen, self.rng, share=share)
        return Drawdown(over_black=self.read(black, u), over_white=self.read(white, u), share=share)

    def read(self, lab: Array, u: float) -> tuple[float, float, float]:
        lightness, a, b = np.round(lab + self.rng.normal(0.0, u, 3), 1)
        return float(np.clip(lightness, 0, 100)), float(a), float(b)


def one(task: tuple[int, int, float, bool, float]) -> dict[str, Any]:
    """One mix: what is suggested, and what is true of it."""
    seed, i, u, photos, beside = task
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, i, 3])
    world = World(rng)
    chosen = rng.choice(world.names, size=min(4, len(world.names)), replace=False)
    parts = rng.dirichlet(np.full(len(chosen), 1.0))
    dye = {str(n): float(p) * 0.3 for n, p in zip(chosen, parts, strict=True)}
    now = world.hiding(dye)
    reachable = bool(rng.random() < 2 / 3)
    for _ in range(200):
        if reachable:
            more = rng.choice(world.names, size=int(rng.integers(1, 3)), replace=False)
            added = {str(n): float(10 ** rng.uniform(-3, -1)) for n in more}
            wanted = world.hiding(plus(dye, added))
        else:
            wanted = now + rng.normal(0.0, 1.0, 3) * rng.uniform(1.0, 6.0)
        if 1.0 < delta_e00(wanted, now) < 10.0:
            break
    films = [(name, world.drawdown({name: 1.0}, u, photo=photos)) for name in world.names]
    drawn = tuple(Tinter(name=name, drawdown=film) for name, film in films if film is not None)
    film = world.drawdown(dye, u, photo=photos)
    if film is None or not drawn:
        return {"reachable": reachable, "found": None}
    asked = Wish(
        black=world.read(world.lab(world.black), u),
        white=world.read(world.lab(world.white), u),
        tinters=drawn,
        dye=Dye(lab=world.read(now, u), drawdown=film),
        wanted=world.read(wanted, u),
        u=max(u, 0.05),
    )
    if beside:
        # As a job's match has it: off together by much, from one another by little.
        off = rng.normal(0.0, beside, 3)
        asked = replace(
            asked,
            dye=replace(asked.dye, lab=world.read(now + off, _APART)),
            wanted=world.read(wanted + off, _APART),
            apart=tuple(map(tuple, (2.0 * _APART**2 * np.eye(3)).tolist())),
            dye_u=beside,
        )
    found = tint(asked)
    fact: dict[str, Any] = {"reachable": reachable, "found": found}
    fact["now"] = float(delta_e00(wanted, now))
    if found.state == "add":
        names = [a.tinter for a in found.additions]
        amounts = np.array([a.parts for a in found.additions]) / 100.0
        low = np.array([a.at_least for a in found.additions]) / 100.0

        def left(x: Array) -> float:
            mix = plus(dye, dict(zip(names, np.maximum(x, 0.0), strict=True)))
            return float(delta_e00(wanted, world.hiding(mix)))

        best = minimize(
            lambda z: left(np.exp(z)),
            np.log(amounts),
            method="Nelder-Mead",
            options={"xatol": 1e-4},
        )
        fact |= {"left": left(amounts), "low": left(low), "best": np.exp(best.x), "least": best.fun}
    return fact


def plus(dye: dict[str, float], added: dict[str, float]) -> dict[str, float]:
    mix = dict(dye)
    for name, part in added.items():
        mix[name] = mix.get(name, 0.0) + float(part)
    return mix


def table(facts: list[dict[str, Any]], verbose: bool) -> None:
    """Print the figures."""
    blind = sum(fact["found"] is None for fact in facts)
    facts = [fact for fact in facts if fact["found"] is not None]
    if blind:
        print(f"{blind} mixes without a photo of the dye's drawdown that tells its colours")
    for kind in (True, False):
        some = [fact for fact in facts if fact["reachable"] == kind]
        states = Counter(fact["found"].state for fact in some)
        print(f"{'reachable by adding' if kind else 'anywhere'}: {len(some)}, {dict(states)}")
    told = [fact for fact in facts if fact["found"].state == "add"]
    why = Counter(" ".join(f["found"].why.split()[-8:]) for f in facts if f["found"].why)
    for text, count in why.most_common():
        print(f"  no amount, {count}: … {text}")
    if not told:
        return
    now, left, low, after = (
        np.array([f(fact) for fact in told])
        for f in (
            lambda fact: fact["now"],
            lambda fact: fact["left"],
            lambda fact: fact["low"],
            lambda fact: fact["found"].after.at_most,
        )
    )
    print(
        f"suggested {len(told)}: true ΔE {np.median(now):.1f} -> {np.median(left):.1f} at the "
        f"median; smaller after the middle amount in {100 * (left < now).mean():.1f} %, after the "
        f"least amount in {100 * (low < now).mean():.1f} %; not above the end foretold in "
        f"{100 * (left <= after).mean():.1f} %"
    )
    held, wide, ratio = [], [], []
    for fact in told:
        for addition, best in zip(fact["found"].additions, fact["best"], strict=True):
            held.append(addition.at_least <= 100 * best <= addition.at_most)
            wide.append(addition.at_most / addition.at_least)
            ratio.append(np.log(100 * best / addition.parts))
    sizes = Counter(len(fact["found"].additions) for fact in told)
    print(
        f"amounts {len(held)} (tinters named {dict(sizes)}): interval holds the best true one in "
        f"{100 * np.mean(held):.1f} % (meant: 90); ends apart {np.median(wide):.1f} times at the "
        f"median; spread of the logarithm {1.48 * np.median(np.abs(ratio)):.2f}, "
        f"middle {np.median(ratio):+.2f}"
    )
    if verbose:
        for fact in told:
            print(
                round(fact["now"], 2), round(fact["left"], 2), fact["best"], fact["found"].additions
            )


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--mixes", type=int, default=300)
    parser.add_argument("--u", type=float, default=0.5, help="doubt of each L, a, b that is read")
    parser.add_argument("--photos", action="store_true", help="drawdowns read from rendered photos")
    parser.add_argument(
        "--beside", type=float, default=0.0, help="dye and wanted from one photo, off by so much"
    )
    parser.add_argument("-v", action="store_true")
    asked = parser.parse_args()
    tasks = [(asked.seed, i, asked.u, asked.photos, asked.beside) for i in range(asked.mixes)]
    with ProcessPoolExecutor(2) as pool:
        table(list(pool.map(one, tasks, chunksize=4)), asked.v)


if __name__ == "__main__":
    main()
