"""How hard a cut may be pushed: spindle speed, feed, depth and width from what the machine, cutter and bar can bear.

Speeds are taken from the middle of a material's band, forces from the high end of its kc1.1 band. The feed is what the
first pass of a roughing level, a full slot, bears, or what a finishing pass bears on the terraces that roughing leaves;
where the cut turns out easier, planning/feed_schedule.py lets it run faster, and so a level may be deeper than a slot at
full feed would bear.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from newel.core.errors import BadInput
from newel.core.job import FinishAsk, RoughAsk
from newel.core.plan import Decision
from newel.core.units import mm
from newel.mechanics.chip import cutting_speed_m_per_min, engaged_from_to_deg, largest_chip_mm, mean_chip_mm, spindle_speed_rpm
from newel.mechanics.cutter_bending import allowed_force_N, cutter_compliance_mm_per_N
from newel.mechanics.edges import WorkingEdge, working_edge
from newel.mechanics.force import kienzle_mean_torque_Nm, kienzle_peak_force_N
from newel.mechanics.power import power_from_torque_W
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

# Side force beside the tangential one, as a share of it. Published: Chinese J. Mech. Eng. (2021), doi
# 10.1186/s10033-021-00536-9, table 5, K_r h + K_e over K_t h + K_e at h = 0.05 mm: 0.34 (6082) to 0.69 (6061); the high end.
RADIAL_SHARE = 0.7
SPINDLE_SHARE = 0.75  # of rated power and torque that a plan may use: common practice, drives lose 10 to 30 % on the way
ROTARY_SHARE = 0.6  # of the rotary's torque: common practice for stepping drives, which give way without a warning
GRIP_SHARE = 0.5  # of the friction grip. Published: Roehm works standard RN-1391, table 5: safety on grip at least 2.0
BENDING_ROUGH_MM = 0.05  # common practice: well inside a usual allowance of 0.2 to 0.5 mm
BENDING_FINISH_MM = 0.01  # common practice: a fifth of a usual tolerance of 0.05 mm
TERRACE = 3.0  # depth a finishing pass meets on roughing's terraces, over the allowance: common practice on steep flanks
FINISH_DEPTH_MM = 0.3  # the allowance taken where none is told: common practice
SLOT_FEED_SHARE = 0.4  # of the easy feed, the least that the slot of a level may be cut at: common practice, slots are few
DEEPEST_PER_DC = 2.0  # of a level whose engagement is held: common practice, with widths of 0.1 to 0.25 x DC
WIDEST_PER_DC = 0.9  # of a shallow level, when facing: common practice 0.6 to 0.9 x DC (passes overlap)
DEEPER_MM = 0.25
ENGAGED_OVER = 1.2  # what a bounded engagement may come to over the asked one: the least that is promised of clearing
LEAST_AP_PER_DC = 0.1  # shallower roughing wears only the corner: common practice
MOST_THINNING = 3.0  # a feed is raised by no more than this for a thin chip: common practice
CUSP_SHARE = 0.3  # of the tolerance, where no cusp is asked for
ENTRY_SHARE = 0.5  # of the feed while going in: common practice


class Purpose(StrEnum):
    """What a cut is for."""

    ROUGH = "rough"
    FINISH = "finish"


@dataclass(frozen=True)
class CuttingData:
    """The figures of one cutter in one material, what they load the machine with, and why they are what they are.

    `force_N`: largest sideways force (tangential and radial together); `rotary_torque_Nm`: that force at the bar's
    radius; `limited_by`: what ruled the feed, in shop words.
    """

    spindle_rpm: float
    feed_mm_per_min: float
    entry_feed_mm_per_min: float
    ramp_deg: float
    ap_mm: float
    ae_mm: float
    vc_m_per_min: float
    fz_mm: float
    hm_mm: float
    force_N: float
    power_W: float
    rotary_torque_Nm: float
    cutter_bending_mm: float
    limited_by: str
    decisions: tuple[Decision, ...]


@dataclass(frozen=True)
class _Duty:
    """One cutter in one material on one machine, for one purpose, at one bar radius."""

    cutter: Cutter
    material: Material
    machine: Machine
    purpose: Purpose
    bar_radius_mm: float


@dataclass(frozen=True)
class _Load:
    """What a feed per tooth of 1 mm would load; every figure grows with fz to the power 1 - mc."""

    force_N: float
    torque_Nm: float
    bending_mm: float
    mc: float

    def at(self, value: float, fz_mm: float) -> float:
        """Return one of the figures at a feed per tooth."""
        return float(value * fz_mm ** (1.0 - self.mc))

    def fz_for(self, value: float, limit: float) -> float:
        """Return the feed per tooth at which one of the figures reaches its limit."""
        return float((limit / value) ** (1.0 / (1.0 - self.mc))) if value > 0 else math.inf


def cutting_data(
    cutter: Cutter,
    material: Material,
    machine: Machine,
    purpose: Purpose,
    *,
    asked: RoughAsk | FinishAsk | None = None,
    bar_radius_mm: float | None = None,
    depth_mm: float | None = None,
) -> CuttingData:
    """Choose speed, feed, depth and width of cut for one cutter, and say what limited them.

    `bar_radius_mm`: the largest radius cut at (default: the largest bar the chuck takes), where the rotary must hold the
    force. `depth_mm`: what finishing finds still standing (default: 0.3 mm). Figures in `asked` are taken as they stand;
    the load they make is reported, not forbidden. Raises BadInput for a drill or for figures that are not positive.
    """
    if cutter.form is Form.DRILL:
        raise BadInput(f"{cutter.name} is a drill: it does not cut sideways", where="cutters")
    radius = bar_radius_mm if bar_radius_mm is not None else 0.5 * machine.chuck.max_bar_diagonal_mm
    duty = _Duty(cutter, material, machine, purpose, radius)
    ap, ae_asked, said = _depth_and_width(duty, asked, depth_mm)
    rpm_asked = _positive(asked.spindle_rpm if asked else None, "spindle_rpm")
    feed_asked = _positive(asked.feed_mm_per_min if asked else None, "feed_mm_per_min")
    ap_free = purpose is Purpose.ROUGH and not (isinstance(asked, RoughAsk) and asked.ap_mm is not None)
    while True:
        edge = working_edge(cutter, ap)
        ae = min(ae_asked or material.ae_per_DC * edge.diameter_mm, edge.diameter_mm)
        rpm, speed_said = _spindle_speed(duty, edge, rpm_asked)
        load = _load(duty, ap, ae)
        fz, limited_by, easy = _feed_per_tooth(duty, edge, ae, rpm, load)
        shallower = _rounded_down(0.85 * ap)
        slow = fz < (1.0 if feed_asked is not None else SLOT_FEED_SHARE) * easy - 1e-12 or limited_by == _RUBBING
        if not (ap_free and slow and shallower >= LEAST_AP_PER_DC * cutter.DC):
            break
        ap = shallower
    if rpm_asked is None and limited_by == _AXIS:
        rpm, fz, speed_said = _slower_for_axis(duty, edge, rpm, fz, speed_said)
    if feed_asked is not None:
        fz, limited_by = feed_asked / (rpm * cutter.ZEFP), "the job file"
    feed = rpm * cutter.ZEFP * fz
    force = load.at(load.force_N, fz)
    hm = float(mean_chip_mm(fz, ae, edge.diameter_mm)) * edge.thinning
    return CuttingData(
        spindle_rpm=rpm,
        feed_mm_per_min=feed,
        entry_feed_mm_per_min=ENTRY_SHARE * feed,
        ramp_deg=_ramp_deg(duty),
        ap_mm=ap,
        ae_mm=ae,
        vc_m_per_min=float(cutting_speed_m_per_min(rpm, edge.diameter_mm)),
        fz_mm=fz,
        hm_mm=hm,
        force_N=force,
        power_W=power_from_torque_W(load.at(load.torque_Nm, fz), rpm),
        rotary_torque_Nm=force * radius / 1000.0,
        cutter_bending_mm=load.at(load.bending_mm, fz),
        limited_by=limited_by,
        decisions=(
            speed_said,
            _feed_said(duty, feed, fz, limited_by, hm),
            *_depth_said(duty, ap, ae, said),
            *_rotary_said(duty, feed, hm),
        ),
    )


def bounded_room_mm(
    cutter: Cutter, material: Material, machine: Machine, data: CuttingData, bar_radius_mm: float
) -> tuple[float, float]:
    """Return how deep and how wide a cut may be that meets no slot, where its area stays at ap times ae.

    Depth grows from ap while the narrower cut still bears the feed by every limit and its chip does not rub. Width grows
    where there is less to take off.
    """
    duty = _Duty(cutter, material, machine, Purpose.ROUGH, bar_radius_mm)
    area = data.ap_mm * data.ae_mm
    widest = max(data.ae_mm, WIDEST_PER_DC * cutter.DC)
    deepest = data.ap_mm
    while (deeper := deepest + DEEPER_MM) <= min(cutter.APMX, DEEPEST_PER_DC * cutter.DC):
        edge, ae = working_edge(cutter, deeper), area / deeper
        fz, _, _ = _feed_per_tooth(duty, edge, ae, data.spindle_rpm, _load(duty, deeper, ae, bounded=True))
        chip = float(mean_chip_mm(data.fz_mm, ae, edge.diameter_mm)) * edge.thinning
        if fz < 0.999 * data.fz_mm or chip < material.hm_min_mm:
            break
        deepest = deeper
    return deepest, widest


_CHART = "the chip load for this material"
_AXIS = "the axes' largest feed"
_POWER = "the spindle's power"
_TORQUE = "the spindle's torque"
_ROTARY = "the rotary axis's torque at the bar's radius"
_GRIP = "the jaws' grip"
_BENDING = "the cutter's bending"
_STRENGTH = "the cutter's strength"
_RUBBING = "the thinnest chip that still cuts"
_ING = {Purpose.ROUGH: "roughing", Purpose.FINISH: "finishing"}


def _positive(value: float | None, name: str) -> float | None:
    if value is not None and not (math.isfinite(value) and value > 0):
        raise BadInput(f"{name} must be greater than 0, not {value:g}", where=name)
    return value


def _rounded_down(ap: float) -> float:
    step = 0.05 if ap > 0.2 else 0.01
    return step * math.floor(ap / step + 1e-9)


def _depth_and_width(
    duty: _Duty, asked: RoughAsk | FinishAsk | None, depth_mm: float | None
) -> tuple[float, float | None, str]:
    """Return ap, ae (None: the material's share of the width) and which of them the job file asks for."""
    cutter, material = duty.cutter, duty.material
    if duty.purpose is Purpose.ROUGH:
        ap_asked = _positive(asked.ap_mm, "ap_mm") if isinstance(asked, RoughAsk) else None
        ae_asked = _positive(asked.ae_mm, "ae_mm") if isinstance(asked, RoughAsk) else None
        ap = min(ap_asked or material.ap_per_DC * cutter.DC, cutter.APMX)
        return ap, ae_asked, " and ".join(name for name, value in (("ap", ap_asked), ("ae", ae_asked)) if value)
    ap = min(_positive(depth_mm, "depth_mm") or FINISH_DEPTH_MM, cutter.APMX)
    cusp = CUSP_SHARE * FinishAsk().tolerance_mm
    if isinstance(asked, FinishAsk):
        cusp = _positive(asked.cusp_mm, "cusp_mm") or CUSP_SHARE * asked.tolerance_mm
    return ap, _step_for_cusp_mm(cutter, cusp), ""


def _step_for_cusp_mm(cutter: Cutter, cusp_mm: float) -> float:
    """Spacing of passes over a flat that leaves a cusp: chord of the tip's circle, or between two V flanks (derived)."""
    if cutter.form is Form.V:
        return cutter.tip_flat_mm + 2.0 * cusp_mm * math.tan(math.radians(0.5 * (cutter.SIG or 0.0)))
    if cutter.form is Form.FLAT:
        return 0.5 * cutter.DC
    radius = cutter.RE or 0.5 * cutter.DC
    chord = 2.0 * math.sqrt(max(2.0 * radius * cusp_mm - cusp_mm**2, 0.0)) if cusp_mm < radius else 2.0 * radius
    return chord + (cutter.DC - 2.0 * radius if cutter.form is Form.BULL_NOSE else 0.0)


def _spindle_speed(duty: _Duty, edge: WorkingEdge, asked: float | None) -> tuple[float, Decision]:
    what = f"spindle speed, {_ING[duty.purpose]} with {duty.cutter.name}"
    if asked is not None:
        return asked, Decision(what, f"{asked:.0f} rpm", "asked for", by="job file")
    low, high = duty.material.vc_m_per_min
    middle = 0.5 * (low + high)
    wanted = float(spindle_speed_rpm(middle, edge.diameter_mm))
    spindle = duty.machine.spindle
    most = min(spindle.max_rpm, duty.cutter.max_rpm or math.inf)
    rpm = min(max(wanted, spindle.min_rpm), most)
    rpm = max(100.0 * math.floor(rpm / 100.0), min(spindle.min_rpm, most))
    because = (
        f"{middle:.0f} m/min, the middle of {low:.0f} to {high:.0f} m/min, where the cutter is {mm(edge.diameter_mm)} wide"
    )
    if wanted > most:
        whose = "the spindle" if spindle.max_rpm <= most else "the cutter"
        because = f"as fast as {whose} may turn; {because} would ask for {wanted:.0f} rpm"
    elif wanted < spindle.min_rpm:
        because = f"as slowly as the spindle turns; {because} would ask for {wanted:.0f} rpm"
    return rpm, Decision(what, f"{rpm:.0f} rpm", because)


def _load(duty: _Duty, ap: float, ae: float, *, bounded: bool = False) -> _Load:
    """The load of the worst the cut meets: a full slot when roughing; in finishing a terrace, tall and not wide.

    `bounded`: the engagement is held, so that no slot is met at this depth.
    """
    cutter, material = duty.cutter, duty.material
    deep = ap if duty.purpose is Purpose.ROUGH else min(TERRACE * ap, cutter.APMX)
    edge = working_edge(cutter, deep)
    wide = edge.diameter_mm if duty.purpose is Purpose.ROUGH else min(ae + ap, edge.diameter_mm)
    wide = ENGAGED_OVER * ae if bounded else wide
    arc = engaged_from_to_deg(wide, edge.diameter_mm, climb=False)
    kc11 = material.kc11_N_per_mm2[1]
    tangential = kienzle_peak_force_N(kc11, material.mc, edge.length_mm, edge.thinning, arc, cutter.ZEFP)
    torque = kienzle_mean_torque_Nm(kc11, material.mc, edge.length_mm, edge.thinning, arc, cutter.ZEFP, edge.diameter_mm)
    force = tangential * math.hypot(1.0, RADIAL_SHARE)
    return _Load(force, torque, force * cutter_compliance_mm_per_N(cutter, _load_height_mm(cutter, deep)), material.mc)


def _load_height_mm(cutter: Cutter, deep: float) -> float:
    """Where the force acts: at the tip of a straight cutter, at mid depth of one that grows from a point."""
    return min(0.5 * deep, 0.5 * cutter.APMX) if cutter.form in (Form.V, Form.TAPERED_BALL) else 0.0


def _feed_per_tooth(duty: _Duty, edge: WorkingEdge, ae: float, rpm: float, load: _Load) -> tuple[float, str, float]:
    """Return fz, what ruled it, and the fz of an easy cut, which a shallower one would let it rise to."""
    cutter, material, machine = duty.cutter, duty.material, duty.machine
    deep = edge.diameter_mm if cutter.form in (Form.V, Form.TAPERED_BALL) else cutter.DC
    chip = 0.5 * sum(material.fz_per_DC) * deep
    thin = float(largest_chip_mm(1.0, ae, edge.diameter_mm)) * edge.thinning
    chart = chip * min(1.0 / thin, MOST_THINNING)
    axes = min(axis.max_feed_mm_per_min for axis in (machine.x, machine.y))
    bending = BENDING_ROUGH_MM if duty.purpose is Purpose.ROUGH else BENDING_FINISH_MM
    height = _load_height_mm(cutter, edge.length_mm * edge.thinning)
    grip = machine.chuck.jaws * machine.chuck.jaw_friction * machine.chuck.grip_force_N
    limits = {
        _CHART: chart,
        _AXIS: axes / (rpm * cutter.ZEFP),
        _POWER: load.fz_for(power_from_torque_W(load.torque_Nm, rpm), SPINDLE_SHARE * machine.spindle.power_W),
        _TORQUE: load.fz_for(load.torque_Nm, SPINDLE_SHARE * machine.spindle.torque_Nm),
        _ROTARY: load.fz_for(load.force_N * duty.bar_radius_mm / 1000.0, ROTARY_SHARE * machine.a.moving_torque_Nm),
        _GRIP: load.fz_for(load.force_N, GRIP_SHARE * grip),
        _BENDING: load.fz_for(load.bending_mm, bending),
        _STRENGTH: load.fz_for(load.force_N, allowed_force_N(cutter, height)),
    }
    ruled = min(limits, key=lambda name: limits[name])
    fz = limits[ruled]
    least = material.hm_min_mm / max(float(mean_chip_mm(1.0, ae, edge.diameter_mm)) * edge.thinning, 1e-9)
    easy = min(limits[_CHART], limits[_AXIS])
    if fz >= least:
        return fz, ruled, easy
    # A chip that rubs is worse than a cutter that bends, and better than a machine that stalls or a cutter that breaks.
    hard = min((_AXIS, _POWER, _TORQUE, _ROTARY, _GRIP, _STRENGTH), key=lambda name: limits[name])
    return (least, _RUBBING, easy) if limits[hard] >= least else (limits[hard], hard, easy)


def _slower_for_axis(duty: _Duty, edge: WorkingEdge, rpm: float, fz: float, said: Decision) -> tuple[float, float, Decision]:
    """Turn the spindle slower where the axes can't feed fast enough for a chip of the band's low end."""
    low = duty.material.fz_per_DC[0] * edge.diameter_mm
    if fz >= low:
        return rpm, fz, said
    feed = rpm * fz
    slowest = max(float(spindle_speed_rpm(duty.material.vc_m_per_min[0], edge.diameter_mm)), duty.machine.spindle.min_rpm)
    slower = min(max(100.0 * math.floor(feed / low / 100.0), slowest), rpm)
    because = f"{said.because}; slower, because the axes feed no faster than a chip of {mm(low, 3)} allows at this speed"
    return slower, feed / slower, Decision(said.what, f"{slower:.0f} rpm", because, (f"{rpm:.0f} rpm",))


def _ramp_deg(duty: _Duty) -> float:
    """Slope of an entry. Common practice: 2 degrees in metal, 5 in softer stuff, 1 where the centre can't cut."""
    if not duty.cutter.centre_cutting:
        return 1.0
    return 2.0 if duty.material.kind == "metal" else 5.0


def _feed_said(duty: _Duty, feed: float, fz: float, limited_by: str, hm: float) -> Decision:
    what = f"feed, {_ING[duty.purpose]} with {duty.cutter.name}"
    chosen = f"{feed:.0f} mm/min ({mm(fz, 4)} a tooth)"
    if limited_by == "the job file":
        return Decision(what, chosen, "asked for", by="job file")
    tail = f"; the mean chip is {mm(hm, 4)}, and under {mm(duty.material.hm_min_mm, 4)} the edge rubs"
    if limited_by == _RUBBING:
        return Decision(
            what, chosen, f"as slow as a chip that still cuts allows, though the cutter bends more than it should{tail}"
        )
    if hm < 0.999 * duty.material.hm_min_mm:
        tail += ": this cut will rub, a stouter cutter would not"
    return Decision(what, chosen, f"held by {limited_by}{tail}")


def _depth_said(duty: _Duty, ap: float, ae: float, said: str) -> tuple[Decision, ...]:
    if duty.purpose is Purpose.FINISH:
        return ()
    what = f"depth and width, {_ING[duty.purpose]} with {duty.cutter.name}"
    chosen = f"ap {mm(ap)}, ae {mm(ae)}"
    full = duty.material.ap_per_DC * duty.cutter.DC
    if said:
        return (Decision(what, chosen, f"{said} asked for", by="job file"),)
    if ap < min(full, duty.cutter.APMX) - 1e-9:
        return (
            Decision(
                what,
                chosen,
                "shallower than usual, so that the full slot of a level's first pass is borne without crawling",
                (f"ap {mm(full)}",),
            ),
        )
    return (Decision(what, chosen, f"usual in {duty.material.name} on a light mill", ()),)


def _rotary_said(duty: _Duty, feed: float, hm: float) -> tuple[Decision, ...]:
    """Say where the rotary's own speed limit will slow the feed of a cut around the bar: v = turn speed * radius."""
    rim = math.radians(duty.machine.a.max_deg_per_min)  # mm/min for each mm of radius
    full = feed / rim
    if full <= 1.0:
        return ()
    rubs = full * min(duty.material.hm_min_mm / hm, 1.0)
    return (
        Decision(
            f"feed near the axis, {_ING[duty.purpose]} with {duty.cutter.name}",
            f"slower within {mm(full, 1)} of the axis",
            f"A turns no faster than {duty.machine.a.max_deg_per_min:.0f} degrees/min; around the bar and within {mm(rubs, 1)} "
            "of the axis the chip gets so thin that the edge rubs",
        ),
    )
