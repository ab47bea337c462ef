"""Limits: what a program may not ask for, whatever it cuts: travel, wind-up, speeds, feeds, cutters, first and last moves."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.motion import RowKind
from newel.core.setup import SetUp
from newel.core.units import degrees, mm
from newel.proof.course import Course, finding, findings_at
from newel.proof.kinematics import machine_from_pose
from newel.shop.machines import Machine

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAME_MM = 1e-6  # coordinates closer than this are the same: a hundredth of the finest word a program writes
KEPT = 1.02  # a feed is kept when the row takes at most 2 % longer than asked (machine's rounding; common practice)


def limit_findings(
    course: Course, setup: SetUp, machine: Machine, told: frozenset[tuple[str, int]] = frozenset()
) -> list[Finding]:
    """Return every finding that needs no carving. `told`: (program, line) where the reader has denied the proof already."""
    if not course.moves.any():
        return [finding("no-motion", "the program moves nothing", program=course.names[0] if course.names else "")]
    found: list[Finding] = []
    found += _unknown_position(course)
    found += _travel(course, setup, machine)
    found += _wind_up(course, machine)
    found += _cutters(course)
    found += _feeds(course, machine, told)
    found += _spindle(course, machine)
    found += _table(course, setup)
    found += _ends(course)
    return found


def low(course: Course) -> Bools:
    """Return the rows (n,) during which the tip is, or may be, below the safe height."""
    return ~(np.minimum(course.begin_tip_mm, course.end_tip_mm) >= course.safe_z_mm - SAME_MM)


def _unknown_position(course: Course) -> list[Finding]:
    """The first move must be safe from anywhere: Z alone, ending clear; then anything clear above; then all is known."""
    begin, end = course.begin, course.end
    unknown = np.isnan(begin).any(axis=1) | np.isnan(end).any(axis=1)
    stirs = course.moves & unknown
    fed = np.flatnonzero(stirs & course.fed)
    found = findings_at(
        course,
        "position-unknown",
        fed,
        lambda row: "this fed move begins where the program has not been: " + _which(begin[row]),
    )
    z_unknown = np.isnan(begin[:, 2])
    others = ~(((begin == end) | (np.isnan(begin) & np.isnan(end)))[:, [0, 1, 3]].all(axis=1))
    ends_clear = course.end_tip_mm >= course.safe_z_mm - SAME_MM
    clear = np.where(z_unknown, ~others & ends_clear, ~low(course))
    unsafe = np.flatnonzero(stirs & ~course.fed & ~clear)
    first_of_each = unsafe[np.unique(course.program[unsafe], return_index=True)[1]] if len(unsafe) else unsafe
    return found + findings_at(
        course,
        "start-unsafe",
        first_of_each,
        lambda row: (
            "wherever the tip stands, raise Z alone first, to at least " + mm(course.safe_z_mm) + " over the rotary axis"
        ),
        measured=end[first_of_each, 2],
        limit=course.safe_z_mm,
        unit="mm",
    )


def _which(pose: Floats) -> str:
    return ", ".join(letter for letter, value in zip("XYZA", pose) if np.isnan(value)) or "?"


def _travel(course: Course, setup: SetUp, machine: Machine) -> list[Finding]:
    position = machine_from_pose(course.end, course.gauge_mm, setup)
    found = []
    for k, (letter, axis) in enumerate(zip("XYZ", (machine.x, machine.y, machine.z))):
        for limit, beyond in ((axis.to_mm, position[:, k] - axis.to_mm), (axis.from_mm, axis.from_mm - position[:, k])):
            rows = np.flatnonzero((beyond > SAME_MM) & course.moves)
            says = _travel_says(letter, position[:, k], limit)
            found += findings_at(course, "travel", rows, says, measured=position[rows, k], limit=limit, unit="mm")
    return found


def _travel_says(letter: str, position: Floats, limit: float) -> Callable[[int], str]:
    return lambda row: f"machine {letter} would have to go to {mm(float(position[row]))}; its travel ends at {mm(limit)}"


def _wind_up(course: Course, machine: Machine) -> list[Finding]:
    if machine.a.wind_up_deg is None:
        return []
    a = np.abs(course.motion.xyza[:, 3])
    rows = np.flatnonzero((a > machine.a.wind_up_deg + SAME_MM) & course.moves)
    return findings_at(
        course,
        "wind-up",
        rows,
        lambda row: f"A stands at {degrees(course.motion.xyza[row, 3])}",
        measured=a[rows],
        limit=machine.a.wind_up_deg,
        unit="deg",
    )


def _cutters(course: Course) -> list[Finding]:
    motion = course.motion
    # A raise from an unknown height is the first move's business, not the cutter's.
    lowest = np.fmin(course.begin_tip_mm, course.end_tip_mm)
    near = course.moves & ((lowest < course.safe_z_mm - SAME_MM) | course.fed)
    none = np.flatnonzero(near & (motion.cutter == 0) & ~np.isnan(course.begin[:, 2]))
    found = findings_at(course, "no-cutter", none, lambda row: "no cutter has been called before this move")
    known = np.isin(motion.cutter, np.array(sorted(course.cutters), dtype=np.int32))
    strange = np.flatnonzero(near & ~known & (motion.cutter != 0))
    found += findings_at(
        course,
        "cutter-unknown",
        strange,
        lambda row: f"the set-up has no cutter number {motion.cutter[row]}",
        measured=motion.cutter[strange].astype(float),
    )
    rows = np.flatnonzero(near & ~course.sure_of_tip & (motion.cutter != 0))
    found += findings_at(
        course,
        "length-offset-wrong",
        rows,
        lambda row: (
            f"cutter {motion.cutter[row]} moves near the work with "
            + (f"length offset {motion.length_offset[row]}" if motion.length_offset[row] else "no length offset")
        ),
        measured=motion.length_offset[rows].astype(float),
        limit=motion.cutter[rows].astype(float),
    )
    # A change with Z unknown is the operator's business at the very start; the first-move rule covers what follows.
    change = (motion.kind == RowKind.CHANGE) & (course.begin_tip_mm < course.safe_z_mm - SAME_MM)
    rows = np.flatnonzero(change)
    return found + findings_at(
        course,
        "change-low",
        rows,
        lambda row: (
            f"cutter {motion.cutter[row]} is called while the tip stands {mm(course.begin[row, 2])} over the rotary axis"
        ),
        measured=course.begin[rows, 2],
        limit=course.safe_z_mm,
        unit="mm",
    )


def _feeds(course: Course, machine: Machine, told: frozenset[tuple[str, int]]) -> list[Finding]:
    motion = course.motion
    fed = course.fed & course.moves
    asked = motion.minutes
    missing = np.flatnonzero(fed & ~(np.isfinite(asked) & (asked > 0.0)))
    missing = np.array([row for row in missing if course.place(int(row)) not in told], dtype=np.intp)
    found = findings_at(course, "feed-not-set", missing, lambda row: "this fed move has no feed in force")
    timed = fed & course.known & np.isfinite(asked) & (asked > 0.0)
    way = np.zeros(len(course))
    way[timed] = tip_way_mm(course.begin[timed], course.end[timed])
    with np.errstate(divide="ignore", invalid="ignore"):
        # What is run, not only what is asked: where an axis can't keep up, all slow together and the tip with them.
        speed = np.where(timed, way / np.maximum(asked, course.minutes), 0.0)
    fastest = max(machine.x.rapid_mm_per_min, machine.y.rapid_mm_per_min, machine.z.rapid_mm_per_min)
    absurd = np.flatnonzero(speed > fastest)
    found += findings_at(
        course,
        "feed-absurd",
        absurd,
        lambda row: f"the tip would run over the work at {speed[row]:.0f} mm/min",
        measured=speed[absurd],
        limit=fastest,
        unit="mm/min",
    )
    ratio = np.zeros(len(course))
    floor = _axis_minutes(course, machine)
    ratio[timed] = floor[timed] / asked[timed]
    slow = np.flatnonzero(ratio > KEPT)
    return found + findings_at(
        course,
        "feed-not-kept",
        slow,
        lambda row: f"the feed asked is {ratio[row]:.1f} times what the axes can run; the machine will slow down",
        measured=ratio[slow],
        limit=1.0,
        unit="times",
    )


def _axis_minutes(course: Course, machine: Machine) -> Floats:
    """Return the least minutes each row can take at its axes' feed limits (n,), without acceleration."""
    most = np.array(
        [machine.x.max_feed_mm_per_min, machine.y.max_feed_mm_per_min, machine.z.max_feed_mm_per_min, machine.a.max_deg_per_min]
    )
    return np.nan_to_num((np.abs(course.end - course.begin) / most).max(axis=1))


def tip_way_mm(begin: Floats, end: Floats) -> Floats:
    """Return the way of the tip over the turning work for moves (n, 4) to (n, 4), in mm.

    For a turn dt the work's speed against the tip at (y, z) is (dx, dy + z dt, dz - y dt); integrated by Simpson's rule
    (exact for a pure turn; derived).
    """
    d = end - begin
    turn = np.radians(d[:, 3])

    def speed(at: Floats) -> Floats:
        return np.sqrt(d[:, 0] ** 2 + (d[:, 1] + at[:, 2] * turn) ** 2 + (d[:, 2] - at[:, 1] * turn) ** 2)

    return (speed(begin) + 4.0 * speed(0.5 * (begin + end)) + speed(end)) / 6.0


def _spindle(course: Course, machine: Machine) -> list[Finding]:
    rpm = np.abs(course.motion.spindle_rpm.astype(np.float64))
    runs = (rpm > 0.0) & course.fed & course.moves
    most = np.full(len(course), machine.spindle.max_rpm)
    for number, cutter in course.cutters.items():
        if cutter.max_rpm is not None:
            mask = course.motion.cutter == number
            most[mask] = np.minimum(most[mask], cutter.max_rpm)
    fast, slow = (
        np.flatnonzero(runs & (rpm > most * (1 + 1e-6))),
        np.flatnonzero(runs & (rpm < machine.spindle.min_rpm * (1 - 1e-6))),
    )
    found = findings_at(
        course,
        "spindle-range",
        fast,
        lambda row: f"the spindle is asked for {rpm[row]:.0f} rpm; machine and cutter allow {most[row]:.0f}",
        measured=rpm[fast],
        limit=most[fast],
        unit="rpm",
    )
    return found + findings_at(
        course,
        "spindle-range",
        slow,
        lambda row: f"the spindle is asked for {rpm[row]:.0f} rpm; it runs no slower than {machine.spindle.min_rpm:.0f}",
        measured=rpm[slow],
        limit=machine.spindle.min_rpm,
        unit="rpm",
    )


def _table(course: Course, setup: SetUp) -> list[Finding]:
    rows = np.flatnonzero(course.moves & (course.end[:, 2] <= -setup.table_below_axis_mm))
    return findings_at(
        course,
        "strikes-table",
        rows,
        lambda row: (
            f"the tip goes {mm(-course.end[row, 2])} below the rotary axis; the table is at {mm(setup.table_below_axis_mm)}"
        ),
        measured=course.end[rows, 2],
        limit=-setup.table_below_axis_mm,
        unit="mm",
    )


def _ends(course: Course) -> list[Finding]:
    """Look at the last row of every program; a probing row is told too, for nothing after it can be followed."""
    probes = np.flatnonzero(course.motion.kind == RowKind.PROBE)
    found = findings_at(
        course, "probe-not-followed", probes, lambda row: "where this probing move ends is known only on the machine"
    )
    last = (np.unique(course.first[1:][np.diff(course.first) > 0]) - 1).astype(np.intp)
    clear = course.end_tip_mm[last] >= course.safe_z_mm - SAME_MM
    stays = last[~clear]
    found += findings_at(
        course,
        "end-low",
        stays,
        lambda row: (
            f"the program ends with the tip {mm(course.end[row, 2])} over the rotary axis"
            if np.isfinite(course.end[row, 2])
            else "the program ends nobody knows how high"
        ),
        measured=course.end[stays, 2],
        limit=course.safe_z_mm,
        unit="mm",
    )
    return found
