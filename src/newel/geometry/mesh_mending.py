"""Mending a mesh where that is safe: pure steps on vertices (n, 3) and faces (m, 3), each saying what it did.

A mesh is closed when each edge is run through as often one way as the other; it is turned outward when its signed
volume is positive. The steps are the plain topology of oriented surfaces; no step moves a vertex by more than JOIN_MM.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, connected_components
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# House choices, all well below what a light mill can repeat (some hundredths of a mm).
JOIN_MM = 0.01  # open seams are joined when their vertices lie this close,
JOIN_SHARE = 1e-4  # and no further apart than this share of the model's diagonal
SLIVER_MM = 1e-6  # a face less high than this is a line


class Edges(NamedTuple):
    """The edges of a mesh, grouped: `key` (e,) one number an undirected edge, `group` (3m,) which of them each half edge is."""

    key: Ints
    group: Ints
    balance: Ints  # (e,) times run through one way less times run through the other way
    faces: Ints  # (e,) how many faces stand at the edge


def edges_of(faces: Ints, vertex_count: int) -> Edges:
    """Group the 3m half edges of the faces (corner k to corner k + 1, face by face) into undirected edges."""
    start = faces.ravel()
    end = faces[:, [1, 2, 0]].ravel()
    key, group = np.unique(np.minimum(start, end) * vertex_count + np.maximum(start, end), return_inverse=True)
    balance = np.bincount(group, weights=np.where(start < end, 1.0, -1.0), minlength=len(key)).astype(np.int64)
    return Edges(key, group, balance, np.bincount(group, minlength=len(key)))


def open_half_edges(faces: Ints, vertex_count: int) -> Ints:
    """Return the half edges that lack a partner running back, as (k, 2) start and end vertices."""
    edges = edges_of(faces, vertex_count)
    bad = np.flatnonzero(edges.balance)
    times = np.abs(edges.balance[bad])
    low, high = np.divmod(edges.key[bad], vertex_count)
    forward = edges.balance[bad] > 0
    pairs = np.stack([np.where(forward, low, high), np.where(forward, high, low)], axis=1)
    return np.repeat(pairs, times, axis=0)


def merge_equal(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, int]:
    """Merge vertices at exactly the same place and drop those no face uses; also return how many places were doubled."""
    used = np.zeros(len(vertices), bool)
    used[faces.ravel()] = True
    index = np.flatnonzero(used)
    points = vertices[index] + 0.0  # turns -0.0 into 0.0
    order = np.lexsort(points.T)
    new = np.ones(len(order), bool)
    new[1:] = (points[order[1:]] != points[order[:-1]]).any(axis=1)
    place = np.empty(len(order), np.int64)
    place[order] = np.cumsum(new) - 1
    # Keep the file's own order of first appearance, so that a clean mesh passes through unchanged.
    first = np.full(int(new.sum()), len(order), np.int64)
    np.minimum.at(first, place, np.arange(len(order)))
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    renumber = np.full(len(vertices), -1, np.int64)
    renumber[index] = rank[place]
    return points[np.sort(first)], renumber[faces], len(order) - len(first)


def drop_degenerate(faces: Ints) -> tuple[Ints, int]:
    """Drop faces that use a vertex twice."""
    good = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return faces[good], int((~good).sum())


def drop_loose_slivers(vertices: Floats, faces: Ints) -> tuple[Ints, int]:
    """Drop faces without height that hang on edges with an odd number of faces: they close nothing. Also return how many."""
    odd = edges_of(faces, len(vertices))
    hanging = (odd.faces % 2 == 1)[odd.group].reshape(-1, 3).any(axis=1)
    if not hanging.any():
        return faces, 0
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    longest = np.max([np.linalg.norm(side, axis=1) for side in (b - a, c - b, a - c)], axis=0)
    sliver = hanging & (np.linalg.norm(np.cross(b - a, c - a), axis=1) <= SLIVER_MM * longest)
    kept = faces[~sliver]
    after = edges_of(kept, len(vertices))
    if int((after.faces % 2).sum()) >= int((odd.faces % 2).sum()):
        return faces, 0
    return kept, int(sliver.sum())


def drop_doubled(faces: Ints, vertex_count: int) -> tuple[Ints, int]:
    """Drop faces that stand more than once in the same place.

    Equal copies leave one. Copies facing each other are either a doubled skin, which leaves one, or the inner wall of two
    bodies glued face to face, which leaves none: at a wall's rim two further faces meet, at a skin's rim one. In a mesh that is
    closed as it stands copies facing each other enclose nothing and leave none, unless they are most of it.
    """
    corners = np.sort(faces, axis=1)
    order = np.lexsort(corners.T)
    same = (corners[order[1:]] == corners[order[:-1]]).all(axis=1)
    if not same.any():
        return faces, 0
    group = np.empty(len(faces), np.int64)
    group[order] = np.concatenate([[0], np.cumsum(~same)])
    way = np.where(_turned_oddly(faces), -1, 1)
    net = np.bincount(group, weights=way).astype(np.int64)
    size = np.bincount(group)
    facing = net == 0
    leading = facing[group] | (way == np.sign(net)[group])  # the copies that run the way the group does as a whole
    first = np.full(len(size), len(faces), np.int64)
    np.minimum.at(first, group[leading], np.flatnonzero(leading))
    keep = np.sort(first[~facing])
    if facing.sum() * 2 < len(size) and not edges_of(faces, vertex_count).balance.any():
        if edges_of(faces[keep], vertex_count).balance.any():  # one copy is not enough to stay closed: keep what is not undone
            place = np.argsort(group[leading], kind="stable")
            rank = np.arange(len(place)) - np.searchsorted(group[leading][place], group[leading][place])
            keep = np.sort(np.flatnonzero(leading)[place][rank < np.abs(net)[group[leading][place]]])
    elif facing.any():
        keep = np.sort(np.concatenate([keep, first[_skins(faces[first], facing, vertex_count)]]))
    return faces[keep], len(faces) - len(keep)


def _turned_oddly(faces: Ints) -> NDArray[np.bool_]:
    """Whether each face's corners stand in an odd order of its sorted corners."""
    a, b, c = faces.T
    return ((a > b).astype(int) + (b > c) + (a > c)) % 2 == 1


def _skins(faces: Ints, facing: NDArray[np.bool_], vertex_count: int) -> Ints:
    """Return which faces that face a copy of themselves are doubled skin (to keep once), patch by patch."""
    edges = edges_of(faces, vertex_count)
    single = edges.faces - np.bincount(edges.group, weights=np.repeat(facing, 3), minlength=len(edges.key)).astype(np.int64)
    index = np.flatnonzero(facing)
    of_edge = edges.group.reshape(-1, 3)[index]
    links = coo_matrix(
        (np.ones(of_edge.size), (np.repeat(np.arange(len(index)), 3), of_edge.ravel())), shape=(len(index), len(edges.key))
    )
    count, patch = connected_components(links @ links.T, directed=False)
    at_rim = (single[of_edge] >= 2).any(axis=1)
    wall = np.bincount(patch, weights=at_rim, minlength=count) > 0
    return index[~wall[patch]]


def join_seams(vertices: Floats, faces: Ints) -> tuple[Ints, int]:
    """Join vertices of open edges that lie very close to each other; also return how many were joined."""
    rim = np.unique(open_half_edges(faces, len(vertices)))
    if len(rim) == 0:
        return faces, 0
    reach_mm = min(JOIN_MM, JOIN_SHARE * float(np.linalg.norm(np.ptp(vertices, axis=0))))
    pairs = cKDTree(vertices[rim]).query_pairs(reach_mm, output_type="ndarray")
    if len(pairs) == 0:
        return faces, 0
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(rim), len(rim)))
    count, place = connected_components(links, directed=False)
    first = np.full(count, len(rim), np.int64)
    np.minimum.at(first, place, np.arange(len(rim)))
    renumber = np.arange(len(vertices))
    renumber[rim] = rim[first[place]]
    return renumber[faces], len(rim) - count


def turn_alike(faces: Ints, vertex_count: int) -> tuple[Ints, int]:
    """Flip faces so that neighbours across two-faced edges run their edge opposite ways; also return how many were flipped.

    Walks the faces breadth first. The smaller share of each patch counts as flipped. A one-sided surface (a Moebius band)
    cannot be turned alike and stays open to the check that follows.
    """
    edges = edges_of(faces, vertex_count)
    if not (edges.balance[edges.faces == 2] != 0).any():
        return faces, 0
    half = np.argsort(edges.group, kind="stable")
    begins = np.concatenate([[0], np.cumsum(edges.faces)[:-1]])[edges.faces == 2]
    one, two = half[begins] // 3, half[begins + 1] // 3
    alike = edges.balance[edges.faces == 2] == 0
    _, single = np.unique(np.minimum(one, two) * len(faces) + np.maximum(one, two), return_index=True)
    one, two, weight = one[single], two[single], np.where(alike, 1, 2)[single]
    total = len(faces)
    links = coo_matrix((weight, (one, two)), shape=(total, total))
    count, patch = connected_components(links, directed=False)
    root = np.full(count, total, np.int64)
    np.minimum.at(root, patch, np.arange(total))
    # One node more, tied to the first face of every patch, so that one walk reaches them all.
    tied = (
        np.concatenate([weight, np.ones(count, np.int64)]),
        (np.concatenate([one, root]), np.concatenate([two, [total] * count])),
    )
    walk = coo_matrix(tied, shape=(total + 1, total + 1)).tocsr()
    walk = walk + walk.T
    order, before = breadth_first_order(walk, total, directed=False)
    turned = np.asarray(walk[order[1:], before[order[1:]]]).ravel() == 2
    flip = [False] * (total + 1)
    for face, above, step in zip(order[1:].tolist(), before[order[1:]].tolist(), turned.tolist()):
        flip[face] = flip[above] != step
    flips = np.array(flip[:total])
    most = np.bincount(patch, weights=flips, minlength=count) * 2 > np.bincount(patch, minlength=count)
    flips ^= most[patch]
    return np.where(flips[:, None], faces[:, ::-1], faces), int(flips.sum())


def signed_volumes(vertices: Floats, faces: Ints, body: Ints, count: int) -> Floats:
    """Return the signed volume of each body (divergence theorem: sum of a . (b x c) / 6), about the model's middle."""
    middle = vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - middle for k in range(3))
    sixth: Floats = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
    volumes: Floats = np.bincount(body, weights=sixth, minlength=count).astype(np.float64)
    return volumes


def bodies_of(faces: Ints, vertex_count: int) -> tuple[int, Ints]:
    """Tell bodies apart. Returns how many, and the body of each face; the mesh must be closed.

    Faces belong together through edges with two faces. Bodies that only touch along an edge (four faces) are two, unless
    one of them alone would not be closed there: then all edges count.
    """
    edges = edges_of(faces, vertex_count)
    owner = np.repeat(np.arange(len(faces)), 3)
    plain = (edges.faces == 2)[edges.group]
    count, body = _joined_through(edges.group[plain], owner[plain], len(faces), len(edges.key))
    crowded = ~plain
    if not crowded.any():
        return count, body
    start, end = faces.ravel()[crowded], faces[:, [1, 2, 0]].ravel()[crowded]
    _, place = np.unique(edges.group[crowded] * count + body[owner[crowded]], return_inverse=True)
    if np.bincount(place, weights=np.where(start < end, 1.0, -1.0)).any():
        return _joined_through(edges.group, owner, len(faces), len(edges.key))
    return count, body


def _joined_through(edge: Ints, face: Ints, face_count: int, edge_count: int) -> tuple[int, Ints]:
    """Group faces that meet at the given edges; numbered in the order of their first face."""
    size = face_count + edge_count
    links = coo_matrix((np.ones(len(edge), np.int8), (face, edge + face_count)), shape=(size, size))
    _, label = connected_components(links, directed=False)
    names, body = np.unique(label[:face_count], return_inverse=True)
    return len(names), body.astype(np.int64)


def winding_number(vertices: Floats, faces: Ints, point: Floats) -> float:
    """Return how often the faces wind round a point (van Oosterom and Strackee 1983: solid angle of a triangle, over 4 pi)."""
    a, b, c = (vertices[faces[:, k]] - point for k in range(3))
    la, lb, lc = (np.linalg.norm(side, axis=1) for side in (a, b, c))
    triple = np.einsum("ij,ij->i", a, np.cross(b, c))
    dot = np.einsum("ij,ij->i", a, b) * lc + np.einsum("ij,ij->i", b, c) * la + np.einsum("ij,ij->i", c, a) * lb
    return float((2.0 * np.arctan2(triple, la * lb * lc + dot)).sum() / (4.0 * np.pi))
