"""Charts painted into scenes by a pinhole camera: our own truth for the chart tests.

Nothing here is measured from a real product: layouts are drawn at random within generous bounds.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

# Linear sRGB <-> linear Rec.2020, both D65: ITU-R BT.2087-0, section 2 (rounded there to 4 places).
SRGB_TO_2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)


@dataclass(frozen=True)
class Layout:
    """Proportions of a chart board, in patch pitches."""

    gap: float = 0.15
    side: float = 0.22  # board beyond the outer patch edges, left and right
    top: float = 0.30
    bottom: float = 0.45
    board: float = 0.035  # its reflectance
    marks: bool = True

    @property
    def size(self) -> tuple[float, float]:
        return 6 - self.gap + 2 * self.side, 4 - self.gap + self.top + self.bottom


@dataclass(frozen=True)
class Placement:
    """Where the chart stands in the picture."""

    width_share: float = 0.3  # board width / picture width, before tilt
    turn: float = 0.0  # degrees in the picture
    tilt: float = 0.0  # degrees away from the picture plane
    tilt_axis: float = 0.0  # degrees: direction of the axis tilted about
    centre: tuple[float, float] = (0.5, 0.5)
    mirrored: bool = False


@dataclass
class Painted:
    """A stand-in for an opened photo, with its truth."""

    encoded: NDArray[np.uint8]
    corners: F64  # (4, 2) board corners, dark skin's first
    centres: F64  # (24, 2) patch centres, px
    patches: F64  # (24, 3) working linear before noise
    width_px: float
    layout: Layout
    inner: F64 | None = None  # (24, 4, 2) corners of each patch's inner part, half its side

    def recorded(self) -> F64:
        """(24, 3) working linear means of the inner parts, as this 8-bit picture holds them."""
        assert self.inner is not None
        out = np.zeros((24, 3))
        for k, quad in enumerate(self.inner):
            x0, y0 = np.floor(quad.min(axis=0)).astype(int)
            x1, y1 = np.ceil(quad.max(axis=0)).astype(int)
            mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
            cv2.fillConvexPoly(mask, np.rint(quad - [x0, y0] - 0.5).astype(np.int32), 1)
            out[k] = self.linear((int(x0), int(y0), int(x1), int(y1)))[mask > 0].mean(axis=0)
        return out

    @property
    def size_px(self) -> tuple[int, int]:
        return self.encoded.shape[1], self.encoded.shape[0]

    @property
    def matrix(self) -> F64:
        return SRGB_TO_2020

    def linear(self, box: tuple[int, int, int, int] | None = None) -> F32:
        x0, y0, x1, y1 = box or (0, 0, *self.size_px)
        return to_working(self.encoded[y0:y1, x0:x1])

    def clipped(self, box: tuple[int, int, int, int] | None = None) -> NDArray[np.bool_]:
        x0, y0, x1, y1 = box or (0, 0, *self.size_px)
        return np.asarray((self.encoded[y0:y1, x0:x1] >= 253).any(axis=2))

    def preview(self, max_side: int) -> tuple[NDArray[np.uint8], float]:
        scale = min(1.0, max_side / max(self.size_px))
        if scale == 1.0:
            return self.encoded, 1.0
        size = (max(1, round(self.size_px[0] * scale)), max(1, round(self.size_px[1] * scale)))
        return cv2.resize(self.encoded, size, interpolation=cv2.INTER_AREA), scale


_CODES = np.arange(256) / 255.0
_DECODE = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(
    np.float32
)  # IEC 61966-2-1


def to_working(encoded: NDArray[np.uint8]) -> F32:
    return cv2.transform(cv2.LUT(encoded, _DECODE), SRGB_TO_2020.astype(np.float32))


def encode(linear_srgb: F32) -> NDArray[np.uint8]:
    x = np.clip(linear_srgb, 0, 1)
    x = np.where(x <= 0.0031308, 12.92 * x, 1.055 * cv2.pow(x, 1 / 2.4) - 0.055)
    return np.asarray(np.rint(x * 255), dtype=np.uint8)


def srgb_of(lab: F64) -> F64:
    """Linear sRGB of Lab (D50), by colour-science."""
    from fullhide._colour_science import colour

    c = colour()
    xyz = c.Lab_to_XYZ(lab, np.array([0.3457, 0.3585]))
    return np.asarray(
        c.XYZ_to_RGB(
            xyz, "sRGB", np.array([0.3457, 0.3585]), chromatic_adaptation_transform="Bradford"
        )
    )


def pose(placement: Placement, layout: Layout, size: tuple[int, int]) -> F64:
    """Homography from pitches (origin: board's corner at dark skin) to px, by a pinhole camera."""
    w, h = size
    bw, bh = layout.size
    focal = 1.2 * w
    a, t, ax = np.radians([placement.turn, placement.tilt, placement.tilt_axis])

    def about_z(angle: float) -> F64:
        c, s = np.cos(angle), np.sin(angle)
        return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])

    tilt = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    turn = about_z(ax) @ tilt @ about_z(-ax) @ about_z(a)
    depth = focal * bw / (placement.width_share * w)
    cx, cy = placement.centre[0] * w, placement.centre[1] * h
    middle = np.array([(cx - w / 2) / focal * depth, (cy - h / 2) / focal * depth, depth])
    flip = np.diag([-1.0 if placement.mirrored else 1.0, 1.0])
    plane = turn[:, :2] @ flip
    origin = middle - plane @ np.array([bw / 2, bh / 2])
    camera = np.array([[focal, 0, w / 2], [0, focal, h / 2], [0, 0, 1.0]])
    return np.asarray(camera @ np.column_stack([plane, origin]))


def warp_points(h: F64, points: F64) -> F64:
    q = np.column_stack([points, np.ones(len(points))]) @ h.T
    return np.asarray(q[:, :2] / q[:, 2:])


def patch_centres(layout: Layout) -> F64:
    j, i = np.meshgrid(np.arange(6), np.arange(4))
    half = (1 - layout.gap) / 2
    return np.column_stack([layout.side + half + j.ravel(), layout.top + half + i.ravel()])


def board_picture(layout: Layout, colours: F64, scale: int) -> F32:
    """The board seen straight on, `scale` px a pitch, linear sRGB."""
    bw, bh = layout.size
    img = np.full((round(bh * scale), round(bw * scale), 3), layout.board, np.float32)
    half = (1 - layout.gap) / 2 * scale
    for centre, colour in zip(patch_centres(layout) * scale, colours, strict=True):
        x0, y0 = np.rint(centre - half).astype(int)
        x1, y1 = np.rint(centre + half).astype(int)
        img[y0:y1, x0:x1] = colour
    if layout.marks:
        y = round((layout.top / 2) * scale)
        for k in range(14):
            x = round((0.8 + 0.11 * k) * scale)
            img[y - scale // 25 : y + scale // 25, x : x + scale // 16] = 0.6
    return img


def background(kind: str, size: tuple[int, int], rng: np.random.Generator) -> F32:
    """Linear sRGB scene without a chart."""
    w, h = size
    img = np.empty((h, w, 3), np.float32)
    base = {
        "leather": (0.12, 0.05, 0.025),
        "cream": (0.62, 0.55, 0.42),
        "black": (0.03, 0.03, 0.032),
        "grey": (0.3, 0.3, 0.3),
    }.get(kind, (0.2, 0.2, 0.2))
    img[:] = base
    if kind == "tiles":
        _mosaic(img, rng, round(w * rng.uniform(0.03, 0.1)), rng.uniform(0.06, 0.2), 0.6)
    elif kind == "bright tiles":
        _mosaic(img, rng, round(w * rng.uniform(0.03, 0.1)), rng.uniform(0.06, 0.2), 0.03)
    elif kind == "keyboard":
        _keyboard(img, rng)
    elif kind == "quilt":
        _quilt(img, rng)
    for k in (2, 6, 24):
        n = rng.normal(0, 1, (h // k + 2, w // k + 2)).astype(np.float32)
        n = cv2.resize(n, (w, h), interpolation=cv2.INTER_CUBIC)
        img *= np.exp(0.05 * n)[..., None]
    return img


def _mosaic(img: F32, rng: np.random.Generator, pitch: int, gap: float, joint: float) -> None:
    h, w = img.shape[:2]
    img[:] = joint
    g = max(1, round(pitch * gap))
    for y in range(0, h, pitch):
        for x in range(0, w, pitch):
            img[y + g : y + pitch, x + g : x + pitch] = rng.uniform(0.02, 0.9, 3)


def _keyboard(img: F32, rng: np.random.Generator) -> None:
    h, w = img.shape[:2]
    p = round(w / 18)
    img[h // 4 : h // 4 + 6 * p, p : w - p] = 0.02
    for r in range(5):
        for k in range(15):
            x, y = round((1.3 + k + 0.25 * (r % 3)) * p), h // 4 + round((0.5 + r) * p)
            img[y : y + round(0.8 * p), x : x + round(0.8 * p)] = rng.uniform(0.1, 0.7)


def _quilt(img: F32, rng: np.random.Generator) -> None:
    h, w = img.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    p = w / 14
    u, v = (x + y) / p, (x - y) / p
    fall = np.abs(np.sin(np.pi * u) * np.sin(np.pi * v)) ** 0.4
    img *= (0.25 + fall)[..., None] * rng.uniform(0.6, 1.6, 3).astype(np.float32)


def paint(
    lab: F64,
    placement: Placement | None = None,
    *,
    size: tuple[int, int] = (1600, 1200),
    layout: Layout | None = None,
    scene: str = "leather",
    seed: int = 0,
    exposure: float = 0.75,
    noise: float = 0.004,
    blur: float = 0.7,
    falloff: float = 0.05,
    patches: F64 | None = None,
    glare: tuple[tuple[int, ...], float] | None = None,
    covered: tuple[int, ...] = (),
    cover_share: float = 1.0,
    base: F32 | None = None,
) -> Painted:
    """A photo with a chart; `exposure` scales the light, `falloff` darkens toward the right."""
    placement, layout = placement or Placement(), layout or Layout()
    rng = np.random.default_rng(seed)
    w = size[0]
    img = background(scene, size, rng) if base is None else base.copy()
    # An 8-bit sRGB camera cannot hold the negative red of cyan.
    colours = np.maximum(srgb_of(np.asarray(lab, float)) if patches is None else patches, 0.0)
    hom = pose(placement, layout, size)
    span = placement.width_share * w / layout.size[0]
    scale = int(np.clip(round(2 * span), 24, 240))
    board = board_picture(layout, colours, scale)
    _spoil(board, layout, scale, glare, covered, cover_share)
    to_px = hom @ np.diag([1 / scale, 1 / scale, 1.0])
    mid = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])  # pixel centres
    m = np.linalg.inv(mid) @ to_px @ mid
    if scale > 2.6 * span:  # smaller than the texture allows: blur before sampling
        board = cv2.GaussianBlur(board, (0, 0), 0.4 * scale / span)
    alpha = np.ones((*board.shape[:2], 1), np.float32)
    rgba = np.concatenate([board, alpha], axis=2)
    over = cv2.warpPerspective(rgba, m, size, flags=cv2.INTER_LINEAR)
    img = img * (1 - over[..., 3:]) + over[..., :3]
    slope = 1.0 - falloff * (np.arange(w, dtype=np.float32) / w - 0.5) * 2
    img = img * (exposure * slope)[None, :, None]
    if blur:
        img = cv2.GaussianBlur(img, (0, 0), blur)
    img = img + rng.standard_normal(img.shape, dtype=np.float32) * np.float32(noise) * np.sqrt(
        np.maximum(img, 0.01)
    )
    bw, bh = layout.size
    corners = warp_points(hom, np.array([[0, 0], [bw, 0], [bw, bh], [0, bh]]))
    centres = warp_points(hom, patch_centres(layout))
    light = exposure * (1.0 - falloff * (centres[:, :1] / w - 0.5) * 2)
    return Painted(
        encoded=encode(img.astype(np.float32)),
        corners=corners,
        centres=centres,
        patches=colours @ SRGB_TO_2020.T * light,
        width_px=float(np.linalg.norm(corners[1] - corners[0])),
        layout=layout,
        inner=_inner(hom, layout),
    )


def _inner(hom: F64, layout: Layout) -> F64:
    reach = (1 - layout.gap) / 4
    square = reach * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    points = (patch_centres(layout)[:, None] + square).reshape(-1, 2)
    return warp_points(hom, points).reshape(24, 4, 2)


def _spoil(
    board: F32,
    layout: Layout,
    scale: int,
    glare: tuple[tuple[int, ...], float] | None,
    covered: tuple[int, ...],
    share: float,
) -> None:
    half = (1 - layout.gap) / 2 * scale
    centres = patch_centres(layout) * scale
    for k in covered:
        x, y = centres[k]
        x0, y0 = round(x - 1.1 * half), round(y - 1.1 * half)
        x1, y1 = round(x0 + 2.2 * half * share), round(y + 1.1 * half)
        board[y0:y1, x0:x1] = (0.30, 0.22, 0.10)
    if glare is not None:
        yy, xx = np.mgrid[0 : board.shape[0], 0 : board.shape[1]].astype(np.float32)
        for k in glare[0]:
            x, y = centres[k]
            spot = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * (0.45 * scale) ** 2))
            board += (glare[1] * spot)[..., None]
