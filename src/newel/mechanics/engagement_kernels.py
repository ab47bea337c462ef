"""Arithmetic of an edge's cells: where they are to be looked for in a blank, and what those that are met come to.

A cell has a ring (radius r, height h, length b, outward normal n_r, n_h) and an angle round the cutter.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

# columns of what cells come to (k, COLUMNS)
AREA, AP, AE, ARC, CHIP, MEAN_CHIP, CLIMB, SIDE, THRUST, HEIGHT, SPINDLE, ROTARY, FORCE = range(13)
AXES = FORCE + 3
COLUMNS = AXES + 3


class Cells(NamedTuple):
    """Cells of an edge at poses and rates (k, 4) that move into something (n,), and where to look whether there is anything.

    `rings` (m, 5): r, h, b, n_r, n_h, mm; `around` (a, 2): cosine and sine of the angles. `pose` and `rate` turn in radians.
    Look i has cells `ends[i]` to `ends[i + 1]`: `cell` the number of its ring times angles plus that of its angle; `into` mm a
    minute along its normal; `points` (n, 3) in the bar frame; `upright`: the Z ray is to tell, which meets what stands beside
    the way less aslant than the Y ray does.
    """

    rings: np.ndarray
    around: np.ndarray
    pose: np.ndarray
    rate: np.ndarray
    cell: np.ndarray
    into: np.ndarray
    points: np.ndarray
    upright: np.ndarray
    ends: np.ndarray


@njit(cache=True, error_model="numpy")
def speed_into(rings, cos, sin, m, y, z, rate):
    """Return the speed of a cell of ring m at (y, z), mm a minute: along X, Y, Z and along its outward normal."""
    speed_y, speed_z = rate[1] + rate[3] * z, rate[2] - rate[3] * y
    into = (rate[0] * cos + speed_y * sin) * rings[m, 3] + speed_z * rings[m, 4]
    return rate[0], speed_y, speed_z, into


@njit(cache=True, error_model="numpy")
def step_in(pitch, m_x, m_y, m_z, in_round):
    """How far within the edge to ask, as a share of (m_x, m_y, m_z), along which a wall beside the way faces; mm."""
    size = max(math.sqrt(m_x * m_x + m_y * m_y + m_z * m_z), 1e-9)
    return pitch * (in_round + 0.5 * (abs(m_x) + min(abs(m_y), abs(m_z))) / size)


@njit(cache=True, error_model="numpy", nogil=True)
def place_cells(cells, grid):
    """Write where to look for the cells that move into something, look by look, and return how many they are.

    `grid`: pitch, the share of it for what is round, the square of the blank's reach.
    """
    rings, around, pose, rate, points = cells.rings, cells.around, cells.pose, cells.rate, cells.points
    n = 0
    angles = len(around)
    for i in range(len(pose)):
        c, s = math.cos(pose[i, 3]), math.sin(pose[i, 3])
        for m in range(len(rings)):
            z = pose[i, 2] + rings[m, 1]
            for a in range(angles):
                cos, sin = around[a, 0], around[a, 1]
                y = pose[i, 1] + rings[m, 0] * sin
                if y * y + z * z > grid[2]:
                    continue
                v_x, v_y, v_z, ahead = speed_into(rings, cos, sin, m, y, z, rate[i])
                if ahead <= 1e-9:
                    continue
                # what of the normal stands square to the motion, turned to the bar
                along = ahead / (v_x * v_x + v_y * v_y + v_z * v_z)
                m_x = rings[m, 3] * cos - along * v_x
                t_y, t_z = rings[m, 3] * sin - along * v_y, rings[m, 4] - along * v_z
                m_y, m_z = c * t_y + s * t_z, c * t_z - s * t_y
                back = step_in(grid[0], m_x, m_y, m_z, grid[1])
                points[n, 0] = pose[i, 0] + rings[m, 0] * cos - back * m_x
                points[n, 1] = c * y + s * z - back * m_y
                points[n, 2] = c * z - s * y - back * m_z
                cells.cell[n], cells.into[n], cells.upright[n] = m * angles + a, ahead, abs(m_z) > abs(m_y)
                n += 1
        cells.ends[i + 1] = n
    return n


@njit(cache=True, error_model="numpy", nogil=True)
def reckon(cells, met, rpm, law, out):
    """Write what the cells that are `met` (n,) come to at each pose, `out` (k, COLUMNS).

    `law`: kc1.1, mc, teeth, the normal force's share. Teeth are evenly set; a tooth at every angle is tried.
    """
    rings, around, pose, rate, cell, into = cells.rings, cells.around, cells.pose, cells.rate, cells.cell, cells.into
    angles, teeth = len(around), int(law[2])
    turning = np.empty((6, angles))
    for i in range(len(pose)):
        turning[:] = 0.0
        one = out[i]
        one[:] = 0.0
        top = left = -np.inf
        low = right = np.inf
        length = with_motion = total = 0.0
        last_arc = np.zeros(angles)
        for n in range(cells.ends[i], cells.ends[i + 1]):
            if not met[n]:
                continue
            m, a = cell[n] // angles, cell[n] % angles
            r, h, b, n_r, n_h = rings[m]
            cos, sin = around[a, 0], around[a, 1]
            x, y, z = pose[i, 0] + r * cos, pose[i, 1] + r * sin, pose[i, 2] + h
            v_x, v_y, _, _ = speed_into(rings, cos, sin, m, y, z, rate[i])
            chip = into[n] / (rpm[i] * teeth)
            tangential = law[0] * b * chip ** (1.0 - law[1])
            pushed = law[3] * tangential  # along the normal, out of the cutter; the cutter is pushed back
            # A tooth of a clockwise spindle runs toward (sin, -cos); the work drags it the other way.
            f_x, f_y = -tangential * sin - pushed * n_r * cos, tangential * cos - pushed * n_r * sin
            f_z = -pushed * n_h
            turning[0, a] += f_x
            turning[1, a] += f_y
            turning[2, a] += f_z
            turning[3, a] += z * f_y - y * f_z
            turning[4, a] += math.hypot(f_x, f_y) * h
            turning[5, a] += math.hypot(f_x, f_y)
            last_arc[a] = 1.0
            length += b
            total += tangential
            if v_x * sin - v_y * cos > 0.0:
                with_motion += tangential
            one[AREA] += into[n] * r * b
            one[SPINDLE] += tangential * r
            one[CHIP] = max(one[CHIP], chip)
            one[MEAN_CHIP] += chip * b
            rises = 0.5 * b * abs(n_r)
            top, low = max(top, h + rises), min(low, h - rises)
            across = (y * v_x - x * v_y) / max(math.hypot(v_x, v_y), 1e-9)
            left, right = max(left, across), min(right, across)
        if length == 0.0:
            continue
        _over_a_turn(turning, angles, teeth, one)
        step = 2.0 * math.pi / angles
        tip_y, tip_z = rate[i, 1] + rate[i, 3] * pose[i, 2], rate[i, 2] - rate[i, 3] * pose[i, 1]
        one[AREA] *= step / max(math.sqrt(rate[i, 0] ** 2 + tip_y**2 + tip_z**2), 1e-9)
        one[SPINDLE] *= teeth * step / (2.0 * math.pi) * 1e-3
        one[MEAN_CHIP] /= length
        one[CLIMB] = (total - with_motion) / total
        one[ARC] = last_arc.sum() * 360.0 / angles
        one[AP], one[AE] = top - low, left - right


@njit(cache=True, error_model="numpy")
def _over_a_turn(turning, angles, teeth, one):
    """Add up what all teeth find at once at each place of a turn, and write the hardest."""
    hardest = -1.0
    for a in range(angles):
        f_x = f_y = f_z = moment = arm = weight = 0.0
        for tooth in range(teeth):
            b = (a - round(tooth * angles / teeth)) % angles
            f_x += turning[0, b]
            f_y += turning[1, b]
            f_z += turning[2, b]
            moment += turning[3, b]
            arm += turning[4, b]
            weight += turning[5, b]
        one[AXES] = max(one[AXES], abs(f_x))
        one[AXES + 1] = max(one[AXES + 1], abs(f_y))
        one[AXES + 2] = max(one[AXES + 2], abs(f_z))
        if abs(f_z) > abs(one[THRUST]):
            one[THRUST] = f_z
        one[ROTARY] = max(one[ROTARY], abs(moment) * 1e-3)
        side = math.hypot(f_x, f_y)
        if side > hardest:
            hardest = side
            one[SIDE], one[HEIGHT] = side, arm / max(weight, 1e-12)
            one[FORCE], one[FORCE + 1], one[FORCE + 2] = f_x, f_y, f_z
