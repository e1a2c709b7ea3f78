"""Tiles of two photos matched by what is fine in them, whichever way the lamp stood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.photo import Photo

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: Side of a JPEG's blocks, photo pixels, and how far about their frequencies is left out, bins.
_JPEG_PX, _NOTCH = 8.0, 1.5
#: Half the width of a peak, in pixels of twice the shift, and how high another may be over it.
_PEAK_PX, _SECOND = 7, 0.75


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """Tiles and where they lie in the other image.

    Attributes
    ----------
    places, moved
        Middles of the tiles in the first and in the second image, (N, 2), pixel corners.
    sure
        How far each tile's peak stands above chance, (N,); 0 where it is no single peak.
    surfaces
        (N, S, S): how well the tiles agree over twice the shift from where they were expected.
    reach_px
        How far they were searched.
    """

    places: Points
    moved: Points
    sure: Points
    surfaces: Array
    reach_px: float

    def together(self, chosen: Mask) -> tuple[Points, float]:
        """Shift (2,) from where tiles were expected that they share, and how sure it is."""
        own = self.surfaces[chosen]
        if not len(own):
            return np.zeros(2), 0.0
        own = own / np.maximum(own.std(axis=(1, 2), keepdims=True), np.float32(1e-12))
        shift, sure = _peaks(own.sum(axis=0, keepdims=True), 2.0 * self.reach_px)
        return 0.5 * shift[0], float(sure[0])


def detail(photo: Photo, box: Box | None, factor: int) -> Array:
    """Fine detail of a crop, reduced: brightness over its surroundings, everywhere as strong.

    Codes serve: what is looked at is where something changes, not by how much.
    """
    width, height = photo.size_px
    x0, y0, x1, y1 = box or (0, 0, width, height)
    codes = photo.encoded[y0:y1, x0:x1]
    size = (max(1, (x1 - x0) // factor), max(1, (y1 - y0) // factor))
    if factor > 1:
        # The last pixels that make no whole one are left off, as `Photo.linear` does.
        even = codes[: size[1] * factor, : size[0] * factor]
        codes = cast(NDArray[np.uint8], cv2.resize(even, size, interpolation=cv2.INTER_AREA))
    grey = cv2.cvtColor(codes, cv2.COLOR_RGB2GRAY).astype(np.float32)
    grey *= np.float32(255.0 / float(np.iinfo(codes.dtype).max))
    return fine_of(grey)


def fine_of(grey: Array) -> Array:
    """Fine detail of a picture in grey levels of 255, everywhere as strong."""
    slow = cv2.GaussianBlur(grey, (0, 0), 6.0)
    fine = grey - slow
    strong = np.sqrt(cv2.blur(fine * fine, (37, 37))) + np.float32(1.0)
    fine /= strong
    return cast(Array, np.clip(fine, -3.0, 3.0, out=fine))


def grid(box: Box, side: int, step: int) -> Points:
    """Centres of tiles that lie within a box, evenly spread."""
    x0, y0, x1, y1 = box

    def along(low: int, high: int) -> NDArray[np.float64]:
        count = max(1, 1 + (high - low - side) // step)
        return np.floor(np.linspace(low + side / 2, max(low + side / 2, high - side / 2), count))

    x, y = np.meshgrid(along(x0, x1), along(y0, y1))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def matched(
    a: Array, b: Array, centres: Points, near: Points, side: int, *, factor: int, reach_px: float
) -> Match:
    """Match tiles of `a` with tiles of `b`.

    Parameters
    ----------
    centres, near
        Middles of the tiles in `a`, and about where they lie in `b`, (N, 2).
    factor
        Photo pixels a pixel of them.
    reach_px
        How far off they may lie, each way.

    Returns
    -------
    Match
        Of the tiles that lie within both images.
    """
    half = side // 2
    at, to = np.floor(centres).astype(int), np.round(near).astype(int)
    # A tile that sticks out is moved in; the other by as much.
    low, high = np.full(2, half), np.array([b.shape[1], b.shape[0]]) - half
    inward = np.clip(to, low, high) - to
    at, to = at + inward, to + inward
    limit = np.array([a.shape[1], a.shape[0]]) - half
    keep = ((at >= half) & (at <= limit)).all(axis=1) & (np.abs(inward).max(axis=1) <= half)
    at, to = at[keep], to[keep]
    if not len(at):
        none = np.zeros((0, 2))
        return Match(none, none, np.zeros(0), np.zeros((0, side, side), np.float32), reach_px)
    window = cv2.createHanningWindow((side, side), cv2.CV_32F)
    spectra = []
    for image, places in ((a, at), (b, to)):
        cut = np.stack([image[y - half : y + half, x - half : x + half] for x, y in places])
        cut = (cut - cut.mean(axis=(1, 2), keepdims=True)) * window
        spectra.append(np.fft.rfft2(cut))
    cross = np.conj(spectra[0]) * spectra[1]
    # Squared, the strength tamed to its root.
    strong = np.abs(cross) ** 1.5 + np.float32(1e-6)
    band = _band(side, factor)
    surface = cast(Array, np.fft.irfft2(cross * cross / strong * band, s=(side, side)))
    shift, sure = _peaks(surface, 2.0 * reach_px)
    return Match(at.astype(np.float64), to + 0.5 * shift, sure, surface, reach_px)


def _band(side: int, factor: int) -> Array:
    """Frequencies that count: not the slow light, not the noise, not the blocks of a JPEG.

    Blocks of 8 pixels lie at the same places in every photo and would say that nothing moved.
    """
    down = np.fft.fftfreq(side)
    across = np.fft.rfftfreq(side)
    r = np.hypot(down[:, None], across[None])
    block = factor / _JPEG_PX
    y, x = (np.abs(f - block * np.round(f / block)) * side for f in (down, across))
    blocks = (y[:, None] <= _NOTCH) & (x[None] <= _NOTCH)
    return cast(Array, (np.exp(-0.5 * (r / 0.2) ** 2) * (r > 1.5 / side) * ~blocks).astype("f4"))


def _peaks(surface: Array, reach: float) -> tuple[Points, NDArray[np.float64]]:
    """Place of the highest peak of periodic surfaces (N, S, S), to a fraction, and its height.

    Only places up to `reach` from the origin are looked at, each way.
    """
    count, side, _ = surface.shape
    flat = surface.reshape(count, -1)
    near = np.abs(np.fft.fftfreq(side, 1.0 / side)) <= reach
    seen = np.where((near[:, None] & near[None]).ravel(), flat, -np.inf)
    best = seen.argmax(axis=1)
    rows, columns = np.divmod(best, side)
    n = np.arange(count)
    top = flat[n, best]
    spread = flat.std(axis=1)
    sure = (top - flat.mean(axis=1)) / np.maximum(spread, 1e-12)
    # A ridge, as from a straight rim alone, tells one direction only: it is no peak.
    places = np.arange(side)
    off_y, off_x = (
        np.minimum(d, side - d)
        for d in (np.abs(places - rows[:, None]), np.abs(places - columns[:, None]))
    )
    beside = (off_y[:, :, None] > _PEAK_PX) | (off_x[:, None, :] > _PEAK_PX)
    second = np.where(beside.reshape(count, -1), seen, -np.inf).max(axis=1)
    sure[second > _SECOND * top] = 0.0
    shift = np.empty((count, 2))
    for axis, (at, before, after) in enumerate(
        (
            (
                columns,
                surface[n, rows, (columns - 1) % side],
                surface[n, rows, (columns + 1) % side],
            ),
            (rows, surface[n, (rows - 1) % side, columns], surface[n, (rows + 1) % side, columns]),
        )
    ):
        curve = before - 2.0 * top + after
        part = np.where(curve < 0, 0.5 * (before - after) / np.minimum(curve, -1e-12), 0.0)
        shift[:, axis] = (at + side // 2) % side - side // 2 + part
    return shift, sure.astype(np.float64)
