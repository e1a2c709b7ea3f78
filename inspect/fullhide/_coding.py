"""How coarsely a photo file codes its colours: the steps of a JPEG's blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fullhide._container import jpeg_segments

__all__ = ["Coding", "Step", "jpeg_coding"]

#: RGB of one level of Y, Cb and Cr (ITU-T T.871, 7).
_RGB_OF = np.array([[1.0, 1.0, 1.0], [0.0, -0.344136, 1.772], [1.402, -0.714136, 0.0]])
_BLOCK_PX = 8.0
#: What a step of the first coefficients adds to the part of its block where it adds: places in the
#: table (zigzag), height over the table's number, part of the block. The mean; halves, both ways;
#: quarters (ITU-T T.81, A.3.3; the mean of half a cosine is 2/pi of its height).
_PARTS = (
    (0, 1.0 / 8.0, 1.0),
    (1, np.sqrt(0.5) / 4.0 * 2.0 / np.pi, 0.5),
    (2, np.sqrt(0.5) / 4.0 * 2.0 / np.pi, 0.5),
    (4, 0.25 * (2.0 / np.pi) ** 2, 0.25),
)


@dataclass(frozen=True, slots=True)
class Step:
    """Change of RGB, levels of 255, by one step of the coding, and the area it holds for, px²."""

    rgb: tuple[float, float, float]
    area_px: float


Coding = tuple[Step, ...]


def jpeg_coding(data: bytes) -> Coding:
    """Steps of a JPEG file (ITU-T T.81, B.2.2 and B.2.4.1); empty if it does not say."""
    tables: dict[int, list[int]] = {}
    frame = b""
    for marker, body in jpeg_segments(data)[0]:
        if marker == 0xDB:
            tables.update(_tables(body))
        elif 0xC0 <= marker <= 0xC2:
            frame = body
    parts = [frame[at : at + 3] for at in range(6, len(frame), 3)]
    if len(parts) != 3 or any(len(part) < 3 or part[2] not in tables for part in parts):
        return ()
    samples = [(part[1] >> 4) * (part[1] & 15) for part in parts]
    if not all(samples):
        return ()
    made = []
    for part, count, rgb in zip(parts, samples, _RGB_OF, strict=True):
        block = _BLOCK_PX**2 * max(samples) / count
        for place, height, share in _PARTS:
            change = tables[part[2]][place] * height * rgb
            made.append(Step((change[0], change[1], change[2]), block * share))
    return tuple(made)


def _tables(body: bytes) -> dict[int, list[int]]:
    """Quantisation tables of a segment, in zigzag order."""
    found: dict[int, list[int]] = {}
    at = 0
    while at < len(body):
        width, name = 1 + (body[at] >> 4 > 0), body[at] & 15
        numbers = body[at + 1 : at + 1 + 64 * width]
        if len(numbers) < 64 * width:
            break
        found[name] = [
            int.from_bytes(numbers[i : i + width], "big") for i in range(0, 64 * width, width)
        ]
        at += 1 + 64 * width
    return found
