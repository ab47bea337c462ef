"""Circles through measured points: the geometric least-squares circle, and the centre from readings all round.

The geometric circle makes the sum of squared distances least (Gander, Golub, Strebel, BIT 34, 1994, 558-578); it is
found by Gauss-Newton from the algebraic circle of Kasa (IEEE Trans. Instrum. Meas. 25, 1976, 8-14), which is biased and
serves as a start alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from newel.core.errors import BadInput

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Circle:
    """A circle in mm: centre, radius, rms and peak to valley of the points' distances from it, covariance (3, 3) of x, y, r."""

    x_mm: float
    y_mm: float
    radius_mm: float
    rms_mm: float
    peak_to_valley_mm: float
    covariance: Floats


def circle_algebraic(points: Floats) -> tuple[float, float, float]:
    """Return centre and radius of Kasa's circle through points (n, 2): least in x^2 + y^2 - 2 a x - 2 b y - c."""
    x, y = _checked(points).T
    solved = np.linalg.lstsq(np.column_stack([2.0 * x, 2.0 * y, np.ones_like(x)]), x * x + y * y, rcond=None)[0]
    return float(solved[0]), float(solved[1]), math.sqrt(max(float(solved[2] + solved[0] ** 2 + solved[1] ** 2), 0.0))


def circle_geometric(points: Floats) -> Circle:
    """Return the least-squares circle of points (n, 2). BadInput for fewer than 3, or points on a line."""
    points = _checked(points)
    if np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[-1] < 1e-9:
        raise BadInput("the points lie on a line: no circle goes through them", remedy="touch places all round")

    def distances(v: Floats) -> Floats:
        return np.asarray(np.hypot(points[:, 0] - v[0], points[:, 1] - v[1]) - v[2])

    found = least_squares(distances, circle_algebraic(points), xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=500)
    off = distances(found.x)
    free = len(points) - 3
    inner = np.linalg.inv(found.jac.T @ found.jac)
    covariance = inner * (float(off @ off) / free) if free > 0 else np.full((3, 3), np.nan)
    rms = math.sqrt(float(off @ off) / len(points))
    return Circle(float(found.x[0]), float(found.x[1]), float(found.x[2]), rms, float(np.ptp(off)), covariance)


def centre_of_four(r0: float, r90: float, r180: float, r270: float) -> tuple[float, float]:
    """Return the eccentricity from four radial readings a quarter turn apart: exact for a true circle of any size (derived)."""
    return (r0 - r180) / 2.0, (r90 - r270) / 2.0


def centre_of_readings(readings: Floats) -> tuple[float, float, float]:
    """Return eccentricity along and across the first reading, and the mean, from n readings equally spaced over a turn.

    R = mean; a = 2/n sum r cos t; b = 2/n sum r sin t: the least-squares centre of ISO 4291:1985, for small eccentricity.
    """
    readings = np.asarray(readings, dtype=float)
    if len(readings) < 3 or not np.isfinite(readings).all():
        raise BadInput("a centre needs three readings or more, equally spaced over a full turn")
    t = 2.0 * np.pi * np.arange(len(readings)) / len(readings)
    share = 2.0 / len(readings)
    return share * float(readings @ np.cos(t)), share * float(readings @ np.sin(t)), float(readings.mean())


def _checked(points: Floats) -> Floats:
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
        raise BadInput("a circle needs three points or more, each with two finite coordinates")
    return points
