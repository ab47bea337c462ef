"""Plain twins for clearing: distances and the engaged angle, written for clarity; and a replay of a level.

The replay knows nothing of how a path was made: it takes the moves of a cutter at one height and a stock given by a test
of points, and looks along the cutter's rim for stock at every small step.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np


def far_of(path, x, y):
    """Distance of every grid point from the nearest place of a polyline (brute force over its pieces)."""
    gx, gy = np.meshgrid(x, y, indexing="ij")
    out = np.full(gx.shape, np.inf)
    for (ax, ay), (bx, by) in pairwise(path):
        length2 = (bx - ax) ** 2 + (by - ay) ** 2
        t = np.zeros_like(gx) if length2 == 0 else np.clip(((gx - ax) * (bx - ax) + (gy - ay) * (by - ay)) / length2, 0, 1)
        out = np.minimum(out, np.hypot(gx - ax - t * (bx - ax), gy - ay - t * (by - ay)))
    return out


def bilinear(values, x0, y0, step, x, y):
    """Read a grid bilinearly, nought outside."""
    u, v = (np.asarray(x) - x0) / step, (np.asarray(y) - y0) / step
    i, j = np.floor(u).astype(int), np.floor(v).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < values.shape[0] - 1) & (j < values.shape[1] - 1)
    i, j = np.clip(i, 0, values.shape[0] - 2), np.clip(j, 0, values.shape[1] - 2)
    p, q = u - i, v - j
    mixed = (values[i, j] * (1 - p) + values[i + 1, j] * p) * (1 - q) + (
        values[i, j + 1] * (1 - p) + values[i + 1, j + 1] * p
    ) * q
    return np.where(inside, mixed, 0.0)


def engaged(values, place, radius, x, y, heading, thin, samples=2000, tall=None):
    """Share of the rim's leading half that stands in stock, as an angle in rad; `tall`: how much each point of stock counts."""
    angle = heading + np.pi * ((np.arange(samples) + 0.5) / samples - 0.5)
    px, py = x + radius * np.cos(angle), y + radius * np.sin(angle)
    stands = bilinear(values, *place, px, py) > radius + thin
    if tall is None:
        return np.pi * float(np.mean(stands))
    x0, y0, step = place
    i, j = np.rint((px - x0) / step).astype(int), np.rint((py - y0) / step).astype(int)
    i, j = np.clip(i, 0, tall.shape[0] - 1), np.clip(j, 0, tall.shape[1] - 1)
    return np.pi * float(np.mean(np.where(stands, tall[i, j], 0.0)))


def rings_distance(rings, x, y):
    """Signed distance of grid points to closed rings, positive inside (even-odd)."""
    gx, gy = np.meshgrid(x, y, indexing="ij")
    near = np.min([far_of(ring, x, y) for ring in rings], axis=0)
    inside = np.zeros(gx.shape, bool)
    for ring in rings:
        for (ax, ay), (bx, by) in pairwise(ring):
            crosses = (ax <= gx) != (bx <= gx)
            with np.errstate(divide="ignore", invalid="ignore"):
                at = ay + (gx - ax) / (bx - ax) * (by - ay)
            inside ^= crosses & (at <= gy)
    return np.where(inside, near, -near)


class Replay:
    """A level as it is cut: points of stock on a fine grid, and what the rim meets at each small step."""

    def __init__(self, stands, bounds, radius, step=0.1):
        x0, y0, x1, y1 = bounds
        self.x, self.y = np.arange(x0, x1 + step, step), np.arange(y0, y1 + step, step)
        gx, gy = np.meshgrid(self.x, self.y, indexing="ij")
        self.stock = stands(gx, gy)
        self.far = np.where(self.stock, radius + 1e3, 0.0)
        self.radius, self.step = radius, step

    def go(self, ax, ay, bx, by, way=0.25):
        """Move straight in small steps; return the largest engaged angle (rad) met."""
        count = max(1, int(np.ceil(np.hypot(bx - ax, by - ay) / way)))
        most = 0.0
        heading = np.arctan2(by - ay, bx - ax)
        for k in range(count):
            px, py = ax + k / count * (bx - ax), ay + k / count * (by - ay)
            qx, qy = ax + (k + 1) / count * (bx - ax), ay + (k + 1) / count * (by - ay)
            most = max(most, self._met(qx, qy, heading))
            self._pass(px, py, qx, qy)
        return most

    def _met(self, x, y, heading):
        angle = heading + np.pi * ((np.arange(180) + 0.5) / 180 - 0.5)
        at = bilinear(
            self.far, self.x[0], self.y[0], self.step, x + self.radius * np.cos(angle), y + self.radius * np.sin(angle)
        )
        # a film thinner than half a cell is not told from a wall
        return np.pi * float(np.mean(at > self.radius + 0.5 * self.step))

    def _pass(self, ax, ay, bx, by):
        reach = self.radius + 3 * self.step
        i = slice(*np.searchsorted(self.x, [min(ax, bx) - reach, max(ax, bx) + reach]))
        j = slice(*np.searchsorted(self.y, [min(ay, by) - reach, max(ay, by) + reach]))
        near = far_of(np.array([[ax, ay], [bx, by]]), self.x[i], self.y[j])
        self.far[i, j] = np.minimum(self.far[i, j], near)

    def left(self):
        """Points of stock that are still there."""
        return self.stock & (self.far > self.radius)
