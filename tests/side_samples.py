"""Blocks, holes, cutters and cuts for the tests of cuts at a side, and independent looks at what the passes left.

Blocks are plain solids (manifold3d joins and cuts them); what stands after a path is read off a carved blank of fine pitch.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import trimesh

from newel.core.frames import turn_about_x
from newel.core.job import Direction, Section
from newel.core.motion import MoveKind
from newel.core.plan import Cut
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut
from newel.geometry.blank import bar_blank, carve
from newel.geometry.drop import drop, drop_tree
from newel.toolpaths.linking import Surroundings

JAWS = KeepOut("jaws", -30.0, -10.0, 30.0, True)
BESIDE = Surroundings((JAWS,), 40.0, 1.0, True, 20.0)


def box(x, y, z):
    """A block between pairs of coordinates."""
    low, high = np.array([x[0], y[0], z[0]]), np.array([x[1], y[1], z[1]])
    return trimesh.creation.box(high - low, trimesh.transformations.translation_matrix((low + high) / 2))


def post(x, y, z, diameter, sides=128):
    """An upright cylinder about (x, y) between two heights; its facets' corners lie on the circle."""
    matrix = trimesh.transformations.translation_matrix([x, y, (z[0] + z[1]) / 2])
    return trimesh.creation.cylinder(diameter / 2, z[1] - z[0], sections=sides, transform=matrix)


def without(body, *others):
    return trimesh.boolean.difference([body, *others], engine="manifold")


def with_added(*bodies):
    return trimesh.boolean.union(list(bodies), engine="manifold")


def turned(body, turn_deg):
    """The body as it lies in the bar when it was drawn in the table frame at a turn."""
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about_x(-turn_deg)
    out = body.copy()
    out.apply_transform(matrix)
    return out


def tree_of(body):
    return drop_tree(np.asarray(body.vertices), np.asarray(body.faces))


def flat_end(diameter=3.0, flute=15.0):
    r = diameter / 2
    return CutterShape(
        outline((0, 0), (r, 0), (r, flute)), outline((r, flute), (r, flute + 5), (6, flute + 5), (6, flute + 25))
    )


def ball_end(diameter=3.0, flute=15.0):
    r = diameter / 2
    return CutterShape(
        outline((0, 0), (r, r, 0, r), (r, flute)), outline((r, flute), (r, flute + 5), (6, flute + 5), (6, flute + 25))
    )


def pointed(diameter, point_angle_deg, flute=30.0, tip_flat=0.0):
    r, f = diameter / 2, tip_flat / 2
    h = (r - f) / math.tan(math.radians(point_angle_deg / 2))
    corners = [(0, 0), (f, 0), (r, h)] if f > 0 else [(0, 0), (r, h)]
    if flute > h:
        corners.append((r, flute))
    return CutterShape(outline(*corners), outline((r, flute), (r, flute + 2), (6, flute + 2), (6, flute + 22)))


def side_cut(kind, **changes):
    base = Cut(
        number=1, name="sample", kind=kind, cutter=1, direction=Direction.ALONG, from_x_mm=0.0, to_x_mm=50.0,
        spindle_rpm=12000.0, feed_mm_per_min=600.0, entry_feed_mm_per_min=200.0, ramp_deg=5.0, allowance_mm=0.0,
        ap_mm=1.0, ae_mm=1.0, cusp_mm=0.01, tolerance_mm=0.05, turn_deg=0.0, from_y_mm=-20.0, to_y_mm=20.0,
        top_z_mm=10.0, floor_z_mm=-10.0,
    )  # fmt: skip
    return replace(base, **changes)


def square_bar(pitch=0.1, size=20.0, to_x=50.0, turned_deg=0.0):
    return bar_blank(Section.SQUARE, (size,), 0.0, to_x, turned_deg, pitch)


def carved_by(blank, shape, path):
    return carve(blank, shape, path.pose, np.arange(len(path), dtype=np.int32))


def at_side(points, turn_deg):
    """Points (n, 3) of the bar as they stand on the table."""
    return points @ turn_about_x(turn_deg).T


def dense(path, step_mm=0.05):
    """Places along every feeding move, no further apart than a step: (n, 4) and the row of each."""
    ways = np.diff(path.pose, axis=0)
    length = np.linalg.norm(ways[:, :3], axis=1)
    count = np.where(path.kind[1:] == MoveKind.RAPID, 1, np.maximum(1, np.ceil(length / step_mm))).astype(int)
    row = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[row]
    return path.pose[row] + part[:, None] * ways[row], row + 1


def deepest(path, target, profile, step_mm=0.05):
    """How far any place of a path lies below the lowest tip over a target, in mm (negative: never)."""
    pose, _ = dense(path, step_mm)
    return float((drop(target, profile, pose[:, 0], pose[:, 1], pose[:, 3]) - pose[:, 2]).max())


def rapids_cut_mm3(path, carved):
    """The most that any rapid takes off that is not drawn straight up out of its own cut."""
    step = np.diff(path.pose, axis=0, prepend=path.pose[:1])
    up = (step[:, 2] > 0.0) & (np.abs(step[:, [0, 1, 3]]) == 0.0).all(axis=1)
    return float(carved.removed_mm3[(path.kind == MoveKind.RAPID) & ~up].max(initial=0.0))
