"""Profile: contours along walls, level by level, the last pass of each at the exact size, a spring pass at the foot.

Every level is an exact contour of where the tip may be; the wall lies on the right of it, so that a cutter that turns
clockwise (M3) climbs. Only what is steeper than the cut's slope is followed; on slanting walls further levels are laid
between so that the cusp is kept, and gone along to and fro. Runs begin and end with a quarter circle away from the wall where
there is room.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from newel.core.motion import Toolpath
from newel.core.plan import Cut, KeptWalls
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.side_body import side_body
from newel.toolpaths.side_ground import SideGround, side_ground
from newel.toolpaths.side_stock import SideStock, closely, side_stock, standing, under_steps
from newel.toolpaths.strokes import Stroke, side_turn_deg, toolpath_of_strokes
from newel.toolpaths.wall_levels import LEVEL_MM, CuspSteps, cusp_steps, levels_of, rights, slopes_deg
from newel.toolpaths.wall_strokes import (
    LEAST_RUN_MM,
    OVERLAP_MM,
    WallAsk,
    WallRun,
    one_way,
    parted_by_body,
    to_and_fro,
    walls_in_order,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

FINISH_MM = 0.15  # left on a wall by the pass before its last (common practice for small cutters)
_ASK_MM = 0.1  # how closely contours are asked
_GAP_MM = 1.0  # shorter gaps in a run are cut through
_MAP_MM = 0.25
_SURELY_MM = 0.02
_OFF_MM = 0.05  # a bigger cutter that stands this far off a wall counts as against it: 0.05^2 / 2R more is left beside corners
_FAR_MM = 1e4


def profile(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes of a profile cut: walls steeper than `slope_deg` from the top to the floors in levels of `ap_mm`.

    The allowance is left on walls alone; floors come out at their own height. Where more than FINISH_MM stands on a wall, a
    pass that leaves so much goes first; the lowest level of each wall is gone along once more at the final size. The
    cut's `holes`, below where they open, are left to the cuts that make them. With `rest_over_mm` only those walls are cut
    that the cutter which profiled before (`around.finished_by`) could not touch.
    """
    ground = side_ground(cut, shape, target, around.keep_out, around.clearance_mm, walls_only=True)
    before = side_ground(
        replace(cut, allowance_mm=cut.allowance_mm + FINISH_MM, kept=_thicker(cut.kept)),
        shape, target, around.keep_out, around.clearance_mm, walls_only=True,
    )  # fmt: skip
    stock = side_stock(blank, side_turn_deg(cut), _MAP_MM)
    steps = cusp_steps(cut, shape)
    levels = levels_of(cut, steps, ground, stock)
    leaning = steps.upright_deg(cut.ap_mm) if steps is not None else math.inf
    bigger = _bigger(cut, target, around)
    final: list[WallRun] = []
    first: list[WallRun] = []
    for nth, (z, between) in enumerate(levels):
        if progress is not None:
            progress(0.9 * nth / len(levels))
        wants = _Wants(cut, shape, stock, bigger, leaning if between else math.inf)
        final += _runs_at(wants, ground, z)
        first += [] if between else _thick(_runs_at(wants, before, z), shape, stock)
    body = side_body(blank, side_turn_deg(cut), shape, cut.floor_z_mm)
    ask = WallAsk(cut, shape, ground, stock, around.centre_cutting, body)
    strokes = _strokes(ask, before, steps, first + final)
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def _strokes(ask: WallAsk, before: SideGround, steps: CuspSteps | None, runs: list[WallRun]) -> list[Stroke]:
    """Make the strokes of all runs, wall by wall; where stock stands in the body's way, after what takes it off.

    What nothing takes off is done without: it stays standing, and the proof tells where.
    """
    strokes: list[Stroke] = []
    while runs:
        held: list[WallRun] = []
        before_this = len(strokes)
        for wall in walls_in_order(runs, ask.shape.edge.radius_mm):
            free, stays = parted_by_body(ask.body, wall)
            held += stays
            if free:
                strokes += one_way(ask, before, free) if steps is None else to_and_fro(ask, free)
        runs = held if len(strokes) > before_this else []
    return strokes


def _thicker(kept: tuple[KeptWalls, ...]) -> tuple[KeptWalls, ...]:
    return tuple(replace(walls, allowance_mm=walls.allowance_mm + FINISH_MM) for walls in kept)


@dataclass(frozen=True)
class _Wants:
    """What decides which places of a contour are cut.

    `bigger`: the ground of the cutter that profiled before a rest cut; `below_deg`: steeper walls are left to other levels.
    """

    cut: Cut
    shape: CutterShape
    stock: SideStock
    bigger: tuple[SideGround, float] | None
    below_deg: float


def _bigger(cut: Cut, target: DropTree, around: Surroundings) -> tuple[SideGround, float] | None:
    """The ground and radius of the cutter that profiled this side before, for a rest cut that was told of it."""
    before = around.finished_by
    if cut.rest_over_mm is None or before is None:
        return None
    anywhere = replace(
        cut, from_x_mm=-_FAR_MM, to_x_mm=_FAR_MM, from_y_mm=-_FAR_MM, to_y_mm=_FAR_MM, floor_z_mm=cut.floor_z_mm - _FAR_MM
    )
    ground = side_ground(anywhere, before, target, around.keep_out, around.clearance_mm, walls_only=True)
    return ground, before.edge.radius_mm


def _runs_at(wants: _Wants, ground: SideGround, z: float) -> list[WallRun]:
    """The runs along walls at a level where stock or wall stands beside the cutter."""
    cut, stock = wants.cut, wants.stock
    steps = under_steps(wants.shape.edge)
    runs: list[WallRun] = []
    for ring in ground.contours_at(z + LEVEL_MM):
        fine = closely(np.column_stack([ring, np.zeros(len(ring))]), _ASK_MM)[:, :2]
        slope = slopes_deg(ground, fine, z)
        wanted = (slope >= min(cut.slope_deg, 89.0)) & (slope < wants.below_deg)
        near = standing(stock, steps, fine[:, 0], fine[:, 1], stock.sure_mm + FINISH_MM)
        wanted &= near > z + LEVEL_MM
        for hole in cut.leaves:
            if z >= hole.top_z_mm - LEVEL_MM:
                continue  # here the walls are those of what the hole opens into
            wanted &= np.hypot(fine[:, 0] - hole.x_mm, fine[:, 1] - hole.y_mm) > 0.5 * hole.diameter_mm
        if wants.bigger is not None:
            wanted &= _not_reached(fine, z, *wants.bigger, wants.shape.edge.radius_mm)
        runs += [WallRun(xy, z, closed) for xy, closed in _pieces(fine, wanted)]
    return runs


def _not_reached(ring: Floats, z: float, bigger: SideGround, bigger_mm: float, radius_mm: float) -> Bools:
    """Where a bigger cutter could not stand against the wall that a smaller one touches, and a little about that."""
    back = ring - (bigger_mm - radius_mm + _OFF_MM) * rights(ring)
    blocked = ~bigger.stands_free(back[:, 0], back[:, 1], z + _SURELY_MM)
    return np.asarray(binary_dilation(blocked, np.ones(2 * round(OVERLAP_MM / _ASK_MM) + 1, bool)))


def _pieces(ring: Floats, wanted: Bools) -> list[tuple[Floats, bool]]:
    """Cut a closed ring into its wanted stretches; short gaps are bridged, what is too short is left out."""
    n = len(ring) - 1
    want = wanted[:n].copy()
    if not want.any():
        return []
    if not want.all():
        start = int(np.flatnonzero(~want)[0])
        ring, want = np.vstack([ring[start:n], ring[: start + 1]]), np.roll(want, -start)
        gap = max(1, round(_GAP_MM / _ASK_MM))
        edges = np.flatnonzero(np.diff(np.concatenate([[True], want, [True]]).astype(int)))
        for a, b in zip(edges[::2], edges[1::2]):
            if a > 0 and b < n and b - a <= gap:
                want[a:b] = True
    else:
        return [(ring, True)]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], want, [False]]).astype(int)))
    out = []
    for a, b in zip(edges[::2], edges[1::2]):
        xy = ring[a : min(b + 1, n + 1)]
        if np.linalg.norm(np.diff(xy, axis=0), axis=1).sum() >= LEAST_RUN_MM:
            out.append((xy, False))
    return out


def _thick(runs: list[WallRun], shape: CutterShape, stock: SideStock) -> list[WallRun]:
    """Those runs beside which more stands than the last pass should take."""
    out = []
    for run in runs:
        inner = run.xy + (shape.edge.radius_mm - stock.sure_mm - FINISH_MM) * rights(run.xy)
        if (stock.at(inner[:, 0], inner[:, 1]) > run.z_mm + 0.05).mean() > 0.02:
            out.append(replace(run, leaves=True))
    return out
