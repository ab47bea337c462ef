"""Why a cut takes as long as it does, and what would make it quicker: its feeds set again with one limit eased at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from newel.core.plan import Cut
from newel.core.units import duration, mm
from newel.mechanics.bar_sections import natural_frequency_Hz
from newel.mechanics.vibration import quiet_speeds_rpm
from newel.planning.feed_schedule import Duty, Schedule, schedule
from newel.shop.machines import LinearAxis, Machine

WORTH_SHARE = 0.01  # what saves less than this of a cut's time is not told
MOST_TOLD = 3


@dataclass(frozen=True)
class Reasons:
    """One cut: its time, what rules it by share of the fed time, and what would save how many minutes, the best first."""

    cut: Cut
    minutes: float
    constant_minutes: float
    limits: tuple[tuple[str, float], ...]
    quicker: tuple[tuple[str, float], ...]
    bar_frequency_Hz: float | None
    teeth: int


def reasons(cut: Cut, done: Schedule) -> Reasons:
    """Ease one limit at a time and let the clock tell what that would save."""
    saved = []
    for what, eased in _EASED.items():
        other = schedule(cut, done.path, done.met, eased(done.duty))
        gain = done.minutes - other.minutes
        if gain > WORTH_SHARE * done.minutes:
            saved.append((what, gain))
    best = tuple(sorted(saved, key=lambda item: (-item[1], item[0]))[:MOST_TOLD])
    bar = done.duty.bar
    swings = natural_frequency_Hz(bar) if bar is not None else None
    return Reasons(cut, done.minutes, done.constant_minutes, done.limits, best, swings, done.duty.cutter.ZEFP)


def reasons_text(found: list[Reasons]) -> str:
    """Tell what limits each cut and what would make it quicker."""
    lines = ["what limits each cut"]
    for one in found:
        cut = one.cut
        figures = f"{cut.direction.value}, ap {mm(cut.ap_mm)}, ae {mm(cut.ae_mm)}, {cut.spindle_rpm:.0f} rpm"
        lines.append(f"  {cut.number} {cut.name} ({figures}): {duration(one.minutes)}")
        lines.append(f"      ruled by {', '.join(f'{name} {share:.0%}' for name, share in one.limits if share >= 0.005)}")
        lines.append(f"      at one feed, that of its hardest stretch, it would take {duration(one.constant_minutes)}")
        for what, gain in one.quicker:
            lines.append(f"      {what} would save {duration(gain)}")
        if not one.quicker:
            lines.append("      no single limit eased would save 1 % of it: only other passes or another cutter would")
        if one.bar_frequency_Hz:
            speeds = ", ".join(f"{rpm:.0f}" for rpm in quiet_speeds_rpm(one.bar_frequency_Hz, one.teeth))
            swings = f"the bar swings at about {one.bar_frequency_Hz:.0f} Hz before this cut"
            lines.append(f"      {swings}: should it chatter, try {speeds} rpm")
    return "\n".join(lines)


def _axes(machine: Machine, faster: Callable[[LinearAxis], LinearAxis]) -> Machine:
    return replace(machine, x=faster(machine.x), y=faster(machine.y), z=faster(machine.z))


def _quicker_axes(duty: Duty) -> Duty:
    return replace(
        duty, machine=_axes(duty.machine, lambda axis: replace(axis, max_feed_mm_per_min=2.0 * axis.max_feed_mm_per_min))
    )


def _quicker_start(duty: Duty) -> Duty:
    machine = _axes(duty.machine, lambda axis: replace(axis, acceleration_mm_per_s2=2.0 * axis.acceleration_mm_per_s2))
    a = machine.a
    return replace(duty, machine=replace(machine, a=replace(a, acceleration_deg_per_s2=2.0 * a.acceleration_deg_per_s2)))


def _quicker_turn(duty: Duty) -> Duty:
    a = duty.machine.a
    return replace(duty, machine=replace(duty.machine, a=replace(a, max_deg_per_min=2.0 * a.max_deg_per_min)))


def _stronger_turn(duty: Duty) -> Duty:
    a = duty.machine.a
    twice = replace(a, moving_torque_Nm=2.0 * a.moving_torque_Nm, holding_torque_Nm=2.0 * a.holding_torque_Nm)
    return replace(duty, machine=replace(duty.machine, a=twice))


def _stronger_spindle(duty: Duty) -> Duty:
    spindle = duty.machine.spindle
    twice = replace(spindle, power_W=2.0 * spindle.power_W, torque_Nm=2.0 * spindle.torque_Nm)
    return replace(duty, machine=replace(duty.machine, spindle=twice))


def _shorter_cutter(duty: Duty) -> Duty:
    """A quarter less sticking out bends about half as far."""
    cutter = duty.cutter
    less = 0.25 * cutter.LPR
    long = max(cutter.LPR - less, cutter.APMX)
    return replace(duty, cutter=replace(cutter, LPR=long, LU=min(cutter.LU, long)))


def _easier_material(duty: Duty) -> Duty:
    low, high = duty.material.kc11_N_per_mm2
    return replace(duty, material=replace(duty.material, kc11_N_per_mm2=(low, 0.5 * (low + high))))


def _stiffer_bar(duty: Duty) -> Duty:
    return replace(duty, bar=None)


_EASED: dict[str, Callable[[Duty], Duty]] = {
    "an A axis that turns twice as fast": _quicker_turn,
    "X, Y and Z that feed twice as fast": _quicker_axes,
    "twice the acceleration on all axes": _quicker_start,
    "a rotary axis that holds twice the torque": _stronger_turn,
    "a spindle twice as strong": _stronger_spindle,
    "the cutter a quarter shorter out of its holder": _shorter_cutter,
    "a trial cut that shows the material to be in the middle of its band": _easier_material,
    "a bar held so that it does not give (a steady, thicker stubs)": _stiffer_bar,
}
