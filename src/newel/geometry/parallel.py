"""How many threads one call may use, and using them.

Kernels and neighbour searches take the same number: numba's, which the caller sets. No result depends on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numba

Result = TypeVar("Result")

_SHARES = 12  # a thread: so many that the last to end does not keep the others waiting, so few that dealing out costs nothing


def kernel_threads() -> int:
    """Return how many threads a call may use that is told so as an argument; no result depends on it."""
    return int(numba.get_num_threads())


def on_threads(count: int, some: Callable[[int, int], None]) -> None:
    """Do `count` things, some from one number up to another at a time: whichever thread is done takes the next ones.

    Plain threads, and kernels that let go of the interpreter (nogil); not numba's own loops: those take six times as long to
    compile, and deal out shares beforehand.
    """
    threads = kernel_threads()
    share = max(1, count // (_SHARES * threads))
    if threads == 1 or count <= share:
        some(0, count)
        return
    with ThreadPoolExecutor(threads) as pool:
        for _ in pool.map(lambda first: some(first, min(count, first + share)), range(0, count, share)):
            pass


def side_by_side(things: Sequence[Callable[[], Result]]) -> list[Result]:
    """Do separate things, each on a thread of its own where more than one may be used; return their results in order.

    For what numpy and other compiled code do that let go of the interpreter. None of them may call a kernel that numba itself
    spreads over threads. Begin with the longest.
    """
    threads = kernel_threads()
    if threads == 1:
        return [thing() for thing in things]

    def told(thing: Callable[[], Result]) -> Result:
        numba.set_num_threads(threads)  # each thread is told for itself
        return thing()

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(told, things))
