"""The least-squares cylinder about an axis that runs roughly along X: where a turned bar's or a test bar's axis lies.

Unknowns are where the axis passes x = 0 in Y and Z, its two slopes and the radius; the residual of a point is its true
distance from the axis less the radius (Shakarji, J. Res. NIST 103, 1998, 633-641, on cylinders).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from newel.core.errors import BadInput
from newel.probing.circle import circle_algebraic

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Cylinder:
    """Axis through (0, y_mm, z_mm) with slopes dy/dx, dz/dx; radius, rms, peak to valley; covariance (5, 5) in that order."""

    y_mm: float
    z_mm: float
    slope_y: float
    slope_z: float
    radius_mm: float
    rms_mm: float
    peak_to_valley_mm: float
    covariance: Floats


def cylinder(points: Floats) -> Cylinder:
    """Fit points (n, 3). BadInput for fewer than 6, or points that do not determine an axis (all in one section)."""
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 6 or not np.isfinite(points).all():
        raise BadInput("a cylinder needs six points or more, each with three finite coordinates")
    if np.ptp(points[:, 0]) < 1e-6:
        raise BadInput("all points lie in one section: they tell no direction", remedy="touch at two sections or more")

    def distances(v: Floats) -> Floats:
        direction = np.array([1.0, v[2], v[3]]) / math.sqrt(1.0 + v[2] ** 2 + v[3] ** 2)
        return np.asarray(np.linalg.norm(np.cross(points - [0.0, v[0], v[1]], direction), axis=1) - v[4])

    y, z, r = circle_algebraic(points[:, 1:])
    found = least_squares(distances, [y, z, 0.0, 0.0, r], xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=500)
    if np.linalg.matrix_rank(found.jac, tol=1e-9 * float(np.abs(found.jac).max()) * len(points)) < 5:
        raise BadInput("the points do not determine a cylinder", remedy="touch places all round at two sections or more")
    off = distances(found.x)
    free = len(points) - 5
    covariance = np.linalg.inv(found.jac.T @ found.jac) * (float(off @ off) / free)
    a, b, c, d, e = (float(value) for value in found.x)
    return Cylinder(a, b, c, d, e, math.sqrt(float(off @ off) / len(points)), float(np.ptp(off)), covariance)
