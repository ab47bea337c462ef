"""The kernel that takes wedges off triangles: its slow twin, areas, and what lies inside a wedge."""

from __future__ import annotations

import numpy as np
import pytest

from newel.toolpaths.edge_facets_kernels import less_bodies
from plain.edge_facets_plain import less_bodies_plain

BOX = np.array([[-1.0, 0, 0, 0.0], [1, 0, 0, 1.0], [0, -1, 0, 0.0], [0, 1, 0, 1.0], [0, 0, 1, 1.0]])  # a unit box, no floor


def prism(rng):
    """A five-sided body about a place, and a box that holds it."""
    middle, size = rng.uniform(-4.0, 4.0, 3), rng.uniform(0.5, 2.0)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    a = np.radians([90.0, 210.0, 330.0])
    around = np.column_stack([np.cos(a), np.sin(a), np.zeros(3)])
    normals = np.vstack([around, [[0, 0, 1.0], [0, 0, -1.0]]]) @ turn
    reach = 3.0 * size  # its corners: twice the inner circle out, and once along
    return np.column_stack([normals, normals @ middle + size]), np.stack([middle - reach, middle + reach])


def left_of(triangles, planes, boxes):
    found, stands = less_bodies(triangles, planes, boxes)
    return found[stands]


def area(triangles):
    return 0.5 * np.linalg.norm(np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1).sum()


@pytest.mark.parametrize("seed", range(4))
def test_the_same_pieces_as_the_slow_twin_in_the_same_order(seed):
    rng = np.random.default_rng(seed)
    triangles = rng.uniform(-5.0, 5.0, (40, 3, 3))
    planes, boxes = (np.stack(told) for told in zip(*[prism(rng) for _ in range(6)]))
    found = left_of(triangles, planes, boxes)
    plain = less_bodies_plain(triangles, planes, boxes)
    assert len(found) > 100
    np.testing.assert_allclose(found, plain, atol=1e-12)


def test_what_is_left_lies_outside_every_body():
    rng = np.random.default_rng(9)
    triangles = rng.uniform(-5.0, 5.0, (30, 3, 3))
    planes, boxes = (np.stack(told) for told in zip(*[prism(rng) for _ in range(4)]))
    found = left_of(triangles, planes, boxes)
    share = rng.dirichlet(np.ones(3), 20)
    places = np.einsum("sc,tcx->tsx", share, found).reshape(-1, 3)
    depth = np.max(np.einsum("bpx,nx->bnp", planes[:, :, :3], places) - planes[:, None, :, 3], axis=2)
    assert depth.min() >= -1e-9
    # and some of them were inside before
    places = np.einsum("sc,tcx->tsx", share, triangles).reshape(-1, 3)
    depth = np.max(np.einsum("bpx,nx->bnp", planes[:, :, :3], places) - planes[:, None, :, 3], axis=2)
    assert depth.min() < -0.1


def test_a_unit_square_is_missing_from_a_plane():
    large = np.array([[[-5.0, -5, 0.5], [5, -5, 0.5], [5, 5, 0.5]], [[-5.0, -5, 0.5], [5, 5, 0.5], [-5, 5, 0.5]]])
    found = left_of(large, BOX[None], np.array([[[0.0, 0, -9], [1, 1, 1]]]))
    # derived: 100 less the unit square
    assert area(found) == pytest.approx(99.0, abs=1e-12)
    assert (found[:, :, 2] == 0.5).all()


def test_triangles_wholly_inside_vanish_and_those_beside_stay_as_they_are():
    inside = np.array([[0.2, 0.2, 0.2], [0.8, 0.2, 0.2], [0.2, 0.8, 0.2]])
    beside = inside + np.array([0.0, 1.0, 0.0])  # its box touches the body's
    past_the_corner = np.array([[0.9, 1.3, 0.5], [1.3, 0.9, 0.5], [1.3, 1.3, 0.5]])  # its box meets the body's, itself does not
    found = left_of(np.stack([past_the_corner, inside, beside]), BOX[None], np.array([[[0.0, 0, -9], [1, 1, 1]]]))
    assert np.array_equal(found, np.stack([past_the_corner, beside]))


def test_a_triangle_on_a_side_of_the_body_stays():
    on = np.array([[0.0, 0.2, 0.2], [0.0, 0.8, 0.2], [0.0, 0.2, 0.8]])
    found = left_of(on[None], BOX[None], np.array([[[0.0, 0, -9], [1, 1, 1]]]))
    assert np.array_equal(found, on[None])
