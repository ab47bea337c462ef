"""Kernels of what stands where a cutter's body comes by: points of the stock's surface, sorted into square cells."""

from __future__ import annotations

import numpy as np
from numba import njit

LEVEL = 0.9  # a surface whose normal stands so nearly upright is level


@njit(cache=True, error_model="numpy")
def stands_in(stock, x, y, z, steps, slack):
    """Tell at which places (n,) a cutter with its tip at z brings steps (radius squared, height) into any point (m, 6).

    A point with its normal stands for the facet about it; what is level ends where the walls under it say. Points count
    `slack` mm nearer. `stock`: points; `starts`, those of cell (i, j) being rows `starts[i * ny + j]` on; `tops`, none of
    them higher than `tops[i * ny + j]`; and x0, y0, step, nx, ny, half a facet.
    """
    points, starts, tops, (x0, y0, step, nx, ny, half) = stock
    steps_r2, steps_h = steps
    reach = np.sqrt(steps_r2[-1]) + slack + half
    out = np.zeros(len(x), np.bool_)
    for q in range(len(x)):
        i0, i1 = max(0, int((x[q] - reach - x0) / step)), min(nx - 1, int((x[q] + reach - x0) / step))
        j0, j1 = max(0, int((y[q] - reach - y0) / step)), min(ny - 1, int((y[q] + reach - y0) / step))
        for i in range(i0, i1 + 1):
            for cell in range(i * ny + j0, i * ny + j1 + 1):
                if out[q] or tops[cell] - steps_h[0] <= z:
                    continue
                for k in range(starts[cell], starts[cell + 1]):
                    dx, dy = points[k, 0] - x[q], points[k, 1] - y[q]
                    away = np.hypot(dx, dy)
                    if abs(points[k, 5]) < LEVEL and away > 0.0:
                        # from the axis square to the facet's plane, and in the plane as far as the facet does not reach
                        square = abs(dx * points[k, 3] + dy * points[k, 4])
                        beside = max(0.0, np.sqrt(max(0.0, away * away - square * square)) - half)
                        away = np.hypot(square, beside)
                    away = max(0.0, away - slack)
                    if away * away < steps_r2[-1]:
                        over = z + steps_h[np.searchsorted(steps_r2, away * away, side="right")]
                        out[q] = out[q] or points[k, 2] > over
    return out


@njit(cache=True, error_model="numpy")
def lower_points(stock, path, steps):
    """Lower points, in place, to what a cutter leaves that passes the places of a path (n, 3), close together."""
    points, starts, _, (x0, y0, step, nx, ny, _) = stock
    steps_r2, steps_h = steps
    reach = np.sqrt(steps_r2[-1])
    for q in range(len(path)):
        i0, i1 = max(0, int((path[q, 0] - reach - x0) / step)), min(nx - 1, int((path[q, 0] + reach - x0) / step))
        j0, j1 = max(0, int((path[q, 1] - reach - y0) / step)), min(ny - 1, int((path[q, 1] + reach - y0) / step))
        for i in range(i0, i1 + 1 if j1 >= j0 else i0):
            for k in range(starts[i * ny + j0], starts[i * ny + j1 + 1]):
                d2 = (points[k, 0] - path[q, 0]) ** 2 + (points[k, 1] - path[q, 1]) ** 2
                if d2 < steps_r2[-1]:
                    points[k, 2] = min(points[k, 2], path[q, 2] + steps_h[np.searchsorted(steps_r2, d2, side="right")])
