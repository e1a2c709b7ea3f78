"""An inspection as JSON and back: the promised JSON of the photo, and what it rests on."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from functools import cache
from typing import Any, TypeVar

import numpy as np

from fullhide.errors import JobError
from fullhide.job import ChartSettings, Colour, Job, Limits, TypedReference
from fullhide.outlines import RegionOutline
from fullhide.result import (
    ChartResult,
    Finding,
    JobResult,
    Matched,
    Measure,
    PhotoResult,
    RegionResult,
    to_json,
)

__all__ = [
    "asked_of",
    "dumped",
    "finding_from",
    "finding_json",
    "outline_from",
    "outline_json",
    "photo_from",
    "photo_json",
    "plain_fields",
    "said",
    "settings_from",
]

T = TypeVar("T")


def dumped(value: Any) -> str:
    """JSON in the one spelling that is hashed."""
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def said(what: str, text: str) -> str:
    """A name or reason on one line; an empty one is refused with a JobError."""
    plain = " ".join(text.encode(errors="backslashreplace").decode().split())
    if not plain or not plain.isprintable():
        raise JobError(f"the {what}", "is empty or cannot be printed", f"give a {what}")
    return plain


def plain_fields(kind: type[T], raw: Mapping[str, Any], **own: Any) -> T:
    """A dataclass from JSON: lists as tuples; keys it does not know are left out."""
    names = _names(kind)  # type: ignore[arg-type]
    given = {
        name: _frozen(value) if type(value) is list else value
        for name, value in raw.items()
        if name in names and name not in own
    }
    return kind(**given, **own)


@cache
def _names(kind: type[Any]) -> frozenset[str]:
    return frozenset(f.name for f in fields(kind))


def _frozen(value: list[Any]) -> tuple[Any, ...]:
    return tuple([_frozen(item) if type(item) is list else item for item in value])


def photo_json(photo: PhotoResult) -> dict[str, Any]:
    """The photo's part of the promised JSON."""
    whole = to_json(JobResult(job="", fullhide="", photos=(photo,)))
    found: dict[str, Any] = whole["photos"][0]
    return found


def photo_from(raw: Mapping[str, Any]) -> PhotoResult:
    """The photo that `photo_json` wrote."""
    return plain_fields(
        PhotoResult,
        raw,
        chart=plain_fields(ChartResult, raw["chart"]),
        quality=raw["quality"],
        regions=tuple(_region_from(region) for region in raw["regions"]),
    )


def _region_from(raw: Mapping[str, Any]) -> RegionResult:
    measures = raw["measures"].items()
    reference = raw.get("reference")
    return plain_fields(
        RegionResult,
        raw,
        measures={name: plain_fields(Measure, measure) for name, measure in measures},
        findings=tuple(finding_from(finding) for finding in raw["findings"]),
        reference=plain_fields(Matched, reference) if reference else None,
        tint=None,  # of the day's tinters, not of the photo
    )


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding as in the promised JSON."""
    region = RegionResult(
        name="", part=None, kind="", proposed=False, verdict=None, findings=(finding,)
    )
    photo = PhotoResult(
        file="",
        sha256="",
        size_px=(0, 0),
        mm_per_px=None,
        chart=ChartResult(found=False),
        regions=(region,),
    )
    found: dict[str, Any] = photo_json(photo)["regions"][0]["findings"][0]
    return found


def finding_from(raw: Mapping[str, Any]) -> Finding:
    """The finding that `finding_json` wrote."""
    return plain_fields(Finding, raw)


def outline_json(outline: RegionOutline) -> dict[str, Any]:
    """An outline as inspected, in full precision."""
    return {
        "name": outline.name,
        "kind": outline.kind,
        "proposed": bool(outline.properties.get("proposed", False)),
        "carried": outline.properties.get("carried") or None,
        "polygon": outline.polygon.tolist(),
        "holes": [hole.tolist() for hole in outline.holes],
    }


def outline_from(raw: Mapping[str, Any], *, photo: str) -> RegionOutline:
    """The outline that `outline_json` wrote."""
    return RegionOutline(
        photo=photo,
        name=raw["name"],
        kind=raw["kind"],
        polygon=_ring(raw["polygon"]),
        holes=tuple(_ring(hole) for hole in raw["holes"]),
        properties={name: raw[name] for name in ("proposed", "carried") if raw.get(name)},
    )


def _ring(points: Sequence[Sequence[float]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    ring = np.array(points, dtype=np.float64).reshape(-1, 2)
    ring.flags.writeable = False
    return ring


def asked_of(job: Job) -> dict[str, Any]:
    """What a verdict of the job rests on besides the photo and its outlines."""
    references = {"references": [asdict(one) for one in job.references]} if job.references else {}
    return {
        **references,
        "under": [asdict(colour) for colour in job.under],
        "thread": [asdict(colour) for colour in job.thread],
        "finish": asdict(job.finish) if job.finish else None,
        "chart": asdict(job.chart),
        # What nobody asked for is left out, so that what is kept of other jobs stays as it was.
        "limits": {name: v for name, v in asdict(job.limits).items() if v is not None},
    }


def settings_from(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Colours, chart and limits as the dataclasses of `job`, by the names of `Job`'s fields."""
    finish = raw["finish"]
    return {
        "under": tuple(plain_fields(Colour, colour) for colour in raw["under"]),
        "thread": tuple(plain_fields(Colour, colour) for colour in raw["thread"]),
        "finish": plain_fields(Colour, finish) if finish else None,
        "chart": plain_fields(ChartSettings, raw["chart"]),
        "limits": plain_fields(Limits, raw["limits"]),
        "references": tuple(plain_fields(TypedReference, one) for one in raw.get("references", ())),
    }
