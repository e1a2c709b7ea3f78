"""The chart's exact place: patch edges to a fraction of a pixel, then the board's outer edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide._chart_find import project

__all__ = ["Board", "Picture", "Pose", "find_board", "refine"]

F64: TypeAlias = NDArray[np.float64]
F32: TypeAlias = NDArray[np.float32]
Box: TypeAlias = tuple[int, int, int, int]

GRID = np.array([[j, i] for i in range(4) for j in range(6)], dtype=np.float64)
_MARGIN = 1.7  # pitches around the outer patch centres that are looked at: own choice
_FULL_PITCH = 110.0  # above this many px a pitch the reduced picture is sharp enough: own choice
_MIN_EDGES = 12  # patches with clear edges on all sides: own choice
# Where a board's edge cannot be seen: centre of the outer patch to the board's edge, in
# pitches, and its standard uncertainty. Own choice, spanning boards with narrow and wide rims.
NOMINAL_RIM = 0.68
NOMINAL_RIM_U = 0.12
_LOPSIDED = 0.2  # pitches between left and right rim: more is a shadow or a mat, not the board


class Picture(Protocol):
    """What chart reading needs of a photo."""

    @property
    def size_px(self) -> tuple[int, int]: ...

    @property
    def encoded(self) -> NDArray[np.uint8] | NDArray[np.uint16]: ...

    @property
    def matrix(self) -> F64: ...

    def linear(self, box: Box | None = None) -> F32: ...

    def clipped(self, box: Box | None = None) -> NDArray[np.bool_]: ...

    def preview(self, max_side: int) -> tuple[NDArray[np.uint8], float]: ...


@dataclass(frozen=True, slots=True)
class Pose:
    """Grid to px, how well patch edges obey it, and the size of a patch.

    Attributes
    ----------
    homography
        (3, 3) from patch grid (column j, row i at patch centres) to photo px.
    half
        Half a patch's side in pitches.
    rms
        Root mean square distance of the patch centres seen from those predicted, in pitches.
    edges
        Patches with clear edges on all four sides.
    """

    homography: F64
    half: float
    rms: float
    edges: int


@dataclass(frozen=True, slots=True)
class Board:
    """The board's outer edges in grid units, and which of them were seen.

    Attributes
    ----------
    rim
        (4,) left, top, right, bottom: from the centre of the outer patches to the board's edge.
    seen
        (4,) bool.
    soft
        (4,) width of each edge's rise from a fifth to four fifths, in pitches.
    hand_u
        Standard uncertainty of marks made by hand, in pitches; None where nobody marked.
    """

    rim: F64
    seen: NDArray[np.bool_]
    soft: F64
    hand_u: float | None = None

    @property
    def width(self) -> float:
        """Outer width in pitches."""
        return float(5.0 + self.rim[0] + self.rim[2])

    @property
    def height(self) -> float:
        """Outer height in pitches."""
        return float(3.0 + self.rim[1] + self.rim[3])

    @property
    def width_u(self) -> float:
        """Standard uncertainty of the width, relative."""
        marked = self.hand_u is not None
        unseen = self.hand_u if self.hand_u is not None else NOMINAL_RIM_U
        trusted = self.seen & (marked or self.sure)
        each = np.where(trusted, 0.008 + 0.25 * self.soft, unseen)  # own choice, from the bench
        return float(np.hypot(each[0], each[2]) / self.width)

    @property
    def sure(self) -> bool:
        """Whether both ends of the width were seen, at like distances from the patches."""
        ends = bool(self.seen[0] and self.seen[2])
        return ends and abs(float(self.rim[0] - self.rim[2])) < _LOPSIDED

    def corners(self) -> F64:
        """(4, 2) in grid units, dark skin's corner first, clockwise in the chart's frame."""
        left, top, right, bottom = self.rim
        x0, y0, x1, y1 = -left, -top, 5.0 + right, 3.0 + bottom
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def pitch_px(hom: F64) -> float:
    """Geometric mean pitch at the chart's centre, px."""
    return float(np.sqrt(abs(np.linalg.det(jacobian(hom, np.array([2.5, 1.5]))))))


def jacobian(hom: F64, at: F64) -> F64:
    """(2, 2) derivative of the homography at a point."""
    q = hom @ np.array([at[0], at[1], 1.0])
    return np.asarray((hom[:2, :2] - np.outer(q[:2] / q[2], hom[2, :2])) / q[2])


def rectify(photo: Picture, hom: F64) -> tuple[F32, int] | None:
    """The chart seen straight on, square-root encoded, and px per pitch; None off the photo."""
    corner = project(hom, np.array([[-0.5, -0.5], [5.5, -0.5], [5.5, 3.5], [-0.5, 3.5]]))
    w, h = photo.size_px
    if np.any(corner < -2) or np.any(corner > np.array([w, h]) + 2):
        return None
    pitch = pitch_px(hom)
    if pitch > _FULL_PITCH:
        small, scale = photo.preview(1000)
        if pitch * scale < 22.0:
            small, scale = photo.preview(2000)
        source: NDArray[np.uint8] | F32 = small
        shift = np.diag([scale, scale, 1.0])
    else:
        box = _reach(hom, (w, h))
        source = np.asarray(cv2.sqrt(np.clip(photo.linear(box), 0.0, 4.0)), dtype=np.float32)
        scale = 1.0
        shift = np.array([[1.0, 0, -box[0]], [0, 1.0, -box[1]], [0, 0, 1.0]])
    per = int(np.clip(round(pitch * scale), 16, 80))
    to_grid = np.array(
        [[1 / per, 0, 0.5 / per - _MARGIN], [0, 1 / per, 0.5 / per - _MARGIN], [0, 0, 1.0]]
    )
    m = shift @ hom @ to_grid
    m[:2] -= 0.5 * m[2]  # continuous frame to pixel numbers
    size = (round((5 + 2 * _MARGIN) * per), round((3 + 2 * _MARGIN) * per))
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(source, m, size, flags=how).astype(np.float32)
    # Steps are judged against the chart's own white, whatever the exposure.
    stride = max(1, per // 8)
    flat /= max(float(np.percentile(flat[::stride, ::stride], 98)), 1e-3)
    # Beyond the photo's edge nothing is known.
    frame = np.full(source.shape[:2], 255, np.uint8)
    flat[cv2.warpPerspective(frame, m, size, flags=how) < 255] = -1.0
    return flat, per


def _reach(hom: F64, size: tuple[int, int]) -> Box:
    m = _MARGIN
    pts = project(hom, np.array([[-m, -m], [5 + m, -m], [5 + m, 3 + m], [-m, 3 + m]]))
    mid = project(hom, np.array([[2.5, 1.5]]))[0]
    # A strong tilt throws the far margin out of all proportion.
    far = 2.5 * np.abs(project(hom, GRID[[0, 5, 18, 23]]) - mid).max()
    pts = np.clip(pts, mid - far, mid + far)
    x0, y0 = np.floor(pts.min(axis=0)).astype(int) - 2
    x1, y1 = np.ceil(pts.max(axis=0)).astype(int) + 3
    return max(0, int(x0)), max(0, int(y0)), min(size[0], int(x1)), min(size[1], int(y1))


def refine(photo: Picture, hom: F64, *, rounds: int = 2) -> Pose | None:
    """Move the grid onto the patches' own edges; None where there are no such edges."""
    pose: Pose | None = None
    for number in range(rounds):
        seen = rectify(photo, hom)
        if seen is None:
            return None
        flat, per = seen
        profiles = np.stack([_profiles(flat, per, axis) for axis in (0, 1)])
        half = _half(profiles, per) if pose is None else pose.half
        if half is None:
            return None
        slack = 0.13 if number == 0 else 0.08
        offset, size, good = _offsets(profiles, per, half, slack)
        if good.sum() < _MIN_EDGES:
            return None
        moved = GRID + offset
        found, _ = cv2.findHomography(GRID[good], moved[good], 0)
        if found is None:
            return None
        fit = np.asarray(found, dtype=np.float64)
        miss = np.hypot(*(project(fit, GRID[good]) - moved[good]).T)
        keep = miss <= max(3.0 * float(np.median(miss)), 0.03)
        if _MIN_EDGES <= keep.sum() < len(keep):
            ok = np.flatnonzero(good)[keep]
            fit, _ = cv2.findHomography(GRID[ok], moved[ok], 0)
            if fit is None:
                return None
            miss = miss[keep]
        hom = hom @ fit
        hom /= hom[2, 2]
        rms = float(np.sqrt((miss**2).mean()))
        pose = Pose(hom, float(np.median(size[good])), rms, int(good.sum()))
    return pose


def _profiles(flat: F32, per: int, axis: int) -> F32:
    """(24, n, 3) mean across each patch's middle, along x (axis 0) or y, from -0.8 to 0.8 pitch."""
    reach, across = round(0.8 * per), max(1, round(0.26 * per))
    out = []
    for j, i in GRID:
        x, y = round((j + _MARGIN) * per - 0.5), round((i + _MARGIN) * per - 0.5)
        if axis == 0:
            out.append(flat[y - across : y + across + 1, x - reach : x + reach + 1].mean(axis=0))
        else:
            out.append(flat[y - reach : y + reach + 1, x - across : x + across + 1].mean(axis=1))
    return np.stack(out)


def _fall(profiles: F32) -> F32:
    """How much the signal falls from each sample to the next one outward: (…, 24, 2 sides, n)."""
    d = np.diff(profiles.sum(axis=-1), axis=-1)
    middle = d.shape[-1] // 2
    outward = np.stack([d[..., :middle][..., ::-1], -d[..., -middle:]], axis=-2)
    return np.asarray(outward, dtype=np.float32)


def _half(profiles: F32, per: int) -> float | None:
    """Half a patch's side in pitches, where most patches fall to the board together."""
    fall = np.maximum(_fall(profiles), 0.0)
    fall = np.minimum(fall, 0.25)  # no single bright patch decides
    mean = cv2.GaussianBlur(fall.mean(axis=(0, 1, 2))[None], (0, 0), 0.03 * per)[0]
    at = (np.arange(len(mean)) + 0.5) / per  # sample k lies between pixels k and k + 1
    window = (at > 0.28) & (at < 0.52)
    if not window.any():
        return None
    k = int(np.argmax(np.where(window, mean, -1.0)))
    return float(at[k]) if mean[k] > 0.004 else None


def _offsets(
    profiles: F32, per: int, half: float, slack: float
) -> tuple[F64, F64, NDArray[np.bool_]]:
    """Centre offset (24, 2) and half size (24,) in pitches, and which patches gave clear edges."""
    fall = _fall(profiles)  # (2 axes, 24, 2 sides, n)
    at = (np.arange(fall.shape[-1]) + 0.5) / per
    inside = np.abs(at - half) <= max(slack, 1.6 / per)
    masked = np.where(inside, fall, -1.0)
    k = np.clip(masked.argmax(axis=-1), 1, fall.shape[-1] - 2)[..., None]
    low, top, high = (np.take_along_axis(fall, k + s, axis=-1)[..., 0] for s in (-1, 0, 1))
    bend = low - 2.0 * top + high
    shift = np.where(bend < -1e-6, 0.5 * (low - high) / np.minimum(bend, -1e-6), 0.0)
    place = at[k[..., 0]] + np.clip(shift, -0.5, 0.5) / per  # (2, 24, 2)
    # x was rounded to a pixel when the profile was cut: put that back.
    grid = GRID.T + _MARGIN
    cut = (np.rint(grid * per - 0.5) + 0.5) / per - grid
    offset = 0.5 * (place[..., 1] - place[..., 0]) + cut
    good = np.asarray((top > 0.02).all(axis=(0, 2)), dtype=np.bool_)
    size = 0.5 * (place[..., 0] + place[..., 1]).mean(axis=0)
    return np.asarray(offset.T, dtype=np.float64), np.asarray(size, dtype=np.float64), good


def find_board(photo: Picture, pose: Pose) -> Board:
    """The board's outer edge on each side, where it stands out from what lies around it."""
    rim, soft = np.full(4, NOMINAL_RIM), np.zeros(4)
    seen = np.zeros(4, bool)
    view = rectify(photo, pose.homography)
    if view is not None:
        flat, per = view
        for side in range(4):
            turned = _turned(flat, side)
            # Where the outer patch centres lie: counted from the far end if turned round.
            along = 3 if side % 2 else 5
            last = (_MARGIN + along) * per if side >= 2 else turned.shape[1] - _MARGIN * per
            place = _side(turned, per, pose.half, 6 if side % 2 else 4, last)
            if place is not None:
                rim[side], soft[side], seen[side] = *place, True
    for side in range(4):  # a hidden edge is taken like the one opposite
        other = (side + 2) % 4
        if not seen[side] and seen[other]:
            rim[side] = rim[other]
    return Board(rim, seen, soft)


def _turned(flat: F32, side: int) -> F32:
    """The picture turned so that the side looked at lies to the right (x grows outward)."""
    if side == 0:
        return np.asarray(flat[:, ::-1])
    if side == 2:
        return flat
    turned = flat.transpose(1, 0, 2)
    return np.asarray(turned[:, ::-1] if side == 1 else turned)


def _side(flat: F32, per: int, half: float, count: int, last: float) -> tuple[float, float] | None:
    """Pitches from the outer patch centres to the board's edge and its softness, or None."""
    y0 = round((_MARGIN - half) * per)
    y1 = round((_MARGIN + count - 1 + half) * per)
    start = round(last + (half + 0.05) * per)
    strip = flat[y0:y1, start:]
    known = strip[..., 0] >= 0.0
    middle = np.median(np.where(known[..., None], strip, np.nan), axis=0)
    depth = int((known.mean(axis=0) > 0.9).sum())
    if depth < max(4, 0.06 * per):
        return None
    middle = middle[:depth]
    first = middle[: max(2, round(0.12 * per))].sum(axis=1)
    # Dark, but not the darkest: sharpening digs a ditch beside a bright edge.
    board = middle[int(np.argsort(first)[len(first) // 3])]
    away = np.abs(middle - board).sum(axis=1)
    run = max(2, round(0.06 * per))
    for k in range(1, depth - run):
        if (away[k : k + run] > 0.10).all():
            place = _edge(strip[:, :depth], k, run, board, (start - last) / per, per)
            if place is not None:
                return place
    return None


def _edge(
    strip: F32, k: int, run: int, board: F32, origin: float, per: int
) -> tuple[float, float] | None:
    """The edge near sample `k` on each scan line; the median if most lines agree."""
    outside = np.median(strip[:, k + run - 1 : k + 2 * run], axis=(0, 1))
    step = outside - board
    size = float(step @ step)
    if size < 0.004:
        return None
    share = np.clip((strip - board) @ step / size, -0.5, 1.5)  # 0 on the board, 1 outside
    lo, hi = max(0, k - 2 * run), min(share.shape[1], k + 2 * run)
    part = share[:, lo:hi]
    above = part > 0.5
    crossing = above.argmax(axis=1)
    ok = above.any(axis=1) & (crossing > 0)
    rows = np.flatnonzero(ok)
    if len(rows) < 0.5 * len(strip):
        return None
    c = crossing[rows]
    before, after = part[rows, c - 1], part[rows, c]
    place = lo + c - 1 + (0.5 - before) / np.maximum(after - before, 1e-6)
    middle = float(np.median(place))
    agree = np.abs(place - middle) < max(0.04 * per, 0.7)
    if agree.sum() < 0.5 * len(strip):
        return None
    # Sample n of the strip has its middle half a pixel further on.
    rise = np.median(share, axis=0)[lo:hi]
    soft = int(((rise > 0.2) & (rise < 0.8)).sum()) / per
    return origin + (float(np.median(place[agree])) + 0.5) / per, soft
