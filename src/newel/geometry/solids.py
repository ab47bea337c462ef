"""Plain solids as meshes: turned cylinders and bars along X, for pictures, blanks and keep-outs."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.geometry.meshes import Mesh

Floats = NDArray[np.float64]
_ROUND_SIDES = 180  # a polygon of so many sides is 0.015 % of its radius inside the circle: 3 um on a 40 mm bar


def turned_cylinder(from_x_mm: float, to_x_mm: float, radius_mm: float, sides: int) -> Mesh:
    """Return a closed cylinder about X: a prism whose corners stand on the circle, the first at +Y."""
    if sides < 3:
        raise BadInput("a cylinder needs at least three sides")
    angle = 2.0 * np.pi * np.arange(sides) / sides
    return _prism(radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=1), from_x_mm, to_x_mm)


def bar_solid(section: Section, size_mm: tuple[float, ...], from_x_mm: float, to_x_mm: float, turned_deg: float) -> Mesh:
    """Return a bar along X as core/plan.py's Bar tells it: at 0 a flat (a rectangle's width) faces +Z, then turned."""
    if section is Section.ROUND:
        return turned_cylinder(from_x_mm, to_x_mm, size_mm[0] / 2.0, _ROUND_SIDES)
    corners = section_corners(section, size_mm) @ turn_about_x(turned_deg)[1:, 1:].T
    return _prism(corners, from_x_mm, to_x_mm)


def section_corners(section: Section, size_mm: tuple[float, ...]) -> Floats:
    """Return the corners (y, z) of a square, rectangular or hexagonal section, counterclockwise from +X, a flat facing +Z."""
    if section is Section.HEXAGON:
        angle = np.radians(60.0 * np.arange(6))
        return size_mm[0] / np.sqrt(3.0) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    if section is Section.ROUND:
        raise BadInput("a round bar has no corners")
    width, height = (size_mm[0], size_mm[0]) if section is Section.SQUARE else size_mm
    return np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]]) * np.array([width / 2.0, height / 2.0])


def _prism(corners: Floats, from_x_mm: float, to_x_mm: float) -> Mesh:
    """Return the prism over convex corners (n, 2), counterclockwise from +X, between two X, capped by fans about the axis."""
    if not from_x_mm < to_x_mm:
        raise BadInput("a solid along X must end beyond where it begins")
    n = len(corners)
    rim = np.arange(n)
    after = np.roll(rim, -1)
    ends = [np.column_stack([np.full(n, x), corners]) for x in (from_x_mm, to_x_mm)]
    vertices = np.concatenate([*ends, [[from_x_mm, 0.0, 0.0], [to_x_mm, 0.0, 0.0]]])
    faces = np.concatenate(
        [
            np.stack([rim, after, n + after], axis=1),
            np.stack([rim, n + after, n + rim], axis=1),
            np.stack([after, rim, np.full(n, 2 * n)], axis=1),
            np.stack([n + rim, n + after, np.full(n, 2 * n + 1)], axis=1),
        ]
    )
    return Mesh(vertices, faces.astype(np.int32))


def joined(meshes: Iterable[Mesh]) -> Mesh:
    """Return several meshes as one, side by side, without uniting them."""
    vertices, faces, count = [], [], 0
    for mesh in meshes:
        vertices.append(mesh.vertices)
        faces.append(mesh.faces + count)
        count += len(mesh.vertices)
    if not vertices:
        raise BadInput("there is nothing to join")
    return Mesh(np.concatenate(vertices), np.concatenate(faces).astype(np.int32))
