"""A job on paper: photos of plain noise, and inspections kept of them without an engine.

What the pages are held against is written here, so it is our own truth.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from fullhide.checks.match import Patch, match
from fullhide.colour import lab_to_xyz
from fullhide.job import Job, Limits, load_job
from fullhide.outlines import RegionOutline
from fullhide.record import KeptInspection, Record
from fullhide.result import ChartResult, Finding, Measure, PhotoResult, RegionResult

SIZE = (800, 600)
MM_PER_PX = 0.2
SEAT = ((60.0, 60.0), (500.0, 60.0), (500.0, 400.0), (60.0, 400.0))
SEAM = ((60.0, 430.0), (640.0, 430.0), (640.0, 470.0), (60.0, 470.0))
#: Words that would be markup, code or a formula, if anything took them so.
NASTY = '<script>alert("x")</script> & #panic("x") $x$ *b* _i_ {{ 7*7 }}'
JOB = f"""
name = 'Kestrel {NASTY}'

[shop]
name = "Harbour & Sons <trim>"
logo = "logo.png"

[[under]]
name = "old green"
lab = [38.0, -28.0, 9.0]

[limits]
show_through_mm2 = 1.0

[[part]]
name = "bench, right"
regions = ["seat"]
seams = ["front seam"]

[[part]]
name = "seat, bolster"
regions = ["=bolster()"]

[[part]]
name = "backrest"
regions = ["back"]
"""


def photo_bytes(colour: tuple[int, int, int], seed: int, size: tuple[int, int] = SIZE) -> bytes:
    grain = np.random.default_rng(seed).normal(0, 6, (size[1], size[0], 1))
    pixels = np.clip(np.array(colour) + grain, 0, 255).astype(np.uint8)
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=85)
    return stream.getvalue()


def finding(number: int, area_mm2: float, at: tuple[float, float], **changes: Any) -> Finding:
    half = max(4.0, (area_mm2**0.5) / MM_PER_PX / 2)
    given: dict[str, Any] = {
        "id": number,
        "kind": "show_through",
        "under": "old green",
        "area_mm2": area_mm2,
        "delta_e": 12.0,
        "share": 0.6,
        "centre_px": at,
        "box_px": tuple(int(v) for v in (at[0] - half, at[1] - half, at[0] + half, at[1] + half)),
    }
    return Finding(**{**given, **changes})


def region(name: str, verdict: Any, *findings: Finding, **changes: Any) -> RegionResult:
    given: dict[str, Any] = {
        "name": name,
        "part": "bench, right",
        "kind": "panel",
        "proposed": False,
        "verdict": verdict,
        "reasons": (f"reason for {verdict} <b>bold</b>",),
        "measures": {
            "show_through_mm2": Measure(
                value=max((f.area_mm2 or 0 for f in findings), default=0.0),
                u=0.3,
                limit=1.0,
                unit="mm²",
            ),
            "uneven_delta_e": Measure(value=0.742, u=0.04, limit=2.0, unit="ΔE00"),
            "judged_share": Measure(value=1.0, u=None, limit=None, unit="1"),
        },
        "detectable_mm2": 0.42,
        "findings": findings,
    }
    return RegionResult(**{**given, **changes})


def with_match(
    result: RegionResult,
    lab: tuple[float, float, float] = (47.0, 22.0, 26.0),
    reference: tuple[float, float, float] = (46.0, 21.0, 28.0),
) -> RegionResult:
    """A region that was held against a reference."""
    one, two = (Patch(xyz=lab_to_xyz(value)) for value in (lab, reference))
    outcome = match(one, two, light_doubt=0.01, limits=Limits())
    return replace(result, measures={**result.measures, **outcome.measures})


@dataclass(frozen=True)
class Shot:
    """One photo of the job."""

    file: str
    regions: tuple[RegionResult, ...]
    part: str = "bench, right"
    stage: str = "final"
    colour: tuple[int, int, int] = (140, 85, 60)


SPOTS = (
    finding(1, 37.0, (400.0, 120.0)),
    finding(2, 15.0, (150.0, 300.0)),
    finding(3, 9.5, (300.0, 200.0)),
)
GAP = finding(4, 53.0, (200.0, 450.0), under="white coat", along_seam_mm=(20.0, 39.0))
SHOTS = (
    Shot(
        "photos/before.jpg",
        (region("seat", None), region("front seam", None, kind="seam")),
        stage="before",
        colour=(70, 105, 80),
    ),
    Shot(
        "photos/right_1.jpg",
        (region("seat", "fail", *SPOTS), region("front seam", "fail", GAP, kind="seam")),
    ),
    Shot(
        "photos/right_2.jpg",
        (
            region(
                "seat", "fail", finding(1, 14.0, (400.0, 120.0)), finding(2, 2.5, (150.0, 300.0))
            ),
            region("front seam", "pass", kind="seam"),
        ),
    ),
    Shot(
        "photos/bolster.jpg",
        (
            region(
                "=bolster()",
                "fail",
                finding(1, 54.0, (200.0, 200.0), kind="thin_coat"),
                finding(2, 7.4, (300.0, 300.0)),
                part="seat, bolster",
            ),
        ),
        part="seat, bolster",
    ),
)


Ring = tuple[tuple[float, float], ...]
RINGS: dict[str, Ring] = {"panel": SEAT, "seam": SEAM}


def make_job(
    folder: Path,
    shots: tuple[Shot, ...] = SHOTS,
    head: str = JOB,
    *,
    rings: dict[str, Ring] = RINGS,
    photo: Callable[[int], bytes] | None = None,
) -> Job:
    """Write the job folder: job.toml, photos, logo; nothing is inspected yet."""
    (folder / "photos").mkdir(parents=True)
    Image.new("RGB", (120, 40), (20, 40, 90)).save(folder / "logo.png")
    tables = [
        f'\n[[photo]]\nfile = "{shot.file}"\npart = "{shot.part}"\nstage = "{shot.stage}"\n'
        for shot in shots
    ]
    (folder / "job.toml").write_text(head + "".join(tables), "utf-8")
    (folder / "regions.geojson").write_text(json.dumps(_outlines(shots, rings)), "utf-8")
    for seed, shot in enumerate(shots):
        data = photo_bytes(shot.colour, seed) if photo is None else photo(seed)
        (folder / shot.file).write_bytes(data)
    return load_job(folder)


def _outlines(shots: tuple[Shot, ...], rings: dict[str, Ring]) -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"photo": shot.file, "name": one.name, "kind": one.kind},
                "geometry": {"type": "Polygon", "coordinates": [[*ring, ring[0]]]},
            }
            for shot in shots
            for one in shot.regions
            for ring in [rings[one.kind]]
        ],
    }


def inspected(
    job: Job, shot: Shot, size: tuple[int, int] = SIZE, rings: dict[str, Ring] = RINGS
) -> tuple[PhotoResult, list[RegionOutline]]:
    """What an engine would have found in a photo, and the outlines it used."""
    data = job.path(shot.file).read_bytes()
    photo = PhotoResult(
        file=shot.file,
        sha256=hashlib.sha256(data).hexdigest(),
        size_px=size,
        mm_per_px=MM_PER_PX,
        chart=ChartResult(found=True, residual_delta_e=0.8, edition="after-2014"),
        quality={"flags": [], "light_from": "grey board"},
        regions=shot.regions,
    )
    outlines = [
        RegionOutline(
            photo=shot.file,
            name=one.name,
            kind=one.kind,
            polygon=np.array(rings[one.kind]),
        )
        for one in shot.regions
    ]
    return photo, outlines


def keep(job: Job, shot: Shot, at: str) -> KeptInspection:
    """Keep an inspection of a photo as if an engine had made it."""
    photo, outlines = inspected(job, shot)
    return Record(job.folder).add(job, photo, outlines=outlines, by="R. Weaver", at=at)


def inspected_job(folder: Path, shots: tuple[Shot, ...] = SHOTS, head: str = JOB) -> Job:
    """A job with all of its photos inspected, one of its findings set aside."""
    job = make_job(folder, shots, head)
    kept = [
        keep(job, shot, f"2026-03-{14 + number}T16:20:00Z") for number, shot in enumerate(shots)
    ]
    if len(kept) > 2:
        Record(folder).set_aside(kept[2], "seat", 2, reason="thread end <removed>", by="R. Weaver")
    return job


def pass_all(shot: Shot) -> Shot:
    """The same photo with nothing found in it."""
    return replace(
        shot,
        regions=tuple(
            replace(one, verdict="pass", findings=(), reasons=("nothing was found",))
            for one in shot.regions
        ),
    )
