"""What a bevel is along each straight piece of an edge, and the part as it is once its edges are bevelled.

All in the table frame at the side's turn, mm. A cone whose half angle is a, upright, makes flats whose outward normal stands
at sin a against the tool axis; along a piece of direction d there are two such normals, and the one nearer to the bisector of
the two faces is taken (plane geometry). The flat's width across then says how deep it lies under the edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.frames import turn_about_x
from newel.core.plan import SharpEdge
from newel.core.profile import CutterShape, outline
from newel.geometry.drop import DropTree, drop, drop_tree, face_corners
from newel.toolpaths.edge_facets_kernels import less_bodies

Floats = NDArray[np.float64]

MARGIN_MM = 0.01  # what is cut off the part for asking goes this far beyond the bevel
SMOOTH_DEG = 12.0  # pieces that meet within this turn belong to one curve
_LEAST_LEG = 0.2  # a flat that takes less than this share of one face against the other is no bevel of the edge
_FLATTEST_DEG = 20.0  # faces that meet within this are no edge to bevel
_STEEPEST_BEND_DEG = 60.0
_SHORTEST_MM = 1e-6


@dataclass(frozen=True)
class Flank:
    """The cone of a V cutter: half angle, radius of the tip's flat, height over the tip where the cone ends."""

    half_rad: float
    tip_mm: float
    top_mm: float

    def radius(self, height_mm: float) -> float:
        """Return the cone's radius at a height over the tip."""
        return self.tip_mm + height_mm * math.tan(self.half_rad)


@dataclass(frozen=True)
class Facet:
    """The bevel along one straight piece of an edge.

    `begin`, `end` on the edge, `along` the unit direction; `one`, `other` the faces' normals; `normal` the bevel's outward
    normal, `depth_mm` how far its flat lies under the edge; `middle` leads from the edge to the middle of the flat; `toward`
    points level from the tool axis to the flat; `half_height_mm` of the flat as a generator of the cone crosses it.
    """

    begin: Floats
    end: Floats
    along: Floats
    one: Floats
    other: Floats
    normal: Floats
    depth_mm: float
    middle: Floats
    toward: Floats
    half_height_mm: float


def flank_of(shape: CutterShape) -> Flank | None:
    """Return the cone of a cutter that begins at its tip or at the flat of its tip; None for a cutter without one."""
    r, h = shape.edge.r_mm, shape.edge.h_mm
    for i in range(len(r) - 1):
        if math.isnan(shape.edge.centre_r_mm[i]) and h[i] < 1e-9 and h[i + 1] > h[i] and r[i + 1] > r[i]:
            return Flank(math.atan2(r[i + 1] - r[i], h[i + 1] - h[i]), float(r[i]), float(h[i + 1]))
    return None


def facets_of(edge: SharpEdge, turn_deg: float, half_rad: float) -> list[Facet | None]:
    """Return the bevel along each piece of an edge, None where a cone of this half angle can make none at this turn."""
    turn = turn_about_x(turn_deg).T
    points, one, other = edge.points @ turn, edge.one @ turn, edge.other @ turn
    out: list[Facet | None] = []
    for i in range(len(points) - 1):
        way = points[i + 1] - points[i]
        length = float(np.linalg.norm(way))
        if length <= _SHORTEST_MM:
            continue
        d = way / length
        n1, n2 = _square_to(d, one[i], one[i + 1]), _square_to(d, other[i], other[i + 1])
        out.append(_facet((points[i], points[i + 1], d), (n1, n2), edge.width_mm, half_rad))
    return out


def _square_to(d: Floats, a: Floats, b: Floats) -> Floats:
    """A face's normal along a piece from those at its ends: at a corner an end's may belong to the next piece, or between."""
    weight = [max(1.0 - abs(float(v @ d)), 1e-6) for v in (a, b)]
    n = weight[0] * a + weight[1] * b
    n = n - (n @ d) * d
    return n / max(float(np.linalg.norm(n)), 1e-12)


def _facet(
    piece: tuple[Floats, Floats, Floats], normals: tuple[Floats, Floats], width_mm: float, half_rad: float
) -> Facet | None:
    begin, end, d = piece
    n1, n2 = normals
    if float(n1 @ n2) > math.cos(math.radians(_FLATTEST_DEG)):
        return None
    up = np.array([0.0, 0.0, 1.0]) - d[2] * d
    q = float(np.linalg.norm(up))
    if q <= math.sin(half_rad):
        return None  # the edge is steeper than the cone's flank
    e1 = up / q
    e2 = np.cross(d, e1)
    c = math.sin(half_rad) / q
    s = math.sqrt(1.0 - c * c)
    n = max((c * e1 + s * e2, c * e1 - s * e2), key=lambda v: float(v @ (n1 + n2)))
    f1, f2 = _away(n1, n2), _away(n2, n1)
    falls = (-float(n @ f1), -float(n @ f2))
    if min(falls) <= 1e-3:
        return None
    t1, t2 = 1.0 / falls[0], 1.0 / falls[1]
    if min(t1, t2) < _LEAST_LEG * max(t1, t2):
        return None
    depth = width_mm / float(np.linalg.norm(t1 * f1 - t2 * f2))
    toward = np.array([-n[0], -n[1], 0.0]) / math.hypot(n[0], n[1])
    rise = math.sin(half_rad) * toward + math.cos(half_rad) * np.array([0.0, 0.0, 1.0])
    across = abs(float(rise @ np.cross(n, d)))
    if across < 0.2:
        return None
    half_height = 0.5 * width_mm / across * math.cos(half_rad)
    return Facet(begin, end, d, n1, n2, n, depth, 0.5 * depth * (t1 * f1 + t2 * f2), toward, half_height)


def _away(face: Floats, other: Floats) -> Floats:
    """The direction in a face square to the edge, away from it."""
    f = -(other - (other @ face) * face)
    return f / max(float(np.linalg.norm(f)), 1e-12)


def turning_deg(before: Facet, after: Facet) -> float:
    """Return the level turn between two facets, seen from above, in degrees."""
    cross = before.toward[0] * after.toward[1] - before.toward[1] * after.toward[0]
    return abs(math.degrees(math.atan2(cross, float(before.toward @ after.toward))))


def bevelled(target: DropTree, turn_deg: float, runs: list[list[Facet | None]]) -> DropTree:
    """Return the part without the wedges that bevels take off its edges, to ask what else a cutter would touch.

    Wedges end square at their ends, but where a curve goes on or nothing is beyond; material of another face is never taken
    away with them.
    """
    turn = turn_about_x(turn_deg)
    corner = face_corners(target) @ turn.T
    wedges = [w for run in runs for w in _wedges(run, target, turn_deg)]
    if not wedges:
        return target
    planes, boxes = (np.stack(told) for told in zip(*wedges))
    corner, stands = less_bodies(corner, planes, boxes)
    points = corner[stands].reshape(-1, 3) @ turn
    return drop_tree(points, np.arange(len(points)).reshape(-1, 3))


def _wedges(run: list[Facet | None], target: DropTree, turn_deg: float) -> list[tuple[Floats, Floats]]:
    """Planes (5, 4) of each facet's wedge, inside is normal . x < offset for all, and a box (2, 3) that holds it."""
    closed = len(run) > 1 and _meets(run[-1], run[0])
    out = []
    for i, facet in enumerate(run):
        if facet is None:
            continue
        ends = []
        for j, sign in ((i - 1, -1.0), (i + 1, 1.0)):
            other = run[j % len(run)] if closed or 0 <= j < len(run) else None
            ends.append(MARGIN_MM + _end_mm(facet, other, sign, target, turn_deg))
        d, b = facet.along, facet.begin
        rows = [
            np.append(-facet.normal, -(facet.normal @ b - facet.depth_mm - MARGIN_MM)),
            np.append(facet.one, facet.one @ b + MARGIN_MM),
            np.append(facet.other, facet.other @ b + MARGIN_MM),
            np.append(-d, -(d @ b) + ends[0]),
            np.append(d, d @ facet.end + ends[1]),
        ]
        ends_at = np.stack([b - ends[0] * d, facet.end + ends[1] * d])
        around = 2.0 * float(np.linalg.norm(facet.middle)) + facet.depth_mm + MARGIN_MM
        out.append((np.array(rows), np.stack([ends_at.min(axis=0) - around, ends_at.max(axis=0) + around])))
    return out


def _end_mm(facet: Facet, other: Facet | None, sign: float, target: DropTree, turn_deg: float) -> float:
    """How far a wedge goes on past an end: for what slants away there, where the edge goes on gently or nothing is beyond."""
    reach = facet.depth_mm + float(np.linalg.norm(facet.middle))
    if other is not None:
        bend = math.acos(min(1.0, max(-1.0, float(facet.along @ other.along))))
        gentle = turning_deg(facet, other) < SMOOTH_DEG and bend < math.radians(_STEEPEST_BEND_DEG)
        return 1.2 * reach * math.tan(0.5 * bend) if gentle else 0.0
    ball = outline((0.0, 0.0), (reach, reach, 0.0, reach), (reach, 2.0 * reach))
    at = (facet.end if sign > 0.0 else facet.begin) + 1.5 * sign * reach * facet.along
    free = float(drop(target, ball, at[0], at[1], turn_deg)) <= at[2] - reach
    return reach if free else 0.0


def _meets(before: Facet | None, after: Facet | None) -> bool:
    return before is not None and after is not None and float(np.abs(before.end - after.begin).max()) < 1e-6
