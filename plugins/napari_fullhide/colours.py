"""What there is to look at of a region's colour: its match, its lights, its coats. No Qt."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from psygnal import Signal

from fullhide.coats_job import Coats, coats_of
from fullhide.errors import FullhideError
from fullhide.lights import lights_of, lights_words
from fullhide.report.coats import coats_facts
from fullhide.report.match_shown import Match, match_of
from fullhide.report.page import CoatsFacts
from fullhide.tint_job import tinting_of
from napari_fullhide.background import in_background
from napari_fullhide.bench import Action, Bench

__all__ = ["Colours", "join"]

_MATCH = "match_delta_e"


class Colours:
    """The colour of the region that is looked at, for a pane to show.

    Parameters
    ----------
    bench
        Whose region it is.
    """

    #: The pane is wanted, or no longer.
    switched = Signal(bool)
    #: There may be something else to see.
    changed = Signal()

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.on = False
        self.reading = False
        self._coats: Coats | None = None
        self._generation = 0
        model = bench.model
        model.opened.connect(self._forget, max_args=0)
        model.redrawn.connect(self._forget, max_args=0)
        for signal in (model.shown, model.found, model.selected):
            signal.connect(self._tell, max_args=0)
        bench.beside_switched.connect(self._make_way)

    def switch(self) -> None:
        """Show the pane, or no longer; a region held against a reference is the first to see."""
        self.on = not self.on
        model = self.bench.model
        if self.on and model.region is None and model.current is not None:
            held = (r for r in model.current.regions() if r.result and _MATCH in r.result.measures)
            model.select(next((region.name for region in held), None))
        if self.on and self.bench.beside:
            self.bench.set_beside(False)
        self.switched.emit(self.on)
        self.bench.refresh()

    def _make_way(self, beside: bool) -> None:
        """There is room for one pane between the photo and the job."""
        if beside and self.on:
            self.switch()

    # ---- what there is -------------------------------------------------------------------

    def match(self) -> Match | None:
        """The chosen region's match with its reference; None where none was read."""
        model = self.bench.model
        region = model.selected_region()
        if region is None or region.result is None or model.job is None:
            return None
        return match_of(region.result.measures, confidence=model.job.limits.confidence)

    def tint(self) -> str:
        """What the job's tinters could do about it, in a sentence; empty where nothing is told."""
        model = self.bench.model
        region, photo = model.selected_region(), model.current
        if region is None or region.result is None or model.job is None or photo is None:
            return ""
        tinting = tinting_of(model.job)
        if tinting.problem is not None:
            return str(tinting.problem)
        found = photo.found
        hint = tinting.hint(region.result, None if found is None else found.result)
        return "" if hint is None else f"{hint.says[:1].upper()}{hint.says[1:]}."

    def lights(self) -> tuple[str, ...]:
        """What the job's named lights say of the chosen region's match, in sentences."""
        model = self.bench.model
        region, photo = model.selected_region(), model.current
        if region is None or photo is None or model.job is None:
            return ()
        found = (photo.found.result for photo in model.photos if photo.found is not None)
        told = [
            one
            for one in lights_of(model.as_drawn(), found) or ()
            if (one.part, one.region.casefold()) == (photo.entry.part, region.name.casefold())
        ]
        return lights_words(told)

    def coats(self) -> tuple[CoatsFacts, ...]:
        """The chosen region's hiding curve; empty until the coat photos are read."""
        model = self.bench.model
        region, photo = model.selected_region(), model.current
        if self._coats is None or region is None or photo is None:
            return ()
        mine = tuple(
            one
            for one in self._coats.regions
            if (one.part, one.region.casefold()) == (photo.entry.part, region.name.casefold())
        )
        return tuple(coats_facts(replace(self._coats, regions=mine)))

    @property
    def coat_photos(self) -> int:
        """How many photos between coats the job names."""
        job = self.bench.model.job
        return 0 if job is None else sum(entry.stage == "coat" for entry in job.photos)

    @property
    def coats_read(self) -> bool:
        """Whether the coat photos were read with the outlines as they are drawn."""
        return self._coats is not None

    # ---- reading the coat photos ---------------------------------------------------------

    def read_coats(self) -> None:
        """Open every coat photo of the job, in the background."""
        if self.reading or not self.coat_photos:
            return
        job = self.bench.model.as_drawn()
        self.reading = True
        in_background(partial(coats_of, job), partial(self._read, self._generation))
        self._tell()

    def _read(self, generation: int, coats: Coats | FullhideError) -> None:
        self.reading = False
        if generation == self._generation:
            if isinstance(coats, FullhideError):
                self.bench.say_error(coats)
            else:
                self._coats = coats
                for problem in coats.problems:
                    self.bench.say_error(problem)
        self._tell()

    def _forget(self) -> None:
        """Curves hold for the outlines that they were read with."""
        self._generation += 1
        self._coats = None
        self._tell()

    def _tell(self) -> None:
        self.changed.emit()


def join(bench: Bench) -> None:
    """Give a bench its look at colours; the pane itself belongs to the window."""
    colours = bench.part(Colours)
    bench.add(
        Action(
            group="Look",
            text="Colours",
            keys=("K",),
            run=colours.switch,
            tip="The chosen region against its reference, in each light, and coat by coat.",
            enabled=lambda: bool(bench.model.photos),
            checked=lambda: colours.on,
            half=True,
        )
    )
