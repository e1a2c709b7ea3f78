"""Raw camera files (DNG and others): the sensor's own light, through rawpy's LibRaw.

Nothing of a camera's picture style is applied. White balance is asked of the file and kept aside:
it helps the interpolation of the mosaic and is then taken off again, so that every channel ends at
the sensor's own ceiling and a burnt-out place is told as one.
"""

from __future__ import annotations

import os
import tempfile
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fullhide import _dng, _icc, _tags
from fullhide._header import Header, UnusableError

__all__ = ["Developed", "develop", "read_header"]

F64 = NDArray[np.float64]

_MISSING = (
    "a raw camera file, and the part that reads them is not installed",
    "install it with: pip install 'fullhide[raw]'; or export the photo as 16-bit TIFF",
)
_UNKNOWN = (
    "a raw camera file of a kind that is not read",
    "export the photo as 16-bit TIFF, or set the camera to JPEG",
)
_DAMAGED = ("the raw file is truncated or damaged", "copy it from the camera again")
#: Orientation (EXIF 2.3, tag 274) of LibRaw's turn: 1 mirrors, 2 flips, 4 swaps the axes.
_ORIENTATION = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
#: Balances beyond this are no camera's.
_MAX_BALANCE = 64.0
_LEVELS = 65536
#: Light from which on a sensor counts as full; rows that are turned into codes at once.
_FULL, _STRIP_PX = 0.991, 256

# The decoder's messages go to the process's standard error: one photo at a time may listen there.
_listening = threading.Lock()


@dataclass(frozen=True, slots=True, eq=False)
class Developed:
    """A raw photo's light.

    Attributes
    ----------
    pixels
        (H, W, 3) uint16, not yet turned upright: the sensor's light through sRGB's curve, which
        only spreads the codes; `profile` takes it off again.
    profile
        Codes to the sensor's light, 1 at its ceiling, and on to XYZ (D50) with the white balance.
    orientation
        1 to 8, as in EXIF.
    white_balance
        What the camera would multiply red, green and blue by; green 1.
    flags
        Names out of `fullhide.quality.FLAGS`.
    damaged
        The decoder complained.
    """

    pixels: NDArray[np.uint16]
    profile: _icc.Profile
    orientation: int
    white_balance: tuple[float, float, float]
    flags: tuple[str, ...]
    damaged: bool


def read_header(data: bytes) -> Header:
    """Header of a raw camera file.

    Raises
    ------
    UnusableError
        rawpy is not installed, or LibRaw does not know the file.
    """
    with _opened(data, _UNKNOWN) as (raw, _):
        sizes, colours = raw.sizes, raw.num_colors
        width, height = int(sizes.width), int(sizes.height)
    if colours != 3:
        says = "black and white" if colours == 1 else f"of {colours} colours"
        raise UnusableError(f"a raw file {says}, which is not read", _UNKNOWN[1])
    return Header("RAW", width, height, 16, None, _tags.open_tags(data), data)


def develop(header: Header) -> Developed:
    """The sensor's light of a raw photo.

    Raises
    ------
    UnusableError
        The file is damaged.
    """
    with _opened(header.pixels, _DAMAGED) as (raw, said):
        # Asked before developing, which forgets it.
        orientation = _ORIENTATION.get(int(raw.sizes.flip), 1)
        balance, stated = _balance(raw)
        stacked = raw.raw_type.name == "Stack"
        values, table = _stacked(raw) if stacked else _mosaic(raw, balance)
        gain = _dng.lens_gain(
            header.pixels,
            size=(header.width, header.height),
            mosaic=None if stacked else _pattern(raw),
        )
        matrix, sure = _matrix(raw)
        damaged = bool(said())
    if values.shape != (header.height, header.width, 3):
        raise UnusableError(*_DAMAGED)
    pixels = _coded_through(values, table, gain)
    profile = _icc.Profile("camera raw", _curves(), matrix * balance, rough=not sure)
    return Developed(
        pixels=pixels,
        profile=profile,
        orientation=orientation,
        white_balance=(float(balance[0]), float(balance[1]), float(balance[2])),
        flags=() if sure and stated else ("profile_approximate",),
        damaged=damaged,
    )


@contextmanager
def _opened(data: bytes, problem: tuple[str, str]) -> Iterator[tuple[Any, Any]]:
    """The file in LibRaw, and a function that gives what LibRaw has complained of so far."""
    try:
        import rawpy
    except ImportError:
        raise UnusableError(*_MISSING) from None
    with _listening, _stderr_kept() as said:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                with rawpy.imread(BytesIO(data)) as raw:
                    yield raw, said
        except UnusableError:
            raise
        except Exception:  # noqa: BLE001 - whatever a decoder raises on bad bytes, the file is at fault
            raise UnusableError(*problem) from None


@contextmanager
def _stderr_kept() -> Iterator[Any]:
    """Standard error goes aside: LibRaw writes there what it only warns of."""
    with tempfile.TemporaryFile() as aside:
        try:
            kept = os.dup(2)
        except OSError:  # closed: nothing can be heard
            yield lambda: b""
            return
        try:
            os.dup2(aside.fileno(), 2)
            yield lambda: os.pread(aside.fileno(), 1000, 0)
        finally:
            os.dup2(kept, 2)
            os.close(kept)


def _balance(raw: Any) -> tuple[F64, bool]:
    """Multipliers of red, green and blue, green 1, and whether the camera stated them."""
    for given, stated in ((raw.camera_whitebalance, True), (raw.daylight_whitebalance, False)):
        three = np.array(given[:3], np.float64)
        if np.isfinite(three).all() and three.min() > 0:
            three = three / three[1]
            if three.max() < _MAX_BALANCE and three.min() > 1 / _MAX_BALANCE:
                return three, stated
    return np.ones(3), False


def _mosaic(raw: Any, balance: F64) -> tuple[NDArray[np.uint16], F64]:
    """Values of a sensor with a colour mosaic, and the light of each value, (65536, 3)."""
    import rawpy

    four = [*balance, balance[1]]
    light = raw.postprocess(
        # As straight as interpolation gets at a bearable speed: no colour is moved by it.
        demosaic_algorithm=rawpy.DemosaicAlgorithm.PPG,
        user_wb=four,
        output_color=rawpy.ColorSpace.raw,
        output_bps=16,
        gamma=(1, 1),
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        # The largest multiplier becomes 1: no channel is cut off below its own ceiling.
        highlight_mode=rawpy.HighlightMode.Ignore,
        user_flip=0,
        user_sat=_saturation(raw),
    )
    # The balance is taken off again.
    return light, np.arange(_LEVELS)[:, None] / (_LEVELS - 1.0) * (balance.max() / balance)


def _pattern(raw: Any) -> NDArray[np.int_]:
    """Channel, 0 to 2, of the mosaic's first two rows and columns."""
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    sites = [[raw.raw_color(top + row, left + column) for column in (0, 1)] for row in (0, 1)]
    return np.array([[1 if colour == 3 else colour for colour in row] for row in sites])


def _saturation(raw: Any) -> int | None:
    """The lowest of the levels at which a channel is full, where the file gives one a channel."""
    white, given = int(raw.white_level), raw.camera_white_level_per_channel
    levels = [int(level) for level in given or () if level]
    lowest = min(levels, default=white)
    return lowest if white // 2 < lowest < white else None


def _stacked(raw: Any) -> tuple[NDArray[np.uint16], F64]:
    """The same of a file that holds three channels a pixel already (a linear DNG)."""
    stored = raw.raw_image_visible
    if stored.ndim != 3 or stored.shape[2] < 3:
        raise UnusableError(*_UNKNOWN)
    black = np.array(raw.black_level_per_channel[:3], np.float64)
    span = float(raw.white_level) - black
    if span.min() <= 0:
        raise UnusableError(*_DAMAGED)
    table = (np.arange(_LEVELS)[:, None] - black) / span
    return np.ascontiguousarray(stored[..., :3], np.uint16), table


def _coded_through(
    values: NDArray[np.uint16], table: F64, gain: _dng.LensGain
) -> NDArray[np.uint16]:
    """Codes of values, by their light and the lens's gain."""
    if not gain.maps:
        return np.asarray(cv2.LUT(values, _coded(table).astype(np.uint16)[None]), np.uint16)
    height, width = values.shape[:2]
    # What the sensor could not hold stays at the ceiling, whatever the gain.
    light = np.where(table < _FULL, table, np.inf).astype(np.float32)[None]
    codes = _coded(np.arange(_LEVELS) / (_LEVELS - 1.0)).astype(np.uint16)
    made = np.empty_like(values)
    for top in range(0, height, _STRIP_PX):
        strip = values[top : top + _STRIP_PX]
        lit = cv2.LUT(strip, light) * gain.over(top, top + len(strip), (width, height))
        np.clip(lit, 0.0, 1.0, out=lit)
        made[top : top + len(strip)] = codes[np.rint(lit * (_LEVELS - 1)).astype(np.uint16)]
    return made


@lru_cache(maxsize=1)
def _curves() -> F64:
    """The way back from `_coded`, for each channel."""
    return np.stack([_icc.srgb_curve(_icc.codes(_LEVELS))] * 3, axis=1)


def _coded(light: F64) -> F64:
    """Codes of 16 bits of light from 0 to 1, through the curve of sRGB (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    curved = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    low = light <= 0.0031308
    return np.asarray(np.rint(np.where(low, light * 12.92, curved) * (_LEVELS - 1)), np.float64)


def _matrix(raw: Any) -> tuple[F64, bool]:
    """Balanced camera light to XYZ (D50), and whether the file or LibRaw knows the camera."""
    to_srgb = np.array(raw.color_matrix, np.float64)[:, :3]
    from_srgb = _icc.primaries_to_xyz(_icc.SPACES["sRGB"])
    whole = np.isfinite(to_srgb).all() and np.abs(to_srgb.sum(axis=1) - 1).max() < 0.05
    if not whole or np.linalg.det(to_srgb) < 1e-2 or np.array_equal(to_srgb, np.eye(3)):
        return from_srgb, False
    return np.asarray(from_srgb @ to_srgb, np.float64), True
