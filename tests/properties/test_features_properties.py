"""Features keep their sizes however a part is turned and moved, and however finely its bore is cut into facets."""

from __future__ import annotations

import manifold3d
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.geometry.features import moved
from newel.geometry.mesh_features import features_of
from newel.geometry.meshes import Mesh, read_mesh, transformed, write_stl

angle = st.floats(0.0, 360.0)


def drilled(radius: float, sides: int) -> Mesh:
    solid = manifold3d.Manifold.cube((40.0, 30.0, 12.0), True) - manifold3d.Manifold.cylinder(40.0, radius, radius, sides, True)
    mesh = solid.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


@settings(max_examples=25)
@given(st.floats(0.5, 12.0), st.integers(12, 240), angle, angle, st.floats(-60.0, 60.0))
def test_a_drilled_block_is_always_six_flats_and_one_bore(
    radius: float, sides: int, turn: float, tip: float, shift: float
) -> None:
    c, s, d, e = np.cos(np.radians(turn)), np.sin(np.radians(turn)), np.cos(np.radians(tip)), np.sin(np.radians(tip))
    motion = np.eye(4)
    motion[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, d, -e], [0, e, d]])
    motion[:3, 3] = shift
    mesh = read_mesh(write_stl(transformed(drilled(radius, sides), motion)), "stl", "mm", "block").mesh
    found = features_of(mesh)
    assert len(found.flats) == 6
    (bore,) = found.rounds
    assert bore.hollow
    assert abs(bore.radius_mm - radius) < 1e-4
    assert abs(bore.axis @ motion[:3, 2]) > 1 - 1e-8
    assert abs(bore.to_mm - bore.from_mm - 12.0) < 1e-4
    assert len(found.edges) == 14  # twelve straight ones and two rims
    assert all(edge.outside for edge in found.edges)


@settings(max_examples=10)
@given(angle, st.floats(0.2, 4.0))
def test_moving_features_is_moving_the_mesh(turn: float, scale: float) -> None:
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    motion = np.eye(4)
    motion[:3, :3] = scale * np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    motion[:3, 3] = 3.0, -2.0, 5.0
    mesh = drilled(5.0, 60)
    taken, found = moved(features_of(mesh), motion), features_of(transformed(mesh, motion))
    assert abs(taken.rounds[0].radius_mm - found.rounds[0].radius_mm) < 1e-9 * scale + 1e-9
    first, second = (sorted((round(f.offset_mm, 6), round(f.area_mm2, 4)) for f in x.flats) for x in (taken, found))
    assert np.allclose(first, second, atol=1e-4)
