"""Kernels that look at a blank from far out toward its axis: how far out material stands, and which move left it so.

A ray from the axis is followed through the columns of Y or Z rays that it crosses most squarely, from outside inward. Nothing
here raises.
"""

from __future__ import annotations

import math

from numba import njit


@njit(cache=True, error_model="numpy")
def _holds(ends, links, s, ray, at):
    """Return the node of a ray's interval that holds `at`; -1 for none."""
    i = ray
    if ends[s, i, 0] > 1e29:
        return -1
    while i >= 0:
        if ends[s, i, 0] <= at <= ends[s, i, 1]:
            return i
        i = links[s, i, 2]
    return -1


@njit(cache=True, error_model="numpy")
def _nearest_end(ends, links, s, ray, at, upper):
    """Return the node whose upper (1) or lower (0) end is nearest to `at`; -1 where the ray is empty."""
    i = ray
    best = -1
    least = 1e30
    if ends[s, i, 0] > 1e29:
        return best
    while i >= 0:
        far = abs(ends[s, i, upper] - at)
        if far < least:
            least = far
            best = i
        i = links[s, i, 2]
    return best


@njit(cache=True, error_model="numpy")
def _outermost(ends, links, grid, k, dy, dz):
    """Return radius and tag of the outermost material of slice k along (dy, dz), a unit vector; 0 and -1 for none."""
    s = k // grid.slab
    base = (k % grid.slab) * (grid.ny + grid.nz)
    columns = abs(dy) >= abs(dz)  # march over y, through Z rays; else over z, through Y rays
    count = grid.ny if columns else grid.nz
    first = grid.y0 if columns else grid.z0
    pitch = grid.py if columns else grid.pz
    offset = base + grid.nz if columns else base
    other_offset = base if columns else base + grid.nz
    other_first = grid.z0 if columns else grid.y0
    other_pitch = grid.pz if columns else grid.py
    other_count = grid.nz if columns else grid.ny
    along = dy if columns else dz
    across = (dz if columns else dy) / along
    way = 1 if along > 0 else -1
    v = count - 1 if way > 0 else 0
    while 0 <= v < count and (first + v * pitch) * way > 0:
        u = first + v * pitch
        node = _holds(ends, links, s, offset + v, u * across)
        if node >= 0:
            break
        v -= way
    else:
        return 0.0, -1
    upper = 1 if across * way > 0 else 0
    tag = links[s, node, upper]
    gap = abs(ends[s, node, upper] - u * across)
    reach = 0.5 * pitch
    # a surface that runs on into the column outside of this one is met where both ends say so
    if 0 <= v + way < count:
        outer = _nearest_end(ends, links, s, offset + v + way, ends[s, node, upper], upper)
        if outer >= 0:
            beyond = (u + way * pitch) * across - ends[s, outer, upper]
            if upper == 0:
                beyond = -beyond
            if beyond > 0.0 and abs(ends[s, outer, upper] - ends[s, node, upper]) < 3.0 * pitch:
                reach = pitch * gap / (gap + beyond)
                if beyond < gap:
                    tag = links[s, outer, upper]
                return (abs(u) + reach) * math.sqrt(1.0 + across * across), tag
    # a wall across the march: the two rays along it that stand beside the place tell where it ends between them
    w = min(other_count - 2, max(0, math.floor((u * across - other_first) / other_pitch)))
    side = 1 if way > 0 else 0
    near = _nearest_end(ends, links, s, other_offset + w, u, side)
    next_ = _nearest_end(ends, links, s, other_offset + w + 1, u, side)
    if near >= 0 and next_ >= 0:
        slope = (ends[s, next_, side] - ends[s, near, side]) / other_pitch
        meets = ends[s, near, side] - (other_first + w * other_pitch) * slope
        if abs(1.0 - across * slope) > 0.05:
            wall = (meets / (1.0 - across * slope) - u) * way
            if 0.0 <= wall <= pitch:
                return (abs(u) + wall) * math.sqrt(1.0 + across * across), links[s, near, side]
    w = min(other_count - 1, max(0, round((u * across - other_first) / other_pitch)))
    wall_end = _nearest_end(ends, links, s, other_offset + w, u, side)
    if wall_end >= 0 and 0.0 <= (ends[s, wall_end, side] - u) * way <= pitch:
        reach = (ends[s, wall_end, side] - u) * way
        tag = links[s, wall_end, side]
    return (abs(u) + reach) * math.sqrt(1.0 + across * across), tag


@njit(cache=True, error_model="numpy", nogil=True)
def outermost_radii(ends, links, grid, slices, directions, some, radius, tag):
    """Write radius (n, m) and tag (n, m) of the outermost material in some of the slices (n,) along directions (m, 2)."""
    for i in range(some[0], some[1]):
        for j in range(len(directions)):
            radius[i, j], tag[i, j] = _outermost(ends, links, grid, slices[i], directions[j, 0], directions[j, 1])
