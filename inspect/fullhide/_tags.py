"""Reading tagged directories (TIFF 6.0, section 2): the frame of TIFF files and of EXIF blocks.

Own reader, because every offset in a photo's header may point anywhere: it never raises on bad
bytes, it never warns, and a value that does not lie inside the data is simply absent.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

__all__ = ["Directory", "Taken", "exif_colour_space", "exif_orientation", "exif_taken", "open_tags"]

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 13: 4}
_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I"}
_MAX_ENTRIES = 4096

ORIENTATION = 274
EXIF_DIRECTORY = 34665
_INTEROP_DIRECTORY = 40965


@dataclass(frozen=True, slots=True)
class Directory:
    """One directory of tags inside `data`.

    Attributes
    ----------
    data
        The whole TIFF file or EXIF block; offsets count from its start.
    order
        ``"<"`` or ``">"``, as `struct` has it.
    entries
        Tag number to (type, count, offset of the value's first byte).
    next_offset
        Offset of the next directory, 0 if there is none.
    lost
        Tags whose values would lie outside the data.
    """

    data: bytes
    order: str
    entries: dict[int, tuple[int, int, int]]
    next_offset: int
    lost: frozenset[int] = frozenset()

    def raw(self, tag: int) -> bytes:
        """Bytes of `tag`'s value; empty if absent or not inside the data."""
        kind, count, start = self.entries.get(tag, (0, 0, 0))
        return self.data[start : start + count * _SIZES.get(kind, 0)]

    def numbers(self, tag: int) -> tuple[int, ...]:
        """Whole numbers of `tag`'s value; empty if absent or of another type."""
        kind, count, start = self.entries.get(tag, (0, 0, 0))
        code = _CODES.get(kind)
        if code is None:
            return ()
        return struct.unpack_from(f"{self.order}{count}{code}", self.data, start)

    def number(self, tag: int, default: int = 0) -> int:
        """First whole number of `tag`'s value."""
        return next(iter(self.numbers(tag)), default)

    def ratio(self, tag: int) -> float | None:
        """A non-negative ratio (EXIF type 5), or a whole number."""
        if self.entries.get(tag, (0, 0, 0))[0] == 5:
            over, under = struct.unpack_from(f"{self.order}2I", self.data, self.entries[tag][2])
            return over / under if under else None
        numbers = self.numbers(tag)
        return float(numbers[0]) if numbers else None

    def text(self, tag: int) -> str | None:
        """Printable text of `tag`'s value up to its first zero byte."""
        words = self.raw(tag).split(b"\0", 1)[0].decode("latin-1")
        kept = "".join(c for c in words if c.isprintable()).strip()
        return kept[:80] or None

    def directory(self, tag: int) -> Directory:
        """The directory that `tag` points to; empty if there is none."""
        return self.at(self.number(tag))

    def at(self, offset: int) -> Directory:
        """The directory at `offset`; empty if there is none."""
        return _directory(self.data, self.order, offset)


@dataclass(frozen=True, slots=True)
class Taken:
    """How the photo was taken, as far as its EXIF block says.

    Attributes
    ----------
    time
        Capture time as the camera wrote it, ``YYYY:MM:DD hh:mm:ss``.
    exposure_s
        Exposure time in seconds.
    f_number
        Aperture.
    iso
        Sensitivity setting.
    focal_35_mm
        Focal length that a 36 x 24 mm frame would need for the same view.
    """

    time: str | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: int | None = None
    focal_35_mm: float | None = None


def open_tags(data: bytes) -> Directory | None:
    """First directory of a TIFF file or EXIF block; None if it is not one."""
    heads: dict[bytes, Literal["<", ">"]] = {b"II*\0": "<", b"MM\0*": ">"}
    order = heads.get(data[:4])
    if order is None or len(data) < 8:
        return None
    return _directory(data, order, struct.unpack_from(f"{order}I", data, 4)[0])


def _directory(data: bytes, order: str, offset: int) -> Directory:
    nothing = Directory(data, order, {}, 0)
    if offset < 8 or offset + 2 > len(data):
        return nothing
    count = struct.unpack_from(f"{order}H", data, offset)[0]
    count = min(count, _MAX_ENTRIES, (len(data) - offset - 2) // 12)
    entries: dict[int, tuple[int, int, int]] = {}
    lost = set()
    for index in range(count):
        at = offset + 2 + 12 * index
        tag, kind, length = struct.unpack_from(f"{order}HHI", data, at)
        size = _SIZES.get(kind, 0) * length
        start = at + 8 if size <= 4 else struct.unpack_from(f"{order}I", data, at + 8)[0]
        if size and start + size <= len(data):
            entries.setdefault(tag, (kind, length, start))
        elif size:
            lost.add(tag)
    end = offset + 2 + 12 * count
    following = struct.unpack_from(f"{order}I", data, end)[0] if end + 4 <= len(data) else 0
    return Directory(data, order, entries, following, frozenset(lost))


def exif_orientation(tags: Directory | None) -> int:
    """EXIF orientation, 1 to 8; 1 where none or nonsense is given."""
    value = tags.number(ORIENTATION, 1) if tags else 1
    return value if 1 <= value <= 8 else 1


def exif_colour_space(tags: Directory | None) -> Literal["srgb", "adobe", ""]:
    """Colour space that the EXIF block names (EXIF 2.3, tags 0xA001 and 0xA005).

    Design rule for Camera File system 2.0: index ``R03`` is the optional space with the
    primaries of Adobe RGB (1998), ``R98`` is sRGB. Some cameras write ColorSpace 2 instead.
    """
    if tags is None:
        return ""
    exif = tags.directory(EXIF_DIRECTORY)
    index = exif.directory(_INTEROP_DIRECTORY).raw(1)[:3]
    space = exif.number(0xA001)
    if index == b"R03" or space == 2:
        return "adobe"
    return "srgb" if space == 1 or index == b"R98" else ""


def exif_taken(tags: Directory | None) -> Taken:
    """Capture time and exposure out of the EXIF block."""
    if tags is None:
        return Taken()
    exif = tags.directory(EXIF_DIRECTORY)
    return Taken(
        time=exif.text(0x9003) or tags.text(306),
        exposure_s=exif.ratio(0x829A),
        f_number=exif.ratio(0x829D),
        iso=exif.number(0x8827) or None,
        focal_35_mm=float(exif.number(0xA405)) or None,
    )
