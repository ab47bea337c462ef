"""Distances from meshes with closed forms: a box, and a ball of many facets."""

import numpy as np
import pytest
import trimesh

from newel.core.errors import BadInput
from newel.geometry.distance import signed_distance

BOX = trimesh.creation.box((4.0, 6.0, 8.0))


def test_distance_from_a_box_outside_inside_and_off_its_corner():
    points = np.array([[3.0, 0.5, 0.25], [1.5, 0.5, 0.25], [5.0, 7.0, 4.0], [0.0, 0.0, 0.0]])
    d, nearest, face = signed_distance(BOX.vertices, BOX.faces, points)
    # derived: 1 beyond the wall x = 2; 0.5 inside it; 3, 4 beyond the edge x = 2, y = 3; 2 to the nearest wall from the middle
    assert d == pytest.approx([1.0, -0.5, 5.0, -2.0], abs=1e-12)
    assert nearest[:3] == pytest.approx(np.array([[2.0, 0.5, 0.25], [2.0, 0.5, 0.25], [2.0, 3.0, 4.0]]), abs=1e-12)
    assert abs(BOX.face_normals[face[0]][0]) == pytest.approx(1.0)


def test_distance_from_a_ball_of_facets_lies_between_its_circles():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=10.0)
    rng = np.random.default_rng(2)
    points = rng.normal(size=(400, 3)) * 8.0
    d, nearest, _ = signed_distance(ball.vertices, ball.faces, points)
    exact = np.linalg.norm(points, axis=1) - 10.0
    assert np.all(d >= exact - 1e-9) and np.all(d <= exact + 0.03)  # facets lie inside the ball by up to 0.03 (sagitta)
    np.testing.assert_allclose(np.linalg.norm(points - nearest, axis=1), np.abs(d), atol=1e-9)


def test_a_missing_facet_does_not_turn_the_sign():
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    d, _, _ = signed_distance(ball.vertices, ball.faces[1:], np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 30.0]]))
    assert d[0] < 0 < d[1]


def test_the_sign_holds_from_a_nanometre_off_and_on_the_surface_there_is_no_distance():
    rng = np.random.default_rng(4)
    on = rng.uniform(-1.0, 1.0, (300, 3)) * [2.0, 3.0, 4.0]
    axis = rng.integers(0, 3, 300)
    side = rng.choice([-1.0, 1.0], 300)
    on[np.arange(300), axis] = side * np.array([2.0, 3.0, 4.0])[axis]
    for off in (-2e-6, 0.0, 2e-6):
        points = on.copy()
        points[np.arange(300), axis] += side * off
        near_an_edge = np.sort(np.array([2.0, 3.0, 4.0]) - np.abs(on), axis=1)[:, 1] < 1e-5
        assert not near_an_edge.any()
        # derived: straight off a wall, and nowhere nearer to another
        assert signed_distance(BOX.vertices, BOX.faces, points)[0] == pytest.approx(np.full(300, off), abs=1e-12)


def test_no_points_is_no_answer():
    d, nearest, face = signed_distance(BOX.vertices, BOX.faces, np.empty((0, 3)))
    assert d.shape == (0,) and nearest.shape == (0, 3) and face.shape == (0,)


@pytest.mark.parametrize("points", [[[0.0, np.nan, 0.0]], [[0.0, 0.0]]])
def test_broken_points_are_refused(points):
    with pytest.raises(BadInput):
        signed_distance(BOX.vertices, BOX.faces, points)


def test_a_mesh_without_faces_is_refused():
    with pytest.raises(BadInput):
        signed_distance(BOX.vertices, np.empty((0, 3), int), [[0.0, 0.0, 0.0]])
