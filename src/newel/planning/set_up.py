"""The set-up that a plan asks for: what stands where around the rotary axis, and where the program's zero is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.job import Tailstock, ZeroAsk
from newel.core.plan import Plan
from newel.core.profile import CutterShape
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.shop.cutters import Cutter
from newel.shop.machines import Machine

Floats = NDArray[np.float64]


def keep_outs(plan: Plan, machine: Machine) -> tuple[KeepOut, ...]:
    """Return jaws, chuck, housing, centre and tailstock as cylinders in the table frame (X toward the tailstock)."""
    chuck = machine.chuck
    found = [
        KeepOut("jaws", -chuck.jaw_length_mm, 0.0, chuck.jaw_swing_diameter_mm / 2.0, True),
        KeepOut("chuck", -chuck.jaw_length_mm - chuck.body_length_mm, -chuck.jaw_length_mm, chuck.body_diameter_mm / 2.0, True),
    ]
    if machine.housing is not None:
        back = -chuck.jaw_length_mm - chuck.body_length_mm
        found.append(KeepOut("rotary housing", back - machine.housing.length_mm, back, machine.housing.radius_mm, False))
    tail = machine.tailstock
    if plan.holding.tailstock is Tailstock.LIVE_CENTRE and tail is not None:
        end = plan.bar.to_x_mm
        found.append(KeepOut("live centre", end, end + tail.centre_length_mm, tail.centre_diameter_mm / 2.0, True))
        body = end + tail.centre_length_mm
        found.append(KeepOut("tailstock", body, body + tail.body_length_mm, tail.body_radius_mm, False))
    return tuple(found)


def stays_standing(plan: Plan) -> tuple[KeepOut, ...]:
    """Return what is meant to stay beside the part: stubs, and the full bar at the jaws and at the centre."""
    holding, everything = plan.holding, 1.0e3
    found = [KeepOut("full bar at the jaws", plan.bar.from_x_mm, holding.full_bar_to_x_mm, everything, True)]
    for name, stub in holding.stubs(parted=True):
        found.append(KeepOut(name, stub.from_x_mm, stub.to_x_mm, stub.radius_mm, True))
    if holding.full_bar_from_x_mm is not None:
        found.append(KeepOut("full bar at the centre", holding.full_bar_from_x_mm, plan.bar.to_x_mm, everything, True))
    return tuple(found)


def set_up_cutter(number: int, cutter: Cutter, shape: CutterShape, spindle_face_mm: float) -> SetUpCutter:
    """Describe a cutter as it stands in the spindle; `spindle_face_mm` is the height of the spindle's face over the tip."""
    return SetUpCutter(
        number=number,
        name=cutter.name,
        shape=shape,
        centre_cutting=cutter.centre_cutting,
        cutting_length_mm=cutter.APMX,
        max_rpm=cutter.max_rpm,
        gauge_length_mm=spindle_face_mm,
        teeth=cutter.ZEFP,
        substance=cutter.substance,
    )


def set_up(plan: Plan, machine: Machine, cutters: Mapping[int, SetUpCutter], zero: ZeroAsk) -> SetUp:
    """Return the set-up in its own frame: the table frame, or that frame turned half a turn for a chuck at the right."""
    if machine.chuck_end not in ("left", "right"):
        raise BadInput(
            f"a chuck cannot stand at the {machine.chuck_end!r} end",
            where="machine file, chuck_end",
            remedy="write 'left' or 'right'",
        )
    along = 1 if machine.chuck_end == "left" else -1
    starts = {"jaw face": 0.0, "part start": plan.placement.part_from_x_mm, "bar end": plan.bar.to_x_mm}
    if zero.x_zero not in starts:
        raise BadInput(
            f"{zero.x_zero!r} is no place for X zero",
            where="[zero] x_zero",
            remedy=f"write one of {', '.join(map(repr, starts))}",
        )
    half_turn = np.diag([float(along), float(along), 1.0, 1.0])
    bar = plan.bar
    ends = sorted((along * bar.from_x_mm, along * bar.to_x_mm))
    return SetUp(
        bar=SetUpBar(bar.section, bar.size_mm, ends[0], ends[1], along * bar.turned_deg),
        bar_from_model=half_turn @ plan.placement.bar_from_model,
        table_from_program_mm=(along * starts[zero.x_zero], 0.0, 0.0),
        a_zero_deg=0.0,
        a_sense=along * machine.a.sense,
        along_x=along,
        work_offset=zero.offset,
        cutters=tuple(cutters[number] for number, _ in plan.cutters),
        keep_out=tuple(_seen_along(item, along) for item in keep_outs(plan, machine)),
        stays_standing=tuple(_seen_along(item, along) for item in stays_standing(plan)),
        table_below_axis_mm=machine.table_below_axis_mm,
        machine_from_table_mm=machine.jaw_face_on_axis_mm,
    )


def _seen_along(item: KeepOut, along: int) -> KeepOut:
    low, high = sorted((along * item.from_x_mm, along * item.to_x_mm))
    return KeepOut(item.name, low, high, item.radius_mm, item.turns)
