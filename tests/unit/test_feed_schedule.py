"""Feeds along a cut: as slow as the hard part asks, as fast as the easy part allows, and no harder than the limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from newel.core.job import Direction, Section
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut, CutKind, Hole
from newel.geometry.blank import bar_blank, copy_of
from newel.mechanics.clock import toolpath_minutes
from newel.mechanics.cutter_bending import cutter_compliance_mm_per_N
from newel.planning.feed_reasons import reasons, reasons_text
from newel.planning.feed_schedule import Duty, ask_at, feeds_along, most_area_mm2, standing_bar
from newel.planning.feeds import BENDING_FINISH_MM, BENDING_ROUGH_MM, MOST_THINNING, ROTARY_SHARE
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.outlines import cutter_shape

SHOP = load_shop(shipped_texts())
MILL = SHOP.machine("light benchtop mill")
NAME = "3 mm flat"
CUTTER = SHOP.cutter(NAME)
SHAPE = cutter_shape(CUTTER, SHOP.holder_of(CUTTER), 65.0, 120.0)
WOOD = SHOP.material("medium tooling board")
HARD = replace(WOOD, kc11_N_per_mm2=(200.0, 400.0))


def blank():
    """A 30 mm square bar, 80 mm out of the jaws."""
    return bar_blank(Section.SQUARE, (30.0,), -18.0, 80.0, 0.0, 0.4)


def cut(**changes) -> Cut:
    one = Cut(
        number=1, name="a test", kind=CutKind.ROUGH_AROUND, cutter=1, direction=Direction.ALONG, from_x_mm=10.0, to_x_mm=80.0,
        spindle_rpm=15_000.0, feed_mm_per_min=600.0, entry_feed_mm_per_min=300.0, ramp_deg=5.0, allowance_mm=0.3, ap_mm=2.0,
        ae_mm=1.5, cusp_mm=0.01, tolerance_mm=0.05,
    )  # fmt: skip
    return replace(one, **changes)


def deep_then_shallow() -> Toolpath:
    """A slot along the top: 2 mm deep from the free end to X 50, then 0.2 mm deep to X 10."""
    pose = np.array(
        [[84, 0, 40, 0], [84, 0, 13, 0], *[[x, 0, 13, 0] for x in range(83, 49, -1)], [50, 0, 14.8, 0]]
        + [[x, 0, 14.8, 0] for x in range(49, 9, -1)]
        + [[10, 0, 40, 0]],
        dtype=float,
    )
    kind = np.full(len(pose), MoveKind.CUT, dtype=np.uint8)
    kind[[0, 1, -1]] = MoveKind.RAPID
    feed = np.where(kind == MoveKind.CUT, 600.0, 0.0)
    return Toolpath(pose, feed, kind)


def duty(material=HARD, machine=MILL) -> Duty:
    return Duty(CUTTER, SHAPE, material, machine, 21.3, standing_bar(blank(), 80.0, material))


def test_the_shallow_part_runs_faster_than_the_deep_one_and_the_deep_one_keeps_the_limit() -> None:
    path, done = feeds_along(cut(), deep_then_shallow(), blank(), duty())
    assert done is not None
    x, feed = path.pose[:, 0], path.feed_mm_per_min
    deep = (x < 80.0) & (x > 55.0) & (path.kind == MoveKind.CUT)
    shallow = (x < 44.0) & (path.kind == MoveKind.CUT)
    assert feed[deep].max() < 0.5 * feed[shallow].min()
    # asked anew at the feeds it was given, the engagement keeps the bending that roughing allows, to the grid's 15 %
    row = int(np.flatnonzero(deep)[12])
    found = ask_at(blank(), replace(path), np.array([row]), cut(feed_mm_per_min=float(feed[row])), duty())
    assert found.side_N[0] <= 1.15 * BENDING_ROUGH_MM / cutter_compliance_mm_per_N(CUTTER)
    assert found.side_N[0] >= 0.4 * BENDING_ROUGH_MM / cutter_compliance_mm_per_N(CUTTER)


def test_time_is_saved_against_the_one_feed_that_the_hardest_stretch_bears() -> None:
    path, done = feeds_along(cut(), deep_then_shallow(), blank(), duty())
    assert done is not None
    assert done.minutes == pytest.approx(toolpath_minutes(path, MILL))
    assert done.minutes < 0.75 * done.constant_minutes
    assert done.constant_feed_mm_per_min <= path.feed_mm_per_min[path.kind == MoveKind.CUT].max()
    assert "feeds along" in done.decision(cut()).what


def test_poses_and_rapids_stay_as_they_are_and_the_blank_is_carved() -> None:
    before, bar = deep_then_shallow(), blank()
    full = copy_of(bar)
    path, _ = feeds_along(cut(), before, bar, duty())
    np.testing.assert_array_equal(path.pose, before.pose)
    np.testing.assert_array_equal(path.kind, before.kind)
    assert (path.feed_mm_per_min[path.kind == MoveKind.RAPID] == 0.0).all()
    assert bar.yz.ends.sum() != full.yz.ends.sum()


def test_finishing_bends_less_and_a_weak_axis_slows() -> None:
    rough, _ = feeds_along(cut(), deep_then_shallow(), blank(), duty())
    finish, _ = feeds_along(cut(kind=CutKind.FINISH_AROUND, allowance_mm=0.0), deep_then_shallow(), blank(), duty())
    assert BENDING_FINISH_MM < BENDING_ROUGH_MM
    assert finish.feed_mm_per_min.min() <= rough.feed_mm_per_min.min()
    weak = replace(MILL, a=replace(MILL.a, moving_torque_Nm=0.1 / ROTARY_SHARE))
    slowed, done = feeds_along(cut(), deep_then_shallow(), blank(), duty(machine=weak))
    assert done is not None and done.limits[0][0] == "rotary axis"
    assert slowed.feed_mm_per_min[5] < rough.feed_mm_per_min[5]


def test_easy_stuff_runs_at_the_machine_s_speed_and_drills_keep_their_feed() -> None:
    easy = replace(WOOD, kc11_N_per_mm2=(0.5, 1.0), fz_per_DC=(0.05, 0.2), hm_min_mm=1e-6)
    path, done = feeds_along(cut(), deep_then_shallow(), blank(), duty(easy))
    assert done is not None
    assert path.feed_mm_per_min.max() == MILL.x.max_feed_mm_per_min
    same, none = feeds_along(cut(kind=CutKind.DRILL), deep_then_shallow(), blank(), duty())
    assert none is None and (same.feed_mm_per_min == deep_then_shallow().feed_mm_per_min).all()


def test_reasons_name_what_would_be_quicker() -> None:
    _, done = feeds_along(cut(), deep_then_shallow(), blank(), duty())
    assert done is not None
    found = reasons(cut(), done)
    assert found.quicker and all(gain > 0.0 for _, gain in found.quicker)
    assert sum(share for _, share in found.limits) == pytest.approx(1.0)
    text = reasons_text([found])
    assert "ruled by" in text and "would save" in text and "Hz" in text


def test_a_bore_is_fed_by_the_speed_of_its_edge():
    # a helix of 0.2 mm radius, 2 mm deep, in the top of the bar: the edge goes (0.2 + 1.5) / 0.2 = 8.5 times as fast
    ring, turns = 0.2, np.linspace(0.0, 20.0, 241)
    angle = 2.0 * np.pi * turns
    down = np.column_stack([40.0 + ring * np.cos(angle), ring * np.sin(angle), 15.0 - 0.1 * turns, 0.0 * turns])
    pose = np.vstack([[40.2, 0, 40, 0], [40.2, 0, 15.2, 0], down])
    kind = np.full(len(pose), MoveKind.CUT, dtype=np.uint8)
    kind[:2] = MoveKind.RAPID
    path = Toolpath(pose, np.where(kind == MoveKind.CUT, 100.0, 0.0), kind)
    hole = Hole(40.0, 0.0, 15.0, 10.0, 2.0 * (ring + 1.5), False)
    asked = cut(kind=CutKind.BORE, turn_deg=0.0, holes=(hole,), allowance_mm=0.0)
    bored, _ = feeds_along(asked, path, blank(), duty(WOOD))
    plain, _ = feeds_along(replace(asked, kind=CutKind.PROFILE, holes=()), path, blank(), duty(WOOD))
    fastest = bored.feed_mm_per_min[kind == MoveKind.CUT].max()
    # derived: three times the chart's chip (the most that a thin chip is raised by) at the edge, over 8.5 at the tip
    assert fastest <= MOST_THINNING * WOOD.fz_per_DC[1] * 3.0 * 15_000.0 * 2 / 8.5
    assert fastest < plain.feed_mm_per_min[kind == MoveKind.CUT].max()
    # a ring that leaves something for the next may bend the cutter more
    wide = replace(asked, holes=(replace(hole, diameter_mm=hole.diameter_mm + 1.0),))
    rough, _ = feeds_along(wide, path, blank(), duty(HARD))
    fine, _ = feeds_along(asked, path, blank(), duty(HARD))
    assert rough.feed_mm_per_min.sum() >= fine.feed_mm_per_min.sum()


def test_a_face_may_bend_the_cutter_sideways_as_roughing_may():
    flat = cut(allowance_mm=0.0, turn_deg=0.0)
    faced, _ = feeds_along(replace(flat, kind=CutKind.FACE), deep_then_shallow(), blank(), duty())
    walls, _ = feeds_along(replace(flat, kind=CutKind.PROFILE), deep_then_shallow(), blank(), duty())
    rough, _ = feeds_along(replace(flat, kind=CutKind.CLEAR, allowance_mm=0.3), deep_then_shallow(), blank(), duty())
    assert np.array_equal(faced.feed_mm_per_min, rough.feed_mm_per_min)
    assert faced.feed_mm_per_min.sum() > walls.feed_mm_per_min.sum()


def test_no_step_cuts_more_than_the_edge_is_large() -> None:
    """A step of a thousandth into full stock: the edge's outline, 3 mm x its length, bounds what it can be cutting."""
    # derived: a flat's outline from beside is DC times the length of its edge; seen from beneath, a circle
    assert most_area_mm2(SHAPE.edge) == pytest.approx(CUTTER.DC * SHAPE.edge.top_mm, rel=1e-9)
    pose = np.array([[60, 0, 40, 0], [60, 0, 13, 0], [59.999, 0, 13, 0], [55, 0, 13, 0], [55, 0, 40, 0]], dtype=float)
    kind = np.array([MoveKind.RAPID, MoveKind.LINK, MoveKind.CUT, MoveKind.CUT, MoveKind.RAPID], dtype=np.uint8)
    path = Toolpath(pose, np.array([0.0, 600.0, 600.0, 600.0, 0.0]), kind)
    _, schedule = feeds_along(cut(), path, blank(), duty())
    assert schedule is not None
    # derived: Kienzle with the hardest slot: kc1.1 400 N/mm2 on the whole outline at a chip of 0.001 mm would be under this
    assert schedule.force_N < 400.0 * most_area_mm2(SHAPE.edge)
