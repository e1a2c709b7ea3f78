"""The camera: from scene light to the values in the file."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from . import _spectra
from .scene import Camera, Scene

__all__ = ["PROFILES", "TONES", "develop", "encode"]

F32 = NDArray[np.float32]

#: Electrons of a full-scale value and read noise in full scales: a small sensor's, ours.
_FULL_WELL = 9000.0
_READ = 0.0012
_STRIP = 128
TONES = ("srgb", "phone")
#: Profile -> colour-science's name of the colour space.
PROFILES = {"srgb": "sRGB", "display-p3": "Display P3", "adobe-rgb": "Adobe RGB (1998)"}


def develop(image: F32, scene: Scene) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Turn scene light into the values that a camera writes.

    Parameters
    ----------
    image
        float32, (H, W, 3): balanced camera RGB, white in full light = 1.  Overwritten.
    scene
        Camera, light, seed and shot.

    Returns
    -------
    ndarray
        uint8 or uint16, (H, W, 3), RGB in the camera's colour space.
    """
    camera = scene.camera
    if camera.flare:
        mean = image.reshape(-1, 3).mean(axis=0)
        image *= np.float32(1 - camera.flare)
        image += (camera.flare * mean).astype(np.float32)
    if camera.blur_px > 0.1:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), camera.blur_px), np.float32)
    if camera.motion_px > 1:
        image = np.asarray(cv2.blur(image, (round(camera.motion_px), 1)), np.float32)
    _expose(image, scene)
    matrix = _spectra.in_camera_matrix(camera.sensor, scene.light.name)
    if camera.profile != "srgb":
        matrix = _spectra.from_linear_srgb(PROFILES[camera.profile]) @ matrix
    table = _curve(camera)
    coded: NDArray[np.uint16] = np.empty(image.shape, np.uint16)
    for y in range(0, image.shape[0], _STRIP):
        part = cv2.transform(image[y : y + _STRIP], matrix.astype(np.float32))
        # The root spreads the table's steps where the curve is steep.
        np.clip(part, 0.0, 1.0, out=part)
        index = np.sqrt(part, out=part)
        index *= len(table) - 1
        index += 0.5
        coded[y : y + _STRIP] = table[index.astype(np.uint16)]
    if camera.sharpen:
        soft = cv2.GaussianBlur(coded, (0, 0), 1.2)
        sharp = cv2.addWeighted(coded, 1 + camera.sharpen, soft, -camera.sharpen, 0)
        coded = np.asarray(sharp, dtype=np.uint16)
    if camera.bits == 16:
        return coded
    return np.asarray(cv2.convertScaleAbs(coded, alpha=1 / 257.0), dtype=np.uint8)


def _expose(image: F32, scene: Scene) -> None:
    """Exposure, noise and the sensor's ceiling, in place."""
    camera = scene.camera
    gain = np.float32(camera.exposure) * np.array(camera.white_balance, np.float32)
    amplify = _spectra.balance_gains(camera.sensor, scene.light.name).astype(np.float32)
    shot = amplify * np.float32(camera.noise**2 / _FULL_WELL)
    read = (amplify * np.float32(camera.noise * _READ)) ** 2
    for number, y in enumerate(range(0, image.shape[0], _STRIP)):
        part = image[y : y + _STRIP]
        part *= gain
        if camera.noise:
            # A generator a strip: the noise does not depend on how strips are shared out.
            rng = np.random.Generator(np.random.SFC64([scene.seed, 31, scene.shot, number]))
            grains = rng.standard_normal(part.shape, dtype=np.float32)
            variance = part * shot
            np.maximum(variance, 0, out=variance)
            variance += read
            grains *= np.sqrt(variance, out=variance)
            part += grains
        np.minimum(part, np.float32(1.0), out=part)


def encode(linear: NDArray[np.float64], camera: Camera) -> NDArray[np.float64]:
    """The camera's curve from linear light (0 to 1) to coded values (0 to 1)."""
    if camera.profile == "adobe-rgb":
        coded = linear ** (256.0 / 563.0)
    else:  # IEC 61966-2-1; Display P3 shares the curve
        coded = np.where(
            linear <= 0.0031308,
            12.92 * linear,
            1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055,
        )
    if camera.tone == "phone":
        coded = coded - 0.35 * coded * (1 - coded) * (1 - 2 * coded)
    return np.asarray(coded, dtype=np.float64)


def _curve(camera: Camera) -> NDArray[np.uint16]:
    """Coded 16-bit values over the square root of linear light."""
    root = np.linspace(0.0, 1.0, 16384)
    return np.round(encode(root * root, camera) * 65535.0).astype(np.uint16)
