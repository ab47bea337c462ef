"""Times of simple motions against closed forms of kinematics.

Every expected number is derived: the closed form stands beside it. The jerk-limited ones are checked against ruckig, a
general motion library. One speed (T7) is published: NISTIR 6556, 5.3: 2000 lines of 0.1 mm at 1000 mm/min take 12 s.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import ruckig

from newel.core.motion import MoveKind, RowKind, Toolpath
from newel.mechanics.clock import HeldBy, row_minutes, s_curve_minutes, tip_way_mm, toolpath_minutes
from plain.motions import motion_of, small_mill, with_dog_leg


def seconds(motion, machine) -> float:
    return 60.0 * row_minutes(motion, machine).total_minutes


@pytest.mark.parametrize(
    ("length", "expected"),
    [
        (10.0, 0.300),  # derived: L/v + v/a = 10/50 + 50/500
        (5.0, 0.200),  # derived: L = v2/a, the limit of both forms
        (2.0, 0.12649111),  # derived: 2 sqrt(L/a)
    ],
)
def test_rest_to_rest_with_bounded_acceleration(length, expected):
    assert seconds(motion_of([[length, 0, 0, 0]]), small_mill()) == pytest.approx(expected, abs=5e-9)


def test_piece_between_two_speeds():
    """Derived: vp = min(v, sqrt(aL + (v0^2 + v1^2)/2)) with v0 10, v1 20, L 10: vp 50; (40 + 30)/500 + 7.3/50... = 0.250 s.

    Speeds at the ends are made by straight rows before and after that are asked to run at 10 and 20 mm/s.
    """
    timed = row_minutes(motion_of([[50, 0, 0, 0], [60, 0, 0, 0], [110, 0, 0, 0]], minutes=[5 / 60, 0, 2.5 / 60]), small_mill())
    assert 60 * timed.minutes[1] == pytest.approx(0.250, abs=1e-12)


SHAPES = [
    # derived: (a) L >= v(v/a + a/j) = 7.5: L/v + v/a + a/j; (b) 2.5 <= L: a/j + sqrt((a/j)^2 + 4L/a); (c) cbrt(32L/j)
    (10.0, 50.0, 0.350),
    (5.0, 50.0, 0.25615528),
    (2.0, 50.0, 0.18566355),
    (0.5, 50.0, 0.11696071),
    (0.1, 50.0, 0.06839904),
    # derived: v 20 < a^2/j, so a is not reached: L/v + 2 sqrt(v/j)
    (10.0, 20.0, 0.58944272),
]


@pytest.mark.parametrize(("length", "speed", "expected"), SHAPES)
def test_jerk_limited_rest_to_rest(length, speed, expected):
    ours = 60.0 * s_curve_minutes(length, speed, 500.0, 10_000.0)
    assert ours == pytest.approx(expected, abs=5e-9)
    generator = ruckig.Ruckig(1)
    path, trajectory = ruckig.InputParameter(1), ruckig.Trajectory(1)
    path.target_position = [length]
    path.max_velocity, path.max_acceleration, path.max_jerk = [speed], [500.0], [10_000.0]
    generator.calculate(path, trajectory)
    assert ours == pytest.approx(trajectory.duration, abs=1e-12)


@pytest.mark.parametrize(
    ("turn_deg", "mm_per_min"),
    [(30, 1010.207), (60, 482.398), (90, 294.808), (120, 189.737)],  # derived: r = d cos(f/2)/(1 - cos(f/2)), v = sqrt(a r)
)
def test_speed_through_a_corner(turn_deg, mm_per_min):
    """The time of two long legs tells the speed between them: each loses (v - vc)^2 / (2 a v) against running through."""
    turn = math.radians(turn_deg)
    legs = [[100, 0, 0, 0], [100 + 100 * math.cos(turn), 100 * math.sin(turn), 0, 0]]
    v, a, vc = 50.0, 500.0, mm_per_min / 60.0
    # derived: per leg L/v + v/2a (rest at one end) + (v - vc)^2 / 2av (slower at the other). Off X, along the direction u,
    # the path's own bound is min over axes of v/|u|, a/|u|.
    u = max(abs(math.cos(turn)), abs(math.sin(turn)))
    v2, a2 = v / u, a / u
    expected = 100 / v + v / (2 * a) + (v - vc) ** 2 / (2 * a * v) + 100 / v2 + v2 / (2 * a2) + (v2 - vc) ** 2 / (2 * a2 * v2)
    assert seconds(motion_of(legs), small_mill()) == pytest.approx(expected, abs=2e-6)


def test_chords_of_an_arc_run_at_the_speed_of_its_radius():
    """Derived: v = sqrt(a R), R 1, a 500: 22.360680 mm/s = 1341.641 mm/min; a full turn, axes' bounds wide open.

    Between two corners of a chord l the speed may still rise and fall by a l / 2v: with 0.1 degree chords 0.1 %.
    """
    angle = np.radians(np.arange(1, 3 * 3600 + 1) / 10)
    points = np.c_[np.cos(angle) - 1, np.sin(angle), np.zeros((len(angle), 2))]
    timed = row_minutes(motion_of(points), small_mill(speed_mm_per_s=200.0))
    middle = 60.0 * timed.minutes[3600:7200].sum()
    assert middle == pytest.approx(2 * math.pi / 22.360680, rel=1e-3)


def test_block_rate_bounds_the_speed():
    """Published: NISTIR 6556, 5.3: 0.1 mm a line at 166.667 lines/s is 1000 mm/min, 2000 lines take 12 s (plus v/a)."""
    points = np.zeros((2000, 4))
    points[:, 0] = 0.1 * np.arange(1, 2001)
    timed = row_minutes(motion_of(points), small_mill(block_rate_per_s=1000 / 6))
    assert 60 * timed.total_minutes == pytest.approx(12.0 + (1000 / 60) / 500, abs=1e-9)
    assert (timed.held_by[10:-10] == HeldBy.BLOCK_RATE).all()


def test_chords_of_one_arc_count_as_one_block():
    """Derived: 360 chords from one line at 10 blocks/s could take no less than 36 s as lines; as one arc the feed rules."""
    angle = np.radians(np.arange(1, 361))
    points = np.c_[10 * np.cos(angle) - 10, 10 * np.sin(angle), np.zeros((360, 2))]
    mill = small_mill(block_rate_per_s=10.0)
    each = 2 * math.pi * 10 / 5.0 / 360 / 60  # 5 mm/s
    assert seconds(motion_of(points, each, RowKind.ARC, line=7), mill) == pytest.approx(4 * math.pi, rel=2e-3)
    assert seconds(motion_of(points, each, RowKind.FEED), mill) > 35.9


@pytest.mark.parametrize(("feed", "radius", "deg_per_min"), [(600, 5, 6875.4935), (600, 10, 3437.7468), (600, 20, 1718.8734)])
def test_surface_speed_of_a_turning_bar(feed, radius, deg_per_min):
    """Derived: v = omega pi r / 180."""
    pose = np.array([[0, 0, radius, 0.0], [0, 0, radius, 360.0]])
    assert tip_way_mm(pose)[0] == pytest.approx(2 * math.pi * radius, rel=1e-12)
    assert 360.0 / (tip_way_mm(pose)[0] / feed) == pytest.approx(deg_per_min, abs=5e-5)


def test_a_quarter_turn_of_the_rotary():
    """Derived: 90/60 + 60/500 = 1.62 s at 3600 degrees/min and 500 degrees/s2."""
    assert seconds(motion_of([[0, 0, 0, 90]]), small_mill()) == pytest.approx(1.62, abs=1e-12)


def test_feed_near_the_axis_is_held_by_the_rotary():
    """Derived: 300 mm/min at r 0.5 asks 34 377.468 degrees/min; A turns 3600, so a turn takes 6 s + 60/500, not 0.63 s."""
    pose = np.array([[0, 0, 0.5, 0.0], [0, 0, 0.5, 360.0]])
    path = Toolpath(pose, np.array([0.0, 300.0]), np.array([MoveKind.RAPID, MoveKind.CUT], np.uint8))
    assert 360.0 / (tip_way_mm(pose)[0] / 300.0) == pytest.approx(34_377.468, abs=5e-4)
    assert 60 * toolpath_minutes(path, small_mill()) == pytest.approx(6.0 + 0.12, abs=1e-9)


def test_a_fed_row_far_too_quick_takes_the_axes_time():
    """Derived: `G94 G1 X0.001 A90 F100` asks for 0.6 ms; A needs 1.62 s (NISTIR 6556 2.1.2.5 rule, reachable or not)."""
    timed = row_minutes(motion_of([[0.001, 0, 0, 90]], minutes=0.0006 / 60), small_mill())
    assert 60 * timed.total_minutes == pytest.approx(1.62, abs=1e-9)
    assert timed.held_by[0] == HeldBy.AXIS_SPEED


def test_rapids_on_a_dog_leg_take_the_slowest_axis():
    """Derived: X 100 takes 100/50 + 0.1 = 2.1 s by itself, A 90 takes 1.62 s; on one line both run slower together or as X."""
    row = motion_of([[100, 0, 0, 90]], np.nan, RowKind.RAPID)
    assert seconds(row, with_dog_leg(small_mill())) == pytest.approx(2.1, abs=1e-12)
    assert seconds(row, small_mill()) == pytest.approx(2.1, abs=1e-12)


def test_dwells_keep_their_minutes_and_stop_the_path():
    """Derived: 10 mm at 50 mm/s twice with rest between: 2 x 0.3 s, and a dwell of 2 s; without it 20/50 + 0.1 = 0.5 s."""
    rows = [[10, 0, 0, 0], [10, 0, 0, 0], [20, 0, 0, 0]]
    kinds = [RowKind.FEED, RowKind.DWELL, RowKind.FEED]
    timed = row_minutes(motion_of(rows, [0, 2 / 60, 0], kinds), small_mill())
    assert 60 * timed.minutes == pytest.approx([0.3, 2.0, 0.3], abs=1e-12)
    through = motion_of([rows[0], rows[2]])
    assert seconds(through, small_mill()) == pytest.approx(0.5, abs=1e-12)
    stopped = motion_of([rows[0], rows[2]], exact_stop=[1, 0])
    assert seconds(stopped, small_mill()) == pytest.approx(0.6, abs=1e-12)


def test_a_missing_feed_makes_the_time_unknown_and_no_more():
    timed = row_minutes(motion_of([[10, 0, 0, 0], [20, 0, 0, 0], [30, 0, 0, 0]], [0, np.nan, 0]), small_mill())
    assert np.isnan(timed.minutes).tolist() == [False, True, False]
    assert 60 * timed.known_minutes == pytest.approx(0.6, abs=1e-12)  # derived: rest to rest on either side, 0.3 s each
    assert math.isnan(timed.total_minutes)


def test_an_unknown_start_costs_the_whole_travel():
    """Derived: X from nowhere may be 300 mm: 300/50 + 0.1 = 6.1 s; axes not named yet do not move."""
    nan = math.nan
    row = motion_of([[0, nan, nan, nan]], nan, RowKind.RAPID, start=(nan, nan, nan, nan))
    assert seconds(row, small_mill()) == pytest.approx(6.1, abs=1e-12)
