"""Groups: surfaces that the job file gives a tolerance or an allowance of their own, and how they came out.

Which surfaces are meant is told by the job's own words. Those cut at a side are found by what the program did: the turn at
which the bar stood, clamped, when the surface was made; heights are counted over the axis at that turn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.asked import NamedFace, SurfaceGroup
from newel.core.findings import Finding
from newel.core.units import mm, percent
from newel.proof.course import Course, finding
from newel.proof.kinematics import table_points_from_bar
from newel.proof.results import GroupMeasured

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SIDE_DEG = 0.5  # an angle in the job file names the side this near to it
STILL_DEG = 0.002  # twice the last digit that programs write of A
NEAR_MM = 0.05  # a place this near to a named face is on it
ENOUGH_PCT = 98.0  # of a group within its tolerance, as of the whole surface


@dataclass(frozen=True)
class Bounds:
    """What each of k places is judged by: tolerance and allowance (k,), and the group it belongs to (k,), -1 for none."""

    tolerance_mm: Floats
    allowance_mm: Floats
    group: NDArray[np.int64]

    @property
    def highest_mm(self) -> Floats:
        """What may stand over the model (k,)."""
        return self.allowance_mm + self.tolerance_mm

    def within(self, off_mm: Floats) -> Bools:
        """Tell which places (k,), off the model by so much, are as asked."""
        return np.asarray((off_mm >= -self.tolerance_mm) & (off_mm <= self.highest_mm))


def placed_group(group: SurfaceGroup, matrix: Floats) -> SurfaceGroup:
    """Return a group with its named faces taken along by a rigid motion (4, 4)."""
    if group.faces is None:
        return group
    return replace(group, faces=tuple(_placed_face(face, matrix) for face in group.faces))


def bounds_at(
    points: Floats, rows: NDArray[np.integer], course: Course, groups: Sequence[SurfaceGroup], tolerance_mm: float
) -> Bounds:
    """Return what places (k, 3) in the bar frame are judged by; `rows` (k,): the row that made each, -1 none.

    Of several groups the last counts.
    """
    count = len(points)
    found = Bounds(np.full(count, tolerance_mm), np.zeros(count), np.full(count, -1, np.int64))
    if not groups:
        return found
    still = np.abs(course.end[:, 3] - course.begin[:, 3]) <= STILL_DEG
    made = np.maximum(rows, 0)
    clamped = (rows >= 0) & still[made]
    turn = np.where(clamped, course.end[made, 3], 0.0)
    z = table_points_from_bar(points, turn)[:, 2]
    for k, group in enumerate(groups):
        mine = np.ones(count, bool)
        if group.turn_deg is not None:
            mine &= clamped & (np.abs((turn - group.turn_deg + 180.0) % 360.0 - 180.0) <= SIDE_DEG)
        if group.from_z_mm is not None:
            mine &= clamped & (z >= group.from_z_mm)
        if group.to_z_mm is not None:
            mine &= clamped & (z <= group.to_z_mm)
        if group.faces is not None:
            mine &= np.logical_or.reduce([_on_face(points, face) for face in group.faces], axis=0)
        found.group[mine] = k
        if group.tolerance_mm is not None:
            found.tolerance_mm[mine] = group.tolerance_mm
        if group.allowance_mm is not None:
            found.allowance_mm[mine] = group.allowance_mm
    return found


def measure_groups(
    off_mm: Floats, reachable: Bools, bounds: Bounds, groups: Sequence[SurfaceGroup], part: int
) -> tuple[GroupMeasured, ...]:
    """Sum up places (k,) by group; `part`: how many places the whole part has."""
    found = []
    for k, group in enumerate(groups):
        mine = (bounds.group == k) & reachable
        off, some = off_mm[mine], bool(mine.any())
        found.append(
            GroupMeasured(
                name=group.name,
                tolerance_mm=float(bounds.tolerance_mm[mine].max()) if some else float("nan"),
                allowance_mm=float(bounds.allowance_mm[mine].max()) if some else float("nan"),
                area_pct=100.0 * float(mine.sum()) / max(part, 1),
                within_tolerance_pct=100.0 * float(np.mean(bounds.within(off_mm)[mine])) if some else float("nan"),
                mean_mm=float(off.mean()) if some else float("nan"),
                lowest_mm=float(off.min()) if some else float("nan"),
                highest_mm=float(off.max()) if some else float("nan"),
            )
        )
    return tuple(found)


def group_findings(groups: Sequence[GroupMeasured]) -> list[Finding]:
    """Return what is wrong with groups: not within their own tolerance, or not met at all."""
    found = []
    for group in groups:
        if group.area_pct == 0.0:
            found.append(finding("group-empty", f"the program makes no surface that is meant by: {group.name}"))
        elif group.within_tolerance_pct < ENOUGH_PCT:
            says = f"{group.name}: {percent(group.within_tolerance_pct)} lies within its own {mm(group.tolerance_mm, 3)}"
            found.append(finding("group-off", says, measured=group.within_tolerance_pct, limit=ENOUGH_PCT, unit="%"))
    return found


def _placed_face(face: NamedFace, matrix: Floats) -> NamedFace:
    turn, shift = matrix[:3, :3], matrix[:3, 3]
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * (face.high - face.low) + face.low
    box = corners @ turn.T + shift
    return replace(face, point=turn @ face.point + shift, axis=turn @ face.axis, low=box.min(axis=0), high=box.max(axis=0))


def _on_face(points: Floats, face: NamedFace) -> Bools:
    away = points - face.point
    along = away @ face.axis
    off = along if face.radius_mm is None else np.linalg.norm(away - along[:, None] * face.axis, axis=1) - face.radius_mm
    return np.asarray(
        (np.abs(off) <= NEAR_MM) & np.all((points >= face.low - NEAR_MM) & (points <= face.high + NEAR_MM), axis=1)
    )
