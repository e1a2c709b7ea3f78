"""HEIC and AVIF photos: what the container says, and the pixels.

The boxes (ISO/IEC 14496-12, 4.2; ISO/IEC 23008-12, 9.3 and 10) are read here for what the
decoders do not tell: whether the file is whole, which codec, whether a gain map lies beside the
picture, and an AVIF's colour space. HEIC is decoded through libheif, AVIF by Pillow.
"""

from __future__ import annotations

import struct
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fullhide import _tags
from fullhide._header import CUT_SHORT, DAMAGED, NOT_A_PHOTO, Header, UnusableError, want_rgb

if TYPE_CHECKING:
    from PIL.Image import Image

__all__ = ["decode", "read_header"]

#: Brands of moving pictures (ISO/IEC 23008-12, 10.2 and B.4; AV1 Image File Format, 6.3).
_SEQUENCES = (b"msf1", b"hevc", b"hevx", b"hevm", b"hevs", b"avis")
_MAX_BOXES = 10_000

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class _Box:
    kind: bytes
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class _Picture:
    """The picture that the container calls its primary one."""

    codec: str
    coding: tuple[int, int] | None
    gain_map: bool


def read_header(data: bytes) -> Header:
    """Header of a HEIC or AVIF file.

    Raises
    ------
    UnusableError
        A film, an animated or black-and-white picture, a codec that is not read, or damage.
    """
    picture = _picture(data)
    return _avif(data, picture) if picture.codec == "AVIF" else _heic(data, picture)


def decode(header: Header) -> Pixels:
    """Pixels as the decoder hands them over, (H, W, 3 or 4), red first.

    Raises
    ------
    UnusableError
        The file is damaged.
    """
    if header.format == "AVIF":
        with _opened_avif(header.pixels) as picture:
            wanted = picture if picture.mode in ("RGB", "RGBA") else picture.convert("RGB")
            return np.array(wanted, np.uint8)
    with _heard():
        image = _opened_heic(header.pixels)
        pixels = np.asarray(image)
        bits = image.info["bit_depth"]
    if pixels.dtype != np.uint16:
        return np.asarray(pixels, np.uint8)
    # Spread to 16 bits by repeating the top bits: 0 stays 0 and the ceiling becomes the ceiling.
    return np.asarray((pixels << (16 - bits)) | (pixels >> (2 * bits - 16)), np.uint16)


@contextmanager
def _heard() -> Iterator[None]:
    """Whatever a decoder raises on bad bytes, the file is at fault."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except UnusableError:
        raise
    except Exception:  # noqa: BLE001 - see above
        raise UnusableError("the file is truncated or damaged", DAMAGED[1]) from None


def _heic(data: bytes, picture: _Picture) -> Header:
    with _heard():
        image = _opened_heic(data)
        width, height = image.size
        mode, _, _ = image.mode.partition(";")
        bits, info = int(image.info["bit_depth"]), image.info
    want_rgb({"RGB": "", "RGBA": "", "RGBa": ""}.get(mode, "grey"))
    if bits not in (8, 10, 12):
        raise UnusableError(f"a {bits}-bit HEIC, which is not read", "export it as JPEG")
    nclx = info.get("nclx_profile") or {}
    stated = (nclx.get("color_primaries", 2), nclx.get("transfer_characteristics", 2))
    exif = info.get("exif") or b""
    return Header(
        "HEIC",
        width,
        height,
        8 if bits == 8 else 16,
        info.get("icc_profile"),
        _tags.open_tags(exif.removeprefix(b"Exif\0\0")),
        data,
        alpha=mode != "RGB",
        gain_map=picture.gain_map,
        coding=_known(stated),
        # Rotation and mirroring belong to the container and are done when decoding; the EXIF
        # block's own orientation only repeats them (ISO/IEC 23008-12, A.2.1 and 6.5.10).
        orientation=1,
    )


def _opened_heic(data: bytes) -> Any:
    import pillow_heif

    file = pillow_heif.open_heif(data, convert_hdr_to_8bit=False, hdr_to_16bit=False)
    return file[file.primary_index]


def _avif(data: bytes, picture: _Picture) -> Header:
    with _opened_avif(data) as opened:
        width, height = opened.size
        mode = opened.mode
        icc, exif = opened.info.get("icc_profile"), opened.info.get("exif") or b""
        animated = getattr(opened, "is_animated", False)
    if animated:
        raise UnusableError("an animated picture, not a photo", NOT_A_PHOTO[1])
    want_rgb("" if mode in ("RGB", "RGBA") else "grey")
    # Pillow puts the container's rotation and mirroring into the tags, over what they said.
    tags = _tags.open_tags(exif.removeprefix(b"Exif\0\0"))
    return Header(
        "AVIF",
        width,
        height,
        8,
        icc,
        tags,
        data,
        alpha=mode == "RGBA",
        gain_map=picture.gain_map,
        coding=None if picture.coding is None else _known(picture.coding),
    )


@contextmanager
def _opened_avif(data: bytes) -> Iterator[Image]:
    from PIL import Image

    with _heard(), Image.open(BytesIO(data), formats=["AVIF"]) as picture:
        yield picture


def _known(coding: tuple[int, int]) -> tuple[int, int] | None:
    """Code points that say something: 2 is "unspecified" (ITU-T H.273, tables 2 and 3)."""
    return coding if coding[0] != 2 else None


# ---------------------------------------------------------------- boxes


def _picture(data: bytes) -> _Picture:
    brand = data[8:12]
    if brand in _SEQUENCES:
        raise UnusableError("an animated picture, not a photo", NOT_A_PHOTO[1])
    whole = _boxes(data, 0, len(data))
    meta = _first(whole, b"meta")
    if meta is None:
        raise UnusableError("a film or another container, not a photo", NOT_A_PHOTO[1])
    inside = _boxes(data, meta.start + 4, meta.end)
    held = _first(inside, b"iprp")
    boxes = [] if held is None else _boxes(data, held.start, held.end)
    store = _first(boxes, b"ipco")
    kept = [] if store is None else _boxes(data, store.start, store.end)
    kinds = {box.kind for box in kept}
    if b"hvcC" not in kinds and b"av1C" not in kinds:
        raise UnusableError(
            "packed by a codec that is not read", "export the photo as JPEG or 16-bit TIFF"
        )
    helpers = [data[box.start : box.end] for box in kept if box.kind == b"auxC"]
    items = _first(inside, b"iinf")
    listed = b"" if items is None else data[items.start : items.end]
    return _Picture(
        "HEIC" if b"hvcC" in kinds else "AVIF",
        _nclx(data, kept, _own(data, inside, boxes)),
        # A tone-map item (ISO 21496-1), or a helper picture that is called a gain map.
        b"tmap" in listed or any(b"gainmap" in helper.lower() for helper in helpers),
    )


def _boxes(data: bytes, start: int, end: int) -> list[_Box]:
    """Boxes from `start` to `end`; what follows a box of no sense is left aside."""
    found: list[_Box] = []
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
        found.append(_Box(kind, body, at + size))
        at += size
    return found


def _first(boxes: list[_Box], kind: bytes) -> _Box | None:
    return next((box for box in boxes if box.kind == kind), None)


def _own(data: bytes, meta: list[_Box], held: list[_Box]) -> set[int]:
    """Numbers, from 1, of the properties of the primary picture; empty if it is not said."""
    primary, linked = _first(meta, b"pitm"), _first(held, b"ipma")
    if primary is None or linked is None:
        return set()
    try:
        shape = ">H" if data[primary.start] == 0 else ">I"
        wanted = struct.unpack_from(shape, data, primary.start + 4)[0]
        return _linked(data[linked.start : linked.end], wanted)
    except (struct.error, IndexError):
        return set()


def _linked(body: bytes, wanted: int) -> set[int]:
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


def _nclx(data: bytes, kept: list[_Box], own: set[int]) -> tuple[int, int] | None:
    """Primaries and transfer of the primary picture's `colr` box (ISO/IEC 14496-12, 12.1.5)."""
    for number, box in enumerate(kept, 1):
        body = data[box.start : box.end]
        if box.kind == b"colr" and body[:4] == b"nclx" and len(body) >= 8 and number in own:
            primaries, transfer = struct.unpack_from(">HH", body, 4)
            return primaries, transfer
    return None
