"""Measure a bracket as one would on a coordinate measuring machine: rays against its mesh, and nothing of Newel's own geometry.

Nominal sizes are those of the drawing (the docstring of `newel.app.demo_models.bracket`), model frame, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

HALF = 19.0


@dataclass(frozen=True)
class Measured:
    """One size: what it is, the drawing's figure, what was found at its worst place, and the tolerance."""

    what: str
    nominal_mm: float
    found_mm: float
    tolerance_mm: float

    @property
    def good(self) -> bool:
        return bool(abs(self.found_mm - self.nominal_mm) <= self.tolerance_mm)


def measure_bracket(mesh: trimesh.Trimesh, bevel_mm: float | None, tolerance_mm: float = 0.05) -> list[Measured]:
    """Return every size of the bracket, the worst of several places each; `mesh` in the model's frame."""
    rays = trimesh.ray.ray_triangle.RayMeshIntersector(mesh) if not trimesh.ray.has_embree else mesh.ray
    out: list[Measured] = []

    def far(origins, direction) -> np.ndarray:
        """Distance from places (n, 3) along one direction (3,) or one each to the first surface met; nan for none."""
        origins = np.atleast_2d(np.asarray(origins, float)) + 1.3e-4  # aim between vertices
        directions = np.broadcast_to(np.asarray(direction, float), origins.shape)
        directions = directions / np.linalg.norm(directions, axis=1)[:, None]
        found = np.full(len(origins), np.nan)
        at, ray, _ = rays.intersects_location(origins, directions, multiple_hits=False)
        found[ray] = np.linalg.norm(at - origins[ray], axis=1)
        return found

    def worst(what: str, nominal: float, found: np.ndarray, tolerance: float = tolerance_mm) -> None:
        k = int(np.nanargmax(np.abs(found - nominal))) if np.isfinite(found).any() else 0
        out.append(Measured(what, nominal, float(found[k]), tolerance))

    def frame(turn_deg: float) -> np.ndarray:
        """Rows: along, across and up, for the face that a turn about X brings up."""
        t = np.radians(turn_deg)
        return np.array([[1.0, 0.0, 0.0], [0.0, np.cos(t), np.sin(t)], [0.0, -np.sin(t), np.cos(t)]])

    # up of each face: top +Z, back +Y, below -Z, front -Y
    faces = {"top": frame(0.0), "back": frame(-90.0), "below": frame(180.0), "front": frame(90.0)}
    spots = {
        "top": [(4, 0), (60, 10), (60, -10), (85, 0)],
        "back": [(30, 13), (75, 8), (75, -8), (30, -13)],
        "below": [(5, 5), (5, -5), (55, 8), (55, -8)],
        "front": [(10, 10), (30, -10), (45, 5), (85, 11)],
    }
    for name, axes in faces.items():
        origins = [x * axes[0] + y * axes[1] + 30.0 * axes[2] for x, y in spots[name]]
        worst(f"{name} face, height over the axis", HALF, 30.0 - far(origins, -axes[2]))
    for turn in (45.0, 135.0, 225.0, 315.0):
        axes = frame(turn)
        origins = [x * axes[0] + y * axes[1] + 35.0 * axes[2] for x in (5.0, 55.0, 85.0) for y in (-1.5, 0.0, 1.5)]
        worst(f"long edge at {turn:g}°, height over the axis", 34.0 / np.sqrt(2.0), 35.0 - far(origins, -axes[2]))
    ends = [(0.0, y, z) for y, z in ((15, 5), (-15, -5), (5, 15), (-5, -15), (12, 12))]
    worst("chuck's end face", 0.0, far([(-1.0, y, z) for _, y, z in ends], (1, 0, 0)) - 1.0)
    worst("far end face", 90.0, 91.0 - far([(91.0, y, z) for _, y, z in ends if not (y < -9 and abs(z) < 6)], (-1, 0, 0)))

    def pocket(
        name: str, face: str, middle, length: float, width: float, depth: float, top: float = HALF, open_x: bool = False
    ) -> None:
        x, y = middle
        axes = faces[face]
        floor = top - depth
        far_u = 0.3 if open_x else 1.0
        places = [(x + u * (length / 2 - 5.0), y + v * (width / 2 - 3.0)) for u in (-1.0, far_u) for v in (-1, 1)]
        worst(
            f"{name}, floor over the axis",
            floor,
            30.0 - far([a * axes[0] + b * axes[1] + 30.0 * axes[2] for a, b in places], -axes[2]),
        )
        levels = [floor + s * depth for s in (0.15, 0.5, 0.75)]
        inside = [x * axes[0] + y * axes[1] + z * axes[2] for z in levels]
        walls = (
            ("along, one wall", -axes[0], length / 2),
            ("along, other wall", axes[0], length / 2),
            ("across, one wall", axes[1], width / 2),
            ("across, other wall", -axes[1], width / 2),
        )
        for words, direction, half in walls:
            if open_x and words == "along, other wall":
                continue
            worst(f"{name}, {words}", half, far(inside, direction))

    pocket("upper step", "top", (24, 0), 34, 24, 6)
    lower = faces["top"]
    worst("lower step, floor over the axis", 7.0, 30.0 - far([(x, y, 30.0) for x in (18, 24, 30) for y in (-4, 4)], -lower[2]))
    for words, direction, half in (("along", (1, 0, 0), 11.0), ("along, back", (-1, 0, 0), 11.0), ("across", (0, 1, 0), 7.0),
                                   ("across, back", (0, -1, 0), 7.0)):  # fmt: skip
        worst(f"lower step, {words}", half, far([(24.0, 0.0, z) for z in (8.0, 10.0, 12.0)], direction))
    pocket("first back pocket", "back", (17, 0), 20, 20, 5)
    pocket("second back pocket", "back", (43, 0), 20, 20, 5)
    pocket("slot", "front", (84, 0), 28, 10, 8, open_x=True)

    def hole(name: str, face: str, x: float, y: float, diameter: float, levels, depth: float | None) -> None:
        axes = faces[face]
        angle = np.radians(7.0 + 24.0 * np.arange(15))
        around = np.cos(angle)[:, None] * axes[0] + np.sin(angle)[:, None] * axes[1]
        found = []
        for z in levels:
            reach = far(np.tile(x * axes[0] + y * axes[1] + z * axes[2], (15, 1)), around)
            # least squares: mean radius and a shift of the middle
            rows = np.column_stack([np.ones(15), np.cos(angle), np.sin(angle)])
            found.append(2.0 * np.linalg.lstsq(rows, reach, rcond=None)[0][0])
        worst(f"{name}, diameter", diameter, np.array(found))
        if depth is not None:
            middle = x * axes[0] + (y + 0.3 * diameter) * axes[1] + 30.0 * axes[2]
            worst(f"{name}, floor over the axis", HALF - depth, 30.0 - far([middle], -axes[2]))

    hole("cross bore", "back", 61.5, 0.0, 12.0, (-16.0, -8.0, 0.0, 8.0, 16.0), None)
    hole("round recess", "below", 24.0, 0.0, 18.0, (15.0, 16.5, 18.0), 5.0)
    hole("one screw hole", "below", 77.0, -9.0, 4.5, (8.0, 12.0, 17.0), 12.0)
    hole("other screw hole", "below", 77.0, 9.0, 4.5, (8.0, 12.0, 17.0), 12.0)
    if bevel_mm is not None:
        _bevels(far, worst, bevel_mm, faces)
    return out


def _bevels(far, worst, width: float, faces) -> None:
    """Bevels: the flat lies half its width from the sharp edge, along the bisector of faces square to each other."""

    def at(what: str, face: str, places, outward) -> None:
        axes = faces[face]
        origins, directions = [], []
        for (x, y), (u, v) in zip(places, outward):
            # outward: toward the air beside the edge, along the face
            way = u * axes[0] + v * axes[1] + axes[2]
            way = way / np.linalg.norm(way)
            origins.append(x * axes[0] + y * axes[1] + HALF * axes[2] + 1.0 * way)
            directions.append(-way)
        worst(f"bevel of {what}", width, 2.0 * (far(origins, np.array(directions)) - 1.0), 0.1)

    at("the upper step's rim", "top", [(7, 2), (41, 3), (20, 12), (28, -12)], [(1, 0), (-1, 0), (0, -1), (0, 1)])
    at("the first back pocket's rim", "back", [(7, 2), (27, 3), (15, 10), (19, -10)], [(1, 0), (-1, 0), (0, -1), (0, 1)])
    at("the slot's rim", "front", [(76, 5), (80, -5), (70, 0.3)], [(0, -1), (0, 1), (1, 0)])
    r = np.radians([20.0, 140.0, 260.0])
    at("the recess's rim", "below", [(24 + 9 * np.cos(t), 9 * np.sin(t)) for t in r], [(-np.cos(t), -np.sin(t)) for t in r])
    at("the bore's rim", "back", [(61.5 + 6 * np.cos(t), 6 * np.sin(t)) for t in r], [(-np.cos(t), -np.sin(t)) for t in r])
    at("the chuck's end, top", "top", [(0, -8), (0, 8)], [(-1, 0), (-1, 0)])
    at("the far end, top", "top", [(90, -8), (90, 8)], [(1, 0), (1, 0)])
