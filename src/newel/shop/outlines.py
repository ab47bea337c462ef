"""The outline that each cutter turns: cutting edge, neck, shank, holder and spindle nose as lines and arcs."""

from __future__ import annotations

import math

from newel.core.profile import CutterShape, Profile, outline
from newel.shop.checks import cone_top_mm, thread_tooth_mm
from newel.shop.cutters import Cutter, Form, Holder

_SAME_MM = 1e-9

Corner = tuple[float, float] | tuple[float, float, float, float]


def cutter_shape(cutter: Cutter, holder: Holder, nose_diameter_mm: float, nose_length_mm: float) -> CutterShape:
    """Return the outline of a cutter in its holder, from the tip (r = 0, h = 0) to the top of the spindle nose.

    The edge ends at APMX; the body begins there, at the neck's radius, and runs over neck (to LU), shank (to LPR), holder
    steps and nose. Where the edge is narrower at APMX than the shank, the shank begins there: it cannot cut.
    """
    edge = _edge(cutter)
    return CutterShape(edge, _body(cutter, holder, (nose_diameter_mm, nose_length_mm), float(edge.r_mm[-1])))


def _edge(cutter: Cutter) -> Profile:
    corners = _EDGES[cutter.form](cutter)
    kept: list[Corner] = []
    for corner in corners:
        if not kept or abs(corner[0] - kept[-1][0]) > _SAME_MM or abs(corner[1] - kept[-1][1]) > _SAME_MM:
            kept.append(corner)
    return outline(*kept)


def _flat(cutter: Cutter) -> list[Corner]:
    radius = cutter.DC / 2.0
    return [(0.0, 0.0), (radius, 0.0), (radius, cutter.APMX)]


def _ball(cutter: Cutter) -> list[Corner]:
    radius = cutter.DC / 2.0
    return [(0.0, 0.0), (radius, radius, 0.0, radius), (radius, cutter.APMX)]


def _bull_nose(cutter: Cutter) -> list[Corner]:
    radius, corner = cutter.DC / 2.0, cutter.RE
    flat = radius - corner
    return [(0.0, 0.0), (flat, 0.0), (radius, corner, flat, corner), (radius, cutter.APMX)]


def _tapered_ball(cutter: Cutter) -> list[Corner]:
    """Ball to the point of tangency (RE cos a, RE (1 - sin a)), cone of half angle a to DC, cylinder to APMX."""
    half = math.radians(cutter.taper_half_angle_deg or 0.0)
    tangent = (cutter.RE * math.cos(half), cutter.RE * (1.0 - math.sin(half)), 0.0, cutter.RE)
    return [(0.0, 0.0), tangent, *_cone(cutter, tangent[0], tangent[1], half)]


def _pointed(cutter: Cutter) -> list[Corner]:
    """Tip flat, cone of half the point angle to DC, cylinder to APMX."""
    half = math.radians((cutter.SIG or 0.0) / 2.0)
    flat = cutter.tip_flat_mm / 2.0
    return [(0.0, 0.0), (flat, 0.0), *_cone(cutter, flat, 0.0, half)]


def _cone(cutter: Cutter, from_r: float, from_h: float, half_rad: float) -> list[Corner]:
    top = cone_top_mm(cutter)
    if top >= cutter.APMX:
        return [(from_r + (cutter.APMX - from_h) * math.tan(half_rad), cutter.APMX)]
    return [(cutter.DC / 2.0, top), (cutter.DC / 2.0, cutter.APMX)]


def _thread_mill(cutter: Cutter) -> list[Corner]:
    """The neck's end, a tooth of 60 degrees whole angle (ISO 68-1) out to DC and back to the neck."""
    neck, top = (cutter.DN or cutter.DC) / 2.0, thread_tooth_mm(cutter)
    low = (top - cutter.tip_flat_mm) / 2.0
    return [(0.0, 0.0), (neck, 0.0), (cutter.DC / 2.0, low), (cutter.DC / 2.0, low + cutter.tip_flat_mm), (neck, cutter.APMX)]


_EDGES = {
    Form.FLAT: _flat,
    Form.BALL: _ball,
    Form.BULL_NOSE: _bull_nose,
    Form.TAPERED_BALL: _tapered_ball,
    Form.V: _pointed,
    Form.DRILL: _pointed,
    Form.THREAD_MILL: _thread_mill,
}


def _body(cutter: Cutter, holder: Holder, nose_mm: tuple[float, float], edge_r_mm: float) -> Profile:
    """Cylinders from APMX upwards; the outline steps at one height wherever the diameter changes.

    A body wider than the edge begins at the edge's own radius: the ring between the two faces down and can strike.
    """
    neck = cutter.DN if cutter.DN is not None else min(cutter.DC, cutter.DCONMS)
    steps = [
        (neck, cutter.LU - cutter.APMX),
        (cutter.DCONMS, cutter.LPR - max(cutter.LU, cutter.APMX)),
        *holder.steps_mm,
        nose_mm,
    ]
    height = cutter.APMX
    corners: list[tuple[float, float]] = []
    for diameter, length in steps:
        if length <= _SAME_MM:
            continue
        radius = diameter / 2.0
        if not corners and radius > edge_r_mm + _SAME_MM:
            corners.append((edge_r_mm, height))
        if corners and abs(corners[-1][0] - radius) <= _SAME_MM and len(corners) > 1:
            corners.pop()
        else:
            corners.append((radius, height))
        height += length
        corners.append((radius, height))
    return outline(*corners)
