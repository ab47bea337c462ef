"""Probing routines: which places to touch, at which A and from which side, so that the readings tell what is asked.

Touches stand where a flat ball-and-plane or ball-and-cylinder contact is sure even on a bar that is a few millimetres
off: tops near the middle of a flat or well inside its edges, sides near the height of the axis. Distances `d` are from
the jaw face along the bar, whichever end the chuck stands at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.core.setup import SetUp, SetUpCutter
from newel.core.units import fixed, mm
from newel.probing.measured import MeasuredMachine, a_of_turn
from newel.probing.touches import Feature, Touch, bar_as_planned, contact_mm, flat_normal_deg, flats_of

CLEAR_MM = 4.0  # from where a touching move begins to where contact is expected (common practice)
BEYOND_MM = 3.0  # how far it goes on where nothing is met before it gives up (common practice)
SAFE_OVER_MM = 5.0  # of the ball over everything that turns
EDGE_MM = 4.0  # a touch keeps this far from the edges of a flat
ROOM_DEG = 100.0  # beyond full turns: a flat's own place, and coming from its side
FAR_ENOUGH_MM = 20.0  # sections nearer together tell no tilt worth the name


class Kind(StrEnum):
    """The routines."""

    AXIS = "axis-height-and-centre"
    TILT = "axis-tilt"
    LEVEL = "level-flat"
    BAR = "bar-centre"
    JAW = "jaw-face"
    STEPS = "rotary-steps"
    LENGTH = "length-check"
    EVERYTHING = "everything"


SAYS = {
    Kind.AXIS: "where the rotary axis lies: its height and its Y",
    Kind.TILT: "how the rotary axis runs out of true along X, in Y and in Z",
    Kind.LEVEL: "how far flat 1 is from level: the zero of A",
    Kind.BAR: "how far the bar runs out at two sections",
    Kind.JAW: "where the jaw face stands along X",
    Kind.STEPS: "what A turns for a full turn asked, and how much it loses when it reverses",
    Kind.LENGTH: "whether the length kept for the probe is right",
    Kind.EVERYTHING: "the axis, its tilt, the zero, scale and backlash of A, and the bar's run-out, all in one",
}
_LETTER = {
    Kind.AXIS: "H",
    Kind.TILT: "T",
    Kind.LEVEL: "L",
    Kind.BAR: "B",
    Kind.JAW: "J",
    Kind.STEPS: "R",
    Kind.LENGTH: "G",
    Kind.EVERYTHING: "E",
}
FIRST_PARAMETER = 1001  # clear of everything that the standard keeps for itself (5161 and up) and of calls (1 to 30)


@dataclass(frozen=True)
class Probe:
    """A touch probe in the spindle, or a ball-nosed cutter standing still: its number and sizes in mm.

    `stem_length_mm`: from the ball's lowest point up to the body. `gauge_length_mm`: from there up to the spindle's face.
    """

    number: int = 99
    ball_diameter_mm: float = 3.0
    stem_diameter_mm: float = 2.0
    stem_length_mm: float = 40.0
    body_diameter_mm: float = 30.0
    body_length_mm: float = 50.0

    def __post_init__(self) -> None:
        """Refuse sizes that are none: BadInput."""
        if not all(math.isfinite(v) and v > 0.0 for v in vars(self).values()) or self.stem_diameter_mm > self.ball_diameter_mm:
            raise BadInput("a probe needs sizes above 0 and a stem no thicker than its ball")


@dataclass(frozen=True)
class Routine:
    """A routine: its kind and its touches in order."""

    kind: Kind
    touches: tuple[Touch, ...]


def probe_cutter(probe: Probe, nose_diameter_mm: float, nose_length_mm: float) -> SetUpCutter:
    """Describe the probe as what stands in the spindle, for a proof: the ball as its edge, stem, body and nose above."""
    r, stem, body, nose = (
        probe.ball_diameter_mm / 2,
        probe.stem_diameter_mm / 2,
        probe.body_diameter_mm / 2,
        nose_diameter_mm / 2,
    )
    top, face = probe.stem_length_mm, probe.stem_length_mm + probe.body_length_mm
    end = face + nose_length_mm
    edge = outline((0.0, 0.0), (r, r, 0.0, r), (r, r + 0.1))
    held = outline((stem, r + 0.1), (stem, top), (body, top), (body, face), (nose, face), (nose, end))
    return SetUpCutter(probe.number, "touch probe", CutterShape(edge, held), True, r + 0.1, None, face)


def safe_z_mm(setup: SetUp) -> float:
    """Return the height of the ball over the axis (set-up frame) at which the bar and everything beside it may turn."""
    return max([bar_swing_mm(setup), *(thing.radius_mm for thing in setup.keep_out)]) + SAFE_OVER_MM


def bar_swing_mm(setup: SetUp) -> float:
    """Return the radius of the circle that the bar's corners swing (plane trigonometry)."""
    section, size = setup.bar.section, setup.bar.size_mm
    if section is Section.ROUND:
        return size[0] / 2.0
    return size[0] / math.sqrt(3.0) if section is Section.HEXAGON else math.hypot(size[0], size[-1]) / 2.0


def plan_routine(
    kind: Kind,
    setup: SetUp,
    probe: Probe,
    *,
    block_mm: Sequence[float] | None = None,
    wind_up_deg: float | None = None,
) -> Routine:
    """Plan the touches of one routine.

    `block_mm`: program X Y Z of the top of a block of known height, for the length check. `wind_up_deg`: how far A may
    turn from zero, None without limit; steps are told by two full turns, or by one, or not at all. Raises Infeasible where the
    probe cannot get there between jaws and tailstock, BadInput where a round bar is asked for a flat.
    """
    if kind in (Kind.LEVEL, Kind.STEPS) and setup.bar.section is Section.ROUND:
        raise BadInput(
            "a round bar has no flat to level",
            where=kind.value,
            remedy="hold a square bar or a piece with a milled flat for this routine",
        )
    maker = _Maker(kind, setup, probe)
    turns = _full_turns(wind_up_deg, kind)
    if kind is Kind.LENGTH:
        if block_mm is None:
            raise BadInput(
                "the length check needs a block of known height",
                remedy="say where its top is: --block X Y Z (program coordinates)",
            )
        maker.block(block_mm)
    elif kind is Kind.JAW:
        maker.jaw()
    elif kind is Kind.AXIS:
        maker.ring(maker.middle)
    elif kind in (Kind.TILT, Kind.BAR):
        for d in maker.ends():
            maker.ring(d)
    elif kind is Kind.LEVEL:
        for d in maker.ends():
            maker.level(d, 0.0, 1)
    elif kind is Kind.STEPS:
        maker.steps(maker.middle, 3, turns)
    else:
        for d in maker.ends():
            maker.ring(d)
        if setup.bar.section is not Section.ROUND:
            for d in maker.ends():
                maker.level(d, 0.0, 1)
            maker.level(maker.middle, 0.0, 1, Feature.FLAT_2)
            maker.steps(maker.middle, 2, turns)
    return Routine(kind, tuple(maker.touches))


def _full_turns(wind_up_deg: float | None, kind: Kind) -> int:
    turns = 2 if wind_up_deg is None else min(2, int((wind_up_deg - ROOM_DEG) // 360.0))
    if turns < 1 and kind is Kind.STEPS:
        raise Infeasible(
            "A may not turn a full turn: its steps cannot be told by flats",
            measured=wind_up_deg,
            limit=360.0 + ROOM_DEG,
            unit="deg",
            remedy="use 'level-flat' for the zero; the scale stays as it is",
        )
    return max(turns, 0)


def candidates(setup: SetUp, probe: Probe) -> tuple[Touch, ...]:
    """Return the touches that could be added to any table of readings, for saying which would help most."""
    maker = _Maker(Kind.EVERYTHING, setup, probe)
    for d in (*maker.ends(), maker.middle):
        maker.ring(d)
        if setup.bar.section is not Section.ROUND:
            maker.level(d, 0.0, 1)
            maker.level(d, 0.0, -1)
            maker.level(d, 720.0, 1)
            maker.level(d, 0.0, 1, Feature.FLAT_2)
    return tuple(replace(touch, name=describe(touch, setup)) for touch in maker.touches)


def describe(touch: Touch, setup: SetUp) -> str:
    """Say in words where a touch is."""
    where = f"{mm(abs(touch.at_mm[0] + setup.table_from_program_mm[0]), 1)} from the jaws"
    side = "from below" if touch.a_from > 0 else "from above"
    if touch.feature is Feature.JAW_FACE:
        return "jaw face, along X"
    if touch.feature is Feature.BLOCK:
        return "top of the block"
    face = "the bar" if touch.feature is Feature.ROUND else touch.feature.value
    what = (
        f"top of {face} at Y {fixed(touch.at_mm[1], 1)}"
        if touch.axis == "Z"
        else f"side of {face}, toward {'+' if touch.way > 0 else '-'}Y"
    )
    return f"{what}, {where}, A {fixed(touch.a_deg, 1)} {side}"


class _Maker:
    """Makes the touches of one routine, numbered as they come."""

    def __init__(self, kind: Kind, setup: SetUp, probe: Probe) -> None:
        self.kind, self.setup, self.probe = kind, setup, probe
        self.touches: list[Touch] = []
        self.radius = probe.ball_diameter_mm / 2.0
        self.planned = bar_as_planned(setup.bar, self.radius)
        self.flats = flats_of(setup.bar.section)
        body = max(probe.body_diameter_mm / 2.0, self.radius)
        lows = [thing for thing in setup.keep_out if thing.turns]
        beyond = [thing for thing in setup.keep_out if setup.along_x * (thing.from_x_mm + thing.to_x_mm) > 0]
        tail = [min(abs(thing.from_x_mm), abs(thing.to_x_mm)) for thing in beyond]
        bar_end = max(setup.along_x * setup.bar.from_x_mm, setup.along_x * setup.bar.to_x_mm)
        self.near = body + CLEAR_MM if lows else self.radius + CLEAR_MM
        self.far = min([bar_end - self.radius - EDGE_MM, *(start - body - CLEAR_MM for start in tail)])
        self.middle = (self.near + self.far) / 2.0
        if self.far <= self.near:
            raise Infeasible(
                "the probe does not fit between the jaws and the bar's end",
                measured=self.far,
                limit=self.near,
                unit="mm",
                remedy="use a slimmer probe or a longer bar",
            )

    def ends(self) -> tuple[float, float]:
        if self.far - self.near < FAR_ENOUGH_MM:
            raise Infeasible(
                "the two sections the probe can reach are too near together",
                measured=self.far - self.near,
                limit=FAR_ENOUGH_MM,
                unit="mm",
                remedy="hold a longer bar for this routine",
            )
        return self.near, self.far

    def ring(self, d: float) -> None:
        """Touch tops and sides all round at one section."""
        if not self.flats:
            for a in (0.0, 90.0, 180.0, 270.0):
                self._add(Feature.ROUND, "Z", -1, d, 0.0, a, 1)
                for way in (1, -1):
                    self._add(Feature.ROUND, "Y", way, d, 0.0, a, 1)
            return
        half = [flat for k, flat in enumerate(self.flats) if len(self.flats) == 4 or k % 3 < 2]
        turns = sorted((self.facing(flat, 90.0) % 360.0, flat) for flat in half)
        for a, flat in turns:
            self._add(flat, "Z", -1, d, 0.0, a, 1)
            for way in (1, -1):
                side = self.flat_at(a, 180.0 if way > 0 else 0.0)
                if side is not None:
                    self._add(side, "Y", way, d, 0.0, a, 1)
        if len(self.flats) == 6:
            for flat in (Feature.FLAT_1, Feature.FLAT_4):
                for way, direction in ((1, 180.0), (-1, 0.0)):
                    self._add(flat, "Y", way, d, 0.0, self.facing(flat, direction) % 360.0, 1)

    def level(self, d: float, turned: float, side: int, flat: Feature = Feature.FLAT_1) -> None:
        """Touch a flat on both sides of its middle."""
        reach = self._face_mm(flat) / 2.0 - EDGE_MM - self.radius
        if reach <= 1.0:
            raise Infeasible(
                "the flat is too narrow to level", measured=reach, limit=1.0, unit="mm", remedy="use a smaller ball"
            )
        for y in (-reach, reach):
            self._add(flat, "Z", -1, d, y, self.facing(flat, 90.0) + turned, side)

    def steps(self, d: float, repeats: int, turns: int) -> None:
        """Level flat 1 at none, one … full turns, A coming from below on the way up and from above on the way down."""
        for _ in range(repeats):
            for turn in range(turns + 1):
                self.level(d, 360.0 * turn, 1)
            for turn in range(turns, -1, -1):
                self.level(d, 360.0 * turn, -1)

    def jaw(self) -> None:
        """Touch the jaw face along X, with a jaw turned to the top."""
        swing = max(
            (thing.radius_mm for thing in self.setup.keep_out if thing.turns and thing.name == "jaws"), default=math.nan
        )
        z = bar_swing_mm(self.setup) + 2.0
        over = z + self.probe.stem_length_mm - swing
        if not (math.isfinite(swing) and z + self.probe.ball_diameter_mm < swing and over > 1.0):
            raise Infeasible(
                "the probe's body would meet the jaws before its ball does",
                measured=over,
                limit=1.0,
                unit="mm",
                remedy="use a longer stem, or touch the jaw face by hand",
            )
        along = self.setup.along_x
        for y in (-2.0, 0.0, 2.0):
            at = (along * (self.radius + CLEAR_MM), y, z)
            self._put(Feature.JAW_FACE, "X", -along, at, 0.0, 1)

    def block(self, top: Sequence[float]) -> None:
        """Touch a block of known height three times."""
        offset = self.setup.table_from_program_mm
        for _ in range(3):
            at = (top[0] + offset[0], top[1] + offset[1], top[2] + offset[2] + CLEAR_MM)
            self._put(Feature.BLOCK, "Z", -1, at, 0.0, 1, expected=top[2])

    def facing(self, flat: Feature, direction_deg: float) -> float:
        """Return the A, within half a turn of 0, at which a flat faces a direction (90: up)."""
        turn = direction_deg - flat_normal_deg(self.setup.bar, flat)
        a = float(a_of_turn(MeasuredMachine(), self.setup, np.array([turn]))[0])
        return (a + 180.0) % 360.0 - 180.0

    def flat_at(self, a_deg: float, direction_deg: float) -> Feature | None:
        """Return the flat that faces a direction at an A, if any does."""
        for flat in self.flats:
            if abs((self.facing(flat, direction_deg) - a_deg + 180.0) % 360.0 - 180.0) < 0.01:
                return flat
        return None

    def _face_mm(self, flat: Feature) -> float:
        size = self.setup.bar.size_mm
        if self.setup.bar.section is Section.HEXAGON:
            return size[0] / math.sqrt(3.0)
        return size[0] if flat in (Feature.FLAT_1, Feature.FLAT_3) else size[-1]

    def _add(self, feature: Feature, axis: str, way: int, d: float, y: float, a: float, side: int) -> None:
        """Add a touch of the bar: the ball over its place, or beside it as near the axis' height as the stem reaches."""
        x = self.setup.along_x * d
        swing = bar_swing_mm(self.setup)
        if axis == "Z":
            self._put(feature, axis, way, (x, y, swing + CLEAR_MM), a, side)
            return
        top = self.setup.bar.size_mm[-1] / 2.0 if feature is not Feature.ROUND else swing
        deepest = max(-self.radius, top - (self.probe.stem_length_mm - 5.0))
        if top - deepest < self.radius + 1.0:
            raise Infeasible(
                "the stem is too short for a side",
                measured=self.probe.stem_length_mm,
                limit=10.0,
                unit="mm",
                remedy="use a longer stem",
            )
        self._put(feature, axis, way, (x, -way * (swing + CLEAR_MM + self.radius), deepest), a, side)

    def _put(
        self,
        feature: Feature,
        axis: str,
        way: int,
        at: tuple[float, float, float],
        a: float,
        side: int,
        expected: float = math.nan,
    ) -> None:
        """Number a touch, begin it CLEAR_MM before its contact and give it up BEYOND_MM behind it."""
        offset = self.setup.table_from_program_mm
        k = "XYZ".index(axis)
        place = [round(at[i] - offset[i], 3) for i in range(3)]
        number = len(self.touches) + 1
        name = f"{_LETTER[self.kind]}{number}"
        touch = Touch(
            name,
            feature,
            axis,
            way,
            (place[0], place[1], place[2]),
            0.0,
            round(a, 3),
            side,
            expected,
            "",
            FIRST_PARAMETER + number - 1,
        )
        if feature is not Feature.BLOCK:
            expected = contact_mm(touch, self.setup, MeasuredMachine(), self.planned)
        place[k] = round(expected - way * CLEAR_MM, 3)
        target = round(expected + way * BEYOND_MM, 3)
        self.touches.append(
            replace(touch, at_mm=(place[0], place[1], place[2]), target_mm=target, expected_mm=round(expected, 4))
        )
