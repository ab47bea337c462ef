"""The pieces that passes are made of: runs of rows, bridges, ramps, shaping, the order of cutting, links."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.setup import KeepOut
from newel.toolpaths.development_map import coarser, likely_standing, map_of, sure_standing, table_of, take_off
from newel.toolpaths.linking import chained, end_to_end, ramp
from newel.toolpaths.lowest_tip import heights_over, keep_out_heights
from newel.toolpaths.passes import Exactness, Piece, bridged, ordered, pieces_of, shaped, straight, widened
from newel.toolpaths.spacing import underside
from toolpath_samples import JAWS, flat_end, small_bar, small_cut


def piece(x, turn, z=5.0):
    x, turn = np.asarray(x, dtype=float), np.asarray(turn, dtype=float)
    return Piece(x, turn, np.full(len(x), z))


def test_an_open_row_falls_into_its_wanted_runs():
    x = np.arange(6.0)[None, :]
    wanted = np.array([[True, True, False, False, True, False]])
    found = pieces_of(x, np.zeros((1, 6)), np.zeros((1, 6)), wanted, closed=False)
    assert [p.x_mm.tolist() for p in found] == [[0.0, 1.0], [4.0]]


def test_a_closed_row_is_not_cut_at_its_seam():
    turn = np.arange(0.0, 360.0, 60.0)[None, :]
    wanted = np.array([[True, False, False, False, True, True]])
    (found,) = pieces_of(np.zeros((1, 6)), turn, np.zeros((1, 6)), wanted, closed=True)
    assert found.turn_deg.tolist() == [240.0, 300.0, 360.0]


def test_a_whole_ring_ends_where_it_began():
    turn = np.arange(0.0, 360.0, 60.0)[None, :]
    (found,) = pieces_of(np.zeros((1, 6)), turn, np.zeros((1, 6)), np.ones((1, 6), dtype=bool), closed=True)
    assert found.turn_deg[-1] - found.turn_deg[0] == 360.0
    assert found.z_mm[-1] == found.z_mm[0]


def test_short_gaps_are_bridged_and_long_ones_kept():
    wanted = np.array([[True, False, False, True, False, False, False, False, False, True]])
    assert bridged(wanted, 2, closed=False)[0].tolist() == [True] * 4 + [False] * 5 + [True]


def test_widening_goes_round_a_closed_row():
    wanted = np.array([[True, False, False, False]])
    assert widened(wanted, 1, closed=True)[0].tolist() == [True, True, False, True]
    assert widened(wanted, 1, closed=False)[0].tolist() == [True, True, False, False]


def test_pieces_are_cut_in_zig_zag_and_the_shorter_way_round():
    rows = [piece([0, 10], [0, 0]), piece([0, 10], [10, 10]), piece([0, 10], [350, 350])]
    found = ordered(rows, 0.0, 0.0, same_way=False)
    assert [p.x_mm[0] for p in found] == [0.0, 10.0, 0.0]
    # the last one, at 350, is reached by turning back from 10 to -10, not on to 350
    assert [p.turn_deg[0] for p in found] in ([0.0, 10.0, -10.0], [0.0, -10.0, 10.0])


def test_chains_stay_down_over_short_ways_only():
    near = chained([piece([0, 5], [0, 0]), piece([5, 0], [10, 10])], stay_down_mm=2.0, step_mm=0.3)
    far = chained([piece([0, 5], [0, 0]), piece([5, 0], [90, 90])], stay_down_mm=2.0, step_mm=0.3)
    assert (len(near), len(far)) == (1, 2)
    assert np.isnan(near[0].z_mm).any()  # the way between is still to be asked
    assert np.abs(np.diff(near[0].turn_deg)).max() <= np.degrees(0.3 / 5.0) + 1e-9


def test_a_ramp_is_nowhere_steeper_than_asked_and_ends_on_its_piece():
    way = piece(np.linspace(0, 8, 17), np.zeros(17), z=5.0)
    down = ramp(way, 7.0, 5.0, longest_mm=6.0)
    x, z = np.append(0.0, down.x_mm), np.append(7.0, down.z_mm)
    assert (z[-1], x[-1]) == (5.0, 0.0)
    assert x.max() <= 6.0 + 1e-9
    assert (z[:-1] - z[1:]).max() > 0.0
    moving = np.abs(np.diff(x)) > 0
    assert (-np.diff(z)[moving] / np.abs(np.diff(x))[moving]).max() <= np.tan(np.radians(5.0)) + 1e-9
    # derived: 2 mm down at 5 degrees takes 22.9 mm of way, two runs of 12 forth and back
    assert np.abs(np.diff(x)).sum() == pytest.approx(24.0)


def test_shaping_follows_a_curve_and_leaves_out_what_lines_follow():
    """Derived: chords of a circle of radius 10 stray by s^2 / 80."""

    def arc(x, turn, over=-np.inf):
        return np.maximum(over, np.sqrt(100.0 - x**2) + 0.0 * turn)

    exact = Exactness(below_mm=0.004, above_mm=0.004, least_step_mm=0.001)
    (found,) = shaped(arc, [straight((-6.0, 6.0), (0.0, 0.0), 0.5, 10.0)], exact)
    x = np.linspace(found.x_mm[0], found.x_mm[-1], 4001)
    stray = np.interp(x, found.x_mm, found.z_mm) - arc(x, 0.0)
    assert np.abs(stray).max() <= 0.004
    (flat,) = shaped(
        lambda x, turn, over=-np.inf: np.maximum(over, 3.0 + 0.5 * x), [straight((0.0, 50.0), (0.0, 0.0), 0.5, 10.0)], exact
    )
    assert len(flat.x_mm) == 2


def test_shaping_steps_over_a_wall_without_cutting_it():
    def wall(x, turn, over=-np.inf):
        return np.maximum(over, np.where(x >= 2.0 / 3.0, 5.0, 1.0) + 0.0 * turn)

    exact = Exactness(below_mm=0.004, above_mm=0.004, least_step_mm=0.01)
    for way in ((0.0, 2.0), (2.0, 0.0)):
        (found,) = shaped(wall, [straight(way, (0.0, 0.0), 0.25, 10.0)], exact)
        order = slice(None) if way[0] == 0.0 else slice(None, None, -1)
        x, z = found.x_mm[order], found.z_mm[order]
        place = np.linspace(x[0], x[-1], 20001)
        # on a step both heights belong to one x: the wall counts only beyond the least step before it
        clear = np.abs(place - 2.0 / 3.0) > 0.011
        assert (np.interp(place, x, z)[clear] >= wall(place, 0.0)[clear] - 1e-9).all()
        assert (np.interp(place, x, z)[clear] <= wall(place, 0.0)[clear] + 1e-9).all()
        inside = (place >= 2.0 / 3.0) & (place <= 2.0 / 3.0 + 0.011)
        assert np.interp(place, x, z)[inside].min() >= 5.0 - 1e-9


def test_keep_outs_are_cleared_by_edge_and_body():
    """Derived: over a cylinder of radius 15 with a clearance of 1 a flat end stands at 16; beside it, nothing holds it."""
    below = underside(flat_end().edge)
    found = heights_over(KeepOut("disc", -5.0, 5.0, 15.0, True), below, np.array([0.0, 7.4, 7.6]), 0.0, 1.0)
    np.testing.assert_allclose(found, [16.0, 16.0, -np.inf])
    x, z = keep_out_heights(small_cut(from_x_mm=3.0, to_x_mm=12.0), flat_end(), (JAWS,), 1.0)
    # the holder (radius 6, 12 over the tip) reaches the jaws' clearance up to x 7
    assert np.interp(4.0, x, z) == pytest.approx(4.0)
    assert np.interp(8.0, x, z) == -1e6


def test_the_map_of_a_square_bar_knows_flats_and_corners():
    m = map_of(small_bar(), 0.3, 2.0)
    table = table_of(flat_end().edge)
    # derived: a flat of 12 stands 6 from the axis, a corner 8.485; the map may say a little more, never less
    flat, corner = likely_standing(m, table, np.array([10.0, 10.0]), 0.0, np.array([0.0, 45.0]))
    assert 6.0 <= flat <= 6.2
    assert 8.4 <= corner <= 8.7
    sure = sure_standing(m, table, np.array([10.0, 10.0]), 0.0, np.array([0.0, 45.0]))
    assert (sure >= [6.0, 6.0 * np.sqrt(2.0)]).all()
    assert likely_standing(m, table, np.array([60.0]), 0.0, np.array([0.0]))[0] == -np.inf


def test_taking_a_slot_off_the_map():
    m = map_of(small_bar(), 0.3, 2.0)
    table = table_of(flat_end().edge)
    x = np.linspace(4.0, 16.0, 61)
    pose = np.column_stack([x, np.zeros(61), np.full(61, 5.0), np.zeros(61)])
    depth, sides = take_off(m, table, pose)
    # derived: from 6 (the map: up to 0.2 more) down to 5, a full slot from its first place on
    assert 1.0 <= depth[0] <= 1.35
    assert (sides[5:-5].min(axis=1) > 0.5).all()  # cells are met at their middles
    assert likely_standing(m, table, np.array([10.0]), 0.0, np.array([0.0]))[0] == pytest.approx(5.0, abs=1e-3)
    again, _ = take_off(m, table, pose)
    assert again.max() == 0.0
    # beside the slot the bar still stands
    assert likely_standing(m, table, np.array([18.5]), 0.0, np.array([0.0]))[0] >= 6.0


def test_a_coarser_map_never_says_less():
    m = map_of(small_bar(), 0.3, 2.0)
    wide = coarser(m, 4)
    table = table_of(flat_end().body)
    rng = np.random.default_rng(3)
    x, turn = rng.uniform(-8.0, 26.0, 200), rng.uniform(0.0, 360.0, 200)
    fine = likely_standing(m, table, x, 0.0, turn)
    assert (sure_standing(wide, table, x, 0.0, turn) >= fine - 1e-9).all()


def test_end_to_end_keeps_every_place():
    both = end_to_end([piece([0, 1], [0, 0]), piece([2], [5])])
    assert both.x_mm.tolist() == [0.0, 1.0, 2.0]
    assert both.turn_deg.tolist() == [0.0, 0.0, 5.0]


def test_a_ridge_between_the_places_asked_is_not_run_into():
    """One long step whose middle lies low, and a ridge a quarter of the way along that no halving would find."""

    def lowest(x, turn, over=-np.inf):
        return np.maximum(over, 5.0 + np.exp(-(((x - 2.5) / 0.4) ** 2)) + 0.0 * turn)

    piece = Piece(np.array([0.0, 10.0]), np.zeros(2), np.full(2, np.nan))
    (done,) = shaped(lowest, [piece], Exactness(below_mm=0.004, above_mm=0.004, least_step_mm=0.01))
    x = np.linspace(0.0, 10.0, 4001)
    under = lowest(x, 0.0) - np.interp(x, done.x_mm, done.z_mm)
    # asked every 0.2 mm: between two places that are asked the ridge rises by no more than its curvature allows. Derived:
    # |z''| <= 2 / 0.4^2 = 12.5 per mm, a chord of 0.2 mm then lies at most 12.5 * 0.2^2 / 8 = 0.0625 under it
    assert under.max() <= 0.0625 + 0.004
    assert np.interp(2.5, done.x_mm, done.z_mm) >= 6.0 - 0.0625 - 0.004
