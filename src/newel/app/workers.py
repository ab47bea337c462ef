"""Workers: the same errand for many tasks, on processes of this machine or on a cluster, and what to do when one dies.

A worker is told how many threads it may use, so that so many workers use so many cores and do not slow each other down.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

from newel.app.cores import cores
from newel.app.kernel_cache import use_kernel_cache
from newel.core.errors import BadInput

TRIES = 3  # a task whose worker dies is given to another one; one that kills every worker is not asked for ever

# Who reads them: numba; OpenMP (below numba and some BLAS); the BLAS libraries that numpy and scipy come with; rayon below the
# sheet's typesetter. Each is read once, when its library is loaded or first used. Neighbour searches follow numba.
_THREADS_ARE_SAID_IN = (
    "NUMBA_NUM_THREADS",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "RAYON_NUM_THREADS",
)
_ONE_AT_A_TIME = threading.Lock()  # of a process: not every threading layer of the kernels bears two callers


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


def on_threads(threads: int, do: Callable[[Any], Any], task: Any) -> Any:
    """Do a task with so many threads, here, in the process of a worker; one task at a time."""
    with _ONE_AT_A_TIME:
        use_kernel_cache()
        os.environ.setdefault("RAYON_NUM_THREADS", str(threads))  # a cluster's process was started by others
        import numba

        numba.set_num_threads(min(threads, numba.get_num_threads()))
        return do(task)


@contextmanager
def _threads_said(threads: int) -> Iterator[None]:
    """Let processes that are started meanwhile use so many threads: said before they load anything."""
    before = {name: os.environ.get(name) for name in _THREADS_ARE_SAID_IN}
    os.environ.update(dict.fromkeys(_THREADS_ARE_SAID_IN, str(threads)))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def on_this_machine(count: int) -> Workers:
    """Return `count` cores of this machine as workers: one process on each; fewer tasks share them out evenly."""

    def work(errand: Errand, tasks: Sequence[Task]) -> Iterator[tuple[Task, Any]]:
        left, tries = list(tasks), dict.fromkeys((task.name for task in tasks), 0)
        while left:
            done: set[str] = set()
            processes = min(count, len(left))
            threads = count // processes
            with ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn")) as pool:
                with _threads_said(threads):  # the pool starts its processes as it is given work
                    asked: dict[Future[Any], Task] = {pool.submit(on_threads, threads, errand.do, task): task for task in left}
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
            do = partial(on_threads, 1, errand.do)
            asked = {client.submit(do, task, key=f"{task.name}-{task.key()}", retries=TRIES): task for task in tasks}
            for future in as_ended(list(asked)):
                task = asked[future]
                try:
                    result = future.result()
                except Exception as error:  # the scheduler gave it up: its workers kept dying
                    result = errand.lost(task, f"its workers failed: {type(error).__name__}: {error}")
                future.release()
                yield task, result

    return work
