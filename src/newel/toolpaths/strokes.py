"""Strokes: runs with the cutter down at one side, made of straight pieces, arcs and helixes, before links join them.

Places are tips (x, y, z) in the table frame in mm at the side's one turn. A circle is gone round counterclockwise seen from
above, which is climbing inside a bore for a spindle that turns clockwise (M3).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut, Hole
from newel.core.profile import CutterShape, Profile
from newel.geometry.blank import Blank, inside
from newel.geometry.drop import DropTree
from newel.toolpaths.linking import Rows, Surroundings, toolpath_of
from newel.toolpaths.side_ground import side_ground
from newel.toolpaths.side_links import lifted_link, side_scene
from newel.toolpaths.side_stock import side_stock, take_off

Floats = NDArray[np.float64]
Lowest = Callable[[Floats, Floats], Floats]  # the lowest tip height at places (x, y) of one side

CHORD_MM = 0.003  # an arc's chords stray from it by half of this to either side: well within a bore's 0.02 mm
_FAR_MM = 1e4
_MAP_MM = 0.25  # cells of the map that links look at
_MOST_STEP_RAD = math.radians(15.0)
LEAST_RAMP_MM = 0.2  # turns of a ramp are counted as if it were so long at least: to and fro over less is a plunge anyway
LEAST_FEED_SHARE = 0.2  # however small the circle of the tip, it is fed no slower than this share (common practice)


@dataclass(frozen=True)
class Stroke:
    """One run with the cutter down: `tip` (n, 3), and how each place is reached: feed (0: rapid) and MoveKind, (n,).

    A link brings the cutter to the first place, which must be clear of everything, and takes it straight up from the last.
    """

    tip: Floats
    feed_mm_per_min: Floats
    kind: NDArray[np.uint8]


def side_turn_deg(cut: Cut) -> float:
    """Return the turn at which a cut at a side is clamped; BadInput for a cut without one."""
    if cut.turn_deg is None:
        raise BadInput(
            f"a {cut.kind.value} cut needs the turn at which the bar is clamped", where=f"cut {cut.number}, {cut.name}"
        )
    return cut.turn_deg


class StrokeRows:
    """Collects a stroke place by place."""

    def __init__(self) -> None:
        self._tips: list[Floats] = []
        self._feeds: list[Floats] = []
        self._kinds: list[NDArray[np.uint8]] = []

    def go(self, tips: Floats, feed_mm_per_min: float, kind: MoveKind) -> None:
        """Go on over places (n, 3) or to one (3,), all at one feed."""
        tips = np.atleast_2d(np.asarray(tips, dtype=float))
        self._tips.append(tips)
        self._feeds.append(np.full(len(tips), 0.0 if kind is MoveKind.RAPID else feed_mm_per_min))
        self._kinds.append(np.full(len(tips), int(kind), dtype=np.uint8))

    def stroke(self) -> Stroke:
        """Return what was collected."""
        return Stroke(np.concatenate(self._tips), np.concatenate(self._feeds), np.concatenate(self._kinds))


def arc(centre: Floats, radius_mm: float, rad: tuple[float, float], z_mm: tuple[float, float]) -> Floats:
    """Return places (n, 3) on an arc or helix about `centre` (2,) from one polar angle and height to another, ends included.

    Its corners stand outside the true circle by half of what its chords' middles fall inside.
    """
    sweep = rad[1] - rad[0]
    step = 2.0 * math.acos(max(1.0 - CHORD_MM / max(radius_mm, CHORD_MM), 0.0))
    count = max(1, math.ceil(abs(sweep) / min(step, _MOST_STEP_RAD) - 1e-9))
    share = np.linspace(0.0, 1.0, count + 1)
    angle = rad[0] + sweep * share
    outside = 2.0 * radius_mm / (1.0 + math.cos(0.5 * sweep / count))
    z = z_mm[0] + (z_mm[1] - z_mm[0]) * share
    return np.column_stack([centre[0] + outside * np.cos(angle), centre[1] + outside * np.sin(angle), z])


def eased_in(centre: Floats, radius_mm: float, z_mm: tuple[float, float]) -> Floats:
    """Return a half circle from the centre of a circle out to its place at polar angle 0, meeting it tangentially."""
    return arc(centre + np.array([0.5 * radius_mm, 0.0]), 0.5 * radius_mm, (-math.pi, 0.0), z_mm)


def eased_out(centre: Floats, radius_mm: float, z_mm: tuple[float, float], at_rad: float = 0.0) -> Floats:
    """Return a half circle from a place of a circle, leaving it tangentially, back to its centre."""
    toward = 0.5 * radius_mm * np.array([math.cos(at_rad), math.sin(at_rad)])
    return arc(centre + toward, 0.5 * radius_mm, (at_rad, at_rad + math.pi), z_mm)


def feed_inside_mm_per_min(feed_mm_per_min: float, path_radius_mm: float, cutter_radius_mm: float) -> float:
    """Return the feed of the tip inside a bore that gives the edge at its wall the asked feed (common practice).

    The wall's radius is the sum of both radii, and the edge there runs over the work in that ratio faster than the tip.
    """
    share = path_radius_mm / (path_radius_mm + cutter_radius_mm)
    return feed_mm_per_min * max(share, LEAST_FEED_SHARE)


def slimmer(profile: Profile, by_mm: float) -> Profile:
    """Return an outline made narrower all round by a hair, to ask what a wall's facets alone would forbid.

    A drop of a cutter that just fits a hole would rest on the rim, whose facets stand inside the true circle.
    """
    if (profile.centre_r_mm < by_mm).any():  # a ball's end has its centre on the axis: it fits into a round hole anyway
        return profile
    r = np.maximum(profile.r_mm - by_mm, 0.0)
    centre = profile.centre_r_mm - by_mm
    return Profile(r, profile.h_mm.copy(), centre, profile.centre_h_mm.copy())


def stock_span(blank: Blank, turn_deg: float, hole: Hole, ring_mm: tuple[float, float], below_mm: float) -> tuple[float, float]:
    """Return the heights between which stock stands in a ring about a hole's axis, above `below_mm`; (inf, -inf) for none.

    Looked up in the blank's rays: up to one pitch too wide.
    """
    pitch = max(blank.grid.py, blank.grid.pz, blank.grid.px)
    top = float(blank.reach_mm.max()) + pitch
    if top <= below_mm:
        return math.inf, -math.inf
    rings = max(2, math.ceil((ring_mm[1] - ring_mm[0]) / (0.7 * pitch)) + 1)
    radius = np.linspace(ring_mm[0], ring_mm[1], rings)
    around = max(12, math.ceil(2.0 * math.pi * ring_mm[1] / pitch))
    angle = np.arange(around) * 2.0 * math.pi / around
    z = np.arange(below_mm, top + 0.5 * pitch, 0.5 * pitch)
    x = (hole.x_mm + radius[:, None] * np.cos(angle)).ravel()
    y = (hole.y_mm + radius[:, None] * np.sin(angle)).ravel()
    points = np.column_stack([np.tile(x, len(z)), np.tile(y, len(z)), np.repeat(z, len(x))])
    held = inside(blank, points @ turn_about_x(turn_deg)).reshape(len(z), len(x)).any(axis=1)
    if not held.any():
        return math.inf, -math.inf
    levels = z[held]
    return float(levels.min()) - pitch, float(levels.max()) + pitch


def lowest_at_side(cut: Cut, shape: CutterShape, target: DropTree, around: Surroundings) -> Lowest:
    """Return the lowest tip at places of a side, whatever the cut's own bounds and floor are.

    The edge is kept off the target by the cut's allowance; body and keep-outs by their clearances.
    """
    anywhere = replace(cut, from_x_mm=-_FAR_MM, to_x_mm=_FAR_MM, from_y_mm=-_FAR_MM, to_y_mm=_FAR_MM, floor_z_mm=-_FAR_MM)
    return side_ground(anywhere, shape, target, around.keep_out, around.clearance_mm).lowest


def toolpath_of_strokes(
    strokes: list[Stroke], cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings
) -> Toolpath:
    """Link strokes over what stands then: what each has taken off is counted for the links after it."""
    if not strokes:
        return toolpath_of([], around)
    ground = side_ground(cut, shape, target, around.keep_out, around.clearance_mm)
    scene = side_scene(cut, shape, ground, side_stock(blank, side_turn_deg(cut), _MAP_MM), around)
    rows: list[Rows] = []
    last: Floats | None = None
    for stroke in strokes:
        rows += lifted_link(scene, last, stroke.tip[0])
        turn = np.full(len(stroke.tip) - 1, ground.turn_deg)
        rows.append(Rows(np.column_stack([stroke.tip[1:], turn]), stroke.feed_mm_per_min[1:], stroke.kind[1:]))
        take_off(scene.stock, shape.edge, stroke.tip)
        last = stroke.tip[-1]
    return toolpath_of(rows, around)
