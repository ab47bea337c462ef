"""How far points stand from a mesh, and on which side of it."""

from __future__ import annotations

import igl
import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput
from newel.geometry.winding_kernels import windings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CHUNK = 200_000  # points a call: some 15 MB of answers at a time
_POINTS_A_CELL = 4.0
_ON_SURFACE_MM = 1e-6  # a point so near lies on the surface: its side is rounding, and not worth asking closely


def signed_distance(vertices: ArrayLike, faces: ArrayLike, points: ArrayLike) -> tuple[Floats, Floats, Ints]:
    """Distance of points from a mesh in mm, the nearest points of its surface, and the faces they lie on.

    vertices (n, 3), faces (m, 3), points (k, 3) in mm; returns (k,), (k, 3), (k,). Positive outside, negative inside,
    for faces wound so that they are seen anticlockwise from outside. The side is told by the winding number, which overlapping
    bodies do not upset, counted along a ray; where that and the nearest face do not say the same (holes, edges, faces inside
    another body), by the generalised winding number (Jacobson, Kavan, Sorkine-Hornung 2013; by the sum of Barill et al. 2018):
    more than one half is inside. The sign of less than a nanometre means nothing. Raises BadInput for empty meshes and for
    coordinates that are not finite.
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
        distance[part] = np.sqrt(squared)
    distance[_inside(v, f, p, nearest, face, distance)] *= -1.0
    return distance, nearest, face


def _inside(v: Floats, f: Ints, p: Floats, nearest: Floats, face: Ints, away: Floats) -> NDArray[np.bool_]:
    """Tell which points (k, 3) lie inside; `nearest` (k, 3), `face` (k,): the surface nearest to each, `away` (k,) how far."""
    corners = v[f]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    over = np.einsum("ij,ij->i", p - nearest, normals[face])
    inside = windings_of(corners, p) > 0
    unsure = np.flatnonzero(((inside != (over < 0.0)) | (over == 0.0)) & (away > _ON_SURFACE_MM))
    if len(unsure):
        inside[unsure] = igl.fast_winding_number(v, f, p[unsure]) > 0.5
    return inside


def windings_of(corners: Floats, points: Floats) -> Ints:
    """Return how often triangles (m, 3, 3) wind around points (k, 3), by the triangles above each; a hole upsets it."""
    out = np.zeros(len(points), np.int64)
    if len(points) == 0:
        return out
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    size = max(float(np.sqrt(np.prod(high - low) * _POINTS_A_CELL / len(points))), float((high - low).max()) / 2000.0, 1e-6)
    count = np.floor((high - low) / size).astype(np.int64) + 1
    cell = np.floor((points[:, :2] - low) / size).astype(np.int64)
    number = np.minimum(cell[:, 0], count[0] - 1) * count[1] + np.minimum(cell[:, 1], count[1] - 1)
    first = np.concatenate([[0], np.cumsum(np.bincount(number, minlength=int(count.prod())))])
    place = np.array([*low, size, *count], dtype=np.float64)
    windings(np.ascontiguousarray(corners), points, first, np.argsort(number, kind="stable"), place, out)
    return out
