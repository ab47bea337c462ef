"""STEP files: solids read through the open CAD kernel behind the extra `step`, meshed, checked, and told by feature.

The kernel is imported inside the functions only: all else of the program does without it.
"""

from __future__ import annotations

import importlib.util
import io
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.units import mm
from newel.geometry.features import Features
from newel.geometry.mesh_features import features_of
from newel.geometry.mesh_mending import drop_degenerate, join_seams, merge_equal, open_half_edges
from newel.geometry.meshes import Mesh, ReadModel, check_size, is_closed, mended, mesh_volume_mm3
from newel.geometry.step_faces import Meshed, meshed_solid, weld
from newel.geometry.step_features import exact_features

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
NameOf = Callable[[Any], str]

_BY_SHAPE = 1  # the kernel's word for looking an entity up by the shape it became

# House choices: chords stay within a tenth of the tightest tolerance that parts are usually judged by.
DEFLECTION_MM = 0.005
ANGLE_RAD = 0.1
FINER = 4.0  # a solid whose mesh does not hold is meshed once more, so many times as finely
BOX_SHARE = 2e-5  # of the model's size: large parts may be coarser
VOLUME_SHARE = 2e-3  # of the volume, on top of what chords leave out: files trim their splines no better
INTEGRAL_SHARE = 1e-6  # accuracy asked of the exact volume


def read_step(data: bytes, where: str) -> tuple[ReadModel, Features]:
    """Read all solids of a STEP file in mm, whatever unit the file is in; `where` names the file in errors.

    Each solid's mesh is checked: closed, and of the exact solid's volume within what its chords may leave out. Bodies that
    overlap are united as those of any model are; features are then found on the united mesh, else on the exact faces.
    Raises BadInput where the extra is not installed, the file can't be read, holds no solid, or a solid can't be meshed.
    """
    _need_kernel(where)
    shape, name_of, unit = _shape_of(data, where)
    solids, said = _solids(shape, where)
    if unit not in ("", "millimetre"):
        said.insert(0, f"lengths taken in the file's own unit: {unit}")
    parts = [_checked(solid, name_of, f"solid {k + 1} of {len(solids)}", where) for k, solid in enumerate(solids)]
    whole = _together(parts)
    check_size(whole.points[whole.faces.ravel()], "mm", where)
    model = mended(whole.points, whole.faces, "step", said, where)
    if len(model.mesh.faces) != len(whole.faces) or not np.allclose(
        model.mesh.vertices[model.mesh.faces], whole.points[whole.faces], atol=1e-9
    ):
        features = features_of(model.mesh)
    else:
        features = exact_features(replace(whole, points=model.mesh.vertices, faces=model.mesh.faces.astype(np.int64)))
    return replace(model, features=features), features


def _need_kernel(where: str) -> None:
    if importlib.util.find_spec("OCP") is None:
        raise BadInput(
            "STEP files are read with the extra 'step', which is not installed",
            where=where,
            remedy='install it with pip install "newel[step]", or save the model as STL',
        )


def _shape_of(data: bytes, where: str) -> tuple[Any, NameOf, str]:
    """Return the file's shapes in mm, what tells the name that the file gives a face, and the file's unit of length."""
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.STEPControl import STEPControl_Reader

    _hush()
    if b"ISO-10303-21" not in data[:4096]:
        raise BadInput("this is not a STEP file", where=where, remedy="a STEP file begins with ISO-10303-21; save it again")
    reader = STEPControl_Reader()
    try:
        status = reader.ReadStream("model", io.BytesIO(data))
        if status == IFSelect_ReturnStatus.IFSelect_RetDone:
            reader.TransferRoots()
            shape = reader.OneShape()
            if not shape.IsNull():
                return shape, lambda face: _name(_entity_of(face, reader)), _unit(reader)
    except Exception as error:  # the kernel's own errors share no other root
        raise BadInput(
            f"the STEP file can't be read: {error}", where=where, remedy="save it again, as AP214 or AP242"
        ) from None
    raise BadInput("the STEP file holds no shape that can be read", where=where, remedy="save it again, as AP214 or AP242")


def _unit(reader: Any) -> str:
    from OCP.collections import Sequence_TCollection_AsciiString as Names

    lengths = Names()
    reader.FileUnits(lengths, Names(), Names())
    return ", ".join(dict.fromkeys(lengths.Value(k + 1).ToCString().lower() for k in range(lengths.Length())))


def _entity_of(face: Any, reader: Any) -> Any:
    """Return the file's entity that a face came from: the kernel forgets it with the reader, so that is held till then."""
    return reader.WS().TransferReader().EntityFromShapeResult(face, _BY_SHAPE)


def _name(entity: Any) -> str:
    """Return the name a STEP face carries; 'NONE' and the like are the writer's way of giving none."""
    given = entity.Name() if entity is not None and hasattr(entity, "Name") else None
    name = given.ToCString().strip() if given is not None else ""
    return "" if name.upper() in ("", "NONE", "$") else name


def _hush() -> None:
    """Take the kernel's own chatter from the terminal: what matters is raised."""
    from OCP.Message import Message

    Message.DefaultMessenger_s().ChangePrinters().Clear()


def _solids(shape: Any, where: str) -> tuple[list[Any], list[str]]:
    """Return the file's solids; closed shells that the file does not call solids are taken for such, and said so."""
    from OCP.BRep import BRep_Tool
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid
    from OCP.TopAbs import TopAbs_ShapeEnum
    from OCP.TopoDS import TopoDS

    solids = _parts(shape, TopAbs_ShapeEnum.TopAbs_SOLID)
    if solids:
        loose = len(_parts(shape, TopAbs_ShapeEnum.TopAbs_SHELL, TopAbs_ShapeEnum.TopAbs_SOLID))
        return solids, [f"{loose} loose surface{'s' if loose > 1 else ''} beside the solids left out"] if loose else []
    shells = [TopoDS.Shell(part) for part in _parts(shape, TopAbs_ShapeEnum.TopAbs_SHELL)]
    closed = [shell for shell in shells if BRep_Tool.IsClosed_s(shell)]
    if not closed:
        raise BadInput(
            f"the STEP file holds no solid ({len(shells)} open surfaces)",
            where=where,
            remedy="save the part as a solid body, not as surfaces",
        )
    said = f"{len(closed)} closed shell{'s' if len(closed) > 1 else ''} taken for solids"
    return [BRepBuilderAPI_MakeSolid(shell).Solid() for shell in closed], [said]


def _parts(shape: Any, kind: Any, avoid: Any = None) -> list[Any]:
    from OCP.TopExp import TopExp_Explorer

    explorer = TopExp_Explorer(shape, kind) if avoid is None else TopExp_Explorer(shape, kind, avoid)
    found = []
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def _checked(solid: Any, name_of: NameOf, called: str, where: str) -> Meshed:
    """Return a solid's mesh once it is closed and of the right volume; else meshed finer, then healed; else refused."""
    from OCP.ShapeFix import ShapeFix_Shape

    why = ""
    deflection = max(DEFLECTION_MM, BOX_SHARE * _size_mm(solid))
    for attempt in range(3):
        if attempt == 2:
            fixer = ShapeFix_Shape(solid)
            fixer.Perform()
            whole = _parts(fixer.Shape(), solid.ShapeType())
            solid = whole[0] if whole else solid
        meshed = _welded(meshed_solid(solid, name_of, deflection / (FINER if attempt else 1.0), ANGLE_RAD))
        why = _what_is_off(solid, meshed, deflection)
        if not why:
            return meshed
    raise BadInput(
        f"the surface of {called} does not hold: {why}",
        where=where,
        remedy="mend the solid where it was made, or save it as STL",
    )


def _size_mm(solid: Any) -> float:
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    box = Bnd_Box()
    BRepBndLib.Add_s(solid, box)
    return 0.0 if box.IsVoid() else float(np.sqrt(box.SquareExtent()))


def _what_is_off(solid: Any, meshed: Meshed, deflection_mm: float) -> str:
    if len(meshed.faces) == 0:
        return "it has no faces"
    triangles = np.bincount(meshed.face_of, minlength=len(meshed.surfaces))
    for k, surface in enumerate(meshed.surfaces):
        if triangles[k] == 0 and surface.area_mm2 > DEFLECTION_MM**2:
            return f"face {k + 1} of {len(meshed.surfaces)}, of {surface.area_mm2:.4g} mm2, can't be meshed"
    half = open_half_edges(meshed.faces, len(meshed.points))
    if len(half):
        x, y, z = meshed.points[half].mean(axis=1)[0]
        return f"{len(half)} open edges, the first at x y z (mm) {x:.2f} {y:.2f} {z:.2f}"
    exact, area = exact_volume_mm3(solid)
    volume = mesh_volume_mm3(Mesh(meshed.points, meshed.faces.astype(np.int32)))
    if abs(abs(volume) - abs(exact)) > deflection_mm * area + VOLUME_SHARE * abs(exact):
        return f"its mesh holds {volume:.6g} mm3, the solid {exact:.6g} mm3 ({mm(deflection_mm, 4)} off the surface is allowed)"
    return ""


def exact_volume_mm3(solid: Any) -> tuple[float, float]:
    """Return the volume (mm3) and the surface (mm2) of a kernel's solid by integration over its exact faces."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    volume, surface = GProp_GProps(), GProp_GProps()
    BRepGProp.VolumeProperties_s(solid, volume, INTEGRAL_SHARE)
    BRepGProp.SurfaceProperties_s(solid, surface)
    return float(volume.Mass()), float(surface.Mass())


def _welded(meshed: Meshed) -> Meshed:
    """Weld the faces' meshes along their common edges, where their points are the same to the kernel's tolerance."""
    welded = weld(meshed)
    welded = replace(welded, faces=join_seams(welded.points, welded.faces)[0])
    kept, _ = drop_degenerate(welded.faces)
    if len(kept) != len(welded.faces):
        good = (np.sort(welded.faces, axis=1)[:, :-1] != np.sort(welded.faces, axis=1)[:, 1:]).all(axis=1)
        welded = replace(welded, faces=welded.faces[good], face_of=welded.face_of[good], normals=welded.normals[good])
    mesh = Mesh(welded.points, welded.faces.astype(np.int32)) if len(welded.faces) else None
    if mesh is not None and is_closed(mesh) and mesh_volume_mm3(mesh) < 0.0:  # inside out
        welded = replace(welded, faces=welded.faces[:, ::-1], normals=-welded.normals[:, ::-1])
    return welded


def _together(parts: list[Meshed]) -> Meshed:
    """Put the solids' meshes into one, points merged where they are equal."""
    points = np.concatenate([part.points for part in parts])
    offset = np.cumsum([0] + [len(part.points) for part in parts[:-1]])
    first = np.cumsum([0] + [len(part.surfaces) for part in parts[:-1]])
    faces = np.concatenate([part.faces + k for part, k in zip(parts, offset, strict=True)])
    face_of = np.concatenate([part.face_of + k for part, k in zip(parts, first, strict=True)])
    normals = np.concatenate([part.normals for part in parts])
    surfaces = tuple(surface for part in parts for surface in part.surfaces)
    points, faces, _ = merge_equal(points, faces)
    return Meshed(points, faces, face_of, normals, surfaces)


def exact_volumes_mm3(data: bytes, where: str) -> list[float]:
    """Return the volume in mm3 of each solid of a STEP file, by integration over its exact faces."""
    _need_kernel(where)
    return [abs(exact_volume_mm3(solid)[0]) for solid in _solids(_shape_of(data, where)[0], where)[0]]
