"""Flat patches of a mesh, and which of them are flat faces rather than facets of something curved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.geometry.feature_kernels import Surface, grow_flat
from newel.geometry.features import FlatFace
from newel.geometry.mesh_facets import LENDINGS, Facets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# House choices, well below what a light mill can repeat and above what single-precision files blur (about 4e-6 mm at 40 mm).
FLAT_MM = 1e-3  # how far a corner may lie off its patch's plane
BLUR_SHARE = 2e-7  # and this share of the model's size on top: half the last place of single precision is 6e-8
FLAT_DEG = 0.5  # how far a facet's normal may lean
LEAST_AREA_MM2 = 0.2
LEAST_WIDTH_MM = 0.02
SMOOTH_DEG = 30.5  # facets that meet within this may belong to one curved face: twelve or more to a turn
FACET_AREAS = 6.0  # a flat face among facets of something curved is at least so many times as large as they are


@dataclass(frozen=True, eq=False)
class Patches:
    """Flat patches: `of_face` (m,) the patch of each facet, unit `normals` (p, 3), `areas_mm2` (p,).

    `first` (p + 1,), `corner`: the points of patch i are corner[first[i] : first[i + 1]]. `edges` are the rows of
    Facets.edges where two patches meet, `pair` (k, 2) those patches (left, right), `turn_deg` (k,) how far the normals turn.
    """

    of_face: Ints
    normals: Floats
    areas_mm2: Floats
    first: Ints
    corner: Ints
    edges: Ints
    pair: Ints
    turn_deg: Floats


def fit_limit_mm(facets: Facets, base_mm: float) -> float:
    """Return a fit's limit for a model of this size: `base_mm` and what single precision blurs."""
    return base_mm + BLUR_SHARE * float(np.ptp(facets.points, axis=0).max())


def patches_of(facets: Facets) -> Patches:
    """Gather the facets into flat patches: every facet is in just one."""
    corners = facets.points[facets.faces]
    longest = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2).max(axis=1)
    height = 2.0 * facets.areas_mm2 / np.maximum(longest, 1e-300)
    order = np.argsort(-height, kind="stable")
    order = order[~facets.sliver[order]]
    surface = Surface(facets.points, facets.faces, facets.neighbours, facets.normals, facets.sliver)
    patch = grow_flat(surface, order, fit_limit_mm(facets, FLAT_MM), np.cos(np.radians(FLAT_DEG)))
    patch = _with_slivers(facets, patch)
    count = int(patch.max()) + 1
    weight = facets.areas_mm2 + 1e-12
    normals: Floats = np.empty((count, 3))
    for k in range(3):
        normals[:, k] = np.bincount(patch, weights=weight * facets.normals[:, k], minlength=count)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    owned = np.unique(np.repeat(patch, 3) * len(facets.points) + facets.faces.ravel())
    owner, corner = np.divmod(owned, len(facets.points))
    pair = np.stack([patch[facets.left], patch[facets.right]], axis=1)
    edges = np.flatnonzero(pair[:, 0] != pair[:, 1])
    pair = pair[edges]
    turn = _angle_deg(normals[pair[:, 0]], normals[pair[:, 1]])
    areas: Floats = np.bincount(patch, weights=facets.areas_mm2, minlength=count).astype(np.float64)
    return Patches(patch, normals, areas, np.searchsorted(owner, np.arange(count + 1)), corner, edges, pair, turn)


def _with_slivers(facets: Facets, patch: Ints) -> Ints:
    """Give each sliver to the patch over its longest edge, where its normal was lent from; what is left stands alone."""
    patch = patch.copy()
    for _ in range(LENDINGS):
        ready = np.flatnonzero((patch < 0) & (patch[facets.lender] >= 0))
        if len(ready) == 0:
            break
        patch[ready] = patch[facets.lender[ready]]
    alone = np.flatnonzero(patch < 0)
    patch[alone] = patch.max(initial=-1) + 1 + np.arange(len(alone))
    return patch


def flat_faces(facets: Facets, patches: Patches, in_round: Flags) -> tuple[Ints, tuple[FlatFace, ...]]:
    """Return the flat faces, largest first, and which of them each patch is (p,), -1 for none.

    `in_round` (p,): patches that belong to a round face. A patch counts as a facet of something else curved where much of
    its rim runs on smoothly into other such facets that are not much smaller.
    """
    count = len(patches.normals)
    lengths = np.linalg.norm(
        facets.points[facets.edges[patches.edges, 1]] - facets.points[facets.edges[patches.edges, 0]], axis=1
    )
    rim, smooth, weighed = np.zeros(count), np.zeros(count), np.zeros(count)
    for own, other in ((0, 1), (1, 0)):
        mine, its = patches.pair[:, own], patches.pair[:, other]
        curved = (patches.turn_deg <= SMOOTH_DEG) & ~in_round[its]
        rim += np.bincount(mine, weights=lengths, minlength=count)
        smooth += np.bincount(mine, weights=lengths * curved, minlength=count)
        weighed += np.bincount(mine, weights=lengths * curved * patches.areas_mm2[its], minlength=count)
    among = weighed / np.maximum(smooth, 1e-300)
    stands_out = (smooth <= 0.25 * rim) | (patches.areas_mm2 >= FACET_AREAS * among)
    wide = 2.0 * patches.areas_mm2 >= LEAST_WIDTH_MM * rim
    chosen = np.flatnonzero(~in_round & stands_out & wide & (patches.areas_mm2 >= LEAST_AREA_MM2))
    chosen = chosen[np.argsort(-patches.areas_mm2[chosen], kind="stable")]
    number = np.full(count, -1, np.int64)
    number[chosen] = np.arange(len(chosen))
    return number, tuple(_flat_face(facets, patches, int(patch)) for patch in chosen)


def _flat_face(facets: Facets, patches: Patches, patch: int) -> FlatFace:
    faces = np.flatnonzero(patches.of_face == patch)
    points = facets.points[patches.corner[patches.first[patch] : patches.first[patch + 1]]]
    middle = points.mean(axis=0)
    normal = patches.normals[patch]
    fitted = np.linalg.svd(points - middle, full_matrices=False)[2][2]
    if abs(fitted @ normal) > np.cos(np.radians(FLAT_DEG)):  # a strip too narrow to say how it leans keeps its facets' normal
        normal = fitted if fitted @ normal > 0 else -fitted
    normal = normal + 0.0  # turns -0.0 into 0.0
    return FlatFace(normal, float(normal @ middle), float(facets.areas_mm2[faces].sum()), faces)


def _angle_deg(one: Floats, other: Floats) -> Floats:
    cross = np.linalg.norm(np.cross(one, other), axis=1)
    angle: Floats = np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", one, other)))
    return angle
