"""The proof's forward kinematics against the table of references (a turning table's point) and against rotation matrices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.proof_bench import SETUP
from newel.core.frames import table_from_bar
from newel.proof.kinematics import bar_points_from_table, machine_from_pose, pose_from_axes, table_points_from_bar

# derived: machine (y, z) of a bar point (y, z) with the chuck at A in the sense of ISO 841 (a turning table: theta = -A):
# y_m = y cos A + z sin A, z_m = -y sin A + z cos A
ISO_TABLE = [
    ((0.0, 10.0), 90.0, (10.0, 0.0)),
    ((10.0, 0.0), 90.0, (0.0, -10.0)),
    ((-10.0, 0.0), 90.0, (0.0, 10.0)),
    ((3.0, 4.0), 30.0, (4.598076, 1.964102)),
]


@pytest.mark.parametrize("point, a, expected", ISO_TABLE)
def test_bar_points_stand_where_iso_841_has_them(point, a, expected) -> None:
    setup = replace(SETUP, a_sense=-1)
    turn = pose_from_axes(np.array([[0.0, 0.0, 0.0, a]]), setup)[:, 3]
    assert table_points_from_bar(np.array([[7.0, *point]]), turn)[0] == pytest.approx((7.0, *expected), abs=5e-7)


@pytest.mark.parametrize("turn", [-400.0, -90.0, 0.0, 33.0, 180.0, 725.0])
def test_points_turn_as_the_frames_say_and_back(turn: float) -> None:
    points = np.random.default_rng(1).normal(size=(5, 3))
    turned = table_points_from_bar(points, np.full(5, turn))
    assert turned == pytest.approx(table_from_bar(turn).apply(points), abs=1e-12)
    assert bar_points_from_table(turned, np.full(5, turn)) == pytest.approx(points, abs=1e-12)


def test_offsets_zero_and_sense_make_the_pose() -> None:
    setup = replace(
        SETUP, table_from_program_mm=(10.0, 20.0, 30.0), a_zero_deg=45.0, a_sense=-1, machine_from_table_mm=(1.0, 2.0, -100.0)
    )
    pose = pose_from_axes(np.array([[1.0, 2.0, 3.0, 15.0]]), setup)
    assert pose[0] == pytest.approx((11.0, 22.0, 33.0, -60.0))  # derived: -(15 + 45)
    assert machine_from_pose(pose, np.array([40.0]), setup)[0] == pytest.approx((12.0, 24.0, -27.0))  # derived: 33 - 100 + 40


def test_unknown_places_stay_unknown_and_input_is_left_alone() -> None:
    axes = np.array([[np.nan, 0.0, 1.0, np.nan]])
    pose = pose_from_axes(axes, SETUP)
    assert np.isnan(pose[0, [0, 3]]).all()
    assert axes[0, 2] == 1.0
