"""Where a panel's own colour lies, and how its doubts go together: what a match is drawn from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fullhide.result import Measure

__all__ = ["placed"]

Vector = NDArray[np.float64]


def placed(lab: Vector, covariance: Vector) -> dict[str, Measure]:
    """Measures of a panel's colour that no verdict rests on.

    Parameters
    ----------
    lab
        CIE Lab, D50, by the photo's chart, (3,): as the light fell on the panel, so that its
        lightness is rougher than the difference's.
    covariance
        Of the difference from the reference, (3, 3).

    Returns
    -------
    dict
        ``match_L``, ``match_a`` and ``match_b``, without a doubt of their own, and ``match_ab``,
        the correlation of ``match_da`` with ``match_db``, -1 to 1.
    """
    told = {
        f"match_{name}": Measure(value=float(value), u=None, limit=None, unit="CIE D50")
        for name, value in zip(("L", "a", "b"), lab, strict=True)
    }
    spread = float(np.sqrt(covariance[1, 1] * covariance[2, 2]))
    together = float(covariance[1, 2]) / spread if spread > 0 else 0.0
    told["match_ab"] = Measure(value=together, u=None, limit=None, unit="")
    return told
