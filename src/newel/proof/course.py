"""The course: all programs of a proof read and joined, row by row, with the poses they take the tip and the bar through."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.job import Section
from newel.core.motion import Motion, RowKind
from newel.core.setup import SetUp, SetUpBar, SetUpCutter
from newel.proof.codes import CODES
from newel.proof.kinematics import pose_from_axes

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Bools = NDArray[np.bool_]

LINES_PER_CODE = 20  # so many lines are told one by one for each code; the rest are counted
_G53 = re.compile(r"[gG]\s*0*53(?![\d.])")
STILL = (RowKind.DWELL, RowKind.CHANGE)


@dataclass(frozen=True)
class Course:
    """Programs as one table of rows. A program begins where the operator left the machine: its first row from nan.

    `program` (n,): index into `names`. `first` (programs + 1,): where each program's rows begin. `begin`, `end` (n, 4):
    poses (tip in the set-up's table frame, turn of the bar). `begin_axes` (n, 4): program coordinates where the row begins.
    `minutes` (n,): the clock's. `cutters`: by number. `swing_mm`: radius that the bar's corners swing. `sure_of_tip` (n,): the
    length offset in force is that of the cutter; elsewhere Z speaks of the spindle's face (or of another cutter's tip) and
    the tip hangs lower by up to `hangs_mm` (n,). `gauge_mm` (n,): from what Z speaks of up to the spindle's face.
    """

    names: tuple[str, ...]
    motion: Motion
    program: Ints
    first: Ints
    begin_axes: Floats
    begin: Floats
    end: Floats
    minutes: Floats
    cutters: dict[int, SetUpCutter]
    safe_z_mm: float
    swing_mm: float
    gauge_mm: Floats
    hangs_mm: Floats
    sure_of_tip: Bools

    def __len__(self) -> int:
        """The number of rows."""
        return len(self.motion)

    @property
    def known(self) -> Bools:
        """Rows whose whole way is known, shape (n,)."""
        return np.asarray(np.isfinite(self.begin).all(axis=1) & np.isfinite(self.end).all(axis=1))

    @property
    def moves(self) -> Bools:
        """Rows that move some axis or may do so, shape (n,)."""
        still = np.isin(self.motion.kind, STILL)
        same = (self.begin == self.end) | (np.isnan(self.begin) & np.isnan(self.end))
        return ~still & ~same.all(axis=1)

    @property
    def begin_tip_mm(self) -> Floats:
        """The lowest that the tip can stand where each row begins, over the rotary axis, shape (n,)."""
        hangs = np.concatenate([self.hangs_mm[:1], self.hangs_mm[:-1]])
        first = self.first[:-1][np.diff(self.first) > 0]
        hangs[first] = self.hangs_mm[first]
        return self.begin[:, 2] - hangs

    @property
    def end_tip_mm(self) -> Floats:
        """The lowest that the tip can stand where each row ends, shape (n,)."""
        return self.end[:, 2] - self.hangs_mm

    @property
    def rapid(self) -> Bools:
        """Rows at rapid, shape (n,)."""
        return np.equal(self.motion.kind, RowKind.RAPID)

    @property
    def fed(self) -> Bools:
        """Rows that are fed (lines, arcs and probing), shape (n,)."""
        return np.isin(self.motion.kind, (RowKind.FEED, RowKind.ARC, RowKind.PROBE))

    def place(self, row: int) -> tuple[str, int]:
        """Return the program's name and the line of a row; ('', 0) for row -1."""
        if row < 0:
            return "", 0
        return self.names[int(self.program[row])], int(self.motion.line[row])


@dataclass(frozen=True)
class Piece:
    """One program as read: name, motion, minutes (n,), and whether each row's Z speaks of the spindle's face by G53 (n,)."""

    name: str
    motion: Motion
    minutes: Floats
    by_face: Bools


def join(pieces: Sequence[Piece], setup: SetUp, *, offsets_by_itself: bool) -> Course:
    """Join the motions of several programs that run one after another on one bar.

    `offsets_by_itself`: the control knows the length of the cutter in the spindle without a length offset being called.
    """
    motions = [piece.motion for piece in pieces]
    lengths = [len(motion) for motion in motions]
    first = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
    begin_axes = np.vstack([motion.begins()[: len(motion)] for motion in motions])
    columns = {
        name: np.concatenate([getattr(motion, name) for motion in motions])
        for name in (
            "xyza",
            "minutes",
            "line",
            "kind",
            "spindle_rpm",
            "cutter",
            "length_offset",
            "coolant",
            "exact_stop",
            "clamp",
        )
    }
    motion = Motion(start=np.array(motions[0].start, copy=True), **columns)
    by_face = np.concatenate([piece.by_face for piece in pieces])
    gauge, hangs, sure = _tip_and_face(motion, setup, np.full(len(motion), offsets_by_itself) & ~by_face)
    return Course(
        names=tuple(piece.name for piece in pieces),
        motion=motion,
        program=np.repeat(np.arange(len(motions), dtype=np.int32), lengths),
        first=first,
        begin_axes=begin_axes,
        begin=pose_from_axes(begin_axes, setup),
        end=pose_from_axes(motion.xyza, setup),
        minutes=np.concatenate([piece.minutes for piece in pieces]),
        cutters={cutter.number: cutter for cutter in setup.cutters},
        safe_z_mm=safe_height_mm(setup),
        swing_mm=bar_swing_mm(setup.bar),
        gauge_mm=gauge,
        hangs_mm=hangs,
        sure_of_tip=sure,
    )


def _tip_and_face(motion: Motion, setup: SetUp, offsets_by_itself: Bools) -> tuple[Floats, Floats, Bools]:
    """Return for the Z of each row: up to the spindle's face (n,), down to the tip at most (n,), and if it is the tip (n,)."""
    lengths = {cutter.number: cutter.gauge_length_mm for cutter in setup.cutters}
    longest = max(lengths.values(), default=0.0)
    called = np.where((motion.length_offset == 0) & offsets_by_itself, motion.cutter, motion.length_offset)
    gauge, held = _looked_up(called, lengths, 0.0), _looked_up(motion.cutter, lengths, longest)
    sure = (called == motion.cutter) & (motion.cutter != 0)
    return gauge, np.where(sure, 0.0, np.maximum(held - gauge, 0.0)), sure


def by_face_rows(motion: Motion, text: str) -> Bools:
    """Tell which rows (n,) end at a Z that a G53 line gave: such a Z speaks of the spindle's face where no offset is called."""
    lines = np.array([k for k, line in enumerate(text.splitlines(), start=1) if _G53.search(line)], dtype=np.int32)
    given = np.isin(motion.line, lines)
    z = motion.xyza[:, 2]
    # the rows after it too, as long as they stay at that height
    last = np.maximum.accumulate(np.where(given, np.arange(len(motion)), -1))
    same = (last >= 0) & (z == z[np.maximum(last, 0)])
    broken = np.maximum.accumulate(np.where(~same, np.arange(len(motion)), -1))
    return (same & (broken < last)) & (motion.length_offset == 0)


def _looked_up(numbers: Ints, lengths: dict[int, float], other: float) -> Floats:
    values = np.full(len(numbers), other)
    for number, length in lengths.items():
        values[numbers == number] = length
    return values


def bar_swing_mm(bar: SetUpBar) -> float:
    """Return the radius of the circle that the bar's corners swing (plane trigonometry)."""
    size = bar.size_mm
    if bar.section is Section.ROUND:
        return size[0] / 2.0
    if bar.section is Section.SQUARE:
        return size[0] / math.sqrt(2.0)
    if bar.section is Section.RECTANGLE:
        return math.hypot(size[0], size[1]) / 2.0
    return size[0] / math.sqrt(3.0)


def safe_height_mm(setup: SetUp) -> float:
    """Return the tip height over the rotary axis above which no turn and no move sideways can touch anything."""
    return max([bar_swing_mm(setup.bar), *(thing.radius_mm for thing in setup.keep_out)])


def findings_at(
    course: Course,
    code: str,
    rows: NDArray[np.intp],
    says: Callable[[int], str],
    *,
    measured: Floats | None = None,
    limit: float | Floats = math.nan,
    unit: str = "",
) -> list[Finding]:
    """Return one finding a line for rows (k,) that break the rule `code`, the worst row of each line.

    `measured` (k,) decides which row of a line, and which lines, are worst (the larger excess over `limit`, either way); of
    more than LINES_PER_CODE lines only the worst are told and the last one counts the others.
    """
    if len(rows) == 0:
        return []
    values = np.full(len(rows), np.nan) if measured is None else np.asarray(measured, dtype=np.float64)
    bounds = np.broadcast_to(np.asarray(limit, dtype=np.float64), values.shape)
    excess = np.nan_to_num(np.abs(values - bounds), nan=0.0, posinf=1e300)
    keys = course.program[rows].astype(np.int64) << 32 | course.motion.line[rows].astype(np.int64)
    order = np.lexsort((rows, -excess, keys))
    worst = order[np.concatenate([[True], np.diff(keys[order]) != 0])]
    told = worst
    if len(worst) > LINES_PER_CODE:
        told = np.sort(worst[np.argsort(-excess[worst], kind="stable")[:LINES_PER_CODE]])
        told = told[np.argsort(keys[told], kind="stable")]
    severity = CODES[code][0]
    found = []
    for position, k in enumerate(told):
        row = int(rows[k])
        name, line = course.place(row)
        text = says(row)
        if position == len(told) - 1 and len(worst) > len(told):
            text += f" (and {len(worst) - len(told)} more lines like this)"
        x, y, z, a = (float(value) for value in course.motion.xyza[row])
        found.append(Finding(code, severity, text, name, line, x, y, z, a, float(values[k]), float(bounds[k]), unit))
    return found


def finding(
    code: str,
    says: str,
    *,
    program: str = "",
    line: int = 0,
    measured: float = math.nan,
    limit: float = math.nan,
    unit: str = "",
) -> Finding:
    """Return a finding about a program as a whole, or about a line without a place."""
    return Finding(code, CODES[code][0], says, program, line, measured=measured, limit=limit, unit=unit)
