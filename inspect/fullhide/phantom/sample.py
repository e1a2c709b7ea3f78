"""Write the example jobs that ship with the project: photos, outlines, job files, truth."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ..files import ready_folder, write_bytes
from ..wording import may_hold_airbag
from ._sample_scenes import JOBS, SampleJob, SamplePhoto, SampleRegion
from ._save import save_photo
from ._truth import SpotTruth, Truth
from .render import render
from .scene import Point

__all__ = ["QUALITY", "write_samples"]

QUALITY = 94
_BOARD = "photos/board.jpg"


def write_samples(folder: Path) -> list[Path]:
    """Write every example job below `folder`.

    Parameters
    ----------
    folder
        Made if need be.  Files of the same names are replaced.

    Returns
    -------
    list of Path
        The job folders written.

    Raises
    ------
    OutputError
        If something cannot be written.
    """
    return [_write_job(job, ready_folder(folder / job.folder)) for job in JOBS]


def _write_job(job: SampleJob, folder: Path) -> Path:
    ready_folder(folder / "photos")
    features: list[dict[str, Any]] = []
    truths: list[dict[str, object]] = []
    for photo in job.photos:
        rendering = render(photo.scene)
        save_photo(rendering, folder / photo.file, quality=QUALITY)
        regions = photo.regions(rendering.truth)
        features += [_feature(photo, region) for region in regions]
        truths.append(_photo_truth(photo, regions, rendering.truth))
    save_photo(render(job.base.grey_board()), folder / _BOARD, quality=QUALITY)
    write_bytes(folder / "job.toml", _job_toml(job, features).encode())
    outlines = {"type": "FeatureCollection", "features": features}
    write_bytes(folder / "regions.geojson", _json(outlines))
    note = "Known by construction: fullhide.phantom rendered these photographs."
    write_bytes(folder / "truth.json", _json({"note": note, "photos": truths}))
    return folder


def _json(value: object) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False) + "\n").encode()


def _feature(photo: SamplePhoto, region: SampleRegion) -> dict[str, Any]:
    ring = [[round(x, 1), round(y, 1)] for x, y in region.polygon_px]
    return {
        "type": "Feature",
        "properties": {"photo": photo.file, "name": region.name, "kind": region.kind},
        "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
    }


def _photo_truth(
    photo: SamplePhoto, regions: tuple[SampleRegion, ...], truth: Truth
) -> dict[str, object]:
    corners = truth.chart_corners_px
    return {
        "file": photo.file,
        "note": photo.note,
        "mm_per_px": truth.mm_per_px,
        "finish_lab": [round(v, 3) for v in truth.finish_lab],
        "chart_corners_px": None if corners is None else corners.round(2).tolist(),
        "regions": [
            {
                "name": region.name,
                "kind": region.kind,
                "expected": region.expected or None,
                "because": region.because or None,
                "spots": [_spot(spot) for spot in truth.spots if _belongs(spot, region, regions)],
            }
            for region in regions
        ],
    }


def _belongs(spot: SpotTruth, region: SampleRegion, regions: tuple[SampleRegion, ...]) -> bool:
    """Whether a spot counts for a region: what an ignore outline holds counts for that only."""
    if not within(spot.centre_px, region.polygon_px):
        return False
    ignored = any(r.kind == "ignore" and within(spot.centre_px, r.polygon_px) for r in regions)
    return region.kind == "ignore" or not ignored


def _spot(spot: SpotTruth) -> dict[str, object]:
    record = asdict(spot)
    for key, value in record.items():
        if isinstance(value, float):
            record[key] = round(value, 3)
        elif isinstance(value, tuple):
            record[key] = [round(v, 2) for v in value]
    return record


def within(point: Point, polygon: tuple[Point, ...]) -> bool:
    """Whether a point lies inside a polygon."""
    import cv2
    import numpy as np

    ring = np.array(polygon, np.float32).reshape(-1, 1, 2)
    return bool(cv2.pointPolygonTest(ring, point, False) >= 0)


def _lab(values: tuple[float, float, float]) -> str:
    return "[" + ", ".join(f"{v:.1f}" for v in values) + "]"


_HEAD = """\
# An example job.  Copy this folder, put your own photos in, change the lines below.
# Colours are CIE Lab (D50, 2 degree), as a colour meter shows them.
# Nothing here was photographed: the pictures are rendered, so that the truth is known
# (see truth.json).  Parts and names are invented.

name = "{name}"

# Every colour that must not show, old dye and transition coats alike.
# Measure it before the first coat, or from the chart in a photo of the old part.
{under}
# The colour asked for.  Leave it out, and each region is held against itself only.
[finish]
name = "{finish_name}"
lab = {finish}

# The 24-patch chart in the photos.  Its width gives millimetres: measure the whole
# board from edge to edge, along the rows of six.
[chart]
edition = "after-2014"  # printed on the board; "before-2014" for older ones
width_mm = {width:.1f}

# What still passes.  These are the defaults: leave the table out to keep them.
[limits]
show_through_delta_e = 3.0  # a spot counts from this CIEDE2000 against what is round it,
show_through_mm2 = 1.0      # from this area on
uneven_delta_e = 2.0        # large patches against the region's own colour
match_delta_e = 2.0         # a panel against a `reference` region in the same photo
confidence = 0.95           # how sure a verdict must be; less sure is a retake

# Who does the work: stands on the report and the touch-up sheet.
[shop]
name = "Example trim shop"
# logo = "logo.png"     # PNG or JPEG, in this folder

# What has to be photographed, and to pass, before a part may go back in: the outlines'
# names.  What nobody photographs is then missing, not passed.
{parts}
# One entry a photo.  Outlines of the regions are in regions.geojson.
"""


def _parts(job: SampleJob, features: Sequence[Mapping[str, Any]]) -> str:
    """What each part's photos show that is to be judged, as [[part]] tables."""
    names: dict[str, dict[str, list[str]]] = {}
    parts = {photo.file: photo.part for photo in job.photos}
    for one in (feature["properties"] for feature in features):
        if one["kind"] in ("panel", "seam"):
            kinds = names.setdefault(parts[one["photo"]], {"panel": [], "seam": []})
            kinds[one["kind"]].append(one["name"])
    told = []
    for part, kinds in names.items():
        lines = ["[[part]]", f'name = "{part}"']
        for key, kind in (("regions", "panel"), ("seams", "seam")):
            if kinds[kind]:
                lines.append(f"{key} = {json.dumps(kinds[kind])}")
        if may_hold_airbag(part):
            lines.append("airbag = true  # it may hold one: no work is advised there")
        told.append("\n".join(lines) + "\n")
    return "\n".join(told)


def _job_toml(job: SampleJob, features: Sequence[Mapping[str, Any]]) -> str:
    scene = job.base
    under = "".join(
        f'[[under]]\nname = "{name}"\nlab = {_lab(lab)}\n\n' for name, lab in scene.under
    )
    head = _HEAD.format(
        name=job.name,
        under=under.removesuffix("\n"),
        finish_name=job.finish_name,
        finish=_lab(scene.finish),
        parts=_parts(job, features),
        width=scene.chart.width_mm if scene.chart is not None else 100.0,
    )
    return head + "\n".join(_entry(photo) for photo in job.photos)


def _entry(photo: SamplePhoto) -> str:
    lines = ["[[photo]]", f"# {photo.note}", f'file = "{photo.file}"', f'part = "{photo.part}"']
    lines.append(f'stage = "{photo.stage}"')
    if photo.coat is not None:
        lines.append(f"coat = {photo.coat}")
    if photo.grey_board is not None:
        lines.append(f'grey_board = "{photo.grey_board}"')
    return "\n".join(lines) + "\n"
