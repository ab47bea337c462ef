"""Kernels that know how far out a blank's material reaches, slice by slice and in sectors around, and so what a move can meet.

Called by the carving kernels of blank_kernels.py; the program keys its kernel cache by all kernel sources.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from newel.geometry.blank_sweep_kernels import FAR, step_count


@njit(cache=True, error_model="numpy", forceinline=True)
def _sector(y, z, quarter):
    """Return in which sector a direction lies, `quarter` of them to each quadrant; they are even along a diamond's sides."""
    whole = abs(y) + abs(z)
    if whole <= 0.0:
        return 0
    share = (abs(z) if (y >= 0.0) == (z >= 0.0) else abs(y)) / whole
    return min(quarter - 1, int(share * quarter)) + quarter * ((0 if z >= 0.0 else 3) if y >= 0.0 else (1 if z >= 0.0 else 2))


@njit(cache=True, error_model="numpy")
def slice_reach(ends, links, s, base, grid, out):
    """Write the largest radius that the material of a slice can have, in out[0] over all and behind it in each sector.

    Half a cell is allowed on either side of each ray. Outermost material of a sector has a ray's end within a cell of it:
    so much more is allowed in radius, and a sector beside in angle, which is wider than a cell but near the axis.
    """
    n = len(out) - 1
    quarter = n // 4
    out[:] = 0.0
    most = 0.0
    for j in range(grid.nz + grid.ny):
        i = base + j
        if ends[s, i, 0] > 0.5 * FAR:
            continue
        along_y = j < grid.nz
        at = grid.z0 + j * grid.pz if along_y else grid.y0 + (j - grid.nz) * grid.py
        outer = abs(at) + 0.5 * (grid.pz if along_y else grid.py)
        while i >= 0:
            for side in range(2):
                end = np.float64(ends[s, i, side])
                y = end if along_y else at
                z = at if along_y else end
                k = _sector(y, z, quarter)
                square = y * y + z * z
                out[1 + k] = max(out[1 + k], square)
                most = max(most, end * end + outer * outer)
            i = links[s, i, 2]
    if most == 0.0:
        return
    slack = grid.py + grid.pz
    least = 12.0 * slack
    out[0] = math.sqrt(most)
    begin = out[1]
    before = out[n]
    for k in range(1, n + 1):
        here = out[k]
        after = begin if k == n else out[k + 1]
        out[k] = min(out[0], max(least, math.sqrt(max(before, max(here, after))) + slack))
        before = here


@njit(cache=True, error_model="numpy", forceinline=True)
def spread(ways, low_z, r, quarter):
    """Return first sector and number of sectors that a cutter of radius r over low_z can stand in during a step (0: all)."""
    if low_z <= 0.0:
        return 0, 0
    left = min(0.0, min(ways[0, 1], ways[1, 1]) - r)
    right = max(0.0, max(ways[0, 1], ways[1, 1]) + r)
    # turned into the bar frame, from right to left its angle grows; the bar's turn lessens it
    back = 0 if ways[0, 5] >= ways[1, 5] else 1
    c = ways[back, 3]
    s = ways[back, 4]
    a = _sector(right * c + low_z * s, low_z * c - right * s, quarter)
    c = ways[1 - back, 3]
    s = ways[1 - back, 4]
    b = _sector(left * c + low_z * s, low_z * c - left * s, quarter)
    return a, (b - a) % (4 * quarter) + 1


@njit(cache=True, error_model="numpy", forceinline=True)
def sector_reach(reach, k, begin, count):
    """Return the largest radius of slice k in `count` sectors from `begin` on (0: in all)."""
    if count == 0:
        return reach[k, 0]
    n = reach.shape[1] - 1
    most = 0.0
    at = begin
    for _ in range(count):
        most = max(most, reach[k, 1 + at])
        at += 1
        if at == n:
            at = 0
    return most


@njit(cache=True, error_model="numpy")
def slice_reaches(pool, grid, slabs, out):
    """Write the largest radius of the material of each slice and of its sectors, a cell allowed for: out (nx, 1 + sectors)."""
    for s in range(slabs):
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            slice_reach(pool.ends, pool.links, s, k * (grid.ny + grid.nz), grid, out[s * grid.slab + k])


@njit(cache=True, error_model="numpy")
def move_boxes(pieces, grid, poses, limits, boxes):
    """Write beside each move's reach (boxes[:, 0]) the Y extent of its edge, in cells; none where it reaches nothing."""
    r = 0.0
    for p in range(pieces.edges):
        r = max(r, pieces.size[p, 0])
    for i in range(len(boxes)):
        far = boxes[i, 0]
        boxes[i, 1] = FAR
        boxes[i, 2] = -FAR
        if min(poses[i, 2], poses[i + 1, 2]) >= far:
            continue
        steps = step_count(poses, i, limits, limits.x_turn)
        for step in range(steps + 1):
            t = step / steps
            turn = poses[i, 3] + t * (poses[i + 1, 3] - poses[i, 3])
            c = math.cos(turn)
            s = math.sin(turn)
            aside = (poses[i, 1] + t * (poses[i + 1, 1] - poses[i, 1])) * c
            side = (r * abs(c) + 0.02) / grid.py + 1.0  # a step's bent way keeps within 0.02 mm of its chord
            for z in (poses[i, 2] + t * (poses[i + 1, 2] - poses[i, 2]), far):
                y = (aside + z * s - grid.y0) / grid.py
                boxes[i, 1] = min(boxes[i, 1], y - side)
                boxes[i, 2] = max(boxes[i, 2], y + side)


@njit(cache=True, error_model="numpy", forceinline=True)
def holds(ends, links, s, node, at):
    """Tell whether a ray, from its first node on, has material at a place along it."""
    while node >= 0 and ends[s, node, 0] <= at:
        if at <= ends[s, node, 1]:
            return True
        node = links[s, node, 2]
    return False


@njit(cache=True, error_model="numpy")
def look(ends, links, s, grid, looks, which):
    """Write 1 for each point of a look that lies in the material of slab s, by its nearest Z ray where `upright`, or Y ray."""
    points = looks.points
    low = grid.x0 + (s * grid.slab - 0.5) * grid.px
    if looks.span[which, 1] < low or looks.span[which, 0] > low + grid.slab * grid.px:
        return
    for i in range(looks.first[which], looks.first[which + 1]):
        k = math.floor((points[i, 0] - grid.x0) / grid.px + 0.5)
        if k < s * grid.slab or k >= min(grid.nx, (s + 1) * grid.slab):
            continue
        jy = math.floor((points[i, 1] - grid.y0) / grid.py + 0.5)
        jz = math.floor((points[i, 2] - grid.z0) / grid.pz + 0.5)
        if jy < 0 or jy >= grid.ny or jz < 0 or jz >= grid.nz:
            continue
        base = (k - s * grid.slab) * (grid.ny + grid.nz)
        if looks.upright[i]:
            looks.out[i] = holds(ends, links, s, base + grid.nz + jy, points[i, 2])
        else:
            looks.out[i] = holds(ends, links, s, base + jz, points[i, 1])
