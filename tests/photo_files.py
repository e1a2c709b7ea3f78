"""Photo files and colour profiles for the tests, written byte by byte or by Pillow and tifffile."""

from __future__ import annotations

import io
import struct
import zlib
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

Array = NDArray[Any]


#: EXIF tags that ask for a turn to the right.
TURNED = b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0"


def picture(width: int = 48, height: int = 32, seed: int = 7) -> NDArray[np.uint8]:
    """Smooth, coloured and unlike its own mirror images."""
    y, x = np.mgrid[0:height, 0:width]
    red = 40 + 180 * x / width
    green = 30 + 190 * y / height
    blue = 60 + 90 * ((x - 5) ** 2 + (y - 3) ** 2 < 60)
    noise = np.random.default_rng(seed).normal(0, 2, (height, width, 3))
    return np.clip(np.stack([red, green, blue], -1) + noise, 0, 255).astype(np.uint8)


def jpeg(pixels: Array, **options: Any) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", **{"quality": 95, **options})
    return stream.getvalue()


def chunk(name: bytes, body: bytes) -> bytes:
    crc = struct.pack(">I", zlib.crc32(name + body))
    return struct.pack(">I", len(body)) + name + body + crc


def png(pixels: Array, *, extra: bytes = b"", size: tuple[int, int] | None = None) -> bytes:
    """RGB, RGBA or grey PNG of 8 or 16 bits, with `extra` chunks after the header."""
    height, width = pixels.shape[:2]
    kind = {1: 0, 2: 4, 3: 2, 4: 6}[pixels.shape[2] if pixels.ndim == 3 else 1]
    depth = 16 if pixels.dtype == np.uint16 else 8
    stored = pixels.astype(">u2") if depth == 16 else pixels
    rows = b"".join(b"\0" + stored[row].tobytes() for row in range(height))
    head = struct.pack(">IIBBBBB", *(size or (width, height)), depth, kind, 0, 0, 0)
    body = chunk(b"IHDR", head) + extra + chunk(b"IDAT", zlib.compress(rows))
    return b"\x89PNG\r\n\x1a\n" + body + chunk(b"IEND", b"")


def icc_chunk(profile: bytes) -> bytes:
    return chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile))


def tiff(pixels: Array, **options: Any) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, pixels, **{"photometric": "rgb", **options})
    return stream.getvalue()


def segment(marker: int, body: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


def with_segments(data: bytes, *segments: bytes) -> bytes:
    """A JPEG with segments put in right after its start."""
    return data[:2] + b"".join(segments) + data[2:]


def icc_segment(profile: bytes) -> bytes:
    return segment(0xE2, b"ICC_PROFILE\0\x01\x01" + profile)


# ---------------------------------------------------------------- profiles (ICC.1:2022)


def fixed(value: float) -> bytes:
    return struct.pack(">i", round(value * 65536))


def xyz_tag(values: Array) -> bytes:
    return b"XYZ \0\0\0\0" + b"".join(fixed(float(v)) for v in values)


def gamma_tag(gamma: float) -> bytes:
    return b"curv\0\0\0\0" + struct.pack(">IH", 1, round(gamma * 256))


def table_tag(values: Array) -> bytes:
    codes: bytes = np.rint(np.asarray(values) * 65535).astype(">u2").tobytes()
    return b"curv\0\0\0\0" + struct.pack(">I", len(values)) + codes


def formula_tag(kind: int, *numbers: float) -> bytes:
    return b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + b"".join(map(fixed, numbers))


def name_tag(text: str, *, version: int = 4) -> bytes:
    if version == 2:
        ascii_text = text.encode("ascii") + b"\0"
        return b"desc\0\0\0\0" + struct.pack(">I", len(ascii_text)) + ascii_text + bytes(78)
    words = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(words), 28) + words


def profile(
    tags: dict[bytes, bytes],
    *,
    space: bytes = b"RGB ",
    connection: bytes = b"XYZ ",
    version: int = 4,
) -> bytes:
    """A display profile of the given tags."""
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, value in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    head = bytearray(128)
    struct.pack_into(">I", head, 0, start + len(body))
    head[8:12] = bytes([version, 0x20, 0, 0])
    head[12:24] = b"mntr" + space + connection
    head[36:40] = b"acsp"
    head[68:80] = fixed(0.9642) + fixed(1.0) + fixed(0.8249)
    return bytes(head) + table + body


def matrix_profile(
    matrix: Array, curves: list[bytes] | bytes, *, name: str = "test space", version: int = 4
) -> bytes:
    """A profile of three colorant columns (XYZ, D50) and one or three curves."""
    three = [curves] * 3 if isinstance(curves, bytes) else curves
    tags = {
        b"desc": name_tag(name, version=version),
        b"wtpt": xyz_tag(np.array([0.9642, 1, 0.8249])),
    }
    for index, letter in enumerate((b"r", b"g", b"b")):
        tags[letter + b"XYZ"] = xyz_tag(matrix[:, index])
        tags[letter + b"TRC"] = three[index]
    return profile(tags, version=version)


def table_profile(lab_of_codes: Any, *, grid: int = 17) -> bytes:
    """A profile that works by a table (`A2B0` of type `mft2`, ICC.1:2022, 10.10) into Lab."""
    steps = np.linspace(0, 1, grid)
    codes = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), -1)
    lab = np.clip(lab_of_codes(codes), [0, -128, -128], [100, 127, 127])
    # Version 2 coding of Lab, ICC.1:2022, 6.3.4.2: 100 is FF00, a and b count from 8000.
    coded = np.stack(
        [lab[..., 0] * 652.8, (lab[..., 1] + 128) * 256, (lab[..., 2] + 128) * 256], -1
    )
    straight = np.array([0, 65535], ">u2").tobytes()
    body = b"mft2\0\0\0\0" + bytes([3, 3, grid, 0]) + b"".join(map(fixed, np.eye(3).ravel()))
    body += struct.pack(">HH", 2, 2) + straight * 3
    body += np.rint(coded).astype(">u2").tobytes() + straight * 3
    tags = {b"desc": name_tag("by table", version=2), b"A2B0": body}
    tags[b"wtpt"] = xyz_tag(np.array([0.9642, 1, 0.8249]))
    return profile(tags, connection=b"Lab ", version=2)
