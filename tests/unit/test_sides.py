"""Sides: candidates, the exact cover against brute force, and what the shipped rules choose."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from newel.geometry.features import Features, FlatFace, RoundFace
from newel.planning.sides import apart_deg, candidates, cover, up_deg

NOTHING = np.zeros(0, np.int64)


def brute_force(patterns, worth, square, square_worth, cost):
    """The cheapest choice of rows by trying every one."""
    best, least = None, np.inf
    rows = range(len(cost))
    for count in range(len(cost) + 1):
        for chosen in combinations(rows, count):
            some = list(chosen)
            left = ~patterns[some].any(axis=0) if some else np.ones(patterns.shape[1], bool)
            askew = ~square[some].any(axis=0) if some else np.ones(square.shape[1], bool)
            price = cost[some].sum() + worth[left].sum() + square_worth[askew].sum()
            if price < least - 1e-12:
                best, least = some, price
    return best, least


@pytest.mark.uncompiled
@pytest.mark.parametrize("seed", range(20))
def test_the_cover_is_as_cheap_as_the_best_of_all(seed):
    # derived: brute force over all 2^8 choices is the definition of the cheapest
    rng = np.random.default_rng(seed)
    patterns, square = rng.random((8, 15)) < 0.3, rng.random((8, 4)) < 0.3
    worth, square_worth = rng.random(15) * 2.0, rng.random(4)
    cost = 1.0 + 0.05 * rng.random(8)
    chosen = cover(patterns, worth, square, square_worth, cost)
    _, least = brute_force(patterns, worth, square, square_worth, cost)
    left, askew = ~patterns[chosen].any(axis=0), ~square[chosen].any(axis=0)
    price = cost[chosen].sum() + worth[left].sum() + square_worth[askew].sum()
    assert price == pytest.approx(least, abs=1e-6)


@pytest.mark.uncompiled
def test_a_greedy_choice_needs_a_row_more():
    # derived: rows 1 and 2 cover all six pieces; the row with the most pieces (4) leaves two that no one row covers
    patterns = np.zeros((4, 6), bool)
    patterns[0, [0, 1, 3, 4]] = True
    patterns[1, [0, 1, 2]] = True
    patterns[2, [3, 4, 5]] = True
    patterns[3, [2]] = True
    none = np.zeros((4, 0), bool)
    assert cover(patterns, np.full(6, 10.0), none, np.zeros(0), np.ones(4)) == [1, 2]


@pytest.mark.uncompiled
def test_what_is_worth_less_than_a_side_stays_uncovered():
    patterns = np.array([[True, False], [False, True]])
    none = np.zeros((2, 0), bool)
    assert cover(patterns, np.array([5.0, 0.9]), none, np.zeros(0), np.ones(2)) == [0]
    assert cover(patterns, np.array([5.0, 1.1]), none, np.zeros(0), np.ones(2)) == [0, 1]


@pytest.mark.uncompiled
@pytest.mark.parametrize("angle", [0.0, 17.0, 90.0, 233.0])
def test_a_direction_is_brought_upright(angle):
    # derived: the turn about +X by up_deg carries the direction to +Z
    y, z = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    t = np.radians(up_deg(np.array([0.0, y, z])))
    assert np.cos(t) * y - np.sin(t) * z == pytest.approx(0.0, abs=1e-7)
    assert np.sin(t) * y + np.cos(t) * z == pytest.approx(1.0, abs=1e-7)


@pytest.mark.uncompiled
def test_flats_and_bores_suggest_angles_and_the_fan_fills_the_rest():
    flats = (FlatFace(np.array([0.0, 1.0, 0.0]), 5.0, 80.0, NOTHING), FlatFace(np.array([1.0, 0.0, 0.0]), 5.0, 80.0, NOTHING))
    bore = RoundFace(np.zeros(3), np.array([0.0, 0.6, 0.8]), 3.0, -5.0, 5.0, True, 360.0, NOTHING)
    found = candidates(Features(flats, (bore,)), 90.0)
    asked = {round(item.turn_deg, 3) for item in found if not item.of_fan}
    # derived: +Y is brought up by 90 degrees; (0.6, 0.8) by 90 - atan2(0.8, 0.6) = 36.870, its other end by 216.870
    assert asked == {90.0, 36.87, 216.87}
    assert {item.turn_deg for item in found if item.of_fan} == {0.0, 180.0, 270.0}


@pytest.mark.uncompiled
def test_turns_are_apart_the_short_way():
    assert apart_deg(350.0, 20.0) == pytest.approx(30.0)
    assert apart_deg(0.0, 180.0) == pytest.approx(180.0)
