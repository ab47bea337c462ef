"""A part with its sharp edges bevelled: the shape that a job asks for when it asks for bevels.

Each piece of an edge takes off a wedge: the hull of the wedge's section at its two ends. Sections of neighbours are shared,
so that a bevel runs on smoothly; at the open end of an edge it runs out where there is only air beyond.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import manifold3d
import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.plan import SharpEdge
from newel.geometry.distance import signed_distance
from newel.geometry.meshes import Mesh

Floats = NDArray[np.float64]

_OVER = 0.5  # how far a wedge stands out of the faces beside it, over its own leg: it must leave no skin
_LOOK = 0.05  # of the leg: how far beyond an edge's end, and under it, one looks for material
_ON_SURFACE_MM = 1e-6  # a place on the surface, as beside faces that slope away at 45 degrees, has air beyond it


def bevelled(mesh: Mesh, edges: Sequence[SharpEdge]) -> Mesh:
    """Return the mesh with these edges bevelled; edges in the mesh's own frame, mm. BadInput where the mesh is no solid."""
    if not edges:
        return mesh
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(mesh.vertices, np.float64, order="C"), np.array(mesh.faces, np.uint64, order="C"))
    )
    if solid.status() != manifold3d.Error.NoError:
        raise BadInput("the model is not a closed solid: its edges can't be bevelled", where="[bevel]", remedy="mend the model")
    wedges = [wedge for edge in edges for wedge in _wedges(_run_out(edge, mesh))]
    cut = solid - manifold3d.Manifold.batch_boolean(wedges, manifold3d.OpType.Add)
    out = cut.to_mesh64()
    return Mesh(np.asarray(out.vert_properties)[:, :3].astype(np.float64), np.asarray(out.tri_verts).astype(np.int32))


def leg_mm(one: Floats, other: Floats, width_mm: float) -> Floats:
    """Return how far from the edge (n,) a bevel of this width ends on either face: width / (2 sin(half the inner angle))."""
    cosine = np.clip(np.sum(one * other, axis=1), -1.0, 1.0)
    inner = np.pi - np.arccos(cosine)
    return np.asarray(width_mm / (2.0 * np.sin(0.5 * inner)))


def _along(points: Floats) -> Floats:
    """Return the unit direction of the edge at each point: the mean of its pieces' there."""
    step = np.diff(points, axis=0)
    step = step / np.linalg.norm(step, axis=1)[:, None]
    closed = np.allclose(points[0], points[-1], atol=1e-6)
    first = step[-1] + step[0] if closed else step[0]
    last = first if closed else step[-1]
    mean = np.vstack([first, step[:-1] + step[1:], last])
    return np.asarray(mean / np.linalg.norm(mean, axis=1)[:, None])


def _run_out(edge: SharpEdge, mesh: Mesh) -> SharpEdge:
    """Lengthen an open edge by its leg at those ends where there is only air beyond."""
    points, one, other = edge.points, edge.one, edge.other
    if np.allclose(points[0], points[-1], atol=1e-6):
        return edge
    along, leg = _along(points), leg_mm(one, other, edge.width_mm)
    for at, way in ((0, -1.0), (-1, 1.0)):
        ahead = points[at] + way * along[at] * _LOOK * leg[at] - _LOOK * leg[at] * (one[at] + other[at])
        if signed_distance(mesh.vertices, mesh.faces, ahead[None, :])[0][0] > -_ON_SURFACE_MM:
            beyond = points[at] + way * along[at] * 2.0 * leg[at]
            row = 0 if at == 0 else len(points)
            points = np.insert(points, row, beyond, axis=0)
            one, other = np.insert(one, row, one[at], axis=0), np.insert(other, row, other[at], axis=0)
    return SharpEdge(points, one, other, edge.width_mm)


def _wedges(edge: SharpEdge) -> list[manifold3d.Manifold]:
    points, one, other = edge.points, edge.one, edge.other
    along, leg = _along(points), leg_mm(one, other, edge.width_mm)[:, None]
    down_one, down_other = _into(one, other, along), _into(other, one, along)
    # at a vertex where the edge turns, the legs lie in the mitre plane and are longer by its cosine
    step = np.diff(points, axis=0)
    step = step / np.linalg.norm(step, axis=1)[:, None]
    mitre = np.clip(np.sum(step * along[:-1], axis=1), 0.5, 1.0)
    mitre = np.append(mitre, mitre[-1])[:, None]
    a, b = points + leg / mitre * down_one, points + leg / mitre * down_other
    across = (a - b) / np.linalg.norm(a - b, axis=1)[:, None]
    over = _OVER * leg
    out = points + over * (one + other)
    sections = np.stack([a + over * across, b - over * across, out], axis=1)
    hulls = []
    for first, second in pairwise(sections):
        hulls.append(manifold3d.Manifold.hull_points(np.vstack([first, second])))
    return hulls


def _into(face: Floats, other: Floats, along: Floats) -> Floats:
    """Return the unit direction (n, 3) in a face, square to the edge, that leads away from the other face's side."""
    way = np.cross(face, along)
    way = way / np.linalg.norm(way, axis=1)[:, None]
    return np.asarray(way * -np.sign(np.sum(way * other, axis=1))[:, None])
