"""Write passes as RS274/NGC programs in the dialect of a control.

Feeds mean speed of the tip over the turning work. Each move's time follows from the true length of its path over the bar
(on the coordinates as they are written, after rounding) and is then said as the feed words want it: 1/minutes (G93), or
the number that the standard's rule for G94 turns back into the same time: length of the X Y Z path over minutes, or
degrees over minutes where A turns alone (NISTIR 6556, 2.1.2.5). Where A turns while X, Y and Z step by no more than two
last digits (mm; one in inch), a G94 feed would have to be a tiny number that controls handle badly: those steps wait
until they are larger, which moves the tip by no more than these two last digits.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from newel.core.dialect import WriteTraits
from newel.core.errors import BadInput
from newel.core.job import FeedWords, FileStyle, TurnStyle
from newel.core.motion import Floats, Toolpath
from newel.core.setup import SetUp
from newel.program import writer_kernels as kernels
from newel.program.axes import axes_from_pose

LARGEST_WRAPPED_STEP_DEG = 170.0  # wrapped controls turn the shorter way: keep well under half a turn
FASTEST_AXES = 10.0  # how much faster than the asked feed X, Y and Z may run to follow the bar: invented, a bound only
_OUT_BYTES = 1 << 24
_NOT_IN_COMMENTS = re.compile(r"[^ -~]|[()]")


@dataclass(frozen=True)
class WrittenCut:
    """One cut to be written: its title, the cutter's number, the spindle speed and the passes (poses in the table frame)."""

    title: str
    cutter: int
    spindle_rpm: float
    toolpath: Toolpath


@dataclass(frozen=True)
class ProgramFile:
    """A program as text, with the name of its file."""

    name: str
    text: str


def write_program(
    paths: Sequence[WrittenCut],
    setup: SetUp,
    traits: WriteTraits,
    *,
    name: str,
    work_offset: str,
    fastest_per_min: tuple[float, float, float, float],
    safe_z_mm: float,
    clamp_m: tuple[int, int] | None = None,
) -> tuple[ProgramFile, ...]:
    """Write `paths` as one program, or one a cutter, as the dialect has it.

    `name`: the job's name for the head of the program. `fastest_per_min`: what no fed move may pass, mm/min of X, Y, Z and
    degrees/min of A: where an axis cannot keep up, the feed is lowered. `safe_z_mm`: a height of the tip in the table frame
    (above the rotary axis) that is clear of everything; the program goes there before it moves in X, Y or A, before every
    cutter change and at its end. Each cut's row 0 is reached from there. `clamp_m`: the M numbers that clamp and release the
    rotary axis: it is released before it turns, and clamped before a cut in which it stands. Same input, same bytes. Raises
    BadInput for paths that cannot be written.
    """
    if not paths:
        raise BadInput("there is no cut to write")
    if not (all(math.isfinite(fastest) and fastest > 0.0 for fastest in fastest_per_min) and math.isfinite(safe_z_mm)):
        raise BadInput("the axes' speeds and the safe height must be finite numbers, the speeds above nought")
    if traits.units not in ("mm", "inch"):
        raise BadInput(f"programs are written in mm or inch, not {traits.units!r}")
    groups = [list(paths)]
    if traits.files is FileStyle.PER_CUTTER:
        groups = []
        for cut in paths:
            if groups and groups[-1][0].cutter == cut.cutter:
                groups[-1].append(cut)
            else:
                groups.append([cut])
    files = []
    for number, group in enumerate(groups, start=1):
        pen = _Pen(setup, traits, fastest_per_min, safe_z_mm, clamp_m)
        pen.head(name, group, work_offset, number, len(groups))
        for cut in group:
            pen.cut(cut)
        pen.end()
        files.append(ProgramFile("program.ngc" if len(groups) == 1 else f"program-{number}.ngc", pen.text()))
    return tuple(files)


def minutes_over_work(counts: np.ndarray, begin: np.ndarray, setup: SetUp, units: Floats, feed_mm_per_min: Floats) -> Floats:
    """Return the minutes of fed moves from `begin` through rows of `counts`; `units`: mm or degrees in a count of each axis."""
    ends = counts * units
    begins = np.vstack([begin[None, :] * units, ends[:-1]])
    steps = ends - begins
    _, ty, tz = setup.table_from_program_mm
    machine = np.sqrt((steps[:, :3] ** 2).sum(axis=1))
    length = kernels.path_over_work_mm(
        begins[:, 1] + ty,
        begins[:, 2] + tz,
        steps[:, 0],
        steps[:, 1],
        steps[:, 2],
        np.radians(setup.a_sense * steps[:, 3]),
    )
    # Where the tip nearly follows the turning bar its path over it vanishes, but the axes still have to run it.
    return np.maximum(length, machine / FASTEST_AXES) / feed_mm_per_min


class _Pen:
    """What one program file is written with: the lines so far and where the words stand."""

    def __init__(
        self,
        setup: SetUp,
        traits: WriteTraits,
        fastest_per_min: tuple[float, ...],
        safe_z_mm: float,
        clamp_m: tuple[int, int] | None = None,
    ) -> None:
        self.setup = setup
        self.traits = traits
        self.fastest = np.array(fastest_per_min)
        inch = traits.units == "inch"
        self.decimals = max(traits.decimals + (1 if inch else 0), 1)
        self.a_decimals = max(traits.angle_decimals, 1)
        unit_mm = 25.4 if inch else 1.0
        self.units = np.array([unit_mm * 10.0**-self.decimals] * 3 + [10.0**-self.a_decimals])  # mm, degrees in a count
        self.wrapped = traits.turn_style is TurnStyle.WRAPPED
        self.style = kernels.LineStyle(
            decimals=self.decimals,
            a_decimals=self.a_decimals,
            a_wrap=360 * 10**self.a_decimals if self.wrapped else 0,
            per_minute=1 if traits.feed_words is FeedWords.PER_MINUTE else 0,
            drop_counts=1 if inch else 2,
            numbers=1 if traits.line_numbers else 0,
        )
        self.pieces: list[bytes] = []
        self.state = np.zeros(8, dtype=np.int64)
        self.state[4] = -1
        self.state[5] = -1
        self.known = False  # whether X, Y, A have been written
        self.clamp_m = clamp_m
        self.clamped: bool | None = None  # as last told
        self.cutter: int | None = None
        self.speed = math.nan
        self.safe_count = round((safe_z_mm - setup.table_from_program_mm[2]) / self.units[2])

    def line(self, text: str) -> None:
        if self.traits.line_numbers:
            self.state[7] = self.state[7] % 99999 + 1
            text = f"N{self.state[7]} {text}"
        self.pieces.append(f"{text}\n".encode("ascii"))

    def comment(self, text: str) -> None:
        self.pieces.append(f"({_NOT_IN_COMMENTS.sub(' ', text)[:200]})\n".encode("ascii"))

    def word(self, letter: str, count: int) -> str:
        out = np.zeros(40, dtype=np.uint8)
        decimals = self.a_decimals if letter == "A" else self.decimals
        if letter == "A" and self.wrapped:
            count %= self.style.a_wrap
        end = kernels.put_count(out, 0, ord(letter), int(count), decimals)
        return out[:end].tobytes().decode("ascii")

    def head(self, name: str, cuts: Sequence[WrittenCut], work_offset: str, number: int, of: int) -> None:
        setup, traits = self.setup, self.traits
        self.comment(name if of == 1 else f"{name}, program {number} of {of}")
        lengths = "inches" if traits.units == "inch" else "mm"
        self.comment(f"{lengths} and degrees, work offset {work_offset}")
        tx, ty, tz = setup.table_from_program_mm
        toward = "toward the tailstock" if setup.along_x > 0 else "toward the chuck"
        x_zero = "the jaw face" if tx == 0.0 else f"{abs(tx):.3f} mm {'in +X' if tx > 0 else 'in -X'} of the jaw face"
        on_axis = "on the rotary axis"
        if ty != 0.0 or tz != 0.0:
            on_axis = f"{ty:.3f} mm in Y and {tz:.3f} mm in Z off the rotary axis"
        self.comment(f"X0 is at {x_zero}, X grows {toward}; Y0 Z0 is {on_axis}")
        way = "from +Y to +Z" if setup.a_sense > 0 else "from +Z to +Y"
        self.comment(f"+A must turn the bar {way}: check before the first run, a wrong sense mirrors the part")
        if self.wrapped:
            self.comment("A is written from 0 to 360 and turns the shorter way; no step is half a turn or more")
        else:
            self.comment("A counts every turn: A370 is one turn further than A10")
        names = {cutter.number: cutter.name for cutter in setup.cutters}
        for cutter in dict.fromkeys(cut.cutter for cut in cuts):
            self.comment(f"cutter {cutter}: {names.get(cutter, 'not named')}")
        self.line("G20" if traits.units == "inch" else "G21")
        if traits.opening:
            self.line(" ".join(traits.opening))
        self.line(work_offset)

    def cut(self, cut: WrittenCut) -> None:
        counts, feeds = self._counts(cut)
        self.comment(cut.title)
        self._call(cut)
        # With the bar clamped the feed over the work is the feed of X, Y and Z: plain G94, whatever the habit for turning cuts.
        clamped = not (counts[1:, 3] != counts[0, 3]).any()
        self._go_to_start(counts[0], clamped)
        if len(counts) == 1:
            return
        body = counts[1:]
        minutes = minutes_over_work(body, counts[0], self.setup, self.units, np.where(feeds[1:] > 0.0, feeds[1:], np.nan))
        axes = np.abs(np.diff(counts, axis=0)) * self.units / self.fastest
        minutes = np.maximum(minutes, axes.max(axis=1))  # nan (a rapid) stays nan
        style = self.style._replace(per_minute=1) if clamped else self.style
        if style.per_minute == 0:
            self.line("G93")
        self.state[5] = -1
        self._put(body, minutes, style)
        if style.per_minute == 0:
            self.line("G94")
        self._to_safe()

    def end(self) -> None:
        self._to_safe()
        if self.traits.coolant:
            self.line("M9")
        self.line("M5")
        self.line(self.traits.program_end)

    def text(self) -> str:
        return b"".join(self.pieces).decode("ascii")

    def _counts(self, cut: WrittenCut) -> tuple[np.ndarray, Floats]:
        """Return a cut's rows as counts of last digits, and their feeds; long turns are split where A is wrapped."""
        path = cut.toolpath
        if len(path) == 0 or len(path.feed_mm_per_min) != len(path):
            raise BadInput(f"the cut {cut.title!r} has no moves")
        feeds = np.asarray(path.feed_mm_per_min, dtype=float)
        if not (np.isfinite(feeds).all() and (feeds >= 0.0).all()):
            raise BadInput(f"the cut {cut.title!r} has a feed that is not a number of mm a minute")
        axes = axes_from_pose(path.pose, self.setup)
        if self.wrapped and len(axes) > 1:
            axes, feeds = _split_turns(axes, feeds)
        counts = np.rint(axes / self.units)
        if np.abs(counts).max() > 1e12:
            raise BadInput(f"the cut {cut.title!r} goes further than any machine")
        return counts.astype(np.int64), feeds

    def _call(self, cut: WrittenCut) -> None:
        """Call the cutter where another one is in the spindle, go to the safe height, start the spindle."""
        traits = self.traits
        change = cut.cutter != self.cutter
        if change:
            if self.cutter is not None:
                if traits.coolant:
                    self.line("M9")
                self.line("M5")
            if traits.tool_change:
                self.line(traits.tool_change.format(number=cut.cutter))
            if traits.length_offset:
                self.line(traits.length_offset.format(number=cut.cutter))
            self.cutter = cut.cutter
            self.line(f"G0 {self.word('Z', self.safe_count)}")
            self.state[2] = self.safe_count
            self.state[4] = 0
        if change or cut.spindle_rpm != self.speed:
            self.line(f"S{round(cut.spindle_rpm)} M3")
            self.speed = cut.spindle_rpm
        if change and traits.coolant:
            self.line(traits.coolant)

    def _clamp(self, on: bool) -> None:
        """Tell the rotary axis' clamp, where there is one to be told and it was not told so before."""
        if self.clamp_m is not None and on is not self.clamped:
            self.line(f"M{self.clamp_m[0] if on else self.clamp_m[1]}")
            self.clamped = on

    def _go_to_start(self, first: np.ndarray, clamped: bool) -> None:
        state = self.state
        words = []
        for axis, letter in enumerate("XYZA"):
            if letter != "Z" and (not self.known or first[axis] != state[axis]):
                words.append(self.word(letter, int(first[axis])))
        if not clamped or not self.known or first[3] != state[3]:
            self._clamp(False)
        if self.wrapped and self.known:
            turn = int(first[3] - state[3]) % self.style.a_wrap
            if abs(2 * turn - self.style.a_wrap) <= 2 * 10**self.a_decimals:  # within a degree of half a turn: say which way
                self.line(f"G0 {self.word('A', int(state[3]) + self.style.a_wrap // 4)}")
        if words:
            self.line(" ".join(["G0", *words]))
        if clamped:
            self._clamp(True)
        if first[2] != state[2]:
            self.line(f"G0 {self.word('Z', int(first[2]))}")
        state[:4] = first
        state[4] = 0
        self.known = True

    def _to_safe(self) -> None:
        if self.state[2] != self.safe_count:
            self.line(f"G0 {self.word('Z', self.safe_count)}")
            self.state[2] = self.safe_count
            self.state[4] = 0

    def _put(self, counts: np.ndarray, minutes: Floats, style: kernels.LineStyle) -> None:
        out = np.empty(min(_OUT_BYTES, 160 * (len(counts) + 2)), dtype=np.uint8)
        row = 0
        while row < len(counts):
            row, size = kernels.put_rows(counts, minutes, style, self.state, (row, len(counts)), out)
            self.pieces.append(out[:size].tobytes())


def _split_turns(axes: Floats, feeds: Floats) -> tuple[Floats, Floats]:
    """Split moves whose turn is too large for a wrapped control into equal pieces."""
    steps = np.diff(axes, axis=0)
    parts = np.maximum(np.ceil(np.abs(steps[:, 3]) / LARGEST_WRAPPED_STEP_DEG), 1.0).astype(np.int64)
    if (parts == 1).all():
        return axes, feeds
    origin = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(origin)) - np.repeat(np.cumsum(parts) - parts, parts) + 1) / parts[origin]
    split = axes[origin] + steps[origin] * share[:, None]
    last = share == 1.0
    split[last] = axes[1:]
    return np.vstack([axes[:1], split]), np.concatenate([feeds[:1], feeds[1:][origin]])
