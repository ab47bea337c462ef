"""Part off: a groove beside the part's end, down to a stub that a knife can cut; round the turning bar, or from clamped sides.

`floor_z_mm` is the stub's radius (common practice: 1.5 to 2 mm in wood and plastics, more in metal). The target must carry no
thicker stub where the groove runs: the drop over it bounds every tip, so that a thicker stub, or the part, is left as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank, max_radius
from newel.geometry.drop import DropTree
from newel.toolpaths.linking import Rows, Surroundings, toolpath_of
from newel.toolpaths.lowest_tip import ground_for
from newel.toolpaths.strokes import Stroke, StrokeRows, lowest_at_side, toolpath_of_strokes

Floats = NDArray[np.float64]
Progress = Callable[[float], None] | None

_ROW_DEG = 30.0  # of turn in one row: the move is linear in turn and height, so that longer ones would only hide progress
_ASK_DEG = 1.0
_ASK_MM = 0.1
_LEAST_MM = 0.02
_SHANK_BESIDE_MM = 0.03  # deep beside an end face: as near as planning lets a shank come there, see planning/part_off.py
_OVER_MM = 0.5  # feeding begins this far over what stands (common practice)


def part_off(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes of a groove between `from_x_mm` and `to_x_mm`, in levels of `ap_mm`, side by side by at most `ae_mm`.

    Without a turn the bar turns and the cutter sinks by `ap_mm` a turn; at a clamped turn it goes to and fro across the bar.
    """
    width = cut.to_x_mm - cut.from_x_mm
    places = np.linspace(cut.from_x_mm, cut.to_x_mm, max(1, math.ceil(width / cut.ae_mm - 1e-9) + 1) if width > 1e-9 else 1)
    radius = float(shape.edge.radius_mm)
    if cut.turn_deg is None:
        rows = [r for x in places if (r := _round(cut, shape, target, blank, around, (float(x), radius))) is not None]
        return toolpath_of(rows, around)
    strokes = [s for x in places if (s := _across(cut, shape, target, blank, around, (float(x), radius))) is not None]
    return toolpath_of_strokes(strokes, cut, shape, target, blank, around)


def _round(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, place_mm: tuple[float, float]
) -> Rows | None:
    """Sink by `ap_mm` a turn from over the stock to the stub, and once round at the bottom."""
    x, radius = place_mm
    half = max(radius - blank.grid.px, 0.0)  # a slice that the groove's wall runs through does not count
    top = max_radius(blank, x - half, x + half)
    here = replace(cut, from_x_mm=x, to_x_mm=x, offset_y_mm=0.0)
    ground = ground_for(
        here, shape, target, around.keep_out, around.clearance_mm, cut.floor_z_mm, body_clearance_mm=_SHANK_BESIDE_MM
    )
    asked = np.arange(0.0, 360.0, _ASK_DEG)
    floor = max(cut.floor_z_mm, float(ground.lowest(np.full(asked.shape, x), asked).max()))
    if top <= floor + max(_LEAST_MM, blank.pitch_mm):  # what stands is known to half a ray's spacing
        return None
    over = top + _OVER_MM
    sunk = 360.0 * (over - floor) / cut.ap_mm
    count = max(1, math.ceil(sunk / _ROW_DEG))
    turn = np.concatenate([np.linspace(0.0, sunk, count + 1), sunk + np.arange(1, 13) * 30.0])
    z = np.maximum(over - cut.ap_mm * turn / 360.0, floor)
    begin = np.array([[x, 0.0, around.retract_z_mm, 0.0], [x, 0.0, min(top + around.clearance_mm, around.retract_z_mm), 0.0]])
    end = np.array([[x, 0.0, around.retract_z_mm, turn[-1]]])
    pose = np.vstack([begin, np.column_stack([np.full(len(z), x), np.zeros(len(z)), z, turn]), end])
    kind = np.full(len(pose), int(MoveKind.CUT), dtype=np.uint8)
    kind[[0, 1, -1]] = MoveKind.RAPID
    kind[2] = MoveKind.LINK
    feed = np.where(kind == MoveKind.RAPID, 0.0, cut.feed_mm_per_min)
    return Rows(pose, feed, kind)


def _across(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, place_mm: tuple[float, float]
) -> Stroke | None:
    """To and fro across the bar, a level lower each time, from beside the bar to beside it."""
    x, radius = place_mm
    reach = max_radius(blank, x - radius, x + radius)
    side = reach + radius + _OVER_MM
    low, high = (cut.from_y_mm, cut.to_y_mm) if cut.to_y_mm > cut.from_y_mm else (-side, side)
    y = np.linspace(low, high, max(2, math.ceil((high - low) / _ASK_MM) + 1))
    lowest = float(lowest_at_side(cut, shape, target, around)(np.full(y.shape, x), y).max())
    floor, top = max(cut.floor_z_mm, lowest), reach
    if top <= floor + _LEAST_MM:
        return None
    levels = np.linspace(top, floor, max(1, math.ceil((top - floor) / cut.ap_mm - 1e-9)) + 1)[1:]
    rows = StrokeRows()
    rows.go(np.array([x, low, float(levels[0])]), 0.0, MoveKind.RAPID)
    for nth, z in enumerate(levels.tolist()):
        ends = (low, high) if nth % 2 == 0 else (high, low)
        if nth:
            rows.go(np.array([x, ends[0], z]), cut.entry_feed_mm_per_min, MoveKind.ENTRY)
        rows.go(np.array([x, ends[1], z]), cut.feed_mm_per_min, MoveKind.CUT)
    return rows.stroke()
