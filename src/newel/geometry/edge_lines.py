"""Sharp edges of a mesh: where two faces meet at an angle, chained into lines with the normals of both faces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.geometry.features import EdgeLine, FlatFace, RoundFace
from newel.geometry.mesh_facets import Facets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# From this angle between the faces on an edge is sharp (house choices): what is known exactly needs no room for facets.
SHARP_DEG = 15.0  # both are flat or round faces
SHARP_TO_FREE_DEG = 20.0  # one of them is
SHARP_FREE_DEG = 30.5  # neither: twelve facets to a turn still count as smooth
FLUSH_DEG = 0.1  # facets flatter than this to each other have no edge between them
CORNER_DEG = 40.0  # a line that turns by more is split there


@dataclass(frozen=True, eq=False)
class SharpEdges:
    """Sharp edges of a mesh: `ends` (k, 2) points, `left`, `right` (k, 2, 3) unit normals at both ends, `outside` (k,)."""

    ends: Ints
    left: Floats
    right: Floats
    outside: Flags


def edge_lines(
    facets: Facets, feature: Ints, flats: tuple[FlatFace, ...], rounds: tuple[RoundFace, ...]
) -> tuple[EdgeLine, ...]:
    """Return the sharp edges, longest first. `feature` (m,): of each facet, flats first, then rounds, -1 for neither."""
    one, other = feature[facets.left], feature[facets.right]
    rough = np.einsum("ij,ij->i", facets.normals[facets.left], facets.normals[facets.right])
    index = np.flatnonzero(((one != other) | (one < 0)) & (rough < np.cos(np.radians(FLUSH_DEG))))
    one, other, ends = one[index], other[index], facets.edges[index]
    left = _normals(facets, facets.left[index], one, ends, flats, rounds)
    right = _normals(facets, facets.right[index], other, ends, flats, rounds)
    known = (one >= 0).astype(int) + (other >= 0)
    limit_deg = np.array([SHARP_FREE_DEG, SHARP_TO_FREE_DEG, SHARP_DEG])[known]
    return chained(facets.points, sharp_edges(facets.points, ends, left, right, limit_deg))


def sharp_edges(points: Floats, ends: Ints, left: Floats, right: Floats, limit_deg: Floats) -> SharpEdges:
    """Keep those edges (k, 2) whose faces, with normals `left`, `right` (k, 2, 3) at both ends, turn by more than the limit.

    The `left` face runs along an edge from its first end to its second.
    """
    at_left, at_right = left.sum(axis=1), right.sum(axis=1)
    cross = np.cross(at_left, at_right)
    turn = np.degrees(np.arctan2(np.linalg.norm(cross, axis=1), np.einsum("ij,ij->i", at_left, at_right)))
    keep = turn > limit_deg
    outside = np.einsum("ij,ij->i", cross, points[ends[:, 1]] - points[ends[:, 0]]) > 0.0
    return SharpEdges(ends[keep], left[keep], right[keep], outside[keep])


def chained(points: Floats, sharp: SharpEdges) -> tuple[EdgeLine, ...]:
    """Chain sharp edges into lines, longest first; split at forks, corners, and where outside turns inside."""
    lines = [_line(points, sharp, chain) for chain in _chains(points, sharp)]
    lengths = np.array([np.linalg.norm(np.diff(line.points, axis=0), axis=1).sum() for line in lines])
    return tuple(lines[i] for i in np.argsort(-lengths, kind="stable"))


def _normals(
    facets: Facets, face: Ints, feature: Ints, ends: Ints, flats: tuple[FlatFace, ...], rounds: tuple[RoundFace, ...]
) -> Floats:
    """Return each edge's normals at both ends on one hand, (k, 2, 3): the feature's own, else the facet's."""
    normals = np.repeat(facets.normals[face][:, None, :], 2, axis=1)
    if flats:
        flat = (feature >= 0) & (feature < len(flats))
        normals[flat] = np.stack([f.normal for f in flats])[feature[flat]][:, None, :]
    if rounds:
        number = feature - len(flats)
        rows = np.flatnonzero(number >= 0)
        number = number[rows]
        axis = np.stack([r.axis for r in rounds])[number][:, None, :]
        out = facets.points[ends[rows]] - np.stack([r.point for r in rounds])[number][:, None, :]
        out -= np.einsum("ijk,ijk->ij", out, np.broadcast_to(axis, out.shape))[..., None] * axis
        out *= np.where([r.hollow for r in rounds], -1.0, 1.0)[number][:, None, None]
        normals[rows] = out / np.maximum(np.linalg.norm(out, axis=2, keepdims=True), 1e-300)
    return normals


def _chains(points: Floats, sharp: SharpEdges) -> list[list[tuple[int, bool]]]:
    """Chain the edges: each chain a list of (edge, whether it is run through from its first end)."""
    count = len(sharp.ends)
    if count == 0:
        return []
    names, place = np.unique(sharp.ends, return_inverse=True)
    place = place.reshape(-1, 2)
    order = np.argsort(place.ravel(), kind="stable")  # half 2 k + 0/1: edge k at its first or second end
    begins = np.searchsorted(place.ravel()[order], np.arange(len(names) + 1))
    two = np.flatnonzero(np.diff(begins) == 2)
    a, b = order[begins[two]], order[begins[two] + 1]
    away_a, away_b = _away(points, sharp, a), _away(points, sharp, b)
    goes_on = (np.einsum("ij,ij->i", away_a, away_b) <= -np.cos(np.radians(CORNER_DEG))) & (
        sharp.outside[a // 2] == sharp.outside[b // 2]
    )
    partner = np.full(2 * count, -1, np.int64)
    partner[a[goes_on]], partner[b[goes_on]] = b[goes_on], a[goes_on]
    after = partner.tolist()
    seen = [False] * count
    chains = []
    open_ends = np.flatnonzero(partner < 0).tolist()
    for half in [*open_ends, *range(0, 2 * count, 2)]:  # open chains first, then the closed ones that are left
        chain: list[tuple[int, bool]] = []
        while half >= 0 and not seen[half // 2]:
            seen[half // 2] = True
            chain.append((half // 2, half % 2 == 0))
            half = after[half ^ 1]
        if chain:
            chains.append(chain)
    return chains


def _away(points: Floats, sharp: SharpEdges, half: Ints) -> Floats:
    """Return the unit direction in which each half edge leaves its end."""
    here = sharp.ends[half // 2, half % 2]
    there = sharp.ends[half // 2, 1 - half % 2]
    out = points[there] - points[here]
    return np.asarray(out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300))


def _line(points: Floats, sharp: SharpEdges, chain: list[tuple[int, bool]]) -> EdgeLine:
    edge = np.array([k for k, _ in chain])
    forward = np.array([way for _, way in chain])
    ends = np.where(forward[:, None], sharp.ends[edge], sharp.ends[edge][:, ::-1])
    one = np.where(forward[:, None, None], sharp.left[edge], sharp.right[edge][:, ::-1])
    other = np.where(forward[:, None, None], sharp.right[edge], sharp.left[edge][:, ::-1])
    line = np.concatenate([ends[:, 0], ends[-1:, 1]])
    closed = len(line) > 2 and line[0] == line[-1]
    return EdgeLine(points[line], _at_points(one, closed), _at_points(other, closed), bool(sharp.outside[edge[0]]))


def _at_points(normals: Floats, closed: bool) -> Floats:
    """Return normals at a chain's points from those at its edges' ends, (k, 2, 3): the mean of both where two edges meet."""
    total = np.zeros((len(normals) + 1, 3))
    total[:-1] += normals[:, 0]
    total[1:] += normals[:, 1]
    if closed:
        total[0] = total[-1] = total[0] + total[-1]
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
