"""Holes at a side, drilled and bored in a carved blank: diameter, floor, order, and nothing touched that must not be.

Expected sizes are derived: the asked circle and floor. A carved blank is believed to the pitch of nothing: its rays end on
exact walls, so that only an arc's chords (0.003 mm) and the rays' own rounding stand between asked and measured.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.motion import MoveKind
from newel.core.plan import CutKind, Hole
from newel.geometry.blank import inside, volume_mm3
from newel.geometry.blank_surface import surface_points
from newel.toolpaths.holes import bore, drill
from side_samples import (
    BESIDE,
    at_side,
    box,
    carved_by,
    flat_end,
    pointed,
    post,
    rapids_cut_mm3,
    side_cut,
    square_bar,
    tree_of,
    turned,
    without,
)


def bar_with(turn, *holes):
    """A bar of 12 x 12 mm with round holes sunk into it at a turn, as a tree, and its blank."""
    posts = [post(h.x_mm, h.y_mm, (h.floor_z_mm - h.through, 7.0), h.diameter_mm) for h in holes]
    body = turned(without(box((0, 40), (-6, 6), (-6, 6)), *posts), turn)
    return tree_of(body), square_bar(size=12.0, to_x=40.0, turned_deg=-turn)


def wall_radii(blank, turn, hole):
    """Distances from a hole's axis of the points of its wall."""
    points, normals, _ = surface_points(blank)
    points, normals = at_side(points, turn), at_side(normals, turn)
    away = np.hypot(points[:, 0] - hole.x_mm, points[:, 1] - hole.y_mm)
    within = (points[:, 2] > hole.floor_z_mm + 0.2) & (points[:, 2] < hole.top_z_mm - 0.2)
    return away[(np.abs(normals[:, 2]) < 0.2) & within & (away < hole.diameter_mm / 2 + 0.5)]


def held(blank, turn, places):
    return inside(blank, np.array(places) @ turn_about_x(turn)).tolist()


@pytest.mark.parametrize("turn", [0.0, 90.0, 37.0])
@pytest.mark.parametrize(
    "hole",
    [Hole(20.0, 1.0, 6.0, 1.0, 8.0, False), Hole(15.0, -1.0, 6.0, -2.0, 4.0, False), Hole(20.0, 0.0, 6.0, -6.0, 9.0, True)],
    ids=["wide", "narrow", "through"],
)
def test_a_bore_has_its_diameter_and_floor(turn, hole):
    target, blank = bar_with(turn, hole)
    path = bore(side_cut(CutKind.BORE, turn_deg=turn, holes=(hole,)), flat_end(3.0), target, blank, BESIDE)
    carved = carved_by(blank, flat_end(3.0), path)
    radii = wall_radii(blank, turn, hole)
    assert len(radii) > 500
    assert 2.0 * radii.min() >= hole.diameter_mm - 0.02
    assert 2.0 * radii.max() <= hole.diameter_mm + 0.02
    assert 2.0 * radii.mean() == pytest.approx(hole.diameter_mm, abs=0.004)
    probes = [[hole.x_mm + dx, hole.y_mm, hole.floor_z_mm + dz] for dz in (0.05, -0.05) for dx in (0.0, 1.2, -1.5)]
    assert held(blank, turn, probes) == [False] * 3 + [not hole.through] * 3
    assert carved.struck_mm.max() == 0.0
    assert rapids_cut_mm3(path, carved) <= 0.001
    # derived: the cylinder's volume; what a through hole goes beyond the bar is air
    volume = math.pi * hole.diameter_mm**2 / 4 * (hole.top_z_mm - hole.floor_z_mm)
    assert carved.removed_mm3.sum() == pytest.approx(volume, rel=0.01)
    assert path.pose[0, 2] == path.pose[-1, 2] == BESIDE.retract_z_mm
    assert (path.pose[:, 3] == turn).all()


def test_a_bore_goes_round_climbing_and_no_turn_is_deeper_than_asked():
    hole = Hole(20.0, 0.0, 6.0, 0.0, 8.0, False)
    target, blank = bar_with(0.0, hole)
    path = bore(side_cut(CutKind.BORE, holes=(hole,), ap_mm=0.7), flat_end(3.0), target, blank, BESIDE)
    cut = path.kind == MoveKind.CUT
    angle = np.unwrap(np.arctan2(path.pose[:, 1], path.pose[:, 0] - 20.0))
    ring = cut & (np.abs(np.hypot(path.pose[:, 0] - 20.0, path.pose[:, 1]) - 2.5) < 0.01)
    assert (np.diff(angle)[ring[1:] & ring[:-1]] > 0.0).all()  # counterclockwise: climbing inside for M3
    fall = -np.diff(path.pose[:, 2])[ring[1:] & ring[:-1]]
    slope = fall / np.diff(angle)[ring[1:] & ring[:-1]]
    assert 2 * math.pi * slope.max() <= 0.7 + 1e-9
    # derived: at the wall the edge runs over the work at the asked 600, the tip in the share of the radii, 2.5 / 4
    assert np.unique(np.round(path.feed_mm_per_min[ring], 6)).tolist() == [375.0]


def test_a_bore_keeps_its_allowance_and_passes_over_what_is_gone():
    hole = Hole(20.0, 0.0, 6.0, 0.0, 9.0, False)
    target, blank = bar_with(0.0, hole)
    rough = bore(side_cut(CutKind.BORE, holes=(hole,), allowance_mm=0.3), flat_end(3.0), target, blank, BESIDE)
    carved_by(blank, flat_end(3.0), rough)
    radii = wall_radii(blank, 0.0, hole)
    assert 2.0 * radii.mean() == pytest.approx(9.0 - 0.6, abs=0.004)
    assert held(blank, 0.0, [[20.0, 0.0, 0.25], [20.0, 0.0, 0.35]]) == [True, False]
    finish = bore(side_cut(CutKind.BORE, holes=(hole,)), flat_end(3.0), target, blank, BESIDE)
    left = carved_by(blank, flat_end(3.0), finish)
    assert 2.0 * wall_radii(blank, 0.0, hole).mean() == pytest.approx(9.0, abs=0.004)
    assert left.removed_mm3.sum() == pytest.approx(math.pi * (4.5**2 * 6.0 - 4.2**2 * 5.7), rel=0.01)
    # of the rings none is gone round again but the last, whose tenth is finer than the rays
    again = bore(side_cut(CutKind.BORE, holes=(hole,)), flat_end(3.0), target, blank, BESIDE)
    assert len(again) < 0.5 * len(rough)


def test_a_hole_that_opens_over_a_ledge_is_not_followed_into_it():
    # the hole's far half stands over a ledge 2 mm below its end
    hole = Hole(20.0, 0.0, 6.0, 2.0, 6.0, True)
    body = without(box((0, 40), (-6, 6), (-6, 6)), post(20.0, 0.0, (1.0, 7.0), 6.0), box((10, 30), (-7, 7), (1.6, 2.0)))
    blank = square_bar(size=12.0, to_x=40.0)
    path = bore(side_cut(CutKind.BORE, holes=(hole,)), flat_end(3.0), tree_of(body), blank, BESIDE)
    assert path.pose[:, 2].min() == pytest.approx(1.5, abs=1e-6)  # derived: THROUGH_MM below the end; the ledge lies at 1.0


def test_a_cutter_that_is_too_wide_is_refused():
    hole = Hole(20.0, 0.0, 6.0, 0.0, 3.0, False)
    target, blank = bar_with(0.0, hole)
    with pytest.raises(BadInput, match="too wide"):
        bore(side_cut(CutKind.BORE, holes=(hole,)), flat_end(3.0), target, blank, BESIDE)
    with pytest.raises(BadInput, match="wider than a hole"):
        drill(side_cut(CutKind.DRILL, holes=(hole,)), pointed(4.0, 118.0), target, blank, BESIDE)


def test_drilled_holes_pecked_and_through():
    blind, through = Hole(12.0, 2.0, 6.0, -1.0, 3.0, False), Hole(28.0, 0.0, 6.0, -6.0, 3.0, True)
    point = 1.5 / math.tan(math.radians(59.0))
    cone = post(12.0, 2.0, (-1.0 - point, -1.0), 3.0)
    corners = np.asarray(cone.vertices).copy()
    corners[corners[:, 2] < -1.0 - point / 2, :2] = 12.0, 2.0
    cone.vertices = corners
    body = without(
        box((0, 40), (-6, 6), (-6, 6)), post(12.0, 2.0, (-1.0, 7.0), 3.0), cone.convex_hull, post(28, 0, (-7, 7), 3.0)
    )
    blank = square_bar(size=12.0, to_x=40.0)
    shape = pointed(3.0, 118.0)
    path = drill(side_cut(CutKind.DRILL, holes=(through, blind), ap_mm=2.0), shape, tree_of(body), blank, BESIDE)
    carved = carved_by(blank, shape, path)
    for hole in (blind, through):
        radii = wall_radii(blank, 0.0, hole)
        assert radii.min() == pytest.approx(1.5, abs=0.01)
        assert radii.max() == pytest.approx(1.5, abs=0.01)
        here = (path.pose[:, 0] == hole.x_mm) & (path.pose[:, 2] < 7.0)
        # derived: the point goes its own length, r / tan 59, past the full diameter, and half a millimetre when through
        deep = hole.floor_z_mm - point - (0.5 if hole.through else 0.0)
        assert path.pose[here, 2].min() == pytest.approx(deep, abs=1e-6)
        turns = path.pose[here & (path.kind == MoveKind.CUT), 2]
        assert np.abs(np.diff(np.concatenate([[6.0], turns]))).max() <= 2.0 + 1.0
    assert rapids_cut_mm3(path, carved) <= 0.001
    assert carved.struck_mm.max() == 0.0
    # the way between holes is the shortest: the nearer one is not left for last twice
    assert (np.abs(np.diff(path.pose[:, 0])) > 1.0).sum() == 1
    slow = path.feed_mm_per_min[(path.kind == MoveKind.CUT) & (path.pose[:, 2] < -6.5)]
    assert (slow == 300.0).all()
    assert len(drill(side_cut(CutKind.DRILL, holes=(through, blind), ap_mm=2.0), shape, tree_of(body), blank, BESIDE)) == 0


def test_a_blind_hole_with_a_flat_floor_is_not_drilled_through_it():
    hole = Hole(20.0, 0.0, 6.0, 1.0, 3.0, False)
    target, blank = bar_with(0.0, hole)
    path = drill(side_cut(CutKind.DRILL, holes=(hole,)), pointed(3.0, 118.0), target, blank, BESIDE)
    assert path.pose[:, 2].min() == pytest.approx(1.0, abs=1e-6)  # the point stands on the floor
    assert volume_mm3(blank) == pytest.approx(40 * 12 * 12, rel=1e-6)  # the caller's blank is not changed
