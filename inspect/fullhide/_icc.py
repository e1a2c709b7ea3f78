"""Colour profiles: from a file's codes to linear light and on to XYZ.

Only what photographs carry is read: RGB profiles of one curve a channel and a matrix, ICC.1
versions 2 and 4 (ICC.1:2022, 10.6 `curv`, 10.18 `para`, 10.31 `XYZ`). Nothing in here raises on
bad bytes: a profile that cannot be trusted is answered by None.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "D50",
    "SPACES",
    "Profile",
    "named_profile",
    "profile_kind",
    "read_profile",
    "to_working",
]

F64 = NDArray[np.float64]

# White of the profile connection space, as ASTM E308 tabulates D50 (ICC.1 rounds it to 1/65536).
D50: F64 = np.array([0.96422, 1.0, 0.82521])
_D65_XY = (0.3127, 0.3290)

# Linear cone-like response of Bradford, as in ICC.1:2022, Annex E.
_BRADFORD: F64 = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)

Space = Literal["sRGB", "Adobe RGB", "Display P3", "Rec.2020"]

# Primaries (x, y) of red, green, blue: IEC 61966-2-1; Adobe RGB (1998) 2005-05, 4.3.1;
# SMPTE EG 432-1 with the D65 white; ITU-R BT.2020-2, table 3. White D65 for all four.
SPACES: dict[Space, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "sRGB": ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)),
    "Adobe RGB": ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
    "Display P3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "Rec.2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}

# Tolerances of our own choosing: how far a profile may stray before it counts as corrupt.
_WHITE_TOLERANCE = 0.01
_MAX_CURVE = 65536


@dataclass(frozen=True, slots=True)
class Profile:
    """What a file's codes mean.

    Attributes
    ----------
    name
        For people.
    curve
        (levels, 3), code to device-linear light, 1 at the ceiling.
    matrix
        (3, 3), device-linear to XYZ, D50-adapted, Y = 1 for the white.
    rough
        The profile holds more than a curve and a matrix, which is not used.
    """

    name: str
    curve: F64
    matrix: F64
    rough: bool = False


def srgb_curve(codes: F64) -> F64:
    """Linear light of sRGB codes in 0 to 1, IEC 61966-2-1."""
    low = codes <= 0.04045
    return np.where(low, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def primaries_to_xyz(
    primaries: tuple[tuple[float, float], ...], white: tuple[float, float] = _D65_XY
) -> F64:
    """Matrix from linear RGB to XYZ adapted to D50 by Bradford.

    Parameters
    ----------
    primaries
        Chromaticities (x, y) of red, green and blue.
    white
        Chromaticity of RGB = (1, 1, 1).

    Returns
    -------
    (3, 3) float64; (1, 1, 1) maps to `D50`.
    """
    columns = np.array([_xy_to_xyz(xy) for xy in primaries]).T
    source = _xy_to_xyz(white)
    rgb_to_xyz = columns * np.linalg.solve(columns, source)
    gain = (_BRADFORD @ D50) / (_BRADFORD @ source)
    adapt = np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD)
    result: F64 = adapt @ rgb_to_xyz
    return result


def _xy_to_xyz(xy: tuple[float, float]) -> F64:
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


@lru_cache(maxsize=1)
def _from_d50() -> F64:
    return np.asarray(np.linalg.inv(primaries_to_xyz(SPACES["Rec.2020"])), np.float64)


def to_working(matrix: F64) -> F64:
    """(3, 3) device-linear to linear Rec.2020 from (3, 3) device-linear to XYZ (D50)."""
    result: F64 = _from_d50() @ matrix
    return result


def codes(levels: int) -> F64:
    """(levels,) codes from 0 to 1."""
    return np.arange(levels, dtype=np.float64) / (levels - 1)


def named_profile(
    space: Space, levels: int, *, name: str = "", gamma: float | None = None, srgb: bool = False
) -> Profile:
    """Profile of a published RGB space.

    Parameters
    ----------
    space
        Whose primaries, and whose curve if nothing else is given.
    levels
        Number of codes, 256 or 65536.
    name
        Name for people; the space's own if empty.
    gamma
        A plain power instead of the space's curve.
    srgb
        The curve of sRGB instead of the space's own.
    """
    x = codes(levels)
    if gamma is None and not srgb and space == "Adobe RGB":
        gamma = 563 / 256  # Adobe RGB (1998) 2005-05, 4.3.1.2: 2.19921875
    curve = srgb_curve(x) if gamma is None else x**gamma
    return Profile(name or space, _three(curve), primaries_to_xyz(SPACES[space]))


def gamma_profile(gamma: float, primaries: tuple[float, ...] | None, levels: int) -> Profile | None:
    """Profile out of a PNG's gAMA and cHRM chunks (PNG third edition, 11.3.2.1 and 11.3.2.2).

    Parameters
    ----------
    gamma
        Exponent of the encoding, e.g. 0.45455.
    primaries
        White, red, green and blue as x, y each; None = those of sRGB.
    levels
        Number of codes, 256 or 65536.

    Returns
    -------
    None if the numbers describe no possible RGB space.
    """
    points = primaries or (*_D65_XY, *(v for xy in SPACES["sRGB"] for v in xy))
    white, *rgb = list(zip(points[0::2], points[1::2], strict=True))
    if min(points[1::2]) <= 0 or not 0.2 <= gamma <= 1.25:
        return None
    try:
        matrix = primaries_to_xyz(tuple(rgb), white)
    except np.linalg.LinAlgError:
        return None
    if not np.all(np.isfinite(matrix)) or not _sane(matrix):
        return None
    x = codes(levels)
    # Writers put 0.45455 beside sRGB pictures because the chunk has no closer number.
    plain = np.abs(matrix - primaries_to_xyz(SPACES["sRGB"])).max() < 1e-3
    curve = srgb_curve(x) if plain and abs(gamma - 0.45455) < 1e-4 else x ** (1 / gamma)
    return Profile("gamma and primaries", _three(curve), matrix)


def _three(curve: F64) -> F64:
    return np.repeat(curve[:, None], 3, axis=1)


def profile_kind(data: bytes) -> str:
    """``"RGB"``, ``"GRAY"``, ``"CMYK"`` … of a profile; empty if it is not a profile."""
    if len(data) < 132 or data[36:40] != b"acsp":
        return ""
    return data[16:20].decode("latin-1").strip()


def read_profile(data: bytes, levels: int) -> Profile | None:
    """Curves and matrix of an RGB profile.

    Parameters
    ----------
    data
        The profile's bytes, possibly malformed.
    levels
        Number of codes, 256 or 65536.

    Returns
    -------
    None if the profile is damaged, is not RGB, or holds no curves and matrix.
    """
    tags = _tag_table(data)
    if profile_kind(data) != "RGB" or data[20:24] != b"XYZ ":
        return None
    columns = [_xyz(tags.get(name, b"")) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
    curves = [_curve(tags.get(name, b""), levels) for name in (b"rTRC", b"gTRC", b"bTRC")]
    found = [curve for curve in curves if curve is not None]
    stacked = [column for column in columns if column is not None]
    if len(found) < 3 or len(stacked) < 3:
        return None
    matrix = np.stack(stacked, axis=1)
    if not _sane(matrix):
        return None
    # Colorants are rounded to 1/65536: bring the white back to exactly D50, as a neutral must be.
    matrix = matrix * (D50 / matrix.sum(axis=1))[:, None]
    rough = any(name in tags for name in (b"A2B0", b"D2B0"))
    return Profile(_name(tags.get(b"desc", b"")), np.stack(found, axis=1), matrix, rough)


def has_tables(data: bytes) -> bool:
    """Whether an RGB profile works by tables (`A2B0`) instead of curves and matrix."""
    return profile_kind(data) == "RGB" and b"A2B0" in _tag_table(data)


def profile_name(data: bytes) -> str:
    """The profile's own description."""
    return _name(_tag_table(data).get(b"desc", b""))


def _sane(matrix: F64) -> bool:
    if np.abs(matrix.sum(axis=1) - D50).max() > _WHITE_TOLERANCE:
        return False
    return bool(np.linalg.det(matrix) > 1e-3)


def _tag_table(data: bytes) -> dict[bytes, bytes]:
    if not profile_kind(data):
        return {}
    count = min(struct.unpack_from(">I", data, 128)[0], (len(data) - 132) // 12, 1000)
    table = {}
    for index in range(count):
        name, start, size = struct.unpack_from(">4sII", data, 132 + 12 * index)
        if start >= 128 and start + size <= len(data):
            table[name] = data[start : start + size]
    return table


def _xyz(tag: bytes) -> F64 | None:
    if len(tag) < 20 or tag[:4] != b"XYZ ":
        return None
    return np.array(struct.unpack_from(">3i", tag, 8), np.float64) / 65536


def _curve(tag: bytes, levels: int) -> F64 | None:
    kind = tag[:4]
    x = codes(levels)
    curve = _table_curve(tag, x) if kind == b"curv" else None
    if kind == b"para":
        curve = _formula_curve(tag, x)
    if curve is None or not np.all(np.isfinite(curve)):
        return None
    # A photograph's curve rises from about nothing to about one; anything else is corrupt.
    if np.any(np.diff(curve) < -1e-6) or not 0.9 < curve[-1] < 1.1 or abs(curve[0]) > 0.1:
        return None
    return curve


def _table_curve(tag: bytes, x: F64) -> F64 | None:
    if len(tag) < 12:
        return None
    count = struct.unpack_from(">I", tag, 8)[0]
    if count == 0:
        return x.copy()
    if count > _MAX_CURVE or len(tag) < 12 + 2 * count:
        return None
    values = np.frombuffer(tag, ">u2", count, 12).astype(np.float64)
    if count == 1:
        gamma = values[0] / 256
        return x**gamma if gamma > 0 else None
    return np.interp(x, codes(count), values / 65535)


def _formula_curve(tag: bytes, x: F64) -> F64 | None:
    """ICC.1:2022, table 68: parametric curves of types 0 to 4."""
    kind = struct.unpack_from(">H", tag, 8)[0] if len(tag) >= 12 else 99
    wanted = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind)
    if wanted is None or len(tag) < 12 + 4 * wanted:
        return None
    given = [value / 65536 for value in struct.unpack_from(f">{wanted}i", tag, 12)]
    g, a, b, c, d, e, f = (given + [0.0] * 7)[:7]
    if kind == 0:
        a, knee, below = 1.0, -1.0, np.zeros_like(x)
    elif kind in (1, 2):
        knee = -b / a if a else 2.0
        # Type 1 is nothing below the knee, type 2 the constant c above and below it.
        e = c if kind == 2 else 0.0
        below = np.full_like(x, e)
    else:
        knee = d
        below = c * x + f
    if g <= 0:
        return None
    with np.errstate(over="ignore"):
        above: F64 = np.maximum(a * x + b, 0.0) ** g + e
    return np.where(x >= knee, above, below)


def _name(tag: bytes) -> str:
    """Text of a version 2 `desc` or version 4 `mluc` tag."""
    text = ""
    if tag[:4] == b"desc" and len(tag) >= 12:
        size = struct.unpack_from(">I", tag, 8)[0]
        text = tag[12 : 12 + size].decode("latin-1")
    elif tag[:4] == b"mluc" and len(tag) >= 28:
        size, start = struct.unpack_from(">II", tag, 20)
        text = tag[start : start + size].decode("utf-16-be", "ignore")
    kept = "".join(c for c in text.split("\0")[0] if c.isprintable()).strip()
    return kept[:60] or "embedded profile"
