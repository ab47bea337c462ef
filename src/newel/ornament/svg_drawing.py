"""SVG in, drawing out: filled shapes are regions, unfilled ones lines; lengths by the file's own units (96 px = 1 in, CSS)."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.units import MM_PER_INCH
from newel.ornament.drawing import CHORD_MM, Drawing, drawing_of

Floats = NDArray[np.float64]

PX_PER_INCH = 96.0  # CSS Values and Units, level 3, 5.2: absolute lengths
_MOST_PIECES = 400


def read_svg(data: bytes, where: str) -> Drawing:
    """Read an SVG drawing, in mm, v upward. Text, pictures and clones from other files are not drawn: BadInput says so."""
    try:
        from svgelements import SVG, Image, Path, Shape, Text
    except ImportError:
        raise BadInput(
            "reading SVG needs one more package", where=where, remedy="install Newel with its extra 'ornament'"
        ) from None
    try:
        svg = SVG.parse(io.BytesIO(data), ppi=PX_PER_INCH)
    except Exception as error:  # the parser raises whatever its XML parser or number reader does
        raise BadInput(f"this is not an SVG drawing: {error}", where=where) from None
    rings: list[Floats] = []
    lines: list[Floats] = []
    for element in svg.elements():
        if isinstance(element, (Text, Image)):
            what = "text" if isinstance(element, Text) else "a picture"
            raise BadInput(f"the drawing holds {what}", where=where, remedy="turn text into outlines, leave pictures out")
        if not isinstance(element, Shape) or _hidden(element):
            continue
        path = Path(element)
        path.reify()
        for sub in path.as_subpaths():
            points = _points(Path(sub)) * np.array([1.0, -1.0]) * (MM_PER_INCH / PX_PER_INCH)
            filled = element.fill is not None and element.fill.value is not None
            (rings if filled else lines).append(points)
    return drawing_of(rings, lines, where)


def _hidden(element: Any) -> bool:
    values = element.values or {}
    return values.get("visibility") == "hidden" or values.get("display") == "none"


def _points(path: Any) -> Floats:
    """Return a path's points in px, its curves as chords."""
    from svgelements import Close, Line, Move

    found: list[tuple[float, float]] = []
    for piece in path:
        if isinstance(piece, Move):
            found.append((piece.end.x, piece.end.y))
        elif isinstance(piece, (Line, Close)):
            if piece.end is not None:
                found.append((piece.end.x, piece.end.y))
        else:
            size = piece.length(error=1e-4)
            count = int(np.clip(math.ceil(math.sqrt(size / CHORD_MM) * 1.5), 4, _MOST_PIECES))
            found += [(p.x, p.y) for p in (piece.point(t) for t in np.linspace(0.0, 1.0, count + 1)[1:])]
    return np.array(found, dtype=float).reshape(-1, 2)
