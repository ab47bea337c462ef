"""Features of a solid from its exact faces: planes, cylinders, and the sharp edges between faces with their true normals."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from newel.geometry.cylinder_fits import covered_deg, square_to
from newel.geometry.edge_lines import SHARP_DEG, chained, sharp_edges
from newel.geometry.features import Features, FlatFace, RoundFace
from newel.geometry.mesh_facets import facets_of
from newel.geometry.meshes import Mesh
from newel.geometry.step_faces import Meshed, Surface

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAME_DEG = 0.05  # faces whose planes or axes lean less, and
SAME_MM = 2e-3  # lie no further apart, lie on one surface: a kernel splits a bore in two


def exact_features(meshed: Meshed) -> Features:
    """Return the features of a closed, meshed solid. Neighbouring faces on one plane or cylinder are one feature."""
    facets = facets_of(Mesh(meshed.points, meshed.faces.astype(np.int32)))
    of_left, of_right = meshed.face_of[facets.left], meshed.face_of[facets.right]
    between = np.flatnonzero(of_left != of_right)
    pairs = np.unique(np.sort(np.stack([of_left[between], of_right[between]], axis=1), axis=1), axis=0)
    outward = _outward(meshed)
    group = _groups(meshed, pairs, outward)
    flats, rounds = [], []
    for number in range(int(group.max()) + 1):
        members = np.flatnonzero(group == number)
        rows = np.flatnonzero(np.isin(meshed.face_of, members))
        if len(rows) == 0:
            continue
        surface = meshed.surfaces[members[0]]
        area = sum(meshed.surfaces[k].area_mm2 for k in members)
        if surface.kind == "plane":
            normal = outward[members[0]]
            offset = float((meshed.points[meshed.faces[rows].ravel()] @ normal).mean())
            flats.append(FlatFace(normal, offset, area, rows, surface.name))
        elif surface.kind == "cylinder":
            rounds.append(_round_face(meshed, surface, rows))
    flats.sort(key=lambda face: -face.area_mm2)
    rounds.sort(key=lambda face: -face.around_deg * face.radius_mm * (face.to_mm - face.from_mm))
    split = group[of_left] != group[of_right]
    index = np.flatnonzero(split)
    ends = facets.edges[index]
    left = _at_ends(meshed, facets.left[index], ends)
    right = _at_ends(meshed, facets.right[index], ends)
    edges = chained(facets.points, sharp_edges(facets.points, ends, left, right, np.full(len(index), SHARP_DEG)))
    return Features(tuple(flats), tuple(rounds), edges)


def _outward(meshed: Meshed) -> Floats:
    """Return each surface's mean outward normal (k, 3): exact for a plane."""
    corners = meshed.points[meshed.faces]
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total = np.zeros((len(meshed.surfaces), 3))
    for axis in range(3):
        weighed = meshed.normals[:, :, axis].mean(axis=1) * np.linalg.norm(across, axis=1)
        total[:, axis] = np.bincount(meshed.face_of, weights=weighed, minlength=len(total))
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)


def _groups(meshed: Meshed, pairs: Ints, outward: Floats) -> Ints:
    """Number the faces so that neighbours on one plane or cylinder share a number."""
    count = len(meshed.surfaces)
    one_of = np.zeros((count, 3))
    for k, face in enumerate(meshed.face_of):
        one_of[face] = meshed.points[meshed.faces[k, 0]]
    same = [
        (a, b)
        for a, b in pairs.tolist()
        if _alike(meshed.surfaces[a], meshed.surfaces[b], (outward[a], outward[b]), (one_of[a], one_of[b]))
    ]
    links = np.array(same, dtype=np.int64).reshape(-1, 2)
    graph = coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(count, count))
    return connected_components(graph, directed=False)[1].astype(np.int64)


def _alike(a: Surface, b: Surface, outward: tuple[Floats, Floats], spots: tuple[Floats, Floats]) -> bool:
    least = np.cos(np.radians(SAME_DEG))
    if a.kind != b.kind or a.kind == "":
        return False
    if a.kind == "plane":
        return bool(outward[0] @ outward[1] > least and abs((spots[1] - spots[0]) @ outward[0]) < SAME_MM)
    apart = b.point - a.point
    apart = apart - (apart @ a.axis) * a.axis
    near = abs(a.radius_mm - b.radius_mm) < SAME_MM and np.linalg.norm(apart) < SAME_MM
    return bool(near and abs(a.axis @ b.axis) > least)


def _round_face(meshed: Meshed, surface: Surface, rows: Ints) -> RoundFace:
    """Measure a cylindrical face on its triangles: their corners lie on the true surface."""
    axis = surface.axis if surface.axis[np.abs(surface.axis).argmax()] > 0 else -surface.axis
    point = surface.point - (surface.point @ axis) * axis
    corners = meshed.points[meshed.faces[rows]]
    side, other = square_to(axis)
    u, v = (corners - point) @ side, (corners - point) @ other
    normal = meshed.normals[rows].mean(axis=1)
    sign = float(((normal @ side) * u.mean(axis=1) + (normal @ other) * v.mean(axis=1)).sum())
    angle = np.arctan2(v, u)
    middle = np.arctan2(v.mean(axis=1), u.mean(axis=1))
    off = (angle - middle[:, None] + np.pi) % (2.0 * np.pi) - np.pi
    around = covered_deg(middle + off.min(axis=1), middle + off.max(axis=1))
    along = corners @ axis
    return RoundFace(
        point + 0.0,
        axis + 0.0,
        surface.radius_mm,
        float(along.min()),
        float(along.max()),
        sign < 0.0,
        around,
        rows,
        surface.name,
    )


def _at_ends(meshed: Meshed, face: Ints, ends: Ints) -> Floats:
    """Return a triangle's exact normals at both ends of one of its edges, (k, 2, 3)."""
    corner = meshed.faces[face]
    first = (corner == ends[:, :1]).argmax(axis=1)
    second = (corner == ends[:, 1:]).argmax(axis=1)
    rows = np.arange(len(face))
    return np.stack([meshed.normals[face][rows, first], meshed.normals[face][rows, second]], axis=1)
