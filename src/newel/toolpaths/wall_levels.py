"""At what heights walls are gone round: down to every floor by the depth of cut, and between as the cusp asks.

What a cutter leaves between two levels depends on how far the wall leans: on an upright wall its flank leaves nothing, however
deep the level, and so only leaning stretches of a wall are gone along between.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.toolpaths.side_ground import SideGround
from newel.toolpaths.side_stock import SideStock
from newel.toolpaths.spacing import underside, widest_spacing

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEVEL_MM = 1e-4  # a contour is asked this much over its level, so that a floor at the level is free
_PROBE_MM = 0.01  # how far beside a contour the wall's slope is asked: contours lie up to 0.002 before their walls
_LOWEST_WALL_MM = 0.005
_AT_ONCE = 0.75
_LEAST_STEP_MM = 0.02
_GENTLEST_SHARE = 0.02  # of a level's steep places: so few may lean further than what its step is reckoned for
_SLOPES = 91  # at which the step is tabulated
_STEEPEST_DEG = 89.9


def levels_of(cut: Cut, steps: CuspSteps | None, ground: SideGround, stock: SideStock) -> list[tuple[float, bool]]:
    """Return the levels from the top down, floors among them, and for each whether it only lies between for the cusp."""
    top = min(cut.top_z_mm, stock.highest_mm)
    if top <= cut.floor_z_mm:
        return []
    floors = sorted({*(z for z in cut.flats_z_mm if cut.floor_z_mm < z < top), cut.floor_z_mm}, reverse=True)
    levels: list[float] = []
    begin = top
    for floor in floors:
        count = max(1, math.ceil((begin - floor) / cut.ap_mm - 1e-9))
        levels += np.linspace(begin, floor, count + 1)[1:].tolist()
        begin = floor
    if steps is None:
        return [(z, False) for z in levels]
    out: list[tuple[float, bool]] = []
    above = top
    for z in levels:
        out += [(v, True) for v in _between(cut, steps, ground, above, z)]
        out.append((z, False))
        above = z
    return out


class CuspSteps:
    """How far a level may lie under the one before so that the cusp is kept, against how far the wall leans."""

    def __init__(self, cut: Cut, shape: CutterShape) -> None:
        # densest at the upright, where the flank's share grows fastest
        lean = np.linspace(1.0, 0.0, _SLOPES) ** 3
        self._slope_deg = _STEEPEST_DEG - (_STEEPEST_DEG - min(cut.slope_deg, _STEEPEST_DEG)) * lean
        spacing = widest_spacing(underside(shape.edge), cut.cusp_mm, self._slope_deg)
        self._step_mm = np.maximum(spacing * np.sin(np.radians(self._slope_deg)), _LEAST_STEP_MM)

    @property
    def least_mm(self) -> float:
        """The least step of any slope."""
        return float(self._step_mm.min())

    def at(self, slope_deg: float) -> float:
        """Return the step for a wall of a slope, in mm; infinite for an upright one."""
        return math.inf if slope_deg >= _STEEPEST_DEG else float(np.interp(slope_deg, self._slope_deg, self._step_mm))

    def upright_deg(self, step_mm: float) -> float:
        """Return the slope from which on a wall keeps the cusp at a step."""
        enough = np.flatnonzero(self._step_mm >= step_mm)
        return float(self._slope_deg[enough[0]]) if len(enough) else _STEEPEST_DEG


def cusp_steps(cut: Cut, shape: CutterShape) -> CuspSteps | None:
    """Return the steps of a cut that follows leaning walls too; None for one that follows upright walls alone."""
    return CuspSteps(cut, shape) if cut.slope_deg < _STEEPEST_DEG and cut.cusp_mm > 0.0 else None


def _between(cut: Cut, steps: CuspSteps, ground: SideGround, above: float, z: float) -> list[float]:
    """Return levels between two, each as far under the one before as the gentlest wall on the way allows."""
    rungs = max(1, math.ceil((above - z) / steps.least_mm))
    ladder = np.linspace(above, z, rungs + 1)
    at_rung = [steps.at(_gentlest_deg(cut, ground, float(v))) for v in ladder]
    most = np.minimum(at_rung[:-1], at_rung[1:])
    found: list[float] = []
    at = above
    while (down := _lowest_next(ladder, most, at)) > z + 1e-9:
        found.append(down)
        at = down
    return found


def _lowest_next(ladder: Floats, most: Floats, at: float) -> float:
    """Return how far down the next level may lie; `most` (n - 1,): the step that each stretch of the ladder (n,) allows."""
    down, widest = at, math.inf
    for low, allowed in zip(ladder[1:].tolist(), most.tolist()):
        if low >= at - 1e-9:
            continue
        widest = min(widest, allowed)
        down = min(down, max(low, at - widest))
        if down > low + 1e-9:
            break
    return down


def _gentlest_deg(cut: Cut, ground: SideGround, z: float) -> float:
    """The gentlest slope of the walls met at a level that are still steep enough for the cut; 90 where there are none."""
    slopes = [slopes_deg(ground, ring, z) for ring in ground.contours_at(z + LEVEL_MM)]
    every = np.concatenate(slopes) if slopes else np.zeros(0)
    steep = every[every >= cut.slope_deg]
    return float(np.quantile(steep, _GENTLEST_SHARE)) if steep.size else 90.0


def slopes_deg(ground: SideGround, ring: Floats, z: float) -> Floats:
    """Return the wall's slope (n,) at places of a contour: how far the tip must rise a little, and twice as far, beside it.

    An upright wall, however low, makes the tip rise as much at once; a slanting one twice as much at twice the way.
    """
    right = rights(ring)
    near, far = (np.minimum(ground.lowest(*(ring + d * right).T) - z, 1e3) for d in (_PROBE_MM, 2.0 * _PROBE_MM))
    slope = np.degrees(np.arctan2(np.maximum(far - near, 0.0), _PROBE_MM))
    slope[(far > _LOWEST_WALL_MM) & (near >= _AT_ONCE * far)] = 90.0
    slope[_on_bounds(ground, ring)] = 0.0
    return slope


def _on_bounds(ground: SideGround, ring: Floats) -> Bools:
    near = 0.01
    x, y = ring[:, 0], ring[:, 1]
    along_x = (x < ground.from_x_mm + near) | (x > ground.to_x_mm - near)
    return along_x | (y < ground.from_y_mm + near) | (y > ground.to_y_mm - near)


def rights(ring: Floats) -> Floats:
    """Return unit normals (n, 2) to the right of a polyline at its places: at a corner, between its two pieces."""
    way = np.diff(ring, axis=0)
    way = way / np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
    closed = bool(np.allclose(ring[0], ring[-1]))
    first, last = (way[-1:], way[:1]) if closed else (way[:1], way[-1:])
    mean = np.vstack([first, way]) + np.vstack([way, last])
    mean = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-12)[:, None]
    return np.column_stack([mean[:, 1], -mean[:, 0]])
