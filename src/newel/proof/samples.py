"""Points spread evenly over a mesh's surface, the same every time: what percentages of the part's surface are counted on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Steps of the two-dimensional golden-ratio sequence (R. Roberts' R2, the plastic number 1.3247…; from memory).
_STEP_U, _STEP_V = 0.7548776662466927, 0.5698402909980532


@dataclass(frozen=True)
class Samples:
    """Points (k, 3) of a surface with outward unit normals (k, 3), each standing for the same area in mm2."""

    points: Floats
    normals: Floats
    area_mm2: float


def spread(vertices: Floats, faces: Ints, count: int) -> Samples:
    """Spread `count` points over a mesh in proportion to area; faces without area get none."""
    corners = np.asarray(vertices, dtype=np.float64)[np.asarray(faces, dtype=np.int64)]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(cross, axis=1)
    filled = np.cumsum(doubled) / doubled.sum()
    k = np.arange(count)
    face = np.minimum(np.searchsorted(filled, (k + 0.5) / count), len(faces) - 1)
    u, v = (k * _STEP_U) % 1.0, (k * _STEP_V) % 1.0
    folded = u + v > 1.0
    u, v = np.where(folded, 1.0 - u, u)[:, None], np.where(folded, 1.0 - v, v)[:, None]
    a, b, c = corners[face, 0], corners[face, 1], corners[face, 2]
    points = a + u * (b - a) + v * (c - a)
    normals = cross[face] / doubled[face, None]
    return Samples(points, normals, float(doubled.sum()) / 2.0 / count)
