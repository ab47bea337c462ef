"""Clearing of small parts: never into them, all of what is in reach gone, engagement bounded, no plunge, links in air."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from clear_samples import (
    AROUND,
    BOTTOM,
    FROM_X,
    HALF_Y,
    POCKETS,
    TO_X,
    TOP,
    block,
    clear_cut,
    flat,
    replayed,
    rounded,
    whole_bar,
)
from newel.core.job import Section
from newel.core.motion import MoveKind
from newel.core.plan import CutKind
from newel.core.profile import outline
from newel.geometry.blank import bar_blank, carve, copy_of, volume_mm3
from newel.geometry.drop import drop
from newel.toolpaths.clear_region import asked_angle_rad
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.descent import next_level
from newel.toolpaths.side_stock import closely, side_stock

NARROW = ("slot", "dog bone")


def sound(path, target, shape, blank, cut, film=4e-3):
    """Check what must hold of every path; return what the carving says."""
    pose = closely(path.pose, 0.1)
    # upright walls: a hair beside one is as deep as the wall is high, so the edge is taken 4 um smaller
    r = shape.edge.radius_mm - 0.004
    smaller = outline((0, 0), (r, 0), (r, shape.edge.top_mm))
    assert (drop(target, smaller, pose[:, 0], pose[:, 1], cut.turn_deg) - pose[:, 2]).max() <= 0.003
    assert (drop(target, shape.body, pose[:, 0], pose[:, 1], cut.turn_deg) - pose[:, 2]).max() <= 0.0
    carved = carve(copy_of(blank), shape, path.pose, np.zeros(len(path), np.int32))
    assert carved.struck_mm.max() <= 0.01
    assert carved.removed_mm3[path.kind == MoveKind.RAPID].max(initial=0.0) <= 0.01
    links = path.kind == MoveKind.LINK
    assert carved.removed_mm3[links].sum() <= 1e-3 * carved.removed_mm3.sum()
    # no plunge: what goes down as steeply as 45 degrees takes off no more than the films that starts may stand in
    way = np.diff(path.pose[:, :3], axis=0)
    steep = -way[:, 2] > np.hypot(way[:, 0], way[:, 1])
    assert carved.removed_mm3[1:][steep].sum() <= film * carved.removed_mm3.sum()
    return carved


@pytest.mark.parametrize("name", POCKETS)
def test_a_pocket_is_cleared_within_the_asked_engagement(name):
    pocket, cut, shape = POCKETS[name], clear_cut(), flat()
    target, blank = block(pocket), whole_bar()
    path = cut_passes(cut, shape, target, blank, AROUND)
    sound(path, target, shape, blank, cut)
    radius = shape.edge.radius_mm
    asked = asked_angle_rad(radius, cut.ae_mm)
    bounds = pocket.buffer(2.0).bounds
    peak, replay = replayed(path, TOP - 6.0, lambda x, y: np.ones(x.shape, bool), bounds, radius, cut.feed_mm_per_min)
    assert peak <= 1.2 * asked
    gx, gy = np.meshgrid(replay.x, replay.y, indexing="ij")
    reach = pocket.buffer(-radius, quad_segs=32).buffer(radius - 0.08, quad_segs=32)
    wanted = shapely.contains_xy(reach, gx, gy)
    assert (replay.left() & wanted).sum() <= 0.002 * wanted.sum()
    # outside the pocket nothing is touched
    assert not (~replay.left() & ~shapely.contains_xy(pocket.buffer(0.06), gx, gy)).any()
    slow = (path.kind == MoveKind.CUT) & (path.feed_mm_per_min < cut.feed_mm_per_min - 1e-6)
    assert slow.any() or name not in NARROW
    if name not in NARROW:
        way = np.concatenate([[0.0], np.hypot(*np.diff(path.pose[:, :2], axis=0).T)])
        assert way[slow].sum() <= 0.1 * way[path.kind == MoveKind.CUT].sum()


def test_an_outside_is_cleared_from_beside_the_bar_without_a_helix():
    part = shapely.box(28, -9, 52, 9).buffer(3.0, quad_segs=24)
    target, shape = block(outside=part), flat()
    cut = clear_cut(from_y_mm=-HALF_Y - 4, to_y_mm=HALF_Y + 4, floor_z_mm=TOP - 5, flats_z_mm=(), allowance_mm=0.2)
    blank = whole_bar()
    path = cut_passes(cut, shape, target, blank, AROUND)
    sound(path, target, shape, blank, cut)
    # nothing enters stock from above: entries take nothing off
    carved = carve(copy_of(blank), shape, path.pose, np.zeros(len(path), np.int32))
    assert carved.removed_mm3[path.kind == MoveKind.ENTRY].sum() <= 1e-4 * carved.removed_mm3.sum()
    stands = lambda x, y: (np.abs(y) < HALF_Y) & (x > FROM_X) & (x < TO_X)  # noqa: E731
    bounds = (FROM_X - 2, -HALF_Y - 2, TO_X + 2, HALF_Y + 2)
    peak, replay = replayed(path, TOP - 5.0, stands, bounds, 3.0, cut.feed_mm_per_min)
    assert peak <= 1.2 * asked_angle_rad(3.0, cut.ae_mm)
    gx, gy = np.meshgrid(replay.x, replay.y, indexing="ij")
    wanted = stands(gx, gy) & (gx > FROM_X + 1.1) & (gx < TO_X - 1.1)
    wanted &= ~shapely.contains_xy(part.buffer(0.26, quad_segs=24), gx, gy)
    assert (replay.left() & wanted).sum() <= 0.002 * wanted.sum()


def test_a_smaller_cutter_clears_only_what_the_larger_one_left():
    pocket = shapely.box(28, -10, 52, 10).buffer(-1.2).buffer(1.2, quad_segs=24)
    target, blank = block(pocket), whole_bar(0.2)
    first = cut_passes(clear_cut(), flat(), target, blank, AROUND)
    carve(blank, flat(), first.pose, np.zeros(len(first), np.int32))
    before = volume_mm3(blank)
    cut, small = clear_cut(ae_mm=0.5, ap_mm=2.0, name="rest"), flat(2.0)
    rest = cut_passes(cut, small, target, blank, AROUND)
    carved = sound(rest, target, small, blank, cut, film=0.05)
    carve(blank, small, rest.pose, np.zeros(len(rest), np.int32))
    # derived: a corner of radius 3 leaves (1 - pi/4) (9 - 1.44) mm2 more than one of radius 1.2, four of them, 6 deep
    left = 4.0 * (1.0 - np.pi / 4.0) * (3.0**2 - 1.2**2) * 6.0
    assert before - volume_mm3(blank) == pytest.approx(left, rel=0.3)
    corner = (np.abs(rest.pose[:, 0] - 40.0) > 7.0) & (np.abs(rest.pose[:, 1]) > 5.0)
    assert carved.removed_mm3[corner].sum() >= 0.9 * carved.removed_mm3.sum()


def test_facing_takes_the_bar_down_to_its_plane():
    blank = bar_blank(Section.RECTANGLE, (2 * HALF_Y, TOP - BOTTOM + 3.0), FROM_X - 10, TO_X + 10, 0.0, 0.25)
    target = block()
    shape = flat()
    cut = clear_cut(
        kind=CutKind.FACE, from_x_mm=FROM_X, to_x_mm=TO_X, from_y_mm=-HALF_Y - 4, to_y_mm=HALF_Y + 4, ae_mm=2.0, ap_mm=1.0,
        top_z_mm=TOP + 1.5, floor_z_mm=TOP, flats_z_mm=(TOP,), name="face",
    )  # fmt: skip
    path = cut_passes(cut, shape, target, blank, AROUND)
    sound(path, target, shape, blank, cut)
    assert path.pose[path.kind == MoveKind.CUT, 2].min() == pytest.approx(TOP, abs=1e-9)
    asked = asked_angle_rad(3.0, cut.ae_mm)
    stands = lambda x, y: np.abs(y) < HALF_Y  # noqa: E731
    peak, replay = replayed(path, TOP, stands, (FROM_X - 5, -HALF_Y - 1, TO_X + 5, HALF_Y + 1), 3.0, cut.feed_mm_per_min)
    assert peak <= 1.2 * asked
    gx, _ = np.meshgrid(replay.x, replay.y, indexing="ij")
    assert not (replay.left() & (gx > FROM_X - 2.9 + 3) & (gx < TO_X - 0.1)).any()


def test_what_stands_beyond_the_wanted_stretch_is_left():
    blank = bar_blank(Section.RECTANGLE, (2 * HALF_Y, TOP - BOTTOM + 3.0), FROM_X - 10, TO_X + 10, 0.0, 0.25)
    cut = clear_cut(
        kind=CutKind.FACE, from_x_mm=FROM_X, to_x_mm=TO_X, from_y_mm=-HALF_Y - 4, to_y_mm=HALF_Y + 4, ae_mm=2.0, ap_mm=1.0,
        top_z_mm=TOP + 1.5, floor_z_mm=TOP, flats_z_mm=(TOP,), name="face",
    )  # fmt: skip
    some = replace(cut, wanted_x_mm=(FROM_X + 3.0, TO_X - 3.0))
    whole, less = (cut_passes(one, flat(), block(), blank, AROUND) for one in (cut, some))
    way = [float(np.linalg.norm(np.diff(path.pose[:, :3], axis=0), axis=1).sum()) for path in (whole, less)]
    assert way[1] < way[0]
    stands = lambda x, y: np.abs(y) < HALF_Y  # noqa: E731
    peak, replay = replayed(less, TOP, stands, (FROM_X - 5, -HALF_Y - 1, TO_X + 5, HALF_Y + 1), 3.0, cut.feed_mm_per_min)
    assert peak <= 1.2 * asked_angle_rad(3.0, cut.ae_mm)
    gx, _ = np.meshgrid(replay.x, replay.y, indexing="ij")
    assert not (replay.left() & (gx > FROM_X + 3.1) & (gx < TO_X - 3.1)).any()


def test_levels_are_even_down_to_the_deepest_floor_and_no_deeper_than_asked():
    # derived: 9 mm in no more than 2.5 at once is 4 levels of 2.25; floors passed on the way make no level of their own
    heights, z = [], 10.0
    while z > 1.0 + 1e-9:
        level = next_level(z, 1.0, [7.0, 1.0], 2.5)
        heights.append(round(level.z_mm, 4))
        assert level.depth_mm == pytest.approx(2.25)
        assert level.floor == (level.z_mm == 1.0)
        z = level.z_mm
    assert heights == [7.75, 5.5, 3.25, 1.0]


def test_each_pocket_goes_to_its_own_bottom_before_the_next_is_begun():
    deep, shallow = rounded(shapely.box(20, -6, 36, 6)), rounded(shapely.box(44, -6, 60, 6))
    target, blank, shape = block(deep, second=shallow), whole_bar(), flat()
    cut = clear_cut(ap_mm=3.0, flats_z_mm=(TOP - 3.0, TOP - 6.0))
    path = cut_passes(cut, shape, target, blank, AROUND)
    sound(path, target, shape, blank, cut)
    cutting = path.pose[path.kind == MoveKind.CUT]
    first = cutting[:, 0] < 40.0
    assert np.count_nonzero(np.diff(first.astype(int))) == 1
    # derived: 6 mm in two levels of 3, 3 mm in one
    assert np.unique(np.round(cutting[first, 2], 3)).tolist() == [TOP - 6.0, TOP - 3.0]
    assert np.unique(np.round(cutting[~first, 2], 3)).tolist() == [TOP - 3.0]


def test_an_island_costs_no_level_of_its_own_and_comes_out_at_its_height():
    pocket, island = shapely.box(24, -10, 56, 10), shapely.box(36, -3, 44, 3)
    part = block(rounded(pocket), island=island)
    shape, blank = flat(), whole_bar()
    cut = clear_cut(flats_z_mm=(TOP - 2.0, TOP - 6.0), ap_mm=3.0, deepest_mm=6.0, widest_mm=4.5)
    path = cut_passes(cut, shape, part, blank, AROUND)
    sound(path, part, shape, blank, cut)
    z = path.pose[path.kind == MoveKind.CUT, 2]
    # derived: 6 mm in one level, then the island from the ground beside it, without going down into stock again
    assert set(np.round(np.unique(z), 3)) >= {round(TOP - 6.0, 3), round(TOP - 2.0, 3)}
    order = np.round(z, 3)
    assert np.flatnonzero(order == round(TOP - 6.0, 3)).max() < np.flatnonzero(order == round(TOP - 2.0, 3)).min()
    # twice as deep is half as wide: the engagement of that width is held, on what stands
    whole = lambda x, y: np.ones(x.shape, bool)  # noqa: E731
    peak, _ = replayed(path, TOP - 6.0, whole, pocket.buffer(2.0).bounds, 3.0, cut.feed_mm_per_min)
    assert peak <= 1.2 * asked_angle_rad(3.0, 0.5 * cut.ae_mm)
    carved = carve(copy_of(blank), shape, path.pose, np.zeros(len(path), np.int32))
    high = path.pose[:, 2] > TOP - 2.0 - 1e-6
    late = np.arange(len(path)) > np.flatnonzero(path.pose[:, 2] < TOP - 5.9).max()
    assert carved.removed_mm3[high & late & (path.kind == MoveKind.ENTRY)].sum() <= 0.5


def test_width_times_depth_stays_at_the_cuts_area():
    cut = clear_cut(ap_mm=3.0, ae_mm=2.4, deepest_mm=6.0, widest_mm=4.5)
    # derived: 7.2 mm2 over the depth, no wider than 4.5
    assert [cut.width_mm(d) for d in (6.0, 3.0, 2.0, 1.0)] == pytest.approx([1.2, 2.4, 3.6, 4.5])
    assert replace(cut, deepest_mm=None).width_mm(1.0) == cut.ae_mm


def test_a_ridge_is_cut_by_the_area_that_is_met():
    # a square bar stands on its edge: its crest is cut down to a flat, no wider at once than its area allows
    size, pitch = 20.0, 0.25
    blank = bar_blank(Section.SQUARE, (size,), FROM_X - 10, TO_X + 10, 45.0, pitch)
    floor = 10.0
    top = size / np.sqrt(2.0)
    cut = clear_cut(
        kind=CutKind.FACE, from_x_mm=FROM_X, to_x_mm=TO_X, from_y_mm=-12.0, to_y_mm=12.0, ap_mm=3.0, ae_mm=2.4, deepest_mm=6.0,
        widest_mm=5.4, top_z_mm=top, floor_z_mm=floor, flats_z_mm=(floor,), name="ridge",
    )  # fmt: skip
    path = cut_passes(cut, flat(), block(), blank, AROUND)
    carved = sound(path, block(), flat(), blank, cut)
    # derived: the ridge's section is a right angle (14.14 - 10) high: 17.2 mm2, so three passes of 7.2 mm2 and not the five
    # that its crest's width asks for
    way = np.concatenate([[0.0], np.linalg.norm(np.diff(path.pose[:, :3], axis=0), axis=1)])
    cutting = path.kind == MoveKind.CUT
    assert way[cutting].sum() <= 3.6 * (TO_X - FROM_X)
    long = cutting & (way > 1.0)
    assert (carved.removed_mm3[long] / way[long]).max() <= 1.2 * 7.2


def test_nothing_stands_at_the_edge_of_a_ridge_that_the_planners_blank_knows_coarsely():
    size, floor = 20.0, 10.0
    cut = clear_cut(
        kind=CutKind.FACE, from_x_mm=FROM_X, to_x_mm=TO_X, from_y_mm=-12.0, to_y_mm=12.0, ap_mm=3.0, ae_mm=2.4, deepest_mm=6.0,
        widest_mm=5.4, top_z_mm=size / np.sqrt(2.0), floor_z_mm=floor, flats_z_mm=(floor,), name="ridge",
    )  # fmt: skip
    coarse, fine = (bar_blank(Section.SQUARE, (size,), FROM_X - 10, TO_X + 10, 45.0, pitch) for pitch in (0.4, 0.1))
    path = cut_passes(cut, flat(), block(), coarse, AROUND)
    carve(fine, flat(), path.pose, np.zeros(len(path), np.int32))
    left = side_stock(fine, 0.0, 0.1)
    x = left.x0_mm + left.step_mm * np.arange(left.height_mm.shape[0])
    along = (x > FROM_X + 3.0) & (x < TO_X - 3.0)
    assert left.height_mm[along].max() <= floor + 0.02


def test_a_narrow_closed_pocket_is_cleared_by_laps_that_go_down():
    pocket = rounded(shapely.box(25, -4.8, 55, 4.8))
    target, blank, shape = block(pocket), whole_bar(), flat()
    cut = clear_cut(ap_mm=3.0, ae_mm=2.4, deepest_mm=6.0, widest_mm=5.4)
    path = cut_passes(cut, shape, target, blank, AROUND)
    carved = sound(path, target, shape, blank, cut)
    # one run: down once, up once
    assert np.count_nonzero(np.diff((path.kind == MoveKind.CUT).astype(int)) == 1) == 1
    way = np.concatenate([[0.0], np.linalg.norm(np.diff(path.pose[:, :3], axis=0), axis=1)])
    cutting = path.kind == MoveKind.CUT
    slope = np.diff(path.pose[:, 2])[cutting[1:]] / np.maximum(way[1:][cutting[1:]], 1e-9)
    assert slope.min() >= -np.sin(np.radians(cut.ramp_deg)) - 1e-9
    # what is taken off over a cutter's width of way stays within the asked area: 7.2 mm2, or a little more in a full slot
    gone, off = np.cumsum(way * cutting), np.cumsum(carved.removed_mm3 * cutting)
    marks = np.arange(0.0, gone[-1], 6.0)
    assert (np.diff(np.interp(marks, gone, off)) / 6.0).max() <= 1.2 * 7.2
    left = carve(blank, shape, path.pose, np.zeros(len(path), np.int32))
    assert left.removed_mm3.sum() == pytest.approx(6.0 * pocket.area, rel=0.01)


def test_ground_that_is_open_or_wide_is_not_cleared_by_laps():
    wide = rounded(shapely.box(25, -8, 55, 8))
    cut = clear_cut(ap_mm=3.0, ae_mm=2.4, deepest_mm=6.0, widest_mm=5.4)
    path = cut_passes(cut, flat(), block(wide), whole_bar(), AROUND)
    assert (path.kind == MoveKind.ENTRY).sum() > 10  # a helix


def test_nothing_left_gives_no_moves():
    target, blank = block(POCKETS["rectangle"]), whole_bar()
    path = cut_passes(clear_cut(), flat(), target, blank, AROUND)
    carve(blank, flat(), path.pose, np.zeros(len(path), np.int32))
    again = cut_passes(clear_cut(), flat(), target, blank, AROUND)
    assert len(again) == 0


def test_the_same_cut_twice_gives_the_same_rows():
    target, blank = block(POCKETS["L"]), whole_bar()
    one, two = (cut_passes(clear_cut(), flat(), target, blank, AROUND) for _ in range(2))
    assert np.array_equal(one.pose, two.pose) and np.array_equal(one.feed_mm_per_min, two.feed_mm_per_min)
