"""Meshes: read from a file's bytes, mended where that is safe, measured, moved and written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.units import MM_PER_INCH, mm
from newel.geometry.features import Features
from newel.geometry.mesh_bodies import sort_bodies
from newel.geometry.mesh_files import FILE_TYPES, MM_PER_UNIT, STL_ROW, parsed, scale_of
from newel.geometry.mesh_holes import fill_holes
from newel.geometry.mesh_mending import (
    drop_degenerate,
    drop_doubled,
    drop_loose_slivers,
    edges_of,
    join_seams,
    merge_equal,
    open_half_edges,
    turn_alike,
)

Floats = NDArray[np.float64]
STEP_TYPES = ("step", "stp")  # read with the extra `step`
MODEL_TYPES = (*FILE_TYPES, *STEP_TYPES)
LARGEST_MM, SMALLEST_MM = 2000.0, 0.5  # beyond these a model is taken for one in another unit (house choice)


@dataclass(frozen=True, eq=False)
class Mesh:
    """A closed surface: `vertices` (n, 3) float64 in mm, `faces` (m, 3) int32, counterclockwise from outside; read-only."""

    vertices: Floats
    faces: NDArray[np.int32]

    def __post_init__(self) -> None:
        """Take own copies of the right kind and lock them."""
        for name, kind in (("vertices", np.float64), ("faces", np.int32)):
            array = np.array(getattr(self, name), dtype=kind, order="C")
            if array.ndim != 2 or array.shape[1] != 3:
                raise BadInput(f"the {name} of a mesh must have three columns")
            array.setflags(write=False)
            object.__setattr__(self, name, array)


@dataclass(frozen=True)
class ReadModel:
    """A model as read: its mesh in mm, what was mended in plain words, and how many separate pieces it is.

    `lines`: for each ornament, polylines (n, 3) on the surface that a pointed cutter follows; `spans_mm`: of several parts,
    from where to where each lies along the bar, counted from the first (none: one part). `features`: of the surface, where
    the file tells them (else they can be found on the mesh).
    """

    mesh: Mesh
    mended: tuple[str, ...]
    bodies: int
    lines: tuple[tuple[Floats, ...], ...] = ()
    spans_mm: tuple[tuple[float, float], ...] = ()
    features: Features | None = None


def read_mesh(data: bytes, file_type: str, unit: str, where: str) -> ReadModel:
    """Read a model from the bytes of an stl, obj, ply, 3mf or step file, in 'mm' or 'inch', and mend it where that is safe.

    A 3MF file says its own unit: it wins over `unit`, and `mended` says so where the two differ. So does a STEP file, which
    is read with the extra `step` and brings the features of its exact faces. `where` names the file in
    errors. Raises BadInput for what is not a mesh, holds no numbers, is larger than 2 m or smaller than 0.5 mm, has no
    volume, or cannot be closed without guessing.
    """
    file_type = file_type.lower().lstrip(".")
    if file_type in STEP_TYPES:
        from newel.geometry.step_files import read_step

        return read_step(data, where)[0]
    if file_type not in FILE_TYPES:
        raise BadInput(
            f"{file_type!r} is not a model file that can be read", where=where, remedy=f"save it as {', '.join(MODEL_TYPES)}"
        )
    if unit not in MM_PER_UNIT:
        raise BadInput(f"{unit!r} is not a unit of a model", where=where, remedy="say 'mm' or 'inch'")
    vertices, faces = parsed(data, file_type, where)
    scale, own_unit, said = scale_of(data, file_type, unit, where)
    vertices = vertices * scale
    _check_numbers(vertices, faces, where)
    check_size(vertices[faces.ravel()], own_unit, where)
    return mended(vertices, faces, file_type, said, where)


def _check_numbers(vertices: Floats, faces: NDArray[np.int64], where: str) -> None:
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise BadInput("a face uses a vertex that the file does not have", where=where, remedy="save the model again")
    broken = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    used = broken[np.isin(broken, faces)] if len(broken) else broken
    if len(used):
        raise BadInput(
            f"{len(used)} vertices are not numbers (the first is vertex {used[0] + 1})",
            where=where,
            remedy="save the model again",
        )


def check_size(points: Floats, unit: str, where: str) -> None:
    """Refuse a part of no size, no thickness, or one no light mill was built for, with what it would be in the likely unit."""
    size = float(np.ptp(points, axis=0).max())
    if SMALLEST_MM <= size <= LARGEST_MM:
        middle = points - points.mean(axis=0)
        thickness_mm = 2.0 * np.abs(middle @ np.linalg.eigh(middle.T @ middle)[1][:, 0]).max()
        if thickness_mm < SMALLEST_MM / 1000.0:
            raise BadInput(
                "the model has no volume: it is a flat sheet", where=where, remedy="give it thickness, then save it again"
            )
        return
    if size == 0.0:
        raise BadInput("all of the model lies in one place", where=where, remedy="save the model again")
    if size > LARGEST_MM:
        long = f"{size / 1000.0:.4g} m"
        guesses = [("mm", size / MM_PER_INCH)] if unit == "inch" else []
        guesses.append(("micrometres", size / 1000.0 / MM_PER_UNIT.get(unit, 1.0)))
    else:
        long = f"{size:.4g} mm"
        guesses = [("inch", size * MM_PER_INCH)] if unit == "mm" else []
        guesses.append(("metres", size * 1000.0 / MM_PER_UNIT.get(unit, 1.0)))
    hints = " or ".join(f"{mm(length)} if its numbers are {name}" for name, length in guesses)
    raise BadInput(
        f"the part would be {long} long, read in {unit}: parts from {mm(SMALLEST_MM)} to {mm(LARGEST_MM)} are taken",
        where=where,
        remedy=f"check the model's unit (the part would be {hints}); state the right unit, or a scale, in the job",
    )


def mended(vertices: Floats, faces: NDArray[np.int64], file_type: str, said: list[str], where: str) -> ReadModel:
    """Mend in order: vertices, faces, seams, windings, holes, bodies; then hold the result against what a part must be."""
    vertices, faces, merged = merge_equal(vertices, faces)
    if file_type == "stl" and merged:  # every STL file is a heap of loose triangles: this is how the format is read
        said.append(f"{merged} vertices of the STL file's {len(faces)} loose triangles merged into {len(vertices)}")
        merged = 0
    faces, degenerate = drop_degenerate(faces)
    faces, doubled = drop_doubled(faces, len(vertices))
    faces, joined = join_seams(vertices, faces)
    if joined:
        faces, collapsed = drop_degenerate(faces)
        faces, again = drop_doubled(faces, len(vertices))
        degenerate, doubled = degenerate + collapsed, doubled + again
    faces, slivers = drop_loose_slivers(vertices, faces)
    degenerate += slivers
    if len(faces) == 0:
        raise BadInput("all faces of the model are degenerate", where=where, remedy="save the model again")
    faces, flipped = turn_alike(faces, len(vertices))
    filled = fill_holes(vertices, faces)
    faces = filled.faces
    for number, one, more, what in (
        (merged, "vertex", "vertices", "in the same place merged"),
        (degenerate, "face", "faces", "without area dropped"),
        (doubled, "doubled face", "doubled faces", "dropped"),
        (joined, "vertex", "vertices", "joined along open seams"),
        (flipped, "face", "faces", "flipped to face the same way as the neighbours"),
        (filled.holes, "hole", "holes", "filled"),
    ):
        if number:
            said.append(f"{number} {one if number == 1 else more} {what}")
    vertices, faces, _ = merge_equal(vertices, faces)
    _refuse_open(vertices, faces, filled.why, where)
    bodies = sort_bodies(vertices, faces, where)
    _refuse_open(bodies.vertices, bodies.faces, "", where)
    mesh = Mesh(bodies.vertices, bodies.faces.astype(np.int32))
    if mesh_volume_mm3(mesh) <= 0:
        raise BadInput("the model has no volume", where=where, remedy="give it thickness, then save it again")
    return ReadModel(mesh, (*said, *bodies.said), bodies.pieces)


def _refuse_open(vertices: Floats, faces: NDArray[np.int64], why: str, where: str) -> None:
    """Refuse a surface that is not closed, saying how many edges are open and where some of them are."""
    half = open_half_edges(faces, len(vertices))
    if len(half) == 0:
        return
    middles = vertices[half].mean(axis=1)
    some = "; ".join(
        f"{x:.2f} {y:.2f} {z:.2f}" for x, y, z in middles[np.linspace(0, len(half) - 1, min(3, len(half))).astype(int)]
    )
    edges = edges_of(faces, len(vertices))
    clashing = int(((edges.balance != 0) & (edges.faces > 1)).sum())
    clash = f", {clashing} of them where several faces clash" if clashing else ""
    raise BadInput(
        f"the surface is not closed: {len(half)} open edges{clash}" + (f" ({why})" if why else ""),
        where=f"{where}, at x y z (mm) {some}",
        remedy="close the model where it was made: what is missing there would be a guess",
    )


def is_closed(mesh: Mesh) -> bool:
    """Whether each edge of the mesh is run through as often one way as the other."""
    return not edges_of(mesh.faces.astype(np.int64), len(mesh.vertices)).balance.any()


def transformed(mesh: Mesh, matrix: Floats) -> Mesh:
    """Return the mesh carried by a (4, 4) matrix; a mirroring one turns the faces, so that they still face outward."""
    moved = mesh.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    mirrored = np.linalg.det(matrix[:3, :3]) < 0
    return Mesh(moved, mesh.faces[:, ::-1] if mirrored else mesh.faces)


def mesh_bounds(mesh: Mesh) -> Floats:
    """Return the smallest and largest x, y, z of the mesh in mm, shape (2, 3)."""
    used = mesh.vertices[mesh.faces.ravel()]
    return np.stack([used.min(axis=0), used.max(axis=0)])


def mesh_volume_mm3(mesh: Mesh) -> float:
    """Return the volume in mm3 (divergence theorem: the sum of a . (b x c) / 6 over the faces)."""
    middle = mesh.vertices.mean(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - middle for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def write_stl(mesh: Mesh) -> bytes:
    """Return the mesh as a binary STL file, in mm; the same mesh gives the same bytes."""
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    rows = np.zeros(len(mesh.faces), STL_ROW)
    rows["normal"] = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    rows["corners"] = corners
    return b"Newel, mm".ljust(80, b"\0") + np.uint32(len(rows)).astype("<u4").tobytes() + rows.tobytes()
