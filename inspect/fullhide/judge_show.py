"""Show-through in one region: spots of a colour beneath, a stripe along a seam, or all of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.background import Background
from fullhide.checks.outcome import Outcome
from fullhide.checks.show_through import show_through
from fullhide.checks.stripe import whole_stripe
from fullhide.colour import delta_e00, lab_to_xyz, xyz_to_lab
from fullhide.job import Colour, Job
from fullhide.region import RegionView
from fullhide.scene import Scene
from fullhide.surface import Pair, Veil, colour_pair, veil_over
from fullhide.undyed import whole_region
from fullhide.verdict import combine

__all__ = ["finish_of", "judge_show"]

Vector = NDArray[np.float64]

#: From here on the region has another finish than the one asked for (our own choice, ΔE00).
_OTHER_FINISH = 15.0
#: Relative doubt of the light on the part against that on the chart, by what is known of the light
#: (our own allowances: a part lies higher than the chart and bends).
_LIGHT_DOUBT = {"grey board": 0.1, "neutral surround": 0.15, "none": 0.3}
#: The same of the camera's exposure where no chart tells it.
_NO_CHART_DOUBT = 0.5
#: A stripe over more of a seam than this is the whole seam; beside one, marks smaller than this
#: part of it are not told: they are its own edges, on a background that it spoilt (our choices).
_WHOLE, _BESIDE = 0.8, 0.1


def judge_show(
    scene: Scene, view: RegionView, ground: Background, job: Job, *, airbag: bool
) -> tuple[list[Outcome], list[Pair]]:
    """Look for colours beneath.

    Parameters
    ----------
    scene, view, ground
        The photo, the region's pixels and its spot-free look.
    job
        Colours and limits.
    airbag
        Whether the region may hold an airbag.

    Returns
    -------
    outcomes, pairs
        What was found, and the pairs of colours for further checks; none where the region is not
        the finish.
    """
    if not job.under:
        told = Outcome(check="show_through", verdict="retake", reasons=(wording.NO_UNDER,))
        return [told], []
    whole = _undyed(scene, view, ground, job, airbag=airbag)
    stripe = _stripe(scene, view, ground, job)
    if whole is not None and stripe is not None and stripe.labels is not None:
        part = float((stripe.labels > 0).sum()) / max(1, int(ground.judged.sum()))
        if part < _WHOLE or whole.verdict != "fail":
            return [stripe], []  # there is no background to tell spots by
    if whole is not None and (whole.verdict == "fail" or job.finish is None):
        return [whole], []
    pairs = _pairs(scene, ground, job, job.under)
    spots = _spots(scene, view, ground, job, pairs)
    if stripe is not None:
        spots = _joined(spots, stripe)
    return [spots, *([whole] if whole is not None else [])], pairs


def _spots(
    scene: Scene, view: RegionView, ground: Background, job: Job, pairs: Sequence[Pair]
) -> Outcome:
    return show_through(
        view,
        ground,
        pairs=pairs,
        allowed=_pairs(scene, ground, job, job.thread),
        limits=job.limits,
        blur_mm=scene.blur_px * scene.mm_per_px,
        scale_doubt=scene.scale_doubt,
    )


def _stripe(scene: Scene, view: RegionView, ground: Background, job: Job) -> Outcome | None:
    if not (view.is_seam and job.finish and scene.calibrated):
        return None
    return whole_stripe(
        view,
        ground.judged,
        finish=lab_to_xyz(job.finish.lab),
        beneath=[(under.name, lab_to_xyz(under.lab)) for under in job.under],
        light_doubt=_LIGHT_DOUBT[scene.field.source],
        limits=job.limits,
    )


def _joined(spots: Outcome, stripe: Outcome) -> Outcome:
    """One outcome of a stripe and of the spots that are not part of it."""
    (whole,) = stripe.spots
    if spots.labels is None or stripe.labels is None:
        return replace(spots, verdict="fail", spots=(whole,), labels=stripe.labels)
    covered = stripe.labels > 0
    kept = [
        n
        for n, spot in enumerate(spots.spots, 1)
        if spot.area_mm2 >= _BESIDE * whole.area_mm2
        and 2 * int((spots.labels[covered] == n).sum()) < int((spots.labels == n).sum())
    ]
    table = np.zeros(len(spots.spots) + 1, np.uint16)
    table[kept] = np.arange(2, len(kept) + 2)
    labels = table[spots.labels]
    labels[covered] = 1
    beside = [spots.spots[n - 1] for n in kept]
    measures = dict(spots.measures)
    size = measures.get("show_through_mm2")
    if size is not None:
        largest = max([whole, *beside], key=lambda spot: spot.area_mm2)
        measures["show_through_mm2"] = replace(size, value=largest.area_mm2, u=largest.area_u_mm2)
    return replace(
        spots,
        verdict=combine([stripe.verdict, *(spot.verdict for spot in beside)]),
        measures=measures,
        spots=(whole, *beside),
        labels=labels,
    )


def _undyed(
    scene: Scene, view: RegionView, ground: Background, job: Job, *, airbag: bool
) -> Outcome | None:
    """The whole region, if it is not the finish, or may not be."""
    doubt = _LIGHT_DOUBT[scene.field.source] if scene.calibrated else _NO_CHART_DOUBT
    return whole_region(
        ground.finish,
        finish=job.finish,
        under=job.under,
        light_doubt=doubt,
        dim=view.is_seam,
        airbag=airbag,
        calibrated=scene.calibrated,
    )


def finish_of(scene: Scene, ground: Background, job: Job) -> tuple[Vector, Veil]:
    """XYZ of the finish in the light that the other colours' values are given for, and its veil."""
    if not job.finish:
        return ground.finish, Veil()
    asked = lab_to_xyz(job.finish.lab)
    if not scene.calibrated:
        return asked, Veil()
    if float(delta_e00(xyz_to_lab(ground.finish), xyz_to_lab(asked))) >= _OTHER_FINISH:
        return ground.finish, Veil()
    # The region may lie in less light than the chart: both colours of a pair must be taken in
    # the same light.
    shading, veil = veil_over(ground.finish, asked, light_doubt=_LIGHT_DOUBT[scene.field.source])
    finish: Vector = np.maximum(ground.finish / shading - veil.light, 0.5 * asked)
    return finish, veil


def _pairs(scene: Scene, ground: Background, job: Job, colours: Sequence[Colour]) -> list[Pair]:
    """Pairs of the finish with each colour that can be seen on it."""
    finish, veil = finish_of(scene, ground, job)
    limit = job.limits.show_through_delta_e
    made = [
        colour_pair(colour.name, finish, lab_to_xyz(colour.lab), limit_delta_e=limit, veil=veil)
        for colour in colours
    ]
    return [pair for pair in made if np.isfinite(pair.share_at_limit)]
