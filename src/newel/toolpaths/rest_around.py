"""Rest around: what earlier cuts could not come to is cut while the bar turns, the tip set off beside the axis or deep past it.

Earlier cuts look at the bar from straight over its axis, so that a hollow behind something that stands out hides from them,
thick stock and all. This cut therefore stands on a mesh of what is really left, and goes down through it in layers, in
rounds: what the body could not pass in one round may be free in the next.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape, Profile
from newel.geometry.blank import Blank, carve, copy_of
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.drop import DropTree, drop, drop_tree
from newel.geometry.profiles import grown
from newel.toolpaths.development_map import DevelopmentMap, map_of, take_off
from newel.toolpaths.finish_around import EXACT, Grid, between, first_rows, sample_step
from newel.toolpaths.linking import Rows, Strand, Surroundings, Tool, chained, entered, linked, tool_of, toolpath_of
from newel.toolpaths.lowest_tip import BODY_CLEARANCE_MM, Ground, ground_for
from newel.toolpaths.passes import Exactness, Lowest, bridged, ordered, pieces_of, shaped, widened
from newel.toolpaths.rest import touched
from newel.toolpaths.rough_around import dense_rows
from newel.toolpaths.spacing import spacing_rule, underside

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

_LAYER_EXACT = Exactness(below_mm=0.004, above_mm=0.08, least_step_mm=0.05)  # no allowance is left here: never into the part
_MOST_ROUNDS = 4
_MOST_LAYERS = 60
_LAYER_WIDTH = 0.7  # rows of a layer lie this share of ap apart: a ball has cut its width by then (common practice)
_SURE_MM = 0.04  # the mesh of the blank is no truer than this along a normal (measured on leaves of R 1 at a pitch of 0.4)
_LEAST_UP = 0.02  # cosine of the steepest surface that a stock's thickness is reckoned over
_STAY_DOWN_MM = 1.5
_WORTH_MM = 0.15  # a raised pass, over which the body is stopped, must take at least this much
_NOTHING_MM = -1.0e4  # where a cutter meets no stock at all


@dataclass(frozen=True)
class Left:
    """What is left of the bar: its drop tree and largest radius, the cutter's edge, and its body grown by its clearance."""

    tree: DropTree
    radius_mm: float
    edge: Profile
    body: Profile
    offset_y_mm: float

    def stands(self, x_mm: Floats, turn_deg: Floats) -> Floats:
        """Return the tip height at which the edge first touches what is left."""
        return drop(self.tree, self.edge, x_mm, self.offset_y_mm, turn_deg, floor_mm=_NOTHING_MM)

    def with_body(self, z_mm: Floats, x_mm: Floats, turn_deg: Floats) -> Floats:
        """Return tip heights, all of one shape, raised to where the body is clear of what is left."""
        z = z_mm.copy()
        near = z < self.radius_mm - float(self.body.h_mm[0]) + BODY_CLEARANCE_MM
        over = drop(self.tree, self.body, x_mm[near], self.offset_y_mm, turn_deg[near], z[near] - BODY_CLEARANCE_MM)
        z[near] = np.maximum(z[near], over + BODY_CLEARANCE_MM)
        return z


def rest_around(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes over all that stands over the target by more than `rest_over_mm` and that this cutter comes to.

    The tip goes no deeper than `floor_z_mm`, in layers of `ap_mm`; the body stands clear of the stock at every moment.
    """
    ground = ground_for(cut, shape, target, around.keep_out, around.clearance_mm, floor_mm=cut.floor_z_mm)
    tool = tool_of(shape, ground.keep_x_mm, ground.keep_z_mm, cut.offset_y_mm)
    where = _touching(cut, shape, target, ground)
    standing = copy_of(blank)
    rows: list[Rows] = []
    at: Floats | None = None
    for k in range(_MOST_ROUNDS):
        m = map_of(standing, 0.5, 1.5)
        body, tree = grown(shape.body, BODY_CLEARANCE_MM), drop_tree(*blank_mesh(standing, 1))
        left = Left(tree, m.highest_mm, shape.edge, body, cut.offset_y_mm)
        new, at, blocked = _round(cut, around, _Scene(ground, tool, left, m), where, at)
        if not new:
            break
        rows += new
        where = replace(where, met=blocked)
        path = toolpath_of(new, around)
        carve(standing, shape, path.pose, np.zeros(len(path), dtype=np.int32))
        if progress is not None:
            progress((k + 1) / _MOST_ROUNDS)
    return toolpath_of(rows, around)


@dataclass(frozen=True)
class _Scene:
    ground: Ground
    tool: Tool
    left: Left
    m: DevelopmentMap


@dataclass(frozen=True)
class _Touching:
    """Rows over the development with what the target does there: whether it is touched, and how steeply (cosine, up)."""

    grid: Grid
    met: Bools
    up: Floats


def _touching(cut: Cut, shape: CutterShape, target: DropTree, ground: Ground) -> _Touching:
    below = underside(shape.edge)
    grid = first_rows(cut, below, spacing_rule(below, cut.cusp_mm, min(cut.ae_mm, 1.6 * below.radius_mm)), ground.lowest)
    _, normals = touched(target, shape.edge, cut.offset_y_mm, grid.x_mm, grid.turn_deg)
    turn = np.radians(grid.turn_deg)
    normals = normals.reshape(*grid.x_mm.shape, 3)
    up = normals[..., 1] * np.sin(turn) + normals[..., 2] * np.cos(turn)
    met = np.isfinite(up) & (grid.z_mm > cut.floor_z_mm + 1e-6)
    return _Touching(grid, met, np.clip(np.nan_to_num(up, nan=1.0), _LEAST_UP, 1.0))


def _round(
    cut: Cut, around: Surroundings, scene: _Scene, where: _Touching, at: Floats | None
) -> tuple[list[Rows], Floats | None, Bools]:
    """Cut all that the body may come to over the stock as it stands, layer by layer.

    Returns rows, the last pose, and where the body was stopped, so that another round may come to more.
    """
    grid = where.grid
    x, turn = np.ascontiguousarray(grid.x_mm), np.ascontiguousarray(grid.turn_deg)
    stands = np.full(x.shape, _NOTHING_MM)
    stands[where.met] = scene.left.stands(x[where.met], turn[where.met])
    wanted = where.met & ((stands - grid.z_mm) * where.up > max(cut.rest_over_mm or 0.0, _SURE_MM))
    lowest = np.where(wanted, grid.z_mm, np.inf)
    lowest[wanted] = scene.left.with_body(grid.z_mm[wanted], x[wanted], turn[wanted])
    blocked = wanted & (lowest > grid.z_mm + 1e-6)
    wanted &= ~blocked | (stands - lowest > _WORTH_MM)
    if not wanted.any():
        return [], at, blocked
    rows: list[Rows] = []
    deepest = int(min(np.ceil((stands - lowest)[wanted].max() / cut.ap_mm), _MOST_LAYERS))
    stride = max(1, int(_LAYER_WIDTH * cut.ap_mm / max(_pitch(grid), 1e-3)))
    for k in range(1, deepest):
        here = wanted & (stands - k * cut.ap_mm > lowest + 0.3 * cut.ap_mm)
        some = np.zeros_like(here)
        some[k % stride :: stride] = here[k % stride :: stride]
        height = _layer(scene, k * cut.ap_mm)
        layer = Grid(grid.x_mm, grid.turn_deg, np.where(some, stands - k * cut.ap_mm, np.nan), some, grid.closed)
        new, at = _cut_down(cut, around, scene, [layer], (height, _LAYER_EXACT), at)
        rows += new
    final = _final(scene, cut.floor_z_mm)
    # what is taken in beside the wanted places may be where the body cannot pass: it is asked, too
    taken = widened(bridged(wanted, 3, False), 1, False) & where.met
    beside = taken & ~wanted
    low = np.where(wanted, lowest, grid.z_mm)
    low[beside] = final(x[beside], turn[beside])
    last = replace(grid, z_mm=low, wanted=taken)
    rule = spacing_rule(underside(scene.left.edge), cut.cusp_mm, min(cut.ae_mm, 1.6 * scene.left.edge.radius_mm))
    new, at = _cut_down(cut, around, scene, [last, *between(cut, rule, final, last)], (final, EXACT), at)
    return rows + new, at, blocked


def _pitch(grid: Grid) -> float:
    return float(np.median(np.abs(np.diff(grid.x_mm[:, 0])))) if len(grid.x_mm) > 1 else 1.0


def _layer(scene: _Scene, depth_mm: float) -> Lowest:
    """How low the tip may go in a layer: so much into what is left, and not into the target, and no body into anything."""

    def lowest(x: Floats, turn: Floats, over: Floats | None = None) -> Floats:
        x, turn = np.broadcast_arrays(x, turn)
        least = scene.left.stands(x, turn) - depth_mm
        z = scene.ground.lowest(x, turn, least if over is None else np.maximum(least, over))
        return scene.left.with_body(z, x, turn)

    return lowest


def _final(scene: _Scene, floor_mm: float) -> Lowest:
    """How low the tip may go in the end; where there is no target beneath, it stays on what is left."""

    def lowest(x: Floats, turn: Floats, over: Floats | None = None) -> Floats:
        x, turn = np.broadcast_arrays(x, turn)
        z = scene.ground.lowest(x, turn)  # all the way down: what is bare could not be told from what lies below `over`
        bare = z <= floor_mm + 1e-6
        z[bare] = np.maximum(z[bare], scene.left.stands(x[bare], turn[bare]))
        return scene.left.with_body(z if over is None else np.maximum(z, over), x, turn)

    return lowest


def _cut_down(
    cut: Cut, around: Surroundings, scene: _Scene, grids: list[Grid], how: tuple[Lowest, Exactness], at: Floats | None
) -> tuple[list[Rows], Floats | None]:
    """Make passes of the wanted places, link them over the map, and take them off it."""
    start = (float(cut.from_x_mm), 0.0) if at is None else (float(at[0]), float(at[3]))
    pieces = [p for g in grids for p in pieces_of(g.x_mm, g.turn_deg, g.z_mm, g.wanted, g.closed)]
    pieces = ordered(pieces, *start, same_way=False)
    chains = shaped(how[0], chained(pieces, _STAY_DOWN_MM, sample_step(underside(scene.left.edge))), how[1])
    # layers are thin: a cutter that cuts to its centre goes straight into them, at its entry feed
    strands: list[Strand] = entered(chains, scene.m, scene.tool, cut, np.inf if around.centre_cutting else _SURE_MM)
    rows, at = linked(strands, at, scene.m, scene.tool, cut, around)
    before: Floats | None = None
    for block in rows:
        if before is not None and (block.feed_mm_per_min > 0.0).any():
            take_off(scene.m, scene.tool.edge, dense_rows(np.vstack([before[None, :], block.pose]), scene.m)[0])
        before = block.pose[-1]
    return rows, at
