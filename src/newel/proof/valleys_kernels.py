"""Kernel: the bottoms of sharp valleys of a carved blank, which an ordinary look at its surface leaves out.

A ray end that stands deeper than its neighbours' ends to both sides is the bottom of a groove: its normal can't be told from
its neighbours, so points of the surface that come with normals don't have it; but there a pointed cutter gouges deepest.
"""

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def _node(grid, way, u, v):
    """Return slab and first node of a ray (way 0 X, 1 Y, 2 Z; u, v its indices across); slab -1 outside of the grid."""
    if u < 0 or v < 0 or u >= (grid.ny if way == 0 else grid.nx) or v >= (grid.ny if way == 2 else grid.nz):
        return -1, 0
    if way == 0:
        return u // grid.band, (u % grid.band) * grid.nz + v
    base = (u % grid.slab) * (grid.ny + grid.nz)
    return u // grid.slab, base + v if way == 1 else base + grid.nz + v


@njit(cache=True, error_model="numpy")
def _shallower(pool, grid, way, u, v, end, upper, by):
    """Whether material of a neighbouring ray about `end` reaches further out than it by at least `by`."""
    s, i = _node(grid, way, u, v)
    if s < 0 or pool.ends[s, i, 0] > 1e29:
        return False
    while i >= 0:
        low = np.float64(pool.ends[s, i, 0])
        high = np.float64(pool.ends[s, i, 1])
        if upper:
            if low <= end and high >= end + by:
                return True
        elif high >= end and low <= end - by:
            return True
        i = pool.links[s, i, 2]
    return False


@njit(cache=True, error_model="numpy")
def _row(pool, grid, way, u, rise, at, points, tags):
    """Count the valley bottoms of one row of rays, and write them from `at` on where at >= 0."""
    first = 1 if way == 0 else 0
    second = 1 if way == 2 else 2
    origin = np.array([grid.x0, grid.y0, grid.z0])
    step = np.array([grid.px, grid.py, grid.pz])
    count = 0
    for v in range(grid.ny if way == 2 else grid.nz):
        s, i = _node(grid, way, u, v)
        if pool.ends[s, i, 0] > 1e29:
            continue
        while i >= 0:
            for side in range(2):
                upper = side == 1
                end = np.float64(pool.ends[s, i, side])
                by = rise * step[first]
                valley = _shallower(pool, grid, way, u - 1, v, end, upper, by) and _shallower(
                    pool, grid, way, u + 1, v, end, upper, by
                )
                if not valley:
                    by = rise * step[second]
                    valley = _shallower(pool, grid, way, u, v - 1, end, upper, by) and _shallower(
                        pool, grid, way, u, v + 1, end, upper, by
                    )
                if valley:
                    if at >= 0:
                        points[at + count, way] = end
                        points[at + count, first] = origin[first] + u * step[first]
                        points[at + count, second] = origin[second] + v * step[second]
                        tags[at + count] = pool.links[s, i, side]
                    count += 1
            i = pool.links[s, i, 2]
    return count


@njit(cache=True, error_model="numpy", nogil=True)
def valley_ends(pool, grid, way, rise, some, starts, points, tags):
    """Write the valley bottoms of some rows of a direction from `starts`; where `points` is empty only count into `starts`."""
    for k in range(some[0], some[1]):
        if len(points) == 0:
            starts[k] = _row(pool, grid, way, k, rise, -1, points, tags)
        else:
            _row(pool, grid, way, k, rise, starts[k], points, tags)
