"""Whether 24 samples are the chart's: every check that a reading must pass."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from fullhide import _chart_fit as fit
from fullhide._chart_find import orientations
from fullhide._chart_pose import GRID
from fullhide._chart_read import Sample
from fullhide.colour import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab, xyz_to_rec2020

__all__ = ["Judgement", "judge"]

F64: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]

# All own choices.  Mean leave-one-out CIEDE2000 of a plain 3 x 3 fit:
REJECT_DELTA_E = 12.0  # above: these are not the chart's colours
DOUBTFUL_DELTA_E = 5.0  # above: a chart, but not read well
_OUTLIER_DELTA_E = 8.0  # a patch further off than this …
_OUTLIER_RATIO = 3.0  # … and than this many times the median is not the patch it should be
_HIDDEN_DELTA_E = 3.0  # above, look for one patch …
_HIDDEN_RATIO = 0.65  # … without which the mean falls to this share
_MAX_BAD = 8
_MAX_RMS = 0.05  # pitches between patch centres seen and a flat grid
_MIN_EDGES = 12  # patches with clear edges: fewer and the place itself is in doubt
_MAX_BAD_READ = 4  # above: not read, only named
_MIN_USED = 14
_MIN_CORRELATION = 0.72  # of centred logarithms with the reference
_SURE_CORRELATION = 0.9
_MIN_LEAD = 0.10  # ahead of the next best orientation
_UNEVEN = 0.16  # spread of sixteen parts of a patch, relative to its mean
# Share of a patch's px at the camera's ceiling: noise alone puts some there, and moves the mean
# by a ninth of its standard deviation at this share (normal distribution cut off).
_CLIPPED_SHARE = 0.20
_FLOORED_SHARE = 0.5  # of px without any signal in a channel: nothing is known of it
_PART_CLIPPED = 2  # patches burnt out at most for a fit on the others to be as good
_CUT_SHARE = 0.1  # of px without any signal: the channel is cut off at its floor
_BEYOND = 0.02  # of white: a channel predicted below it may well be dark in the photo …
_BEYOND_SEEN = 0.05  # … and is, up to here
_BEYOND_AGREE = 0.25  # the channels that are not dark agree with their prediction so far
_LIGHT_T = 3.5  # a slope of the light this many times its own standard error counts …
_LIGHT_GAIN = 0.9  # … if taking it out lowers the residual at least so far
_LIGHT_SPAN = 0.22  # natural logarithm of light over the chart: more is half in shade


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether the samples are a chart's, and what is wrong with them.

    Attributes
    ----------
    found
        False: not a chart, or one that cannot be used.
    flags
        Names of `quality.FLAGS`.
    used
        (24,) patches fit for use.
    bad
        Numbers of patches covered, glaring or dirty.
    light
        (24,) light at each patch relative to the chart's centre, where it falls off clearly;
        else ones.
    residual
        Mean leave-one-out CIEDE2000 of a fit on the patches used: 3 x 3, or where that is
        doubtful the best model.
    """

    found: bool
    flags: tuple[str, ...]
    used: Mask
    bad: tuple[int, ...]
    light: F64
    residual: float


def judge(seen: Sample, lab: F64, *, mirrored: bool, rms: float, edges: int) -> Judgement:
    """Hold the samples against the reference.

    Parameters
    ----------
    seen
        Samples in the chart's order.
    lab
        (24, 3) reference Lab, D50.
    mirrored
        Whether the chart is seen mirrored.
    rms, edges
        Of the `Pose`.
    """
    burnt = seen.clipped > _CLIPPED_SHARE
    start = ~burnt & ~(seen.uneven > _UNEVEN)
    dark = (seen.floored > _FLOORED_SHARE).any(axis=1)
    if (start & ~dark).sum() >= _MIN_USED:  # else better than nothing
        start &= ~dark
    none = Judgement(False, (), np.zeros(24, bool), (), np.ones(24), float("inf"))
    if start.sum() < _MIN_USED or (seen.mean <= 0.0).all(axis=1).any():
        # Named only if what can still be read leaves no doubt that it is a chart.
        if start.sum() >= 8 and _in_order(seen.mean, lab, start, _SURE_CORRELATION):
            return replace(none, flags=("chart_clipped" if burnt.sum() > 8 else "chart_covered",))
        return none
    used, residual, matrix, values = _robust(seen.mean, lab, start)
    if not _in_order(seen.mean, lab, used, _MIN_CORRELATION):
        return none
    light = _light(values, lab, used, matrix)
    if np.ptp(light) > 0:
        again, lower, steadier = _shed(values / light[:, None], lab, start)
        if lower < _LIGHT_GAIN * residual and again.sum() >= used.sum():
            used, residual, matrix, values = again, lower, steadier, values / light[:, None]
        else:
            light = np.ones(24)
    bad = ~used & ~burnt & ~_beyond(seen, values, lab, matrix)
    heard = _second_hearing(values, lab, used, bad & start)
    heard |= _second_hearing(seen.mean / light[:, None], lab, used, bad & start)
    used, bad = used | heard, bad & ~heard
    if used.sum() < _MIN_USED or bad.sum() > _MAX_BAD or residual > REJECT_DELTA_E:
        return none
    glare, covered = _kinds(values, lab, matrix, bad)
    if bad.sum() > _MAX_BAD_READ:
        # Too many for a reading, but enough is left to say what is the matter.
        sure = edges >= _MIN_EDGES and residual < DOUBTFUL_DELTA_E
        return replace(none, flags=_named(chart_glare=glare.any(), chart_covered=sure))
    if residual > DOUBTFUL_DELTA_E:  # noise and far-off cameras ask for the richer models
        rich = fit.fit_patches(seen.mean / light[:, None], lab, used=used).residual_delta_e
        residual = residual if rich is None else min(residual, rich)
    lopsided = np.ptp(np.log(light)) > _LIGHT_SPAN
    off_grid = rms > _MAX_RMS or not _grey_falls(seen.mean, used)
    flags = _named(
        chart_mirrored=mirrored,
        chart_clipped=burnt.sum() > _PART_CLIPPED,
        chart_part_clipped=0 < burnt.sum() <= _PART_CLIPPED,
        chart_glare=glare.any(),
        chart_covered=covered.any(),
        chart_doubtful=residual > DOUBTFUL_DELTA_E or lopsided or off_grid,
    )
    return Judgement(True, flags, used, tuple(map(int, np.flatnonzero(bad))), light, residual)


_ORIENT = orientations()


def _named(**doubts: bool | np.bool_) -> tuple[str, ...]:
    return tuple(name for name, here in doubts.items() if here)


def _in_order(rgb: F64, lab: F64, ok: Mask, least: float) -> bool:
    """The order read must fit the reference, clearly better than the block's other orders."""
    ref = np.log(np.maximum(xyz_to_rec2020(lab_to_xyz(lab)), 0) + 0.004)
    level = max(float(np.percentile(rgb, 95)), 1e-4)
    logs = np.log(np.maximum(rgb / level, 0) + 0.004)

    def correlation(index: NDArray[np.intp]) -> float:
        # Only patches good in both readings count.
        keep = ok[index] & ok
        if keep.sum() < 6:
            return 0.0
        a, b = logs[index][keep], ref[keep]
        a, b = a - a.mean(axis=0), b - b.mean(axis=0)
        return float((a * b).sum() / (np.sqrt((a**2).sum() * (b**2).sum()) + 1e-12))

    own = correlation(np.arange(24))
    others = [correlation(index) for _, index in _ORIENT[1:4]]
    return own > least and own > max(others) + _MIN_LEAD


def _robust(rgb: F64, lab: F64, start: Mask) -> tuple[Mask, float, F64, F64]:
    """Patches that agree on one 3 x 3 fit, its mean residual, its matrix and the values fitted.

    Tried on the values as they are and after a tone curve from the grey row, for cameras that
    bend their tones; more patches in agreement win, then the lower residual.
    """
    ways = [rgb]
    grey = np.zeros(24, bool)
    grey[fit.GREY_ROW] = start[fit.GREY_ROW]
    tone = fit.fit_tone(rgb[grey], lab_to_xyz(lab)[grey, 1])
    if tone is not None:
        ways.append(tone.apply(rgb.astype(np.float32)).astype(np.float64))
    results = [(*_shed(values, lab, start), values) for values in ways]
    return max(results, key=lambda r: (int(r[0].sum()), -r[1]))


def _shed(rgb: F64, lab: F64, start: Mask) -> tuple[Mask, float, F64]:
    """3 x 3 fit that sheds patches far off the others, worst first."""
    used = start.copy()
    while True:
        matrix, error = _errors(rgb, lab, used)
        if (start & ~used).sum() > _MAX_BAD:
            return used, float(error.mean()), matrix
        worst = int(error.argmax())
        if error[worst] <= max(_OUTLIER_DELTA_E, _OUTLIER_RATIO * float(np.median(error))):
            # A dark patch gone wrong bends the whole fit and hides among its victims.
            hidden = None if error.mean() < _HIDDEN_DELTA_E else _culprit(rgb, lab, used, error)
            if hidden is None:
                return used, float(error.mean()), matrix
            worst = hidden
        used[np.flatnonzero(used)[worst]] = False


def _errors(rgb: F64, lab: F64, used: Mask) -> tuple[F64, F64]:
    """Matrix and leave-one-out CIEDE2000 of the patches used."""
    ref = lab[used]
    matrix, predicted = fit.solve(rgb[used], lab_to_xyz(ref), fit.perceptual_weights(ref))
    return matrix, np.asarray(delta_e00(xyz_to_lab(predicted), ref))


def _culprit(rgb: F64, lab: F64, used: Mask, error: F64) -> int | None:
    """The patch without which the others agree far better, if there is one."""
    means = []
    for i in np.flatnonzero(used):
        without = used.copy()
        without[i] = False
        means.append(float(_errors(rgb, lab, without)[1].mean()))
    best = int(np.argmin(means))
    return best if means[best] < _HIDDEN_RATIO * float(error.mean()) else None


def _second_hearing(rgb: F64, lab: F64, used: Mask, asked: Mask) -> Mask:
    """Patches odd to a 3 x 3 fit that a richer fit on the others predicts.

    A camera whose colours are far from linear looks like a dirty patch otherwise.
    """
    if not asked.any() or used.sum() < _MIN_USED:
        return np.zeros(24, bool)
    terms: fit.Terms = "root-polynomial degree 2"
    ref = lab[used]
    rich = fit.expand(rgb, terms)
    matrix, others = fit.solve(rich[used], lab_to_xyz(ref), fit.perceptual_weights(ref))
    usual = float(np.median(delta_e00(xyz_to_lab(others), ref)))
    error = delta_e00(xyz_to_lab(rich @ matrix.T), lab)
    return np.asarray(asked & (error <= max(_OUTLIER_DELTA_E, _OUTLIER_RATIO * usual)))


def _light(rgb: F64, lab: F64, used: Mask, matrix: F64) -> F64:
    """Light over the patches as a slope in its logarithm, if the patches clearly tell of one."""
    y = np.maximum((rgb @ matrix.T)[used, 1], 1e-4)
    ratio = np.log(y / lab_to_xyz(lab)[used, 1])
    design = np.column_stack([np.ones(24), GRID - GRID.mean(axis=0)])
    part = design[used]
    slope, *_ = np.linalg.lstsq(part, ratio, rcond=None)
    error = ratio - part @ slope
    variance = float(error @ error) / (len(ratio) - 3)
    sure = slope[1:] ** 2 / (variance * np.diag(np.linalg.inv(part.T @ part))[1:])
    if sure.max() < _LIGHT_T**2:
        return np.ones(24)
    return np.asarray(np.exp(design[:, 1:] @ slope[1:]))


def _beyond(seen: Sample, values: F64, lab: F64, matrix: F64) -> Mask:
    """Patches whose colour is more saturated than the photo's own RGB can hold.

    They are cut off at the floor of one channel or two, where the other patches predict no
    signal either, and are what is expected in the rest.
    """
    expected = lab_to_xyz(lab) @ np.linalg.pinv(matrix).T @ seen.to_device.T
    got = values @ seen.to_device.T
    white = max(float(np.percentile(got, 95)), 1e-4)
    dark = seen.floored > _CUT_SHARE
    none = (expected < _BEYOND * white) & (got < _BEYOND_SEEN * white)
    near = np.abs(got - expected) < _BEYOND_AGREE * np.abs(expected) + _BEYOND * white
    return np.asarray(dark.any(axis=1) & ~dark.all(axis=1) & np.where(dark, none, near).all(axis=1))


def _kinds(rgb: F64, lab: F64, matrix: F64, bad: Mask) -> tuple[Mask, Mask]:
    """Which bad patches shine and which are covered."""
    added = (rgb @ matrix.T - lab_to_xyz(lab)) / WHITE_D50
    # Shine adds the light's own colour: the same share of white in X, Y and Z.
    even = np.ptp(added, axis=1) < 0.35 * np.abs(added).max(axis=1) + 0.01
    shine = (added.min(axis=1) > 0.01) & even
    return bad & shine, bad & ~shine


def _grey_falls(rgb: F64, used: Mask) -> bool:
    grey = rgb[fit.GREY_ROW][used[fit.GREY_ROW]]
    return bool((np.diff(grey, axis=0) < 0).all())
