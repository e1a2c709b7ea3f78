"""Light, on a small picture: how bright, how even, of one colour, and where it mirrors the lamp."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._advice_chart import LUMA
from fullhide.chart import ChartReading, ChartSpec
from fullhide.colour import lab_to_xyz, xyz_to_rec2020
from fullhide.photo import Photo
from fullhide.region import bounding_box, outline_mask
from fullhide.robust import fit, polynomial

__all__ = ["Fall", "Look", "burnt", "fall_of_light", "look", "shine", "tint_fold", "white_level"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Polygon = NDArray[np.float64]
Vector = NDArray[np.float64]

_SIDE_PX = 400
#: Margins left off inside and outside the surface's rim, and around the chart (our own choices).
_RIM, _RIM_OUTSIDE = 0.02, 0.04
_CHART_MARGIN = 1.15
_FEWEST = 300
#: Share of the highest code from which a bench is burnt out.
_CEILING = 0.98
#: Smoothing before shine is looked for, over the picture's longer side: grain's own glints are
#: none (our own choice).
_CALM = 0.006
#: Chromatic difference of dye and lamp from which shine is told by colour (our own choice).
_COLOURFUL = 0.25
#: What is off the bench's plane by more is no bench, natural logarithm; and the share of what
#: surrounds the part that has to be bench (our own choices).
_OFF_BENCH = 0.12
_BENCH_SHARE = 0.4
_TRIES, _TRIED_PX = 150, 2500
#: Direction that daylight and lamplight differ in: more red, less blue.
_WARM: Vector = np.array([0.5, 0.0, -0.5])
#: A surface that would answer a warm light by less than this share tells nothing of it.
_TELLING = 0.35


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """A photo reduced for a look at its light.

    Attributes
    ----------
    light
        Working linear, float32 (h, w, 3).
    surface
        The part within its rim, bool (h, w).
    bench
        What is neither part nor chart.
    white
        Colour of a white in this light, (3,), luminance 1.
    scale
        Pixels of this picture a pixel of the photo.
    """

    light: Array
    surface: Mask
    bench: Mask
    white: Vector
    scale: float


@dataclass(frozen=True, slots=True)
class Fall:
    """How the light falls off.

    Attributes
    ----------
    fold
        How many times brighter one side is than the opposite one, at least 1.
    towards
        The brighter side's direction, x right and y down; length 1, or 0 where nothing tells.
    on_bench
        Whether there was a bench to tell by.
    """

    fold: float = 1.0
    towards: tuple[float, float] = (0.0, 0.0)
    on_bench: bool = False


def look(
    photo: Photo, *, polygons: Sequence[Polygon], reading: ChartReading, rough: bool = False
) -> Look:
    """Reduce a photo, and tell part and bench apart.

    `rough` outlines may stop short of the part's rim: what is plainly no bench beside them counts
    to the part then.
    """
    width, height = photo.size_px
    scale = min(1.0, _SIDE_PX / max(width, height))
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    codes = photo.reduced(size)
    seen = cv2.transform(cv2.LUT(codes, photo.curve[None]), photo.matrix.astype(np.float32))
    light = np.maximum(np.asarray(seen, np.float32), np.float32(1e-5))
    whole = (0, 0, size[0], size[1])
    chart = np.zeros((size[1], size[0]), bool)
    white = np.ones(3)
    if reading.found:
        middle = reading.corners_px.mean(axis=0)
        board = middle + _CHART_MARGIN * (reading.corners_px - middle)
        chart = outline_mask([board * scale], whole)
        white = np.maximum(reading.patches[18:22].mean(axis=0), 1e-6)
    part = outline_mask([polygon * scale for polygon in polygons], whole)
    burnt_out = codes.max(axis=-1) > _CEILING * np.iinfo(codes.dtype).max
    bench = ~_grown(part, _RIM_OUTSIDE) & ~chart & ~burnt_out
    if rough:
        part = _with_the_rest(light, part, chart, bench)
        bench &= ~_grown(part, _RIM_OUTSIDE)
    return Look(
        light=light,
        surface=~_grown(~part, _RIM) & ~chart,
        bench=bench,
        white=white / float(white @ LUMA),
        scale=scale,
    )


def _grown(mask: Mask, share: float) -> Mask:
    """A mask grown by a share of the picture's longer side; beyond the picture nothing grows."""
    side = max(1, round(share * max(mask.shape)))
    kernel = np.ones((2 * side + 1, 2 * side + 1), np.uint8)
    return np.asarray(cv2.dilate(mask.astype(np.uint8), kernel) > 0)


def _with_the_rest(light: Array, part: Mask, chart: Mask, bench: Mask) -> Mask:
    """The part with what is no bench beside it."""
    found = _plain(light, bench)
    if found is None:
        return part
    other = (_off(light, found) > 2.0 * _OFF_BENCH) & ~chart
    kernel = np.ones((5, 5), np.uint8)
    opened = cv2.morphologyEx((other | part).astype(np.uint8), cv2.MORPH_OPEN, kernel)
    count, labels = cv2.connectedComponents(np.asarray(opened, np.uint8), connectivity=4)
    if count < 2:
        return part
    within = np.bincount(labels[part], minlength=count)
    within[0] = 0
    return np.asarray(labels == int(within.argmax())) if within.any() else part


def white_level(here: Look, reading: ChartReading, spec: ChartSpec) -> float:
    """How bright a perfect white would be, 1 at the camera's ceiling.

    Told by the chart's grey row, as far as it is in good order; without a chart by the brightest
    place, which is no more than a lower bound: a dark dye on a dark bench has no white in it.
    """
    if not reading.found:
        return float(np.percentile(here.light.max(axis=-1), 99.5))
    given = np.maximum(xyz_to_rec2020(lab_to_xyz(spec.lab[18:])) @ LUMA, 1e-4)
    levels = (reading.patches[18:] @ LUMA) / given
    good = reading.used[18:22]
    return float(np.median(levels[:4][good] if good.any() else levels[:4]))


def burnt(photo: Photo, *, polygons: Sequence[Polygon], here: Look) -> tuple[float, float]:
    """Share of the part that is burnt out, and the largest burnt patch in photo pixels."""
    if not polygons:
        return 0.0, 0.0
    box = bounding_box(np.vstack(polygons), photo.size_px)
    clipped = photo.clipped(box)
    if not clipped.any():
        return 0.0, 0.0
    factor = max(1, round(0.5 / here.scale))
    inside = outline_mask(polygons, box, factor=factor)
    size = (inside.shape[1], inside.shape[0])
    share = cv2.resize(clipped.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    blind = (np.asarray(share) > 64) & inside
    _, _, stats, _ = cv2.connectedComponentsWithStats(blind.astype(np.uint8), connectivity=8)
    largest = float(stats[1:, cv2.CC_STAT_AREA].max(initial=0)) * factor**2
    return float(blind.sum()) / max(1.0, float(inside.sum())), largest


def shine(here: Look) -> Array:
    """Light that shine adds, over the dye's own light, float32 (h, w); 0 off the surface.

    A dye unlike the lamp is told by colour: each pixel is so much of the dye and so much of the
    lamp. A grey or black one by brightness alone, against the darker half of the surface, the
    light's fall over the bench taken out.
    """
    nothing = np.zeros(here.surface.shape, np.float32)
    if here.surface.sum() < _FEWEST:
        return nothing
    sigma = _CALM * max(here.surface.shape)
    weight = here.surface.astype(np.float32)
    mass = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), np.float32(1e-3))
    blurred = cv2.GaussianBlur(here.light * weight[..., None], (0, 0), sigma)
    calm = np.asarray(blurred / mass[..., None], np.float32)
    luminance = np.asarray(np.maximum(calm @ LUMA.astype(np.float32), 1e-5), np.float32)
    level, dye = _dye(calm, luminance, here.surface)
    if float(np.abs(dye / level / here.white - 1.0).max()) > _COLOURFUL:
        # Least squares for the two parts, each channel over the white of the lamp.
        parts = np.stack([dye / level / here.white, np.ones(3)], axis=1)
        solve = np.linalg.pinv(parts)
        found = (calm / here.white.astype(np.float32)) @ solve.T.astype(np.float32)
        by_colour = found[..., 1] / np.maximum(found[..., 0], np.float32(0.2 * level))
        bright = np.minimum(luminance / np.float32(level) - 1.0, by_colour)
    else:
        plane = _bench_plane(here)
        if plane is None:
            plane = _plane(np.log(luminance)[None], here.surface)
        if plane is not None:
            slope = (polynomial(here.surface.shape, 1)[..., 1:] @ plane[-1]).astype(np.float32)
            luminance = np.asarray(luminance / np.exp(slope), np.float32)
            level, _ = _dye(calm, luminance, here.surface)
        bright = luminance / np.float32(level) - 1.0
    return cast(Array, np.where(here.surface, np.maximum(bright, 0), 0).astype(np.float32))


def _dye(calm: Array, luminance: Array, surface: Mask) -> tuple[float, Vector]:
    """Luminance and light of the surface where it shines least."""
    low, high = np.percentile(luminance[surface], [3, 25])
    dim = surface & (luminance >= low) & (luminance <= high)
    return float(np.median(luminance[dim])), np.median(calm[dim], axis=0).astype(np.float64)


def fall_of_light(here: Look, *, without: Mask, shiny: bool) -> Fall:
    """How the light falls off over the photo: by the bench, or by the part where that tells more.

    A plane through the logarithm of luminance: what a cushion's roll does under balanced lamps
    falls off to both sides and is none of it. A `shiny` part tells nothing.
    """
    bench = _bench_plane(here)
    found = Fall() if bench is None else _fall(bench[-1], here.bench | here.surface, True)
    mask = here.surface & ~without
    plane = _plane(np.log(here.light @ LUMA.astype(np.float32))[None], mask)
    if plane is None or shiny:
        return found
    part = _fall(plane[0], here.surface, on_bench=found.on_bench)
    return part if part.fold > found.fold else found


def _fall(slope: Vector, mask: Mask, on_bench: bool) -> Fall:
    towards = slope / max(float(np.linalg.norm(slope)), 1e-9)
    return Fall(float(np.exp(_span(slope, mask))), (float(towards[0]), float(towards[1])), on_bench)


def tint_fold(here: Look, *, without: Mask) -> float:
    """How many times red over blue of the light changes from one side of the photo to the other.

    By the bench, or by the part where the bench tells nothing.
    """
    whole = here.surface | here.bench
    bench = _bench_plane(here)
    if bench is not None:
        return float(np.exp(_span(bench[0] - bench[2], whole)))
    mask = here.surface & ~without
    part = _plane(np.log(here.light).transpose(2, 0, 1), mask)
    if part is None:
        return 1.0
    dye = np.median(here.light[mask], axis=0) / here.white
    return float(np.exp(_span(_unlike_shine(part, dye), whole)))


def _bench_plane(here: Look) -> Vector | None:
    """Slopes of log red, green, blue and luminance over a bench of one colour, (4, 2).

    None where there is none.
    """
    found = _plain(here.light, here.bench)
    return None if found is None else found[:, 1:]


def _plain(light: Array, bench: Mask) -> Vector | None:
    """Height and slopes of log red, green, blue and luminance of the bench, (4, 3).

    Most of what surrounds the part has to lie on one plane; which, is found by trying those
    through three pixels each, so that things lying about do not bend it.
    """
    if bench.sum() < _FEWEST:
        return None
    step = max(1, int(bench.sum()) // _TRIED_PX)
    values = _logs(light)[:, bench][:, ::step].astype(np.float64)
    terms = polynomial(bench.shape, 1)[bench][::step].astype(np.float64)
    random = np.random.default_rng(0)
    corners = random.integers(0, len(terms), (_TRIES, 3))
    trio = terms[corners]
    corners = corners[np.abs(np.linalg.det(trio)) > 0.05]  # three in a row or a heap span no plane
    best: Mask = np.zeros(len(terms), bool)
    for three in corners:
        plane = np.linalg.solve(terms[three], values[:, three].T)
        near = np.asarray((np.abs(values.T - terms @ plane) < _OFF_BENCH).all(axis=1))
        if near.sum() > best.sum():
            best = near
    for _ in range(2):
        if best.mean() < _BENCH_SHARE:
            return None
        plane, *_ = np.linalg.lstsq(terms[best], values[:, best].T, rcond=None)
        best = np.asarray((np.abs(values.T - terms @ plane) < _OFF_BENCH).all(axis=1))
    return np.asarray(plane.T, np.float64)


def _off(light: Array, plain: Vector) -> Array:
    """Distance from the bench's plane, natural logarithm."""
    ground = np.einsum("hwp,cp->chw", polynomial(light.shape, 1), plain)
    return np.asarray(np.abs(_logs(light) - ground).max(axis=0), np.float32)


def _logs(light: Array) -> Array:
    return cast(
        Array, np.log(np.stack([*light.transpose(2, 0, 1), light @ LUMA.astype(np.float32)]))
    )


def _unlike_shine(plane: Vector, dye: Vector) -> Vector:
    """Slope of red over blue that neither brightness nor shine on the dye can make, (2,)."""
    out = np.ones(3) / np.sqrt(3.0)
    rest = plane - np.outer(out, out @ plane)
    warm = _WARM.copy()
    wash = 1.0 / dye
    wash -= out * (out @ wash)
    strength = float(np.linalg.norm(wash)) * float(dye.mean())
    if strength > 0.15:
        wash /= np.linalg.norm(wash)
        rest -= np.outer(wash, wash @ rest)
        warm -= wash * (wash @ warm)
        if np.linalg.norm(warm) < _TELLING * np.linalg.norm(_WARM):
            return np.zeros(2)
    # Red over blue, in units of what a warm light of one does in the directions left.
    return np.asarray(warm @ rest / (warm @ warm), np.float64)


def _plane(values: Array, mask: Mask) -> Vector | None:
    """Slopes of a plane through channels (C, h, w) over the pixels of a mask, (C, 2) a half frame.

    None where the mask holds too little.
    """
    if mask.sum() < _FEWEST:
        return None
    terms = polynomial(mask.shape, 1)[mask]
    step = max(1, len(terms) // 6000)
    found = fit(terms[::step], values[:, mask][:, ::step], floor=0.01)
    return np.asarray(found[1:].T, np.float64)


def _span(slope: Vector, mask: Mask) -> float:
    """Rise of a plane from its lowest to its highest twentieth over the pixels of a mask."""
    terms = polynomial(mask.shape, 1)[mask][::7, 1:]
    low, high = np.percentile(terms @ slope, [5, 95])
    return float(high - low)
