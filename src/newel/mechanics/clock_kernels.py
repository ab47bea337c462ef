"""Kernels of the clock: what bounds each row, and the look-ahead that runs backward and forward over all of them.

Speeds are in mm/s along the *weighted* path: A's degrees are counted as mm by a fixed weight, so that one straight
line through X, Y, Z and A has one direction and one length however it is cut into rows.
"""

# mypy: ignore-errors

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

# How a row is run (the door says which).
LINE = 0  # along the straight line, at the asked time or slower
DOG_LEG = 1  # every axis by itself, from rest to rest
UNKNOWN = 2  # it moves, but nothing says how long that may take

# What held a row's speed.
BY_FEED = 0
BY_AXIS_SPEED = 1
BY_ACCELERATION = 2
BY_BLOCK_RATE = 3


class AxisLimits(NamedTuple):
    """Of X, Y, Z, A after weighting, each (4,): speeds in feed and rapid (mm/s), acceleration (mm/s2)."""

    feed: Floats
    rapid: Floats
    acceleration: Floats


class Rows(NamedTuple):
    """The rows that move, (m,) each and (m, 4) `direction`: filled by `bound_rows`, read by `look_ahead`."""

    length: Floats
    direction: Floats
    top: Floats
    acceleration: Floats
    how: Bytes
    stop_after: Bytes
    held_by: Bytes


@njit(cache=True, error_model="numpy")
def bound_rows(delta, asked_s, block_s, rapid, limits, rows):
    """Fill length, direction, top speed, acceleration and what holds the top speed of every row.

    `delta` (m, 4) weighted mm, never all zero; `asked_s` (m,) seconds the feed asks for (0 for none); `block_s` (m,)
    shortest seconds the control's block rate allows; `rapid` (m,) 1 for rapids.
    """
    for i in range(delta.shape[0]):
        length = np.sqrt(delta[i, 0] ** 2 + delta[i, 1] ** 2 + delta[i, 2] ** 2 + delta[i, 3] ** 2)
        top = np.inf
        acceleration = np.inf
        for k in range(4):
            u = delta[i, k] / length
            rows.direction[i, k] = u
            u = abs(u)
            if u > 0.0:
                speed = limits.rapid[k] if rapid[i] else limits.feed[k]
                top = min(top, speed / u)
                acceleration = min(acceleration, limits.acceleration[k] / u)
        held = BY_AXIS_SPEED
        if asked_s[i] > 0.0 and length <= top * asked_s[i]:
            top = length / asked_s[i]
            held = BY_FEED
        if block_s[i] > 0.0 and length < top * block_s[i]:
            top = length / block_s[i]
            held = BY_BLOCK_RATE
        rows.length[i] = length
        rows.top[i] = top
        rows.acceleration[i] = acceleration
        rows.held_by[i] = held


@njit(cache=True, error_model="numpy")
def _is_straight(u, i):
    """Tell whether rows i and i + 1 lie on one line (turn under about 3e-6 rad: the noise of halving a row)."""
    gap = 0.0
    for k in range(4):
        gap += (u[i + 1, k] - u[i, k]) ** 2
    return gap < 1e-11


@njit(cache=True, error_model="numpy")
def corner_speed(u, i, room, deviation, acceleration):
    """Return the speed through the corner between rows i and i + 1, rounded by a tangent arc (see clock.py)."""
    apart = 0.0
    along = 0.0
    for k in range(4):
        apart += (u[i + 1, k] - u[i, k]) ** 2
        along += (u[i + 1, k] + u[i, k]) ** 2
    apart = np.sqrt(apart)
    along = np.sqrt(along)
    sin_half = 0.5 * apart
    cos_half = 0.5 * along
    if cos_half < 1e-9:
        return 0.0
    radius = deviation * cos_half * (1.0 + cos_half) / (sin_half * sin_half)
    radius = min(radius, 0.5 * room * cos_half / sin_half)
    bound = np.inf
    for k in range(4):
        p = abs(u[i + 1, k] - u[i, k]) / apart
        q = abs(u[i + 1, k] + u[i, k]) / along
        share = np.sqrt(p * p + q * q)  # the axis's largest part in any direction of the corner's plane
        if share > 0.0:
            bound = min(bound, acceleration[k] / share)
    return np.sqrt(bound * radius)


@njit(cache=True, error_model="numpy")
def piece_seconds(length, speed_in, speed_out, top, acceleration):
    """Return (seconds, 1 if the top speed is reached) of one trapezoid between two speeds that it can join."""
    half = 0.5 * (speed_in * speed_in + speed_out * speed_out)
    peak2 = acceleration * length + half
    if peak2 >= top * top:
        cruise = length - (top * top - half) / acceleration
        return (2.0 * top - speed_in - speed_out) / acceleration + max(cruise, 0.0) / top, 1
    return (2.0 * np.sqrt(peak2) - speed_in - speed_out) / acceleration, 0


@njit(cache=True, error_model="numpy")
def _dog_leg_seconds(length, u, i, limits):
    """Return the time until the last axis arrives when each runs by itself from rest to rest at its rapid."""
    slowest = 0.0
    for k in range(4):
        way = abs(u[i, k]) * length
        if way > 0.0:
            seconds, _ = piece_seconds(way, 0.0, 0.0, limits.rapid[k], limits.acceleration[k])
            slowest = max(slowest, seconds)
    return slowest


@njit(cache=True, error_model="numpy")
def _straight_runs(rows, run):
    """Fill `run` with the length of the whole straight line that each row is a part of."""
    m = rows.length.shape[0]
    for i in range(m):
        run[i] = rows.length[i]
        if i > 0 and rows.stop_after[i - 1] == 0 and _is_straight(rows.direction, i - 1):
            run[i] += run[i - 1]
    for i in range(m - 2, -1, -1):
        if rows.stop_after[i] == 0 and _is_straight(rows.direction, i):
            run[i] = run[i + 1]


@njit(cache=True, error_model="numpy")
def look_ahead(rows, limits, deviation, seconds, speed_out, run):
    """Fill `seconds` (m,) and `speed_out` (m,), the speed at each row's end; `run` (m,) is scratch.

    Backward: no row may end faster than what follows can brake from. Forward: none may end faster than it can reach.
    The result is the quickest motion under the bounds, and the same when the path is run backwards.
    """
    m = rows.length.shape[0]
    _straight_runs(rows, run)
    after = 0.0  # speed at the end of the row in hand
    for i in range(m - 1, -1, -1):
        speed = 0.0
        if i < m - 1 and rows.stop_after[i] == 0 and rows.how[i] == LINE and rows.how[i + 1] == LINE:
            speed = min(rows.top[i], rows.top[i + 1])
            if not _is_straight(rows.direction, i):
                room = min(run[i], run[i + 1])
                speed = min(speed, corner_speed(rows.direction, i, room, deviation, limits.acceleration))
            speed = min(speed, np.sqrt(after * after + 2.0 * rows.acceleration[i + 1] * rows.length[i + 1]))
        speed_out[i] = speed
        after = speed
    speed_in = 0.0
    for i in range(m):
        if rows.how[i] == UNKNOWN:
            seconds[i] = np.nan
        elif rows.how[i] == DOG_LEG:
            seconds[i] = _dog_leg_seconds(rows.length[i], rows.direction, i, limits)
        else:
            reach = np.sqrt(speed_in * speed_in + 2.0 * rows.acceleration[i] * rows.length[i])
            speed_out[i] = min(speed_out[i], reach)
            seconds[i], reached = piece_seconds(rows.length[i], speed_in, speed_out[i], rows.top[i], rows.acceleration[i])
            if not reached:
                rows.held_by[i] = BY_ACCELERATION
        speed_in = speed_out[i]
