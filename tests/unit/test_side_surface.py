"""Shallow surfaces at a side: the asked cusp and no more, no gouge, steep zones left to the profile cut.

Expected figures are derived: the surface is a closed form, what stands over it is measured square to it on a carved blank.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import bar_blank, carve
from newel.geometry.blank_surface import surface_points
from newel.geometry.drop import drop_tree
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.side_ground import side_ground
from newel.toolpaths.surface import DRUM_MM, ramped_down
from side_samples import (
    BESIDE,
    at_side,
    ball_end,
    box,
    carved_by,
    deepest,
    flat_end,
    rapids_cut_mm3,
    side_cut,
    tree_of,
    with_added,
)

HIGH = 4.0


def wave(x, y):
    """A hill and a dale, nowhere steeper than about 32 degrees."""
    return HIGH + 0.9 * np.sin(2 * np.pi * x / 16.0) * np.cos(2 * np.pi * y / 20.0)


def wavy_tree(turn, step=0.1):
    x, y = np.linspace(-3, 33, round(36 / step) + 1), np.linspace(-9, 9, round(18 / step) + 1)
    xs, ys = np.meshgrid(x, y, indexing="ij")
    points = np.stack([xs, ys, wave(xs, ys)], -1).reshape(-1, 3) @ turn_about_x(turn)
    i, j = np.meshgrid(np.arange(len(x) - 1), np.arange(len(y) - 1), indexing="ij")
    a = (i * len(y) + j).ravel()
    b, c, d = a + len(y), a + 1, a + len(y) + 1
    return drop_tree(points, np.concatenate([np.stack([a, b, c], -1), np.stack([b, d, c], -1)]))


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_a_wavy_surface_is_left_with_the_asked_cusp(turn):
    target = wavy_tree(turn)
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, -turn, 0.1)
    shape = ball_end(4.0)
    cut = side_cut(
        CutKind.SURFACE, turn_deg=turn, from_x_mm=-2.0, to_x_mm=32.0, from_y_mm=-8.0, to_y_mm=8.0, top_z_mm=6.0,
        floor_z_mm=-3.0, cusp_mm=0.02, ae_mm=2.0, slope_deg=50.0,
    )  # fmt: skip
    path = cut_passes(cut, shape, target, blank, BESIDE)
    carved = carved_by(blank, shape, path)
    points, _, _ = surface_points(blank)
    points = at_side(points, turn)
    mid = (points[:, 0] > 1) & (points[:, 0] < 29) & (np.abs(points[:, 1]) < 5.5) & (points[:, 2] > 2.0)
    x, y, z = points[mid].T
    fall = np.hypot(
        0.9 * 2 * np.pi / 16 * np.cos(2 * np.pi * x / 16) * np.cos(2 * np.pi * y / 20),
        0.9 * 2 * np.pi / 20 * np.sin(2 * np.pi * x / 16) * np.sin(2 * np.pi * y / 20),
    )
    over = (z - wave(x, y)) / np.sqrt(1 + fall**2)
    # the mesh's chords stand up to 0.9 (2 pi / 16)^2 0.1^2 / 8 = 0.0002 under the closed form; a move may be 0.004 off
    assert over.min() >= -0.006
    assert np.quantile(over, 0.999) <= 0.02 + 0.006
    assert over.max() <= 0.02 * 1.2 + 0.006
    smaller = ball_end(4.0 - 0.01)
    raised = path.pose + np.array([0, 0, 0.005, 0])
    assert deepest(type(path)(raised, path.feed_mm_per_min, path.kind), target, smaller.edge) <= 1e-3
    assert rapids_cut_mm3(path, carved) <= 0.001
    assert path.pose[0, 2] == path.pose[-1, 2] == BESIDE.retract_z_mm
    # little is left to do: where slopes look like stock on the planner's map it goes again, nowhere else
    assert len(cut_passes(cut, shape, target, blank, BESIDE)) < 0.5 * len(path)


def test_steep_zones_and_finished_floors_are_left_alone():
    # a floor at 0 with a block of upright walls on it; half of the floor is at its height already
    body = [box((0, 30), (-6, 6), (-6, 0)), box((12, 18), (-6, 6), (-1, 6))]

    target = tree_of(with_added(*body))
    blank = bar_blank(Section.SQUARE, (12.0,), 0.0, 30.0, 0.0, 0.2)
    clearing = np.array([[x, y, 0.0, 0.0] for x in np.arange(19.5, 33.0, 1.0) for y in (-8.0, 8.0)])
    clearing = np.vstack([clearing[0] + [0, 0, 20, 0], clearing])

    carve(blank, flat_end(3.0), clearing, np.zeros(len(clearing), dtype=np.int32))
    cut = side_cut(
        CutKind.SURFACE, from_x_mm=-2.0, to_x_mm=32.0, from_y_mm=-7.0, to_y_mm=7.0, top_z_mm=6.0, floor_z_mm=0.0,
        cusp_mm=0.02, ae_mm=1.0, slope_deg=45.0,
    )  # fmt: skip
    path = cut_passes(cut, ball_end(3.0), target, blank, BESIDE)
    cutting = path.kind == MoveKind.CUT
    assert path.pose[cutting, 0].max() < 20.0
    # up the wall only where a pass crosses over it, never along its height in steps
    x = path.pose[cutting & (path.pose[:, 2] > 0.5) & (path.pose[:, 2] < 5.5), 0]
    assert len(x) == 0 or math.isclose(float(np.abs(x - 15.0).max()), 4.5, abs_tol=1.6)
    assert deepest(path, target, ball_end(3.0 - 0.02).edge) <= 0.004  # EXACT in finish_around: what a move may pass below


def test_a_place_on_the_very_bound_of_a_cut_is_within_it_though_it_went_round_a_drum():
    # rows are turned into degrees of a drum and back, by which some bounds come out a rounding further out than they were
    low = next(y for y in np.arange(-5.0, -4.0, 0.01) if np.radians(np.degrees(y / DRUM_MM)) * DRUM_MM < y)
    cut = side_cut(
        CutKind.SURFACE, turn_deg=0.0, from_x_mm=4.0, to_x_mm=12.0, from_y_mm=low, to_y_mm=0.0, top_z_mm=6.0,
        floor_z_mm=-3.0, cusp_mm=0.05, ae_mm=2.0, slope_deg=50.0,
    )  # fmt: skip
    ground = side_ground(cut, ball_end(4.0), wavy_tree(0.0, 0.5), (), 2.0)
    back = np.radians(np.degrees(np.array([low]) / DRUM_MM)) * DRUM_MM
    assert ground.lowest(np.array([8.0]), back)[0] < 6.0
    assert ground.stands_free(np.array([8.0]), back, 6.0)[0]
    assert ground.lowest(np.array([8.0]), np.array([low - 1e-6]))[0] > 1e5


@pytest.mark.parametrize(
    ("chain", "most_rows"),
    [
        # two places nearly the same, then a long straight: the ramp goes to and fro on the straight, 3 mm in 6 mm steps of 0.5°
        ([(0.0, 0.0, 0.0), (1e-4, 0.0, 0.0), (30.0, 0.0, 0.0)], 200),
        ([(0.0, 0.0, 0.0), (1e-4, 0.0, 0.0)], 1000),  # no longer than that: a plunge, as good as
    ],
)
def test_a_ramp_has_a_countable_number_of_turns_however_a_chain_begins(chain, most_rows):
    way = ramped_down(np.array(chain), top=3.0, ramp_deg=2.0, longest_mm=6.0)
    assert len(way) < most_rows
    np.testing.assert_allclose(way[-1], chain[0], atol=1e-9)
    assert (np.diff(way[:, 2]) <= 1e-9).all()
    assert way[:, 0].min() >= 0.0


def test_a_ramp_is_no_steeper_than_asked():
    way = ramped_down(np.array([(0.0, 0.0, 0.0), (1e-4, 0.0, 0.0), (30.0, 0.0, 0.0)]), top=3.0, ramp_deg=2.0, longest_mm=6.0)
    steps = np.diff(np.vstack([[0.0, 0.0, 3.0], way]), axis=0)
    assert (-steps[:, 2] <= np.tan(np.radians(2.0)) * np.hypot(steps[:, 0], steps[:, 1]) + 1e-9).all()
    assert way[:, 0].max() == pytest.approx(6.0)  # derived: it turns where it was told to, between the chain's places


def test_a_short_cutter_keeps_its_shank_out_of_what_stands_beside():
    # from X 20 on a block stands up to Z 12 that another cut takes; the edge is 4 mm long, the shank above it 3 mm in radius
    blank = bar_blank(Section.SQUARE, (24.0,), 0.0, 40.0, 0.0, 0.3)
    there = np.array([[-12.0, 0.0, 5.2, 0.0], [8.0, 0.0, 5.2, 0.0]])
    carve(blank, flat_end(24.0, 40.0), there, np.arange(2, dtype=np.int32))
    shape = CutterShape(ball_end(2.0, 4.0).edge, outline((1.0, 4.0), (3.0, 4.0), (3.0, 40.0)))
    cut = side_cut(
        CutKind.SURFACE, turn_deg=0.0, from_x_mm=2.0, to_x_mm=28.0, from_y_mm=-6.0, to_y_mm=6.0, top_z_mm=6.0,
        floor_z_mm=-3.0, cusp_mm=0.05, ae_mm=2.0, slope_deg=50.0,
    )  # fmt: skip
    path = cut_passes(cut, shape, wavy_tree(0.0, 0.5), blank, BESIDE)
    low = path.pose[path.pose[:, 2] < 7.0]
    assert 14.0 < low[:, 0].max() < 17.5  # as near as the shank may come, less what the map cannot tell
    assert carved_by(blank, shape, path).struck_mm.max() == 0.0
