"""The trial cut: a slot along a bar whose feed rises step by step, to learn a material's cutting force on one's own machine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Section, Tailstock, ZeroAsk
from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Bar, Holding, Placement, Plan, Stub
from newel.core.profile import CutterShape
from newel.core.setup import SetUp
from newel.mechanics.chip import spindle_speed_rpm
from newel.mechanics.edges import working_edge
from newel.mechanics.trial_fit import TrialSlot
from newel.planning.place import corner_radius_mm
from newel.planning.set_up import keep_outs, set_up, set_up_cutter
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

STEPS = 6
STEP_LENGTHS = 2.0  # of a step, in cutter diameters, at least LEAST_STEP_MM: common practice, long enough to read a meter
LEAST_STEP_MM = 10.0
DEPTH_OVER_DC = 0.15  # shallow: the first steps must be harmless whatever the material turns out to be (common practice)
FIRST_OVER_LOW, LAST_OVER_HIGH = 0.5, 2.0  # of the chart's chip: from well under it to well over it
LEAST_RISE = 6.0  # from the first step to the last, so that one of them gives way (common practice)
STANDS_OFF_MM = 12.0  # from the jaws to the nearest cut
RETRACT_OVER_MM = 5.0
AIR_MM = 2.0


@dataclass(frozen=True)
class TrialCut:
    """A trial: its slot, the passes of each step (title, path), and the set-up it is proved in."""

    slot: TrialSlot
    steps: tuple[tuple[str, Toolpath], ...]
    setup: SetUp
    safe_z_mm: float
    bar: Bar


def trial_cut(
    cutter: Cutter, shape: CutterShape, spindle_face_mm: float, material: Material, machine: Machine, bar_mm: float
) -> TrialCut:
    """Lay out a trial in a square bar of `bar_mm`, held in the jaws alone, a flat toward the spindle, A at 0.

    The slot runs from the free end toward the jaws over the middle of the flat. Raises BadInput or Infeasible where cutter
    or bar can't do it.
    """
    if cutter.form not in (Form.FLAT, Form.BALL, Form.BULL_NOSE):
        raise BadInput(f"{cutter.name} is no cutter for a trial slot", remedy="take a flat, bull nose or ball cutter")
    corner = corner_radius_mm(Section.SQUARE, (bar_mm,))
    if not machine.chuck.min_bar_mm <= bar_mm or 2.0 * corner > machine.chuck.max_bar_diagonal_mm:
        raise Infeasible(f"the chuck does not take a square bar of {bar_mm:g} mm", remedy="name another with --bar")
    ap = round(DEPTH_OVER_DC * cutter.DC, 2)
    edge = working_edge(cutter, ap)
    if edge.diameter_mm + 2.0 > bar_mm:
        raise Infeasible("the bar is narrower than the slot would be", remedy="name a wider one with --bar")
    speed = float(spindle_speed_rpm(0.5 * sum(material.vc_m_per_min), edge.diameter_mm))
    most = min(machine.spindle.max_rpm, cutter.max_rpm or machine.spindle.max_rpm)
    rpm = float(100.0 * np.floor(np.clip(speed, machine.spindle.min_rpm, most) / 100.0))
    low, high = (share * cutter.DC * rpm * cutter.ZEFP for share in material.fz_per_DC)
    last = min(LAST_OVER_HIGH * high, machine.x.max_feed_mm_per_min)
    feeds = tuple(float(round(feed)) for feed in np.geomspace(min(FIRST_OVER_LOW * low, last / LEAST_RISE), last, STEPS))
    length = max(STEP_LENGTHS * cutter.DC, LEAST_STEP_MM)
    end = STANDS_OFF_MM + 0.5 * cutter.DC + STEPS * length
    bar = Bar(Section.SQUARE, (bar_mm,), -machine.chuck.max_grip_mm, end, 0.0, material.name)
    full = STANDS_OFF_MM - 1.0
    holding = Holding(machine.chuck.max_grip_mm, Tailstock.NONE, full, Stub(full, full, 1.0), None, None)
    plan = Plan(Placement(np.eye(4), full, end, corner), bar, holding, ((1, cutter.name),), (), ())
    safe = max([corner, *(item.radius_mm for item in keep_outs(plan, machine))]) + RETRACT_OVER_MM
    slot = TrialSlot(ap, rpm, 0.5 * bar_mm - 0.5 * ap, feeds)
    steps = tuple(
        (f"step {n + 1}: {feed:.0f} mm/min", _step(bar_mm, ap, end + 0.5 * cutter.DC + AIR_MM, end, (n, length), feed, safe))
        for n, feed in enumerate(feeds)
    )
    numbered = {1: set_up_cutter(1, cutter, shape, spindle_face_mm)}
    return TrialCut(slot, steps, set_up(plan, machine, numbered, ZeroAsk()), safe, bar)


def _step(bar_mm: float, ap: float, off_end: float, end: float, which: tuple[int, float], feed: float, safe: float) -> Toolpath:
    """One step: down in the air or in the slot already cut, on toward the jaws, up."""
    n, length = which
    begin = off_end if n == 0 else end - n * length
    stop = end - (n + 1) * length
    z = 0.5 * bar_mm - ap
    down = [[begin, 0, safe, 0], [begin, 0, 0.5 * bar_mm + AIR_MM, 0], [begin, 0, z, 0]]
    pose = np.array([*down, [stop, 0, z, 0], [stop, 0, safe, 0]], float)
    kinds = [MoveKind.RAPID, MoveKind.RAPID, MoveKind.ENTRY, MoveKind.CUT, MoveKind.RAPID]
    return Toolpath(pose, np.array([0.0, 0.0, min(feed, 200.0), feed, 0.0]), np.array(kinds, dtype=np.uint8))
