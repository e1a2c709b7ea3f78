"""Boxes of a HEIC or AVIF file (ISO/IEC 14496-12, 4.2; ISO/IEC 23008-12, 9.3).

Own reader for what the decoders do not tell. A value of no sense is absent; only what shows that
the file is not whole is an error.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from fullhide._header import CUT_SHORT, DAMAGED, UnusableError

__all__ = ["Box", "boxes", "first", "item_bytes", "item_kinds", "linked"]

_MAX_BOXES = 10_000


@dataclass(frozen=True, slots=True)
class Box:
    """A box's kind and where its body lies."""

    kind: bytes
    start: int
    end: int


def boxes(data: bytes, start: int, end: int) -> list[Box]:
    """Boxes from `start` to `end`; what follows a box of no sense is left aside."""
    found: list[Box] = []
    at = start
    while at + 8 <= end and len(found) < _MAX_BOXES:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            if at + 16 > end:
                break
            size, body = struct.unpack_from(">Q", data, at + 8)[0], at + 16
        elif size == 0:
            size = end - at
        if size < body - at:
            break
        if at + size > end:
            raise UnusableError(*(CUT_SHORT if end == len(data) else DAMAGED))
        found.append(Box(kind, body, at + size))
        at += size
    return found


def first(boxes: list[Box], kind: bytes) -> Box | None:
    """The first box of a kind; None without one."""
    return next((box for box in boxes if box.kind == kind), None)


def linked(body: bytes, wanted: int) -> set[int]:
    """Properties that an `ipma` box links to one item (ISO/IEC 23008-12, 9.3.1)."""
    version, wide = body[0], body[3] & 1
    count = struct.unpack_from(">I", body, 4)[0]
    at = 8
    for _ in range(min(count, _MAX_BOXES)):
        item = struct.unpack_from(">H" if version < 1 else ">I", body, at)[0]
        at += 2 if version < 1 else 4
        links = body[at]
        at += 1
        if item == wanted:
            if wide:
                return {n & 0x7FFF for n in struct.unpack_from(f">{links}H", body, at)}
            return {n & 0x7F for n in struct.unpack_from(f">{links}B", body, at)}
        at += links * (2 if wide else 1)
    return set()


def item_kinds(data: bytes, meta: list[Box]) -> dict[int, bytes]:
    """What each item of the file is, by its number (ISO/IEC 14496-12, 8.11.6)."""
    listed = first(meta, b"iinf")
    if listed is None or listed.end - listed.start < 8:
        return {}
    start = listed.start + (6 if data[listed.start] == 0 else 8)
    kinds = {}
    for box in boxes(data, start, listed.end):
        body = data[box.start : box.end]
        if box.kind != b"infe" or len(body) < 12 or body[0] < 2:
            continue
        wide = body[0] > 2
        number = int.from_bytes(body[4 : 8 if wide else 6], "big")
        kinds[number] = body[10:14] if wide else body[8:12]
    return kinds


def item_bytes(data: bytes, meta: list[Box]) -> dict[int, bytes]:
    """Bytes of each item that lies in the file itself (ISO/IEC 14496-12, 8.11.3).

    Raises
    ------
    UnusableError
        An item does not lie inside the file.
    """
    places = first(meta, b"iloc")
    if places is None:
        return {}
    try:
        found = _extents(data[places.start : places.end])
    except IndexError:
        raise UnusableError(*DAMAGED) from None
    held = first(meta, b"idat")
    taken = {}
    for number, (method, extents) in found.items():
        if method > 1 or (method == 1 and held is None):
            continue
        low, high = (0, len(data)) if method == 0 or held is None else (held.start, held.end)
        parts = []
        for offset, length in extents:
            start = low + offset
            end = start + length if length else high
            if not low <= start <= end <= high:
                raise UnusableError(*CUT_SHORT)
            parts.append(data[start:end])
        taken[number] = b"".join(parts)
    return taken


def _extents(body: bytes) -> dict[int, tuple[int, list[tuple[int, int]]]]:
    """Method and (offset, length) of each item's parts, as an `iloc` box gives them."""
    version = body[0]
    reader = _Reader(body, 4)
    sizes = reader.number(2)
    offset_size, length_size = sizes >> 12, sizes >> 8 & 15
    base_size, index_size = sizes >> 4 & 15, (sizes & 15) if version else 0
    found: dict[int, tuple[int, list[tuple[int, int]]]] = {}
    for _ in range(min(reader.number(4 if version > 1 else 2), _MAX_BOXES)):
        item = reader.number(4 if version > 1 else 2)
        method = reader.number(2) & 15 if version else 0
        reader.number(2)
        base = reader.number(base_size)
        extents = []
        for _ in range(reader.number(2)):
            reader.number(index_size)
            offset = reader.number(offset_size)
            extents.append((base + offset, reader.number(length_size)))
        found[item] = (method, extents)
    return found


class _Reader:
    """Whole numbers, one after the other."""

    def __init__(self, data: bytes, at: int) -> None:
        self._data = data
        self._at = at

    def number(self, size: int) -> int:
        """The next number of `size` bytes; 0 of none. IndexError beyond the end."""
        end = self._at + size
        if end > len(self._data):
            raise IndexError
        value = int.from_bytes(self._data[self._at : end], "big")
        self._at = end
        return value
