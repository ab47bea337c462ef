"""The arithmetic of the drop: building the tree over triangles, and asking it. See drop.py for what it all means.

A drop is the largest z - H(rho) over the points of the turned mesh, H being the underside of the cutter. On a convex
piece of the cutter z - H is concave along every facet and every edge, so the largest value stands where a facet's own
plane is touched (inside the facet), or on an edge: inside it, or at its ends. A facet's plane bounds all that the facet holds.
Contact forms: generalised cutter of ISO 3592; Chung, Park, Shin and Choi 1998; Yau, Chuang and Lee 2004.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit, prange

# columns of a stretch of the cutter's underside (`stretch`): a is 0 for a line
R0, R1, H0, RISE, CR, CH, ARC, STEEP1, H1 = 0, 1, 2, 3, 4, 5, 6, 7, 8


class TreeArrays(NamedTuple):
    """The tree. `box` (k, 16), one cache line a node in single precision, rounded outwards: x from, x to; centre y, z and
    two half-axes (y, z each) of a rectangle across X; a unit vector and the least and largest offset of the triangles along it.

    `link` (k,): an inner node's first child (the second follows it), or for a leaf ~(8 * first triangle + how many).
    `triangle` (m, 12), in leaf order: three corners and the unit normal (zero where there is none); `owned` (m,): bit i
    is set where the edge from corner i is this triangle's to test.
    """

    box: np.ndarray
    link: np.ndarray
    triangle: np.ndarray
    owned: np.ndarray


class CutterArrays(NamedTuple):
    """The cutter's convex pieces, lowest first: rows `starts[p]`..`starts[p + 1]` of `stretch` (s, 9) are piece p.

    `touch` (t, 4): how a plane touches the piece, by slope: rows (P, Q, a, largest slope); `touch_starts` cuts it into pieces.
    """

    stretch: np.ndarray
    starts: np.ndarray
    touch: np.ndarray
    touch_starts: np.ndarray


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
    """Write the bounds of triangles `order[low:high]`, `slack` wider than they are: see TreeArrays.box."""
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
    box[0], box[1] = x0 - slack, x1 + slack
    box[2], box[3] = c * um - s * vm, s * um + c * vm
    box[4], box[5] = c * uh, s * uh
    box[6], box[7] = -s * vh, c * vh
    box[8], box[9], box[10] = nx, ny, nz
    box[11], box[12] = d0 - slack, d1 + slack


@njit(cache=True, error_model="numpy")
def build(corner, middle, leaf, slack, order, box, link):
    """Fill the nodes over triangles of `corner` (m, 9) by their `middle` (m, 3); return how many nodes there are."""
    waiting = np.empty((128, 3), np.int64)
    waiting[0, 0], waiting[0, 1], waiting[0, 2] = 0, 0, corner.shape[0]
    depth, nodes = 1, 1
    while depth > 0:
        depth -= 1
        node, low, high = waiting[depth, 0], waiting[depth, 1], waiting[depth, 2]
        bound_of(corner, order, low, high, slack, box[node])
        if high - low <= leaf:
            link[node] = ~(8 * low + high - low)
            continue
        axis, widest = 0, -1.0
        for a in range(3):
            least, most = np.inf, -np.inf
            for i in range(low, high):
                value = middle[order[i], a]
                least, most = min(least, value), max(most, value)
            if most - least > widest:
                axis, widest = a, most - least
        split_by_median(middle, order, low, high, axis)
        half = (low + high) // 2
        link[node] = nodes
        waiting[depth, 0], waiting[depth, 1], waiting[depth, 2] = nodes + 1, half, high
        waiting[depth + 1, 0], waiting[depth + 1, 1], waiting[depth + 1, 2] = nodes, low, half
        depth += 2
        nodes += 2
    return nodes


@njit(cache=True, error_model="numpy", inline="always")
def height(stretch, low, high, r):
    """Height of a convex piece at a radius within it."""
    i = low
    while i < high - 1 and r > stretch[i, R1]:
        i += 1
    if stretch[i, ARC] == 0.0:
        return stretch[i, H0] + stretch[i, RISE] * (r - stretch[i, R0])
    out = r - stretch[i, CR]
    return stretch[i, CH] - math.sqrt(max(stretch[i, ARC] * stretch[i, ARC] - out * out, 0.0))


@njit(cache=True, error_model="numpy", inline="always")
def tangent(stretch, low, high, qx, qy, gx, gy):
    """A plane nowhere above a convex piece, touching it at (qx, qy) if it can: its height there, its slopes along x and y.

    Beyond the piece's reach it climbs as steeply outwards as (gx, gy) does.
    """
    rho2 = qx * qx + qy * qy
    i = low
    while i < high - 1 and rho2 > stretch[i, R1] * stretch[i, R1]:
        i += 1
    r1, a = stretch[i, R1], stretch[i, ARC]
    if rho2 <= r1 * r1:
        if a > 0.0 and stretch[i, CR] == 0.0 and rho2 <= 0.9 * a * a:  # a ball needs no distance from the axis
            down = math.sqrt(a * a - rho2)
            upright = 1.0 / down
            return stretch[i, CH] - down, qx * upright, qy * upright
        if a == 0.0 and stretch[i, RISE] == 0.0:
            return stretch[i, H0], 0.0, 0.0
    rho = math.sqrt(rho2)
    inward = 1.0 / max(rho, 1e-300)
    if a == 0.0:
        steep = stretch[i, RISE]
        h = stretch[i, H0] + steep * (min(rho, r1) - stretch[i, R0])
        if rho > r1:
            steep = max(steep, (gx * qx + gy * qy) * inward)
            h += steep * (rho - r1)
    else:
        climb = (gx * qx + gy * qy) * inward if rho > r1 else 0.0
        far = 0.95 * a if climb < 3.0 else a * climb / math.sqrt(1.0 + climb * climb)
        out = max(min(min(rho, r1) - stretch[i, CR], far), stretch[i, R0] - stretch[i, CR])
        down = math.sqrt(a * a - out * out)
        steep = out / down
        h = stretch[i, CH] - down + steep * (rho - stretch[i, CR] - out)
    return h, steep * qx * inward, steep * qy * inward


@njit(cache=True, error_model="numpy", forceinline=True)
def torus_near(cr, a, q2, k):
    """About the radius at which a torus touches a line (see torus_touch): two steps from where one through the axis would."""
    r = cr + a * k / math.sqrt(1.0 + k * k)
    for _ in range(2):
        r = cr + a * k / math.sqrt(max(k * k + max(1.0 - q2 / (r * r), 0.0), 1e-300))
    return r


@njit(cache=True, error_model="numpy")
def torus_touch(cr, a, q2, k, r_low, r_high):
    """Radius at which a torus touches a line at distance sqrt(q2) from the axis that climbs by k: Newton kept in a bracket.

    Solves o = a k / sqrt(k^2 + 1 - q2 / r^2), r = cr + o; the left side less the right grows with o, by one at least. The
    height there depends on the square of what o is off.
    """
    low = max(r_low - cr, 0.0)
    high = min(r_high - cr, a)
    o = max(low, min(high, torus_near(cr, a, q2, k) - cr))
    for _ in range(60):
        r = cr + o
        square = k * k + max(1.0 - q2 / (r * r), 0.0)
        asked = a * k / math.sqrt(square)
        if o > asked:
            high = o
        else:
            low = o
        following = o - (o - asked) / (1.0 + asked * q2 / (square * r * r * r))
        if not (low <= following <= high):
            following = 0.5 * (low + high)
        moved = abs(following - o)
        o = following
        if moved < 1e-9 * a:
            break
    return cr + o


@njit(cache=True, error_model="numpy", forceinline=True)
def line_touch(stretch, low, high, q2, k):
    """How far from its nearest point to the axis (distance sqrt(q2)) a line that climbs by k >= 0 meets a convex piece."""
    if k <= 0.0:
        return 0.0
    for i in range(low, high):
        r1 = stretch[i, R1]
        if r1 * r1 <= q2:
            continue
        if stretch[i, ARC] == 0.0:
            m = stretch[i, RISE]
            if k >= m * math.sqrt(1.0 - q2 / (r1 * r1)):
                continue
            r2 = q2 * m * m / (m * m - k * k)
        elif stretch[i, STEEP1] * math.sqrt(1.0 - q2 / (r1 * r1)) <= k:
            continue
        elif stretch[i, CR] == 0.0:
            a2 = stretch[i, ARC] * stretch[i, ARC]
            r2 = q2 + k * k * (a2 - q2) / (1.0 + k * k)
        else:
            r0 = max(stretch[i, R0], math.sqrt(q2))
            r = torus_touch(stretch[i, CR], stretch[i, ARC], q2, k, r0, r1)
            r2 = r * r
        r0 = stretch[i, R0]
        return math.sqrt(max(max(r2, r0 * r0) - q2, 0.0))
    r1 = stretch[high - 1, R1]
    return math.sqrt(max(r1 * r1 - q2, 0.0))


@njit(cache=True, error_model="numpy", forceinline=True)
def try_edge(stretch, low, high, xa, ya, za, xb, yb, zb, best, px, py, pz):
    """Let a convex piece at the origin meet an edge; return the better of the best drop so far and this one, with its place."""
    reach = stretch[high - 1, R1]
    dx, dy = xb - xa, yb - ya
    length = math.sqrt(dx * dx + dy * dy)
    if length < 1e-9:
        if zb > za:
            xa, ya, za = xb, yb, zb
        rho = math.sqrt(xa * xa + ya * ya)
        if rho <= reach:
            z = za - height(stretch, low, high, rho)
            if z > best:
                return z, xa, ya, za
        return best, px, py, pz
    if zb < za:
        xa, ya, za, zb, dx, dy = xb, yb, zb, za, -dx, -dy
    dx /= length
    dy /= length
    q = xa * dy - ya * dx
    q2 = q * q
    if q2 > reach * reach:
        return best, px, py, pz
    half = math.sqrt(reach * reach - q2)
    w0 = xa * dx + ya * dy
    w_low, w_high = max(w0, -half), min(w0 + length, half)
    if w_low > w_high or zb - height(stretch, low, high, abs(q)) <= best:
        return best, px, py, pz
    k = (zb - za) / length
    w = w_high
    if w_high > 0.0 and stretch[high - 1, ARC] > 0.0 and stretch[high - 1, CR] > 0.0:
        # by the tangent near the contact a bull nose comes no higher than this: mostly no root needs to be found
        r = torus_near(stretch[high - 1, CR], stretch[high - 1, ARC], q2, k)
        at = max(min(math.sqrt(max(r * r - q2, 0.0)), w_high), w_low)
        out = min(math.sqrt(q2 + at * at), reach)
        h, hx, _ = tangent(stretch, low, high, out, 0.0, 0.0, 0.0)
        slope = k - hx * at / max(out, 1e-300)
        z = min(za + k * (at - w0), zb) - h
        if z + max(slope * (w_high - at), slope * (w_low - at)) + 1e-9 <= best:
            return best, px, py, pz
    if w_high > 0.0:
        w = max(min(line_touch(stretch, low, high, q2, k), w_high), w_low)
    z_at = min(za + k * (w - w0), zb)
    z = z_at - height(stretch, low, high, min(math.sqrt(q2 + w * w), reach))
    if z > best:
        return z, xa + (w - w0) * dx, ya + (w - w0) * dy, z_at
    return best, px, py, pz


@njit(cache=True, error_model="numpy", forceinline=True)
def try_triangle(tree, t, cutter, p, x, y, cos, sin, best, px, py, pz):
    """Let piece p at (x, y) meet triangle t of the mesh turned by an angle of this cosine and sine."""
    stretch, low, high = cutter.stretch, cutter.starts[p], cutter.starts[p + 1]
    corner = tree.triangle[t]
    xa, xb, xc = corner[0] - x, corner[3] - x, corner[6] - x
    ya, za = corner[1] * cos - corner[2] * sin - y, corner[1] * sin + corner[2] * cos
    yb, zb = corner[4] * cos - corner[5] * sin - y, corner[4] * sin + corner[5] * cos
    yc, zc = corner[7] * cos - corner[8] * sin - y, corner[7] * sin + corner[8] * cos
    nx = corner[9]
    ny = corner[10] * cos - corner[11] * sin
    nz = corner[10] * sin + corner[11] * cos
    if abs(nz) > 1e-6:
        if nz < 0.0:
            nx, ny, nz = -nx, -ny, -nz
        upright = 1.0 / nz
        gx, gy = -nx * upright, -ny * upright
        mx, my = (xa + xb + xc) / 3.0, (ya + yb + yc) / 3.0
        h, hx, hy = tangent(stretch, low, high, mx, my, gx, gy)
        hx, hy = gx - hx, gy - hy
        most = max(hx * (xa - mx) + hy * (ya - my), max(hx * (xb - mx) + hy * (yb - my), hx * (xc - mx) + hy * (yc - my)))
        if (za + zb + zc) / 3.0 - h + most <= best:
            return best, px, py, pz
        nh = math.sqrt(nx * nx + ny * ny)
        i = cutter.touch_starts[p]
        while nh > cutter.touch[i, 3] * nz:
            i += 1
        a = cutter.touch[i, 2]
        bound = za + (cutter.touch[i, 0] * nh + a) * upright - gx * xa - gy * ya - cutter.touch[i, 1]
        if bound <= best + 1e-9:
            return best, px, py, pz
        ux, uy = 0.0, 0.0
        if nh > 1e-9:
            out = cutter.touch[i, 0] / nh + a
            ux, uy = -nx * out, -ny * out
        side_a = (xb - xa) * (uy - ya) - (yb - ya) * (ux - xa)
        side_b = (xc - xb) * (uy - yb) - (yc - yb) * (ux - xb)
        side_c = (xa - xc) * (uy - yc) - (ya - yc) * (ux - xc)
        if (side_a >= 0.0 and side_b >= 0.0 and side_c >= 0.0) or (side_a <= 0.0 and side_b <= 0.0 and side_c <= 0.0):
            return bound, ux, uy, za + gx * (ux - xa) + gy * (uy - ya)
    owned = tree.owned[t]
    while owned > 0:
        if owned & 1:
            best, px, py, pz = try_edge(stretch, low, high, xa, ya, za, xb, yb, zb, best, px, py, pz)
        xa, ya, za, xb, yb, zb, xc, yc, zc = xb, yb, zb, xc, yc, zc, xa, ya, za
        owned >>= 1
    return best, px, py, pz


@njit(cache=True, error_model="numpy", inline="always")
def reach2_at(stretch, low, high, h):
    """Square of the radius within which a convex piece is no higher than h above its tip; h is not below the piece."""
    i = low
    while i < high - 1 and h >= stretch[i, H1]:
        i += 1
    r1 = stretch[i, R1]
    if h >= stretch[i, H1]:
        return r1 * r1
    if stretch[i, ARC] == 0.0:
        r = min(stretch[i, R0] + (h - stretch[i, H0]) / stretch[i, RISE], r1)
        return r * r
    down = stretch[i, CH] - h
    r2 = max(stretch[i, ARC] * stretch[i, ARC] - down * down, 0.0)
    if stretch[i, CR] != 0.0:
        r = stretch[i, CR] + math.sqrt(r2)
        r2 = r * r
    return min(r2, r1 * r1)


@njit(cache=True, error_model="numpy", inline="always")
def node_bound(box, node, stretch, low, high, x, y, cos, sin, best):
    """Nothing in a node lets a convex piece come to rest higher than this; -inf where that is not above the best so far."""
    b = box[node]
    cy, cz = np.float64(b[2]), np.float64(b[3])
    top = cy * sin + cz * cos + abs(b[4] * sin + b[5] * cos) + abs(b[6] * sin + b[7] * cos)
    over = top - best
    if over <= stretch[low, H0]:
        return -np.inf
    wide = abs(b[4] * cos - b[5] * sin) + abs(b[6] * cos - b[7] * sin)
    qy = cy * cos - cz * sin - y
    qx = 0.5 * (np.float64(b[0]) + b[1]) - x
    long = 0.5 * (np.float64(b[1]) - b[0])
    dy = max(abs(qy) - wide, 0.0)
    dx = max(abs(qx) - long, 0.0)
    if dx * dx + dy * dy > reach2_at(stretch, low, high, over) * (1.0 + 1e-12):
        return -np.inf
    bound = top - stretch[low, H0]
    nz = b[9] * sin + b[10] * cos
    if abs(nz) < 0.05 or b[12] - b[11] > abs(nz) * (bound - best):
        return bound
    upright = 1.0 / nz
    gx = -b[8] * upright
    gy = (b[10] * sin - b[9] * cos) * upright
    d = (b[12] if nz > 0.0 else b[11]) * upright
    h, hx, hy = tangent(stretch, low, high, qx, qy, gx, gy)
    z = d + gx * (qx + x) + gy * (qy + y) - h
    return min(bound, z + abs(gx - hx) * long + abs(gy - hy) * wide + 1e-9)


@njit(cache=True, error_model="numpy", forceinline=True)
def drop_one(tree, cutter, x, y, cos, sin, best, enough, guess, stack, bounds):
    """Return the drop at one place, the contact from the axis (x, y) and height, and the triangle touched (-1: none).

    A drop that is found to be higher than `enough` is looked into no further.
    """
    px, py, pz, hit = np.nan, np.nan, np.nan, -1
    box = tree.box
    for p in range(cutter.starts.shape[0] - 1):
        low, high = cutter.starts[p], cutter.starts[p + 1]
        stack[0], bounds[0] = tree.link[0], np.inf
        depth = 1
        if guess >= 0:
            stack[1], bounds[1] = ~(8 * guess + 1), np.inf
            depth = 2
        while depth > 0 and best <= enough:
            depth -= 1
            if bounds[depth] <= best:
                continue
            link = stack[depth]
            if link < 0:
                from_t = ~link >> 3
                for t in range(from_t, from_t + (~link & 7)):
                    before = best
                    best, px, py, pz = try_triangle(tree, t, cutter, p, x, y, cos, sin, best, px, py, pz)
                    if best > before:
                        hit = t
                continue
            one, two = link, link + 1
            bound_one = node_bound(box, one, cutter.stretch, low, high, x, y, cos, sin, best)
            bound_two = node_bound(box, two, cutter.stretch, low, high, x, y, cos, sin, best)
            if bound_one > bound_two:
                one, two, bound_one, bound_two = two, one, bound_two, bound_one
            if bound_one > best:
                stack[depth], bounds[depth] = tree.link[one], bound_one
                depth += 1
            if bound_two > best:
                stack[depth], bounds[depth] = tree.link[two], bound_two
                depth += 1
    return best, px, py, pz, hit


@njit(cache=True, error_model="numpy")
def _drop_run(tree, cutter, place, order, floor, low, high, out, hit):
    """Drop at some rows of `place`, each handed the triangle that the one before it touched."""
    stack = np.empty(128, np.int64)
    bounds = np.empty(128, np.float64)
    guess = np.int64(-1)  # typed: numba compiles drop_one once more for a plain number
    for j in range(low, high):
        i = order[j]
        x, y = place[i, 0], place[i, 1]
        z, px, py, pz, t = drop_one(tree, cutter, x, y, place[i, 2], place[i, 3], floor, np.inf, guess, stack, bounds)
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = z, px + x, py + y, pz
        hit[i] = t
        if t >= 0:
            guess = t


@njit(cache=True, error_model="numpy", parallel=True)
def drop_many(tree, cutter, place, order, floor, run, out, hit):
    """Drop at every row of `place` (n, 4: x, y, cosine and sine of the turn), in runs that remember the last triangle touched.

    `out` (n, 4): drop, then contact x, y, z in the table frame; `hit` (n,): triangle in leaf order, -1 for none.
    Runs have a fixed length, so that the result does not depend on the number of threads.
    """
    n = place.shape[0]
    for r in prange((n + run - 1) // run):
        _drop_run(tree, cutter, place, order, floor, r * run, min(n, (r + 1) * run), out, hit)


@njit(cache=True, error_model="numpy")
def drop_few(tree, cutter, place, order, floor, run, out, hit):
    """The same as drop_many on one thread: other threads take longer to wake than a few drops take."""
    n = place.shape[0]
    for low in range(0, n, run):
        _drop_run(tree, cutter, place, order, floor, low, min(n, low + run), out, hit)


@njit(cache=True, error_model="numpy")
def _clear_run(tree, cutter, place, tip, order, low, high, out):
    """Tell of some rows of `place` whether a tip touches nothing, each handed the triangle that the one before it touched."""
    stack = np.empty(128, np.int64)
    bounds = np.empty(128, np.float64)
    guess = np.int64(-1)  # typed: numba compiles drop_one once more for a plain number
    for j in range(low, high):
        i = order[j]
        x, y, z = place[i, 0], place[i, 1], tip[i]
        met, _, _, _, t = drop_one(tree, cutter, x, y, place[i, 2], place[i, 3], z, z, guess, stack, bounds)
        out[i] = met <= z
        if t >= 0:
            guess = t


@njit(cache=True, error_model="numpy", parallel=True)
def clear_many(tree, cutter, place, tip, order, run, out):
    """Tell of every row of `place` (n, 4: x, y, cosine and sine of the turn) whether a tip at `tip` (n,) touches nothing.

    Writes `out` (n,); runs as in drop_many.
    """
    n = place.shape[0]
    for r in prange((n + run - 1) // run):
        _clear_run(tree, cutter, place, tip, order, r * run, min(n, (r + 1) * run), out)


@njit(cache=True, error_model="numpy")
def clear_few(tree, cutter, place, tip, order, run, out):
    """The same as clear_many on one thread."""
    n = place.shape[0]
    for low in range(0, n, run):
        _clear_run(tree, cutter, place, tip, order, low, min(n, low + run), out)
