"""What a photo file says about itself before any pixel is decoded.

JPEG, PNG and TIFF are read here; `_heif` reads HEIC and AVIF, `_raw` raw camera files.
"""

from __future__ import annotations

import struct
import zlib

from fullhide import _heif, _raw, _tags
from fullhide._header import (
    AS_RGB,
    CUT_SHORT,
    DAMAGED,
    NOT_A_PHOTO,
    Header,
    PngColour,
    UnusableError,
    want_rgb,
)

__all__ = ["jpeg_segments", "read_header"]

_MAX_PROFILE_BYTES = 16 << 20
# Size, depth, packing, meaning, and where the strips or tiles are.
_TIFF_NEEDED = frozenset({256, 257, 258, 259, 262, 273, 277, 279, 324, 325})
# Raw files of some makers that are no ordinary TIFF.
_RAW_HEADS = (b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"\0MRM", b"FOVb")
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"


def read_header(data: bytes) -> Header:
    """Header of a photo file.

    Raises
    ------
    UnusableError
        Not a photo this program reads, or visibly cut short or damaged.
    """
    if not data:
        raise UnusableError("the file is empty", "copy it from the camera again")
    if data[:2] == b"\xff\xd8":
        return _jpeg(data)
    if data[:8] == _PNG_HEAD:
        return _png(data)
    if data[:4] in (b"II*\0", b"MM\0*"):
        return _tiff(data)
    if data[:4] in (b"II+\0", b"MM\0+"):
        raise UnusableError("a BigTIFF, which is not read", "save it again as an ordinary TIFF")
    if data[4:8] == b"ftyp":
        return _raw.read_header(data) if data[8:12] == b"crx " else _heif.read_header(data)
    if data[:2] == b"\xff\x0a" or data[:12] == b"\0\0\0\x0cJXL \r\n\x87\n":
        raise UnusableError("a JPEG XL picture, which is not read", "export it as 16-bit TIFF")
    if data[:6] in (b"GIF87a", b"GIF89a") or (data[:4] == b"RIFF" and data[8:12] == b"WEBP"):
        raise UnusableError("a GIF or WebP picture, not a photo from a camera", NOT_A_PHOTO[1])
    if data[:4] in _RAW_HEADS or data[:8] == b"FUJIFILM":
        return _raw.read_header(data)
    raise UnusableError(*NOT_A_PHOTO)


# ---------------------------------------------------------------- JPEG (ITU-T T.81, Annex B)


def _jpeg(data: bytes) -> Header:
    frame: bytes | None = None
    exif: bytes | None = None
    parts: list[bytes] = []
    gain_map = pictures = False
    segments, scan = jpeg_segments(data)
    for marker, body in segments:
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            if marker > 0xC2:
                raise UnusableError("a JPEG of a rare kind, which is not read", AS_RGB)
            frame = body
        elif marker == 0xE1 and body[:4] == b"Exif" and exif is None:
            exif = body[6:]
        elif marker == 0xE1 and (b"hdrgm" in body or b"HDRGainMap" in body):
            gain_map = True
        elif marker == 0xE2 and body[:12] == b"ICC_PROFILE\0":
            parts.append(body[12:])
        elif marker == 0xE2:
            gain_map |= body.startswith(b"urn:iso:std:iso:ts:21496")
            pictures |= body.startswith(b"MPF\0")
    width, height = _jpeg_frame(frame)
    if pictures and not gain_map:
        gain_map = b"HDRGainMap" in data or b"/hdr-gain-map/" in data
    icc = _jpeg_profile(parts)
    pixels = _jpeg_bare(data, segments, scan) if icc == b"" else data
    tags = _tags.open_tags(exif) if exif else None
    return Header("JPEG", width, height, 8, icc, tags, pixels, gain_map=gain_map)


def _jpeg_profile(parts: list[bytes]) -> bytes | None:
    """Profile out of its numbered parts (ICC.1:2022, B.4); empty if they do not fit together."""
    if not parts:
        return None
    ordered = sorted(parts, key=lambda part: part[:1])
    numbers = [(part[0], part[1]) for part in ordered if len(part) > 2]
    if numbers != [(1 + index, len(parts)) for index in range(len(parts))]:
        return b""
    return b"".join(part[2:] for part in ordered)


def _jpeg_bare(data: bytes, segments: list[tuple[int, bytes]], scan: int) -> bytes:
    """The picture without its profile, at whose parts the decoder would stop."""
    kept = [data[:2]]
    for marker, body in segments:
        if marker != 0xE2:
            kept += [struct.pack(">BBH", 0xFF, marker, len(body) + 2), body]
    return b"".join([*kept, data[scan:]])


def jpeg_segments(data: bytes) -> tuple[list[tuple[int, bytes]], int]:
    """Markers and bodies up to the first scan, and where that begins."""
    found: list[tuple[int, bytes]] = []
    at = 2
    while True:
        while at < len(data) and data[at] == 0xFF and data[at + 1 : at + 2] == b"\xff":
            at += 1
        if at + 4 > len(data):
            raise UnusableError(*CUT_SHORT)
        if data[at] != 0xFF:
            raise UnusableError(*DAMAGED)
        marker = data[at + 1]
        if marker == 0xDA:
            return found, at
        if marker == 0xD9:
            raise UnusableError(*DAMAGED)
        at += 2
        if marker == 0x01 or 0xD0 <= marker <= 0xD7:
            continue
        size = struct.unpack_from(">H", data, at)[0]
        if size < 2:
            raise UnusableError(*DAMAGED)
        if at + size > len(data):
            raise UnusableError(*CUT_SHORT)
        found.append((marker, data[at + 2 : at + size]))
        at += size


def _jpeg_frame(frame: bytes | None) -> tuple[int, int]:
    if frame is None or len(frame) < 6:
        raise UnusableError(*DAMAGED)
    bits, height, width, channels = struct.unpack_from(">BHHB", frame)
    if bits != 8:
        raise UnusableError(f"a {bits}-bit JPEG, which is not read", AS_RGB)
    want_rgb({1: "grey", 4: "CMYK"}.get(channels, "" if channels == 3 else "strange"))
    return width, height


# ---------------------------------------------------------------- PNG (third edition, W3C 2025)


def _png(data: bytes) -> Header:
    chunks = _png_chunks(data)
    head = next((body for name, body in chunks if name == b"IHDR"), b"")
    if chunks[0][0] != b"IHDR" or len(head) != 13:
        raise UnusableError(*DAMAGED)
    width, height, depth, kind = struct.unpack_from(">IIBB", head)
    if any(name == b"acTL" for name, _ in chunks):
        raise UnusableError("an animated picture, not a photo", NOT_A_PHOTO[1])
    want_rgb({0: "grey", 2: "", 3: "", 4: "grey", 6: ""}.get(kind, "strange"))
    first = dict(reversed(chunks))
    if b"IDAT" not in first:
        raise UnusableError(*DAMAGED)
    exif = first.get(b"eXIf", b"")
    return Header(
        "PNG",
        width,
        height,
        16 if depth == 16 else 8,
        _png_profile(first.get(b"iCCP")),
        _tags.open_tags(exif.removeprefix(b"Exif\0\0")),
        _png_bare(chunks),
        alpha=kind == 6 or b"tRNS" in first,
        png=_png_colour(first),
    )


def _png_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """All chunks, each with its checksum proved."""
    found: list[tuple[bytes, bytes]] = []
    at = 8
    while not found or found[-1][0] != b"IEND":
        if at + 12 > len(data):
            raise UnusableError(*CUT_SHORT)
        size, name = struct.unpack_from(">I4s", data, at)
        if not name.isalpha():
            raise UnusableError(*DAMAGED)
        if at + 12 + size > len(data):
            raise UnusableError(*CUT_SHORT)
        body = data[at + 8 : at + 8 + size]
        stated = struct.unpack_from(">I", data, at + 8 + size)[0]
        if zlib.crc32(body, zlib.crc32(name)) != stated:
            raise UnusableError(*DAMAGED)
        found.append((name, body))
        at += 12 + size
    return found


def _png_bare(chunks: list[tuple[bytes, bytes]]) -> bytes:
    """The picture alone: text, profiles and times only make the decoder print warnings."""
    parts = [_PNG_HEAD]
    for name, body in chunks:
        if name in (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"):
            crc = struct.pack(">I", zlib.crc32(body, zlib.crc32(name)))
            parts += [struct.pack(">I", len(body)), name, body, crc]
    return b"".join(parts)


def _png_profile(body: bytes | None) -> bytes | None:
    if body is None:
        return None
    _, found, rest = body.partition(b"\0")
    try:
        return zlib.decompressobj().decompress(rest[1:], _MAX_PROFILE_BYTES) if found else b""
    except zlib.error:
        return b""


def _png_colour(first: dict[bytes, bytes]) -> PngColour:
    gamma = first.get(b"gAMA", b"")
    primaries = first.get(b"cHRM", b"")
    coding = first.get(b"cICP", b"")
    stated = struct.unpack(">I", gamma)[0] / 100000 if len(gamma) == 4 else 0.0
    return PngColour(
        srgb=b"sRGB" in first,
        gamma=stated or None,
        primaries=(
            tuple(v / 100000 for v in struct.unpack(">8I", primaries))
            if len(primaries) == 32
            else None
        ),
        coding=(coding[0], coding[1]) if len(coding) == 4 else None,
    )


# ---------------------------------------------------------------- TIFF 6.0


def _tiff(data: bytes) -> Header:
    tags = _tags.open_tags(data)
    if tags is None:
        raise UnusableError(*CUT_SHORT)
    # DNG version; raw mosaic photometrics; a first directory that is only a thumbnail.
    raw = 50706 in tags.entries or tags.number(262) in (32803, 34892) or tags.number(254) & 1
    if raw or data[8:10] == b"CR":
        return _raw.read_header(data)
    width, height = tags.number(256), tags.number(257)
    if not tags.entries or tags.lost & _TIFF_NEEDED:
        raise UnusableError(*CUT_SHORT)
    if _tiff_pages(tags) > 1:
        raise UnusableError("holds more than one picture", "save the wanted picture on its own")
    kinds = {0: "grey", 1: "grey", 2: "", 5: "CMYK", 6: "" if tags.number(259) == 7 else "strange"}
    want_rgb(kinds.get(tags.number(262, 1), "strange"))
    if tags.number(259, 1) not in (1, 5, 8, 32773, 32946):
        # JPEG inside TIFF among them: its decoder's warnings cannot be heard.
        raise UnusableError("a TIFF packed in a rare way", "save it again unpacked or with LZW")
    channels = tags.number(277, 1)
    depths = set(tags.numbers(258))
    if channels not in (3, 4) or depths not in ({8}, {16}) or set(tags.numbers(339)) - {1}:
        raise UnusableError("not an 8- or 16-bit RGB TIFF", "save it again as 8- or 16-bit RGB")
    bits = depths.pop()
    if bits == 16 and tags.number(284, 1) != 1:
        raise UnusableError("a TIFF with its channels stored apart, which is not read", AS_RGB)
    _tiff_whole(tags)
    icc = tags.raw(34675) if 34675 in tags.entries else None
    return Header("TIFF", width, height, bits, icc, tags, _tiff_unturned(tags), channels == 4)


def _tiff_pages(tags: _tags.Directory) -> int:
    """Pictures in the file; reduced copies (NewSubfileType bit 0) do not count."""
    count = 1
    seen: set[int] = set()
    page = tags
    while page.next_offset and page.next_offset not in seen and len(seen) < 1000:
        seen.add(page.next_offset)
        page = tags.at(page.next_offset)
        count += bool(page.entries) and not page.number(254) & 1
    return count


def _tiff_whole(tags: _tags.Directory) -> None:
    """Refuse a file whose strips or tiles do not all lie inside it, or fail their own checksum."""
    starts = tags.numbers(273) or tags.numbers(324)
    sizes = tags.numbers(279) or tags.numbers(325)
    if not starts:
        raise UnusableError(*CUT_SHORT)
    if len(sizes) != len(starts):
        raise UnusableError(*DAMAGED)
    if max(map(sum, zip(starts, sizes, strict=True))) > len(tags.data):
        raise UnusableError(*CUT_SHORT)
    if tags.number(259) not in (8, 32946):
        return
    # The decoders hand over what they could unpack, or print; the checksum tells beforehand.
    room = 16 * tags.number(256) * tags.number(257) + (1 << 20)
    for start, size in zip(starts, sizes, strict=True):
        strip = zlib.decompressobj()
        try:
            strip.decompress(tags.data[start : start + size], room)
        except zlib.error:
            raise UnusableError(*DAMAGED) from None
        if not strip.eof:
            raise UnusableError(*DAMAGED)


def _tiff_unturned(tags: _tags.Directory) -> bytes:
    """The file with its orientation set to 1: whether the decoder turns differs by version."""
    entry = tags.entries.get(_tags.ORIENTATION)
    if entry is None or tags.number(_tags.ORIENTATION) == 1:
        return tags.data
    patched = bytearray(tags.data)
    struct.pack_into(f"{tags.order}H", patched, entry[2], 1)
    return bytes(patched)
