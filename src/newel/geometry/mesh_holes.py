"""Filling the holes of a mesh that leave no doubt about what is missing; every other hole is left to be refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import manifold3d
import numpy as np

from newel.geometry.mesh_mending import Floats, Ints, edges_of, open_half_edges

# House choices: what can be filled without guessing at a shape.
FLAT_MM = 0.01  # a hole is flat when its rim leaves its plane by no more than this
SMALL_HOLE_SHARE = 0.10  # a curved hole may be filled when it spans no more than this share of the model's diagonal
FILLED_AREA_SHARE = 0.10  # all fillings together may make up no more than this share of the surface
MAX_OPEN_EDGES = 20_000


class Filled(NamedTuple):
    """What filling holes came to: the faces with the fillings, how many rims were closed, or why nothing was filled."""

    faces: Ints
    holes: int
    why: str


@dataclass(frozen=True)
class _Rim:
    """The rim of a hole: its vertices in the order a filling runs them, its unit normal (0 for a slit), area and flatness."""

    vertices: Ints
    points: Floats
    normal: Floats
    area: float
    flat: bool


def fill_holes(vertices: Floats, faces: Ints) -> Filled:
    """Fill holes that have three or four edges, are flat or are small; fill none if one is neither or they are too many."""
    half = open_half_edges(faces, len(vertices))
    if len(half) == 0:
        return Filled(faces, 0, "")
    if len(half) > MAX_OPEN_EDGES:
        return Filled(faces, 0, "too many to mend")
    edges = edges_of(faces, len(vertices))
    if ((edges.balance != 0) & (edges.faces > 1)).any():
        return Filled(faces, 0, "inner walls or a one-sided surface")
    loops = _loops(half)
    if any(len(loop) < 3 for loop in loops):
        return Filled(faces, 0, "the open edges close no rim")
    rims = [_rim(vertices, loop) for loop in loops]
    diagonal = float(np.linalg.norm(np.ptp(vertices[faces.ravel()], axis=0)))
    for rim in rims:
        small = float(np.linalg.norm(np.ptp(rim.points, axis=0))) <= SMALL_HOLE_SHARE * diagonal
        if not (rim.flat or small or len(rim.vertices) <= 4):
            return Filled(faces, 0, "a hole is neither flat nor small")
    patches = [_patch(rims[outer], [rims[n] for n in inner]) for outer, inner in _nested(rims).items()]
    if any(patch is None for patch in patches):
        return Filled(faces, 0, "the rim of a hole crosses itself")
    added = np.concatenate([patch for patch in patches if patch is not None])
    share = _area(vertices, added) / max(_area(vertices, faces), 1e-30)
    if share > FILLED_AREA_SHARE:
        return Filled(faces, 0, f"the holes make up {share:.0%} of the surface")
    return Filled(np.concatenate([faces, added]), len(loops), "")


def _loops(half: Ints) -> list[list[int]]:
    """Chain open half edges into closed loops, cut apart wherever a vertex comes twice; dead ends come empty."""
    leaves: dict[int, list[int]] = {}
    for start, end in half.tolist():
        leaves.setdefault(start, []).append(end)
    loops: list[list[int]] = []
    for first in list(leaves):
        while leaves.get(first):
            trail, at = [first], {first: 0}
            while leaves.get(trail[-1]):
                step = leaves[trail[-1]].pop()
                if step in at:
                    loops.append(trail[at[step] :])
                    for vertex in trail[at[step] + 1 :]:
                        del at[vertex]
                    del trail[at[step] + 1 :]
                else:
                    at[step] = len(trail)
                    trail.append(step)
            if len(trail) > 1:
                loops.append([])
    return loops


def _rim(vertices: Floats, loop: list[int]) -> _Rim:
    """Measure a loop of open half edges; its filling runs it the other way. Normal and area after Newell's method."""
    corners = np.array(loop[::-1], dtype=np.int64)
    points = vertices[corners]
    double = np.cross(points - points[0], np.roll(points, -1, axis=0) - points[0]).sum(axis=0)
    length = float(np.linalg.norm(double))
    normal = double / length if length > 1e-12 else np.zeros(3)
    flat = float(np.ptp((points - points[0]) @ normal)) <= FLAT_MM
    return _Rim(corners, points, normal, length / 2.0, flat)


def _nested(rims: list[_Rim]) -> dict[int, list[int]]:
    """Tell which rims are the inner rims of others: in one plane, run the other way and inside (the end of a tube)."""
    inner_of: dict[int, list[int]] = {n: [] for n in range(len(rims))}
    for n in sorted(range(len(rims)), key=lambda n: rims[n].area):
        rim = rims[n]
        around = [
            m
            for m, other in enumerate(rims)
            if other.flat
            and rim.flat
            and other.area > rim.area
            and float(other.normal @ rim.normal) < -0.999
            and abs(float((rim.points[0] - other.points[0]) @ other.normal)) <= FLAT_MM
            and _inside(_in_plane(other, rim.points[:1])[0], _in_plane(other, other.points))
        ]
        if around:
            inner_of[min(around, key=lambda m: rims[m].area)].append(n)
            del inner_of[n]
    return inner_of


def _in_plane(rim: _Rim, points: Floats) -> Floats:
    """Return points as (n, 2) in the plane of a rim, whose own corners then run counterclockwise."""
    if not rim.normal.any():
        return points[:, :2]  # a slit: any triangles on its corners close it
    u = np.cross(rim.normal, np.eye(3)[int(np.argmin(np.abs(rim.normal)))])
    u /= np.linalg.norm(u)
    away = points - rim.points[0]
    return np.stack([away @ u, away @ np.cross(rim.normal, u)], axis=1)


def _inside(point: Floats, polygon: Floats) -> bool:
    """Whether a point lies inside a polygon: an odd number of sides cross the ray toward +x."""
    a, b = polygon, np.roll(polygon, -1, axis=0)
    over = (a[:, 1] > point[1]) != (b[:, 1] > point[1])
    a, b = a[over], b[over]
    return int((a[:, 0] + (point[1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1]) > point[0]).sum()) % 2 == 1


def _patch(outer: _Rim, inner: list[_Rim]) -> Ints | None:
    """Triangulate one hole on the corners of its rims alone; None where that cannot be done."""
    if len(outer.vertices) == 3 and not inner:
        return outer.vertices[None, :]
    polygons = [_in_plane(outer, rim.points) for rim in (outer, *inner)]
    corners = np.concatenate([rim.vertices for rim in (outer, *inner)])
    triangles = np.asarray(manifold3d.triangulate(polygons), dtype=np.int64).reshape(-1, 3)
    # Euler: a polygon of n corners with h holes has n + 2 h - 2 triangles
    return corners[triangles] if len(triangles) == len(corners) + 2 * len(inner) - 2 else None


def _area(vertices: Floats, faces: Ints) -> float:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0)
