"""The bottoms of sharp valleys in a carved blank: see the kernel's head."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.geometry.blank import Blank
from newel.geometry.blank_kernels import Pool
from newel.geometry.blank_sweep_kernels import Grid
from newel.geometry.parallel import on_threads
from newel.proof.valleys_kernels import valley_ends

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

RISE = 0.1  # mm of rise a mm to both sides: flatter valleys are seen well enough with the rest of the surface


def valley_points(blank: Blank) -> tuple[Floats, Ints]:
    """Return points (k, 3) in the bar frame at the bottoms of valleys, and the tag (k,) of the move that made each."""
    points, tags = [np.empty((0, 3))], [np.empty(0, np.int32)]
    for way, pool, rows in ((0, blank.x, blank.grid.ny), (1, blank.yz, blank.grid.nx), (2, blank.yz, blank.grid.nx)):
        counts = np.zeros(rows, np.int64)
        _on_rows(pool, blank.grid, way, counts, (points[0], tags[0]))
        total = int(counts.sum())
        if total:
            some, made = np.empty((total, 3)), np.empty(total, np.int32)
            _on_rows(pool, blank.grid, way, np.cumsum(counts) - counts, (some, made))
            points.append(some)
            tags.append(made)
    return np.concatenate(points), np.concatenate(tags)


def _on_rows(pool: Pool, grid: Grid, way: int, starts: NDArray[np.int64], out: tuple[Floats, Ints]) -> None:
    on_threads(len(starts), lambda first, last: valley_ends(pool, grid, way, RISE, (first, last), starts, *out))
