"""Small matrix profiles for the colour spaces that a camera may write (ICC.1:2010, v4)."""

from __future__ import annotations

import struct
from functools import cache

import numpy as np
from numpy.typing import NDArray

from .._colour_science import colour
from ._camera import PROFILES

__all__ = ["profile_bytes"]

_D50 = (0.9642, 1.0, 0.8249)  # the header's illuminant, as the standard prints it
_NAMES = {"srgb": "sRGB", "display-p3": "Display P3", "adobe-rgb": "Adobe RGB (1998)"}


def _number(value: float) -> bytes:
    """s15Fixed16Number."""
    return struct.pack(">i", round(value * 65536))


def _xyz(values: NDArray[np.float64] | tuple[float, ...]) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(_number(float(v)) for v in values)


def _text(text: str) -> bytes:
    coded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(coded), 28) + coded


def _curve(profile: str) -> bytes:
    if profile == "adobe-rgb":
        return b"para\0\0\0\0" + struct.pack(">HH", 0, 0) + _number(563 / 256)
    # Type 3: Y = (aX + b)^g for X >= d, else cX; IEC 61966-2-1.
    terms = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    return b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + b"".join(_number(t) for t in terms)


@cache
def profile_bytes(profile: str) -> bytes:
    """An ICC profile of "srgb", "display-p3" or "adobe-rgb" with D50-adapted primaries."""
    space = colour().RGB_COLOURSPACES[PROFILES[profile]]
    to_xyz = np.asarray(space.matrix_RGB_to_XYZ, dtype=np.float64)
    d65 = to_xyz.sum(axis=1)
    adapt = colour().adaptation.matrix_chromatic_adaptation_VonKries(
        d65, np.array(_D50), transform="Bradford"
    )
    primaries = adapt @ to_xyz
    curve = _curve(profile)
    tags = [
        (b"desc", _text(_NAMES[profile])),
        (b"cprt", _text("No copyright, use freely")),
        (b"wtpt", _xyz(_D50)),
        (b"chad", b"sf32\0\0\0\0" + b"".join(_number(float(v)) for v in adapt.ravel())),
        *((n, _xyz(c)) for n, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), primaries.T, strict=True)),
        *((n, curve) for n in (b"rTRC", b"gTRC", b"bTRC")),
    ]
    at = 128 + 4 + 12 * len(tags)
    index, body = struct.pack(">I", len(tags)), b""
    for name, data in tags:
        index += struct.pack(">4sII", name, at + len(body), len(data))
        body += data + b"\0" * (-len(data) % 4)
    header = bytearray(128)
    header[0:4] = struct.pack(">I", at + len(body))
    header[8:24] = struct.pack(">I4s4s4s", 0x04200000, b"mntr", b"RGB ", b"XYZ ")
    header[24:36] = struct.pack(">6H", 2026, 1, 1, 0, 0, 0)
    header[36:40] = b"acsp"
    header[68:80] = b"".join(_number(v) for v in _D50)
    return bytes(header) + index + body
