"""Evenness: blocks of the surface against the region's own colour, the light's play taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.checks.bands import Bands, find_bands
from fullhide.checks.outcome import Outcome
from fullhide.checks.texture import Texture, pooled
from fullhide.colour import delta_e00, xyz_to_lab
from fullhide.job import Limits
from fullhide.result import Measure, Verdict
from fullhide.robust import MAD_TO_SD
from fullhide.verdict import coverage_factor, decide

__all__ = ["evenness", "unevenness"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Vector = NDArray[np.float64]

#: Sides of the blocks: 5 mm and more, so that grain and pores average out, and by octaves.
SCALES_MM = (5.0, 10.0, 20.0, 40.0)
#: Fewest smallest blocks, and fewest of any size that share nothing (our own choices).
_FEWEST_BLOCKS, _FEWEST_APART = 12, 3
#: Share of the light's doubt that its second-degree surface leaves, and relative doubt of a
#: difference of colour from the camera's fit (our own allowances).
_LIGHT_LEFT = 0.25
_COLOUR_DOUBT = 0.04
#: Slow lightness belongs to the surface where the light is known this well, relative: from a grey
#: board, not from what lies beside the part.
_KNOWN_LIGHT = 0.01
#: Relative doubt of the noise's variance (JPEG joins neighbours; from rendered photos).
_NOISE_DOUBT = 0.08
#: In larger blocks a small block counts with at most this ΔE: a spot is no unevenness.
_SPOT_DELTA_E = 12.0
#: Few blocks that differ by this much, and by so many times the usual, are spots or things on the
#: panel, told of elsewhere; so many at most (our own choices).
_ODD_DELTA_E, _ODD_TIMES, _ODD_SHARE = 6.0, 5.0, 0.1
#: Such a place is something sewn in or laid on if it is at most this wide, mm, so many times as
#: long, and the surface is as usual, at most so many times, beside it (our own choices).
_NARROW_MM, _LONG, _BESIDE = 8.0, 3.0, 1.4
#: 0.95 point of chi-square with 1 degree of freedom (scipy.stats.chi2.ppf).
_CHI2_1 = 3.84


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Unevenness in blocks of one size.

    Attributes
    ----------
    mm
        Side of the blocks.
    value
        95th percentile of the blocks' ΔE00, the noise's part taken out.
    square_u
        Standard uncertainty of the square of `value`.
    """

    mm: float
    value: float
    square_u: float

    def u(self, limit: float, *, k: float) -> float:
        """Standard uncertainty towards the limit.

        Noise adds in squares: near nought the square is uncertain evenly, the value is not.
        """
        toward = self.square_u * k * (1.0 if self.value <= limit else -1.0)
        end = float(np.sqrt(max(self.value**2 + toward, 0.0)))
        return abs(end - self.value) / k

    def verdict(self, limit: float, *, k: float) -> Verdict:
        """What this scale alone says."""
        return decide(self.value, self.u(limit, k=k), limit, k=k)


def evenness(
    look: Texture, *, limits: Limits, light_doubt: float, flat: bool, airbag: bool = False
) -> Outcome:
    """How far blocks of a panel differ from the panel's middle colour.

    Parameters
    ----------
    look
        A panel's blocks, the light's second-degree play taken out.
    limits
        The job's limits.
    light_doubt
        Relative doubt of the light's evenness.
    flat
        Whether a flat field was divided out, so that slow lightness belongs to the surface.
    airbag
        Whether an airbag may lie beneath, so that no further coat is advised.

    Returns
    -------
    Outcome
        Measure ``uneven_delta_e``: the 95th percentile of the blocks' CIEDE2000 at the worst
        of four scales. Where there are stripes, also ``band_period_mm`` and
        ``band_direction_deg``, the way they run, anticlockwise from left to right.

    Notes
    -----
    Falloff, the roll of a cushion and shine are smooth: a second-degree surface of lightness and
    one of shine is taken out of every panel. A panel passes if what is left is even. It fails
    only if so much of it is left beyond everything that light could have done; in between, the
    grey board or a moved lamp tells. Few places that stand out by far are spots or things: they
    do not make a panel uneven, but keep it from passing where they are a twentieth of it; narrow
    ones with a hard edge, such as piping, do not even that.
    """
    k = coverage_factor(limits.confidence)
    doubt = _lightness_doubt(look.finish, light_doubt)
    whole = look
    look = replace(whole, good=whole.good & ~_odd(whole))
    seen = unevenness(look, look.change, light_u=doubt)
    if not seen:
        return Outcome(check="evenness", verdict=None)
    limit = limits.uneven_delta_e
    worst = max(seen, key=lambda s: s.value + k * s.u(limit, k=k))
    verdicts = {scale.verdict(limit, k=k) for scale in seen}
    verdict: Verdict = "pass" if verdicts == {"pass"} else "retake"
    flags: tuple[str, ...] = () if flat or verdict == "pass" else ("no_flat_field",)
    if "fail" in verdicts:
        worst = max(seen, key=lambda s: s.value)
        known = flat and light_doubt <= _KNOWN_LIGHT
        sure = unevenness(look, look.beyond_light(flat=known), light_u=0.0)
        if any(scale.verdict(limit, k=k) == "fail" for scale in sure):
            verdict, flags = "fail", ()
    elif verdict == "pass" and look.good.sum() < whole.good.sum():
        every = _without_things(whole, whole.good & ~look.good)
        seen = unevenness(every, every.change, light_u=doubt)
        if any(scale.verdict(limit, k=k) != "pass" for scale in seen):
            verdict, flags = "retake", ("odd_patch",)
    measure = Measure(value=worst.value, u=worst.u(limit, k=k), limit=limit, unit="ΔE00")
    bands = find_bands(look)
    return Outcome(
        check="evenness",
        verdict=verdict,
        reasons=() if bands is None else _stripes(bands, verdict, airbag),
        measures={"uneven_delta_e": measure, **_band_measures(bands)},
        flags=flags,
    )


def _odd(look: Texture) -> Mask:
    """Blocks of few places that stand out by far, and those beside them: spots, or things."""
    length = np.sqrt(np.square(look.change).sum(axis=-1))
    usual = MAD_TO_SD * float(np.median(length[look.good])) if look.good.any() else 0.0
    odd = look.good & (length > max(_ODD_DELTA_E, _ODD_TIMES * usual))
    if not odd.any() or odd.sum() > _ODD_SHARE * look.good.sum():
        return np.zeros(odd.shape, bool)
    return cv2.dilate(odd.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0


def _without_things(look: Texture, odd: Mask) -> Texture:
    """The blocks without the narrow ones of odd places that end at once."""
    length = np.sqrt(np.square(look.change).sum(axis=-1))
    usual = MAD_TO_SD * float(np.median(length[look.good & ~odd]))
    count, parts = cv2.connectedComponents(odd.astype(np.uint8), connectivity=8)
    things = np.zeros(odd.shape, bool)
    for number in range(1, count):
        part = parts == number
        high = part & (length > max(_ODD_DELTA_E, _ODD_TIMES * usual))
        beside = part & ~high & look.good
        points = np.argwhere(high).astype(np.float32)
        long_mm = (max(cv2.minAreaRect(points)[1]) + 1.0) * look.side_mm
        # Blocks that hold only a part of the thing count as that part.
        filled = np.minimum(length[part] / np.quantile(length[high], 0.9), 1.0)
        wide_mm = float(filled.sum()) * look.side_mm**2 / long_mm
        narrow = wide_mm <= _NARROW_MM and long_mm >= _LONG * wide_mm
        if narrow and beside.any() and np.median(length[beside]) <= _BESIDE * usual:
            things |= part
    return replace(look, good=look.good & ~things)


def _stripes(bands: Bands, verdict: Verdict, airbag: bool) -> tuple[str, ...]:
    if verdict == "pass":
        return ()
    told = wording.bands_reason(
        bands.period_mm, bands.direction_deg, bands.swing, sure=verdict == "fail", airbag=airbag
    )
    return (told,)


def _band_measures(bands: Bands | None) -> dict[str, Measure]:
    if bands is None:
        return {}
    period = Measure(value=bands.period_mm, u=bands.period_u_mm, limit=None, unit="mm")
    way = Measure(value=bands.direction_deg, u=bands.direction_u_deg, limit=None, unit="deg")
    return {"band_period_mm": period, "band_direction_deg": way}


def unevenness(look: Texture, change: Array, *, light_u: float) -> list[Scale]:
    """Unevenness at every scale that the panel holds enough blocks of.

    Parameters
    ----------
    look
        The panel's blocks.
    change
        Its change, or the part of it that counts.
    light_u
        ΔE00 that the light may still differ by between two places.
    """
    found: list[Scale] = []
    if look.good.sum() * look.side_mm**2 < _FEWEST_BLOCKS * SCALES_MM[0] ** 2:
        return found
    for mm in SCALES_MM:
        across = max(1, int(np.ceil(mm / look.side_mm - 0.05)))
        values, good = pooled(change, look.good, across)
        if mm == SCALES_MM[0]:
            length = np.sqrt(np.square(change).sum(axis=-1, keepdims=True))
            change = change * np.minimum(1.0, _SPOT_DELTA_E / np.maximum(length, 1e-6))
        if good.sum() >= max(_FEWEST_BLOCKS, _FEWEST_APART * across**2):
            found.append(_scale(look, values[good], across, mm, light_u))
    return found


def _scale(look: Texture, change: Array, across: int, mm: float, light_u: float) -> Scale:
    """One scale; `change` holds every place of a block, (N, 3)."""
    noise = look.noise / across**2
    off = (change - np.median(change, axis=0)).astype(np.float64)
    # Noise adds to the true play: their covariances add. The first estimate shrinks the blocks
    # to what the noise leaves; that does few far-off blocks wrong, whose squares the second
    # corrects by the noise's own.
    value = max(_percentile(look, off @ _shrink(off, noise).T), _less_noise(look, off, noise))
    # Blocks that share no small block.
    apart = max(1.0, len(change) / across**2)
    rest = np.sqrt(2.0 / apart + 2.0 / max(1, look.squares) + _NOISE_DOUBT**2)
    floor = _CHI2_1 * float(np.sqrt(np.square(np.linalg.eigvalsh(noise)).sum())) * rest
    spread = float(np.sqrt(np.trace(noise)))
    linear = np.hypot(spread / np.sqrt(max(1.0, 0.1 * apart)), light_u)
    parts = (floor, 2.0 * value * linear, light_u**2, 2.0 * _COLOUR_DOUBT * value**2)
    return Scale(mm=mm, value=value, square_u=float(np.sqrt(sum(part**2 for part in parts))))


def _shrink(off: Vector, noise: Vector) -> Vector:
    """Matrix that takes the noise's share out of the blocks' covariance."""
    total = np.cov(off.T) + 1e-9 * np.eye(3)
    root = np.linalg.cholesky(total)
    white = np.linalg.solve(root, np.linalg.solve(root, noise).T)
    shares, turn = np.linalg.eigh(0.5 * (white + white.T))
    kept = np.sqrt(np.clip(1.0 - shares, 0.0, 1.0))
    return np.asarray(root @ (turn * kept) @ turn.T @ np.linalg.inv(root))


def _less_noise(look: Texture, off: Vector, noise: Vector) -> float:
    """95th percentile of the blocks, the noise's 95th percentile taken off in squares."""
    shares = np.maximum(np.linalg.eigvalsh(noise), 0.0)
    return float(np.sqrt(max(_percentile(look, off) ** 2 - _quantile_of(shares), 0.0)))


def _quantile_of(variances: Sequence[float] | Vector) -> float:
    """0.95 point of a sum of squared normal variates of these variances.

    Matched by mean and variance to a scaled chi-square, whose point is Wilson and Hilferty's
    (Proc. Natl. Acad. Sci. 17 (1931) 684).
    """
    one, two = float(np.sum(variances)), float(np.sum(np.square(variances)))
    if one <= 0.0:
        return 0.0
    freedom, part = one**2 / two, 2.0 / (9.0 * one**2 / two)
    return two / one * freedom * (1.0 - part + 1.645 * float(np.sqrt(part))) ** 3


def _percentile(look: Texture, off: Vector) -> float:
    """95th percentile of CIEDE2000 of changes along the axes, (N, 3)."""
    return float(np.quantile(look.delta_e(off), 0.95))


def _lightness_doubt(finish: Vector, relative: float) -> float:
    """ΔE00 that the doubt of the light which its surface leaves makes on the finished colour."""
    return float(delta_e00(xyz_to_lab(finish), xyz_to_lab(finish * (1.0 + _LIGHT_LEFT * relative))))
