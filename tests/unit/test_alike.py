"""Which stretches are looked at, and what the others are taken for."""

from __future__ import annotations

import numpy as np

from newel.mechanics.alike import as_those_alike, likeness, some_of_each_kind


def test_of_each_kind_the_hardest_are_picked() -> None:
    # two kinds by X, of six each
    alike = likeness(np.repeat([1.0, 7.0], 6), np.full(12, 0.3))
    hardness = np.array([1, 2, 9, 3, 8, 4, 30, 20, 10, 50, 40, 60.0])
    assert sorted(some_of_each_kind(alike, hardness, 2, 100).tolist()) == [2, 4, 9, 11]
    assert some_of_each_kind(alike, hardness, 2, 3).tolist() == [11, 9, 2]  # in all no more than three


def test_another_column_makes_other_kinds() -> None:
    x, area, hardness = np.ones(4), np.ones(4), np.arange(4.0)
    assert len(some_of_each_kind(likeness(x, area), hardness, 1, 100)) == 1
    assert len(some_of_each_kind(likeness(x, area, np.array([0.0, 0.0, 1.0, 2.0])), hardness, 1, 100)) == 3


def test_a_stretch_is_as_hard_as_the_middle_one_of_the_three_most_like_it() -> None:
    seen = likeness(np.array([0.0, 1.0, 2.0, 50.0, 51.0, 52.0]), np.ones(6))
    found = np.array([1.0, 3.0, 2.0, 9.0, 7.0, 8.0])
    all_of_them = likeness(np.array([0.5, 51.0, 3.0]), np.ones(3))
    assert as_those_alike(seen, found, all_of_them).tolist() == [2.0, 8.0, 2.0]


def test_areas_an_octave_apart_are_less_alike_than_places_a_millimetre_apart() -> None:
    seen = likeness(np.array([0.0] * 3 + [1.0] * 3), np.array([1.0] * 3 + [2.0] * 3))
    found = np.array([1.0] * 3 + [5.0] * 3)
    assert as_those_alike(seen, found, likeness(np.array([0.9]), np.array([1.1]))).tolist() == [1.0]


def test_one_seen_stands_for_all() -> None:
    seen = likeness(np.array([4.0]), np.array([0.0]))
    assert as_those_alike(seen, np.array([2.0]), likeness(np.arange(3.0), np.ones(3))).tolist() == [2.0, 2.0, 2.0]
