"""One region: its pixels, its checks, its verdict and the reasons for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.background import Background, background
from fullhide.checks.apart import (
    MATCH_APART,
    Calibrated,
    Reference,
    match_apart,
    match_typed,
)
from fullhide.checks.double import without_double
from fullhide.checks.evenness import evenness
from fullhide.checks.match import Patch, match, mean_patch, patch_of
from fullhide.checks.outcome import Outcome
from fullhide.checks.steady import steady
from fullhide.checks.texture import texture
from fullhide.checks.thin import thin_coats
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.concluded import concluded
from fullhide.job import Job, Limits, PhotoEntry, TypedReference
from fullhide.judge_edge import judge_edge
from fullhide.judge_sheen import judge_sheen
from fullhide.judge_show import judge_show
from fullhide.outlines import RegionOutline
from fullhide.quality import blocking
from fullhide.region import RegionView
from fullhide.result import Measure, RegionResult, Verdict
from fullhide.robust import median
from fullhide.scene import Scene, Seen
from fullhide.verdict import JUDGED_SHARE

__all__ = [
    "BLUR_OVER_SPOT",
    "BURNT_OVER_LIMIT",
    "Scene",
    "Seen",
    "judge_region",
    "reference_colour",
    "region_flags",
]

Vector = NDArray[np.float64]
Polygon = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: A pass has no burnt-out patch over this part of the limit's area: a pale colour beneath is the
#: first to burn out (our own choice).
BURNT_OVER_LIMIT = 0.5
#: Width at half height of the blur over the limit's spot that is too much (our own choice).
BLUR_OVER_SPOT = 1.25
#: Less of a region than this tells nothing of its evenness (our own choice).
_EVEN_SHARE = 0.5
#: Codes out of 255 below which a colour cannot be told from its neighbours (our own choice).
_DARK_CODE = 10.0
#: Spread of a region's pixels over their mean, in its noisiest channel, from which its average is
#: off by a camera's curve: rendered pairs from 0.54 on were off by 2 to 11 ΔE, up to 0.47 by less
#: than 1.2 (our own choice); and the side of the piece that is looked at, pixels.
_NOISE_OVER_COLOUR = 0.5
_NOISE_PIECE_PX = 384
_FEWEST_PIXELS = 150
#: A proposed outline may lie this far beyond the part, mm (our own choice).
_PROPOSED_RIM_MM = 2.0


def reference_colour(
    scene: Scene, outlines: Sequence[RegionOutline], limits: Limits | None = None
) -> Patch | None:
    """Colour of the photo's reference regions together, and their highlights if `limits` ask."""
    found = []
    for outline in outlines:
        if outline.kind == "reference":
            usual = Limits()
            view = scene.view(outline, usual)
            if view.judged.sum() >= _FEWEST_PIXELS:
                patch = patch_of(view, background(view))
                if limits is not None and limits.sheen is not None:
                    own = view
                    if limits.show_through_mm2 != usual.show_through_mm2:
                        own = scene.view(outline, limits)  # in pixels of the panel's size
                    patch = replace(patch, shines=scene.shines(own))
                found.append(patch)
    return mean_patch(found) if found else None


def judge_region(
    scene: Scene,
    outline: RegionOutline,
    *,
    job: Job,
    entry: PhotoEntry,
    reference: Patch | Reference | TypedReference | None,
    seen: Seen | None = None,
) -> tuple[RegionResult, NDArray[np.uint16] | None, Box]:
    """Check one region.

    Parameters
    ----------
    scene
        The photo.
    outline
        A panel, seam, edge or reference.
    job, entry
        Colours, limits, part and stage.
    reference
        Colour of the photo's reference part, what another photo shows of one, or a typed one; None
        without any.
    seen
        The region as several photos show it together; as `scene` shows it if absent.

    Returns
    -------
    result, labels, box
        The findings, numbered from 1, in the pixels of a box of the photo; None if there are
        none.
    """
    if outline.kind == "edge":
        return judge_edge(scene, outline, job=job, entry=entry)
    view = seen.view if seen else scene.view(outline, job.limits)
    flags = [*(name for name in scene.flags), *region_flags(scene, view, outline, job.limits)]
    empty = RegionResult(
        name=outline.name,
        part=entry.part,
        kind=outline.kind,
        proposed=bool(outline.properties.get("proposed", False)),
        verdict=None,
        flags=tuple(flags),
    )
    if view.judged.sum() < _FEWEST_PIXELS:
        flags.append("region_small")
        reasons = tuple(wording.flag_reasons(flags))
        judged = outline.kind != "reference" and entry.stage != "before"
        verdict: Verdict | None = "retake" if judged else None
        return replace(empty, verdict=verdict, reasons=reasons, flags=tuple(flags)), None, view.box
    if seen:
        ground = seen.ground
    else:
        ground = background(view, beneath=[lab_to_xyz(under.lab) for under in job.under])
    colour = {"lab": xyz_to_lab(ground.finish)}
    if outline.kind == "reference" or entry.stage == "before":
        why = (
            "untouched reference: nothing to judge"
            if outline.kind == "reference"
            else "taken before the work: kept for the record, not judged"
        )
        return replace(empty, reasons=(why,), measures=_lab_measures(colour["lab"])), None, view.box
    airbag = job.airbag(entry.part) or wording.may_hold_airbag(outline.name, entry.part)
    outcomes = _outcomes(scene, view, ground, job, airbag=airbag)
    if not view.is_seam and reference is not None:
        outcomes.extend(_match(scene, view, ground, job, reference, outline.name, flags))
    if not view.is_seam and job.limits.sheen is not None:
        own = scene.view(outline, job.limits) if seen else view
        outcomes += judge_sheen(
            scene,
            own,
            ground.judged,
            outcomes,
            job=job,
            reference=reference,
            seen=seen,
            airbag=airbag,
        )
    if seen:
        outcomes = [steady(outcome, seen.changed) for outcome in outcomes]
    if "proposed" in flags:
        rim = _rim(view)
        outcomes = [steady(outcome, rim) for outcome in outcomes]
    return concluded(scene, view, ground.judged, outcomes, empty, flags, job)


def _rim(view: RegionView) -> NDArray[np.bool_]:
    """Where a proposed outline may run beyond the part: what stands out there is in doubt."""
    width = 2 * int(np.ceil(_PROPOSED_RIM_MM / view.mm_per_px)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width))
    well = cv2.erode(view.inside.astype(np.uint8), kernel, borderValue=0)
    return np.asarray(view.inside & (well == 0), bool)


def _lab_measures(lab: Vector) -> dict[str, Measure]:
    return {
        name: Measure(value=float(value), u=None, limit=None, unit="CIE D50")
        for name, value in zip(("L", "a", "b"), lab, strict=True)
    }


def region_flags(
    scene: Scene, view: RegionView, outline: RegionOutline, limits: Limits
) -> list[str]:
    """Doubts about one region, as names out of `quality.FLAGS`."""
    flags = []
    across = 2.0 * float(np.sqrt(limits.show_through_mm2 / np.pi))
    if scene.scaled and scene.mm_per_px * 3.0 > across:
        flags.append("too_far")
    if scene.scaled and scene.blur_px * 2.355 * scene.mm_per_px > BLUR_OVER_SPOT * across:
        flags.append("out_of_focus")
    x0, y0, x1, y1 = view.box
    codes = scene.photo.encoded[y0:y1:8, x0:x1:8]
    if codes.size:
        middle = float(median(codes.max(axis=-1).ravel()))
        if middle < _DARK_CODE / 255.0 * float(np.iinfo(codes.dtype).max):
            flags.append("too_dark")
        if outline.kind != "seam" and _spread(scene, view) > _NOISE_OVER_COLOUR:
            flags.append("noisy_colour")
    inside = max(1.0, float(view.inside.sum()))
    black = view.inside & ~view.judged & ~view.clipped
    if float(black.sum()) / inside > 1 - JUDGED_SHARE:
        flags.append("too_dark")
    if view.clipped.any():
        blind = view.clipped.astype(np.uint8)
        _, _, stats, _ = cv2.connectedComponentsWithStats(blind, connectivity=8)
        largest = float(stats[1:, cv2.CC_STAT_AREA].max()) * view.mm_per_px**2
        share = float(blind.sum()) / inside
        if share > 1 - JUDGED_SHARE or largest > BURNT_OVER_LIMIT * limits.show_through_mm2:
            flags.append("clipped")
    if outline.properties.get("proposed", False):
        flags.append("carried" if outline.properties.get("carried") else "proposed")
    return flags


def _spread(scene: Scene, view: RegionView) -> float:
    """Standard deviation over mean of the channel that is worst off, from a middle piece."""
    x0, y0, x1, y1 = view.box
    x, y = (x0 + x1) // 2, (y0 + y1) // 2
    half = _NOISE_PIECE_PX // 2
    piece = (max(x0, x - half), max(y0, y - half), min(x1, x + half), min(y1, y + half))
    mean, sd = cv2.meanStdDev(np.ascontiguousarray(scene.photo.linear(piece)))
    return float((sd / np.maximum(mean, 1e-6)).max())


def _outcomes(
    scene: Scene,
    view: RegionView,
    ground: Background,
    job: Job,
    *,
    airbag: bool,
) -> list[Outcome]:
    outcomes, pairs = judge_show(scene, view, ground, job, airbag=airbag)
    if not view.is_seam:
        look = texture(
            view.xyz,
            ground.judged,
            finish=ground.finish,
            mm_per_px=view.mm_per_px,
            factor=view.factor,
            flat=scene.field.source != "none",
        )
        if pairs:
            bare_spots = [n for n, spot in enumerate(outcomes[0].spots, 1) if not spot.film]
            labels = outcomes[0].labels
            thin = thin_coats(
                view,
                ground.judged,
                look,
                pairs=pairs,
                limits=job.limits,
                shown=None if labels is None else np.isin(labels, bare_spots),
            )
            outcomes[0], thin = without_double(
                outcomes[0], thin, pairs=pairs, mm_per_px=view.mm_per_px, limits=job.limits
            )
            outcomes.append(thin)
        if ground.judged.sum() >= _EVEN_SHARE * view.inside.sum():
            outcomes.append(
                evenness(
                    look,
                    limits=job.limits,
                    light_doubt=scene.field.doubt,
                    flat=scene.field.source != "none",
                    airbag=airbag,
                )
            )
    return outcomes


def _match(
    scene: Scene,
    view: RegionView,
    ground: Background,
    job: Job,
    reference: Patch | Reference | TypedReference,
    name: str,
    flags: Sequence[str],
) -> list[Outcome]:
    """The panel against the reference in this photo, or else a typed one or one in another."""
    patch = patch_of(view, ground)
    if isinstance(reference, Patch):
        return [match(patch, reference, light_doubt=scene.field.doubt, limits=job.limits)]
    if isinstance(reference, Reference) and name in reference.beside:
        return []
    finish = None
    if scene.calibrated:
        finish = Calibrated(patch=patch, fit=scene.fit, light=scene.field.source)
    doubts = [flag.says for check in MATCH_APART for flag in blocking(flags, check)]
    if isinstance(reference, TypedReference):
        return [match_typed(finish, reference, doubts=doubts, limits=job.limits)]
    return [match_apart(finish, reference, doubts=doubts, limits=job.limits)]
