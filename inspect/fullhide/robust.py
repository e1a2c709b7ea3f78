"""Robust sums: medians, spreads, covariances and fits that a few far-off values do not move."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

__all__ = ["MAD_TO_SD", "covariance", "fit", "median", "polynomial", "spread"]

#: Median absolute deviation to standard deviation of a normal distribution: 1/0.6745.
MAD_TO_SD = 1.4826
#: 0.999 point of chi-square by degrees of freedom (scipy.stats.chi2.ppf).
_CHI2 = {1: 10.83, 2: 13.82, 3: 16.27, 6: 22.46, 9: 27.88, 12: 32.91}


def median(values: NDArray[Any]) -> NDArray[Any]:
    """Median along the last axis; the upper of the two middle values where their number is even.

    Parameters
    ----------
    values
        (..., N), N at least 1, no NaN.

    Returns
    -------
    ndarray (...)
        Of the type of `values`.
    """
    middle = values.shape[-1] // 2
    return cast(NDArray[Any], np.partition(values, middle, axis=-1)[..., middle])


def spread(values: NDArray[Any], middle: NDArray[Any]) -> NDArray[Any]:
    """Standard deviation along the last axis by the median absolute deviation from `middle`."""
    off = np.abs(values - np.asarray(middle)[..., None])
    return cast(NDArray[Any], values.dtype.type(MAD_TO_SD) * median(off))


def covariance(values: NDArray[Any]) -> NDArray[np.float64]:
    """Covariance of channels, far-off samples clipped in rounds.

    Parameters
    ----------
    values
        (C, N), one row a channel; C one of 1, 2, 3, 6, 9, 12.

    Returns
    -------
    ndarray (C, C)
        The unit matrix where there are fewer than 4 C samples.
    """
    fewest, farthest = 4 * len(values), _CHI2[len(values)]
    if values.shape[1] < fewest:
        return np.eye(len(values))
    middle = median(values)
    wide = 4.0 * spread(values, middle) + 4e-6
    keep = (np.abs(values - middle[:, None]) < wide[:, None]).all(axis=0)
    if int(np.count_nonzero(keep)) < fewest:
        return cast(NDArray[np.float64], np.diag(wide.astype(np.float64) ** 2 / 16.0))
    found, mean = _moments(values[:, keep])
    for _ in range(3):
        # Whitened by the inverse root: the squared length is Mahalanobis' distance.
        root = np.linalg.inv(np.linalg.cholesky(found)).astype(values.dtype)
        white = root @ (values - mean[:, None])
        keep = np.einsum("cn,cn->n", white, white) < farthest
        if int(np.count_nonzero(keep)) < fewest:
            break
        found, mean = _moments(values[:, keep])
    return found


def _moments(values: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[Any]]:
    mean = values.mean(axis=1, dtype=np.float64).astype(values.dtype)
    off = values - mean[:, None]
    product = (off @ off.T).astype(np.float64) / (values.shape[1] - 1)
    return product + 1e-8 * np.eye(len(values)), mean


def fit(
    terms: NDArray[Any],
    values: NDArray[Any],
    *,
    rounds: int = 4,
    times: float = 2.5,
    floor: float = 1e-6,
    fewest: int = 12,
) -> NDArray[np.float64]:
    """Least squares that leaves far-off samples out in rounds.

    Parameters
    ----------
    terms
        (N, P), one row a sample.
    values
        (C, N), one row a channel; a sample that is far off in one is left out of all.
    rounds
        Number of fits.
    times, floor
        A sample stays while its residual is at most `times` robust standard deviations + `floor`.
    fewest
        With fewer samples no (further) fit is made.

    Returns
    -------
    ndarray (P, C)
        Zeros if there was no fit.
    """
    found = np.zeros((terms.shape[1], len(values)))
    columns = np.ascontiguousarray(terms.T)
    a, y = columns, values
    for left in range(rounds, 0, -1):
        if a.shape[1] < fewest:
            break
        found = np.linalg.pinv((a @ a.T).astype(np.float64), hermitian=True) @ (a @ y.T)
        if left > 1:
            off = np.abs(values - found.T.astype(values.dtype) @ columns)
            wide = times * MAD_TO_SD * median(off) + floor
            keep = (off <= wide[:, None]).all(axis=0)
            a, y = columns[:, keep], values[:, keep]
    return found


def polynomial(shape: tuple[int, ...], degree: int) -> NDArray[np.float32]:
    """Terms of a polynomial over an image, x and y running from -1 to 1.

    Parameters
    ----------
    shape
        Of the image, (H, W, ...).
    degree
        Of the polynomial: 0, 1 or 2.

    Returns
    -------
    ndarray of float32, (H, W, P)
        1; x, y; x², xy, y².
    """
    rows, columns = np.indices(shape[:2], dtype=np.float32)
    y = rows / max(1, shape[0] - 1) * 2 - 1
    x = columns / max(1, shape[1] - 1) * 2 - 1
    terms = [np.ones_like(x), x, y, x * x, x * y, y * y][: (1, 3, 6)[degree]]
    return np.stack(terms, axis=-1)
