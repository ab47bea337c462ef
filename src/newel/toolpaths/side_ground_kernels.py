"""Kernels of the ground at a side: the chains of marching squares."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def chained_edges(free, row_of, crossings):
    """Follow marching squares over a grid (n, m) of free places with a blocked border; free ground lies on the left.

    Edges are numbered i * m + j along the first axis and n * m + i * m + j along the second, by their lower end; `row_of`
    gives the crossing on each. Two free corners that touch across a cell's diagonal stay apart. Returns the crossings in
    chains, and where each chain starts (one more than there are chains).
    """
    n, m = free.shape
    after = np.full(crossings, -1, np.int64)
    for i in range(n - 1):
        for j in range(m - 1):
            p00, p10, p11, p01 = free[i, j], free[i + 1, j], free[i + 1, j + 1], free[i, j + 1]
            if p00 == p10 and p10 == p11 and p11 == p01:
                continue
            # counter-clockwise round the cell: a contour comes in where blocked turns free, and leaves by the edge before it
            bottom, right = i * m + j, n * m + (i + 1) * m + j
            top, left = i * m + j + 1, n * m + i * m + j
            corners = (p00, p10, p11, p01)
            edges = (bottom, right, top, left)
            for k in range(4):
                # the edge from corner k to k + 1 goes from free to blocked: here the contour enters or leaves
                if corners[k] and not corners[(k + 1) % 4]:
                    # walk back over free corners to where they began
                    back = k
                    while corners[(back + 3) % 4]:
                        back = (back + 3) % 4
                    came = edges[(back + 3) % 4]
                    # free on the left: from this edge to the one where free corners begin
                    after[row_of[edges[k]]] = row_of[came]
    order = np.empty(crossings, np.int64)
    starts = np.empty(crossings + 1, np.int64)
    chains = 0
    count = 0
    done = np.zeros(crossings, np.bool_)
    for first in range(crossings):
        if done[first] or after[first] < 0:
            continue
        starts[chains] = count
        chains += 1
        k = first
        while k >= 0 and not done[k]:
            done[k] = True
            order[count] = k
            count += 1
            k = after[k]
    starts[chains] = count
    return order[:count], starts[: chains + 1]


@njit(cache=True, error_model="numpy")
def splat_tops(x, y, z, half_x, half_y, place, height):
    """Raise the cells of a height map whose middles lie within a half width of surface points.

    `place`: middle of the first cell and the step (x0, y0, step), here and below. Writes `height` (nx, ny).
    """
    x0, y0, step = place
    nx, ny = height.shape
    for k in range(len(x)):
        i0 = max(0, int(np.ceil((x[k] - half_x - x0) / step - 1e-9)))
        i1 = min(nx - 1, int(np.floor((x[k] + half_x - x0) / step + 1e-9)))
        j0 = max(0, int(np.ceil((y[k] - half_y[k] - y0) / step - 1e-9)))
        j1 = min(ny - 1, int(np.floor((y[k] + half_y[k] - y0) / step + 1e-9)))
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                if z[k] > height[i, j]:
                    height[i, j] = z[k]


@njit(cache=True, error_model="numpy")
def lowest_over(height, place, x, y, steps_r2, steps_h, slack):
    """Lowest tip (n,) over a height map for a cutter whose underside is steps (radius squared, height), -inf over nothing.

    A cell counts with its nearest point, `slack` mm nearer.
    """
    x0, y0, step = place
    out = np.empty(len(x))
    nx, ny = height.shape
    widest = np.sqrt(steps_r2[-1])
    near = 0.5 * step + slack
    for q in range(len(x)):
        best = -np.inf
        i0 = max(0, int(np.ceil((x[q] - widest - near - x0) / step)))
        i1 = min(nx - 1, int(np.floor((x[q] + widest + near - x0) / step)))
        j0 = max(0, int(np.ceil((y[q] - widest - near - y0) / step)))
        j1 = min(ny - 1, int(np.floor((y[q] + widest + near - y0) / step)))
        for i in range(i0, i1 + 1):
            dx = max(0.0, abs(x0 + i * step - x[q]) - near)
            for j in range(j0, j1 + 1):
                if height[i, j] - steps_h[0] <= best:
                    continue
                dy = max(0.0, abs(y0 + j * step - y[q]) - near)
                d2 = dx * dx + dy * dy
                if d2 > steps_r2[-1]:
                    continue
                k = np.searchsorted(steps_r2, d2)
                tip = height[i, j] - steps_h[k]
                if tip > best:
                    best = tip
        out[q] = best
    return out


@njit(cache=True, error_model="numpy")
def swept_down(height, place, path, reach, steps_r2, steps_h):
    """Lower a height map to what a cutter leaves that passes the places of a path (n, 3), close together; writes `height`.

    `reach`: the largest radius that cuts.
    """
    x0, y0, step = place
    nx, ny = height.shape
    for q in range(len(path)):
        x, y, z = path[q, 0], path[q, 1], path[q, 2]
        i0 = max(0, int(np.ceil((x - reach - x0) / step)))
        i1 = min(nx - 1, int(np.floor((x + reach - x0) / step)))
        for i in range(i0, i1 + 1):
            dx = x0 + i * step - x
            half = np.sqrt(max(reach * reach - dx * dx, 0.0))
            j0 = max(0, int(np.ceil((y - half - y0) / step)))
            j1 = min(ny - 1, int(np.floor((y + half - y0) / step)))
            for j in range(j0, j1 + 1):
                if height[i, j] <= z:
                    continue
                dy = y0 + j * step - y
                k = min(np.searchsorted(steps_r2, dx * dx + dy * dy), len(steps_h) - 1)
                left = z + steps_h[k]
                if left < height[i, j]:
                    height[i, j] = left
