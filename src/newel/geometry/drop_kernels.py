"""The arithmetic of the drop: contact with facets and edges, and asking the tree for it. See drop.py for what it all means.

A drop is the largest z - H(rho) over the points of the turned mesh, H being the underside of the cutter. On a convex
piece of the cutter z - H is concave along every facet and every edge, so the largest value stands where a facet's own
plane is touched (inside the facet), or on an edge: inside it, or at its ends. A facet's plane bounds all that the facet holds.
Contact forms: generalised cutter of ISO 3592; Chung, Park, Shin and Choi 1998; Yau, Chuang and Lee 2004.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.drop_lane_kernels import (
    ARC,
    AT_A,
    AT_B,
    AT_C,
    CH,
    CR,
    H0,
    LANE_ROOM,
    MOST,
    R0,
    R1,
    RISE,
    STEEP1,
    leaf_lanes,
    node_lanes,
)
from newel.geometry.drop_tree_kernels import LANES, TreeArrays
from newel.geometry.loan_kernels import loan


class CutterArrays(NamedTuple):
    """The cutter's convex pieces, lowest first: rows `starts[p]`..`starts[p + 1]` of `stretch` (s, 9) are piece p.

    `touch` (t, 4): how a plane touches the piece, by slope: rows (P, Q, a, largest slope); `touch_starts` cuts it into pieces.
    """

    stretch: np.ndarray
    starts: np.ndarray
    touch: np.ndarray
    touch_starts: np.ndarray


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
def try_triangle(tree, at, k, cutter, p, x, y, cos, sin, lane, best, px, py, pz):
    """Let piece p at (x, y) meet triangle k of a leaf, bounded in `lane`; the mesh is turned by this cosine, sine."""
    stretch, low, high = cutter.stretch, cutter.starts[p], cutter.starts[p + 1]
    leaf = tree.leaf
    xa, xb, xc = leaf[at, k] - x, leaf[at, 24 + k] - x, leaf[at, 48 + k] - x
    ya, za = leaf[at, 8 + k] * cos - leaf[at, 16 + k] * sin - y, leaf[at, 8 + k] * sin + leaf[at, 16 + k] * cos
    yb, zb = leaf[at, 32 + k] * cos - leaf[at, 40 + k] * sin - y, leaf[at, 32 + k] * sin + leaf[at, 40 + k] * cos
    yc, zc = leaf[at, 56 + k] * cos - leaf[at, 64 + k] * sin - y, leaf[at, 56 + k] * sin + leaf[at, 64 + k] * cos
    nx = leaf[at, 72 + k]
    ny = leaf[at, 80 + k] * cos - leaf[at, 88 + k] * sin
    nz = leaf[at, 80 + k] * sin + leaf[at, 88 + k] * cos
    if abs(nz) > 1e-6:
        if nz < 0.0:
            nx, ny, nz = -nx, -ny, -nz
        upright = 1.0 / nz
        gx, gy = -nx * upright, -ny * upright
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
    owned = tree.owned[LANES * at + k]
    most_a, most_b, most_c = lane[AT_A + k], lane[AT_B + k], lane[AT_C + k]
    while owned > 0:
        if owned & 1 and max(most_a, most_b) > best:
            best, px, py, pz = try_edge(stretch, low, high, xa, ya, za, xb, yb, zb, best, px, py, pz)
        xa, ya, za, xb, yb, zb, xc, yc, zc = xb, yb, zb, xc, yc, zc, xa, ya, za
        most_a, most_b, most_c = most_b, most_c, most_a
        owned >>= 1
    return best, px, py, pz


@njit(cache=True, error_model="numpy", forceinline=True)
def drop_one(tree, cutter, x, y, cos, sin, best, enough, guess, stack, bounds, lane):
    """Return the drop at one place, the contact from the axis (x, y) and height, and the triangle touched (-1: none).

    A drop that is found to be higher than `enough` is looked into no further. `guess` (-1: none) is a triangle that may be
    touched: its leaf comes first, and is not looked into again.
    """
    tree = TreeArrays(loan(tree.node), loan(tree.link), loan(tree.leaf), loan(tree.many), loan(tree.owned))
    cutter = CutterArrays(loan(cutter.stretch), loan(cutter.starts), loan(cutter.touch), loan(cutter.touch_starts))
    stack, bounds, lane = loan(stack), loan(bounds), loan(lane)
    px, py, pz, hit = np.nan, np.nan, np.nan, -1
    n = tree.link.shape[1]  # not LANES: loops of a known length are unrolled before they could become vectors
    for p in range(cutter.starts.shape[0] - 1):
        low, high = cutter.starts[p], cutter.starts[p + 1]
        stack[0], bounds[0] = 0, np.inf
        depth = 1
        first = np.int64(-1)
        if guess >= 0:
            stack[1], bounds[1] = ~(guess // LANES), np.inf
            depth = 2
        while depth > 0 and best <= enough:
            depth -= 1
            if bounds[depth] <= best:
                continue
            link = stack[depth]
            if link < 0:
                if ~link == first:
                    continue
                if first < 0:
                    first = ~link
                leaf_lanes(tree.leaf, ~link, cutter.stretch, low, high, x, y, cos, sin, lane, n)
                for k in range(tree.many[~link]):
                    if lane[MOST + k] > best:
                        before = best
                        best, px, py, pz = try_triangle(tree, ~link, k, cutter, p, x, y, cos, sin, lane, best, px, py, pz)
                        if best > before:
                            hit = LANES * ~link + k
                continue
            if node_lanes(tree.node, link, cutter.stretch, low, high, x, y, cos, sin, best, lane, n) == 0:
                continue
            base = depth  # the highest bound is asked first
            for k in range(LANES):
                most = lane[MOST + k]
                if most > best:
                    i = depth
                    while i > base and bounds[i - 1] > most:
                        stack[i], bounds[i] = stack[i - 1], bounds[i - 1]
                        i -= 1
                    stack[i], bounds[i] = tree.link[link, k], most
                    depth += 1
    return best, px, py, pz, hit


@njit(cache=True, error_model="numpy")
def _drop_run(tree, cutter, place, order, floor, low, high, out, hit):
    """Drop at some rows of `place`, each handed the triangle that the one before it touched."""
    stack = np.empty(128, np.int64)
    bounds = np.empty(128, np.float64)
    lane = np.empty(LANE_ROOM, np.float64)
    guess = np.int64(-1)  # typed: numba compiles drop_one once more for a plain number
    for j in range(low, high):
        i = order[j]
        x, y = place[i, 0], place[i, 1]
        z, px, py, pz, t = drop_one(tree, cutter, x, y, place[i, 2], place[i, 3], floor[i], np.inf, guess, stack, bounds, lane)
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = z, px + x, py + y, pz
        hit[i] = t
        if t >= 0:
            guess = t


@njit(cache=True, error_model="numpy", nogil=True)
def drop_runs(tree, cutter, place, order, floor, run, runs, out, hit):
    """Drop at rows of `place` (n, 4: x, y, cosine and sine of the turn), in runs that remember the last triangle touched.

    Does runs `runs[0]` up to `runs[1]`, of `run` places each, whatever the number of threads. No drop is told lower than its
    `floor` (n,). `out` (n, 4): drop, then contact x, y, z in the table frame; `hit` (n,): triangle in leaf order, -1 for none.
    """
    for r in range(runs[0], runs[1]):
        _drop_run(tree, cutter, place, order, floor, r * run, min(place.shape[0], (r + 1) * run), out, hit)


@njit(cache=True, error_model="numpy")
def _clear_run(tree, cutter, place, tip, order, low, high, out):
    """Tell of some rows of `place` whether a tip touches nothing, each handed the triangle that the one before it touched."""
    stack = np.empty(128, np.int64)
    bounds = np.empty(128, np.float64)
    lane = np.empty(LANE_ROOM, np.float64)
    guess = np.int64(-1)  # typed: numba compiles drop_one once more for a plain number
    for j in range(low, high):
        i = order[j]
        x, y, z = place[i, 0], place[i, 1], tip[i]
        met, _, _, _, t = drop_one(tree, cutter, x, y, place[i, 2], place[i, 3], z, z, guess, stack, bounds, lane)
        out[i] = met <= z
        if t >= 0:
            guess = t


@njit(cache=True, error_model="numpy", nogil=True)
def clear_runs(tree, cutter, place, tip, order, run, runs, out):
    """Tell of rows of `place` (n, 4: x, y, cosine and sine of the turn) whether a tip at `tip` (n,) touches nothing.

    Writes `out` (n,); runs as in drop_runs.
    """
    for r in range(runs[0], runs[1]):
        _clear_run(tree, cutter, place, tip, order, r * run, min(place.shape[0], (r + 1) * run), out)
