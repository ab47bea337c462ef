"""Small parts, cutters and cuts for the tests of toolpaths, and an independent look at what poses do.

Everything here is closed form or a plain loop of arrays; the drop over the mesh is the only thing shared with the code under
test, and it has tests of its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from newel.core.job import Direction, Section
from newel.core.plan import Cut, CutKind
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut
from newel.geometry.blank import bar_blank
from newel.geometry.drop import drop, drop_tree
from newel.toolpaths.linking import Surroundings

JAWS = KeepOut("jaws", -10.0, 0.0, 15.0, True)
AROUND = Surroundings((JAWS,), 40.0, 1.0, True, 8.0)


def turned_part(radius_at, from_x=0.0, to_x=24.0, step=0.25, sides=180):
    """Mesh of a solid about the axis: `radius_at(x, phi)`, phi from +Z toward +Y; corners lie on the surface."""
    xs = np.linspace(from_x, to_x, round((to_x - from_x) / step) + 1)
    phi = np.arange(sides) * 2 * np.pi / sides
    r = radius_at(xs[:, None], phi[None, :]) * np.ones((len(xs), sides))
    vertices = np.stack([np.repeat(xs[:, None], sides, 1), r * np.sin(phi), r * np.cos(phi)], -1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(len(xs) - 1), np.arange(sides), indexing="ij")
    a, b = i * sides + j, i * sides + (j + 1) % sides
    faces = np.concatenate(
        [np.stack([a, b, a + sides], -1).reshape(-1, 3), np.stack([b, b + sides, a + sides], -1).reshape(-1, 3)]
    )
    return drop_tree(vertices, faces)


def stepped(x, phi):
    """A stub of radius 2.5, a cone from 3 to 4.5, a groove and a cylinder of 4.5, and a stub again."""
    cone = 3.0 + 1.5 * np.clip((x - 6.0) / 4.0, 0.0, 1.0)
    groove = np.where((x > 12.0) & (x < 13.5), 3.5, cone)
    return np.where((x < 6.0) | (x > 18.0), 2.5, groove)


def flat_end(diameter=3.0, flute=8.0):
    r = diameter / 2
    return CutterShape(outline((0, 0), (r, 0), (r, flute)), outline((r, flute), (r, 12), (6, 12), (6, 30)))


def ball_end(diameter=3.0, flute=8.0):
    r = diameter / 2
    return CutterShape(outline((0, 0), (r, r, 0, r), (r, flute)), outline((r, flute), (r, 12), (6, 12), (6, 30)))


def small_cut(kind=CutKind.ROUGH_AROUND, **changes):
    """A cut over the small bar; `changes` replace its figures."""
    base = Cut(
        number=1, name="sample", kind=kind, cutter=1, direction=Direction.AROUND, from_x_mm=5.0, to_x_mm=19.0,
        spindle_rpm=10000.0, feed_mm_per_min=600.0, entry_feed_mm_per_min=200.0, ramp_deg=6.0, allowance_mm=0.3,
        ap_mm=1.5, ae_mm=1.5, cusp_mm=0.02,
        tolerance_mm=0.05,
    )  # fmt: skip
    if kind is CutKind.FINISH_AROUND:
        base = replace(base, allowance_mm=0.0, ae_mm=1.0)
    return replace(base, **changes)


def small_bar(section=Section.SQUARE, size=(12.0,), pitch=0.2):
    return bar_blank(section, size, -8.0, 26.0, 0.0, pitch)


def dense(path, step_mm=0.05, radius_mm=5.0):
    """Poses no further apart than `step_mm` along every move, and the row that each belongs to."""
    ways = np.abs(np.diff(path.pose, axis=0))
    length = np.hypot(np.hypot(ways[:, 0], ways[:, 2]), np.radians(ways[:, 3]) * radius_mm)
    count = np.maximum(1, np.ceil(length / step_mm).astype(int))
    row = np.repeat(np.arange(len(count)), count)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    part = (np.arange(len(row)) - first[row] + 1) / count[row]
    return path.pose[row] + part[:, None] * (path.pose[row + 1] - path.pose[row]), row + 1


def deepest(path, target, profile, step_mm=0.05):
    """How far any pose along a path lies below the lowest tip over a target, in mm (negative: never)."""
    pose, _ = dense(path, step_mm)
    return float((drop(target, profile, pose[:, 0], pose[:, 1], pose[:, 3]) - pose[:, 2]).max())


def standing_over(path, profile_height, radius_mm, cutter_radius_mm, places, highest_mm):
    """How far stock stands over a cylinder at places (x, phi in degrees) after a path has passed: bisected on each ray.

    A point of the ray is gone where some pose has it inside the cutter: z_point >= z + height(distance from the cutter's axis).
    """
    pose, _ = dense(path, 0.02, radius_mm)
    left = []
    for x, phi in places:
        near = pose[np.abs(pose[:, 0] - x) < cutter_radius_mm]
        delta = np.radians((phi - near[:, 3] + 180.0) % 360.0 - 180.0)
        keep = np.abs(delta) < 1.0
        near, delta = near[keep], delta[keep]
        low, high = radius_mm - 0.05, highest_mm
        for _ in range(40):
            mid = 0.5 * (low + high)
            away = np.hypot(near[:, 0] - x, mid * np.sin(delta) - near[:, 1])
            gone = (away < cutter_radius_mm) & (
                mid * np.cos(delta) >= near[:, 2] + profile_height(np.minimum(away, cutter_radius_mm))
            )
            low, high = (low, mid) if gone.any() else (mid, high)
        left.append(0.5 * (low + high) - radius_mm)
    return np.array(left)
