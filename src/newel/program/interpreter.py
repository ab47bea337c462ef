"""Interpret a program's text: what the machine will do, as rows of motion, and every rule that the text breaks.

Plain lines run in a kernel, all others one by one through the full reader; both roads give the same rows. The language
is RS274/NGC as in NISTIR 6556, with what core.dialect.ReadTraits lets pass beyond it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from newel.core.dialect import ReadTraits
from newel.core.errors import BadInput
from newel.core.findings import Finding
from newel.core.motion import Motion
from newel.program import interpreter_kernels as kernels
from newel.program.execute import execute_block
from newel.program.flow import O_LINE, Flow, StopError
from newel.program.modal import AXES, G_GROUPS, MOTION_LOST, MOTIONS, SYSTEMS, name_of
from newel.program.offsets import MACHINE_HELD_FROM, read_parameter, set_parameter
from newel.program.reader import Block, OWord, fold, read_line
from newel.program.repeated import Repeated, read_repeated
from newel.program.rules import RefusedError
from newel.program.state import MOST_CHORDS, MachineFacts, State, TooManyRowsError
from newel.program.words import FULL, WordTable, split_text

__all__ = ["Interpretation", "MachineFacts", "ProgramFacts", "interpret"]

LINE_WORK = 16  # of reading a line again, as so many of its characters (measured)
AGAIN_WORK = 3  # of running a line from its tape, as so many characters of reading (measured)
STEPS_WORK = 4  # so many steps of a tape are one more
ROW_PAYS = 18  # characters of reading again that a move made from a tape gives back: rows have a bound of their own
PLAIN_LINES = 6  # so many lines that the kernel runs again count as one character
MOST_REFUSED = 20_000  # lines; a bound on time for texts that are no programs at all
_G_WORD = re.compile(r"g(\d{1,6}(?:\.\d{1,6})?)?")


@dataclass(frozen=True)
class ProgramFacts:
    """What a program says of itself.

    `units`: 'mm' and 'inch' in the order they were put in force; `first_move_without_units`: the line of the first move before
    any units word, 0 for none. `ended`: 'M2', 'M30', '%' or '' where the text just stops, and the line. `left_on`: 'spindle'
    and 'coolant' where they run on after the end; none where the program could not be followed to it. `cutters`: number
    and line of the first call. `systems`: other work systems put in force. `stops`: lines with M0, M1 or M60.
    """

    lines: int
    units: tuple[str, ...]
    first_move_without_units: int
    ended: str
    ended_line: int
    left_on: tuple[str, ...]
    cutters: tuple[tuple[int, int], ...]
    uses_g93: bool
    messages: tuple[tuple[int, str], ...]
    systems: tuple[str, ...]
    stops: tuple[int, ...]
    full_reads: int  # lines that took the full reader's road


@dataclass(frozen=True)
class Interpretation:
    """A program as the machine would run it, what is wrong with it, and what it says of itself."""

    motion: Motion
    findings: tuple[Finding, ...]
    facts: ProgramFacts


def interpret(
    text: str | bytes,
    dialect: ReadTraits,
    *,
    program: str = "program.ngc",
    work_offset: str = "G54",
    start: Sequence[float] | None = None,
    machine_from_offset_mm: Sequence[float] | None = None,
    machine: MachineFacts | None = None,
    all_full: bool = False,
) -> Interpretation:
    """Interpret a program's text by the rules of the language; a bad program gives findings, never an exception.

    Places are in the coordinates of `work_offset`, mm and degrees, unwrapped. `start`: X Y Z A (B C) before the first line, nan
    (or None) where it is not known. `machine_from_offset_mm`: machine coordinates (X, Y, Z and A, or X, Y, Z alone) of the
    work offset's origin; without them G53, G28, G30 and G10 lead to places that are not known: rows with nan, and a
    finding. A length offset is taken as the cutter's true length; where it changes and `machine` does not tell the
    lengths, Z is unknown until a Z word says it anew. After a line that breaks a rule, the axes it names are unknown too.
    Lines behind a `/` are run. `all_full` sends every line through the full reader (for checks; slow).
    """
    name = work_offset.strip().upper()
    names = [name_of(code) for code in SYSTEMS]
    if name not in names:
        raise BadInput(f"there is no work offset {work_offset!r}", remedy=f"write one of {', '.join(names)}")
    state = State(dialect, program, names.index(name) + 1, machine or MachineFacts())
    begin = np.full(6, math.nan)
    if start is not None:
        begin[: len(start)] = list(start)
    if machine_from_offset_mm is not None:
        state.machine_from_offset[: min(len(machine_from_offset_mm), 4)] = list(machine_from_offset_mm)[:4]
    run = Run(split_text(text, dialect, all_full=all_full), state)
    run.begin_at(begin)
    run.run()
    return Interpretation(state.rows.motion(begin[:4]), state.findings.all(), run.facts())


def _takes_plain(state: State) -> bool:
    """Whether the kernel of plain lines may run at all."""
    return state.compensation == 400 and state.mode(kernels.FEED_MODE) != 950


def _left_on(state: State) -> tuple[str, ...]:
    """What runs on when the program has ended; M2 and M30 have stopped both [3.6.1], % and the end of the text nothing."""
    return tuple(name for name, on in (("spindle", state.spindle), ("coolant", state.coolant)) if on)


class _StateParameters:
    """The parameters as the full reader asks for them."""

    def __init__(self, state: State) -> None:
        self.state = state
        self._stored = state.parameters

    def get(self, number: int) -> float:
        return read_parameter(self.state, number)

    def quick(self, number: int) -> float:
        """The same, without looking where nothing but the program sets the parameter."""
        value: float = self._stored.item(number)
        return value if number < MACHINE_HELD_FROM and value == value else read_parameter(self.state, number)


class Run:
    """One run through a program; also the way to carry out single lines in a state."""

    def __init__(self, table: WordTable, state: State) -> None:
        """Get ready to run `table` in `state`."""
        self.table = table
        self.state = state
        self.parameters = _StateParameters(state)
        self.flow: Flow | None = None
        self.full_reads = 0
        self.refused = 0
        self.again: dict[int, Repeated | None] = {}  # lines read with a tape, by line from 0; None: read each time
        self.furthest = -1  # line read so far
        self.percent_opens = -1
        self.ended = False
        self.stopped = False
        plain = table.kind != FULL
        state.rows.make_room(min(int(np.count_nonzero(plain)) + 64, state.traits.max_rows + 64))
        self.words = kernels.RunWords(table.kind, table.first, table.letters, table.values)

    def begin_at(self, place: np.ndarray) -> None:
        """Put the tip at `place` (X Y Z A B C in job coordinates) and the state's own stored parameters in force."""
        state = self.state
        number = state.parameters[5220]
        if not math.isnan(number):
            if not (abs(number - round(number)) <= 1e-4 and 1 <= round(number) <= 9):
                says = f"#5220 must be a whole number from 1 to 9 at the start, not {number:g}"
                state.report("system-number", says, 0, measured=float(number))
            else:
                state.ints[kernels.SYSTEM] = SYSTEMS[round(number) - 1]
        self._take_stored_origins()
        state.shift[:] = state.relative[state.system] + state.g92
        state.here[:] = place[:4] - state.shift
        state.others = [float(value) for value in place[4:6]]

    def _take_stored_origins(self) -> None:
        state = self.state
        stored = state.parameters
        for axis in range(4):
            job = stored[5221 + 20 * (state.job_system - 1) + axis]
            if math.isnan(state.machine_from_offset[axis]):
                state.machine_from_offset[axis] = job
            for system in range(1, 10):
                origin = stored[5221 + 20 * (system - 1) + axis]
                if system != state.job_system and not math.isnan(origin):
                    state.relative[system, axis] = origin - state.machine_from_offset[axis]
            if not math.isnan(stored[5211 + axis]):
                state.g92_saved[axis] = stored[5211 + axis]

    def run(self) -> None:
        """Run from the first line to the program's end."""
        table, state = self.table, self.state
        n = len(table)
        line = 0
        self._check_percent()
        try:
            while line < n and not self.ended:
                if table.kind[line] != FULL and _takes_plain(self.state):
                    line, why = self._run_plain(line)
                    if why != kernels.HAND_BACK:
                        continue
                line = self._run_full(line)
        except StopError:
            self.stopped = True
        except TooManyRowsError:
            last = int(state.rows.line[state.rows.n - 1]) if state.rows.n else 1
            says = "the program makes more moves than are followed"
            state.report("too-many-rows", says, last, limit=state.traits.max_rows)
            self.stopped = True
        self._check_end()

    def _run_plain(self, line: int) -> tuple[int, int]:
        state, rows = self.state, self.state.rows
        begin = rows.n
        span = (line, len(self.table))
        line, row, why = kernels.run_plain(self.words, rows.for_run(), state.floats, state.ints, span, rows.n, MOST_CHORDS)
        rows.n = int(row)
        state.work += max(0, min(int(line), self.furthest) - span[0]) // PLAIN_LINES
        self.furthest = max(self.furthest, int(line) - 1)
        self._take_rows(begin)
        if why == kernels.ROOM_SPENT:
            rows.make_room(max(MOST_CHORDS, rows.n // 2))  # one arc may take them all
        return int(line), int(why)

    def _take_rows(self, begin: int) -> None:
        """See to what the kernel leaves open about the rows it made, from `begin` on."""
        state, rows = self.state, self.state.rows
        if rows.n > begin:
            rows.label(begin, state.labels())
            if not state.ints[kernels.UNITS_SAID] and state.notes.first_move_without_units == 0:
                state.notes.first_move_without_units = int(rows.line[begin])
        if state.lost:
            state.lost = {axis for axis in state.lost if axis > 3 or math.isnan(state.here[axis])}
        if rows.n > state.traits.max_rows:
            rows.n = state.traits.max_rows
            raise TooManyRowsError

    def _run_full(self, line: int) -> int:
        """Read and carry out line `line` (from 0) in full; return the line to go on with."""
        repeated = self.again.get(line)
        again = line <= self.furthest
        if repeated is not None:
            self._spend(AGAIN_WORK + repeated.work // STEPS_WORK, line)
        try:
            if repeated is not None:
                onward = self._carry_out_again(repeated, line)
                if onward >= 0:
                    return onward
            return self._read_and_carry_out(line)
        except RefusedError as refused:
            state, text = self.state, self.table.text(line)
            state.findings.add(refused, line + 1, state.place())
            if again:
                self._spend(len(text) + LINE_WORK, line)  # to be refused costs as much as to be read
            folded = fold(text, semicolon_comments=state.traits.semicolon_comments)
            has_flow = state.traits.o_words or state.traits.numbered_subprograms
            if refused.code in ("endless-loop", "o-word") or (has_flow and O_LINE.match(folded)):
                raise StopError from None  # which line comes next is not known
            bare = re.sub(r"\(.*?(\)|$)", "", folded)
            state.lose([axis for axis, letter in enumerate(AXES) if letter in bare])
            self._motion_after(bare)
            self.refused += 1
            if self.refused >= MOST_REFUSED:
                says = "so many lines are refused that this is no program in this dialect; the rest is not read"
                state.report("too-many-refused-lines", says, line + 1, measured=self.refused, limit=MOST_REFUSED)
                raise StopError from None
            return line + 1

    def _read_and_carry_out(self, line: int) -> int:
        text = self.table.text(line)
        self.full_reads += 1
        again = line <= self.furthest
        if again:
            self._spend(len(text) + LINE_WORK, line)
        self.furthest = max(self.furthest, line)
        if "%" in text and text.strip() == "%":
            return self._percent(line)
        if again and line not in self.again:
            self.again[line] = read_repeated(text, line + 1, self.parameters, self.state.traits)
        return self.carry_out(text, line)

    def _carry_out_again(self, repeated: Repeated, line: int) -> int:
        """Run a line from its tape; -1 where its values can't be worked out, and nothing has been done."""
        get = self.parameters.quick
        if repeated.word is not None:
            return self._along(repeated.o_word(get), line)
        try:
            table = repeated.fill(get) if repeated.plain is not None and _takes_plain(self.state) else None
            settings = repeated.only_sets(get) if table is None else None
            block = repeated.block(get, line + 1) if table is None and settings is None else None
        except RefusedError:
            return -1
        if settings is not None:
            for number, value in settings:
                set_parameter(self.state, number, value, line + 1)
            return line + 1
        if block is not None:
            return self.follow_block(block, line)
        return line + 1 if table is not None and self._run_filled(table, line) else -1

    def _run_filled(self, table: kernels.RunWords, line: int) -> bool:
        """Let the kernel run a table of one line as line `line` (from 0); False where it hands back."""
        state, rows = self.state, self.state.rows
        if rows.n + 1 > len(rows.minutes):
            rows.make_room(MOST_CHORDS)
        begin = rows.n
        _, row, why = kernels.run_plain(table, rows.for_run(), state.floats, state.ints, (0, 1), begin, MOST_CHORDS)
        if why != kernels.DONE:
            return False  # out of room: the full road makes it
        rows.n = int(row)
        rows.line[begin : rows.n] = line + 1
        state.work = max(0, state.work - ROW_PAYS * (rows.n > begin))
        self._take_rows(begin)
        return True

    def _o_word(self, line: int) -> OWord:
        """Return the O-word of line `line` (from 0) that an untaken condition leads to."""
        again = line <= self.furthest
        repeated = self.again.get(line)
        if repeated is not None:
            self._spend(AGAIN_WORK, line)
            found = repeated.o_word(self.parameters.quick) if repeated.word is not None else None
        else:
            text = self.table.text(line)
            found = read_line(text, line + 1, self.parameters, self.state.traits).o_word
            if again:
                self._spend(len(text) + LINE_WORK, line)
                if line not in self.again:
                    self.again[line] = read_repeated(text, line + 1, self.parameters, self.state.traits)
        if found is None:
            raise RefusedError("o-word", "a condition's branches cannot be found")
        return found

    def _spend(self, work: int, line: int) -> None:
        """Count work done again on a line that was read before; stop where it is more than the dialect lets pass."""
        try:
            self.state.spend(work, "endless-loop", "loops and calls go on longer than is followed")
        except RefusedError as refused:
            self.state.findings.add(refused, line + 1, self.state.place())
            raise StopError from None

    def _motion_after(self, refused: str) -> None:
        """Put the motion in force that a refused line's text asks for: G0 or G1, or none that is known."""
        codes = [round(float(number) * 10.0) if number else -1 for number in _G_WORD.findall(refused)]
        motions = [code for code in codes if code not in G_GROUPS or code in MOTIONS]
        if motions in ([0], [10]):
            self.state.ints[kernels.MOTION] = motions[0]
        elif motions:
            self.state.ints[kernels.MOTION] = MOTION_LOST

    def carry_out(self, text: str, line: int) -> int:
        """Carry out one line's `text` as line `line` (from 0); raise RefusedError; return the line to go on with."""
        return self.follow_block(read_line(text, line + 1, self.parameters, self.state.traits), line)

    def follow_block(self, block: Block, line: int) -> int:
        """Carry out a line that was read, as line `line` (from 0); raise RefusedError; return the line to go on with."""
        state = self.state
        if block.deleted:
            state.report("block-delete", "whether this line runs depends on a switch; it is proved as run", line + 1)
        for number, value in block.settings:
            set_parameter(state, number, value, line + 1)
        if block.o_word is not None:
            return self._along(block.o_word, line)
        if block.asks_nothing_more():
            if block.message:
                state.notes.messages.append((line + 1, block.message))
            return line + 1
        execute_block(state, block)
        if state.notes.ended:
            self.ended = True
            return line + 1
        if 98 in block.m or 99 in block.m:
            if self.flow is None:
                self.flow = Flow(self.table, state)
            return self.flow.subprogram(block, line)
        return line + 1

    def _along(self, o_word: OWord, line: int) -> int:
        """Go where an O-word leads; return the line to go on with."""
        if self.flow is None:
            self.flow = Flow(self.table, self.state)
        frame = self.flow.frames[-1]
        onward = self.flow.follow(o_word, line)
        while onward < 0:  # an untaken condition: read the O-word it led to
            line = -onward - 1
            onward = self.flow.branch(self._o_word(line), line)
        if not frame.inside[0] <= onward <= frame.inside[1]:
            frame.arrive(onward)
        return onward

    def _check_percent(self) -> None:
        """Find out whether the first line that is not blank is a percent sign, and whether a second one follows [3.1]."""
        table = self.table
        signs = np.flatnonzero(table.data == 37)
        if len(signs) == 0 or table.data[: signs[0]].tobytes().strip():
            return
        lines = np.unique(np.searchsorted(table.start, signs, side="right") - 1)
        lone = [int(line) for line in lines[:1000] if table.text(line).strip() == "%"]
        lone += [int(line) for line in lines[1000:] if table.text(line).strip() == "%"][-1:]
        if lone and lone[0] == lines[0]:
            self.percent_opens = lone[0]
            if len(lone) < 2:
                self.state.report("percent", "the file begins with % and has no second %", lone[0] + 1)

    def _percent(self, line: int) -> int:
        state = self.state
        if line == self.percent_opens:
            return line + 1
        self.ended = True
        if self.percent_opens >= 0:
            state.notes.ended, state.notes.ended_line = "%", line + 1
        else:
            state.report("percent", "a % line, though the file does not begin with one", line + 1)
        return line + 1

    def _check_end(self) -> None:
        state = self.state
        if not (state.notes.ended or self.stopped) and self.percent_opens < 0 and not state.traits.percent_optional:
            state.report("no-program-end", "neither M2, M30 nor % lines end the program", max(len(self.table), 1))

    def facts(self) -> ProgramFacts:
        """Return what the program said on the way."""
        notes = self.state.notes
        return ProgramFacts(
            lines=len(self.table),
            units=tuple(notes.units),
            first_move_without_units=notes.first_move_without_units,
            ended=notes.ended,
            ended_line=notes.ended_line,
            left_on=() if self.stopped else _left_on(self.state),
            cutters=tuple(notes.cutters.items()),
            uses_g93=notes.uses_g93,
            messages=tuple(notes.messages),
            systems=tuple(notes.systems),
            stops=tuple(notes.stops),
            full_reads=self.full_reads,
        )
