"""Tours over places: proved shortest for a few, near the shortest for many."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from newel.toolpaths import tours
from newel.toolpaths.tours import short_tour, tour_length_mm


def brute_force(points):
    """The shortest open tour by trying them all."""
    return min(tour_length_mm(points, np.array(order)) for order in permutations(range(len(points))))


@pytest.mark.parametrize("seed", range(5))
def test_few_places_are_visited_by_the_shortest_way(seed):
    points = np.random.default_rng(seed).uniform(0.0, 50.0, (7, 2))
    order = short_tour(points)
    assert sorted(order) == list(range(7))
    assert tour_length_mm(points, order) == pytest.approx(brute_force(points), abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_improving_comes_within_a_few_percent_of_brute_force(seed, monkeypatch):
    points = np.random.default_rng(100 + seed).uniform(0.0, 50.0, (8, 2))
    best = brute_force(points)
    monkeypatch.setattr(tours, "EXACT_UP_TO", 2)
    assert tour_length_mm(points, short_tour(points)) <= 1.03 * best


def test_a_row_of_many_holes_is_drilled_from_end_to_end():
    x = np.random.default_rng(7).permutation(40) * 2.5
    order = short_tour(np.column_stack([x, np.zeros(40)]))
    assert tour_length_mm(np.column_stack([x, np.zeros(40)]), order) == pytest.approx(39 * 2.5)  # derived: the row's length


def test_a_square_lattice_is_left_by_near_the_shortest_way():
    x, y = np.meshgrid(np.arange(8) * 5.0, np.arange(6) * 5.0)
    points = np.column_stack([x.ravel(), y.ravel()])[np.random.default_rng(3).permutation(48)]
    # derived: 47 steps of the lattice's 5 mm are the least that 48 places can do with
    assert tour_length_mm(points, short_tour(points)) <= 1.05 * 47 * 5.0


def test_none_one_and_two():
    assert list(short_tour(np.zeros((0, 2)))) == []
    assert list(short_tour(np.zeros((1, 2)))) == [0]
    assert sorted(short_tour(np.array([[0.0, 0.0], [1.0, 0.0]]))) == [0, 1]
