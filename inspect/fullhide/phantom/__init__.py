"""Test photographs with known truth, rendered from spectra.

`render` turns a `Scene` into the picture a camera would take of it and into the truth a
perfect inspection would find::

    from fullhide.phantom import Scene, Spot, render, save_photo

    rendering = render(Scene(spots=(Spot("old green", (120.0, 150.0), area_mm2=8.0),)))
    save_photo(rendering, "test.jpg")
    print(rendering.truth.spots[0].area_mm2)
"""

from __future__ import annotations

from ._edges import EdgeTruth, band_px
from ._save import save_photo
from ._truth import SpotTruth, Truth
from .edge import Bleed, Edge, OpenLine, Overspray
from .render import Rendering, render
from .scene import (
    Bands,
    Camera,
    Chart,
    Distractor,
    Film,
    Gap,
    Lamp,
    Leather,
    Light,
    Mottle,
    Scene,
    Seam,
    Sheen,
    Spot,
    Thin,
    View,
)

__all__ = [
    "Bands",
    "Bleed",
    "Camera",
    "Chart",
    "Distractor",
    "Edge",
    "EdgeTruth",
    "Film",
    "Gap",
    "Lamp",
    "Leather",
    "Light",
    "Mottle",
    "OpenLine",
    "Overspray",
    "Rendering",
    "Scene",
    "Seam",
    "Sheen",
    "Spot",
    "SpotTruth",
    "Thin",
    "Truth",
    "View",
    "band_px",
    "render",
    "save_photo",
]
