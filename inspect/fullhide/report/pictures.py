"""Pictures for the pages: each photo made small, close-ups of findings, straightened seams.

Each photo is read once, decoded no larger than its pictures need, several at a time. What a
camera writes beside the picture (place, time, owner) is not carried over.
"""

from __future__ import annotations

import hashlib
import io
import math
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.errors import FullhideError
from fullhide.files import why
from fullhide.outlines import BANDS
from fullhide.photo import open_photo
from fullhide.report import words
from fullhide.report.marks import View, whole
from fullhide.report.page import Before, Mark, Page, PhotoFacts, Region, Spot
from fullhide.seam import centre_line, normals

__all__ = ["BUDGET_BYTES", "Picture", "Pictures", "make_pictures"]

Image = NDArray[np.uint8]

#: What all pictures of a report may weigh together, bytes. The page and the PDF hold them once
#: each (the page as base64, a third more), so that both stay under 40 MB together.
BUDGET_BYTES = 14_000_000
# Shares of it, and the most that one picture may take (our own choice).
_MAIN_SHARE, _CLOSE_SHARE, _STRIP_SHARE = 0.6, 0.2, 0.2
_MAIN_BYTES, _CLOSE_BYTES, _STRIP_BYTES = 300_000, 16_000, 120_000
_MAIN_SIDE, _CLOSE_SIDE, _STRIP_SIDE = 1600, 280, 1600
_QUALITY = 80
_LEAST_SIDE = 120
#: A photo whose findings are shown close up is read at this many pixels at least.
_DETAIL_SIDE = 1600
#: Of smooth leather at that quality, per square of the longer side: seldom less (seen, not
#: derived).
_BYTES_A_PIXEL = 0.06
_CLOSE_SHOWN_PX = 160.0
#: A close-up shows this many times the finding's size, and at least so many photo pixels.
_AROUND, _LEAST_AROUND_PX = 2.6, 120.0
#: Close-ups of a region: the largest findings.
_MOST_CLOSE = 6


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A JPEG, the view of the photo that it shows, and its marks in that view."""

    jpeg: bytes
    size: tuple[int, int]
    view: View
    marks: tuple[Mark, ...] = ()
    mm_per_unit: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Pictures:
    """All pictures of a report.

    Attributes
    ----------
    photos
        By the photo's key.
    close
        By the photo's key and the spot's label.
    seams
        By the photo's key and the region's name.
    earlier
        The earlier photo laid over the later one, by the keys of both.
    problems
        Photos that could not be shown, or are not as they were inspected; a line each.
    told
        The same as the pages tell it.
    """

    photos: dict[str, Picture] = field(default_factory=dict)
    close: dict[tuple[str, str], Picture] = field(default_factory=dict)
    seams: dict[tuple[str, str], Picture] = field(default_factory=dict)
    earlier: dict[tuple[str, str], Picture] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Plan:
    main: int
    close: int
    strip: int


def make_pictures(page: Page, folder: Path, *, budget_bytes: int = BUDGET_BYTES) -> Pictures:
    """Make every picture of a page.

    Parameters
    ----------
    page
        The facts; its photos' files are relative to `folder`.
    budget_bytes
        What all pictures together may weigh; the more photos, the smaller each.

    Returns
    -------
    Pictures
        A photo that cannot be opened is missing from it and stands in its problems.
    """
    regions: dict[str, list[Region]] = {}
    for region in page.regions:
        regions.setdefault(region.photo, []).append(region)
    pairs: dict[str, list[tuple[PhotoFacts, Before]]] = {}
    for pair in (pair for part in page.parts for pair in part.pairs if pair.place):
        pairs.setdefault(pair.before, []).append((page.photo(pair.after), pair))
    seams = sum(r.kind in BANDS and bool(r.photo) for r in page.regions)
    spots = sum(len(_closest(r)) for r in page.regions)
    mains = len(page.photos) + sum(len(mine) for mine in pairs.values())
    plan = _Plan(
        main=min(_MAIN_BYTES, int(_MAIN_SHARE * budget_bytes / max(1, mains))),
        close=min(_CLOSE_BYTES, int(_CLOSE_SHARE * budget_bytes / max(1, spots))),
        strip=min(_STRIP_BYTES, int(_STRIP_SHARE * budget_bytes / max(1, seams))),
    )

    def one(photo: PhotoFacts) -> Pictures:
        try:
            mine = regions.get(photo.key, [])
            return _of_photo(folder / photo.file, photo, mine, pairs.get(photo.key, []), plan)
        except FullhideError as error:
            return Pictures(problems=(str(error),))
        except OSError as error:
            return Pictures(problems=(f"{folder / photo.file}: cannot be shown ({why(error)})",))

    # Decoding and scaling let other threads run.
    with ThreadPoolExecutor(max_workers=max(1, min(4, os.cpu_count() or 1))) as pool:
        made = list(pool.map(one, page.photos))
    problems = tuple(problem for part in made for problem in part.problems)
    return Pictures(
        photos={key: picture for part in made for key, picture in part.photos.items()},
        close={key: picture for part in made for key, picture in part.close.items()},
        seams={key: picture for part in made for key, picture in part.seams.items()},
        earlier={key: picture for part in made for key, picture in part.earlier.items()},
        problems=problems,
        told=tuple(words.sentence(words.inside(problem, folder)) for problem in problems),
    )


def _closest(region: Region) -> Sequence[Spot]:
    """The spots that get a close-up."""
    return sorted(region.spots, key=lambda spot: -(spot.area_mm2 or 0.0))[:_MOST_CLOSE]


def _of_photo(
    path: Path,
    photo: PhotoFacts,
    regions: Iterable[Region],
    pairs: Iterable[tuple[PhotoFacts, Before]],
    plan: _Plan,
) -> Pictures:
    data = path.read_bytes()
    if photo.sha256 and hashlib.sha256(data).hexdigest() != photo.sha256:
        # Old marks on a new picture would tell lies.
        raise FullhideError(path, "is no longer the photo that was inspected", "inspect again")
    wanted = [(region, _closest(region)) for region in regions]
    detail = any(spots for _, spots in wanted)
    side = _side_of(plan.main)
    image = _decoded(path, data, photo.size_px, max(2 * side, _DETAIL_SIDE) if detail else side)
    scale = np.array([image.shape[1], image.shape[0]]) / photo.size_px
    made = Pictures()
    small, jpeg = _fitted(image, side, plan.main)
    made.photos[photo.key] = Picture(jpeg, small, whole(photo.size_px), photo.marks)
    for later, pair in pairs:
        made.earlier[pair.before, pair.after] = _laid_over(image, scale, later, pair, plan.main)
    for region, spots in wanted:
        for spot in spots:
            made.close[photo.key, spot.label] = _close_up(image, scale, spot, photo, plan.close)
        outline = next((o for o in photo.outlines if o.name == region.name), None)
        if region.kind in BANDS and outline is not None:
            ring = np.array(outline.ring, np.float64)
            made.seams[photo.key, region.name] = _strip(
                image, scale, ring, region, photo, plan.strip
            )
    return made


# ---------------------------------------------------------------- reading


def _decoded(path: Path, data: bytes, size_px: tuple[int, int], side: int) -> Image:
    """Upright RGB in sRGB, not much larger than `side` where the format allows it."""
    image = _quick(data, size_px, side)
    if image is None:
        image = open_photo(path).preview(2 * side)[0]
    if abs(image.shape[1] / image.shape[0] - size_px[0] / size_px[1]) > 0.02:
        raise FullhideError(path, "has another shape than when it was inspected", "inspect again")
    return image


def _quick(data: bytes, size_px: tuple[int, int], side: int) -> Image | None:
    """A JPEG decoded at a fraction of its size; None for whatever takes the ordinary way."""
    if not data.startswith(b"\xff\xd8\xff"):
        return None
    from PIL import Image as Files

    try:
        with Files.open(io.BytesIO(data), formats=["JPEG"]) as file:
            if file.mode not in ("RGB", "L") or max(file.size) != max(size_px):
                return None
            profile = file.info.get("icc_profile")
    except (OSError, ValueError, SyntaxError, Files.DecompressionBombError):
        return None
    # The decoder leaves out what a smaller picture does not need.
    most = max(size_px) // side
    flag = next((flag for times, flag in _REDUCED if times <= most), cv2.IMREAD_COLOR)
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flag)
    if decoded is None:
        return None
    image = np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)
    return _in_srgb(image, profile) if profile else image


_REDUCED = (
    (8, cv2.IMREAD_REDUCED_COLOR_8),
    (4, cv2.IMREAD_REDUCED_COLOR_4),
    (2, cv2.IMREAD_REDUCED_COLOR_2),
)


def _in_srgb(image: Image, profile: bytes) -> Image | None:
    """The picture's colours from the space that its profile names; None if it cannot be used."""
    from PIL import Image as Files
    from PIL import ImageCms

    try:
        turned = ImageCms.profileToProfile(
            Files.fromarray(image),
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            outputMode="RGB",
        )
    except (OSError, ValueError, ImageCms.PyCMSError):
        return None
    return np.asarray(turned, np.uint8)


# ---------------------------------------------------------------- pictures


def _side_of(most_bytes: int) -> int:
    """Longer side of a picture that may well take so many bytes, pixels."""
    return min(_MAIN_SIDE, max(_LEAST_SIDE, round(math.sqrt(most_bytes / _BYTES_A_PIXEL))))


def _fitted(image: Image, side: int, most_bytes: int) -> tuple[tuple[int, int], bytes]:
    """The picture as a JPEG of at most `side` pixels and about `most_bytes`."""
    height, width = image.shape[:2]
    factor = min(1.0, side / max(width, height))
    while True:
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        shown = image
        if size != (width, height):
            shown = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
        turned = cv2.cvtColor(shown, cv2.COLOR_RGB2BGR)
        done, data = cv2.imencode(".jpg", turned, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        if not done:
            raise FullhideError("a picture", "cannot be made into a JPEG", "report this photo")
        if len(data) <= most_bytes or max(size) <= _LEAST_SIDE:
            return size, data.tobytes()
        factor *= max(0.35, min(0.9, 0.95 * (most_bytes / len(data)) ** 0.5))


def _laid_over(
    image: Image, scale: NDArray[Any], later: PhotoFacts, pair: Before, most_bytes: int
) -> Picture:
    """The earlier photo as the later one would have shown it."""
    assert pair.place is not None
    factor = min(1.0, _side_of(most_bytes) / max(later.size_px))
    size = (max(1, round(later.size_px[0] * factor)), max(1, round(later.size_px[1] * factor)))
    grow, x, y = pair.place
    matrix = np.array(
        [[grow * factor / scale[0], 0.0, x * factor], [0.0, grow * factor / scale[1], y * factor]]
    )
    # The page's own grey where the earlier photo shows nothing.
    laid = cv2.warpAffine(image, matrix, size, flags=cv2.INTER_AREA, borderValue=(243, 243, 241))
    fitted, jpeg = _fitted(np.asarray(laid, np.uint8), _MAIN_SIDE, most_bytes)
    return Picture(jpeg, fitted, whole(later.size_px))


def _close_up(
    image: Image, scale: NDArray[Any], spot: Spot, photo: PhotoFacts, most_bytes: int
) -> Picture:
    """A square around a spot, inside the photo."""
    x0, y0, x1, y1 = spot.box_px
    side = max(_AROUND * max(x1 - x0, y1 - y0), _LEAST_AROUND_PX, 40.0 / float(scale.min()))
    side = min(side, *photo.size_px)
    low = [
        min(max((a + b) / 2 - side / 2, 0.0), size - side)
        for a, b, size in ((x0, x1, photo.size_px[0]), (y0, y1, photo.size_px[1]))
    ]
    corner = np.floor(np.array(low) * scale).astype(int)
    end = np.maximum(corner + 1, np.floor((np.array(low) + side) * scale).astype(int))
    crop = image[corner[1] : end[1], corner[0] : end[0]]
    size, jpeg = _fitted(_larger(crop), _CLOSE_SIDE, most_bytes)
    origin, far = corner / scale, end / scale
    view = View(
        (float(far[0] - origin[0]), float(far[1] - origin[1])),
        np.array([[1.0, 0.0, -origin[0]], [0.0, 1.0, -origin[1]]]),
        shown_px=_CLOSE_SHOWN_PX,
    )
    # Brackets around it without a number: the number stands beside the picture.
    word = next(mark.word for mark in photo.marks if mark.label == spot.label)
    marks = (Mark(label="", word=word, box_px=spot.box_px, patch=True),)
    return Picture(jpeg, size, view, marks, photo.mm_per_px)


def _larger(crop: Image) -> Image:
    """A tiny crop made large enough to be looked at."""
    side = max(crop.shape[:2])
    if side >= 160:
        return crop
    size = (round(crop.shape[1] * 160 / side), round(crop.shape[0] * 160 / side))
    return np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_CUBIC), np.uint8)


def _strip(
    image: Image,
    scale: NDArray[Any],
    ring: NDArray[np.float64],
    region: Region,
    photo: PhotoFacts,
    most_bytes: int,
) -> Picture:
    """A seam or edge straightened: along it from its start at the left, across it downwards."""
    step = float(1.0 / scale.min())
    line, half = centre_line(ring, step_px=step)
    rows = max(9, int(np.ceil(3.0 * half / step)))
    offsets = (np.arange(rows) + 0.5 - rows / 2.0) * step
    points = (line[None] + offsets[:, None, None] * normals(line)[None]) * scale - 0.5
    grid = points.astype(np.float32)
    straight = np.asarray(
        cv2.remap(
            image, grid[..., 0].copy(), grid[..., 1].copy(), cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255),
        ),
        np.uint8,
    )  # fmt: skip
    size, jpeg = _fitted(straight, _STRIP_SIDE, most_bytes)
    # The strip's own units are photo pixels along and across.
    view = View((len(line) * step, rows * step), np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    known = {mark.label: mark for mark in photo.marks}
    marks = [
        Mark(label=spot.label, word=known[spot.label].word, box_px=_along(spot, line, step, rows))
        for spot in region.spots
        if spot.label in known
    ]
    return Picture(jpeg, size, view, tuple(marks), photo.mm_per_px)


def _along(
    spot: Spot, line: NDArray[np.float64], step: float, rows: int
) -> tuple[int, int, int, int]:
    """The box of a spot along and across a seam."""
    x0, y0, x1, y1 = spot.box_px
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)
    gaps = ((corners[:, None] - line[None]) ** 2).sum(axis=2)
    nearest = gaps.argmin(axis=1)
    across = ((corners - line[nearest]) * normals(line)[nearest]).sum(axis=1) + rows * step / 2
    along = nearest * step
    return int(along.min()), int(across.min()), int(along.max()) + 1, int(across.max()) + 1
