"""What a DNG says of its lens: how much light each place of the sensor lost.

Phones leave the fall-off of their small lenses in the raw values, often to a third in the corners,
and write the cure beside them (DNG 1.4, chapter 7: opcode lists 2 and 3, opcodes GainMap and
FixVignetteRadial). LibRaw does not apply it.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fullhide import _tags

__all__ = ["LensGain", "lens_gain"]

F32 = NDArray[np.float32]

_SUB_DIRECTORIES = 330
_OPCODE_LISTS = (51009, 51022)  # before and after the mosaic is interpolated
_VIGNETTE, _GAIN_MAP = 3, 9
_MAX_OPCODES, _MAX_POINTS = 64, 1 << 20
#: Gains beyond this are no lens's.
_MAX_GAIN = 32.0
_FAR = 1e4
_RADIAL_POINTS = (49, 65)


@dataclass(frozen=True, slots=True)
class _Map:
    """Gains on a grid: rows and columns from `origin` in steps of `spacing`, parts of the side."""

    channels: tuple[int, ...]
    site: tuple[int, int] | None
    values: F32
    origin: tuple[float, float]
    spacing: tuple[float, float]

    def over(self, rows: NDArray[np.intp], size: tuple[int, int]) -> F32:
        """Gain of whole rows of a picture of `size` (width, height)."""
        width, height = size
        down = _weights(
            (rows + 0.5) / height, self.values.shape[0], self.origin[0], self.spacing[0]
        )
        columns = (np.arange(width) + 0.5) / width
        across = _weights(columns, self.values.shape[1], self.origin[1], self.spacing[1])
        return np.asarray(down @ self.values @ across.T, np.float32)


@dataclass(frozen=True, slots=True)
class LensGain:
    """Factors that take the lens's fall-off out again."""

    maps: tuple[_Map, ...]

    def over(self, top: int, bottom: int, size: tuple[int, int]) -> F32:
        """Factors of rows `top` to `bottom` of a picture of `size`, (rows, width, 3)."""
        rows = np.arange(top, bottom)
        gain = np.ones((len(rows), size[0], 3), np.float32)
        for channel in range(3):
            mine = [one for one in self.maps if channel in one.channels]
            # Sites of the mosaic that are of one colour count by their mean.
            for one in mine:
                if one.site is None:
                    gain[..., channel] *= one.over(rows, size)
            factors = [one.over(rows, size) for one in mine if one.site is not None]
            if factors:
                gain[..., channel] *= sum(factors) / np.float32(len(factors))
        return gain


def lens_gain(data: bytes, *, size: tuple[int, int], mosaic: NDArray[np.int_] | None) -> LensGain:
    """Gains that a DNG asks for; without any maps where it asks for none.

    Parameters
    ----------
    data
        The file.
    size
        Width and height of its picture.
    mosaic
        Channel (0 to 2) of each site of the mosaic's pattern; None for three channels a pixel.
    """
    tags = _tags.open_tags(data)
    if tags is None:
        return LensGain(())
    maps: list[_Map] = []
    for directory in (tags, *(tags.at(offset) for offset in tags.numbers(_SUB_DIRECTORIES)[:16])):
        if not directory.number(254) & 1:
            for tag in _OPCODE_LISTS:
                maps += _maps(directory.raw(tag), size, mosaic)
    return LensGain(tuple(maps))


def _maps(body: bytes, size: tuple[int, int], mosaic: NDArray[np.int_] | None) -> list[_Map]:
    """Gain maps of an opcode list; one of no sense ends it."""
    found: list[_Map] = []
    if len(body) < 4:
        return found
    at = 4
    for _ in range(min(struct.unpack_from(">I", body)[0], _MAX_OPCODES)):
        if at + 16 > len(body):
            break
        kind, _, _, length = struct.unpack_from(">4I", body, at)
        part = body[at + 16 : at + 16 + length]
        at += 16 + length
        if len(part) < length:
            break
        if kind == _GAIN_MAP and len(part) >= 76:
            found += _gain_maps(part, mosaic)
        elif kind == _VIGNETTE and len(part) >= 56:
            found += _vignette(part, size)
    return found


def _gain_maps(part: bytes, mosaic: NDArray[np.int_] | None) -> list[_Map]:
    top, left, _, _, plane, planes, row_pitch, column_pitch = struct.unpack_from(">8I", part)
    high, wide = struct.unpack_from(">2I", part, 32)
    spacing_v, spacing_h, origin_v, origin_h = struct.unpack_from(">4d", part, 40)
    deep = struct.unpack_from(">I", part, 72)[0]
    if not 0 < high * wide * deep <= _MAX_POINTS or len(part) < 76 + 4 * high * wide * deep:
        return []
    grid = np.frombuffer(part, ">f4", high * wide * deep, 76).reshape(high, wide, deep)
    placed = (spacing_v, spacing_h, origin_v, origin_h)
    # Parts of the picture's side: what is far from 1 is none.
    if not np.abs(placed).max() < _FAR or min(spacing_v, spacing_h) * _FAR < 1:
        return []
    if not np.isfinite(grid).all() or grid.min() <= 1 / _MAX_GAIN or grid.max() > _MAX_GAIN:
        return []
    site: tuple[int, int] | None = None
    first = range(plane, min(plane + planes, 3))
    if mosaic is not None:
        # A map of every site is one for all channels; of each second row and column, for one.
        if row_pitch > 1 and column_pitch > 1:
            site = (top % mosaic.shape[0], left % mosaic.shape[1])
            first = range(int(mosaic[site]), int(mosaic[site]) + 1)
        else:
            first = range(3)
    made = []
    for number, channel in enumerate(first):
        values = grid[..., min(number, deep - 1)].astype(np.float32)
        made.append(_Map((channel,), site, values, (origin_v, origin_h), (spacing_v, spacing_h)))
    return made


def _vignette(part: bytes, size: tuple[int, int]) -> list[_Map]:
    """FixVignetteRadial as a map: 1 + k0 r² + k1 r⁴ + … with r = 1 at the farthest corner."""
    *factors, centre_x, centre_y = struct.unpack_from(">7d", part)
    if not np.abs([*factors, centre_x, centre_y]).max() < _FAR:
        return []
    high, wide = _RADIAL_POINTS
    y, x = np.meshgrid(np.linspace(0, 1, high), np.linspace(0, 1, wide), indexing="ij")
    square = ((x - centre_x) * size[0]) ** 2 + ((y - centre_y) * size[1]) ** 2
    square /= max(float(square.max()), 1e-12)
    values = 1 + sum(k * square ** (power + 1) for power, k in enumerate(factors))
    if values.min() <= 1 / _MAX_GAIN or values.max() > _MAX_GAIN:
        return []
    spacing = (1 / (high - 1), 1 / (wide - 1))
    return [_Map((0, 1, 2), None, values.astype(np.float32), (0.0, 0.0), spacing)]


def _weights(at: NDArray[np.float64], points: int, origin: float, spacing: float) -> F32:
    """(len(at), points): linear interpolation between points, the outermost beyond them."""
    place = np.clip((at - origin) / spacing, 0, points - 1)
    low = np.minimum(place.astype(np.intp), max(points - 2, 0))
    part = (place - low).astype(np.float32)
    weights = np.zeros((len(at), points), np.float32)
    rows = np.arange(len(at))
    weights[rows, low] = 1 - part
    if points > 1:
        weights[rows, low + 1] += part
    return weights
