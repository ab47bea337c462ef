"""The mill with its rotary axis: how far, how fast, how strong, and what stands where.

Machine coordinates are those of the machine's own axes (ISO 841), from its home. `jaw_face_on_axis_mm` says where
the point 'jaw face, on the rotary axis' stands in them, for the tip of a cutter with its length offset in force;
`chuck_end` says at which end of the table the chuck stands.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from newel.core.dialect import Dialect


@dataclass(frozen=True)
class LinearAxis:
    """Travel in machine coordinates, speeds and acceleration of X, Y or Z."""

    from_mm: float
    to_mm: float
    rapid_mm_per_min: float
    max_feed_mm_per_min: float
    acceleration_mm_per_s2: float
    thrust_N: float | None = None  # what the axis can push before it stalls; None: not known


@dataclass(frozen=True)
class RotaryAxis:
    """The rotary axis A about X.

    `sense` +1: +A turns the bar from +Y to +Z in the table frame T (seen from the tailstock looking at the chuck:
    clockwise or not is said on the sheet with a check); -1: the other way. Seen from T, so it does not change when the
    unit is bolted to the other end of the table.
    """

    sense: int
    max_deg_per_min: float
    acceleration_deg_per_s2: float
    holding_torque_Nm: float
    moving_torque_Nm: float
    backlash_deg: float
    wind_up_deg: float | None  # how far A may turn from zero; None: without limit
    inertia_kg_m2: float = 0.0


@dataclass(frozen=True)
class Spindle:
    """The spindle: speeds, power, and the nose that carries the holder (a cylinder)."""

    min_rpm: float
    max_rpm: float
    power_W: float
    torque_Nm: float
    nose_diameter_mm: float
    nose_length_mm: float


@dataclass(frozen=True)
class Chuck:
    """The chuck and its jaws as turning cylinders behind the jaw face; what bars it takes."""

    body_diameter_mm: float
    body_length_mm: float
    jaw_swing_diameter_mm: float  # the circle the jaws' outer ends sweep
    jaw_length_mm: float  # from the jaw face back to the body
    max_grip_mm: float
    min_bar_mm: float
    max_bar_diagonal_mm: float
    jaws: int
    home_turn_deg: float  # a square bar gripped at the chuck's home stands turned by this (common practice: 45)
    grip_force_N: float
    jaw_friction: float


@dataclass(frozen=True)
class RotaryHousing:
    """The rotary unit's body behind the chuck, which stands still: a cylinder about the axis that holds the whole casting."""

    radius_mm: float
    length_mm: float  # from the chuck's back on


@dataclass(frozen=True)
class TailstockUnit:
    """The tailstock with its live centre."""

    centre_angle_deg: float
    centre_diameter_mm: float  # the centre's body behind its point
    centre_length_mm: float
    body_radius_mm: float  # a cylinder about the axis that holds the whole casting
    body_length_mm: float
    max_between_mm: float  # jaw face to the centre's point


@dataclass(frozen=True)
class Machine:
    """A small mill with a rotary axis, as described in a shop file; every figure has a source in that file."""

    name: str
    x: LinearAxis
    y: LinearAxis
    z: LinearAxis
    a: RotaryAxis
    spindle: Spindle
    chuck: Chuck
    tailstock: TailstockUnit | None
    chuck_end: str  # 'left' or 'right'
    jaw_face_on_axis_mm: tuple[float, float, float]
    table_below_axis_mm: float
    corner_deviation_mm: float
    block_rate_per_s: float
    housing: RotaryHousing | None = None  # None: not told, and nothing is proved of it
    probe: str | None = None
    dialect: Dialect = field(default_factory=Dialect)
    source: str = ""
