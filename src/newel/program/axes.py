"""Program coordinates of planned poses: for the writer alone. The proof finds its own way back (docs: frames)."""

from __future__ import annotations

import numpy as np

from newel.core.errors import BadInput
from newel.core.motion import Floats
from newel.core.setup import SetUp


def axes_from_pose(pose: Floats, setup: SetUp) -> Floats:
    """Return program X Y Z A, shape (n, 4), of tip poses (x, y, z in mm in the table frame T, turn theta in degrees).

    T's X grows toward the tailstock. Where the machine's X runs the other way (`along_x` -1) the set-up stands in T turned
    half a turn about Z: x, y and the turn about X change sign. Then program = set-up place - table_from_program, and
    A = sense * turn - a_zero (the head of core/setup.py).
    """
    pose = np.asarray(pose, dtype=float)
    if pose.ndim != 2 or pose.shape[1] != 4 or not np.isfinite(pose).all():
        raise BadInput("poses must be rows of x, y, z, theta, all of them finite")
    if setup.a_sense not in (-1, 1) or setup.along_x not in (-1, 1):
        raise BadInput("a set-up's a_sense and along_x must be 1 or -1")
    axes = np.empty_like(pose)
    tx, ty, tz = setup.table_from_program_mm
    axes[:, 0] = setup.along_x * pose[:, 0] - tx
    axes[:, 1] = setup.along_x * pose[:, 1] - ty
    axes[:, 2] = pose[:, 2] - tz
    axes[:, 3] = setup.a_sense * setup.along_x * pose[:, 3] - setup.a_zero_deg
    return axes
