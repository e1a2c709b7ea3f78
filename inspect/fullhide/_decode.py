"""From a photo file's bytes to pixels, with every doubt of the decoder heard."""

from __future__ import annotations

import warnings
from io import BytesIO
from typing import Any

import cv2
import numpy as np
import simplejpeg  # type: ignore[import-untyped]
from numpy.typing import NDArray

from fullhide import _heif
from fullhide._header import Header, UnusableError

__all__ = ["decode", "turn_upright"]

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

_LATER = "copy it from the camera again"


def decode(header: Header) -> tuple[Pixels, bool]:
    """Pixels as stored, red first.

    Returns
    -------
    (H, W, 3) uint8 or uint16, and whether the decoder warned of damage.

    Raises
    ------
    UnusableError
        The file is cut short, damaged beyond use, or truly see-through.
    """
    if header.format == "JPEG":
        pixels, damaged = _jpeg(header)
    elif header.format in ("HEIC", "AVIF"):
        pixels, damaged = _opaque(_heif.decode(header)), False
    elif header.format == "TIFF" and header.bits == 8:
        pixels, damaged = _by_pillow(header), False
    else:
        pixels, damaged = _by_opencv(header), False
    if pixels.shape[:2] != (header.height, header.width):
        raise UnusableError("the file is damaged", _LATER)
    return pixels, damaged


def _jpeg(header: Header) -> tuple[Pixels, bool]:
    # libjpeg only warns of damaged data; in strict mode every such warning is raised. OpenCV would
    # print it and Pillow swallow it, and both hand over a picture with false colours.
    try:
        return simplejpeg.decode_jpeg(header.pixels, "RGB"), False
    except (ValueError, MemoryError) as error:
        if "premature end of jpeg file" in str(error).lower():
            raise UnusableError("the file is cut short", _LATER) from None
    try:
        # Zeros, so that what cannot be decoded is black and not whatever lay in memory.
        room = np.zeros((header.height, header.width, 3), np.uint8)
        return simplejpeg.decode_jpeg(header.pixels, "RGB", buffer=room, strict=False), True
    except (ValueError, MemoryError):
        raise UnusableError("the file is damaged", _LATER) from None


def _by_opencv(header: Header) -> Pixels:
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(0)
    try:
        pixels: Any = cv2.imdecode(np.frombuffer(header.pixels, np.uint8), cv2.IMREAD_UNCHANGED)
    except (cv2.error, MemoryError):
        pixels = None
    finally:
        cv2.utils.logging.setLogLevel(level)
    wanted = np.uint16 if header.bits == 16 else np.uint8
    if pixels is None or pixels.ndim != 3 or pixels.dtype != wanted:
        raise UnusableError("the file is truncated or damaged", _LATER)
    swap = cv2.COLOR_BGRA2RGBA if pixels.shape[2] == 4 else cv2.COLOR_BGR2RGB
    return _opaque(np.asarray(cv2.cvtColor(pixels, swap)))


def _by_pillow(header: Header) -> Pixels:
    """8-bit TIFF: OpenCV goes on in silence after a damaged strip, Pillow does not."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(BytesIO(header.pixels), formats=["TIFF"]) as picture:
                pixels = np.array(picture)
    except Exception:  # noqa: BLE001 - whatever a decoder may raise on bad bytes, the file is at fault
        pixels = np.empty(0, np.uint8)
    if pixels.ndim != 3 or pixels.dtype != np.uint8 or pixels.shape[2] not in (3, 4):
        raise UnusableError("the file is truncated or damaged", _LATER)
    return _opaque(pixels)


def _opaque(pixels: Pixels) -> Pixels:
    if pixels.shape[2] == 3:
        return pixels
    if cv2.minMaxLoc(cv2.extractChannel(pixels, 3))[0] < np.iinfo(pixels.dtype).max:
        raise UnusableError("the picture is partly transparent", "give the camera's own photo")
    rgb: Any = cv2.cvtColor(pixels, cv2.COLOR_RGBA2RGB)
    return np.asarray(rgb)


def turn_upright(pixels: Pixels, orientation: int) -> Pixels:
    """Upright picture from the stored one, EXIF 2.3, tag 274 (1 to 8)."""
    turned: Any = pixels
    if orientation in (5, 7):
        turned = cv2.transpose(turned)
    elif orientation in (6, 8):
        turns = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
        turned = cv2.rotate(turned, turns[orientation])
    if orientation in (2, 3, 4, 7):
        turned = cv2.flip(turned, {2: 1, 3: -1, 4: 0, 7: -1}[orientation])
    return np.ascontiguousarray(turned)
