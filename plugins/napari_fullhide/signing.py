"""Signing a job off from the window: what stands against it is said first."""

from __future__ import annotations

from typing import Any

from psygnal import Signal

from fullhide.errors import FullhideError
from fullhide.keeper import default_name
from fullhide.proof import sign
from fullhide.standing import Standing, standing
from napari_fullhide.asides import Asides
from napari_fullhide.background import in_background
from napari_fullhide.bench import Action, Bench

__all__ = ["Signing", "join"]


class Signing:
    """The sign-off of a bench's job.

    Parameters
    ----------
    bench
        Whose job it is.
    """

    #: A name is wanted to sign with; or no longer.
    asking = Signal(bool)

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        #: Who signs.
        self.by = default_name()
        #: How the job stands while a name is wanted.
        self.asked: Standing | None = None
        model = bench.model
        for signal in (model.opened, model.shown, model.found, model.redrawn):
            signal.connect(self.leave, max_args=0)
        # One question at a time.
        self._asides = bench.part(Asides)
        self._asides.asking.connect(self._make_way)

    def ask(self) -> None:
        """Look how the job stands by its record, and ask for a name."""
        job = self.bench.model.job
        if job is None:
            return
        if self.bench.model.unsaved:
            self.bench.say("Save the outlines (W) and inspect again first.")
            return

        def done(result: Any) -> None:
            if isinstance(result, FullhideError):
                self.bench.say_error(result)
            elif self.bench.model.job is not None and self.bench.model.job.folder == job.folder:
                self._asides.leave()
                self.asked = result
                self.asking.emit(True)

        in_background(lambda: standing(job), done)

    def _make_way(self, on: bool) -> None:
        if on:
            self.leave()

    def leave(self) -> None:
        """No name is wanted any more."""
        if self.asked is not None:
            self.asked = None
            self.asking.emit(False)

    def give(self, by: str, despite: str = "") -> bool:
        """Sign; what is wrong is said. Whether it was signed.

        Parameters
        ----------
        by
            Who signs.
        despite
            Why, where something stands against it.
        """
        job = self.bench.model.job
        if self.asked is None or job is None:
            return False
        if not self.asked.gate.open and not despite.strip():
            self.bench.say("Something stands against it: say why it is signed all the same.")
            return False
        try:
            signature, _ = sign(job, by=by, despite=despite)
        except FullhideError as error:
            self.bench.say_error(error)
            return False
        self.by = signature.by
        self.bench.say(f"Signed by {signature.by}. The seal stands on the report.")
        self.leave()
        return True


def join(bench: Bench) -> None:
    """Let a job be signed on a bench."""
    signing = bench.part(Signing)
    bench.add(
        Action(
            group="Inspect",
            text="Sign off",
            keys=("G",),
            half=True,
            run=signing.ask,
            tip="Says whether the parts may be reassembled, and signs the job.",
            enabled=lambda: bench.model.job is not None,
        )
    )
