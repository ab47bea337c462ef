"""The machine as it was measured: where the rotary axis really lies, how A really turns, how the bar really sits on it.

All of it is told in the set-up's frame (the head of core/setup.py). A point p of the bar stands on the table at

    M Rx(turn) E p,     turn = sense * (scale * (A + a_zero of the set-up) + a_zero measured)

M carries the X axis into the measured axis: through (0, axis_y, axis_z) with slopes dy/dx and dz/dx. E carries the bar
into the turning frame: its centre line passes (0, bar_y, bar_z) there, with slopes of its own (eccentricity; a true
round off by e shows a run-out of 2e). Both turn the X axis the short way, by Rodrigues' formula. Backlash is the play
between the A that is commanded and the A that the bar follows: half of it to either side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.setup import SetUp

Floats = NDArray[np.float64]

MOST = {"mm": 50.0, "slope": 0.2, "deg": 180.0, "scale": 0.2}  # beyond these a table of readings is wrong, not a machine


@dataclass(frozen=True)
class MeasuredMachine:
    """The errors of a set-up machine: mm, degrees of A, slopes in mm per mm along X; all zero is the machine as planned.

    `axis_y_mm`, `axis_z_mm`: where the rotary axis passes the jaw face (x = 0). `slope_y`, `slope_z`: dy/dx and dz/dx of
    the axis. `a_zero_deg`: how far the bar is turned on, in A, where the program means 0. `a_scale`: degrees the bar
    turns for a degree of A. `backlash_deg`: the lost motion of a reversal. `bar_y_mm`, `bar_z_mm`, `bar_slope_y`,
    `bar_slope_z`: the bar's centre line in the turning frame.
    """

    axis_y_mm: float = 0.0
    axis_z_mm: float = 0.0
    slope_y: float = 0.0
    slope_z: float = 0.0
    a_zero_deg: float = 0.0
    a_scale: float = 1.0
    backlash_deg: float = 0.0
    bar_y_mm: float = 0.0
    bar_z_mm: float = 0.0
    bar_slope_y: float = 0.0
    bar_slope_z: float = 0.0

    def __post_init__(self) -> None:
        """Refuse numbers that no machine can have: BadInput."""
        for field in fields(self):
            value = getattr(self, field.name)
            off = value - 1.0 if field.name == "a_scale" else value
            unit = "scale" if field.name == "a_scale" else "slope" if "slope" in field.name else field.name.rsplit("_", 1)[1]
            if not math.isfinite(value) or abs(off) > MOST[unit]:
                raise BadInput(f"{field.name} = {value:g} is more than any machine can be off", remedy="check the readings")
        if self.backlash_deg < 0.0:
            raise BadInput(f"a backlash of {self.backlash_deg:g} degrees is below 0", remedy="check from which side A came")


def axis_turn(slope_y: float, slope_z: float) -> Floats:
    """Return the (3, 3) rotation that carries +X into the direction (1, slope_y, slope_z) the short way (Rodrigues)."""
    d = np.array([1.0, slope_y, slope_z]) / math.sqrt(1.0 + slope_y**2 + slope_z**2)
    k = np.array([[0.0, -d[1], -d[2]], [d[1], 0.0, 0.0], [d[2], 0.0, 0.0]])  # of X x d = (0, -dz, dy)
    return np.eye(3) + k + k @ k / (1.0 + d[0])


def turned_about_x(points: Floats, turn_deg: Floats) -> Floats:
    """Return points (n, 3) turned about +X by turns (n,), +Y going to +Z."""
    t = np.radians(turn_deg)
    c, s = np.cos(t), np.sin(t)
    y, z = points[:, 1], points[:, 2]
    return np.column_stack([points[:, 0], c * y - s * z, s * y + c * z])


def turn_of(measured: MeasuredMachine, setup: SetUp, a_deg: Floats) -> Floats:
    """Return the bar's true turn (n,) in degrees for what A it follows (backlash already taken off)."""
    return setup.a_sense * (measured.a_scale * (a_deg + setup.a_zero_deg) + measured.a_zero_deg)


def a_of_turn(measured: MeasuredMachine, setup: SetUp, turn_deg: Floats) -> Floats:
    """Return the A (n,) that the bar must follow to have a true turn: the way back from `turn_of`."""
    return (setup.a_sense * turn_deg - measured.a_zero_deg) / measured.a_scale - setup.a_zero_deg


def followed_a(a_deg: Floats, backlash_deg: float, before_deg: float | None = None) -> Floats:
    """Return the A that the bar follows (n,) when A is commanded in turn: it lags by half the backlash (the play operator).

    `before_deg`: where the bar stood before; None: A came from below.
    """
    half = backlash_deg / 2.0
    out = np.empty(len(a_deg))
    at = (a_deg[0] - half if len(a_deg) else 0.0) if before_deg is None else before_deg
    for i, a in enumerate(np.asarray(a_deg, dtype=float)):
        at = min(max(at, a - half), a + half)
        out[i] = at
    return out


def bar_points(measured: MeasuredMachine, table_points: Floats, turn_deg: Floats) -> Floats:
    """Return in the bar's own frame the points (n, 3) that stand on the table while the bar's true turn is `turn_deg` (n,)."""
    m, e = axis_turn(measured.slope_y, measured.slope_z), axis_turn(measured.bar_slope_y, measured.bar_slope_z)
    turning = turned_about_x((table_points - [0.0, measured.axis_y_mm, measured.axis_z_mm]) @ m, -np.asarray(turn_deg))
    return np.asarray((turning - [0.0, measured.bar_y_mm, measured.bar_z_mm]) @ e)


def table_points(measured: MeasuredMachine, points: Floats, turn_deg: Floats) -> Floats:
    """Return where points (n, 3) of the bar's own frame stand on the table: the way back from `bar_points`."""
    m, e = axis_turn(measured.slope_y, measured.slope_z), axis_turn(measured.bar_slope_y, measured.bar_slope_z)
    turning = turned_about_x(points @ e.T + [0.0, measured.bar_y_mm, measured.bar_z_mm], turn_deg)
    return np.asarray(turning @ m.T + [0.0, measured.axis_y_mm, measured.axis_z_mm])


def up_in_bar(measured: MeasuredMachine, turn_deg: Floats) -> Floats:
    """Return the spindle's direction (n, 3), from the tip upwards, in the bar's own frame."""
    turn = np.atleast_1d(np.asarray(turn_deg, dtype=float))
    m, e = axis_turn(measured.slope_y, measured.slope_z), axis_turn(measured.bar_slope_y, measured.bar_slope_z)
    return np.asarray(turned_about_x(np.repeat(m[2:3, :], len(turn), axis=0), -turn) @ e)


def as_if_faultless(measured: MeasuredMachine, tips: Floats, turn_deg: Floats, height_mm: float | Floats = 0.0) -> Floats:
    """Return set-up poses (n, 4) that stand to a faultless bar as these tips (n, 3) at true turns (n,) stand to this one.

    The point of the cutter's axis `height_mm` over the tip is matched exactly, and the spindle's direction as far as a
    turn about the bar can; its lean along X, of the axis' slope, cannot be told by a pose of four axes.
    """
    tips, turn_deg = np.asarray(tips, dtype=float), np.asarray(turn_deg, dtype=float)
    up = up_in_bar(measured, turn_deg)
    leans = np.degrees(np.arctan2(up[:, 1], up[:, 2]))
    turn = turn_deg + (leans - turn_deg + 180.0) % 360.0 - 180.0
    lift = np.zeros_like(tips)
    lift[:, 2] = height_mm
    held = turned_about_x(bar_points(measured, tips + lift, turn_deg), turn)
    return np.column_stack([held - lift, turn])


def on_the_machine(measured: MeasuredMachine, poses: Floats, height_mm: float | Floats = 0.0) -> tuple[Floats, Floats]:
    """Return tips (n, 3) and true turns (n,) that stand to this bar as set-up poses (n, 4) stand to a faultless one."""
    poses = np.asarray(poses, dtype=float)
    wanted, turn = poses[:, 3], poses[:, 3].copy()
    for _ in range(4):  # the correction is of second order in the slopes: each round gains four digits
        up = up_in_bar(measured, turn)
        leans = np.degrees(np.arctan2(up[:, 1], up[:, 2]))
        turn = turn + (wanted - leans + 180.0) % 360.0 - 180.0
    lift = np.zeros((len(poses), 3))
    lift[:, 2] = height_mm
    held = turned_about_x(poses[:, :3] + lift, -wanted)
    return table_points(measured, held, turn) - lift, turn
