"""A drawing in the plane, in mm: u runs along the bar, v around it. What all readers make and all ornament begins with."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]

CHORD_MM = 0.004  # curves are taken as chords that lie no further off than this
LEAST_MM = 1e-3  # lines shorter and areas thinner than this are specks of the drawing program


@dataclass(frozen=True)
class Drawing:
    """`area`: all closed regions, holes left out (empty: none). `lines`: open or closed polylines (n, 2) without an inside."""

    area: shapely.MultiPolygon
    lines: tuple[Floats, ...] = ()

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Least u, least v, largest u, largest v."""
        every = [np.asarray(self.area.bounds).reshape(2, 2)] if not self.area.is_empty else []
        every += [np.array([line.min(axis=0), line.max(axis=0)]) for line in self.lines]
        corners = np.vstack(every)
        return (*map(float, corners.min(axis=0)), *map(float, corners.max(axis=0)))  # type: ignore[return-value]


def drawing_of(rings: Iterable[Floats], lines: Iterable[Floats], where: str, *, even_odd: bool = True) -> Drawing:
    """Make a drawing of closed rings (n, 2) and open lines. By even-odd a ring inside a ring is a hole; else rings unite.

    Raises BadInput where nothing is left.
    """
    area: shapely.Geometry = shapely.MultiPolygon()
    for ring in rings:
        if len(ring) < 3:
            continue
        piece = shapely.make_valid(shapely.Polygon(ring), method="structure", keep_collapsed=False)
        area = area.symmetric_difference(piece) if even_odd else area.union(piece)
    kept = tuple(line for line in lines if len(line) > 1 and shapely.LineString(line).length > LEAST_MM)
    drawing = Drawing(regions(area), kept)
    if drawing.area.is_empty and not kept:
        raise BadInput("there is nothing to carve in this drawing", where=where, remedy="draw closed shapes or lines")
    return drawing


def regions(area: shapely.Geometry) -> shapely.MultiPolygon:
    """Return the polygons of a geometry, without specks."""
    parts = [part for part in shapely.get_parts(area).tolist() if isinstance(part, shapely.Polygon) and part.area > LEAST_MM**2]
    nested = [
        deep for part in shapely.get_parts(area).tolist() if isinstance(part, shapely.MultiPolygon) for deep in part.geoms
    ]
    return shapely.MultiPolygon(parts + nested)


def transformed(drawing: Drawing, matrix: Floats, shift: Sequence[float]) -> Drawing:
    """Return the drawing moved: p -> matrix (2, 2) p + shift."""

    def at(points: Floats) -> Floats:
        return points @ matrix.T + np.asarray(shift)

    return Drawing(shapely.transform(drawing.area, at), tuple(at(line) for line in drawing.lines))


def fitted(drawing: Drawing, *, width_mm: float | None, height_mm: float | None, turn_deg: float, mirrored: bool) -> Drawing:
    """Turn a drawing, scale it to a width or a height (both given: the lesser scale), and centre it on (0, 0)."""
    rad = np.radians(turn_deg)
    turn = np.array([[np.cos(rad), -np.sin(rad)], [np.sin(rad), np.cos(rad)]]) @ np.diag([1.0, -1.0 if mirrored else 1.0])
    u0, v0, u1, v1 = drawing.bounds
    scales = [size / span for size, span in ((width_mm, u1 - u0), (height_mm, v1 - v0)) if size is not None and span > LEAST_MM]
    scaled = transformed(drawing, turn * (min(scales) if scales else 1.0), (0.0, 0.0))
    u0, v0, u1, v1 = scaled.bounds
    return transformed(scaled, np.eye(2), (-(u0 + u1) / 2.0, -(v0 + v1) / 2.0))


def flattened(at: object, count: int) -> Floats:
    """Return `count` + 1 points of a curve at(t), t from 0 to 1."""
    return np.array([at(t) for t in np.linspace(0.0, 1.0, count + 1)])  # type: ignore[operator]
