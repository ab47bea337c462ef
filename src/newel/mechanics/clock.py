"""The clock: how long a machine with bounded speed and acceleration takes over X, Y, Z and A together.

Every row is a straight piece in four coordinates. Along it the speed is a trapezoid bounded by the asked time, by each
axis's own speed and acceleration (constant acceleration; no bound on jerk), and by the control's block rate. Where two
rows meet the corner is taken as rounded by a tangent arc that leaves it by no more than the machine's
`corner_deviation_mm`: radius r = d cos(f/2) / (1 - cos(f/2)) for the turn f, speed sqrt(a r). That arc may use up
no more than half of the straight line on either side, so that the chords of an arc of radius R give sqrt(a R).

Four axes in one rule: A's degrees are counted as mm by one weight, the acceleration of the slowest linear axis over
A's own (mm per degree), so a corner between moving and turning is a corner like any other; A may then leave it by d
over that weight in degrees. The arc's acceleration is one that every axis bears in any direction of the corner's plane.

Source: the trapezoid, the tangent arc and sqrt(a r) are closed forms of kinematics (derived); that small controls run
this way is common practice. A control that also bounds jerk is slower: see `s_curve_minutes`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.motion import Motion, MoveKind, RowKind, Toolpath
from newel.mechanics.clock_kernels import DOG_LEG, LINE, UNKNOWN, AxisLimits, Rows, bound_rows, look_ahead
from newel.shop.machines import Machine

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]


class HeldBy(IntEnum):
    """What held a row's speed: its own feed, an axis's speed, speeding up and slowing down, or the control's block rate."""

    FEED = 0
    AXIS_SPEED = 1
    ACCELERATION = 2
    BLOCK_RATE = 3


@dataclass(frozen=True)
class Timed:
    """The time of every row: `minutes` (n,), nan where a fed row has no feed; `held_by` (n,): HeldBy."""

    minutes: Floats
    held_by: Bytes

    @property
    def total_minutes(self) -> float:
        """The time of all rows, nan if the time of any is unknown."""
        return float(self.minutes.sum())

    @property
    def known_minutes(self) -> float:
        """The time of the rows whose time is known: a lower bound where some are not."""
        return float(np.nansum(self.minutes))


@dataclass(frozen=True)
class _Pieces:
    """The rows that move: weighted way (m, 4), seconds asked (m,), shortest seconds a block may take (m,), flags (m,)."""

    way: Floats
    asked_s: Floats
    block_s: Floats
    rapid: Bytes
    how: Bytes
    stop_after: Bytes


def row_minutes(motion: Motion, machine: Machine) -> Timed:
    """Time every row of an interpreted program on a machine.

    Dwells keep their minutes and stop the path, as do cutter calls, probing and exact stops. A fed row takes at least
    its own minutes; without a feed its time is nan and the path stops at both its ends. An axis that moves from where
    the program does not say (nan) is given its whole travel (A: a full turn). Rapids run on a straight line, or
    each axis by itself where the machine's dialect says dog-leg.
    """
    limits, weight = axis_limits(machine)
    n = len(motion)
    if n == 0:
        return Timed(np.zeros(0), np.zeros(0, np.uint8))
    way = _ways(motion, machine)
    way[:, 3] *= weight
    kind = motion.kind
    still = (kind == RowKind.DWELL) | (kind == RowKind.CHANGE)
    total = np.abs(way[:, 0]) + np.abs(way[:, 1]) + np.abs(way[:, 2]) + np.abs(way[:, 3])
    # Every comparison with nan is False: a way that is nan (a lost position) counts as moving, with time unknown.
    moves = np.flatnonzero(~still & ~(total <= 1e-12))
    rapid = kind == RowKind.RAPID
    lost = ~rapid & ~np.isfinite(motion.minutes) | np.isnan(total)
    how = np.full(n, LINE, np.uint8)
    if machine.dialect.reads.rapid_dog_leg:
        how[rapid] = DOG_LEG
    how[lost] = UNKNOWN
    stops = still | (kind == RowKind.PROBE) | (motion.exact_stop != 0)
    asked = np.where(rapid | still | lost, 0.0, motion.minutes)
    way[lost] = 1.0  # some way, for its time comes out unknown
    pieces = _Pieces(
        way=way if len(moves) == n else way[moves],
        asked_s=60.0 * asked[moves],
        block_s=_block_seconds(motion, way, moves, machine.block_rate_per_s),
        rapid=rapid[moves].astype(np.uint8),
        how=how[moves],
        stop_after=_stops_between(stops, moves),
    )
    seconds, held = _seconds(pieces, limits, machine.corner_deviation_mm)
    minutes = np.where(still & np.isfinite(motion.minutes), motion.minutes, 0.0)
    held_by = np.zeros(n, np.uint8)
    minutes[moves] = np.maximum(seconds / 60.0, asked[moves])
    held_by[moves] = held
    return Timed(minutes, held_by)


def toolpath_minutes(toolpath: Toolpath, machine: Machine) -> float:
    """Time one cut's passes and links before any program exists: what the planner compares candidates by."""
    return toolpath_timed(toolpath, machine).total_minutes


def toolpath_timed(toolpath: Toolpath, machine: Machine) -> Timed:
    """Time every row of one cut's passes and links before any program exists.

    Feeds are speeds of the tip over the turning work; where A cannot keep up, the row is slower. Row 0 is where the
    cut starts and takes no time; a feed of 0 is a rapid; a feed that is nan or negative gives nan.
    """
    limits, weight = axis_limits(machine)
    minutes, held_by = np.zeros(len(toolpath)), np.zeros(len(toolpath), np.uint8)
    way = np.diff(toolpath.pose, axis=0)
    feed = toolpath.feed_mm_per_min[1:]
    rapid = (toolpath.kind[1:] == MoveKind.RAPID) | (feed == 0.0)
    lost = ~rapid & ~(feed > 0.0)
    asked_s = 60.0 * tip_way_mm(toolpath.pose) / np.where(rapid | lost, np.inf, feed)
    way[:, 3] *= weight
    moves = np.flatnonzero(np.abs(way).max(axis=1, initial=0.0) > 1e-12)
    how = np.where(lost, UNKNOWN, np.where(rapid & machine.dialect.reads.rapid_dog_leg, DOG_LEG, LINE)).astype(np.uint8)
    block_s = 1.0 / machine.block_rate_per_s if machine.block_rate_per_s > 0 else 0.0
    pieces = _Pieces(
        way=way[moves],
        asked_s=asked_s[moves],
        block_s=np.full(len(moves), block_s),
        rapid=rapid[moves].astype(np.uint8),
        how=how[moves],
        stop_after=np.zeros(len(moves), np.uint8),
    )
    seconds, held = _seconds(pieces, limits, machine.corner_deviation_mm)
    minutes[moves + 1], held_by[moves + 1] = seconds / 60.0, held
    return Timed(minutes, held_by)


def tip_way_mm(pose: Floats) -> Floats:
    """Return the way of the tip over the turning work for each move between poses (n, 4), shape (n - 1,), in mm.

    The tip's speed against the work at (y, z) is (dx, dy + z dt, dz - y dt) for a turn dt; integrated by Simpson's
    rule over the move (exact for a pure turn; derived).
    """
    a, b = pose[:-1], pose[1:]
    d = b - a
    turn = np.radians(d[:, 3])

    def speed(at: Floats) -> Floats:
        return np.sqrt(d[:, 0] ** 2 + (d[:, 1] + at[:, 2] * turn) ** 2 + (d[:, 2] - at[:, 1] * turn) ** 2)

    return (speed(a) + 4.0 * speed(0.5 * (a + b)) + speed(b)) / 6.0


def s_curve_minutes(length_mm: float, speed_mm_per_s: float, acceleration_mm_per_s2: float, jerk_mm_per_s3: float) -> float:
    """Time from rest to rest with bounded speed, acceleration and jerk, in minutes.

    The seven-phase profile in closed form (derived; agrees with ruckig to 1e-12): with v, a, j and a reached
    (v >= a2/j): L >= v(v/a + a/j): L/v + v/a + a/j; L >= 2a3/j2: a/j + sqrt((a/j)2 + 4L/a). With a not reached
    (v < a2/j) and L >= 2v sqrt(v/j): L/v + 2 sqrt(v/j). Shorter: cbrt(32 L/j). The clock itself bounds no jerk: this
    tells how much a control that does would add.
    """
    L, v, a, j = length_mm, speed_mm_per_s, acceleration_mm_per_s2, jerk_mm_per_s3
    if not (L >= 0 and v > 0 and a > 0 and j > 0):
        raise BadInput("a length must not be negative; speed, acceleration and jerk must be greater than 0")
    if v >= a * a / j:
        if v * (v / a + a / j) <= L:
            seconds = L / v + v / a + a / j
        elif 2 * a**3 / j**2 <= L:
            seconds = a / j + math.sqrt((a / j) ** 2 + 4 * L / a)
        else:
            seconds = (32 * L / j) ** (1 / 3)
    elif 2 * v * math.sqrt(v / j) <= L:
        seconds = L / v + 2 * math.sqrt(v / j)
    else:
        seconds = (32 * L / j) ** (1 / 3)
    return seconds / 60.0


def axis_limits(machine: Machine) -> tuple[AxisLimits, float]:
    """Return the weighted bounds of X, Y, Z, A and A's weight in mm per degree; BadInput where one is not positive."""
    linear = (machine.x, machine.y, machine.z)
    acceleration = np.array([axis.acceleration_mm_per_s2 for axis in linear] + [machine.a.acceleration_deg_per_s2], dtype=float)
    turn = machine.a.max_deg_per_min / 60.0
    feed = np.array([axis.max_feed_mm_per_min / 60.0 for axis in linear] + [turn])
    rapid = np.array([axis.rapid_mm_per_min / 60.0 for axis in linear] + [turn])
    if not (np.concatenate([acceleration, feed, rapid]) > 0).all():
        raise BadInput(f"an axis of {machine.name!r} has a speed or acceleration that is not greater than 0")
    weight = float(acceleration[:3].min() / acceleration[3])
    for column in (acceleration, feed, rapid):
        column[3] *= weight
    return AxisLimits(feed, rapid, acceleration), weight


def _ways(motion: Motion, machine: Machine) -> Floats:
    """Return what each row moves, (n, 4) in mm and degrees, with places that are not told taken at their worst."""
    way = np.empty((len(motion), 4))
    way[0] = motion.xyza[0] - motion.start
    np.subtract(motion.xyza[1:], motion.xyza[:-1], out=way[1:])
    if not np.isnan(way).any():
        return way
    begins = motion.begins()
    travel = [axis.to_mm - axis.from_mm for axis in (machine.x, machine.y, machine.z)] + [360.0]
    for k in range(4):
        before, after = np.isnan(begins[:, k]), np.isnan(motion.xyza[:, k])
        way[before & after, k] = 0.0
        way[before & ~after, k] = travel[k]
    return way


def _block_seconds(motion: Motion, way: Floats, moves: NDArray[np.intp], rate_per_s: float) -> Floats:
    """Return the shortest time each moving row may take; the chords of one arc share the time of one block."""
    if not rate_per_s > 0:
        return np.zeros(len(moves))
    seconds = np.full(len(moves), 1.0 / rate_per_s)
    arc = motion.kind[moves] == RowKind.ARC
    if not arc.any():
        return seconds
    line = motion.line[moves]
    begins = np.ones(len(moves), bool)
    begins[1:] = ~(arc[1:] & arc[:-1] & (line[1:] == line[:-1]))
    length = np.sqrt(np.einsum("ij,ij->i", way[moves], way[moves]))
    block = np.cumsum(begins) - 1
    whole = np.add.reduceat(length, np.flatnonzero(begins))
    return seconds * length / whole[block]


def _stops_between(stops: NDArray[np.bool_], moves: NDArray[np.intp]) -> Bytes:
    """Tell for each moving row whether the path must stop before the next one moves, shape (m,)."""
    if len(moves) == 0:
        return np.zeros(0, np.uint8)
    count = np.concatenate([[0], np.cumsum(stops)])
    following = np.append(moves[1:], len(stops))
    return (count[following] > count[moves]).astype(np.uint8)


def _seconds(pieces: _Pieces, limits: AxisLimits, deviation_mm: float) -> tuple[Floats, Bytes]:
    m = len(pieces.way)
    rows = Rows(
        length=np.empty(m),
        direction=np.empty((m, 4)),
        top=np.empty(m),
        acceleration=np.empty(m),
        how=pieces.how,
        stop_after=pieces.stop_after,
        held_by=np.empty(m, np.uint8),
    )
    seconds, speed_out, run = np.empty(m), np.empty(m), np.empty(m)
    bound_rows(np.ascontiguousarray(pieces.way), pieces.asked_s, pieces.block_s, pieces.rapid, limits, rows)
    look_ahead(rows, limits, max(deviation_mm, 0.0), seconds, speed_out, run)
    return seconds, rows.held_by
