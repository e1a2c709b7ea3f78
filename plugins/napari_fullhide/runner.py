"""Inspections one after another, with progress, to be stopped at any time. No Qt, no napari."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Event
from typing import NamedTuple

from fullhide.engine import Inspection, Judged, inspect_photo
from fullhide.errors import FullhideError, PhotoError
from fullhide.job import Job, PhotoEntry
from fullhide.opened import Opened, open_entry

__all__ = ["Answer", "Progress", "Run", "Task"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """One photo to inspect.

    Attributes
    ----------
    index
        The photo's place in the job.
    job, entry
        With the outlines as they are drawn now.
    opened
        The photo's pixels where they are still there.
    kept
        Regions that are not judged again: for the quick look at one that was moved.
    """

    index: int
    job: Job
    entry: PhotoEntry
    opened: Opened | None = None
    kept: Mapping[str, Judged] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        """Whether every region is judged: only then does a verdict rest on it."""
        return not self.kept


class Answer(NamedTuple):
    """What became of a task: an inspection, or the error that stopped it."""

    task: Task
    inspection: Inspection | None
    error: FullhideError | None


class Progress(NamedTuple):
    """How far a run is: photos done and in all; in the present one, regions done and to judge.

    `regions` is 0 while the photo is still being opened.
    """

    photo: int
    photos: int
    file: str
    region: int
    regions: int

    @property
    def share(self) -> float:
        """From 0 to 1; opening a photo counts as a fifth of it (our own choice)."""
        within = 0.2 + 0.8 * self.region / self.regions if self.regions else 0.0
        return min(1.0, (self.photo + within) / max(1, self.photos))


class _StopError(Exception):
    """Leaves an inspection in the middle."""


class Run:
    """One run over some photos.

    Parameters
    ----------
    tasks
        In the order in which they are done.
    on_progress
        Called from any thread.
    keep
        Called in the thread that works with each whole inspection, to put it on record.
    """

    def __init__(
        self,
        tasks: Sequence[Task],
        on_progress: Callable[[Progress], None] = lambda _: None,
        *,
        keep: Callable[[Inspection], None] = lambda _: None,
    ) -> None:
        self.tasks = tuple(tasks)
        self._on_progress = on_progress
        self._keep = keep
        self._stop = Event()

    def cancel(self) -> None:
        """Stop as soon as may be: before the next photo, or after the region in hand."""
        self._stop.set()

    @property
    def cancelled(self) -> bool:
        """Whether it was stopped."""
        return self._stop.is_set()

    def answers(self) -> Iterator[Answer]:
        """Do the work; what was cancelled midway gives no answer.

        Never raises: an uncaught error in a worker thread can end the whole program.
        """
        for number, task in enumerate(self.tasks):
            if self.cancelled:
                return
            try:
                yield Answer(task, self._inspected(number, task), None)
            except _StopError:
                return
            except FullhideError as error:
                yield Answer(task, None, error)
            except (Exception, MemoryError) as error:  # noqa: BLE001 - told, not hidden
                yield Answer(task, None, _unexpected(task, error))

    def _inspected(self, number: int, task: Task) -> Inspection:
        def told(region: int, regions: int) -> None:
            if self.cancelled:
                raise _StopError
            self._on_progress(Progress(number, len(self.tasks), task.entry.file, region, regions))

        told(0, 0)
        opened = open_entry(task.job, task.entry) if task.opened is None else task.opened
        if self.cancelled:
            raise _StopError
        found = inspect_photo(task.job, task.entry, opened=opened, kept=task.kept, on_region=told)
        if task.whole:
            self._keep(found)
        return found


def _unexpected(task: Task, error: BaseException) -> FullhideError:
    path = task.job.path(task.entry.file)
    if isinstance(error, MemoryError):
        return PhotoError(path, "needs more memory than there is", "close other programs")
    said = f"{type(error).__name__}: {error}".rstrip(": ")
    return PhotoError(
        path, f"could not be inspected ({said})", "this is a fault of fullhide: report it"
    )
