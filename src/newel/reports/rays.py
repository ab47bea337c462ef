"""What is seen along parallel rays: one ray a pixel, and four where something changes between it and its neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from newel.reports.results import Floats, Mesh

Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ONE_SURFACE = 0.97  # cosine of 14 degrees: facets that meet at more are not shaded as one surface
# An outline lies where the depth jumps by this share of the picture's width, or facets meet under this cosine ...
_JUMP, _SHARP = 0.012, 0.35
# ... and is looked for with four rays a pixel where single rays differ by so much already.
_LOOK_JUMP, _LOOK_SHARP = 0.006, 0.6
_NOTHING = -1
_QUARTERS = ((0, 0), (0, 1), (1, 0), (1, 1))  # (row, column) of the four rays of a pixel; the first is always sent


@dataclass(frozen=True)
class View:
    """A parallel view: unit vectors to the right and up in the picture, and toward the eye; frame in mm; pixels."""

    right: Floats
    up: Floats
    eye: Floats
    centre_mm: Floats
    width_mm: float
    width_px: int
    height_px: int

    def to_px(self, points_mm: Floats) -> Floats:
        """Return where points (n, 3) fall in the picture, (n, 2) pixels from the top left."""
        scale = self.width_px / self.width_mm
        from_centre = points_mm - self.centre_mm
        x = self.width_px / 2 + scale * (from_centre @ self.right)
        y = self.height_px / 2 - scale * (from_centre @ self.up)
        return np.column_stack([x, y])


@dataclass(frozen=True, eq=False)
class Scene:
    """Meshes, made ready for rays; it serves any number of views."""

    meshes: tuple[Mesh, ...]
    rays: EmbreeScene

    @cached_property
    def normals(self) -> tuple[Singles, ...]:
        """Unit normals at the vertices of each mesh, axis by axis: (3, vertices)."""
        return tuple(np.ascontiguousarray(vertex_normals(mesh).T, np.float32) for mesh in self.meshes)


@dataclass(frozen=True)
class Hits:
    """What is seen in the pixels.

    `rows` (k,): the pixels (row-major) in which something is seen; `solid` (k,): which solid; `points_mm`, `normals`
    (k, 3) of one ray that stands for the pixel; `depth_mm` (pixels,): from the eye, inf where nothing is seen. `cover`, `ink`
    (pixels,): shares 0..1 of the pixel that is covered, and that lies on an outline.
    """

    rows: Ints
    solid: Ints
    points_mm: Floats
    normals: Floats
    depth_mm: Floats
    cover: Floats
    ink: Floats
    scene: Scene


@dataclass(frozen=True)
class _Met:
    """What rays met: solid and facet (-1: nothing), depth (inf: nothing), the place in the facet, the facet's unit normal."""

    solid: NDArray[np.int32]
    facet: NDArray[np.int32]
    depth: Singles
    u: Singles
    v: Singles
    square: Singles

    def of(self, which: Ints | Bools) -> _Met:
        return _Met(*(getattr(self, name)[which] for name in ("solid", "facet", "depth", "u", "v", "square")))


def look(direction_from_eye: tuple[float, float, float], meshes: Sequence[Mesh], width_px: int, margin: float = 0.05) -> View:
    """Return a view along a direction that holds all meshes, X running to the right."""
    eye = -np.array(direction_from_eye, dtype=float)
    eye /= np.linalg.norm(eye)
    right = np.cross([0.0, 0.0, 1.0], eye)
    right /= np.linalg.norm(right)
    up = np.cross(eye, right)
    points = np.vstack([mesh.vertices_mm for mesh in meshes])
    x, y = points @ right, points @ up
    width = (x.max() - x.min()) * (1 + 2 * margin)
    height = (y.max() - y.min()) + width * 2 * margin
    centre = right * (x.max() + x.min()) / 2 + up * (y.max() + y.min()) / 2
    return View(right, up, eye, centre, float(width), width_px, round(width_px * height / width))


def both_sides(direction_from_eye: tuple[float, float, float], mesh: Mesh, width_px: int, margin: float) -> tuple[View, View]:
    """Return a view of a mesh, and the view of it after half a turn about X: the eye is turned, the mesh stays."""
    half = np.array([1.0, -1.0, -1.0])
    front = look(direction_from_eye, [mesh], width_px, margin)
    seen = look(direction_from_eye, [Mesh(mesh.vertices_mm * half, mesh.faces)], width_px, margin)
    return front, replace(
        seen, right=seen.right * half, up=seen.up * half, eye=seen.eye * half, centre_mm=seen.centre_mm * half
    )


def scene_of(meshes: Sequence[Mesh]) -> Scene:
    """Make meshes ready for rays."""
    rays = EmbreeScene()
    for mesh in meshes:
        TriangleMesh(rays, mesh.vertices_mm.astype(np.float32), mesh.faces.astype(np.int32))
    return Scene(tuple(meshes), rays)


def first_hits(points_mm: Floats, directions: Floats, scene: Scene) -> tuple[Floats, Ints]:
    """Return how far rays (n, 3) run before they meet a mesh (inf: never), and the face they meet (-1: none)."""
    found = scene.rays.run(points_mm.astype(np.float32), directions.astype(np.float32), output=1)
    face = found["primID"].astype(np.int64)
    return np.where(face >= 0, found["tfar"].astype(float), np.inf), face


def cast(view: View, scene: Scene) -> Hits:
    """Look at a scene and say what is seen in each pixel."""
    pixels = view.height_px * view.width_px
    met = _sent(view, scene, np.arange(pixels), _QUARTERS[0])
    cover, ink = (met.solid >= 0).astype(float), np.zeros(pixels)
    quarter = np.zeros(pixels, np.int64)
    near = np.flatnonzero(_changes(view, met))
    four = [met.of(near), *(_sent(view, scene, near, which) for which in _QUARTERS[1:])]
    seen = np.stack([one.solid >= 0 for one in four])
    cover[near], ink[near] = seen.mean(axis=0), _outlines(view, near, four)
    quarter[near] = np.argmax(seen, axis=0)  # the first that met something stands for the pixel
    for k in range(1, 4):
        mine = quarter[near] == k
        for name in ("solid", "facet", "depth", "u", "v", "square"):
            getattr(met, name)[near[mine]] = getattr(four[k], name)[mine]
    rows = np.flatnonzero(met.solid >= 0)
    stands = met.of(rows)
    normals = _bent_normals(scene, stands)
    normals[normals @ view.eye < 0] *= -1.0
    start = _origins(view, rows, quarter[rows] // 2, quarter[rows] % 2)
    points = start.astype(float) - stands.depth.astype(float)[:, None] * view.eye
    return Hits(rows, stands.solid.astype(np.int64), points, normals, met.depth.astype(float), cover, ink, scene)


def vertex_normals(mesh: Mesh) -> Floats:
    """Return unit normals at the vertices, faces weighed by area."""
    at = mesh.vertices_mm.T[:, mesh.faces.T]  # axis by axis, (3, corners, m): numpy's cross product is slow on rows
    a, b = at[:, 1] - at[:, 0], at[:, 2] - at[:, 0]
    normals = np.zeros_like(mesh.vertices_mm)
    for axis in range(3):
        i, j = (axis + 1) % 3, (axis + 2) % 3
        area = a[i] * b[j] - a[j] * b[i]
        for k in range(3):
            normals[:, axis] += np.bincount(mesh.faces[:, k], weights=area, minlength=len(normals))
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)


def _sent(view: View, scene: Scene, pixels: Ints, quarter: tuple[int, int]) -> _Met:
    """Send a ray through one quarter of each of the pixels (n,)."""
    origins = _origins(view, pixels, *quarter)
    along = np.broadcast_to((-view.eye).astype(np.float32), origins.shape).copy()
    found = scene.rays.run(origins, along, output=1)
    missed = found["primID"] < 0
    found["geomID"][missed] = _NOTHING
    found["tfar"][missed] = np.inf
    square = found["Ng"]
    square /= np.maximum(np.sqrt(np.einsum("ij,ij->i", square, square)), np.float32(1e-30))[:, None]
    return _Met(found["geomID"], found["primID"], found["tfar"], found["u"], found["v"], square)


def _origins(view: View, pixels: Ints, down: int | Ints, across: int | Ints) -> Singles:
    """Return where the rays of pixels (n,) start, (n, 3): in the quarter `down` (0, 1) and `across` (0, 1) in each."""
    step = view.width_mm / view.width_px / 2
    row, column = np.divmod(pixels.astype(np.int32), np.int32(view.width_px))
    x = ((2 * column + across + 0.5 - view.width_px) * step).astype(np.float32)
    y = ((view.height_px - (2 * row + down) - 0.5) * step).astype(np.float32)
    middle = (view.centre_mm + view.eye * 3.0 * view.width_mm).astype(np.float32)
    start = np.empty((len(pixels), 3), np.float32)
    for axis in range(3):
        start[:, axis] = middle[axis] + y * np.float32(view.up[axis]) + x * np.float32(view.right[axis])
    return start


def _changes(view: View, met: _Met) -> Bools:
    """Tell the pixels (all of them) where something changes to a neighbour, and the neighbours of those."""
    shape = (view.height_px, view.width_px)
    solid, depth, square = met.solid.reshape(shape), met.depth.reshape(shape), met.square.reshape(*shape, 3)
    changes = np.zeros(shape, bool)
    for a, b in _beside():
        found = _differ(
            (solid[a], depth[a], square[a]), (solid[b], depth[b], square[b]), _LOOK_JUMP * view.width_mm, _LOOK_SHARP
        )
        changes[a] |= found
        changes[b] |= found
    wide = changes.copy()
    for a, b in _beside():
        wide[a] |= changes[b]
        wide[b] |= changes[a]
    return wide.ravel()


def _beside() -> tuple[tuple[tuple[slice, ...], tuple[slice, ...]], ...]:
    """Return pairs of parts of a grid: what lies above and below one another, and what lies left and right."""
    return (((slice(0, -1),), (slice(1, None),)), ((slice(None), slice(0, -1)), (slice(None), slice(1, None))))


def _differ(
    one: tuple[NDArray[np.int32], Singles, Singles],
    other: tuple[NDArray[np.int32], Singles, Singles],
    jump_mm: float,
    sharp: float,
) -> Bools:
    """Tell where the solid changes, or the depth jumps, or the facet's direction does."""
    both = (one[0] >= 0) & (other[0] >= 0)
    with np.errstate(invalid="ignore"):  # inf less inf, where nothing was met
        change = (one[0] != other[0]) | (both & (np.abs(one[1] - other[1]) > jump_mm))
    return change | (both & (np.einsum("...k,...k->...", one[2], other[2]) < sharp))


def _outlines(view: View, pixels: Ints, four: list[_Met]) -> Floats:
    """Return the share of each pixel (n,) that lies on an outline, from the rays of its four quarters."""
    quarter = [(one.solid, one.depth, one.square) for one in four]
    inked = np.zeros((4, len(pixels)), bool)

    def compare(a: int, b: int, of_a: Ints | slice, of_b: Ints | slice) -> None:
        one = tuple(part[of_a] for part in quarter[a])
        other = tuple(part[of_b] for part in quarter[b])
        found = _differ(one, other, _JUMP * view.width_mm, _SHARP)  # type: ignore[arg-type]
        inked[a, of_a] |= found
        inked[b, of_b] |= found

    every = slice(None)
    for a, b in ((0, 1), (2, 3), (0, 2), (1, 3)):
        compare(a, b, every, every)
    place = np.full(view.height_px * view.width_px + view.width_px, _NOTHING)
    place[pixels] = np.arange(len(pixels))
    for step, pairs in ((1, ((1, 0), (3, 2))), (view.width_px, ((2, 0), (3, 1)))):
        other = place[pixels + step]
        if step == 1:
            other = np.where(pixels % view.width_px == view.width_px - 1, _NOTHING, other)
        one = np.flatnonzero(other >= 0)
        for a, b in pairs:
            compare(a, b, one, other[one])
    return inked.mean(axis=0)


def _bent_normals(scene: Scene, met: _Met) -> Floats:
    """Return normals bent toward those vertices' normals that stand near the facet's own: edges and bevels stay sharp."""
    normals = np.empty((len(met.solid), 3))
    for index, mesh in enumerate(scene.meshes):
        mine = np.flatnonzero(met.solid == index)
        one = met.of(mine)
        square = np.ascontiguousarray(one.square.T)  # axis by axis: numpy is slow on rows of three
        corners = mesh.faces[one.facet].T
        bent = np.zeros_like(square)
        for corner, share in zip(corners, (1 - one.u - one.v, one.u, one.v), strict=True):
            at = [column[corner] for column in scene.normals[index]]
            near = at[0] * square[0] + at[1] * square[1] + at[2] * square[2] > _ONE_SURFACE
            for axis in range(3):
                bent[axis] += share * np.where(near, at[axis], square[axis])
        bent /= np.maximum(np.sqrt(bent[0] ** 2 + bent[1] ** 2 + bent[2] ** 2), np.float32(1e-30))
        normals[mine] = bent.T
    return normals
