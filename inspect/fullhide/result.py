"""What an inspection finds, as plain immutable data, and its JSON."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from fullhide.errors import FullhideError
from fullhide.files import write_bytes

__all__ = [
    "ChartResult",
    "Finding",
    "JobResult",
    "LightFinding",
    "LightReading",
    "Matched",
    "Measure",
    "PhotoResult",
    "RegionResult",
    "TintHint",
    "Verdict",
    "exit_status",
    "k_l_of",
    "light_json",
    "tint_json",
    "to_json",
    "write_json",
    "write_plain",
]

SCHEMA = 1
Verdict = Literal["pass", "fail", "retake"]
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One spot to touch up.

    Attributes
    ----------
    id
        Number of the finding in its photo, from 1; the value of its pixels in the mask.
    kind
        The check that found it, such as ``"show_through"``.
    under
        Name of the colour beneath that shows; None where there is none to name.
    area_mm2
        Area on the part, mm²; None without a scale.
    delta_e
        CIEDE2000 against the finished colour around it.
    share
        Fraction of the colour beneath that shows, 0 to 1.
    centre_px, box_px
        Centre (x, y) and box (x0, y0, x1, y1), half-open, in pixels of the upright photo.
    along_seam_mm
        From and to, mm from the start of the seam or edge; None where the region is neither.
    depth_mm
        At an edge: how far a bleed or overspray reaches over the line, or how wide a gap is, mm.
    """

    id: int
    kind: str
    under: str | None
    area_mm2: float | None
    delta_e: float | None
    share: float | None
    centre_px: Pair
    box_px: tuple[int, int, int, int]
    along_seam_mm: Pair | None = None
    depth_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A measured value, its standard uncertainty `u`, the limit it is held against, its unit."""

    value: float | None
    u: float | None
    limit: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    """What a region's colour was held against.

    Attributes
    ----------
    kind
        ``"beside"``: reference regions of the same photo; ``"photo"``: those of another one;
        ``"typed"``: a colour that `job.toml` names.
    name
        The other photo's file, or the colour's name; None beside.
    """

    kind: Literal["beside", "photo", "typed"]
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TintHint:
    """What the shop's tinters could do about a match that is off.

    Attributes
    ----------
    state
        ``"add"``, or ``"out of reach"`` of these tinters.
    says
        The same in a plain sentence without a full stop, its caution with it.
    additions
        A tinter's name, parts to 100 of the dye, and between which values they lie.
    after
        CIEDE2000 foretold with k_L 1, and between which values it lies; None where nothing is
        to be added.
    """

    state: Literal["add", "out of reach"]
    says: str
    additions: tuple[tuple[str, float, float, float], ...] = ()
    after: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionResult:
    """The verdict on one region and what it rests on.

    Attributes
    ----------
    proposed
        Whether the outline is a proposal of ours, not drawn by a person.
    verdict
        None where nothing is to be judged: a reference, or a photo of before the work.
    reasons
        Plain sentences a technician acts on.
    detectable_mm2
        The smallest spot that this photo would have shown here, mm².
    flags
        Names of `fullhide.quality.FLAGS`.
    ask_mm_per_px
        How near the next photo has to be to settle a retake, mm; None where that is not the way.
    unseen_px
        Boxes (x0, y0, x1, y1) of the few places that could hide a spot, in pixels of the photo;
        empty where these are none, or so many that they are no single places.
    reference
        What its colour was held against; None where there was nothing.
    tint
        What the job's tinters could do about a match that is off; None where there is nothing to
        say. Never kept in the record: it belongs to the tinters of the day.
    """

    name: str
    part: str | None
    kind: str
    proposed: bool
    verdict: Verdict | None
    reasons: tuple[str, ...] = ()
    measures: Mapping[str, Measure] = field(default_factory=dict)
    detectable_mm2: float | None = None
    findings: tuple[Finding, ...] = ()
    flags: tuple[str, ...] = ()
    ask_mm_per_px: float | None = None
    unseen_px: tuple[tuple[int, int, int, int], ...] = ()
    reference: Matched | None = None
    tint: TintHint | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartResult:
    """How the chart was read.

    Attributes
    ----------
    residual_delta_e
        Leave-one-out mean CIEDE2000 of the fit; None without a chart.
    corners_px
        The board's corners (x, y), the dark-skin patch's first, clockwise; None if not found.
    method
        Name of the fit that was used.
    edition
        Edition of the chart's values, or ``"own"`` for the shop's own.
    """

    found: bool
    residual_delta_e: float | None = None
    corners_px: tuple[Pair, ...] | None = None
    method: str | None = None
    edition: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoResult:
    """Everything found in one photo; `quality` holds plain values under stated keys."""

    file: str
    sha256: str
    size_px: tuple[int, int]
    mm_per_px: float | None
    chart: ChartResult
    quality: Mapping[str, Any] = field(default_factory=dict)
    regions: tuple[RegionResult, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LightReading:
    """A region's match with its reference in one light.

    Attributes
    ----------
    light, file
        The light's name in `job.toml`, and the photo.
    match
        ``"matches"`` or ``"off"`` where that is sure, otherwise ``"undecided"``.
    at_least, at_most
        Between which CIEDE2000 the difference lies; None where the photo could not tell it.
    limit
        What it is held against; None if not known.
    """

    light: str
    file: str
    match: Literal["matches", "off", "undecided"]
    at_least: float | None
    at_most: float | None
    limit: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LightFinding:
    """What the lights that a region was photographed in say of its match.

    Attributes
    ----------
    kind
        ``"metameric"`` where it surely matches in one light and surely does not in another;
        ``"off differently"`` where it matches in neither of two, by clearly different amounts.
    says
        The same in a plain sentence without a full stop.
    readings
        One a light, in the order of `job.toml`.
    """

    part: str | None
    region: str
    kind: Literal["metameric", "undecided", "matches", "off", "one light", "off differently"]
    says: str
    readings: tuple[LightReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobResult:
    """Everything found in a job; `problems` are the inputs that could not be used.

    `lights` says how matches fare in the lights that the job names; None where it names none.
    """

    job: str
    fullhide: str
    photos: tuple[PhotoResult, ...] = ()
    problems: tuple[FullhideError, ...] = ()
    lights: tuple[LightFinding, ...] | None = None


def exit_status(result: JobResult) -> int:
    """Return the command's exit status.

    Returns
    -------
    int
        0 every region passes; 1 at least one fails; 3 none fails, at least one needs a retake;
        2 some input could not be used, or there was no photo at all. Where a photo was read but
        nothing in it was to be judged the answer is 3: silence must not read as a pass.
    """
    if result.problems or not result.photos:
        return 2
    verdicts = {region.verdict for photo in result.photos for region in photo.regions} - {None}
    if "fail" in verdicts:
        return 1
    silent = any(not photo.regions for photo in result.photos)
    return 0 if verdicts == {"pass"} and not silent else 3


def k_l_of(unit: str) -> float:
    """Parametric factor of lightness that a difference's unit names: ``ΔE00, kL 2``; 1 if none."""
    _, told, number = unit.partition("kL ")
    return float(number) if told else 1.0


def to_json(result: JobResult) -> dict[str, Any]:
    """Return `result` as plain data in the promised schema, ready for `json.dumps`.

    Absent values, NaN and infinities become None; floats keep six significant digits.
    """
    told: dict[str, Any] = {
        "schema": SCHEMA,
        "job": result.job,
        "fullhide": result.fullhide,
        "photos": [_photo(photo) for photo in result.photos],
        "problems": [str(problem) for problem in result.problems],
    }
    if result.lights is not None:
        told["lights"] = [light_json(finding) for finding in result.lights]
    return told


def light_json(finding: LightFinding) -> dict[str, Any]:
    """A match in several lights as plain data."""
    return {
        "part": finding.part,
        "region": finding.region,
        "kind": finding.kind,
        "says": finding.says,
        "readings": [
            {
                "light": reading.light,
                "file": reading.file,
                "match": reading.match,
                "at_least": _plain(reading.at_least),
                "at_most": _plain(reading.at_most),
                "limit": _plain(reading.limit),
            }
            for reading in finding.readings
        ],
    }


def write_json(result: JobResult, path: Path | str) -> None:
    """Write `result` as JSON to `path`, whole or not at all; ``"-"`` is standard output.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    write_plain(to_json(result), path)


def write_plain(data: Mapping[str, Any], path: Path | str) -> None:
    """Write plain data as JSON, as `write_json` does.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    text = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    # JSON is UTF-8 whatever the terminal speaks. A file name that is not UTF-8 holds lone
    # surrogates; backslashreplace writes them as the \\udcXX that JSON itself would use.
    coded = text.encode(errors="backslashreplace")
    if str(path) == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(coded)
        sys.stdout.buffer.flush()
    else:
        write_bytes(Path(path), coded)


def _photo(photo: PhotoResult) -> dict[str, Any]:
    chart = photo.chart
    return {
        "file": photo.file,
        "sha256": photo.sha256,
        "size_px": _plain(photo.size_px),
        "mm_per_px": _plain(photo.mm_per_px),
        "chart": {
            "found": bool(chart.found),
            "residual_delta_e": _plain(chart.residual_delta_e),
            "corners_px": _plain(chart.corners_px),
            "method": chart.method,
            "edition": chart.edition,
        },
        "quality": _plain(photo.quality),
        "regions": [_region(region) for region in photo.regions],
    }


def _region(region: RegionResult) -> dict[str, Any]:
    return {
        "name": region.name,
        "part": region.part,
        "kind": region.kind,
        "verdict": region.verdict,
        "reasons": list(region.reasons),
        "measures": {
            name: {
                "value": _plain(measure.value),
                "u": _plain(measure.u),
                "limit": _plain(measure.limit),
                "unit": measure.unit,
            }
            for name, measure in region.measures.items()
        },
        "detectable_mm2": _plain(region.detectable_mm2),
        "findings": [_finding(finding) for finding in region.findings],
        "proposed": bool(region.proposed),
        "flags": list(region.flags),
        "ask_mm_per_px": _plain(region.ask_mm_per_px),
        "unseen_px": _plain(region.unseen_px),
        "reference": _matched(region.reference),
        "tint": None if region.tint is None else tint_json(region.tint),
    }


def tint_json(hint: TintHint) -> dict[str, Any]:
    """Tint help as plain data."""
    return {
        "state": hint.state,
        "says": hint.says,
        "additions": [
            {
                "tinter": name,
                "parts_in_100": _plain(parts),
                "at_least": _plain(low),
                "at_most": _plain(high),
            }
            for name, parts, low, high in hint.additions
        ],
        "after": None
        if hint.after is None
        else dict(zip(("delta_e", "at_least", "at_most"), _plain(hint.after), strict=True)),
    }


def _matched(reference: Matched | None) -> dict[str, Any] | None:
    return None if reference is None else {"kind": reference.kind, "name": reference.name}


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "id": int(finding.id),
        "kind": finding.kind,
        "under": finding.under,
        "area_mm2": _plain(finding.area_mm2),
        "delta_e": _plain(finding.delta_e),
        "share": _plain(finding.share),
        "centre_px": _plain(finding.centre_px),
        "box_px": _plain(finding.box_px),
        "along_seam_mm": _plain(finding.along_seam_mm),
        "depth_mm": _plain(finding.depth_mm),
    }


def _plain(value: Any) -> Any:
    """Turn numpy scalars, arrays, tuples and mappings into what JSON knows."""
    if value is None or isinstance(value, str | bool):
        return value
    if hasattr(value, "tolist"):  # numpy, without importing it
        return _plain(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list | set | frozenset):
        items = sorted(value) if isinstance(value, set | frozenset) else value
        return [_plain(item) for item in items]
    raise TypeError(f"no JSON form for {type(value).__name__}")
