"""Reach at sides: what a cutter touches on simple parts, and the reasons for what it can't."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.profile import CutterShape, outline
from newel.geometry.drop import drop_tree
from newel.planning.reach import SurfaceSample
from newel.planning.side_reach import Grounds, Why, side_reach, touched_at, visible
from side_parts import pocketed

UP = np.array([0.0, 0.0, 1.0])


def flat(radius: float, edge: float, out: float, holder: float = 8.0) -> CutterShape:
    """A flat cutter whose shank is as wide as its edge, with a holder `out` over the tip."""
    return CutterShape(
        outline((0, 0), (radius, 0), (radius, edge)),
        outline((radius, edge), (radius, out), (holder, out), (holder, out + 60.0)),
    )


def places(*rows: tuple[float, float, float, float, float, float]) -> SurfaceSample:
    table = np.array(rows, dtype=float)
    return SurfaceSample(table[:, :3], table[:, 3:], 1.0)


@pytest.fixture(scope="module")
def pocket():
    mesh = pocketed(corner_mm=4.0, depth=5.0)
    tree = drop_tree(mesh.vertices, mesh.faces)
    return Grounds(tree, tree)


FLOOR = (15.0, 0.0, 5.0, 0.0, 0.0, 1.0)
FLOOR_BY_WALL = (15.0, 5.5, 5.0, 0.0, 0.0, 1.0)
WALL = (15.0, 6.0, 7.0, 0.0, -1.0, 0.0)
BELOW = (15.0, 0.0, -10.0, 0.0, 0.0, -1.0)


def test_floor_and_walls_of_a_pocket_are_touched_from_above(pocket):
    sample = places(FLOOR, FLOOR_BY_WALL, WALL, BELOW)
    found = touched_at(sample, np.arange(4), pocket.held, flat(3.0, 20.0, 30.0), 0.0, 0.05)
    assert found.tolist() == [True, True, True, False]


def test_the_far_side_is_touched_after_half_a_turn(pocket):
    found = touched_at(places(FLOOR, BELOW), np.arange(2), pocket.held, flat(3.0, 20.0, 30.0), 180.0, 0.05)
    assert found.tolist() == [False, True]


def test_a_cutter_wider_than_the_pocket_touches_nothing_in_it(pocket):
    found = touched_at(places(FLOOR, WALL), np.arange(2), pocket.held, flat(6.5, 20.0, 30.0), 0.0, 0.05)
    assert not found.any()


def test_a_holder_that_is_too_low_keeps_the_cutter_out(pocket):
    # derived: the pocket is 5 mm deep; a holder wider than it, 4 mm over the tip, stands on the rim
    found = touched_at(places(FLOOR, FLOOR_BY_WALL), np.arange(2), pocket.held, flat(3.0, 3.0, 4.0), 0.0, 0.05)
    assert not found.any()
    found = touched_at(places(FLOOR), np.arange(1), pocket.held, flat(3.0, 3.0, 6.0), 0.0, 0.05)
    assert found.all()


def test_only_what_lies_open_above_is_visible(pocket):
    assert visible(places(FLOOR, WALL, BELOW), pocket.held, 0.0).tolist() == [0, 1]


def test_reasons(pocket):
    # a wall with a lean of its own over it is no undercut here; a place inside the block is hidden at every turn
    inside = (15.0, 0.0, 0.0, 0.0, 0.0, 1.0)
    sample = places(FLOOR, inside)
    turns = np.array([0.0, 90.0, 180.0, 270.0])
    deep = side_reach(sample, pocket, {"short": flat(3.0, 3.0, 4.0)}, turns, 0.05)
    assert deep.why.tolist() == [Why.DEEP, Why.UNDERCUT]
    wide = side_reach(sample, pocket, {"wide": flat(6.5, 20.0, 30.0)}, turns, 0.05)
    assert wide.why.tolist() == [Why.CORNER, Why.UNDERCUT]
    good = side_reach(sample, pocket, {"good": flat(3.0, 20.0, 30.0)}, turns, 0.05)
    assert good.why.tolist() == [Why.REACHED, Why.UNDERCUT]
    assert good.touched[:, 0].tolist() == [True, False, False, False]


def test_what_a_stub_hides_is_told():
    mesh = pocketed()
    roof = np.array([[5.0, -9.0, 11.0], [25.0, -9.0, 11.0], [25.0, 9.0, 11.0], [5.0, 9.0, 11.0]])
    vertices = np.vstack([mesh.vertices, roof])
    faces = np.vstack([mesh.faces, np.array([[0, 1, 2], [0, 2, 3]]) + len(mesh.vertices)])
    grounds = Grounds(drop_tree(vertices, faces), drop_tree(mesh.vertices, mesh.faces))
    found = side_reach(places(FLOOR), grounds, {"flat": flat(3.0, 20.0, 30.0)}, np.array([0.0]), 0.05)
    assert found.why.tolist() == [Why.HELD]
