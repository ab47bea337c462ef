"""Walls at a side, profiled in a carved blank: where they stand, which way they are cut, what is left alone.

Expected figures are derived: a wall stands where the model's does. Contours are within 0.002 mm, a blank's rays within 0.003.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh

from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind, Hole, KeptWalls
from newel.geometry.blank import bar_blank, inside
from newel.geometry.blank_surface import surface_points
from newel.toolpaths.cut_passes import cut_passes
from side_samples import (
    BESIDE,
    at_side,
    ball_end,
    box,
    carved_by,
    deepest,
    flat_end,
    post,
    rapids_cut_mm3,
    side_cut,
    tree_of,
    turned,
    with_added,
    without,
)


def surface(blank, turn):
    points, normals, tags = surface_points(blank)
    return at_side(points, turn), at_side(normals, turn), tags


@pytest.mark.parametrize("turn", [0.0, 90.0, 20.0])
def test_the_walls_of_a_block_stand_where_they_should(turn):
    # a block of 14 x 8 on a floor at z 0, in a bar of 12 x 12
    body = turned(with_added(box((0, 30), (-6, 6), (-6, 0)), box((8, 22), (-4, 4), (-1, 6))), turn)
    target = tree_of(body)
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, -turn, 0.1)
    cut = side_cut(
        CutKind.PROFILE, turn_deg=turn, from_x_mm=4.0, to_x_mm=26.0, from_y_mm=-8.0, to_y_mm=8.0,
        top_z_mm=6.0, floor_z_mm=0.0, ap_mm=1.5, slope_deg=60.0, cusp_mm=0.0,
    )  # fmt: skip
    shape = flat_end(3.0)
    path = cut_passes(cut, shape, target, blank, BESIDE)
    carved = carved_by(blank, shape, path)
    points, normals, _ = surface(blank, turn)
    upright = (np.abs(normals[:, 2]) < 0.2) & (points[:, 2] > 0.1) & (points[:, 2] < 5.9)
    for axis, at, along in ((0, 8.0, 1), (0, 22.0, 1), (1, -4.0, 0), (1, 4.0, 0)):
        inner = np.abs(points[:, along] - (15.0 if along == 0 else 0.0)) < (6.9 if along == 0 else 3.9)
        near = upright & inner & (np.abs(points[:, axis] - at) < 0.3)
        assert near.sum() > 200
        assert points[near, axis] == pytest.approx(np.full(near.sum(), at), abs=0.01)
    floor = points[(normals[:, 2] > 0.99) & (points[:, 2] < 0.5), 2]
    # rays that end in the very corner between floor and wall may be off by the blank's own chords
    assert (np.abs(floor) <= 0.005).mean() >= 0.98
    assert np.abs(floor).max() <= 0.02
    assert deepest(path, target, shape.edge) <= 0.003 or deepest(path, target, flat_end(3.0 - 0.01).edge) <= 1e-6
    assert carved.struck_mm.max() == 0.0
    assert rapids_cut_mm3(path, carved) <= 0.001
    assert path.pose[0, 2] == path.pose[-1, 2] == BESIDE.retract_z_mm
    # climbing: round the outside of the block the cutter goes clockwise seen from above
    cutting = (path.kind[1:] == MoveKind.CUT) & (path.kind[:-1] == MoveKind.CUT)
    angle = np.arctan2(path.pose[:, 1], path.pose[:, 0] - 15.0)
    turned_by = (np.diff(angle) + math.pi) % (2 * math.pi) - math.pi
    assert turned_by[cutting].sum() < -4 * 2 * math.pi * 0.95
    # levels of at most ap, the floor exactly
    levels = np.unique(np.round(path.pose[path.kind == MoveKind.CUT, 2], 6))
    assert np.diff(levels).max() <= 1.5 + 1e-6
    assert levels[0] == 0.0


def test_an_allowance_stays_on_walls_and_not_on_floors():
    body = with_added(box((0, 30), (-6, 6), (-6, 0)), box((8, 22), (-4, 4), (-1, 6)))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=4.0, to_x_mm=26.0, top_z_mm=6.0, floor_z_mm=0.0, ap_mm=3.0, slope_deg=60.0, allowance_mm=0.3
    )
    path = cut_passes(cut, flat_end(3.0), tree_of(body), blank, BESIDE)
    carved_by(blank, flat_end(3.0), path)
    points, normals, _ = surface(blank, 0.0)
    upright = (np.abs(normals[:, 1]) > 0.99) & (np.abs(points[:, 0] - 15) < 6) & (np.abs(points[:, 2] - 3) < 2.5)
    wall = points[upright & (np.abs(points[:, 1]) < 5), 1]
    assert np.abs(wall) == pytest.approx(np.full(len(wall), 4.3), abs=0.01)
    assert path.pose[:, 2].min() == 0.0


def test_walls_that_keep_more_keep_it_alone():
    # a block of 14 x 8 on a floor at z 0: its wall at y 4 keeps 0.4 from z 3 up, all others are cut to size
    body = with_added(box((0, 30), (-6, 6), (-6, 0)), box((8, 22), (-4, 4), (-1, 6)))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    low, high = [[x, 4.0, 3.0] for x in (8.0, 22.0)], [[x, 4.0, 6.0] for x in (8.0, 22.0)]
    upper = np.array([[low[0], high[0], high[1]], [low[0], high[1], low[1]]])
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=4.0, to_x_mm=26.0, top_z_mm=6.0, floor_z_mm=0.0, ap_mm=3.0, slope_deg=90.0,
        kept=(KeptWalls(upper, 0.4),),
    )  # fmt: skip
    path = cut_passes(cut, flat_end(3.0), tree_of(body), blank, BESIDE)
    carved_by(blank, flat_end(3.0), path)
    points, normals, _ = surface(blank, 0.0)

    def wall(axis, at, z):
        along = points[:, 1 - axis] - (15.0 if axis == 1 else 0.0)
        some = (np.abs(normals[:, axis]) > 0.99) & (np.abs(along) < 3.0) & (np.abs(points[:, 2] - z) < 1.0)
        return points[some & (np.abs(points[:, axis] - at) < 0.7), axis]

    for axis, at, z, stays in (
        (1, 4.0, 4.5, 4.4),
        (1, -4.0, 4.5, -4.0),
        (1, -4.0, 1.5, -4.0),
        (0, 8.0, 4.5, 8.0),
        (0, 22.0, 4.5, 22.0),
    ):
        found = wall(axis, at, z)
        assert len(found) > 50
        assert found == pytest.approx(np.full(len(found), stays), abs=0.01)
    # the cutter's flank reaches up past the lower half, so that what hangs over it stays over it too
    under = wall(1, 4.0, 1.5)
    assert under == pytest.approx(np.full(len(under), 4.4), abs=0.01)


def test_a_pocket_is_profiled_from_within_and_entered_by_a_ramp():
    body = without(box((0, 30), (-6, 6), (-6, 6)), box((8, 22), (-4, 4), (2, 7)), post(15, 0, (1, 2.5), 2.0))
    target = tree_of(body)
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=0.0, to_x_mm=30.0, top_z_mm=6.0, floor_z_mm=2.0, ap_mm=1.0, slope_deg=60.0, cusp_mm=0.0
    )
    shape = flat_end(3.0)
    path = cut_passes(cut, shape, target, blank, BESIDE)
    carved = carved_by(blank, shape, path)
    points, normals, _ = surface(blank, 0.0)
    inside = (np.abs(normals[:, 2]) < 0.2) & (points[:, 2] > 2.1) & (points[:, 2] < 5.9) & (np.abs(points[:, 1]) < 4.5)
    inside &= (np.abs(points[:, 0] - 15) < 7.5) & (np.abs(points[:, 0] - 15) > 2.0)
    far = points[inside & (np.abs(points[:, 1]) > 3.5) & (np.abs(points[:, 0] - 15) < 5.0)]
    assert np.abs(far[:, 1]) == pytest.approx(np.full(len(far), 4.0), abs=0.01)
    assert deepest(path, target, flat_end(3.0 - 0.01).edge) <= 1e-6
    assert rapids_cut_mm3(path, carved) <= 0.001
    # no straight plunge into stock
    step = np.diff(path.pose, axis=0, prepend=path.pose[:1])
    plunge = (np.hypot(step[:, 0], step[:, 1]) < 1e-9) & (step[:, 2] < 0.0)
    assert carved.removed_mm3[plunge].max(initial=0.0) <= 0.05


def test_slanting_walls_get_levels_between_for_the_cusp():
    # a ridge along X with flanks of 60 degrees, cut with a ball
    t = math.tan(math.radians(60.0))
    base = box((0, 30), (-6, 6), (-6, -2))
    corners = [[x, y, z] for x in (0, 30) for y, z in ((-8 / t, -2), (8 / t, -2), (0.0, 6.0))]
    ridge = with_added(base, trimesh.convex.convex_hull(np.array(corners, dtype=float)))
    target = tree_of(ridge)
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    shape = ball_end(3.0)
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=-2.5, to_x_mm=32.5, top_z_mm=6.0, floor_z_mm=-2.0, ap_mm=2.0, slope_deg=45.0, cusp_mm=0.02
    )
    path = cut_passes(cut, shape, target, blank, BESIDE)
    carved_by(blank, shape, path)
    points, _, _ = surface(blank, 0.0)
    mid = (np.abs(points[:, 0] - 15) < 10) & (points[:, 2] > 0.5) & (points[:, 2] < 4.0)
    # height over the flank, square to it: the cusp asked and no more, no gouge
    over = (np.abs(points[mid, 1]) * t + points[mid, 2] - 6.0) * math.cos(math.radians(60.0))
    assert over.min() >= -0.004
    assert over.max() <= 0.02 * 1.3 + 0.004
    # neighbouring levels lie as far apart as the cusp of a ball allows, chord 2 sqrt(2 R c - c^2), times the slope's sine, but
    # for the last of a stretch; the cutter is kept down from run to run where the next begins near
    steps = -np.diff(np.unique(np.round(path.pose[path.kind == MoveKind.CUT, 2], 6))[::-1])
    widest = 2.0 * math.sqrt(2.0 * 1.5 * 0.02 - 0.02**2) * math.sin(math.radians(60.0))
    assert widest * 0.98 <= np.median(steps) and steps.max() <= widest * 1.005
    dives = np.flatnonzero((path.kind[1:] == MoveKind.RAPID) & (path.kind[:-1] == MoveKind.CUT))
    assert len(dives) < len(steps)  # of two runs a level


def test_upright_walls_need_no_levels_between():
    # a round post: whatever the cusp, a ball's flank leaves nothing on it between levels as deep as ap
    body = with_added(box((0, 30), (-6, 6), (-6, -2)), post(15, 0, (-2.5, 6), 8.0))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.1)
    shape = ball_end(3.0)
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=4.0, to_x_mm=26.0, top_z_mm=6.0, floor_z_mm=-2.0, ap_mm=4.0, slope_deg=50.0, cusp_mm=0.02
    )
    path = cut_passes(cut, shape, tree_of(body), blank, BESIDE)
    levels = np.unique(np.round(path.pose[path.kind == MoveKind.CUT, 2], 6))
    # over the rim, from 1.5 under it, the ball rolls off an edge: there the tip's way leans
    assert levels[levels < 4.5].tolist() == [-2.0, 2.0] and len(levels) <= 4
    carved_by(blank, shape, path)
    points, normals, _ = surface(blank, 0.0)
    away = np.hypot(points[:, 0] - 15.0, points[:, 1])
    wall = (np.abs(normals[:, 2]) < 0.2) & (points[:, 2] > 0.0) & (points[:, 2] < 5.5) & (away < 4.5)
    assert wall.sum() > 500
    assert (np.abs(away[wall] - 4.0) <= 0.01).mean() >= 0.99


def test_a_low_step_is_a_wall_too():
    body = with_added(box((0, 30), (-6, 6), (-6, 5.8)), box((8, 22), (-4, 4), (5, 6)))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.2)
    cut = side_cut(
        CutKind.PROFILE, from_x_mm=5.0, to_x_mm=25.0, from_y_mm=-8.0, to_y_mm=8.0, top_z_mm=6.0, floor_z_mm=5.8,
        flats_z_mm=(5.8,), ap_mm=3.0, slope_deg=90.0, cusp_mm=0.0,
    )  # fmt: skip
    path = cut_passes(cut, flat_end(3.0), tree_of(body), blank, BESIDE)
    cutting = path.pose[path.kind == MoveKind.CUT]
    assert (cutting[:, 2] == 5.8).all()
    # derived: the contour lies a radius outside 14 x 8
    assert np.abs(cutting[:, 0] - 15.0).max() == pytest.approx(8.5, abs=1.6)
    assert np.abs(cutting[:, 1]).max() >= 5.49


def test_a_rest_cut_keeps_to_the_corners_that_the_bigger_cutter_left():
    body = without(box((0, 30), (-6, 6), (-6, 6)), box((8, 22), (-4, 4), (2, 7)))
    target = tree_of(body)
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.2)
    base = side_cut(CutKind.PROFILE, top_z_mm=6.0, floor_z_mm=2.0, ap_mm=2.0, slope_deg=90.0, cusp_mm=0.0)
    base = replace(base, from_x_mm=6.0, to_x_mm=24.0, from_y_mm=-5.0, to_y_mm=5.0)
    carved_by(blank, flat_end(5.0), cut_passes(base, flat_end(5.0), target, blank, BESIDE))
    told = replace(BESIDE, finished_by=flat_end(5.0))
    path = cut_passes(replace(base, rest_over_mm=0.02), flat_end(2.0), target, blank, told)
    cutting = path.pose[path.kind == MoveKind.CUT]
    corner = np.array([[8.0, -4.0], [22.0, -4.0], [22.0, 4.0], [8.0, 4.0]])
    away = np.linalg.norm(cutting[:, None, :2] - corner[None], axis=2).min(axis=1)
    # derived: the big cutter first touches a wall its radius from the corner; the run goes 1 mm on, its lead another radius
    assert away.max() <= 2.5 + 1.0 + 1.0 + 0.7
    carved_by(blank, flat_end(2.0), path)
    # derived: in the corner a circle of radius 1 is left, r (sqrt 2 - 1) off the corner along the diagonal
    diagonal = np.array([[22.0 - t, 4.0 - t, 4.0] for t in (0.25, 0.36, 0.5)])
    assert inside(blank, diagonal).tolist() == [True, False, False]


def test_holes_that_are_named_are_left_to_their_own_cuts():
    body = without(box((0, 30), (-6, 6), (-6, 6)), post(8, 0, (2, 7), 6.0), post(20, 0, (2, 7), 6.0))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.4)
    cut = side_cut(CutKind.PROFILE, to_x_mm=30.0, top_z_mm=6.0, floor_z_mm=2.0, ap_mm=4.0, slope_deg=90.0, cusp_mm=0.0)
    cut = replace(cut, from_y_mm=-5.0, to_y_mm=5.0, leaves=(Hole(8.0, 0.0, 6.0, 2.0, 6.0, False),))
    path = cut_passes(cut, flat_end(3.0), tree_of(body), blank, BESIDE)
    # derived: the contour in the other hole has a radius of 1.5
    assert path.pose[:, 0].min() == pytest.approx(18.5, abs=0.01)


def test_the_walls_that_a_hole_opens_into_are_not_left_to_it():
    # a pocket of 7 x 7 down to z 3, in its floor a hole of 6: the contour in the pocket lies 2 from the hole's axis
    body = without(box((0, 30), (-6, 6), (-6, 6)), box((4.5, 11.5), (-3.5, 3.5), (3, 7)), post(8, 0, (1, 4), 6.0))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.4)
    cut = side_cut(CutKind.PROFILE, to_x_mm=30.0, top_z_mm=6.0, floor_z_mm=1.0, ap_mm=1.5, slope_deg=90.0, cusp_mm=0.0)
    cut = replace(cut, from_y_mm=-5.0, to_y_mm=5.0, flats_z_mm=(3.0,), leaves=(Hole(8.0, 0.0, 3.0, 1.0, 6.0, False),))
    path = cut_passes(cut, flat_end(3.0), tree_of(body), blank, BESIDE)
    cuts = path.pose[path.kind == MoveKind.CUT]
    assert cuts[:, 2].min() == pytest.approx(3.0, abs=1e-6)
    for axis, low, high in ((0, 6.0, 10.0), (1, -2.0, 2.0)):  # derived: walls less the cutter's radius of 1.5
        assert cuts[:, axis].min() == pytest.approx(low, abs=0.01)
        assert cuts[:, axis].max() == pytest.approx(high, abs=0.01)
