"""What stands in a body, by cells of points, against every point asked for itself."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from newel.toolpaths.side_body_kernels import LEVEL, lower_points, stands_in


def sample(seed):
    """Random points with normals in cells of 1 mm, and a body of three steps."""
    random = np.random.default_rng(seed)
    points = np.column_stack([random.uniform(0.0, 12.0, (400, 2)), random.uniform(0.0, 6.0, 400), random.normal(size=(400, 3))])
    points[:, 3:] /= np.linalg.norm(points[:, 3:], axis=1)[:, None]
    number = points[:, 0].astype(int) * 12 + points[:, 1].astype(int)
    points = np.ascontiguousarray(points[np.argsort(number, kind="stable")])
    starts = np.searchsorted(np.sort(number), np.arange(145)).astype(np.int64)
    tops = np.array([points[a:b, 2].max(initial=-np.inf) for a, b in pairwise(starts)])
    place = (0.0, 0.0, 1.0, 12, 12, 0.2)
    return random, points, starts, tops, place, (np.array([0.25, 1.0, 4.0]), np.array([1.0, 2.5, 4.0]))


def stands_plainly(points, at, z, steps, slack, half):
    """Tell of one place whether any facet reaches into the steps."""
    radii, heights = np.sqrt(steps[0]), steps[1]
    for x, y, top, nx, ny, nz in points:
        away = np.hypot(x - at[0], y - at[1])
        if abs(nz) < LEVEL and away > 0.0:
            square = abs((x - at[0]) * nx + (y - at[1]) * ny)
            away = np.hypot(square, max(0.0, np.sqrt(max(0.0, away**2 - square**2)) - half))
        away = max(0.0, away - slack)
        under = heights[radii > away]
        if len(under) and top > z + under.min():
            return True
    return False


@pytest.mark.parametrize("seed", range(4))
def test_places_where_something_stands_in_the_body(seed):
    random, points, starts, tops, place, steps = sample(seed)
    x, y = random.uniform(-2.0, 14.0, (2, 60))
    for z, slack in ((0.0, 0.1), (2.0, 0.0), (3.5, 0.1), (4.2, -0.004)):
        found = stands_in((points, starts, tops, place), x, y, z, steps, slack)
        assert found.tolist() == [stands_plainly(points, at, z, steps, slack, place[5]) for at in zip(x, y)]
        assert found.any() or z > 4.0


@pytest.mark.parametrize("seed", range(4))
def test_points_are_lowered_to_what_the_edge_leaves(seed):
    random, points, starts, tops, place, steps = sample(seed)
    path = np.column_stack([random.uniform(-1.0, 13.0, (30, 2)), random.uniform(-1.0, 3.0, 30)])
    expected = points[:, 2].copy()
    for k, (x, y) in enumerate(points[:, :2]):
        d2 = (path[:, 0] - x) ** 2 + (path[:, 1] - y) ** 2
        for r2, h in zip(*(column[::-1] for column in steps)):
            low = path[d2 < r2, 2] + h
            expected[k] = min(expected[k], low.min(initial=np.inf))
    lower_points((points, starts, tops, place), path, steps)
    assert points[:, 2] == pytest.approx(expected, abs=1e-12)
