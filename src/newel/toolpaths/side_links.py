"""Links within a side: over the stock as it then stands, through ground already cut, and the ways down into stock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import MoveKind
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.toolpaths.linking import Rows, Surroundings
from newel.toolpaths.side_ground import SideGround
from newel.toolpaths.side_stock import SideStock, coarser, standing, under_steps

Floats = NDArray[np.float64]

SLOT_FEED = 0.6  # common practice: a full slot is fed at no less than 0.5 to 0.7 of the feed for a part width
LIFT_MM = 0.3  # off the floor, on the way back through ground already cut (common practice: so that the end does not rub)
_LIFT_WAY_MM = 1.0  # along which it is lifted and let down
_BODY_CELL_MM = 0.8
_SAMPLE_MM = 0.5
_TURN_POINTS = 72  # of one turn of a helix: chords stray by a thousandth of its radius
_MOST_RAMP_RUNS = 200
_SAME_MM = 1e-6


@dataclass(frozen=True)
class SideScene:
    """What links at a side must know: cut, ground, what stands now, the cutter's underside, and what is about the work."""

    cut: Cut
    ground: SideGround
    stock: SideStock
    body_stock: SideStock
    edge: tuple[Floats, Floats]
    body: tuple[Floats, Floats]
    around: Surroundings
    edge_radius_mm: float

    @property
    def slot_share(self) -> float:
        """The share of the feed in a full slot that keeps the thickest chip at what it is in a cut of the asked width."""
        angle = np.arccos(np.clip(1.0 - self.cut.ae_mm / self.edge_radius_mm, 0.0, 1.0))
        return float(max(np.sin(angle), SLOT_FEED))

    @property
    def slot_feed(self) -> float:
        """The feed of a helix or ramp in full stock: as for a slot, and going down no faster than the entry feed."""
        down = self.cut.entry_feed_mm_per_min / np.sin(np.radians(max(self.cut.ramp_deg, 0.1)))
        return float(max(self.cut.entry_feed_mm_per_min, min(self.slot_share * self.cut.feed_mm_per_min, down)))

    @property
    def link_feed(self) -> float:
        """The feed of links through ground that is clear, in mm/min."""
        return max(self.around.link_feed_mm_per_min or 0.0, self.cut.feed_mm_per_min)

    def over(self, x_mm: Floats, y_mm: Floats, slack_mm: float) -> Floats:
        """Return the lowest tip (n,) at which edge and body clear what stands, `slack_mm` wider all round."""
        z = standing(self.stock, self.edge, x_mm, y_mm, slack_mm)
        if self.stock.highest_mm - self.body[1][0] > -self.around.retract_z_mm:
            z = np.maximum(z, standing(self.body_stock, self.body, x_mm, y_mm, slack_mm))
        return z


def side_scene(cut: Cut, shape: CutterShape, ground: SideGround, stock: SideStock, around: Surroundings) -> SideScene:
    """Gather what links at a side must know of a cutter and of the stock as it stands."""
    body_stock = coarser(stock, max(1, round(_BODY_CELL_MM / stock.step_mm)))
    steps = under_steps(shape.edge), under_steps(shape.body)
    return SideScene(cut, ground, stock, body_stock, *steps, around, shape.edge.radius_mm)


def rows_along(scene: SideScene, places: Floats, feed_mm_per_min: float, kind: MoveKind) -> Rows:
    """Make rows of one kind along tip places (n, 3)."""
    n = len(places)
    pose = np.column_stack([places, np.full(n, scene.ground.turn_deg)])
    return Rows(pose, np.full(n, feed_mm_per_min), np.full(n, int(kind), dtype=np.uint8))


def lifted_link(scene: SideScene, before: Floats | None, begin: Floats) -> list[Rows]:
    """Go over to a place: up, straight across, down by rapid to where stock may stand, then by feed.

    `before` (3,): where the tip is (None: at the retract height, anywhere); `begin` (3,): where it is wanted.
    """
    around = scene.around
    bx, by, bz = (float(v) for v in begin)
    here = np.array([bx]), np.array([by])
    keep = float(scene.ground.over_keep_outs(*here)[0])
    sure = float(scene.over(*here, scene.stock.sure_mm)[0])
    low = min(max(max(bz, sure) + around.clearance_mm, keep), around.retract_z_mm)
    if before is None:
        travel = around.retract_z_mm
        rapid = [(bx, by, travel)]
    else:
        ax, ay, az = (float(v) for v in before)
        travel = max(_travel(scene, (ax, ay), (bx, by)), low, az)
        rapid = [(ax, ay, travel), (bx, by, travel)]
    rapid.append((bx, by, min(low, travel)))
    rows = [rows_along(scene, np.array(rapid), 0.0, MoveKind.RAPID)]
    if low - bz > _SAME_MM:
        rows.append(rows_along(scene, np.array([[bx, by, bz]]), scene.cut.entry_feed_mm_per_min, MoveKind.ENTRY))
        likely = float(scene.over(*here, 0.0)[0])
        near = max(bz, likely if likely <= bz + around.clearance_mm else bz) + 0.5 * around.clearance_mm
        if near < low - 0.5:
            rows.insert(1, rows_along(scene, np.array([[bx, by, near]]), scene.link_feed, MoveKind.LINK))
    return rows


def _travel(scene: SideScene, a: tuple[float, float], b: tuple[float, float]) -> float:
    """A tip height at which the cutter may go straight between two places; the clearance is in it."""
    count = max(2, int(np.ceil(np.hypot(b[0] - a[0], b[1] - a[1]) / _SAMPLE_MM)) + 1)
    x, y = np.linspace(a[0], b[0], count), np.linspace(a[1], b[1], count)
    height = scene.over(x, y, scene.stock.sure_mm + 0.5 * _SAMPLE_MM) + scene.around.clearance_mm
    height = np.maximum(height, scene.ground.over_keep_outs(x, y))
    return float(min(height.max(), scene.around.retract_z_mm))


def level_link(scene: SideScene, way: Floats, z_from_mm: float, z_to_mm: float) -> list[Rows]:
    """Go along a clear way (n, 2) at the height of a level, lifted a little off the floor; the last bit at the cutting feed.

    Where the way ends a film of stock may be met that was too thin to begin beside.
    """
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    whole = float(length[-1])
    last = min(_LIFT_WAY_MM, 0.5 * whole)
    marks = np.array([min(_LIFT_WAY_MM, 0.25 * whole), whole - last])
    at = np.unique(np.concatenate([length[1:], marks]))
    x, y = np.interp(at, length, way[:, 0]), np.interp(at, length, way[:, 1])
    end = max(z_from_mm, z_to_mm)
    top = end + min(LIFT_MM, 0.2 * whole)
    z = np.interp(at, [0.0, *marks, whole], [z_from_mm, top, top, end])
    places = np.column_stack([x, y, z])
    down = at > whole - last + _SAME_MM
    feed = scene.cut.feed_mm_per_min
    rows = [
        rows_along(scene, places[~down], scene.link_feed, MoveKind.LINK),
        rows_along(scene, places[down], feed, MoveKind.CUT),
    ]
    if z_to_mm < end - _SAME_MM:  # only at its end is the way known to be clear further down
        rows.append(rows_along(scene, np.array([[*way[-1], z_to_mm]]), scene.cut.entry_feed_mm_per_min, MoveKind.ENTRY))
    return rows


def helix_down(scene: SideScene, middle: tuple[float, float], radius_mm: float, heights: tuple[float, float]) -> Rows:
    """Go down round a circle, counter-clockwise, from one height to another, and once round at the bottom.

    No steeper than the cut's ramp, and no more of it a turn than takes off what the asked width and depth would
    (volume of the hole a turn over the way of a turn: (r + R)^2 pitch / 2 r; plane geometry).
    """
    cut = scene.cut
    top, bottom = heights
    cutter = scene.edge_radius_mm
    steep = 2.0 * np.pi * radius_mm * np.tan(np.radians(max(cut.ramp_deg, 0.1)))
    pitch = min(steep, 2.0 * radius_mm * cut.ae_mm * cut.ap_mm / (radius_mm + cutter) ** 2)
    turns = max((top - bottom) / pitch, 1e-3)
    count = int(np.ceil(turns * _TURN_POINTS))
    # ends on the circle's first place
    angle = 2.0 * np.pi * (np.linspace(-turns, 1.0, count + _TURN_POINTS + 1))
    z = np.maximum(bottom, top - pitch * (angle / (2.0 * np.pi) + turns))
    places = np.column_stack([middle[0] + radius_mm * np.cos(angle), middle[1] + radius_mm * np.sin(angle), z])
    return rows_along(scene, places, scene.slot_feed, MoveKind.ENTRY)


def ramp_down(scene: SideScene, way: Floats, heights: list[float]) -> Rows:
    """Go down forth and back along a way (n, 2) from height to height, once level at each; ends at the way's end."""
    slope = np.tan(np.radians(max(scene.cut.ramp_deg, 0.1)))
    step = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    whole = max(float(step[-1]), 1e-3)
    places: list[Floats] = []
    z, there = heights[0], True
    for target in heights[1:]:
        for _ in range(_MOST_RAMP_RUNS):
            line, gone = (way, step) if there else (way[::-1], whole - step[::-1])
            level = z <= target + _SAME_MM
            places.append(np.column_stack([line, np.maximum(target, z - slope * gone)]))
            z, there = max(target, z - slope * whole), not there
            if level:
                break
    if there:
        places.append(np.column_stack([way, np.full(len(way), heights[-1])]))
    return rows_along(scene, np.vstack(places), scene.slot_feed, MoveKind.ENTRY)
