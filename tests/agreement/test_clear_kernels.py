"""Kernels of clearing and of the ground at a side against their plain twins, and a march against the replay of its path."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from clear_samples import JAWS, block, clear_cut, flat
from newel.core.profile import outline
from newel.core.setup import KeepOut
from newel.toolpaths import clear_kernels as kernels
from newel.toolpaths.clear_region import Engagement, asked_angle_rad, cleared, field_of, left_over
from newel.toolpaths.side_ground import side_ground
from plain.clear_plain import Replay, engaged, far_of, rings_distance

RADIUS, STEP = 3.0, 0.2
FEW = settings(max_examples=6, deadline=None, derandomize=True)


def grid(bounds):
    x0, y0, x1, y1 = bounds
    margin = RADIUS + 1.2
    return np.arange(x0 - margin, x1 + margin, STEP), np.arange(y0 - margin, y1 + margin, STEP)


def rings_of(region):
    parts = [shapely.geometry.polygon.orient(p) for p in getattr(region, "geoms", [region])]
    return [np.array(r.coords) for p in parts for r in (p.exterior, *p.interiors)]


def field_for(region):
    x, y = grid(region.bounds)
    return field_of(rings_of(region), np.ones((len(x), len(y)), bool), (float(x[0]), float(y[0])), STEP, RADIUS)


@given(st.lists(st.tuples(st.floats(0.0, 12.0), st.floats(0.0, 9.0)), min_size=2, max_size=6))
@FEW
def test_the_field_is_the_distance_from_the_path(corners):
    path = np.array(corners)
    x, y = grid((0.0, 0.0, 12.0, 9.0))
    far = np.full((len(x), len(y)), RADIUS + 5.0)
    field = kernels.Field(far, np.ones_like(far), float(x[0]), float(y[0]), STEP, RADIUS, np.ones_like(far))
    kernels.pass_along(field, path)
    plain = far_of(path, x, y)
    near = plain <= RADIUS + STEP
    assert np.abs(far[near] - plain[near]).max() <= 1e-9
    angle, spread = kernels.engaged(field, *path[-1], 0.7, 1.0, 0.005, 64)
    assert angle == pytest.approx(engaged(far, (x[0], y[0], STEP), RADIUS, *path[-1], 0.7, 0.005), abs=0.02)
    assert angle <= spread + 1e-9


@given(st.lists(st.tuples(st.floats(0.0, 12.0), st.floats(0.0, 9.0)), min_size=2, max_size=4), st.floats(-3.1, 3.1))
@FEW
def test_lower_stock_counts_by_its_share_of_the_depth(corners, heading):
    """Against the plain twin, on a ridge whose crest runs along X."""
    path = np.array(corners)
    x, y = grid((0.0, 0.0, 12.0, 9.0))
    far = np.full((len(x), len(y)), RADIUS + 5.0)
    tall = np.broadcast_to(np.clip(1.0 - np.abs(y - 4.5) / 6.0, 0.0, 1.0), far.shape).copy()
    field = kernels.Field(far, np.ones_like(far), float(x[0]), float(y[0]), STEP, RADIUS, tall)
    kernels.pass_along(field, path)
    for side in (1.0, -1.0):
        angle, spread = kernels.engaged(field, *path[-1], heading, side, 0.005, 64)
        plain = engaged(far, (x[0], y[0], STEP), RADIUS, *path[-1], heading, 0.005, tall=tall)
        assert angle == pytest.approx(plain, abs=0.03)
        assert angle <= spread + 1e-9


def test_a_strip_is_followed_not_crossed():
    """A strip thinner than the asked width goes in one run along it, not in many across it."""
    region = shapely.box(0.0, 0.0, 30.0, 12.0)
    x, y = grid(region.bounds)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    stands = (np.abs(gx - 15.0) < 8.0) & (np.abs(gy - 6.0) < 0.5)
    field = field_of(rings_of(region), stands, (float(x[0]), float(y[0])), STEP, RADIUS)
    pieces = cleared(field, Engagement(RADIUS, asked_angle_rad(RADIUS, 4.5), 6.0), (2.0, 2.0))
    assert not left_over(field).any()
    assert len(pieces) == 1


def test_a_speck_is_wiped_away_without_going_down_into_it():
    """What is too small to march along goes from beside: no helix, no ramp."""
    region = shapely.box(0.0, 0.0, 20.0, 12.0)
    x, y = grid(region.bounds)
    gx, gy = np.meshgrid(x, y, indexing="ij")
    field = field_of(rings_of(region), (np.abs(gx - 10.0) < 0.6) & (np.abs(gy - 6.0) < 0.6), (x[0], y[0]), STEP, RADIUS)
    left = field.far > RADIUS
    middle = int(np.argmin(np.abs(x - 10.0))), int(np.argmin(np.abs(y - 6.0)))
    left[middle] = False
    field.far[left] = RADIUS - 0.1
    field.far[middle] = RADIUS + 0.06
    pieces = cleared(field, Engagement(RADIUS, asked_angle_rad(RADIUS, 1.5), 6.0), (2.0, 2.0))
    assert not left_over(field).any()
    assert [piece.enters for piece in pieces] == ["beside"] * len(pieces)


def test_a_straight_cut_engages_as_its_width_says():
    """Derived: acos(1 - ae/R) for a width ae beside a straight front."""
    x, y = grid((0.0, 0.0, 20.0, 10.0))
    for ae in (0.6, 1.2, 2.4):
        far = np.full((len(x), len(y)), 50.0)
        field = kernels.Field(far, np.ones_like(far), float(x[0]), float(y[0]), STEP, RADIUS, np.ones_like(far))
        kernels.pass_along(field, np.array([[-9.0, 8.0], [29.0, 8.0]]))
        kernels.pass_along(field, np.array([[0.0, 8.0 - ae], [9.9, 8.0 - ae]]))
        angle, spread = kernels.engaged(field, 10.0, 8.0 - ae, 0.0, 1.0, 0.002, 64)
        assert angle == pytest.approx(asked_angle_rad(RADIUS, ae), rel=0.05)
        assert spread == pytest.approx(asked_angle_rad(RADIUS, ae), rel=0.05)


@given(st.lists(st.tuples(st.floats(2.0, 26.0), st.floats(2.0, 20.0)), min_size=3, max_size=7), st.floats(1.0, 4.0))
@example([(2.5, 13.4156), (10.5696, 2.0), (2.0, 11.8609), (24.8003, 12.0)], 3.25)  # a wedge less than a cell wide
@FEW
def test_random_regions_are_cleared_within_the_asked_angle(corners, wide):
    """Random outlines: hulls of some points and arms along a line through the others, grown so that a helix fits somewhere."""
    region = shapely.union_all(
        [shapely.MultiPoint(corners[:3]).convex_hull.buffer(wide), shapely.LineString(corners).buffer(max(0.3, wide - 1.5))]
    )
    region = shapely.Polygon(region.exterior)
    field = field_for(region)
    ae = 1.5
    asked = asked_angle_rad(RADIUS, ae)
    reach = left_over(field).sum()
    pieces = cleared(field, Engagement(RADIUS, asked, 6.0), None)
    assert left_over(field).sum() <= 0.003 * reach
    replay = Replay(lambda x, y: np.ones(x.shape, bool), region.buffer(RADIUS + 1.0).bounds, RADIUS)
    peak = 0.0
    for piece in pieces:
        # the field reads corners of the room bilinearly, a quarter of a cell off at most; clear.py puts such places back
        assert shapely.contains_xy(region.buffer(0.06), *piece.path.T).all()
        if piece.enters == "helix":
            turn = np.linspace(0.0, 2.0 * np.pi, 97)
            ring = np.stack([np.cos(turn), np.sin(turn)], axis=1) * piece.helix_mm + piece.middle
            for a, b in pairwise(ring):
                replay.go(*a, *b)
        for a, b in pairwise(piece.link):
            replay.go(*a, *b)
        met = [replay.go(*a, *b) for a, b in pairwise(piece.path)]
        if piece.layers == 1 and met:
            peak = max(peak, *met)
    assert peak <= 1.2 * asked


@given(st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(0.0, 9.0)), min_size=3, max_size=6, unique=True))
@FEW
def test_room_is_the_signed_distance(corners):
    ring = np.array([*corners, corners[0]])
    x, y = grid((0.0, 0.0, 9.0, 9.0))
    room = np.empty((len(x), len(y)))
    kernels.signed_room(ring, np.array([0, len(ring)]), float(x[0]), float(y[0]), STEP, 4.0, room)
    plain = rings_distance([ring], x, y)
    near = np.abs(plain) < 4.0
    on = np.abs(plain) < 1e-6
    assert np.abs(room[near & ~on] - plain[near & ~on]).max(initial=0.0) <= 1e-9


def test_contours_lie_on_upright_walls():
    """Derived: walls of a box-shaped pocket, moved in by the radius and the allowance; floors at their own height."""
    pocket = shapely.box(25.0, -12.0, 55.0, 12.0)
    cut = clear_cut(allowance_mm=0.2)
    ground = side_ground(cut, flat(), block(pocket), (JAWS,), 2.0, walls_only=True)
    for z in (9.0, 6.5, 4.0 + 5e-4):
        (ring,) = ground.contours_at(z)
        assert np.array_equal(ring[0], ring[-1])
        assert np.abs(ring.min(axis=0) - [28.2, -8.8]).max() <= 0.002
        assert np.abs(ring.max(axis=0) - [51.8, 8.8]).max() <= 0.002
        # counter-clockwise: allowed ground on the left
        assert np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) > 0.0
    assert ground.contours_at(3.9) == []
    # over the top the whole of the bounds is free
    (ring,) = ground.contours_at(10.5)
    assert np.abs(ring.max(axis=0) - [66.0, 16.5]).max() <= 0.002


def test_keep_outs_hold_the_whole_cutter_off():
    """Against a plain search over the cutter's discs and the keep-out's surface."""
    thing = KeepOut("jaws", -20.0, 0.0, 15.0, True)
    shape = flat()
    ground = side_ground(clear_cut(), shape, block(), (thing,), 1.0)
    discs = [(3.0, 0.0), (9.0, 22.0)]  # radius, height of the undersides that stand out
    for x, y in ((2.0, 0.0), (3.5, 5.0), (8.0, 0.0), (9.5, 10.0), (11.0, 0.0)):
        plain = -1e6
        for radius, height in discs:
            for px in np.linspace(-20.0, 0.0, 81):
                for py in np.linspace(-16.0, 16.0, 321):
                    if np.hypot(px - x, py - y) < radius + 1.0:
                        plain = max(plain, np.sqrt(16.0**2 - py**2) - height)
        assert float(ground.over_keep_outs(np.array([x]), np.array([y]))[0]) == pytest.approx(plain, abs=0.1)
    assert outline((0, 0), (3, 0), (3, 14)).radius_mm == shape.edge.radius_mm
