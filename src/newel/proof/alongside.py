"""Two stages of a proof at once: much of each is the work of one core, and leaves the other idle."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numba

from newel.geometry.parallel import kernel_threads

Mine = TypeVar("Mine")
Other = TypeVar("Other")


def alongside(mine: Callable[[], Mine], other: Callable[[], Other]) -> tuple[Mine, Other]:
    """Do both and return both results: `other` on a thread of its own meanwhile, where more than one may be used.

    `other` may use half of them: with all, both only got in each other's way (measured).
    `other` must call no kernel that numba itself spreads over threads (parallel=True): some of the layers that numba does it
    with bear one caller at a time. Where either fails, its error is raised when both have ended.
    """
    threads = kernel_threads()
    if threads < 2:
        return mine(), other()

    def on_its_own() -> Other:
        numba.set_num_threads(max(1, threads // 2))  # each thread is told for itself
        return other()

    with ThreadPoolExecutor(1) as pool:
        later = pool.submit(on_its_own)
        done = mine()
        return done, later.result()
