"""Finding places of another sheen in a panel's map of its highlight.

A place steps away from what the slow run of light leaves of the highlight's mean, while shade and
colour stay what they are around it. Dye that is paler or deeper there does the same; but it takes
from the play of light over the grain what a highlight would add, so the play has to bear it out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.region import grown
from fullhide.result import Verdict
from fullhide.robust import MAD_TO_SD, fit, polynomial
from fullhide.shine_map import ShineMap

__all__ = ["Place", "places_of"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Fewest blocks of a panel that are looked at.
_FEWEST = 100
#: Widths of the smoothing of what is looked for and of the slow run of light, mm (Gaussians); and
#: the narrowest place, blocks, odd: with an even kernel opening moves what it leaves (our own
#: choices).
_FINE_MM, _SLOW_MM, _NARROWEST = 2.0, 20.0, 5
#: Standard deviations of the smoothed level: where a place begins, and what it must bring as a
#: whole, where the play of light bears it out and by itself (own choices: a panel has some hundreds
#: of places).
_FROM, _BORNE, _AT_LEAST = 3.0, 4.5, 6.0
#: Smallest place that stands by itself, mm² (our own choice).
_ALONE_MM2 = 120.0
#: From a place's rim: its ring begins and ends, and the strips inside and outside of the rim whose
#: difference is its step; mm.
_RING_MM, _IN_MM, _OUT_MM = (4.0, 14.0), 3.0, (2.0, 6.0)
_FEWEST_AROUND, _FEWEST_BESIDE = 12, 4
#: Least part of the difference that is a step, since a lamp's own highlight fades; most that shade
#: may change, relative, and colour, over the highlight's change; and the longest place over its
#: width (our own choices, from rendered panels).
_STEP, _SHADE, _COLOUR, _LONG = 0.5, 0.12, 0.15, 3.0
#: Within its rim all of a place but a tenth stands out by at least this part of its mean, or it is
#: thread or glints that lie close together (our own choice).
_ALL_OF_IT = 0.15
#: More play over the grain than any coat brings, times: something lies there (our own choice).
_MOST_PLAY = 10.0
#: Blocks of play are not independent and have long tails; noise may be off by so much; and what
#: is left of doubt in a ratio of plays (our own allowances).
_TAILS, _NOISE_DOUBT, _PLAY_DOUBT = 1.5, 0.3, 0.15
#: Uncertainties of the play from which it bears a place out, or speaks against it.
_BORNE_OUT = 2.0
#: A highlight's mean is at least so many times the play that it brings (rendered panels: 1.6 to
#: 70), and that play must stand so far out of the noise.
_MEAN_OVER_PLAY, _COLOUR_NOISE = 1.5, 0.5
#: Burnt-out share from which a highlight may have lost its top.
_BURNT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """A place of another sheen.

    Attributes
    ----------
    blocks
        Its blocks in the map, bool (h, w).
    glossy
        Glossier than its surroundings, or else duller.
    end
        How many times their highlight its own surely is: at least if glossy, at most if dull. How
        far beyond that it may be is not known.
    sure
        Whether the play of light bears it out; otherwise it may as well be paler or deeper dye.
    """

    blocks: Mask
    glossy: bool
    end: float
    sure: bool

    def verdict(self, limit: float) -> Verdict:
        """What it alone brings, with a highlight `limit` times stronger or weaker allowed."""
        beyond = self.end >= limit if self.glossy else self.end <= 1.0 / limit
        return "fail" if beyond and self.sure else "retake"


def places_of(found: ShineMap, *, pale: bool, k: float) -> tuple[list[Place], float]:
    """Places of another sheen in one photo.

    Parameters
    ----------
    found
        A panel's highlight.
    pale
        Whether a colour like the light's own may lie beneath: more or less of it showing moves
        the highlight's mean as sheen does.
    k
        Coverage factor of the ratios' ends.

    Returns
    -------
    places, within
        And how many times stronger or weaker a place of 15 mm has to be to be among them;
        infinite where that is not known.
    """
    if not found.coloured or found.good.sum() < _FEWEST:
        return [], float("inf")
    clean = found.good
    level, usual = _without_light(found, clean)
    hot = _hot(level, clean, usual, found.side_mm)
    if hot.any():
        # Once more without them, or the light's run is drawn towards them.
        clean = found.good & ~grown(hot, _RING_MM[0], mm_per_px=found.side_mm)
        level, usual = _without_light(found, clean)
        hot = _hot(level, found.good, usual, found.side_mm)
    places, open_ones = [], 0
    for sign in (1, -1):
        count, parts = cv2.connectedComponents((hot == sign).astype(np.uint8), connectivity=4)
        for number in range(1, count):
            place, doubtful = _judged(
                found, level, parts == number, hot != 0, sign, usual, pale=pale, k=k
            )
            open_ones += doubtful
            places += [place] if place is not None else []
    return places, float("inf") if open_ones else _within(found, clean, usual)


def _without_light(found: ShineMap, clean: Mask) -> tuple[Array, float]:
    """The highlight's mean without the slow run of light, and the spread of it once smoothed."""
    mass, side = clean.astype(np.float32), found.side_mm
    terms = polynomial(clean.shape, 2)
    curve = fit(terms[clean], found.level[clean][None], times=3.0, floor=1e-4)[:, 0]
    level = cast(Array, (found.level - terms @ curve).astype(np.float32))
    for _ in range(2):
        far = np.float32(2.0 * MAD_TO_SD * np.median(np.abs(level[clean])))
        level = level - _smooth(np.clip(level, -far, far), mass, _SLOW_MM / side)
    fine = _smooth(level, mass, _FINE_MM / side)[clean]
    return level, max(MAD_TO_SD * float(np.median(np.abs(fine))), 1e-6)


def _smooth(values: Array, mass: Array, sigma: float) -> Array:
    def blur(image: Array) -> Array:
        return cast(Array, cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT))

    return cast(Array, blur(values * mass) / np.maximum(blur(mass), np.float32(1e-3)))


def _hot(level: Array, good: Mask, usual: float, side_mm: float) -> NDArray[np.int8]:
    """1 where blocks are glossier than the light's run leaves, -1 where duller, over a width.

    Each place reaches as far as half of its own height.
    """
    fine = _smooth(level, good.astype(np.float32), _FINE_MM / side_mm)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_NARROWEST, _NARROWEST))
    hot = np.zeros(good.shape, np.int8)
    for sign in (1, -1):
        high = np.where(good, sign * fine, 0.0)
        far = cv2.morphologyEx((high > _FROM * usual).astype(np.uint8), cv2.MORPH_OPEN, kernel)
        count, parts = cv2.connectedComponents(far, connectivity=4)
        for number in range(1, count):
            part = parts == number
            core = (part & (high > 0.5 * np.quantile(high[part], 0.75))).astype(np.uint8)
            hot[cv2.morphologyEx(core, cv2.MORPH_OPEN, kernel) > 0] = sign
    return hot


def _judged(
    found: ShineMap,
    level: Array,
    place: Mask,
    hot: Mask,
    sign: int,
    usual: float,
    *,
    pale: bool,
    k: float,
) -> tuple[Place | None, bool]:
    """One place, None where it is none; and whether it may be one all the same."""
    side, free = found.side_mm, found.good & ~hot
    ring = (
        grown(place, _RING_MM[1], mm_per_px=side)
        & ~grown(place, _RING_MM[0], mm_per_px=side)
        & free
    )
    beside = (
        grown(place, _OUT_MM[1], mm_per_px=side) & ~grown(place, _OUT_MM[0], mm_per_px=side) & free
    )
    within = place & grown(~place, _IN_MM, mm_per_px=side)
    if ring.sum() < _FEWEST_AROUND or beside.sum() < _FEWEST_BESIDE:
        return None, True
    step = float(level[place].mean() - level[ring].mean())
    if sign * step < _BORNE * usual:
        return None, True
    shade = (_apart(found.bright, place, ring) - step) / float(found.bright[ring].mean())
    if abs(shade) > _SHADE or abs(_apart(found.odd, place, ring)) > _COLOUR * abs(step):
        return None, False
    edge = float(level[within].mean() - level[beside].mean()) / step
    long, wide = sorted(cv2.minAreaRect(np.argwhere(place).astype(np.float32))[1], reverse=True)
    inner = place & ~grown(~place, side, mm_per_px=side)
    scattered = not inner.any() or np.quantile(level[inner] / step, 0.1) < _ALL_OF_IT
    if edge < _STEP or scattered or long + 1.0 > _LONG * (wide + 1.0):
        return None, True
    play, play_u = _play_ratio(found.whole, found.noise[1], place, ring)
    brighter = float(np.log(found.bright[place].mean() / found.bright[ring].mean()))
    borne = sign * (play - brighter) / play_u
    end, differs = _end(found, place, ring, step, k)
    if play > np.log(_MOST_PLAY) or (pale and borne < -_BORNE_OUT and not differs):
        return None, True
    sure = borne > _BORNE_OUT or differs
    alone = sign * step >= _AT_LEAST * usual and place.sum() * side**2 >= _ALONE_MM2
    if not (sure or alone):
        return None, True
    return Place(blocks=place, glossy=sign > 0, end=end, sure=sure), False


def _apart(image: Array, place: Mask, ring: Mask) -> float:
    return float(image[place].mean()) - float(image[ring].mean())


def _play_ratio(image: Array, noise: float, place: Mask, ring: Mask) -> tuple[float, float]:
    """Logarithm of how many times as much light plays in a place, and its uncertainty."""
    values, scatter, noisy = [], [], []
    for blocks in (place, ring):
        here = image[blocks].astype(np.float64)
        middle = max(float(here.mean()), 1e-12)
        values.append(middle)
        scatter.append(_TAILS * float(here.std()) / np.sqrt(len(here)) / middle)
        noisy.append(_NOISE_DOUBT * noise / middle)
    # A variance that is off by so much moves a standard deviation by half of it; noise is off
    # alike in both.
    u = 0.5 * float(np.hypot(np.hypot(*scatter), noisy[0] - noisy[1]))
    return 0.5 * float(np.log(values[0] / values[1])), float(np.hypot(u, _PLAY_DOUBT))


def _end(found: ShineMap, place: Mask, ring: Mask, step: float, k: float) -> tuple[float, bool]:
    """How many times its surroundings' a place's highlight surely is, towards one.

    And whether its own play over the grain tells that it differs: that goes as its strength where
    noise leaves any, and what noise is left in both draws the ratio towards one.

    No more of the light around it is highlight than the least of X, Y and Z holds.
    """
    u = float(np.hypot(*(found.level[b].std() / np.sqrt(b.sum()) for b in (place, ring))))
    part = max(0.0, abs(step) - k * _TAILS * u) / max(float(found.least[ring].mean()), 1e-4)
    end = 1.0 + part if step > 0 else max(0.0, 1.0 - part)
    if found.noise[2] > float(found.glint[ring].mean()):
        return end, False
    ratio, ratio_u = _play_ratio(found.glint, found.noise[2], place, ring)
    if step > 0:
        low = float(np.exp(ratio - k * ratio_u))
        return max(end, low), low > 1.0
    high = float(np.exp(ratio + k * ratio_u))
    return min(end, high), high < 1.0


def _within(found: ShineMap, clean: Mask, usual: float) -> float:
    """How many times stronger or weaker a place of 15 mm has to be to be told."""
    whole, shared = float(found.whole[clean].mean()), float(found.shared[clean].mean())
    if found.burnt > _BURNT or shared <= 0 or whole <= 0:
        return float("inf")
    if abs(found.noise[0]) > _COLOUR_NOISE * shared:
        return float("inf")
    part = _AT_LEAST * usual / (_MEAN_OVER_PLAY * shared / np.sqrt(whole))
    return float(1.0 / (1.0 - part)) if part < 1.0 else float("inf")
