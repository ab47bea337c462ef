"""Roughing from the sides what is finished around: the bar clamped, a flat cutter, the same allowance as the roughing around.

A flat cutter at full feed beside a ball that waits for the turning axis: which is quicker the clock must say. This module
makes the other plan and reckons beforehand whether it is worth making its passes.
"""

from __future__ import annotations

from dataclasses import replace

from newel.core.job import Direction, Job, Section
from newel.core.plan import Cut, CutKind, Decision, Plan
from newel.core.units import degrees, duration
from newel.planning.around import Tools
from newel.planning.feeds import Purpose, bounded_room_mm, cutting_data
from newel.planning.place import corner_radius_mm
from newel.shop.cutters import Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

WHAT = "how it is roughed"
BESIDE_MM = 1.0  # how far beside the bar the tip stands clear before it comes in
# Shares of ap times ae times feed that the passes of a carved part reach, links and entries included. Recorded on the finial,
# where the clock gives 20.2 min from the sides and 16.4 min around; to make both sets of passes takes as long as all the rest.
SIDES_SHARE, AROUND_SHARE = 0.23, 0.31


def roughed_from_sides(job: Job, plan: Plan, tools: Tools, material: Material, machine: Machine) -> Plan | None:
    """Return a plan of a part carved all round with clearing cuts at the bar's flats in place of its roughing around.

    None where there is nothing to rough around, or no flat cutter that cuts to its middle and is no wider than what roughs.
    """
    names = dict(plan.cutters)
    roughs = [cut for cut in plan.cuts if cut.kind is CutKind.ROUGH_AROUND]
    if not roughs:
        return None
    rough = roughs[0]
    widest = tools.cutters[names[rough.cutter]].DC
    flats = [
        name for name, one in tools.cutters.items() if one.form is Form.FLAT and one.centre_cutting and widest + 0.5 >= one.DC
    ]
    if not flats:
        return None
    radius = corner_radius_mm(plan.bar.section, plan.bar.size_mm)
    figures = {
        name: cutting_data(tools.cutters[name], material, machine, Purpose.ROUGH, asked=job.rough, bar_radius_mm=radius)
        for name in flats
    }
    best = max(flats, key=lambda name: (figures[name].ap_mm * figures[name].ae_mm * figures[name].feed_mm_per_min, name))
    data, edge = figures[best], tools.shapes[best].edge
    number = next((n for n, name in plan.cutters if name == best), max(names) + 1)
    _, widest_cut = bounded_room_mm(tools.cutters[best], material, machine, data, radius)
    across = radius + edge.radius_mm + BESIDE_MM
    wider = max(0.0, edge.radius_mm - tools.shapes[names[rough.cutter]].edge.radius_mm)
    clears = [
        replace(
            rough,
            name=f"rough from the side at {degrees(turn, 1)} with {best}",
            kind=CutKind.CLEAR,
            cutter=number,
            direction=Direction.ALONG,
            from_x_mm=rough.from_x_mm + wider,
            to_x_mm=rough.to_x_mm - wider,
            spindle_rpm=data.spindle_rpm,
            feed_mm_per_min=data.feed_mm_per_min,
            entry_feed_mm_per_min=data.entry_feed_mm_per_min,
            ramp_deg=data.ramp_deg,
            ap_mm=data.ap_mm,
            ae_mm=data.ae_mm,
            turn_deg=turn,
            from_y_mm=-across,
            to_y_mm=across,
            top_z_mm=radius,
            floor_z_mm=0.0,
            deepest_mm=data.ap_mm,  # deeper levels would leave higher steps for the finishing cut
            widest_mm=widest_cut,
        )
        for turn in flat_turns_deg(plan)
    ]
    others = [cut for cut in plan.cuts if cut.kind is not CutKind.ROUGH_AROUND]
    cuts = tuple(replace(cut, number=k) for k, cut in enumerate([*clears, *others], start=1))
    cutters = plan.cutters if number in names else (*plan.cutters, (number, best))
    used = {cut.cutter for cut in cuts}
    return replace(plan, cuts=cuts, cutters=tuple(item for item in cutters if item[0] in used))


def flat_turns_deg(plan: Plan) -> list[float]:
    """Return the turns at which a flat of the bar faces the spindle, opposite ones after one another."""
    count = 6 if plan.bar.section is Section.HEXAGON else 4
    step = 360.0 / count
    turns = [(k * step - plan.bar.turned_deg) % 360.0 for k in range(count)]
    half = count // 2
    return [turns[(k // 2 + half * (k % 2)) % count] for k in range(count)]


def worth_trying(plan: Plan, other: Plan) -> bool:
    """Tell whether roughing from the sides may be quicker, by what both ways remove a minute."""
    return SIDES_SHARE * _rate(other) > AROUND_SHARE * _rate(plan)


def _rate(plan: Plan) -> float:
    """What the first roughing cut of a plan removes a minute, in mm3."""
    rough: Cut = next(cut for cut in plan.cuts if cut.kind in (CutKind.ROUGH_AROUND, CutKind.CLEAR))
    return rough.ap_mm * rough.ae_mm * rough.feed_mm_per_min


def chosen_by_clock(minutes: float, other_minutes: float, *, from_sides: bool) -> Decision:
    """Say which way of roughing was chosen by the clock, its passes made both ways."""
    chosen, other = ("from the sides", "around") if from_sides else ("around", "from the sides")
    because = f"the clock gives {duration(minutes)} for its passes with this machine's speeds and accelerations"
    return Decision(WHAT, chosen, because, (f"{other} ({duration(other_minutes)})",))


def chosen_by_rate(plan: Plan, other: Plan) -> Decision:
    """Say that roughing around removes more a minute, so that the other way was not tried."""
    ours, theirs = AROUND_SHARE * _rate(plan) / 1000.0, SIDES_SHARE * _rate(other) / 1000.0
    because = (
        f"it removes about {ours:.1f} cm³ a minute, links and entries included, and clearing from the sides about {theirs:.1f} "
        "(ap times ae times feed, and what share of it passes reach)"
    )
    return Decision(WHAT, "around", because, ("from the sides",))
