"""What must hold of the clock for any path."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from newel.core.motion import RowKind
from newel.mechanics.clock import row_minutes
from plain.motions import motion_of, small_mill

STEPS = st.integers(1, 25).flatmap(lambda n: arrays(np.float64, (n, 4), elements=st.floats(-50, 50).map(lambda v: round(v, 3))))


def path_of(steps):
    points = np.cumsum(steps, axis=0)
    minutes = np.linalg.norm(steps[:, :3], axis=1) / 1500.0
    return points, minutes


@settings(max_examples=80, deadline=None)
@given(STEPS)
def test_no_row_is_quicker_than_its_feed(steps):
    points, minutes = path_of(steps)
    timed = row_minutes(motion_of(points, minutes), small_mill())
    assert (timed.minutes >= minutes).all()


@settings(max_examples=80, deadline=None)
@given(STEPS)
def test_a_path_run_backwards_takes_as_long(steps):
    points, minutes = path_of(steps)
    there = row_minutes(motion_of(points, minutes), small_mill()).minutes
    back_points = np.vstack([np.zeros(4), points])[::-1]
    back = row_minutes(motion_of(back_points[1:], minutes[::-1], start=back_points[0]), small_mill()).minutes
    np.testing.assert_allclose(there, back[::-1], rtol=1e-6, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(STEPS, st.integers(0, 24), st.floats(0.05, 0.95))
def test_a_straight_move_in_two_takes_as_long(steps, which, share):
    which %= len(steps)
    points, minutes = path_of(steps)
    whole = row_minutes(motion_of(points, minutes), small_mill()).total_minutes
    begin = np.vstack([np.zeros(4), points])[which]
    middle = begin + share * (points[which] - begin)
    split_points = np.insert(points, which, middle, axis=0)
    split_minutes = np.insert(minutes, which, share * minutes[which])
    split_minutes[which + 1] = (1 - share) * minutes[which]
    split = row_minutes(motion_of(split_points, split_minutes), small_mill()).total_minutes
    assert abs(whole - split) <= 1e-6 * whole + 1e-9


@settings(max_examples=40, deadline=None)
@given(STEPS)
def test_a_stronger_machine_is_never_slower(steps):
    points, minutes = path_of(steps)
    rows = motion_of(points, minutes, np.where(np.arange(len(points)) % 3 == 0, RowKind.RAPID, RowKind.FEED))
    weak = row_minutes(rows, small_mill(acceleration=200.0)).total_minutes
    strong = row_minutes(rows, small_mill(acceleration=400.0)).total_minutes
    assert strong <= weak * (1 + 1e-9) + 1e-12
    assert row_minutes(motion_of(points, minutes, exact_stop=1), small_mill()).total_minutes >= (
        row_minutes(motion_of(points, minutes), small_mill()).total_minutes * (1 - 1e-12)
    )
