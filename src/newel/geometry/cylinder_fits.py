"""Cylinders fitted to points, and how much of the turn is covered by what lies on them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.geometry.feature_kernels import Round

Floats = NDArray[np.float64]

STEPS = 12  # of Gauss and Newton; three or four do where the points lie on a cylinder
LARGEST_MM = 1e6  # of a radius: flatter is flat


def fitted_cylinder(points: Floats, start: Round) -> tuple[Round, float] | None:
    """Fit a cylinder to points (n, 3) by least squares of their distances, from a first guess (Gauss-Newton).

    Returns the cylinder and how far the worst point is off, or None where the points do not determine one.
    """
    if len(points) < 6:
        return None
    centre, axis, radius = start.centre, start.axis, start.radius
    centre = centre + ((points.mean(axis=0) - centre) @ axis) * axis
    for _ in range(STEPS):
        side, other = square_to(axis)
        along, u, v = ((points - centre) @ np.stack([axis, side, other], axis=1)).T
        away = np.maximum(np.hypot(u, v), 1e-300)
        cos, sin = u / away, v / away
        # what each unknown does to the misfit: centre (2), lean of the axis (2), radius
        slope = np.stack([cos, sin, cos * along, sin * along, np.ones(len(points))], axis=1)
        step = np.linalg.lstsq(slope, away - radius, rcond=1e-9)[0]
        centre = centre + step[0] * side + step[1] * other
        axis = axis + step[2] * side + step[3] * other
        axis = axis / np.sqrt(axis @ axis)
        radius = float(radius + step[4])
        if not 0.0 < radius < LARGEST_MM:
            return None
        if np.abs(step).max() < 1e-10:
            break
    out = points - centre
    away = np.linalg.norm(out - np.outer(out @ axis, axis), axis=1)
    return Round(axis, centre, radius, start.sign, start.cut_cos), float(np.abs(away - radius).max())


def square_to(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit directions square to a unit `axis` and to each other, right-handed with it."""
    x, y, z = axis.tolist()
    if abs(x) < 0.6:
        side = np.array([0.0, -z, y]) / np.hypot(y, z)
    else:
        side = np.array([z, 0.0, -x]) / np.hypot(x, z)
    u, v, w = side.tolist()
    return side, np.array([y * w - z * v, z * u - x * w, x * v - y * u])


def covered_deg(low: Floats, high: Floats) -> float:
    """Return how much of the turn is covered by spans of angles `low` to `high` (n,) in radians: 0..360."""
    whole = 2.0 * np.pi
    start = low % whole
    end = start + (high - low)
    start = np.concatenate([start, start - whole])
    end = np.concatenate([end, end - whole])
    order = np.argsort(start, kind="stable")
    start, end = np.clip(start[order], 0.0, whole), np.clip(end[order], 0.0, whole)
    reached = np.concatenate([[0.0], np.maximum.accumulate(end)[:-1]])
    return float(np.degrees(np.maximum(end - np.maximum(start, reached), 0.0).sum()))
