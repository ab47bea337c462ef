"""The state of an interpreted machine: modes, offsets, parameters, where the tip is, and the rows made so far.

Places are program coordinates in mm and degrees (`floats`, shared with the kernels), unknown ones nan. `shift` is what
must be added to give the coordinates of the job's work offset. Systems count from 1 (G54) to 9 (G59.3); the origin of
each is kept relative to the job's own as the operator set it, so that nothing about the machine need be known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from newel.core.dialect import ReadTraits
from newel.core.motion import RowKind
from newel.program import interpreter_kernels as kernels
from newel.program.modal import SYSTEMS
from newel.program.rows import Rows
from newel.program.rules import Findings, RefusedError

NAN = math.nan
CHORD_MM = 0.001  # how far a chord may stand off its arc: a tenth of the finest resolution that a proof carves at
MOST_CHORDS = 20_000
MOST_SLOTS = 2**31 - 1  # the largest number that Motion's columns of cutters and offsets hold


@dataclass(frozen=True)
class MachineFacts:
    """What is known of the machine beyond the program: all of it optional, nothing of it guessed.

    `home_mm`, `second_home_mm`: machine coordinates X Y Z A of the G28 and G30 places. `lengths_mm`: cutter length by H
    number. `slots`: the largest T, H and D number. `parameters`: values stored in the control before the program starts.
    """

    home_mm: tuple[float, float, float, float] | None = None
    second_home_mm: tuple[float, float, float, float] | None = None
    lengths_mm: Mapping[int, float] | None = None
    slots: int | None = None
    parameters: Mapping[int, float] | None = None


@dataclass
class Sticky:
    """The words that a canned cycle remembers from line to line: lengths in mm, `p` in seconds."""

    r: float = NAN
    depth: float = NAN
    p: float = NAN
    q: float = NAN
    i: float = NAN
    j: float = NAN
    k: float = NAN


@dataclass
class Notes:
    """What the program says on the way, for ProgramFacts."""

    units: list[str] = field(default_factory=list)
    ended: str = ""
    ended_line: int = 0
    cutters: dict[int, int] = field(default_factory=dict)
    uses_g93: bool = False
    messages: list[tuple[int, str]] = field(default_factory=list)
    systems: list[str] = field(default_factory=list)
    first_move_without_units: int = 0
    stops: list[int] = field(default_factory=list)


class State:
    """Everything an interpreted control remembers; one per program run."""

    def __init__(self, traits: ReadTraits, program: str, system: int, facts: MachineFacts) -> None:
        """Begin as a control does before any line: G17 G90 G94 G54, no motion word, everything standing, nowhere known."""
        self.traits = traits
        self.facts = facts
        self.slots = facts.slots if facts.slots is not None else MOST_SLOTS
        self.findings = Findings(program)
        self.rows = Rows(1024)
        self.notes = Notes()
        self.floats = np.full(kernels.N_FLOATS, NAN)
        self.floats[kernels.SHIFT : kernels.SHIFT + 4] = 0.0
        self.floats[kernels.CHORD_MM] = CHORD_MM
        self.ints = np.zeros(kernels.N_INTS, dtype=np.int64)
        ints = self.ints
        ints[kernels.MOTION], ints[kernels.PLANE], ints[kernels.DISTANCE] = -1, 170, 900
        ints[kernels.FEED_MODE], ints[kernels.UNITS], ints[kernels.SYSTEM] = 940, 210, 540
        ints[kernels.RETRACT], ints[kernels.PATH] = 980, 640
        ints[kernels.WRAPPED] = 1 if traits.a_wrapped_shortest else 0
        ints[kernels.A_SCALED] = 0 if traits.inch_a_is_degrees else 1
        self.others = [NAN, NAN]  # B and C, which no row carries
        self.compensation = 400
        self.spindle = 0  # 1 clockwise, -1 the other way
        self.speed_rpm = NAN
        self.coolant = 0
        self.clamp = 0  # of the rotary axis: 1 clamped, 2 released, 0 not told
        self.selected = -1
        self.cutter = 0
        self.lost: set[int] = set()  # axes whose place an earlier finding made unknown
        self.sticky = Sticky()
        self.work = 0  # done again by loops, calls and pecks: a bound on time
        self.changes = 0  # of anything that a parameter can tell: a loop's condition can change only when this does
        self.job_system = system
        self.relative = np.full((10, 4), NAN)  # origin of each system, from the job's own as it was at the start
        self.relative[system] = 0.0
        self.machine_from_offset = np.full(4, NAN)
        self.g92 = np.zeros(4)
        self.g92_saved = np.full(4, NAN)
        self.parameters = np.full(5400, NAN)
        for number, value in (facts.parameters or {}).items():
            self.parameters[number] = value

    def mode(self, place: int) -> int:
        """Return one of the modes shared with the kernels."""
        return int(self.ints[place])

    @property
    def here(self) -> np.ndarray:
        """Where the tip is, X Y Z A in program coordinates: a view."""
        return self.floats[kernels.HERE : kernels.HERE + 4]

    @property
    def shift(self) -> np.ndarray:
        """What to add to program coordinates to give those of the job's work offset: a view."""
        return self.floats[kernels.SHIFT : kernels.SHIFT + 4]

    @property
    def unit_mm(self) -> float:
        """Millimetres in a length unit of the words being read."""
        return 25.4 if self.ints[kernels.UNITS] == 200 else 1.0

    def scale(self, axis: int) -> float:
        """Return what a word of X Y Z A B C (0 to 5) is to be multiplied by: mm or degrees in its unit."""
        return self.unit_mm if axis < 3 or self.ints[kernels.A_SCALED] else 1.0

    @property
    def system(self) -> int:
        """The work system in force, 1 to 9."""
        return SYSTEMS.index(self.mode(kernels.SYSTEM)) + 1

    def length_of(self, h: int) -> float:
        """Return the length in mm that offset number `h` stands for: 0 for none, nan where it is not known."""
        if h == 0:
            return 0.0
        lengths = self.facts.lengths_mm
        return float(lengths.get(h, NAN)) if lengths is not None else NAN

    def place(self) -> tuple[float, float, float, float]:
        """Return where the tip is in the job's coordinates, for a finding."""
        x, y, z, a = (self.here + self.shift).tolist()
        return x, y, z, a

    def report(self, code: str, says: str, line: int, *, measured: float = NAN, limit: float = NAN, unit: str = "") -> None:
        """Add a finding that does not stop the line."""
        self.findings.add(RefusedError(code, says, measured=measured, limit=limit, unit=unit), line, self.place())

    def reshift(self) -> None:
        """Recompute `shift` after an origin or G92 changed, keeping the tip where it is in the job's coordinates."""
        job = self.here + self.shift
        self.shift[:] = self.relative[self.system] + self.g92
        self.here[:] = job - self.shift

    def remembered(self) -> tuple[object, ...]:
        """Return all that the control remembers besides `floats`, to compare: how a program goes on depends on nothing else."""
        arrays = (self.ints, self.parameters, self.relative, self.machine_from_offset, self.g92, self.g92_saved)
        told = (
            self.spindle,
            self.speed_rpm,
            self.coolant,
            self.selected,
            self.cutter,
            self.compensation,
            self.clamp,
            *self.others,
        )
        return *(array.tobytes() for array in arrays), repr(told), repr(self.sticky)

    def labels(self) -> tuple[float, int, int, int, int, int]:
        """Return what every row of the moment carries: spindle, cutter, length offset, coolant, exact stop, clamp."""
        speed = 0.0 if self.spindle == 0 or math.isnan(self.speed_rpm) else self.spindle * self.speed_rpm
        stop = 1 if self.ints[kernels.PATH] == 611 else 0
        return speed, self.cutter, self.mode(kernels.LENGTH_H), self.coolant, stop, self.clamp

    def put(self, kind: RowKind, target: np.ndarray, minutes: float, line: int) -> None:
        """Add one row that ends at `target` (program coordinates) and move the tip there."""
        rows = self.rows
        if rows.n >= self.traits.max_rows:
            raise TooManyRowsError
        rows.make_room(1)
        n = rows.n
        rows.xyza[n] = target + self.shift
        rows.minutes[n] = minutes
        rows.line[n] = line
        rows.kind[n] = kind
        rows.n = n + 1
        rows.label(n, self.labels())
        self.here[:] = target

    def spend(self, work: int, code: str, says: str) -> None:
        """Count work that the text's own length does not bound; refuse when there has been more than the dialect lets pass."""
        self.work += work
        most = self.traits.max_repeated_work
        if self.work > most:
            raise RefusedError(code, says, measured=self.work, limit=most)

    def stop_path(self) -> None:
        """Mark that the path stops at the end of the last row."""
        if self.rows.n:
            self.rows.exact_stop[self.rows.n - 1] = 1

    def lose(self, axes: list[int]) -> None:
        """Mark axes as standing nobody knows where, because of something that has been reported."""
        for axis in axes:
            self.lost.add(axis)
            if axis < 4:
                self.here[axis] = NAN
            else:
                self.others[axis - 4] = NAN


class LostPlaceError(Exception):
    """A move from a place that an earlier finding made unknown; caught by the interpreter, which need not tell it again."""


class TooManyRowsError(Exception):
    """The program makes more rows than the dialect lets a program make; caught by the interpreter."""
