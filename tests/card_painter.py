"""Printed cards painted into scenes: our own truth for the card tests.

The print is the very page that `fullhide card` writes, drawn by Typst; paper and toner are ours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from chart_painter import (
    SRGB_TO_2020,
    Layout,
    Painted,
    Placement,
    background,
    board_picture,
    encode,
    patch_centres,
    pose,
    srgb_of,
    warp_points,
)
from numpy.typing import NDArray

from fullhide._card_layout import FRAME, SMALL_FRAME, Card, seam_card
from fullhide.card_sheet import PAPERS, card_picture

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

PPI = 254.0  # 10 px a millimetre
#: Our own paper and toner: CIE Lab, D50.
PAPER, TONER = (93.0, 0.8, -4.0), (18.0, 0.0, 0.5)


@dataclass(frozen=True)
class Sheet:
    """A card as it was cut out, and what lies in its hole."""

    card: Card
    cutout_mm: tuple[float, float] | None = None
    layout: Layout | None = None  # of the chart; None = no chart
    chart_mm: float = 205.0
    printed: float = 1.0  # true length over nominal length
    turned: bool = False  # the chart lies the other way round
    hidden: tuple[int, ...] = ()  # markers dirty beyond reading
    dirt: float = 0.0  # share of the paper under specks


SEAM = Sheet(seam_card(3))


def framed(**more: object) -> Sheet:
    """The large frame around a chart of 205 mm."""
    layout = Layout(side=0.22, top=0.30, bottom=0.30)
    return replace(Sheet(FRAME, (205.0, 143.5), layout), **more)  # type: ignore[arg-type]


@cache
def _page(page: int, cutout: tuple[float, float]) -> NDArray[np.uint8]:
    data = np.frombuffer(card_picture(page, ppi=PPI, cutout_mm=cutout), np.uint8)
    picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    return picture


def _print(sheet: Sheet) -> NDArray[np.uint8]:
    """The card cut out of its page, 10 px a nominal millimetre."""
    w, h = sheet.card.size_mm
    if sheet.card.kind == "seam":
        page, copy = _page(1, (205.0, 143.5)), (min(sheet.card.markers) - 20) // 3
        row, column = divmod(copy, 3)
        left = (PAPERS["a4"][0] - 3 * w - 12) / 2 + column * (w + 6)
        top = 14 + row * (h + 6)
    else:
        page = _page(0, sheet.cutout_mm or (205.0, 143.5))
        small = sheet.card is SMALL_FRAME
        left = 12.0 if small else (PAPERS["a4"][0] - w) / 2
        top = 12.0 if small else (PAPERS["a4"][1] - h) / 2
    x, y = round(left * 10), round(top * 10)
    return page[y : y + round(h * 10), x : x + round(w * 10)]


def texture(sheet: Sheet, colours: F64, rng: np.random.Generator) -> tuple[F32, F32]:
    """The card seen straight on, 10 px a nominal mm: linear sRGB, and where it is."""
    ink = 1.0 - _print(sheet).astype(np.float32) / 255.0
    paper, toner = srgb_of(np.array([PAPER, TONER])).astype(np.float32)
    img = paper + ink[..., None] * (toner - paper)
    alpha = np.ones(img.shape[:2], np.float32)
    for number in sheet.hidden:
        x, y = np.array(sheet.card.markers[number]) + np.array(sheet.card.size_mm) / 2
        reach = 0.45 * sheet.card.marker_mm
        a, b = np.round(10 * (np.array([x, y]) - reach)).astype(int)
        img[b : b + round(15 * reach), a : a + round(11 * reach)] = (0.25, 0.14, 0.08)
    if sheet.dirt:
        specks = rng.random((img.shape[0] // 6, img.shape[1] // 6), dtype=np.float32)
        big = cv2.resize(specks, (img.shape[1], img.shape[0]), interpolation=cv2.INTER_CUBIC)
        img[big > 1.0 - sheet.dirt] *= 0.35
    if sheet.cutout_mm is not None:
        w, h = (10 * np.array(sheet.cutout_mm)).round().astype(int)
        y, x = (img.shape[0] - h) // 2, (img.shape[1] - w) // 2
        alpha[y : y + h, x : x + w] = 0.0
        if sheet.layout is not None:
            board = _board(sheet, sheet.layout, colours)
            bh, bw = board.shape[:2]
            y, x = (img.shape[0] - bh) // 2, (img.shape[1] - bw) // 2
            img[y : y + bh, x : x + bw] = board
            alpha[y : y + bh, x : x + bw] = 1.0
    return img, alpha


def _board(sheet: Sheet, layout: Layout, colours: F64) -> F32:
    bw, bh = layout.size
    scale = 10 * sheet.chart_mm / sheet.printed / bw  # px a pitch: the print is drawn nominal
    board = board_picture(layout, colours, round(scale))
    size = (round(bw * scale), round(bh * scale))
    board = cv2.resize(board, size, interpolation=cv2.INTER_AREA)
    return np.asarray(board[::-1, ::-1] if sheet.turned else board, dtype=np.float32)


@dataclass
class Carded(Painted):
    """A photo with a card; `corners`, `centres` and `width_px` are the chart's if there is one."""

    card_corners: F64 | None = None
    mm_per_px: float = 0.0  # true, at the card's centre along the direction least shortened
    white: F64 | None = None  # (3,) working linear of the paper there


def paint_card(
    sheet: Sheet,
    placement: Placement,
    *,
    lab: F64,
    size: tuple[int, int] = (1600, 1200),
    scene: str = "leather",
    seed: int = 0,
    exposure: float = 0.7,
    noise: float = 0.004,
    blur: float = 0.7,
    falloff: float = 0.05,
    shade: float = 0.0,
    base: F32 | None = None,
) -> Carded:
    """A photo of a card; `placement.width_share` is that of the card; `shade` darkens a part."""
    rng = np.random.default_rng(seed)
    w, h = size
    img = background(scene, size, rng) if base is None else base.copy()
    colours = np.maximum(srgb_of(np.asarray(lab, float)), 0.0)
    flat, alpha = texture(sheet, colours, rng)
    # The chart painter's camera, told that the card is a board of its own size in nominal mm.
    cw, ch = sheet.card.size_mm
    hom = pose(placement, _Plane(cw, ch), size)  # type: ignore[arg-type]
    span = placement.width_share * w / cw  # px a nominal mm
    to_px = hom @ np.diag([0.1, 0.1, 1.0])
    mid = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    m = np.linalg.inv(mid) @ to_px @ mid
    rgba = np.concatenate([flat * alpha[..., None], alpha[..., None]], axis=2)
    if span < 8:
        rgba = cv2.GaussianBlur(rgba, (0, 0), 0.4 * 10 / span)
    over = cv2.warpPerspective(rgba, m, size, flags=cv2.INTER_LINEAR)
    img = img * (1 - over[..., 3:]) + over[..., :3]
    light = exposure * (1.0 - falloff * (np.arange(w, dtype=np.float32) / w - 0.5) * 2)
    field = np.broadcast_to(light, (h, w)).copy()
    if shade:
        x, y = warp_points(hom, np.array([[cw / 2, ch / 2]]))[0]
        a = rng.uniform(0, 2 * np.pi)
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        d = (xx - x) * np.cos(a) + (yy - y) * np.sin(a) - rng.uniform(-0.3, 0.3) * cw * span
        field *= 1 - shade * np.clip(d / (0.03 * cw * span) + 0.5, 0, 1)
    img = img * field[..., None]
    if blur:
        img = cv2.GaussianBlur(img, (0, 0), blur)
    img = img + rng.standard_normal(img.shape, dtype=np.float32) * np.float32(noise) * np.sqrt(
        np.maximum(img, 0.01)
    )
    edge = np.array([[0, 0], [cw, 0], [cw, ch], [0, ch]], float)
    middle = warp_points(hom, np.array([[cw / 2, ch / 2]]))[0]
    paper = srgb_of(np.array([PAPER]))[0] @ SRGB_TO_2020.T
    x, y = np.clip(middle.astype(int), 0, [w - 1, h - 1])
    return Carded(
        encoded=encode(img.astype(np.float32)),
        corners=_chart_points(sheet, hom, corners=True),
        centres=_chart_points(sheet, hom, corners=False),
        patches=colours @ SRGB_TO_2020.T,
        width_px=sheet.chart_mm / sheet.printed * span,
        layout=sheet.layout or Layout(),
        card_corners=warp_points(hom, edge),
        mm_per_px=sheet.printed / _strongest(hom, np.array([cw / 2, ch / 2])),
        white=paper * field[y, x],
        inner=_inner(sheet, hom) if sheet.layout is not None else None,
    )


@dataclass(frozen=True)
class _Plane:
    w: float
    h: float

    @property
    def size(self) -> tuple[float, float]:
        return self.w, self.h


def _to_card(sheet: Sheet, pitches: F64) -> F64:
    """Nominal mm of the card of places on the chart's board, in pitches."""
    assert sheet.layout is not None
    bw, bh = sheet.layout.size
    unit = sheet.chart_mm / sheet.printed / bw
    at = (pitches - np.array([bw, bh]) / 2) * unit
    return (-at if sheet.turned else at) + np.array(sheet.card.size_mm) / 2


def _chart_points(sheet: Sheet, hom: F64, *, corners: bool) -> F64:
    if sheet.layout is None:
        return np.zeros((4 if corners else 24, 2))
    bw, bh = sheet.layout.size
    own = np.array([[0, 0], [bw, 0], [bw, bh], [0, bh]], float)
    return warp_points(hom, _to_card(sheet, own if corners else patch_centres(sheet.layout)))


def _inner(sheet: Sheet, hom: F64) -> F64:
    assert sheet.layout is not None
    reach = (1 - sheet.layout.gap) / 4
    square = reach * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    points = (patch_centres(sheet.layout)[:, None] + square).reshape(-1, 2)
    return warp_points(hom, _to_card(sheet, points)).reshape(24, 4, 2)


def _strongest(hom: F64, at: F64) -> float:
    step = 1e-3
    here = warp_points(hom, at[None])[0]
    jac = np.stack(
        [(warp_points(hom, at[None] + step * unit)[0] - here) / step for unit in np.eye(2)], axis=1
    )
    return float(np.linalg.svd(jac, compute_uv=False)[0])
