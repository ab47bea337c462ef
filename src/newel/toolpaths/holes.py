"""Round holes square to the cutter: drilled in pecks, or bored by helixes with a cutter smaller than the hole.

A hole's own floor, not the cut's, says how deep it goes; the drop over the target bounds every tip as well, so that a hole
that opens into a cavity is not followed into what lies below. What the facets of a modelled hole would forbid, because their
chords stand inside the true circle, is allowed up to FACET_MM.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut, Hole
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.strokes import (
    Lowest,
    Stroke,
    StrokeRows,
    arc,
    eased_in,
    eased_out,
    feed_inside_mm_per_min,
    lowest_at_side,
    side_turn_deg,
    slimmer,
    stock_span,
    toolpath_of_strokes,
)
from newel.toolpaths.tours import short_tour

Floats = NDArray[np.float64]
Progress = Callable[[float], None] | None

FACET_MM = 0.015  # how far a true circle may cut into the chords of a modelled one: under the 0.02 mm that a proof lets pass
THROUGH_MM = 0.5  # how far the full diameter goes beyond a through hole's end (common practice)
FINISH_MM = 0.1  # left on a bore's wall for its last helix (common practice for small cutters)
OVER_MM = 0.5  # feeding begins this far over what stands (common practice)
BACK_OFF_MM = 0.3  # a drill comes back by rapid to this far over where it was (common practice)
_BREAKING_MM = 1.0  # the last of a through hole is drilled at half feed (common practice: the point breaks out)
BESIDE_DEG = 30.0  # of a helix beside a hole that is there already: it cuts with its side, what goes down is a narrow ring
_LEAST_MM = 0.05  # less than this is no hole left to make
_PLAIN_DIAMETERS = 3.0  # up to so many diameters a drill needs no pecks (common practice)
_CORE_SHARE = 0.9  # the first helix is this much narrower than the cutter's radius, so that no core stays standing
_SURELY = 0.7  # stock within this share of a hole's radius is no rounding of its wall
_ROUND_PLACES = 72


def drill(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Drill the cut's holes in the order of a short tour, deep ones in pecks of `ap_mm` that clear the chips each time.

    The point goes past a through hole's end by its own length and THROUGH_MM; a blind hole is drilled until its full
    diameter reaches the floor, or the point the model's. Raises BadInput for a hole narrower than the drill.
    """
    turn, radius = side_turn_deg(cut), float(shape.edge.radius_mm)
    lowest = _lowest_for_holes(cut, shape, target, around)
    strokes: list[Stroke] = []
    for hole in holes_in_order(cut, progress):
        if hole.diameter_mm < 2.0 * (radius - FACET_MM):
            raise BadInput(
                f"a drill of {2.0 * radius:g} mm is wider than a hole of {hole.diameter_mm:g} mm", where=_where(cut, hole)
            )
        point = _point_mm(shape)
        deep = hole.floor_z_mm - point - (THROUGH_MM if hole.through else 0.0)
        tip = max(deep, float(lowest(np.array([hole.x_mm]), np.array([hole.y_mm]))[0]))
        stands = stock_span(blank, turn, hole, (0.0, _SURELY * radius), min(tip + point, hole.floor_z_mm))[1]
        if stands > tip + _LEAST_MM:
            strokes.append(_pecked(cut, hole, radius, (stands, tip)))
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def _pecked(cut: Cut, hole: Hole, radius: float, from_to_mm: tuple[float, float]) -> Stroke:
    """Down in pecks: up by rapid out of the hole after each, back by rapid to just over where it was."""
    top, tip = from_to_mm
    deepest_plain = _PLAIN_DIAMETERS * 2.0 * radius
    peck = cut.ap_mm if cut.ap_mm > 0.0 else (top - tip if top - tip <= deepest_plain else 2.0 * radius)
    floors = np.linspace(top, tip, max(1, math.ceil((top - tip) / peck - 1e-9)) + 1)
    slow_mm = hole.floor_z_mm + _BREAKING_MM if hole.through else -math.inf
    rows, over = StrokeRows(), top + OVER_MM

    def at(z: float) -> Floats:
        return np.array([hole.x_mm, hole.y_mm, z])

    rows.go(at(over), 0.0, MoveKind.RAPID)
    begins = over
    for nth, floor in enumerate(floors[1:]):
        if nth:
            begins = min(float(floors[nth]) + BACK_OFF_MM, over)
            rows.go(np.array([at(over), at(begins)]), 0.0, MoveKind.RAPID)
        if begins > slow_mm > floor:
            rows.go(at(slow_mm), cut.feed_mm_per_min, MoveKind.CUT)
        rows.go(at(float(floor)), cut.feed_mm_per_min * (0.5 if floor < slow_mm else 1.0), MoveKind.CUT)
    return rows.stroke()


def bore(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Bore the cut's holes by helixes, climbing, in rings of at most `ae_mm` and turns of at most `ap_mm` deep.

    Only the first ring of a hole goes down into stock, no steeper than the cut's ramp; the others cut beside it.

    The last FINISH_MM of the wall go in a helix of their own that ends with a level turn on the floor; every ring is left by a
    half circle to the middle. Rings in which no stock stands are passed over. With an allowance wall and floor keep it.
    Raises BadInput for a hole that is no wider than the cutter.
    """
    turn, radius = side_turn_deg(cut), float(shape.edge.radius_mm)
    lowest = _lowest_for_holes(replace(cut, allowance_mm=0.0), shape, target, around)
    strokes: list[Stroke] = []
    for hole in holes_in_order(cut, progress):
        wall = 0.5 * hole.diameter_mm - cut.allowance_mm - radius
        if wall <= _LEAST_MM:
            raise BadInput(
                f"a cutter of {2.0 * radius:g} mm is too wide to go round in a hole of {hole.diameter_mm:g} mm",
                where=_where(cut, hole),
                remedy="drill it, or take a thinner cutter",
            )
        floor = _floor_for_ring(hole, wall, lowest, cut.allowance_mm)
        inner = 0.0
        rings = _rings(wall, radius, cut.ae_mm)
        first = rings[0] + radius
        for ring in rings:
            outer = ring + radius
            low, high = stock_span(blank, turn, hole, (inner, inner + _SURELY * (outer - inner)), floor)
            inner = outer
            if high > max(floor, low) + _LEAST_MM:
                steepest = cut.ramp_deg if outer <= first else BESIDE_DEG
                strokes.append(_ring_stroke(cut, hole, (ring, radius), (high, floor), steepest))
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def _rings(wall: float, radius: float, ae_mm: float) -> list[float]:
    """Radii of the tip's way, the last at the wall: the first so small that no core stays, then by at most `ae_mm`."""
    rough = wall - FINISH_MM
    first = _CORE_SHARE * radius
    if rough <= _LEAST_MM:
        return [wall]
    more = max(0, math.ceil((rough - first) / ae_mm - 1e-9))
    return [*np.linspace(min(first, rough), rough, more + 1).tolist(), wall]


def _floor_for_ring(hole: Hole, wall: float, lowest: Lowest, allowance_mm: float) -> float:
    """How deep the tip may go in a hole: its floor, or past its end, where the target lets it all the way round."""
    angle = np.arange(_ROUND_PLACES) * 2.0 * math.pi / _ROUND_PLACES
    x, y = hole.x_mm + wall * np.cos(angle), hole.y_mm + wall * np.sin(angle)
    bound = float(lowest(x, y).max())
    return max(hole.floor_z_mm - THROUGH_MM if hole.through else hole.floor_z_mm + allowance_mm, bound)


def _ring_stroke(
    cut: Cut, hole: Hole, path_and_cutter_mm: tuple[float, float], from_to_mm: tuple[float, float], steepest_deg: float
) -> Stroke:
    """From over the middle out to the ring, down by a helix, once round on the floor, and back to the middle."""
    ring, radius = path_and_cutter_mm
    top, floor = from_to_mm
    over = top + OVER_MM
    centre = np.array([hole.x_mm, hole.y_mm])
    feed = feed_inside_mm_per_min(cut.feed_mm_per_min, ring, radius)
    slope = math.tan(math.radians(min(max(steepest_deg, 0.5), 45.0)))
    pitch = min(cut.ap_mm if cut.ap_mm > 0.0 else radius, 2.0 * math.pi * ring * slope)
    sweep = 2.0 * math.pi * (over - floor) / pitch
    rows = StrokeRows()
    rows.go(np.array([*centre, over]), 0.0, MoveKind.RAPID)
    rows.go(eased_in(centre, ring, (over, over))[1:], feed, MoveKind.ENTRY)
    rows.go(arc(centre, ring, (0.0, sweep), (over, floor))[1:], feed, MoveKind.CUT)
    rows.go(arc(centre, ring, (sweep, sweep + 2.0 * math.pi), (floor, floor))[1:], feed, MoveKind.CUT)
    rows.go(eased_out(centre, ring, (floor, floor), sweep)[1:], feed, MoveKind.CUT)
    return rows.stroke()


def _lowest_for_holes(cut: Cut, shape: CutterShape, target: DropTree, around: Surroundings) -> Lowest:
    """Return the lowest tip in round holes whose walls are modelled by facets."""
    return lowest_at_side(cut, CutterShape(slimmer(shape.edge, FACET_MM), shape.body), target, around)


def _point_mm(shape: CutterShape) -> float:
    """How far a drill's point stands out before its full diameter."""
    edge = shape.edge
    return float(edge.h_mm[np.argmax(edge.r_mm >= edge.radius_mm - 1e-9)])


def holes_in_order(cut: Cut, progress: Progress) -> Iterator[Hole]:
    """Give the cut's holes by a short tour, telling how far it is."""
    order = short_tour(np.array([[hole.x_mm, hole.y_mm] for hole in cut.holes]).reshape(-1, 2))
    for nth, index in enumerate(order):
        if progress is not None:
            progress(nth / len(order))
        yield cut.holes[index]


def _where(cut: Cut, hole: Hole) -> str:
    return f"cut {cut.number}, {cut.name}, {hole_place(hole)}"


def hole_place(hole: Hole) -> str:
    """Say which hole is meant."""
    return f"hole at X {hole.x_mm:.2f} Y {hole.y_mm:.2f} mm"
