"""Small prismatic parts, cuts and a replay for the tests of clearing."""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely

from newel.core.job import Direction, Section
from newel.core.motion import MoveKind
from newel.core.plan import Cut, CutKind
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut
from newel.geometry.blank import bar_blank
from newel.geometry.drop import drop_tree
from newel.toolpaths.linking import Surroundings
from plain.clear_plain import Replay

JAWS = KeepOut("jaws", -20.0, 0.0, 30.0, True)
AROUND = Surroundings((JAWS,), 50.0, 2.0, False, 20.0, link_feed_mm_per_min=2000.0)
FROM_X, TO_X, HALF_Y, TOP, BOTTOM = 10.0, 70.0, 20.0, 10.0, -10.0


def flat(diameter=6.0, flute=14.0):
    r = diameter / 2
    return CutterShape(
        outline((0, 0), (r, 0), (r, flute)), outline((r, flute), (r, flute + 8), (9, flute + 8), (9, flute + 40))
    )


def block(pocket=None, depth=6.0, outside=None, island=None, second=None):
    """A block over the whole bar, or over `outside` (XY polygon), with a pocket (XY polygon, about X 40) sunk into its top.

    `second`: another pocket half as deep; `island`: a polygon that stands in the pocket to 2 mm under the top.
    """
    shell = outside if outside is not None else shapely.box(FROM_X, -HALF_Y, TO_X, HALF_Y)
    solid = _drawn(shell, BOTTOM, TOP)
    if pocket is not None:
        solid -= _drawn(pocket, TOP - depth, TOP + 1.0)
    if second is not None:
        solid -= _drawn(second, TOP - 0.5 * depth, TOP + 1.0)
    if island is not None:
        solid += _drawn(island, BOTTOM, TOP - 2.0)
    mesh = solid.to_mesh64()
    return drop_tree(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int64))


def _drawn(polygon, low, high):
    rings = [np.array(polygon.exterior.coords)[:-1], *(np.array(r.coords)[:-1] for r in polygon.interiors)]
    section = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
    return section.extrude(high - low).translate((0.0, 0.0, low))


def whole_bar(pitch=0.25):
    return bar_blank(Section.RECTANGLE, (2 * HALF_Y, TOP - BOTTOM), FROM_X, TO_X, 0.0, pitch)


def clear_cut(**changes):
    base = {
        "number": 1, "name": "sample", "kind": CutKind.CLEAR, "cutter": 1, "direction": Direction.ALONG,
        "from_x_mm": FROM_X + 4, "to_x_mm": TO_X - 4, "from_y_mm": -HALF_Y + 3.5, "to_y_mm": HALF_Y - 3.5,
        "spindle_rpm": 12000.0, "feed_mm_per_min": 1200.0, "entry_feed_mm_per_min": 400.0, "ramp_deg": 5.0,
        "allowance_mm": 0.0, "ap_mm": 6.0, "ae_mm": 1.5, "cusp_mm": 0.01, "tolerance_mm": 0.05, "turn_deg": 0.0,
        "top_z_mm": TOP, "floor_z_mm": TOP - 6.0, "flats_z_mm": (TOP - 6.0,),
    }  # fmt: skip
    return Cut(**{**base, **changes})


def replayed(path, z_mm, stands, bounds, radius, full_feed, step=0.1):
    """Replay the moves of a path at one height: peak engaged angle (rad) of cuts at full feed, and the replay as it ends."""
    replay = Replay(stands, bounds, radius, step)
    peak = 0.0
    pose, kind, feed = path.pose, path.kind, path.feed_mm_per_min
    for k in range(1, len(path)):
        if pose[k, 2] > z_mm + 1e-6 or kind[k] == MoveKind.RAPID:
            continue
        if abs(pose[k - 1, 2] - z_mm) > 1e-6:  # comes down here: a helix, a ramp, or air
            replay.go(*pose[k, :2], *pose[k, :2])
            continue
        met = replay.go(*pose[k - 1, :2], *pose[k, :2])
        if kind[k] == MoveKind.CUT and feed[k] >= full_feed - 1e-6:
            peak = max(peak, met)
    return peak, replay


def rounded(polygon, radius=3.6):
    """A pocket whose inside corners a cutter of 6 mm can turn in."""
    return polygon.buffer(-radius, quad_segs=24).buffer(radius, quad_segs=24)


POCKETS = {
    "rectangle": rounded(shapely.box(25, -12, 55, 12)),
    "L": rounded(shapely.union_all([shapely.box(20, -15, 60, -3), shapely.box(20, -15, 34, 15)])),
    "T": rounded(shapely.union_all([shapely.box(20, 3, 60, 15), shapely.box(33, -15, 47, 15)])),
    "island": rounded(shapely.box(20, -15, 60, 15)).difference(shapely.Point(40, 0).buffer(5, quad_segs=24)),
    "slot": shapely.LineString([(24, 0), (56, 0)]).buffer(3.15, quad_segs=24),
    "dog bone": shapely.union_all(
        [rounded(shapely.box(18, -9, 32, 9)), rounded(shapely.box(48, -9, 62, 9)), shapely.box(30, -3.3, 50, 3.3)]
    ),
}
