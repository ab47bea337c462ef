"""The arithmetic of the drop's tree: triangles in leaves of at most eight, nodes of eight children that are bounded together.

Eight, because the bounds of so many are one or two vector operations: see drop_lane_kernels.py.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

LANES = 8  # children of a node, triangles of a leaf
BOUNDS, CORNERS = 13, 12  # rows of eight in a node, in a leaf


class TreeArrays(NamedTuple):
    """The tree, laid out for asking eight things at a time: element 8 r + k of a row is field r of child or triangle k.

    `node` (n, 104): bounds of eight children in single precision, rounded outwards: middle and half length along x; centre
    y, z and two half-axes (y, z each) of a rectangle across X; a unit vector and the least and largest offset of the
    triangles along it. A child that is not there lies far away. `link` (n, 8): the child's node, or for a leaf ~leaf.
    `leaf` (l, 96): three corners and the unit normal (zero where there is none) of eight triangles, the last of them repeated
    where there are fewer; `many` (l,): how many there are. `owned` (8 l,): bit i is set where the edge from corner i is this
    triangle's to test.
    """

    node: np.ndarray
    link: np.ndarray
    leaf: np.ndarray
    many: np.ndarray
    owned: np.ndarray


@njit(cache=True, error_model="numpy")
def split_by_median(middle, order, low, high, axis):
    """Order `order[low:high]` so that its first half has the smaller middles along an axis (quickselect)."""
    k = (low + high) // 2
    left, right = low, high - 1
    while left < right:
        pivot = middle[order[(left + right) // 2], axis]
        i, j = left, right
        while i <= j:
            while middle[order[i], axis] < pivot:
                i += 1
            while middle[order[j], axis] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                i += 1
                j -= 1
        if k <= j:
            right = j
        elif k >= i:
            left = i
        else:
            break


@njit(cache=True, error_model="numpy")
def bound_of(corner, order, low, high, slack, box):
    """Write the bounds of triangles `order[low:high]` (13,), `slack` wider than they are: see TreeArrays.node."""
    x0, x1 = np.inf, -np.inf
    n = 3.0 * (high - low)
    sy, sz, syy, syz, szz = 0.0, 0.0, 0.0, 0.0, 0.0
    nx, ny, nz = 0.0, 0.0, 0.0
    y_ref, z_ref = corner[order[low], 1], corner[order[low], 2]
    for i in range(low, high):
        t = order[i]
        ux, uy, uz = corner[t, 3] - corner[t, 0], corner[t, 4] - corner[t, 1], corner[t, 5] - corner[t, 2]
        vx, vy, vz = corner[t, 6] - corner[t, 0], corner[t, 7] - corner[t, 1], corner[t, 8] - corner[t, 2]
        nx += uy * vz - uz * vy
        ny += uz * vx - ux * vz
        nz += ux * vy - uy * vx
        for v in range(3):
            x = corner[t, 3 * v]
            y = corner[t, 3 * v + 1] - y_ref
            z = corner[t, 3 * v + 2] - z_ref
            x0, x1 = min(x0, x), max(x1, x)
            sy += y
            sz += z
            syy += y * y
            syz += y * z
            szz += z * z
    syy -= sy * sy / n
    syz -= sy * sz / n
    szz -= sz * sz / n
    angle_rad = 0.5 * math.atan2(2.0 * syz, syy - szz)
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    u0, u1, v0, v1 = np.inf, -np.inf, np.inf, -np.inf
    size = math.sqrt(nx * nx + ny * ny + nz * nz)
    if size > 0.0:
        nx, ny, nz = nx / size, ny / size, nz / size
    d0, d1 = np.inf, -np.inf
    for i in range(low, high):
        t = order[i]
        for v in range(3):
            y, z = corner[t, 3 * v + 1], corner[t, 3 * v + 2]
            along, across = c * y + s * z, c * z - s * y
            off = nx * corner[t, 3 * v] + ny * y + nz * z
            d0, d1 = min(d0, off), max(d1, off)
            u0, u1 = min(u0, along), max(u1, along)
            v0, v1 = min(v0, across), max(v1, across)
    um, vm = 0.5 * (u0 + u1), 0.5 * (v0 + v1)
    uh, vh = 0.5 * (u1 - u0), 0.5 * (v1 - v0)
    uh, vh = uh + slack, vh + slack
    box[0], box[1] = 0.5 * (x0 + x1), 0.5 * (x1 - x0) + slack
    box[2], box[3] = c * um - s * vm, s * um + c * vm
    box[4], box[5] = c * uh, s * uh
    box[6], box[7] = -s * vh, c * vh
    box[8], box[9], box[10] = nx, ny, nz
    box[11], box[12] = d0 - slack, d1 + slack


@njit(cache=True, error_model="numpy")
def split_in_two(middle, order, low, high):
    """Order `order[low:high]` so that its halves lie apart along the axis on which the middles spread widest; return where."""
    axis, widest = 0, -1.0
    for a in range(3):
        least, most = np.inf, -np.inf
        for i in range(low, high):
            value = middle[order[i], a]
            least, most = min(least, value), max(most, value)
        if most - least > widest:
            axis, widest = a, most - least
    split_by_median(middle, order, low, high, axis)
    return (low + high) // 2


@njit(cache=True, error_model="numpy")
def build(corner, middle, slack, order, node, link, first, many):
    """Fill the nodes over triangles of `corner` (m, 9) by their `middle` (m, 3); return how many nodes and leaves there are.

    Halves upon halves: every leaf is as deep as any other. The first node takes what is left of the depth over threes, so
    that all others have eight children. `first` and `many` (leaves,): where each leaf begins in `order`, how many it holds.
    """
    m = corner.shape[0]
    depth = 0
    while (m - 1 >> depth) >= LANES:
        depth += 1
    waiting = np.empty((128, 4), np.int64)
    waiting[0, 0], waiting[0, 1], waiting[0, 2], waiting[0, 3] = 0, 0, m, depth
    bounds = np.empty(BOUNDS, np.float64)
    cut = np.empty(LANES + 1, np.int64)
    left, nodes, leaves = 1, 1, 0
    while left > 0:
        left -= 1
        at, deep = waiting[left, 0], waiting[left, 3]
        halvings = min(deep, (deep - 1) % 3 + 1)
        parts = 1 << halvings
        cut[0], cut[parts] = waiting[left, 1], waiting[left, 2]
        step = parts
        while step > 1:
            for k in range(0, parts, step):
                cut[k + step // 2] = split_in_two(middle, order, cut[k], cut[k + step])
            step //= 2
        for k in range(LANES):
            link[at, k] = 0
            for f in range(BOUNDS):
                node[at, LANES * f + k] = 0.0
            node[at, k] = 1e30
        for k in range(parts - 1, -1, -1):
            bound_of(corner, order, cut[k], cut[k + 1], slack, bounds)
            for f in range(BOUNDS):
                node[at, LANES * f + k] = bounds[f]
            if deep == halvings:
                link[at, k] = ~leaves
                first[leaves], many[leaves] = cut[k], cut[k + 1] - cut[k]
                leaves += 1
            else:
                link[at, k] = nodes
                waiting[left, 0], waiting[left, 1], waiting[left, 2], waiting[left, 3] = (
                    nodes,
                    cut[k],
                    cut[k + 1],
                    deep - halvings,
                )
                left += 1
                nodes += 1
    return nodes, leaves
