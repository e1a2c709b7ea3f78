"""Before leaving the bench: what to do differently about a photo, most important first.

It judges the photo, not the part. Whether a region passes is another question, which a good photo
only makes answerable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._advice_chart import chart_shade
from fullhide._advice_focus import part_blur_px, photo_blur_px
from fullhide._advice_light import (
    Fall,
    Look,
    burnt,
    fall_of_light,
    look,
    shine,
    tint_fold,
    white_level,
)
from fullhide.job import Job, PhotoEntry
from fullhide.judge import BLUR_OVER_SPOT, BURNT_OVER_LIMIT
from fullhide.opened import Opened, Prepared, open_entry, prepared
from fullhide.verdict import JUDGED_SHARE

__all__ = ["Advice", "PhotoAdvice", "advise", "advise_opened"]

Polygon = NDArray[np.float64]

#: A perfect white darker than this share of the ceiling: the dye is told by too few codes.
_DARK_WHITE = 0.2
#: The same without a chart, of the brightest place that there is.
_DARK_PLACE = 0.04
#: Without a chart, share of the whole photo: the light patches of one that is burnt out.
_BURNT_WHITES = 0.001
#: Shine over the dye's own light, and the shares of the part that may reach it.
_SHINE = ((0.5, 0.2), (1.0, 0.08))
#: How many times brighter the light may be on one side of the photo.
_FALL = 1.6
#: How many times redder the light may be on one side.
_TINT = 1.15
#: Light that may be missing on the darker side of the chart.
_SHADE = 0.2
#: The part's edges read too sharp: from this share of the limit, and this many pixels, on.
_PART_BLUR, _PART_BLUR_PX = 0.5, 1.5
#: Blur that is too much where no scale says how large a spot is, pixels.
_BLUR_PX = 3.0
#: Pixels across the limit's spot: below the first the photo is too far, the second does for most
#: pairs of colours (0.16 mm a pixel at 1 mm²; see "The bound that physics sets", DEVELOPERS.md).
_PX_ACROSS, _PX_ACROSS_GOOD = 5.0, 7.0
# All of these are our own choices, set on rendered photos (tests/bench/bench_advice.py).

_FULL_FRAME_DIAGONAL_MM = 43.27  # of 36 x 24 mm, to which EXIF's FocalLengthIn35mmFilm refers

#: What to say, in the order of importance; the keys are names out of `quality.FLAGS`.
SAYINGS: dict[str, str] = {
    "damaged": "File damaged: copy it from the camera again.",
    "no_colour": "Black and white: switch the camera to colour.",
    "too_dark": "Too dark: more light, or a longer exposure.",
    "clipped": "Too bright: one stop less exposure.",
    "out_of_focus": "Not sharp: rest the camera, tap on the part to focus.",
    "too_far": "Too far away: go nearer.",
    "glare": "Lamp mirrored on the part: move the lamp until the shine is gone.",
    "no_chart": "Chart not found: lay it flat beside the part, all of it in the picture.",
    "chart_mirrored": "Mirrored: switch off the camera's mirror setting.",
    "chart_shaded": "Shadow on the chart: move it, or step out of the light.",
    "chart_glare": "Chart shines: tilt it, or move the lamp.",
    "chart_covered": "Chart covered or dirty: uncover and wipe it.",
    "chart_small": "Chart too small in the picture: go nearer, or use a larger one.",
    "card_white_doubtful": "Printed card dirty, shaded or burnt out: clean it, even light.",
    "scales_differ": "Chart and card disagree on size: check both widths in job.toml.",
    "light_uneven": "Light too one-sided: a second lamp, or the lamp further away.",
    "mixed_light": "Two kinds of light: use one kind, shut out the other.",
    "chart_doubtful": "Chart's colours are odd: clean it, check its edition in job.toml.",
}
#: What explains a flag of the chart: where one of these is said, it is not said as well.
_EXPLAINED = {
    "out_of_focus": {"too_dark"},
    "no_chart": {
        "damaged",
        "no_colour",
        "too_dark",
        "clipped",
        "chart_mirrored",
        "chart_covered",
    },
    "chart_glare": {"chart_shaded", "clipped"},
    "chart_covered": {"chart_shaded"},
    "chart_small": {"too_far", "no_chart"},
    "card_white_doubtful": {"clipped", "too_dark"},
    "mixed_light": {"no_colour", "too_dark", "clipped"},
    "chart_doubtful": {
        "no_chart",
        "no_colour",
        "too_dark",
        "clipped",
        "chart_shaded",
        "chart_glare",
        "chart_covered",
        "chart_small",
        "light_uneven",
        "mixed_light",
    },
}


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do differently.

    Attributes
    ----------
    flag
        Its name in `quality.FLAGS`.
    says
        What is the matter and what to do, in one short line.
    """

    flag: str
    says: str


@dataclass(frozen=True, slots=True)
class PhotoAdvice:
    """What to do differently about one photo.

    Attributes
    ----------
    file
        As the job names it.
    advice
        Most important first; empty for a good photo.
    scaled
        Whether the photo tells its scale; where it does not, distance was not judged.
    """

    file: str
    advice: tuple[Advice, ...]
    scaled: bool

    @property
    def good(self) -> bool:
        """Whether nothing needs to be done differently."""
        return not self.advice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """A photo with what the questions below are asked of."""

    ready: Prepared
    polygons: Sequence[Polygon]
    small: Look
    white: float
    across_mm: float


def advise(job: Job, entry: PhotoEntry, *, mm_per_px: float | None = None) -> PhotoAdvice:
    """Open a photo of a job and say what to do differently.

    Parameters
    ----------
    job, entry
        Limits, chart and outlines; the photo.
    mm_per_px
        Scale that overrides the chart's.

    Raises
    ------
    FullhideError
        If the photo cannot be opened, or the marked chart is no chart.
    """
    return advise_opened(open_entry(job, entry), job, entry, mm_per_px=mm_per_px)


def advise_opened(
    opened: Opened, job: Job, entry: PhotoEntry, *, mm_per_px: float | None = None
) -> PhotoAdvice:
    """What to do differently about an opened photo; see `advise`."""
    ready = prepared(opened, job, entry, mm_per_px=mm_per_px, rough=True)
    polygons = _surfaces(ready)
    drawn = [o for o in ready.outlines if not o.properties.get("proposed", False)]
    small = look(opened.photo, polygons=polygons, reading=ready.reading, rough=not drawn)
    seen = _Seen(
        ready=ready,
        polygons=polygons,
        small=small,
        white=white_level(small, ready.reading, ready.spec),
        across_mm=2.0 * float(np.sqrt(job.limits.show_through_mm2 / np.pi)),
    )
    said = _said(seen, job.limits.show_through_mm2)
    for name, reasons in _EXPLAINED.items():
        if reasons & said.keys():
            said.pop(name, None)
    advice = tuple(Advice(name, said[name]) for name in SAYINGS if name in said)
    return PhotoAdvice(entry.file, advice, ready.scene.scaled)


def _surfaces(ready: Prepared) -> list[Polygon]:
    """The part's outlines; of a proposal the hull, since it stops where the shine begins."""
    out: list[Polygon] = []
    for outline in ready.outlines:
        # Two colours in one outline would pass for two kinds of light.
        if outline.kind in ("ignore", "chart", "edge"):
            continue
        polygon = outline.polygon
        if outline.properties.get("proposed", False):
            hull = cv2.convexHull(polygon.astype(np.float32))
            polygon = np.asarray(hull.reshape(-1, 2), np.float64)
        out.append(polygon)
    return out


def _said(seen: _Seen, limit_mm2: float) -> dict[str, str]:
    """Everything that is the matter, with its sentence."""
    ready, small = seen.ready, seen.small
    flags = {*ready.scene.flags} & SAYINGS.keys()
    if _too_dark(seen):
        flags.add("too_dark")
    flags |= _too_bright(seen, limit_mm2)
    shiny = shine(small)
    if _mirrored(shiny, small):
        flags.add("glare")
    if chart_shade(ready.reading, ready.spec) > _SHADE:
        flags.add("chart_shaded")
    # A mirrored lamp's edges are soft however sharp the photo; burnt and dark ones are none.
    if _not_sharp(seen, edges=not flags & {"glare", "clipped", "too_dark"}):
        flags.add("out_of_focus")
    bright = shiny > _SHINE[0][0]
    shines = "glare" in flags
    fall = fall_of_light(small, without=bright, shiny=shines)
    if fall.fold > _FALL:
        flags.add("light_uneven")
    # A part that shines tells nothing of the light's colour either.
    if (fall.on_bench or not shines) and tint_fold(small, without=bright) > _TINT:
        flags.add("mixed_light")
    said = {name: SAYINGS[name] for name in flags}
    if "light_uneven" in said:
        said["light_uneven"] = _one_sided(fall)
    if ready.scene.scaled and ready.scene.mm_per_px * _PX_ACROSS > seen.across_mm:
        said["too_far"] = _too_far(seen, limit_mm2)
    return said


def _too_dark(seen: _Seen) -> bool:
    return seen.white < (_DARK_WHITE if seen.ready.reading.found else _DARK_PLACE)


def _too_bright(seen: _Seen, limit_mm2: float) -> set[str]:
    """Burnt out: by the exposure, or by a lamp's mirror image alone."""
    scene = seen.ready.scene
    share, largest = burnt(scene.photo, polygons=seen.polygons, here=seen.small)
    large = scene.scaled and largest * scene.mm_per_px**2 > BURNT_OVER_LIMIT * limit_mm2
    if seen.white > 1.0 or "chart_clipped" in scene.flags:
        return {"clipped"}
    if not seen.ready.reading.found and scene.photo.clipped_share() > _BURNT_WHITES:
        return {"clipped"}
    if share > 1.0 - JUDGED_SHARE or large:
        return {"glare"} if seen.ready.reading.found else {"clipped"}
    return set()


def _mirrored(shiny: NDArray[np.float32], small: Look) -> bool:
    part = shiny[small.surface]
    return bool(len(part)) and any(
        float((part > strength).mean()) > share for strength, share in _SHINE
    )


def _not_sharp(seen: _Seen, *, edges: bool) -> bool:
    """Blurred by the chart's edges, or by the part's own where those are sharp."""
    ready = seen.ready
    scene = ready.scene
    limit = _BLUR_PX
    if scene.scaled:
        limit = BLUR_OVER_SPOT * seen.across_mm / (2.355 * scene.mm_per_px)
    # From too far the limit is a pixel or so, which no lens reaches: that is told as too far.
    limit = max(limit, _PART_BLUR_PX)
    reading = ready.reading
    if not reading.found and not reading.card.found:  # a part's rolled rim is soft by itself
        anywhere = photo_blur_px(scene.photo, limit_px=limit) if edges else None
        return anywhere is not None and anywhere > limit
    if ready.blur_px is not None and ready.blur_px > limit:
        return True
    if not edges:
        return False
    part = part_blur_px(scene.photo, polygons=seen.polygons, reading=ready.reading, limit_px=limit)
    return part is not None and part > max(_PART_BLUR * limit, _PART_BLUR_PX)


def _one_sided(fall: Fall) -> str:
    x, y = fall.towards
    bright, dark = ("right", "left") if x > 0 else ("left", "right")
    if abs(y) > abs(x):
        bright, dark = ("bottom", "top") if y > 0 else ("top", "bottom")
    times = f"{fall.fold:.1f}" if fall.fold < 9.5 else "10 and more"
    return (
        f"Light too one-sided, {times} times brighter at the {bright}: a second lamp at the "
        f"{dark}, or the lamp further away."
    )


def _too_far(seen: _Seen, limit_mm2: float) -> str:
    """How near would do: by what the photo shows, and in centimetres where the lens is known."""
    scene = seen.ready.scene
    wanted = seen.across_mm / _PX_ACROSS_GOOD
    share = wanted / scene.mm_per_px
    width, height = scene.photo.size_px
    now = max(width, height) * scene.mm_per_px / 10.0
    text = (
        f"Too far away for spots of {limit_mm2:g} mm²: go nearer, until the long side shows "
        f"{_whole(now * share)} cm (now {_whole(now)} cm)"
    )
    focal = scene.photo.taken.focal_35_mm
    if focal:
        diagonal = float(np.hypot(width, height)) * scene.mm_per_px
        far = diagonal * focal / _FULL_FRAME_DIAGONAL_MM / 10.0
        text += f", about {_whole(far * share)} cm from the part"
    return text + "."


def _whole(centimetres: float) -> str:
    """Two digits are enough to go by."""
    return f"{float(f'{centimetres:.2g}'):.0f}"
