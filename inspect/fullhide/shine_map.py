"""How a highlight lies over a panel, block by block, for places of another sheen.

What a pixel holds beside its own colour in more or less light is highlight (`fullhide.shine`): its
mean over a block moves with the sheen of the surface and hardly with its shade. On a grey, black
or white surface it cannot be told from shade at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide.colour import WHITE_D50
from fullhide.region import RegionView
from fullhide.shine import Flats, axis_of, fine_of, noise_of

__all__ = ["ShineMap", "shine_map"]

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

#: Side of a block, mm, and the least share of it that must be judged (our own choices).
_BLOCK_MM, _FILLED = 2.0, 0.6
#: Sine of the angle between the surface's colour and the light's, in XYZ over a white's, from which
#: a highlight is told from shade (our own choice: a tan has 0.3, a cream 0.1).
_COLOURED = 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShineMap:
    """A panel's highlight; images are float32 (h, w), in parts of a white or squares of it.

    Attributes
    ----------
    level
        Mean highlight over that of the panel's middle colour.
    bright
        Mean brightness.
    odd
        Mean of what neither shade nor highlight make of a colour.
    least
        The least of X, Y and Z over a white's: no more of a block's light can be highlight.
    whole, shared, glint
        Variance of brightness over the grain, its covariance with the highlight, and the
        highlight's variance, less what noise brings.
    noise
        What noise brought to `shared`, `whole` and `glint`.
    good
        Blocks that can be judged, bool (h, w).
    side_px, side_mm
        Side of a block in view pixels and in mm.
    coloured
        Whether the surface has colour enough for its highlight to be told from shade.
    burnt
        Share of the panel that is burnt out.
    """

    level: Array
    bright: Array
    odd: Array
    least: Array
    whole: Array
    shared: Array
    glint: Array
    noise: tuple[float, float, float]
    good: Mask
    side_px: int
    side_mm: float
    coloured: bool
    burnt: float


def shine_map(view: RegionView, judged: Mask, *, flats: Flats) -> ShineMap:
    """Map a panel's highlight.

    Parameters
    ----------
    view
        The panel; at least one of its pixels is judged.
    judged
        Pixels that show the bare finish, (H, W): no spots, no things that lie there.
    flats
        What noise does in the photo that `view` shows, at its scale.
    """
    middle, along = axis_of(view)
    shade, white = middle / np.linalg.norm(middle), np.full(3, 3.0**-0.5)
    across = np.cross(shade, white)
    angle = float(np.linalg.norm(across))
    rows = np.stack([along, np.full(3, 1.0 / 3.0), across / max(angle, 1e-9)]) / WHITE_D50
    inside = judged.astype(np.float32)
    side = max(1, round(_BLOCK_MM / view.mm_per_px))
    well = cv2.erode(judged.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    mass = _blocks(well, side)

    def mean(image: object) -> Array:
        held = _blocks(cast(Array, cv2.multiply(cast(Array, image), well)), side)
        return cast(Array, held / np.maximum(mass, np.float32(1e-3)))

    high, bright, odd = cv2.split(cv2.transform(view.xyz, rows.astype(np.float32)))
    glint, play = (fine_of(cast(Array, i), inside, view.mm_per_px)[1] for i in (high, bright))
    shared_by, whole_by, _, glint_by = (float(v) for v in noise_of(flats, along, middle))
    xyz = [
        mean(part) / np.float32(w) for part, w in zip(cv2.split(view.xyz), WHITE_D50, strict=True)
    ]
    return ShineMap(
        level=mean(high),
        bright=mean(bright),
        odd=mean(odd),
        least=np.min(xyz, axis=0),
        whole=mean(cv2.multiply(play, play)) - np.float32(whole_by),
        shared=mean(cv2.multiply(play, glint)) - np.float32(shared_by),
        glint=mean(cv2.multiply(glint, glint)) - np.float32(glint_by),
        noise=(shared_by, whole_by, glint_by),
        good=mass > _FILLED,
        side_px=side,
        side_mm=side * view.mm_per_px,
        coloured=angle >= _COLOURED,
        burnt=float(view.clipped.sum()) / max(1, int(view.inside.sum())),
    )


def _blocks(image: Array, side: int) -> Array:
    """Means of whole blocks; at least one row and column of them."""
    rows, columns = max(1, image.shape[0] // side), max(1, image.shape[1] // side)
    cut = image[: rows * side, : columns * side]
    return cast(Array, cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA))
