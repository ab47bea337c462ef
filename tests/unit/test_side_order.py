"""The order of cuts: what must come first, fewest changes against brute force, nearest turns."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from newel.planning.side_order import Step, changes, ordered

pytestmark = pytest.mark.uncompiled


def step(cutter: str, turn: float | None, *after: int, rank: int = 0) -> Step:
    return Step(cutter, turn, rank, frozenset(after))


@pytest.mark.parametrize("seed", range(15))
def test_no_allowed_order_has_fewer_changes(seed):
    # derived: all 720 orders of six cuts, those that keep what must come first
    rng = np.random.default_rng(seed)
    steps = [
        step("abc"[rng.integers(3)], 90.0 * float(rng.integers(4)), *(j for j in range(k) if rng.random() < 0.3))
        for k in range(6)
    ]
    allowed = [o for o in permutations(range(6)) if all(o.index(j) < o.index(k) for k in range(6) for j in steps[k].after)]
    found = ordered(steps)
    assert tuple(found) in allowed
    assert changes(steps, found) == min(changes(steps, order) for order in allowed)


def test_the_nearest_turn_comes_next():
    steps = [step("a", turn) for turn in (180.0, 10.0, 350.0, 90.0)]
    # derived: from 0 both 10 and 350 are 10 degrees away, the one further on first; then 350 (20), 90 (100), 180 (90)
    assert [steps[k].turn_deg for k in ordered(steps)] == [10.0, 350.0, 90.0, 180.0]


def test_cuts_around_wait_for_those_at_sides():
    steps = [step("a", None), step("a", 90.0)]
    assert ordered(steps) == [1, 0]


def test_a_circle_is_refused():
    with pytest.raises(ValueError):
        ordered([step("a", 0.0, 1), step("a", 0.0, 0)])
