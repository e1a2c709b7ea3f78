"""How two spectra differ in a light, by colour-science from end to end: truth from outside."""

from __future__ import annotations

from typing import Any

import numpy as np

from fullhide._colour_science import colour


def seen_delta_e(light: str, *spectra: Any) -> float:
    """CIEDE2000 with kL = 2 of two spectra, 380 to 780 nm in steps of 5, against the light's white.

    CIE 1931 2 degree observer; the light is one of colour-science's, by its name.
    """
    cs = colour()
    shape = cs.SpectralShape(380, 780, 5)
    cmfs = cs.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    lamp = cs.SDS_ILLUMINANTS[light].copy().align(shape)
    white = cs.sd_to_XYZ(cs.sd_ones(shape), cmfs, lamp, method="Integration")
    labs = []
    for values in spectra:
        sd = cs.SpectralDistribution(np.asarray(values), shape.wavelengths)
        xyz = cs.sd_to_XYZ(sd, cmfs, lamp, method="Integration") / white[1]
        labs.append(cs.XYZ_to_Lab(xyz, cs.XYZ_to_xy(white)))
    return float(cs.delta_E(*labs, method="CIE 2000", textiles=True))
