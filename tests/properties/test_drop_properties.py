"""What must hold for every drop, whatever the mesh, the cutter and the angle."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.core.frames import turn_about_x
from newel.geometry.drop import drop, drop_contact, drop_tree
from newel.geometry.profiles import grown, height_at
from plain.drop_plain import all_cutters

CUTTERS = all_cutters()
seeds = st.integers(0, 2**32 - 1)
cutters = st.sampled_from(CUTTERS)
turns = st.floats(-720, 720)


def soup_and_places(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 80))
    corners = rng.uniform(-8, 8, (n, 1, 3)) + rng.normal(0, 2.0, (n, 3, 3))
    return corners.reshape(-1, 3), np.arange(3 * n).reshape(-1, 3), rng.uniform(-7, 7, 40), rng.uniform(-5, 5, 40)


@settings(max_examples=60, deadline=None)
@given(seeds, cutters, turns, turns)
def test_turning_part_and_angle_together_changes_nothing(seed, cutter, turn, extra):
    vertices, faces, x, y = soup_and_places(seed)
    here = drop(drop_tree(vertices, faces), cutter.profile, x, y, turn)
    turned = drop(drop_tree(vertices @ turn_about_x(extra).T, faces), cutter.profile, x, y, turn - extra)
    both = np.isfinite(here) & np.isfinite(turned)
    assert np.array_equal(np.isfinite(here), np.isfinite(turned))
    np.testing.assert_allclose(turned[both], here[both], rtol=0, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(seeds, cutters, turns, st.floats(0.001, 5.0))
def test_a_part_raised_on_the_table_raises_the_drop_as_much(seed, cutter, turn, by):
    vertices, faces, x, y = soup_and_places(seed)
    up = turn_about_x(-turn) @ np.array([0.0, 0.0, by])
    low = drop(drop_tree(vertices, faces), cutter.profile, x, y, turn)
    high = drop(drop_tree(vertices + up, faces), cutter.profile, x, y, turn)
    both = np.isfinite(low)
    np.testing.assert_allclose(high[both], low[both] + by, rtol=0, atol=1e-6)


@settings(max_examples=40, deadline=None)
@given(seeds, cutters, turns)
def test_more_triangles_never_lower_the_drop(seed, cutter, turn):
    vertices, faces, x, y = soup_and_places(seed)
    some = drop(drop_tree(vertices, faces[: (len(faces) + 1) // 2]), cutter.profile, x, y, turn)
    whole = drop(drop_tree(vertices, faces), cutter.profile, x, y, turn)
    assert np.all(whole >= some - 2e-9)


@settings(max_examples=40, deadline=None)
@given(seeds, cutters, turns, st.floats(0.01, 1.0))
def test_a_grown_cutter_stays_higher_by_at_least_what_it_grew(seed, cutter, turn, by):
    vertices, faces, x, y = soup_and_places(seed)
    tree = drop_tree(vertices, faces)
    bare = drop(tree, cutter.profile, x, y, turn)
    kept = drop(tree, grown(cutter.profile, by), x, y, turn) + by  # where the real tip stands
    assert np.all(kept >= bare - 1e-8)
    assert np.all((kept >= bare + by - 1e-8)[np.isfinite(bare)])  # for it could be raised by `by` and still touch


@settings(max_examples=40, deadline=None)
@given(seeds, cutters, turns)
def test_no_point_of_the_part_is_inside_the_cutter(seed, cutter, turn):
    vertices, faces, x, y = soup_and_places(seed)
    z, _, face = drop_contact(drop_tree(vertices, faces), cutter.profile, x, y, turn)
    rng = np.random.default_rng(seed)
    weight = rng.dirichlet([0.5, 0.5, 0.5], (len(faces), 60))
    points = (weight @ vertices[faces]).reshape(-1, 3) @ turn_about_x(turn).T
    for i in np.flatnonzero(face >= 0):
        h = height_at(cutter.profile, np.hypot(points[:, 0] - x[i], points[:, 1] - y[i]))
        assert np.all(points[:, 2] <= z[i] + h + 1e-7)
