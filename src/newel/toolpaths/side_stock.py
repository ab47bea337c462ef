"""What stands at a side: the highest material of the blank over X and Y with the bar at one turn.

Heights come from the ends of the blank's rays, which lie on its surface: level ground comes out level at any turn. Walls
are told within half a ray's spacing. Material under an overhang is taken to be solid up to what hangs over it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from newel.core.frames import turn_about_x
from newel.core.profile import Profile
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import surface_points
from newel.geometry.profiles import radius_at
from newel.toolpaths.side_ground_kernels import lowest_over, splat_tops, swept_down
from newel.toolpaths.spacing import underside

Floats = NDArray[np.float64]

_UPWARD = 0.05  # surfaces steeper than this (cosine of their normal with Z) are walls: their tops tell their height
_STEPS = 48  # of an underside given to kernels


@dataclass(frozen=True)
class SideStock:
    """Highest material (nx, ny) in mm (table frame) at the middles of square cells, -inf where there is none.

    Cell (i, j) has its middle at (x0 + i step, y0 + j step). `sure_mm`: add this much to every side of a cutter to be sure of
    what stands beside it.
    """

    height_mm: Floats
    x0_mm: float
    y0_mm: float
    step_mm: float
    sure_mm: float

    @property
    def highest_mm(self) -> float:
        """The highest material, -inf where there is none."""
        return float(self.height_mm.max(initial=-np.inf))

    def at(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the height of the cell that holds each place, -inf outside the map."""
        i = np.rint((np.asarray(x_mm) - self.x0_mm) / self.step_mm).astype(int)
        j = np.rint((np.asarray(y_mm) - self.y0_mm) / self.step_mm).astype(int)
        nx, ny = self.height_mm.shape
        inside = (i >= 0) & (j >= 0) & (i < nx) & (j < ny)
        return np.where(inside, self.height_mm[np.clip(i, 0, nx - 1), np.clip(j, 0, ny - 1)], -np.inf)


def side_stock(blank: Blank, turn_deg: float, step_mm: float) -> SideStock:
    """Look down on a blank that is turned by `turn_deg`: the highest material in cells of about `step_mm`."""
    points, normals, _ = surface_points(blank)
    pitch = max(blank.grid.py, blank.grid.pz)
    sure = 0.75 * max(pitch, blank.grid.px)
    if not len(points):
        return SideStock(np.full((1, 1), -np.inf), blank.from_x_mm, 0.0, step_mm, sure)
    squarest = np.abs(normals).max(axis=1)
    turn = turn_about_x(turn_deg)
    p, n = points @ turn.T, normals @ turn.T
    up = n[:, 2] > _UPWARD
    # half the way to the next ray's end on the same surface, seen from above
    half_y = 0.5 * pitch * np.minimum(n[:, 2] / np.maximum(squarest, 0.5), 1.5) + 1e-6
    reach = float(np.abs(p[:, 1]).max()) + pitch
    x0, nx = blank.from_x_mm + 0.5 * step_mm, max(1, int(np.ceil((blank.to_x_mm - blank.from_x_mm) / step_mm)))
    half = int(np.ceil(reach / step_mm)) + 1
    height = np.full((nx, 2 * half + 1), -np.inf)
    px, py, pz = (np.ascontiguousarray(p[up, k]) for k in range(3))
    splat_tops(px, py, pz, 0.5 * blank.grid.px + 1e-6, half_y[up], (x0, -half * step_mm, step_mm), height)
    return SideStock(height, x0, -half * step_mm, step_mm, sure)


def under_steps(*profiles: Profile) -> tuple[Floats, Floats]:
    """Return the underside of profiles about one axis as steps: squared radii and heights, never above the true one."""
    widest = max(profile.radius_mm for profile in profiles)
    marks = [np.linspace(0.0, widest, _STEPS + 1)]
    marks += [profile.r_mm for profile in profiles]
    r = np.unique(np.concatenate(marks))
    begin = np.concatenate([[0.0], r[:-1]])
    h = np.full(len(r), np.inf)
    for profile in profiles:
        below = underside(profile)
        inside = begin < below.radius_mm - 1e-9
        h[inside] = np.minimum(h[inside], below.height(begin[inside] + 1e-7))
    keep = r > 0.0
    return r[keep] ** 2, h[keep]


def standing(stock: SideStock, steps: tuple[Floats, Floats], x_mm: Floats, y_mm: Floats, slack_mm: float) -> Floats:
    """Return the lowest tip (n,) at which a cutter, `slack_mm` wider all round, clears what stands; -inf over nothing."""
    x, y = np.ascontiguousarray(x_mm, dtype=float).ravel(), np.ascontiguousarray(y_mm, dtype=float).ravel()
    return lowest_over(stock.height_mm, (stock.x0_mm, stock.y0_mm, stock.step_mm), x, y, *steps, float(slack_mm))


def take_off(stock: SideStock, edge: Profile, path: Floats) -> None:
    """Lower the map, in place, to what an edge leaves that runs straight along tip places (n, 3), in mm."""
    if not len(path):
        return
    steps = under_steps(edge)
    place = (stock.x0_mm, stock.y0_mm, stock.step_mm)
    swept_down(stock.height_mm, place, closely(path, 0.5 * stock.step_mm), edge.radius_mm, *steps)


def closely(path: Floats, step_mm: float) -> Floats:
    """Return places no further apart than a step along straight moves between places (n, k); X and Y are the first two."""
    if len(path) < 2:
        return path
    way = np.abs(np.diff(path[:, :3], axis=0)).max(axis=1)
    count = np.maximum(1, np.ceil(way / step_mm)).astype(int)
    move = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(move)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[move]
    return np.vstack([path[:1], path[move] + part[:, None] * (path[move + 1] - path[move])])


def coarser(stock: SideStock, times: int) -> SideStock:
    """Return the map with `times` cells made one each way, each holding the highest of them; for wide bodies."""
    if times <= 1:
        return stock
    nx, ny = (-(-n // times) * times for n in stock.height_mm.shape)
    padded = np.full((nx, ny), -np.inf)
    padded[: stock.height_mm.shape[0], : stock.height_mm.shape[1]] = stock.height_mm
    pooled = padded.reshape(nx // times, times, ny // times, times).max(axis=(1, 3))
    shift = 0.5 * (times - 1) * stock.step_mm
    return SideStock(
        np.ascontiguousarray(pooled), stock.x0_mm + shift, stock.y0_mm + shift, times * stock.step_mm, stock.sure_mm
    )  # fmt: skip


def widened(stock: SideStock, by_mm: float) -> SideStock:
    """Return the map with every height spread over a square of `by_mm` to each side."""
    cells = int(np.ceil(by_mm / stock.step_mm))
    height = np.asarray(maximum_filter(stock.height_mm, size=2 * cells + 1, mode="nearest"))
    return SideStock(height, stock.x0_mm, stock.y0_mm, stock.step_mm, 0.0)


def cutting_radius(edge: Profile, depth_mm: float) -> float:
    """Return the largest radius at which an edge cuts at a depth, in mm."""
    return float(radius_at(edge, np.array(depth_mm)))
