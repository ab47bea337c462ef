"""Workers: the same errand for many tasks, on processes of this machine or on a cluster, and what to do when one dies."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, Protocol

from newel.core.errors import BadInput

TRIES = 3  # a task whose worker dies is given to another one; one that kills every worker is not asked for ever


class Task(Protocol):
    """What a worker is sent: it goes there and back by pickle."""

    @property
    def name(self) -> str:
        """A name that no other task of the same errand has."""

    def key(self) -> str:
        """Return the fingerprint of all that the result depends on."""


@dataclass(frozen=True)
class Errand:
    """What is done with each task, and what stands for a result where every worker died of it (task, why)."""

    do: Callable[[Any], Any]
    lost: Callable[[Any, str], Any]


# works through tasks with an errand, in any order; pairs of task and result as they come
Workers = Callable[[Errand, Sequence[Any]], Iterator[tuple[Any, Any]]]


def workers_of(count: int | None, scheduler: str | None) -> Workers:
    """Return the workers that a command asks for: a cluster's, or so many processes here (None: one a core)."""
    return on_a_cluster(scheduler) if scheduler else on_this_machine(count or cores())


def cores() -> int:
    """Return how many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def one_core() -> None:
    """Make this process a worker of one core, before anything imports numba."""
    for name in ("NUMBA_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = "1"


def on_this_machine(count: int) -> Workers:
    """Return so many processes of this machine, one core each, as workers."""

    def work(errand: Errand, tasks: Sequence[Task]) -> Iterator[tuple[Task, Any]]:
        left, tries = list(tasks), dict.fromkeys((task.name for task in tasks), 0)
        while left:
            done: set[str] = set()
            context = multiprocessing.get_context("spawn")
            with ProcessPoolExecutor(min(count, len(left)), mp_context=context, initializer=one_core) as pool:
                asked: dict[Future[Any], Task] = {pool.submit(errand.do, task): task for task in left}
                try:
                    for future in as_completed(asked):
                        result = future.result()
                        done.add(asked[future].name)
                        yield asked[future], result
                except BrokenProcessPool:
                    # The pool cannot say which task its worker died of: those that were not done are tried again.
                    pass
                except GeneratorExit:
                    pool.shutdown(wait=False, cancel_futures=True)
                    raise
            left = [task for task in left if task.name not in done]
            for task in left:
                tries[task.name] += 1
            for task in [task for task in left if tries[task.name] >= TRIES]:
                left.remove(task)
                yield task, errand.lost(task, f"its worker died {TRIES} times (memory?)")

    return work


def on_a_cluster(address: str) -> Workers:
    """Return the workers of the Dask scheduler at `address`; needs the extra 'cluster'. Raises BadInput without it."""
    try:
        from distributed import Client
        from distributed import as_completed as as_ended
    except ImportError:
        raise BadInput("a cluster needs one more package", remedy="install Newel with its extra 'cluster'") from None

    def work(errand: Errand, tasks: Sequence[Task]) -> Iterator[tuple[Task, Any]]:
        try:
            client = Client(address, timeout=20)
        except (OSError, TimeoutError) as error:
            raise BadInput(f"no scheduler answers at {address}: {error}", remedy="check the address and that it runs") from None
        with client:
            asked = {client.submit(errand.do, task, key=f"{task.name}-{task.key()}", retries=TRIES): task for task in tasks}
            for future in as_ended(list(asked)):
                task = asked[future]
                try:
                    result = future.result()
                except Exception as error:  # the scheduler gave it up: its workers kept dying
                    result = errand.lost(task, f"its workers failed: {type(error).__name__}: {error}")
                future.release()
                yield task, result

    return work
