"""Where on a way an edge is asked, and with the blank cut how far."""

from __future__ import annotations

import numpy as np
import pytest

from newel.mechanics.places_on_way import MOST_LOOKS, Asked, places_on


def way(*tips: tuple[float, float, float, float]) -> np.ndarray:
    return np.array(tips, dtype=float)


def asked(*rows: int, speed: float = 600.0) -> Asked:
    return Asked(np.array(rows, dtype=np.intp), np.full(len(rows), speed), np.full(len(rows), 9000.0))


LINE = way((0, 0, 5, 0), (0, 0, 1, 0), (2, 0, 1, 0), (4, 0, 1, 0), (34, 0, 1, 0), (34, 0, 5, 0))
FED = np.array([False, False, True, True, True, False])


def test_a_place_lies_in_its_row_and_the_cutting_has_stopped_before_it() -> None:
    laid = places_on(LINE, FED, asked(3), 1.5)
    assert laid.places.pose.tolist() == [[3.0, 0.0, 1.0, 0.0]]  # the middle of the row from 2 to 4
    # put in 1.5 before it, in the row before, and asked before the move that leads on from there
    assert laid.poses[2].tolist() == [1.5, 0.0, 1.0, 0.0] and laid.places.row.tolist() == [3]
    assert laid.at.tolist() == [0, 1, 3, 4, 5, 6]
    assert laid.poses[laid.at] == pytest.approx(LINE)
    assert laid.places.rate_per_min[0] == pytest.approx([600.0, 0, 0, 0])


def test_it_goes_back_no_further_than_where_the_feeding_began() -> None:
    laid = places_on(LINE, FED, asked(2), 3.0)
    assert laid.poses[laid.places.row[0] - 1].tolist() == [0.0, 0.0, 1.0, 0.0]


def test_a_long_row_is_asked_all_along() -> None:
    laid = places_on(LINE, FED, asked(3, 4), 1.0)
    assert len(laid.places.row) == 1 + MOST_LOOKS and (laid.places.asked == [0] + [1] * MOST_LOOKS).all()
    assert np.diff(laid.places.pose[1:, 0]) == pytest.approx(30.0 / MOST_LOOKS)
    assert laid.poses[laid.places.row - 1][:, 0] == pytest.approx(laid.places.pose[:, 0] - 1.0)
    assert (np.diff(laid.poses[:, 0]) >= 0.0).all()  # nothing is put in out of order


def test_places_between_two_poses_are_told_from_the_first() -> None:
    laid = places_on(LINE, FED, asked(2, 3, 4), 1.0)
    cut = int(laid.at[3])
    both = [laid.places.between(0, cut), laid.places.between(cut, len(laid.poses) - 1)]
    assert np.concatenate([both[0].row, both[1].row + cut]).tolist() == laid.places.row.tolist()
    assert (both[1].row >= 1).all() and (both[0].row <= cut).all()


def test_where_the_way_doubles_back_nothing_is_asked() -> None:
    there_and_back = way((0, 0, 1, 0), (10, 0, 1, 0), (9, 0, 1, 0), (0, 0, 1, 0))
    laid = places_on(there_and_back, np.array([False, True, True, True]), asked(2, 3), 2.0)
    assert 0 not in laid.places.asked and 1 in laid.places.asked


def test_a_turning_bar_carries_the_tip_round_and_its_way_is_no_doubling_back() -> None:
    turning = way(*((0.0, 0.0, 8.0, 15.0 * k) for k in range(8)))
    laid = places_on(turning, np.arange(8) > 0, asked(4, 5), 3.0)
    assert laid.places.asked.tolist() == [0, 1]
    # 15 degrees at radius 8 are 2.094 mm; 3 mm before the middle of row 4 lie 1.047 + 1.953 mm back, in row 3
    assert laid.poses[laid.places.row[0] - 1] == pytest.approx([0, 0, 8, 45.0 - 15.0 * 1.9528 / 2.0944], abs=1e-3)
    assert laid.places.rate_per_min[0, 3] == pytest.approx(np.degrees(600.0 / 8.0))


def test_no_rows_no_places() -> None:
    laid = places_on(LINE, FED, asked(), 1.0)
    assert len(laid.places.row) == 0 and laid.poses.tolist() == LINE.tolist()
