"""Work shared out among processes of this machine, with the results in the order of the tasks."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections import Counter, deque
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Generic, TypeVar

__all__ = ["Lost", "in_order", "usual_workers"]

T = TypeVar("T")
R = TypeVar("R")

#: Finished and unfinished tasks that may lie between the result given out last and the newest
#: task begun, a process: what bounds memory where one task takes long.
_AHEAD = 3
_TRIES = 2
#: Memory that one process may come to need (a photo of 48 Mpx), and below how many photos
#: starting processes takes longer than they save. Our own choices.
_BYTES_EACH = 1 << 30
_WORTH_IT = 8


@dataclass(frozen=True, slots=True)
class Lost:
    """A task that got no answer.

    Attributes
    ----------
    problem, remedy
        What is wrong and what can be done, as `errors.FullhideError` takes them.
    """

    problem: str
    remedy: str = "inspect it alone, with more memory free"


@dataclass(slots=True)
class _Hand(Generic[T]):
    process: Any
    pipe: Connection
    task: int | None = None


def usual_workers(photos: int) -> int:
    """How many processes suit this machine and so many photos.

    One a core that this process may use, as far as there is memory for; 1 for few photos.
    """
    if photos < _WORTH_IT:
        return 1
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(cores or 1, _free_bytes() // _BYTES_EACH, photos))


def _free_bytes() -> int:
    """Memory that may be taken, in bytes; plenty where the system does not say."""
    plenty = 1 << 40
    free = plenty
    try:
        for line in Path("/proc/meminfo").read_text().splitlines():
            if line.startswith("MemAvailable:"):
                free = int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        free = plenty
    try:  # a container's own bound
        bound = int(Path("/sys/fs/cgroup/memory.max").read_text())
        used = int(Path("/sys/fs/cgroup/memory.current").read_text())
    except (OSError, ValueError):
        return free
    return max(0, min(free, bound - used))


def in_order(
    work: Callable[[T], R], tasks: Sequence[T], *, workers: int
) -> Generator[R | Lost, None, None]:
    """Do the tasks in processes of their own and give their results out in order.

    Parameters
    ----------
    work
        What is done with each task: a function that another process can import. What it raises
        ends its process.
    tasks
        What it is done with.
    workers
        Number of processes, at least 1.

    Yields
    ------
    The result of each task, or `Lost` for one whose process came to its end before it answered;
    it is tried once more in a fresh process before that.
    """
    # Not forked: threads of libraries in this process would be missing in the copy.
    context = multiprocessing.get_context("spawn")
    waiting, tries = deque(range(len(tasks))), Counter[int]()
    ready: dict[int, R | Lost] = {}
    hands: list[_Hand[T]] = []
    given = 0
    try:
        while given < len(tasks):
            while waiting and waiting[0] < given + _AHEAD * workers:
                hand = _free_hand(hands, work, context, workers)
                if hand is None:
                    break
                hand.task = waiting.popleft()
                tries[hand.task] += 1
                # One that has gone meanwhile is found out when its answer is read.
                with contextlib.suppress(OSError):
                    hand.pipe.send(tasks[hand.task])
            while given in ready:
                yield ready.pop(given)
                given += 1
            busy = {hand.pipe: hand for hand in hands if hand.task is not None}
            for pipe in wait(list(busy)) if busy else ():
                hand = busy[pipe]  # type: ignore[index]
                task, answer = _answer(hand)
                if isinstance(answer, Lost):
                    hands.remove(hand)
                    if tries[task] < _TRIES:
                        waiting.appendleft(task)
                        continue
                ready[task] = answer
    finally:
        for hand in hands:
            _end(hand)


def _free_hand(
    hands: list[_Hand[T]], work: Callable[[T], R], context: Any, workers: int
) -> _Hand[T] | None:
    """A process without a task, started if there may be one more; None if all are busy."""
    idle = next((hand for hand in hands if hand.task is None), None)
    if idle is not None or len(hands) >= workers:
        return idle
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs, work), daemon=True)
    process.start()
    theirs.close()
    hands.append(_Hand(process, ours))
    return hands[-1]


def _answer(hand: _Hand[T]) -> tuple[int, Any]:
    task, hand.task = hand.task, None
    assert task is not None
    try:
        return task, hand.pipe.recv()
    except (EOFError, OSError):
        _end(hand)
        code = hand.process.exitcode or 0
        how = f"signal {-code}" if code < 0 else f"exit status {code}"
        return task, Lost(f"the process that inspects it came to its end twice ({how})")


def _end(hand: _Hand[T]) -> None:
    hand.pipe.close()
    hand.process.join(0.2)  # one that came to its end by itself has its own exit status
    hand.process.kill()
    hand.process.join()


def _serve(pipe: Connection, work: Callable[[Any], Any]) -> None:
    """Life of a process: task in, answer out, until nobody asks any more."""
    # Ctrl-C goes to every process of the terminal; the first one decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        while True:
            pipe.send(work(pipe.recv()))
    except (EOFError, OSError):
        return
