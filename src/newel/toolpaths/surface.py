"""Surface: parallel passes over what lies shallower than a slope, spaced so that the cusp between neighbours is kept.

A side is worked like the surface of a drum so large that it is flat: Y is the way round it, its radius is added to every
height. So the passes of around work (spacing between rows, exact points, moves that stay off ridges) serve a side as they are.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from newel.core.job import Direction
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.finish_around import EXACT, Grid, between, sample_step
from newel.toolpaths.linking import Surroundings, chained
from newel.toolpaths.passes import Lowest as LowestOnDrum
from newel.toolpaths.passes import Piece, bridged, ordered, pieces_of, shaped
from newel.toolpaths.side_ground import SideGround, side_ground
from newel.toolpaths.side_stock import SideStock, side_stock, standing, under_steps
from newel.toolpaths.spacing import spacing_rule, underside
from newel.toolpaths.strokes import LEAST_RAMP_MM, Stroke, StrokeRows, side_turn_deg, toolpath_of_strokes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

DRUM_MM = 1000.0  # over 30 mm of Y such a drum is flat to 0.5 mm in nothing but the lengths that passes are chosen by
OVERLAP_MM = 0.5  # passes go on into what is steeper, so that no seam stays standing (common practice)
_CUSP_AIM = 0.95  # the share of the asked cusp that spacing aims at
_STAY_DOWN = 1.5  # cutters' diameters between pieces that are joined with the cutter down
_GAP_MM = 2.0  # shorter gaps in a pass are gone through
_MASK_MM = 0.5  # cells of the slope's map
_MAP_MM = 0.25
_OVER_MM = 0.2
_SAME_MM = 1e-6
_PLUNGE_MM = 0.6  # common practice: an edge that cuts to its centre may go straight into so thin a stock


def surface(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return parallel passes over what is inclined less than `slope_deg` to the table and still has stock over it.

    Rows lie along X or along Y, whichever has fewer ends (the length is the same); where neighbours stand too far apart on a
    slope, further ones are laid between.
    """
    turn = side_turn_deg(cut)
    ground = side_ground(cut, shape, target, around.keep_out, around.clearance_mm)
    stock = side_stock(blank, turn, _MAP_MM)
    wanted = _wanted(cut, ground, shape, stock)
    if not wanted.any():
        return toolpath_of_strokes([], cut, shape, target, blank, around)
    below = underside(shape.edge)
    rule = spacing_rule(below, _CUSP_AIM * cut.cusp_mm, min(cut.ae_mm, 1.6 * below.radius_mm))
    step = sample_step(below)
    pitch = float(rule.spacing_mm[0])
    grid = _rows(ground, wanted, pitch, step, along_x=wanted.ends(along_x=True) <= wanted.ends(along_x=False))
    lowest = _on_drum(ground)
    as_cut = replace(cut, direction=Direction.HELICAL)  # rows that neither close nor come round again
    if progress is not None:
        progress(0.3)
    every = [grid, *between(as_cut, rule, lowest, grid)]
    pieces = [p for g in every for p in pieces_of(g.x_mm, g.turn_deg, g.z_mm, g.wanted, False)]
    pieces = ordered([p for p in pieces if len(p.x_mm) > 1], cut.from_x_mm, 0.0, same_way=False)
    chains = [part for chain in chained(pieces, _STAY_DOWN * 2.0 * below.radius_mm, step) for part in _unstruck(chain, wanted)]
    if progress is not None:
        progress(0.5)
    chains = shaped(lowest, chains, EXACT)
    strokes = [_stroke(cut, chain, shape, stock, around.centre_cutting) for chain in chains]
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


@dataclass(frozen=True)
class _Mask:
    """A map over X and Y of what a surface cut works on."""

    x: Floats
    y: Floats
    wanted: Bools
    struck: Bools  # where the body would surely stand in stock beside: there no pass may go, bridging or not

    def any(self) -> bool:
        """Tell whether there is anything to do."""
        return bool(self.wanted.any())

    def ends(self, *, along_x: bool) -> int:
        """Return how many ends rows one cell apart would have along X or along Y: each costs a turn round or a link."""
        return int(np.abs(np.diff(np.pad(self.wanted.astype(int), 1), axis=0 if along_x else 1)).sum())

    def at(self, x: Floats, y: Floats) -> Bools:
        """Tell which places lie in wanted cells."""
        return self._looked_up(self.wanted, x, y)

    def struck_at(self, x: Floats, y: Floats) -> Bools:
        """Tell at which places the body would stand in stock."""
        return self._looked_up(self.struck, x, y)

    def _looked_up(self, cells: Bools, x: Floats, y: Floats) -> Bools:
        i = np.clip(np.rint((x - self.x[0]) / max(self.x[1] - self.x[0], 1e-9)).astype(int), 0, len(self.x) - 1)
        j = np.clip(np.rint((y - self.y[0]) / max(self.y[1] - self.y[0], 1e-9)).astype(int), 0, len(self.y) - 1)
        return np.asarray(cells[i, j])


def _wanted(cut: Cut, ground: SideGround, shape: CutterShape, stock: SideStock) -> _Mask:
    """Where the lowest tip is shallower than the cut's slope and stock stands over it, and a rim about that."""
    x, y = (
        np.linspace(low, high, max(3, math.ceil((high - low) / _MASK_MM) + 1))
        for low, high in ((cut.from_x_mm, cut.to_x_mm), (cut.from_y_mm, cut.to_y_mm))
    )
    xs, ys = np.broadcast_arrays(x[:, None], y[None, :])
    z = ground.lowest(xs, ys)
    tilt = np.tan(np.radians(min(cut.slope_deg, 89.0)))
    steep = _steeper(z, x[1] - x[0], y[1] - y[0], tilt)
    flat = xs.ravel(), ys.ravel()
    over = standing(stock, under_steps(shape.edge), *flat, 0.0).reshape(z.shape) > z + cut.tolerance_mm
    met = replace(ground, floor_z_mm=cut.floor_z_mm - 1.0, _grids={}).lowest(xs, ys) >= cut.floor_z_mm - _SAME_MM
    struck = standing(stock, under_steps(shape.body), *flat, -stock.sure_mm).reshape(z.shape) > z + cut.tolerance_mm
    struck = np.asarray(binary_dilation(struck, np.ones((3, 3), bool)))  # what lies between two cells counts as the worse one
    wanted = ~steep & over & met & ~struck
    cells = max(1, math.ceil(OVERLAP_MM / _MASK_MM))
    spread = np.asarray(binary_dilation(wanted, np.ones((3, 3), bool), iterations=cells)) & (over | wanted)
    return _Mask(x, y, spread & ~struck, struck)


def _steeper(z: Floats, dx: float, dy: float, tilt: float) -> Bools:
    """Cells whose lowest tip rises or falls more steeply to every side than a slope: one level side makes a cell shallow."""
    gx, gy = (np.abs(np.diff(z, axis=a)) / d for a, d in ((0, dx), (1, dy)))
    least_x = np.minimum(np.vstack([gx[:1], gx]), np.vstack([gx, gx[-1:]]))
    least_y = np.minimum(np.hstack([gy[:, :1], gy]), np.hstack([gy, gy[:, -1:]]))
    return np.hypot(least_x, least_y) > tilt


def _rows(ground: SideGround, mask: _Mask, pitch: float, step: float, along_x: bool) -> Grid:
    """Rows of places over the wanted cells' bounds, along X or along Y, as rows over the drum."""
    i, j = np.nonzero(mask.wanted)
    spans = [(mask.x[i.min()], mask.x[i.max()]), (mask.y[j.min()], mask.y[j.max()])]
    counts = [
        max(2, math.ceil((high - low) / d) + 1) for (low, high), d in zip(spans, (step, pitch) if along_x else (pitch, step))
    ]
    x, y = (np.linspace(low, high, n) for (low, high), n in zip(spans, counts))
    shape = (x[None, :], y[:, None]) if along_x else (x[:, None], y[None, :])
    xs, ys = (np.ascontiguousarray(c) for c in np.broadcast_arrays(*shape))
    wanted = bridged(mask.at(xs, ys), int(_GAP_MM / step), False)
    z = ground.lowest(xs, ys) + DRUM_MM
    return Grid(xs, np.degrees(ys / DRUM_MM), z, wanted, False)


def _unstruck(chain: Piece, mask: _Mask) -> list[Piece]:
    """Part a chain where bridges, rows between rows or joins led it to where the body would stand in stock."""
    free = ~mask.struck_at(chain.x_mm, np.radians(chain.turn_deg) * DRUM_MM)
    if free.all():
        return [chain]
    parts = pieces_of(chain.x_mm[None, :], chain.turn_deg[None, :], chain.z_mm[None, :], free[None, :], False)
    return [part for part in parts if len(part.x_mm) > 1]


def _on_drum(ground: SideGround) -> LowestOnDrum:
    """The ground of a side as that of a drum: turn for Y, heights over its middle."""

    def lowest(x: Floats, turn: Floats, over: Floats | None = None) -> Floats:
        least = None if over is None else over - DRUM_MM
        return ground.lowest(x, np.radians(turn) * DRUM_MM, least) + DRUM_MM

    return lowest


def _stroke(cut: Cut, chain: Piece, shape: CutterShape, stock: SideStock, centre_cutting: bool) -> Stroke:
    """Down onto the first place, by a ramp along the pass where much stands there, and along the chain."""
    tips = np.column_stack([chain.x_mm, np.radians(chain.turn_deg) * DRUM_MM, chain.z_mm - DRUM_MM])
    stands = float(standing(stock, under_steps(shape.edge), tips[:1, 0], tips[:1, 1], stock.sure_mm)[0])
    top = max(stands, float(tips[0, 2])) + _OVER_MM
    rows = StrokeRows()
    rows.go(np.array([*tips[0, :2], top]), 0.0, MoveKind.RAPID)
    if stands > tips[0, 2] + (_PLUNGE_MM if centre_cutting else 0.05):
        rows.go(ramped_down(tips, top, cut.ramp_deg, 4.0 * shape.edge.radius_mm), cut.entry_feed_mm_per_min, MoveKind.ENTRY)
    else:
        rows.go(tips[:1], cut.entry_feed_mm_per_min, MoveKind.ENTRY)
    rows.go(tips[1:], cut.feed_mm_per_min, MoveKind.CUT)
    return rows.stroke()


def ramped_down(tips: Floats, top: float, ramp_deg: float, longest_mm: float) -> Floats:
    """Forth and back along a chain's beginning, no more steeply than a ramp, never below the chain.

    A chain that is too short for that is gone along a few times: on less than `LEAST_RAMP_MM` a ramp is a plunge anyway.
    """
    part = _beginning(tips, longest_mm)
    gone = np.hypot(*np.diff(part[:, :2], axis=0).T)
    length = float(gone.sum())
    if length < 1e-6:
        return tips[:1]
    slope = math.tan(math.radians(min(max(ramp_deg, 0.5), 45.0)))
    turns = max(1, math.ceil((top - float(part[:, 2].min())) / (2.0 * max(length, LEAST_RAMP_MM) * slope)))
    way = np.vstack([np.vstack([part[1:], part[::-1][1:]])] * turns)
    steps = np.hypot(*np.diff(np.vstack([part[:1], way])[:, :2], axis=0).T)
    fall = np.cumsum(steps) * (top - float(part[0, 2])) / max(float(steps.sum()), 1e-9)
    way[:, 2] = np.maximum(way[:, 2], top - np.maximum(fall, 0.0))
    way[-1, 2] = part[0, 2]
    return way


def _beginning(tips: Floats, length_mm: float) -> Floats:
    """The beginning of a chain of places (n, 3), so long in X and Y, or all of it."""
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(tips[:, :2], axis=0).T))])
    if gone[-1] <= length_mm:
        return tips
    k = int(np.searchsorted(gone, length_mm))
    share = (length_mm - gone[k - 1]) / max(gone[k] - gone[k - 1], 1e-12)
    return np.vstack([tips[:k], tips[k - 1] + share * (tips[k] - tips[k - 1])])
