"""A small job on disk for the viewer's tests; its truth is our own phantom's."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from staged import CHART_MM, CLEAN, FOX, GREEN, LEFT, ONE_SPOT, RIGHT, rendered

from fullhide.engine import Inspection, inspect_photo
from fullhide.job import load_job
from fullhide.phantom import save_photo

__all__ = ["FILES", "inspected", "job_folder"]

FILES = ("photos/left.png", "photos/right.png")

_TOML = f"""
name = "Plover, saloon berth"
[[under]]
name = "{GREEN[0]}"
lab = {list(GREEN[1])}
[finish]
name = "fox brown"
lab = {list(FOX)}
[chart]
width_mm = {CHART_MM}
[[photo]]
file = "{FILES[0]}"
part = "berth, left"
[[photo]]
file = "{FILES[1]}"
part = "berth, right"
"""


def job_folder(folder: Path) -> Path:
    """Two photos: one spot in the dyed half of the first, none in the second."""
    (folder / "photos").mkdir(parents=True)
    for scene, file in zip((ONE_SPOT, CLEAN), FILES, strict=True):
        save_photo(rendered(scene), folder / file)
    (folder / "job.toml").write_text(_TOML)
    features = [
        {
            "type": "Feature",
            "id": f"kept {number}",
            "properties": {
                "photo": file,
                "name": outline.name,
                "kind": outline.kind,
                "note": "ours",
            },
            "geometry": {
                "type": "Polygon",
                "coordinates": [[*outline.polygon.tolist(), outline.polygon[0].tolist()]],
            },
        }
        for number, (file, outline) in enumerate((file, o) for file in FILES for o in (LEFT, RIGHT))
    ]
    document = {"type": "FeatureCollection", "features": features, "shop": "kept too"}
    (folder / "regions.geojson").write_text(json.dumps(document))
    return folder


@cache
def inspected(folder: Path, index: int) -> Inspection:
    """What the engine finds; once a test run for each folder."""
    job = load_job(folder)
    return inspect_photo(job, job.photos[index])
