"""How much of a cutter's edge works at a depth, how wide it is there, and how that thins the chip."""

from __future__ import annotations

import math
from dataclasses import dataclass

from newel.core.errors import BadInput
from newel.shop.cutters import Cutter, Form


@dataclass(frozen=True)
class WorkingEdge:
    """The part of the edge below a depth of cut.

    `diameter_mm` at which it cuts at that depth; `length_mm` of edge along the outline (the chip's width b);
    `thinning` ap / b: the chip is thinner than fz sin(angle) by this mean factor where the edge leans (sin of the
    cutting edge angle KAPR, averaged along the outline).
    """

    diameter_mm: float
    length_mm: float
    thinning: float


def working_edge(cutter: Cutter, ap_mm: float) -> WorkingEdge:
    """Find the working edge of a cutter at depth ap (> 0): exact lines and arcs of its outline. Derived.

    The level part of the outline (the floor under a flat end) is left out: in side cutting it only scrapes.
    """
    if not ap_mm > 0:
        raise BadInput(f"a depth of cut must be greater than 0, not {ap_mm:g} mm")
    ap = min(ap_mm, cutter.APMX)
    if cutter.form in (Form.FLAT, Form.THREAD_MILL):  # the flanks of a thread tooth are short: taken as an upright edge
        return WorkingEdge(cutter.DC, ap, 1.0)
    if cutter.form is Form.BALL:
        return _round_then_straight(0.0, cutter.RE or 0.5 * cutter.DC, 0.0, ap, cutter.DC)
    if cutter.form is Form.BULL_NOSE:
        return _round_then_straight(0.5 * cutter.DC - cutter.RE, cutter.RE, 0.0, ap, cutter.DC)
    if cutter.form is Form.TAPERED_BALL:
        lean = math.radians(cutter.taper_half_angle_deg or 0.0)
        return _round_then_straight(0.0, cutter.RE or 0.5 * cutter.DC, lean, ap, math.inf)
    lean = math.radians(0.5 * (cutter.SIG or 118.0))
    width = cutter.tip_flat_mm + 2.0 * ap * math.tan(lean)
    if width <= cutter.DC:
        return WorkingEdge(width, ap / math.cos(lean), math.cos(lean))
    cone = 0.5 * (cutter.DC - cutter.tip_flat_mm) / math.tan(lean)
    length = cone / math.cos(lean) + (ap - cone)
    return WorkingEdge(cutter.DC, length, ap / length)


def diameter_at_mm(cutter: Cutter, height_mm: float) -> float:
    """Cutting diameter at a height above the tip; above the flutes that of the outline's last point."""
    return working_edge(cutter, max(height_mm, 1e-6)).diameter_mm


def _round_then_straight(centre_r: float, radius: float, lean: float, ap: float, widest: float) -> WorkingEdge:
    """An arc from the bottom, then a flank that leans outward by `lean` (rad) from the axis: ball, bull nose, tapered ball."""
    joint = radius * (1.0 - math.sin(lean))
    if ap <= joint:
        angle = math.acos(1.0 - ap / radius)
        return WorkingEdge(2.0 * (centre_r + radius * math.sin(angle)), radius * angle, ap / (radius * angle))
    rise = ap - joint
    length = radius * (0.5 * math.pi - lean) + rise / math.cos(lean)
    diameter = 2.0 * (centre_r + radius * math.cos(lean) + rise * math.tan(lean))
    return WorkingEdge(min(diameter, widest), length, ap / length)
