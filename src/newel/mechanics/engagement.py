"""Engagement: which part of a cutter's edge stands in material, asked of the blank itself, and the force that comes of it.

The edge is a surface of revolution; it is cut into cells of height and angle. A cell works where the blank has material in
its place and the cutter moves into it there. What a tooth finds at a cell follows from the motion of the cutter against
the turning work: chip h = v.n / (n z), n the outward normal (Martellotti 1941, circular form, told for any motion and any
outline), force by Kienzle's law on each bit of edge. Derived; teeth are straight and evenly set.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import Profile
from newel.geometry.blank import Blank, carve_looking, inside
from newel.geometry.profiles import polyline

Floats = NDArray[np.float64]

ANGLES = 120  # places round the cutter: whole numbers of them lie between 2, 3, 4, 5, 6 or 8 teeth
HEIGHTS = 64
GRADING = 1.5  # places up the edge lie closer together near the tip, where finishing cuts
CHORD_MM = 0.005
AT_ONCE = 16  # poses looked at in one go

# Force square to the edge beside the tangential one, as a share of it. Published: Chinese J. Mech. Eng. (2021), doi
# 10.1186/s10033-021-00536-9, table 5, K_r h + K_e over K_t h + K_e at h = 0.05 mm: 0.34 (6082) to 0.69 (6061); the high end.
NORMAL_SHARE = 0.7


@dataclass(frozen=True)
class EdgeCells:
    """An edge as rings: radius, height over the tip, length along the outline (m,), outward normal in (r, h) (m, 2)."""

    r_mm: Floats
    h_mm: Floats
    length_mm: Floats
    normal: Floats


@dataclass(frozen=True)
class CuttingLaw:
    """Kienzle's law and the teeth it is asked for: Ft = kc1.1 b h^(1 - mc), the normal force a share of it."""

    kc11_N_per_mm2: float
    mc: float
    teeth: int
    normal_share: float = NORMAL_SHARE


@dataclass(frozen=True)
class Places:
    """Where to ask along a way: rows (k,), rising, and at each the pose and rate (k, 4), spindle speed and mm to look ahead.

    Pose, rate, speed and `ahead_mm` (k,) are those of `engagement`; the row is the one of the way before which to look.
    """

    row: NDArray[np.intp]
    pose: Floats
    rate_per_min: Floats
    spindle_rpm: Floats
    ahead_mm: Floats


@dataclass(frozen=True)
class Engagement:
    """What a cutter meets at (k,) poses; all 0 where it meets nothing.

    `area_mm2` of the cut across its motion (what the volume removed a millimetre of way comes to). `ap_mm`, `ae_mm`: height
    and width of what is engaged; `arc_deg` of rotation; `chip_mm` the thickest, `mean_chip_mm` over the edge at work;
    `climb` share of the tangential force that cuts downward. Forces act on the cutter, in the table frame, at the hardest
    moment of a turn: `force_N` (k, 3), `side_N` its part square to the spindle, `thrust_N` along it (positive: lifts the
    cutter). `height_mm`: where the side force acts over the tip. `spindle_Nm`: mean torque over a turn. `rotary_Nm`: the
    largest moment on the bar about its axis at any moment of a turn.
    """

    area_mm2: Floats
    ap_mm: Floats
    ae_mm: Floats
    arc_deg: Floats
    chip_mm: Floats
    mean_chip_mm: Floats
    climb: Floats
    force_N: Floats
    side_N: Floats
    thrust_N: Floats
    height_mm: Floats
    spindle_Nm: Floats
    rotary_Nm: Floats


def edge_cells(edge: Profile, heights: int = HEIGHTS) -> EdgeCells:
    """Cut an edge's outline into rings, narrower near the tip."""
    corners = polyline(edge, CHORD_MM)
    steps = np.diff(corners, axis=0)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])
    ends = way[-1] * np.linspace(0.0, 1.0, heights + 1) ** GRADING
    # corners between level floor and wall stay corners of rings
    sharp = way[1:-1][np.abs(np.diff(np.arctan2(steps[:, 1], steps[:, 0]))) > 0.2]
    ends = np.unique(np.concatenate([ends, sharp]))
    ends = ends[np.concatenate([[True], np.diff(ends) > 1e-9])]
    r, h = np.interp(ends, way, corners[:, 0]), np.interp(ends, way, corners[:, 1])
    middle = 0.5 * (ends[:-1] + ends[1:])
    length = np.hypot(np.diff(r), np.diff(h))
    normal = np.stack([np.diff(h), -np.diff(r)], axis=1) / length[:, None]
    return EdgeCells(np.interp(middle, way, corners[:, 0]), np.interp(middle, way, corners[:, 1]), length, normal)


def engagement(
    blank: Blank, cells: EdgeCells, pose: Floats, rate_per_min: Floats, spindle_rpm: Floats, law: CuttingLaw, ahead_mm: float
) -> Engagement:
    """Ask the blank as it stands what the edge meets at poses (k, 4) on the move.

    `pose`: tip x, y, z in the table frame (mm), turn of the bar (degrees). `rate_per_min` (k, 4): mm and degrees a minute.
    `spindle_rpm` (k,), clockwise seen from the spindle. Each pose is looked at `ahead_mm` further on its way than the blank
    has been cut, 1.5 pitches of its rays or more: a surface just cut is neither inside nor outside of them.
    """
    pose, rate = np.asarray(pose, float).reshape(-1, 4), np.asarray(rate_per_min, float).reshape(-1, 4)
    rpm = np.broadcast_to(np.asarray(spindle_rpm, float), (len(pose),))
    parts = []
    for some in _some_at_once(len(pose)):
        edge = _edge_at(cells, pose[some], rate[some], ahead_mm, float(blank.reach_mm.max()))
        parts.append(_engaged(edge, inside(blank, edge.points), rpm[some], law))
    return joined_engagements(parts)


def engagement_along(blank: Blank, edge: Profile, poses: Floats, places: Places, law: CuttingLaw) -> Engagement:
    """Carve the blank, in place, by an edge along `poses` (n, 4), and ask at places on the way what the edge meets there.

    As `engagement` at each place before its row is cut, but in one go, which costs little more than carving. The blank's
    X rays stay as they were (`carve_looking`): it serves to be asked again and to take sections of.
    """
    cells, reach = edge_cells(edge), float(blank.reach_mm.max())

    def edges() -> Iterator[tuple[slice, _EdgeAt]]:
        for some in _some_at_once(len(places.row)):
            yield some, _edge_at(cells, places.pose[some], places.rate_per_min[some], places.ahead_mm[some], reach)

    # worked out again rather than kept: the arrays are large
    points = [part for _, one in edges() for part in np.split(one.points, np.cumsum(one.works.sum(axis=(1, 2)))[:-1])]
    met = carve_looking(blank, edge, poses, places.row, points)
    return joined_engagements(
        [_engaged(one, np.concatenate(met[some]), places.spindle_rpm[some], law) for some, one in edges()]
    )


def _some_at_once(count: int) -> list[slice]:
    return [slice(at, min(at + AT_ONCE, count)) for at in range(0, count, AT_ONCE)]


def joined_engagements(parts: Sequence[Engagement]) -> Engagement:
    """Put what was found at several times one behind the other."""
    names = Engagement.__dataclass_fields__
    if not parts:
        return Engagement(**{name: np.zeros((0, 3) if name == "force_N" else 0) for name in names})
    return Engagement(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


class _EdgeAt(NamedTuple):
    """Cells of an edge at (k,) poses: rings, where they are and move, which could cut, and those in the bar frame (n, 3)."""

    cells: EdgeCells
    place: tuple[Floats, Floats, Floats]
    speed: tuple[Floats, Floats]
    into: Floats
    works: NDArray[np.bool_]
    points: Floats
    tip_speed: Floats


def _edge_at(cells: EdgeCells, pose: Floats, rate: Floats, ahead_mm: Floats | float, reach_mm: float) -> _EdgeAt:
    turn_rate = np.radians(rate[:, 3])
    tip_speed = np.sqrt(
        rate[:, 0] ** 2 + (rate[:, 1] + turn_rate * pose[:, 2]) ** 2 + (rate[:, 2] - turn_rate * pose[:, 1]) ** 2
    )
    minutes = ahead_mm / np.maximum(tip_speed, 1e-9)
    at = pose + rate * minutes[:, None]
    # nothing stands further out than the blank reaches: leave out the rings above
    cells = _up_to(cells, reach_mm - float(at[:, 2].min()))
    cos, sin = _round()
    r, h = cells.r_mm[:, None], cells.h_mm[:, None]
    x = at[:, 0, None, None] + r * cos
    y = at[:, 1, None, None] + r * sin
    z = at[:, 2, None, None] + h + np.zeros_like(y)
    speed_x, spin = rate[:, 0, None, None], turn_rate[:, None, None]
    speed_y, speed_z = rate[:, 1, None, None] + spin * z, rate[:, 2, None, None] - spin * y
    into = (speed_x * cos + speed_y * sin) * cells.normal[:, 0, None] + speed_z * cells.normal[:, 1, None]
    turn = np.radians(at[:, 3])[:, None, None]
    c, s = np.cos(turn), np.sin(turn)
    works = into > 1e-9
    points = np.stack([x[works], (c * y + s * z)[works], (c * z - s * y)[works]], axis=1)
    return _EdgeAt(cells, (x, y, z), (speed_x, speed_y), into, works, points, tip_speed)


def _engaged(edge: _EdgeAt, met: NDArray[np.bool_], rpm: Floats, law: CuttingLaw) -> Engagement:
    """Reckon what the edge meets from which of its points lie in material."""
    cells, (x, y, z), (speed_x, speed_y), into, works = edge.cells, edge.place, edge.speed, edge.into, edge.works.copy()
    works[works] = met
    cos, sin = _round()
    r, h = cells.r_mm[:, None], cells.h_mm[:, None]
    n_r, n_h = cells.normal[:, 0, None], cells.normal[:, 1, None]
    chip = np.where(works, into, 0.0) / (rpm * law.teeth)[:, None, None]
    tangential = law.kc11_N_per_mm2 * cells.length_mm[:, None] * chip ** (1.0 - law.mc)
    pushed = law.normal_share * tangential  # along the normal, out of the cutter; the cutter is pushed back
    # A tooth of a clockwise spindle runs toward (sin, -cos); the work drags it the other way.
    fx = -tangential * sin - pushed * n_r * cos
    fy = tangential * cos - pushed * n_r * sin
    fz = -pushed * n_h
    teeth = [
        _all_teeth(part.sum(axis=1), law.teeth)
        for part in (fx, fy, fz, -(y * fz - z * fy), np.hypot(fx, fy) * h, np.hypot(fx, fy))
    ]
    side = np.hypot(teeth[0], teeth[1])
    hardest = side.argmax(axis=1)
    k = np.arange(len(rpm))
    along = np.sum(works * cells.length_mm[:, None], axis=(1, 2))
    with_motion = speed_x * sin - speed_y * cos > 0.0
    total = np.maximum(tangential.sum(axis=(1, 2)), 1e-12)
    ap, ae = _depth_and_width(cells, works, (x, y), (speed_x, speed_y))
    step = 2.0 * np.pi / ANGLES
    return Engagement(
        area_mm2=(np.where(works, into, 0.0) * r * cells.length_mm[:, None]).sum(axis=(1, 2))
        * step
        / np.maximum(edge.tip_speed, 1e-9),
        ap_mm=ap,
        ae_mm=ae,
        arc_deg=np.asarray(works.any(axis=1)).sum(axis=1) * 360.0 / ANGLES,
        chip_mm=chip.max(axis=(1, 2)),
        mean_chip_mm=(chip * cells.length_mm[:, None]).sum(axis=(1, 2)) / np.maximum(along, 1e-12),
        climb=(tangential * ~with_motion).sum(axis=(1, 2)) / total,
        force_N=np.stack([part[k, hardest] for part in teeth[:3]], axis=1),
        side_N=side[k, hardest],
        thrust_N=teeth[2][k, np.abs(teeth[2]).argmax(axis=1)],
        height_mm=teeth[4][k, hardest] / np.maximum(teeth[5][k, hardest], 1e-12),
        spindle_Nm=law.teeth * (tangential * r).sum(axis=(1, 2)) * step / (2.0 * np.pi) * 1e-3,
        rotary_Nm=np.abs(teeth[3]).max(axis=1) * 1e-3,
    )


def _round() -> tuple[Floats, Floats]:
    """Cosine and sine of the places round the cutter."""
    angle = (np.arange(ANGLES) + 0.5) * 2.0 * np.pi / ANGLES
    return np.cos(angle), np.sin(angle)


def _up_to(cells: EdgeCells, height_mm: float) -> EdgeCells:
    count = max(1, int(np.searchsorted(cells.h_mm, height_mm, side="right")))
    return EdgeCells(cells.r_mm[:count], cells.h_mm[:count], cells.length_mm[:count], cells.normal[:count])


def _all_teeth(one: Floats, teeth: int) -> Floats:
    """Add up what teeth evenly set find at once, from what one finds at each angle (k, angles)."""
    shifts = [round(tooth * ANGLES / teeth) for tooth in range(teeth)]
    return np.asarray(sum(np.roll(one, shift, axis=1) for shift in shifts), dtype=np.float64)


def _depth_and_width(
    cells: EdgeCells, works: NDArray[np.bool_], at: tuple[Floats, Floats], speed: tuple[Floats, Floats]
) -> tuple[Floats, Floats]:
    """Height of the engaged edge along the axis, and its width square to the motion seen along the axis, (k,) each."""
    rises = 0.5 * cells.length_mm * np.abs(cells.normal[:, 0])
    rows = np.asarray(works.any(axis=2))
    top = np.where(rows, cells.h_mm + rises, -np.inf).max(axis=1)
    low = np.where(rows, cells.h_mm - rises, np.inf).min(axis=1)
    across = at[1] * speed[0] - at[0] * np.broadcast_to(speed[1], works.shape)
    across = across / np.maximum(np.hypot(speed[0], speed[1]), 1e-9)
    left = np.where(works, across, -np.inf).max(axis=(1, 2))
    right = np.where(works, across, np.inf).min(axis=(1, 2))
    any_works = np.asarray(works.any(axis=(1, 2)))
    return np.where(any_works, top - low, 0.0), np.where(any_works, left - right, 0.0)
