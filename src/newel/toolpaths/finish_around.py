"""Finish around: exact passes over the whole part, spaced so that the cusp between neighbours stays under the asked value.

Rows lie over the development at a spacing that suits most of it; where neighbouring rows still stand too far apart, on
slopes and shoulders, further rows are laid between them, only there, until the cusp is met.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.job import Direction
from newel.core.motion import Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.core.setup import KeepOut
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.drop import DropTree, drop, drop_tree
from newel.geometry.profiles import grown
from newel.toolpaths.development_map import DevelopmentMap, likely_standing, map_of, sure_standing
from newel.toolpaths.linking import Surroundings, Tool, chained, entered, linked, tool_of, toolpath_of
from newel.toolpaths.lowest_tip import Ground, clear_of, ground_for
from newel.toolpaths.passes import Exactness, Lowest, bridged, ordered, pieces_of, shaped, widened
from newel.toolpaths.rest import left_by, touched
from newel.toolpaths.spacing import SpacingRule, Underside, spacing_rule, underside, widest_turn_deg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

EXACT = Exactness(below_mm=0.004, above_mm=0.004, least_step_mm=0.01)
_CUSP_AIM = 0.95  # the share of the asked cusp that spacing aims at
_TOO_FAR = 1.06  # rows this much further apart than the rule get another between them
_MOST_HALVINGS = 5
_USUAL = 0.3  # this share of the places round the bar may be steeper than the pitch along X is made for
_STAY_DOWN_MM = 3.0
_MOST_PLUNGE_MM = 0.6  # common practice: an edge that cuts to its centre may go straight into so thin a stock
_STEP_LEAST_MM, _STEP_FLAT_MM, _STEP_ROUND_MM = 0.15, 0.2, 0.4
_BODY_OFF_MM = 0.03  # the body stays this far off the stock: the mesh of a blank is no truer where the stock curves
_GAP_MM = 3.0  # air shorter than this between stock is passed at depth


@dataclass(frozen=True)
class Grid:
    """Rows over the development, (k, n): X, turn, lowest tip, and which places are wanted; closed rows end where they begin."""

    x_mm: Floats
    turn_deg: Floats
    z_mm: Floats
    wanted: Bools
    closed: bool


def finish_around(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the finishing passes over a target; with `rest_over_mm` only where the cutter before left more than that.

    Raises BadInput for a rest cut that isn't told which cutter finished before it.
    """
    below = underside(shape.edge)
    m = map_of(blank, 0.5, 1.5)
    ground = _ground(cut, shape, target, m, around)
    tool = tool_of(shape, ground.keep_x_mm, ground.keep_z_mm, cut.offset_y_mm)
    rule = spacing_rule(below, _CUSP_AIM * cut.cusp_mm, min(cut.ae_mm, 1.6 * below.radius_mm))
    lowest = _clear_of_stock(cut, shape, ground, tool, m, blank)
    grid = first_rows(cut, below, rule, ground.lowest)
    if cut.rest_over_mm is None:
        grid = _over_stock(cut, m, tool, grid)
    else:
        grid = _over_rest(cut, shape, target, m, around, grid)
    # Where stock stands so deep that the body would have to go into it, this cut has no business.
    free = lowest(grid.x_mm, grid.turn_deg) <= grid.z_mm + cut.tolerance_mm
    grid = replace(grid, wanted=grid.wanted & free)
    if progress is not None:
        progress(0.3)
    grids = [grid, *between(cut, rule, lowest, grid)]
    step = sample_step(below)
    pieces = [p for g in grids for p in pieces_of(g.x_mm, g.turn_deg, g.z_mm, g.wanted, g.closed)]
    pieces = ordered(pieces, cut.from_x_mm, 0.0, same_way=False)
    chains = chained(pieces, _STAY_DOWN_MM, step)
    if progress is not None:
        progress(0.5)
    chains = shaped(lowest, chains, EXACT)
    if progress is not None:
        progress(0.9)
    strands = entered(chains, m, tool, cut, _MOST_PLUNGE_MM if around.centre_cutting else 0.05)
    rows, _ = linked(strands, None, m, tool, cut, around)
    return toolpath_of(rows, around)


def _full_height(below: Underside) -> float:
    """How far the tip may pass the rotary axis, so that a round nose brings its full width to the axis at an open end."""
    wide = float(below.h_mm[np.searchsorted(below.r_mm, 0.99 * below.radius_mm)])
    return min(wide, below.radius_mm)


def _standing_bar(cut: Cut, m: DevelopmentMap, reach_mm: float) -> tuple[KeepOut, ...]:
    """The bar that no pass of this cut will take, at both ends, as round things that turn with it, one for each map cell."""
    x = m.x0_mm + m.x_step_mm * np.arange(m.sure.shape[0])
    radius = m.sure.max(axis=1)
    outside = _beyond(cut, m, reach_mm) & (radius > 0.0)
    half = 0.5 * m.x_step_mm
    cells = np.flatnonzero(outside)
    return tuple(KeepOut("bar", float(x[i] - half), float(x[i] + half), float(radius[i]), True) for i in cells)


def _beyond(cut: Cut, m: DevelopmentMap, reach_mm: float) -> Bools:
    """Tell which X cells (nx,) of a map no pass of a cut can reach."""
    x = m.x0_mm + m.x_step_mm * np.arange(m.sure.shape[0])
    return (x < cut.from_x_mm - reach_mm) | (x > cut.to_x_mm + reach_mm)


def sample_step(below: Underside) -> float:
    """Return a first step along passes, so short that no ridge is stepped over; the middle of every step is asked as well.

    Half the cutter's width a tenth of a millimetre above its tip; shorter for a flat bottom, which rides on every edge of a
    facet. Found by halving until moves stayed within 0.01 mm of the drop on a part of 140,000 facets.
    """
    wide = 2.0 * float(np.interp(0.1, below.h_mm, below.r_mm))
    flat = float(below.r_mm[below.h_mm <= 1e-9].max(initial=0.0))
    most = _STEP_FLAT_MM if flat > 0.25 * below.radius_mm else _STEP_ROUND_MM
    return float(np.clip(wide / 2.0, _STEP_LEAST_MM, most))


def first_rows(cut: Cut, below: Underside, rule: SpacingRule, lowest: Lowest) -> Grid:
    """Lay the first rows over the development at the spacing that suits most of it."""
    length = max(cut.to_x_mm - cut.from_x_mm, 1e-6)
    x = np.linspace(cut.from_x_mm, cut.to_x_mm, max(3, int(length / 0.25) + 1))
    turn = np.arange(0.0, 360.0, 10.0)
    heights = lowest(*np.broadcast_arrays(x[:, None], turn[None, :]))
    radius = max(float(heights.max()), 1.0)
    step = sample_step(below)
    if cut.direction is Direction.ALONG:
        most = widest_turn_deg(below, _CUSP_AIM * cut.cusp_mm, radius)
        rows = max(4, int(np.ceil(360.0 / min(most, np.degrees(cut.ae_mm / radius)))))
        places = max(2, int(np.ceil(length / step)) + 1)
        x_grid, turn_grid = np.broadcast_arrays(
            np.linspace(cut.from_x_mm, cut.to_x_mm, places)[None, :], (360.0 / rows * np.arange(rows))[:, None]
        )
        closed = False
    else:
        knots = _knots(cut, rule, x, heights)
        places = max(72, int(np.ceil(2.0 * np.pi * radius / step)))
        closed = cut.direction is Direction.AROUND
        if closed:
            x_grid, turn_grid = np.broadcast_arrays(knots[:, None], (360.0 / places * np.arange(places))[None, :])
        else:
            turn = np.linspace(0.0, 360.0, places + 1)
            ends = np.concatenate([knots[:1], knots, knots[-1:]])
            x_grid = ends[:-1, None] + np.diff(ends)[:, None] * turn[None, :] / 360.0
            turn_grid = np.broadcast_to(turn, x_grid.shape)
    x_grid, turn_grid = np.ascontiguousarray(x_grid), np.ascontiguousarray(turn_grid)
    z_grid = lowest(x_grid, turn_grid)
    return Grid(x_grid, turn_grid, z_grid, np.ones(x_grid.shape, dtype=bool), closed)


def _knots(cut: Cut, rule: SpacingRule, x: Floats, heights: Floats) -> Floats:
    """Places along X, one a turn, whose pitch follows the slope that most of the bar has there."""
    dx = x[1] - x[0]
    rise = np.abs(np.diff(heights, axis=0))
    run = np.full_like(rise, dx)
    allowed = rule.spacing(run, rise) * dx / np.hypot(run, rise)
    pitch = np.quantile(allowed, _USUAL, axis=1)
    flat = float(rule.spacing(np.array(1.0), np.array(0.0)))
    pitch = np.clip(pitch, 0.4 * flat, flat)
    pitch = np.minimum(pitch, np.minimum(np.append(pitch[1:], pitch[-1]), np.append(pitch[0], pitch[:-1])))
    # turns gone through at each x; the total is rounded up so that the last turn ends on the last place
    turns = np.concatenate([[0.0], np.cumsum(dx / pitch)])
    count = max(1, int(np.ceil(turns[-1] - 1e-9)))
    return np.interp(np.linspace(0.0, turns[-1], count + 1), turns, x)


def _ground(cut: Cut, shape: CutterShape, target: DropTree, m: DevelopmentMap, around: Surroundings) -> Ground:
    """All that bounds a cutter's tip from below, the bar that no pass of this cut will take included."""
    below = underside(shape.edge)
    ground = ground_for(cut, shape, target, around.keep_out, around.clearance_mm, floor_mm=-_full_height(below))
    return clear_of(ground, shape, _standing_bar(cut, m, below.radius_mm + m.x_step_mm))


def _clear_of_stock(cut: Cut, shape: CutterShape, ground: Ground, tool: Tool, m: DevelopmentMap, blank: Blank) -> Lowest:
    """Return the lowest tip over the ground at which the body, too, stands clear of the stock as it was before the cut.

    The map, never lower than the blank, says quickly where it surely does; the blank's own surface is asked elsewhere. The bar
    at both ends counts already, as exact round things.
    """
    within = m.likely.copy()
    within[_beyond(cut, m, tool.edge.radius_mm + m.x_step_mm)] = 0.0
    m = replace(m, likely=within, sure=within)
    body = tool.body.below(2.0 * m.highest_mm)
    body_top = m.highest_mm - body.lowest_mm
    stout = grown(shape.body, _BODY_OFF_MM)
    surface: list[DropTree] = []

    def lowest(x: Floats, turn: Floats, over: Floats | None = None) -> Floats:
        z = ground.lowest(x, turn, over)
        near = np.nonzero(z < body_top)
        if not near[0].size:
            return z
        x, turn = np.broadcast_to(x, z.shape)[near], np.broadcast_to(turn, z.shape)[near]
        close = np.flatnonzero(likely_standing(m, body, x, tool.offset_y_mm, turn, z[near]) > z[near])
        if close.size:
            if not surface:
                surface.append(drop_tree(*blank_mesh(blank, 1)))
            at = tuple(index[close] for index in near)
            stands = drop(surface[0], stout, x[close], tool.offset_y_mm, turn[close], z[at] - _BODY_OFF_MM)
            z[at] = np.maximum(z[at], stands + _BODY_OFF_MM)
        return z

    return lowest


def _over_stock(cut: Cut, m: DevelopmentMap, tool: Tool, grid: Grid) -> Grid:
    """Mark the places that have stock over them; short stretches of air between are passed at depth."""
    wanted = sure_standing(m, tool.edge, grid.x_mm, cut.offset_y_mm, grid.turn_deg, grid.z_mm) > grid.z_mm
    step = float(np.hypot(*(np.diff(c[0, :2])[0] for c in (grid.x_mm, np.radians(grid.turn_deg) * max(grid.z_mm.max(), 1.0)))))
    return Grid(grid.x_mm, grid.turn_deg, grid.z_mm, bridged(wanted, int(_GAP_MM / max(step, 1e-3)), grid.closed), grid.closed)


def _over_rest(cut: Cut, shape: CutterShape, target: DropTree, m: DevelopmentMap, around: Surroundings, grid: Grid) -> Grid:
    """Mark the places where the cutter before left more than the cut asks for, and a rim about them."""
    before = around.finished_by
    if before is None or cut.rest_over_mm is None:
        raise BadInput("a rest cut must be told which cutter finished before it", where=f"cut {cut.number}, {cut.name}")
    points, normals = touched(target, shape.edge, cut.offset_y_mm, grid.x_mm, grid.turn_deg)
    met = np.isfinite(normals).all(axis=1)
    left = np.zeros(len(points))
    span = (cut.from_x_mm, cut.to_x_mm)
    lowest = _ground(cut, before, target, m, around).lowest
    left[met] = left_by(before.edge, lowest, span, cut.offset_y_mm, points[met], normals[met])
    wanted = widened((left > cut.rest_over_mm).reshape(grid.x_mm.shape), 2, grid.closed)
    sideways = wanted.copy()
    sideways[1:] |= wanted[:-1]
    sideways[:-1] |= wanted[1:]
    return Grid(grid.x_mm, grid.turn_deg, grid.z_mm, bridged(sideways, 6, grid.closed), grid.closed)


@dataclass(frozen=True)
class _Pairs:
    """Pairs of neighbouring rows: X, turn, z of both, (2, k, n), and where either is wanted (k, n)."""

    x: Floats
    turn: Floats
    z: Floats
    wanted: Bools


def between(cut: Cut, rule: SpacingRule, lowest: Lowest, grid: Grid) -> list[Grid]:
    """Lay rows between rows where neighbours stand further apart than the cusp allows; halve until they do not."""
    pairs = _neighbours(cut, grid)
    found = []
    for _ in range(_MOST_HALVINGS):
        half_turn = 0.5 * np.radians(pairs.turn[1] - pairs.turn[0])
        across = (pairs.z[0] + pairs.z[1]) * np.sin(half_turn)
        run = np.hypot(pairs.x[1] - pairs.x[0], across)
        rise = (pairs.z[1] - pairs.z[0]) * np.cos(half_turn)
        too_far = (np.hypot(run, rise) > _TOO_FAR * rule.spacing(run, rise)) & (run > cut.tolerance_mm) & pairs.wanted
        rows = too_far.any(axis=1)
        if not rows.any():
            break
        too_far = widened(too_far[rows], 2, grid.closed)
        low, high = (_Row(pairs.x[i][rows], pairs.turn[i][rows], pairs.z[i][rows]) for i in (0, 1))
        x, turn = 0.5 * (low.x + high.x), 0.5 * (low.turn + high.turn)
        z = np.maximum(low.z, high.z)
        z[too_far] = lowest(x[too_far], turn[too_far])
        found.append(Grid(x, turn, z, too_far, grid.closed))
        pairs = _Pairs(
            np.stack([np.concatenate([low.x, x]), np.concatenate([x, high.x])]),
            np.stack([np.concatenate([low.turn, turn]), np.concatenate([turn, high.turn])]),
            np.stack([np.concatenate([low.z, z]), np.concatenate([z, high.z])]),
            np.concatenate([too_far, too_far]),
        )
    return found


@dataclass(frozen=True)
class _Row:
    x: Floats
    turn: Floats
    z: Floats


def _neighbours(cut: Cut, grid: Grid) -> _Pairs:
    """Every row with the next one; rows along X close on the first after a whole turn."""
    x, turn, z, wanted = grid.x_mm, grid.turn_deg, grid.z_mm, grid.wanted
    if cut.direction is Direction.ALONG:
        x, z, wanted = (np.concatenate([c, c[:1]]) for c in (x, z, wanted))
        turn = np.concatenate([turn, turn[:1] + 360.0])
    return _Pairs(
        np.stack([x[:-1], x[1:]]), np.stack([turn[:-1], turn[1:]]), np.stack([z[:-1], z[1:]]), wanted[:-1] | wanted[1:]
    )
