"""How many threads one call may use. Kernels and neighbour searches take the same number: numba's, which the caller sets."""

from __future__ import annotations

import numba


def kernel_threads() -> int:
    """Return how many threads a call may use that is told so as an argument; no result depends on it."""
    return int(numba.get_num_threads())
