"""A photo as a screen shows it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from fullhide.photo import Photo

__all__ = ["display"]

_STRIP_PX = 256


def display(photo: Photo) -> NDArray[np.uint8]:
    """Every pixel of a photo in 8-bit sRGB: for looking at, not for measuring.

    Returns
    -------
    ndarray of uint8
        (H, W, 3), read-only; the photo's own codes where these are sRGB of 8 bits already.
    """
    codes = photo.encoded
    if codes.dtype == np.uint8 and photo.profile.startswith("sRGB"):
        return np.asarray(codes, np.uint8)
    shown = np.empty(codes.shape, np.uint8)
    for top in range(0, len(codes), _STRIP_PX):
        strip = replace(photo, encoded=codes[top : top + _STRIP_PX])
        shown[top : top + _STRIP_PX] = strip.preview(max(strip.size_px))[0]
    shown.flags.writeable = False
    return shown
