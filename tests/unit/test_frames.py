"""Frames: the one rotation, and transforms that only meet where their frames do."""

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.frames import Transform, table_from_bar, turn_about_x


def test_a_quarter_turn_brings_y_to_z():
    # derived: right-handed about +X
    assert turn_about_x(90.0) @ [0.0, 1.0, 0.0] == pytest.approx([0.0, 0.0, 1.0], abs=1e-15)


@pytest.mark.parametrize(
    ("point", "a_deg", "expected"),
    [
        # published: NISTIR 6556 section 2.1.2.2 gives +A as the tool's turn about +X, so the work turns the other way
        # (sense -1); values derived from that rule
        ((0.0, 10.0), 90.0, (10.0, 0.0)),
        ((10.0, 0.0), 90.0, (0.0, -10.0)),
        ((-10.0, 0.0), 90.0, (0.0, 10.0)),
        ((3.0, 4.0), 30.0, (4.598076, 1.964102)),
    ],
)
def test_the_standard_sense_moves_points_as_the_report_says(point, a_deg, expected):
    sense = -1
    moved = table_from_bar(sense * a_deg).apply(np.array([[5.0, *point]]))
    assert moved[0] == pytest.approx((5.0, *expected), abs=1e-6)


def test_transforms_meet_or_are_refused():
    there = Transform("bar", "model", np.diag([2.0, 2.0, 2.0, 1.0]))
    both = table_from_bar(30.0).after(there)
    assert (both.target, both.source) == ("table", "model")
    back = both.inverse().apply(both.apply(np.array([[1.0, 2.0, 3.0]])))
    assert back[0] == pytest.approx((1.0, 2.0, 3.0))
    with pytest.raises(BadInput):
        there.after(table_from_bar(30.0))
