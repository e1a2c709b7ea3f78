"""Work sent to a dask.distributed cluster, with the results in the order of the tasks."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Callable, Generator, Sequence
from typing import Any, TypeVar

from fullhide._batch_pool import Lost
from fullhide.errors import JobError

__all__ = ["on_cluster"]

T = TypeVar("T")
R = TypeVar("R")

_ANSWER_S, _WORKERS_S = 10, 30
_AHEAD = 3


def on_cluster(
    work: Callable[[T], R], tasks: Sequence[T], *, address: str
) -> Generator[R | Lost, None, None]:
    """Do the tasks on a cluster and give their results out in order.

    Parameters
    ----------
    work
        A function that the cluster's workers can import.
    tasks
        What it is done with.
    address
        The scheduler's, such as ``tcp://10.0.0.5:8786``.

    Yields
    ------
    The result of each task, or `Lost` for one that no worker could finish. A task whose worker
    is gone is done again by another; its result is given out once.

    Raises
    ------
    JobError
        The extra is not installed, no scheduler answers, or it has no workers.
    """
    client = _client(address)
    try:
        yield from _results(client, work, tasks)
    finally:
        client.close(timeout=5)


def _client(address: str) -> Any:
    where = f'--scheduler "{address}"'
    try:
        from distributed import Client
    except ImportError:
        raise JobError(
            where,
            "needs a part that is not installed",
            "install it with: pip install 'fullhide[cluster]'",
        ) from None
    # What it has to say of lost workers is told once, as the photo's own problem.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    open_client: Any = Client  # without types of its own
    client = None
    try:
        client = open_client(address, timeout=_ANSWER_S, set_as_default=False)
        client.wait_for_workers(1, timeout=_WORKERS_S)
    except (OSError, ValueError, TypeError, ImportError):  # TimeoutError is an OSError
        if client is None:
            says = "no scheduler answers", "start one with `dask scheduler`, or check the address"
        else:
            client.close(timeout=5)
            says = "the scheduler has no workers", "start some with `dask worker ADDRESS`"
        raise JobError(where, *says) from None
    return client


def _results(
    client: Any, work: Callable[[T], R], tasks: Sequence[T]
) -> Generator[R | Lost, None, None]:
    run = secrets.token_hex(4)
    running: dict[int, Any] = {}
    begun = given = 0
    while given < len(tasks):
        ahead = _AHEAD * max(1, sum(client.nthreads().values()))
        while begun < min(len(tasks), given + ahead):
            key = f"fullhide-{run}-{begun}"
            running[begun] = client.submit(work, tasks[begun], key=key, pure=False)
            begun += 1
        future = running[given]
        yield _result(future)
        # Only now may the cluster forget it.
        del running[given], future
        given += 1


def _result(future: Any) -> Any:
    from distributed import CancelledError, KilledWorker

    try:
        return future.result()
    except KilledWorker:
        return Lost("each worker of the cluster that inspected it came to its end")
    except CancelledError:
        return Lost("the cluster went away before it was inspected", "inspect again")
    except Exception as error:  # noqa: BLE001 - whatever went wrong there is that photo's problem
        says = f"could not be inspected on the cluster ({type(error).__name__}: {error})"
        return Lost(says, "see that its workers have this version of fullhide")
