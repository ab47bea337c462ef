"""The body in what still stands at a side: told by the ends of the blank's rays, and strokes along walls that mind it."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.plan import CutKind
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import bar_blank, carve
from newel.geometry.blank_surface import surface_points
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.side_body import RUBS_MM, side_body, stretches
from side_samples import BESIDE, at_side, box, carved_by, flat_end, side_cut, tree_of, turned, with_added

# its shank is as wide as its edge and begins 4 over the tip
SHORT = CutterShape(outline((0, 0), (1.5, 0), (1.5, 4)), outline((1.5, 4), (1.5, 30), (6, 30), (6, 50)))


def bar(turn=0.0):
    return bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, -turn, 0.4)


def stepped(turn=0.0):
    """A square bar of 12 whose top stands at Z 6 up to X 15.07, and at Z -2 from there on."""
    blank = bar(turn)
    ways = [[20.07 + 3.0 * k, y, -2.0, turn] for k in range(5) for y in (-12.0, 12.0)]
    carve(blank, flat_end(10.0, flute=30.0), np.array(ways), np.arange(len(ways), dtype=np.int32))
    return blank


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_a_body_beside_a_wall_of_stock_is_told_to_microns(turn):
    body = side_body(stepped(turn), turn, SHORT, -4.0)
    beside = np.array([[15.07 + 1.5 + off, 0.0] for off in (-0.05, -0.01, 0.003, 0.05, 0.2)])
    # the body begins at Z 2 for a tip at -2, four below the top; at Z 6.5 for one at 2.5
    assert len(body.points)
    assert body.struck(beside, -2.0, RUBS_MM).tolist() == [True, True, False, False, False]
    assert body.struck(beside, -2.0, 0.1).tolist() == [True, True, True, True, False]
    assert not body.struck(beside, 2.5).any()


def test_what_an_edge_has_cut_is_in_no_bodys_way():
    body = side_body(stepped(), 0.0, SHORT, -4.0)
    place = np.array([[15.0, 0.0]])
    assert body.struck(place, -2.0).all()
    body.take_off(np.array([[14.0, -4.0, 2.0], [14.0, 4.0, 2.0], [16.0, 4.0, 2.0], [16.0, -4.0, 2.0]]))
    assert not body.struck(place, -2.0, RUBS_MM).any()
    # what the edge passed over stays: the tip stood at Z 2, and a body that begins lower meets it
    assert body.struck(place, -4.0, RUBS_MM).all()


def test_stretches_of_a_ring_are_joined_over_its_seam():
    free = np.array([True, True, False, False, True, True, False, True, True])
    assert [rows.tolist() for rows in stretches(free, closed=False)] == [[0, 1], [4, 5], [7, 8]]
    assert [rows.tolist() for rows in stretches(free, closed=True)] == [[4, 5], [7, 0, 1]]
    assert [rows.tolist() for rows in stretches(np.ones(4, bool), closed=True)] == [[0, 1, 2, 3]]


def trench_beside_a_lump(turn):
    """A bar cleared to Z -4 beside a wall at Y -3.76, up to Z -0.2, but for a lump from X 14 to 20, its side at Y -1.04."""
    blank = bar(turn)
    for from_x, to_x in ((-3.0, 12.0), (22.0, 33.0)):
        ways = [[x, -1.76 + 3.0 * k, -4.0, turn] for k in range(4) for x in (from_x, to_x)]
        carve(blank, flat_end(4.0, flute=30.0), np.array(ways), np.arange(len(ways), dtype=np.int32))
    slot = np.array([[x, -2.4, -4.0, turn] for x in (10.0, 24.0)])
    carve(blank, flat_end(2.72, flute=30.0), slot, np.arange(2, dtype=np.int32))
    over = np.array([[x, y, -0.2, turn] for y in (-6.0, -3.04) for x in (-3.0, 33.0)])
    carve(blank, flat_end(4.0, flute=30.0), over, np.arange(4, dtype=np.int32))
    return blank


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_along_a_wall_the_shank_keeps_out_of_a_lump_that_stands_beside(turn):
    # the wall is to stand at Y -4: beside the lump the shank, 1.5 thick at Y -2.5, would stand in it by 0.04
    part = turned(with_added(box((0, 30), (-6, 6), (-6, -4)), box((0, 30), (-6, -4), (-5, -0.2))), turn)
    blank = trench_beside_a_lump(turn)
    cut = side_cut(
        CutKind.PROFILE, turn_deg=turn, from_x_mm=3.0, to_x_mm=27.0, from_y_mm=-5.0, to_y_mm=5.0, top_z_mm=0.0,
        floor_z_mm=-4.0, ap_mm=2.0, slope_deg=60.0, cusp_mm=0.0,
    )  # fmt: skip
    path = cut_passes(cut, SHORT, tree_of(part), blank, BESIDE)
    assert carved_by(blank, SHORT, path).struck_mm.max() == 0.0
    points, normals, _ = surface_points(blank)
    points, normals = at_side(points, turn), at_side(normals, turn)
    wall = (normals[:, 1] > 0.9) & (points[:, 1] < -3.0) & (np.abs(points[:, 2] + 2.0) < 1.5)
    beside = wall & (np.abs(points[:, 0] - 17.0) < 1.0)
    apart = wall & (np.abs(points[:, 0] - 15.0) < 11.0) & (np.abs(points[:, 0] - 17.0) > 5.5)
    # what the lump keeps the cutter from stays as it was, all else is cut to size
    assert points[apart, 1] == pytest.approx(np.full(apart.sum(), -4.0), abs=0.01)
    assert points[beside, 1] == pytest.approx(np.full(beside.sum(), -3.76), abs=0.01)
    assert apart.sum() > 100 and beside.sum() > 10
