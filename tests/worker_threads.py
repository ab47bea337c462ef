"""An errand that tells how many threads its worker may use: a module of its own, since a fresh process has to import it."""

from __future__ import annotations

import os
from dataclasses import dataclass

from newel.geometry.parallel import kernel_threads


@dataclass(frozen=True)
class Asking:
    """A task that asks only what its worker may use."""

    name: str

    def key(self) -> str:
        return self.name


def threads_of(task: Asking) -> dict[str, str]:
    """Return how many threads kernels, neighbour searches and the libraries below them may use, as this process sees it."""
    said = {name: value for name, value in os.environ.items() if name.endswith(("_NUM_THREADS", "_MAXIMUM_THREADS"))}
    return said | {"kernels": str(kernel_threads())}


def lost(task: Asking, why: str) -> dict[str, str]:
    return {"lost": why}
