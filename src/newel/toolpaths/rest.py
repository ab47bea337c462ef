"""Rest: where the blank, after the cuts before, still stands too far over the part."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.drop import drop, drop_tree

Floats = NDArray[np.float64]

_COARSEN = 2


def still_standing(blank: Blank, shape: CutterShape, offset_y_mm: float, x_mm: Floats, turn_deg: Floats) -> Floats:
    """Return how low a cutter's edge could stand on the blank as it is, for places of any one shape; -inf over nothing.

    Compared with the lowest tip over the part this is the depth that the cutter would take there, cusps included.
    """
    vertices, faces = blank_mesh(blank, coarsen=_COARSEN)
    return drop(drop_tree(vertices, faces), shape.edge, x_mm, np.full(np.shape(x_mm), offset_y_mm), turn_deg)
