"""Load: how hard the programs work spindle, cutter, rotary axis and bar, estimated from what each stretch really removed.

A stretch is a run of fed rows of one cutter at least STRETCH_MM of tip way long: shorter ones are lost in the grid. Its
removal rate Q = volume / time gives the power Q kc (ISO 3002-4), kc by Kienzle's law at the upper end of the material's
band. Width and depth of cut are not told apart by a volume: both are taken as the root of Q / vf, their chip as that of a
cutter with TEETH teeth. So these are estimates to see what is near a limit, not figures to design by.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.profile import CutterShape
from newel.core.setup import SetUp
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import surface_points
from newel.geometry.profiles import radius_at
from newel.mechanics.chip import engagement_angle_deg, mean_chip_mm
from newel.mechanics.force import specific_force_N_per_mm2
from newel.mechanics.power import cutting_power_W
from newel.proof.course import Course, findings_at
from newel.proof.limits import tip_way_mm
from newel.proof.results import Load
from newel.proof.strikes import frustums
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]

STRETCH_MM = 3.0
TEETH = 2  # the set-up doesn't tell teeth; two is what small cutters mostly have (common practice)
E_CUTTER_N_PER_MM2 = 600_000.0  # carbide, 580 to 630 GPa (from memory); high-speed steel bends 2.7 times as much
FLUTED_SHARE = 0.8  # a fluted part bends like 0.8 of its diameter (from memory: Kops, Vo, CIRP Annals 39, 1990)
CUTTER_MAY_BEND_MM = 0.2  # more than that and the cutter is near breaking or the cut near stalling (common practice)
BAR_MAY_BEND_MM = 0.2
SLICE_MM = 0.5
LEAST_RADIUS_MM = 0.05


@dataclass(frozen=True)
class Hardest:
    """A load's hardest moment: what it was, and its row (-1: none)."""

    value: float = 0.0
    row: int = -1

    def or_in(self, values: Floats, rows: NDArray[np.intp]) -> Hardest:
        """Return the harder of this moment and the hardest of `values` (k,) at `rows` (k,)."""
        k = int(np.argmax(values))
        return Hardest(float(values[k]), int(rows[k])) if not values[k] <= self.value else self


def load_of(
    course: Course, removed_mm3: Floats, blank: Blank, setup: SetUp, machine: Machine, material: Material | None
) -> tuple[Load, list[Finding]]:
    """Return the hardest moments of the whole course (nan for all where no material is given) and cautions of them."""
    if material is None:
        return Load(), []
    flexibility = bar_flexibility_mm_per_N(blank, setup, material)
    power, force, torque, bends, sags = (Hardest() for _ in range(5))
    for number, cutter in sorted(course.cutters.items()):
        rows = np.flatnonzero(course.fed & course.known & (course.motion.cutter == number) & (course.motion.spindle_rpm != 0))
        if len(rows) == 0:
            continue
        stretch = _stretches(course, removed_mm3, rows)
        cuts = (stretch[0] > 0.0) & (stretch[1] > 0.0) & (stretch[2] > 0.0)
        if not cuts.any():
            continue
        volume, minutes, way, rpm, x, radius, first = (column[cuts] for column in stretch)
        at = first.astype(np.intp)
        size = np.sqrt(volume / way)
        diameter = 2.0 * np.maximum(radius_at(cutter.shape.edge, size), LEAST_RADIUS_MM)
        width = np.minimum(size, diameter)
        chip = np.maximum(mean_chip_mm(way / minutes / (rpm * TEETH), width, diameter), material.hm_min_mm)
        watts = (
            cutting_power_W(1.0, 1.0)
            * (volume / minutes)
            * specific_force_N_per_mm2(material.kc11_N_per_mm2[1], material.mc, chip)
        )
        mean = watts * 60.0 / (math.pi * diameter * 1e-3 * rpm)
        tooth = mean * np.maximum(1.0, 360.0 / (TEETH * np.maximum(engagement_angle_deg(width, diameter), 1.0)))
        power, force = power.or_in(watts, at), force.or_in(tooth, at)
        torque = torque.or_in(tooth * radius * 1e-3, at)
        bends = bends.or_in(tooth * cutter_flexibility_mm_per_N(cutter.shape, size), at)
        sags = sags.or_in(tooth * np.interp(x, *flexibility), at)
    load = Load(force.value, torque.value, bends.value, sags.value, power.value)
    return load, [
        *_over(course, "load-power", power, machine.spindle.power_W, "W", "this stretch asks {0:.0f} W of the spindle"),
        *_over(
            course,
            "load-torque",
            torque,
            machine.a.moving_torque_Nm,
            "N m",
            "this stretch loads the axis by {0:.2f} N m",
        ),
        *_over(course, "load-cutter", bends, CUTTER_MAY_BEND_MM, "mm", "this stretch bends the cutter by {0:.2f} mm"),
        *_over(course, "load-bar", sags, BAR_MAY_BEND_MM, "mm", "this stretch bends the bar by {0:.2f} mm"),
    ]


def _over(course: Course, code: str, hardest: Hardest, limit: float, unit: str, says: str) -> list[Finding]:
    if not hardest.value > limit:
        return []
    rows, values = np.array([hardest.row], dtype=np.intp), np.array([hardest.value])
    return findings_at(course, code, rows, lambda row: says.format(hardest.value), measured=values, limit=limit, unit=unit)


def _stretches(course: Course, removed_mm3: Floats, rows: NDArray[np.intp]) -> tuple[Floats, ...]:
    """Sum rows to stretches: volume, minutes, tip way, spindle speed, X of the tip, distance from the axis, first row."""
    begin, end = course.begin[rows], course.end[rows]
    way = tip_way_mm(begin, end)
    minutes = np.nan_to_num(course.minutes[rows])
    far = np.diff(rows, prepend=rows[0]) > 1
    block = np.cumsum(far)
    along = np.cumsum(way)
    along -= np.concatenate([[0.0], along])[np.searchsorted(block, block)]
    key = block * 4_000_000_000 + np.floor(np.maximum(along - way, 0.0) / STRETCH_MM).astype(np.int64)
    first = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
    radius = np.maximum(np.hypot(begin[:, 1], begin[:, 2]), np.hypot(end[:, 1], end[:, 2]))
    radius = np.minimum(radius, course.swing_mm)  # there is no material to push against further out
    return (
        np.add.reduceat(removed_mm3[rows], first),
        np.add.reduceat(minutes, first),
        np.add.reduceat(way, first),
        np.abs(course.motion.spindle_rpm[rows][first]).astype(np.float64),
        end[first, 0],
        np.maximum.reduceat(radius, first),
        rows[first].astype(np.float64),
    )


def cutter_flexibility_mm_per_N(shape: CutterShape, load_height_mm: Floats) -> Floats:
    """Return how far a cutter gives for 1 N at heights (k,) over its tip, in mm per N; the machine's spindle is taken as rigid.

    A stepped cantilever: sum of (b^3 - a^3) / (3 E I) over its outline's frustums, each at its smaller radius (derived from
    Euler and Bernoulli's beam). The edge counts as fluted.
    """
    pieces = frustums(shape)
    edge_top = shape.edge.top_mm
    radius = np.maximum(np.minimum(pieces[:, 2], pieces[:, 3]), LEAST_RADIUS_MM)
    radius = np.where(pieces[:, 1] <= edge_top + 1e-9, FLUTED_SHARE * radius, radius)
    stiff = 3.0 * E_CUTTER_N_PER_MM2 * math.pi * radius**4 / 4.0
    top = np.maximum(pieces[None, :, 1] - load_height_mm[:, None], 0.0)
    low = np.maximum(pieces[None, :, 0] - load_height_mm[:, None], 0.0)
    return ((top**3 - low**3) / stiff).sum(axis=1)


def bar_flexibility_mm_per_N(blank: Blank, setup: SetUp, material: Material) -> tuple[Floats, Floats]:
    """Return X stations (k,) and how far the bar gives there for 1 N across it, in mm per N (nan without E).

    A beam clamped at the jaw face, on the centre where a thing stands at its free end, each slice as stiff as a round
    bar of the least radius left there when all is done: softer than it was at any earlier moment (derived, unit loads).
    """
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    count = max(2, math.ceil(abs(far) / SLICE_MM))
    s = (np.arange(count) + 0.5) * abs(far) / count
    radius = _least_radius(blank, s * np.sign(far), abs(far) / count)
    if material.E_N_per_mm2 is None:
        return np.sort(s * np.sign(far)), np.full(count, np.nan)
    stiff = material.E_N_per_mm2 * math.pi * np.maximum(radius, LEAST_RADIUS_MM) ** 4 / 4.0
    step = abs(far) / count
    # f(a, b): how far the bar gives at a for 1 N at b, from the bending between the jaws and the nearer of both
    arm = np.maximum(s[:, None] - s[None, :], 0.0)
    give = (arm**2 / stiff).sum(axis=1) * step
    if held_at_far_end(setup):
        end_arm = abs(far) - s
        cross, end = (arm * end_arm / stiff).sum(axis=1) * step, float((end_arm**2 / stiff).sum()) * step
        give = np.maximum(give - cross**2 / end, 0.0)
    order = np.argsort(s * np.sign(far))
    return (s * np.sign(far))[order], give[order]


def held_at_far_end(setup: SetUp) -> bool:
    """Tell whether something stands at the bar's free end: a centre."""
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    return any(thing.from_x_mm - 1.0 <= far <= thing.to_x_mm + 1.0 for thing in setup.keep_out)


def _least_radius(blank: Blank, x: Floats, step: float) -> Floats:
    points, normals, _ = surface_points(blank, 2)
    points = points[np.abs(normals[:, 0]) < 0.7]  # shoulders across X reach down to the axis and say nothing of the radius
    slice_of = np.round((points[:, 0] - x[0]) / (x[1] - x[0])).astype(np.int64) if len(points) else np.zeros(0, np.int64)
    seen = (slice_of >= 0) & (slice_of < len(x))
    least = np.full(len(x), np.inf)
    np.minimum.at(least, slice_of[seen], np.hypot(points[seen, 1], points[seen, 2]))
    known = np.isfinite(least)
    if not known.any():
        return np.full(len(x), LEAST_RADIUS_MM)
    # a slice that no ray met takes after its neighbours
    return np.interp(np.arange(len(x)), np.flatnonzero(known), least[known])
