"""Profile: contours along walls, level by level, the last pass of each at the exact size, a spring pass at the foot.

Every level is an exact contour of where the tip may be; the wall lies on the right of it, so that a cutter that turns
clockwise (M3) climbs. Only what is steeper than the cut's slope is followed; on slanting walls further levels are laid
between so that the cusp is kept. Runs begin and end with a quarter circle away from the wall where there is room.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.side_ground import SideGround, side_ground
from newel.toolpaths.side_stock import SideStock, closely, side_stock, standing, under_steps
from newel.toolpaths.spacing import underside, widest_spacing
from newel.toolpaths.strokes import Stroke, StrokeRows, side_turn_deg, toolpath_of_strokes

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

FINISH_MM = 0.15  # left on a wall by the pass before its last (common practice for small cutters)
OVERLAP_MM = 1.0  # a closed contour is cut on past its beginning (common practice)
_LEADS = (1.0, 0.5, 0.25)  # radii of quarter circles to try, as shares of the cutter's radius
_LONGEST_LEAD_MM = 2.0
_ASK_MM = 0.1  # how closely contours are asked
_PROBE_MM = 0.01  # how far beside a contour the wall's slope is asked: contours lie up to 0.002 before their walls
_LOWEST_WALL_MM = 0.005
_AT_ONCE = 0.75
_UPRIGHT_DEG = 87.0  # steeper walls need no levels between for the cusp's sake
_LEVEL_MM = 1e-4  # a contour is asked this much over its level, so that a floor at the level is free
_LEAST_RUN_MM = 0.3
_STANDS_MM = 0.05  # more than this over a level is stock to go down into
_OVER_MM = 0.2  # a ramp begins this far over what stands
_GAP_MM = 1.0  # shorter gaps in a run are cut through
_MAP_MM = 0.25
_SURELY_MM = 0.02
_OFF_MM = 0.05  # a bigger cutter that stands this far off a wall counts as against it: 0.05^2 / 2R more is left beside corners
_FAR_MM = 1e4
_SEAMS = 24  # places of a closed contour where its beginning is tried
_SAME_WALL_MM = 1.0  # runs of two levels that lie within a cutter's radius and this belong to one wall


@dataclass(frozen=True)
class WallRun:
    """A run along a wall at one level: places (n, 2), the wall on the right; `closed`: it ends where it begins."""

    xy: Floats
    z_mm: float
    closed: bool


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
        replace(cut, allowance_mm=cut.allowance_mm + FINISH_MM),
        shape, target, around.keep_out, around.clearance_mm, walls_only=True,
    )  # fmt: skip
    stock = side_stock(blank, side_turn_deg(cut), _MAP_MM)
    levels = levels_of(cut, shape, ground, stock)
    bigger = _bigger(cut, target, around)
    final: list[WallRun] = []
    first: list[WallRun] = []
    for nth, (z, between) in enumerate(levels):
        if progress is not None:
            progress(0.9 * nth / len(levels))
        wants = _Wants(cut, shape, stock, bigger, between)
        final += _runs_at(wants, ground, z)
        first += [] if between else _thick(_runs_at(wants, before, z), shape, stock)
    strokes: list[Stroke] = []
    for wall in walls_in_order(first + final, shape.edge.radius_mm):
        foot = min(run.z_mm for run in wall)
        for run in wall:
            ask = before if any(run is other for other in first) else ground
            strokes.append(_stroke(cut, run, ask, shape, stock, springs=ask is ground and run.z_mm == foot))
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def levels_of(cut: Cut, shape: CutterShape, ground: SideGround, stock: SideStock) -> list[tuple[float, bool]]:
    """Return the levels from the top down, floors among them, and for each whether it only lies between for the cusp."""
    top = min(cut.top_z_mm, stock.highest_mm)
    if top <= cut.floor_z_mm:
        return []
    floors = sorted({*(z for z in cut.flats_z_mm if cut.floor_z_mm < z < top), cut.floor_z_mm}, reverse=True)
    levels: list[float] = []
    begin = top
    for floor in floors:
        count = max(1, math.ceil((begin - floor) / cut.ap_mm - 1e-9))
        levels += np.linspace(begin, floor, count + 1)[1:].tolist()
        begin = floor
    below = underside(shape.edge)
    out: list[tuple[float, bool]] = []
    above = top
    for z in levels:
        slope = _gentlest_deg(cut, ground, z)
        if slope < _UPRIGHT_DEG and cut.cusp_mm > 0.0:
            step = float(widest_spacing(below, cut.cusp_mm, np.array(slope))) * math.sin(math.radians(slope))
            count = max(1, math.ceil((above - z) / max(step, 0.02) - 1e-9))
            out += [(v, True) for v in np.linspace(above, z, count + 1)[1:-1].tolist()]
        out.append((z, False))
        above = z
    return out


def _gentlest_deg(cut: Cut, ground: SideGround, z: float) -> float:
    """The gentlest slope of the walls met at a level that are still steep enough for the cut; 90 where there are none."""
    if cut.slope_deg >= _UPRIGHT_DEG or cut.cusp_mm <= 0.0:
        return 90.0
    slopes = [_slopes_deg(ground, ring, z) for ring in ground.contours_at(z + _LEVEL_MM)]
    every = np.concatenate(slopes) if slopes else np.zeros(0)
    steep = every[every >= cut.slope_deg]
    return float(np.quantile(steep, 0.05)) if steep.size else 90.0


def _slopes_deg(ground: SideGround, ring: Floats, z: float) -> Floats:
    """The wall's slope at each place of a contour: how far the tip must rise a little, and twice as far, on the wall's side.

    An upright wall, however low, makes the tip rise as much at once; a slanting one twice as much at twice the way.
    """
    right = _rights(ring)
    near, far = (np.minimum(ground.lowest(*(ring + d * right).T) - z, 1e3) for d in (_PROBE_MM, 2.0 * _PROBE_MM))
    slope = np.degrees(np.arctan2(np.maximum(far - near, 0.0), _PROBE_MM))
    slope[(far > _LOWEST_WALL_MM) & (near >= _AT_ONCE * far)] = 90.0
    slope[_on_bounds(ground, ring)] = 0.0
    return slope


def _on_bounds(ground: SideGround, ring: Floats) -> Bools:
    near = 0.01
    x, y = ring[:, 0], ring[:, 1]
    along_x = (x < ground.from_x_mm + near) | (x > ground.to_x_mm - near)
    return along_x | (y < ground.from_y_mm + near) | (y > ground.to_y_mm - near)


def _rights(ring: Floats) -> Floats:
    """Unit normals to the right of a polyline at its places: at a corner, between its two pieces."""
    way = np.diff(ring, axis=0)
    way = way / np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    closed = bool(np.allclose(ring[0], ring[-1]))
    first, last = (way[-1:], way[:1]) if closed else (way[:1], way[-1:])
    mean = np.vstack([first, way]) + np.vstack([way, last])
    mean = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-12)[:, None]
    return np.column_stack([mean[:, 1], -mean[:, 0]])


@dataclass(frozen=True)
class _Wants:
    """What decides which places of a contour are cut; `bigger`: the ground of the cutter that profiled before a rest cut."""

    cut: Cut
    shape: CutterShape
    stock: SideStock
    bigger: tuple[SideGround, float] | None
    between: bool


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
    for ring in ground.contours_at(z + _LEVEL_MM):
        fine = closely(np.column_stack([ring, np.zeros(len(ring))]), _ASK_MM)[:, :2]
        slope = _slopes_deg(ground, fine, z)
        wanted = slope >= min(cut.slope_deg, 89.0)
        if wants.between:
            wanted &= slope < _UPRIGHT_DEG
        near = standing(stock, steps, fine[:, 0], fine[:, 1], stock.sure_mm + FINISH_MM)
        wanted &= near > z + _LEVEL_MM
        for hole in cut.leaves:
            if z >= hole.top_z_mm - _LEVEL_MM:
                continue  # here the walls are those of what the hole opens into
            wanted &= np.hypot(fine[:, 0] - hole.x_mm, fine[:, 1] - hole.y_mm) > 0.5 * hole.diameter_mm
        if wants.bigger is not None:
            wanted &= _not_reached(fine, z, *wants.bigger, wants.shape.edge.radius_mm)
        runs += [WallRun(xy, z, closed) for xy, closed in _pieces(fine, wanted)]
    return runs


def _not_reached(ring: Floats, z: float, bigger: SideGround, bigger_mm: float, radius_mm: float) -> Bools:
    """Where a bigger cutter could not stand against the wall that a smaller one touches, and a little about that."""
    back = ring - (bigger_mm - radius_mm + _OFF_MM) * _rights(ring)
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
        if np.linalg.norm(np.diff(xy, axis=0), axis=1).sum() >= _LEAST_RUN_MM:
            out.append((xy, False))
    return out


def _thick(runs: list[WallRun], shape: CutterShape, stock: SideStock) -> list[WallRun]:
    """Those runs beside which more stands than the last pass should take."""
    out = []
    for run in runs:
        inner = run.xy + (shape.edge.radius_mm - stock.sure_mm - FINISH_MM) * _rights(run.xy)
        if (stock.at(inner[:, 0], inner[:, 1]) > run.z_mm + 0.05).mean() > 0.02:
            out.append(run)
    return out


def walls_in_order(runs: list[WallRun], radius_mm: float) -> list[list[WallRun]]:
    """Group runs into walls, each from its top to its foot, and order the walls by the nearest next one."""
    left = sorted(runs, key=lambda run: -run.z_mm)
    walls: list[list[WallRun]] = []
    while left:
        wall = [left.pop(0)]
        middle = wall[0].xy.mean(axis=0)
        rest: list[WallRun] = []
        for run in left:
            away = float(
                np.linalg.norm(run.xy[:, None, :] - wall[-1].xy[None, :: max(1, len(wall[-1].xy) // 40), :], axis=2).min()
            )
            same = away <= radius_mm + _SAME_WALL_MM and float(np.linalg.norm(run.xy.mean(axis=0) - middle)) <= radius_mm * 2.0
            (wall if same else rest).append(run)
        left = rest
        walls.append(wall)
    ordered = [walls.pop(0)] if walls else []
    while walls:
        at = ordered[-1][-1].xy[-1]
        nearest = min(range(len(walls)), key=lambda k: float(np.linalg.norm(walls[k][0].xy[0] - at)))
        ordered.append(walls.pop(nearest))
    return ordered


def _stroke(cut: Cut, run: WallRun, ground: SideGround, shape: CutterShape, stock: SideStock, springs: bool) -> Stroke:
    """Lead in, along, and out again; a closed run begins where there is most room and overlaps, a foot springs once more."""
    z = run.z_mm
    run = _seamed(run, ground, shape, stock) if run.closed else run
    xy = run.xy
    if run.closed:
        xy = np.vstack([*[xy[:-1]] * (2 if springs else 1), xy[:1], _first_part(xy, OVERLAP_MM)[1:]])
    begin = _lead(xy[0], _heading(xy, 0), z, ground, shape)
    rows = StrokeRows()
    over = _stands(begin[0], shape, stock)
    if over > z + _STANDS_MM:
        top = over + _OVER_MM
        rows.go(np.array([*xy[0], top]), 0.0, MoveKind.RAPID)
        rows.go(_ramped(run.xy, (top, z), cut.ramp_deg, 4.0 * shape.edge.radius_mm), cut.entry_feed_mm_per_min, MoveKind.ENTRY)
    else:
        rows.go(np.array([*begin[0], z]), 0.0, MoveKind.RAPID)
        if len(begin) > 1:
            rows.go(_at_z(begin[1:], z), cut.feed_mm_per_min, MoveKind.ENTRY)
    way = _fewer(xy)
    rows.go(_at_z(way[1:], z), cut.feed_mm_per_min, MoveKind.CUT)
    back = springs and not run.closed
    if back:
        rows.go(_at_z(way[::-1][1:], z), cut.feed_mm_per_min, MoveKind.CUT)
    # the way off is the way on, mirrored: gone along the run's heading at its end, or against it at its beginning
    off = (
        _lead(way[0], _heading(way, 0), z, ground, shape) if back else _lead(way[-1], _heading(way, -1), z, ground, shape, -1.0)
    )
    if len(off) > 1:
        rows.go(_at_z(off[::-1][1:], z), cut.feed_mm_per_min, MoveKind.CUT)
    return rows.stroke()


def _heading(xy: Floats, at: int) -> Floats:
    """Unit direction of a run at its first place (0) or its last (-1)."""
    way = xy[1] - xy[0] if at == 0 else xy[-1] - xy[-2]
    return way / max(float(np.linalg.norm(way)), 1e-12)


def _lead(at: Floats, heading: Floats, z: float, ground: SideGround, shape: CutterShape, sign: float = 1.0) -> Floats:
    """Places (n, 2) of a quarter circle from off the wall onto a place of a run; the place alone where there is no room.

    `sign` -1 leads on from ahead: turned end for end it is the way off. The wall lies on the right of the heading.
    """
    left = np.array([-heading[1], heading[0]])
    for share in _LEADS:
        radius = min(share * shape.edge.radius_mm, _LONGEST_LEAD_MM)
        angle = np.linspace(0.5 * math.pi, 0.0, 10)[:, None]
        places = at + radius * (1.0 - np.cos(angle)) * left - sign * radius * np.sin(angle) * heading
        if ground.stands_free(places[:, 0], places[:, 1], z + _LEVEL_MM).all():
            return places
    return at[None, :]


def _stands(at: Floats, shape: CutterShape, stock: SideStock) -> float:
    return float(standing(stock, under_steps(shape.edge), at[:1], at[1:2], stock.sure_mm)[0])


def _seamed(run: WallRun, ground: SideGround, shape: CutterShape, stock: SideStock) -> WallRun:
    """Begin a closed run where there is room to lead in and nothing stands there, if there is such a place."""
    n = len(run.xy) - 1
    best, best_room = 0, -1.0
    for k in np.unique(np.linspace(0, n - 1, min(_SEAMS, n)).astype(int)):
        begin = _lead(run.xy[k], _heading(run.xy[k : k + 2], 0), run.z_mm, ground, shape)
        room = float(np.linalg.norm(begin[0] - run.xy[k]))
        if _stands(begin[0], shape, stock) > run.z_mm + _STANDS_MM:
            room *= 0.1
        if room > best_room + 1e-6:
            best, best_room = int(k), room
    return WallRun(np.vstack([run.xy[best:n], run.xy[: best + 1]]), run.z_mm, True)


def _ramped(xy: Floats, from_to_mm: tuple[float, float], ramp_deg: float, longest_mm: float) -> Floats:
    """The way down onto a run's first place: forth and back along its beginning, no steeper than `ramp_deg` (n, 3)."""
    part = _fewer(_first_part(xy, longest_mm))
    length = float(np.linalg.norm(np.diff(part, axis=0), axis=1).sum())
    fall = from_to_mm[0] - from_to_mm[1]
    slope = math.tan(math.radians(min(max(ramp_deg, 0.5), 45.0)))
    turns = max(1, math.ceil(fall / (2.0 * length * slope) - 1e-9))
    way = np.vstack([np.vstack([part[1:], part[::-1][1:]])] * turns)
    gone = np.cumsum(np.linalg.norm(np.diff(np.vstack([part[:1], way]), axis=0), axis=1))
    return np.column_stack([way, from_to_mm[0] - fall * gone / gone[-1]])


def _first_part(xy: Floats, length_mm: float) -> Floats:
    """The beginning of a polyline, of a length or all of it."""
    gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xy, axis=0), axis=1))])
    if gone[-1] <= length_mm:
        return xy
    k = int(np.searchsorted(gone, length_mm))
    part = (length_mm - gone[k - 1]) / max(gone[k] - gone[k - 1], 1e-12)
    return np.vstack([xy[:k], xy[k - 1] + part * (xy[k] - xy[k - 1])])


def _fewer(xy: Floats) -> Floats:
    """Leave out places that the straight ways between the others pass within half a micrometre."""
    if len(xy) < 3:
        return xy
    half = len(xy) // 2
    parts = [shapely.get_coordinates(shapely.simplify(shapely.LineString(p), 5e-4)) for p in (xy[: half + 1], xy[half:])]
    return np.vstack([parts[0], parts[1][1:]])


def _at_z(xy: Floats, z: float) -> Floats:
    return np.column_stack([xy, np.full(len(xy), z)])
