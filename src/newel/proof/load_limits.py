"""Limits of the load: what spindle, axes, jaws, cutter and bar can bear, and a caution where a program asks for more.

All are estimates from the upper end of the material's band, so they are cautions and never deny the verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.job import Section
from newel.core.setup import SetUp
from newel.mechanics.grip import SAFETY_BETWEEN_CENTRES, SAFETY_OVERHUNG, grip_axial_N, lift_out_moment_Nmm
from newel.mechanics.power import spindle_power_at_W
from newel.proof.course import Course, findings_at
from newel.proof.load_moments import held_at_far_end
from newel.proof.results import LoadSeries
from newel.shop.machines import Machine

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Bools = NDArray[np.bool_]

CUTTER_MAY_BEND_MM = 0.2  # more than that and the cutter is near breaking or the cut near stalling (common practice)
BAR_MAY_BEND_MM = 0.2
HOLDS_STILL_DEG = 1e-6  # a row that turns A by less does not turn it


@dataclass(frozen=True)
class Extremes:
    """The hardest that thrust on an axis, the jaws' grip (1: slips or lifts out) and the centre come to; nan: not known."""

    thrust_N: float
    grip_used: float
    centre_N: float


def load_findings(course: Course, series: LoadSeries, setup: SetUp, machine: Machine) -> tuple[list[Finding], Extremes]:
    """Return a caution for each limit that is passed, at its hardest place."""
    power = np.array([spindle_power_at_W(machine.spindle, rpm) for rpm in np.unique(series.rpm)])
    watts = np.interp(series.rpm, np.unique(series.rpm), power)
    turns = _turns(course, series)
    slip, centre = _grip(series, setup, machine)
    # jaws must hold more than they are asked to (RN-1391): twice between jaws and centre, four times without a centre
    safety = SAFETY_BETWEEN_CENTRES if held_at_far_end(setup) else SAFETY_OVERHUNG
    found: list[Finding] = []

    def over(code: str, value: Floats, limit: Floats | float, unit: str, where: Bools | None = None) -> None:
        found.extend(_over(course, code, series.row, (value, np.broadcast_to(limit, value.shape)), unit, where))

    over("load-power", series.power_W, watts, "W")
    over("load-torque", series.torque_Nm, machine.a.moving_torque_Nm, "N m", turns)
    over("load-holding", series.torque_Nm, machine.a.holding_torque_Nm, "N m", ~turns)
    thrust = _thrust(series)
    allowed = np.array([axis.thrust_N or math.inf for axis in (machine.x, machine.y, machine.z)])
    axis = (thrust / allowed).argmax(axis=1)
    over("load-thrust", thrust[np.arange(len(axis)), axis], allowed[axis], "N")
    over("load-grip", safety * slip, 1.0, "")
    over("load-break", series.cutter_stress_share, 1.0, "")
    over("load-cutter", series.cutter_bends_mm, CUTTER_MAY_BEND_MM, "mm")
    over("load-bar", series.bar_bends_mm, BAR_MAY_BEND_MM, "mm")
    return found, Extremes(float(thrust.max()), float(slip.max()), float(centre.max(initial=0.0)))


_SAYS = {
    "load-power": "this stretch asks {0:.0f} W of the spindle, which has {1:.0f} W at this speed",
    "load-torque": "this stretch loads the turning axis by {0:.2f} N m",
    "load-holding": "this stretch loads the axis, held still, by {0:.2f} N m",
    "load-thrust": "this stretch pushes an axis by {0:.0f} N",
    "load-grip": "the jaws' grip with its safety is used to {0:.2f}: the bar may slip round, slide or lift out",
    "load-break": "this stretch bends the cutter to {0:.2f} of what it may bear before it breaks",
    "load-cutter": "this stretch bends the cutter by {0:.2f} mm",
    "load-bar": "this stretch bends the bar by {0:.2f} mm",
}


def _over(
    course: Course, code: str, rows: Rows, against: tuple[Floats, Floats], unit: str, where: Bools | None
) -> list[Finding]:
    """One finding at the place where the limit is passed by most; `against`: values and their limits."""
    value, limit = against
    share = np.divide(value, limit, out=np.zeros(len(value)), where=np.isfinite(limit) & (limit > 0.0))
    share = np.where(np.isnan(share) | (False if where is None else ~where), 0.0, share)
    k = int(share.argmax())
    if not share[k] > 1.0:
        return []

    def says(row: int) -> str:
        return _SAYS[code].format(value[k], limit[k])

    return findings_at(course, code, rows[k : k + 1], says, measured=value[k : k + 1], limit=float(limit[k]), unit=unit)


def _turns(course: Course, series: LoadSeries) -> Bools:
    """Tell which stretches turn A while they cut."""
    turned = np.abs(course.end[:, 3] - course.begin[:, 3]) > HOLDS_STILL_DEG
    count = np.concatenate([[0], np.cumsum(turned)])
    return np.asarray(count[series.last_row + 1] > count[series.row])


def _thrust(series: LoadSeries) -> Floats:
    """Force along X, Y and Z (k, 3): what was seen, elsewhere the side force on X and Y."""
    side = np.stack([series.force_N, series.force_N, np.zeros(len(series.row))], axis=1)
    return np.where(np.isfinite(series.axes_N), series.axes_N, side)


def _grip(series: LoadSeries, setup: SetUp, machine: Machine) -> tuple[Floats, Floats]:
    """Share of the jaws' grip that each stretch uses, by slipping or by lifting out, and the centre's side force, (k,)."""
    chuck = machine.chuck
    holds = grip_axial_N(chuck.jaws, chuck.grip_force_N, chuck.jaw_friction)
    pull = np.where(series.seen, np.nan_to_num(series.axes_N[:, 0]), series.force_N)
    radius = least_radius_mm(setup)
    # a bar with flats in jaws is held against turning by its shape as well; friction alone is the lower bound
    slip = np.hypot(1000.0 * series.torque_Nm / radius, pull) / holds
    centre = np.zeros(len(series.row))
    gripped = abs(setup.bar.from_x_mm if setup.along_x > 0 else setup.bar.to_x_mm)
    lifts = lift_out_moment_Nmm(chuck.grip_force_N, min(gripped, chuck.max_grip_mm))
    moment = series.force_N * np.abs(series.x_mm)
    for b, bar in enumerate(series.bars):
        mine = np.flatnonzero(series.bar_index == b)
        length = bar.figures.x_mm[-1]
        for k in mine[np.argsort(-series.force_N[mine])[:50]]:  # the hardest of each state of the bar
            at = min(abs(float(series.x_mm[k])), length)
            centre[k] = float(np.linalg.norm(bar.flexibility.centre_force_N(at, (float(series.force_N[k]), 0.0))))
            moment[k] = abs(series.force_N[k] * at - centre[k] * length)
        if bar.flexibility.beam.support.centre_N_per_mm > 0.0:
            rest = mine[np.argsort(-series.force_N[mine])[50:]]
            moment[rest] = 0.0
    return np.maximum(slip, moment / lifts), centre


def least_radius_mm(setup: SetUp) -> float:
    """The radius at which jaws hold the bar: half its width across flats."""
    size = setup.bar.size_mm
    return 0.5 * (min(size) if setup.bar.section is Section.RECTANGLE else size[0])
