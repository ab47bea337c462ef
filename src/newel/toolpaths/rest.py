"""Rest: the places that the finishing cutter before was too stout to reach.

Measured on what that cutter can do, not on the blank: the places where this cutter would touch the part are held against
every pose in which the cutter before stands as low as it may, and what stays between them is what it left.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import Profile
from newel.geometry.drop import DropTree, drop_contact, face_normals
from newel.geometry.parallel import on_threads
from newel.geometry.profiles import height_at
from newel.toolpaths.passes import Lowest
from newel.toolpaths.rest_kernels import nearest_gaps

Floats = NDArray[np.float64]

_STEP_MM = 0.25  # of the grid of poses: with a ball of R 1 a place is then told from its neighbour pose within 8 µm
_MARGIN_MM = 0.5
_TABLE_CELLS = 200


def left_by(
    before: Profile, lowest: Lowest, span_mm: tuple[float, float], offset_y_mm: float, points: Floats, normals: Floats
) -> Floats:
    """Return how much a cutter leaves over places of the part, in mm along the normal (k,); inf where it never comes.

    `before`: its edge; `lowest`: its lowest tip at (X, turn), everything it must not touch counted in; `points`, `normals`
    (k, 3): bar frame, outward. Cusps between its passes are not counted: they are the finishing cut's own affair.
    """
    count = int(np.ceil((span_mm[1] - span_mm[0]) / _STEP_MM)) + 1
    x = np.linspace(span_mm[0], span_mm[1], max(count, 2))
    reach = float(np.hypot(points[:, 1], points[:, 2]).max(initial=1.0))
    turns = max(72, int(np.ceil(2.0 * np.pi * reach / _STEP_MM)))
    heights = lowest(*np.broadcast_arrays(x[:, None], (360.0 / turns * np.arange(turns))[None, :]))
    r_step = before.radius_mm / _TABLE_CELLS
    table = np.ascontiguousarray(height_at(before, r_step * np.arange(_TABLE_CELLS + 1) * (1.0 - 1e-12)))
    grid = (float(x[0]), float(x[1] - x[0]), 2.0 * np.pi / turns)
    gaps = np.empty(len(points))
    told = (points, normals, heights, grid, (table, r_step), offset_y_mm)
    on_threads(len(points), lambda first, last: nearest_gaps(*told, (first, last), gaps))
    return gaps


def touched(target: DropTree, edge: Profile, offset_y_mm: float, x_mm: Floats, turn_deg: Floats) -> tuple[Floats, Floats]:
    """Return where an edge at its lowest touches the target, and the normals there: (k, 3) each, bar frame, nan for nowhere.

    A face that is touched from above faces up, whichever way its corners run.
    """
    _, contact, face = drop_contact(target, edge, x_mm, offset_y_mm, turn_deg)
    met = face >= 0
    normals = np.full(contact.shape, np.nan)
    normals[met] = face_normals(target)[face[met]]
    turn = np.radians(np.asarray(turn_deg, dtype=float).ravel())
    normals[normals[:, 1] * np.sin(turn) + normals[:, 2] * np.cos(turn) < 0.0] *= -1.0
    return contact, normals
