"""Touches: one place of the bar, the jaws or a block, touched along one axis by a ball; and where the ball meets it.

A touch is told in program coordinates of the ball's lowest point, as a control shows them. Its reading is the coordinate
along the touched axis where contact is made (of a dial gauge: how far the plunger is pushed in from its own zero).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.core.job import Section
from newel.core.setup import SetUp, SetUpBar
from newel.probing.measured import MeasuredMachine, a_of_turn, bar_points, turn_of

Floats = NDArray[np.float64]
AXES = "XYZ"


class Feature(StrEnum):
    """What is touched. Flats are numbered in the order in which they come to the top as the bar's own angle grows."""

    ROUND = "round"
    FLAT_1 = "flat 1"
    FLAT_2 = "flat 2"
    FLAT_3 = "flat 3"
    FLAT_4 = "flat 4"
    FLAT_5 = "flat 5"
    FLAT_6 = "flat 6"
    JAW_FACE = "jaw face"
    BLOCK = "block"


@dataclass(frozen=True)
class Touch:
    """One touch: along `axis` ('X', 'Y' or 'Z') in direction `way` (+1 or -1), with the other two coordinates given.

    `at_mm`: program X Y Z of the ball's lowest point where the touching move begins. `target_mm`: the coordinate along
    `axis` that the move would go to if nothing were met. `a_deg`: program A; `a_from`: +1 where A came to it growing,
    -1 falling. `expected_mm`: the reading on a faultless machine. `gauge`: the name of a dial gauge's zero; '' where the
    reading is a coordinate. `parameter`: the control's parameter that keeps the reading, 0 for none.
    """

    name: str
    feature: Feature
    axis: str
    way: int
    at_mm: tuple[float, float, float]
    target_mm: float
    a_deg: float
    a_from: int
    expected_mm: float
    gauge: str = ""
    parameter: int = 0

    def __post_init__(self) -> None:
        """Refuse a touch that says no direction: BadInput."""
        if self.axis not in AXES or self.way not in (-1, 1) or self.a_from not in (-1, 1):
            raise BadInput(f"the touch {self.name!r} must say its axis (X, Y, Z), its way and A's side (+1 or -1)")


@dataclass(frozen=True)
class BarAsMeasured:
    """The bar's own sizes: `width_mm` (diameter, or across flats 2 and 4), `height_mm` across flats 1 and 3.

    `out_of_square_deg`: how far flats 2 and 4 stand off a right angle to 1 and 3. `ball_radius_mm`: of the probe.
    `jaw_face_mm`: where the jaw face stands along X in the set-up frame. `block_mm`: error of the probe's length.
    """

    width_mm: float
    height_mm: float
    out_of_square_deg: float = 0.0
    ball_radius_mm: float = 1.5
    jaw_face_mm: float = 0.0
    block_mm: float = 0.0


def bar_as_planned(bar: SetUpBar, ball_radius_mm: float) -> BarAsMeasured:
    """Return the bar's sizes as the set-up has them."""
    return BarAsMeasured(bar.size_mm[0], bar.size_mm[-1], ball_radius_mm=ball_radius_mm)


def flats_of(section: Section) -> tuple[Feature, ...]:
    """Return the flats that a section has."""
    count = {Section.ROUND: 0, Section.HEXAGON: 6}.get(section, 4)
    return tuple(Feature)[1 : 1 + count]


def flat_normal_deg(bar: SetUpBar, flat: Feature, out_of_square_deg: float = 0.0) -> float:
    """Return the direction of a flat's normal in the bar frame, from +Y toward +Z: flat 1 faces up where nothing is turned.

    Flat 2 comes to the top when the bar's turn grows by 90 degrees (60 for a hexagon), so it stands that much before flat 1.
    """
    return float(flat_normals_deg(bar, np.array([list(Feature).index(flat) - 1]), out_of_square_deg)[0])


def flat_normals_deg(bar: SetUpBar, flats: NDArray[np.int64], out_of_square_deg: float) -> Floats:
    """Return the directions of the normals of flats counted from 0, (n,)."""
    step = 60.0 if bar.section is Section.HEXAGON else 90.0
    return np.asarray(90.0 + bar.turned_deg - step * flats - np.where(flats % 2 == 1, out_of_square_deg, 0.0))


def flat_up_a_deg(setup: SetUp, flat: Feature) -> float:
    """Return the program A, within half a turn of 0, that brings a flat to the top on a faultless machine."""
    turn = 90.0 - flat_normal_deg(setup.bar, flat)
    a = float(a_of_turn(MeasuredMachine(), setup, np.array([turn]))[0])
    return (a + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class TouchTable:
    """Touches as columns (n, …): place in `Feature`, axis 0 to 2, way, start (n, 3), A and its side, what is expected."""

    feature: NDArray[np.int64]
    axis: NDArray[np.int64]
    way: Floats
    at_mm: Floats
    a_deg: Floats
    a_from: Floats
    expected_mm: Floats


def table_of(touches: Sequence[Touch]) -> TouchTable:
    """Put touches in columns."""
    order = list(Feature)
    return TouchTable(
        np.array([order.index(touch.feature) for touch in touches]),
        np.array([AXES.index(touch.axis) for touch in touches]),
        np.array([float(touch.way) for touch in touches]),
        np.array([touch.at_mm for touch in touches], dtype=float).reshape(-1, 3),
        np.array([touch.a_deg for touch in touches], dtype=float),
        np.array([float(touch.a_from) for touch in touches]),
        np.array([touch.expected_mm for touch in touches], dtype=float),
    )


def contacts_mm(table: TouchTable, setup: SetUp, measured: MeasuredMachine, bar: BarAsMeasured) -> Floats:
    """Return the program coordinate (n,) along each touch's axis where the ball meets what it touches; nan where it never does.

    Flats are planes and rounds are cylinders without end here: a touch near an edge is the routine's fault, not a reading's.
    """
    r = bar.ball_radius_mm
    offset = np.asarray(setup.table_from_program_mm, dtype=float)
    turn = turn_of(measured, setup, table.a_deg - table.a_from * measured.backlash_deg / 2.0)
    centre = table.at_mm + offset + [0.0, 0.0, r]
    ahead = np.zeros_like(centre)
    ahead[np.arange(len(ahead)), table.axis] = table.way
    p = bar_points(measured, centre, turn)[:, 1:]
    d = bar_points(measured, centre + ahead, turn)[:, 1:] - p
    begin = table.at_mm[np.arange(len(ahead)), table.axis]
    k = table.feature - 1
    normal = np.radians(flat_normals_deg(setup.bar, k, bar.out_of_square_deg))
    n = np.column_stack([np.cos(normal), np.sin(normal)])
    wide = (k % 2 == 1) | (setup.bar.section is Section.HEXAGON)
    toward = (n * d).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_flat = (np.where(wide, bar.width_mm, bar.height_mm) / 2.0 + r - (n * p).sum(axis=1)) / toward
        a, b = (d * d).sum(axis=1), (p * d).sum(axis=1)
        to_round = (-b - np.sqrt(b * b - a * ((p * p).sum(axis=1) - (bar.width_mm / 2.0 + r) ** 2))) / a
    found = begin + table.way * np.where(k < 0, to_round, np.where(toward < -1e-9, to_flat, np.nan))
    order = list(Feature)
    jaw, block = table.feature == order.index(Feature.JAW_FACE), table.feature == order.index(Feature.BLOCK)
    found = np.where(jaw, bar.jaw_face_mm - table.way * r - offset[0], found)
    return np.asarray(np.where(block, table.expected_mm + bar.block_mm, found))


def contact_mm(touch: Touch, setup: SetUp, measured: MeasuredMachine, bar: BarAsMeasured) -> float:
    """Return where one touch meets what it touches; see `contacts_mm`."""
    return float(contacts_mm(table_of([touch]), setup, measured, bar)[0])


def readings_of(contacts: Floats, touches: Sequence[Touch], zeros_mm: Mapping[str, float]) -> Floats:
    """Return what is read (n,) at contact coordinates (n,): themselves, or how far a gauge is pushed in past its zero."""
    pushed = np.array([-touch.way if touch.gauge else 1.0 for touch in touches])
    return contacts * pushed - np.array([zeros_mm.get(touch.gauge, 0.0) if touch.gauge else 0.0 for touch in touches])
