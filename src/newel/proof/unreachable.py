"""Reach: whether any cutter of the shop, from any turn, could have touched a place of the part that was left high.

A place counts as reachable when some pose of some cutter touches it within the tolerance while nothing of the cutter, edge
or body, cuts into the part, into what must stay standing, or into what holds the bar (the drop at that pose says so).
Poses tried: the one whose outline lies tangent to the surface there, over a fan of turns; then, for what is still
left, the cutter set beside the place in rings. Finest cutter first. A place that no such pose reaches is called
unreachable; that is a search, so its answer 'reachable' is certain and its answer 'unreachable' is not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from newel.core.asked import SurfaceGroup, ThreadedHole
from newel.core.job import ProofAsk
from newel.core.profile import CutterShape
from newel.core.setup import KeepOut, SetUp, SetUpCutter
from newel.geometry.drop import DropTree, drop, drop_tree, stands_clear
from newel.geometry.parallel import kernel_threads
from newel.geometry.profiles import joined, polyline, radius_at
from newel.proof.course import bar_swing_mm
from newel.proof.kinematics import table_points_from_bar

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_TRIED = 800  # places tried one by one; each other one takes the answer of its nearest neighbour
TOUCH_SHARE = 0.9  # of the tolerance: what could only just be touched is not held against a program
FAN_DEG = (0.0, 15.0, -15.0, 30.0, -30.0, 45.0, -45.0, 60.0, -60.0, 75.0, -75.0)
RING_FAN_DEG = (0.0, 30.0, -30.0, 60.0, -60.0)
RING_SHARES = (0.35, 0.7, 1.0)
RING_PLACES = 8
RING_CUTTERS = 3
SIDES = 72  # of the prisms that stand for round keep-outs in the drop


@dataclass(frozen=True)
class Asked:
    """What the deviation is judged by: tolerance, gouge limit, grid, what stays standing, and every cutter at hand.

    `threads` and `groups`, in the bar frame: where another truth, or another tolerance, holds than the model's.
    """

    tolerance_mm: float
    ask: ProofAsk
    setup: SetUp
    shop: Sequence[SetUpCutter]
    threads: Sequence[ThreadedHole] = ()
    groups: Sequence[SurfaceGroup] = ()


def unreachable(points: Floats, normals: Floats, vertices: Floats, faces: Ints, asked: Asked) -> Bools:
    """Tell which surface points (k, 3) with outward normals (k, 3), in the bar frame, no cutter at hand can touch."""
    if not asked.shop:
        return np.zeros(len(points), bool)
    swing = bar_swing_mm(asked.setup.bar)  # the full bar stands no higher, whatever radius it is told with
    standing = [replace(thing, radius_mm=min(thing.radius_mm, swing)) for thing in asked.setup.stays_standing]
    tree = drop_tree(*with_round_things(vertices, faces, (*standing, *asked.setup.keep_out)))
    stride = max(1, -(-len(points) // MOST_TRIED))
    tried = np.arange(0, len(points), stride)
    shapes = [cutter.shape for cutter in asked.shop]
    reached = reachable(points[tried], normals[tried], tree, shapes, TOUCH_SHARE * asked.tolerance_mm)
    if stride == 1:
        return ~reached
    nearest = cKDTree(points[tried]).query(points, workers=kernel_threads())[1]
    return ~reached[nearest]


def reachable(points: Floats, normals: Floats, tree: DropTree, shapes: Sequence[CutterShape], tolerance_mm: float) -> Bools:
    """Tell which points (k, 3) some cutter can touch within the tolerance without cutting anything else."""
    reached = np.zeros(len(points), bool)
    finest = sorted(shapes, key=lambda shape: (float(radius_at(shape.edge, 0.5)), shape.edge.radius_mm))
    for tries in (_tangent, _rings):
        cutters = finest if tries is _tangent else finest[:RING_CUTTERS]
        for shape in cutters:
            left = np.flatnonzero(~reached)
            if len(left) == 0:
                return reached
            reached[left] = tries(points[left], normals[left], tree, shape, tolerance_mm)
    return reached


def _turns(points: Floats, normals: Floats, fan_deg: Sequence[float]) -> list[Floats]:
    """Return turns (k,) to try: those that bring the normal, or else the place itself, up, and a fan to either side."""
    across = np.hypot(normals[:, 1], normals[:, 2]) > 0.05
    y, z = np.where(across, normals[:, 1], points[:, 1]), np.where(across, normals[:, 2], points[:, 2])
    up = 90.0 - np.degrees(np.arctan2(z, y))
    return [up + offset for offset in fan_deg]


def _tangent(points: Floats, normals: Floats, tree: DropTree, shape: CutterShape, tolerance_mm: float) -> Bools:
    """Lay the outline tangent to the surface at each place, half the tolerance off it."""
    outline = polyline(shape.edge, 0.002)
    reached = np.zeros(len(points), bool)
    turns = _turns(points, normals, FAN_DEG)
    for fan in (turns[:1], turns[1:]):  # nearly all that a cutter reaches it reaches from straight above
        left = np.flatnonzero(~reached)
        if len(left) == 0:
            break
        which, turn = np.tile(left, len(fan)), np.concatenate([each[left] for each in fan])
        p = table_points_from_bar(points[which], turn)
        n = table_points_from_bar(normals[which], turn)
        upward = n[:, 2] > -1e-6
        flat = np.hypot(n[:, 0], n[:, 1])
        support = flat[:, None] * outline[:, 0] - n[:, 2:3] * outline[:, 1]
        # of equal ones the lowest: along a flank the tip need not go deeper than where the flank begins
        k = np.argmax(support > support.max(axis=1, keepdims=True) - 1e-9, axis=1)
        r, h = outline[k, 0], outline[k, 1]
        aside = n[:, :2] / np.maximum(flat, 1e-12)[:, None]
        off = p + 0.5 * tolerance_mm * n
        x, y = off[:, 0] + r * aside[:, 0], off[:, 1] + r * aside[:, 1]
        beside = np.hypot(p[:, 0] - x, p[:, 1] - y)

        def touches(tip: Floats, some: NDArray[np.intp]) -> Bools:
            return off_edge_mm(outline, beside[some], p[some, 2] - tip) <= tolerance_mm  # noqa: B023

        highest = p[:, 2] - lowest_beside_mm(outline, beside, tolerance_mm) + tolerance_mm
        at = Held(x, y, turn, off[:, 2] - h, highest)
        reached[which[_held_clear(tree, shape, at, np.flatnonzero(upward), touches)]] = True
    return reached


@dataclass(frozen=True)
class Held:
    """Where a cutter is tried, (k,) each: axis, turn of the bar, the lowest tip that is wanted, the highest that may touch."""

    x_mm: Floats
    y_mm: Floats
    turn_deg: Floats
    wanted_mm: Floats
    highest_mm: Floats


def _held_clear(
    tree: DropTree,
    shape: CutterShape,
    at: Held,
    some: NDArray[np.intp],
    touches: Callable[[Floats, NDArray[np.intp]], Bools],
) -> Bools:
    """Tell at which of places `at` the cutter touches where it is held clear.

    Only the places `some` are asked; the edge alone first, for that is quick and mostly decides, and first of all whether
    it is held too high to touch, for that is quicker than how high.
    """
    answer = np.zeros(len(at.x_mm), bool)
    some = some[at.wanted_mm[some] <= at.highest_mm[some]]
    for outline in (shape.edge, joined(shape.edge, shape.body)):
        x, y, turn = (column[some] for column in (at.x_mm, at.y_mm, at.turn_deg))
        low = stands_clear(tree, outline, x, y, at.highest_mm[some], turn)
        some, x, y, turn = some[low], x[low], y[low], turn[low]
        if len(some) == 0:
            return answer
        tip = np.maximum(drop(tree, outline, x, y, turn), at.wanted_mm[some])
        some = some[touches(tip, some)]
    answer[some] = True
    return answer


def _rings(points: Floats, normals: Floats, tree: DropTree, shape: CutterShape, tolerance_mm: float) -> Bools:
    """Set the cutter beside each place, all round it, and ask how far above the place it is held up."""
    outline = polyline(shape.edge, 0.002)
    reached = np.zeros(len(points), bool)
    share, angle = np.array(_ring_places()).T
    r = share * shape.edge.radius_mm * 0.999
    lowest = lowest_beside_mm(outline, r, tolerance_mm) - tolerance_mm
    for turn in _turns(points, normals, RING_FAN_DEG):
        left = np.flatnonzero(~reached)
        if len(left) == 0:
            return reached
        p = table_points_from_bar(points[left], turn[left])
        n = table_points_from_bar(normals[left], turn[left])
        x, y = p[:, :1] + r * np.cos(angle), p[:, 1:2] + r * np.sin(angle)
        beside, height = np.broadcast_to(r, x.shape).ravel(), np.repeat(p[:, 2], len(r))

        def touches(tip: Floats, some: NDArray[np.intp]) -> Bools:
            return off_edge_mm(outline, beside[some], height[some] - tip) <= tolerance_mm  # noqa: B023

        highest = height - np.tile(lowest, len(left))
        at = Held(x.ravel(), y.ravel(), np.repeat(turn[left], len(r)), np.full(x.size, -np.inf), highest)
        upward = np.flatnonzero(np.repeat(n[:, 2] > -1e-6, len(r)))
        reached[left] = _held_clear(tree, shape, at, upward, touches).reshape(x.shape).any(axis=1)
    return reached


def off_edge_mm(outline: Floats, r: Floats, h: Floats) -> Floats:
    """Return how far places (k,) at radius r and height h over the tip are from an edge, an outline (m, 2) of r and h."""
    nearest = np.full(len(r), np.inf)
    for (r0, h0), (r1, h1) in pairwise(outline):
        dr, dh = r1 - r0, h1 - h0
        along = np.clip(((r - r0) * dr + (h - h0) * dh) / max(dr * dr + dh * dh, 1e-30), 0.0, 1.0)
        nearest = np.minimum(nearest, np.hypot(r - r0 - along * dr, h - h0 - along * dh))
    return nearest


def lowest_beside_mm(outline: Floats, r: Floats, aside_mm: float) -> Floats:
    """Return the lowest height (k,) of an outline, (m, 2) of r and h, within `aside_mm` of radii r (k,); infinite for none."""
    lowest = np.full(len(r), np.inf)
    for (r0, h0), (r1, h1) in pairwise(outline):
        if r0 > r1:
            (r0, h0), (r1, h1) = (r1, h1), (r0, h0)
        from_r, to_r = np.maximum(r - aside_mm, r0), np.minimum(r + aside_mm, r1)
        slope = (h1 - h0) / (r1 - r0) if r1 > r0 else 0.0
        height = min(h0, h1) if r1 == r0 else h0 + slope * ((from_r if slope >= 0.0 else to_r) - r0)
        lowest = np.where((from_r <= to_r) & (height < lowest), height, lowest)
    return lowest


def _ring_places() -> list[tuple[float, float]]:
    rings = [(share, 2.0 * np.pi * k / RING_PLACES) for share in RING_SHARES for k in range(RING_PLACES)]
    return [(0.0, 0.0), *rings]


def with_round_things(vertices: Floats, faces: Ints, things: Sequence[KeepOut]) -> tuple[Floats, Ints]:
    """Return a mesh with prisms added for round things about the rotary axis."""
    all_vertices, all_faces, count = [np.asarray(vertices, float)], [np.asarray(faces, np.int64)], len(vertices)
    angle = 2.0 * np.pi * np.arange(SIDES) / SIDES
    k = np.arange(SIDES)
    following = (k + 1) % SIDES
    for thing in things:
        y, z = thing.radius_mm * np.cos(angle), thing.radius_mm * np.sin(angle)
        near = np.column_stack([np.full(SIDES, thing.from_x_mm), y, z])
        far = np.column_stack([np.full(SIDES, thing.to_x_mm), y, z])
        sides = np.vstack(
            [np.column_stack([k, k + SIDES, following]), np.column_stack([following, k + SIDES, following + SIDES])]
        )
        fan = np.column_stack([np.zeros(SIDES - 2, np.int64), k[1:-1], k[2:]])
        all_vertices += [near, far]
        all_faces.append(np.vstack([sides, fan, fan + SIDES]) + count)
        count += 2 * SIDES
    return np.vstack(all_vertices), np.vstack(all_faces).astype(np.int64)
