"""Work that takes longer than a person should wait for a window."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any
from weakref import WeakMethod

from fullhide.errors import FullhideError

__all__ = ["give_way", "in_background", "later"]

#: Nice value of a thread that inspects (our own choice).
_NICE = 10


def in_background(work: Callable[[], Any], done: Callable[[Any], None]) -> None:
    """Do `work` in another thread, then call `done` with its result in this one.

    Parameters
    ----------
    work
        Touches no layer and no widget.
    done
        Gets the result, or the `FullhideError` that `work` raised: a fault of the input is told,
        not thrown through the window's event loop.
    """
    from napari.qt.threading import create_worker

    def safe() -> list[Any]:
        try:
            return [work()]
        except FullhideError as error:
            return [error]  # in a list: returned bare it would be raised again

    worker = create_worker(safe, _start_thread=False)
    worker.returned.connect(lambda box: done(box[0]))
    worker.start()


def later(call: Callable[[], None], milliseconds: int) -> None:
    """Call a method once the window has had time to draw, if its object is still there."""
    from qtpy.QtCore import QTimer

    weakly = WeakMethod(call)

    def now() -> None:
        if (there := weakly()) is not None:
            there()

    QTimer.singleShot(milliseconds, now)


def give_way() -> None:
    """Have the calling thread, and those that it starts, come after the window's own.

    Only Linux knows nice values of single threads; elsewhere nothing is done.
    """
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)
