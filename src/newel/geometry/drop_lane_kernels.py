"""Bounds of the drop, eight at a time: how high a cutter's convex piece could come to rest on children or on triangles.

Every loop here runs over eight lanes and does the same to each, choosing without branching, so that the compiler makes one
or two vector operations of each line; what passes from loop to loop stands in `lane`, eight numbers a row. A bound comes
from a plane nowhere above the piece (convex, so that any tangent plane will do), against a plane over the triangles.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

# columns of a stretch of the cutter's underside (`stretch`): ARC is 0 for a line
R0, R1, H0, RISE, CR, CH, ARC, STEEP1, H1 = 0, 1, 2, 3, 4, 5, 6, 7, 8

# rows of `lane`, eight numbers each
MOST = 0  # the bound
QX, QY = 8, 16  # where the tangent plane is asked for, from the cutter's axis
TOP, NEAR2 = 24, 32  # greatest height, square of the least distance from the axis
GX, GY, OVER = 40, 48, 56  # slopes of the plane over the triangles, and its height at the origin of the table
FAR = 64  # how far out on an arc of radius one the tangent plane may touch: the steeper the triangles, the farther
LONG, WIDE = 72, 80  # half lengths of a child's box along x and across
HN = 88  # height of the piece at the least distance
H, HX, HY = 96, 104, 112  # the tangent plane: height and slopes
AT_A, AT_B, AT_C = 120, 128, 136  # bounds of a triangle's corners: that of an edge is the greater of its two
LANE_ROOM = 144


@njit(cache=True, error_model="numpy", forceinline=True)
def _goes_on_as_arc(stretch, i, high):
    """Tell whether a stretch is the flat tip of a bull nose: the arc after it, held at its lowest, says the same."""
    if i == high - 1 or stretch[i, ARC] != 0.0 or stretch[i, RISE] != 0.0:
        return False
    return stretch[i + 1, ARC] > 0.0 and stretch[i + 1, CR] == stretch[i + 1, R0]


@njit(cache=True, error_model="numpy", forceinline=True)
def tangent_lanes(stretch, low, high, lane, n):
    """Planes nowhere above a convex piece, touching it at (QX, QY) if they can: H, HX and HY.

    Beyond the piece's reach a plane climbs as steeply outwards as (GX, GY) does, where the piece ends in a line.
    """
    for i in range(high - 1, low - 1, -1):
        if _goes_on_as_arc(stretch, i, high):
            continue
        r0, r1, h0, rise = stretch[i, R0], stretch[i, R1], stretch[i, H0], stretch[i, RISE]
        cr, ch, arc = stretch[i, CR], stretch[i, CH], stretch[i, ARC]
        last = i == high - 1
        if arc == 0.0:
            for k in range(n):
                qx, qy = lane[QX + k], lane[QY + k]
                rho = math.sqrt(qx * qx + qy * qy)
                inward = 1.0 / max(rho, 1e-300)
                climb = (lane[GX + k] * qx + lane[GY + k] * qy) * inward
                steep = max(rise, climb) if rho > r1 else rise
                h = h0 + rise * (min(rho, r1) - r0) + steep * max(rho - r1, 0.0)
                use = last or rho <= r1
                lane[H + k] = h if use else lane[H + k]
                lane[HX + k] = steep * inward * qx if use else lane[HX + k]
                lane[HY + k] = steep * inward * qy if use else lane[HY + k]
        else:
            for k in range(n):
                qx, qy = lane[QX + k], lane[QY + k]
                rho = math.sqrt(qx * qx + qy * qy)
                inward = 1.0 / max(rho, 1e-300)
                out = max(min(min(rho, r1) - cr, lane[FAR + k] * arc), r0 - cr)
                down = math.sqrt(arc * arc - out * out)
                steep = out / down
                h = ch - down + steep * (rho - cr - out)
                use = last or rho <= r1
                lane[H + k] = h if use else lane[H + k]
                lane[HX + k] = steep * inward * qx if use else lane[HX + k]
                lane[HY + k] = steep * inward * qy if use else lane[HY + k]


@njit(cache=True, error_model="numpy", forceinline=True)
def nearest_lanes(stretch, low, high, lane, n):
    """Heights of a convex piece at distances whose squares are NEAR2: HN, infinite beyond its reach."""
    for i in range(high - 1, low - 1, -1):
        if _goes_on_as_arc(stretch, i, high):
            continue
        r0, h0, rise = stretch[i, R0], stretch[i, H0], stretch[i, RISE]
        cr, ch, arc = stretch[i, CR], stretch[i, CH], stretch[i, ARC]
        reach2 = stretch[i, R1] * stretch[i, R1] * (1.0 + 1e-12)
        last = i == high - 1
        if arc == 0.0:
            for k in range(n):
                near2 = lane[NEAR2 + k]
                beyond = np.inf if last else lane[HN + k]
                h = h0 + rise * (math.sqrt(near2) - r0)
                lane[HN + k] = h if near2 <= reach2 else beyond
        else:
            for k in range(n):
                near2 = lane[NEAR2 + k]
                beyond = np.inf if last else lane[HN + k]
                out = max(math.sqrt(near2) - cr, r0 - cr)
                h = ch - math.sqrt(max(arc * arc - out * out, 0.0))
                lane[HN + k] = h if near2 <= reach2 else beyond


@njit(cache=True, error_model="numpy")
def node_lanes(node, at, stretch, low, high, x, y, cos, sin, best, lane, n):
    """Write for eight children how high a convex piece at (x, y) can at most come to rest on them: MOST.

    Returns how many of them are above the best so far by their boxes alone; where none is, the rest is left undone.
    """
    for k in range(n):
        cy, cz = np.float64(node[at, 16 + k]), np.float64(node[at, 24 + k])
        uy, uz = np.float64(node[at, 32 + k]), np.float64(node[at, 40 + k])
        vy, vz = np.float64(node[at, 48 + k]), np.float64(node[at, 56 + k])
        wide = abs(uy * cos - uz * sin) + abs(vy * cos - vz * sin)
        long = np.float64(node[at, 8 + k])
        qx, qy = np.float64(node[at, k]) - x, cy * cos - cz * sin - y
        dx, dy = max(abs(qx) - long, 0.0), max(abs(qy) - wide, 0.0)
        lane[TOP + k] = cy * sin + cz * cos + abs(uy * sin + uz * cos) + abs(vy * sin + vz * cos)
        lane[LONG + k], lane[WIDE + k] = long, wide
        lane[QX + k], lane[QY + k] = qx, qy
        lane[NEAR2 + k] = dx * dx + dy * dy
    nearest_lanes(stretch, low, high, lane, n)
    above = 0
    for k in range(n):
        lane[MOST + k] = lane[TOP + k] - lane[HN + k]
        above += lane[MOST + k] > best
    if above == 0:
        return above
    for k in range(n):
        nx, ny, nz = np.float64(node[at, 64 + k]), np.float64(node[at, 72 + k]), np.float64(node[at, 80 + k])
        d0, d1 = np.float64(node[at, 88 + k]), np.float64(node[at, 96 + k])
        up = ny * sin + nz * cos
        leans = abs(up) >= 0.05  # steeper ones have no plane over them that tells much
        upright = 1.0 / (up if leans else 1.0)
        lane[GX + k], lane[GY + k] = -nx * upright, (nz * sin - ny * cos) * upright
        lane[OVER + k] = (d1 if up > 0.0 else d0) * upright if leans else np.inf
        lane[FAR + k] = min(max(math.sqrt(max(1.0 - up * up, 0.0)), 0.95), 0.9999)
    tangent_lanes(stretch, low, high, lane, n)
    for k in range(n):
        gx, gy = lane[GX + k], lane[GY + k]
        z = lane[OVER + k] + gx * (lane[QX + k] + x) + gy * (lane[QY + k] + y) - lane[H + k]
        z += abs(gx - lane[HX + k]) * lane[LONG + k] + abs(gy - lane[HY + k]) * lane[WIDE + k] + 1e-9
        lane[MOST + k] = min(lane[MOST + k], z)
    return above


@njit(cache=True, error_model="numpy")
def leaf_lanes(leaf, at, stretch, low, high, x, y, cos, sin, lane, n):
    """Write for eight triangles how high a convex piece at (x, y) can at most come to rest on them: MOST, AT_A, AT_B, AT_C."""
    for k in range(n):
        xm = (leaf[at, k] + leaf[at, 24 + k] + leaf[at, 48 + k]) * (1.0 / 3.0)
        ym = (leaf[at, 8 + k] + leaf[at, 32 + k] + leaf[at, 56 + k]) * (1.0 / 3.0)
        zm = (leaf[at, 16 + k] + leaf[at, 40 + k] + leaf[at, 64 + k]) * (1.0 / 3.0)
        lane[QX + k], lane[QY + k] = xm - x, ym * cos - zm * sin - y
        nx, ny, nz = leaf[at, 72 + k], leaf[at, 80 + k], leaf[at, 88 + k]
        up = ny * sin + nz * cos
        leans = abs(up) > 1e-6
        upright = 1.0 / (up if leans else 1.0)
        lane[GX + k], lane[GY + k] = -nx * upright, (nz * sin - ny * cos) * upright
        lane[OVER + k] = ym * sin + zm * cos if leans else np.inf
        lane[FAR + k] = min(max(math.sqrt(max(1.0 - up * up, 0.0)), 0.95), 0.9999)
    tangent_lanes(stretch, low, high, lane, n)
    for k in range(n):
        hx, hy = lane[GX + k] - lane[HX + k], lane[GY + k] - lane[HY + k]
        from_x, from_y = x + lane[QX + k], y + lane[QY + k]
        z = lane[OVER + k] - lane[H + k]
        a = z + hx * (leaf[at, k] - from_x) + hy * (leaf[at, 8 + k] * cos - leaf[at, 16 + k] * sin - from_y)
        b = z + hx * (leaf[at, 24 + k] - from_x) + hy * (leaf[at, 32 + k] * cos - leaf[at, 40 + k] * sin - from_y)
        c = z + hx * (leaf[at, 48 + k] - from_x) + hy * (leaf[at, 56 + k] * cos - leaf[at, 64 + k] * sin - from_y)
        lane[AT_A + k], lane[AT_B + k], lane[AT_C + k] = a, b, c
        lane[MOST + k] = max(a, max(b, c))
