"""What is seen of a region coat by coat, and what is told of it: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fullhide.checks.apart import LEVEL_APART, Calibrated, covariance_of
from fullhide.checks.match import VEIL_DOUBT, Difference, by_veil, lab_slope
from fullhide.colour import xyz_to_lab

__all__ = ["Coat", "Curve", "FitTold", "Kind", "More", "Place", "Seen", "State", "Tiles", "seen_of"]

Vector = NDArray[np.float64]
Box = tuple[int, int, int, int]
Kind = Literal["ground", "transition", "dye"]
State = Literal["hides", "shows", "not sure"]

#: How much of a colour's doubt each photo has by itself: of its light's level, and of the camera's
#: colours and the shine (own allowances, from rendered series).
_OWN_LIGHT, _OWN_COLOUR = 0.6, 0.35
#: What a seam's valley may take of the light from photo to photo, relative: so much that how light
#: it looks tells next to nothing (own choice).
_VALLEY = 0.25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tiles:
    """A region in tiles of a few millimetres.

    Attributes
    ----------
    xyz
        Mean XYZ(D50), float32 (rows, columns, 3).
    known
        Tiles that show enough of the region, bool (rows, columns).
    origin_px, step_px
        Corner of the first tile (x, y) and side of a tile, pixels of the photo.
    side_mm
        Side of a tile, mm; None without a scale.
    light_doubt
        Relative doubt of the light between two tiles.
    """

    xyz: NDArray[np.float32]
    known: NDArray[np.bool_]
    origin_px: tuple[float, float]
    step_px: float
    side_mm: float | None
    light_doubt: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """A region as photos show it after a coat; coat 0 is before the work.

    Attributes
    ----------
    lab, covariance
        Its colour, CIE Lab (D50), and what is in doubt of it in all, (3, 3).
    own, light, shared
        What of that one photo has by itself, (3, 3), what one standard deviation of its light's
        level does, (3,), and what is much the same in every photo of a part, (3, 3).
    tiles
        Its parts, in the last of `files`; None where they are not known.
    shaded
        Whether it is a seam: how light it looks is then its valley's as much as the dye's.
    """

    coat: int
    files: tuple[str, ...]
    lab: Vector
    covariance: Vector
    own: Vector
    light: Vector
    shared: Vector
    tiles: Tiles | None = None
    shaded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """The part of a region that hides worst.

    Attributes
    ----------
    box_px
        (x0, y0, x1, y1), half-open, pixels of the upright photo `file`.
    side_mm
        Its side; None without a scale.
    delta_e
        CIEDE2000 to the finish.
    share
        Share of the colour beneath, 0 to 1.
    """

    file: str
    box_px: Box
    side_mm: float | None
    delta_e: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Coat:
    """A region after one coat.

    Attributes
    ----------
    kind
        ``"ground"`` before the first coat, ``"transition"``, or ``"dye"``.
    lab
        CIE Lab, D50.
    to_finish
        CIEDE2000 to the finish with its uncertainty; None where the finish is not known, and of a
        seam.
    at_least
        Of a seam: what it surely lies off the finish whatever the light in its valley, CIEDE2000;
        else None.
    share, share_of
        Share of the colour beneath that is left, 0 to 1, by linear mixing of light, and that
        colour's name; None and empty where it is not known.
    """

    coat: int
    kind: Kind
    files: tuple[str, ...]
    lab: tuple[float, float, float]
    to_finish: Difference | None
    share: float | None
    share_of: str
    worst: Place | None
    at_least: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FitTold:
    """The fitted film: S times X of one coat (red, green, blue), L* left over, where it settles."""

    sx: tuple[float, float, float]
    residual_l: float
    finish_lab: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class More:
    """Coats still to be expected, an estimate; `most` is None for more than `MOST_AHEAD`."""

    fewest: int
    most: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """The hiding curve of one region.

    Attributes
    ----------
    state
        ``"hides"``, ``"shows"``, or ``"not sure"``: whether the last coat comes within the limit.
    fit
        None where no film could be fitted; `unfit` says why.
    more
        None where it cannot be told; also where an airbag may be, whatever is known.
    notes
        What else has to be known, in plain words.
    shaded
        Whether it is a seam's, told by colour alone: it never says that a coat hides.
    """

    coats: tuple[Coat, ...]
    limit: float
    state: State
    fit: FitTold | None
    more: More | None
    unfit: str
    notes: tuple[str, ...]
    shaded: bool = False


def seen_of(
    coat: int, file: str, one: Calibrated, *, tiles: Tiles | None = None, shaded: bool = False
) -> Seen:
    """A region's colour after a coat, by one photo's chart."""
    slope = lab_slope(one.patch.xyz)
    level = LEVEL_APART[one.light]
    bright = slope @ np.ones(3)
    veil = VEIL_DOUBT * by_veil(one.patch)
    shared = np.outer(veil, veil) + np.diag(one.u_lab**2)
    own = slope @ one.patch.scatter @ slope.T + _OWN_COLOUR**2 * shared
    rest = (1.0 - _OWN_LIGHT**2) * level**2
    valley = _VALLEY if shaded else 0.0
    return Seen(
        coat=coat,
        files=(file,),
        lab=xyz_to_lab(one.patch.xyz),
        covariance=covariance_of(one),
        own=own,
        light=float(np.hypot(_OWN_LIGHT * level, valley)) * bright,
        shared=shared + rest * np.outer(bright, bright),
        tiles=tiles,
        shaded=shaded,
    )
