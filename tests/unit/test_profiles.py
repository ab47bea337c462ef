"""Outlines asked and reshaped; all expected numbers are derived from the circles and lines of the outline."""

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.profile import outline
from newel.geometry.profiles import convex_pieces, grown, height_at, joined, polyline, radius_at
from plain.drop_plain import all_cutters, in_holder

NECKED = outline((0, 0), (3, 3, 0, 3), (3, 8), (2.5, 8), (2.5, 20), (3, 20), (3, 40))
BODY = outline((1.5, 4), (3, 7), (3, 10), (6, 10), (6, 20))


@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
def test_height_is_that_of_the_formulas(cutter):
    r = np.linspace(0, cutter.profile.radius_mm, 401)
    plain = np.min([np.where(r <= reach, height(np.minimum(r, reach)), np.inf) for height, reach in cutter.pieces], axis=0)
    np.testing.assert_allclose(height_at(cutter.profile, r), plain, rtol=0, atol=1e-12)


def test_height_beyond_the_outline_is_infinite_and_inside_a_body_constant():
    assert np.array_equal(height_at(BODY, [0.0, 1.0, 1.5, 3.0, 6.0, 6.01]), [4.0, 4.0, 4.0, 7.0, 10.0, np.inf])


def test_a_neck_stands_in_the_shadow_of_its_edge():
    assert np.array_equal(height_at(NECKED, [3.0]), [3.0])
    assert len(convex_pieces(NECKED)) == 1


def test_radius_at_undoes_height_at():
    for cutter in all_cutters():
        r = np.linspace(0, cutter.profile.radius_mm, 300)
        h = height_at(cutter.profile, r)
        back = radius_at(cutter.profile, h)
        assert np.all(back >= r - 1e-7)
        np.testing.assert_allclose(height_at(cutter.profile, np.minimum(back, cutter.profile.radius_mm)), h, atol=1e-6)


def test_radius_below_the_solid_is_nothing():
    assert np.array_equal(radius_at(BODY, [-1.0, 3.999, 4.0, 5.5, 9.0, 10.0, 100.0]), [0.0, 0.0, 1.5, 2.25, 3.0, 6.0, 6.0])


def test_polyline_keeps_its_chords_within_the_error_asked():
    chord_mm = 0.003
    points = polyline(outline((0, 0), (3, 3, 0, 3), (3, 10)), chord_mm)
    arc = points[:-1]
    np.testing.assert_allclose(np.hypot(arc[:, 0], arc[:, 1] - 3.0), 3.0, atol=1e-12)
    middles = 0.5 * (arc[1:] + arc[:-1])
    error = 3.0 - np.hypot(middles[:, 0], middles[:, 1] - 3.0)
    assert error.max() <= chord_mm * (1 + 1e-9) and error.max() > 0.5 * chord_mm
    assert np.array_equal(points[0], [0, 0]) and np.array_equal(points[-1], [3, 10])
    with pytest.raises(BadInput):
        polyline(NECKED, 0.0)


def test_a_stepped_body_falls_into_its_convex_pieces():
    cutter = in_holder()
    pieces = convex_pieces(cutter.profile)
    assert [piece.radius_mm for piece in pieces] == [1.5, 3.0, 7.0, 12.0]
    assert [float(piece.h_mm[0]) for piece in pieces] == [0.0, 4.0, 10.0, 16.0]
    r = np.linspace(0, 12, 1201)
    lowest = np.min([height_at(piece, r) for piece in pieces], axis=0)
    np.testing.assert_allclose(lowest, height_at(cutter.profile, r), atol=1e-12)
    for piece in pieces:
        s = np.linspace(0, piece.radius_mm, 500)
        assert np.all(np.diff(height_at(piece, s), 2) >= -1e-9)


def test_a_taper_that_flattens_is_cut_where_it_flattens():
    two = convex_pieces(outline((0, 0), (1, 5), (3, 6), (3, 9)))
    assert [piece.radius_mm for piece in two] == [1.0, 3.0]
    assert np.array_equal(height_at(two[1], [0.0, 1.0, 2.0]), [5.0, 5.0, 5.5])


def test_grown_ball_flat_and_v():
    ball = grown(outline((0, 0), (3, 3, 0, 3), (3, 20)), 0.5)  # a ball of radius 3.5
    r = np.linspace(0, 3.5, 100)
    np.testing.assert_allclose(height_at(ball, r), 3.5 - np.sqrt(np.maximum(3.5**2 - r**2, 0)), atol=1e-9)
    flat = grown(outline((0, 0), (3, 0), (3, 20)), 0.5)  # a bull nose, corner 0.5
    assert flat.radius_mm == pytest.approx(3.5) and height_at(flat, [3.0, 3.5]) == pytest.approx([0.0, 0.5], abs=1e-9)
    v = grown(outline((0, 0), (3, 3), (3, 20)), 0.5)  # 90 degrees: flanks set off by 0.5, the point rounded
    assert height_at(v, [0.0, 2.0]) == pytest.approx([0.0, 2.0 + 0.5 - 0.5 * math.sqrt(2.0)], abs=1e-12)
    assert v.top_mm == pytest.approx(20.5)


@pytest.mark.parametrize("by_mm", [0.01, 0.3, 2.0])
@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
def test_grown_is_the_reach_of_a_ball_rolled_over_the_outline(cutter, by_mm):
    """The lowest underside of balls about points of the underside (a wall's foot among them), densely sampled."""
    profile = cutter.profile
    r = np.concatenate([np.linspace(0, profile.radius_mm, 24001), profile.r_mm])
    h = height_at(profile, r)
    reached = grown(profile, by_mm)
    assert reached.radius_mm == pytest.approx(profile.radius_mm + by_mm)
    for at in np.linspace(0, reached.radius_mm * 0.999, 40):
        rolled = np.min(np.where(np.abs(r - at) <= by_mm, h - np.sqrt(np.maximum(by_mm**2 - (r - at) ** 2, 0)), np.inf)) + by_mm
        assert float(height_at(reached, at)) == pytest.approx(rolled, abs=2e-3)


def test_growing_by_nothing_changes_nothing_and_shrinking_is_refused():
    assert grown(NECKED, 0.0) is NECKED
    with pytest.raises(BadInput):
        grown(NECKED, -0.1)


def test_edge_and_body_join_into_one_outline():
    whole = joined(outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 4)), BODY)
    assert np.array_equal(height_at(whole, [1.5, 3.0, 6.0]), [1.5, 7.0, 10.0])
