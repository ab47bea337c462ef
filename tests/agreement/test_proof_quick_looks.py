"""What the proof asks quickly first (is it nearer, is it held too high) against measuring everything: the same answers."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from faults.proof_bench import CUTTERS, JOURNAL, MACHINE, SETUP, ball, journal_model
from newel.core.dialect import ReadTraits
from newel.core.job import ProofAsk
from newel.geometry.drop import drop, drop_tree
from newel.geometry.profiles import polyline
from newel.proof import part_strikes, strikes, unreachable
from newel.proof.course import Course
from newel.proof.prove import Case, read_course
from newel.proof.strikes_kernels import clearances

TWO_CUTTERS = JOURNAL.replace("M30\n", "T6 M6\nS10000 M3\nG0 X14 Y0\nG43 H6 Z20\nG1 Z{z} F100\nX16 Y0.5\nG0 Z20\nM30\n")


def course_of(text: str) -> Course:
    case = Case((("p.ngc", text),), SETUP, MACHINE, None, ProofAsk(), ReadTraits(), 0.05, (), None)
    return read_course(case, lambda stage, share: None)[0]


@pytest.mark.parametrize("tip_mm", [2.0, 2.9, 6.0])  # the body begins 1 mm over the tip: deep in the part, a little, over it
def test_bodies_are_as_near_to_the_part_as_by_measuring_every_pose(tip_mm: float, monkeypatch: pytest.MonkeyPatch) -> None:
    course, (vertices, faces) = course_of(TWO_CUTTERS.format(z=tip_mm)), journal_model()
    quick = part_strikes.part_strike_findings(course, vertices, faces)
    monkeypatch.setattr(part_strikes, "_nearer", lambda tree, body, places, least_mm: np.ones(len(places), bool))
    assert quick == part_strikes.part_strike_findings(course, vertices, faces)
    assert bool(quick[0]) == (tip_mm < 3.0)


def test_the_nearest_row_is_that_of_measuring_all_of_them() -> None:
    course = course_of(TWO_CUTTERS.format(z=4.2))
    for near in strikes.nearest(course, SETUP.keep_out):
        cylinder = np.array([near.thing.from_x_mm, near.thing.to_x_mm, near.thing.radius_mm])
        everything = []
        for number, cutter in course.cutters.items():
            rows = np.flatnonzero(course.moves & course.known & (course.motion.cutter == number))
            out = np.empty(len(rows))
            begin, end = np.ascontiguousarray(course.begin[rows]), np.ascontiguousarray(course.end[rows])
            clearances(begin, end, strikes.frustums(cutter.shape), cylinder, strikes.TURNS, out)
            everything += out.tolist()
        assert near.mm.min() == pytest.approx(min(everything), abs=2.0 * strikes.EQUAL_MM)


def test_reach_is_the_same_as_by_dropping_every_cutter_everywhere(monkeypatch: pytest.MonkeyPatch) -> None:
    # a block with a notch of 3 mm: its floor's corners and some of its walls are out of reach of balls, and of short cutters
    block = trimesh.creation.box(bounds=[(0.0, -5.0, -5.0), (20.0, 5.0, 2.0)])
    sides = [trimesh.creation.box(bounds=[(a, -5.0, 2.0), (b, 5.0, 6.0)]) for a, b in ((0.0, 8.5), (11.5, 20.0))]
    mesh = trimesh.util.concatenate([block, *sides])
    tree = drop_tree(mesh.vertices, mesh.faces)
    rng = np.random.default_rng(3)
    points = np.array([[8.5 + 3.0 * t, rng.uniform(-4, 4), 2.0] for t in rng.uniform(0, 1, 60)])
    walls = np.array([[8.5, rng.uniform(-4, 4), rng.uniform(2.0, 6.0)] for _ in range(60)])
    places = np.vstack([points, walls])
    normals = np.vstack([np.tile([0.0, 0.0, 1.0], (60, 1)), np.tile([1.0, 0.0, 0.0], (60, 1))])
    shapes = [cutter.shape for cutter in (ball(1, 1.0, 5.0), CUTTERS[4])]
    quick = unreachable.reachable(places, normals, tree, shapes, 0.03)
    monkeypatch.setattr(unreachable, "stands_clear", lambda tree, profile, x, y, z, turn: np.ones(len(x), bool))
    assert quick.tolist() == unreachable.reachable(places, normals, tree, shapes, 0.03).tolist()
    assert 0 < quick.sum() < len(quick)


@pytest.mark.parametrize("case", range(6))
def test_an_edge_touches_nothing_from_higher_than_its_lowest_place_near_there_allows(case: int) -> None:
    rng = np.random.default_rng(case)
    shape = (ball(1, 2.0, 6.0), CUTTERS[0], ball(3, 0.5, 4.0))[case % 3].shape
    outline, tolerance = polyline(shape.edge, 0.002), 0.05
    r, h = rng.uniform(0.0, 2.5, 4000), rng.uniform(-0.5, 7.0, 4000)
    lowest = unreachable.lowest_beside_mm(outline, r, tolerance) - tolerance
    touches = unreachable.off_edge_mm(outline, r, h) <= tolerance
    assert touches.any()
    assert (h[touches] >= lowest[touches] - 1e-12).all()


def test_a_ball_held_clear_is_dropped_and_found_to_touch() -> None:
    # derived: over a level floor the drop of any cutter is the floor's height, and its tip touches what it stands on
    floor = trimesh.creation.box(bounds=[(0.0, -20.0, -5.0), (40.0, 20.0, 3.0)])
    tree = drop_tree(floor.vertices, floor.faces)
    shape = ball(1, 2.0, 6.0).shape
    place, up = np.array([[20.0, 0.0, 3.0]]), np.array([[0.0, 0.0, 1.0]])
    assert drop(tree, shape.edge, 20.0, 0.0, 0.0) == pytest.approx(3.0)
    assert unreachable.reachable(place, up, tree, [shape], 0.01).all()
