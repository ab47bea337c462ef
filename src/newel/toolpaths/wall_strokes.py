"""Strokes along walls: leads and ramps onto a run, along it and off again; run after run with the cutter down where that goes.

A run has its wall on the right, so that a cutter that turns clockwise (M3) climbs. Where many light runs lie under one another
the cutter goes to and fro: coming back empty-handed would take as long as cutting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.motion import MoveKind
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.toolpaths.side_body import RUBS_MM, SideBody, stretches
from newel.toolpaths.side_ground import SideGround
from newel.toolpaths.side_stock import SideStock, standing, take_off, under_steps
from newel.toolpaths.strokes import LEAST_RAMP_MM, Stroke, StrokeRows
from newel.toolpaths.wall_levels import LEVEL_MM

Floats = NDArray[np.float64]

OVERLAP_MM = 1.0  # a closed contour is cut on past its beginning (common practice)
_LEADS = (1.0, 0.5, 0.25)  # radii of quarter circles to try, as shares of the cutter's radius
_LONGEST_LEAD_MM = 2.0
_STANDS_MM = 0.05  # more than this over a level is stock to go down into
_OVER_MM = 0.2  # a ramp begins this far over what stands
_PLUNGE_MM = 0.6  # common practice: an edge that cuts to its centre may go straight into so thin a stock
_NEAR_STEP_MM = 0.1  # how closely a step from one level to the next is asked
_SEAMS = 24  # places of a closed contour where its beginning is tried
LEAST_RUN_MM = 0.3  # shorter runs are left out
_SAME_WALL_MM = 1.0  # runs of two levels that lie within a cutter's radius and this belong to one wall


@dataclass(frozen=True)
class WallRun:
    """A run along a wall at one level: places (n, 2), the wall on the right.

    `closed`: it ends where it begins; `leaves`: it leaves something for the run at the same level that follows it.
    """

    xy: Floats
    z_mm: float
    closed: bool
    leaves: bool = False


@dataclass(frozen=True)
class WallAsk:
    """What strokes along walls must know: the cut, its cutter, the final size's ground, what stands, what the body may meet."""

    cut: Cut
    shape: CutterShape
    ground: SideGround
    stock: SideStock
    centre_cutting: bool
    body: SideBody

    def has_room(self, xy_mm: Floats, z_mm: float) -> bool:
        """Tell whether the cutter may stand at a height over all of some places (n, 2), edge and body."""
        free = self.ground.stands_free(xy_mm[:, 0], xy_mm[:, 1], z_mm + LEVEL_MM).all()
        return bool(free) and not self.body.struck(xy_mm, z_mm).any()


@dataclass(frozen=True)
class _Way:
    """A run as it is gone along: places (n, 2) at a height; the wall lies on the right of it, or on the left if `back`."""

    xy: Floats
    z_mm: float
    back: bool

    def on(self, ask: WallAsk) -> Floats:
        """Return the way onto its first place."""
        heading = _heading(self.xy, 0)
        return _lead(self.xy[0], -heading if self.back else heading, self.z_mm, ask, -1.0 if self.back else 1.0)

    def off(self, ask: WallAsk) -> Floats:
        """Return the way off its last place: the way on, mirrored."""
        heading = _heading(self.xy, -1)
        return _lead(self.xy[-1], -heading if self.back else heading, self.z_mm, ask, 1.0 if self.back else -1.0)[::-1]


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


def parted_by_body(body: SideBody, wall: list[WallRun]) -> tuple[list[WallRun], list[WallRun]]:
    """Part the runs of a wall, from its top to its foot, into what may be cut as the stock then stands, and what may not.

    What may be cut is taken off before the next is asked.
    """
    free: list[WallRun] = []
    held: list[WallRun] = []
    for run in wall:
        struck = body.struck(run.xy, run.z_mm, RUBS_MM)
        mine = [run] if not struck.any() else _parts(run, ~struck)
        free += mine
        held += _parts(run, struck) if struck.any() else []
        for one in mine:
            body.take_off(_at_z(one.xy, one.z_mm))
    return free, held


def _parts(run: WallRun, some: NDArray[np.bool_]) -> list[WallRun]:
    """Return the stretches of a run whose places are among `some` (n,), those that are long enough."""
    parts = [replace(run, xy=run.xy[rows], closed=run.closed and bool(some.all())) for rows in stretches(some, run.closed)]
    return [one for one in parts if np.linalg.norm(np.diff(one.xy, axis=0), axis=1).sum() >= LEAST_RUN_MM]


def one_way(ask: WallAsk, before: SideGround, wall: list[WallRun]) -> list[Stroke]:
    """Return a stroke for each run of a wall, the wall on the right; the last at its foot springs once more.

    `before`: the ground of the runs that leave something.
    """
    foot = min(run.z_mm for run in wall)
    leaving = replace(ask, ground=before)
    return [
        _counted(ask, _stroke(leaving if run.leaves else ask, run, springs=not run.leaves and run.z_mm == foot)) for run in wall
    ]


def _counted(ask: WallAsk, stroke: Stroke) -> Stroke:
    """Take off what a stroke cuts, so that the next goes down from what it leaves."""
    take_off(ask.stock, ask.shape.edge, stroke.tip)
    return stroke


def to_and_fro(ask: WallAsk, wall: list[WallRun]) -> list[Stroke]:
    """Return strokes along a wall's runs, each from the end that is nearer, the cutter kept down wherever that is near enough.

    From level to level the tip goes off at the upper height, where it is free, and then straight down: by no more than an edge
    that cuts to its centre may plunge.
    """
    strokes: list[Stroke] = []
    rows, last = StrokeRows(), None
    for way in _in_turn(ask, wall):
        if last is not None and _may_step(ask, last, way):
            rows.go(np.array([*way.xy[0], last.z_mm]), ask.cut.feed_mm_per_min, MoveKind.CUT)
            rows.go(np.array([*way.xy[0], way.z_mm]), ask.cut.entry_feed_mm_per_min, MoveKind.ENTRY)
        else:
            if last is not None:
                _leave(ask, rows, last)
                strokes.append(_counted(ask, rows.stroke()))
                rows = StrokeRows()
            _enter(ask, rows, way)
        rows.go(_at_z(_fewer(way.xy)[1:], way.z_mm), ask.cut.feed_mm_per_min, MoveKind.CUT)
        last = way
    if last is not None:
        _leave(ask, rows, last)
        strokes.append(_counted(ask, rows.stroke()))
    return strokes


def _in_turn(ask: WallAsk, wall: list[WallRun]) -> list[_Way]:
    """Put the runs of a wall, from its top to its foot, in turn: of those at one level always the nearest end next."""
    ways: list[_Way] = []
    for _, group in groupby(wall, key=lambda run: (run.z_mm, run.leaves)):
        left = list(group)
        while left:
            at = ways[-1].xy[-1] if ways else left[0].xy[0]
            run = min(left, key=lambda one: float(_ends_away(one, at).min()))
            left = [one for one in left if one is not run]
            ways.append(_toward(ask, run, at, first=not ways))
    return ways


def _ends_away(run: WallRun, at: Floats) -> Floats:
    """How far a place is from where a run may begin: either end of an open one, anywhere on a closed one."""
    return np.asarray(np.linalg.norm((run.xy if run.closed else run.xy[[0, -1]]) - at, axis=1))


def _toward(ask: WallAsk, run: WallRun, at: Floats, first: bool) -> _Way:
    """Begin a run where it is nearest to a place; the first closed one where there is room to lead in."""
    if not run.closed:
        back = bool(np.argmin(_ends_away(run, at)))
        return _Way(run.xy[::-1] if back else run.xy, run.z_mm, back)
    if first:
        xy = _seamed(ask, run).xy
    else:
        k = int(np.argmin(_ends_away(run, at)[:-1]))
        xy = np.vstack([run.xy[k:-1], run.xy[: k + 1]])
    return _Way(np.vstack([xy, _first_part(xy, OVERLAP_MM)[1:]]), run.z_mm, False)


def _may_step(ask: WallAsk, last: _Way, way: _Way) -> bool:
    """Tell whether the tip may go straight from the end of one run to the beginning of the next."""
    a, b = last.xy[-1], way.xy[0]
    away = float(np.linalg.norm(b - a))
    fall = last.z_mm - way.z_mm
    if away > ask.shape.edge.radius_mm or not -1e-9 <= fall <= (_PLUNGE_MM if ask.centre_cutting else _STANDS_MM):
        return False
    share = np.linspace(0.0, 1.0, max(2, math.ceil(away / _NEAR_STEP_MM) + 1))[:, None]
    places = a + share * (b - a)
    return ask.has_room(places, last.z_mm)


def _enter(ask: WallAsk, rows: StrokeRows, way: _Way) -> None:
    """Lead in where nothing stands at the beginning of the lead, else go down by a ramp along the run's beginning."""
    cut, z = ask.cut, way.z_mm
    begin = way.on(ask)
    over = _stands(begin[0], ask)
    if over > z + _STANDS_MM:
        top = over + _OVER_MM
        rows.go(np.array([*way.xy[0], top]), 0.0, MoveKind.RAPID)
        ramp = _ramped(way.xy, (top, z), cut.ramp_deg, 4.0 * ask.shape.edge.radius_mm)
        rows.go(ramp, cut.entry_feed_mm_per_min, MoveKind.ENTRY)
    else:
        rows.go(np.array([*begin[0], z]), 0.0, MoveKind.RAPID)
        if len(begin) > 1:
            rows.go(_at_z(begin[1:], z), cut.feed_mm_per_min, MoveKind.ENTRY)


def _leave(ask: WallAsk, rows: StrokeRows, way: _Way) -> None:
    off = way.off(ask)
    if len(off) > 1:
        rows.go(_at_z(off[1:], way.z_mm), ask.cut.feed_mm_per_min, MoveKind.CUT)


def _stroke(ask: WallAsk, run: WallRun, springs: bool) -> Stroke:
    """Lead in, along, and out again; a closed run begins where there is most room and overlaps, a foot springs once more."""
    run = _seamed(ask, run) if run.closed else run
    xy = run.xy
    if run.closed:
        xy = np.vstack([*[xy[:-1]] * (2 if springs else 1), xy[:1], _first_part(xy, OVERLAP_MM)[1:]])
    way = _Way(xy, run.z_mm, False)
    rows = StrokeRows()
    _enter(ask, rows, way)
    places = _fewer(xy)
    rows.go(_at_z(places[1:], run.z_mm), ask.cut.feed_mm_per_min, MoveKind.CUT)
    if springs and not run.closed:
        way = _Way(xy[::-1], run.z_mm, True)
        rows.go(_at_z(places[::-1][1:], run.z_mm), ask.cut.feed_mm_per_min, MoveKind.CUT)
    _leave(ask, rows, way)
    return rows.stroke()


def _heading(xy: Floats, at: int) -> Floats:
    """Unit direction of a run at its first place (0) or its last (-1)."""
    way = xy[1] - xy[0] if at == 0 else xy[-1] - xy[-2]
    return way / max(float(np.linalg.norm(way)), 1e-12)


def _lead(at: Floats, heading: Floats, z: float, ask: WallAsk, sign: float = 1.0) -> Floats:
    """Places (n, 2) of a quarter circle from off the wall onto a place of a run; the place alone where there is no room.

    `sign` -1 leads on from ahead: turned end for end it is the way off. The wall lies on the right of the heading.
    """
    left = np.array([-heading[1], heading[0]])
    for share in _LEADS:
        radius = min(share * ask.shape.edge.radius_mm, _LONGEST_LEAD_MM)
        angle = np.linspace(0.5 * math.pi, 0.0, 10)[:, None]
        places = at + radius * (1.0 - np.cos(angle)) * left - sign * radius * np.sin(angle) * heading
        if ask.has_room(places, z):
            return places
    return at[None, :]


def _stands(at: Floats, ask: WallAsk) -> float:
    """Return the lowest tip over a place that is clear of what surely stands there.

    What the map shows at the very rim may be the part's own wall, or a film: the link goes down through that at its feed.
    """
    sure = ask.stock.sure_mm + 0.5 * ask.stock.step_mm
    return float(standing(ask.stock, under_steps(ask.shape.edge), at[:1], at[1:2], -sure)[0])


def _seamed(ask: WallAsk, run: WallRun) -> WallRun:
    """Begin a closed run where there is room to lead in and nothing stands there, if there is such a place."""
    n = len(run.xy) - 1
    best, best_room = 0, -1.0
    for k in np.unique(np.linspace(0, n - 1, min(_SEAMS, n)).astype(int)):
        begin = _lead(run.xy[k], _heading(run.xy[k : k + 2], 0), run.z_mm, ask)
        room = float(np.linalg.norm(begin[0] - run.xy[k]))
        if _stands(begin[0], ask) > run.z_mm + _STANDS_MM:
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
    turns = max(1, math.ceil(fall / (2.0 * max(length, LEAST_RAMP_MM) * slope) - 1e-9))
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
