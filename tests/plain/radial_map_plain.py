"""The plain twin of the radial map: walk in from far out in small steps until the point lies in material."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.geometry.blank import Blank, inside


def outermost_radii_plain(
    blank: Blank, x_mm: NDArray[np.float64], outward: NDArray[np.float64], step_mm: float
) -> NDArray[np.float64]:
    """Return the outermost radius (n, m) of material at each X (n,) along each direction (m, 2), within `step_mm`; 0: none."""
    far = float(np.hypot(*(np.array([blank.grid.ny * blank.grid.py, blank.grid.nz * blank.grid.pz]) / 2))) + step_mm
    found = np.zeros((len(x_mm), len(outward)))
    for i, x in enumerate(x_mm):
        for j, (dy, dz) in enumerate(outward):
            for r in np.arange(far, 0.0, -step_mm):
                if inside(blank, np.array([[x, r * dy, r * dz]]))[0]:
                    found[i, j] = r
                    break
    return found
