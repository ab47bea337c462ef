"""Engraving: the tip runs along given lines of the part, as low as the cutter goes there without touching what must stay."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.development_map import DevelopmentMap, likely_standing, map_of
from newel.toolpaths.linking import Surroundings, Tool, entered, linked, tool_of, toolpath_of
from newel.toolpaths.lowest_tip import ground_for
from newel.toolpaths.passes import Exactness, Piece, ordered, shaped

Floats = NDArray[np.float64]

STEP_MM = 0.15  # places along a line, before steps are halved
EXACT = Exactness(0.002, 0.004, 0.02)
STRAIGHT_DOWN_MM = 0.6  # common practice: a pointed edge may go straight into so thin a stock


def engrave(
    cut: Cut,
    shape: CutterShape,
    target: DropTree,
    blank: Blank,
    around: Surroundings,
    progress: Callable[[float], None] | None = None,
) -> Toolpath:
    """Return the passes along `cut.lines`, in levels of `ap_mm` where a line lies deeper than that in what stands."""
    m = map_of(blank, 0.5, 1.5)
    ground = ground_for(cut, shape, target, around.keep_out, around.clearance_mm, floor_mm=0.0)
    tool = tool_of(shape, ground.keep_x_mm, ground.keep_z_mm, cut.offset_y_mm)
    pieces = ordered([piece_along(line) for line in cut.lines], cut.from_x_mm, 0.0, same_way=False)
    pieces = shaped(ground.lowest, [replace(piece, z_mm=np.full(len(piece.x_mm), np.nan)) for piece in pieces], EXACT)
    if progress is not None:
        progress(0.6)
    runs = [run for piece in pieces for run in _levels(piece, m, tool, cut)]
    strands = entered(runs, m, tool, cut, STRAIGHT_DOWN_MM if around.centre_cutting else 0.05)
    rows, _ = linked(strands, None, m, tool, cut, around)
    return toolpath_of(rows, around)


def piece_along(line: Floats) -> Piece:
    """Return a line of the bar frame (n, 3) as places of the development, at its own distance from the rotary axis."""
    turn = np.degrees(np.unwrap(np.arctan2(line[:, 1], line[:, 2])))
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    at = np.linspace(0.0, way[-1], max(2, math.ceil(way[-1] / STEP_MM) + 1))
    at = np.union1d(at, way)
    return Piece(np.interp(at, way, line[:, 0]), np.interp(at, way, turn), np.interp(at, way, np.hypot(line[:, 1], line[:, 2])))


def _levels(piece: Piece, m: DevelopmentMap, tool: Tool, cut: Cut) -> list[Piece]:
    """Return a piece's runs from the top: forth and back, each `ap_mm` deeper in what stands over its lowest place."""
    stands = likely_standing(m, tool.edge, piece.x_mm, cut.offset_y_mm, piece.turn_deg)
    deepest = float(np.max(stands - piece.z_mm, initial=0.0))
    levels = max(1, math.ceil(deepest / cut.ap_mm - 1e-9)) if math.isfinite(deepest) else 1
    runs = []
    for level in range(levels):
        raised = np.maximum(piece.z_mm, stands - (level + 1) * deepest / levels) if level + 1 < levels else piece.z_mm
        run = replace(piece, z_mm=raised)
        runs.append(run if level % 2 == 0 else Piece(run.x_mm[::-1], run.turn_deg[::-1], run.z_mm[::-1]))
    return runs
