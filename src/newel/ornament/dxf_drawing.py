"""DXF in, drawing out: closed curves and hatches are regions, open ones lines."""

from __future__ import annotations

import io
from typing import cast

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.units import MM_PER_INCH
from newel.ornament.drawing import CHORD_MM, LEAST_MM, Drawing, drawing_of

Floats = NDArray[np.float64]

# $INSUNITS of the DXF reference: what one drawing unit means; a file without it is taken as the job file says
MM_PER_INSUNIT = {1: MM_PER_INCH, 2: 12 * MM_PER_INCH, 4: 1.0, 5: 10.0, 6: 1000.0}
CURVES = ("LINE", "LWPOLYLINE", "POLYLINE", "CIRCLE", "ARC", "ELLIPSE", "SPLINE", "HATCH")


def read_dxf(data: bytes, unit_mm: float, where: str) -> Drawing:
    """Read the model space of a DXF drawing, in mm. `unit_mm` is used where the file does not say its unit.

    Inserted blocks are opened. Raises BadInput for what is not DXF, or holds no curve.
    """
    try:
        import ezdxf
        from ezdxf import disassemble, path, recover
        from ezdxf.entities import Hatch
    except ImportError:
        raise BadInput(
            "reading DXF needs one more package", where=where, remedy="install Newel with its extra 'ornament'"
        ) from None
    try:
        document, _ = recover.read(io.BytesIO(data))
    except (ezdxf.DXFError, OSError, ValueError) as error:
        raise BadInput(f"this is not a DXF drawing: {error}", where=where) from None
    scale = MM_PER_INSUNIT.get(int(document.header.get("$INSUNITS", 0)), unit_mm)
    rings: list[Floats] = []
    lines: list[Floats] = []
    for entity in disassemble.recursive_decompose(document.modelspace()):
        if entity.dxftype() not in CURVES:
            continue
        paths = path.from_hatch(cast(Hatch, entity)) if entity.dxftype() == "HATCH" else [path.make_path(entity)]
        for found in paths:
            for sub in found.sub_paths():
                points = np.array([(p.x, p.y) for p in sub.flattening(CHORD_MM / scale)]).reshape(-1, 2) * scale
                closed = len(points) > 3 and np.hypot(*(points[0] - points[-1])) < LEAST_MM
                (rings if closed else lines).append(points)
    return drawing_of(rings, _joined(lines), where)


def _joined(lines: list[Floats]) -> list[Floats]:
    """Join lines that end where others begin: programs often save an outline as loose pieces."""
    left = [line for line in lines if len(line) > 1]
    done: list[Floats] = []
    while left:
        line = left.pop(0)
        grown = True
        while grown:
            grown = False
            for k, other in enumerate(left):
                for way in (other, other[::-1]):
                    if np.hypot(*(line[-1] - way[0])) < LEAST_MM:
                        line, grown = np.vstack([line, way[1:]]), True
                    elif np.hypot(*(line[0] - way[-1])) < LEAST_MM:
                        line, grown = np.vstack([way[:-1], line]), True
                    if grown:
                        break
                if grown:
                    left.pop(k)
                    break
        done.append(line)
    return done
