"""A job's coat photos, read into the hiding curve of each region."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import __version__, coats_words
from fullhide.background import background
from fullhide.checks.apart import Calibrated
from fullhide.checks.match import patch_of
from fullhide.coats import Coat, Curve, Seen, Tiles, hiding_curve, seen_of
from fullhide.colour import lab_to_xyz, xyz_to_lab
from fullhide.elsewhere import no_colour
from fullhide.errors import FullhideError, JobError
from fullhide.job import Job, PhotoEntry, stage_rank
from fullhide.judge import Scene, region_flags
from fullhide.lights import same_light
from fullhide.opened import open_entry, prepared
from fullhide.outlines import RegionOutline
from fullhide.region import RegionView
from fullhide.smoothing import times
from fullhide.verdict import JUDGED_SHARE
from fullhide.wording import may_hold_airbag

__all__ = ["Coats", "RegionCoats", "coats_of", "exit_status", "has_coats", "to_json"]

SCHEMA = 1
#: Side of the tiles that the worst place is looked for in, mm, and how many across where there is
#: no scale (our own choice).
_TILE_MM, _TILES = 8.0, 16
_FEWEST_PIXELS = 150
#: Photos opened at the same time.
_AT_ONCE = 2
_LAST_LEFT_OUT = "the photo of the last coat tells no colour; take it again"

Key = tuple[str | None, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOut:
    """A photo that tells no colour of a region, and why."""

    coat: int
    file: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegionCoats:
    """One region of a part: its curve, and photos that were left out."""

    part: str | None
    region: str
    airbag: bool
    curve: Curve | None
    left_out: tuple[LeftOut, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Coats:
    """What a job's coat photos tell, region by region, and the inputs that could not be used."""

    job: str
    finish: str
    regions: tuple[RegionCoats, ...]
    problems: tuple[FullhideError, ...] = ()


def has_coats(job: Job) -> bool:
    """Whether a job has photos between coats."""
    return any(entry.stage == "coat" for entry in job.photos)


def coats_of(job: Job) -> Coats:
    """Read the coat photos of a job.

    Raises
    ------
    JobError
        If it has none.
    """
    if not has_coats(job):
        raise JobError(
            job.folder,
            "has no photo between coats",
            'name them in job.toml with stage = "coat" and coat = 1, 2 …',
        )
    entries, other_light = _entries(job)
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        read = list(pool.map(lambda entry: _read(job, entry), entries))
    series: dict[Key, dict[int, list[Seen]]] = {}
    left_out: dict[Key, list[LeftOut]] = {}
    for one in read:
        for key, seen in one.seen.items():
            series.setdefault(key, {}).setdefault(seen.coat, []).append(seen)
        for key, why in one.left_out.items():
            left_out.setdefault(key, []).append(why)
    keys = {**series, **left_out}
    for key in keys:
        left_out.setdefault(key, []).extend(one for part, one in other_light if part == key[0])
    problems = [*job.problems, *(problem for one in read for problem in one.problems)]
    return Coats(
        job=job.name,
        finish="" if job.finish is None else job.finish.name,
        regions=tuple(_region(job, key, series, left_out) for key in keys),
        problems=tuple(problems),
    )


def _entries(job: Job) -> tuple[list[PhotoEntry], list[tuple[str | None, LeftOut]]]:
    """Photos to read, and by part those in another light than its last coat: colours shift there.

    Only lights that job.toml names are told apart.
    """
    wanted: list[PhotoEntry] = []
    left_out = []
    for part in dict.fromkeys(entry.part for entry in job.photos if entry.stage == "coat"):
        mine = [e for e in job.photos if e.part == part and e.stage in ("before", "coat")]
        last = max(mine, key=lambda e: stage_rank(e.stage, e.coat))
        for entry in mine:
            if same_light(entry.light, last.light):
                wanted.append(entry)
            else:
                why = f"it was taken in another light than {last.file}"
                left_out.append((part, LeftOut(coat=_coat_of(entry), file=entry.file, why=why)))
    return wanted, left_out


def _region(
    job: Job,
    key: Key,
    series: Mapping[Key, Mapping[int, Sequence[Seen]]],
    left_out: Mapping[Key, Sequence[LeftOut]],
) -> RegionCoats:
    part, name = key
    airbag = job.airbag(part) or may_hold_airbag(name, part)
    seen = [_together(photos) for photos in series.get(key, {}).values()]
    curve = None
    if any(one.coat > 0 for one in seen):
        curve = hiding_curve(
            seen, finish=job.finish, under=job.under, limits=job.limits, airbag=airbag
        )
        last = max(one.coat for one in seen)
        if any(one.coat > last for one in left_out.get(key, ())):
            # What an earlier coat did says nothing sure of the last one.
            curve = replace(curve, state="not sure", more=None, unfit=_LAST_LEFT_OUT)
    return RegionCoats(
        part=part,
        region=name,
        airbag=airbag,
        curve=curve,
        left_out=tuple(left_out.get(key, ())),
    )


def _together(photos: Sequence[Seen]) -> Seen:
    """Several photos of one coat as one: their mean, no surer than each is."""
    if len(photos) == 1:
        return photos[0]
    return replace(
        photos[-1],
        files=tuple(file for photo in photos for file in photo.files),
        lab=xyz_to_lab(np.mean([lab_to_xyz(photo.lab) for photo in photos], axis=0)),
        covariance=np.mean([photo.covariance for photo in photos], axis=0),
    )


# ---------------------------------------------------------------- one photo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Read:
    seen: Mapping[Key, Seen]
    left_out: Mapping[Key, LeftOut]
    problems: tuple[FullhideError, ...] = ()


def _read(job: Job, entry: PhotoEntry) -> _Read:
    """Every panel of one photo."""
    if entry.stage == "coat" and entry.coat is None:
        problem = JobError(
            entry.file, "says not after which coat it was taken", "add coat = 1, 2 … to its table"
        )
        return _Read(seen={}, left_out={}, problems=(problem,))
    try:
        ready = prepared(open_entry(job, entry), job, entry)
    except FullhideError as error:
        return _Read(seen={}, left_out={}, problems=(error,))
    seen: dict[Key, Seen] = {}
    left_out: dict[Key, LeftOut] = {}
    for outline in ready.outlines:
        if outline.kind not in ("panel", "seam"):
            continue
        key = (entry.part, outline.name)
        found = _seen(job, entry, ready.scene, outline)
        if isinstance(found, Seen):
            seen[key] = found
        else:
            left_out[key] = LeftOut(coat=_coat_of(entry), file=entry.file, why=found)
    return _Read(seen=seen, left_out=left_out, problems=ready.problems)


def _seen(job: Job, entry: PhotoEntry, scene: Scene, outline: RegionOutline) -> Seen | str:
    """A region's colour in one photo, or why it tells none."""
    view = scene.view(outline, job.limits)
    if view.judged.sum() < _FEWEST_PIXELS:
        return "too little of it can be seen"
    flags = set(scene.flags).union(region_flags(scene, view, outline, job.limits))
    if view.judged.sum() >= JUDGED_SHARE * view.inside.sum():
        flags.discard("clipped")  # a few shiny places do not move the middle
    if why := no_colour(scene, flags):
        return why
    # No colour beneath is set aside: what still shows is what is asked for here.
    patch = patch_of(view, background(view))
    seen = Calibrated(patch=patch, fit=scene.fit, light=scene.field.source)
    if outline.kind == "seam":
        return seen_of(_coat_of(entry), entry.file, seen, shaded=True)
    return seen_of(_coat_of(entry), entry.file, seen, tiles=_tiles(view, scene))


def _coat_of(entry: PhotoEntry) -> int:
    return 0 if entry.stage == "before" else entry.coat or 0


def _tiles(view: RegionView, scene: Scene) -> Tiles:
    """The region's mean colours in tiles."""
    rows, columns = view.judged.shape
    side = _TILE_MM / view.mm_per_px if view.scaled else max(rows, columns) / _TILES
    block = max(1, round(side))
    size = (-(-columns // block), -(-rows // block))
    pad = (0, size[1] * block - rows, 0, size[0] * block - columns)
    mass, total = (
        cv2.resize(
            cv2.copyMakeBorder(image, *pad, cv2.BORDER_CONSTANT),
            size,
            interpolation=cv2.INTER_AREA,
        )
        for image in (
            view.judged.astype(np.float32),
            times(view.xyz, view.judged.astype(np.float32)),
        )
    )
    mean = total.reshape(*mass.shape, 3) / np.maximum(mass, np.float32(1e-3))[..., None]
    return Tiles(
        xyz=cast(NDArray[np.float32], mean),
        known=np.asarray(mass > min(0.5, 0.9 * float(mass.max()))),
        origin_px=(float(view.box[0]), float(view.box[1])),
        step_px=block * view.factor,
        side_mm=block * view.mm_per_px if view.scaled else None,
        light_doubt=scene.field.doubt,
    )


# ---------------------------------------------------------------- what is told


def exit_status(found: Coats) -> int:
    """0 every region hides, 1 one still shows, 3 one cannot be told, 2 an input is at fault."""
    states = {None if one.curve is None else one.curve.state for one in found.regions}
    if found.problems or not found.regions:
        return 2
    if "shows" in states:
        return 1
    return 0 if states == {"hides"} else 3


def to_json(found: Coats) -> dict[str, Any]:
    """Plain data, ready for `json.dumps`; what is not known is None."""
    return {
        "schema": SCHEMA,
        "job": found.job,
        "fullhide": __version__,
        "finish": found.finish or None,
        "regions": [_region_json(one) for one in found.regions],
        "problems": [str(problem) for problem in found.problems],
        "notes": [coats_words.FOOT],
    }


def _region_json(one: RegionCoats) -> dict[str, Any]:
    curve = one.curve
    told: dict[str, Any] = {
        "part": one.part,
        "region": one.region,
        "airbag": one.airbag,
        "state": None if curve is None else curve.state,
        "limit_delta_e": None if curve is None else curve.limit,
        "coats": [] if curve is None else [_coat_json(coat) for coat in curve.coats],
        "fit": None,
        "more": None,
        "says": list(coats_words.says(curve, airbag=one.airbag)),
        "left_out": [{"file": out.file, "why": out.why} for out in one.left_out],
        "by_colour_alone": curve is not None and curve.shaded,
    }
    if curve is not None and curve.fit is not None:
        told["fit"] = {
            "sx": _rounded(curve.fit.sx),
            "residual_l": _rounded(curve.fit.residual_l),
            "finish_lab": _rounded(curve.fit.finish_lab),
        }
    if curve is not None and curve.more is not None:
        told["more"] = {
            "fewest": curve.more.fewest,
            "most": curve.more.most,
            "estimate": curve.state != "hides",
        }
    return told


def _coat_json(coat: Coat) -> dict[str, Any]:
    far, worst = coat.to_finish, coat.worst
    return {
        "coat": coat.coat,
        "kind": coat.kind,
        "files": list(coat.files),
        "lab": None if coat.at_least is not None else _rounded(coat.lab),
        "delta_e": None if far is None else _rounded(far.value),
        "u": None if far is None else _rounded(far.u),
        "at_least": _rounded(far.at_least if far is not None else coat.at_least),
        "at_most": None if far is None else _rounded(far.at_most),
        "share": None if coat.share is None else _rounded(coat.share),
        "share_of": coat.share_of or None,
        "worst": None
        if worst is None
        else {
            "file": worst.file,
            "box_px": list(worst.box_px),
            "side_mm": None if worst.side_mm is None else _rounded(worst.side_mm),
            "delta_e": _rounded(worst.delta_e),
            "share": _rounded(worst.share),
        },
    }


def _rounded(value: Any) -> Any:
    """Six significant digits, as in the other JSON."""
    if value is None:
        return None
    if isinstance(value, tuple):
        return [_rounded(one) for one in value]
    return float(f"{value:.6g}")
