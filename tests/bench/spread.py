"""What the benches of panels spread alike: light, camera and leather."""

from __future__ import annotations

from typing import Any

import numpy as np

#: The layers of camera-b overlap so much that its colour matrix multiplies the sensor's noise 5 to
#: 23 times, camera-a's 2 to 3 times. No maker would leave that in the picture: it is given a third
#: of the noise, and is still the noisier of the two.
NOISE_OF = {"camera-a": 1.0, "camera-b": 1.0 / 3.0}


def surroundings(rng: np.random.Generator) -> dict[str, Any]:
    """Arguments of a scene: its seed, and light, camera and leather as shops have them."""
    from fullhide.phantom import Camera, Leather, Light

    sensor = str(rng.choice(list(NOISE_OF)))
    return {
        "seed": int(rng.integers(1 << 30)),
        "light": Light(
            name=str(rng.choice(["D65", "D50", "A", "FL11", "LED-B3"])),
            falloff=float(rng.uniform(0.0, 0.2)),
            falloff_towards_deg=float(rng.uniform(-180.0, 180.0)),
        ),
        "camera": Camera(
            sensor=sensor,
            exposure=0.85 * float(2.0 ** rng.uniform(-0.5, 0.1)),
            tone=str(rng.choice(["srgb", "phone"])),
            noise=NOISE_OF[sensor] * float(rng.choice([1.0, 2.0, 3.0])),
        ),
        "leather": Leather(
            grain=str(rng.choice(["fine", "coarse", "smooth"])),
            gloss=float(rng.uniform(0.4, 1.2)),
            curvature_mm=float(rng.uniform(0.0, 10.0)),
        ),
    }
