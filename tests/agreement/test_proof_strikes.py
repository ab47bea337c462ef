"""The strikes kernel against its plain twin, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from newel.proof.strikes_kernels import bounds, clearances
from plain.strikes_plain import clearance_plain


def kernel(begin, end, pieces, cylinder):
    out = np.empty(1)
    clearances(begin[None, :], end[None, :], np.asarray(pieces, float), np.asarray(cylinder, float), 30, out)
    return float(out[0])


@pytest.mark.parametrize("case", range(24))
def test_clearances_agree_with_points_on_both(case: int) -> None:
    rng = np.random.default_rng(case)
    pieces = np.array([(0.0, 3.0, rng.uniform(0, 2), rng.uniform(0.5, 3)), (3.0, 8.0, 2.0, 2.0), (8.0, 12.0, 5.0, 5.0)])
    cylinder = (-10.0, 0.0, rng.uniform(2.0, 9.0))
    begin = np.array([rng.uniform(-12, 8), rng.uniform(-12, 12), rng.uniform(-3, 14), 0.0])
    end = begin + np.append(rng.uniform(-6, 6, 3), 90.0)
    exact, plain = kernel(begin, end, pieces, cylinder), clearance_plain(begin, end, pieces, cylinder)
    # The plain twin only knows points, so it can't be nearer than the truth, and is at most a mesh of points further.
    assert exact <= plain + 1e-4
    assert plain - exact < 0.25
    least = np.empty((1, 1))
    bounds(begin[None, :], end[None, :], pieces, np.array([cylinder]), least)
    assert least[0, 0] <= exact + 1e-9


def test_a_flat_cutter_above_beside_and_before_a_cylinder() -> None:
    flat = [(0.0, 20.0, 2.0, 2.0)]
    jaws = (-10.0, 0.0, 5.0)
    still = lambda x, y, z: (np.array([x, y, z, 0.0]),) * 2  # noqa: E731
    assert kernel(*still(-5.0, 0.0, 6.5), flat, jaws) == pytest.approx(1.5, abs=1e-4)  # derived: 6.5 - 5
    assert kernel(*still(3.0, 0.0, 0.0), flat, jaws) == pytest.approx(1.0, abs=1e-4)  # derived: 3 - 2
    assert kernel(*still(-5.0, 8.0, -2.0), flat, jaws) == pytest.approx(1.0, abs=1e-4)  # derived: 8 - 2 - 5
    # derived: the cutter's lower rim at (y 6, z 4) in the plane across X, from the circle of radius 5: sqrt(52) - 5
    assert kernel(*still(-5.0, 8.0, 4.0), flat, jaws) == pytest.approx(np.hypot(6.0, 4.0) - 5.0, abs=1e-4)
    assert kernel(*still(-5.0, 0.0, 4.99), flat, jaws) == 0.0


def test_a_move_that_only_touches_between_its_ends_is_found() -> None:
    flat = [(0.0, 20.0, 0.5, 0.5)]
    begin, end = np.array([-5.0, -20.0, 4.0, 0.0]), np.array([-5.0, 20.0, 4.0, 360.0])
    assert kernel(begin, end, flat, (-10.0, 0.0, 5.0)) == 0.0
    assert kernel(begin, end, flat, (-10.0, 0.0, 3.0)) == pytest.approx(1.0, abs=1e-4)  # derived: 4 - 3 at the top


def test_a_cone_beside_a_shoulder() -> None:
    # derived: a 90 degree V whose flank runs r = h; the shoulder's edge at (x 0, r 5) is (x + z - 5 ...)/sqrt 2 away
    cone = [(0.0, 10.0, 0.0, 10.0)]
    at = np.array([4.0, 0.0, 2.0, 0.0])  # at height 5 over the axis h = 3, r = 3: gap 1 along X, 1/sqrt 2 across the flank
    assert kernel(at, at, cone, (-10.0, 0.0, 5.0)) == pytest.approx(1.0 / np.sqrt(2.0), abs=1e-4)


def test_moves_from_nowhere_are_not_measured() -> None:
    least = np.empty((1, 1))
    bounds(np.full((1, 4), np.nan), np.zeros((1, 4)), np.array([(0.0, 1.0, 1.0, 1.0)]), np.array([(-1.0, 1.0, 1.0)]), least)
    assert np.isinf(least[0, 0])
