"""The masked line of a two-tone part: its pixels, its checks, its verdict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.edge import Named, edge
from fullhide.colour import lab_to_xyz
from fullhide.concluded import concluded
from fullhide.job import Colour, Job, PhotoEntry
from fullhide.outlines import RegionOutline
from fullhide.region import RegionView
from fullhide.result import RegionResult
from fullhide.robust import median
from fullhide.scene import Scene

__all__ = ["judge_edge"]

Box = tuple[int, int, int, int]

#: Codes out of 255 below which no colour can be told from its neighbours (our own choice).
_DARK_CODE = 10.0


def judge_edge(
    scene: Scene,
    outline: RegionOutline,
    *,
    job: Job,
    entry: PhotoEntry,
    seen: RegionView | None = None,
) -> tuple[RegionResult, NDArray[np.uint16] | None, Box]:
    """Check one edge; parameters and result as `judge.judge_region`.

    `seen` is another photo's look at it, laid on this one's pixels; its own if absent.
    """
    view = scene.view(outline, job.limits) if seen is None else seen
    flags = [*scene.flags]
    x0, y0, x1, y1 = view.box
    codes = scene.photo.encoded[y0:y1:8, x0:x1:8]
    brightest = float(median(codes.max(axis=-1).ravel())) if codes.size else 0.0
    if brightest < _DARK_CODE / 255.0 * float(np.iinfo(codes.dtype).max):
        flags.append("too_dark")
    if outline.properties.get("proposed", False):
        flags.append("carried" if outline.properties.get("carried") else "proposed")
    empty = RegionResult(
        name=outline.name,
        part=entry.part,
        kind=outline.kind,
        proposed=bool(outline.properties.get("proposed", False)),
        verdict=None,
        flags=tuple(flags),
    )
    if entry.stage == "before":
        why = "taken before the work: kept for the record, not judged"
        return replace(empty, reasons=(why,)), None, view.box
    outcomes = edge(
        view,
        under=[_named(colour) for colour in job.under],
        finish=_named(job.finish) if job.finish and scene.calibrated else None,
        limits=job.limits,
        blur_mm=scene.blur_px * scene.mm_per_px,
        scale_doubt=scene.scale_doubt,
    )
    return concluded(scene, view, view.judged, outcomes, empty, flags, job)


def _named(colour: Colour) -> Named:
    return Named(colour.name, lab_to_xyz(colour.lab))
