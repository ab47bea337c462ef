"""Engagement: which part of a cutter's edge stands in material, asked of the blank itself, and the force that comes of it.

The edge is a surface of revolution; it is cut into cells of height and angle. A cell works where the blank has material in
its place and the cutter moves into it there. What a tooth finds at a cell follows from the motion of the cutter against
the turning work: chip h = v.n / (n z), n the outward normal (Martellotti 1941, circular form, told for any motion and any
outline), force by Kienzle's law on each bit of edge. Derived; teeth are straight and evenly set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import Profile
from newel.geometry.blank import Blank, carve_looking, inside_by_ray
from newel.geometry.profiles import polyline
from newel.mechanics import engagement_kernels as kernels
from newel.mechanics.places_on_way import Places, way_ahead_mm

Floats = NDArray[np.float64]

ANGLES = 120  # places round the cutter: whole numbers of them lie between 2, 3, 4, 5, 6 or 8 teeth
_ANGLE = (np.arange(ANGLES) + 0.5) * 2.0 * np.pi / ANGLES
AROUND = np.column_stack([np.cos(_ANGLE), np.sin(_ANGLE)])
HEIGHTS = 64
GRADING = 1.5  # places up the edge lie closer together near the tip, where finishing cuts
CHORD_MM = 0.005
AT_ONCE = 256  # places asked in one go: their cells take 80 MB
IN_ROUND = 0.05  # of the pitch, see `_edge_at`
MOST_IN = 0.662  # of the pitch, as far within the edge as is asked at most: IN_ROUND + sqrt(1.5) / 2 (derived)
MOST_SCALE = 4.0  # what was found is scaled to the volume removed by no more than this

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
class Engagement:
    """What a cutter meets at (k,) poses; all 0 where it meets nothing.

    `area_mm2` of the cut across its motion (what the volume removed a millimetre of way comes to). `ap_mm`, `ae_mm`: height
    and width of what is engaged; `arc_deg` of rotation; `chip_mm` the thickest, `mean_chip_mm` over the edge at work;
    `climb` share of the tangential force that cuts downward. Forces act on the cutter, in the table frame, at the hardest
    moment of a turn: `force_N` (k, 3), `side_N` its part square to the spindle, `thrust_N` along it (positive: lifts the
    cutter); `axes_N` (k, 3) along each axis at that axis' own. `height_mm`: where the side force acts over the tip.
    `spindle_Nm`: mean torque over a turn. `rotary_Nm`: the largest moment on the bar about its axis at any moment of a turn.
    """

    area_mm2: Floats
    ap_mm: Floats
    ae_mm: Floats
    arc_deg: Floats
    chip_mm: Floats
    mean_chip_mm: Floats
    climb: Floats
    force_N: Floats
    axes_N: Floats
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
    pose = pose + rate * (ahead_mm / np.maximum(_tip_speed(pose, rate), 1e-9))[:, None]
    edge = _edge_at(blank, cells, pose, rate)
    return _engaged(edge, inside_by_ray(blank, edge.points, edge.upright), rpm, law)


def look_ahead_mm(edge: Profile, pitch_mm: float) -> float:
    """How far before a place the cutting is to have come when it is asked there (`places_on`), for a grid's pitch."""
    return way_ahead_mm(pitch_mm, edge.radius_mm, MOST_IN * pitch_mm)


def engagement_along(blank: Blank, edge: Profile, poses: Floats, places: Places, law: CuttingLaw) -> Engagement:
    """Carve the blank, in place, by an edge along `poses` (n, 4), and ask at places on the way what the edge meets there.

    As `engagement` does, no further ahead than the places themselves lie, but in one go, which costs little more than carving.
    The blank's X rays stay as they were (`carve_looking`): it serves to be asked again and to take sections of.
    """
    cells, parts, done, began = edge_cells(edge), [], 0, 0
    while done < len(places.row):
        last = int(places.row[min(done + AT_ONCE, len(places.row)) - 1])
        some = places.between(began, last)
        one = _edge_at(blank, cells, some.pose, some.rate_per_min)
        met = carve_looking(blank, edge, poses[began : last + 1], some.row, one.points, one.upright, one.ends)
        parts.append(_engaged(one, met, some.spindle_rpm, law))
        done, began = done + len(some.row), last
    carve_looking(
        blank, edge, poses[began:], np.zeros(0, np.intp), np.zeros((0, 3)), np.zeros(0, np.bool_), np.zeros(1, np.int64)
    )
    return joined_engagements(parts)


def hardest_in_each(found: Engagement, asked: NDArray[np.intp], count: int) -> Engagement:
    """Of what was found at the places of each of `count` rows asked for (`asked`, rising, as of `Places`), keep the hardest.

    The area is the mean over a row's places, to be held against the volume that the row removed.
    """
    places = np.bincount(asked, minlength=count)
    order = np.lexsort((-found.side_N, asked))
    first = order[(np.cumsum(places) - places)[places > 0]]
    hardest = _nothing_met(count)
    for name in Engagement.__dataclass_fields__:
        getattr(hardest, name)[places > 0] = getattr(found, name)[first]
    return replace(hardest, area_mm2=np.bincount(asked, found.area_mm2, count) / np.maximum(places, 1))


def scaled_to_volume(area_mm2: Floats, found_mm2: Floats) -> tuple[Floats, Floats]:
    """How much more than what was found, side force and torque (k,) each, a cut of `area_mm2` by its volume asks for.

    Thin chips are lost between rays. Torque goes with the area. The force of a side cut too thin by so much goes with its
    power of (1 - mc) / 2 and that of a ball's with 1 - mc or so (derived, one tooth in the cut): a half lies between.
    """
    scale = np.divide(area_mm2, found_mm2, out=np.ones(len(found_mm2)), where=found_mm2 > 0.0).clip(1.0, MOST_SCALE)
    return np.sqrt(scale), scale


def shape_alone(hardness: Floats, area_mm2: Floats, found_mm2: Floats) -> Floats:
    """What of a `hardness` (k,), force or torque over that of the volume, is due to the shape of the cut.

    The rest: where it was asked more was cut than the stretch's volume tells, for it cuts only here and there or is thinner
    than the grid. Forces go with the area's power of 0.75 or so (Kienzle's 1 - mc).
    """
    return np.asarray(hardness / np.maximum(found_mm2 / np.maximum(area_mm2, 1e-12), 1.0) ** 0.75)


def joined_engagements(parts: Sequence[Engagement]) -> Engagement:
    """Put what was found at several times one behind the other."""
    names = Engagement.__dataclass_fields__
    return Engagement(**{name: np.concatenate([getattr(part, name) for part in (_nothing_met(0), *parts)]) for name in names})


def _nothing_met(count: int) -> Engagement:
    """What is found at `count` places where nothing is met."""
    names = Engagement.__dataclass_fields__
    return Engagement(**{name: np.zeros((count, 3) if name in ("force_N", "axes_N") else count) for name in names})


def _edge_at(blank: Blank, cells: EdgeCells, pose: Floats, rate: Floats) -> kernels.Cells:
    """Lay the cells, each a little within the edge, lest a wall that it runs along be taken for what it cuts.

    A plane may lie so far, square to itself, from where the nearest ray meets it: half a pitch along X and along the one of Y
    and Z that the ray doesn't run along (plane geometry), and a little for what is round.
    """
    rings = np.column_stack([cells.r_mm, cells.h_mm, cells.length_mm, cells.normal])
    pose, rate = (np.column_stack([table[:, :3], np.radians(table[:, 3])]) for table in (pose, rate))
    reach = float(blank.reach_mm.max())
    low = int(np.searchsorted(cells.h_mm, reach - pose[:, 2].min(initial=reach), side="right"))  # rings that may meet anything
    most = len(pose) * len(AROUND) * low
    room = np.empty(most, np.int32), np.empty(most), np.empty((most, 3)), np.empty(most, np.bool_)
    laid = kernels.Cells(rings, AROUND, pose, rate, *room, np.zeros(len(pose) + 1, np.int64))
    n = kernels.place_cells(laid, np.array([blank.pitch_mm, IN_ROUND, reach**2]))
    return laid._replace(cell=room[0][:n], into=room[1][:n], points=room[2][:n], upright=room[3][:n])


def _engaged(edge: kernels.Cells, met: NDArray[np.bool_], rpm: Floats, law: CuttingLaw) -> Engagement:
    """Reckon what the edge meets from which of its points lie in material."""
    out = np.empty((len(edge.pose), kernels.COLUMNS))
    figures = np.array([law.kc11_N_per_mm2, law.mc, law.teeth, law.normal_share])
    kernels.reckon(edge, met, np.ascontiguousarray(rpm), figures, out)
    return Engagement(
        area_mm2=out[:, kernels.AREA],
        ap_mm=out[:, kernels.AP],
        ae_mm=out[:, kernels.AE],
        arc_deg=out[:, kernels.ARC],
        chip_mm=out[:, kernels.CHIP],
        mean_chip_mm=out[:, kernels.MEAN_CHIP],
        climb=out[:, kernels.CLIMB],
        force_N=out[:, kernels.FORCE : kernels.AXES],
        axes_N=out[:, kernels.AXES :],
        side_N=out[:, kernels.SIDE],
        thrust_N=out[:, kernels.THRUST],
        height_mm=out[:, kernels.HEIGHT],
        spindle_Nm=out[:, kernels.SPINDLE],
        rotary_Nm=out[:, kernels.ROTARY],
    )


def _tip_speed(pose: Floats, rate: Floats) -> Floats:
    turn = np.radians(rate[:, 3])
    return np.asarray(np.sqrt(rate[:, 0] ** 2 + (rate[:, 1] + turn * pose[:, 2]) ** 2 + (rate[:, 2] - turn * pose[:, 1]) ** 2))
