"""Rough around: the bar is cut down in levels, from its corners to the part plus allowance, one level deep at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from newel.core.job import Direction
from newel.core.motion import Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.geometry.profiles import grown
from newel.toolpaths.development_map import DevelopmentMap, Table, likely_standing, map_of, table_of, take_off
from newel.toolpaths.linking import (
    Easing,
    Rows,
    Strand,
    Surroundings,
    Tool,
    chained,
    eased,
    entered,
    linked,
    tool_of,
    toolpath_of,
)
from newel.toolpaths.lowest_tip import Ground, ground_for
from newel.toolpaths.passes import Bools, Exactness, Ints, Lowest, bridged, ordered, pieces_of, shaped, widened
from newel.toolpaths.spacing import underside

Floats = NDArray[np.float64]
Progress = Callable[[float], None] | None

EXACT = Exactness(below_mm=0.02, above_mm=0.05, least_step_mm=0.05)  # common practice: a tenth of a usual allowance
AIR_MM = 0.08  # stock thinner than this is not worth a roughing pass; the finish takes it
SLOT_FEED = 0.6  # common practice: a full slot is fed at 0.5 to 0.7 of the feed for a part width
_CENTRE_CUTTING_DEG = 30.0  # common practice: an edge that cuts to its centre goes down steeper slopes at its entry feed
_PLUNGE_OVER_DC = 0.25  # common practice: and by no more than this share of its diameter without a ramp
_STEP_DOWN_MM = 0.3  # a cutter that does not cut to its centre takes a step down of less as it comes
_BODY_CLEARANCE_MM = 0.2  # the map sees stock at the middle of its cells only
_SLOT_SIDE = 0.6  # stock beyond this share of the radius on both sides of the way makes a slot


@dataclass(frozen=True)
class Level:
    """One level: its height, and how thick the stock over it may be."""

    z_mm: float
    depth_mm: float


@dataclass(frozen=True)
class Scene:
    """What stays the same through all levels of a cut; `body`: the body's underside, grown by what the map may hide."""

    cut: Cut
    ground: Ground
    tool: Tool
    sky: Sky
    body: Table
    centre_cutting: bool


def rough_around(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes that take a blank down to the target plus the cut's allowance, level by level."""
    ground = ground_for(cut, shape, target, around.keep_out, around.clearance_mm, floor_mm=0.0)
    m = fine_map(blank, shape)
    tool = tool_of(shape, ground.keep_x_mm, ground.keep_z_mm, cut.offset_y_mm)
    body = table_of(grown(shape.body, _BODY_CLEARANCE_MM))
    scene = Scene(cut, ground, tool, _sky(cut, shape, ground, m), body, around.centre_cutting)
    rows: list[Rows] = []
    at: Floats | None = None
    levels = _levels(cut, scene.sky, m)
    for k, level in enumerate(levels):
        strands = _level_strands(scene, m, level, at)
        new, at = linked(strands, at, m, scene.tool, cut, around)
        rows += _fed_by_what_they_meet(new, m, scene)
        if progress is not None:
            progress((k + 1) / len(levels))
    return toolpath_of(rows, around)


def fine_map(blank: Blank, shape: CutterShape) -> DevelopmentMap:
    """Unroll a blank finely enough for a cutter: about ten cells over its width."""
    step = float(np.clip(shape.edge.radius_mm / 5.0, 0.15, 0.6))
    around = map_of(blank, 4.0 * step, 4.0).highest_mm
    cells = 8 * int(np.clip(np.ceil(2.0 * np.pi * 0.7 * max(around, 1.0) / step / 8.0), 15, 90))
    return map_of(blank, step, 360.0 / cells)


@dataclass(frozen=True)
class Sky:
    """Lowest tips over the target on a fixed grid of the development: asked once, looked up at every level.

    `x_mm` (nx,), `turn_deg` (na,): the grid, turns evenly round; `z_mm` (nx, na); `above_mm` (nx, na): what the lowest tip
    does not exceed anywhere nearer to a place of the grid than to its neighbours.
    """

    x_mm: Floats
    turn_deg: Floats
    z_mm: Floats
    above_mm: Floats

    def under(self, x_mm: Floats, turn_deg: Floats, level_mm: float) -> Bools:
        """Return where the target surely does not reach up to a level."""
        i = np.rint((x_mm - self.x_mm[0]) / max(self.x_mm[1] - self.x_mm[0], 1e-12)).astype(int)
        j = np.rint(turn_deg / 360.0 * len(self.turn_deg)).astype(int) % len(self.turn_deg)
        return self.above_mm[np.clip(i, 0, len(self.x_mm) - 1), j] <= level_mm


def _sky(cut: Cut, shape: CutterShape, ground: Ground, m: DevelopmentMap) -> Sky:
    """Ask the ground once over the whole development.

    Some neighbour lies toward whatever a cutter touches; it stands no lower than the cutter, but for the rise of the
    underside over one step of the grid, and for what a step of turn lifts the rim of the cutter.
    """
    x = np.linspace(cut.from_x_mm, cut.to_x_mm, max(2, int(np.ceil((cut.to_x_mm - cut.from_x_mm) / m.x_step_mm)) + 1))
    turn = np.asarray(m.turn_step_deg * np.arange(m.sure.shape[1]), dtype=np.float64)
    z = ground.lowest(*np.broadcast_arrays(x[:, None], turn[None, :]))
    below = underside(shape.edge)
    step_turn = np.radians(m.turn_step_deg)
    step = float(np.hypot(m.x_step_mm, max(float(z.max()), 1.0) * step_turn))
    rise = float(below.height(np.array(min(step, below.radius_mm))))
    lift = below.radius_mm * step_turn + float(z.max()) * (1.0 - np.cos(step_turn))
    most: Floats = maximum_filter(z, size=3, mode=("nearest", "wrap"))
    return Sky(x, turn, z, np.asarray(most + rise + lift, dtype=np.float64))


def _levels(cut: Cut, sky: Sky, m: DevelopmentMap) -> list[Level]:
    """Even levels of no more than ap, from the blank's farthest corner to the lowest place that the tip will reach."""
    lowest, top = float(sky.z_mm.min()), m.highest_mm
    count = max(1, int(np.ceil((top - lowest) / cut.ap_mm)))
    depth = max(top - lowest, 1e-3) / count
    levels = [Level(top - (k + 1) * depth, depth) for k in range(count)]
    return [*levels[:-1], Level(lowest - 1.0, depth)]


def _level_strands(scene: Scene, m: DevelopmentMap, level: Level, at: Floats | None) -> list[Strand]:
    """Everything that still stands over a level, as strands in the order they are cut."""
    cut, tool = scene.cut, scene.tool
    grid = _grid(scene, m, max(level.z_mm + level.depth_mm, 1.0))
    stands = likely_standing(m, tool.edge, grid.x_mm, cut.offset_y_mm, grid.turn_deg)
    maybe = stands > np.fmax(level.z_mm, grid.target_mm) + AIR_MM
    if not maybe.any():
        return []
    lowest = _lowest_on(scene, level, m)
    z = np.full(grid.x_mm.shape, np.nan)
    z[maybe] = lowest(grid.x_mm[maybe], grid.turn_deg[maybe])
    wanted = maybe & (np.nan_to_num(z, nan=np.inf) < stands - AIR_MM)
    if not wanted.any():
        return []
    wanted = widened(bridged(wanted, 3, grid.closed), 1, grid.closed)
    unasked = wanted & ~maybe
    z[unasked] = lowest(grid.x_mm[unasked], grid.turn_deg[unasked])
    pieces = pieces_of(grid.x_mm, grid.turn_deg, z, wanted, grid.closed)
    start = (float(cut.from_x_mm), 0.0) if at is None else (float(at[0]), float(at[3]))
    pieces = ordered(pieces, *start, same_way=False)
    chains = chained(pieces, stay_down_mm=1.5 * max(2.0 * tool.edge.radius_mm, cut.ae_mm), step_mm=2.0 * m.x_step_mm)
    strands = entered(shaped(lowest, chains, EXACT), m, tool, cut, AIR_MM)
    if scene.centre_cutting:
        easing = Easing(_CENTRE_CUTTING_DEG, _PLUNGE_OVER_DC * 2.0 * tool.edge.radius_mm)
    else:
        easing = Easing(max(2.0 * cut.ramp_deg, 1.0), _STEP_DOWN_MM)
    return [eased(strand, m, tool, cut, easing) for strand in strands]


@dataclass(frozen=True)
class Grid:
    """Rows over the development, (k, n): X and turn of every place, the lowest tip over the target (nan: not yet asked)."""

    x_mm: Floats
    turn_deg: Floats
    target_mm: Floats
    closed: bool


def _grid(scene: Scene, m: DevelopmentMap, radius_mm: float) -> Grid:
    """Rows for one level. Along and around take every so many lines of the sky's grid, so that its heights serve again."""
    cut, sky = scene.cut, scene.sky
    if cut.direction is Direction.ALONG:
        lines = _spread(len(sky.turn_deg), 2.0 * np.pi * radius_mm, cut.ae_mm, least=4)
        x, turn = np.broadcast_arrays(sky.x_mm[None, :], sky.turn_deg[lines][:, None])
        return Grid(x, turn, np.ascontiguousarray(sky.z_mm[:, lines].T), closed=False)
    length = cut.to_x_mm - cut.from_x_mm
    if cut.direction is Direction.AROUND:
        lines = np.append(_spread(len(sky.x_mm) - 1, length, cut.ae_mm, least=1), len(sky.x_mm) - 1)
        x, turn = np.broadcast_arrays(sky.x_mm[lines][:, None], sky.turn_deg[None, :])
        return Grid(x, turn, sky.z_mm[lines], closed=True)
    # helical: X creeps by one pitch a turn; the first and the last turn stand still at the two ends
    places = max(24, int(np.ceil(2.0 * np.pi * radius_mm / m.x_step_mm)))
    rows = max(1, int(np.ceil(length / cut.ae_mm)))
    turn = np.linspace(0.0, 360.0, places + 1)
    creep = np.arange(-1, rows + 1)[:, None] + turn[None, :] / 360.0
    x = np.clip(cut.from_x_mm + length / rows * creep, cut.from_x_mm, cut.to_x_mm)
    return Grid(x, np.broadcast_to(turn, x.shape), np.full(x.shape, np.nan), closed=False)


def _spread(lines: int, width_mm: float, most_mm: float, least: int) -> Ints:
    """Choose lines of an even grid over a width so that neighbours lie no further apart than asked, where the grid allows."""
    pitch = width_mm / lines
    rows = max(least, int(np.ceil(width_mm / max(most_mm, pitch) - 1e-9)))
    while rows < lines and int(np.ceil(lines / rows)) * pitch > most_mm + 1e-9:
        rows += 1
    return np.unique((np.arange(rows) * lines) // rows)


def _lowest_on(scene: Scene, level: Level, m: DevelopmentMap) -> Lowest:
    """How low the tip may go on a level: not below it, the ground, or where the body would touch what stands."""
    tool, ground = scene.tool, scene.ground
    body_top = m.highest_mm - scene.body.lowest_mm
    body = scene.body.below(m.highest_mm - max(level.z_mm, 0.0))

    def lowest(x: Floats, turn: Floats, least: Floats | None = None) -> Floats:
        z = np.full(x.shape, level.z_mm) if least is None else np.maximum(least, level.z_mm)
        met = ~scene.sky.under(x, turn, level.z_mm)
        z[met] = ground.lowest(x[met], turn[met], z[met])
        near = np.flatnonzero(z < body_top)
        if near.size:
            asked = z[near] - _BODY_CLEARANCE_MM
            stands = likely_standing(m, body, x[near], tool.offset_y_mm, turn[near], asked)
            z[near] = np.maximum(z[near], stands + _BODY_CLEARANCE_MM)
        return z

    return lowest


def _fed_by_what_they_meet(rows: list[Rows], m: DevelopmentMap, scene: Scene) -> list[Rows]:
    """Take rows off the map in order, and feed slower where they cut a full slot or meet more than a level's depth."""
    out = []
    before: Floats | None = None
    for block in rows:
        fed = block.feed_mm_per_min > 0.0
        if not fed.any() or before is None:
            before = block.pose[-1]
            out.append(block)
            continue
        pose, owner = dense_rows(np.vstack([before[None, :], block.pose]), m)
        depth, sides = take_off(m, scene.tool.edge, pose)
        slot = np.minimum(sides[:, 0], sides[:, 1]) > _SLOT_SIDE
        share = np.where(slot, SLOT_FEED, 1.0) * np.minimum(1.0, 1.2 * scene.cut.ap_mm / np.maximum(depth, 1e-9))
        slowest = np.ones(len(block.pose))
        np.minimum.at(slowest, owner, share)
        slowest = np.maximum(slowest, 0.25)
        cuts = block.kind == 3
        out.append(Rows(block.pose, np.where(cuts, block.feed_mm_per_min * slowest, block.feed_mm_per_min), block.kind))
        before = block.pose[-1]
    return out


def dense_rows(pose: Floats, m: DevelopmentMap) -> tuple[Floats, NDArray[np.int64]]:
    """Places no further apart than a cell along rows of poses, and the row each belongs to (counted from the second pose)."""
    step = np.abs(np.diff(pose, axis=0))
    count = np.ceil(np.maximum(step[:, 0] / m.x_step_mm, step[:, 3] / m.turn_step_deg)).astype(int)
    count = np.maximum(count, 1)
    row = np.repeat(np.arange(len(count)), count)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    part = (np.arange(len(row)) - first[row] + 1) / count[row]
    return pose[row] + part[:, None] * (pose[row + 1] - pose[row]), row
