"""Maps over the photo on demand: share beneath, ΔE, and the surface without its shading."""

from __future__ import annotations

from functools import partial
from typing import Literal

from fullhide.maps import Maps, surface_maps
from napari_fullhide.background import in_background
from napari_fullhide.bench import Action, Bench

__all__ = ["join"]

Which = Literal["share", "delta_e", "flat"]
#: A share of the colour beneath that is drawn brightest (our own choice).
_SHARE_MOST = 0.5
#: Times the limit of show-through that is drawn brightest (our own choice).
_LIMITS_MOST = 3.0


def join(bench: Bench) -> None:
    """Give a bench its maps."""
    maps = _Maps(bench)
    bench.hold(maps)
    told = "The first look at a photo's maps takes some seconds."
    bench.add(
        *(
            Action(
                group="Look",
                text=text,
                keys=(key,),
                run=partial(maps.switch, which),
                tip=f"{tip} {told}",
                enabled=maps.possible,
                checked=partial(maps.on, which),
                half=True,
            )
            for text, key, which, tip in _KINDS
        )
    )


_KINDS: tuple[tuple[str, str, Which, str], ...] = (
    ("Beneath", "1", "share", "Share of the colour beneath that shows."),
    ("ΔE", "2", "delta_e", "How far each place is off the colour around it."),
    ("Flat", "3", "flat", "The surface with shading and shine taken off."),
)
_SAYS: dict[Which, str] = {
    "share": "The map: share of the colour beneath, {:g} and more brightest.",
    "delta_e": "The map: ΔE off the colour around the place, {:g} and more brightest.",
    "flat": "The map: the surface with shading and shine taken off.",
}


class _Maps:
    """Which map is wanted; draws it when it is there."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.wanted: Which | None = None
        self._made: tuple[int, Maps] | None = None
        self._making = False
        bench.model.shown.connect(self._again, max_args=0)
        bench.model.redrawn.connect(self._again, max_args=0)
        bench.model.opened.connect(self._again, max_args=0)
        bench.prepared.connect(self._draw, max_args=0)

    def possible(self) -> bool:
        """Whether there is a photo to draw on."""
        return bool(self.bench.model.photos)

    def on(self, which: Which) -> bool:
        """Whether this map is wanted."""
        return self.wanted == which

    def switch(self, which: Which) -> None:
        """Show a map instead of the others, or none."""
        self.wanted = None if self.wanted == which else which
        self.bench.say("")
        self._draw()

    def _again(self) -> None:
        self._made = None
        self.bench.layers.show_map(None, 1.0, limit=None)
        self._draw()

    def _draw(self) -> None:
        layers, model = self.bench.layers, self.bench.model
        if self.wanted is None or model.job is None:
            layers.show_map(None, 1.0, limit=None)
            return
        if self._made is None or self._made[0] != model.index:
            self._make()
            return
        maps, limits = self._made[1], model.job.limits
        most = {"share": _SHARE_MOST, "delta_e": _LIMITS_MOST * limits.show_through_delta_e}
        layers.show_map(getattr(maps, self.wanted), maps.factor, limit=most.get(self.wanted))
        self.bench.say(_SAYS[self.wanted].format(most.get(self.wanted, 0.0)))

    def _make(self) -> None:
        index, job = self.bench.model.index, self.bench.model.job
        ready = self.bench.ready(index)
        if self._making or ready is None or job is None:
            return
        self._making = True
        self.bench.say("Drawing the maps …")

        def done(made: Maps) -> None:
            self._making = False
            if self.bench.ready(index) is ready:
                self._made = (index, made)
            self._draw()

        in_background(lambda: surface_maps(ready, job), done)
