"""Inside threads of the ISO metric profile, milled by a helix with a cutter of one row of teeth.

The cutter goes down the middle of its bore, out to the wall by a half circle that lies on the thread's own helicoid, up by
the pitch a turn until the tooth has left the hole, and back to the middle. Going round counterclockwise while rising, a
cutter that turns clockwise (M3) climbs and makes a right-hand thread.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut, Hole
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.shop.iso_threads import ThreadSizes, Tooth, misfit, path_radius_mm, thread_for_bore
from newel.toolpaths.holes import FACET_MM, OVER_MM, hole_place, holes_in_order
from newel.toolpaths.linking import Surroundings
from newel.toolpaths.strokes import (
    Stroke,
    StrokeRows,
    arc,
    feed_inside_mm_per_min,
    lowest_at_side,
    side_turn_deg,
    slimmer,
    toolpath_of_strokes,
)

Floats = NDArray[np.float64]
Progress = Callable[[float], None] | None

FLOOR_MM = 0.1  # kept between the cutter's end and the floor of a blind hole (common practice)
_EASY_RAD = 0.5 * math.pi  # the half circle out to the wall goes through a quarter turn about the bore


def thread(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Mill the threads of the cut's holes to their basic size, in passes of at most `ae_mm` of the profile's depth.

    The holes must be bored already. A blind hole is threaded from as low as the cutter's end may go, a through hole from half a
    pitch beyond its end. Raises BadInput for a hole that is the bore of no metric thread with its pitch, and for a cutter that
    does not fit the thread.
    """
    side_turn_deg(cut)
    tooth = tooth_of(shape)
    lowest = lowest_at_side(cut, CutterShape(slimmer(shape.edge, FACET_MM), shape.body), target, around)
    strokes: list[Stroke] = []
    for hole in holes_in_order(cut, progress):
        where = f"cut {cut.number}, {cut.name}, {hole_place(hole)}"
        if hole.pitch_mm is None:
            raise BadInput("a hole to be threaded needs its pitch", where=where)
        sizes = thread_for_bore(hole.diameter_mm, hole.pitch_mm, where=where)
        check_tooth(tooth, sizes, where)
        bound = float(lowest(np.array([hole.x_mm]), np.array([hole.y_mm]))[0])
        begin = hole.floor_z_mm - 0.5 * sizes.pitch - tooth.middle_mm if hole.through else hole.floor_z_mm + FLOOR_MM
        begin = max(begin, bound + (0.0 if hole.through else FLOOR_MM))
        if begin + tooth.middle_mm >= hole.top_z_mm:
            raise BadInput("the thread mill cannot go down into its bore", where=where, remedy="bore the hole before")
        for depth in _depths(sizes, cut.ae_mm):
            strokes.append(_turns(cut, hole, tooth, sizes, (path_radius_mm(tooth, sizes) - depth, begin)))
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def tooth_of(shape: CutterShape) -> Tooth:
    """Read a thread mill's tooth off its outline; BadInput for an outline without one."""
    r, h = shape.edge.r_mm, shape.edge.h_mm
    crest = np.flatnonzero(r >= shape.edge.radius_mm - 1e-9)
    neck = float(max(r[-1], r[np.argmax(r > 0.0)]))
    if crest[0] == 0 or crest[-1] == len(r) - 1 or neck >= shape.edge.radius_mm - 1e-6:
        raise BadInput("threads are milled with a cutter whose tooth stands out of a neck (form 'thread mill')")
    low, high = float(h[crest[0]]), float(h[crest[-1]])
    return Tooth(shape.edge.radius_mm, neck, high - low, 0.5 * (low + high))


def check_tooth(tooth: Tooth, sizes: ThreadSizes, where: str = "") -> None:
    """Refuse a tooth that cannot make a thread."""
    why = misfit(tooth, sizes)
    if why:
        raise BadInput(why, where=where)


def _depths(sizes: ThreadSizes, ae_mm: float) -> list[float]:
    """How far each pass stays off the last one: passes take equal areas of the profile, none deeper than `ae_mm` at first."""
    deep = 0.5 * (sizes.d - sizes.D1)
    count = max(1, math.ceil(deep / ae_mm - 1e-9))
    return [deep * (1.0 - math.sqrt((k + 1) / count)) for k in range(count)]


def _turns(cut: Cut, hole: Hole, tooth: Tooth, sizes: ThreadSizes, ring_and_begin_mm: tuple[float, float]) -> Stroke:
    """Down the middle, out, up the helix, and back to the middle: heights of the tip follow one helicoid all the way."""
    ring, begin = ring_and_begin_mm
    centre = np.array([hole.x_mm, hole.y_mm])
    rise = sizes.pitch / (2.0 * math.pi)
    out_of_it = hole.top_z_mm + 0.5 * sizes.pitch - tooth.middle_mm
    low = begin + rise * _EASY_RAD
    sweep = 2.0 * math.pi * max((out_of_it - low) / sizes.pitch, 1.0)
    feed = feed_inside_mm_per_min(cut.feed_mm_per_min, ring, tooth.crest_mm)
    rows = StrokeRows()
    over = hole.top_z_mm + OVER_MM
    rows.go(np.array([*centre, over]), 0.0, MoveKind.RAPID)
    rows.go(np.array([*centre, begin]), cut.feed_mm_per_min, MoveKind.LINK)
    # a half circle from the middle to the wall: its angle about the bore goes through a quarter turn at half its own speed
    half = 0.5 * ring
    rows.go(arc(centre + np.array([half, 0.0]), half, (-math.pi, 0.0), (begin, low))[1:], feed, MoveKind.ENTRY)
    high = low + rise * sweep
    rows.go(arc(centre, ring, (0.0, sweep), (low, high))[1:], feed, MoveKind.CUT)
    toward = half * np.array([math.cos(sweep), math.sin(sweep)])
    end = high + rise * _EASY_RAD
    rows.go(arc(centre + toward, half, (sweep, sweep + math.pi), (high, end))[1:], feed, MoveKind.CUT)
    return rows.stroke()
