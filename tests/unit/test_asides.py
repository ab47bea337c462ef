"""What the turning cuts come to: round parts need nothing beside the axis, hollows do, and a short plan is refused."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.errors import Infeasible
from newel.core.plan import Placement
from newel.core.profile import CutterShape, outline
from newel.geometry.drop import drop_tree
from newel.planning.asides import AIM_PCT, Coverage, Scene, choose_asides, coverage, refuse_where_short
from newel.planning.reach import Standing, SurfaceSample, around_reach, sample_surface, tilted_reach
from newel.shop.cutters import Cutter, Form

TOLERANCE = 0.05
RADIUS = 1.0


def ball():
    edge = outline((0, 0), (RADIUS, RADIUS, 0, RADIUS), (RADIUS, 8))
    return CutterShape(edge, outline((RADIUS, 8), (RADIUS, 20), (6, 20), (6, 40)))


def box(x, y, z):
    corners = np.array([[a, b, c] for a in x for b in y for c in z], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [corner for a, b, c, d in quads for corner in ((a, b, c), (a, c, d))]
    return corners, np.array(faces)


def scene_of(parts):
    starts = np.cumsum([0] + [len(corners) for corners, _ in parts])
    vertices = np.vstack([corners for corners, _ in parts])
    faces = np.vstack([faces + k for (_, faces), k in zip(parts, starts, strict=False)])
    # no point of one box inside another counts as surface
    sample = sample_surface(vertices, faces, 3000, 1)
    keep = np.ones(len(sample.points), dtype=bool)
    for corners, _ in parts:
        low, high = corners.min(axis=0) - 1e-6, corners.max(axis=0) + 1e-6
        inside = ((sample.points > low) & (sample.points < high)).all(axis=1)
        on = np.minimum(np.abs(sample.points - corners.min(axis=0)), np.abs(sample.points - corners.max(axis=0))).min(axis=1)
        keep &= ~(inside & (on > 1e-6))
    sample = SurfaceSample(sample.points[keep], sample.normals[keep], sample.area_mm2)
    cutter = Cutter("ball", Form.BALL, 2.0, 8.0, 8.0, 20.0, 2.0, 2, "test", RE=RADIUS)
    return Scene(Standing(drop_tree(vertices, faces), 8.0), sample, 8.0, {"ball": cutter}, {"ball": ball()}, TOLERANCE)


BLOCK = [box((0, 20), (-4, 4), (-4, 4))]
T_BEAM = [box((0, 20), (-0.75, 0.75), (-5, 3.5)), box((0, 20), (-4.5, 4.5), (3.5, 5.0))]


def test_a_block_wants_nothing_beside_the_axis():
    found = coverage(scene_of(BLOCK), ["ball"], 0.0)
    # derived: nothing stands over any place of a block; its ends are cut by the flank
    assert found.pct > 99.9
    assert choose_asides(scene_of(BLOCK), found, ["ball"])[0] == ()


def test_the_hollows_of_a_t_want_the_cutter_beside_the_axis():
    scene = scene_of(T_BEAM)
    before = coverage(scene, ["ball"], 0.0)
    asides, after = choose_asides(scene, before, ["ball"])
    # derived: the arms' undersides and the web's flanks, 2 x (3.75 + 8.5) of 45 mm of outline, hide in part from the axis
    assert 60.0 < before.pct < 97.0
    assert after.pct > before.pct + 2.0
    assert asides
    assert {item.offset_y_mm > 0.0 for item in asides if item.offset_y_mm} == {True, False}  # a T is the same on both sides


def test_reach_past_the_axis_is_never_less():
    scene = scene_of(T_BEAM)
    above = around_reach(scene.sample, scene.standing, ball(), RADIUS, 2.0)
    both = around_reach(scene.sample, scene.standing, ball(), RADIUS, 2.0, (1.0, -1.0))
    assert (both <= above + 1e-12).all()
    assert (both < above - 0.1).any()


def test_a_lifted_ball_leaves_what_the_cosine_rule_says():
    # a point of a plane at z = 4 beside a wall: the ball is lifted onto the wall by its flank's corner
    scene = scene_of([box((0, 20), (-4, 4), (-4, 4)), box((9, 11), (-4, 4), (4, 5))])
    sample = SurfaceSample(np.array([[8.5, 0.0, 4.0]]), np.array([[0.0, 0.0, 1.0]]), 1.0)
    left = tilted_reach(sample, scene.standing, ball(), RADIUS, 0.0)
    # derived: the top edge of the wall is 0.5 mm off the axis, 1 mm up; a ball of R 1 stands on it at 1 - (1 - sqrt(1 - 0.25))
    assert left[0] == pytest.approx(1.0 - (1.0 - np.sqrt(0.75)), abs=1e-9)


def test_a_plan_that_would_fall_short_is_refused_with_the_place():
    scene = scene_of(T_BEAM)
    n = len(scene.sample.points)
    covered = scene.sample.points[:, 0] > 4.0
    placed = Placement(np.eye(4), 0.0, 20.0, 8.0)
    with pytest.raises(Infeasible, match="would be left standing") as refused:
        refuse_where_short(scene, Coverage(covered, np.ones(n, dtype=bool)), placed)
    assert refused.value.measured == pytest.approx(100.0 * covered.mean())
    assert "X 0 mm to 4 mm" in refused.value.where
    refuse_where_short(scene, Coverage(np.ones(n, dtype=bool), np.ones(n, dtype=bool)), placed)
    assert AIM_PCT > 98.0
