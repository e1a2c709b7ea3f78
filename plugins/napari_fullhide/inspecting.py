"""Inspecting from the window: in a thread of its own, told of as it goes, to be stopped."""

from __future__ import annotations

from collections import Counter
from collections.abc import Generator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from psygnal import Signal

from fullhide.engine import Inspection
from fullhide.errors import FullhideError
from fullhide.keeper import Keeper
from napari_fullhide.asides import Asides
from napari_fullhide.background import give_way
from napari_fullhide.bench import Action, Bench
from napari_fullhide.pen import Pen
from napari_fullhide.runner import Answer, Progress, Run, Task
from napari_fullhide.style import LOOKS

__all__ = ["Inspector", "join"]


class Inspector:
    """Inspects photos of a bench's job, one run at a time.

    Parameters
    ----------
    bench
        Whose job it is.
    """

    #: How far the run is; None when it ended.
    progressed = Signal(object)

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.run: Run | None = None
        self.progress: Progress | None = None
        self._worker: Any = None
        self._verdicts: Counter[str] = Counter()
        bench.model.opened.connect(self.stop, max_args=0)

    @property
    def running(self) -> bool:
        """Whether an inspection goes on; one that was stopped ends in its own time."""
        return self.run is not None and not self.run.cancelled

    # ---- what a person asks for ----------------------------------------------------------

    def photo(self) -> None:
        """Inspect the photo that is shown."""
        self.start([self.bench.model.index])

    def everything(self) -> None:
        """Inspect every photo of the job."""
        self.start(range(len(self.bench.model.photos)))

    def region(self) -> None:
        """Judge the chosen region alone anew: a quick look after its outline moved."""
        model = self.bench.model
        region = model.selected_region()
        if region is None:
            self.bench.say("Choose the region first: click it.")
            return
        kept = model.kept_regions(model.index, but=region.name)
        self.start([model.index], kept=kept)

    def start(self, indices: Sequence[int], *, kept: Any = None) -> None:
        """Inspect photos by their index; a run that goes on is left to itself."""
        model = self.bench.model
        if self.run is not None or model.job is None:
            return
        if model.unsaved:
            self._save()
        job = model.as_drawn()
        tasks = []
        for index in indices:
            pixels = model.kept(index)
            tasks.append(
                Task(
                    index=index,
                    job=job,
                    entry=model.photos[index].entry,
                    opened=None if pixels is None else pixels.opened,
                    kept=kept or {},
                )
            )
        if tasks:
            keeper = Keeper(job, by=self.bench.part(Asides).by)
            run = Run(tasks, self._told, keep=lambda found: _keep(keeper, found))
            self._begin(run, keeper)

    def stop(self) -> None:
        """Stop the run: what was inspected so far stays, the rest is left as it was."""
        if self.running and self.run is not None:
            self.run.cancel()
            self.bench.say("Inspection stopped. What was inspected so far is kept.")
            self._tell(None)

    # ---- what goes on --------------------------------------------------------------------

    def _save(self) -> None:
        """A verdict belongs to outlines that are on disk."""
        try:
            self.bench.model.save()
        except FullhideError as error:
            self.bench.say_error(error)

    def _begin(self, run: Run, keeper: Keeper) -> None:
        from napari.qt.threading import create_worker

        self.run = run
        self._verdicts.clear()
        self._tell(Progress(0, len(run.tasks), run.tasks[0].entry.file, 0, 0))

        def work() -> Generator[Answer, None, tuple[FullhideError, ...]]:
            give_way()
            yield from run.answers()
            return keeper.finish()

        worker: Any = create_worker(work, _start_thread=False)
        worker.yielded.connect(partial(self._answered, run))
        worker.returned.connect(self._kept)
        worker.finished.connect(partial(self._ended, run))
        self._worker = worker
        worker.start()

    def _told(self, progress: Progress) -> None:
        """Called from any thread; the window looks at it when it has time."""
        self.progress = progress

    def _answered(self, run: Run, answer: Answer) -> None:
        model = self.bench.model
        if run.cancelled or answer.task.index >= len(model.photos):
            return
        if model.photos[answer.task.index].entry != answer.task.entry:
            return  # another job was opened meanwhile
        if answer.inspection is not None:
            model.put(answer.task.index, answer.inspection)
            for problem in answer.inspection.problems:
                self.bench.say_error(problem)
            verdicts = [region.verdict for region in answer.inspection.result.regions]
            self._verdicts.update(verdict for verdict in verdicts if verdict)
        elif answer.error is not None:
            model.put_error(answer.task.index, answer.error)
            self.bench.say_error(answer.error)

    def _kept(self, problems: tuple[FullhideError, ...]) -> None:
        for problem in problems:
            self.bench.say_error(problem)
        self.bench.part(Asides).read()

    def _ended(self, run: Run) -> None:
        self.run = self._worker = None
        if not run.cancelled:
            self._say_what_was_found(run)
        self._tell(None)

    def _say_what_was_found(self, run: Run) -> None:
        named = [
            f"{self._verdicts[verdict]} {LOOKS[verdict].word.lower()}"
            for verdict in ("fail", "retake", "pass")
            if self._verdicts[verdict]
        ]
        what = Path(run.tasks[0].entry.file).name
        if len(run.tasks) > 1:
            what = f"{len(run.tasks)} photos"
        found = ", ".join(named) or "nothing to judge"
        if all(task.whole for task in run.tasks):
            self.bench.say(f"{what} inspected: {found}.")
        else:
            self.bench.say(f"A quick look: {found}. Press I to put the whole photo on record.")

    def _tell(self, progress: Progress | None) -> None:
        self.progress = progress
        self.progressed.emit(progress)
        self.bench.refresh()


def _keep(keeper: Keeper, found: Inspection) -> None:
    keeper.keep(found.result, found.artifacts.outlines)


def join(bench: Bench) -> None:
    """Give a bench its inspections."""
    inspector = bench.part(Inspector)

    pen = bench.part(Pen)

    def stop() -> None:
        if pen.mode is not None:
            pen.put_down()
        else:
            inspector.stop()

    def idle() -> bool:
        return bool(bench.model.photos) and inspector.run is None

    bench.add(
        Action(
            group="Inspect",
            text="Photo",
            keys=("I",),
            run=inspector.photo,
            tip="Judges every region of the photo that is shown. Outlines are saved first.",
            enabled=idle,
            half=True,
        ),
        Action(
            group="Inspect",
            text="All",
            keys=("A",),
            run=inspector.everything,
            tip="Judges every photo of the job, one after another.",
            enabled=idle,
            half=True,
        ),
        Action(
            group="Inspect",
            text="Region",
            keys=("Shift+I",),
            run=inspector.region,
            tip="A quick look: only the chosen region is judged again, the others stay.",
            enabled=lambda: idle() and bench.model.selected_region() is not None,
            half=True,
        ),
        Action(
            group="Inspect",
            text="Stop",
            keys=("Esc",),
            run=stop,
            tip="Puts the tool down, or stops the inspection: what was inspected so far is kept.",
            enabled=lambda: inspector.running or pen.mode is not None,
            half=True,
        ),
    )
