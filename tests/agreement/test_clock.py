"""The clock against its slow twin (tests/plain/clock_plain.py) on random and awkward paths."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.motion import MoveKind, RowKind, Toolpath
from newel.mechanics.clock import axis_limits, row_minutes, tip_way_mm, toolpath_minutes
from plain.clock_plain import Axes, Piece, seconds_of
from plain.motions import motion_of, small_mill

PATHS = {
    "corners": lambda rng: rng.normal(size=(60, 4)) * [5, 5, 5, 20],
    "long and short": lambda rng: rng.normal(size=(60, 4)) * 10.0 ** rng.uniform(-3, 1.5, (60, 1)),
    "one axis": lambda rng: rng.normal(size=(40, 1)) * np.array([[3.0, 0, 0, 0]]),
    "turning": lambda rng: rng.normal(size=(40, 1)) * np.array([[0.0, 0, 0, 30]]) + [0.1, 0, 0, 0],
    "straight then back": lambda rng: np.array([[1.0, 0, 0, 0]] * 5 + [[-1.0, 0, 0, 0]] * 5),
    "smooth": lambda rng: np.c_[np.cos(np.arange(200) / 20), np.sin(np.arange(200) / 20), np.zeros(200), np.full(200, 0.7)],
}


@pytest.mark.parametrize("name", PATHS)
@pytest.mark.parametrize("seed", range(4))
def test_clock_agrees_with_its_twin(name, seed):
    rng = np.random.default_rng(seed)
    steps = PATHS[name](rng)
    n = len(steps)
    rapid = rng.random(n) < 0.3
    stop = rng.random(n) < 0.1
    minutes = np.where(rapid, np.nan, np.linalg.norm(steps, axis=1) / rng.uniform(5, 60, n) / 60)
    kind = np.where(rapid, RowKind.RAPID, RowKind.FEED)
    machine = small_mill(acceleration=[500.0, 120.0, 2000.0, 500.0][seed], block_rate_per_s=[0.0, 0.0, 50.0, 500.0][seed])
    timed = row_minutes(motion_of(np.cumsum(steps, axis=0), minutes, kind, exact_stop=stop), machine)
    limits, weight = axis_limits(machine)
    block = 1 / machine.block_rate_per_s if machine.block_rate_per_s else 0.0
    ways = np.diff(np.vstack([np.zeros(4), np.cumsum(steps, axis=0)]), axis=0) * [1, 1, 1, weight]
    pieces = [
        Piece(tuple(way), 0.0 if r else 60 * m, block, bool(r), bool(s)) for way, m, r, s in zip(ways, minutes, rapid, stop)
    ]
    axes = Axes(limits.feed.tolist(), limits.rapid.tolist(), limits.acceleration.tolist())
    expected = np.array(seconds_of(pieces, axes, machine.corner_deviation_mm))
    # the twin walks the rounding arc in 2000 steps: its largest component is short of the true one by 1e-6 at most
    np.testing.assert_allclose(60 * timed.minutes, expected, rtol=2e-6, atol=1e-9)


def test_nothing_and_rows_that_do_not_move():
    machine = small_mill()
    assert row_minutes(motion_of(np.zeros((0, 4))), machine).total_minutes == 0.0
    assert row_minutes(motion_of(np.zeros((3, 4))), machine).total_minutes == 0.0
    split = [[5, 0, 0, 0], [5, 0, 0, 0], [10, 0, 0, 0]]  # a row that goes nowhere does not break a line
    whole = row_minutes(motion_of([[10, 0, 0, 0]]), machine).total_minutes
    assert row_minutes(motion_of(split), machine).total_minutes == pytest.approx(whole, rel=1e-12)


def test_a_toolpath_takes_as_long_as_the_program_it_becomes():
    rng = np.random.default_rng(5)
    pose = np.cumsum(rng.normal(size=(80, 4)) * [1, 0.2, 0.2, 8], axis=0)
    pose[:, 2] += 12.0
    feed = np.where(rng.random(80) < 0.2, 0.0, rng.uniform(200, 1500, 80))
    kind = np.where(feed == 0, MoveKind.RAPID, MoveKind.CUT).astype(np.uint8)
    machine = small_mill(block_rate_per_s=300.0)
    asked = tip_way_mm(pose) / np.where(feed[1:] == 0, np.nan, feed[1:])
    rows = np.where(feed[1:] == 0, RowKind.RAPID, RowKind.FEED)
    program = motion_of(pose[1:], asked, rows, start=pose[0])
    assert toolpath_minutes(Toolpath(pose, feed, kind), machine) == pytest.approx(
        row_minutes(program, machine).total_minutes, rel=1e-9
    )
    lost = feed.copy()
    lost[7] = np.nan
    assert np.isnan(toolpath_minutes(Toolpath(pose, lost, kind), machine))
    assert toolpath_minutes(Toolpath(pose[:1], feed[:1], kind[:1]), machine) == 0.0


def test_the_tips_way_over_the_turning_work_against_short_steps():
    rng = np.random.default_rng(2)
    begin, end = rng.normal(size=4) * [5, 5, 5, 10] + [0, 0, 15, 0], rng.normal(size=4) * [5, 5, 5, 10] + [0, 0, 15, 0]
    poses = begin + np.linspace(0, 1, 20_001)[:, None] * (end - begin)
    turn = np.radians(poses[:, 3])
    y, z = poses[:, 1], poses[:, 2]
    # the bar turned by t carries a table point (y, z) back to its own frame by -t
    bar = np.c_[poses[:, 0], y * np.cos(turn) + z * np.sin(turn), z * np.cos(turn) - y * np.sin(turn)]
    expected = np.linalg.norm(np.diff(bar, axis=0), axis=1).sum()
    assert tip_way_mm(np.array([begin, end]))[0] == pytest.approx(expected, rel=1e-3)  # Simpson over one whole move
    assert tip_way_mm(poses[::100]).sum() == pytest.approx(expected, rel=1e-7)
