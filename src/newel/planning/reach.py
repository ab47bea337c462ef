"""Which of the part's surface a ball-ended cutter can touch while the bar turns under it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import CutterShape
from newel.geometry.drop import DropTree, drop

Floats = NDArray[np.float64]

END_FACING = 0.985  # cosine of 10 degrees


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
    sample: SurfaceSample, part: Standing, shape: CutterShape, ball_radius_mm: float, offset_y_mm: float = 0.0
) -> Floats:
    """Return how much a ball cutter must leave standing over each sample point, in mm along the normal (n,); 0 is clean.

    The cutter's axis is square to the rotary axis, set off sideways by `offset_y_mm`. With its ball touching the point the
    ball's centre stands one radius out along the normal, and the bar has one turn that brings that centre under the spindle.
    Points whose centre lies nearer the rotary axis than the offset, or that face away, count as left by a whole radius.
    """
    centre = sample.points + ball_radius_mm * sample.normals
    out = np.hypot(centre[:, 1], centre[:, 2])
    usable = out > abs(offset_y_mm) + 1e-9
    up = np.sqrt(np.maximum(out**2 - offset_y_mm**2, 0.0))
    turn = np.degrees(np.arctan2(up, offset_y_mm) - np.arctan2(centre[:, 2], centre[:, 1]))
    tip = up - ball_radius_mm
    # The point's normal as seen at that turn must look upward, or the ball would have to come from beneath.
    rad = np.radians(turn)
    rise = sample.normals[:, 1] * np.sin(rad) + sample.normals[:, 2] * np.cos(rad)
    usable &= rise > 0.02
    left = np.full(len(centre), ball_radius_mm)
    x, y = centre[usable, 0], np.full(int(usable.sum()), offset_y_mm)
    low = lowest_tip(part, shape, x, y, turn[usable])
    left[usable] = np.maximum(low - tip[usable], 0.0) * rise[usable]
    return left
