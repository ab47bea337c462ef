"""Kernels that read the blank's surface back: ray ends with normals, radial tops, and a closed mesh by a dual method.

Rays of all three directions pass through the same lattice of points (x, y, z of the ray grid), so a lattice edge from
inside to outside has its crossing on a ray, at full accuracy. A ray is named by its direction (0 X, 1 Y, 2 Z) and its
two other indices in order of axis: (y, z), (x, z) or (x, y).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.blank_reach_kernels import holds


class Lattice(NamedTuple):
    """A lattice of every coarsen-th ray, with one empty layer all round, and the parts of the surface in each cell case."""

    solid: np.ndarray  # (na, nb, nc) uint8
    edges: np.ndarray  # (256, 12) int8: which part each edge of a cell belongs to, -1 none
    parts: np.ndarray  # (256,) int8: how many parts
    coarsen: int


class Ends(NamedTuple):
    """Points, normals and tags of ray ends."""

    points: np.ndarray
    normals: np.ndarray
    tags: np.ndarray


@njit(cache=True, error_model="numpy")
def _ray(grid, way, u, v):
    """Return slab and node of a ray; slab -1 outside of the grid."""
    if u < 0 or v < 0 or u >= (grid.ny if way == 0 else grid.nx) or v >= (grid.ny if way == 2 else grid.nz):
        return -1, 0
    if way == 0:
        return u // grid.band, (u % grid.band) * grid.nz + v
    base = (u % grid.slab) * (grid.ny + grid.nz)
    return u // grid.slab, base + v if way == 1 else base + grid.nz + v


@njit(cache=True, error_model="numpy")
def _axis(grid, axis):
    """Return first coordinate and spacing along an axis."""
    if axis == 0:
        return grid.x0, grid.px
    if axis == 1:
        return grid.y0, grid.py
    return grid.z0, grid.pz


@njit(cache=True, error_model="numpy")
def _near_end(pool, grid, way, u, v, end, upper):
    """Return the end of the same kind nearest to `end` on a ray (nan: no material there)."""
    s, i = _ray(grid, way, u, v)
    best = np.nan
    if s < 0 or pool.ends[s, i, 0] > 1e29:
        return best
    while i >= 0:
        at = np.float64(pool.ends[s, i, 1]) if upper else np.float64(pool.ends[s, i, 0])
        if not abs(best - end) <= abs(at - end):
            best = at
        i = pool.links[s, i, 2]
    return best


@njit(cache=True, error_model="numpy")
def _slope(before, end, after, spacing):
    """Return the slope of the surface at a ray end from its two neighbours: their mean where both agree, else the lesser."""
    a = (end - before) / spacing
    b = (after - end) / spacing
    if math.isnan(a) and math.isnan(b):
        return 1e6
    if math.isnan(a):
        return b
    if math.isnan(b):
        return a
    if abs(a - b) < 0.3:
        return 0.5 * (a + b)
    return a if abs(a) < abs(b) else b


@njit(cache=True, error_model="numpy")
def _normal(pool, grid, way, u, v, end, upper, out):
    """Write the outward normal at a ray end, from the ends of the neighbouring rays."""
    first = 1 if way == 0 else 0
    second = 1 if way == 2 else 2
    _, pa = _axis(grid, first)
    _, pb = _axis(grid, second)
    before = _near_end(pool, grid, way, u - 1, v, end, upper)
    sa = _slope(before, end, _near_end(pool, grid, way, u + 1, v, end, upper), pa)
    before = _near_end(pool, grid, way, u, v - 1, end, upper)
    sb = _slope(before, end, _near_end(pool, grid, way, u, v + 1, end, upper), pb)
    size = math.sqrt(1.0 + sa * sa + sb * sb)
    if not upper:
        size = -size
    out[way] = 1.0 / size
    out[first] = -sa / size
    out[second] = -sb / size


@njit(cache=True, error_model="numpy")
def _row_ends(pool, grid, way, u, every, at, out):
    """Write the well-seen ends of one row of rays from row `at` on; return how many."""
    n = np.empty(3)
    count = 0
    first = 1 if way == 0 else 0
    second = 1 if way == 2 else 2
    u0, pu = _axis(grid, first)
    v0, pv = _axis(grid, second)
    for v in range(0, grid.ny if way == 2 else grid.nz, every):
        s, i = _ray(grid, way, u, v)
        if pool.ends[s, i, 0] > 1e29:
            continue
        while i >= 0:
            for upper in (False, True):
                end = np.float64(pool.ends[s, i, 1]) if upper else np.float64(pool.ends[s, i, 0])
                _normal(pool, grid, way, u, v, end, upper, n)
                if abs(n[way]) < 0.95 * max(abs(n[first]), abs(n[second])):
                    continue
                row = at + count
                out.points[row, way] = end
                out.points[row, first] = u0 + u * pu
                out.points[row, second] = v0 + v * pv
                out.normals[row] = n
                out.tags[row] = pool.links[s, i, 1] if upper else pool.links[s, i, 0]
                count += 1
            i = pool.links[s, i, 2]
    return count


@njit(cache=True, error_model="numpy", nogil=True)
def ray_ends(pool, grid, way, every, some, starts, counts, out):
    """Write the well-seen ends of the rays of some rows of a direction, each row from its start, and how many each has."""
    for k in range(some[0], some[1]):
        counts[k] = _row_ends(pool, grid, way, k * every, every, starts[k], out)


@njit(cache=True, error_model="numpy")
def count_ends(pool, grid, way, every, counts):
    """Write how many ends the rays of each row have, well seen or not."""
    for k in range(len(counts)):
        count = 0
        for v in range(0, grid.ny if way == 2 else grid.nz, every):
            s, i = _ray(grid, way, k * every, v)
            if pool.ends[s, i, 0] > 1e29:
                continue
            while i >= 0:
                count += 2
                i = pool.links[s, i, 2]
        counts[k] = count


@njit(cache=True, error_model="numpy")
def radial_tops(pool, grid, x_from, x_step, turns, radius):
    """Write the largest radius of material in each X bin and each bin of turn, half a cell allowed beside each ray."""
    bins = len(radius)
    for k in range(grid.nx):
        x = grid.x0 + k * grid.px
        b0 = min(bins - 1, max(0, math.floor((x - 0.5 * grid.px - x_from) / x_step + 1e-6)))
        b1 = min(bins - 1, max(0, math.ceil((x + 0.5 * grid.px - x_from) / x_step - 1e-6) - 1))
        for way in (1, 2):
            for v in range(grid.nz if way == 1 else grid.ny):
                s, i = _ray(grid, way, k, v)
                if pool.ends[s, i, 0] > 1e29:
                    continue
                p = grid.pz if way == 1 else grid.py
                side = grid.z0 + v * p if way == 1 else grid.y0 + v * p
                while i >= 0:
                    for end in (np.float64(pool.ends[s, i, 0]), np.float64(pool.ends[s, i, 1])):
                        r = math.hypot(abs(side) + 0.5 * p, end)
                        polar = math.atan2(side, end) if way == 1 else math.atan2(end, side)
                        turn = (0.5 * math.pi - polar) / (2.0 * math.pi) * turns
                        wide = 0.75 * p / max(math.hypot(side, end), p) / (2.0 * math.pi) * turns
                        for t in range(math.floor(turn - wide + 0.5), math.floor(turn + wide + 0.5) + 1):
                            for b in range(b0, b1 + 1):
                                radius[b, t % turns] = max(radius[b, t % turns], r)
                    i = pool.links[s, i, 2]


@njit(cache=True, error_model="numpy")
def lattice_inside(pool, grid, coarsen, solid):
    """Mark every coarsen-th lattice point that lies in material by its Z ray; `solid` has one empty layer all round."""
    for a in range(solid.shape[0] - 2):
        for b in range(solid.shape[1] - 2):
            s, i = _ray(grid, 2, a * coarsen, b * coarsen)
            if pool.ends[s, i, 0] > 1e29:
                continue
            while i >= 0:
                step = grid.pz * coarsen
                c0 = max(0, math.ceil((pool.ends[s, i, 0] - grid.z0) / step))
                c1 = min(solid.shape[2] - 3, math.floor((pool.ends[s, i, 1] - grid.z0) / step))
                for c in range(c0, c1 + 1):
                    solid[a + 1, b + 1, c + 1] = 1
                i = pool.links[s, i, 2]


@njit(cache=True, error_model="numpy")
def fill_diagonals(solid):
    """Fill one corner of every lattice face whose solid corners only touch diagonally, until none is left; return how many."""
    filled = 0
    found = True
    while found:
        found = False
        for a in range(solid.shape[0] - 1):
            for b in range(solid.shape[1] - 1):
                for c in range(solid.shape[2] - 1):
                    for axis in range(3):
                        da, db, dc = (0, 1, 0) if axis == 0 else (1, 0, 0)
                        ea, eb, ec = (0, 1, 0) if axis == 2 else (0, 0, 1)
                        p = solid[a, b, c]
                        q = solid[a + da, b + db, c + dc]
                        r = solid[a + ea, b + eb, c + ec]
                        t = solid[a + da + ea, b + db + eb, c + dc + ec]
                        if p == t and q == r and p != q:
                            if p == 1:
                                solid[a + da, b + db, c + dc] = 1
                            else:
                                solid[a, b, c] = 1
                            filled += 1
                            found = True
    return filled


@njit(cache=True, error_model="numpy")
def _crossing(pool, grid, coarsen, way, at, inner_first, point, normal):
    """Write point and normal where the surface crosses the lattice edge from `at` (coarse indices, padded) along an axis."""
    first = 1 if way == 0 else 0
    second = 1 if way == 2 else 2
    u = (at[first] - 1) * coarsen
    v = (at[second] - 1) * coarsen
    w0, pw = _axis(grid, way)
    low = w0 + (at[way] - 1) * coarsen * pw
    high = low + coarsen * pw
    inner = low if inner_first else high
    end = inner
    found = False
    s, i = _ray(grid, way, u, v)
    while s >= 0 and i >= 0 and pool.ends[s, i, 0] <= inner:
        if inner <= pool.ends[s, i, 1]:
            end = np.float64(pool.ends[s, i, 1]) if inner_first else np.float64(pool.ends[s, i, 0])
            found = True
            break
        i = pool.links[s, i, 2]
    for axis in range(3):
        a0, pa = _axis(grid, axis)
        point[axis] = a0 + (at[axis] - 1) * coarsen * pa
        normal[axis] = 0.0
    normal[way] = 1.0 if inner_first else -1.0
    point[way] = min(high, max(low, end))
    if found:
        _normal(pool, grid, way, u, v, end, inner_first, normal)


@njit(cache=True, error_model="numpy")
def _solve(m, rhs):
    """Solve the symmetric 3 by 3 system in place of `rhs` (Cramer)."""
    c0 = m[1, 1] * m[2, 2] - m[1, 2] * m[1, 2]
    c1 = m[0, 2] * m[1, 2] - m[0, 1] * m[2, 2]
    c2 = m[0, 1] * m[1, 2] - m[0, 2] * m[1, 1]
    det = m[0, 0] * c0 + m[0, 1] * c1 + m[0, 2] * c2
    d11 = m[0, 0] * m[2, 2] - m[0, 2] * m[0, 2]
    d12 = m[0, 1] * m[0, 2] - m[0, 0] * m[1, 2]
    d22 = m[0, 0] * m[1, 1] - m[0, 1] * m[0, 1]
    x = (c0 * rhs[0] + c1 * rhs[1] + c2 * rhs[2]) / det
    y = (c1 * rhs[0] + d11 * rhs[1] + d12 * rhs[2]) / det
    z = (c2 * rhs[0] + d12 * rhs[1] + d22 * rhs[2]) / det
    rhs[0] = x
    rhs[1] = y
    rhs[2] = z


@njit(cache=True, error_model="numpy")
def _cell_vertex(yz, x, grid, lattice, cell, case, part, out):
    """Place the vertex of one surface part in a cell: nearest to the planes of its crossings, kept inside the cell.

    Each plane weighs as squarely as its ray sees it; a fiftieth of the weight draws to the mean of the crossings.
    """
    coarsen = lattice.coarsen
    edges = lattice.edges
    m = np.zeros((3, 3))
    rhs = np.zeros(3)
    mean = np.zeros(3)
    point = np.empty((12, 3))
    normal = np.empty((12, 3))
    weight = np.empty(12)
    at = np.empty(3, np.int64)
    n = 0
    for e in range(12):
        if edges[case, e] != part:
            continue
        way = e // 4
        at[:] = cell
        at[1 if way == 0 else 0] += e & 1
        at[1 if way == 2 else 2] += (e >> 1) & 1
        corner = ((at[0] - cell[0]) << 2) | ((at[1] - cell[1]) << 1) | (at[2] - cell[2])
        _crossing(x if way == 0 else yz, grid, coarsen, way, at, (case >> corner) & 1 == 1, point[n], normal[n])
        weight[n] = normal[n, way] * normal[n, way] + 1e-6
        mean += point[n]
        n += 1
    mean /= n
    total = 0.0
    for k in range(n):
        d = 0.0
        for i in range(3):
            d += normal[k, i] * (point[k, i] - mean[i])
        total += weight[k]
        for i in range(3):
            rhs[i] += weight[k] * normal[k, i] * d
            for j in range(3):
                m[i, j] += weight[k] * normal[k, i] * normal[k, j]
    for i in range(3):
        m[i, i] += 0.02 * total
    _solve(m, rhs)
    for i in range(3):
        a0, pa = _axis(grid, i)
        low = a0 + (cell[i] - 1) * coarsen * pa
        out[i] = min(low + coarsen * pa, max(low, mean[i] + rhs[i]))


@njit(cache=True, error_model="numpy")
def _case(solid, a, b, c):
    """Return which of a cell's eight corners are solid, bit 4 dx + 2 dy + dz."""
    case = 0
    for k in range(8):
        case |= int(solid[a + (k >> 2), b + ((k >> 1) & 1), c + (k & 1)]) << k
    return case


@njit(cache=True, error_model="numpy")
def count_cells(solid, parts, quads):
    """Return how many vertices the cells have; `quads[0]` gets the number of lattice edges that cross the surface."""
    vertices = 0
    edges = 0
    for a in range(solid.shape[0] - 1):
        for b in range(solid.shape[1] - 1):
            for c in range(solid.shape[2] - 1):
                p = solid[a, b, c]
                edges += (p != solid[a + 1, b, c]) + (p != solid[a, b + 1, c]) + (p != solid[a, b, c + 1])
                vertices += parts[_case(solid, a, b, c)]
    quads[0] = edges
    return vertices


@njit(cache=True, error_model="numpy")
def build_mesh(yz, x, grid, lattice, vertices, faces):
    """Write a vertex for each surface part of each cell, and two triangles for each crossed lattice edge."""
    solid = lattice.solid
    parts = lattice.parts
    na, nb, nc = solid.shape
    index = np.full((2, nb, nc), -1, np.int64)  # first vertex of each cell, of this layer and the one before
    cell = np.empty(3, np.int64)
    count = 0
    row = 0
    for a in range(na - 1):
        here = a % 2
        for b in range(nb - 1):
            for c in range(nc - 1):
                case = _case(solid, a, b, c)
                if case == 0 or case == 255:
                    continue
                cell[0] = a
                cell[1] = b
                cell[2] = c
                index[here, b, c] = count
                for part in range(parts[case]):
                    _cell_vertex(yz, x, grid, lattice, cell, case, part, vertices[count])
                    count += 1
                for way in range(3):
                    row = _quad(lattice, index, cell, way, vertices, faces, row)


@njit(cache=True, error_model="numpy")
def _quad(lattice, index, cell, way, vertices, faces, row):
    """Join the four cells around the lattice edge that starts at a cell's lowest corner, where the surface crosses it."""
    solid = lattice.solid
    edges = lattice.edges
    a = cell[0]
    b = cell[1]
    c = cell[2]
    inner = solid[a, b, c]
    if inner == solid[a + (way == 0), b + (way == 1), c + (way == 2)]:
        return row
    q = np.empty(4, np.int64)
    for k in range(4):
        back_u = 1 if (k == 1 or k == 2) else 0  # cells around the edge, in order
        back_v = 1 if k >= 2 else 0
        da = back_u if way != 0 else 0
        db = back_u if way == 0 else (back_v if way == 2 else 0)
        dc = back_v if way != 2 else 0
        case = _case(solid, a - da, b - db, c - dc)
        q[k] = index[(a - da) % 2, b - db, c - dc] + edges[case, 4 * way + back_u + 2 * back_v]
    # round (u, v) in this order looks down the axis for X and Z and up it for Y (u, v = x, z is left-handed)
    if (inner == 1) == (way == 1):
        q[1], q[3] = q[3], q[1]
    d0 = 0.0
    d1 = 0.0
    for i in range(3):
        d0 += (vertices[q[0], i] - vertices[q[2], i]) ** 2
        d1 += (vertices[q[1], i] - vertices[q[3], i]) ** 2
    k = 0 if d0 <= d1 else 1
    for t in range(2):
        faces[row, 0] = q[k]
        faces[row, 1] = q[(k + 1 + t) % 4]
        faces[row, 2] = q[(k + 2 + t) % 4]
        row += 1
    return row


@njit(cache=True, error_model="numpy")
def slab_volumes(pool, grid, out):
    """Write the volume of each slab: the mean of what its Y rays and its Z rays say."""
    for s in range(len(out)):
        y = 0.0
        z = 0.0
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            for j in range(grid.ny + grid.nz):
                i = k * (grid.ny + grid.nz) + j
                if pool.ends[s, i, 0] > 1e29:
                    continue
                length = 0.0
                while i >= 0:
                    length += np.float64(pool.ends[s, i, 1]) - np.float64(pool.ends[s, i, 0])
                    i = pool.links[s, i, 2]
                if j < grid.nz:
                    y += length
                else:
                    z += length
        out[s] = 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy")
def inside_points(pool, grid, points, rays, out):
    """Write 1 for each point that lies in material, by its nearest Y ray and Z ray: `rays` 0 the Y ray, 1 the Z ray, 2 both."""
    for i in range(len(points)):
        out[i] = 0
        k = math.floor((points[i, 0] - grid.x0) / grid.px + 0.5)
        jy = math.floor((points[i, 1] - grid.y0) / grid.py + 0.5)
        jz = math.floor((points[i, 2] - grid.z0) / grid.pz + 0.5)
        if k < 0 or k >= grid.nx or jy < 0 or jy >= grid.ny or jz < 0 or jz >= grid.nz:
            continue
        s = k // grid.slab
        base = (k - s * grid.slab) * (grid.ny + grid.nz)
        along_y = rays[i] == 1 or holds(pool.ends, pool.links, s, base + jz, points[i, 1])
        out[i] = along_y and (rays[i] == 0 or holds(pool.ends, pool.links, s, base + grid.nz + jy, points[i, 2]))
