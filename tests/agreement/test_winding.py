"""The count of triangles above a point against the sum of solid angles, which needs no ray."""

from __future__ import annotations

import math

import numpy as np
import trimesh

from newel.geometry.distance import signed_distance, windings_of


def plain_winding(corners: np.ndarray, point: np.ndarray) -> float:
    """Sum the solid angles of all triangles seen from a point (Van Oosterom and Strackee 1983), in whole spheres."""
    total = 0.0
    for corner in corners:
        a, b, c = corner - point
        la, lb, lc = (float(np.linalg.norm(v)) for v in (a, b, c))
        over = float(np.dot(a, np.cross(b, c)))
        under = la * lb * lc + float(np.dot(a, b)) * lc + float(np.dot(b, c)) * la + float(np.dot(c, a)) * lb
        total += 2.0 * math.atan2(over, under)
    return total / (4.0 * math.pi)


def overlapping() -> trimesh.Trimesh:
    """Two boxes and a ball, partly inside one another, and a hollow in the larger box (derived windings: 0, 1, 2)."""
    hollow = trimesh.creation.box((2.0, 2.0, 2.0))
    hollow.invert()
    other = trimesh.creation.box((4.0, 4.0, 4.0), transform=trimesh.transformations.translation_matrix((3.0, 1.0, 1.0)))
    ball = trimesh.creation.icosphere(subdivisions=2, radius=2.0)
    ball.apply_translation((-3.0, 0.0, 0.0))
    return trimesh.util.concatenate([trimesh.creation.box((6.0, 6.0, 6.0)), hollow, other, ball])


def test_counts_are_the_solid_angles_whole_number():
    corners = overlapping().triangles
    rng = np.random.default_rng(5)
    points = rng.uniform(-6.0, 6.0, (300, 3))
    plain = np.array([plain_winding(corners, point) for point in points])
    np.testing.assert_allclose(windings_of(corners, points), plain, atol=1e-6)
    assert set(np.round(plain)) == {0.0, 1.0, 2.0}


def test_rays_through_edges_and_corners_are_counted_once():
    corners = overlapping().triangles
    # derived: every one of these stands straight under edges, corners, or diagonals of the boxes' faces
    k = np.arange(-2.5, 3.0, 0.5)
    points = np.array([(x, y, z) for x in k for y in (x, -x, 0.0, -1.0, 1.0) for z in (-2.25, -0.25, 0.75, 2.25)])
    mesh = overlapping()
    points = points[np.abs(signed_distance(mesh.vertices, mesh.faces, points)[0]) > 1e-6]  # on the surface there is no inside
    assert len(points) > 150
    plain = np.array([plain_winding(corners, point) for point in points])
    np.testing.assert_allclose(windings_of(corners, points), plain, atol=1e-6)


def test_a_point_beside_a_face_inside_another_body_stays_inside():
    mesh = overlapping()
    inside_both_sides = np.array(
        [[0.9999, 2.5, 2.5], [1.0001, 2.5, 2.5]]
    )  # beside the second box's wall x = 1, in the first box
    assert (signed_distance(mesh.vertices, mesh.faces, inside_both_sides)[0] < 0.0).all()


def test_one_point_and_points_on_one_line_are_counted_too():
    corners = trimesh.creation.box((2.0, 2.0, 2.0)).triangles
    assert windings_of(corners, np.array([[0.1, 0.2, 0.3]])).tolist() == [1]
    assert windings_of(corners, np.array([[0.1, 0.2, z] for z in (-2.0, 0.0, 2.0)])).tolist() == [0, 1, 0]
