"""What each material of a scene looks like to the camera and, in truth, under D50."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import FullhideError
from . import _spectra
from .film import film_reflectance
from .scene import Lab, Scene

__all__ = ["Materials"]

Array = NDArray[np.float64]
F32 = NDArray[np.float32]

#: Film thickness tables run over 0 to 2 times the nominal film.
THICKNESS_STEPS = 1025
#: Tables of lost sky run over 0 to 0.9.
VALLEY_STEPS = 46
DEEPEST = 0.9


class Materials:
    """Spectra of a scene's colours, and what they give.

    Attributes
    ----------
    finish
        Spectrum of the nominal film over what lies beneath, (81,).
    under
        Name -> spectrum of each colour beneath.
    finish_lab
        True Lab (D50) of `finish`: the asked colour where the film hides fully.
    """

    def __init__(self, scene: Scene) -> None:
        self._weights = _spectra.response(scene.camera.sensor, scene.light.name)
        self.under: dict[str, Array] = {
            name: _spectra.reflectance_from_lab(lab) for name, lab in scene.under
        }
        self.under |= {name: np.array(spectrum) for name, spectrum in scene.spectra}
        film = scene.film
        self._sx = film.coats * film.sx_per_coat
        self._masstone = _spectra.reflectance_from_lab(scene.finish)
        base = self._masstone
        if scene.under:
            base = self.named(film.over or scene.under[0][0])
        if film.transition:
            base = film_reflectance(base, r_inf=self.named(film.transition), sx=film.transition_sx)
        self._base = base
        self.finish = self.film(1.0)
        self.finish_lab = _spectra.lab_from_reflectance(self.finish)

    def named(self, name: str) -> Array:
        """Spectrum of a colour beneath."""
        if name not in self.under:
            known = ", ".join(self.under) or "none"
            raise FullhideError("scene", f"no colour beneath is called {name!r}", f"have: {known}")
        return self.under[name]

    def film(self, thickness: float) -> Array:
        """Spectrum of a film of `thickness` times the nominal one over its base."""
        return film_reflectance(self._base, r_inf=self._masstone, sx=thickness * self._sx)

    def camera(self, spectrum: Array) -> F32:
        """White-balanced camera RGB of a spectrum under the scene's light, white = 1."""
        return np.asarray(spectrum @ self._weights, dtype=np.float32)

    def camera_of_lab(self, lab: Lab) -> F32:
        """Camera RGB of a surface with a smooth spectrum of this Lab."""
        return self.camera(_spectra.reflectance_from_lab(lab))

    def film_table(self) -> tuple[F32, Array]:
        """Camera RGB and true XYZ (D50) of the film over thickness 0 to 2."""
        steps = np.linspace(0.0, 2.0, THICKNESS_STEPS)[:, None]
        films = film_reflectance(self._base, r_inf=self._masstone, sx=steps * self._sx)
        return self.camera(films), films @ _spectra.xyz_weights("D50")

    def valley_table(self, spectrum: Array) -> F32:
        """Camera RGB over the share of sky that is hidden by walls of the finish.

        Light that reaches the place from the walls has met the finish n once or more:
        1 + v n + (v n)^2 + ... per wavelength, beyond the direct light.
        """
        v = np.linspace(0.0, DEEPEST, VALLEY_STEPS)[:, None]
        return self.camera(spectrum / (1.0 - v * self.finish))

    def xyz(self, spectrum: Array) -> Array:
        """True XYZ of a spectrum under D50, Y = 1 for white."""
        return np.asarray(spectrum @ _spectra.xyz_weights("D50"), dtype=np.float64)

    def share_for(self, name: str, delta_e: float) -> float:
        """Share of a colour beneath that differs from the finish by `delta_e` (CIEDE2000)."""
        shares = np.linspace(0.0, 1.0, 401)[:, None]
        mixed = (1 - shares) * self.xyz(self.finish) + shares * self.xyz(self.named(name))
        differences = _spectra.delta_e_2000(_spectra.lab_from_xyz(mixed), self.finish_lab)
        reach = np.maximum.accumulate(differences)
        if delta_e > reach[-1]:
            raise FullhideError(
                "scene",
                f"{name} differs from the finish by {reach[-1]:.1f} at most, not {delta_e:g}",
                "ask for a smaller delta_e",
            )
        return float(np.interp(delta_e, reach, shares[:, 0]))
