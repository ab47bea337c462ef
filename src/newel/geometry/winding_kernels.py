"""Kernel: how often a mesh winds around points, by counting the triangles above each point, leaving ones against entering ones.

Points are dealt into the cells of a plane grid, so that each triangle looks only at those beneath or above its own box. A point
is taken to stand off its place by an infinitely small step in x and a far smaller one in y (symbolic perturbation, Edelsbrunner
and Mücke 1990), so that no ray runs through an edge or a corner; an edge is always asked from the same end.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy", forceinline=True)
def _side(ax, ay, bx, by, px, py):
    """Return 1 where p stands to the left of the way from a to b, -1 to the right; never 0 but for ends in one place."""
    if ax > bx or (ax == bx and ay > by):
        dx = ax - bx
        dy = ay - by
        value = dx * (py - by) - dy * (px - bx)
        flip = -1
    else:
        dx = bx - ax
        dy = by - ay
        value = dx * (py - ay) - dy * (px - ax)
        flip = 1
    if value == 0.0:
        value = -dy if dy != 0.0 else dx
    if value > 0.0:
        return flip
    return -flip if value < 0.0 else 0


@njit(cache=True, error_model="numpy")
def windings(corners, points, first, order, place, out):
    """Add to `out` (k,) how often triangles `corners` (m, 3, 3) wind around points (k, 3).

    `order` (k,): the points cell by cell, cell c from `first[c]` to `first[c + 1]`; `place` (5,): x and y of the grid's corner,
    size of a cell, cells along x and along y. Cell (i, j) is number i * ny + j.
    """
    nx = int(place[3])
    ny = int(place[4])
    for f in range(len(corners)):
        ax = corners[f, 0, 0]
        ay = corners[f, 0, 1]
        bx = corners[f, 1, 0]
        by = corners[f, 1, 1]
        cx = corners[f, 2, 0]
        cy = corners[f, 2, 1]
        i0 = max(0, int(np.floor((min(ax, min(bx, cx)) - place[0]) / place[2])))
        i1 = min(nx - 1, int(np.floor((max(ax, max(bx, cx)) - place[0]) / place[2])))
        j0 = max(0, int(np.floor((min(ay, min(by, cy)) - place[1]) / place[2])))
        j1 = min(ny - 1, int(np.floor((max(ay, max(by, cy)) - place[1]) / place[2])))
        if i0 > i1 or j0 > j1:
            continue
        az = corners[f, 0, 2]
        ux = bx - ax
        uy = by - ay
        uz = corners[f, 1, 2] - az
        vx = cx - ax
        vy = cy - ay
        vz = corners[f, 2, 2] - az
        normal_x = uy * vz - uz * vy
        normal_y = uz * vx - ux * vz
        normal_z = ux * vy - uy * vx
        for i in range(i0, i1 + 1):
            for at in range(first[i * ny + j0], first[i * ny + j1 + 1]):
                k = order[at]
                px = points[k, 0]
                py = points[k, 1]
                way = _side(ax, ay, bx, by, px, py)
                if way == 0 or _side(bx, by, cx, cy, px, py) != way or _side(cx, cy, ax, ay, px, py) != way:
                    continue
                over = (px - ax) * normal_x + (py - ay) * normal_y + (points[k, 2] - az) * normal_z
                if over * way < 0.0:
                    out[k] += way
