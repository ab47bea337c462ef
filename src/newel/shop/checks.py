"""Checks that a row of the shop is a thing that can exist: lengths that fit each other, a machine that can move."""

from __future__ import annotations

import math
from dataclasses import fields

from newel.core.dialect import ReadTraits
from newel.core.errors import BadInput
from newel.core.job import Section
from newel.core.sources import source_of
from newel.shop.bars import StockBar
from newel.shop.cutters import Cutter, Form, Holder
from newel.shop.machines import LinearAxis, Machine
from newel.shop.materials import Material

_LANGUAGE_M = frozenset({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60, 98, 99})
_SUM_SLACK_MM = 1e-6
_CONE_SLACK_MM = 0.1  # how far the printed taper, DC and APMX of a tapered cutter may disagree on the radius
_DIAMETERS = {Section.ROUND: 1, Section.SQUARE: 1, Section.HEXAGON: 1, Section.RECTANGLE: 2}


def _refuse(wrong: bool, what: str, where: str, field: str, remedy: str = "") -> None:
    if wrong:
        raise BadInput(what, where=f"{where}, field {field}", remedy=remedy)


def _sourced(text: str, where: str, field: str) -> None:
    found = source_of(text, where=f"{where}, field {field}")
    _refuse(not found.place, f"the source says {found.standing.value!r} but not what or where", where, field)


def check_holder(holder: Holder, where: str) -> None:
    """Refuse a holder without sizes or source."""
    _sourced(holder.source, where, "source")
    _refuse(not holder.steps_mm, "a holder needs at least one (diameter, length)", where, "steps_mm")
    _refuse(min(min(step) for step in holder.steps_mm) <= 0, "diameters and lengths must be above 0", where, "steps_mm")


def check_cutter(cutter: Cutter, where: str) -> None:
    """Refuse a cutter whose lengths, diameters or form contradict each other."""
    _sourced(cutter.source, where, "source")
    for field in ("DC", "APMX", "LU", "LPR", "DCONMS"):
        _refuse(getattr(cutter, field) <= 0, f"{field} must be above 0 mm", where, field)
    _refuse(cutter.ZEFP < 1, "a cutter has at least one tooth", where, "ZEFP")
    _refuse(
        cutter.APMX > cutter.LU + _SUM_SLACK_MM, f"APMX {cutter.APMX:g} mm is longer than LU {cutter.LU:g} mm", where, "APMX"
    )
    _refuse(cutter.LU > cutter.LPR + _SUM_SLACK_MM, f"LU {cutter.LU:g} mm is longer than LPR {cutter.LPR:g} mm", where, "LU")
    neck = cutter.DN
    _refuse(
        neck is not None and not 0 < neck <= cutter.DC + _SUM_SLACK_MM,
        "the neck DN must be above 0 and no wider than DC",
        where,
        "DN",
    )
    _refuse(cutter.max_rpm is not None and cutter.max_rpm <= 0, "max_rpm must be above 0", where, "max_rpm")
    _refuse(cutter.tip_flat_mm < 0 or cutter.RE < 0, "RE and tip_flat_mm may not be below 0", where, "RE")
    _CHECK_FORM[cutter.form](cutter, where)


def cone_top_mm(cutter: Cutter) -> float:
    """Return the height above the tip where a V, a drill or a tapered ball has widened to DC."""
    if cutter.form is Form.TAPERED_BALL:
        half = math.radians(cutter.taper_half_angle_deg or 0.0)
        return cutter.RE * (1.0 - math.sin(half)) + (cutter.DC / 2.0 - cutter.RE * math.cos(half)) / math.tan(half)
    half = math.radians((cutter.SIG or 0.0) / 2.0)
    return (cutter.DC - cutter.tip_flat_mm) / 2.0 / math.tan(half)


def _check_flat(cutter: Cutter, where: str) -> None:
    _refuse(cutter.RE != 0, "a flat cutter has no RE", where, "RE", "leave RE out, or write form = 'bull nose'")


def _check_ball(cutter: Cutter, where: str) -> None:
    _refuse(
        abs(cutter.RE - cutter.DC / 2.0) > _SUM_SLACK_MM,
        "RE of a ball must be half of DC",
        where,
        "RE",
        f"RE = {cutter.DC / 2:g}",
    )
    _refuse(cutter.APMX < cutter.RE, "APMX must reach at least to the top of the ball", where, "APMX")


def _check_bull_nose(cutter: Cutter, where: str) -> None:
    _refuse(not 0 < cutter.RE < cutter.DC / 2.0, "RE of a bull nose lies between 0 and DC/2", where, "RE")
    _refuse(cutter.APMX < cutter.RE, "APMX must reach at least to the top of the corner", where, "APMX")


def _check_tapered_ball(cutter: Cutter, where: str) -> None:
    half = cutter.taper_half_angle_deg
    _refuse(half is None or not 0 < half < 60, "needs a half angle between 0 and 60°", where, "taper_half_angle_deg")
    _refuse(not 0 < cutter.RE < cutter.DC / 2.0, "RE of the tip lies between 0 and DC/2 (DC: where the cone ends)", where, "RE")
    _cone_fits(cutter, where)


def _check_pointed(cutter: Cutter, where: str) -> None:
    _refuse(cutter.SIG is None or not 0 < cutter.SIG < 180, "needs a point angle SIG between 0 and 180°", where, "SIG")
    _refuse(cutter.tip_flat_mm >= cutter.DC, "the tip flat is as wide as the cutter", where, "tip_flat_mm")
    _cone_fits(cutter, where)


def _cone_fits(cutter: Cutter, where: str) -> None:
    """The cone must reach DC within APMX, but for the rounding of printed sizes."""
    half = cutter.taper_half_angle_deg if cutter.form is Form.TAPERED_BALL else (cutter.SIG or 0.0) / 2.0
    short_by = (cone_top_mm(cutter) - cutter.APMX) * math.tan(math.radians(half or 0.0))
    remedy = f"the cone reaches DC at {cone_top_mm(cutter):.2f} mm: give a longer APMX or a smaller DC"
    _refuse(short_by > _CONE_SLACK_MM, f"the cone does not reach DC within APMX {cutter.APMX:g} mm", where, "APMX", remedy)


def _check_thread_mill(cutter: Cutter, where: str) -> None:
    """One row of teeth of the 60 degree profile of ISO 68-1 stands out of the neck, deep enough for its pitch."""
    pitch, neck = cutter.TP, cutter.DN
    _refuse(pitch is None or pitch <= 0, "a thread mill needs its largest thread pitch TP", where, "TP")
    _refuse(neck is None or neck >= cutter.DC, "a thread mill needs a neck DN thinner than DC", where, "DN")
    _refuse(cutter.tip_flat_mm <= 0, "the tooth needs a flat at its tip (at most an eighth of the pitch)", where, "tip_flat_mm")
    tooth = (cutter.DC - (neck or 0.0)) / 2.0
    deep = 0.625 * math.sqrt(0.75) * (pitch or 0.0)  # ISO 68-1: 5/8 H, H = P sqrt(3)/2
    _refuse(tooth < deep, f"the tooth stands out {tooth:.3g} mm; pitch {pitch:g} needs {deep:.3g} mm", where, "TP")
    high = thread_tooth_mm(cutter)
    _refuse(abs(cutter.APMX - high) > _CONE_SLACK_MM, f"APMX of this tooth is {high:.3g} mm", where, "APMX")


def thread_tooth_mm(cutter: Cutter) -> float:
    """Return the height of a thread mill's tooth where it leaves the neck: its flat and two flanks of 30 degrees."""
    return cutter.tip_flat_mm + (cutter.DC - (cutter.DN or cutter.DC)) * math.tan(math.radians(30.0))


_CHECK_FORM = {
    Form.FLAT: _check_flat,
    Form.BALL: _check_ball,
    Form.BULL_NOSE: _check_bull_nose,
    Form.TAPERED_BALL: _check_tapered_ball,
    Form.V: _check_pointed,
    Form.DRILL: _check_pointed,
    Form.THREAD_MILL: _check_thread_mill,
}


def check_material(material: Material, where: str) -> None:
    """Refuse a material with a figure that has no source, or a range that runs backward."""
    sources = dict(material.sources)
    for field in fields(Material):
        value = getattr(material, field.name)
        if field.name in ("name", "kind", "cautions", "sources") or value is None:
            continue
        _refuse(
            field.name not in sources, f"{field.name} has no source", where, f"sources.{field.name}", "say where it is from"
        )
        _sourced(sources[field.name], where, f"sources.{field.name}")
        low, high = value if isinstance(value, tuple) else (value, value)
        _refuse(not 0 < low <= high, f"{value!r} should be above 0, the lower value first", where, field.name)
    _refuse(not material.kind, "a material needs a kind", where, "kind")
    _refuse(not material.cautions, "a material needs at least one caution", where, "cautions")
    _refuse(material.mc >= 1, "mc lies between 0 and 1", where, "mc")


def _check_axis(axis: LinearAxis, where: str, name: str) -> None:
    _refuse(axis.from_mm >= axis.to_mm, "the travel runs backward or nowhere", where, f"{name}.to_mm")
    for field in ("rapid_mm_per_min", "max_feed_mm_per_min", "acceleration_mm_per_s2"):
        _refuse(getattr(axis, field) <= 0, f"{field} must be above 0", where, f"{name}.{field}")


def _check_clamp(reads: ReadTraits, where: str) -> None:
    """The clamp's two M numbers come together, differ, and are none of the language's own (NISTIR 6556, table 7; M98, M99)."""
    pair = (reads.clamp_m, reads.unclamp_m)
    field = "dialect.reads.clamp_m"
    _refuse(any(pair) and not all(pair), "clamp_m and unclamp_m come together", where, field)
    _refuse(all(pair) and pair[0] == pair[1], "clamp_m and unclamp_m must differ", where, field)
    for number in pair:
        taken = number in _LANGUAGE_M or not 0 <= number <= 999
        _refuse(taken and number != 0, f"M{number} can't be told apart from the language's own M numbers", where, field)


def check_machine(machine: Machine, where: str) -> None:
    """Refuse a machine that cannot stand or move as described."""
    _sourced(machine.source, where, "source")
    axes = {"x": machine.x, "y": machine.y, "z": machine.z}
    for (name, axis), at in zip(axes.items(), machine.jaw_face_on_axis_mm):
        _check_axis(axis, where, name)
        _refuse(
            not axis.from_mm <= at <= axis.to_mm,
            f"the jaw face lies outside the travel of {name.upper()}",
            where,
            "jaw_face_on_axis_mm",
        )
    _check_clamp(machine.dialect.reads, where)
    remedy = "+1: +A turns the bar from +Y to +Z, seen in the table frame; -1: the other way (ISO 841 for a turning table)"
    _refuse(machine.a.sense not in (1, -1), "the sense of A must be 1 or -1", where, "a.sense", remedy)
    _refuse(machine.chuck_end not in ("left", "right"), "chuck_end is 'left' or 'right'", where, "chuck_end")
    for part, names in _ABOVE_ZERO.items():
        for name in names:
            row = machine if part == "" else getattr(machine, part)
            field = f"{part}.{name}" if part else name
            _refuse(row is not None and getattr(row, name) <= 0, f"{field} must be above 0", where, field)
    _refuse(machine.spindle.min_rpm > machine.spindle.max_rpm, "min_rpm is above max_rpm", where, "spindle.min_rpm")
    _refuse(machine.a.backlash_deg < 0, "backlash may not be below 0", where, "a.backlash_deg")
    swing = max(machine.chuck.jaw_swing_diameter_mm, machine.chuck.body_diameter_mm) / 2.0
    _refuse(
        swing >= machine.table_below_axis_mm,
        f"the chuck sweeps {swing:g} mm and would strike the table",
        where,
        "table_below_axis_mm",
    )
    _refuse(machine.chuck.min_bar_mm >= machine.chuck.max_bar_diagonal_mm, "takes no bar at all", where, "chuck.min_bar_mm")


_ABOVE_ZERO = {
    "": ("table_below_axis_mm", "corner_deviation_mm", "block_rate_per_s"),
    "a": ("max_deg_per_min", "acceleration_deg_per_s2", "holding_torque_Nm", "moving_torque_Nm"),
    "spindle": ("max_rpm", "power_W", "torque_Nm", "nose_diameter_mm", "nose_length_mm"),
    "chuck": (
        "body_diameter_mm", "body_length_mm", "jaw_swing_diameter_mm", "jaw_length_mm", "max_grip_mm",
        "max_bar_diagonal_mm", "jaws", "grip_force_N", "jaw_friction",
    ),
    "housing": ("radius_mm", "length_mm"),
    "tailstock": (
        "centre_angle_deg", "centre_diameter_mm", "centre_length_mm", "body_radius_mm", "body_length_mm", "max_between_mm",
    ),
}  # fmt: skip


def check_bar(bar: StockBar, where: str) -> None:
    """Refuse a bar size that is none."""
    _sourced(bar.source, where, "source")
    want = _DIAMETERS[bar.section]
    _refuse(len(bar.size_mm) != want, f"a {bar.section.value} bar has {want} size(s)", where, "size_mm")
    _refuse(min(bar.size_mm) <= 0, "sizes must be above 0", where, "size_mm")
