"""Bevels along edges of a carved blank: width, place, corners, neighbours left alone.

Expected figures are derived: the flat's width is the asked one, its distance from the edge follows from the dihedral.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.core.plan import CutKind, SharpEdge
from newel.geometry.blank import bar_blank, carve
from newel.geometry.blank_surface import surface_points
from newel.toolpaths.bevel import bevel, bevel_runs
from newel.toolpaths.cut_passes import cut_passes
from side_samples import (
    BESIDE,
    at_side,
    box,
    carved_by,
    deepest,
    flat_end,
    pointed,
    post,
    rapids_cut_mm3,
    side_cut,
    square_bar,
    tree_of,
    turned,
    with_added,
    without,
)

V90, V60 = pointed(6.0, 90.0, 8.0, 0.2), pointed(6.0, 60.0, 8.0, 0.2)
UP, LEFT = (0.0, 0.0, 1.0), (0.0, -1.0, 0.0)


def edge(points, one, other, width=0.5, turn=0.0):
    """An edge drawn in the table frame at a turn, as the bar has it."""
    back = turn_about_x(turn)
    points = np.array(points, dtype=float)
    faces = [np.broadcast_to(np.array(n, dtype=float), points.shape) @ back for n in (one, other)]
    return SharpEdge(points @ back, *faces, width)


def bevel_points(blank, turn, normal, tags=None):
    """Places of the surface whose normal is a bevel's, in the table frame."""
    points, normals, _ = surface_points(blank)
    points, normals = at_side(points, turn), at_side(normals, turn)
    return points[normals @ np.array(normal) > 0.999]


@pytest.mark.parametrize("turn", [0.0, 90.0, 30.0])
@pytest.mark.parametrize(("shape", "half"), [(V90, 45.0), (V60, 30.0)])
def test_a_level_edge_gets_a_flat_of_the_asked_width(turn, shape, half):
    block = box((0, 30), (-6, 6), (-6, 6))
    target = tree_of(turned(block, turn))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, -turn, 0.05)
    asked = edge([[0, -6, 6], [30, -6, 6]], UP, LEFT, 0.5, turn)
    path = cut_passes(side_cut(CutKind.BEVEL, turn_deg=turn, edges=(asked,)), shape, target, blank, BESIDE)
    carved = carved_by(blank, shape, path)
    # derived: at half angle a the flat of width w takes w cos a off the top face and w ... sin a off the side
    a = math.radians(half)
    points = bevel_points(blank, turn, (0.0, -math.cos(a), math.sin(a)))
    points = points[(points[:, 0] > 1) & (points[:, 0] < 29)]
    assert len(points) > 500
    flat = -points[:, 1] * math.cos(a) + points[:, 2] * math.sin(a)
    depth = 6 * math.cos(a) + 6 * math.sin(a) - 0.5 * math.sin(a) * math.cos(a)
    assert flat == pytest.approx(np.full(len(flat), depth), abs=0.005)
    # derived: half of leg times leg is w^2 sin a cos a / 2, all along the bar; the width that the removed area belongs to
    width = math.sqrt(2 * carved.removed_mm3.sum() / 30 / (math.sin(a) * math.cos(a)))
    assert width == pytest.approx(0.5, abs=0.01)
    assert carved.struck_mm.max() == 0.0
    assert rapids_cut_mm3(path, carved) <= 0.001
    found = bevel_runs(side_cut(CutKind.BEVEL, turn_deg=turn, edges=(asked,)), shape, target, BESIDE)
    assert len(found.runs) == 1 and found.left_out == ()


@pytest.mark.parametrize("rise_deg", [10.0, 25.0])
def test_a_slanting_edge_gets_its_width_too(rise_deg):
    # a roof that rises along X: the edge between it and the upright side
    t = math.radians(rise_deg)
    block = box((0, 30), (-6, 6), (-6, 6))
    cutter = box((-60, 60), (-20, 20), (0, 20))
    matrix = np.eye(4)
    matrix[:3, :3] = np.array([[math.cos(t), 0, -math.sin(t)], [0, 1, 0], [math.sin(t), 0, math.cos(t)]])
    matrix[:3, 3] = [15.0, 0.0, 2.0]
    cutter.apply_transform(matrix)
    body = without(block, cutter)
    z0 = matrix[2, 3]
    line = lambda x: [x, -6.0, z0 + (x - 15.0) * math.tan(t)]  # noqa: E731
    kink = min(30.0, 15.0 + (6 - z0) / math.tan(t))
    points, ones = [line(0.0), line(kink)], [(-math.sin(t), 0.0, math.cos(t))] * 2
    if kink < 30.0:  # the edge goes on, level; its normal at the kink stands between
        points.append([30.0, -6.0, 6.0])
        ones = [ones[0], (-math.sin(t / 2), 0.0, math.cos(t / 2)), UP]
    asked = SharpEdge(np.array(points), np.array(ones), np.tile(LEFT, (len(points), 1)), 0.5)
    target = tree_of(body)
    d = np.array([math.cos(t), 0.0, math.sin(t)])
    run = bevel_runs(side_cut(CutKind.BEVEL, edges=(asked,)), V90, target, BESIDE)
    # at the kink the two flats do not quite meet in a mitre: a few tenths are left rather than cut into what is beyond
    assert sum(left.length_mm for left in run.left_out) <= 0.3
    tips = run.runs[0][0]
    # derived: the cone's flank touches planes whose normal is at 45 degrees to the axis and square to d
    c = math.sin(math.radians(45)) / math.cos(t)
    n = c * np.array([-math.sin(t), 0, math.cos(t)]) + math.sqrt(1 - c * c) * np.array([0.0, -1.0, 0.0])
    # distance of the flank's plane from the tip of the full cone: its point lies tip_flat / 2 under the flat
    apex = tips[1] - [0, 0, 0.1]
    depth = float(n @ (np.array(line(tips[1][0])) - apex))
    # legs of a flat of depth e: e / (sin of the angle to each face)
    f1, f2 = np.array([0, 1.0, 0]), np.array([math.sin(t), 0, -math.cos(t)])
    legs = depth / -float(n @ f1), depth / -float(n @ f2)
    assert np.linalg.norm(legs[0] * f1 - legs[1] * f2) == pytest.approx(0.5, abs=1e-6)
    assert float(n @ d) == pytest.approx(0.0, abs=1e-12)


def framed(points, outward):
    """A closed edge round a level outline, counterclockwise: normals of the sides from the turns of the outline."""
    points = np.vstack([points, points[:1]])
    way = np.diff(points[:, :2], axis=0)
    side = np.column_stack([way[:, 1], -way[:, 0], np.zeros(len(way))]) * outward
    side /= np.linalg.norm(side, axis=1)[:, None]
    mean = side + np.roll(side, 1, axis=0)
    mean /= np.linalg.norm(mean, axis=1)[:, None]
    return SharpEdge(points, np.tile(UP, (len(points), 1)), np.vstack([mean, mean[:1]]), 0.5)


def test_a_rectangle_is_bevelled_all_round_with_mitred_corners():
    body = with_added(box((0, 30), (-6, 6), (-6, 2)), box((5, 25), (-4, 4), (1, 6)))
    outline = np.array([[5.0, -4, 6], [25, -4, 6], [25, 4, 6], [5, 4, 6]])
    asked = framed(outline, 1.0)
    target = tree_of(body)
    cut = side_cut(CutKind.BEVEL, edges=(asked,))
    found = bevel_runs(cut, V90, target, BESIDE)
    assert found.left_out == ()
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.05)
    _stand_free(blank)
    path = bevel(cut, V90, target, blank, BESIDE)
    carved = carved_by(blank, V90, path)
    leg = 0.5 / math.sqrt(2)
    # derived: the frustum under four flats at 45 degrees: prism over leg, less the mitred frame
    full = 20.0 * 8.0 * leg
    left = leg * (160.0 + (20 - 2 * leg) * (8 - 2 * leg) + 4 * (20 - leg) * (8 - leg)) / 6.0
    assert carved.removed_mm3.sum() == pytest.approx(full - left, rel=0.02)
    for normal, want in (((0, -1, 1), 18.0), ((1, 0, 1), 6.0)):
        points = bevel_points(blank, 0.0, np.array(normal) / math.sqrt(2))
        along = points[:, 0 if normal[0] == 0 else 1]
        assert along.max() - along.min() >= want
        distance = points @ (np.array(normal) / math.sqrt(2))
        corner = np.array([0, -4.0, 6]) if normal[0] == 0 else np.array([25.0, 0, 6])
        assert distance == pytest.approx(np.full(len(distance), corner @ np.array(normal) / math.sqrt(2) - 0.25), abs=0.006)
    # nothing but the wedges is touched: the floor about the block lies 4 mm down and is not reached
    points, _, tags = surface_points(blank)
    assert points[tags >= 0][:, 2].min() >= 6 - leg - 0.02


def _stand_free(blank):
    """Cut the bar down to a block of 20 x 8 on a floor at z 2, from above, with a flat end of 2 mm."""
    flat = flat_end(2.0)
    rows = []
    for y in np.arange(5.0, 8.0, 0.5):
        rows += [[-3.0, y, 2.0, 0.0], [33.0, y, 2.0, 0.0], [33.0, -y, 2.0, 0.0], [-3.0, -y, 2.0, 0.0]]
    for x in np.arange(4.0, -2.0, -0.5):
        rows += [[x, -9.0, 2.0, 0.0], [x, 9.0, 2.0, 0.0]]
    rows += [[-3.0, 12.0, 2.0, 0.0], [33.0, 12.0, 2.0, 0.0]]
    for x in np.arange(26.0, 32.0, 0.5):
        rows += [[x, 9.0, 2.0, 0.0], [x, -9.0, 2.0, 0.0]]
    poses = np.array(rows)
    carve(blank, flat, poses, np.zeros(len(poses), dtype=np.int32))
    # forget who made it: the bevel's own tags must be told from these
    blank.yz.links[..., :2] = np.minimum(blank.yz.links[..., :2], -1)
    blank.x.links[..., :2] = np.minimum(blank.x.links[..., :2], -1)


def test_the_rim_of_a_bore_is_bevelled_from_within():
    rim = np.column_stack([15 + 3.5 * np.cos(a := np.arange(64) * 2 * np.pi / 64), 3.5 * np.sin(a), np.full(64, 6.0)])
    # material lies outside: walked clockwise, or counterclockwise with sides that look inward
    body = without(box((0, 30), (-6, 6), (-6, 6)), post(15, 0, (-7, 7), 7.0, 64))
    cut = side_cut(CutKind.BEVEL, edges=(framed(rim, -1.0),))
    found = bevel_runs(cut, V90, tree_of(body), BESIDE)
    assert found.left_out == ()
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.05)
    drilled = np.array([[15 + 2 * math.cos(t), 2 * math.sin(t), -8.0, 0.0] for t in np.linspace(0, 2 * np.pi, 721)])
    carve(blank, flat_end(3.0), drilled, np.zeros(721, dtype=np.int32))
    path = bevel(cut, V90, tree_of(body), blank, BESIDE)
    carved = carved_by(blank, V90, path)
    leg = 0.5 / math.sqrt(2)
    # derived (Pappus): triangle of half leg^2 about a circle through its centre of area
    assert carved.removed_mm3.sum() == pytest.approx(0.5 * leg**2 * 2 * math.pi * (3.5 + leg / 3), rel=0.02)
    assert carved.struck_mm.max() == 0.0
    assert rapids_cut_mm3(path, carved) <= 0.001


def test_an_edge_that_runs_into_a_wall_is_left_before_it_and_told():
    body = with_added(box((0, 30), (-6, 6), (-6, 0)), box((20, 30), (-6.0, 6), (-6, 6)), box((20, 30), (-9, 6), (-6, 6)))
    asked = edge([[0, -6, 0], [20, -6, 0]], UP, LEFT)
    cut = side_cut(CutKind.BEVEL, edges=(asked,))
    target = tree_of(body)
    found = bevel_runs(cut, V90, target, BESIDE)
    assert len(found.runs) == 1 and len(found.left_out) == 1
    assert "neighbour" in found.left_out[0].because
    assert 0.2 <= found.left_out[0].length_mm <= 4.0
    tips = found.runs[0][0]
    # derived: at the wall x = 20 the cone is as wide as where it passes the top of the wall, its radius 3 at most
    assert 16.9 <= tips[:, 0].max() <= 20.0
    path = bevel(cut, V90, target, square_bar(0.2, 20.0, 30.0), BESIDE)
    smaller = pointed(6.0 - 0.04, 90.0, 8.0, 0.2)
    wall = tree_of(box((20, 30), (-9, 6), (-6, 6)))
    assert deepest(path, wall, smaller.edge) <= 1e-6


def test_a_low_floor_under_the_edge_is_never_touched():
    # a step of 0.4 mm only: the tip has no room below a flat of 0.5 at 45 degrees (leg 0.354) and its own flat
    body = with_added(box((0, 30), (-6, 6), (-6, -0.4)), box((0, 30), (0, 6), (-6, 0)))
    asked = edge([[0, 0, 0], [30, 0, 0]], UP, LEFT)
    found = bevel_runs(side_cut(CutKind.BEVEL, edges=(asked,)), V90, tree_of(body), BESIDE)
    assert found.runs == ()
    assert found.left_out[0].length_mm == pytest.approx(30.0, abs=1.0)
    deeper = with_added(box((0, 30), (-6, 6), (-6, -0.6)), box((0, 30), (0, 6), (-6, 0)))
    found = bevel_runs(side_cut(CutKind.BEVEL, edges=(asked,)), V90, tree_of(deeper), BESIDE)
    assert len(found.runs) == 1 and found.left_out == ()
    assert found.runs[0][0][:, 2].min() >= -0.6


def test_edges_that_no_flank_can_face_are_told():
    upright = edge([[0, -6, -6], [0, -6, 6]], (-1.0, 0.0, 0.0), LEFT)
    under = edge([[0, -6, -6], [30, -6, -6]], (0.0, 0.0, -1.0), LEFT)
    target = tree_of(box((0, 30), (-6, 6), (-6, 6)))
    found = bevel_runs(side_cut(CutKind.BEVEL, edges=(upright, under)), V90, target, BESIDE)
    assert found.runs == ()
    assert [left.length_mm for left in found.left_out] == pytest.approx([12.0, 30.0])
    with pytest.raises(BadInput, match="cone"):
        bevel_runs(side_cut(CutKind.BEVEL, edges=(under,)), flat_end(3.0), target, BESIDE)
