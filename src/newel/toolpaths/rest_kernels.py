# mypy: ignore-errors
"""How far a cutter stays off given places, at its nearest pose: plain arithmetic."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy", nogil=True)
def nearest_gaps(points, normals, heights, grid, under, y_mm, some, gaps):
    """Write for some of the points (k, 3), along their normals, the least gap (k,) to the cutter at any pose of a grid.

    `heights` (nx, na): lowest tips; `grid`: x0, x step, turn step in radians; `under`: the underside's height at even steps
    of radius, and the step; `y_mm`: the cutter's sideways set. inf where no pose comes over the point.
    """
    table, r_step_mm = under
    nx, na = heights.shape
    x0, dx, da = grid
    widest = (len(table) - 1) * r_step_mm
    for k in range(some[0], some[1]):
        px, py, pz = points[k, 0], points[k, 1], points[k, 2]
        radius = np.hypot(py, pz)
        polar = np.arctan2(pz, py)
        least = np.inf
        first = max(0, int(np.ceil((px - widest - x0) / dx)))
        last = min(nx - 1, int(np.floor((px + widest - x0) / dx)))
        # turns that bring the point within the cutter's width of its axis, on the upper side
        low, high = 0.0, 2.0 * np.pi
        if radius > abs(y_mm) + widest:
            low = np.arccos(min(1.0, (y_mm + widest) / radius)) - polar
            high = np.arccos(max(-1.0, (y_mm - widest) / radius)) - polar
        for j in range(int(np.ceil(low / da)), int(np.floor(high / da)) + 1):
            c, s = np.cos(j * da), np.sin(j * da)
            y = c * py - s * pz - y_mm
            z = s * py + c * pz
            facing = s * normals[k, 1] + c * normals[k, 2]
            if facing <= 0.02 or abs(y) > widest:
                continue
            for i in range(first, last + 1):
                r = np.hypot(px - (x0 + i * dx), y) / r_step_mm
                cell = int(r)
                if cell >= len(table) - 1:
                    continue
                under = table[cell] + (r - cell) * (table[cell + 1] - table[cell])
                gap = (heights[i, j % na] + under - z) * facing
                if gap < least:
                    least = gap
        gaps[k] = least
