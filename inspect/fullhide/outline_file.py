"""Outlines written back: what a person drew changes, everything else in the file stays."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fullhide.errors import JobError, OutputError
from fullhide.files import why, write_bytes
from fullhide.outlines import RegionOutline, check_drawn, read_outlines

__all__ = ["file_bytes", "write_outlines"]

Polygon = NDArray[np.float64]
#: Decimals of a pixel that are written: far finer than a hand draws.
_DECIMALS = 2


def file_bytes(path: Path) -> bytes | None:
    """What an outline file holds now, to tell later whether another program changed it.

    Raises
    ------
    JobError
        If it is there and cannot be read.
    """
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise JobError(path, f"cannot be read ({why(error)})", "check the file") from None


def write_outlines(
    path: Path, drawn: Sequence[RegionOutline], *, photo: str, before: bytes | None
) -> bytes:
    """Put the outlines of one photo into an outline file.

    Parameters
    ----------
    path
        The GeoJSON file; made if it is not there.
    drawn
        All outlines of the photo as they are now. Those read from the file, known by their
        `number`, take the place of their feature; the others are added at the end.
    photo
        The photo's `file` as `job.toml` names it.
    before
        From `file_bytes` when the outlines were read.

    Returns
    -------
    bytes
        What the file holds now.

    Raises
    ------
    JobError
        If an outline cannot stand there, see `outlines.check_drawn`; nothing is written then.
    OutputError
        If the file was changed by another program since, or cannot be written.

    Notes
    -----
    Members and properties that fullhide does not know, features that are no outlines of ours,
    those of other photos and those that cannot be used keep their values and their order. An
    outline that was not moved keeps its coordinates as they stood, a third coordinate included.
    """
    drawn = [outline for outline in drawn if not outline.properties.get("proposed", False)]
    check_drawn(drawn)
    if file_bytes(path) != before:
        raise OutputError(
            path,
            "was changed by another program since it was opened",
            "open the job again, so that neither's outlines are lost",
        )
    read = read_outlines(path, photos=(photo,)).usable
    mine = {outline.number for outline in read if outline.photo == photo}
    document = _document(path, before)
    now = {outline.number: outline for outline in drawn if outline.number in mine}
    kept: list[Any] = []
    for number, feature in enumerate(document["features"], start=1):
        if number in now:
            kept.append(_updated(feature, now[number]))
        elif number not in mine:  # another photo's, or unusable: never shown, so never removed
            kept.append(feature)
    kept.extend(_feature(outline, photo) for outline in drawn if outline.number not in now)
    document["features"] = kept
    text = json.dumps(document, indent=1, ensure_ascii=False) + "\n"
    data = text.encode("utf-8", errors="surrogatepass")
    write_bytes(path, data)
    return data


def _document(path: Path, before: bytes | None) -> dict[str, Any]:
    if before is None:
        return {"type": "FeatureCollection", "features": []}
    try:
        data = json.loads(before.decode("utf-8-sig"))
    except (UnicodeDecodeError, ValueError, RecursionError):
        data = None
    if not isinstance(data, dict) or not isinstance(data.get("features"), list):
        raise JobError(path, "is not a GeoJSON FeatureCollection", "correct the file there")
    return data


def _properties(feature: Any) -> dict[str, Any]:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    return properties if isinstance(properties, dict) else {}


def _polygon(feature: Any) -> list[Polygon] | None:
    """Rings as drawn, without their closing points; None where it is no polygon."""
    try:
        rings = [
            np.array([point[:2] for point in ring], np.float64)
            for ring in feature["geometry"]["coordinates"]
        ]
        if feature["geometry"]["type"] != "Polygon" or not rings:
            return None
        return [ring[:-1] if np.array_equal(ring[0], ring[-1]) else ring for ring in rings]
    except (KeyError, IndexError, TypeError, ValueError, OverflowError):
        return None


def _updated(feature: dict[str, Any], outline: RegionOutline) -> dict[str, Any]:
    """The feature with what changed put in, everything else and every order as it was."""
    changed = dict(feature)
    properties = dict(_properties(feature))
    for key, value in (("name", outline.name), ("kind", outline.kind)):
        named = key in properties or value != outline.kind
        if named and " ".join(str(properties.get(key, "")).split()) != value:
            properties[key] = value
    changed["properties"] = properties
    rings = [outline.polygon, *outline.holes]
    stood = _polygon(feature)
    same = (
        stood is not None
        and len(stood) == len(rings)
        and all(np.array_equal(a, b) for a, b in zip(stood, rings, strict=True))
    )
    if not same:
        geometry = dict(feature["geometry"])
        geometry["coordinates"] = [_ring(ring) for ring in rings]
        changed["geometry"] = geometry
    return changed


def _feature(outline: RegionOutline, photo: str) -> dict[str, Any]:
    unmarked = {k: v for k, v in outline.properties.items() if k not in ("photo", "name", "kind")}
    return {
        "type": "Feature",
        "properties": {
            "photo": photo,
            "name": outline.name,
            "kind": outline.kind,
            **{k: v for k, v in unmarked.items() if k != "proposed"},
        },
        "geometry": {
            "type": "Polygon",
            "coordinates": [_ring(ring) for ring in (outline.polygon, *outline.holes)],
        },
    }


def _ring(ring: Polygon) -> list[list[float]]:
    """A ring closed as RFC 7946, section 3.1.6, asks."""
    points = [[round(float(x), _DECIMALS), round(float(y), _DECIMALS)] for x, y in ring]
    return [*points, points[0]]
