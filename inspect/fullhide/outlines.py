"""Outlines of regions: RFC 7946 polygons in pixels of the upright photo."""

from __future__ import annotations

import json
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fullhide.errors import FullhideError, JobError
from fullhide.files import why
from fullhide.locate import read_features

__all__ = [
    "BANDS",
    "KINDS",
    "OUTLINES_FILE",
    "Outlines",
    "RegionOutline",
    "check_drawn",
    "check_outline",
    "read_outlines",
]

OUTLINES_FILE = "regions.geojson"
KINDS = ("panel", "seam", "edge", "reference", "ignore", "chart")
#: Those drawn as a band along a line.
BANDS = frozenset({"seam", "edge"})
# These only mark a place; a person need not invent a name for each of them.
_UNNAMED = frozenset({"ignore", "chart"})
# A hand that draws along the photo's edge overshoots by this much (our own choice).
OVERSHOOT_PX = 2.0

Polygon = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionOutline:
    """One drawn region.

    Attributes
    ----------
    photo
        The photo's `file`, as `job.toml` names it.
    kind
        One of `KINDS`.
    polygon
        Corners, float64 (N, 2), read-only, N at least 3, x right and y down in pixels of the
        upright photo, in the order drawn; the first corner is not repeated at the end.
    holes
        Polygons cut out of it, in the same form.
    properties
        The feature's properties as they stand in the file.
    line
        Line of the feature in `where`.
    number
        Place of the feature in `where`, from 1; None where it was not read from there.
    """

    photo: str
    name: str
    kind: str
    polygon: Polygon
    holes: tuple[Polygon, ...] = ()
    properties: Mapping[str, Any] = field(default_factory=dict)
    line: int | None = None
    where: Path = Path(OUTLINES_FILE)
    number: int | None = None


class Outlines(NamedTuple):
    """What an outline file holds: usable regions, photos it names, what cannot be used."""

    usable: tuple[RegionOutline, ...]
    photos: frozenset[str]
    problems: tuple[FullhideError, ...]


class _UnusableError(Exception):
    """One feature that cannot be used: problem and remedy."""


def read_outlines(path: Path, *, photos: Collection[str]) -> Outlines:
    """Read and check an outline file.

    Parameters
    ----------
    path
        A GeoJSON file; if it is not there, nothing was drawn.
    photos
        The photos that `job.toml` lists.

    Raises
    ------
    JobError
        If the file as a whole cannot be read. A single feature that cannot be used is a problem
        in the answer and stops no other.
    """
    loaded = _load(path)
    if loaded is None:
        return Outlines((), frozenset(), ())
    features, lines = loaded
    known = dict.fromkeys(PurePosixPath(photo).as_posix() for photo in photos)
    usable: list[RegionOutline] = []
    outlined: set[str] = set()
    problems: list[FullhideError] = []
    taken: set[tuple[str, str]] = set()
    for number, (feature, line) in enumerate(zip(features, lines, strict=True), start=1):
        properties = feature.get("properties") if isinstance(feature, dict) else None
        properties = properties if isinstance(properties, dict) else {}
        try:
            photo = _photo(properties, known)
            outlined.add(photo)
            outline = _outline(feature, properties, photo, line, path, number)
            _claim(outline, taken)
        except _UnusableError as error:
            name = properties.get("name")
            label = f"feature {number}" + (f' ("{name}")' if isinstance(name, str) else "")
            problem, remedy = error.args
            problems.append(JobError(path, f"{label} {problem}", remedy, line=line))
        else:
            usable.append(outline)
    return Outlines(tuple(usable), frozenset(outlined), tuple(problems))


def check_outline(outline: RegionOutline, size_px: tuple[int, int]) -> RegionOutline:
    """Check an outline against its photo and trim what barely overshoots the edge.

    Parameters
    ----------
    outline
        A region as read.
    size_px
        Width and height of the upright photo.

    Returns
    -------
    RegionOutline
        The same region, every corner within the photo.

    Raises
    ------
    JobError
        If the region lies outside the photo by more than two pixels anywhere.
    """
    size = np.asarray(size_px, dtype=np.float64)
    every = np.concatenate([outline.polygon, *outline.holes])
    beyond = max(float((-every).max()), float((every - size).max()))
    if beyond <= 0:
        return outline
    if beyond > OVERSHOOT_PX:
        whole = bool((every.max(axis=0) <= 0).any() or (every.min(axis=0) >= size).any())
        raise JobError(
            outline.where,
            f'region "{outline.name}" lies {"" if whole else "partly "}outside photo '
            f"`{outline.photo}` of {size_px[0]} x {size_px[1]} pixels",
            "draw it again on the upright photo",
            line=outline.line,
        )
    trimmed = [_frozen(np.clip(ring, 0, size)) for ring in (outline.polygon, *outline.holes)]
    return replace(outline, polygon=trimmed[0], holes=tuple(trimmed[1:]))


def check_drawn(outlines: Sequence[RegionOutline]) -> None:
    """Check that outlines just drawn can stand in an outline file together.

    Raises
    ------
    JobError
        For the first that cannot: it crosses itself, has no area, is a chart of another number of
        corners than four, or has a name that another one of the photo has.
    """
    taken: set[tuple[str, str]] = set()
    for outline in outlines:
        try:
            _check_corners(outline.kind, (outline.polygon, *outline.holes))
            _check_shape([outline.polygon, *outline.holes])
            _claim(outline, taken)
        except _UnusableError as error:
            problem, remedy = error.args
            label = f'region "{outline.name}" of photo `{outline.photo}`'
            raise JobError(outline.where, f"{label} {problem}", remedy) from None


def _load(path: Path) -> tuple[list[Any], list[int]] | None:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        return None
    except OSError as error:
        raise JobError(path, f"cannot be read ({why(error)})", "check the file") from None
    except UnicodeDecodeError:
        raise JobError(path, "is not UTF-8 text", "save it as UTF-8") from None
    remedy = "save the outlines again or correct the file there"
    data: Any
    try:
        data, lines = read_features(text)
    except (RecursionError, ValueError):
        data, lines = _refused(text, path, remedy), []
    features = data.get("features") if isinstance(data, dict) else None
    if not isinstance(features, list) or data.get("type") != "FeatureCollection":
        raise JobError(path, "is not a GeoJSON FeatureCollection", "save the outlines again")
    return features, lines


def _refused(text: str, path: Path, remedy: str) -> Any:
    """Say in the parser's own words what is the matter with a text that is no JSON object."""
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        said = error.msg[:1].lower() + error.msg[1:]
        raise JobError(path, f"is not valid JSON: {said}", remedy, line=error.lineno) from None
    except (RecursionError, ValueError):
        raise JobError(path, "is not a list of outlines", remedy) from None


def _text(properties: Mapping[str, Any], key: str) -> str:
    value = properties.get(key)
    if not isinstance(value, str) or not value.strip():
        raise _UnusableError(f"has no `{key}`", f"add `{key}` to its properties")
    return " ".join(value.split())


def _photo(properties: Mapping[str, Any], known: Mapping[str, None]) -> str:
    photo = _text(properties, "photo")
    if photo in known:
        return photo
    from fullhide.job_file import did_you_mean

    photo = PurePosixPath(photo).as_posix()
    if photo not in known:
        remedy = did_you_mean(photo, tuple(known))
        raise _UnusableError(f"belongs to photo `{photo}`, which job.toml does not list", remedy)
    return photo


def _outline(
    feature: dict[str, Any],
    properties: dict[str, Any],
    photo: str,
    line: int,
    where: Path,
    number: int,
) -> RegionOutline:
    kind = _text(properties, "kind")
    if kind not in KINDS:
        from fullhide.job_file import did_you_mean

        raise _UnusableError(f"is of unknown kind `{kind}`", did_you_mean(kind, KINDS))
    name = kind if kind in _UNNAMED and "name" not in properties else _text(properties, "name")
    if not name.isprintable():
        raise _UnusableError("has a name that cannot be printed", "use plain letters")
    rings = _rings(feature)
    _check_corners(kind, rings)
    _check_shape(rings)
    return RegionOutline(
        photo=photo,
        name=name,
        kind=kind,
        polygon=rings[0],
        holes=tuple(rings[1:]),
        properties=properties,
        line=line,
        where=where,
        number=number,
    )


def _check_corners(kind: str, rings: Sequence[Polygon]) -> None:
    if kind == "chart" and (len(rings) > 1 or len(rings[0]) != 4):
        raise _UnusableError(
            f"is a chart with {len(rings[0])} corners",
            "mark its four corners, the dark-skin patch's first, then clockwise",
        )


def _claim(outline: RegionOutline, taken: set[tuple[str, str]]) -> None:
    """Refuse a second region of the same name, and a second chart, in one photo."""
    if outline.kind == "ignore":
        return
    # No region's name can be the empty text, so it can stand for "the chart".
    key = (outline.photo, "" if outline.kind == "chart" else outline.name.casefold())
    if key in taken:
        if outline.kind == "chart":
            raise _UnusableError(
                f"is a second chart in photo `{outline.photo}`", "keep one of them"
            )
        raise _UnusableError(
            f"has a name that another region of photo `{outline.photo}` has already", "rename one"
        )
    taken.add(key)


def _rings(feature: dict[str, Any]) -> list[Polygon]:
    geometry = feature.get("geometry")
    if not isinstance(geometry, dict) or geometry.get("type") != "Polygon":
        found = geometry.get("type") if isinstance(geometry, dict) else None
        what = f"is a {found}" if isinstance(found, str) else "has no outline"
        raise _UnusableError(what, "draw it as one polygon")
    rings = geometry.get("coordinates")
    if not isinstance(rings, list) or not rings or rings == [[]]:
        raise _UnusableError("is empty", "draw it again or remove it")
    return [_ring(ring) for ring in rings]


def _ring(ring: Any) -> Polygon:
    again = "draw it again"
    if not isinstance(ring, list):
        raise _UnusableError("has an outline that is no list of points", again)
    plain = _plain_ring(ring)
    if plain is not None:
        return plain
    points: list[tuple[float, float]] = []
    for point in ring:
        if not isinstance(point, list) or len(point) < 2:
            raise _UnusableError("has a point that is no pair of numbers", again)
        if any(isinstance(value, bool) or not isinstance(value, int | float) for value in point):
            raise _UnusableError("has a point that is no pair of numbers", again)
        try:
            x, y = float(point[0]), float(point[1])
        except OverflowError:
            x = y = math.inf
        # Beyond this the point is no pixel of any photo, and areas would overflow.
        if not (abs(x) < 1e7 and abs(y) < 1e7):
            raise _UnusableError("has a point that lies nowhere in a photo", again)
        points.append((x, y))
    if len(points) > 1 and points[0] == points[-1]:
        points.pop()
    if len(points) < 3:
        raise _UnusableError(f"has {len(points)} corners", "draw at least three")
    return _frozen(np.array(points, dtype=np.float64))


def _plain_ring(ring: list[Any]) -> Polygon | None:
    """A ring of nothing but pairs of numbers, quickly; None if it wants a closer look."""
    if set(map(type, ring)) != {list} or set(map(len, ring)) != {2}:
        return None
    if not set(map(type, chain.from_iterable(ring))) <= {int, float}:
        return None
    try:
        points = np.array(ring, dtype=np.float64)
    except OverflowError:
        return None
    if len(points) < 5 or not (np.abs(points) < 1e7).all():
        return None
    return _frozen(points[:-1].copy() if (points[0] == points[-1]).all() else points)


def _check_shape(rings: Sequence[Polygon]) -> None:
    import shapely

    shape = shapely.Polygon(rings[0], rings[1:])
    if shape.is_valid and shape.area > 0:
        return
    if len({(x, y) for x, y in rings[0].tolist()}) < 3:
        raise _UnusableError("has fewer than three different points", "draw it again or remove it")
    reason = shapely.is_valid_reason(shape)
    # A flat outline is "self-intersecting" to GEOS; say what a person sees instead.
    if shapely.Polygon(rings[0]).area == 0 and shapely.LineString(rings[0]).is_simple:
        raise _UnusableError("has no area", "draw it again or remove it")
    if reason != "Valid Geometry":
        what, _, place = reason.rstrip("]").partition("[")
        x, y = (float(part) for part in place.split()[:2]) if place else (math.nan, math.nan)
        spot = f" near x {x:.0f}, y {y:.0f}" if place else ""
        plain = "crosses or touches itself" if "ntersection" in what else f"is unusable ({what})"
        raise _UnusableError(f"{plain}{spot}", "draw it again without crossing lines")
    if shape.area == 0:
        raise _UnusableError("has no area", "draw it again or remove it")


def _frozen(ring: Polygon) -> Polygon:
    ring.flags.writeable = False
    return ring
