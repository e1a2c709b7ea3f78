"""A drawdown over a hiding chart, read from a photo with the 24-patch chart in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide._tint_data import Drawdown, Lab
from fullhide.background import background
from fullhide.checks.apart import LEVEL_APART, VEIL_LEFT, without_veil
from fullhide.checks.match import Patch, by_veil, lab_slope, patch_of
from fullhide.colour import xyz_to_lab
from fullhide.elsewhere import no_colour
from fullhide.errors import JobError
from fullhide.job import ChartSettings, Job, Limits, loose_job
from fullhide.judge import region_flags
from fullhide.opened import open_entry, prepared
from fullhide.outlines import RegionOutline
from fullhide.scene import Scene

__all__ = ["AREAS", "read_drawdown"]

Vector = NDArray[np.float64]
Box = tuple[float, float, float, float]

#: What of a hiding chart is looked at, in the order of `Drawdown.modes`.
AREAS = ("black", "white", "over_black", "over_white")
_SAYS = {
    "black": "the bare black",
    "white": "the bare white",
    "over_black": "the film over black",
    "over_white": "the film over white",
}
_FEWEST_PIXELS = 150
#: How much of what the chart's fit leaves is the same for all four colours, of its variance (own
#: choice).
_SHARED = 0.5


def read_drawdown(
    file: Path,
    boxes: Mapping[str, Box],
    *,
    chart: ChartSettings,
    share: float,
    grey_board: Path | None = None,
) -> Drawdown:
    """Read the four areas of a hiding chart.

    Parameters
    ----------
    file
        The photo.
    boxes
        By the names of `AREAS`: left, top, right and bottom in pixels of the upright photo.
    chart
        Which chart lies in it.
    share
        Part of the film that is the tinter or the dye.
    grey_board
        A photo of a plain grey board in the same light.

    Returns
    -------
    Drawdown
        With its own grounds, and what is in doubt of the four colours together.

    Raises
    ------
    FullhideError
        If the photo cannot be opened, or tells no colour there.
    """
    job = _job(file, boxes, chart, grey_board)
    (entry,) = job.photos
    ready = prepared(open_entry(job, entry), job, entry)
    scene = ready.scene
    outlines = {outline.name: outline for outline in ready.outlines}  # those in the picture
    patches = [without_veil(_patch(file, scene, outlines.get(name), name)) for name in AREAS]
    labs = [xyz_to_lab(patch.xyz) for patch in patches]
    black, white, over_black, over_white = (_lab(lab) for lab in labs)
    return Drawdown(
        over_black=over_black,
        over_white=over_white,
        share=share,
        grounds=(black, white),
        modes=_modes(patches, scene),
    )


def _job(
    file: Path, boxes: Mapping[str, Box], chart: ChartSettings, grey_board: Path | None
) -> Job:
    """The photo with its areas outlined, and the whole card, which is no surrounding."""
    corners = np.array([boxes[name] for name in AREAS])
    whole = (*corners[:, :2].min(axis=0), *corners[:, 2:].max(axis=0))
    outlines = []
    for name, (x0, y0, x1, y1) in (*((name, boxes[name]) for name in AREAS), ("card", whole)):
        ring = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)
        outlines.append(RegionOutline(photo=str(file), name=name, kind="panel", polygon=ring))
    job = loose_job([file], chart=chart)
    if job.problems:
        raise job.problems[0]
    entry = replace(job.photos[0], grey_board=None if grey_board is None else str(grey_board))
    return replace(job, photos=(entry,), outlines=tuple(outlines), outlined=frozenset({str(file)}))


def _patch(file: Path, scene: Scene, outline: RegionOutline | None, name: str) -> Patch:
    """The colour of one area."""
    what = _SAYS[name]
    view = None if outline is None else scene.view(outline, Limits())
    if outline is None or view is None or view.judged.sum() < _FEWEST_PIXELS:
        raise JobError(
            file, f"shows too little of {what} in its box", "give pixels of the upright photo"
        )
    flags = {*scene.flags, *region_flags(scene, view, outline, Limits())}
    if name == "black":  # it is dark by its nature; its doubt is drawn with the rest
        flags -= {"too_dark", "noisy_colour"}
    if problem := no_colour(scene, flags):
        raise JobError(file, f"tells no colour of {what} ({problem})", "take it again")
    return patch_of(view, background(view))


def _modes(patches: list[Patch], scene: Scene) -> Vector:
    """What moves the four Labs together, (modes, 4, 3), each by one standard normal number."""
    level = LEVEL_APART[scene.field.source]
    modes = [
        np.stack([level * lab_slope(patch.xyz).sum(axis=1) for patch in patches]),
        np.stack([VEIL_LEFT * by_veil(patch) for patch in patches]),
    ]
    fit = np.stack([scene.fit.u_lab(xyz_to_lab(patch.xyz)) for patch in patches])
    for axis in range(3):
        along = np.eye(3)[axis]
        modes.append(np.sqrt(_SHARED) * fit * along)
        for area, patch in enumerate(patches):
            only = np.zeros((len(patches), 3))
            only[area] = np.sqrt(1.0 - _SHARED) * fit[area] * along
            modes.append(only)
            slope = lab_slope(patch.xyz)
            scatter = slope @ patch.scatter @ slope.T
            own = np.zeros((len(patches), 3))
            own[area] = np.linalg.cholesky(scatter + 1e-9 * np.eye(3))[:, axis]
            modes.append(own)
    return np.stack(modes)


def _lab(lab: NDArray[Any]) -> Lab:
    lightness, a, b = lab.tolist()
    return lightness, a, b
