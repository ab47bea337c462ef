"""The feature kernels against their plain twins."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from newel.app.demo_models import bracket
from newel.geometry.feature_kernels import Surface, grow_flat
from newel.geometry.mesh_facets import facets_of
from newel.geometry.mesh_features import features_of
from newel.geometry.meshes import Mesh
from plain.features_plain import all_on_cylinder, grown_flat, touching_on_cylinder


def as_mesh(solid: manifold3d.Manifold) -> Mesh:
    mesh = solid.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


SOLIDS = {
    "cube": as_mesh(manifold3d.Manifold.cube((3.0, 4.0, 5.0))),
    "ball": as_mesh(manifold3d.Manifold.sphere(5.0, 24)),
    "drilled": as_mesh(
        manifold3d.Manifold.cube((20.0, 20.0, 8.0), True).rotate((10.0, 20.0, 30.0))
        - manifold3d.Manifold.cylinder(40, 4, 4, 40, True)
    ),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_flat_patches(name: str) -> None:
    facets = facets_of(SOLIDS[name])
    assert not facets.sliver.any()
    order = np.argsort(-facets.areas_mm2, kind="stable")
    surface = Surface(facets.points, facets.faces, facets.neighbours, facets.normals, facets.sliver)
    fast = grow_flat(surface, order, 1e-3, np.cos(np.radians(0.5)))
    plain = grown_flat(facets.points, facets.faces, facets.normals, order, 1e-3, np.cos(np.radians(0.5)))
    assert fast.tolist() == plain.tolist()


@pytest.mark.parametrize("mesh", [bracket(), SOLIDS["drilled"]], ids=["bracket", "drilled"])
def test_round_faces_hold_all_that_lies_on_them_and_nothing_else(mesh: Mesh) -> None:
    found = features_of(mesh)
    assert found.rounds
    for face in found.rounds:
        cylinder = (face.point, face.axis, face.radius_mm)
        assert all_on_cylinder(mesh.vertices, mesh.faces, face.faces, *cylinder, 1e-3)
        assert touching_on_cylinder(mesh.vertices, mesh.faces, face.faces, *cylinder, 1e-3, 0.95) == []
