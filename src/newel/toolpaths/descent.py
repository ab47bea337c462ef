"""In what order the levels of a side are cleared: pocket by pocket to the bottom, in as few levels as the depth of cut allows.

Where the tip may be just under a height falls into separate pockets. Each goes down by itself, in even levels to its own
deepest floor. Floors that lie between two levels (islands, steps) are done from the deeper level's cut ground on, so that
they cost no level of their own and mostly no entry.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.plan import Cut
from newel.toolpaths.side_ground import SideGround
from newel.toolpaths.side_stock import SideStock

Floats = NDArray[np.float64]

AIR_MM = 0.05  # stock that stands less than this over a level is not worth a pass
ON_FLOOR_MM = 5e-4  # a floor's own height is met to this by drops
_UNDER_MM = 0.05  # pockets are told apart so far under the level before
_SAME_MM = 1e-6
_RESTS_MM = 2e-3  # a tip whose lowest place lies this near to a floor rests on it
_LEAST_MM2 = 1e-3


@dataclass(frozen=True)
class Level:
    """One level: its height, how thick the stock over it may be, and whether a floor lies at it."""

    z_mm: float
    depth_mm: float
    floor: bool


@dataclass(frozen=True)
class Place:
    """One part of a level, in the order of cutting: where the tip may be, on which ground, and the share done with it."""

    part: shapely.Polygon
    level: Level
    ground: SideGround
    share: float


@dataclass
class Grounds:
    """What bounds the tip: with the allowance all round, and with it on walls alone (for floors); regions once asked."""

    edge: SideGround
    walls: SideGround
    _parts: dict[tuple[float, bool], list[shapely.Polygon]] = field(default_factory=dict)

    def ground(self, floor: bool) -> SideGround:
        """Return the ground of a level at a floor, or of any other."""
        return self.walls if floor else self.edge

    def parts(self, z_mm: float, floor: bool) -> list[shapely.Polygon]:
        """Return the separate parts of where the tip may be at a height."""
        key = (round(z_mm, 6), floor)
        if key not in self._parts:
            self._parts[key] = list(self.ground(floor).region_at(z_mm + ON_FLOOR_MM).geoms)
        return self._parts[key]

    def within(self, pocket: shapely.Polygon, z_mm: float, floor: bool) -> list[shapely.Polygon]:
        """Return the parts at a height that lie in a pocket."""
        parts = self.parts(z_mm, floor)
        return [part for part in parts if part.intersects(pocket) and part.intersection(pocket).area > _LEAST_MM2]


def descent(cut: Cut, grounds: Grounds, stock: SideStock, radius_mm: float, at: Callable[[], Floats | None]) -> Iterator[Place]:
    """Yield what is to be cleared, one part of one level after another. `at`: asked where the tip then is, (3,) or None.

    Where stock stands is looked up as each pocket is begun, so the caller may take it off as it cuts.
    """
    going = _Descent(cut, grounds, stock, radius_mm, at)
    bounds = shapely.box(cut.from_x_mm, cut.from_y_mm, cut.to_x_mm, cut.to_y_mm)
    top = max(cut.top_z_mm, going.highest(bounds))
    pockets = going.pockets(bounds, top)
    whole, done = max(sum(pocket.area for pocket in pockets), _LEAST_MM2), 0.0
    for pocket in going.nearest_first(pockets):
        for part, level in going.down(pocket, top):
            yield Place(part, level, grounds.ground(level.floor), min(done / whole, 1.0))
        done += pocket.area


@dataclass(frozen=True)
class _Descent:
    cut: Cut
    grounds: Grounds
    stock: SideStock
    radius_mm: float
    at: Callable[[], Floats | None]

    def down(self, pocket: shapely.Polygon, top_mm: float) -> Iterator[tuple[shapely.Polygon, Level]]:
        """Clear a pocket from a height to its floors: the next level, floors passed on the way, then what lies under it."""
        floors = self.floors_in(pocket)
        deepest = self.deepest(pocket, floors)
        begin = min(top_mm, self.highest(pocket))
        if begin <= deepest + AIR_MM:
            return
        level = next_level(begin, deepest, floors, self.cut.deepest_mm or self.cut.ap_mm)
        parts = self.grounds.within(pocket, level.z_mm, level.floor)
        for part in self.nearest_first(parts):
            yield part, level
        for z in sorted(z for z in floors if level.z_mm + _SAME_MM < z < begin - AIR_MM):
            for part in self.nearest_first(self.grounds.within(pocket, z, True)):
                yield part, Level(z, begin - z, True)
        if level.z_mm > deepest + _SAME_MM:
            for part in self.nearest_first(parts):
                for under in self.nearest_first(self.pockets(part, level.z_mm)):
                    yield from self.down(under, level.z_mm)

    def pockets(self, within: shapely.Polygon, z_mm: float) -> list[shapely.Polygon]:
        """Return the separate pockets just under a height."""
        under = max(z_mm - _UNDER_MM, self.cut.floor_z_mm)
        return self.grounds.within(within, under, True)

    def floors_in(self, pocket: shapely.Polygon) -> list[float]:
        """Return the floors that the tip comes to rest on somewhere in a pocket."""
        cut, walls = self.cut, self.grounds.walls
        named = [z for z in cut.flats_z_mm if cut.floor_z_mm - _SAME_MM <= z < cut.top_z_mm - _SAME_MM]
        for z in named:
            self.grounds.parts(z, True)  # narrow places are asked closely only as their contours are
        return [z for z in named if rests_in(walls, pocket, z)]

    def deepest(self, pocket: shapely.Polygon, floors_mm: list[float]) -> float:
        """Return how deep a pocket is cleared: to its lowest floor, the cut's own, or the allowance over a round bottom."""
        low = lowest_in(self.grounds.walls, pocket)
        least = min(floors_mm, default=np.inf)
        if least <= low + _UNDER_MM:
            return least
        if low <= self.cut.floor_z_mm + _RESTS_MM:
            return self.cut.floor_z_mm
        return min(low + self.grounds.edge.raised_mm, least)

    def highest(self, pocket: shapely.Polygon) -> float:
        """Return the highest stock that the edge meets for certain with the tip in a pocket; -inf where there is none."""
        stock = self.stock
        reach = pocket.buffer(max(self.radius_mm - stock.sure_mm, 0.5 * self.radius_mm), quad_segs=4)
        x0, y0, x1, y1 = reach.bounds
        i, j = (
            np.arange(max(0, int((low - first) / stock.step_mm)), min(n, int((high - first) / stock.step_mm) + 2))
            for low, high, first, n in (
                (x0, x1, stock.x0_mm, stock.height_mm.shape[0]),
                (y0, y1, stock.y0_mm, stock.height_mm.shape[1]),
            )
        )
        if not i.size or not j.size:
            return -np.inf
        x, y = np.broadcast_arrays(stock.x0_mm + stock.step_mm * i[:, None], stock.y0_mm + stock.step_mm * j[None, :])
        height = stock.height_mm[i[0] : i[-1] + 1, j[0] : j[-1] + 1]
        shapely.prepare(reach)
        return float(np.where(shapely.contains_xy(reach, x, y), height, -np.inf).max())

    def nearest_first(self, parts: list[shapely.Polygon]) -> Iterator[shapely.Polygon]:
        """Yield parts, each time the one nearest to where the tip then is."""
        left = list(parts)
        while left:
            at = self.at()
            x, y = (self.cut.from_x_mm, 0.0) if at is None else (float(at[0]), float(at[1]))
            here = shapely.Point(x, y)
            yield left.pop(int(np.argmin([part.distance(here) for part in left])))


def next_level(begin_mm: float, deepest_mm: float, floors_mm: list[float], most_mm: float) -> Level:
    """Return the next level of a pocket: even steps of at most so much from where stock begins to the deepest floor."""
    count = max(1, int(np.ceil((begin_mm - deepest_mm) / most_mm - 1e-6)))
    depth = (begin_mm - deepest_mm) / count
    z = deepest_mm if count == 1 else begin_mm - depth
    here = [f for f in floors_mm if abs(f - z) <= ON_FLOOR_MM]
    return Level(here[0] if here else z, depth, bool(here))


def rests_in(walls: SideGround, pocket: shapely.Polygon, z_mm: float) -> bool:
    """Tell whether the tip comes to rest at a height somewhere in a pocket, by the places that were asked."""
    x, y, z = walls.asked()
    some = np.abs(z - z_mm) <= _RESTS_MM
    return bool(some.any()) and bool(shapely.contains_xy(pocket, x[some], y[some]).any())


def lowest_in(walls: SideGround, pocket: shapely.Polygon) -> float:
    """Return the lowest tip in a pocket by the places that were asked; inf where none was."""
    x, y, z = walls.asked()
    inside = shapely.contains_xy(pocket, x, y)
    return float(z[inside].min(initial=np.inf))
