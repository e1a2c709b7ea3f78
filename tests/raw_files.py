"""Raw camera files for the tests: DNG 1.4 (its public specification), written through tifffile."""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

Array = NDArray[Any]

WHITE, BLACK = 16383, 512
#: An invented camera: light (XYZ) to its channels.
XYZ_TO_CAMERA = np.array([[0.7, -0.2, -0.05], [-0.45, 1.2, 0.25], [-0.1, 0.2, 0.6]])
NEUTRAL = (0.5, 1.0, 0.7)
#: Where the colours of the mosaic lie: red, green / green, blue.
MOSAIC = ((0, 1), (1, 2))


def ratios(values: Array | tuple[float, ...], under: int = 1_000_000) -> list[int]:
    return [number for v in np.ravel(values) for number in (round(float(v) * under), under)]


def stored(light: Array) -> NDArray[np.uint16]:
    """Sensor light from 0 to 1 as the file's levels."""
    levels = np.rint(np.clip(light, 0, 1) * (WHITE - BLACK)) + BLACK
    return np.asarray(levels, np.uint16)


def mosaic(levels: Array) -> NDArray[np.uint16]:
    one = np.empty(levels.shape[:2], np.uint16)
    for row, colours in enumerate(MOSAIC):
        for column, channel in enumerate(colours):
            one[row::2, column::2] = levels[row::2, column::2, channel]
    return one


def dng(
    light: Array,
    *,
    linear: bool = False,
    orientation: int = 1,
    neutral: tuple[float, ...] | None = NEUTRAL,
    matrix: Array | None = XYZ_TO_CAMERA,
    colours: tuple[tuple[int, int], tuple[int, int]] = MOSAIC,
    extra: tuple[Any, ...] = (),
) -> bytes:
    """A DNG of (H, W, 3) sensor light, 1 at the ceiling: a mosaic, or three channels a pixel."""
    levels = stored(light)
    channels = 3 if linear else 1
    tags: list[Any] = [
        (271, "s", 0, "Nobody", True),
        (272, "s", 0, "Test camera", True),
        (274, "H", 1, orientation, True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),
        (50707, "B", 4, bytes([1, 1, 0, 0]), True),
        (50708, "s", 0, "Nobody Test camera", True),
        (50714, "I", channels, [BLACK] * channels, True),
        (50717, "I", channels, [WHITE] * channels, True),
        (50778, "H", 1, 21, True),  # the matrix holds for D65
        *extra,
    ]
    if matrix is not None:
        tags.append((50721, "2i", matrix.size, ratios(matrix, 10_000), True))
    if neutral is not None:
        tags.append((50728, "2I", 3, ratios(neutral), True))
    if not linear:
        tags += [
            (33421, "H", 2, (2, 2), True),
            (33422, "B", 4, bytes(np.ravel(colours).tolist()), True),
        ]
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        levels if linear else mosaic(levels),
        photometric=34892 if linear else 32803,
        extratags=sorted(tags, key=lambda tag: tag[0]),
        metadata=None,
        software=False,
    )
    return stream.getvalue()


def opcodes(*each: tuple[int, bytes]) -> tuple[Any, ...]:
    """The tag of opcode list 2 (DNG 1.4, chapter 7)."""
    body = struct.pack(">I", len(each))
    for kind, part in each:
        body += struct.pack(">4I", kind, 0x01030000, 1, len(part)) + part
    return (51009, "B", len(body), body, True)


def gain_map(
    gains: Array, *, site: tuple[int, int] | None, size: tuple[int, int], planes: int = 1
) -> tuple[int, bytes]:
    """GainMap over the whole picture, its points from rim to rim."""
    high, wide, deep = gains.shape
    pitch = 1 if site is None else 2
    body = struct.pack(">4I", *(site or (0, 0)), size[1], size[0])
    body += struct.pack(">4I", 0, planes, pitch, pitch) + struct.pack(">2I", high, wide)
    body += struct.pack(">4d", 1 / (high - 1), 1 / (wide - 1), 0.0, 0.0)
    return 9, body + struct.pack(">I", deep) + gains.astype(">f4").tobytes()


def vignette(*factors: float) -> tuple[int, bytes]:
    """FixVignetteRadial about the middle."""
    return 3, struct.pack(">7d", *factors, 0.5, 0.5)
