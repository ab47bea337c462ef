"""The rows of an interpreted program taken through a map that is not quite straight: split, mapped, joined again.

`Points` are the moves that come out, each owned by the row of the program it stands for. Two maps are here: `corrected`,
from what a program means on a faultless machine to what this machine must be told; `as_run`, from what it is told to what
that means to the bar. They are inverse to each other but for the splitting, and share none of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.motion import Motion, RowKind
from newel.core.setup import SetUp
from newel.probing.measured import MeasuredMachine, a_of_turn, as_if_faultless, on_the_machine, turn_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHORD_MM = 0.001  # how far a straight piece may leave the true curve
PAST_DEG = 1.0  # how far beyond the backlash A goes before it comes back from below (common practice)
TAKE_UP_DEG_PER_MIN = 360.0  # while the bar stands still in the play
STILL_DEG = 1e-7
STILL_MM = 1e-7


@dataclass(frozen=True)
class Points:
    """Moves in program coordinates: owner row (m,), end X Y Z A (m, 4), nan where not said, minutes (m,), fed (m,)."""

    row: Ints
    xyza: Floats
    minutes: Floats
    fed: NDArray[np.bool_]


def heights_mm(setup: SetUp) -> dict[int, float]:
    """Return for each cutter how high over its tip the point is whose place decides the cut: a ball's centre, else the tip."""
    found = {}
    for cutter in setup.cutters:
        edge = cutter.shape.edge
        round_tip = math.isfinite(edge.centre_h_mm[0]) and abs(edge.centre_r_mm[0]) < 1e-9
        found[cutter.number] = float(edge.centre_h_mm[0]) if round_tip else 0.0
    return found


def corrected(motion: Motion, setup: SetUp, measured: MeasuredMachine, *, wrapped: bool = False) -> Points:
    """Return what the machine as measured must be told for the bar to be cut as the program means.

    A reaches every side from below: a turn back at rapid goes past and comes up again; a fed turn back is preceded by
    taking up the play, during which the bar stands still. Raises BadInput for fed moves from places that are not known.
    """
    begin, end, known = _filled(motion)
    fed = np.isin(motion.kind, (RowKind.FEED, RowKind.ARC))
    rows, ends = _split_pieces(begin, end, np.where(fed, CHORD_MM, np.inf), _reach(measured), 170.0 if wrapped else 1e9)
    height = _height_of(motion, setup)[rows]
    poses = _to_set_up(ends, setup)
    poses[:, 3] = setup.a_sense * (ends[:, 3] + setup.a_zero_deg)
    tips, turn = on_the_machine(measured, poses, height)
    told = np.column_stack([tips - setup.table_from_program_mm, a_of_turn(measured, setup, turn)])
    points = _points(motion, rows, told, known)
    return _one_sided(points, measured.backlash_deg)


def as_run(motion: Motion, setup: SetUp, measured: MeasuredMachine) -> Points:
    """Return the program that on a faultless machine would do to the bar what this one does on the machine as measured."""
    begin, end, known = _filled(motion)
    owner, begin, end = _followed(begin, end, measured.backlash_deg)
    rows, ends = _split_pieces(begin, end, np.full(len(begin), CHORD_MM), _reach(measured), 1e9)
    rows = owner[rows]
    height = _height_of(motion, setup)[rows]
    poses = as_if_faultless(measured, _to_set_up(ends, setup)[:, :3], turn_of(measured, setup, ends[:, 3]), height)
    meant = np.column_stack([poses[:, :3] - setup.table_from_program_mm, setup.a_sense * poses[:, 3] - setup.a_zero_deg])
    return _points(motion, rows, meant, known)


def _filled(motion: Motion) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return begins and ends (n, 4) with unknown places filled by the next known ones, and which ends were known (n, 4)."""
    path = np.vstack([motion.start[None, :], motion.xyza])
    known = np.isfinite(path)
    fed = np.isin(motion.kind, (RowKind.FEED, RowKind.ARC))
    lost = fed & ~(known[:-1, :3].all(axis=1) & known[1:, :3].all(axis=1))
    if lost.any():
        line = int(motion.line[np.flatnonzero(lost)[0]])
        raise BadInput(
            "a fed move begins or ends where the program has not said its X, Y and Z",
            where=f"line {line}",
            remedy="say X, Y and Z before the first fed move",
        )
    for axis in range(4):
        column = path[:, axis]
        good = np.flatnonzero(known[:, axis])
        if len(good) == 0:
            column[:] = 0.0
            continue
        after = np.minimum(np.searchsorted(good, np.arange(len(column))), len(good) - 1)
        column[~known[:, axis]] = column[good[after]][~known[:, axis]]
    return path[:-1], path[1:], known[1:]


def _reach(measured: MeasuredMachine) -> tuple[float, float]:
    """Return how far (mm) and how steeply (per mm) turning the bar moves its centre line: what bends the map."""
    lean = math.hypot(measured.bar_slope_y, measured.bar_slope_z)  # the axis' own slopes turn nothing: they bend nothing
    return math.hypot(measured.bar_y_mm, measured.bar_z_mm), lean


def _split_pieces(
    begin: Floats, end: Floats, chord_mm: Floats, reach: tuple[float, float], most_deg: float
) -> tuple[Ints, Floats]:
    """Cut moves so that a chord stays within `chord_mm` (n,) of the curve; return each piece's move and its end.

    The bend of the curve over a turn t: at most (e + lean * size) t^2 + 2 lean |dx| t, an eighth of it off the chord.
    """
    offset, lean = reach
    turn = np.abs(end[:, 3] - begin[:, 3])
    t = np.radians(turn)
    size = np.maximum(np.abs(begin[:, :3]).max(axis=1, initial=0.0), np.abs(end[:, :3]).max(axis=1, initial=0.0))
    bend = (offset + lean * size) * t**2 + 2.0 * lean * np.abs(end[:, :3] - begin[:, :3]).max(axis=1, initial=0.0) * t
    count = np.maximum(np.ceil(np.sqrt(bend / (8.0 * chord_mm))), np.ceil(turn / most_deg))
    count = np.maximum(count, 1).astype(np.int64)
    rows = np.repeat(np.arange(len(begin)), count)
    share = (np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[rows]
    ends = begin[rows] + (end - begin)[rows] * share[:, None]
    last = share == 1.0
    ends[last] = end
    return rows, ends


def _followed(begin: Floats, end: Floats, backlash: float) -> tuple[Ints, Floats, Floats]:
    """Return moves with the A that the bar follows, each cut where the play is taken up: owner, begin, end."""
    half = backlash / 2.0
    owners, begins, ends = [], [], []
    at = begin[0, 3] - half if len(begin) else 0.0
    place = begin.copy()
    turning = np.flatnonzero(begin[:, 3] != end[:, 3])
    done = 0
    followed_a = np.empty(len(begin))
    cuts: dict[int, tuple[float, float]] = {}
    for row in turning.tolist():
        followed_a[done:row] = at
        done = row + 1
        a0, a1 = begin[row, 3], end[row, 3]
        to = min(max(at, a1 - half), a1 + half)
        step = a1 - a0
        free = max((at + half - a0) if step > 0 else (a0 - (at - half)), 0.0)  # commanded before the bar stirs
        if 1e-9 < free < abs(step) - 1e-9:
            cuts[row] = (free / abs(step), at)
        at = to
        followed_a[row] = at
    followed_a[done:] = at
    before = np.concatenate([[begin[0, 3] - half], followed_a[:-1]]) if len(begin) else followed_a
    at_row = 0
    for row in sorted(cuts):
        share, held = cuts[row]
        some = np.arange(at_row, row)
        owners.append(some)
        begins.append(np.column_stack([place[some, :3], before[some]]))
        ends.append(np.column_stack([end[some, :3], followed_a[some]]))
        middle = begin[row, :3] + share * (end[row, :3] - begin[row, :3])
        owners.append(np.array([row, row]))
        begins.append(np.array([[*begin[row, :3], held], [*middle, held]]))
        ends.append(np.array([[*middle, held], [*end[row, :3], followed_a[row]]]))
        at_row = row + 1
    some = np.arange(at_row, len(begin))
    owners.append(some)
    begins.append(np.column_stack([begin[some, :3], before[some]]))
    ends.append(np.column_stack([end[some, :3], followed_a[some]]))
    return np.concatenate(owners), np.vstack(begins), np.vstack(ends)


def _height_of(motion: Motion, setup: SetUp) -> Floats:
    heights = heights_mm(setup)
    return np.array([heights.get(int(number), 0.0) for number in motion.cutter]) if len(motion) else np.zeros(0)


def _to_set_up(xyza: Floats, setup: SetUp) -> Floats:
    poses = xyza.copy()
    poses[:, :3] += np.asarray(setup.table_from_program_mm, dtype=float)
    return poses


def _points(motion: Motion, rows: Ints, told: Floats, known: NDArray[np.bool_]) -> Points:
    """Share each row's minutes among its pieces by their number and forget what the program does not say."""
    count = np.bincount(rows, minlength=len(motion))
    told = np.where(known[rows], told, np.nan)
    fed = np.isin(motion.kind, (RowKind.FEED, RowKind.ARC))
    return Points(rows, told, (motion.minutes / np.maximum(count, 1))[rows], fed[rows])


def _one_sided(points: Points, backlash: float) -> Points:
    """Turn the A that the bar must follow into the A to be commanded, A's play always taken up before a fed move."""
    if backlash <= 0.0 or len(points.row) == 0:
        return points
    half = backlash / 2.0
    out_row, out_xyza, out_minutes, out_fed = [], [], [], []
    side, at = 0, math.nan  # which flank of the play the bar rests on; the A it stands at
    place = np.full(3, np.nan)

    def put(row: int, xyz: Floats, a: float, minutes: float, fed: bool) -> None:
        out_row.append(row)
        out_xyza.append([*xyz, a])
        out_minutes.append(minutes)
        out_fed.append(fed)

    for row, xyza, minutes, fed in zip(
        points.row.tolist(), points.xyza, points.minutes.tolist(), points.fed.tolist(), strict=True
    ):
        a = float(xyza[3])
        if not math.isnan(a) and not abs(a - at) <= STILL_DEG:
            way = 1 if math.isnan(at) or a > at else -1
            if not fed and (way < 0 or side != 1):
                low_start = not (place[2] >= xyza[2])  # come up where the tip stands higher (unknown: at the end)
                put(row, xyza[:3] if low_start else place, a - half - PAST_DEG, math.nan, False)
                side = 1
            elif math.isnan(at):
                raise BadInput("A first turns in a fed move", remedy="let a rapid place A before the first cut")
            elif way != side:
                put(row, place, at + way * half, backlash / TAKE_UP_DEG_PER_MIN, True)
                side = way
            at = a
        put(row, xyza[:3], at + (side or 1) * half, minutes, fed)
        place = xyza[:3]
    return Points(np.array(out_row), np.array(out_xyza), np.array(out_minutes), np.array(out_fed))
