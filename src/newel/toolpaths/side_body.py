"""Where a cutter's body, all that stands above its cutting edge, would run into stock that still stands at a side.

The map of the stock (side_stock.py) tells walls within half a ray's spacing, and a shank is often no slimmer than its edge: by
the map it would rub on every wall. The ends of the blank's rays lie on the stock itself, so they are asked one by one, each
standing for the facet about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.frames import turn_about_x
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import surface_points
from newel.toolpaths.side_body_kernels import lower_points, stands_in
from newel.toolpaths.side_stock import closely, under_steps

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

ROOM_MM = 0.1  # kept between body and stock where there is a choice, as from the part
RUBS_MM = -0.004  # a run's body may touch so far: what another cut left flush with a wall it rubs along, the ends of rays say
_CELL_MM = 1.0
_CLOSE_MM = 0.1  # places of a path whose cuts are counted: what stands between two of them is 0.0004 mm for a radius of 3
_SURELY_MM = 0.001  # what lies so near to the rim of an edge that has passed is gone: the ends of rays are as exact


@dataclass(frozen=True)
class SideBody:
    """The ends of the blank's rays that stand high enough for a body, with normals, (n, 6) in the table frame; and the cutter.

    `points` change as cuts are counted. `edge` and `body`: undersides as steps, squared radii and heights over the tip.
    """

    points: Floats
    starts: Ints
    tops: Floats
    place: tuple[float, float, float, int, int, float]
    edge: tuple[Floats, Floats]
    body: tuple[Floats, Floats]

    @property
    def stock(self) -> tuple[Floats, Ints, Floats, tuple[float, float, float, int, int, float]]:
        """The points as kernels take them."""
        return self.points, self.starts, self.tops, self.place

    def struck(self, xy_mm: Floats, z_mm: float, room_mm: float = ROOM_MM) -> Bools:
        """Tell at which places (n, 2) a tip at a height would bring the body nearer than so much to any stock."""
        low = z_mm - room_mm
        r2, h = self.body
        met = int(np.searchsorted(h, float(self.tops.max()) - low))  # what is wider stands over everything
        if not met:
            return np.zeros(len(xy_mm), np.bool_)
        x, y = (np.ascontiguousarray(xy_mm[:, k]) for k in (0, 1))
        return np.asarray(stands_in(self.stock, x, y, low, (r2[:met], h[:met]), room_mm), np.bool_)

    def take_off(self, path: Floats) -> None:
        """Count what the edge cuts straight along tip places (n, 3)."""
        if len(self.points) and len(path):
            r2 = (np.sqrt(self.edge[0]) + _SURELY_MM) ** 2
            lower_points(self.stock, closely(path, _CLOSE_MM), (r2, self.edge[1]))


def side_body(blank: Blank, turn_deg: float, shape: CutterShape, lowest_mm: float) -> SideBody:
    """Gather what stands high enough, at a side, to meet the body of a cutter whose tip goes no lower than a height."""
    turn = turn_about_x(turn_deg).T
    ends, normals, _ = surface_points(blank)
    points = np.column_stack([ends @ turn, normals @ turn])
    high = points[points[:, 2] > lowest_mm + float(shape.body.h_mm[0]) - ROOM_MM]
    x0, y0 = (float(high[:, k].min(initial=np.inf)) if len(high) else 0.0 for k in (0, 1))
    cell = ((high[:, :2] - (x0, y0)) / _CELL_MM).astype(np.int64)
    nx, ny = (int(n) + 1 for n in cell.max(axis=0, initial=0))
    number = cell[:, 0] * ny + cell[:, 1]
    order = np.argsort(number, kind="stable")
    starts = np.searchsorted(number[order], np.arange(nx * ny + 1)).astype(np.int64)
    tops = np.full(nx * ny, -np.inf)
    np.maximum.at(tops, number, high[:, 2])
    place = x0, y0, _CELL_MM, nx, ny, 0.5 * max(blank.grid.px, blank.grid.py, blank.grid.pz)
    steps = under_steps(shape.edge), under_steps(shape.body)
    return SideBody(np.ascontiguousarray(high[order]), starts, tops, place, *steps)


def stretches(free: Bools, closed: bool) -> Sequence[Ints]:
    """Return the unbroken rows of places that are free, on a way whose last place is its first again if it is `closed`."""
    rows = np.arange(len(free))
    if closed and not free.all():
        start = int(np.argmin(free[:-1]))
        rows = np.concatenate([rows[start:-1], rows[: start + 1]])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], free[rows], [False]]).astype(int)))
    return [rows[a:b] for a, b in zip(edges[::2], edges[1::2])]
