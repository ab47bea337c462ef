"""What stands in a model file: its vertices and faces as they are, and the unit it is in. Nothing is mended here."""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np
import trimesh
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.units import MM_PER_INCH

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
FILE_TYPES = ("stl", "obj", "ply", "3mf")
MM_PER_UNIT = {"mm": 1.0, "inch": MM_PER_INCH}
# The units of 3MF Core Specification, model element, ST_Unit.
_MM_PER_3MF = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": MM_PER_INCH,
    "foot": 12.0 * MM_PER_INCH,
    "meter": 1000.0,
}
STL_ROW = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_NOT_WHOLE = "the file is not whole: save or copy it again"
_NO_TRIANGLES = "save the model as a mesh of triangles, not as points or lines"


def parsed(data: bytes, file_type: str, where: str) -> tuple[Floats, Ints]:
    """Read vertices and faces as they stand in the file; a file of several objects gives them all, placed."""
    if not data.strip():
        raise BadInput("the model file is empty", where=where, remedy="save the model again")
    if file_type == "stl":
        return _stl(data, where)
    try:
        loaded = trimesh.load(io.BytesIO(data), file_type=file_type, process=False)
        parts = loaded.dump() if isinstance(loaded, trimesh.Scene) else [loaded]
    except Exception as error:  # trimesh and the parsers below it raise whatever they meet
        says = str(error).strip().splitlines()
        raise BadInput(
            f"the file cannot be read as {file_type}: {says[0] if says else type(error).__name__}",
            where=where,
            remedy="check that the file is whole and that its name ends as its content does",
        ) from error
    meshes = [part for part in parts if isinstance(part, trimesh.Trimesh) and len(part.faces)]
    if not meshes:
        raise BadInput("the file holds no triangles", where=where, remedy=_NO_TRIANGLES)
    starts = np.cumsum([0, *(len(part.vertices) for part in meshes[:-1])])
    vertices = np.concatenate([np.asarray(part.vertices, dtype=np.float64) for part in meshes])
    return vertices, np.concatenate([np.asarray(part.faces, dtype=np.int64) + start for part, start in zip(meshes, starts)])


def _stl(data: bytes, where: str) -> tuple[Floats, Ints]:
    """Read an STL file, binary (84 bytes, then 50 a triangle; what follows is let be) or text, as loose triangles.

    Read here and not by trimesh: it refuses trailing bytes, and takes half a text for a whole one.
    """
    count = int.from_bytes(data[80:84], "little")
    if data[:5].lower() == b"solid" and len(data) != 84 + 50 * count:
        corners = _stl_text(data.lower(), where)
    else:
        held = max(0, len(data) - 84) // 50
        if len(data) < 84 or count > 100 * (held + 1):
            raise BadInput(
                "this is no STL file: neither its text nor its triangles", where=where, remedy="save the model again"
            )
        if held < count:
            raise BadInput(f"the STL file promises {count} triangles and holds {held}", where=where, remedy=_NOT_WHOLE)
        corners = np.frombuffer(data, STL_ROW, count, 84)["corners"].reshape(-1, 3).astype(np.float64)
    if len(corners) == 0:
        raise BadInput("the file holds no triangles", where=where, remedy=_NO_TRIANGLES)
    return corners, np.arange(len(corners)).reshape(-1, 3)


def _stl_text(text: bytes, where: str) -> Floats:
    """Return the corners in an STL text (in small letters), three to a facet."""
    last = text.rfind(b"endsolid")
    if last < 0 or b"vertex" in text[last:]:
        raise BadInput("the STL text breaks off before its end", where=where, remedy=_NOT_WHOLE)
    words = [word for piece in text.split(b"vertex")[1:] for word in piece.split(None, 3)[:3]]
    if len(words) != 9 * text.count(b"endfacet"):
        raise BadInput("the STL text has facets that are no triangles", where=where, remedy="save the model again")
    try:
        corners = np.fromiter(map(float, words), np.float64, len(words)).reshape(-1, 3)
    except ValueError as error:
        raise BadInput(
            f"the STL text has a corner that is no number ({error})", where=where, remedy="save the model again"
        ) from None
    return corners


def scale_of(data: bytes, file_type: str, unit: str, where: str) -> tuple[float, str, list[str]]:
    """Return mm for each unit of the file, the unit's name, and what to say about it."""
    if file_type != "3mf":
        return MM_PER_UNIT[unit], unit, []
    own = _unit_of_3mf(data)
    if own not in _MM_PER_3MF:
        options = ", ".join(_MM_PER_3MF)
        raise BadInput(
            f"the 3MF file is in {own!r}, which is no unit of its standard", where=where, remedy=f"it knows {options}"
        )
    if _MM_PER_3MF[own] == MM_PER_UNIT[unit]:
        return MM_PER_UNIT[unit], unit, []
    return _MM_PER_3MF[own], own, [f"the file says that it is in {own}: taken as {own}, not as {unit}"]


def _unit_of_3mf(data: bytes) -> str:
    """Return the unit that a 3MF package states; millimeter where it states none (3MF Core Specification, model element)."""
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        for name in package.namelist():
            if name.lower().endswith(".model"):
                with package.open(name) as part:
                    head = part.read(65536).decode("utf-8", errors="replace")
                found = re.search(r"<(?:\w+:)?model\b[^>]*?\sunit\s*=\s*[\"']([^\"']*)[\"']", head)
                if found:
                    return found[1].strip().lower()
    return "millimeter"
