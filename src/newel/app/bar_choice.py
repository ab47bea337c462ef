"""Which bar on sale a part wants: the least one that takes it and that the machine can hold, or the scale that would fit.

Laying a part in a bar exactly takes a second, so bars are first told apart by what is quick and certain: a part fits
no section that is narrower, shorter across or smaller in area than the part's own outline, seen along the bar.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

from newel.core.errors import Infeasible
from newel.core.job import BarAsk, HoldAsk, PlaceAsk, Section
from newel.core.profile import CutterShape
from newel.planning.around import section_area_mm2
from newel.planning.hold import hold
from newel.planning.place import corner_radius_mm, fitting_scale, place, ways_to_lie
from newel.shop.bars import StockBar
from newel.shop.machines import Machine

Floats = NDArray[np.float64]
Tick = Callable[[float], None]

_ENOUGH = 0.999  # scales are rounded down by this much, as in planning/place.py, so that what is told also fits


@dataclass(frozen=True)
class Bench:
    """What a bar is chosen for: corners (n, 3) of the part's hull in mm, machine, and the cutters that need room."""

    corners: Floats
    material: str
    machine: Machine
    shapes: tuple[CutterShape, ...]

    def scaled(self, scale: float) -> Bench:
        """Return the bench for a part of another size."""
        return Bench(self.corners * scale, self.material, self.machine, self.shapes)


@dataclass(frozen=True)
class ChosenBar:
    """A bar, and how long it would be sawn."""

    bar: StockBar
    sawn_length_mm: float


def smallest_bar(bench: Bench, bars: list[StockBar], tick: Tick) -> ChosenBar | None:
    """Return the bar of least section that takes the part and that the machine can hold; None where there is none.

    `tick` hears how much of the bars has been tried.
    """
    outlines = _outlines(bench.corners)
    by_area = sorted(bars, key=lambda bar: (round(section_area_mm2(bar.section, bar.size_mm), 3), bar.inch, bar.name))
    for index, bar in enumerate(by_area):
        tick(index / len(by_area))
        if _can_hold(bar, bench.machine) and _highest_scale(outlines, bar) >= 1.0:
            try:
                return ChosenBar(bar, _sawn_length(bench, bar))
            except Infeasible:
                continue
    return None


def scale_that_fits(bench: Bench, bars: list[StockBar], tick: Tick) -> float:
    """Return a scale (three digits, rounded down) at which some bar takes the part, the largest that is found; 0 for none."""
    outlines = _outlines(bench.corners)
    held = [(bar, _highest_scale(outlines, bar)) for bar in bars if _can_hold(bar, bench.machine)]
    best = 0.0
    for index, (bar, highest) in enumerate(sorted(held, key=lambda item: -item[1])):
        tick(index / len(held))
        if highest <= best:
            break
        lies = ways_to_lie(bench.corners, bar.section, bar.size_mm, PlaceAsk())
        by_section = min(highest, max(fitting_scale(lie, bar.section, bar.size_mm) for lie in lies))
        scale = _scale_by_length(bench, bar, by_section)
        best = max(best, scale)
        if scale < 0.9 * by_section:
            break  # its length is what stops it: another section would not change that
    return best


def _scale_by_length(bench: Bench, bar: StockBar, scale: float) -> float:
    """Return the scale, no larger than `scale`, at which the part is short enough to be held, too; 0 where none is."""
    for _ in range(4):
        scale = float(np.floor(scale * 1000) / 1000)
        if scale <= 0.0:
            return 0.0
        try:
            _sawn_length(bench.scaled(scale), bar)
            return scale
        except Infeasible as error:
            if error.measured is None or error.limit is None or error.measured <= error.limit:
                scale *= 0.97  # it sticks out at this scale: the estimate was a little high
                continue
            length = float(np.ptp(bench.corners, axis=0).max()) * scale
            over = error.measured - error.limit
            scale *= max(0.0, (length - over) / length) * _ENOUGH
    return 0.0


def _sawn_length(bench: Bench, bar: StockBar) -> float:
    """Return how long the bar would be sawn. Raises Infeasible where the part does not fit or cannot be held."""
    placed, _ = place(bench.corners, PlaceAsk(), bar.section, bar.size_mm)
    points = bench.corners @ placed.bar_from_model[:3, :3].T + placed.bar_from_model[:3, 3]
    ask = BarAsk(bar.section, bar.size_mm, bench.material)
    _, sawn, _, _ = hold(placed, points, ask, HoldAsk(), bench.machine, bench.shapes)
    return sawn.to_x_mm - sawn.from_x_mm


def _can_hold(bar: StockBar, machine: Machine) -> bool:
    diagonal = 2.0 * corner_radius_mm(bar.section, bar.size_mm)
    low, high = machine.chuck.min_bar_mm, min(machine.chuck.max_bar_diagonal_mm, 2.0 * machine.table_below_axis_mm)
    return min(bar.size_mm) >= low and diagonal <= high


def _outlines(corners: Floats) -> list[tuple[float, float, float]]:
    """Return (largest diameter, least width, area) of the part's outline, seen along each of its three axes."""
    found = []
    for axis in range(3):
        flat = np.delete(corners, axis, axis=1)
        hull = ConvexHull(flat)
        rim = flat[hull.vertices]
        # The least width of a convex polygon stands square to one of its sides (rotating calipers, Shamos 1978).
        widths = [float(np.ptp(rim @ normal)) for normal in hull.equations[:, :2]]
        found.append((float(pdist(rim).max()), min(widths), float(hull.volume)))
    return found


def _highest_scale(outlines: list[tuple[float, float, float]], bar: StockBar) -> float:
    """Return a scale above which the part certainly does not fit the bar's section."""
    diameter, width = 2.0 * corner_radius_mm(bar.section, bar.size_mm), min(bar.size_mm)
    if bar.section is Section.ROUND:
        width = bar.size_mm[0]
    area = section_area_mm2(bar.section, bar.size_mm)
    return max(min(diameter / d, width / w, float(np.sqrt(area / a))) for d, w, a in outlines)
