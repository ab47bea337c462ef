"""Which of the part's surface a ball-ended cutter can touch while the bar turns under it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import CutterShape
from newel.geometry.drop import DropTree, drop

Floats = NDArray[np.float64]

END_FACING = 0.985  # cosine of 10 degrees
_FACES_UP = 0.02  # least rise of a normal that a ball can touch from above
_ENDS_BENEATH = 0.17  # sine of 10 degrees: what faces along the bar is cut by the flank, whichever way it leans a little


@dataclass(frozen=True)
class SurfaceSample:
    """Points spread evenly over a surface: `points` (n, 3) in mm, outward `normals` (n, 3), the whole `area_mm2`."""

    points: Floats
    normals: Floats
    area_mm2: float


def sample_surface(vertices: Floats, faces: NDArray[np.int32], count: int, seed: int) -> SurfaceSample:
    """Spread `count` points over the triangles, as many as each one's share of the area (seeded)."""
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    doubled = np.linalg.norm(cross, axis=1)
    rng = np.random.default_rng(seed)
    edges = np.cumsum(doubled)
    chosen = np.searchsorted(edges, (np.arange(count) + rng.random(count)) / count * edges[-1], side="right")
    chosen = np.minimum(chosen, len(faces) - 1)
    u, v = rng.random(count), rng.random(count)
    over = u + v > 1.0
    u[over], v[over] = 1.0 - u[over], 1.0 - v[over]
    picked = corners[chosen]
    points = picked[:, 0] + u[:, None] * (picked[:, 1] - picked[:, 0]) + v[:, None] * (picked[:, 2] - picked[:, 0])
    normals = cross[chosen] / np.maximum(doubled[chosen], 1e-300)[:, None]
    return SurfaceSample(points, normals, float(doubled.sum()) / 2.0)


def sides_of(sample: SurfaceSample) -> SurfaceSample:
    """Return the sample without the ends that face along the bar: a cutter's flank cuts those, not its ball."""
    beside = np.abs(sample.normals[:, 0]) < END_FACING
    return SurfaceSample(sample.points[beside], sample.normals[beside], sample.area_mm2 * float(beside.mean()))


@dataclass(frozen=True)
class Standing:
    """The part as cutters meet it: its drop tree and its largest distance from the rotary axis, in mm."""

    tree: DropTree
    radius_mm: float


def lowest_tip(part: Standing, shape: CutterShape, x_mm: Floats, y_mm: Floats, turn_deg: Floats) -> Floats:
    """Return the lowest tip height (n,) at which neither edge nor body touches the part; -inf where neither can."""
    low = drop(part.tree, shape.edge, x_mm, y_mm, turn_deg)
    # a body that begins over the part's farthest point cannot touch it: most places need not be asked
    near = low < part.radius_mm - float(shape.body.h_mm[0])
    low[near] = np.maximum(low[near], drop(part.tree, shape.body, x_mm[near], y_mm[near], turn_deg[near]))
    return low


def around_reach(
    sample: SurfaceSample,
    part: Standing,
    shape: CutterShape,
    ball_radius_mm: float,
    offset_y_mm: float = 0.0,
    heights: tuple[float, ...] = (1.0,),
) -> Floats:
    """Return how much a ball cutter must leave standing over each sample point, in mm along the normal (n,); 0 is clean.

    The cutter's axis is square to the rotary axis, set off sideways by `offset_y_mm`. With its ball touching the point the
    ball's centre stands one radius out along the normal, and the bar has one turn that brings that centre under the spindle
    above the rotary axis (`heights` 1.0), and one below it (-1.0): there the tip reaches past the axis.
    Points whose centre lies nearer the rotary axis than the offset, or that face away, count as left by a whole radius.
    """
    centre = sample.points + ball_radius_mm * sample.normals
    out = np.hypot(centre[:, 1], centre[:, 2])
    ends = np.abs(sample.normals[:, 0]) >= END_FACING
    left = np.full(len(centre), ball_radius_mm)
    for sign in heights:
        up = sign * np.sqrt(np.maximum(out**2 - offset_y_mm**2, 0.0))
        turn = np.degrees(np.arctan2(up, offset_y_mm) - np.arctan2(centre[:, 2], centre[:, 1]))
        rise = _rise(sample.normals, turn)
        usable = (out > abs(offset_y_mm) + 1e-9) & np.where(ends, rise > -_ENDS_BENEATH, rise > _FACES_UP)
        y = np.full(int(usable.sum()), offset_y_mm)
        low = lowest_tip(part, shape, centre[usable, 0], y, turn[usable])
        lifted = _left_by_lift(low - (up - ball_radius_mm)[usable], rise[usable], ball_radius_mm)
        left[usable] = np.minimum(left[usable], lifted)
    return left


def tilted_reach(sample: SurfaceSample, part: Standing, shape: CutterShape, ball_radius_mm: float, tilt_deg: float) -> Floats:
    """Return how much a ball cutter must leave over each point (n,), in mm, where any sideways offset may be chosen.

    The bar is turned so that the point's normal leans `tilt_deg` from upright as seen along the bar; of a point that faces
    along the bar the point itself does.
    """
    ends = np.abs(sample.normals[:, 0]) >= END_FACING
    toward = np.where(ends[:, None], sample.points[:, 1:], sample.normals[:, 1:])
    turn = 90.0 - np.degrees(np.arctan2(toward[:, 1], toward[:, 0])) + tilt_deg
    centre = sample.points + ball_radius_mm * sample.normals
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    y, z = c * centre[:, 1] - s * centre[:, 2], s * centre[:, 1] + c * centre[:, 2]
    rise = _rise(sample.normals, turn)
    usable = np.where(ends, rise > -_ENDS_BENEATH, rise > _FACES_UP)
    left = np.full(len(centre), ball_radius_mm)
    low = lowest_tip(part, shape, centre[usable, 0], y[usable], turn[usable])
    left[usable] = _left_by_lift(low - (z - ball_radius_mm)[usable], rise[usable], ball_radius_mm)
    return left


def _rise(normals: Floats, turn_deg: Floats) -> Floats:
    """Return how much normals (n, 3) look upward (n,) when the bar is turned: a ball can't come from beneath."""
    rad = np.radians(turn_deg)
    return normals[:, 1] * np.sin(rad) + normals[:, 2] * np.cos(rad)


def _left_by_lift(lift: Floats, rise: Floats, radius: float) -> Floats:
    """Return how far a ball that touched a point stands off it when lifted: the cosine rule about its centre."""
    lift, rise = np.maximum(lift, 0.0), np.maximum(rise, 0.0)
    return np.sqrt(radius**2 + 2.0 * radius * lift * rise + lift**2) - radius
