"""The part asked for, as a proof takes it: the model its bevels, its threads, and surfaces with their own tolerance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from newel.core.asked import NamedFace, SurfaceGroup, ThreadedHole
from newel.core.errors import BadInput
from newel.core.job import Job, SurfaceAsk
from newel.core.plan import SharpEdge
from newel.core.units import degrees, mm
from newel.geometry.bevelled import bevelled
from newel.geometry.features import Features, FlatFace, RoundFace
from newel.geometry.mesh_features import features_of
from newel.geometry.meshes import Mesh, ReadModel
from newel.planning.side_edges import asked_edges
from newel.planning.side_threads import threaded_holes

WHERE = "[[surface]] face"


def features_in(model: ReadModel) -> Features:
    """Return the model's features: those its file names, or else those found on its mesh."""
    return model.features or features_of(model.mesh)


def asked_mesh(job: Job, model: ReadModel) -> Mesh:
    """Return the model with its sharp outside edges bevelled, where the job asks for it."""
    width = job.bevel.width_mm
    if width is None:
        return model.mesh
    edges = asked_edges(features_in(model).edges, job.bevel.least_turn_deg)
    return bevelled(model.mesh, [SharpEdge(edge.points, edge.one, edge.other, width) for edge in edges])


def asked_threads(job: Job, model: ReadModel) -> tuple[ThreadedHole, ...]:
    """Return the holes that shall have a thread, model frame; see `threaded_holes` for what is refused."""
    return threaded_holes(features_in(model), job.threads) if job.threads else ()


def asked_groups(job: Job, model: ReadModel, along_x: int) -> tuple[SurfaceGroup, ...]:
    """Return the surfaces that are judged apart: faces in the model frame, turns as the set-up's frame (`along_x`) counts them.

    Raises BadInput for the name of a face that the model does not have.
    """
    asks = [ask for ask in job.surfaces if ask.tolerance_mm is not None or ask.allowance_mm]
    return tuple(_group(ask, model, along_x) for ask in asks)


def _group(ask: SurfaceAsk, model: ReadModel, along_x: int) -> SurfaceGroup:
    words = [
        f"cut at {degrees(ask.turn_deg, 1)}" if ask.turn_deg is not None else "",
        f"from {mm(ask.from_z_mm)} up" if ask.from_z_mm is not None else "",
        f"up to {mm(ask.to_z_mm)}" if ask.to_z_mm is not None else "",
        f"of face {ask.face}" if ask.face is not None else "",
    ]
    return SurfaceGroup(
        "surfaces " + ", ".join(word for word in words if word),
        None if ask.turn_deg is None else along_x * ask.turn_deg,
        ask.from_z_mm,
        ask.to_z_mm,
        None if ask.face is None else _faces(ask.face, model),
        ask.tolerance_mm,
        ask.allowance_mm,
    )


def _faces(name: str, model: ReadModel) -> tuple[NamedFace, ...]:
    features = features_in(model)
    flats = [face for face in features.flats if face.name == name and name]
    rounds = [face for face in features.rounds if face.name == name and name]
    if not flats and not rounds:
        names = sorted(({face.name for face in features.flats} | {face.name for face in features.rounds}) - {""})
        there = f"its faces are named {', '.join(names[:8])}" if names else "its file names no faces: tell heights or a side"
        raise BadInput(f"the model has no flat or round face named {name!r}", where=WHERE, remedy=there)
    return (*(_flat(face, model.mesh) for face in flats), *(_round(face, model.mesh) for face in rounds))


def _flat(face: FlatFace, mesh: Mesh) -> NamedFace:
    return NamedFace(face.offset_mm * face.normal, face.normal, None, *_box(face.faces, mesh))


def _round(face: RoundFace, mesh: Mesh) -> NamedFace:
    return NamedFace(face.point, face.axis, face.radius_mm, *_box(face.faces, mesh))


def _box(faces: Sequence[int] | np.ndarray, mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    corners = mesh.vertices[np.unique(mesh.faces[np.asarray(faces)])]
    return corners.min(axis=0), corners.max(axis=0)
