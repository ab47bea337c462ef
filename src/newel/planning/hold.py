"""How the bar is held and how long it is sawn: jaws, full bar, stub, part, stub, full bar, centre."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.job import BarAsk, HoldAsk, Section, Tailstock
from newel.core.plan import Bar, Decision, Holding, Placement, Stub
from newel.core.profile import CutterShape, Profile
from newel.core.units import mm
from newel.planning.place import corner_radius_mm
from newel.shop.machines import Machine

Floats = NDArray[np.float64]

# All common practice, from memory, unless said otherwise.
CLEARANCE_MM = 2.0  # between anything that moves and anything that is held
JAW_GAP_MM = 3.0  # full bar left before the jaw face, so that no edge works right at the jaws
CENTRE_LAND_MM = 8.0  # full bar left at the far end to carry the centre hole
RUN_OUT_MM = 1.0  # bar beyond a free end, so that the part's end is cut and not the saw's
SLENDER = 3.0  # overhang over diameter from which a bar wants a centre
GRIP_OVER_SIZE = 0.8
LEAST_GRIP_MM = 12.0
LEAST_STUB_RADIUS_MM = 3.0
LAST_STUB_MM = 3.0  # diameter of what parting off leaves at least: a knife cuts it in wood and plastics
STUB_OVER_END = 0.6  # stub radius as a share of the part's radius at that end
STUB_OVER_BAR = 0.16  # and at least this share of the bar's size: the weakest place must still carry the cut


@dataclass(frozen=True)
class Room:
    """How far the tip must stay from a shoulder (full bar) and from the jaw face so that no body touches, in mm."""

    from_shoulder_mm: float
    from_jaws_mm: float
    edge_radius_mm: float


def hold(
    placed: Placement, part_points: Floats, bar: BarAsk, asked: HoldAsk, machine: Machine, shapes: Sequence[CutterShape]
) -> tuple[Placement, Bar, Holding, tuple[Decision, ...]]:
    """Choose grip, stubs, tailstock and sawn length, and move the part to its place along X.

    `part_points` (n, 3): the part's points as placed (part begins at X = 0). `shapes`: the cutters that will work near the
    ends. Raises Infeasible where the bar is too short, too long for the machine or too large for the jaws.
    """
    _check_bar_fits(bar, machine)
    grip, grip_said = _grip(bar, asked, machine)
    corner = corner_radius_mm(bar.section, bar.size_mm)
    length = placed.part_to_x_mm - placed.part_from_x_mm
    tailstock, tail_said = _tailstock(length, bar, asked, machine)
    chuck_radius = _stub_radius(part_points, 0.0, bar, asked.chuck_stub_diameter_mm)
    jaws = machine.chuck.jaw_swing_diameter_mm / 2.0
    rooms = [_room(shape, _deepest(chuck_radius, asked), corner, jaws) for shape in shapes]
    # The tip must come down beside the part's end face, one edge radius off it, on the whole width of the groove.
    part_from = max(max(JAW_GAP_MM + room.from_shoulder_mm, room.from_jaws_mm) + room.edge_radius_mm for room in rooms)
    part_from = float(np.ceil(part_from * 2.0) / 2.0)
    part_to = part_from + length
    chuck_stub = Stub(JAW_GAP_MM, part_from, chuck_radius)
    if tailstock is Tailstock.LIVE_CENTRE:
        tail_radius = _stub_radius(part_points, length, bar, asked.tail_stub_diameter_mm)
        tail_rooms = [_room(shape, _deepest(tail_radius, asked), corner, corner) for shape in shapes]
        land_from = part_to + max(room.from_shoulder_mm + room.edge_radius_mm for room in tail_rooms)
        land_from = float(np.ceil(land_from * 2.0) / 2.0)
        tail_stub: Stub | None = Stub(part_to, land_from, tail_radius)
        bar_to, land = land_from + CENTRE_LAND_MM, land_from
    else:
        tail_stub, bar_to, land = None, part_to + RUN_OUT_MM, None
    if bar.length_mm is not None:
        bar_to = _asked_length(bar.length_mm, grip, bar_to)
        if tail_stub is not None:
            land = bar_to - CENTRE_LAND_MM
            tail_stub = replace(tail_stub, to_x_mm=land)
    _check_span(bar_to, tailstock, machine)
    matrix = placed.bar_from_model.copy()
    matrix[0, 3] += part_from
    moved = Placement(matrix, part_from, part_to, placed.part_radius_mm)
    sawn = Bar(bar.section, bar.size_mm, -grip, bar_to, _turned(bar, asked), bar.material)
    holding = Holding(grip, tailstock, JAW_GAP_MM, chuck_stub, tail_stub, land)
    said = (
        grip_said,
        tail_said,
        Decision(
            "where to saw the bar",
            f"{mm(grip + bar_to, 1)} long",
            f"{mm(grip, 1)} in the jaws, {mm(part_from, 1)} of room for cutter and holder before the part, "
            f"{mm(length, 1)} of part, {mm(bar_to - part_to, 1)} behind it",
            by="Newel" if bar.length_mm is None else "job file",
        ),
        _stub_said(chuck_stub, tail_stub, asked),
        _zero_said(bar, asked, machine),
    )
    return moved, sawn, holding, said


def _deepest(stub_radius_mm: float, asked: HoldAsk) -> float:
    """Return how near the axis a tip comes beside the part: to the stub, or to what parting off leaves of it."""
    if not asked.part_off:
        return stub_radius_mm
    return min(stub_radius_mm, 0.5 * (asked.part_off_stub_diameter_mm or LAST_STUB_MM))


def _room(shape: CutterShape, stub_radius: float, shoulder_radius: float, jaw_radius: float) -> Room:
    edge = shape.edge.radius_mm
    beside_shoulder = max(edge, _body_radius_below(shape.body, shoulder_radius + CLEARANCE_MM - stub_radius))
    beside_jaws = max(edge, _body_radius_below(shape.body, jaw_radius + CLEARANCE_MM - stub_radius))
    return Room(beside_shoulder + CLEARANCE_MM / 2.0, beside_jaws + CLEARANCE_MM, edge)


def _body_radius_below(body: Profile, height_mm: float) -> float:
    """Return the largest radius that the body has below a height over the tip (0 where it begins higher)."""
    below = body.h_mm <= height_mm
    # a corner on the far side of the height still counts where its line begins below it: conservative
    below[1:] |= below[:-1]
    return float(body.r_mm[below].max()) if below.any() else 0.0


def _stub_radius(points: Floats, end_x: float, bar: BarAsk, asked_diameter: float | None) -> float:
    return asked_diameter / 2.0 if asked_diameter is not None else stub_radius(points, end_x, bar.size_mm)


def stub_radius(points: Floats, end_x: float, size_mm: tuple[float, ...]) -> float:
    """Return how stout a stub should be that holds a part at one end: a share of the end's radius and of the bar's size."""
    near = np.abs(points[:, 0] - end_x) <= 1.0
    end_radius = float(np.hypot(points[near, 1], points[near, 2]).max()) if near.any() else 0.0
    least = max(LEAST_STUB_RADIUS_MM, STUB_OVER_BAR * min(size_mm))
    return round(max(least, STUB_OVER_END * end_radius) * 2.0) / 2.0 if end_radius > least else least


def _grip(bar: BarAsk, asked: HoldAsk, machine: Machine) -> tuple[float, Decision]:
    most = machine.chuck.max_grip_mm
    if asked.grip_mm is not None:
        if asked.grip_mm > most:
            raise Infeasible(
                f"a grip of {mm(asked.grip_mm)} is longer than the jaws",
                measured=asked.grip_mm,
                limit=most,
                unit="mm",
                where="[hold] grip",
            )
        return asked.grip_mm, Decision("grip", mm(asked.grip_mm), "asked for", by="job file")
    grip = float(min(most, max(LEAST_GRIP_MM, np.ceil(GRIP_OVER_SIZE * min(bar.size_mm)))))
    return grip, Decision(
        "grip", f"{mm(grip, 1)} in the jaws", f"{GRIP_OVER_SIZE:g} of the bar's size, and the jaws take {mm(most, 1)}"
    )


def _tailstock(length: float, bar: BarAsk, asked: HoldAsk, machine: Machine) -> tuple[Tailstock, Decision]:
    ratio = length / min(bar.size_mm)
    if asked.tailstock is not None:
        if asked.tailstock is Tailstock.LIVE_CENTRE and machine.tailstock is None:
            raise BadInput("the machine has no tailstock", where="[hold] tailstock", remedy="write tailstock = 'none'")
        return asked.tailstock, Decision("tailstock", asked.tailstock.value, "asked for", by="job file")
    if machine.tailstock is None:
        return Tailstock.NONE, Decision("tailstock", "none", "the machine has none")
    if ratio > 1.0:
        return Tailstock.LIVE_CENTRE, Decision(
            "tailstock",
            "live centre",
            f"the part alone is {ratio:.1f} times as long as the bar is thick and gets thinner still; a free end "
            "bends about 36 times as much as the middle of a bar held at both ends (beam formulas)",
            ("no tailstock",),
        )
    return Tailstock.NONE, Decision(
        "tailstock", "none", f"the part is only {ratio:.1f} times as long as the bar is thick", ("live centre",)
    )


def _check_bar_fits(bar: BarAsk, machine: Machine) -> None:
    diagonal = 2.0 * corner_radius_mm(bar.section, bar.size_mm)
    if diagonal > machine.chuck.max_bar_diagonal_mm:
        raise Infeasible(
            f"the bar measures {mm(diagonal)} over its corners: more than the jaws open",
            measured=diagonal,
            limit=machine.chuck.max_bar_diagonal_mm,
            unit="mm",
            where="[bar] size",
            remedy="take a smaller or flatter bar, if need be with a smaller scale, or a machine with a larger chuck",
        )
    if min(bar.size_mm) < machine.chuck.min_bar_mm:
        raise Infeasible(
            f"a bar of {mm(min(bar.size_mm))} is too thin for the jaws",
            measured=min(bar.size_mm),
            limit=machine.chuck.min_bar_mm,
            unit="mm",
            where="[bar] size",
            remedy="take a thicker bar",
        )
    if diagonal / 2.0 > machine.table_below_axis_mm:
        raise Infeasible(
            "the turning bar would strike the table",
            measured=diagonal / 2.0,
            limit=machine.table_below_axis_mm,
            unit="mm",
            where="[bar] size",
            remedy="take a smaller bar, or raise the rotary axis",
        )


def _asked_length(asked_mm: float, grip: float, needed_to: float) -> float:
    if asked_mm < grip + needed_to:
        raise Infeasible(
            f"the bar is too short: {mm(asked_mm, 1)} is there, {mm(grip + needed_to, 1)} is needed",
            measured=asked_mm,
            limit=grip + needed_to,
            unit="mm",
            where="[bar] length",
            remedy="saw a longer bar, scale the model down, or shorten the grip",
        )
    return asked_mm - grip


def _check_span(bar_to: float, tailstock: Tailstock, machine: Machine) -> None:
    if tailstock is Tailstock.LIVE_CENTRE and machine.tailstock is not None and bar_to > machine.tailstock.max_between_mm:
        raise Infeasible(
            f"{mm(bar_to, 1)} of bar stands out of the jaws: more than fits before the centre",
            measured=bar_to,
            limit=machine.tailstock.max_between_mm,
            unit="mm",
            where="the part's length",
            remedy="scale the model down, or make it in two pieces",
        )
    travel = machine.x.to_mm - machine.x.from_mm
    if bar_to > travel:
        raise Infeasible(
            f"{mm(bar_to, 1)} of bar is more than X travels",
            measured=bar_to,
            limit=travel,
            unit="mm",
            where="the part's length",
            remedy="scale the model down, or make it in two pieces",
        )


def _turned(bar: BarAsk, asked: HoldAsk) -> float:
    if asked.a_zero not in (None, "flat", "corner"):
        raise BadInput(f"{asked.a_zero!r} cannot face the spindle", where="[hold] a_zero", remedy="write 'flat' or 'corner'")
    if asked.a_zero != "corner":
        return 0.0
    return {Section.ROUND: 0.0, Section.SQUARE: 45.0, Section.RECTANGLE: 45.0, Section.HEXAGON: 30.0}[bar.section]


def _stub_said(chuck: Stub, tail: Stub | None, asked: HoldAsk) -> Decision:
    tail_text = f", {mm(2 * tail.radius_mm, 1)} at the centre's" if tail else ""
    return Decision(
        "what stays standing",
        f"a stub of {mm(2 * chuck.radius_mm, 1)} at the chuck's end{tail_text}",
        "the part must be held to the last cut; part it off by hand with a fine saw or a knife once the machine stands",
        by="Newel" if asked.chuck_stub_diameter_mm is None and asked.tail_stub_diameter_mm is None else "job file",
    )


def _zero_said(bar: BarAsk, asked: HoldAsk, machine: Machine) -> Decision:
    by = "Newel" if asked.a_zero is None else "job file"
    if bar.section is Section.ROUND:
        return Decision("A zero", "anywhere: mark the bar's top", "a round bar looks the same from every side", by=by)
    facing = "a flat" if asked.a_zero != "corner" else "a corner"
    home = machine.chuck.home_turn_deg
    aside = f"; gripped at the chuck's home the bar stands {home:g}° off (common practice)" if home else ""
    return Decision(
        "A zero", f"{facing} faces the spindle, levelled", f"a flat can be levelled with a gauge along Y{aside}", by=by
    )
