"""Where the tip stands and how the bar is turned when a program says X, Y, Z, A: the proof's own forward kinematics.

Derived from the frames' definition alone (core/frames.py and the head of core/setup.py), not from the writer: a program
point plus `table_from_program_mm` is the tip in the set-up's table frame, and the bar's turn about that frame's +X is
theta = a_sense * (A + a_zero_deg), so that a point p of the bar stands on the table at Rx(theta) p. With the chuck at the
right end the set-up's frame is told in the machine's own directions (X negative along the bar), so neither the chuck's end
nor the sense needs a case here: both are in the set-up's numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.core.setup import SetUp

Floats = NDArray[np.float64]


def pose_from_axes(xyza: Floats, setup: SetUp) -> Floats:
    """Return poses (n, 4): tip x, y, z in the set-up's table frame in mm and the bar's turn theta in degrees.

    `xyza` (n, 4): program X, Y, Z in mm and A in degrees, unwrapped; nan stays nan.
    """
    pose = np.array(xyza, dtype=np.float64, copy=True).reshape(-1, 4)
    pose[:, :3] += np.asarray(setup.table_from_program_mm, dtype=np.float64)
    pose[:, 3] = setup.a_sense * (pose[:, 3] + setup.a_zero_deg)
    return pose


def machine_from_pose(pose: Floats, gauge_length_mm: Floats, setup: SetUp) -> Floats:
    """Return machine coordinates (n, 3) of the spindle's face for tip poses (n, 4).

    Z is that of the spindle's face, `gauge_length_mm` (n,) above the tip; X and Y do not depend on the cutter.
    """
    machine = pose[:, :3] + np.asarray(setup.machine_from_table_mm, dtype=np.float64)
    machine[:, 2] += gauge_length_mm
    return machine


def bar_points_from_table(points: Floats, turn_deg: Floats) -> Floats:
    """Return in the bar frame the points (n, 3) that stand on the table while the bar is turned by `turn_deg` (n,)."""
    t = np.radians(turn_deg)
    c, s = np.cos(t), np.sin(t)
    y, z = points[:, 1], points[:, 2]
    return np.column_stack([points[:, 0], c * y + s * z, c * z - s * y])


def table_points_from_bar(points: Floats, turn_deg: Floats) -> Floats:
    """Return where points (n, 3) of the bar stand on the table when the bar is turned by `turn_deg` (n,)."""
    return bar_points_from_table(points, -np.asarray(turn_deg, dtype=np.float64))
