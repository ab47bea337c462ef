"""Closed ground that is narrow: cleared while going down, lap by lap round its edge, with no start and no stop on the way.

Where one lap of the axis along the edge of a region sweeps all of it, marching across it would be all starts and stops. The
lap is a helix of another shape: it goes down no more a turn than takes off what the asked width and depth would.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.motion import MoveKind
from newel.toolpaths.clear_kernels import Field
from newel.toolpaths.clear_region import THIN_MM
from newel.toolpaths.linking import Rows
from newel.toolpaths.side_links import SideScene, rows_along

Floats = NDArray[np.float64]

_CLOSED = 0.98  # share of what the cutter reaches that must stand, full height, for ground to be closed
_LONGEST_R = 40.0  # of the cutter's radius: longer laps are worth marching for
_MOST_CHORD_MM = 2.0
_FOLLOWED_MM = 0.003  # what straight moves may stray from the edge, inwards
_SAME_MM2 = 1e-6


def lap_round(part: shapely.Polygon, field: Field) -> Floats | None:
    """Return the lap (n, 2) along a region's edge, counter-clockwise and closed, that clears all of it; None where none does.

    Only ground that stands nowhere open: what has a way in from beside is better marched into.
    """
    radius = field.radius
    edge = part.exterior
    if part.interiors or edge.length > _LONGEST_R * radius or not _closed(field):
        return None
    swept = edge.buffer(radius, quad_segs=32)
    if part.buffer(radius - THIN_MM, quad_segs=32).difference(swept).area > _SAME_MM2:
        return None
    ring = shapely.get_coordinates(shapely.geometry.polygon.orient(part).exterior.simplify(_FOLLOWED_MM))
    if len(ring) < 4 or not _room_along(field, ring):
        return None
    return np.asarray(shapely.get_coordinates(shapely.segmentize(shapely.LineString(ring), _MOST_CHORD_MM)), dtype=np.float64)


def _closed(field: Field) -> bool:
    """Tell whether all that the cutter reaches stands, as tall as the level is deep."""
    reached = field.room > -(field.radius - THIN_MM)
    stands = (field.far > field.radius) & (field.tall > _CLOSED)
    return bool(stands[reached].mean() >= _CLOSED)


def _room_along(field: Field, ring: Floats) -> bool:
    """Tell whether the cutter's body has room all along a lap: where it has none the field's room is a radius short."""
    cell = np.rint((ring - (field.x0, field.y0)) / field.step).astype(np.int64)
    return bool((field.room[cell[:, 0], cell[:, 1]] > -1.5 * field.step).all())


def laps_down(scene: SideScene, part: shapely.Polygon, lap: Floats, heights: tuple[float, float]) -> Rows:
    """Go down lap by lap from one height to another, and once round at the bottom; begins and ends at the lap's first place.

    No steeper than the cut's ramp, and no more of it a lap than takes off what the asked width and depth would (volume of a
    lap: the swept area times its pitch, over its way).
    """
    cut = scene.cut
    top, bottom = heights
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(lap, axis=0).T))])
    length = float(way[-1])
    swept = part.buffer(scene.edge_radius_mm).area
    steep = length * np.tan(np.radians(max(cut.ramp_deg, 0.1)))
    count = max(1, int(np.ceil((top - bottom) / min(steep, cut.ap_mm * cut.ae_mm * length / swept))))
    gone = np.concatenate([k * length + way[1:] for k in range(count + 1)])
    z = np.maximum(bottom, top - (top - bottom) * gone / (count * length))
    places = np.column_stack([np.tile(lap[1:], (count + 1, 1)), z])
    return rows_along(scene, np.vstack([[*lap[0], top], places]), scene.slot_feed, MoveKind.CUT)
