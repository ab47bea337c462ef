"""Bodies of a closed mesh: turned outward, cavities told from solids, overlapping ones united (by manifold3d)."""

from __future__ import annotations

from typing import NamedTuple

import manifold3d
import numpy as np

from newel.core.errors import BadInput
from newel.core.units import mm
from newel.geometry.mesh_mending import Floats, Ints, bodies_of, merge_equal, signed_volumes, winding_number

# House choices: a body beside the part, or a bubble in it, is a speck when it is this small in volume and in length.
SPECK_VOLUME_SHARE, SPECK_SHARE = 1e-5, 0.02
_SLIVER_SHARE = 1e-9  # a body with less volume than this share of its box is a folded sheet


class Bodies(NamedTuple):
    """A mesh whose bodies are sorted out: `pieces` of separate pieces of material, and what was done in plain words."""

    vertices: Floats
    faces: Ints
    pieces: int
    said: tuple[str, ...]


def sort_bodies(vertices: Floats, faces: Ints, where: str) -> Bodies:
    """Turn bodies outward, keep cavities, drop folded sheets and specks, unite bodies that overlap; the mesh must be closed."""
    said: list[str] = []
    count, body = bodies_of(faces, len(vertices))
    volumes = signed_volumes(vertices, faces, body, count)
    low, high = _boxes(vertices, faces, body, count)
    sheets = np.abs(volumes) <= _SLIVER_SHARE * (high - low).max(axis=1) ** 3
    if sheets.all():
        raise BadInput(
            "the model has no volume: it is a flat or folded sheet", where=where, remedy="give it thickness, then save it again"
        )
    across = np.linalg.norm(high - low, axis=1)
    specks = ~sheets & (np.abs(volumes) < SPECK_VOLUME_SHARE * np.abs(volumes).max()) & (across < SPECK_SHARE * across.max())
    if sheets.any():
        said.append(f"{_many(int(sheets.sum()), 'sheet')} without volume dropped")
    if specks.any():
        said.append(f"{_many(int(specks.sum()), 'loose speck')} dropped, the largest {mm(float(across[specks].max()))} across")
    if sheets.any() or specks.any():
        vertices, faces, _ = merge_equal(vertices, faces[~(sheets | specks)[body]])
        count, body = bodies_of(faces, len(vertices))
        volumes = signed_volumes(vertices, faces, body, count)
        low, high = _boxes(vertices, faces, body, count)
    owner = _owners(vertices, faces, body, volumes, (low, high))
    inside_out = (volumes < 0) & (owner < 0)
    if inside_out.any():
        turned = inside_out[body]
        faces = np.where(turned[:, None], faces[:, ::-1], faces)
        said.append(
            f"{_many(int(inside_out.sum()), 'body', 'bodies')} turned right side out ({_many(int(turned.sum()), 'face')})"
        )
    cavities = owner >= 0
    if cavities.any():
        said.append(
            f"{_many(int(cavities.sum()), 'closed cavity', 'closed cavities')} kept inside the part: no cutter can reach there"
        )
    solids = np.flatnonzero(~cavities)
    if len(solids) == 1 or not _boxes_meet(low[solids], high[solids]):
        return Bodies(vertices, faces, len(solids), tuple(said))
    return _united(vertices, faces, body, owner, said, where)


def _boxes(vertices: Floats, faces: Ints, body: Ints, count: int) -> tuple[Floats, Floats]:
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, np.repeat(body, 3), vertices[faces.ravel()])
    np.maximum.at(high, np.repeat(body, 3), vertices[faces.ravel()])
    return low, high


def _owners(vertices: Floats, faces: Ints, body: Ints, volumes: Floats, boxes: tuple[Floats, Floats]) -> Ints:
    """For each body with negative volume: the smallest solid that holds it, so that it is a cavity; -1 for all others."""
    owner = np.full(len(volumes), -1)
    low, high = boxes
    for hollow in np.flatnonzero(volumes < 0):
        point = vertices[faces[np.argmax(body == hollow), 0]]
        around = (low <= low[hollow]).all(axis=1) & (high >= high[hollow]).all(axis=1) & (volumes > -volumes[hollow])
        held = [n for n in np.flatnonzero(around) if winding_number(vertices, faces[body == n], point) > 0.5]
        if held:
            owner[hollow] = min(held, key=lambda n: volumes[n])
    return owner


def _boxes_meet(low: Floats, high: Floats) -> bool:
    """Whether any two boxes touch, looking along X first."""
    order = np.argsort(low[:, 0])
    low, high = low[order], high[order]
    for n in range(len(low) - 1):
        near = np.flatnonzero(low[n + 1 :, 0] <= high[n, 0]) + n + 1
        if ((low[near] <= high[n]) & (high[near] >= low[n])).all(axis=1).any():
            return True
    return False


def _united(vertices: Floats, faces: Ints, body: Ints, owner: Ints, said: list[str], where: str) -> Bodies:
    """Unite the solids, each less its own cavities."""
    solids = []
    for n in np.flatnonzero(owner < 0):
        solid = _manifold(vertices, faces[body == n], where)
        holes = [_manifold(vertices, faces[body == m][:, ::-1], where) for m in np.flatnonzero(owner == n)]
        solids.append(manifold3d.Manifold.batch_boolean([solid, *holes], manifold3d.OpType.Subtract) if holes else solid)
    joined = manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    if joined.is_empty():
        raise BadInput("the bodies of the model could not be united", where=where, remedy="unite them before saving the model")
    mesh = joined.to_mesh64()
    vertices, faces, _ = merge_equal(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int64))
    count, body = bodies_of(faces, len(vertices))
    pieces = int((signed_volumes(vertices, faces, body, count) > 0).sum())
    if pieces < len(solids):
        said.append(
            f"{len(solids)} bodies that overlap, touch or hold one another united into {_many(pieces, 'body', 'bodies')}"
        )
    return Bodies(vertices, faces, pieces, tuple(said))


def _manifold(vertices: Floats, faces: Ints, where: str) -> manifold3d.Manifold:
    points, corners, _ = merge_equal(vertices, faces)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(points), np.ascontiguousarray(corners.astype(np.uint64)))
    )
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise BadInput(
            f"a body of {len(faces)} faces is not a sound solid ({solid.status().name})",
            where=where,
            remedy="mend the model where it was made, or save its bodies as one",
        )
    return solid


def _many(number: int, one: str, more: str = "") -> str:
    return f"{number} {one if number == 1 else more or one + 's'}"
