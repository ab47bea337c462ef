"""The facets of a closed mesh and how they meet: what every search for features starts from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.geometry.meshes import Mesh

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SLIVER_MM = (
    1e-3  # a facet less high than this has no direction of its own: single-precision files place a corner to about 4e-6 mm
)

LENDINGS = 50  # slivers that lie over each other in one heap


@dataclass(frozen=True, eq=False)
class Facets:
    """A mesh's triangles: `points` (n, 3), `faces` (m, 3), outward unit `normals` (m, 3), `areas_mm2` (m,), `sliver` (m,).

    `edges` (e, 2): each edge once, as the face `left` (e,) of it runs along it; `right` (e,) is the face on the other hand.
    `neighbours` (m, 3): the face over the edge from corner k to corner k + 1; `lender` (m,) the one over the longest edge,
    whose normal a sliver takes.
    """

    points: Floats
    faces: Ints
    normals: Floats
    areas_mm2: Floats
    sliver: Flags
    edges: Ints
    left: Ints
    right: Ints
    neighbours: Ints
    lender: Ints


def facets_of(mesh: Mesh) -> Facets:
    """Return a closed mesh's facets. Raises BadInput where the mesh is not closed."""
    points, faces = mesh.vertices, mesh.faces.astype(np.int64)
    edges, left, right, neighbours = _met(faces, len(points))
    corners = points[faces]
    sides = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2)
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(across, axis=1)
    heights = twice / np.maximum(sides.max(axis=1), 1e-300)
    sliver = heights < SLIVER_MM
    normals = across / np.maximum(twice, 1e-300)[:, None]
    lender = neighbours[np.arange(len(faces)), sides.argmax(axis=1)]
    normals = _lent(normals, sliver, lender)
    return Facets(points, faces, normals, 0.5 * twice, sliver, edges, left, right, neighbours, lender)


def _met(faces: Ints, vertex_count: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Pair the half edges. Where more than two faces stand at an edge they are paired in the order of the file."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    key = np.minimum(start, end) * vertex_count + np.maximum(start, end)
    forward = start < end
    one = np.flatnonzero(forward)[np.argsort(key[forward], kind="stable")]
    two = np.flatnonzero(~forward)[np.argsort(key[~forward], kind="stable")]
    if len(one) != len(two) or (key[one] != key[two]).any():
        raise BadInput("features can only be told on a closed surface", remedy="mend the model first")
    neighbours = np.empty(faces.size, np.int64)
    neighbours[one], neighbours[two] = two // 3, one // 3
    return np.stack([start[one], end[one]], axis=1), one // 3, two // 3, neighbours.reshape(-1, 3)


def _lent(normals: Floats, sliver: Flags, lender: Ints) -> Floats:
    """Lend each sliver the normal of the facet over its longest edge; a heap of slivers is worked off from its rim."""
    waiting, normals = sliver.copy(), normals.copy()
    for _ in range(LENDINGS):
        ready = np.flatnonzero(waiting & ~waiting[lender])
        if len(ready) == 0:
            break
        normals[ready] = normals[lender[ready]]
        waiting[ready] = False
    return normals
