"""Means over the pixels that count: Gaussians and blocks of images with a weight."""

from __future__ import annotations

from typing import cast

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["blur", "enlarged", "joined", "masked_blur", "slow_mean", "times"]

Array = NDArray[np.float32]


def masked_blur(values: Array, weight: Array, sigma: tuple[float, float]) -> Array:
    """Gaussian mean of `values` over the pixels that `weight` admits.

    Parameters
    ----------
    values
        (H, W) or (H, W, 3), float32.
    weight
        (H, W), float32, 0 to 1.
    sigma
        Standard deviations along x and y, pixels.

    Returns
    -------
    ndarray
        Shape of `values`; 0 where nothing is admitted nearby.
    """
    mass = blur(weight, sigma)
    # Where nothing is admitted the sum is nought too, whatever it is divided by.
    inverse = np.reciprocal(np.maximum(mass, np.float32(1e-3)))
    total = blur(times(values, weight), sigma)
    return times(total, inverse)


def times(values: Array, factor: Array) -> Array:
    """Product of an image of one or three channels with one of one channel."""
    if values.ndim == 2:
        return cast(Array, cv2.multiply(values, factor))
    return cast(Array, cv2.multiply(values, cv2.merge([factor, factor, factor])))


def slow_mean(values: Array, weight: Array, sigma: float) -> Array:
    """`masked_blur` of an image (H, W) for a wide Gaussian, worked out on a reduced image.

    Parameters
    ----------
    values, weight
        (H, W), float32.
    sigma
        Standard deviation, pixels.
    """
    side = max(1, int(sigma / 4.0))
    if side == 1:
        return masked_blur(values, weight, (sigma, sigma))
    block = (side, side)
    mass = joined(weight, block)
    total = joined(times(values, weight), block)
    mean = times(total, np.reciprocal(np.maximum(mass, np.float32(1e-3))))
    mean = masked_blur(mean, mass, (sigma / side, sigma / side))
    return enlarged(mean, block, (values.shape[1], values.shape[0]))


def blur(values: Array, sigma: tuple[float, float]) -> Array:
    """Gaussian blur; zero beyond the border, so that a mask's mass falls off there too."""
    if max(sigma) < 0.2:
        return values
    return cast(
        Array,
        cv2.GaussianBlur(
            values,
            (0, 0),
            sigmaX=max(sigma[0], 0.2),
            sigmaY=max(sigma[1], 0.2),
            borderType=cv2.BORDER_CONSTANT,
        ),
    )


def joined(image: Array, block: tuple[int, int]) -> Array:
    """Means over blocks, the image carried on by zeros where the last ones stick out."""
    height, width = image.shape[:2]
    size = (max(1, -(-width // block[0])), max(1, -(-height // block[1])))
    pad = (0, size[1] * block[1] - height, 0, size[0] * block[0] - width)
    padded = cv2.copyMakeBorder(image, *pad, cv2.BORDER_CONSTANT)
    return cast(Array, cv2.resize(padded, size, interpolation=cv2.INTER_AREA))


def enlarged(coarse: Array, block: tuple[int, int], size: tuple[int, int]) -> Array:
    """An image enlarged by whole factors (x, y) and cut to a width and height."""
    if block == (1, 1):
        return coarse
    width, height = size
    whole = (coarse.shape[1] * block[0], coarse.shape[0] * block[1])
    large = cv2.resize(coarse, whole, interpolation=cv2.INTER_LINEAR)
    return cast(Array, large[:height, :width])
