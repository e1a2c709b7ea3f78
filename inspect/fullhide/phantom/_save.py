"""Write a rendering as a camera or a scanner program would."""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from ..errors import OutputError
from ..files import write_bytes
from ._camera import PROFILES
from ._icc import profile_bytes
from .render import Rendering, render

__all__ = ["save_photo"]

# How stored rows and columns make the upright picture, by EXIF orientation (TIFF 6.0):
# what to do to the upright picture to get the stored one.
_STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: a.transpose(1, 0, 2)[::-1],
    7: lambda a: a.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda a: a.transpose(1, 0, 2)[:, ::-1],
}


def save_photo(
    rendering: Rendering,
    path: str | Path,
    *,
    quality: int = 93,
    profile: str | None = "as rendered",
    exif_orientation: int = 1,
) -> Path:
    """Write a rendering to a file; the suffix tells the format.

    Parameters
    ----------
    rendering
        From `render`.
    path
        .jpg (8 bit), .png or .tif (8 or 16 bit).
    quality
        Of a JPEG, 1 to 100, without colour subsampling from 90 on.
    profile
        Embedded profile: "as rendered", None (no profile in the file), or "srgb",
        "display-p3", "adobe-rgb": the same scene in that space (it is rendered again where
        it was rendered in another).
    exif_orientation
        1 to 8: how the file is stored; the picture shown is the same upright one.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    target = Path(path)
    _check(target, rendering, quality, profile, exif_orientation)
    space = rendering.scene.camera.profile if profile in ("as rendered", None) else str(profile)
    if space != rendering.scene.camera.profile:
        camera = replace(rendering.scene.camera, profile=space)
        rendering = render(replace(rendering.scene, camera=camera))
    stored = np.ascontiguousarray(_STORED[exif_orientation](rendering.rgb))
    icc = None if profile is None else profile_bytes(space)
    encode = _ENCODERS[target.suffix.lower()]
    write_bytes(target, encode(stored, icc, exif_orientation, quality))
    return target


def _check(
    target: Path, rendering: Rendering, quality: int, profile: str | None, orientation: int
) -> None:
    suffix = target.suffix.lower()
    if orientation not in _STORED:
        raise OutputError(target, f"no EXIF orientation {orientation}", "use 1 to 8")
    if not 1 <= quality <= 100:
        raise OutputError(target, f"no JPEG quality {quality}", "use 1 to 100")
    if profile not in ("as rendered", None, *PROFILES):
        known = ", ".join(PROFILES)
        raise OutputError(target, f"no profile is called {profile!r}", f"use {known} or None")
    if suffix not in _ENCODERS:
        raise OutputError(target, f"no format for {suffix!r}", "use .jpg, .png or .tif")
    if suffix in (".jpg", ".jpeg") and rendering.scene.camera.bits != 8:
        raise OutputError(target, "a JPEG holds 8 bits", "render with Camera(bits=8)")


Stored = NDArray[np.uint8] | NDArray[np.uint16]


def _exif(orientation: int) -> bytes:
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = orientation
    return exif.tobytes()


def _jpeg(stored: Stored, icc: bytes | None, orientation: int, quality: int) -> bytes:
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(stored).save(
        buffer,
        "JPEG",
        quality=quality,
        subsampling=0 if quality >= 90 else 2,
        icc_profile=icc,
        exif=_exif(orientation),
    )
    return buffer.getvalue()


def _png(stored: Stored, icc: bytes | None, orientation: int, quality: int) -> bytes:
    """8 or 16 bits; Pillow cannot write 16-bit colour, so the chunks are put in by hand."""
    good, coded = cv2.imencode(".png", np.ascontiguousarray(stored[..., ::-1]))
    if not good:
        raise OutputError("photo.png", "could not be encoded", "render it smaller")
    data = coded.tobytes()
    header_end = 8 + 25  # signature and IHDR
    extra = b""
    if icc is not None:
        extra += _chunk(b"iCCP", b"profile\0\0" + zlib.compress(icc))
    # The PNG's eXIf chunk holds the bare TIFF structure.
    extra += _chunk(b"eXIf", _exif(orientation).removeprefix(b"Exif\0\0"))
    return data[:header_end] + extra + data[header_end:]


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _tiff(stored: Stored, icc: bytes | None, orientation: int, quality: int) -> bytes:
    import tifffile

    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        stored,
        photometric="rgb",
        iccprofile=icc,
        extratags=[(274, "H", 1, orientation, True)],
        metadata=None,
        software=False,
    )
    return buffer.getvalue()


_ENCODERS = {".jpg": _jpeg, ".jpeg": _jpeg, ".png": _png, ".tif": _tiff, ".tiff": _tiff}
