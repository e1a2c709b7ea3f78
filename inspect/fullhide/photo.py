"""Photo files: from a path to upright, linear-light colour, and what is known about the file."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import _decode, _icc, _raw, _tags
from fullhide._coding import Coding, jpeg_coding
from fullhide._container import read_header
from fullhide._header import Header, UnusableError
from fullhide._tags import Taken
from fullhide.errors import PhotoError

__all__ = ["MAX_PIXELS", "Box", "Photo", "Taken", "open_photo"]

#: Largest picture that is opened, in pixels; told from the header, before anything is decoded.
MAX_PIXELS = 120_000_000

#: Largest file that is read, in bytes: four 16-bit channels of `MAX_PIXELS`, and something over.
MAX_BYTES = 8 * MAX_PIXELS + (64 << 20)

# From this share of the ceiling on a channel counts as clipped: the last code but one of 8 bits.
_CLIPPED = 254 / 255
#: Rows that are made linear at once when they are reduced.
_STRIP_PX = 300

Box = tuple[int, int, int, int]
Codes = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photograph and how its codes turn into light.

    Attributes
    ----------
    path
        The file.
    sha256
        Of the file's bytes, hexadecimal.
    encoded
        (H, W, 3) uint8 or uint16, RGB as the file codes it, upright, read-only.
    curve
        (256 or 65536, 3) float32, code to device-linear light, 1 at the ceiling.
    matrix
        (3, 3) float64, device-linear to linear Rec.2020 (D65).
    format
        ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"HEIC"``, ``"AVIF"`` or ``"RAW"``.
    bits
        8 a channel, or 16: what held more than 8 in the file.
    profile
        Name of the colour profile, or ``"sRGB (assumed)"``.
    flags
        Names out of `fullhide.quality.FLAGS`.
    taken
        Capture time and exposure, as far as the file says.
    coding
        How coarsely a JPEG codes its colours; empty for other files.
    white_balance
        What a raw file's camera would multiply red, green and blue by (green 1): part of
        `matrix`, not of the codes. None for other files.
    """

    path: Path
    sha256: str
    encoded: Codes
    curve: NDArray[np.float32]
    matrix: NDArray[np.float64]
    format: str
    bits: int
    profile: str
    flags: tuple[str, ...] = ()
    taken: Taken = field(default_factory=Taken)
    coding: Coding = ()
    white_balance: tuple[float, float, float] | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of the upright photo."""
        height, width = self.encoded.shape[:2]
        return width, height

    def linear(self, box: Box | None = None, *, factor: int = 1) -> NDArray[np.float32]:
        """Linear Rec.2020 light (D65 white, 1 = the ceiling of a neutral).

        Parameters
        ----------
        box
            (x0, y0, x1, y1) half-open, inside the photo; None = the whole photo.
        factor
            Photo pixels, each way, whose mean makes one pixel of the result; the box's sides
            should be multiples of it.

        Returns
        -------
        (h, w, 3) float32. Not clipped: colours of other spaces may fall below 0.

        Raises
        ------
        ValueError
            `box` is empty or not inside the photo.
        """
        crop, table = self._crop(box), self.curve[None]
        if factor == 1:
            light = cv2.LUT(crop, table)
        else:
            height, width = max(1, crop.shape[0] // factor), max(1, crop.shape[1] // factor)
            light = np.empty((height, width, 3), np.float32)
            # In strips, so that the full-size light stays in the processor's cache.
            rows = max(1, _STRIP_PX // factor)
            for top in range(0, height, rows):
                part = light[top : top + rows]
                end = crop.shape[0] if top + rows >= height else (top + rows) * factor
                full = cv2.LUT(crop[top * factor : end], table)
                size = (width, part.shape[0])
                cv2.resize(full, size, dst=part, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.transform(light, self.matrix.astype(np.float32)), np.float32)

    def clipped(self, box: Box | None = None) -> NDArray[np.bool_]:
        """Where at least one channel is at its ceiling or next to it (254 of 255).

        Returns
        -------
        (h, w) bool. Parameters and errors as in `linear`.
        """
        ceiling = np.iinfo(self.encoded.dtype).max
        below = float(np.ceil(_CLIPPED * ceiling)) - 1
        inside = cv2.inRange(self._crop(box), (0.0,) * 3, (below,) * 3)
        return np.asarray(inside == 0)

    def lit(self, codes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Working light of single colours in codes of 255 that need not be whole, (N, 3)."""
        at = np.linspace(0.0, 255.0, len(self.curve))
        device = [np.interp(codes[:, i], at, self.curve[:, i]) for i in range(3)]
        return np.asarray(np.stack(device, axis=1) @ self.matrix.T, np.float64)

    def clipped_share(self) -> float:
        """Share of the photo that is clipped, from one pixel in sixteen."""
        below = int(np.ceil(_CLIPPED * np.iinfo(self.encoded.dtype).max)) - 1
        few = cast(Codes, np.ascontiguousarray(self.encoded[::4, ::4]))
        inside = cv2.inRange(few, (0.0,) * 3, (float(below),) * 3)
        return 1.0 - cv2.countNonZero(inside) / inside.size

    def reduced(self, size: tuple[int, int]) -> Codes:
        """Codes reduced to a width and height by area means: for looking, not for measuring."""
        codes = self.encoded
        # Halving is several times as fast as any other factor.
        while codes.shape[1] >= 4 * size[0] and codes.shape[0] >= 4 * size[1]:
            half = (codes.shape[1] // 2, codes.shape[0] // 2)
            even = codes[: 2 * half[1], : 2 * half[0]]
            codes = cast(Codes, cv2.resize(even, half, interpolation=cv2.INTER_AREA))
        return cast(Codes, cv2.resize(codes, size, interpolation=cv2.INTER_AREA))

    def preview(self, max_side: int) -> tuple[NDArray[np.uint8], float]:
        """Small picture for looking at and for finding things, in about sRGB.

        Parameters
        ----------
        max_side
            Longest side in pixels, at least 1; a smaller photo is not enlarged.

        Returns
        -------
        (h, w, 3) uint8 RGB, and its scale: preview pixels a photo pixel.
        """
        if max_side < 1:
            raise ValueError(f"max_side must be at least 1, not {max_side}")
        width, height = self.size_px
        scale = min(1.0, max_side / max(width, height))
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        small = self.reduced(size)
        light = cv2.LUT(small, self.curve[None])
        shown = np.asarray(cv2.transform(light, (_to_srgb() @ self.matrix).astype(np.float32)))
        np.clip(shown, 0.0, 1.0, out=shown)
        index = np.rint(shown * 4095).astype(np.uint16)
        return np.asarray(_srgb_codes()[index], np.uint8), scale

    def _crop(self, box: Box | None) -> Codes:
        if box is None:
            return self.encoded
        x0, y0, x1, y1 = box
        width, height = self.size_px
        if not (0 <= x0 < x1 <= width and 0 <= y0 < y1 <= height):
            raise ValueError(f"box {box} is empty or not inside the photo of {width} x {height}")
        return self.encoded[y0:y1, x0:x1]


def open_photo(path: str | Path, *, max_pixels: int = MAX_PIXELS) -> Photo:
    """Open a photo: JPEG, HEIC, AVIF, PNG, TIFF, or a camera's raw file (extra ``raw``).

    What the file holds counts, not how its name ends.

    Parameters
    ----------
    path
        The file; it is read once and never written.
    max_pixels
        Larger pictures are refused before they are decoded.

    Raises
    ------
    PhotoError
        The file is missing, unreadable, not a colour photo, too large, cut short or damaged beyond
        use. A file that decodes with warnings opens with the flag ``damaged``.
    """
    path = Path(path)
    data = _read(path)
    try:
        return _open(path, data, max_pixels)
    except UnusableError as error:
        raise PhotoError(path, error.problem, error.remedy) from None


def _read(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise PhotoError(path, "a folder, not a photo", "give the photo's own file name")
        if not stat.S_ISREG(status.st_mode):
            raise PhotoError(path, "not an ordinary file", "give the photo's own file name")
        if status.st_size > MAX_BYTES:
            text = f"the file has {status.st_size / 1e6:.0f} MB, more than {MAX_BYTES / 1e6:.0f}"
            raise PhotoError(path, text, "export the photo as JPEG")
        return path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(path, "no such file", "check the name and the folder") from None
    except PermissionError:
        raise PhotoError(path, "may not be read", "change the file's permissions") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise PhotoError(path, f"cannot be read ({reason})", "check the name and disk") from None


def _open(path: Path, data: bytes, max_pixels: int) -> Photo:
    header = read_header(data)
    if header.width < 1 or header.height < 1:
        raise UnusableError("the picture has no pixels", "copy it from the camera again")
    if header.width * header.height > max_pixels:
        raise UnusableError(
            f"{header.width} x {header.height} pixels are more than {max_pixels / 1e6:g} million",
            "export a smaller copy or crop it",
        )
    read = _developed(header) if header.format == "RAW" else _decoded(header)
    flags = list(read.flags)
    if header.gain_map:
        flags.append("gain_map")
    if _colourless(read.pixels):
        flags.append("no_colour")
    upright = _decode.turn_upright(read.pixels, read.orientation)
    profile = read.profile
    curve = profile.curve.astype(np.float32)
    for array in (upright, curve):
        array.flags.writeable = False
    matrix = _icc.to_working(profile.matrix)
    matrix.flags.writeable = False
    return Photo(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        encoded=upright,
        curve=curve,
        matrix=matrix,
        format=header.format,
        bits=16 if upright.dtype == np.uint16 else 8,
        profile=profile.name,
        flags=tuple(flags),
        taken=_tags.exif_taken(header.tags),
        coding=jpeg_coding(data) if header.format == "JPEG" else (),
        white_balance=read.white_balance,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """Pixels not yet turned upright, and what they mean."""

    pixels: Codes
    profile: _icc.Profile
    orientation: int
    flags: tuple[str, ...]
    white_balance: tuple[float, float, float] | None = None


def _decoded(header: Header) -> _Read:
    profile, flags = _profile(header)
    pixels, damaged = _decode.decode(header)
    if profile is None:
        pixels, profile, flags = _by_tables(pixels, header.icc or b"")
    if damaged:
        flags.append("damaged")
    turn = header.orientation or _tags.exif_orientation(header.tags)
    return _Read(pixels, profile, turn, tuple(flags))


def _developed(header: Header) -> _Read:
    raw = _raw.develop(header)
    flags = (*raw.flags, "damaged") if raw.damaged else raw.flags
    return _Read(raw.pixels, raw.profile, raw.orientation, flags, raw.white_balance)


def _colourless(pixels: _decode.Pixels) -> bool:
    """Whether the three channels are one: a camera's black-and-white setting still writes three."""
    step = max(1, min(pixels.shape[:2]) // 128)
    sparse = pixels[::step, ::step]
    return bool((sparse == sparse[..., :1]).all())


def _profile(header: Header) -> tuple[_icc.Profile | None, list[str]]:
    """Profile of the file, None if it works by tables; and the flags that it earns."""
    levels = 65536 if header.bits == 16 else 256
    if header.png.coding is not None:
        return _coded(header.png.coding, levels)
    if header.icc is not None:
        kind = _icc.profile_kind(header.icc)
        found = _icc.read_profile(header.icc, levels)
        if found is not None:
            return found, ["profile_approximate"] if found.rough else []
        if kind == "RGB" and _icc.has_tables(header.icc):
            return None, ["profile_approximate"]
        return _assumed(levels)
    if header.png.srgb:
        return _icc.named_profile("sRGB", levels), []
    if header.png.gamma is not None:
        given = _icc.gamma_profile(header.png.gamma, header.png.primaries, levels)
        return (given, []) if given is not None else _assumed(levels)
    if header.coding is not None:
        return _coded(header.coding, levels)
    named = _tags.exif_colour_space(header.tags)
    if named == "adobe":
        return _icc.named_profile("Adobe RGB", levels, name="Adobe RGB (EXIF)"), []
    if named == "srgb":
        return _icc.named_profile("sRGB", levels, name="sRGB (EXIF)"), []
    return _assumed(levels)


def _assumed(levels: int) -> tuple[_icc.Profile, list[str]]:
    return _icc.named_profile("sRGB", levels, name="sRGB (assumed)"), ["profile_assumed"]


def _coded(coding: tuple[int, int], levels: int) -> tuple[_icc.Profile, list[str]]:
    """Profile named by code points (ITU-T H.273, tables 2 and 3), as a PNG or a HEIC does."""
    primaries, transfer = coding
    if transfer in (16, 18):
        raise UnusableError(
            "an HDR picture (PQ or HLG), which is not read", "save it as an ordinary sRGB picture"
        )
    spaces: dict[int, _icc.Space] = {1: "sRGB", 9: "Rec.2020", 12: "Display P3"}
    space = spaces.get(primaries, "sRGB")
    gamma = {8: 1.0, 4: 2.2}.get(transfer)
    exact = primaries in spaces and transfer in (4, 8, 13)
    profile = _icc.named_profile(space, levels, gamma=gamma, srgb=gamma is None)
    return profile, [] if exact else ["profile_approximate"]


def _by_tables(
    pixels: _decode.Pixels, icc: bytes
) -> tuple[_decode.Pixels, _icc.Profile, list[str]]:
    """Turn a picture whose profile works by tables into sRGB codes of 8 bits.

    A profile that the colour engine refuses leaves the picture as it is, sRGB assumed.
    """
    from io import BytesIO

    from PIL import Image, ImageCms

    small = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    try:
        source = ImageCms.ImageCmsProfile(BytesIO(icc))
        turned = ImageCms.profileToProfile(
            Image.fromarray(small), source, ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return pixels, *_assumed(np.iinfo(pixels.dtype).max + 1)
    profile = _icc.named_profile("sRGB", 256, name=_icc.profile_name(icc))
    return np.array(turned, np.uint8), profile, ["profile_approximate"]


@lru_cache(maxsize=1)
def _to_srgb() -> NDArray[np.float64]:
    """(3, 3) linear Rec.2020 to linear sRGB."""
    working = _icc.to_working(_icc.primaries_to_xyz(_icc.SPACES["sRGB"]))
    return np.asarray(np.linalg.inv(working), np.float64)


@lru_cache(maxsize=1)
def _srgb_codes() -> NDArray[np.uint8]:
    """(4096,) 8-bit sRGB codes of linear light from 0 to 1."""
    light = _icc.codes(4096)
    low = light <= 0.0031308
    curve = np.where(low, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(curve * 255), np.uint8)
