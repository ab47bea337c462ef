"""Bevel: a V cutter along outside edges, its flank making a flat of one width across them, never cutting a neighbour.

The edges may run in three dimensions. What else the cutter would touch is asked of the part as it is without the bevels' own
wedges; a run is shortened to where nothing is, and what was left out is told with its reason.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.edge_facets import SMOOTH_DEG, Facet, Flank, bevelled, facets_of, flank_of, turning_deg
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.strokes import Lowest, Stroke, StrokeRows, lowest_at_side, side_turn_deg, toolpath_of_strokes
from newel.toolpaths.tours import short_tour

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Progress = Callable[[float], None] | None

TOUCH_MM = 0.005  # the cutter may stand this much below the lowest tip: a bevel meets its own faces there
LEAD_MM = 1.0  # how far a run begins before its edge and ends behind it, where there is room
_STEP_MM = 0.1  # how closely a run is asked
_LEAST_RUN_MM = 0.5  # shorter runs are left out
_TIP_MM = 0.1  # of the flank next to the tip that is not used: it hardly moves (common practice)
_TOP_MM = 0.1
_HIGHER = (0.3, 0.0, 0.6)  # shares of the flank's spare height at which the flat may touch it, the best first
_ROLL_RAD = math.radians(10.0)
_AWAY_MM = 0.3  # runs without room before them are begun from this far off the edge


@dataclass(frozen=True)
class LeftOut:
    """A stretch of an edge that was not bevelled: its length, a place on it (table frame), and why."""

    length_mm: float
    place: tuple[float, float, float]
    because: str


@dataclass(frozen=True)
class BevelRuns:
    """Runs of the tip (n, 3) in the table frame with the bevel's outward normal at both ends (2, 3), and what was left out."""

    runs: tuple[tuple[Floats, Floats], ...]
    left_out: tuple[LeftOut, ...]


def bevel(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes of a bevel cut along its edges; what could not be bevelled is told by `bevel_runs`.

    Raises BadInput for a cutter without a cone at its tip.
    """
    found = bevel_runs(cut, shape, target, around, progress)
    full = lowest_at_side(cut, shape, target, around)
    middles = np.array([run.mean(axis=0) for run, _ in found.runs]).reshape(-1, 3)
    strokes = [_stroke(cut, run, normals, full) for run, normals in (found.runs[k] for k in short_tour(middles))]
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def bevel_runs(cut: Cut, shape: CutterShape, target: DropTree, around: Surroundings, progress: Progress = None) -> BevelRuns:
    """Find where the tip runs for the bevels of a cut, and what of its edges has to be left out, and why."""
    turn = side_turn_deg(cut)
    flank = flank_of(shape)
    if flank is None:
        raise BadInput(
            "edges are bevelled with a cutter whose flank is a cone (form 'V')", where=f"cut {cut.number}, {cut.name}"
        )
    every = [facets_of(edge, turn, flank.half_rad) for edge in cut.edges]
    lowest = lowest_at_side(cut, shape, bevelled(target, turn, every), around)
    runs: list[tuple[Floats, Floats]] = []
    left_out: list[LeftOut] = []
    for nth, facets in enumerate(every):
        if progress is not None:
            progress(nth / len(every))
        left_out += _unfaced(cut, nth, facets)
        for group, closed in _groups(facets):
            made, missed = _run_of_group(group, closed, flank, lowest)
            runs += made
            left_out += missed
    return BevelRuns(tuple(runs), tuple(left_out))


def _unfaced(cut: Cut, nth: int, facets: list[Facet | None]) -> list[LeftOut]:
    missing = sum(facet is None for facet in facets)
    if not missing:
        return []
    points = cut.edges[nth].points
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum()) * missing / len(facets)
    x, y, z = points[0].tolist()
    return [LeftOut(length, (x, y, z), "no flank of this cutter can face the edge at this turn")]


def _groups(facets: list[Facet | None]) -> Iterator[tuple[list[Facet], bool]]:
    """Cut an edge where there is no facet and at sharp inside corners; say whether a group closes on itself."""
    n = len(facets)
    joined = [_goes_on(facets[k - 1], facets[k]) for k in range(n)]
    if n > 1 and all(joined):
        yield [f for f in facets if f is not None], True
        return
    # begin where something ends, so that a closed edge is not cut at its seam
    start = next((k for k in range(n) if not joined[k]), 0)
    group: list[Facet] = []
    for k in [(start + i) % n for i in range(n)]:
        facet = facets[k]
        if group and not joined[k]:
            yield group, False
            group = []
        if facet is not None:
            group.append(facet)
    if group:
        yield group, False


def _goes_on(before: Facet | None, after: Facet | None) -> bool:
    if before is None or after is None or before is after or float(np.abs(before.end - after.begin).max()) > 1e-6:
        return False
    return turning_deg(before, after) < SMOOTH_DEG or _outward(before, after)


def _outward(before: Facet, after: Facet) -> bool:
    """Whether the cutter goes round the outside of the corner between two facets: its places there lie apart."""
    return float((after.toward - before.toward) @ before.along) < 0.0


def _run_of_group(
    group: list[Facet], closed: bool, flank: Flank, lowest: Lowest
) -> tuple[list[tuple[Floats, Floats]], list[LeftOut]]:
    """Try the heights on the flank in turn; keep the one at which most of the group is clear."""
    half = max(f.half_height_mm for f in group)
    spare = flank.top_mm - 2.0 * half - _TIP_MM - _TOP_MM
    length = sum(float(np.linalg.norm(f.end - f.begin)) for f in group)
    place = tuple(group[0].begin.tolist())
    if spare < 0.0:
        return [], [LeftOut(length, place, "the bevel is wider than the cutter's flank")]
    best: tuple[Floats, Floats, Bools, Bools] | None = None
    for share in _HIGHER:
        tips, normals = _tips(group, closed, flank, _TIP_MM + half + share * spare)
        if not closed:
            tips, normals = _led(tips, normals, group, lowest)
        tips, normals, corner = _closely(tips, normals)
        clear = lowest(tips[:, 0], tips[:, 1]) <= tips[:, 2] + TOUCH_MM
        if best is None or clear.mean() > best[2].mean():
            best = (tips, normals, clear, corner)
        if clear.all():
            break
    assert best is not None
    tips, normals, clear, corner = best
    runs = []
    for a, b in _stretches(tips, clear):
        keep = corner[a:b].copy()
        keep[[0, -1]] = True
        runs.append((tips[a:b][keep], normals[[a, b - 1]]))
    missed = length * (1.0 - float(clear.mean()))
    left = [LeftOut(missed, place, "the cutter would touch a neighbouring face")] if missed > _STEP_MM else []
    return runs, left


def _tips(group: list[Facet], closed: bool, flank: Flank, height: float) -> tuple[Floats, Floats]:
    """Where the tip goes along a group: mitred where the edge bends gently, rolled round outside corners."""
    offsets = [f.middle - flank.radius(height) * f.toward - np.array([0.0, 0.0, height]) for f in group]
    tips, normals = [], []
    count = len(group)
    for k, facet in enumerate(group):
        if k == 0 and not closed:
            tips.append(facet.begin + offsets[0])
            normals.append(facet.normal)
        last = k == count - 1
        if last and not closed:
            tips.append(facet.end + offsets[k])
            normals.append(facet.normal)
            break
        after = group[(k + 1) % count]
        corner = _cornered(facet, after, offsets[k], offsets[(k + 1) % count])
        tips += corner
        part = np.linspace(0.0, 1.0, len(corner)) if len(corner) > 1 else [0.5]
        normals += [(1.0 - p) * facet.normal + p * after.normal for p in part]
    if closed:
        tips.append(tips[0])
        normals.append(normals[0])
    return np.array(tips), np.array(normals)


def _cornered(facet: Facet, after: Facet, one: Floats, other: Floats) -> list[Floats]:
    """The tip's places where two facets meet: the mitre of their ways, or an arc about an outside corner."""
    corner = facet.end
    a, b = corner + one, corner + other
    if turning_deg(facet, after) >= SMOOTH_DEG:
        from_rad, to_rad = math.atan2(one[1], one[0]), math.atan2(other[1], other[0])
        sweep = (to_rad - from_rad + math.pi) % (2.0 * math.pi) - math.pi
        count = max(2, math.ceil(abs(sweep) / _ROLL_RAD) + 1)
        out = []
        # corners a little outside, so that the chords do not cut into the corner that they go round
        outer = 1.0 / math.cos(0.5 * abs(sweep) / (count - 1))
        for k, p in enumerate(np.linspace(0.0, 1.0, count)):
            reach = (1.0 - p) * math.hypot(one[0], one[1]) + p * math.hypot(other[0], other[1])
            reach *= outer if 0 < k < count - 1 else 1.0
            angle = from_rad + p * sweep
            z = (1.0 - p) * one[2] + p * other[2]
            out.append(corner + np.array([reach * math.cos(angle), reach * math.sin(angle), z]))
        return out
    # the tip touches both flats with its flank where it stands on both planes; of those places the nearest
    planes = np.stack([facet.normal, after.normal])
    middle = 0.5 * (a + b)
    off = np.array([facet.normal @ (a - middle), after.normal @ (b - middle)])
    return [middle + np.linalg.lstsq(planes, off, rcond=1e-6)[0]]


def _led(tips: Floats, normals: Floats, group: list[Facet], lowest: Lowest) -> tuple[Floats, Floats]:
    """Lengthen an open run past both ends where the cutter finds nothing there."""
    before, behind = tips[0] - LEAD_MM * group[0].along, tips[-1] + LEAD_MM * group[-1].along
    for end, at in ((before, 0), (behind, -1)):
        places = tips[at] + np.linspace(0.0, 1.0, 12)[:, None] * (end - tips[at])
        if (lowest(places[:, 0], places[:, 1]) <= places[:, 2] + TOUCH_MM).all():
            if at == 0:
                tips, normals = np.vstack([end, tips]), np.vstack([normals[:1], normals])
            else:
                tips, normals = np.vstack([tips, end]), np.vstack([normals, normals[-1:]])
    return tips, normals


def _closely(tips: Floats, normals: Floats) -> tuple[Floats, Floats, Bools]:
    """Places no further apart than a step along a run, with their normals; and which of them are the run's own corners."""
    way = np.linalg.norm(np.diff(tips, axis=0), axis=1)
    count = np.maximum(1, np.ceil(way / _STEP_MM)).astype(int)
    move = np.repeat(np.arange(len(count)), count)
    part = ((np.arange(len(move)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[move])[:, None]
    out = [np.vstack([c[:1], c[move] + part * (c[move + 1] - c[move])]) for c in (tips, normals)]
    return out[0], out[1], np.concatenate([[True], part[:, 0] == 1.0])


def _stretches(tips: Floats, clear: Bools) -> list[tuple[int, int]]:
    """Clear stretches of a run that are long enough to be worth it, as index ranges."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], clear, [False]]).astype(int)))
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(tips, axis=0), axis=1))])
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2]) if way[b - 1] - way[a] >= _LEAST_RUN_MM]


def _stroke(cut: Cut, run: Floats, normals: Floats, full: Lowest) -> Stroke:
    """Lead in and out: straight down where the run begins beside the part, else from off the edge along the bevel's normal."""
    rows = StrokeRows()
    begin, end = (_off_edge(place, normal, full) for place, normal in ((run[0], normals[0]), (run[-1], normals[-1])))
    rows.go(begin, 0.0, MoveKind.RAPID)
    if not np.array_equal(begin, run[0]):
        rows.go(run[0], cut.entry_feed_mm_per_min, MoveKind.ENTRY)
    rows.go(run[1:], cut.feed_mm_per_min, MoveKind.CUT)
    if not np.array_equal(end, run[-1]):
        rows.go(end, cut.feed_mm_per_min, MoveKind.CUT)
    return rows.stroke()


def _off_edge(place: Floats, normal: Floats, full: Lowest) -> Floats:
    """A place clear of the whole part from which a run may begin: its own, or off the edge, and higher where it must be."""
    if float(full(place[:1], place[1:2])[0]) <= place[2]:
        return place
    off = place + normal / np.linalg.norm(normal) * (_AWAY_MM + _step_off(place, full))
    off[2] = max(off[2], float(full(off[:1], off[1:2])[0]) + TOUCH_MM)
    return off


def _step_off(place: Floats, full: Lowest) -> float:
    """How deep the cutter stands in the part."""
    return max(0.0, float(full(place[:1], place[1:2])[0]) - float(place[2]))
