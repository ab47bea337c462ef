"""Light, shade and line: meshes seen along parallel rays, drawn like a shaded workshop drawing. No display, no GPU."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from newel.reports.results import Floats, Mesh

Singles = NDArray[np.float32]

PAPER = (0.957, 0.937, 0.890)
INK = (0.118, 0.157, 0.212)
BRASS = (0.690, 0.541, 0.235)
STEEL = (0.560, 0.590, 0.615)

_SHADOW_RAYS = 10  # for each pixel
_SHADE_REACH = 0.14  # how far the soft shade looks, as a share of the picture's width
_ONE_SURFACE = 0.97  # cosine of 14 degrees: facets that meet at more are not shaded as one surface
_NOTHING = -1


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


@dataclass(frozen=True)
class Hits:
    """What is seen: four rays a pixel tell outlines and rims, one of them stands for the pixel's colour.

    `rows` (k,): the pixels (row-major) in which something is seen; `solid` (k,): which solid; `points_mm`, `normals`
    (k, 3); `depth_mm` (pixels,): from the eye, inf where nothing is seen. `cover`, `ink` (pixels,): shares 0..1 of the
    pixel that is covered, and that lies on an outline.
    """

    rows: NDArray[np.int64]
    solid: NDArray[np.int64]
    points_mm: Floats
    normals: Floats
    depth_mm: Floats
    cover: Floats
    ink: Floats
    scene: EmbreeScene


def look(direction_from_eye: tuple[float, float, float], meshes: list[Mesh], width_px: int, margin: float = 0.05) -> View:
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


def cast(view: View, meshes: list[Mesh]) -> Hits:
    """Send four rays a pixel into the picture and say what they meet."""
    scene = _scene(meshes)
    height, width = view.height_px, view.width_px
    origins = _origins(view)
    rays = np.broadcast_to((-view.eye).astype(np.float32), origins.shape).copy()
    found = scene.run(origins, rays, output=1)
    solid = np.where(found["primID"] >= 0, found["geomID"], _NOTHING).astype(np.int16)
    depth = np.where(solid >= 0, found["tfar"], np.float32(np.inf))
    facet = np.zeros((len(solid), 3), np.float32)
    for index, mesh in enumerate(meshes):
        mine = np.flatnonzero(solid == index)
        facet[mine] = _facet_normals(mesh).astype(np.float32)[found["primID"][mine]]
    ink = _outlines(view, solid, depth, facet)
    block = _by_pixel(np.arange(len(solid)), height, width)
    first = np.argmax(solid[block] >= 0, axis=1)
    chosen = block[np.arange(len(block)), first]
    rows = np.flatnonzero(solid[chosen] >= 0)
    chosen = chosen[rows]
    normals = np.empty((len(rows), 3))
    for index, mesh in enumerate(meshes):
        mine = solid[chosen] == index
        at = chosen[mine]
        normals[mine] = _bent_normals(mesh, found["primID"][at], found["u"][at], found["v"][at], facet[at])
    normals[normals @ view.eye < 0] *= -1.0
    pixel_depth = np.full(height * width, np.inf)
    pixel_depth[rows] = depth[chosen]
    points = origins[chosen].astype(float) - depth[chosen].astype(float)[:, None] * view.eye
    cover = (solid[block] >= 0).mean(axis=1)
    return Hits(rows, solid[chosen].astype(np.int64), points, normals, pixel_depth, cover, ink[block].mean(axis=1), scene)


def shade(view: View, hits: Hits, paint: Floats, ink_strength: float = 0.75) -> Floats:
    """Return the picture, (pixels, 3) of 0..1: two lights, soft shade where things stand close, inked outlines.

    `paint` (k, 3): the paint at each of the hits' rows.
    """
    openness = _openness(view, hits)
    key = view.eye * 0.62 + view.up * 0.72 - view.right * 0.40
    fill = view.eye * 0.55 - view.up * 0.30 + view.right * 0.85
    lit = 0.56 * np.clip(hits.normals @ (key / np.linalg.norm(key)), 0, 1)
    lit += 0.24 * np.clip(hits.normals @ (fill / np.linalg.norm(fill)), 0, 1)
    light = (0.42 + lit) * (0.42 + 0.58 * openness)
    # dark goes toward ink, bright toward paper: a drawing, not a photograph
    shaded = paint * light[:, None] + np.array(INK) * np.clip(0.55 - light, 0, 1)[:, None] * 0.4
    picture = np.tile(np.array(PAPER), (view.height_px * view.width_px, 1))
    cover = hits.cover[hits.rows, None]
    picture[hits.rows] = (1 - cover) * picture[hits.rows] + cover * np.clip(shaded, 0, 1)
    inked = ink_strength * hits.ink[:, None]
    return (1 - inked) * picture + inked * np.array(INK)


def to_pixels(view: View, picture: Floats) -> NDArray[np.uint8]:
    """Return a picture as (height, width, 3) bytes."""
    return np.rint(np.clip(picture, 0, 1) * 255).astype(np.uint8).reshape(view.height_px, view.width_px, 3)


def first_hits(points_mm: Floats, directions: Floats, meshes: list[Mesh]) -> tuple[Floats, NDArray[np.int64]]:
    """Return how far rays (n, 3) run before they meet a mesh (inf: never), and the face they meet (-1: none)."""
    found = _scene(meshes).run(points_mm.astype(np.float32), directions.astype(np.float32), output=1)
    face = found["primID"].astype(np.int64)
    return np.where(face >= 0, found["tfar"].astype(float), np.inf), face


def vertex_normals(mesh: Mesh) -> Floats:
    """Return unit normals at the vertices, faces weighed by area."""
    corners = mesh.vertices_mm[mesh.faces]
    areas = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.zeros_like(mesh.vertices_mm)
    for k in range(3):
        for axis in range(3):
            normals[:, axis] += np.bincount(mesh.faces[:, k], weights=areas[:, axis], minlength=len(normals))
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)


def _scene(meshes: list[Mesh]) -> EmbreeScene:
    scene = EmbreeScene()
    for mesh in meshes:
        TriangleMesh(scene, mesh.vertices_mm[mesh.faces].astype(np.float32))
    return scene


def _origins(view: View) -> NDArray[np.float32]:
    """Return where the rays start: (4 x pixels, 3), in rows of 2 x width."""
    step = view.width_mm / view.width_px / 2
    x = ((np.arange(2 * view.width_px) + 0.5 - view.width_px) * step).astype(np.float32)
    y = ((view.height_px - np.arange(2 * view.height_px) - 0.5) * step).astype(np.float32)
    start = (view.centre_mm + view.eye * 3.0 * view.width_mm).astype(np.float32)
    right, up = view.right.astype(np.float32), view.up.astype(np.float32)
    rows = start + y[:, None] * up
    return (rows[:, None, :] + (x[:, None] * right)[None]).reshape(-1, 3)


def _by_pixel(samples: NDArray[np.int64], height: int, width: int) -> NDArray[np.int64]:
    return samples.reshape(height, 2, width, 2).transpose(0, 2, 1, 3).reshape(height * width, 4)


def _outlines(view: View, solid: NDArray[np.int16], depth: Singles, facet: Singles) -> Singles:
    """Return 1 where the solid changes, or the depth or the facet's direction jumps, else 0."""
    shape = (2 * view.height_px, 2 * view.width_px)
    kind, far, normal = solid.reshape(shape), depth.reshape(shape), facet.reshape(*shape, 3)
    jump = 0.012 * view.width_mm
    edge = np.zeros(shape, dtype=np.float32)
    for a, b in (((slice(0, -1),), (slice(1, None),)), ((slice(None), slice(0, -1)), (slice(None), slice(1, None)))):
        both = (kind[a] >= 0) & (kind[b] >= 0)
        with np.errstate(invalid="ignore"):
            change = (kind[a] != kind[b]) | (both & (np.abs(far[a] - far[b]) > jump))
        change |= both & (np.einsum("ijk,ijk->ij", normal[a], normal[b]) < 0.35)
        edge[a][change] = 1.0
        edge[b][change] = 1.0
    return edge.ravel()


def _facet_normals(mesh: Mesh) -> Floats:
    corners = mesh.vertices_mm[mesh.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)


def _bent_normals(mesh: Mesh, triangle: NDArray[np.int64], u: Floats, v: Floats, facet: Floats) -> Floats:
    """Return normals bent toward those vertices' normals that stand near the facet's own: edges and bevels stay sharp."""
    at_vertices = vertex_normals(mesh)[mesh.faces[triangle]]
    near = np.einsum("ijk,ik->ij", at_vertices, facet) > _ONE_SURFACE
    at_vertices = np.where(near[..., None], at_vertices, facet[:, None, :])
    bent = np.einsum("ij,ijk->ik", np.column_stack([1 - u - v, u, v]), at_vertices)
    return bent / np.maximum(np.linalg.norm(bent, axis=1, keepdims=True), 1e-30)


def _openness(view: View, hits: Hits) -> Floats:
    """Return how open each hit is to the sky over its own normal, 0..1; rays of a fixed spiral, turned pixel by pixel."""
    reach = _SHADE_REACH * view.width_mm
    scene = hits.scene
    normals = hits.normals.astype(np.float32)
    start = (hits.points_mm + hits.normals * (2e-4 * view.width_mm)).astype(np.float32)
    helper = np.where(np.abs(normals[:, :1]) < 0.8, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]]).astype(np.float32)
    side = np.cross(normals, helper)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(normals, side)
    spin = (2 * np.pi * np.random.default_rng(1).random(len(normals))).astype(np.float32)
    open_share = np.zeros(len(normals))
    for k in range(_SHADOW_RAYS):
        height = np.float32(np.sqrt(1.0 - (k + 0.5) / _SHADOW_RAYS))  # cosine-weighted
        out = np.float32(np.sqrt(1.0 - height * height))
        turn = spin + np.float32(k * 2.399963)  # golden angle
        ray = height * normals + out * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other)
        found = scene.run(start, np.ascontiguousarray(ray, dtype=np.float32), output=1)
        open_share += np.where(found["primID"] >= 0, np.clip(found["tfar"] / reach, 0, 1), 1.0)
    return open_share / _SHADOW_RAYS
