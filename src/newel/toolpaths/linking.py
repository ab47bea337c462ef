"""Links between passes: as low as is safe over the blank as it then stands, and clear of everything that holds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.core.setup import KeepOut
from newel.toolpaths.development_map import DevelopmentMap, Table, coarser, likely_standing, sure_standing, table_of
from newel.toolpaths.passes import Piece, straight

Floats = NDArray[np.float64]

_BODY_CELLS = 4  # wide bodies look at a map this much coarser
_MOST_RAMP_RUNS = 60
_SAME_MM = 1e-6


@dataclass(frozen=True)
class Surroundings:
    """What stands about the work: what must not be touched, how high is always safe, and what the cutter can do.

    `keep_out` in the table frame (X toward the tailstock). `retract_z_mm`: a tip height over everything, the chuck and the
    bar's turning corners included. `clearance_mm`: kept by rapids over stock, and by everything to keep-outs.
    `link_feed_mm_per_min`: the fastest feed of the machine, for links through cut ground (None: the cut's own feed).
    """

    keep_out: tuple[KeepOut, ...]
    retract_z_mm: float
    clearance_mm: float
    centre_cutting: bool
    cutting_length_mm: float
    finished_by: CutterShape | None = None
    link_feed_mm_per_min: float | None = None


@dataclass(frozen=True)
class Rows:
    """Rows of a toolpath in the making: pose (n, 4), feed (n,), kind (n,)."""

    pose: Floats
    feed_mm_per_min: Floats
    kind: NDArray[np.uint8]


@dataclass(frozen=True)
class Tool:
    """The cutter as links see it: undersides of edge and body as tables, and the height of tips over the keep-outs."""

    edge: Table
    body: Table
    keep_x_mm: Floats
    keep_z_mm: Floats
    offset_y_mm: float

    def over_keep_outs(self, x_mm: Floats) -> Floats:
        """Return how low the tip may go over the keep-outs, their clearance included."""
        return np.interp(x_mm, self.keep_x_mm, self.keep_z_mm)


def tool_of(shape: CutterShape, keep_x_mm: Floats, keep_z_mm: Floats, offset_y_mm: float) -> Tool:
    """Tabulate a cutter for links."""
    return Tool(table_of(shape.edge), table_of(shape.body), keep_x_mm, keep_z_mm, offset_y_mm)


def chained(pieces: list[Piece], stay_down_mm: float, step_mm: float) -> list[Piece]:
    """Join pieces that follow each other closely into chains: the cutter stays down between them.

    The way between is straight over the development; its heights are left to be asked (nan).
    """
    chains: list[list[Piece]] = []
    for piece in pieces:
        if not chains:
            chains.append([piece])
            continue
        last = chains[-1][-1]
        radius = max(abs(float(last.z_mm[-1])), abs(float(piece.z_mm[0])), 1.0)
        way = float(np.hypot(piece.x_mm[0] - last.x_mm[-1], np.radians(piece.turn_deg[0] - last.turn_deg[-1]) * radius))
        if way > stay_down_mm:
            chains.append([piece])
            continue
        if way <= _SAME_MM:
            piece = Piece(piece.x_mm[1:], piece.turn_deg[1:], piece.z_mm[1:])
        else:
            ends_x = (float(last.x_mm[-1]), float(piece.x_mm[0]))
            chains[-1].append(straight(ends_x, (float(last.turn_deg[-1]), float(piece.turn_deg[0])), step_mm, radius))
        if len(piece.x_mm):
            chains[-1].append(piece)
    return [end_to_end(chain) for chain in chains]


def end_to_end(pieces: list[Piece]) -> Piece:
    """Put pieces one behind the other."""
    return Piece(
        np.concatenate([p.x_mm for p in pieces]),
        np.concatenate([p.turn_deg for p in pieces]),
        np.concatenate([p.z_mm for p in pieces]),
    )


def ramp(piece: Piece, top_mm: float, ramp_deg: float, longest_mm: float) -> Piece:
    """Return the way down to a piece's first place: forth and back along its beginning, no steeper than `ramp_deg`.

    Begins over the first place at `top_mm` (not returned) and ends on it; never below the piece's own heights. Where the
    piece is too short to ramp on, the last bit goes straight down.
    """
    way = _ways(piece)
    count = int(np.searchsorted(way, longest_mm, side="right"))
    count = max(min(count, len(way)), min(2, len(way)))
    x, turn, z, way = piece.x_mm[:count], piece.turn_deg[:count], piece.z_mm[:count], way[:count].copy()
    if count >= 2 and way[-1] > 1.5 * longest_mm:
        part = (longest_mm - way[-2]) / (way[-1] - way[-2])
        x, turn, z = (np.append(c[:-1], c[-2] + part * (c[-1] - c[-2])) for c in (x, turn, z))
        way[-1] = longest_mm
    slope = np.tan(np.radians(min(max(ramp_deg, 0.1), 89.0)))
    there_and_back = np.concatenate([np.arange(1, count), np.arange(count - 2, -1, -1)])
    length = 2.0 * float(way[-1])
    if count < 2 or length <= _SAME_MM:
        return Piece(piece.x_mm[:1], piece.turn_deg[:1], piece.z_mm[:1])
    runs = int(min(np.ceil(max(top_mm - float(z.min()), 0.0) / (slope * length)), _MOST_RAMP_RUNS))
    index = np.tile(there_and_back, max(runs, 1))
    gone = np.cumsum(np.abs(np.diff(way[np.concatenate([[0], index])])))
    height = np.maximum(z[index], top_mm - slope * gone)
    height[-1] = z[0]
    return Piece(x[index], turn[index], height)


def _ways(piece: Piece) -> Floats:
    """Length of the way over the work's surface from the first place to each place, in mm."""
    radius = np.maximum(np.abs(piece.z_mm), 1.0)
    step = np.hypot(np.diff(piece.x_mm), np.radians(np.diff(piece.turn_deg)) * 0.5 * (radius[1:] + radius[:-1]))
    return np.concatenate([[0.0], np.cumsum(step)])


@dataclass(frozen=True)
class Strand:
    """One run with the cutter down, entry and passes; `kind` (n,) says which of its places are reached in which way."""

    way: Piece
    kind: NDArray[np.uint8]


def entered(chains: list[Piece], m: DevelopmentMap, tool: Tool, cut: Cut, plunge_mm: float) -> list[Strand]:
    """Let each chain begin straight down where at most `plunge_mm` stands over its first place, and by a ramp elsewhere."""
    if not chains:
        return []
    first = np.array([[c.x_mm[0], c.turn_deg[0], c.z_mm[0]] for c in chains])
    here = likely_standing(m, tool.edge, first[:, 0], cut.offset_y_mm, first[:, 1])
    strands = []
    for chain, stands in zip(chains, here):
        down = Piece(chain.x_mm[:1], chain.turn_deg[:1], chain.z_mm[:1])
        if stands > chain.z_mm[0] + plunge_mm:
            top = float(stands) + 0.05
            over = Piece(chain.x_mm[:1], chain.turn_deg[:1], np.array([top]))
            down = end_to_end([over, ramp(chain, top, cut.ramp_deg, longest_mm=4.0 * tool.edge.radius_mm)])
        kind = np.full(len(down.x_mm) + len(chain.x_mm) - 1, MoveKind.CUT, dtype=np.uint8)
        kind[: len(down.x_mm)] = MoveKind.ENTRY
        strands.append(Strand(end_to_end([down, Piece(chain.x_mm[1:], chain.turn_deg[1:], chain.z_mm[1:])]), kind))
    return strands


@dataclass(frozen=True)
class Easing:
    """How a cutter may go down into stock along a pass.

    Steeper than `steepest_deg` it does so at the entry feed, and by `most_mm` or more by a ramp.
    """

    steepest_deg: float
    most_mm: float


def eased(strand: Strand, m: DevelopmentMap, tool: Tool, cut: Cut, easing: Easing) -> Strand:
    """Slow a strand where it goes down steeply, and put a ramp where it would go down steeply and far into stock.

    For a ramp the cutter goes on level over the place and ramps forth and back on the passes that follow it.
    """
    way = strand.way
    radius = np.maximum(np.abs(way.z_mm), 1.0)
    step = np.hypot(np.diff(way.x_mm), np.radians(np.diff(way.turn_deg)) * np.minimum(radius[1:], radius[:-1]))
    steep = (-np.diff(way.z_mm) > np.tan(np.radians(easing.steepest_deg)) * step) & (strand.kind[1:] == MoveKind.CUT)
    kind = strand.kind.copy()
    kind[1:][steep] = MoveKind.ENTRY
    edges = np.diff(np.concatenate([[False], steep, [False]]).astype(np.int8))
    tops, feet = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    deep = way.z_mm[tops] - way.z_mm[feet] >= easing.most_mm
    tops, feet = tops[deep], feet[deep]
    if len(tops):
        stands = likely_standing(m, tool.edge, way.x_mm[feet], cut.offset_y_mm, way.turn_deg[feet])
        filled = stands > way.z_mm[feet] + easing.most_mm
        tops, feet = tops[filled], feet[filled]
    parts: list[Piece] = []
    kinds: list[NDArray[np.uint8]] = []
    begin = 0
    for top, foot in zip(tops.tolist(), feet.tolist()):
        height = float(way.z_mm[top])
        over = Piece(way.x_mm[foot : foot + 1], way.turn_deg[foot : foot + 1], np.array([height]))
        down = ramp(_part(way, foot, len(way.x_mm)), height, cut.ramp_deg, longest_mm=4.0 * tool.edge.radius_mm)
        parts += [_part(way, begin, top + 1), over, down]
        level, entry = np.array([MoveKind.CUT], dtype=np.uint8), np.full(len(down.x_mm), MoveKind.ENTRY, dtype=np.uint8)
        kinds += [kind[begin : top + 1], level, entry]
        begin = foot + 1
    parts.append(_part(way, begin, len(way.x_mm)))
    kinds.append(kind[begin:])
    return Strand(end_to_end(parts), np.concatenate(kinds))


def _part(way: Piece, begin: int, end: int) -> Piece:
    return Piece(way.x_mm[begin:end], way.turn_deg[begin:end], way.z_mm[begin:end])


def linked(
    strands: list[Strand], came_from: Floats | None, m: DevelopmentMap, tool: Tool, cut: Cut, around: Surroundings
) -> tuple[list[Rows], Floats | None]:
    """Join strands by lifted links over a blank; return rows and the last pose.

    `came_from` (4,): where the cutter is down now; None: it stands at the retract height and comes in over the first strand.
    """
    if not strands:
        return [], came_from
    begins, ends = (np.array([[s.way.x_mm[i], s.way.turn_deg[i], s.way.z_mm[i]] for s in strands]) for i in (0, -1))
    if came_from is None:
        before = np.vstack([[begins[0, 0], begins[0, 1], around.retract_z_mm], ends[:-1]])
    else:
        before = np.vstack([[came_from[0], came_from[3], came_from[2]], ends[:-1]])
    y = tool.offset_y_mm
    likely = likely_standing(m, tool.edge, begins[:, 0], y, begins[:, 1])
    sure = sure_standing(m, tool.edge, begins[:, 0], y, begins[:, 1])
    low = np.maximum(begins[:, 2], sure) + around.clearance_mm
    low = np.minimum(np.maximum(low, tool.over_keep_outs(begins[:, 0])), around.retract_z_mm)
    travel = travel_heights(m, tool, before, begins, around)
    travel = np.maximum(travel, np.maximum(low, before[:, 2]))
    rows = []
    for k, strand in enumerate(strands):
        lift = around.retract_z_mm if k == 0 and came_from is None else float(travel[k])
        rows.append(_link_rows(before[k], begins[k], (lift, float(low[k]), float(likely[k])), cut, around))
        rows.append(_strand_rows(strand, y, cut))
    last = np.array([ends[-1, 0], y, ends[-1, 2], ends[-1, 1]])
    return rows, last


def travel_heights(m: DevelopmentMap, tool: Tool, before: Floats, begins: Floats, around: Surroundings) -> Floats:
    """Return tip heights (n,) at which the cutter may go straight from each place to the next, over the blank.

    X and turn go together. `before`, `begins` (n, 3): x, turn, z. The clearance is in it; never above the retract height.
    """
    steps = np.maximum(np.abs(begins[:, 0] - before[:, 0]) / m.x_step_mm, np.abs(begins[:, 1] - before[:, 1]) / m.turn_step_deg)
    count = np.ceil(steps).astype(int) + 1
    link = np.repeat(np.arange(len(count)), count)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    part = (np.arange(len(link)) - first[link]) / np.maximum(count - 1, 1)[link]
    x = before[link, 0] + part * (begins[link, 0] - before[link, 0])
    turn = before[link, 1] + part * (begins[link, 1] - before[link, 1])
    height = sure_standing(m, tool.edge, x, tool.offset_y_mm, turn)
    body_top = m.highest_mm - tool.body.lowest_mm
    near = np.flatnonzero(height < body_top)
    if near.size and body_top > -around.retract_z_mm:
        coarse = coarser(m, _BODY_CELLS)
        body = tool.body.below(m.highest_mm - float(before[:, 2].min()))
        height[near] = sure_standing(coarse, body, x[near], tool.offset_y_mm, turn[near], height[near])
    height = np.maximum(height + around.clearance_mm, tool.over_keep_outs(x))
    return np.minimum(np.maximum.reduceat(height, first), around.retract_z_mm)


def _link_rows(before: Floats, begin: Floats, heights: tuple[float, float, float], cut: Cut, around: Surroundings) -> Rows:
    """Up, across, down by rapid to where stock may stand, then by feed; `heights`: travel, surely clear, likely stock."""
    travel, low, likely = heights
    y = cut.offset_y_mm
    pose: list[tuple[float, float, float, float]] = []
    feed: list[float] = []
    kind: list[int] = []

    def go(x: float, z: float, turn: float, speed: float, move: MoveKind) -> None:
        if pose and max(abs(pose[-1][0] - x), abs(pose[-1][2] - z), abs(pose[-1][3] - turn)) <= _SAME_MM:
            return
        pose.append((x, y, z, turn))
        feed.append(speed)
        kind.append(int(move))

    go(before[0], travel, before[1], 0.0, MoveKind.RAPID)
    go(begin[0], travel, begin[1], 0.0, MoveKind.RAPID)
    go(begin[0], min(low, travel), begin[1], 0.0, MoveKind.RAPID)
    near = max(begin[2], likely) + 0.5 * around.clearance_mm
    if near < low - 0.5:
        go(begin[0], near, begin[1], cut.feed_mm_per_min, MoveKind.LINK)
    return Rows(np.array(pose), np.array(feed), np.array(kind, dtype=np.uint8))


def _strand_rows(strand: Strand, y: float, cut: Cut) -> Rows:
    way = strand.way
    feed = np.where(strand.kind == MoveKind.ENTRY, cut.entry_feed_mm_per_min, cut.feed_mm_per_min)
    return Rows(np.stack([way.x_mm, np.full(len(way.x_mm), y), way.z_mm, way.turn_deg], axis=1), feed, strand.kind)


def wound_on(path: Toolpath, from_turn_deg: float) -> Toolpath:
    """Return the path turned on by whole turns so that it begins near a turn: A has no need to unwind between cuts."""
    if not len(path):
        return path
    pose = path.pose.copy()
    pose[:, 3] += 360.0 * np.round((from_turn_deg - pose[0, 3]) / 360.0)
    return Toolpath(pose, path.feed_mm_per_min, path.kind)


def toolpath_of(rows: list[Rows], around: Surroundings) -> Toolpath:
    """Put rows together and lift off at the end; no rows, no moves."""
    if not rows:
        return Toolpath(np.zeros((0, 4)), np.zeros(0), np.zeros(0, dtype=np.uint8))
    last = rows[-1].pose[-1].copy()
    last[2] = around.retract_z_mm
    end = Rows(last[None, :], np.zeros(1), np.array([MoveKind.RAPID], dtype=np.uint8))
    every = [*rows, end]
    pose = np.vstack([r.pose for r in every])
    feed = np.concatenate([r.feed_mm_per_min for r in every])
    kind = np.concatenate([r.kind for r in every])
    stays = np.concatenate([[False], np.abs(np.diff(pose, axis=0)).max(axis=1) <= _SAME_MM])
    return Toolpath(pose[~stays], feed[~stays], kind[~stays])
