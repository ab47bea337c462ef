"""What a stouter cutter leaves: the kernel against plain loops, and a groove that a ball cannot enter."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.profile import outline
from newel.toolpaths.rest import left_by
from newel.toolpaths.rest_kernels import nearest_gaps

BALL = outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 10))


def plain_gaps(points, normals, heights, grid, table, r_step, y_mm):
    """Every point against every pose, as the sentence says it."""
    x0, dx, da = grid
    radii = r_step * np.arange(len(table))
    gaps = np.full(len(points), np.inf)
    for k, (p, n) in enumerate(zip(points, normals, strict=True)):
        for i in range(heights.shape[0]):
            for j in range(heights.shape[1]):
                c, s = np.cos(j * da), np.sin(j * da)
                y, z = c * p[1] - s * p[2] - y_mm, s * p[1] + c * p[2]
                facing = s * n[1] + c * n[2]
                r = np.hypot(p[0] - (x0 + i * dx), y)
                if facing <= 0.02 or r >= radii[-1]:
                    continue
                gaps[k] = min(gaps[k], (heights[i, j] + np.interp(r, radii, table) - z) * facing)
    return gaps


@pytest.mark.parametrize("y_mm", [0.0, 0.7])
def test_the_kernel_agrees_with_plain_loops(y_mm):
    rng = np.random.default_rng(5)
    heights = 6.0 + rng.random((9, 40))
    angle = rng.random(30) * 2 * np.pi
    radius = np.concatenate([5.0 + rng.random(25), rng.random(5)])  # some so near the axis that every turn brings them under
    points = np.column_stack([rng.random(30) * 4.0, radius * np.cos(angle), radius * np.sin(angle)])
    normals = np.column_stack([rng.normal(size=30) * 0.3, np.cos(angle), np.sin(angle)])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    table = (np.arange(16) * 0.1) ** 2
    grid = (0.0, 0.5, 2 * np.pi / 40)
    fast = np.empty(len(points))
    for some in ((0, 11), (11, len(points))):
        nearest_gaps(points, normals, heights, grid, (table, 0.1), y_mm, some, fast)
    assert fast == pytest.approx(plain_gaps(points, normals, heights, grid, table, 0.1, y_mm), abs=1e-12)


def test_a_ball_stands_on_the_rims_of_a_groove_it_cannot_enter():
    # derived: over a ring groove of width w and depth d the ball's lowest point hangs R - sqrt(R^2 - w^2/4) below the rims,
    # so that d less that much stays standing over the middle of the groove's floor
    rim, depth = 9.0, 1.0  # and w = 1.2
    hang = 1.5 - np.sqrt(1.5**2 - 0.6**2)

    def lowest(x, turn):
        away = np.maximum(0.0, 0.6 - np.abs(x - 10.0))  # of the tip from the nearer rim, inside the groove
        return rim - (1.5 - np.sqrt(1.5**2 - away**2)) + 0.0 * turn

    floor = np.array([[10.0, 0.0, rim - depth]])
    left = left_by(BALL, lowest, (5.0, 15.0), 0.0, floor, np.array([[0.0, 0.0, 1.0]]))
    assert left[0] == pytest.approx(depth - hang, abs=2e-3)


def test_a_plain_cylinder_is_left_clean():
    # derived: a ball touches every place of a cylinder; the grid's nearest pose is off by s^2/8R of half a step at most
    points = np.array([[7.13, 9.0 * np.cos(0.3), 9.0 * np.sin(0.3)]])
    normals = points * (0.0, 1 / 9.0, 1 / 9.0)
    left = left_by(BALL, lambda x, turn: 9.0 + 0.0 * x + 0.0 * turn, (5.0, 15.0), 0.0, points, normals)
    assert 0.0 <= left[0] <= 0.25**2 / 4 / 1.5
