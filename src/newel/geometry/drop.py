"""The drop: how low may this cutter sit here, at this angle, without touching the part? Exact against triangles.

The answer at a place is the largest z - H(rho) over all points of the turned mesh under the cutter: z their height in the
table frame, rho their distance from the cutter's axis, H the underside of the cutter (generalised cutter of ISO 3592).
Contact with facets, edges and vertices after Chung, Park, Shin, Choi 1998 and Yau, Chuang, Lee 2004. One tree serves every
turn: its nodes are bounded along X and by a rectangle across X, and turning a bound is four products. Nodes have eight
children, leaves up to eight triangles, and all eight are bounded at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput
from newel.core.profile import Profile
from newel.geometry.drop_kernels import CutterArrays, clear_runs, drop_runs
from newel.geometry.drop_tree_kernels import BOUNDS, CORNERS, LANES, TreeArrays, build
from newel.geometry.parallel import on_threads
from newel.geometry.profiles import Stretch, convex_undersides

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CELL_MM, _CELL_DEG = 2.0, 4.0  # drops are asked cell by cell, for the cache's sake
_RUN = 64  # neighbouring drops that hand on the triangle they touched
_FEW = 2000  # fewer drops than this are done on one thread: measured, waking the others costs some ms on a busy machine
_SLIVER = 1e-9  # a triangle lower than this part of its longest side has no facet, only edges


@dataclass(frozen=True)
class DropTree:
    """A mesh made ready to be asked for drops at any turn; build it with `drop_tree`. Arrays are read-only.

    `arrays`: nodes and leaves (see drop_tree_kernels.TreeArrays); `face` (8 l,): which face of the mesh the triangles of the
    leaves are; `normal` (m, 3): unit normals of the faces as their corners run, nan for one without area.
    """

    arrays: TreeArrays
    face: Ints
    normal: Floats


def drop_tree(vertices: ArrayLike, faces: ArrayLike) -> DropTree:
    """Make a mesh ready for drops: vertices (n, 3) in mm in the bar frame, faces (m, 3).

    Any set of triangles will do: open, overlapping, upside down, without area. Raises BadInput for vertices that are
    not finite, faces that name no vertex, or no faces at all.
    """
    points = np.ascontiguousarray(vertices, dtype=np.float64)
    triangles = np.ascontiguousarray(faces, dtype=np.int64)
    if points.ndim != 2 or points.shape[1] != 3 or triangles.ndim != 2 or triangles.shape[1] != 3:
        raise BadInput("a mesh needs vertices of shape (n, 3) and faces of shape (m, 3)")
    if len(triangles) == 0:
        raise BadInput("the mesh has no triangles")
    if triangles.min() < 0 or triangles.max() >= len(points):
        raise BadInput("a face names a vertex that does not exist")
    if not np.isfinite(points).all():
        raise BadInput("the mesh has a vertex that is not a finite number")
    corner = points[triangles]
    m = len(triangles)
    order = np.arange(m, dtype=np.int64)
    most_leaves = m // 4 + 2  # halving leaves four or more in each
    most_nodes = most_leaves // 4 + 2
    node, link = _cache_lines(most_nodes, BOUNDS * LANES), np.empty((most_nodes, LANES), np.int64)
    first, many = np.empty(most_leaves, np.int64), np.empty(most_leaves, np.int64)
    slack_mm = 1e-6 * max(float(np.abs(points).max()), 1e-3)  # single precision keeps 6e-8 of a coordinate
    nodes, leaves = build(corner.reshape(m, 9), corner.mean(axis=1), slack_mm, order, node, link, first, many)
    normal, flat = _normals(corner)
    lanes = np.arange(LANES)
    face = order[first[:leaves, None] + np.minimum(lanes, many[:leaves, None] - 1)]
    owned = np.where(lanes < many[:leaves, None], _owned_edges(triangles, flat)[face], 0).astype(np.uint8)
    leaf = np.concatenate([corner.reshape(m, 9), normal], axis=1)[face].transpose(0, 2, 1).reshape(leaves, CORNERS * LANES)
    arrays = TreeArrays(node[:nodes], link[:nodes].copy(), np.ascontiguousarray(leaf), many[:leaves].copy(), owned.ravel())
    normal[~flat] = np.nan
    tree = DropTree(arrays, face.ravel(), normal)
    for array in (*arrays, tree.face, tree.normal):
        array.setflags(write=False)
    return tree


def drop(
    tree: DropTree, profile: Profile, x_mm: ArrayLike, y_mm: ArrayLike, turn_deg: ArrayLike, floor_mm: ArrayLike = -math.inf
) -> Floats:
    """Lowest heights of the tip, in mm in the table frame, at which a cutter touches nothing of the turned part.

    The cutter is the solid of revolution `profile`, upright at (x, y), without end upwards; the part is turned by
    theta = sense * A. x, y and turn are broadcast together and the result has that shape. Where nothing lies beneath the
    cutter, or lies lower than `floor_mm` (one for all or one a place), the answer is `floor_mm`: the higher it is, the less
    work. Raises BadInput for places that are not finite.
    """
    shape, out, _ = _asked(tree, profile, x_mm, y_mm, turn_deg, floor_mm)
    return out[:, 0].reshape(shape)


def stands_clear(
    tree: DropTree, profile: Profile, x_mm: ArrayLike, y_mm: ArrayLike, z_mm: ArrayLike, turn_deg: ArrayLike
) -> NDArray[np.bool_]:
    """Whether a cutter whose tip is at (x, y, z) in the table frame touches nothing of the turned part.

    The same as asking whether the `drop` there is no higher than z, at a fraction of the work. x, y, z and turn are
    broadcast together and the result has that shape. Raises BadInput for places that are not finite.
    """
    x, y, z, turn = np.broadcast_arrays(*(np.asarray(v, float) for v in (x_mm, y_mm, z_mm, turn_deg)))
    if not np.isfinite(z).all():
        raise BadInput("a cutter was asked for at a height that is not a finite number")
    place = _places(x, y, turn)
    out = np.empty(x.size, np.bool_)
    tip = np.ascontiguousarray(z.ravel())
    told = (tree.arrays, cutter_arrays(profile), place, tip, _nearby_order(place), _RUN)
    _in_runs(x.size, lambda first, last: clear_runs(*told, (first, last), out))
    return out.reshape(x.shape)


def drop_contact(
    tree: DropTree, profile: Profile, x_mm: ArrayLike, y_mm: ArrayLike, turn_deg: ArrayLike
) -> tuple[Floats, Floats, Ints]:
    """Drops with what they touch: heights (n,), contact points in the bar frame (n, 3), faces (n,).

    x, y and turn are broadcast together and flattened. Where nothing lies beneath the cutter: -inf, nan, -1.
    """
    _, out, hit = _asked(tree, profile, x_mm, y_mm, turn_deg, -math.inf)
    turn_rad = np.radians(np.broadcast_arrays(x_mm, y_mm, turn_deg)[2].ravel().astype(float))
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    contact = np.column_stack([out[:, 1], c * out[:, 2] + s * out[:, 3], c * out[:, 3] - s * out[:, 2]])
    face = np.where(hit >= 0, tree.face[np.maximum(hit, 0)], -1)
    return out[:, 0].copy(), contact, face


def face_normals(tree: DropTree) -> Floats:
    """Unit normals of the faces (m, 3), as their corners run, in the order they were given; nan for one without area."""
    return tree.normal


def face_corners(tree: DropTree) -> Floats:
    """Corners of the faces (m, 3, 3) in mm in the bar frame, in the order they were given."""
    corner = np.empty((len(tree.normal), 9))
    corner[tree.face] = tree.arrays.leaf.reshape(-1, CORNERS, LANES)[:, :9].transpose(0, 2, 1).reshape(-1, 9)
    return corner.reshape(-1, 3, 3)


def _asked(
    tree: DropTree, profile: Profile, x_mm: ArrayLike, y_mm: ArrayLike, turn_deg: ArrayLike, floor_mm: ArrayLike
) -> tuple[tuple[int, ...], Floats, Ints]:
    """Validate, lay out and run the kernel: shape asked for, drop and contact in the table frame (n, 4), triangle (n,)."""
    x, y, turn = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float), np.asarray(turn_deg, float))
    place = _places(x, y, turn)
    out = np.empty((x.size, 4))
    hit = np.empty(x.size, np.int64)
    floor = np.array(np.broadcast_to(np.asarray(floor_mm, float), x.shape)).ravel()  # a copy: a view compiles once more
    told = (tree.arrays, cutter_arrays(profile), place, _nearby_order(place), floor, _RUN)
    _in_runs(x.size, lambda first, last: drop_runs(*told, (first, last), out, hit))
    return x.shape, out, hit


def _in_runs(places: int, some_runs: Callable[[int, int], None]) -> None:
    """Do all runs of so many places, on all threads where there are many."""
    runs = -(-places // _RUN)
    if places < _FEW:
        some_runs(0, runs)
    else:
        on_threads(runs, some_runs)


def _places(x: Floats, y: Floats, turn_deg: Floats) -> Floats:
    """Lay places and turns of one shape out for the kernels (n, 4): x, y, cosine and sine of the turn."""
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(turn_deg).all()):
        raise BadInput("a drop was asked for at a place or turn that is not a finite number")
    turn_rad = np.radians(turn_deg.ravel())
    return np.column_stack([x.ravel(), y.ravel(), np.cos(turn_rad), np.sin(turn_rad)])


def _nearby_order(place: Floats) -> Ints:
    """Order drops so that neighbours ask the same part of the tree: cells of some mm along X and some degrees of turn."""
    along = (place[:, 0] / _CELL_MM).astype(np.int64)
    turned = (np.arctan2(place[:, 3], place[:, 2]) * (180.0 / math.pi / _CELL_DEG)).astype(np.int64)
    return np.argsort((along * 1024 + turned).astype(np.int32), kind="stable")


def _cache_lines(rows: int, columns: int) -> NDArray[np.float32]:
    """Room for nodes in single precision that begins on a cache line."""
    room = np.empty(columns * rows + 16, np.float32)
    start = -(room.ctypes.data // 4) % 16
    return room[start : start + columns * rows].reshape(rows, columns)


def cutter_arrays(profile: Profile) -> CutterArrays:
    """Lay a profile's convex pieces out for the kernels."""
    stretches, starts, touches, touch_starts = [], [0], [], [0]
    for piece in convex_undersides(profile):
        stretches += [_stretch_row(s) for s in piece]
        starts.append(len(stretches))
        touches += _touch_rows(piece)
        touch_starts.append(len(touches))
    return CutterArrays(np.array(stretches), np.array(starts), np.array(touches), np.array(touch_starts))


def _stretch_row(s: Stretch) -> tuple[float, ...]:
    """One row of CutterArrays.stretch."""
    if math.isnan(s.cr):
        rise = (s.h1 - s.h0) / (s.r1 - s.r0)
        return (s.r0, s.r1, s.h0, rise, 0.0, 0.0, 0.0, rise, s.h1)
    return (s.r0, s.r1, s.h0, 0.0, s.cr, s.ch, s.arc_radius, _slope(s.steepness(s.r1)), s.h1)


def _touch_rows(piece: list[Stretch]) -> list[tuple[float, float, float, float]]:
    """How a plane of a slope touches a convex piece: a corner (P = r, Q = h, a = 0) or an arc about (P, Q) of radius a."""
    rows = [(piece[0].r0, piece[0].h0, 0.0, _slope(piece[0].steepness(piece[0].r0)))]
    for s, after in zip(piece, [*piece[1:], None]):
        if not math.isnan(s.cr):
            rows.append((s.cr, s.ch, s.arc_radius, _slope(s.steepness(s.r1))))
        rows.append((s.r1, s.h1, 0.0, math.inf if after is None else _slope(after.steepness(after.r0))))
    return rows


def _slope(steepness_rad: float) -> float:
    return math.inf if steepness_rad > math.pi / 2 - 1e-9 else math.tan(steepness_rad)


def _normals(corner: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Unit normals of triangles (m, 3, 3), zero where a triangle is too thin to have one; and which have one."""
    one, two = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    normal = np.cross(one, two)
    size = np.linalg.norm(normal, axis=1)
    longest2 = np.max([np.sum(one**2, 1), np.sum(two**2, 1), np.sum((two - one) ** 2, 1)], axis=0)
    flat = size > _SLIVER * longest2
    normal[flat] /= size[flat, None]
    normal[~flat] = 0.0
    return normal, flat


def _owned_edges(triangles: Ints, flat: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Which edges each triangle tests: bit i for the edge from corner i; an edge shared by many is tested once.

    A triangle without a facet keeps all its edges.
    """
    a, b = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    key = np.minimum(a, b) * (int(triangles.max()) + 1) + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    first = np.zeros(len(key), bool)
    first[order] = np.concatenate([[True], np.diff(key[order]) != 0])
    mine = first.reshape(-1, 3)
    mine[~flat] = True
    return (mine * np.array([1, 2, 4], np.uint8)).sum(axis=1).astype(np.uint8)
