"""Fins: what stands between two passes of clearing and is too thin for the field of points that the passes were steered by.

The ways are known exactly, and so is what they sweep: whatever they leave within reach is what the field can't have seen. A
fin goes when the pass beside it is gone along once more, moved over by as much as the fin is thick. Left standing it would
meet whatever comes by later, the full height of its level at once, and no map of the stock with cells wider than it shows it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.toolpaths.clear_kernels import Field, way_is_clear
from newel.toolpaths.clear_region import LINK_FILM_MM, THIN_MM, Piece

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_WIDEST_CELLS = 2.0  # of the field: thicker stock it sees
_THINNEST_MM = 0.01  # what is thinner is chips
_ROUND = 24  # chords of a quarter circle: 0.0005 of the radius
_OVER_MM = 0.01  # past a fin, so that nothing of it stands
_CLOSE_MM = 0.2  # places of the pass that is gone along again
_PAST_MM = 0.2  # it begins and ends so far before and after the fin
_WIDER = (1.0, 1.5, 2.5)  # of a fin's thickness: how far over is tried in turn


def fins_left(
    part: shapely.Polygon, ways: Sequence[Floats], field: Field, stood: Bools, film_mm: float
) -> list[shapely.Polygon]:
    """Return what the axis, going along `ways` (n, 2) within `part`, left standing too thin for the field to see.

    `stood` (nx, ny): where stock stood before and nothing may be left. `film_mm`: so much may stay along the edge of what the
    axis reaches in `part`.
    """
    lines = [_line(way) for way in ways if len(way)]
    if not lines:
        return []
    swept = shapely.union_all([line.buffer(field.radius, quad_segs=_ROUND) for line in lines])
    left = part.buffer(field.radius - max(film_mm, THIN_MM), quad_segs=_ROUND).difference(swept)
    some = [p for p in getattr(left, "geoms", [left]) if p.geom_type == "Polygon" and not p.is_empty]
    return [p for p in some if _is_fin(p, field.step) and _stood_at(p, field, stood)]


def _is_fin(polygon: shapely.Polygon, step_mm: float) -> bool:
    """Tell whether a polygon is nowhere as wide as stock that the field sees, and somewhere wider than a chip."""
    return bool(
        polygon.area > _THINNEST_MM**2
        and polygon.buffer(-0.5 * _WIDEST_CELLS * step_mm).is_empty
        and not polygon.buffer(-0.5 * _THINNEST_MM).is_empty
    )


def _stood_at(polygon: shapely.Polygon, field: Field, stood: Bools) -> bool:
    """Tell whether stock stood all about a polygon, as closely as the field knows."""
    places = shapely.get_coordinates(shapely.segmentize(polygon, field.step))
    cell = np.rint((places - (field.x0, field.y0)) / field.step).astype(np.int64)
    cell = np.clip(cell, 0, np.array(stood.shape) - 1)
    return bool(stood[cell[:, 0], cell[:, 1]].all())


def _line(way: Floats) -> shapely.Geometry:
    return shapely.LineString(way) if len(way) > 1 else shapely.Point(way[0])


def fin_piece(
    fin: shapely.Polygon, part: shapely.Polygon, ways: Sequence[Floats], field: Field, at: tuple[float, float] | None
) -> Piece | None:
    """Return the piece that takes a fin off: along the pass beside it, moved over; None where no pass may be moved so far.

    `at`: where the cutter is down at this height (None: it comes from above). It begins and ends on ground that is cut.
    """
    for beside in _passes_beside(fin, ways, field.radius):
        path = _moved_over(fin, part, beside, field.radius)
        if path is not None:
            clear = at is not None and way_is_clear(field, at[0], at[1], path[0, 0], path[0, 1], LINK_FILM_MM)
            link = np.array([at, path[0]]) if clear else np.zeros((0, 2))
            return Piece(path, np.zeros(len(path)), "beside", 1, link)
    return None


def _passes_beside(fin: shapely.Polygon, ways: Sequence[Floats], radius_mm: float) -> list[Floats]:
    """Return the stretches of ways that made a side of a fin, those first that need least be moved to take it off."""
    corners = shapely.points(shapely.get_coordinates(shapely.segmentize(fin, _CLOSE_MM)))
    found: list[tuple[float, Floats]] = []
    for way in (way for way in ways if len(way) > 1):
        line = shapely.LineString(way)
        touching = corners[shapely.distance(corners, line) <= radius_mm + 0.5 * _THINNEST_MM]
        along = np.sort(shapely.line_locate_point(line, touching))
        for some in np.split(along, np.flatnonzero(np.diff(along) > radius_mm) + 1) if len(along) else []:
            low, high = max(0.0, some[0] - _PAST_MM), min(line.length, some[-1] + _PAST_MM)
            count = max(2, int(np.ceil((high - low) / _CLOSE_MM)) + 1)
            stretch = shapely.get_coordinates(shapely.line_interpolate_point(line, np.linspace(low, high, count)))
            found.append((_thickness(corners, stretch, radius_mm), stretch))
    return [stretch for _, stretch in sorted(found, key=lambda one: one[0])]


def _thickness(corners: Sequence[shapely.Point], stretch: Floats, radius_mm: float) -> float:
    """How far the furthest corner of a fin lies beyond what a stretch sweeps."""
    return float(shapely.distance(corners, shapely.LineString(stretch)).max()) - radius_mm


def _moved_over(fin: shapely.Polygon, part: shapely.Polygon, stretch: Floats, radius_mm: float) -> Floats | None:
    """Move a stretch of a way towards a fin until it sweeps all of it; None where the axis may not go there."""
    toward = shapely.get_coordinates(shapely.shortest_line(shapely.points(stretch), fin)).reshape(-1, 2, 2)
    ahead = toward[:, 1] - toward[:, 0]
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-9)[:, None]
    corners = shapely.points(shapely.get_coordinates(fin))
    thick = max(_thickness(corners, stretch, radius_mm), 0.0)
    for wider in _WIDER:
        path = stretch + (wider * thick + _OVER_MM) * ahead
        line = shapely.LineString(path)
        if not part.covers(line):
            return None
        if float(shapely.distance(corners, line).max()) <= radius_mm:
            return np.vstack([stretch[:1], path, stretch[-1:]])
    return None
