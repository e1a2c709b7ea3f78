"""What a person sees of a spot from a distance: the spatial filters of S-CIELAB.

The eye blurs what lies near its limit of sharpness, hue more than lightness. S-CIELAB (Zhang and
Wandell, SID 1996) turns XYZ into an opponent space, blurs each channel with a sum of Gaussians, and
goes on to Lab from there. CIEDE2000 on the filtered images is accepted practice (Johnson and
Fairchild, Color Res. Appl. 28 (2003) 425-435).

Notes
-----
*Widths.* The numbers of the 1998 code are full widths at half maximum, less one of its samples. Its
later rewrite reads them as half widths, which doubles the blur. `published_filters` gives that
code's kernels as they are, for checks: below 224 samples per degree its way of thinning them cuts
their ends, so that a uniform area gains up to 0.3 %. `eye_filters` has the same widths and leaves
uniform areas alone; inspections use it.

*Role.* The verdict rests on CIEDE2000 over mm², as `job.toml` promises: a limit agreed with a
customer must not move with where somebody stands, and leather is also looked at from nearer than
the stated distance. Visibility is told beside it, as the measure ``visible_delta_e`` of the
most visible finding. It can say which of two spots to touch up first. It never turns a fail into
a pass, and knows nothing of grain that may hide a spot: it is what plain dye would show.

*White.* The opponent matrix was made for daylight: under another white a grey spot would count as
a coloured one too. Colours are adapted to D65 before it.

*From the share map.* The spot is drawn in the two colours, mixed by its share. In the photo itself
grain, shine and noise would be filtered along with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from fullhide.colour import WHITE_D50, delta_e00, xyz_to_lab

__all__ = [
    "VIEWING_DISTANCE_MM",
    "EyeFilters",
    "drawn_spot",
    "eye_filters",
    "filter_xyz",
    "filtered_lab",
    "opponent_matrix",
    "published_filters",
    "samples_per_degree",
    "visible_delta_e",
    "visible_unit",
]

Array = NDArray[np.float32]
Vector = NDArray[np.float64]
#: A signed kernel (length,) that runs along rows and columns alike.
Term = tuple[float, Vector]

#: Arm's length, from which a finished part is looked at (common practice, no source).
VIEWING_DISTANCE_MM = 500.0

#: XYZ (2° observer) to opponent channels, luminance, red-green, blue-yellow: the 1998 code.
TO_OPPONENT: Vector = np.array(
    [
        [0.2787336, 0.7218031, -0.1065520],
        [-0.4487736, 0.2898056, 0.0771569],
        [0.0859513, -0.5899859, 0.5011089],
    ]
)
#: XYZ of D65, the white that the matrix above is used with, Y = 1 (IEC 61966-2-1).
WHITE_D65: Vector = np.array([0.95047, 1.0, 1.08883])
#: Bradford's cone matrix (ICC.1:2022, annex E).
_CONES: Vector = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

#: Weight and full width at half maximum, degrees, of each channel's Gaussians: the 1998 code.
_GAUSSIANS: tuple[tuple[tuple[float, float], ...], ...] = (
    ((1.00327, 0.05), (0.114416, 0.225), (-0.117686, 7.0)),
    ((0.616725, 0.0685), (0.383275, 0.826)),
    ((0.567885, 0.0920), (0.432115, 0.6451)),
)
#: Samples per degree below which the 1998 code draws its kernels finer and thins them.
_BASE = 224
_FWHM_PER_SIGMA = 2.0 * float(np.sqrt(2.0 * np.log(2.0)))
#: From twice this many samples per degree on a map is reduced: the filters pass nothing finer.
_ENOUGH = 240.0


@dataclass(frozen=True, slots=True, eq=False)
class EyeFilters:
    """Kernels of the luminance, red-green and blue-yellow channels, each a sum of terms."""

    channels: tuple[tuple[Term, ...], ...]

    @property
    def gain(self) -> Vector:
        """What a uniform area is multiplied with in each channel, shape (3,)."""
        return np.array([sum(sign * k.sum() ** 2 for sign, k in terms) for terms in self.channels])


def samples_per_degree(mm_per_px: float, *, distance_mm: float = VIEWING_DISTANCE_MM) -> float:
    """Pixels in one degree of sight.

    Parameters
    ----------
    mm_per_px
        Millimetres a pixel on the part.
    distance_mm
        From the eye to the part.

    Raises
    ------
    ValueError
        If one of them is not above 0.
    """
    if not (0 < mm_per_px < np.inf and 0 < distance_mm < np.inf):
        raise ValueError(f"mm_per_px {mm_per_px} and distance_mm {distance_mm} must be above 0")
    return distance_mm * float(np.tan(np.radians(1.0))) / mm_per_px


def eye_filters(samples_per_degree: float, *, blur_px: float = 0.0) -> EyeFilters:
    """Filters of the eye that leave a uniform area as it is.

    Parameters
    ----------
    samples_per_degree
        Pixels in one degree.
    blur_px
        Standard deviation of the blur that the image already has beyond what the scene had. It is
        taken off the eye's own, as far as that goes.
    """
    _check_sampling(samples_per_degree)
    half = max(1, int(np.ceil(samples_per_degree / 2.0)) - 1)
    place = np.arange(-half, half + 1, dtype=np.float64)
    channels = []
    for gaussians in _GAUSSIANS:
        terms = []
        for weight, fwhm in gaussians:
            sigma = (fwhm - 1.0 / _BASE) * samples_per_degree / _FWHM_PER_SIGMA
            left = np.sqrt(max(sigma**2 - blur_px**2, 1e-3))
            kernel = np.exp(-0.5 * (place / left) ** 2)
            terms.append(_term(weight, kernel / kernel.sum()))
        channels.append(tuple(terms))
    return EyeFilters(tuple(channels))


def published_filters(samples_per_degree: float) -> EyeFilters:
    """Filters of the 1998 code as they are, with a gain that is not quite 1; for checks."""
    _check_sampling(samples_per_degree)
    finer = max(1, int(np.ceil(_BASE / samples_per_degree)))
    fine = samples_per_degree * finer
    half = int(np.ceil(fine / 2.0)) - 1
    place = np.arange(-half, half + 1, dtype=np.float64)
    ramp = 1.0 - np.abs(np.arange(1 - finer, finer)) / finer
    channels = []
    for gaussians in _GAUSSIANS:
        terms = []
        for weight, fwhm in gaussians:
            sigma = (fwhm * fine - 1.0) / _FWHM_PER_SIGMA
            kernel = np.exp(-0.5 * (place / sigma) ** 2)
            kernel /= kernel.sum()
            if finer > 1:
                # Straight lines between the samples; the ends beyond the support are dropped.
                spread = np.convolve(kernel, ramp)[finer - 1 : finer - 1 + kernel.size]
                kernel = spread[half % finer :: finer]
            terms.append(_term(weight, kernel))
        channels.append(tuple(terms))
    return EyeFilters(tuple(channels))


def opponent_matrix(white: ArrayLike = WHITE_D50) -> Vector:
    """Matrix (3, 3) from XYZ under a white, shape (3,) of any scale, to opponent channels."""
    given = np.asarray(white, np.float64)
    ratio = (_CONES @ WHITE_D65) / (_CONES @ (given / given[1]))
    adapted = np.linalg.solve(_CONES, ratio[:, None] * _CONES)
    return TO_OPPONENT @ adapted


def filter_xyz(
    xyz: NDArray[Any], *, filters: EyeFilters, white: ArrayLike = WHITE_D50
) -> NDArray[Any]:
    """XYZ as the eye passes it on.

    Parameters
    ----------
    xyz
        Shape (H, W, 3), any scale; float32 stays float32, the rest becomes float64.
    filters
        From `eye_filters` or `published_filters`.
    white
        XYZ of the white that `xyz` is seen under, shape (3,), any scale.

    Returns
    -------
    ndarray
        Same shape. Beyond its borders the image is taken as mirrored.

    Raises
    ------
    ValueError
        If the shape is another.
    """
    xyz = np.asarray(xyz)
    if xyz.ndim != 3 or xyz.shape[2] != 3 or not xyz.size:
        raise ValueError(f"xyz must be (H, W, 3), not {xyz.shape}")
    if xyz.dtype != np.float32:
        xyz = xyz.astype(np.float64, copy=False)
    matrix = opponent_matrix(white)
    opponent = cv2.transform(np.ascontiguousarray(xyz), matrix)
    planes = [
        _filtered(plane, terms, cv2.BORDER_REFLECT)
        for plane, terms in zip(cv2.split(opponent), filters.channels, strict=True)
    ]
    return cast(NDArray[Any], cv2.transform(cv2.merge(planes), np.linalg.inv(matrix)))


def filtered_lab(
    xyz: NDArray[Any], *, filters: EyeFilters, white: ArrayLike = WHITE_D50
) -> NDArray[Any]:
    """CIE Lab of the filtered image; the difference of two of them is that of S-CIELAB.

    Parameters
    ----------
    xyz, filters
        As in `filter_xyz`.
    white
        XYZ of the white on the scale of `xyz`, shape (3,).
    """
    scale = np.diag(WHITE_D50 / np.asarray(white, np.float64))
    return xyz_to_lab(cv2.transform(filter_xyz(xyz, filters=filters, white=white), scale))


def drawn_spot(share_map: Array, *, mask: NDArray[np.bool_], halo: NDArray[np.bool_]) -> Array:
    """A spot without the map's noise and blur: its outline, filled with all of its share.

    Blur spreads a spot's share and loses none of it. On rendered discs the noise of the map itself
    made a spot seem up to a third stronger, and its blur made one of 1 mm² a third weaker.

    Parameters
    ----------
    share_map
        Share of the colour beneath around the spot, (H, W).
    mask, halo
        The spot at half its height, and with its fringe, bool (H, W).

    Returns
    -------
    ndarray of float32
        Share map of the spot alone, for `visible_delta_e`.
    """
    drawn = np.zeros(share_map.shape, np.float32)
    if mask.any():
        total = float(share_map[halo | mask].sum(dtype=np.float64))
        drawn[mask] = min(max(total / float(mask.sum()), 0.0), 1.0)
    return drawn


def visible_delta_e(
    share_map: Array,
    finish_xyz: ArrayLike,
    under_xyz: ArrayLike,
    *,
    mm_per_px: float,
    distance_mm: float = VIEWING_DISTANCE_MM,
    blur_mm: float = 0.0,
) -> float:
    """How far a spot stands out from the finish for a person at a distance.

    Parameters
    ----------
    share_map
        Share of the colour beneath, float32 (H, W), held to 0 to 1; what lies beyond the map is
        taken for plain finish. Best from `drawn_spot`: one spot, without noise.
    finish_xyz, under_xyz
        XYZ(D50), shape (3,), Y = 1 for the perfect white.
    mm_per_px
        Millimetres a pixel of the map.
    distance_mm
        From the eye to the part.
    blur_mm
        Standard deviation of the blur in the map that the spot itself has not: the photo's and
        the map's smoothing together.

    Returns
    -------
    float
        Greatest CIEDE2000 between the filtered map and the finish; 0 for an empty map.

    Raises
    ------
    ValueError
        If the map is no plane, or the scale or distance is not above 0.
    """
    share = np.asarray(share_map, np.float32)
    if share.ndim != 2:
        raise ValueError(f"share_map must be (H, W), not {share.shape}")
    rate = samples_per_degree(mm_per_px, distance_mm=distance_mm)
    share = _cut_out(np.clip(np.nan_to_num(share, nan=0.0), 0.0, 1.0))
    if not share.size:
        return 0.0
    factor = int(rate // _ENOUGH)
    if factor > 1:
        share, rate = _reduced(share, factor), rate / factor
        mm_per_px *= factor
    filters = eye_filters(rate, blur_px=blur_mm / mm_per_px)
    finish = np.asarray(finish_xyz, np.float64)
    matrix = opponent_matrix()
    contrast = matrix @ (np.asarray(under_xyz, np.float64) - finish)
    seen = cv2.merge([_filtered(share, t, cv2.BORDER_CONSTANT) for t in filters.channels])
    # The filters are linear and keep the finish as it is: only the change has to go through.
    change = cv2.transform(seen, np.linalg.inv(matrix) * contrast)
    # CIEDE2000 is dear; where no channel reaches half its own height it cannot be at its greatest.
    height = np.abs(seen).max(axis=(0, 1))
    change = change[(np.abs(seen) >= 0.5 * height).any(axis=-1)]
    plain = finish.astype(np.float32)
    return float(delta_e00(xyz_to_lab(plain), xyz_to_lab(plain + change)).max())


def visible_unit(distance_mm: float = VIEWING_DISTANCE_MM) -> str:
    """Unit of the measure, with the distance it holds for."""
    return f"S-CIELAB ΔE00 at {distance_mm:g} mm"


def _check_sampling(rate: float) -> None:
    if not 0 < rate < np.inf:
        raise ValueError(f"samples per degree must be above 0, not {rate}")


def _term(weight: float, kernel: Vector) -> Term:
    return float(np.sign(weight)), kernel * float(np.sqrt(abs(weight)))


def _cut_out(share: Array) -> Array:
    """The box around what is not plain finish: nothing stands out more beyond it."""
    rows, columns = (np.flatnonzero(share.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return share[:0, :0]
    return share[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]


def _reduced(share: Array, factor: int) -> Array:
    """Mean of each `factor` by `factor` pixels, the rim filled up with plain finish."""
    height, width = share.shape
    below, right = -height % factor, -width % factor
    full = cv2.copyMakeBorder(share, 0, below, 0, right, cv2.BORDER_CONSTANT, value=0.0)
    size = (full.shape[1] // factor, full.shape[0] // factor)
    return cast(Array, cv2.resize(full, size, interpolation=cv2.INTER_AREA))


def _filtered(plane: NDArray[Any], terms: tuple[Term, ...], border: int) -> NDArray[Any]:
    total = np.zeros_like(plane)
    for sign, whole in terms:
        kernel = whole
        if border == cv2.BORDER_CONSTANT:  # what reaches past the far side meets nothing
            spare = max(0, whole.size // 2 - max(plane.shape))
            kernel = whole[spare : whole.size - spare]
        total += plane.dtype.type(sign) * cv2.sepFilter2D(
            plane, -1, kernel, kernel, borderType=border
        )
    return total
