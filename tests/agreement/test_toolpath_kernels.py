"""Toolpath kernels against their slow twins in tests/plain, on random and nasty input."""

from __future__ import annotations

import numpy as np
import pytest

from newel.toolpaths.development_map import DevelopmentMap, likely_standing, sure_standing, table_of, take_off
from newel.toolpaths.passes_kernels import nearest_order, thin
from plain.toolpaths_plain import cut_likely_plain, nearest_order_plain, standing_height_plain
from toolpath_samples import ball_end, flat_end

SHAPES = {"flat": flat_end(), "ball": ball_end()}


def random_map(seed, nx=14, na=36):
    rng = np.random.default_rng(seed)
    radius = rng.uniform(4.0, 6.0, (nx, na))
    radius[rng.random((nx, na)) < 0.1] = 0.0  # holes right through
    return DevelopmentMap(radius, radius.copy(), 0.25, 0.5, 360.0 / na)


@pytest.mark.parametrize("name", list(SHAPES))
@pytest.mark.parametrize("y", [0.0, 0.8, -4.6])
def test_standing_heights(name, y):
    m, table = random_map(1), table_of(SHAPES[name].edge)
    rng = np.random.default_rng(2)
    x, turn = rng.uniform(-3.0, 10.0, 40), rng.uniform(-400.0, 400.0, 40)
    found = likely_standing(m, table, x, y, turn)
    cells = (m.likely, m.x0_mm, m.x_step_mm)

    def walked(*, whole: bool) -> np.ndarray:
        under = (table.height_mm, table.r_step_mm)
        return np.array([standing_height_plain(*cells, a, y, np.radians(b), *under, whole=whole) for a, b in zip(x, turn)])

    plain = walked(whole=False)
    there = np.isfinite(plain)
    assert there.any()
    assert not there.all()
    assert (np.isfinite(found) == there).all()
    above = there & (plain > 0.0)
    np.testing.assert_allclose(found[above], plain[above], atol=1e-9)
    # past the axis a ray within the cutter, 6 long at most, counts by eighths of it; the walk's own steps are 6/200 at most
    assert (found[there] >= plain[there] - 1e-9).all()
    assert (found[there] <= plain[there] + 6.0 / 8.0 + 0.03).all()
    # a rapid trusts this: all of every ray stands, and it is never told lower
    sure = sure_standing(m, table, x, y, turn)
    assert (sure >= np.maximum(found, walked(whole=True)) - 1e-9).all()


def test_the_steep_wall_of_a_hollow_is_met_where_its_edge_is_not():
    """A quarter of a bar of R 10 stands over a core of R 2: beside the axis a cutter comes down on the wall itself."""
    turns = np.arange(360.0)
    radius = np.where((turns > 30.0) & (turns <= 120.0), 10.0, 2.0)[None, :].repeat(40, axis=0)
    m = DevelopmentMap(radius, radius.copy(), 0.25, 0.5, 1.0)
    thin = table_of(ball_end(diameter=0.2).edge)
    # derived: the wall is the ray 31 degrees from upright; above y = 4 it stands 4 / tan 31 high, and its edge is at y = 5.15.
    # Rays that surely clear it look a cell further, half a mm along X and a degree around
    lowest = 4.0 / np.tan(np.radians(31.0))
    found = sure_standing(m, thin, np.array([10.25]), 4.0, np.array([0.0]))[0]
    assert lowest <= found <= 4.1 / np.tan(np.radians(29.9)) + 10.0 / 8.0
    # what likely stands is told by ends, and past the axis by what is nearest: the ray a degree under level
    assert likely_standing(m, thin, np.array([10.25]), 4.0, np.array([0.0]))[0] == pytest.approx(
        -4.0 * np.tan(np.radians(1.0)), abs=0.05
    )
    # derived: turned on by 90 degrees the same wall lies 31 degrees under level, past the axis
    under = likely_standing(m, thin, np.array([10.25]), 4.0, np.array([-90.0]))[0]
    assert -4.0 * np.tan(np.radians(31.0)) <= under <= -3.9 * np.tan(np.radians(31.0)) + 0.05


def test_standing_on_an_empty_map_is_standing_on_nothing():
    m = DevelopmentMap(np.zeros((4, 8)), np.zeros((4, 8)), 0.5, 1.0, 45.0)
    assert likely_standing(m, table_of(flat_end().edge), np.array([1.0]), 0.0, np.array([0.0]))[0] == -np.inf


@pytest.mark.parametrize("name", list(SHAPES))
def test_taking_poses_off_the_map(name):
    m, table = random_map(3), table_of(SHAPES[name].edge)
    rng = np.random.default_rng(4)
    pose = np.column_stack([rng.uniform(0, 7, 5), rng.uniform(-0.5, 0.5, 5), rng.uniform(3.5, 5, 5), rng.uniform(0, 360, 5)])
    pose = np.vstack([pose, [[3.5, 0.0, 4.0, 0.0], [2.0, 0.5, 4.25, 90.0]]])  # round figures too: roots are met exactly
    radians = pose.copy()
    radians[:, 3] = np.radians(pose[:, 3])
    plain = cut_likely_plain(m.likely, m.x0_mm, m.x_step_mm, radians, table.height_mm, table.r_step_mm)
    before = m.likely.copy()
    take_off(m, table, pose)
    # the plain walk takes steps of 6/4000
    np.testing.assert_allclose(m.likely, plain, atol=2e-3)
    assert (m.likely <= before).all()
    assert (m.sure >= m.likely - 1e-9).all()


def test_the_order_of_pieces():
    rng = np.random.default_rng(6)
    x, turn = rng.uniform(0, 50, (25, 2)), rng.uniform(-720, 720, (25, 2))
    radius = rng.uniform(1, 20, 25)
    order, turned = nearest_order(x, turn, radius, np.zeros(25, dtype=np.int64), 3.0, 400.0)
    assert list(zip(order.tolist(), turned[order].tolist())) == nearest_order_plain(
        x.tolist(), turn.tolist(), radius, 3.0, 400.0
    )


def test_thinning_stays_within_its_limits_and_keeps_ends():
    rng = np.random.default_rng(7)
    x = np.cumsum(rng.uniform(0.05, 0.4, 400))
    z = 5.0 + np.sin(x / 4.0) + rng.normal(0.0, 0.0005, 400)
    run = (np.arange(400) // 150).astype(np.int64)
    keep = thin(x, np.zeros(400), z, run, (0.002, 0.003, 0.0005, 0.0005, 30.0, 60.0))
    assert keep.sum() < 200
    for k in range(3):
        at = np.flatnonzero(run == k)
        kept = at[keep[at]]
        assert kept[0] == at[0]
        assert kept[-1] == at[-1]
        gap = np.interp(x[at], x[kept], z[kept]) - z[at]
        assert gap.min() >= -0.002 - 1e-12
        assert gap.max() <= 0.003 + 1e-12
