"""Work for the tests of processes: what another process can import."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from fullhide.batch import Outcome, Task, inspect_one


def begun(task: tuple[str, int]) -> tuple[int, int]:
    """Leave a mark that it was begun; later tasks are quicker."""
    folder, number = task
    with Path(folder, f"{number}.{os.getpid()}.{time.monotonic_ns()}").open("x"):
        pass
    time.sleep(0.05 * (number % 3 == 0))
    return number, os.getpid()


def dying_once(task: tuple[str, int]) -> tuple[int, int]:
    """As `begun`, but killed the first time at every third task."""
    folder, number = task
    first = not list(Path(folder).glob(f"{number}.*"))
    answer = begun(task)
    if first and number % 3 == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return answer


def dying(task: tuple[str, int]) -> tuple[int, int]:
    """As `begun`, but task 2 is killed each time and task 4 leaves of itself."""
    answer = begun(task)
    if answer[0] == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    if answer[0] == 4:
        os._exit(5)
    return answer


def slow(task: tuple[str, int]) -> int:
    time.sleep(60)
    return task[1]


def killed_on(task: Task) -> Outcome:
    """Inspect, but a photo called `killer` takes the process with it."""
    if Path(task.entry.file).stem == "killer":
        os.kill(os.getpid(), signal.SIGKILL)
    return inspect_one(task)
