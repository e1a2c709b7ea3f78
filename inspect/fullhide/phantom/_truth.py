"""The truth about a rendered scene: shares, differences, areas, outlines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from . import _spectra
from ._board import board_corners
from ._defects import Patch, gap_patch, spot_patch
from ._edges import EdgeTruth, edge_shares, edge_truth
from ._frame import Frame
from ._materials import Materials
from ._relief import finish_of, seam_coordinates
from .scene import Lab, Point, Scene, Seam

__all__ = ["Shares", "SpotTruth", "Truth", "build_truth", "place_shares"]

F32 = NDArray[np.float32]
_CHUNK = 1 << 18


@dataclass(frozen=True, slots=True)
class SpotTruth:
    """The truth about one missed place.

    Attributes
    ----------
    id
        Its number in `Truth.labels`, from 1: the scene's spots, then its gaps.
    kind
        "spot" or "gap".
    under
        Name of the colour that shows.
    area_mm2
        Area where the true colour differs from the finish by the scene's threshold or more.
    peak_delta_e, mean_delta_e
        Largest and mean CIEDE2000 (D50) against the finish, the mean over `area_mm2`;
        0 where nothing reaches the threshold.
    peak_share
        Largest share of the colour beneath.
    centre_px
        Centre of gravity of the shares.
    box_px
        Box of its labelled pixels: x0, y0, x1, y1, half-open.
    seam
        Number of the seam it lies in, or None.
    along_seam_mm
        From and to along that seam, or None.
    """

    id: int
    kind: str
    under: str
    area_mm2: float
    peak_delta_e: float
    mean_delta_e: float
    peak_share: float
    centre_px: Point
    box_px: tuple[int, int, int, int]
    seam: int | None
    along_seam_mm: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect inspection of the photo would find.  Arrays are read-only, (H, W).

    Attributes
    ----------
    mm_per_px
        Scale in the plane of the part.
    finish_lab
        True Lab (D50, 2 degree) of the finish as it lies on the part.
    shares
        Name -> float32 share of each colour beneath that shows, 0 to 1; only the names
        that show anywhere.
    labels
        int16: number of the missed place each pixel belongs to, 0 = none.
    spots
        One record for each spot and gap.
    delta_e
        float32: CIEDE2000 (D50) of the true reflectance against the finish, free of light
        and shade; 0 outside the part.
    thickness
        float32: film thickness, 1 = nominal; None = 1 throughout.
    shading
        float32: factor on the diffuse colour, 1 = flat and fully lit.
    highlight
        float32: light mirrored, relative to a perfect white fully lit.
    panel
        bool: pixels of the part.
    panel_px
        The part's outline.
    region_px
        The outline drawn a few millimetres inside it, past the rolled edge.
    seam_px
        One polygon around each seam's band.
    chart_corners_px
        (4, 2) outer corners of the board, dark skin's first, clockwise in the chart's own
        frame; None without a chart.
    edges
        One record for each masked line.
    lobe
        float32: height of the surface's lobe, gloss over roughness squared, over the part's own;
        None = 1 throughout.
    """

    mm_per_px: float
    finish_lab: Lab
    shares: Mapping[str, F32]
    labels: NDArray[np.int16]
    spots: tuple[SpotTruth, ...]
    delta_e: F32
    thickness: F32 | None
    shading: F32
    highlight: F32
    panel: NDArray[np.bool_]
    panel_px: tuple[Point, ...]
    region_px: tuple[Point, ...]
    seam_px: tuple[tuple[Point, ...], ...]
    chart_corners_px: NDArray[np.float64] | None
    edges: tuple[EdgeTruth, ...] = ()
    lobe: F32 | None = None


@dataclass(frozen=True, slots=True)
class Shares:
    """Where each colour beneath shows: maps by name, labels, and the patches laid."""

    maps: dict[str, F32]
    labels: NDArray[np.int16] | None
    patches: tuple[tuple[str, str, int | None, Patch], ...]


def place_shares(scene: Scene, frame: Frame, materials: Materials, edge: F32) -> Shares:
    """Lay every spot and gap of the scene into share maps that never sum above 1."""
    patches: list[tuple[str, str, int | None, Patch]] = []
    for n, spot in enumerate(scene.spots):
        materials.named(spot.under)
        peak = spot.share
        if spot.delta_e is not None:
            peak = materials.share_for(spot.under, spot.delta_e)
        seed = scene.seed * 1000 + n
        patches.append(
            ("spot", spot.under, None, spot_patch(spot, peak=peak, frame=frame, seed=seed))
        )
    for n, gap in enumerate(scene.gaps):
        materials.named(gap.under)
        patch = gap_patch(gap, scene.seams[gap.seam], frame=frame, seed=scene.seed * 1000 + 300 + n)
        patches.append(("gap", gap.under, gap.seam, patch))
    shape = (frame.height, frame.width)
    maps: dict[str, F32] = {}
    for n in range(len(scene.edges)):
        for name, share in edge_shares(scene, n, frame).items():
            materials.named(name)
            before = maps.setdefault(name, np.zeros(shape, np.float32))
            taken = sum(maps.values(), np.zeros(shape, np.float32))
            before += np.minimum(share, 1 - np.minimum(taken, 1)) * (edge > 0)
    if not patches:
        return Shares(maps, None, ())
    best = np.zeros(shape, np.float32)
    labels = np.zeros(shape, np.int16)
    for n, (_, under, _, patch) in enumerate(patches):
        rows, cols, cover = patch.window(frame)
        cover = cover * (edge[rows, cols] > 0)
        target = maps.setdefault(under, np.zeros(shape, np.float32))
        # What shows here already stays: a later spot takes from the finish only.
        taken = sum((m[rows, cols] for m in maps.values()), np.zeros_like(cover))
        target[rows, cols] += np.minimum(cover, 1 - np.minimum(taken, 1))
        wins = (cover > best[rows, cols]) & (cover > 0.01)
        labels[rows, cols][wins] = n + 1
        np.maximum(best[rows, cols], cover, out=best[rows, cols])
    return Shares(maps, labels, tuple(patches))


def build_truth(
    scene: Scene,
    frame: Frame,
    materials: Materials,
    edge: F32,
    shares: Shares,
    thickness: F32 | None,
    lightness: F32 | None,
    shading: F32,
    highlight: F32,
    covered: NDArray[np.bool_] | None = None,
) -> Truth:
    """Put the truth together: of what lies under thread or another thing nothing can be seen."""
    shape = (frame.height, frame.width)
    panel = edge > 0
    labels = shares.labels if shares.labels is not None else np.zeros(shape, np.int16)
    delta_e = _differences(materials, shares.maps, thickness, lightness, panel)
    if covered is not None:
        labels[covered] = 0
        delta_e[covered] = 0
    spots = _records(scene, frame, shares, labels, delta_e)
    lobe = _lobe(scene, frame)
    maps = shares.maps.values()
    for array in (labels, delta_e, thickness, shading, highlight, panel, lobe, *maps):
        if array is not None:
            array.setflags(write=False)
    lab = materials.finish_lab
    corners = None if scene.chart is None else board_corners(scene.chart, frame)
    return Truth(
        mm_per_px=scene.mm_per_px,
        finish_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        shares=MappingProxyType(shares.maps),
        labels=labels,
        spots=spots,
        delta_e=delta_e,
        thickness=thickness,
        shading=shading,
        highlight=highlight,
        panel=panel,
        panel_px=frame.panel_px,
        region_px=inset(frame.panel_px, 6.0 / frame.mm_per_px),
        seam_px=tuple(seam_band(s, frame) for s in scene.seams),
        chart_corners_px=corners,
        edges=tuple(edge_truth(scene, n, frame) for n in range(len(scene.edges))),
        lobe=lobe,
    )


def _lobe(scene: Scene, frame: Frame) -> F32 | None:
    """Height of the surface's lobe over the part's own."""
    if not scene.sheens:
        return None
    gloss, roughness = finish_of(scene, frame, 0, frame.height)
    own = scene.leather.gloss / scene.leather.roughness**2
    return np.asarray(gloss / np.square(roughness) / own, np.float32)


def _differences(
    materials: Materials,
    maps: dict[str, F32],
    thickness: F32 | None,
    lightness: F32 | None,
    panel: NDArray[np.bool_],
) -> F32:
    """CIEDE2000 of the true reflectance against the finish, computed where it is not 0."""
    out = np.zeros(panel.shape, np.float32)
    film = materials.film_table()[1]
    steps = np.linspace(0.0, 2.0, len(film))
    uneven = thickness is not None or lightness is not None
    if uneven and (thickness is None or lightness is None):
        # Only one thing varies: a table serves.
        field = thickness if thickness is not None else lightness
        assert field is not None
        varied = film if thickness is not None else steps[:, None] * materials.xyz(materials.finish)
        table = _spectra.delta_e_2000(_spectra.lab_from_xyz(varied), materials.finish_lab)
        # 1025 steps: what lies between two differs by far less than a difference matters.
        at = np.minimum(field * np.float32((len(film) - 1) / 2) + np.float32(0.5), len(film) - 1)
        out = table.astype(np.float32)[at.astype(np.int32)]
        uneven = False
    busy = panel.copy() if uneven else np.zeros_like(panel)
    for share in maps.values():
        busy |= share > 0
    busy &= panel
    rows, cols = np.nonzero(busy)
    for start in range(0, len(rows), _CHUNK):
        at = rows[start : start + _CHUNK], cols[start : start + _CHUNK]
        xyz = np.broadcast_to(materials.xyz(materials.finish), (len(at[0]), 3))
        if thickness is not None:
            xyz = np.stack([np.interp(thickness[at], steps, c) for c in film.T], axis=-1)
        total = sum((m[at] for m in maps.values()), np.zeros(len(at[0]), np.float32))
        xyz = xyz * (1.0 - total)[:, None]
        for name, share in maps.items():
            xyz = xyz + share[at][:, None] * materials.xyz(materials.named(name))
        if lightness is not None:
            xyz = xyz * lightness[at][:, None]
        out[at] = _spectra.delta_e_2000(_spectra.lab_from_xyz(xyz), materials.finish_lab)
    out[~panel] = 0
    return out


def _records(
    scene: Scene, frame: Frame, shares: Shares, labels: NDArray[np.int16], delta_e: F32
) -> tuple[SpotTruth, ...]:
    records = []
    for n, (kind, under, seam, patch) in enumerate(shares.patches):
        rows, cols, cover = patch.window(frame)
        own = labels[rows, cols] == n + 1
        if not own.any():
            continue
        weight = np.where(own, cover, 0)
        y, x = np.nonzero(own)
        w = weight[y, x]
        total = max(float(w.sum()), 1e-9)
        centre = (
            float((w * (x + 0.5)).sum() / total) + cols.start,
            float((w * (y + 0.5)).sum() / total) + rows.start,
        )
        difference = delta_e[rows, cols][own]
        counted = difference >= scene.threshold_delta_e
        if seam is None:
            seam = _seam_at(scene, frame, centre)
        px = (x + cols.start + 0.5, y + rows.start + 0.5)
        where = counted if counted.any() else np.ones_like(counted)
        records.append(
            SpotTruth(
                id=n + 1,
                kind=kind,
                under=under,
                area_mm2=float(counted.sum()) * scene.mm_per_px**2,
                peak_delta_e=float(difference.max()),
                mean_delta_e=float(difference[counted].mean()) if counted.any() else 0.0,
                peak_share=float(w.max()),
                centre_px=centre,
                box_px=(
                    int(x.min()) + cols.start,
                    int(y.min()) + rows.start,
                    int(x.max()) + cols.start + 1,
                    int(y.max()) + rows.start + 1,
                ),
                seam=seam,
                along_seam_mm=None
                if seam is None
                else _along(scene.seams[seam], frame, px[0][where], px[1][where]),
            )
        )
    return tuple(records)


def _scene_mm(
    frame: Frame, x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> tuple[F32, F32]:
    return (
        ((x_px - frame.shift_px[0]) * frame.mm_per_px).astype(np.float32),
        ((y_px - frame.shift_px[1]) * frame.mm_per_px).astype(np.float32),
    )


def _seam_at(scene: Scene, frame: Frame, centre_px: Point) -> int | None:
    x, y = _scene_mm(frame, np.array([centre_px[0]]), np.array([centre_px[1]]))
    for n, seam in enumerate(scene.seams):
        u, d = seam_coordinates(seam, x, y)
        length = np.hypot(*np.subtract(seam.end_mm, seam.start_mm))
        if abs(float(d[0])) <= seam.width_mm / 2 and 0 <= u[0] <= length:
            return n
    return None


def _along(
    seam: Seam, frame: Frame, x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> tuple[float, float]:
    u, _ = seam_coordinates(seam, *_scene_mm(frame, x_px, y_px))
    return float(u.min()), float(u.max())


def seam_band(seam: Seam, frame: Frame, *, beyond_mm: float = 1.0) -> tuple[Point, ...]:
    """Polygon around a seam's valley, in pixels.

    It holds `beyond_mm` more on either side of the valley, and ends where the path comes
    within 8 mm of the part's edge or near the photo's.  Empty where the
    path does not cross the part.
    """
    ends = np.array([seam.start_mm, seam.end_mm], dtype=np.float64)
    length = float(np.hypot(*(ends[1] - ends[0])))
    axis = (ends[1] - ends[0]) / length
    left = np.array([axis[1], -axis[0]])
    t = np.linspace(0.0, 1.0, 401)[:, None]
    path = ends[0] + axis * t * length + left * 4 * seam.bow_mm * t * (1 - t)
    px = (path / frame.mm_per_px + np.array(frame.shift_px)).astype(np.float32)
    ring = np.array(frame.panel_px, np.float32).reshape(-1, 1, 2)
    deep = np.array([cv2.pointPolygonTest(ring, (float(x), float(y)), True) for x, y in px])
    border = np.minimum(px, np.array([frame.width, frame.height], np.float32) - px).min(axis=1)
    inside = np.flatnonzero(
        (deep * frame.mm_per_px >= 8.0) & (border * frame.mm_per_px >= seam.width_mm / 2 + 2.0)
    )
    if len(inside) < 2:
        return ()
    count = 2 if seam.bow_mm == 0 else 25
    kept = path[np.round(np.linspace(inside[0], inside[-1], count)).astype(int)]
    half = seam.width_mm / 2 + beyond_mm
    band = np.concatenate([kept + left * half, (kept - left * half)[::-1]])
    return tuple(frame.px((float(x), float(y))) for x, y in band)


def inset(polygon: tuple[Point, ...], by_px: float) -> tuple[Point, ...]:
    """A convex polygon moved inwards by `by_px` on each side."""
    p = np.array(polygon, dtype=np.float64)
    q = np.roll(p, -1, axis=0)
    area = float(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]))
    d = q - p
    inward = np.stack([-d[:, 1], d[:, 0]], axis=-1) * np.sign(area)
    inward /= np.hypot(inward[:, 0], inward[:, 1])[:, None]
    # Each new corner is where two neighbouring moved sides meet.
    offset = np.sum(inward * p, axis=1) + by_px
    before = np.roll(inward, 1, axis=0)
    corners = np.linalg.solve(
        np.stack([before, inward], axis=1),
        np.stack([np.roll(offset, 1), offset], axis=1)[..., None],
    )[..., 0]
    return tuple((float(x), float(y)) for x, y in corners)
