"""Which of the part's surface each cutter can touch while the bar is clamped at an angle, and why the rest is out of reach.

One question a place, a cutter and an angle: set the cutter so that its edge touches the place, its outline tangent to the
surface there; is it held clear of the part, the stubs, the full bar and all that holds the bar? Walls square to the table
are touched by the flank, floors by the flat of the tip: its middle first, then all round it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from newel.core.frames import turn_about_x
from newel.core.plan import Bar, Holding
from newel.core.profile import CutterShape, Profile, outline
from newel.core.reach import ReachMap
from newel.core.setup import KeepOut
from newel.geometry.drop import DropTree, drop_tree, stands_clear
from newel.geometry.meshes import Mesh
from newel.geometry.profiles import grown, polyline
from newel.geometry.solids import joined, turned_cylinder
from newel.planning.place import corner_radius_mm
from newel.planning.reach import SurfaceSample

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]

BODY_CLEARANCE_MM = 0.1  # what passes keep between body and part: common practice
CHORD_MM = 0.002  # arcs of an outline as chords
UPRIGHT = 1e-3  # sine of the draft up to which a wall counts as square to the table: 0.02 mm on 20 mm
LEVEL = 0.9999  # a surface that faces up within 0.8 degrees is a floor
ROUND_SIDES = 180
MOST_EXPLAINED = 60  # places out of reach that are asked why, one by one
_NEEDLE_MM = 0.02
_RING = tuple((share, 360.0 / count * k) for share, count in ((0.99, 16), (0.5, 8)) for k in range(count))


class Why(IntEnum):
    """Why a place is out of reach, if it is."""

    REACHED = 0
    UNDERCUT = 1  # hidden from above at every angle
    HELD = 2  # the stub, the full bar or what holds the bar is in the way
    DEEP = 3  # some edge would fit, but its shank or holder strikes
    CORNER = 4  # an inside corner that is sharper than every edge


SAID = {
    Why.UNDERCUT: "undercut: hidden from above at every angle",
    Why.HELD: "hidden by the stubs, the full bar or what holds it",
    Why.DEEP: "deeper than any cutter that fits is long",
    Why.CORNER: "in inside corners sharper than any cutter at hand",
}


@dataclass(frozen=True)
class Grounds:
    """What no cutter may touch, ready to be asked: `held` with all that holds the part, `bare` the part alone."""

    held: DropTree
    bare: DropTree


@dataclass(frozen=True)
class SideReach:
    """What can be touched at each of `turns_deg` (k,): `touched` (k, n) by any cutter; `why` (n,) over all the turns."""

    sample: SurfaceSample
    turns_deg: Floats
    touched: Bools
    why: NDArray[np.uint8]


def grounds_of(part: Mesh, bar: Bar, holding: Holding, keep_out: Sequence[KeepOut], clearance_mm: float) -> Grounds:
    """Return the part (bar frame) with its stubs, the full bar at both ends, and the keep-outs grown by a clearance."""
    corner = corner_radius_mm(bar.section, bar.size_mm)
    solids = [part, turned_cylinder(bar.from_x_mm, holding.full_bar_to_x_mm, corner, ROUND_SIDES)]
    for stub in (holding.chuck_stub, holding.tail_stub):
        if stub is not None:
            solids.append(turned_cylinder(stub.from_x_mm, stub.to_x_mm, stub.radius_mm, ROUND_SIDES))
    if holding.full_bar_from_x_mm is not None:
        solids.append(turned_cylinder(holding.full_bar_from_x_mm, bar.to_x_mm, corner, ROUND_SIDES))
    for item in keep_out:
        low, high = item.from_x_mm - clearance_mm, item.to_x_mm + clearance_mm
        solids.append(turned_cylinder(low, high, item.radius_mm + clearance_mm, ROUND_SIDES))
    whole = joined(solids)
    return Grounds(drop_tree(whole.vertices, whole.faces), drop_tree(part.vertices, part.faces))


def side_reach(
    sample: SurfaceSample, grounds: Grounds, shapes: Mapping[str, CutterShape], turns_deg: Floats, tolerance_mm: float
) -> SideReach:
    """Ask every place of `sample` (bar frame) at every turn for the first cutter that touches it within the tolerance."""
    touched = np.zeros((len(turns_deg), len(sample.points)), bool)
    order = sorted(shapes.values(), key=lambda shape: (shape.edge.radius_mm, -float(shape.body.h_mm[0])))
    served = np.zeros(len(order))
    for k, turn in enumerate(turns_deg):
        left = visible(sample, grounds.held, float(turn))
        # what has served most so far is asked first: that leaves little for the others
        for j in np.argsort(-served, kind="stable"):
            if not left.size:
                break
            got = touched_at(sample, left, grounds.held, order[j], float(turn), tolerance_mm)
            served[j] += got.sum()
            touched[k, left[got]] = True
            left = left[~got]
    return SideReach(
        sample, np.asarray(turns_deg, float), touched, _reasons(sample, grounds, order, touched, turns_deg, tolerance_mm)
    )


def reach_map(reach: SideReach, turns_deg: Sequence[float]) -> ReachMap:
    """Return what the chosen turns reach, place by place; what only other turns would reach counts as left out."""
    rows = [int(np.argmin(np.abs(reach.turns_deg - turn))) for turn in turns_deg]
    seen = reach.touched[rows]
    reached_by = np.where(seen.any(axis=0), np.argmax(seen, axis=0), -1)
    why = reach.why.astype(np.int64)
    why[(reached_by < 0) & (why == Why.REACHED)] = len(Why)
    reasons = ("reached", *(SAID[reason] for reason in list(Why)[1:]), "left out: not worth a side of its own")
    return ReachMap(reach.sample.points, reach.sample.normals, reached_by, why, reasons)


def visible(sample: SurfaceSample, tree: DropTree, turn_deg: float) -> Indices:
    """Return the places (indices) that a needle reaches from straight above at a turn."""
    turn = turn_about_x(turn_deg)
    some = np.flatnonzero(sample.normals @ turn[2] > -UPRIGHT)
    at = (sample.points[some] + 2.0 * _NEEDLE_MM * sample.normals[some]) @ turn.T
    needle = outline((0.0, 0.0), (0.5 * _NEEDLE_MM, 0.0), (0.5 * _NEEDLE_MM, 1000.0))
    return some[stands_clear(tree, needle, at[:, 0], at[:, 1], at[:, 2] + 1e-6, turn_deg)]


def touched_at(
    sample: SurfaceSample, some: Indices, tree: DropTree, shape: CutterShape, turn_deg: float, tolerance_mm: float
) -> Bools:
    """Tell which of the places `some` (k,) this cutter touches within the tolerance at a turn, held clear of everything."""
    body = grown(shape.body, BODY_CLEARANCE_MM)
    edge = polyline(shape.edge, CHORD_MM)
    turn = turn_about_x(turn_deg)
    lift = 0.5 * tolerance_mm
    points, normals = sample.points[some] @ turn.T, sample.normals[some] @ turn.T
    touched = np.zeros(len(some), bool)
    r, h = _contact(edge, normals)
    flat = np.hypot(normals[:, 0], normals[:, 1])
    aside = normals[:, :2] / np.maximum(flat, 1e-12)[:, None]
    off = points + lift * normals
    poses = np.column_stack([off[:, :2] + r[:, None] * aside, off[:, 2] - h])
    touched[:] = _clear(tree, shape.edge, body, poses, turn_deg)
    level_mm = float(edge[edge[:, 1] <= 1e-9, 0].max())  # how wide the tip is flat
    if level_mm > 0.0:
        floors = np.flatnonzero(~touched & (normals[:, 2] >= LEVEL))
        share, angle = np.array(_RING).T
        step = (level_mm * share)[:, None] * np.column_stack([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        # all of the ring at once: few of the places are left here, and most of these are blocked all round
        at = (off[floors, None, :2] + step).reshape(-1, 2)
        poses = np.column_stack([at, np.repeat(off[floors, 2], len(step))])
        touched[floors] = _clear(tree, shape.edge, body, poses, turn_deg).reshape(-1, len(step)).any(axis=1)
    return touched


def _contact(edge: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Return where an outline (m, 2) touches surfaces of these normals (k, 3): radius and height over the tip (k,).

    The outline is convex seen from below, so it is the corner furthest against the normal; along a flank the lowest.
    """
    flat, up = np.hypot(normals[:, 0], normals[:, 1])[:, None], np.maximum(normals[:, 2:3], 0.0)
    reach = flat * edge[:, 0] - up * edge[:, 1]
    k = np.argmax(reach > reach.max(axis=1, keepdims=True) - 1e-9, axis=1)
    return edge[k, 0], edge[k, 1]


def _clear(tree: DropTree, edge: Profile, body: Profile, poses: Floats, turn_deg: float) -> Bools:
    """Tell which poses (k, 3) of the tip stand free: edge first, then (where that stands) the body, grown by its clearance."""
    x, y, z = poses.T
    if not len(z):
        return np.zeros(0, bool)
    free = stands_clear(tree, edge, x, y, z + 1e-6, turn_deg)
    some = np.flatnonzero(free)
    # a grown outline is told from a tip that is so much lower
    free[some] = stands_clear(tree, body, x[some], y[some], z[some] - BODY_CLEARANCE_MM + 1e-6, turn_deg)
    return free


def _reasons(
    sample: SurfaceSample, grounds: Grounds, shapes: Sequence[CutterShape], touched: Bools, turns: Floats, tolerance_mm: float
) -> NDArray[np.uint8]:
    why = np.full(len(sample.points), Why.UNDERCUT, np.uint8)
    why[touched.any(axis=0)] = Why.REACHED
    lost = np.flatnonzero(why == Why.UNDERCUT)
    if not lost.size:
        return why
    asked = lost[:: max(1, len(lost) // MOST_EXPLAINED)]
    lost, every = asked, lost
    seen, deep, held = (np.zeros(len(lost), bool) for _ in range(3))
    lost_sample = SurfaceSample(sample.points[lost], sample.normals[lost], sample.area_mm2)
    fine = [_edge_alone(shape) for shape in shapes]
    for turn in turns:
        mine = visible(lost_sample, grounds.bare, float(turn))
        seen[mine] = True
        for shape, alone in zip(shapes, fine):
            ask = mine[~held[mine]]
            held[ask[touched_at(lost_sample, ask, grounds.bare, shape, float(turn), tolerance_mm)]] = True
            ask = mine[~deep[mine] & ~held[mine]]
            deep[ask[touched_at(lost_sample, ask, grounds.bare, alone, float(turn), tolerance_mm)]] = True
    why[lost[seen]] = Why.CORNER
    why[lost[deep]] = Why.DEEP
    why[lost[held]] = Why.HELD
    # the others share the reason of the nearest one asked
    why[every] = why[lost[cKDTree(sample.points[lost]).query(sample.points[every])[1]]]
    return why


def _edge_alone(shape: CutterShape) -> CutterShape:
    """Return the cutter as if its edge went on for ever, with nothing wider above it."""
    r = float(shape.edge.r_mm[-1])
    top = shape.edge.top_mm
    return CutterShape(shape.edge, outline((0.5 * r, top + 1e3), (0.5 * r, top + 2e3)))
