"""Jobs on paper: inspections kept without an engine, so that the truth is what is written here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from fullhide.job import Job, load_job
from fullhide.record import KeptInspection, Record
from fullhide.result import ChartResult, Finding, Measure, PhotoResult, RegionResult

SIZE = (800, 600)
MM_PER_PX = 0.2
SEAT = ((60.0, 60.0), (500.0, 60.0), (500.0, 400.0), (60.0, 400.0))
SEAM = ((60.0, 430.0), (640.0, 430.0), (640.0, 470.0), (60.0, 470.0))
START, _HOURS = datetime(2026, 3, 14, tzinfo=UTC), count(1)
PART = '[[part]]\nname = "bench"\nregions = ["seat"]\n'
HEAD = """name = "Kestrel, galley bench"

[[under]]
name = "old green"
lab = [38.0, -28.0, 9.0]

"""


def spot(number: int, area_mm2: float | None, at: tuple[float, float], **changes: Any) -> Finding:
    """A finding whose box is a square of its area; of 20 pixels a side without one."""
    half = 10.0 if area_mm2 is None else max(3.0, area_mm2**0.5 / MM_PER_PX / 2.0)
    given: dict[str, Any] = {
        "id": number,
        "kind": "show_through",
        "under": "old green",
        "area_mm2": area_mm2,
        "delta_e": 12.0,
        "share": 0.6,
        "centre_px": at,
        "box_px": tuple(round(v) for v in (at[0] - half, at[1] - half, at[0] + half, at[1] + half)),
    }
    return Finding(**{**given, **changes})


def judged(verdict: Any, *spots: Finding, name: str = "seat", **changes: Any) -> RegionResult:
    """A region that was judged wholly and sharply, with nothing else in doubt."""
    largest = max((s.area_mm2 or 0.0 for s in spots), default=0.0)
    given: dict[str, Any] = {
        "name": name,
        "part": "bench",
        "kind": "panel",
        "proposed": False,
        "verdict": verdict,
        "reasons": (f"why it is {verdict}",),
        "measures": {
            "show_through_mm2": Measure(value=largest, u=0.1, limit=1.0, unit="mm²"),
            "uneven_delta_e": Measure(value=0.5, u=0.1, limit=2.0, unit="ΔE00"),
            "judged_share": Measure(value=1.0, u=None, limit=None, unit="1"),
        },
        "detectable_mm2": 0.4,
        "findings": spots,
    }
    return RegionResult(**{**given, **changes})


def photo(file: str, **keys: Any) -> str:
    """A [[photo]] table of the part `bench`."""
    told = {"part": "bench", **keys}
    lines = [f"{key} = {json.dumps(value)}" for key, value in told.items()]
    return "\n".join(["[[photo]]", f'file = "{file}"', *lines, ""])


def write_job(
    folder: Path,
    *photos: str,
    parts: str = PART,
    limits: str = "",
    outlines: Sequence[dict[str, Any]] | None = None,
) -> Job:
    """Write a job folder anew; a photo that is not there yet holds only its own name."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text(HEAD + parts + limits + "\n".join(photos), "utf-8")
    files = [
        line.split('"')[1] for text in photos for line in text.splitlines() if "file =" in line
    ]
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        if not (folder / file).exists():
            (folder / file).write_bytes(file.encode())
    if outlines is None:
        outlines = [outline(file, "seat") for file in files]
    collection = {"type": "FeatureCollection", "features": list(outlines)}
    (folder / "regions.geojson").write_text(json.dumps(collection), "utf-8")
    return load_job(folder)


def outline(
    file: str, name: str, ring: Sequence[tuple[float, float]] = SEAT, kind: str = "panel"
) -> dict[str, Any]:
    """A feature of regions.geojson."""
    return {
        "type": "Feature",
        "properties": {"photo": file, "name": name, "kind": kind},
        "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
    }


def result(job: Job, file: str, *regions: RegionResult, **changes: Any) -> PhotoResult:
    """What an engine would say of a photo of the job."""
    given: dict[str, Any] = {
        "file": file,
        "sha256": hashlib.sha256(job.path(file).read_bytes()).hexdigest(),
        "size_px": SIZE,
        "mm_per_px": MM_PER_PX,
        "chart": ChartResult(found=True, residual_delta_e=0.8, edition="after-2014"),
        "quality": {"flags": [], "light_from": "grey board"},
        "regions": regions,
    }
    return PhotoResult(**{**given, **changes})


def keep(
    job: Job,
    file: str,
    *regions: RegionResult,
    by: str = "Robin",
    at: str | None = None,
    run: str = "",
    **changes: Any,
) -> KeptInspection:
    """Keep an inspection of a photo, an hour after the last, in the outlines that the job has."""
    return Record(job.folder).add(
        job,
        result(job, file, *regions, **changes),
        outlines=job.outlines_of(file),
        by=by,
        at=at or f"{START + next(_HOURS) * timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ}",
        run=run,
    )


def moved(ring: Sequence[tuple[float, float]], by: tuple[float, float], scale: float = 1.0) -> Any:
    """A ring shifted and scaled, as another photo of the same part would show it."""
    points = np.array(ring) * scale + by
    return [(float(x), float(y)) for x, y in points]
