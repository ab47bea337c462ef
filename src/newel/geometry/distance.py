"""How far points stand from a mesh, and on which side of it."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CHUNK = 200_000  # points a call: some 15 MB of answers at a time


def signed_distance(vertices: ArrayLike, faces: ArrayLike, points: ArrayLike) -> tuple[Floats, Floats, Ints]:
    """Distance of points from a mesh in mm, the nearest points of its surface, and the faces they lie on.

    vertices (n, 3), faces (m, 3), points (k, 3) in mm; returns (k,), (k, 3), (k,). Positive outside, negative inside,
    for faces wound so that they are seen anticlockwise from outside. The side is told by the winding number (Jacobson, Kavan,
    Sorkine-Hornung 2013, by the fast sum of Barill et al. 2018), which small holes and overlapping bodies do not upset:
    more than one half is inside. Raises BadInput for empty meshes and for coordinates that are not finite.
    """
    v = np.ascontiguousarray(vertices, dtype=np.float64)
    f = np.ascontiguousarray(faces, dtype=np.int64)
    p = np.ascontiguousarray(points, dtype=np.float64)
    if v.ndim != 2 or v.shape[1] != 3 or f.ndim != 2 or f.shape[1] != 3 or len(f) == 0:
        raise BadInput("a distance needs a mesh with vertices of shape (n, 3) and faces of shape (m, 3)")
    if p.ndim != 2 or p.shape[1] != 3:
        raise BadInput("points must have the shape (k, 3)")
    if f.min() < 0 or f.max() >= len(v):
        raise BadInput("a face names a vertex that does not exist")
    if not (np.isfinite(v).all() and np.isfinite(p).all()):
        raise BadInput("a vertex or a point is not a finite number")
    distance, nearest, face = np.empty(len(p)), np.empty((len(p), 3)), np.empty(len(p), np.int64)
    tree = igl.AABB()
    tree.init(v, f)
    for start in range(0, len(p), _CHUNK):
        part = slice(start, start + _CHUNK)
        squared, face[part], nearest[part] = tree.squared_distance(v, f, p[part])
        inside = igl.fast_winding_number(v, f, p[part]) > 0.5
        distance[part] = np.where(inside, -1.0, 1.0) * np.sqrt(squared)
    return distance, nearest, face
