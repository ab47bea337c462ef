"""Kernels: how near a moving cutter comes to round things about the rotary axis.

A cutter is a stack of frustums about a vertical axis: rows (h1, h2, r1, r2), heights over the tip. A round thing is
a cylinder about X: (x1, x2, radius). During a move the tip runs straight; the thing's own turning changes nothing.
Frustum and cylinder are convex and the move is a translation, so their distance is convex in (t, y) where y is the
place across the cylinder that is compared: nested golden sections find its least value over the whole move, with
nothing between samples to miss. What is left inside is plane: an upright line against a trapezoid, in closed form.
"""

import math

import numpy as np
from numba import njit, prange

_GOLDEN = 0.6180339887498949


@njit(cache=True, error_model="numpy")
def _point_line(px, py, ax, ay, bx, by):
    """Distance from point p to the straight piece a-b."""
    dx = bx - ax
    dy = by - ay
    dd = dx * dx + dy * dy
    u = 0.0
    if dd > 0.0:
        u = ((px - ax) * dx + (py - ay) * dy) / dd
        u = min(1.0, max(0.0, u))
    return math.hypot(px - ax - u * dx, py - ay - u * dy)


@njit(cache=True, error_model="numpy")
def _upright_to_trapezoid(s, q, b, t, r1, r2):
    """Distance in the (r, z) half plane from the upright line r = s, -q <= z <= q, to the trapezoid between heights b and t."""
    low = b
    high = t
    inside = s <= r1 or s <= r2
    if inside and r1 != r2:
        cross = b + (s - r1) / (r2 - r1) * (t - b)
        if r2 > r1:
            low = max(b, cross)
        else:
            high = min(t, cross)
    if inside and high >= -q and low <= q:
        return 0.0
    d = math.hypot(s - r1, max(0.0, max(b - q, -q - b)))
    d = min(d, math.hypot(s - r2, max(0.0, max(t - q, -q - t))))
    for end in range(2):
        z = q if end == 0 else -q
        d = min(d, _point_line(s, z, 0.0, b, r1, b))
        d = min(d, _point_line(s, z, 0.0, t, r2, t))
        d = min(d, _point_line(s, z, r1, b, r2, t))
    return d


@njit(cache=True, error_model="numpy")
def _gap(x, y, z, piece, x1, x2, radius, py):
    dx = max(0.0, max(x1 - x, x - x2))
    s = math.hypot(dx, py - y)
    q = math.sqrt(max(0.0, radius * radius - py * py))
    return _upright_to_trapezoid(s, q, z + piece[0], z + piece[1], piece[2], piece[3])


@njit(cache=True, error_model="numpy")
def _least_across(x, y, z, piece, x1, x2, radius, turns):
    """Least distance over the place across the cylinder: golden section on a convex function."""
    a = -radius
    b = radius
    c = b - _GOLDEN * (b - a)
    d = a + _GOLDEN * (b - a)
    fc = _gap(x, y, z, piece, x1, x2, radius, c)
    fd = _gap(x, y, z, piece, x1, x2, radius, d)
    for _ in range(turns):
        if fc <= 0.0 or fd <= 0.0:
            return 0.0
        if fc < fd:
            b = d
            d = c
            fd = fc
            c = b - _GOLDEN * (b - a)
            fc = _gap(x, y, z, piece, x1, x2, radius, c)
        else:
            a = c
            c = d
            fc = fd
            d = a + _GOLDEN * (b - a)
            fd = _gap(x, y, z, piece, x1, x2, radius, d)
    return min(fc, fd)


@njit(cache=True, error_model="numpy")
def piece_clearance(begin, end, piece, x1, x2, radius, turns):
    """Least distance of one frustum from one cylinder over a straight move of the tip (0 where they touch)."""
    way = abs(end[0] - begin[0]) + abs(end[1] - begin[1]) + abs(end[2] - begin[2])
    if not way > 1e-9:
        return _least_across(end[0], end[1], end[2], piece, x1, x2, radius, turns)
    a = 0.0
    b = 1.0
    c = b - _GOLDEN
    d = _GOLDEN
    vx = end[0] - begin[0]
    vy = end[1] - begin[1]
    vz = end[2] - begin[2]
    fc = _least_across(begin[0] + c * vx, begin[1] + c * vy, begin[2] + c * vz, piece, x1, x2, radius, turns)
    fd = _least_across(begin[0] + d * vx, begin[1] + d * vy, begin[2] + d * vz, piece, x1, x2, radius, turns)
    for _ in range(turns):
        if fc <= 0.0 or fd <= 0.0:
            return 0.0
        if fc < fd:
            b = d
            d = c
            fd = fc
            c = b - _GOLDEN * (b - a)
            fc = _least_across(begin[0] + c * vx, begin[1] + c * vy, begin[2] + c * vz, piece, x1, x2, radius, turns)
        else:
            a = c
            c = d
            fc = fd
            d = a + _GOLDEN * (b - a)
            fd = _least_across(begin[0] + d * vx, begin[1] + d * vy, begin[2] + d * vz, piece, x1, x2, radius, turns)
    best = min(fc, fd)
    best = min(best, _least_across(begin[0], begin[1], begin[2], piece, x1, x2, radius, turns))
    return min(best, _least_across(end[0], end[1], end[2], piece, x1, x2, radius, turns))


@njit(cache=True, error_model="numpy")
def _box_gap(begin, end, piece, x1, x2, radius):
    """A distance that the exact one can't fall under: the swept frustum's box against the cylinder's."""
    r = max(piece[2], piece[3])
    gx = max(0.0, max(x1 - max(begin[0], end[0]) - r, min(begin[0], end[0]) - r - x2))
    gy = max(0.0, max(-radius - max(begin[1], end[1]) - r, min(begin[1], end[1]) - r - radius))
    gz = max(0.0, max(-radius - max(begin[2], end[2]) - piece[1], min(begin[2], end[2]) + piece[0] - radius))
    return math.sqrt(gx * gx + gy * gy + gz * gz)


@njit(cache=True, parallel=True, error_model="numpy")
def bounds(begin, end, pieces, cylinders, out):
    """Fill out (n, k) with lower bounds of the clearance of each move from each cylinder; nan moves give infinity."""
    for i in prange(len(begin)):
        lost = False
        for k in range(3):
            if np.isnan(begin[i, k]) or np.isnan(end[i, k]):
                lost = True
        for c in range(len(cylinders)):
            best = np.inf
            if not lost:
                for p in range(len(pieces)):
                    best = min(best, _box_gap(begin[i], end[i], pieces[p], cylinders[c, 0], cylinders[c, 1], cylinders[c, 2]))
            out[i, c] = best


@njit(cache=True, parallel=True, error_model="numpy")
def clearances(begin, end, pieces, cylinder, turns, out):
    """Fill out (n,) with the exact clearance of each move from one cylinder (0 where the cutter touches it)."""
    for i in prange(len(begin)):
        best = np.inf
        for p in range(len(pieces)):
            if _box_gap(begin[i], end[i], pieces[p], cylinder[0], cylinder[1], cylinder[2]) < best:
                best = min(best, piece_clearance(begin[i], end[i], pieces[p], cylinder[0], cylinder[1], cylinder[2], turns))
        out[i] = best
