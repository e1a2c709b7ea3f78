"""A camera that does not stand straight above: where each place of the part lands in the photo.

The part's smooth cushion counts, its grain and the depth of its valleys do not: what they shift
stays below what a shop's camera resolves at the angles that these photos are for.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from .scene import Point, Scene

__all__ = ["Seen", "camera_axis", "seen"]

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

#: The camera stands this many picture widths above the part, as the chart's perspective has it.
CAMERA_WIDTHS = 2.2
_ROUNDS = 12  # of the search for where a ray meets the cushion; each gains a factor of over ten
_STRIP = 256


def camera_axis(scene: Scene) -> tuple[float, float, float]:
    """Unit vector from the part to the camera: x right, y down, z up from the part."""
    if scene.view is None:
        return 0.0, 0.0, 1.0
    t, a = np.deg2rad([scene.view.tilt_deg, scene.view.towards_deg])
    return float(np.sin(t) * np.cos(a)), float(-np.sin(t) * np.sin(a)), float(np.cos(t))


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The exact map between the flat picture of a scene and its photo.

    Attributes
    ----------
    size_px
        Width and height of the photo.
    mm_per_px
        Scale at the place the camera looks at, across the tilt.
    """

    size_px: tuple[int, int]
    mm_per_px: float
    _flat_mm: float
    _shift: Point
    _span: tuple[float, float]
    _rise: float
    _camera: F64
    _axes: F64  # rows: right and down in the photo, and from the camera to the part
    _focal: float

    def height_mm(self, x_mm: F64, y_mm: F64) -> F64:
        """Height of the cushion above its middle, mm."""
        x, y = x_mm / self._span[0] - 0.5, (y_mm - 0.5 * self._span[1]) / self._span[0]
        return np.asarray(-4.0 * self._rise * (x * x + 0.6 * y * y))

    def to_photo(self, flat_px: F64) -> F64:
        """Photo pixels of places (N, 2) of the flat picture."""
        mm = (np.asarray(flat_px, np.float64) - self._shift) * self._flat_mm
        return self.of_mm(mm)

    def of_mm(self, mm: F64) -> F64:
        """Photo pixels of places (N, 2) in scene millimetres."""
        mm = np.asarray(mm, np.float64)
        place = np.column_stack([mm, self.height_mm(mm[:, 0], mm[:, 1])]) - self._camera
        place = place @ self._axes.T
        middle = 0.5 * np.array(self.size_px, np.float64)
        return np.asarray(self._focal * place[:, :2] / place[:, 2:] + middle)

    def to_mm(self, photo_px: F64) -> F64:
        """Scene millimetres of photo pixels (N, 2)."""
        p = (np.asarray(photo_px, np.float64) - 0.5 * np.array(self.size_px)) / self._focal
        ray = np.column_stack([p, np.ones(len(p))]) @ self._axes
        z = np.zeros(len(p))
        for _ in range(_ROUNDS):
            reach = (z - self._camera[2]) / ray[:, 2]
            x, y = (self._camera[i] + reach * ray[:, i] for i in (0, 1))
            z = self.height_mm(x, y)
        return np.column_stack([x, y])

    def to_flat(self, photo_px: F64) -> F64:
        """Flat pixels of photo pixels (N, 2)."""
        return self.to_mm(photo_px) / self._flat_mm + self._shift

    def seen(self, flat: NDArray[np.generic], *, nearest: bool = False) -> NDArray[np.generic]:
        """A flat picture (H, W) or (H, W, 3) as the photo shows it; mirrored beyond its rim."""
        how = cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC
        width, height = self.size_px
        out = np.empty((height, width, *flat.shape[2:]), flat.dtype)
        across = np.arange(width, dtype=np.float64) + 0.5
        for y0 in range(0, height, _STRIP):
            y1 = min(height, y0 + _STRIP)
            down = np.arange(y0, y1, dtype=np.float64) + 0.5
            grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
            at = (self.to_flat(grid) - 0.5).reshape(y1 - y0, width, 2).astype(np.float32)
            out[y0:y1] = cv2.remap(
                np.asarray(flat),
                at[..., 0].copy(),
                at[..., 1].copy(),
                how,
                borderMode=cv2.BORDER_REFLECT_101,
            )
        return out


def seen(scene: Scene) -> Seen | None:
    """The camera's view of a scene; None where it stands straight above."""
    view = scene.view
    if view is None:
        return None
    w_mm, h_mm = (side * scene.mm_per_px for side in scene.size_px)
    a = np.deg2rad(view.towards_deg)
    t, r = np.deg2rad([view.tilt_deg, view.turn_deg])
    lean = np.array([np.cos(a), -np.sin(a), 0.0])
    across = np.array([np.sin(a), np.cos(a), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    axis = np.sin(t) * lean + np.cos(t) * up
    leaning = np.cos(t) * lean - np.sin(t) * up
    right, down = (e @ lean * leaning + e @ across * across for e in np.eye(3)[:2])
    # Turned anticlockwise in the photo, y pointing down.
    right, down = np.cos(r) * right + np.sin(r) * down, -np.sin(r) * right + np.cos(r) * down
    distance = CAMERA_WIDTHS * w_mm
    aim = np.array([*(view.aim_mm or (0.5 * w_mm, 0.5 * h_mm)), 0.0])
    return Seen(
        size_px=view.size_px or scene.size_px,
        mm_per_px=scene.mm_per_px * view.distance,
        _flat_mm=scene.mm_per_px,
        _shift=scene.shift_px,
        _span=(w_mm, h_mm),
        _rise=scene.leather.curvature_mm,
        _camera=aim + distance * view.distance * axis,
        _axes=np.stack([right, down, -axis]),
        _focal=distance / scene.mm_per_px,
    )
