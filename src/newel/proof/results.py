"""What a proof says, as frozen data: the verdict with its findings, deviation, times, loads and closest approaches.

The names are those of proof.json; lengths in mm, angles in degrees, times in minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.motion import Motion
from newel.geometry.blank import Blank
from newel.mechanics.bar_sections import BarState

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Bytes = NDArray[np.uint8]


class Verdict(StrEnum):
    """Proved, or not."""

    PROVED = "proved"
    NOT_PROVED = "not proved"


class Standing(IntEnum):
    """What a measured point of the surface is."""

    WITHIN = 0  # within tolerance of the part
    GOUGE = 1
    MISSED = 2  # left-over that some cutter of the shop could have taken
    UNREACHABLE = 3  # left-over that no cutter of the shop can take
    NOT_PART = 4  # a stub, or full bar beside the part


@dataclass(frozen=True)
class WorstPlace:
    """A place where the surface is furthest off: bar frame in mm, signed deviation, the line that cut there last (0: none)."""

    x_mm: float
    y_mm: float
    z_mm: float
    deviation_mm: float
    standing: Standing
    program: str
    line: int


@dataclass(frozen=True)
class ThreadMeasured:
    """A thread as asked for and as measured on the carved bar, in mm; nan where it is `missing` (then: why).

    `x_mm` of its middle in the bar frame. `length_mm`: along the hole, of full profile.
    """

    name: str
    x_mm: float
    nominal_mm: float
    asked_pitch_mm: float
    hole_length_mm: float
    pitch_mm: float = math.nan
    pitch_diameter_mm: float = math.nan
    major_mm: float = math.nan
    minor_mm: float = math.nan
    length_mm: float = math.nan
    missing: str = ""


@dataclass(frozen=True)
class GroupMeasured:
    """A group of surfaces with a tolerance of its own: what lies within it, in percent of the group's reachable area.

    Within is what stands no deeper than the tolerance under the model and no higher than that over `allowance_mm`. `mean_mm`,
    `lowest_mm`, `highest_mm`: signed deviation from the model. `area_pct`: the group's share of the part's surface.
    """

    name: str
    tolerance_mm: float
    allowance_mm: float
    area_pct: float
    within_tolerance_pct: float
    mean_mm: float
    lowest_mm: float
    highest_mm: float


@dataclass(frozen=True)
class Deviation:
    """How far what is left differs from the part.

    `gouge_max_mm` (0 or more), `leftover_max_mm` (what was missed; unreachable places apart in
    `unreachable_max_mm`). `within_tolerance_pct`: of the reachable surface of the part, by area, what lies within
    `tolerance_mm`; `unreachable_pct`: of the whole surface, stubs apart. `histogram`: share of the part's area in percent
    between neighbouring `edges_mm` of signed deviation (positive: left over). All nan where no model was given. `threads`:
    those that the job asks for; `groups`: surfaces that are judged by a tolerance of their own.
    """

    tolerance_mm: float = math.nan
    gouge_max_mm: float = math.nan
    leftover_max_mm: float = math.nan
    unreachable_max_mm: float = math.nan
    within_tolerance_pct: float = math.nan
    missed_pct: float = math.nan
    gouged_pct: float = math.nan
    unreachable_pct: float = math.nan
    edges_mm: tuple[float, ...] = ()
    histogram_pct: tuple[float, ...] = ()
    worst: tuple[WorstPlace, ...] = ()
    threads: tuple[ThreadMeasured, ...] = ()
    groups: tuple[GroupMeasured, ...] = ()


@dataclass(frozen=True)
class Measured:
    """Points of the carved surface for pictures: bar frame (k, 3), signed deviation (k,), Standing (k,), last row (k,)."""

    points: Floats
    deviation_mm: Floats
    standing: Bytes
    row: Ints


@dataclass(frozen=True)
class CutLoad:
    """The hardest of one cut: a run of one cutter in one program. `line` is where the force is largest."""

    cutter: int
    name: str
    program: str
    line: int
    force_N: float
    rotary_torque_Nm: float
    power_W: float
    cutter_bending_mm: float
    bar_bending_mm: float


@dataclass(frozen=True)
class Load:
    """The hardest moments, estimated from what each stretch removes; nan where the material gives no figure.

    `thrust_max_N` along one axis; `grip_used_max` 1 where jaws would slip or the bar lift out of them;
    `cutter_stress_share_max` of what the cutter bears; `centre_force_max_N` sideways on the centre. `bar_frequency_Hz` and
    `weakest_x_mm` (the slice that bends most easily) of the bar as the programs leave it. `surface_bending_mm`: 95 % of
    the surface was made with cutter and bar giving no more than this together; `gouge_with_bending_mm`,
    `leftover_with_bending_mm`: the deviation's ends with each place's own bending added, an upper bound.
    """

    force_max_N: float = math.nan
    rotary_torque_max_Nm: float = math.nan
    cutter_bending_max_mm: float = math.nan
    bar_bending_max_mm: float = math.nan
    spindle_power_max_W: float = math.nan
    thrust_max_N: float = math.nan
    grip_used_max: float = math.nan
    cutter_stress_share_max: float = math.nan
    centre_force_max_N: float = math.nan
    bar_twist_max_deg: float = math.nan
    bar_frequency_Hz: float = math.nan
    weakest_x_mm: float = math.nan
    surface_bending_mm: float = math.nan
    gouge_with_bending_mm: float = math.nan
    leftover_with_bending_mm: float = math.nan
    cuts: tuple[CutLoad, ...] = ()


@dataclass(frozen=True)
class LoadSeries:
    """Load over the programs, one entry a stretch of about 3 mm, (k,) each, in order.

    `row`, `last_row`: the stretch's rows of the motion. `seen`: the edge's engagement was asked of the blank there (else
    from volume). `force_N`: side force on the cutter at the hardest moment of a turn; `axes_N` (k, 3): the largest push along
    X, Y and Z at any moment, nan where not seen. `torque_Nm` on the rotary axis. `bar_index` into `bars`: the bar as it then
    stood.
    """

    row: NDArray[np.intp]
    last_row: NDArray[np.intp]
    cutter: Ints
    seen: NDArray[np.bool_]
    area_mm2: Floats
    x_mm: Floats
    radius_mm: Floats
    rpm: Floats
    force_N: Floats
    axes_N: Floats
    torque_Nm: Floats
    power_W: Floats
    cutter_bends_mm: Floats
    cutter_stress_share: Floats
    bar_bends_mm: Floats
    bar_twists_deg: Floats
    bar_index: NDArray[np.intp]
    bars: tuple[BarState, ...]


@dataclass(frozen=True)
class Approach:
    """How near a cutter comes to something nothing may touch; 0 where it strikes; nan where none came to be measured."""

    name: str
    mm: float
    program: str
    line: int


@dataclass(frozen=True)
class CutterTime:
    """The time of one cutter, fed and rapid, in minutes."""

    cutter: int
    name: str
    fed_min: float
    rapid_min: float


@dataclass(frozen=True)
class Proof:
    """All that a proof found. Everything but `shares` depends on the inputs alone.

    `row_program` (n,), `minutes` (n,): the program (index into `programs`) and the time of each row of `motion`.
    `removed_mm3` (n,): what each row took off the blank. `shares`: seconds by stage, empty where no stopwatch was lent.
    """

    verdict: Verdict
    findings: tuple[Finding, ...]
    deviation: Deviation
    time_min: float
    fed_min: float
    rapid_min: float
    cutter_times: tuple[CutterTime, ...]
    load: Load
    resolution_mm: float
    approaches: tuple[Approach, ...]
    seal: str
    programs: tuple[str, ...]
    motion: Motion
    row_program: Ints
    minutes: Floats
    removed_mm3: Floats
    measured: Measured | None
    blank: Blank
    shares: dict[str, float] = field(default_factory=dict)
    load_series: LoadSeries | None = None
