"""HEIC and AVIF photos: what the container says, and the pixels.

HEIC is decoded through libheif, AVIF by Pillow. The boxes tell what the decoders do not: whether
the file is whole, which codec, whether a gain map lies beside the picture, an AVIF's colour space.
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
from fullhide._boxes import Box, boxes, first, item_bytes, item_kinds, linked
from fullhide._header import DAMAGED, NOT_A_PHOTO, Header, UnusableError, want_rgb

if TYPE_CHECKING:
    from PIL.Image import Image

__all__ = ["decode", "read_header"]

#: Brands of moving pictures (ISO/IEC 23008-12, 10.2 and B.4; AV1 Image File Format, 6.3).
_SEQUENCES = (b"msf1", b"hevc", b"hevx", b"hevm", b"hevs", b"avis")
#: What no unit of HEVC may hold (ITU-T H.265, 7.4.2.1).
_HOLES = (b"\0\0\0", b"\0\0\1", b"\0\0\2")

Pixels = NDArray[np.uint8] | NDArray[np.uint16]


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
    whole = boxes(data, 0, len(data))
    meta = first(whole, b"meta")
    if meta is None:
        raise UnusableError("a film or another container, not a photo", NOT_A_PHOTO[1])
    inside = boxes(data, meta.start + 4, meta.end)
    held = first(inside, b"iprp")
    properties = [] if held is None else boxes(data, held.start, held.end)
    store = first(properties, b"ipco")
    kept = [] if store is None else boxes(data, store.start, store.end)
    settings = first(kept, b"hvcC")
    if settings is None and first(kept, b"av1C") is None:
        raise UnusableError(
            "packed by a codec that is not read", "export the photo as JPEG or 16-bit TIFF"
        )
    helpers = [data[box.start : box.end] for box in kept if box.kind == b"auxC"]
    kinds = item_kinds(data, inside)
    if settings is not None:
        _whole(item_bytes(data, inside), kinds, data[settings.start : settings.end])
    return _Picture(
        "HEIC" if settings is not None else "AVIF",
        _nclx(data, kept, _own(data, inside, properties)),
        # A tone-map item (ISO 21496-1), or a helper picture that is called a gain map.
        b"tmap" in kinds.values() or any(b"gainmap" in helper.lower() for helper in helpers),
    )


def _whole(items: dict[int, bytes], kinds: dict[int, bytes], settings: bytes) -> None:
    """Refuse HEVC data with holes.

    The decoder goes on in silence over damage. What can be told without decoding: units fill
    their item exactly, and none holds two zero bytes followed by 0, 1 or 2 (ITU-T H.265, 7.4.2),
    as every part of a file that never arrived does.
    """
    width = (settings[21] & 3) + 1 if len(settings) > 21 else 4
    for number, kind in kinds.items():
        data = items.get(number, b"")
        if kind != b"hvc1":
            continue
        at = 0
        while at < len(data):
            start = at + width
            at = start + int.from_bytes(data[at:start], "big")
            unit = data[start:at]
            if at > len(data) or len(unit) < 2 or any(hole in unit for hole in _HOLES):
                raise UnusableError(*DAMAGED)


def _own(data: bytes, meta: list[Box], held: list[Box]) -> set[int]:
    """Numbers, from 1, of the properties of the primary picture; empty if it is not said."""
    primary, links = first(meta, b"pitm"), first(held, b"ipma")
    if primary is None or links is None:
        return set()
    try:
        shape = ">H" if data[primary.start] == 0 else ">I"
        wanted = struct.unpack_from(shape, data, primary.start + 4)[0]
        return linked(data[links.start : links.end], wanted)
    except (struct.error, IndexError):
        return set()


def _nclx(data: bytes, kept: list[Box], own: set[int]) -> tuple[int, int] | None:
    """Primaries and transfer of the primary picture's `colr` box (ISO/IEC 14496-12, 12.1.5)."""
    for number, box in enumerate(kept, 1):
        body = data[box.start : box.end]
        if box.kind == b"colr" and body[:4] == b"nclx" and len(body) >= 8 and number in own:
            primaries, transfer = struct.unpack_from(">HH", body, 4)
            return primaries, transfer
    return None
