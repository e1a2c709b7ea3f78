"""Rendered photos of drawdowns over a hiding chart, with the 24-patch chart beside it."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIZE, MM = (1000, 760), 0.17
CARD = ((30.0, 30.0), (970.0, 30.0), (970.0, 470.0), (30.0, 470.0))
CENTRES = ((140.0, 250.0), (370.0, 250.0), (600.0, 250.0), (830.0, 250.0))
RADIUS, HALF_BOX = 92.0, 55.0


def photographed(
    spectra: Sequence[NDArray[np.float64]], rng: np.random.Generator, *, share: float
) -> Any | None:
    """Render the four areas, of these spectra, and read them; None where the photo tells nothing.

    Light, exposure, fall of light and noise at random; a grey board in two thirds.
    """
    from fullhide.drawdown import AREAS, read_drawdown
    from fullhide.errors import FullhideError
    from fullhide.job import ChartSettings
    from fullhide.phantom import Camera, Chart, Leather, Light, Scene, Spot, render, save_photo

    scene = Scene(
        size_px=SIZE,
        mm_per_px=MM,
        seed=int(rng.integers(1 << 30)),
        leather=Leather(
            grain="smooth",
            depth=0.3,
            roughness=float(rng.uniform(0.3, 0.45)),
            gloss=float(rng.uniform(0.5, 1.2)),
            curvature_mm=float(rng.uniform(0.0, 0.5)),
        ),
        light=Light(
            name=str(rng.choice(["D50", "D65", "LED-B3"])),
            falloff=float(rng.uniform(0.0, 0.15)),
            falloff_towards_deg=float(rng.uniform(-180.0, 180.0)),
        ),
        camera=Camera(noise=float(rng.uniform(0.3, 1.0)), exposure=float(rng.uniform(0.6, 0.85))),
        finish=(60.0, 0.0, 0.0),
        under=tuple((name, (50.0, 0.0, 0.0)) for name in AREAS),
        spectra=tuple(
            (name, tuple(float(v) for v in values))
            for name, values in zip(AREAS, spectra, strict=True)
        ),
        panel_px=CARD,
        chart=Chart(centre_px=(500.0, 610.0), width_mm=380.0 * MM),
        spots=tuple(
            Spot(name, (x * MM, y * MM), area_mm2=float(np.pi * (RADIUS * MM) ** 2), shape="round")
            for name, (x, y) in zip(AREAS, CENTRES, strict=True)
        ),
    )
    boxes = {
        name: (x - HALF_BOX, y - HALF_BOX, x + HALF_BOX, y + HALF_BOX)
        for name, (x, y) in zip(AREAS, CENTRES, strict=True)
    }
    with tempfile.TemporaryDirectory() as name:
        photo, board = Path(name) / "p.jpg", None
        save_photo(render(scene), photo, quality=94)
        if rng.random() < 2 / 3:
            board = Path(name) / "b.jpg"
            save_photo(render(scene.grey_board()), board, quality=94)
        chart = ChartSettings(width_mm=380.0 * MM)
        try:
            return read_drawdown(photo, boxes, chart=chart, share=share, grey_board=board)
        except FullhideError:
            return None
