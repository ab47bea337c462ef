"""Patches: a drawing's regions as triangles with a depth at every corner. Depth is counted from the part's surface inward.

Strokes cut by a V cutter have the depth that their local width asks, distance to the edge over tan(half of SIG): a roof
over the medial axis (references of a V's width: w = 2 t tan(SIG / 2)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

from newel.core.errors import BadInput
from newel.ornament.drawing import Drawing, regions
from newel.ornament.medial import Branch, edge_points, medial_axis

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EDGE_STEP_MM = 0.08  # between corners on edges and creases: half of it bounds how far a crease may be cut across
INSIDE_STEP_MM = 0.4  # between corners inside: a chord of it on a radius of 10 mm lies 2 µm below the arc
MOST_CORNERS = 400_000


@dataclass(frozen=True)
class Patch:
    """Triangles `faces` (m, 3), counterclockwise, over `uv` (n, 2) in mm, with `depth_mm` (n,) at each corner.

    `tip_v_mm` (n,): v of the place where the tip of the V cutter stands that cuts a corner's wall (None: no V cuts it).
    """

    uv: Floats
    faces: Ints
    depth_mm: Floats
    tip_v_mm: Floats | None = None


def carved(area: shapely.Geometry, half_angle_deg: float, deepest_mm: float, tip_flat_mm: float = 0.0) -> Patch:
    """Regions as a V cutter carves them: as deep as the local width asks, but no deeper than `deepest_mm` (flat there).

    A tip that is flat on `tip_flat_mm` leaves its own flat at the bottom, and does not fit into strokes narrower than that.
    """
    slope = math.tan(math.radians(half_angle_deg))
    flat = tip_flat_mm / 2.0
    axis = medial_axis(area, EDGE_STEP_MM / 2.0)
    capped = deepest_mm * slope
    creases = [branch.points[branch.radius_mm <= capped + flat] for branch in axis]
    inner = area.buffer(-capped)
    if not inner.is_empty:
        creases.append(edge_points(regions(inner), EDGE_STEP_MM))
    if flat > 0.0 and any(map(len, creases)):
        beside = shapely.union_all([shapely.LineString(line) for line in creases if len(line) > 1]).buffer(flat)
        creases.append(edge_points(regions(beside.intersection(area)), EDGE_STEP_MM))

    def depth(p: Floats) -> Floats:
        wide = _to(area.boundary, p)
        if flat > 0.0 and axis:
            wide = np.minimum(wide, _widest_near(axis, p, flat) - flat)
        return np.clip(wide / slope, 0.0, deepest_mm)

    return _cut_by_tips(_patch(area, creases, depth), creases, deepest_mm)


def _cut_by_tips(patch: Patch, tips: list[Floats], deepest_mm: float) -> Patch:
    """Name for each corner of a wall where the tip stands that cuts it; flat bottoms are under a tip of their own."""
    places = np.vstack([line for line in tips if len(line)]) if any(map(len, tips)) else np.zeros((0, 2))
    if not len(places):
        return patch
    v = places[cKDTree(places).query(patch.uv)[1], 1]
    return replace(patch, tip_v_mm=np.where(patch.depth_mm < deepest_mm - 1e-9, v, patch.uv[:, 1]))


def _widest_near(axis: list[Branch], p: Floats, within: float) -> Floats:
    """Return the half width of the stroke (n,) at the axis within a distance of each point; inf away from the axis."""
    points = np.vstack([branch.points for branch in axis])
    radius = np.append(np.concatenate([branch.radius_mm for branch in axis]), -np.inf)
    near = cKDTree(points).query(p, k=8, distance_upper_bound=within * 1.001)[1]
    widest = radius[near].max(axis=1)
    return np.where(np.isfinite(widest), widest, np.inf)


def sunk(area: shapely.Geometry, depth_mm: float) -> Patch:
    """Regions sunk (or raised) by one depth, with upright walls."""
    return _patch(area, [], lambda p: np.full(len(p), depth_mm))


def engraved(lines: tuple[Floats, ...], half_angle_deg: float, depth_mm: float, tip_flat_mm: float) -> Patch:
    """Lines as a V cutter engraves them whose tip runs `depth_mm` deep along them: grooves with round ends."""
    slope = math.tan(math.radians(half_angle_deg))
    middle = shapely.union_all([shapely.LineString(line) for line in lines])
    reach = depth_mm * slope + tip_flat_mm / 2.0
    area = middle.buffer(reach, quad_segs=max(8, math.ceil(reach / EDGE_STEP_MM * 2)))
    bottom = shapely.get_coordinates(shapely.segmentize(middle, EDGE_STEP_MM))
    creases = [bottom]
    if tip_flat_mm > 0.0:
        creases.append(edge_points(middle.buffer(tip_flat_mm / 2.0), EDGE_STEP_MM))

    def depth(p: Floats) -> Floats:
        return np.clip(depth_mm - np.maximum(_to(middle, p) - tip_flat_mm / 2.0, 0.0) / slope, 0.0, depth_mm)

    return _cut_by_tips(_patch(area, creases, depth), [bottom], depth_mm)


def relief(grey: Floats, width_mm: float, depth_mm: float) -> Patch:
    """A grey picture (rows from the top, 0 black to 1 white) as relief: white stays at the surface, black is deepest.

    A picture finer than EDGE_STEP_MM a point is sampled at that step.
    """
    rows, columns = grey.shape
    height = width_mm * (rows - 1) / (columns - 1)
    nu, nv = (max(2, min(count, math.ceil(size / EDGE_STEP_MM) + 1)) for count, size in ((columns, width_mm), (rows, height)))
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, nu) * width_mm, np.linspace(0.5, -0.5, nv) * height)
    uv = np.column_stack([u.ravel(), v.ravel()])
    _check_count(len(uv))
    at = np.arange(nu * nv).reshape(nv, nu)
    a, b, c, d = at[:-1, :-1].ravel(), at[:-1, 1:].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel()
    faces = np.vstack([np.column_stack([c, d, a]), np.column_stack([d, b, a])])
    across = (uv[:, 0] / width_mm + 0.5) * (columns - 1)
    down = (0.5 - uv[:, 1] / height) * (rows - 1)
    return Patch(uv, faces.astype(np.int64), depth_mm * (1.0 - _bilinear(grey, down, across)))


def drawn(drawing: Drawing, kind: str, depth_mm: float, half_angle_deg: float, tip_flat_mm: float, where: str) -> Patch:
    """Return the patch of a drawing: kind 'engrave' takes its lines (and edges of regions), the others its regions."""
    if kind == "engrave":
        edges = [np.asarray(ring.coords) for part in drawing.area.geoms for ring in (part.exterior, *part.interiors)]
        return engraved((*drawing.lines, *edges), half_angle_deg, depth_mm, tip_flat_mm)
    if drawing.area.is_empty:
        raise BadInput("the drawing has no closed shape", where=where, remedy="close its lines, or engrave them")
    return carved(drawing.area, half_angle_deg, depth_mm, tip_flat_mm) if kind == "carve" else sunk(drawing.area, depth_mm)


def _patch(area: shapely.Geometry, creases: list[Floats], depth: object) -> Patch:
    """Triangulate a region through its edges and creases; a crease keeps corners off that would let a triangle cross it."""
    edge = edge_points(area, EDGE_STEP_MM)
    kept = [edge]
    for line in creases:
        line = line[cKDTree(np.vstack(kept)).query(line)[0] > 0.25 * EDGE_STEP_MM] if len(line) else line
        kept.append(_thinned(line, 0.5 * EDGE_STEP_MM))
    fixed = np.vstack(kept)
    grid = _grid(area, INSIDE_STEP_MM)
    if len(grid):
        grid = grid[cKDTree(fixed).query(grid)[0] > 1.2 * EDGE_STEP_MM]
    uv = np.vstack([fixed, grid])
    _check_count(len(uv))
    faces = Delaunay(uv).simplices.astype(np.int64)
    middle = uv[faces].mean(axis=1)
    shapely.prepare(area)
    faces = faces[shapely.contains_xy(area, middle)]
    one, two = uv[faces[:, 1]] - uv[faces[:, 0]], uv[faces[:, 2]] - uv[faces[:, 0]]
    turn = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]
    faces = np.where(turn[:, None] > 0, faces, faces[:, ::-1])[np.abs(turn) > 1e-10]
    used, new = np.unique(faces, return_inverse=True)
    at = uv[used]
    deep = depth(at)  # type: ignore[operator]
    return Patch(at, new.reshape(-1, 3), np.asarray(deep, dtype=float))


def _thinned(points: Floats, step: float) -> Floats:
    """Return points of which no two lie within `step`, the first of each cluster kept."""
    if not len(points):
        return points
    keep = np.ones(len(points), dtype=bool)
    for a, b in sorted(cKDTree(points).query_pairs(step)):
        if keep[a]:
            keep[b] = False
    return points[keep]


def _grid(area: shapely.Geometry, step: float) -> Floats:
    u0, v0, u1, v1 = area.bounds
    u, v = np.meshgrid(np.arange(u0, u1 + step, step), np.arange(v0, v1 + step, step))
    points = np.column_stack([u.ravel(), v.ravel()])
    _check_count(len(points))
    return points[shapely.contains_xy(area, points)]


def _to(shape: shapely.Geometry, points: Floats) -> Floats:
    """Return how far points are from a shape of lines, by its own pieces near each point."""
    pieces = _pieces(shape)
    found = shapely.STRtree(pieces).query_nearest(shapely.points(points), all_matches=False, return_distance=True)
    out = np.empty(len(points))
    out[found[0][0]] = found[1]
    return out


def _pieces(shape: shapely.Geometry) -> NDArray[np.object_]:
    lines = [
        np.asarray(line.coords)
        for line in shapely.get_parts(shapely.line_merge(shape) if shape.geom_type != "LineString" else shape)
    ]
    ends = np.vstack([np.stack([line[:-1], line[1:]], axis=1) for line in lines])
    return shapely.linestrings(ends)


def _bilinear(grey: Floats, down: Floats, across: Floats) -> Floats:
    rows, columns = grey.shape
    i, j = np.clip(down.astype(int), 0, rows - 2), np.clip(across.astype(int), 0, columns - 2)
    p, q = down - i, across - j
    return (1 - p) * ((1 - q) * grey[i, j] + q * grey[i, j + 1]) + p * ((1 - q) * grey[i + 1, j] + q * grey[i + 1, j + 1])


def _check_count(count: int) -> None:
    if count > MOST_CORNERS:
        raise BadInput(
            f"the ornament would need {count} corners, more than {MOST_CORNERS}", remedy="make it smaller, or split it in parts"
        )
